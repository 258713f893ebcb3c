"""Runs of photographs: each begins with a cane's tag; cuts are parted into buds, or doubted.

Nothing here touches a season: photographs come as facts, and go out as runs with a reason where
they are doubtful.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from budvision.language import plain_count
from budvision.photo.tag import TagText

__all__ = ["Run", "Seen", "make_runs", "part_run"]

_CLEAR = 1.6
"""The shortest gap between buds must be this many times the longest within one to be believed."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One photograph of a run.

    Attributes
    ----------
    name : str
        The file's own name.
    sha256 : str
        Its name in the season.
    at : datetime or None
        When it was taken.
    tag : TagText or None
        The cane tag it shows.
    flip : bool
        It shows the card's back: the next bud follows.
    """

    name: str
    sha256: str
    at: datetime | None = None
    tag: TagText | None = None
    flip: bool = False


@dataclass(frozen=True, slots=True)
class Run:
    """What lies between two tags.

    Attributes
    ----------
    tag : TagText or None
        None where the photographs came before any tag.
    markers : tuple of Seen
        Photographs of the tag and of the card's back.
    buds : tuple of tuple of Seen
        Photographs parted into buds, in node order from 1, each in order of its cuts.
    doubts : tuple of str
        Why the run must be looked at; empty where it is plain.
    """

    tag: TagText | None
    markers: tuple[Seen, ...]
    buds: tuple[tuple[Seen, ...], ...]
    doubts: tuple[str, ...] = ()

    @property
    def photos(self) -> tuple[Seen, ...]:
        """Every photograph of a cut, in order."""
        return tuple(one for bud in self.buds for one in bud)


@dataclass
class _Open:
    tag: TagText | None
    markers: list[Seen] = field(default_factory=list)
    parts: list[list[Seen]] = field(default_factory=lambda: [[]])
    flips: int = 0


def part_run(
    photos: Sequence[Seen], n_nodes: int | None
) -> tuple[tuple[tuple[Seen, ...], ...], str]:
    """Part the photographs of one cane into buds by the gaps of time between them.

    Parameters
    ----------
    photos : sequence of Seen
        In order.
    n_nodes : int, optional
        Buds that the cane is planned to have.

    Returns
    -------
    buds : tuple of tuple of Seen
        The parting that is likeliest; empty for no photographs.
    doubt : str
        Why it must be looked at, empty where it is plain.
    """
    each = tuple((one,) for one in photos)
    if not photos:
        return (), ""
    if n_nodes is None:
        return each, "how many buds the cane has is not planned"
    if len(photos) == n_nodes:
        return each, ""
    if len(photos) < n_nodes:
        return each, (f"{plain_count(len(photos), 'photograph')} for "
                      f"{plain_count(n_nodes, 'node')}: which nodes have none is "
                      "not known")
    times = [one.at for one in photos]
    if any(moment is None for moment in times):
        return each, (f"{plain_count(len(photos), 'photograph')} for "
                      f"{plain_count(n_nodes, 'node')}, and not every one says "
                      "when it was taken")
    gaps = [(b - a).total_seconds() for a, b in itertools.pairwise(times)
            if a is not None and b is not None]
    order = sorted(range(len(gaps)), key=lambda i: -gaps[i])
    breaks = sorted(order[: n_nodes - 1])
    starts = [0, *(i + 1 for i in breaks), len(photos)]
    buds = tuple(tuple(photos[a:b]) for a, b in itertools.pairwise(starts))
    shortest = min((gaps[i] for i in breaks), default=float("inf"))
    longest = max((gaps[i] for i in order[n_nodes - 1:]), default=0.0)
    if min(gaps) < 0:
        return buds, "the times of the photographs do not rise"
    if shortest < _CLEAR * max(longest, 1.0):
        return buds, (f"the gaps of time do not part {plain_count(len(photos), 'photograph')} "
                      f"into {plain_count(n_nodes, 'bud')} "
                      f"plainly (between buds {shortest:.0f} s, within a bud {longest:.0f} s)")
    return buds, ""


def make_runs(photos: Sequence[Seen], n_nodes_of: dict[TagText, int | None]) -> list[Run]:
    """Part a camera card's photographs into runs, one a tag.

    Parameters
    ----------
    photos : sequence of Seen
        In the order they were taken.
    n_nodes_of : dict
        Planned nodes of each known tag; a tag that is not in it belongs elsewhere.

    Returns
    -------
    list of Run
        In order. Photographs before the first tag are a run without one.
    """
    open_runs: list[_Open] = []
    current = _Open(None)
    for one in photos:
        if one.tag is not None:
            if current.tag == one.tag and not any(current.parts):
                current.markers.append(one)     # the tag once more before any bud
                continue
            open_runs.append(current)
            current = _Open(one.tag, [one])
        elif one.flip:
            current.markers.append(one)
            current.flips += 1
            if current.parts[-1]:
                current.parts.append([])
        else:
            current.parts[-1].append(one)
    open_runs.append(current)
    runs = [_close(row, n_nodes_of) for row in open_runs if row.tag or any(row.parts)]
    met: dict[TagText, int] = {}
    for row in runs:
        if row.tag is not None and row.buds:
            met[row.tag] = met.get(row.tag, 0) + 1
    return [
        replace(row, doubts=(*row.doubts, f"the tag of cane {row.tag.cane} begins "
                             f"{met[row.tag]} runs"))
        if row.tag is not None and met.get(row.tag, 0) > 1 else row
        for row in runs
    ]


def _close(row: _Open, n_nodes_of: dict[TagText, int | None]) -> Run:
    parts = [part for part in row.parts if part]
    photos = [one for part in parts for one in part]
    if row.tag is None:
        return Run(None, tuple(row.markers), tuple(tuple(part) for part in parts) if row.flips
                   else tuple((one,) for one in photos),
                   ("no tag stands before these photographs",))
    if row.tag not in n_nodes_of:
        return Run(row.tag, tuple(row.markers), tuple((one,) for one in photos),
                   (f"the tag {row.tag.key} cane {row.tag.cane} is of another season or plan",))
    n_nodes = n_nodes_of[row.tag]
    if row.flips:
        buds = tuple(tuple(part) for part in parts)
        doubt = "" if n_nodes is None or len(buds) == n_nodes else (
            f"the card was turned for {plain_count(len(buds), 'bud')}, and {n_nodes} are planned")
    else:
        buds, doubt = part_run(photos, n_nodes)
    return Run(row.tag, tuple(row.markers), buds, (doubt,) if doubt else ())
