"""Draw the vines of a sample: stratified by zone and vine size, spread along the rows.

The draw knows only the block's layout. Which canes to take from a vine, and how many nodes, is the
person's part: canes that would be kept at pruning, nodes counted from the base.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from budvision.errors import InputError
from budvision.language import plain_count, say

__all__ = [
    "DEFAULT_CANES", "DEFAULT_NODES", "SIZES", "BlockLayout", "DrawnVine", "VineRow", "draw_vines",
    "layout_from_dict",
]

DEFAULT_CANES = 10
DEFAULT_NODES = 10
SIZES = ("small", "medium", "large")
"""Vine-size classes, from weak to vigorous."""
_MOST_VINES = 2_000_000
_INSTEAD = re.compile(r"instead of row (.+) vine (\d+)")


@dataclass(frozen=True, slots=True)
class VineRow:
    """One row: its label, how many vine places it has, which are missing, and its zone."""

    label: str
    n_vines: int
    missing: frozenset[int] = frozenset()
    zone: str = ""


@dataclass(frozen=True, slots=True)
class BlockLayout:
    """The rows of a block in walking order, and the shares of its vine-size classes.

    Attributes
    ----------
    shares : mapping of str to float
        Share of each vine-size class in the whole block, summing to 1; empty when unknown.
    """

    block: str
    rows: tuple[VineRow, ...]
    shares: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_layout(self)

    @property
    def n_vines(self) -> int:
        """Vine places that have a vine."""
        return sum(row.n_vines - len(row.missing) for row in self.rows)

    @property
    def zones(self) -> tuple[str, ...]:
        """Zones in walking order; one empty name where there are none."""
        return tuple(dict.fromkeys(row.zone for row in self.rows))

    def as_dict(self) -> dict[str, Any]:
        """Return the layout as JSON holds it; `layout_from_dict` reads it back."""
        return {
            "block": self.block, "shares": dict(self.shares),
            "rows": [{"label": row.label, "n_vines": row.n_vines, "zone": row.zone,
                      "missing": sorted(row.missing)} for row in self.rows],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnVine:
    """One vine to visit.

    Attributes
    ----------
    order : int
        Place in the walk, from 1; also the number of its cane.
    cane : str
        Label of the cane to take.
    row, vine : str, int
        Where it stands; vines are counted from the row's start.
    size : str
        Vine-size class to take it from; where this vine is of another class, the next vine along
        the row of that class. Empty when shares are unknown.
    substitute_row, substitute_vine : str, int or None
        The vine to take where this one turns out to be missing, dead or young; None where the
        block has no vine left for it.
    note : str
        Says when the draw itself met a missing vine and which place it was.
    """

    order: int
    cane: str
    row: str
    vine: int
    zone: str
    size: str
    substitute_row: str | None
    substitute_vine: int | None
    note: str = ""

    @property
    def note_words(self) -> str:
        """The note in the spoken language; it is kept in English."""
        found = _INSTEAD.fullmatch(self.note)
        return self.note if found is None else say("instead of row {row} vine {vine}",
                                                   row=found[1], vine=found[2])

    def as_dict(self) -> dict[str, Any]:
        """Return the vine as JSON holds it."""
        return asdict(self)


def layout_from_dict(table: Mapping[str, Any], *, where: str = "layout") -> BlockLayout:
    """Build a layout from its JSON form, for instance a block's stored layout.

    Raises
    ------
    InputError
        When a field is missing, of the wrong type or impossible.
    """
    try:
        rows = tuple(
            VineRow(str(row["label"]), int(row["n_vines"]),
                    frozenset(int(v) for v in row.get("missing", ())), str(row.get("zone", "")))
            for row in table["rows"]
        )
        shares = {str(name): float(share) for name, share in dict(table.get("shares", {})).items()}
        return BlockLayout(str(table["block"]), rows, shares)
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the layout cannot be read ({error})", where=where,
            expected="block, rows (label, n_vines, missing, zone) and shares",
            do="Describe the block again with `budvision plan`.",
        ) from error


def _check_layout(layout: BlockLayout) -> None:
    where = f"block {layout.block}"
    if not layout.rows:
        raise InputError("it has no rows", expected="at least one", where=where)
    labels = [row.label for row in layout.rows]
    twice = next((label for label in labels if labels.count(label) > 1), None)
    if twice is not None:
        raise InputError(f"row {twice} is there twice", expected="every row once", where=where)
    for row in layout.rows:
        if row.n_vines < 1:
            raise InputError(
                f"row {row.label} has "
                f"{plain_count(row.n_vines, 'vine')}", expected="at least 1", where=where)
        outside = sorted(v for v in row.missing if not 1 <= v <= row.n_vines)
        if outside:
            raise InputError(
                f"row {row.label} has {row.n_vines} vine places, and {outside[0]} is named missing",
                expected=f"a number from 1 to {row.n_vines}", where=where,
                do="Correct the list of missing vines.",
            )
    if sum(row.n_vines for row in layout.rows) > _MOST_VINES:
        raise InputError(
            "it has more than two million vines", expected="one block", where=where)
    if layout.n_vines == 0:
        raise InputError(
            "all of its vines are missing", expected="at least one vine", where=where)
    unknown = sorted(set(layout.shares) - set(SIZES))
    if unknown:
        raise InputError(
            f"vine size {unknown[0]!r} is unknown", expected=", ".join(SIZES), where=where)
    if layout.shares and (
        min(layout.shares.values()) < 0 or abs(sum(layout.shares.values()) - 1) > 0.005
    ):
        total = sum(layout.shares.values())
        raise InputError(
            f"the shares of the vine sizes sum to {total:g}", expected="shares from 0 that sum "
            "to 1", where=where, do="Correct them, or leave them out when they are unknown.",
        )


def _allocate(n: int, weights: Sequence[float]) -> list[int]:
    """Share out n by weights: whole parts, then the largest remainders, earlier ones first."""
    total = sum(weights)
    exact = [n * weight / total for weight in weights]
    parts = [int(value) for value in exact]
    by_remainder = sorted(range(len(exact)), key=lambda i: (parts[i] - exact[i], i))
    for i in by_remainder[: n - sum(parts)]:
        parts[i] += 1
    return parts


def _places(layout: BlockLayout, zone: str) -> list[tuple[int, int]]:
    """List (row index, vine) of a zone as one walks it: up one row, down the next."""
    places: list[tuple[int, int]] = []
    rows = [i for i, row in enumerate(layout.rows) if row.zone == zone]
    for turn, i in enumerate(rows):
        vines = range(1, layout.rows[i].n_vines + 1)
        places += [(i, vine) for vine in (vines if turn % 2 == 0 else reversed(vines))]
    return places


def draw_vines(
    layout: BlockLayout, n_canes: int, *, rng: np.random.Generator
) -> tuple[DrawnVine, ...]:
    """Draw the vines from which canes are to be taken, one cane a vine.

    Parameters
    ----------
    layout : BlockLayout
        The block.
    n_canes : int
        Canes wanted, at least 1 and at most the block's vines.
    rng : numpy.random.Generator
        The same state gives the same vines.

    Returns
    -------
    tuple of DrawnVine
        In walking order.

    Raises
    ------
    InputError
        When `n_canes` is not possible.

    Notes
    -----
    Canes are shared out over the zones by their vines (largest remainders), within a zone over
    equal stretches of the walk, one vine at random in each, so that every vine of a zone has very
    nearly the same chance. Vine-size classes are shared out over the whole block the same way and
    dealt to the vines by chance, zone by zone. A vine known to be missing is replaced by its
    nearest neighbour in the row, or else in the zone; this leaves the neighbours of gaps a little
    more likely to be drawn.
    """
    if not 1 <= n_canes <= layout.n_vines:
        raise InputError(
            f"{plain_count(n_canes, 'cane')} are wanted",
            expected=f"from 1 to {layout.n_vines}, one a vine",
            where=f"block {layout.block}", do="Take fewer canes, or more nodes a cane.",
        )
    zones = layout.zones
    alive = [sum(r.n_vines - len(r.missing) for r in layout.rows if r.zone == z) for z in zones]
    per_zone = _allocate(n_canes, alive)
    taken: set[tuple[int, int]] = set()
    drawn: list[tuple[tuple[int, int], str]] = []
    for zone, n in zip(zones, per_zone, strict=True):
        places = _places(layout, zone)
        edges = np.linspace(0, len(places), n + 1)
        chosen = []
        for low, high in itertools.pairwise(edges.tolist()):
            first = min(int(low + rng.random() * (high - low)), len(places) - 1)
            place = _nearest(layout, places, first, taken)
            assert place is not None    # n is at most the zone's vines
            taken.add(place)
            note = ""
            if place != places[first]:
                row, vine = places[first]
                note = f"instead of row {layout.rows[row].label} vine {vine}"
            chosen.append((place, note))
        row_order = {place: i for i, place in enumerate(places)}
        drawn += sorted(chosen, key=lambda item: row_order[item[0]])
    sizes = _deal_sizes(layout, per_zone, rng)
    vines: list[DrawnVine] = []
    reserved = set(taken)
    for order, ((place, note), size) in enumerate(zip(drawn, sizes, strict=True), start=1):
        here = layout.rows[place[0]]
        places = _places(layout, here.zone)
        other = _nearest(layout, places, places.index(place), reserved)
        if other is not None:
            reserved.add(other)
        vines.append(DrawnVine(
            order=order, cane=str(order), row=here.label, vine=place[1], zone=here.zone, size=size,
            substitute_row=None if other is None else layout.rows[other[0]].label,
            substitute_vine=None if other is None else other[1], note=note,
        ))
    return tuple(vines)


def _nearest(
    layout: BlockLayout, places: Sequence[tuple[int, int]], first: int,
    taken: set[tuple[int, int]],
) -> tuple[int, int] | None:
    """Return the place itself or the nearest free vine, along its row first, then the zone."""
    row, vine = places[first]
    fit = layout.rows[row]
    for away in range(fit.n_vines):
        for other in (vine + away, vine - away):
            free = 1 <= other <= fit.n_vines and other not in fit.missing
            if free and (row, other) not in taken:
                return row, other
    for away in range(1, len(places)):
        for index in (first + away, first - away):
            if 0 <= index < len(places):
                place = places[index]
                if place[1] not in layout.rows[place[0]].missing and place not in taken:
                    return place
    return None


def _deal_sizes(
    layout: BlockLayout, per_zone: Sequence[int], rng: np.random.Generator
) -> list[str]:
    """Deal vine-size classes to the drawn vines, so that each zone has its share of each."""
    n = sum(per_zone)
    if not layout.shares:
        return [""] * n
    names = [name for name in SIZES if layout.shares.get(name, 0) > 0]
    whole = dict(zip(names, _allocate(n, [layout.shares[name] for name in names]), strict=True))
    dealt: list[str] = []
    left = dict(whole)
    for i, n_zone in enumerate(per_zone):
        last = i == len(per_zone) - 1
        total = sum(left.values())
        parts = list(left.values()) if last else _allocate(
            n_zone, list(left.values())) if total and n_zone else [0] * len(left)
        hand = [name for name, part in zip(left, parts, strict=True) for _ in range(part)]
        for name, part in zip(list(left), parts, strict=True):
            left[name] -= part
        rng.shuffle(hand)
        dealt += hand
    return dealt
