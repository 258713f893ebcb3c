"""The printed photo card: markers round an opening, to scale, tilt, neutral white and cane base.

The card lies on the cane with the bud looking through the opening, so that its markers stand at
about the height of the cut. There are two cards, of one form: `PHONE` for a phone's near view and
`MICROSCOPE` for a field of about 10 mm. Card coordinates are millimetres, x to the right and y
down, from the middle of the opening; the arrow of the card points to -x, where the cane base is
to lie. Only this module knows ArUco.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.photo.card_layout import LAYOUTS, CardLayout, Patch
from budvision.vocabulary import Reason

__all__ = ["LINE_MM", "Card", "card_rectangles", "find_card", "marker_cells"]

Image = NDArray[np.uint8]
Points = NDArray[np.float64]

LINE_MM = 50.0
"""Length of the check line beside each card when the print is right."""
LINE_TOLERANCE_MM = 0.5
_CELLS = 6                  # black border and four by four bits
_MIRRORED = 100             # added to the number of a marker that is seen in a mirror
_MIN_MARKERS = 2
_QUICK_PX = 640             # a first look at this size decides whether there is any marker at all


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What a photograph of the card tells.

    Attributes
    ----------
    mm_per_px : float
        Millimetres per pixel of `image` at the middle of the opening, along the direction that
        the tilt does not shorten (so it is the same for a level and a tilted card).
    tilt_deg : float
        Angle between the card and the image plane, 0 to 90, within about 5 degrees.
    white : tuple of float
        Colour of the card's white in the opening's middle, sRGB 0 to 255. Where the paper is
        overexposed the grey patches speak instead, and only the hue of `white` is to be trusted.
    white_from : str
        paper or grey.
    base_deg : float
        Direction of the arrow in `image`, counterclockwise from right, -180 to 180.
    layout : str
        phone or microscope.
    n_markers : int
        Markers that agree on one plane.
    opening : ndarray of float64, shape (4, 2)
        Corners (row, col) of the opening, clockwise in the card's own view from its upper left.
    refused : Reason or None
        Why scale and side must not be used: the card is mirrored or printed at a wrong size.
    """

    mm_per_px: float
    tilt_deg: float
    white: tuple[float, float, float]
    white_from: str
    base_deg: float
    layout: str
    n_markers: int
    opening: Points
    refused: Reason | None = None


@cache
def _bits(number: int) -> NDArray[np.uint8]:
    whole = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    row = whole.bytesList[number : number + 1]
    return np.asarray(cv2.aruco.Dictionary.getBitsFromByteList(row, 4), dtype=np.uint8)


def marker_cells(number: int) -> NDArray[np.bool_]:
    """Return the black cells of a marker.

    Parameters
    ----------
    number : int
        Number in the 4 by 4 dictionary of 250, as in `CardLayout.markers`.

    Returns
    -------
    ndarray of bool, shape (6, 6)
        True where the cell is black, border included, row 0 at the top.

    References
    ----------
    Garrido-Jurado et al. (2014), Pattern Recognition 47:2280-2292,
    doi 10.1016/j.patcog.2014.01.005.
    """
    cells = np.ones((_CELLS, _CELLS), dtype=bool)
    cells[1:-1, 1:-1] = _bits(number) == 0
    return cells


def card_rectangles(layout: CardLayout) -> list[tuple[float, float, float, float, float]]:
    """List what is printed in ink: (x, y, width, height) in mm and the share of light it leaves.

    x and y are the upper left corner in card coordinates; neighbouring black cells of a row are
    one rectangle.
    """
    ink: list[tuple[float, float, float, float, float]] = []
    cell = layout.marker_mm / _CELLS
    for number, x_mm, y_mm in layout.markers:
        left, top = x_mm - layout.marker_mm / 2, y_mm - layout.marker_mm / 2
        for row, cells in enumerate(marker_cells(number)):
            edges = np.flatnonzero(np.diff(np.r_[0, cells.astype(int), 0]))
            for start, stop in edges.reshape(-1, 2).tolist():
                width = (stop - start) * cell
                ink.append((left + start * cell, top + row * cell, width, cell, 0.0))
    for patch in layout.patches:
        if patch.share < 1:
            ink.append((patch.x_mm - patch.width_mm / 2, patch.y_mm - patch.height_mm / 2,
                        patch.width_mm, patch.height_mm, patch.share))
    return ink


