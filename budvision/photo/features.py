"""Image and labels to one typed row a tissue; `FEATURES` lists name, unit, range and meaning.

Most colours are measured against the wool of the same cut face, in ratios of linear light, so that
exposure and white balance fall out. Absolute colours stand beside them for the faces without wool.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.photo.colour import (
    COLOUR_VERSION,
    Neutral,
    find_neutral,
    lab_from_linear,
    log_light,
)
from budvision.photo.feature_table import FEATURE_NAMES, FEATURES
from budvision.photo.windows import Window, depth_round, window_round
from budvision.vocabulary import LABEL_SCALES, TISSUES, Tissue

__all__ = [
    "FEATURES",
    "FEATURE_NAMES",
    "FEATURE_VERSION",
    "LEAST_REGION_PX",
    "measure",
    "row_of",
]

Uint8 = npt.NDArray[np.uint8]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

FEATURE_VERSION: Final = f"bud-1+{COLOUR_VERSION}"
"""Changes whenever a feature is added, removed or comes out differently."""
LEAST_REGION_PX: Final = 12
"""Fewest pixels of the crop that are measured as a tissue."""


_LOW: Final = np.array([feature.low for feature in FEATURES], np.float64)
_HIGH: Final = np.array([feature.high for feature in FEATURES], np.float64)


def row_of(values: Mapping[str, float]) -> Float64:
    """Return a tissue's features as a row in the order of `FEATURES`.

    Parameters
    ----------
    values : mapping of str to float
        One tissue's part of what `measure` gives.

    Returns
    -------
    ndarray of float64, shape (len(FEATURES),)

    Raises
    ------
    KeyError
        When a feature is missing.
    """
    return np.array([values[name] for name in FEATURE_NAMES], np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Face:
    """The whole face's maps, made once and shared by its tissues."""

    light: Float32
    green_red: Float32
    green_blue: Float32
    channels: tuple[Float32, Float32, Float32]
    glare: Bool
    neutral: Neutral
    scales_green_red: float
    scales_light: float
    n_face: int


def measure(
    crop: Uint8,
    labels: Uint8,
    *,
    confidence: Float32 | None = None,
    dead_map: Float32 | None = None,
    brown_map: Float32 | None = None,
    growing_points: Mapping[Tissue, tuple[int, int]] | None = None,
) -> dict[Tissue, dict[str, float]]:
    """Measure the exposed tissues of a cut face.

    Parameters
    ----------
    crop : ndarray of uint8, shape (rows, columns, 3)
        sRGB picture of the face.
    labels : ndarray of uint8, shape (rows, columns)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool.
    confidence : ndarray of float32, shape (rows, columns), optional
        The network's confidence, in [0, 1]; 1 everywhere when left out.
    dead_map : ndarray of float32, shape (rows, columns), optional
        The network's probability that the growing point of the tissue under a pixel is dead.
    brown_map : ndarray of float32, shape (rows, columns), optional
        The network's probability that the pixel itself is dead.
    growing_points : mapping of Tissue to (row, col), optional
        Where the growing points lie, in pixels of the crop: the inner half and the innermost fifth
        then lie round them and not round the deepest point.

    Returns
    -------
    dict of Tissue to dict of str to float
        One row a tissue that has at least `LEAST_REGION_PX` pixels; every value is finite and
        inside the range that `FEATURES` gives.

    Notes
    -----
    The inner half is where the distance to the region's edge exceeds half its greatest value: what
    counts for a bud is the growing point in the middle, not a browned rim. Medians and quantiles
    are used throughout, so that highlights and single hairs of wool do not carry the row.
    """
    if not labels.any():
        return {}
    window = window_round(labels, 2)  # nothing outside is asked but what may be neutral
    face = _look_at_face(crop, labels, window)
    labels = labels[window]
    confidence, dead_map, brown_map = (
        None if one is None else one[window] for one in (confidence, dead_map, brown_map)
    )
    rows: dict[Tissue, dict[str, float]] = {}
    for tissue in TISSUES:
        region = labels == tissue.label
        if np.count_nonzero(region) < LEAST_REGION_PX:
            continue
        point = (growing_points or {}).get(tissue)
        if point is not None:
            point = (point[0] - window[0].start, point[1] - window[1].start)
        rows[tissue] = _measure_one(face, region, confidence, dead_map, brown_map, point)
        rows[tissue]["is_secondary"] = float(tissue is Tissue.SECONDARY)
        rows[tissue]["is_tertiary"] = float(tissue is Tissue.TERTIARY)
    for tissue, row in rows.items():
        others = [other for name, other in rows.items() if name is not tissue]
        row["has_others"] = float(bool(others))
        row["greener_than_others"] = row["lighter_than_others"] = 0.0
        if others:
            row["greener_than_others"] = row["green_red_inner"] - max(
                other["green_red_inner"] for other in others
            )
            row["lighter_than_others"] = row["light_inner"] - max(
                other["light_inner"] for other in others
            )
    return {tissue: _clipped(row) for tissue, row in rows.items()}


