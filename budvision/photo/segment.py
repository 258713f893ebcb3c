"""Find the cut face in a photograph and tell its tissues apart, by a compact network.

The network looks twice: at the whole frame, small, to find the face; then at the square round the
face. `cv2.dnn` runs it. The picture is first turned by quarter turns until its brightest half lies
on top, and the answer is turned back, so that a photograph and its quarter turns are answered alike.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NotFoundError
from budvision.photo.arrangement import arrange
from budvision.photo.refusals import JUDGEMENTS, reason_for
from budvision.vocabulary import TISSUES, Reason, Tissue

__all__ = ["Segmentation", "Segmenter", "cut_round", "locate", "segment"]

Uint8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]

FRAME_PX = 256
"""Side of the first look."""
FINE_FRAME_PX = 512
"""Side of a second first look, where the first found nothing and the picture is large enough."""
CROP_PX = 320
"""Side of the square round the face that is segmented."""
FACE_OF_CROP = 0.74
"""Long side of the face over the side of that square."""
LEAST_FACE_PX = 40.0
"""Long side of the face, in pixels of the image, below which it is refused."""
USABLE_ABOVE = 0.5
EXPOSED_ABOVE = 0.5


class Segmenter:
    """The network, read once; safe to share between threads.

    Parameters
    ----------
    path : Path
        The ONNX file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._nets: dict[int, Any] = {}

    @classmethod
    def load(cls, folder: Path) -> Segmenter:
        """Load `segmenter.onnx` from a model folder.

        Raises
        ------
        NotFoundError
            When the file is missing.
        InputError
            When it is not a network that OpenCV reads.
        """
        path = Path(folder) / "segmenter.onnx"
        if not path.is_file():
            raise NotFoundError(
                f"{path.name} is missing",
                expected="a model folder with it",
                where=str(folder),
                do="Choose another model or install again.",
            )
        segmenter = cls(path)
        segmenter._net(CROP_PX)
        return segmenter

    def __getstate__(self) -> dict[str, Any]:
        return {"path": self.path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["path"])  # type: ignore[misc]

    def _net(self, side_px: int) -> Any:
        if side_px not in self._nets:
            try:
                # OpenCV 5's older engine runs this network a quarter faster than its newer one
                engine = [cv2.dnn.ENGINE_CLASSIC] if hasattr(cv2.dnn, "ENGINE_CLASSIC") else []
                self._nets[side_px] = cv2.dnn.readNetFromONNX(str(self.path), *engine)
            except cv2.error as error:
                raise InputError(
                    "it is not a network that OpenCV can read",
                    expected="an ONNX file",
                    where=self.path.name,
                    do="Install the model again.",
                ) from error
        return self._nets[side_px]

    def run(self, square: Uint8) -> tuple[Float32, Float32]:
        """Run the network over a square RGB picture.

        Returns
        -------
        maps : ndarray of float32, (channels, side / 2, side / 2)
            Logits: five labels, dead pixel, dead growing point.
        whole : ndarray of float32
            Logits: exposed x 3, then the judgements.
        """
        blob = np.ascontiguousarray(square.transpose(2, 0, 1)[None], np.float32) / np.float32(255)
        with self._lock:
            net = self._net(square.shape[0])
            net.setInput(blob)
            maps, whole = net.forward(["pixels", "whole"])
        return np.asarray(maps[0], np.float32).copy(), np.asarray(whole, np.float32).ravel().copy()


