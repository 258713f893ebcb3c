"""Pictures for reviewing eyes: the cut face, any part at full resolution, the browned area.

Reduced pictures are kept in the season's cache folder, which may be deleted at any time; parts at
full resolution are cut from a photograph that is kept decoded while somebody looks at it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import InputError
from budvision.files import write_whole
from budvision.language import plain_count
from budvision.photo.colour import Neutral, find_neutral, log_light, neutralise
from budvision.photo.overlay import encode_picture
from budvision.photo.read import read_photo
from budvision.store.photos import PhotoStore
from budvision.store.queries.proposals import Region
from budvision.vocabulary import Tissue

__all__ = ["FACE_SIDES_PX", "PictureRoom", "View", "face_box", "whole_box"]

Uint8 = npt.NDArray[np.uint8]
Box = tuple[int, int, int, int]

FACE_SIDES_PX = (320, 1000)
"""Longest sides, in pixels, of the reduced pictures that are kept."""
BROWNED = -0.05
"""Green against red, relative to the face's own neutral, below which a pixel is called browned;
the limit of the features `brown_share` and `brown_share_inner`."""
_DECODED_BYTES = 450_000_000
_WHOLE_SIDE_PX = 1600
_EDGE = 0.10
_NEUTRALS = 500


@dataclass(frozen=True, slots=True)
class View:
    """What to show: the photograph's hash, the part of it, and how.

    Attributes
    ----------
    sha256 : str
        The photograph.
    box : tuple of int
        (row0, col0, row1, col1) of the upright photograph at full size, half-open.
    side_px : int
        Longest side of the picture wanted; never enlarged.
    balanced : bool
        White-balanced by the face's own wool, else as shot.
    """

    sha256: str
    box: Box
    side_px: int
    balanced: bool = False


def whole_box(height_px: int, width_px: int) -> Box:
    """Return the box of the whole photograph."""
    return 0, 0, height_px, width_px


def face_box(region: Region | None, height_px: int, width_px: int) -> Box:
    """Return the part of a photograph to look at first.

    The square round the cut face with a tenth more on each side, kept inside the photograph; the
    whole photograph where no face was found.
    """
    if region is None or not region.labels.any():
        return whole_box(height_px, width_px)
    row0, col0, row1, col1 = region.box
    edge = round(_EDGE * (row1 - row0))
    box = (
        max(0, row0 - edge), max(0, col0 - edge),
        min(height_px, row1 + edge), min(width_px, col1 + edge),
    )
    if box[2] - box[0] < 8 or box[3] - box[1] < 8:
        return whole_box(height_px, width_px)
    return box


class PictureRoom:
    """Makes and keeps pictures of one season's photographs; safe to use from several threads.

    Parameters
    ----------
    photos : PhotoStore
        The originals, which are only read.
    cache : Path
        Folder for reduced pictures; made where missing.
    """

    def __init__(self, photos: PhotoStore, cache: Path) -> None:
        self._photos = photos
        self._cache = cache
        self._decoded: OrderedDict[tuple[str, bool], tuple[Uint8, float]] = OrderedDict()
        self._lock = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._neutrals: OrderedDict[int, Neutral] = OrderedDict()  # by region, which never changes
        self._one_neutral = threading.Lock()

    def kept(self, view: View, region: Region | None) -> bytes:
        """Return a reduced picture as JPEG, from the cache where it is there.

        Raises
        ------
        InputError
            When the side is not one of `FACE_SIDES_PX`.
        """
        if view.side_px not in FACE_SIDES_PX:
            raise InputError(
                f"the side is {view.side_px}", where="picture",
                expected=f"one of {', '.join(map(str, FACE_SIDES_PX))}",
            )
        mark = "-".join(map(str, view.box))
        tone = f"even{region.id}" if view.balanced and region is not None else "shot"
        path = self._cache / view.sha256[:2] / f"{view.sha256}-{mark}-{view.side_px}-{tone}.jpg"
        try:
            return path.read_bytes()
        except OSError:
            pass
        data = self.made(view, region)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, data, lasting=False)
        except OSError:  # a full disk must not keep anybody from looking
            pass
        return data

    def made(self, view: View, region: Region | None) -> bytes:
        """Return a picture as JPEG without keeping it.

        Raises
        ------
        InputError
            When the box does not lie inside the photograph.
        PhotoError
            When the photograph cannot be read.
        """
        image = self._part(view)
        if view.balanced:
            image = neutralise(image, self._neutral(view.sha256, region, image))
        return encode_picture(image, "jpeg")

    def browned(self, sha256: str, region: Region, tissue: Tissue) -> bytes:
        """Return a small picture of one tissue: its browned area hatched, the rest in grey.

        Parameters
        ----------
        sha256 : str
            The photograph.
        region : Region
            Its labels.
        tissue : Tissue
            Which one.

        Raises
        ------
        InputError
            When the tissue has no area in the region.
        """
        mask = region.labels == tissue.label
        if not mask.any():
            raise InputError(f"the {tissue} has no outline in this photograph", where="picture")
        row0, col0, row1, _ = region.box
        scale = (row1 - row0) / mask.shape[0]
        rows, cols = np.nonzero(mask)
        middle = (row0 + (rows.min() + rows.max() + 1) / 2 * scale,
                  col0 + (cols.min() + cols.max() + 1) / 2 * scale)
        half = max(np.ptp(rows), np.ptp(cols)) * scale * 0.62 + 4 * scale
        want = tuple(round(edge) for edge in (
            middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half))
        image, factor = self._photo(sha256)
        height, width = round(image.shape[0] / factor), round(image.shape[1] / factor)
        box = (max(0, want[0]), max(0, want[1]), min(height, want[2]), min(width, want[3]))
        crop = self._part(View(sha256, box, 220))
        size = (crop.shape[1], crop.shape[0])
        inside = _warp(mask.astype(np.uint8), region.box, box, size) > 0
        neutral = self._neutral(sha256, region, crop)
        logs = log_light(crop)
        green_red = (logs[..., 1] - logs[..., 0]) - (neutral.log_rgb[1] - neutral.log_rgb[0])
        brown = inside & (cv2.GaussianBlur(green_red, (0, 0), 1.0) < BROWNED)
        grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)[..., None].repeat(3, axis=2)
        out = np.where(inside[..., None], crop, (grey * 0.45 + 110).astype(np.uint8))
        lines = np.add.outer(np.arange(out.shape[0]), np.arange(out.shape[1])) % 7
        out[brown & (lines < 2)] = 255
        out[brown & (lines == 2)] = 0
        contours, _ = cv2.findContours(
            inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        out = np.ascontiguousarray(out, np.uint8)
        cv2.drawContours(out, contours, -1, (0, 0, 0), 3, cv2.LINE_AA)
        cv2.drawContours(out, contours, -1, (255, 255, 255), 1, cv2.LINE_AA)
        return encode_picture(out, "jpeg")

    # ---- inside ----------------------------------------------------------------------------

    def _photo(self, sha256: str, *, reduced: bool = False) -> tuple[Uint8, float]:
        """Return decoded pixels and their scale, keeping the latest few photographs."""
        for key in ((sha256, False), (sha256, True)) if reduced else ((sha256, False),):
            with self._lock:
                if key in self._decoded:
                    self._decoded.move_to_end(key)
                    return self._decoded[key]
        with self._one_at_a_time:  # a 50-megapixel photograph takes 150 MB decoded
            with self._lock:
                if (sha256, reduced) in self._decoded:
                    return self._decoded[sha256, reduced]
            photo = read_photo(
                self._photos.path(sha256), max_side_px=_WHOLE_SIDE_PX if reduced else None
            )
            with self._lock:
                self._decoded[sha256, reduced] = (photo.image, photo.scale)
                while len(self._decoded) > 1 and (
                    sum(pixels.nbytes for pixels, _ in self._decoded.values()) > _DECODED_BYTES
                ):
                    self._decoded.popitem(last=False)
            return photo.image, photo.scale

    def _part(self, view: View) -> Uint8:
        row0, col0, row1, col1 = view.box
        if not (0 <= row0 < row1 and 0 <= col0 < col1) or not 16 <= view.side_px <= 4096:
            raise InputError(
                f"the part is {view.box} at {view.side_px} px", where="picture",
                expected="row0 < row1, col0 < col1 inside the photograph, 16 to 4096 px",
            )
        coarse = max(row1 - row0, col1 - col0) > view.side_px * 4
        image, scale = self._photo(view.sha256, reduced=coarse)
        height, width = image.shape[:2]
        rows = slice(round(row0 * scale), max(round(row0 * scale) + 1, round(row1 * scale)))
        cols = slice(round(col0 * scale), max(round(col0 * scale) + 1, round(col1 * scale)))
        if rows.stop > height + 1 or cols.stop > width + 1 or rows.start >= height or (
            cols.start >= width
        ):
            raise InputError(
                f"the part is {view.box}", where="picture",
                expected=f"inside {plain_count(round(height / scale), 'row')} and "
                         f"{round(width / scale)} columns",
            )
        part = image[rows, cols]
        shrink = view.side_px / max(part.shape[:2])
        if shrink < 1.0:
            size = (max(1, round(part.shape[1] * shrink)), max(1, round(part.shape[0] * shrink)))
            part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)
        return np.ascontiguousarray(part)

    def _neutral(self, sha256: str, region: Region | None, image: Uint8) -> Neutral:
        if region is None:
            return find_neutral(image, np.zeros(image.shape[:2], np.uint8))
        with self._one_neutral:  # a bud's three tissues are asked for at once
            if region.id not in self._neutrals:
                self._neutrals[region.id] = self._neutral_of(sha256, region)
                if len(self._neutrals) > _NEUTRALS:
                    self._neutrals.popitem(last=False)
            return self._neutrals[region.id]

    def _neutral_of(self, sha256: str, region: Region) -> Neutral:
        pixels, scale = self._photo(sha256, reduced=True)
        size = (region.labels.shape[1], region.labels.shape[0])
        moved = np.array(region.box, np.float64) * scale
        matrix = np.array([
            [(moved[3] - moved[1]) / size[0], 0.0, moved[1]],
            [0.0, (moved[2] - moved[0]) / size[1], moved[0]],
        ])
        crop = cv2.warpAffine(
            pixels, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return find_neutral(np.asarray(crop, np.uint8), region.labels)


def _warp(labels: Uint8, source: Box, target: Box, size: tuple[int, int]) -> Uint8:
    """Bring labels of one box to the pixels of another, `size` (columns, rows)."""
    step_x = (target[3] - target[1]) / size[0] * labels.shape[1] / (source[3] - source[1])
    step_y = (target[2] - target[0]) / size[1] * labels.shape[0] / (source[2] - source[0])
    start_x = (target[1] - source[1]) * labels.shape[1] / (source[3] - source[1])
    start_y = (target[0] - source[0]) * labels.shape[0] / (source[2] - source[0])
    matrix = np.array([[step_x, 0.0, start_x], [0.0, step_y, start_y]])
    return np.asarray(cv2.warpAffine(
        labels, matrix, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
    ), np.uint8)
