"""The photo card: found, scaled and read for white over rendered photographs of it.

The renderer here is a pinhole camera of its own (no code of the finder): a card of known size at a
known distance and tilt, under a known light. So scale, tilt and white have an outside truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from budvision.errors import InputError
from budvision.photo.card import Card, card_rectangles, find_card, marker_cells
from budvision.photo.card_layout import LAYOUTS, MICROSCOPE, PHONE, CardLayout
from budvision.photo.colour import to_lab

ROWS, COLS = 600, 800


def _flat(layout: CardLayout, px_per_mm: float) -> np.ndarray:
    """Draw the card from above as shares of the paper's light."""
    width, height = layout.size_mm
    rows, cols = round(height * px_per_mm), round(width * px_per_mm)
    card = np.ones((rows, cols, 3), np.float32)
    yy, xx = np.mgrid[:rows, :cols]
    x_mm, y_mm = (xx + 0.5) / px_per_mm - width / 2, (yy + 0.5) / px_per_mm - height / 2
    for left, top, wide, high, share in card_rectangles(layout):
        inside = (x_mm >= left) & (x_mm < left + wide) & (y_mm >= top) & (y_mm < top + high)
        card[inside] = max(share, 0.03)
    half_w, half_h = layout.opening_mm[0] / 2, layout.opening_mm[1] / 2
    hole = (np.hypot(x_mm / half_w, y_mm / half_h) < 1 if layout.round_opening
            else (abs(x_mm) < half_w) & (abs(y_mm) < half_h))
    card[hole] = (0.10, 0.06, 0.03)
    card[hole & (np.hypot(x_mm, y_mm) < 0.6 * half_h)] = (0.12, 0.25, 0.05)
    return card


FLAT = {name: _flat(layout, 16 if name == "phone" else 40) for name, layout in LAYOUTS.items()}


@dataclass
class Shot:
    image: np.ndarray
    mm_per_px: float
    tilt_deg: float
    white: np.ndarray       # sRGB 0..255 of paper at the opening
    base_deg: float


def _srgb(light: np.ndarray) -> np.ndarray:
    light = np.clip(light, 0, None)
    return 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


TONE = _srgb(np.arange(4096) / 4095).astype(np.float32)


def _shoot(
    rng: np.random.Generator, layout: CardLayout, *, tilt_deg: float, turn_deg: float = 0.0,
    light: tuple[float, float, float] = (0.8, 0.8, 0.8), field: float = 1.5, blur_px: float = 0.8,
    noise: float = 1.5, fall_off: float = 0.1, covered: bool = False, quality: int = 90,
) -> Shot:
    """Photograph the card with a pinhole camera of 65 degrees; `field` is seen width / markers'."""
    focal_px = COLS / 2 / math.tan(math.radians(32.5))
    spread_mm = max(abs(x) for _, x, _ in layout.markers) * 2 + layout.marker_mm
    mm_per_px = spread_mm * field / COLS
    depth_mm = focal_px * mm_per_px
    about = rng.uniform(0, 2 * math.pi)     # the card tips over any axis in its plane
    tip = cv2.Rodrigues(math.radians(tilt_deg) * np.array([math.cos(about), math.sin(about), 0]))[0]
    turn = cv2.Rodrigues(np.array([0, 0, math.radians(turn_deg)]))[0]
    pose = tip @ turn
    shift = rng.uniform(-0.04, 0.04, 2) * COLS * mm_per_px
    camera = np.array([[focal_px, 0, COLS / 2], [0, focal_px, ROWS / 2], [0, 0, 1.0]])
    to_px = camera @ np.c_[pose[:, :2], [*shift, depth_mm]]
    flat = FLAT[layout.name].copy()
    per_mm = flat.shape[1] / layout.size_mm[0]
    from_flat = np.array([[1 / per_mm, 0, -layout.size_mm[0] / 2],
                          [0, 1 / per_mm, -layout.size_mm[1] / 2], [0, 0, 1]])
    if covered:                             # a finger over one corner
        corner = rng.choice([-1, 1], 2) * np.array(layout.size_mm) * 0.28
        middle = ((corner + np.array(layout.size_mm) / 2) * per_mm).astype(int)
        cv2.circle(flat, tuple(middle.tolist()), int(layout.size_mm[0] * 0.16 * per_mm),
                   (0.5, 0.3, 0.22), -1)
    seen = cv2.warpPerspective(flat, to_px @ from_flat, (COLS, ROWS), flags=cv2.INTER_LINEAR,
                               borderValue=(0.05, 0.08, 0.12))
    slope = np.linspace(-1, 1, COLS, dtype=np.float32)[None, :, None] * np.float32(fall_off)
    seen = seen * (1 + slope) * np.array(light, np.float32)
    seen = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), blur_px)
    # Sensors clip light, then the picture is encoded; noise is added after it.
    grain = noise * rng.standard_normal(seen.shape, dtype=np.float32)
    image = TONE[np.rint(np.clip(seen, 0, 1) * 4095).astype(np.int16)] + grain
    image = np.clip(np.rint(image), 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    image = np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])
    centre = to_px @ [0, 0, 1]
    tip_px = to_px @ [-1, 0, 1]
    step = tip_px[:2] / tip_px[2] - centre[:2] / centre[2]
    here = 1 + fall_off * (2 * (centre[0] / centre[2]) / COLS - 1)
    return Shot(image, mm_per_px, tilt_deg, _srgb(np.array(light) * here),
                math.degrees(math.atan2(-step[1], step[0])))