def _clipped(row: dict[str, float]) -> dict[str, float]:
    values = np.clip(np.nan_to_num(row_of(row)), _LOW, _HIGH)
    return dict(zip(FEATURE_NAMES, values.tolist(), strict=True))


def _look_at_face(whole: Uint8, whole_labels: Uint8, window: Window) -> _Face:
    crop, labels = np.ascontiguousarray(whole[window]), whole_labels[window]
    smooth = np.asarray(cv2.medianBlur(crop, 3), np.uint8)
    neutral = find_neutral(smooth, labels)
    if neutral.source != "wool":
        smooth_whole = np.asarray(cv2.medianBlur(np.ascontiguousarray(whole), 3), np.uint8)
        neutral = find_neutral(smooth_whole, whole_labels)
    logs = log_light(smooth)
    red, green, blue = (
        np.ascontiguousarray(logs[..., channel]) - np.float32(neutral.log_rgb[channel])
        for channel in range(3)
    )
    light = (red + green + blue) / np.float32(3.0)
    scales = labels == LABEL_SCALES
    scales_green_red, scales_light = 0.0, -1.0
    green_red = green - red
    if np.count_nonzero(scales) >= LEAST_REGION_PX:
        inner = np.flatnonzero(scales)
        brightness = light.ravel().take(inner)
        dark = brightness <= np.quantile(brightness, 1.0 / 3.0)
        scales_green_red = _median(green_red.ravel().take(inner[dark]))
        scales_light = _median(brightness[dark])
    return _Face(
        light=light, green_red=green_red, green_blue=green - blue, channels=(red, green, blue),
        glare=(cv2.inRange(crop, (250, 250, 250), (255, 255, 255)) > 0) | (light > 0.4),
        neutral=neutral, scales_green_red=scales_green_red, scales_light=scales_light,
        n_face=int(np.count_nonzero(labels)),
    )