@cache
def _detector(quick: bool) -> tuple[Any, tuple[int, ...]]:
    """Build the detector of our markers and of the same markers in a mirror.

    A quick one looks at one width of window instead of three: enough to see that there are any.
    """
    numbers = [number for layout in LAYOUTS.values() for number, _, _ in layout.markers]
    rows, known = [], []
    for mirrored in (0, _MIRRORED):
        for number in numbers:
            bits = np.ascontiguousarray(np.fliplr(_bits(number)) if mirrored else _bits(number))
            rows.append(cv2.aruco.Dictionary.getByteListFromBits(bits))
            known.append(number + mirrored)
    dictionary = cv2.aruco.Dictionary(np.concatenate(rows), 4, 0)
    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMin, options.adaptiveThreshWinSizeMax = (
        (21, 21) if quick else (9, 61))
    options.adaptiveThreshWinSizeStep = 26
    options.minMarkerPerimeterRate = 0.03
    options.perspectiveRemovePixelPerCell = 6
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return cv2.aruco.ArucoDetector(dictionary, options), tuple(known)


def find_card(
    image: Image, *, line_mm: float = LINE_MM, max_side_px: int = 1280
) -> Card | None:
    """Find the photo card in a photograph.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols, 3)
        Upright sRGB photograph at any size; `mm_per_px` speaks of its pixels.
    line_mm : float
        Length that the card's check line has on paper, measured with a ruler; 50 is a right
        print. More than 0.5 mm off is refused.
    max_side_px : int
        Markers are sought in a copy with at most this longest side, which bounds the time.

    Returns
    -------
    Card or None
        None where fewer than two markers of one card agree on a plane. A card that must not be
        used has `refused` set.

    Raises
    ------
    InputError
        When `image` is not such an array or `line_mm` is not a positive number.

    Notes
    -----
    Tilt and scale come from the homography at the opening's middle, without the camera's focal
    length. Where the opening is off the photograph's middle, the tilt is wrong by up to the angle
    under which it stands off (about 3 degrees for a twentieth of the frame). The card must lie at
    the height of the cut: a card 5 mm below it at 100 mm distance reads 5 % too many millimetres.
    """
    if image.ndim != 3 or image.shape[2] != 3 or image.dtype != np.uint8:
        raise InputError(
            f"image has shape {image.shape} and type {image.dtype}",
            expected="a uint8 array (rows, cols, 3)", where="find_card",
        )
    if not (math.isfinite(line_mm) and line_mm > 0):
        raise InputError(
            f"line_mm is {line_mm!r}", expected="a positive length in millimetres",
            where="find_card", do="Measure the card's check line and give its length.",
        )
    scale = min(1.0, max_side_px / max(image.shape[:2]))
    small = image if scale == 1 else np.asarray(
        cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    quick = _QUICK_PX / max(small.shape)
    if quick < 0.8 and not _markers(
        _brightest(np.asarray(cv2.resize(small, None, fx=quick, fy=quick), np.uint8)), quick=True
    ):
        return None
    seen = _markers(_brightest(small))
    best: tuple[int, CardLayout, bool, Points] | None = None
    for layout in LAYOUTS.values():
        for mirrored in (False, True):
            fit = _fit(seen, layout, mirrored=mirrored)
            if fit is not None and (best is None or fit[0] > best[0]):
                best = (fit[0], layout, mirrored, fit[1])
    if best is None:
        return None
    n_markers, layout, mirrored, to_px = best
    return _card(small, to_px, layout, n_markers, scale=scale, mirrored=mirrored, line_mm=line_mm)


def _brightest(image: Image) -> Image:
    """Return the brightest channel: it sees black on white under any colour of light."""
    red, green, blue = cv2.split(image)
    return np.asarray(cv2.max(cv2.max(red, green), blue), np.uint8)


def _markers(bright: NDArray[Any], *, quick: bool = False) -> dict[int, Points]:
    """Find markers; map their numbers (mirrored ones above 100) to corners (x, y), clockwise."""
    detector, known = _detector(quick)
    corners, found, _ = detector.detectMarkers(bright)
    if found is None:
        return {}
    return {known[int(index)]: quad.reshape(4, 2).astype(np.float64)
            for index, quad in zip(np.ravel(found), corners, strict=True)}


def _fit(
    seen: dict[int, Points], layout: CardLayout, *, mirrored: bool
) -> tuple[int, Points] | None:
    """Fit the plane of one card; return how many markers agree and the map from mm to pixels."""
    half = layout.marker_mm / 2
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    if mirrored:            # the mirrored marker's upper left is the card's upper right
        square = square[[1, 0, 3, 2]]
    mm, px = [], []
    for number, x_mm, y_mm in layout.markers:
        quad = seen.get(number + (_MIRRORED if mirrored else 0))
        if quad is not None:
            mm.append(square + np.array([x_mm, y_mm]))
            px.append(quad)
    if len(mm) < _MIN_MARKERS:
        return None
    source, target = np.concatenate(mm), np.concatenate(px)
    side_px = float(np.median([np.ptp(quad, axis=0).max() for quad in px]))
    limit_px = max(1.5, 0.06 * side_px)
    fitted: Any
    fitted, inside = cv2.findHomography(source, target, cv2.RANSAC, limit_px)
    if fitted is None:
        return None
    agree = np.asarray(inside).reshape(-1, 4).all(axis=1)
    if int(agree.sum()) < _MIN_MARKERS:
        return None
    keep = np.repeat(agree, 4)
    fitted, _ = cv2.findHomography(source[keep], target[keep], 0)
    if fitted is None or not np.isfinite(fitted).all():
        return None
    return int(agree.sum()), np.asarray(fitted, dtype=np.float64)


def _apply(to_px: Points, points_mm: Points) -> Points:
    """Map points (x, y) in mm to (x, y) in pixels."""
    whole = np.c_[points_mm, np.ones(len(points_mm))] @ to_px.T
    mapped: Points = whole[:, :2] / whole[:, 2:]
    return mapped


def _card(
    small: Image, to_px: Points, layout: CardLayout, n_markers: int, *, scale: float,
    mirrored: bool, line_mm: float,
) -> Card | None:
    step = 0.05
    cross = _apply(to_px, np.array([[step, 0], [-step, 0], [0, step], [0, -step]]))
    slope = np.c_[cross[0] - cross[1], cross[2] - cross[3]] / (2 * step * scale)
    longest, shortest = np.linalg.svd(slope, compute_uv=False)
    if not shortest > 0:
        return None
    true_size = line_mm / LINE_MM
    to_base = -slope[:, 0]
    base_deg = math.degrees(math.atan2(-to_base[1], to_base[0]))
    half_w, half_h = layout.opening_mm[0] / 2, layout.opening_mm[1] / 2
    opening = _apply(to_px, np.array(
        [[-half_w, -half_h], [half_w, -half_h], [half_w, half_h], [-half_w, half_h]])) / scale
    white, white_from = _white(small, to_px, layout)
    refused = None
    if mirrored:
        refused = Reason("card_mirrored", "The photo card is seen in a mirror, so left and right "
                         "are swapped. Use the back camera, turn mirroring off, and take the "
                         "photo again.")
    elif abs(line_mm - LINE_MM) > LINE_TOLERANCE_MM:
        refused = Reason("card_wrong_size", f"The photo card's check line measures {line_mm:g} mm "
                         f"and should be {LINE_MM:g}. Print the card again at 100 %, without "
                         "fitting it to the page.")
    return Card(
        mm_per_px=true_size / float(longest),
        tilt_deg=math.degrees(math.acos(min(1.0, float(shortest / longest)))),
        white=white, white_from=white_from,
        base_deg=base_deg, layout=layout.name, n_markers=n_markers,
        opening=np.ascontiguousarray(opening[:, ::-1]), refused=refused,
    )


def _linear(values: NDArray[np.floating[Any]]) -> Points:
    """Turn sRGB 0 to 255 into linear light 0 to 1 (IEC 61966-2-1)."""
    share = np.asarray(values, dtype=np.float64) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def _srgb(light: Points) -> Points:
    """Turn linear light into sRGB 0 to 255."""
    light = np.maximum(light, 0)
    return 255 * np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, slots=True)