@dataclass(frozen=True, slots=True)
class Segmentation:
    """What was found in a photograph.

    Attributes
    ----------
    found : bool
        False where there is no cut face that can be judged; `reasons` then say why.
    reasons : tuple of Reason
    box : tuple of int
        (row0, col0, row1, col1) of the square round the face, in pixels of the image; it may lie
        partly outside.
    crop : ndarray of uint8, (n, n, 3)
        That square at the network's size.
    labels : ndarray of uint8, (n, n)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool.
    confidence : ndarray of float32, (n, n)
        Probability of the label given, in [0, 1].
    exposed : mapping of Tissue to float
        Probability that the tissue is exposed.
    face_share : float
        Long side of the face over the width of the image.
    dead_map : ndarray of float32, (n, n)
        Probability that the growing point of the tissue under a pixel is dead.
    brown_map : ndarray of float32, (n, n)
        Probability that this very pixel, were it tissue, is dead.
    judgement : mapping of str to float
        Probability of usable and of each fault, from the whole square.
    swap_doubt : float
        Probability that secondary and tertiary should change places, in [0, 0.5].
    image_shape : tuple of int
        (rows, cols) of the image.
    """

    found: bool
    reasons: tuple[Reason, ...]
    box: tuple[int, int, int, int]
    crop: Uint8
    labels: Uint8
    confidence: Float32
    exposed: Mapping[Tissue, float]
    face_share: float
    dead_map: Float32
    brown_map: Float32
    judgement: Mapping[str, float] = field(default_factory=dict)
    swap_doubt: float = 0.0
    image_shape: tuple[int, int] = (0, 0)

    def full_labels(self, height_px: int, width_px: int) -> Uint8:
        """Paste the labels into a picture of the full upright size.

        Parameters
        ----------
        height_px, width_px : int
            Size of the upright photograph, of the same shape as the image.

        Returns
        -------
        ndarray of uint8, (height_px, width_px)
        """
        full = np.zeros((height_px, width_px), np.uint8)
        if not self.found:
            return full
        scale_r, scale_c = height_px / self.image_shape[0], width_px / self.image_shape[1]
        row0, row1 = round(self.box[0] * scale_r), round(self.box[2] * scale_r)
        col0, col1 = round(self.box[1] * scale_c), round(self.box[3] * scale_c)
        smooth = _enlarged(self.labels, min(1280, max(row1 - row0, col1 - col0)))
        top, left = max(row0, 0), max(col0, 0)
        bottom, right = min(row1, height_px), min(col1, width_px)
        if bottom <= top or right <= left:
            return full
        n = smooth.shape[0]
        rows = ((np.arange(top, bottom) - row0 + 0.5) * n / (row1 - row0)).astype(np.intp)
        cols = ((np.arange(left, right) - col0 + 0.5) * n / (col1 - col0)).astype(np.intp)
        full[top:bottom, left:right] = smooth[
            np.clip(rows, 0, n - 1)[:, None], np.clip(cols, 0, n - 1)[None, :]
        ]
        return full


def _enlarged(labels: Uint8, side: int) -> Uint8:
    """Enlarge labels with smooth edges."""
    if side <= labels.shape[0]:
        return labels
    best = np.full((side, side), 0.5, np.float32)
    out = np.zeros((side, side), np.uint8)
    for label in np.unique(labels):
        share = cv2.resize((labels == label).astype(np.float32), (side, side))
        own = share >= best
        out[own], best[own] = label, share[own]
    return out


def _softmax(logits: Float32) -> Float32:
    shifted = np.exp(logits - logits.max(0, keepdims=True))
    return np.asarray(shifted / shifted.sum(0, keepdims=True), np.float32)


def _sigmoid(logits: Float32) -> Float32:
    return np.asarray(1 / (1 + np.exp(-np.clip(logits, -30, 30))), np.float32)


def _quarter_turns(image: Uint8) -> int:
    """Return how many counter-clockwise quarter turns bring the brightest half on top."""
    small = cv2.resize(image, (64, 64), interpolation=cv2.INTER_AREA).astype(np.float32).sum(2)
    halves = (small[:32].mean(), small[:, 32:].mean(), small[32:].mean(), small[:, :32].mean())
    return int(np.argmax(halves))


@dataclass(frozen=True, slots=True)
class _Place:
    """The face in the turned frame: centre and long side in pixels of the image."""

    row: float
    col: float
    long_px: float


def _letterboxed(image: Uint8, side: int) -> tuple[Uint8, float, int, int]:
    rows, cols = image.shape[:2]
    scale = side / max(rows, cols)
    small = cv2.resize(
        image,
        (max(1, round(cols * scale)), max(1, round(rows * scale))),
        interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
    )
    square = np.full((side, side, 3), 114, np.uint8)
    top, left = (side - small.shape[0]) // 2, (side - small.shape[1]) // 2
    square[top : top + small.shape[0], left : left + small.shape[1]] = small
    return square, scale, top, left