def _measure_one(
    face: _Face, region: Bool, confidence: Float32 | None, dead_map: Float32 | None,
    brown_map: Float32 | None, point: tuple[int, int] | None,
) -> dict[str, float]:
    window = window_round(region, 1)
    here = np.pad(region[window], 1).astype(np.uint8)
    depth = cv2.distanceTransform(here, cv2.DIST_L2, 3)[1:-1, 1:-1]
    if point is not None:
        off = (point[0] - window[0].start, point[1] - window[1].start)
        depth = depth_round(np.asarray(depth, np.float32), off)
    # From here on, values of the region's pixels in one row.
    pixels = np.flatnonzero(region[window])

    def values(picture: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return picture[window].ravel().take(pixels)

    light, green_red, glare = values(face.light), values(face.green_red), values(face.glare)
    share = depth.ravel().take(pixels) / max(float(depth.max()), 1e-6)
    usable = ~glare
    if np.count_nonzero(usable) < LEAST_REGION_PX // 2:
        usable = np.ones_like(glare)
    inner = usable & (share > 0.5)
    if np.count_nonzero(inner) < 4:
        inner = usable
    core = inner & (share > 0.8)
    core = core if np.count_nonzero(core) >= 4 else inner
    rim = usable & (share < 0.3)
    rim = rim if np.count_nonzero(rim) >= 4 else usable

    inner_green_red, inner_light = green_red[inner], light[inner]
    usable_green_red = green_red[usable]
    low, quarter, middle, three, high = _quantiles(inner_green_red, (0.1, 0.25, 0.5, 0.75, 0.9))
    dark, brightness, bright = _quantiles(inner_light, (0.1, 0.5, 0.9))
    logs = np.array([_median(values(channel)[inner]) for channel in face.channels])
    neutral = lab_from_linear(np.exp(logs) * 0.4827)  # the wool at L* 75
    plain = lab_from_linear(np.exp(logs + face.neutral.log_rgb))
    contour, _ = cv2.findContours(here, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    around = max(cv2.arcLength(piece, True) for piece in contour)
    n_region = pixels.size
    dead_inner, dead_all = (0.5, 0.5) if dead_map is None else _means(values(dead_map), inner)
    brown_inner, brown_all = (0.5, 0.5) if brown_map is None else _means(values(brown_map), inner)
    kept = min(max(dead_inner, 0.001), 0.999)
    return {
        "green_red_inner": float(middle),
        "green_red_all": _median(usable_green_red),
        "green_red_low": float(low),
        "green_red_high": float(high),
        "green_red_core": _median(green_red[core]),
        "green_share_inner": float(np.mean(inner_green_red > 0.10)),
        "brown_share_inner": float(np.mean(inner_green_red < -0.05)),
        "brown_share": float(np.mean(usable_green_red < -0.05)),
        "green_blue_inner": _median(values(face.green_blue)[inner]),
        "light_inner": float(brightness),
        "light_low": float(dark),
        "light_high": float(bright),
        "dark_share_inner": float(np.mean(inner_light < np.log(0.2))),
        "chroma_inner": float(np.ptp(logs)),
        "lightness_neutral": float(neutral[0]),
        "a_neutral": float(neutral[1]),
        "b_neutral": float(neutral[2]),
        "lightness_plain": float(plain[0]),
        "a_plain": float(plain[1]),
        "b_plain": float(plain[2]),
        "green_red_to_scales": float(middle) - face.scales_green_red,
        "light_to_scales": float(brightness) - face.scales_light,
        "rim_green_red": _median(green_red[rim]) - middle,
        "rim_light": _median(light[rim]) - brightness,
        "texture_fine": _fine_texture(face.light[window], pixels[inner]),
        "texture_rings": _ring_contrast(light[usable], depth.ravel().take(pixels)[usable]),
        "spread_green_red": float(three - quarter),
        "area_share": n_region / max(face.n_face, 1),
        "roundness": float(4.0 * np.pi * n_region / max(around, 1.0) ** 2),
        "glare_share": float(np.mean(glare)),
        "confidence": 1.0 if confidence is None else float(values(confidence).mean()),
        "dead_inner": dead_inner,
        "dead_all": dead_all,
        "dead_odds": float(np.log(kept / (1.0 - kept))),
        "brown_inner": brown_inner,
        "brown_all": brown_all,
        "neutral_doubt": face.neutral.doubt,
    }


def _means(values: Float32, inner: Bool) -> tuple[float, float]:
    return float(values[inner].mean()), float(values.mean())


def _median(values: Float32) -> float:
    """Return what ``np.median`` does for finite values, without its checks."""
    half = values.size // 2
    if values.size % 2:
        return float(np.partition(values, half)[half])
    ordered = np.partition(values, (half - 1, half))
    return float((ordered[half - 1] + ordered[half]) / np.float32(2))


def _quantiles(values: Float32, shares: tuple[float, ...]) -> list[float]:
    ordered = np.sort(values)
    return [float(ordered[round(share * (ordered.size - 1))]) for share in shares]


def _fine_texture(light: Float32, inner: npt.NDArray[np.intp]) -> float:
    fine = light - cv2.GaussianBlur(light, (0, 0), 1.5)
    return _median(np.abs(fine.ravel().take(inner))) * 1.4826


def _ring_contrast(light: Float32, depth: Float32) -> float:
    """Spread of the mean brightness of rings of equal depth, a straight trend taken out."""
    ring = np.rint(depth).astype(np.intp)
    n_pixels = np.bincount(ring)
    mean = np.bincount(ring, weights=light) / np.maximum(n_pixels, 1)
    kept = np.flatnonzero(n_pixels >= 4)
    if kept.size < 4:
        return 0.0
    trend = np.polyfit(kept, mean[kept], 1)
    return float(np.std(mean[kept] - np.polyval(trend, kept)))
