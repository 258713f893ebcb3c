"""Regions of photographs in the COCO style: polygons, boxes and areas in photo pixels.

References
----------
Lin et al. (2014), Microsoft COCO, arXiv 1405.0312; the object-instance JSON of its data format.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.vocabulary import LABEL_SCALES, TISSUES

__all__ = ["CATEGORIES", "RegionPicture", "coco_lines", "polygons"]

CATEGORIES: tuple[tuple[int, str], ...] = (
    *((t.label, t.value) for t in TISSUES), (LABEL_SCALES, "scales"),
)
"""Number and name of each kind of region."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionPicture:
    """The counted labels of one photograph.

    Attributes
    ----------
    labels_png : bytes
        PNG of labels 0 to 4 of the square `box`.
    box : tuple of float
        (row0, col0, row1, col1) in pixels of the upright photograph.
    """

    photo_id: int
    file_name: str
    width_px: int
    height_px: int
    labels_png: bytes
    box: tuple[float, float, float, float]
    by_person: bool


def polygons(
    labels: NDArray[np.uint8], box: tuple[float, float, float, float], value: int
) -> list[list[float]]:
    """Return the outlines of a label in photo pixels, each ``[x1, y1, x2, y2, ...]``.

    Parameters
    ----------
    labels : ndarray, shape (n, n), uint8
    box : tuple of float
        Where the corners of `labels` lie in the photograph.
    """
    mask = np.asarray(labels == value, np.uint8)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    row0, col0, row1, col1 = box
    scale = np.array([(col1 - col0) / labels.shape[1], (row1 - row0) / labels.shape[0]])
    out: list[list[float]] = []
    for contour in found:
        points = (contour.reshape(-1, 2) + 0.5) * scale + np.array([col0, row0])
        if len(points) >= 3:
            out.append([round(float(v), 1) for v in points.ravel()])
    return out


def coco_lines(pictures: Iterator[RegionPicture]) -> Iterator[str]:
    """Yield the lines of one COCO-style JSON document, holding one picture at a time.

    Images come first in the document, so annotations are kept as text until the images are out;
    a photograph's annotations are a few kilobytes.
    """
    yield '{"info": {"description": "regions of cut compound buds"},'
    kinds = [{"id": n, "name": name, "supercategory": "bud"} for n, name in CATEGORIES]
    yield f'"categories": {json.dumps(kinds)},'
    yield '"annotations": ['
    number = 0
    images: list[str] = []
    for picture in pictures:
        images.append(json.dumps({
            "id": picture.photo_id, "file_name": picture.file_name,
            "width": picture.width_px, "height": picture.height_px}))
        labels = cv2.imdecode(np.frombuffer(picture.labels_png, np.uint8), cv2.IMREAD_UNCHANGED)
        if labels is None or labels.ndim != 2:
            continue
        n_rows, n_cols = labels.shape
        unit = ((picture.box[2] - picture.box[0]) / n_rows) * (
            (picture.box[3] - picture.box[1]) / n_cols)
        for value, _ in CATEGORIES:
            rows, cols = np.nonzero(labels == value)
            outlines = polygons(np.asarray(labels, np.uint8), picture.box, value)
            if not len(rows) or not outlines:
                continue
            step_row = (picture.box[2] - picture.box[0]) / n_rows
            step_col = (picture.box[3] - picture.box[1]) / n_cols
            number += 1
            yield ("," if number > 1 else "") + json.dumps({
                "id": number, "image_id": picture.photo_id, "category_id": value, "iscrowd": 0,
                "area": round(len(rows) * unit, 1),
                "bbox": [round(picture.box[1] + cols.min() * step_col, 1),
                         round(picture.box[0] + rows.min() * step_row, 1),
                         round((np.ptp(cols) + 1) * step_col, 1),
                         round((np.ptp(rows) + 1) * step_row, 1)],
                "segmentation": outlines, "by": "person" if picture.by_person else "model"})
    yield "],"
    yield '"images": ['
    for i, line in enumerate(images):
        yield ("," if i else "") + line
    yield "]}"