def _white_error(card: Card, shot: Shot) -> float:
    lab = to_lab(np.rint(np.array([[card.white, shot.white]])).astype(np.uint8))
    return float(np.ravel(deltaE_ciede2000(lab[0, :1], lab[0, 1:]))[0])


def _series(layout: CardLayout, n: int, number: int) -> tuple[int, np.ndarray]:
    rng = np.random.default_rng(number)
    found, rows = 0, []
    for _ in range(n):
        level = rng.uniform(0.35, 0.85)
        light = tuple((level * rng.uniform([0.55, 0.7, 0.45], [1.0, 1.0, 1.0])).tolist())
        shot = _shoot(
            rng, layout, tilt_deg=rng.uniform(0, 40), turn_deg=rng.uniform(-180, 180), light=light,
            field=rng.uniform(1.5, 2.3), blur_px=rng.uniform(0.3, 1.6), noise=rng.uniform(0.5, 4),
            fall_off=rng.uniform(-0.2, 0.2), covered=bool(rng.random() < 0.4),
            quality=int(rng.integers(70, 96)))
        card = find_card(shot.image)
        if card is None:
            continue
        found += 1
        assert card.layout == layout.name
        assert card.refused is None
        turn = (card.base_deg - shot.base_deg + 180) % 360 - 180
        rows.append((card.mm_per_px / shot.mm_per_px - 1, card.tilt_deg - shot.tilt_deg,
                     _white_error(card, shot), turn, shot.tilt_deg))
    return found, np.array(rows)


@pytest.mark.slow
@pytest.mark.parametrize(("layout", "n", "number"), [(PHONE, 140, 1), (MICROSCOPE, 60, 2)],
                         ids=["phone", "microscope"])
def test_scale_white_and_side_over_rendered_photographs(
    layout: CardLayout, n: int, number: int
) -> None:
    found, rows = _series(layout, n, number)
    assert found >= 0.98 * n
    assert abs(rows[:, 0]).max() < 0.02         # scale within 2 %
    assert rows[:, 2].max() < 3                 # white within 3 dE
    steep = rows[:, 4] > 12
    assert abs(rows[steep, 1]).max() < 5.5      # degrees
    assert abs(rows[:, 3]).max() < 4


def test_an_overexposed_card_speaks_through_its_grey_patches() -> None:
    rng = np.random.default_rng(3)
    shot = _shoot(rng, PHONE, tilt_deg=5, light=(1.5, 1.3, 1.1), fall_off=0.0)
    card = find_card(shot.image)
    assert card is not None
    assert card.white_from == "grey"
    colour, truth = np.array(card.white), shot.white
    light, true_light = (np.array(c) ** 2.2 for c in (colour, truth))
    assert light / light[1] == pytest.approx(true_light / true_light[1], rel=0.06)
    assert colour.max() <= 255


def test_the_side_of_the_cane_base_follows_the_card() -> None:
    rng = np.random.default_rng(4)
    for turn_deg, base_deg in ((0, 180), (90, 90), (180, 0), (-90, -90)):
        shot = _shoot(rng, PHONE, tilt_deg=10, turn_deg=turn_deg)
        card = find_card(shot.image)
        assert card is not None
        assert abs((card.base_deg - base_deg + 180) % 360 - 180) < 45


