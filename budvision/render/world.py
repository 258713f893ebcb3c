"""The rendered world: what can differ between two photographs of cut buds, and how widely.

A `World` holds the choices that have names (depth of cut, state of each tissue, light, camera,
bench, textures). Everything continuous is drawn by the painters from the same `rng`:

=================  =====================================================================
face               oval, long over short axis 1 to 1.9, 4 to 90 % of the frame width
primary            24 to 62 % of the face's long axis; long over short axis 1 to 1.6
secondary          0.42 to 0.85 of the primary's radius, on the cane-base side, +-40 degrees
tertiary           0.13 to 0.6 of the primary's radius and under 0.85 of the secondary's,
                   on the other side, +-40 degrees
live tissue        L* 22 to 90, C* 10 to 62, hue 101 to 172 degrees
dead tissue        brown, tan, reddish, black, grey or olive (see palette)
light              nine kinds, colour cast partly or wholly removed by the camera, +-2 stops
camera             phone, microscope, webcam, camera, chat copy; blur, noise, smear, halos,
                   fringes, tone curve, JPEG 40 to 98 once or twice
=================  =====================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from budvision.errors import UsageError
from budvision.render.fields import FIELDS
from budvision.render.palette import CULTIVARS
from budvision.render.staging import (
    ARRANGEMENTS,
    CONDITIONS_STAGED_DEAD,
    CONDITIONS_STAGED_LIVE,
    CONDITIONS_UNSURE,
    GREENS,
    LOOKS,
    PROCESSES,
    TIDY,
    Staging,
)
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "BENCHES",
    "BLADES",
    "CAMERAS",
    "CONDITIONS_DEAD",
    "CONDITIONS_LIVE",
    "DEPTHS",
    "FAULTS",
    "LIGHTS",
    "STRUCTURES",
    "World",
    "sample_world",
    "staged",
]

DEPTHS = ("too_shallow", "shallow", "middle", "full", "deep", "too_deep")
LIGHTS = (
    "daylight",
    "shade",
    "tungsten",
    "fluorescent",
    "led_green",
    "led_magenta",
    "ring",
    "side",
    "mixed",
)
CAMERAS = ("phone", "microscope", "webcam", "camera", "chat")
BENCHES = ("wood", "mat", "paper", "cloth", "tray", "noise", "grid", "skin", "bark", "dark")
BLADES = ("sharp", "chatter", "smeared", "torn", "loose_slice")
STRUCTURES = (
    "rings",
    "nested",
    "chevrons",
    "dots",
    "grain",
    "petals",
    "plain",
    "spiral",
    "radial",
    "strokes",
)
CONDITIONS_LIVE = ("fresh", "part_patch", "part_rim", "part_streak", "mites", "gap_below")
CONDITIONS_DEAD = (
    "brown",
    "tan",
    "reddish",
    "black",
    "grey",
    "olive",
    "part_core",
    "part_most",
    "dry",
)
FAULTS = ("too_blurred", "too_dark", "blown_out", "glare", "too_small")
"""Faults of light and camera; depth brings too_shallow and too_deep."""
TORN_AWAY = 0.8
"""Torn share of the primary's radius above which nothing is left to judge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The named choices of one rendered photograph.

    Attributes
    ----------
    depth : str
        One of DEPTHS; decides which tissues the cut has reached.
    exposed : tuple of bool
        Primary, secondary, tertiary reached by the cut.
    conditions : tuple of str
        For each tissue one of CONDITIONS_LIVE or CONDITIONS_DEAD.
    cultivar : str
        Name of a colour family of `palette.CULTIVARS`.
    structure : str
        How leaf primordia are drawn, one of STRUCTURES.
    wool, scales : str
        Texture families, of `fields.FIELDS`.
    bench, light, camera, blade : str
        Of BENCHES, LIGHTS, CAMERAS, BLADES.
    fault : str
        Of FAULTS, or empty for a photograph that can be judged.
    exposure_stops : float
        Exposure error, -2 to 2 stops.
    face_share : float
        Long axis of the face over the frame width.
    base_deg : float
        Direction of the cane base in the photograph, degrees clockwise from the right (x axis).
    staging : Staging
        What the bench brought; the tidy one changes nothing.
    """

    depth: str
    exposed: tuple[bool, bool, bool]
    conditions: tuple[str, str, str]
    cultivar: str
    structure: str
    wool: str
    scales: str
    bench: str
    light: str
    camera: str
    blade: str
    fault: str
    exposure_stops: float
    face_share: float
    base_deg: float
    staging: Staging = TIDY

    def is_dead(self, tissue: Tissue) -> bool:
        """Whether the tissue's growing point is dead."""
        return self.is_dead_at(TISSUES.index(tissue))

    def is_dead_at(self, place: int) -> bool:
        """Whether the growing point of the first, second or third tissue (0 to 2) is dead."""
        return self.conditions[place] in (*CONDITIONS_DEAD, *CONDITIONS_STAGED_DEAD)

    def is_unsure(self, tissue: Tissue) -> bool:
        """Whether people would leave the tissue unsure: its growing point is half dead."""
        return self.conditions[TISSUES.index(tissue)] in CONDITIONS_UNSURE

    @property
    def usable(self) -> bool:
        """Whether a person could judge the photograph."""
        spoilt = self.fault or self.staging.torn > TORN_AWAY
        return not spoilt and self.depth not in ("too_shallow", "too_deep")

    @property
    def why_not(self) -> str:
        """Reason code why the photograph cannot be judged, empty when it can."""
        if self.fault:
            return self.fault
        if self.staging.torn > TORN_AWAY and self.depth not in ("too_shallow", "too_deep"):
            return "torn"
        return "" if self.usable else self.depth

    def changed(self, **changes: object) -> World:
        """Return a copy with some choices replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]


_DEPTH_WEIGHTS = (0.055, 0.17, 0.22, 0.33, 0.15, 0.075)
_LIVE_WEIGHTS = (0.72, 0.08, 0.06, 0.05, 0.05, 0.04)
_DEAD_WEIGHTS = (0.24, 0.06, 0.12, 0.14, 0.06, 0.16, 0.06, 0.08, 0.08)


def _pick(rng: np.random.Generator, names: Sequence[str], weights: Sequence[float] = ()) -> str:
    if weights and len(weights) == len(names):
        return names[int(rng.choice(len(names), p=np.asarray(weights) / np.sum(weights)))]
    return names[int(rng.integers(len(names)))]


def _reached(rng: np.random.Generator, depth: str) -> tuple[bool, bool, bool]:
    if depth in ("too_shallow", "too_deep"):
        return False, False, False
    if depth == "shallow":  # a blade going down meets the primary, then the secondary
        return True, bool(rng.random() < 0.3), False
    if depth == "middle":
        return True, bool(rng.random() < 0.92), bool(rng.random() < 0.3)
    return True, bool(rng.random() < 0.95), bool(rng.random() < 0.9)


def sample_world(
    rng: np.random.Generator,
    *,
    depths: Sequence[str] = DEPTHS,
    lights: Sequence[str] = LIGHTS,
    cameras: Sequence[str] = CAMERAS,
    benches: Sequence[str] = BENCHES,
    cultivars: Sequence[str] = (),
    structures: Sequence[str] = STRUCTURES,
    blades: Sequence[str] = BLADES,
    dead: Sequence[bool | None] = (None, None, None),
    p_dead: float = 0.5,
    p_fault: float = 0.0,
    fault: str | None = None,
    face_share: tuple[float, float] = (0.04, 0.9),
    base_deg: float | None = None,
) -> World:
    """Draw a world; every argument narrows one choice.

    Parameters
    ----------
    depths, lights, cameras, benches, cultivars, structures, blades : sequence of str
        Names to choose from; all by default.
    dead : sequence of bool or None
        Wanted state of primary, secondary, tertiary; None leaves it to `p_dead`.
    p_dead : float
        Probability that a tissue is dead.
    p_fault : float
        Probability of a fault of light or camera; `fault` asks for one, "" for none.
    face_share : tuple of float
        Span of the face's long axis over the frame width, drawn log-uniformly.
    base_deg : float, optional
        Direction of the cane base, degrees clockwise from the right; any when left out.

    Raises
    ------
    UsageError
        When a name is unknown.
    """
    known = (
        ("depth", depths, DEPTHS),
        ("light", lights, LIGHTS),
        ("camera", cameras, CAMERAS),
        ("bench", benches, BENCHES),
        ("structure", structures, STRUCTURES),
        ("blade", blades, BLADES),
        ("fault", (fault,) if fault else (), FAULTS),
    )
    for what, given, names in known:
        unknown = [name for name in given if name not in names]
        if unknown:
            raise UsageError(
                f"{what} is {unknown[0]!r}",
                expected=f"one of {', '.join(names)}",
                where="sample_world",
                do="Correct the name.",
            )
    families = tuple(cultivars) or tuple(row.name for row in CULTIVARS)
    depth = _pick(rng, depths, _DEPTH_WEIGHTS)
    conditions = []
    for wanted in dead:
        gone = rng.random() < p_dead if wanted is None else wanted
        conditions.append(
            _pick(rng, CONDITIONS_DEAD, _DEAD_WEIGHTS)
            if gone
            else _pick(rng, CONDITIONS_LIVE, _LIVE_WEIGHTS)
        )
    if fault is None:
        fault = _pick(rng, FAULTS) if rng.random() < p_fault else ""
    low, high = np.log(face_share[0]), np.log(face_share[1])
    share = float(np.exp(rng.uniform(low, high)))
    if fault == "too_small":
        share = float(np.exp(rng.uniform(np.log(0.012), np.log(0.03))))
    return World(
        depth=depth,
        exposed=_reached(rng, depth),
        conditions=(conditions[0], conditions[1], conditions[2]),
        cultivar=_pick(rng, families),
        structure=_pick(rng, structures),
        wool=_pick(rng, FIELDS),
        scales=_pick(rng, FIELDS),
        bench=_pick(rng, benches),
        light=_pick(rng, lights),
        camera=_pick(rng, cameras),
        blade=_pick(rng, blades, (0.62, 0.12, 0.1, 0.09, 0.07)),
        fault=fault,
        exposure_stops=float(np.clip(rng.normal(0, 0.7), -2, 1.6)),
        face_share=share,
        base_deg=float(rng.uniform(0, 360)) if base_deg is None else base_deg,
    )


_STAGED_LIVE = (*CONDITIONS_STAGED_LIVE, "part_rim", "part_patch", "part_streak", "fresh")
_STAGED_LIVE_WEIGHTS = (0.16, 0.14, 0.12, 0.16, 0.05, 0.05, 0.03, 0.29)
_STAGED_DEAD = (*CONDITIONS_STAGED_DEAD, "part_core", "part_most", "brown", "olive", "black", "tan")
_STAGED_DEAD_WEIGHTS = (0.15, 0.15, 0.08, 0.12, 0.24, 0.1, 0.08, 0.08)


def staged(rng: np.random.Generator, world: World) -> World:
    """Return the world with a staging drawn for it; about two hard kinds a photograph.

    Parameters
    ----------
    world : World
        As `sample_world` draws it. Its faults, light, camera and colours stay; a world that is
        drawn too deep shows the cane's wood in two of three.
    """
    staging = Staging(
        arrangement=_pick(rng, ARRANGEMENTS, (0.4, 0.14, 0.2, 0.18, 0.08)),
        green=_pick(rng, GREENS, (0.46, 0.2, 0.11, 0.13, 0.1)),
        look=_pick(rng, LOOKS, (0.6, 0.12, 0.1, 0.09, 0.09)),
        process=_pick(rng, PROCESSES, (0.5, 0.26, 0.14, 0.1)),
        through_cane=world.depth == "too_deep" and rng.random() < 0.67,
        torn=float(rng.uniform(0.25, 1.6)) if rng.random() < 0.07 else 0.0,
        small_tertiary=bool(rng.random() < 0.2),
        lobed=bool(rng.random() < 0.12),
    )
    conditions = list(world.conditions)
    for k in range(3):
        if rng.random() < 0.05:
            conditions[k] = "half"
        elif rng.random() < 0.6:
            live = not world.is_dead_at(k)
            conditions[k] = _pick(rng, _STAGED_LIVE if live else _STAGED_DEAD,
                                  _STAGED_LIVE_WEIGHTS if live else _STAGED_DEAD_WEIGHTS)
    exposed = world.exposed
    if any(exposed) and staging.arrangement in ("one_side", "stacked", "bent"):
        exposed = (True, bool(rng.random() < 0.94), bool(rng.random() < 0.8))
    if staging.small_tertiary and any(exposed):
        exposed = (True, exposed[1], True)
    return world.changed(
        staging=staging, exposed=exposed,
        conditions=(conditions[0], conditions[1], conditions[2]))