class _Sample:
    x_mm: float
    y_mm: float
    light: Points           # linear light, 3 channels
    clipped: bool


def _sample(small: Image, to_px: Points, patch: Patch) -> _Sample | None:
    """Measure one patch; None where it lies outside or is not plain (something covers it)."""
    middle_mm = np.array([patch.x_mm, patch.y_mm])
    across = np.linspace(-0.36, 0.36, 9)
    grid = np.stack(np.meshgrid(across * patch.width_mm, across * patch.height_mm), axis=-1)
    points = np.rint(_apply(to_px, grid.reshape(-1, 2) + middle_mm)).astype(int)
    rows, cols = small.shape[:2]
    if (points < 0).any() or (points >= (cols, rows)).any():
        return None
    values = small[points[:, 1], points[:, 0]].astype(np.float64)
    light = _linear(values)
    middle = np.median(light, axis=0)
    spread = np.median(np.abs(light - middle), axis=0)
    if (spread > 0.03 + 0.15 * middle).any():
        return None
    return _Sample(patch.x_mm, patch.y_mm, middle, bool((np.median(values, axis=0) >= 253).any()))


def _rings(layout: CardLayout) -> list[Patch]:
    """List the white strips on the outer sides of each marker, seen whenever the marker is."""
    cell, half = layout.marker_mm / _CELLS, layout.marker_mm / 2
    strips = []
    for _, x_mm, y_mm in layout.markers:
        for sign in (-1, 1):
            strips.append(Patch(x_mm, y_mm + sign * (half + 0.75 * cell), layout.marker_mm,
                                0.5 * cell, 1.0))
    return strips