def _biggest(face: Float32, least: int) -> tuple[float, float, float] | None:
    """Return centre and long side of the heaviest region of face probability, in map pixels."""
    mask = (face > 0.5).astype(np.uint8)
    count, index, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    best, weight = 0, 0.0
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] >= least:
            own = float(face[index == k].sum())
            if own > weight:
                best, weight = k, own
    if not best:
        return None
    x, y, w, h = (int(stats[best, k]) for k in range(4))
    return y + h / 2, x + w / 2, float(max(w, h))


def _seek(image: Uint8, segmenter: Segmenter, side: int) -> tuple[_Place | None, Float32]:
    square, scale, top, left = _letterboxed(image, side)
    maps, whole = segmenter.run(square)
    shares = _softmax(maps[:5])
    tissue = 1 - shares[0]
    found = _biggest(tissue, 6)
    judged = _softmax(whole[3:])
    if found is None:
        return None, judged
    row, col, long = (value * 2 for value in found)
    return _Place((row - top) / scale, (col - left) / scale, long / scale), judged


def locate(image: Uint8, *, segmenter: Segmenter) -> tuple[float, float, float] | None:
    """Find the cut face in a whole photograph.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        Upright sRGB.
    segmenter : Segmenter

    Returns
    -------
    tuple of float or None
        Row and column of the face's centre and its long side, in pixels of the image; None where
        no face was found.
    """
    place, _ = _seek(image, segmenter, FRAME_PX)
    if place is None and max(image.shape[:2]) >= 1.5 * FINE_FRAME_PX:
        place, _ = _seek(image, segmenter, FINE_FRAME_PX)
    return None if place is None else (place.row, place.col, place.long_px)


def _cut_out(image: Uint8, box: tuple[int, int, int, int], side: int) -> Uint8:
    rows, cols = image.shape[:2]
    row0, col0, row1, col1 = box
    part = image[max(0, row0) : min(rows, row1), max(0, col0) : min(cols, col1)]
    pads = (max(0, -row0), max(0, row1 - rows), max(0, -col0), max(0, col1 - cols))
    if any(pads):
        part = cv2.copyMakeBorder(part, *pads, cv2.BORDER_REPLICATE)
    how = cv2.INTER_AREA if part.shape[0] > side else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(part, (side, side), interpolation=how), np.uint8)


def cut_round(image: Uint8, found: tuple[float, float, float], side_px: int = CROP_PX) -> Uint8:
    """Cut the square round a face that `locate` has found, at the network's size."""
    return _cut_out(image, _box_round(_Place(*found)), side_px)


def _box_round(place: _Place) -> tuple[int, int, int, int]:
    side = max(16, round(place.long_px / FACE_OF_CROP))
    row0, col0 = round(place.row - side / 2), round(place.col - side / 2)
    return row0, col0, row0 + side, col0 + side


