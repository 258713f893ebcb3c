"""The quality gate on drawn faces: one fault at a time, and none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.photo.quality import LIMITS, REASONS, judge, measure_quality


def face(rng_seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """A textured face of 320 px with three tissues, sharp and well lit."""
    rng = np.random.default_rng(rng_seed)
    rows, columns = np.mgrid[:320, :320] - 160
    labels = np.zeros((320, 320), np.uint8)
    labels[np.hypot(rows, columns) < 140] = 4
    labels[np.hypot(rows, columns) < 60] = 1
    labels[np.hypot(rows, columns - 90) < 26] = 2
    labels[np.hypot(rows, columns + 88) < 18] = 3
    colours = np.array([(90, 70, 50), (110, 150, 70), (100, 140, 60), (90, 60, 40),
                        (190, 170, 140)], float)
    strokes = cv2.resize(rng.normal(0, 1, (110, 110)), (320, 320), interpolation=cv2.INTER_LINEAR)
    image = colours[labels] * (1 + 0.18 * strokes[..., None])
    return np.clip(image, 0, 255).astype(np.uint8), labels


def scaled(image: np.ndarray, factor: float) -> np.ndarray:
    return np.clip(image.astype(float) * factor, 0, 255).astype(np.uint8)


def glare(image: np.ndarray) -> np.ndarray:
    shining = image.copy()
    cv2.circle(shining, (160, 160), 66, (255, 255, 255), -1)
    return shining


def test_a_good_face_passes() -> None:
    image, labels = face()
    assert judge(image, labels, face_px=400.0) == ()


@pytest.mark.parametrize(
    ("code", "change", "face_px"),
    [
        ("too_blurred", lambda image: cv2.GaussianBlur(image, (0, 0), 14), 400.0),
        ("too_dark", lambda image: scaled(image, 0.12), 400.0),
        ("blown_out", lambda image: scaled(image, 4.0), 400.0),
        ("glare", glare, 400.0),
        ("too_small", lambda image: image, 30.0),
        ("no_colour", lambda image: cv2.cvtColor(
            cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB), 400.0),
    ],
)
def test_each_fault_is_named_with_its_next_step(code: str, change: object, face_px: float) -> None:
    assert callable(change)
    image, labels = face()
    reasons = judge(change(image), labels, face_px=face_px)
    assert code in [reason.code for reason in reasons]
    text = next(reason.text for reason in reasons if reason.code == code)
    assert text == REASONS[code]
    assert "." in text[:-1], "a sentence on what is wrong, then one on what to do"


@pytest.mark.parametrize(("colour", "share", "refused"), [
    ((255, 255, 255), 0.4, False), ((255, 255, 255), 0.7, True),
    ((255, 252, 130), 0.7, True),    # burnt out under a yellow lamp: the colour is gone as well
    ((240, 200, 130), 0.7, False),   # pale, but a colour
])
def test_a_primary_most_of_which_is_burnt_out_is_refused(
    colour: tuple[int, int, int], share: float, refused: bool
) -> None:
    image, labels = face()
    rows = np.nonzero(labels == 1)[0]
    below = np.arange(320)[:, None] < np.quantile(rows, share)
    image[(labels == 1) & below] = colour
    assert ("glare" in [r.code for r in judge(image, labels, face_px=400.0)]) is refused


def test_turns_do_not_matter_and_inputs_stay() -> None:
    image, labels = face()
    before = image.copy()
    plain = measure_quality(image, labels, face_px=300.0)
    turned = measure_quality(
        np.ascontiguousarray(np.rot90(image, 2)), np.ascontiguousarray(np.rot90(labels, 2)),
        face_px=300.0,
    )
    assert turned.sharpness == pytest.approx(plain.sharpness, rel=0.05)
    assert turned.light == plain.light
    np.testing.assert_array_equal(image, before)


def test_sharpness_falls_with_blur() -> None:
    image, labels = face()
    values = [
        measure_quality(cv2.GaussianBlur(image, (0, 0), sigma), labels, face_px=300.0).sharpness
        for sigma in (0.5, 2.0, 5.0, 12.0)
    ]
    assert values == sorted(values, reverse=True)
    assert values[-1] < LIMITS["sharpness"] < values[0]
