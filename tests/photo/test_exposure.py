"""Whether what lies beside the primary is a bud, told from cushion and wool."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.photo.exposure import SHOWN_FROM, exposure
from budvision.vocabulary import Tissue

SIDE = 24
LABELS = np.zeros((SIDE, SIDE), np.uint8)
LABELS[8:16, 8:16], LABELS[8:16, 1:5], LABELS[8:16, 19:23] = 1, 2, 3
SURE_HEAD = np.array([4.0, 3.0, 3.0, 5.0], np.float32)


def _beside(secondary: float, tertiary: float) -> np.ndarray:
    """Return the probability of a flanker, alike over each of the two regions."""
    beside = np.full((SIDE, SIDE), 0.01, np.float32)
    beside[LABELS == 2], beside[LABELS == 3] = secondary, tertiary
    return beside


def test_flankers_of_which_the_network_is_sure_are_shown_without_doubt() -> None:
    found = exposure(LABELS, SURE_HEAD, _beside(0.97, 0.95), sees_growing_points=True)
    assert min(found.shares.values()) > 0.9
    assert found.doubtful == frozenset()


def test_pixels_that_waver_leave_a_flanker_in_doubt_and_then_not_shown() -> None:
    shares = [
        exposure(LABELS, SURE_HEAD, _beside(0.97, share), sees_growing_points=True)
        for share in (0.95, 0.65, 0.45)]
    tertiary = [one.shares[Tissue.TERTIARY] for one in shares]
    assert tertiary == sorted(tertiary, reverse=True)
    assert [one.doubtful for one in shares] == [
        frozenset(), frozenset({Tissue.TERTIARY}), frozenset()]
    assert tertiary[1] >= SHOWN_FROM > tertiary[2]
    assert all(one.shares[Tissue.SECONDARY] > 0.9 for one in shares)


def test_what_was_not_outlined_is_never_shown() -> None:
    without = np.where(LABELS == 3, 0, LABELS).astype(np.uint8)
    # where both are there, or neither, each is asked for itself
    neither = np.where(LABELS > 1, 0, LABELS).astype(np.uint8)
    found = exposure(neither, SURE_HEAD, _beside(0.9, 0.9), sees_growing_points=True)
    assert found.shares[Tissue.SECONDARY] == found.shares[Tissue.TERTIARY] == 0.49
    found = exposure(without, SURE_HEAD, _beside(0.97, 0.0), sees_growing_points=True)
    assert found.shares[Tissue.SECONDARY] > 0.9
    assert found.shares[Tissue.TERTIARY] < SHOWN_FROM


@pytest.mark.parametrize("share", [0.95, 0.6])
def test_a_network_without_growing_points_is_asked_for_its_head_alone(share: float) -> None:
    found = exposure(LABELS, SURE_HEAD, _beside(0.97, share), sees_growing_points=False)
    assert found.shares[Tissue.TERTIARY] == pytest.approx(1 / (1 + np.exp(-3.4)))
    assert found.doubtful == frozenset()