def _turned_box(
    box: tuple[int, int, int, int], turns: int, shape: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Bring a box of the turned image (turned `turns` times) back to the image of `shape`."""
    row0, col0, row1, col1 = box
    rows, cols = shape
    if turns == 1:
        return col0, cols - row1, col1, cols - row0
    if turns == 2:
        return rows - row1, cols - col1, rows - row0, cols - col0
    if turns == 3:
        return rows - col1, row0, rows - col0, row1
    return box


def _blank(image: Uint8, reasons: tuple[Reason, ...], judged: Mapping[str, float]) -> Segmentation:
    side = CROP_PX
    none = np.zeros((side, side), np.float32)
    return Segmentation(
        False,
        reasons,
        (0, 0, *image.shape[:2]),
        np.zeros((side, side, 3), np.uint8),
        np.zeros((side, side), np.uint8),
        none,
        dict.fromkeys(TISSUES, 0.0),
        0.0,
        none,
        none,
        judged,
        0.0,
        (image.shape[0], image.shape[1]),
    )


def segment(
    image: Uint8, *, segmenter: Segmenter, base_direction_deg: float | None = None
) -> Segmentation:
    """Find the cut face of a photograph and label its tissues.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        Upright sRGB; a reduced copy of the photograph will do.
    segmenter : Segmenter
    base_direction_deg : float, optional
        Direction of the cane base in the image, degrees clockwise from the right.

    Returns
    -------
    Segmentation
        With `found` False and reasons where no cut face can be judged.
    """
    turns = _quarter_turns(image)
    turned = np.rot90(image, turns)
    place, judged = _seek(turned, segmenter, FRAME_PX)
    if place is None and max(image.shape[:2]) >= 1.5 * FINE_FRAME_PX:
        place, judged = _seek(turned, segmenter, FINE_FRAME_PX)
    said = dict(zip(JUDGEMENTS, map(float, judged), strict=True))
    if place is None:
        worst = max((name for name in JUDGEMENTS if name != "usable"), key=lambda n: said[n])
        dark = worst in ("too_dark", "blown_out") and said[worst] > 0.5
        return _blank(image, (reason_for(worst if dark else "no_cut_face"),), said)
    for attempt in range(2):
        box = _box_round(place)
        crop = _cut_out(turned, box, CROP_PX)
        maps, whole = segmenter.run(crop)
        shares = _softmax(maps[:5])
        seen = _biggest(1 - shares[0], 20)
        if attempt or seen is None:
            break
        half = CROP_PX / 2
        per_px = (box[2] - box[0]) / half
        now = _Place(box[0] + seen[0] * per_px, box[1] + seen[1] * per_px, seen[2] * per_px)
        off = np.hypot(now.row - place.row, now.col - place.col) / (box[2] - box[0])
        if 0.75 < now.long_px / place.long_px < 1.3 and off < 0.12:
            break
        place = now
    said = dict(zip(JUDGEMENTS, map(float, _softmax(whole[3:])), strict=True))
    shares = np.stack([cv2.resize(share, (CROP_PX, CROP_PX)) for share in shares])
    face = _face_of(shares)
    base = None if base_direction_deg is None else base_direction_deg - 90.0 * turns
    arranged = arrange(shares, face, base_direction_deg=base)
    heads = _sigmoid(whole[:3])
    exposed = {
        tissue: float(heads[k])
        if (arranged.labels == tissue.label).any()
        else min(float(heads[k]), 0.49)
        for k, tissue in enumerate(TISSUES)
    }
    back = -turns
    labels = np.ascontiguousarray(np.rot90(arranged.labels, back))
    confidence = np.take_along_axis(shares, arranged.labels[None].astype(np.intp), 0)[0]
    brown, dead = (cv2.resize(_sigmoid(maps[k]), (CROP_PX, CROP_PX)) for k in (5, 6))
    face_px = place.long_px if seen is None else seen[2] * (box[2] - box[0]) / (CROP_PX / 2)
    reasons = _refusals(said, arranged.labels, confidence, face, face_px)
    return Segmentation(
        found=not reasons,
        reasons=reasons,
        box=_turned_box(box, turns, (image.shape[0], image.shape[1])),
        crop=np.ascontiguousarray(np.rot90(crop, back)),
        labels=labels,
        confidence=np.ascontiguousarray(np.rot90(confidence, back)),
        exposed=exposed,
        face_share=face_px / image.shape[1],
        dead_map=np.ascontiguousarray(np.rot90(dead, back)),
        brown_map=np.ascontiguousarray(np.rot90(brown, back)),
        judgement=said,
        swap_doubt=arranged.swap_doubt,
        image_shape=(image.shape[0], image.shape[1]),
    )


def _face_of(shares: Float32) -> NDArray[np.bool_]:
    """Return the main region of the cut face, holes filled."""
    mask = (shares[0] < 0.5).astype(np.uint8)
    outer, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    full = np.zeros(mask.shape, np.uint8)
    if outer:
        cv2.drawContours(full, [max(outer, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    return full.astype(np.bool_)


def _refusals(
    said: Mapping[str, float],
    labels: Uint8,
    confidence: Float32,
    face: NDArray[np.bool_],
    face_px: float,
) -> tuple[Reason, ...]:
    """Return why the face cannot be judged, if it cannot."""
    if said["usable"] < USABLE_ABOVE:
        worst = max((name for name in JUDGEMENTS if name != "usable"), key=lambda n: said[n])
        return (reason_for(worst),)
    if face_px < LEAST_FACE_PX:
        return (reason_for("too_small"),)
    if not face.any():
        return (reason_for("no_cut_face"),)
    tissue = (labels >= 1) & (labels <= 3)
    if not tissue.any():
        return (reason_for("too_shallow"),)
    if float(confidence[tissue].mean()) < 0.6:
        return (reason_for("no_cut_face"),)
    return ()
