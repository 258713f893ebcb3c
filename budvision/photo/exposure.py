"""Which tissues a cut shows, and whether what lies beside the primary is a bud at all.

Cushion, cortex and wool can look like a small flanker. A network that sees growing points was asked
to tell them apart in its zones too: where its pixels waver, the flanker is in doubt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.photo.segmenter import sigmoid
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["SHOWN_FROM", "Exposure", "exposure"]

Float32 = NDArray[np.float32]

SHOWN_FROM = 0.5
"""Probability from which a tissue counts as exposed."""
SURE_FROM = 0.75
"""Probability from which a flanker is surely a bud, where the network sees growing points."""
EXPOSED_SHIFT = 0.4
"""Log odds added to a flanker's being exposed: the same renders show the network to doubt it more
often than it should."""
HEAD_WEIGHT, SHARE_WEIGHT, FLANKER_SHIFT = 0.85, 10.7, 2.0
"""Log odds of a flanker for those of the whole picture's head, for the log of the mean probability
of its pixels being of a flanker, and of any: from a logistic regression on 4,173 regions beside the
primary that staged-2.0 found in half of 4,902 rendered photographs, 15 % of them no bud, shifted by
0.6 so that what is a bud in more than a third is shown, for a person to judge. On the other half of
them it shows 233 regions that are no bud where the head alone showed 320, calls 92 of them where
182 were called, and hides 62 buds where 63 were hidden."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Probability that each tissue is exposed, and the flankers that may be no bud."""

    shares: Mapping[Tissue, float]
    doubtful: frozenset[Tissue]


def exposure(
    labels: NDArray[np.uint8], whole: Float32, beside: Float32, *, sees_growing_points: bool
) -> Exposure:
    """Say of each tissue whether it is exposed, given what was found of it.

    Parameters
    ----------
    labels : ndarray of uint8, (n, n)
    whole : ndarray of float32
        What the network says of the whole square; its first three are log odds of exposed.
    beside : ndarray of float32, (n, n)
        Probability of a flanker, whichever of the two, at each pixel.
    sees_growing_points : bool
        Whether the network was trained to; one that was not is asked for its head alone.
    """
    odds = whole[:3] + np.array([0, EXPOSED_SHIFT, EXPOSED_SHIFT], np.float32)
    shown = [bool((labels == tissue.label).any()) for tissue in TISSUES]
    if shown[1] != shown[2]:  # exposed it is, whichever of the two the network takes it for
        odds[1:3] = odds[1:3].max()
    if sees_growing_points:
        for k in (1, 2):
            if shown[k]:
                share = float(beside[labels == TISSUES[k].label].mean())
                odds[k] = (HEAD_WEIGHT * odds[k] + SHARE_WEIGHT * np.log(share + 1e-3)
                           + FLANKER_SHIFT)
    shares = {
        tissue: float(one) if shown[k] else min(float(one), 0.49)
        for k, (tissue, one) in enumerate(zip(TISSUES, sigmoid(odds), strict=True))
    }
    return Exposure(shares, frozenset(
        tissue for tissue, share in shares.items()
        if sees_growing_points and tissue is not Tissue.PRIMARY
        and SHOWN_FROM <= share < SURE_FROM))