def _white(
    small: Image, to_px: Points, layout: CardLayout
) -> tuple[tuple[float, float, float], str]:
    """Measure the card's white at the opening's middle."""
    paper = [sample for patch in (*layout.patches, *_rings(layout)) if patch.share == 1
             and (sample := _sample(small, to_px, patch)) is not None]
    light = [s.light.sum() for s in paper] or [0.0]
    # Fingers, juice and shavings are darker than paper under the same light.
    least = 0.7 * max(np.median(light), 0.75 * np.max(light))
    paper = [s for s in paper if s.light.sum() >= least]
    if paper and sum(s.clipped for s in paper) <= len(paper) / 4:
        return _level(paper), "paper"
    greys = []
    for patch in layout.patches:
        sample = _sample(small, to_px, patch) if patch.share < 1 else None
        if sample is not None and not sample.clipped:
            greys.append(_Sample(sample.x_mm, sample.y_mm, sample.light / patch.share, False))
    if greys:
        top = np.max([s.light.sum() for s in greys])
        return _level([s for s in greys if s.light.sum() >= 0.6 * top]), "grey"
    return (_level(paper) if paper else (255.0, 255.0, 255.0)), "paper"


def _level(samples: list[_Sample]) -> tuple[float, float, float]:
    """Fit a plane of light over the card where the samples span one, and read it in the middle."""
    light = np.array([s.light for s in samples])
    design = np.array([[1.0, s.x_mm, s.y_mm] for s in samples])
    middle = np.median(light, axis=0)
    spans = len(samples) >= 5 and np.linalg.cond(design / np.abs(design).max(axis=0)) < 6
    if spans:
        fitted = np.linalg.lstsq(design, light, rcond=None)[0][0]
        if (np.abs(fitted - middle) <= 0.25 * middle + 0.01).all():
            middle = fitted
    red, green, blue = _srgb(middle / max(1.0, float(middle.max()))).tolist()
    return red, green, blue