def test_scale_does_not_depend_on_the_size_of_the_photograph() -> None:
    shot = _shoot(np.random.default_rng(5), PHONE, tilt_deg=20)
    small = find_card(shot.image)
    large = find_card(cv2.resize(shot.image, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC))
    assert small is not None
    assert large is not None
    assert large.mm_per_px * 3 == pytest.approx(small.mm_per_px, rel=0.01)
    assert large.opening / 3 == pytest.approx(small.opening, abs=1.5)


def test_a_card_in_a_mirror_is_refused() -> None:
    shot = _shoot(np.random.default_rng(7), PHONE, tilt_deg=10)
    card = find_card(np.ascontiguousarray(shot.image[:, ::-1]))
    assert card is not None
    assert card.refused is not None
    assert card.refused.code == "card_mirrored"
    assert "back camera" in card.refused.text
    assert abs(card.base_deg) < 45      # to the right, where the arrow points in this very picture


def test_a_card_printed_at_the_wrong_size_is_refused_when_the_check_line_says_so() -> None:
    shot = _shoot(np.random.default_rng(8), PHONE, tilt_deg=10)
    right = find_card(shot.image, line_mm=50.3)
    wrong = find_card(shot.image, line_mm=47.0)
    assert right is not None
    assert wrong is not None
    assert right.refused is None
    assert wrong.refused is not None
    assert "measures 47 mm and should be 50" in wrong.refused.text
    # The scale is that of the paper as it is: 6 % smaller millimetres than printed.
    assert wrong.mm_per_px == pytest.approx(shot.mm_per_px * 0.94, rel=0.02)


def test_nothing_is_found_where_there_is_no_card(shared_free_pictures: list[np.ndarray]) -> None:
    for image in shared_free_pictures:
        assert find_card(image) is None


@pytest.fixture
def shared_free_pictures() -> list[np.ndarray]:
    rng = np.random.default_rng(9)
    noise = rng.integers(0, 256, (300, 400, 3), dtype=np.uint8)
    checks = np.kron(rng.integers(0, 2, (24, 32)), np.ones((20, 20))).astype(np.uint8) * 255
    return [np.zeros((480, 640, 3), np.uint8), noise, np.dstack([checks] * 3)]


def test_one_marker_alone_is_no_card() -> None:
    image = np.full((400, 400, 3), 255, np.uint8)
    black = np.kron(marker_cells(PHONE.markers[0][0]), np.ones((20, 20))).astype(bool)
    image[100:220, 100:220][black] = 0
    assert find_card(image) is None


def test_markers_differ_under_every_turn_and_in_the_mirror() -> None:
    # Garrido-Jurado et al. (2014): the distance between markers is the least over quarter turns.
    cells = [marker_cells(number)[1:-1, 1:-1]
             for layout in LAYOUTS.values() for number, _, _ in layout.markers]
    both = [*cells, *[np.fliplr(c) for c in cells]]
    for i, one in enumerate(both):
        for other in both[:i]:
            assert min((np.rot90(one, k) != other).sum() for k in range(4)) >= 2
        assert min((np.rot90(one, k) != one).sum() for k in (1, 2, 3)) >= 2


def test_patches_and_markers_keep_their_distance_from_each_other_and_from_the_opening() -> None:
    for layout in LAYOUTS.values():
        cell = layout.marker_mm / 6
        boxes = [(x, y, layout.marker_mm / 2 + 0.9 * cell, layout.marker_mm / 2 + 0.9 * cell)
                 for _, x, y in layout.markers]
        boxes += [(p.x_mm, p.y_mm, p.width_mm / 2, p.height_mm / 2)
                  for p in layout.patches if p.share < 1]
        for i, (x, y, half_w, half_h) in enumerate(boxes):
            for x2, y2, half_w2, half_h2 in boxes[:i]:
                assert abs(x - x2) >= half_w + half_w2 or abs(y - y2) >= half_h + half_h2
            wide, high = layout.opening_mm[0] / 2, layout.opening_mm[1] / 2
            near_x, near_y = max(abs(x) - half_w, 0), max(abs(y) - half_h, 0)
            if layout.round_opening:
                assert np.hypot(near_x / wide, near_y / high) >= 1
            else:
                assert near_x >= wide or near_y >= high


def test_what_is_no_photograph_is_refused_by_name() -> None:
    with pytest.raises(InputError, match=r"find_card: image has shape \(4, 4\)"):
        find_card(np.zeros((4, 4), np.uint8))
    with pytest.raises(InputError, match="line_mm is -1"):
        find_card(np.zeros((40, 40, 3), np.uint8), line_mm=-1)
