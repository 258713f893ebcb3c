"""How a bud is staged: what benches bring that a tidy world lacks, each with its name.

A `Staging` rides on a `World`. The tidy one changes nothing: a world drawn by `sample_world` alone
is painted as ever. `world.staged` draws the rest: arrangements that anatomy allows, green that is
no bud, torn tissue, cuts through the cane, injuries that spare or touch the growing point, unusual
colours and outlines, and the processing of cheap cameras and phones.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ARRANGEMENTS",
    "CONDITIONS_STAGED_DEAD",
    "CONDITIONS_STAGED_LIVE",
    "CONDITIONS_UNSURE",
    "GREENS",
    "KINDS",
    "LOOKS",
    "PROCESSES",
    "TIDY",
    "Staging",
]

ARRANGEMENTS = ("habit", "bent", "one_side", "stacked", "two_large")
"""How the three buds lie: flankers opposite each other, at an angle, both on one side, all behind
one another with the primary at an end, or with a secondary nearly as large as the primary."""
GREENS = ("", "cushion", "cortex", "slant", "pieces")
"""Green that is no bud: the cushion under the buds, a ring or a wedge of the cane's cortex and
cambium, loose pieces."""
LOOKS = ("", "reddish", "cream", "pale", "brown_wool")
"""Unusual colours: red-tinged living tissue, cream-green tissue, a pale face, all brown."""
PROCESSES = ("", "usb", "phone", "smear")
"""Processing: a cheap USB microscope, a phone's local tone curve, a denoiser's smear."""
CONDITIONS_STAGED_LIVE = ("wide_rim", "smeared", "core_alive", "edge_patch")
CONDITIONS_STAGED_DEAD = ("small_core", "core_patch")
CONDITIONS_UNSURE = ("half",)
"""Conditions of a growing point that is neither clearly live nor clearly dead."""
KINDS = (
    "in line", "bent", "one side", "stacked", "two large", "cushion", "cortex", "slanting cut",
    "green pieces", "torn", "through the cane", "small tertiary", "brown rim", "razor smear",
    "injured beside the growing point", "dead growing point in green", "half and half",
    "reddish live", "cream live", "pale face", "brown in brown wool", "lobed outline",
    "usb camera", "phone tone", "denoised", "tidy",
)
"""Names of the slices by which a model is stressed."""

_KIND_OF_CONDITION = {
    "wide_rim": "brown rim", "part_rim": "brown rim", "smeared": "razor smear",
    "core_alive": "injured beside the growing point",
    "edge_patch": "injured beside the growing point",
    "part_patch": "injured beside the growing point",
    "small_core": "dead growing point in green", "core_patch": "dead growing point in green",
    "part_core": "dead growing point in green", "half": "half and half",
}
_KIND = {
    "bent": "bent", "one_side": "one side", "stacked": "stacked", "two_large": "two large",
    "cushion": "cushion", "cortex": "cortex", "slant": "slanting cut", "pieces": "green pieces",
    "reddish": "reddish live", "cream": "cream live", "pale": "pale face",
    "brown_wool": "brown in brown wool", "usb": "usb camera", "phone": "phone tone",
    "smear": "denoised",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Staging:
    """What the bench brought.

    Attributes
    ----------
    arrangement, green, look, process : str
        Of ARRANGEMENTS, GREENS, LOOKS, PROCESSES.
    through_cane : bool
        The cut shows the cane's wood, pith and green ring, and no bud.
    torn : float
        Share of the primary's radius that is torn: 0 none, above 0.8 nothing left to judge.
    small_tertiary, lobed : bool
        A tertiary of a fifth of the primary; outlines lobed like a maple leaf.
    """

    arrangement: str = "habit"
    green: str = ""
    look: str = ""
    process: str = ""
    through_cane: bool = False
    torn: float = 0.0
    small_tertiary: bool = False
    lobed: bool = False

    def kinds(self, conditions: tuple[str, ...] = ()) -> tuple[str, ...]:
        """Name the slices that a photograph of this staging falls in."""
        found = [_KIND[name] for name in (self.arrangement, self.green, self.look, self.process)
                 if name in _KIND]
        found += [name for name, on in (
            ("torn", self.torn > 0), ("through the cane", self.through_cane),
            ("small tertiary", self.small_tertiary), ("lobed outline", self.lobed)) if on]
        found += [_KIND_OF_CONDITION[one] for one in conditions if one in _KIND_OF_CONDITION]
        if self.arrangement == "habit" and self != TIDY:
            found.append("in line")
        return tuple(dict.fromkeys(found)) or ("tidy",)


TIDY = Staging()
