"""The table of features: name, unit, range and meaning of each column.

They are worked out in `features`; a change here raises `FEATURE_VERSION` there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["FEATURES", "FEATURE_NAMES", "Feature"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One column of the feature table.

    Attributes
    ----------
    name, unit, meaning : str
        ``log`` is a natural logarithm of a ratio of linear light; 1 means no unit.
    low, high : float
        The range that values are clipped to.
    group : str
        What it speaks of, for the reason in words: green, brown, dark, colour, pattern, shape,
        network or context.
    """

    name: str
    unit: str
    low: float
    high: float
    group: str
    meaning: str


FEATURES: Final[tuple[Feature, ...]] = (
    Feature(name="green_red_inner", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the inner half, relative to the wool; median"),
    Feature(name="green_red_all", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the whole region, relative to the wool; median"),
    Feature(name="green_red_low", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the inner half, relative to the wool; 10 % quantile"),
    Feature(name="green_red_high", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the inner half, relative to the wool; 90 % quantile"),
    Feature(name="green_red_core", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the innermost fifth, the growing point; median"),
    Feature(name="green_share_inner", unit="1", low=0, high=1, group="green",
            meaning="share of the inner half greener than the wool by 0.10 log units"),
    Feature(name="brown_share_inner", unit="1", low=0, high=1, group="brown",
            meaning="share of the inner half redder than the wool by 0.05 log units"),
    Feature(name="brown_share", unit="1", low=0, high=1, group="brown",
            meaning="share of the whole region redder than the wool by 0.05 log units"),
    Feature(name="green_blue_inner", unit="log", low=-3, high=4, group="colour",
            meaning="green against blue in the inner half, relative to the wool; median"),
    Feature(name="light_inner", unit="log", low=-5, high=2, group="dark",
            meaning="brightness of the inner half relative to the wool; median of the mean of "
            "three channels"),
    Feature(name="light_low", unit="log", low=-6, high=2, group="dark",
            meaning="brightness of the inner half relative to the wool; 10 % quantile"),
    Feature(name="light_high", unit="log", low=-5, high=3, group="dark",
            meaning="brightness of the inner half relative to the wool; 90 % quantile"),
    Feature(name="dark_share_inner", unit="1", low=0, high=1, group="dark",
            meaning="share of the inner half darker than a fifth of the wool's light"),
    Feature(name="chroma_inner", unit="log", low=0, high=5, group="colour",
            meaning="largest less smallest channel of the inner half, relative to the wool"),
    Feature(name="a_neutral", unit="dE", low=-100, high=100, group="green",
            meaning="CIELAB a* of the inner half after white balance on the neutral"),
    Feature(name="b_neutral", unit="dE", low=-100, high=120, group="colour",
            meaning="CIELAB b* of the inner half after white balance on the neutral"),
    Feature(name="lightness_neutral", unit="dE", low=0, high=130, group="dark",
            meaning="CIELAB L* of the inner half after white balance, the wool at 75"),
    Feature(name="a_plain", unit="dE", low=-100, high=100, group="green",
            meaning="CIELAB a* of the inner half as photographed"),
    Feature(name="b_plain", unit="dE", low=-100, high=120, group="colour",
            meaning="CIELAB b* of the inner half as photographed"),
    Feature(name="lightness_plain", unit="dE", low=0, high=100, group="dark",
            meaning="CIELAB L* of the inner half as photographed"),
    Feature(name="green_red_to_scales", unit="log", low=-3, high=3, group="green",
            meaning="green against red in the inner half, relative to the darker third of scales "
            "and wool"),
    Feature(name="light_to_scales", unit="log", low=-5, high=5, group="dark",
            meaning="brightness of the inner half relative to the darker third of scales and "
            "wool"),
    Feature(name="rim_green_red", unit="log", low=-3, high=3, group="pattern",
            meaning="green against red, rim less inner half"),
    Feature(name="rim_light", unit="log", low=-4, high=4, group="pattern",
            meaning="brightness, rim less inner half"),
    Feature(name="texture_fine", unit="log", low=0, high=2, group="pattern",
            meaning="spread of brightness at the scale of one to three pixels, inner half"),
    Feature(name="texture_rings", unit="log", low=0, high=2, group="pattern",
            meaning="spread of brightness between rings of equal depth, the trend taken out"),
    Feature(name="spread_green_red", unit="log", low=0, high=3, group="pattern",
            meaning="interquartile range of green against red"),
    Feature(name="greener_than_others", unit="log", low=-3, high=3, group="context",
            meaning="green against red less that of the greenest other tissue of the face; 0 "
            "where there is none"),
    Feature(name="lighter_than_others", unit="log", low=-4, high=4, group="context",
            meaning="brightness less that of the brightest other tissue; 0 where there is none"),
    Feature(name="has_others", unit="1", low=0, high=1, group="context",
            meaning="1 where another tissue is exposed"),
    Feature(name="area_share", unit="1", low=0, high=1, group="shape",
            meaning="area as a share of the cut face"),
    Feature(name="roundness", unit="1", low=0, high=1, group="shape",
            meaning="4 pi area / perimeter squared"),
    Feature(name="glare_share", unit="1", low=0, high=1, group="shape",
            meaning="share of the region that is clipped to white or brighter than the wool by "
            "half"),
    Feature(name="confidence", unit="1", low=0, high=1, group="network",
            meaning="mean confidence of the network inside"),
    Feature(name="dead_inner", unit="1", low=0, high=1, group="network",
            meaning="the network's probability that the growing point is dead, mean over the "
            "inner half; 0.5 where the network gives none"),
    Feature(name="dead_all", unit="1", low=0, high=1, group="network",
            meaning="the network's probability that the growing point is dead, mean over the "
            "whole region"),
    Feature(name="dead_odds", unit="log", low=-7, high=7, group="network",
            meaning="log-odds that the growing point is dead, by the network"),
    Feature(name="brown_inner", unit="1", low=0, high=1, group="network",
            meaning="the network's probability that a pixel itself is dead, mean over the inner "
            "half; 0.5 where the network gives none"),
    Feature(name="brown_all", unit="1", low=0, high=1, group="network",
            meaning="the network's probability that a pixel itself is dead, mean over the whole "
            "region"),
    Feature(name="neutral_doubt", unit="log", low=0, high=1, group="context",
            meaning="how far the neutral may be off"),
    Feature(name="is_secondary", unit="1", low=0, high=1, group="context",
            meaning="1 for the secondary"),
    Feature(name="is_tertiary", unit="1", low=0, high=1, group="context",
            meaning="1 for the tertiary"),
)
FEATURE_NAMES: Final[tuple[str, ...]] = tuple(feature.name for feature in FEATURES)
