"""What became of a photograph taken in, and what a person should look at after an intake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from budvision.store.queries import blocks
from budvision.store.session import Season

__all__ = ["Taken", "remarks_on"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One photograph that is in the season now.

    Attributes
    ----------
    state : str
        ``new``; ``known`` the season had it in this place already; ``moved`` to another place;
        ``placed`` it was there without a place; ``same_bytes`` another file of this batch had
        the same bytes.
    """

    file: str
    sha256: str
    photo_id: int
    block: str
    cane: str
    node: int
    cut: int
    state: str
    same_as: str = ""


def remarks_on(season: Season, sampling: str, taken: Sequence[Taken]) -> tuple[str, ...]:
    """Return what should be looked at: the cane base's side, and samplings out of their order."""
    remarks = []
    if any(one.state == "new" for one in taken) and season.settings.cane_base == "unknown":
        remarks.append(
            "The season does not say on which side of its photographs the cane base lies, so a "
            "secondary or tertiary that shows alone keeps a doubtful name. Set cane_base in "
            "budvision.toml, then run `budvision models look-again`.")
    with season.read() as conn:
        rows = blocks.list_samplings(conn)
    for name in sorted({one.block for one in taken}):
        mine = [row for row in rows if row.block == name and row.collected_at]
        this = next((row for row in mine if row.label == sampling), None)
        before = [row for row in mine if this is not None and row.id < this.id
                  and (row.collected_at or "") > (this.collected_at or "")]
        if this is not None and before:
            now, then = (str(row.collected_at)[:10] for row in (this, before[-1]))
            remarks.append(
                f"Sampling {sampling} of block {name} was collected {now}, before sampling "
                f"{before[-1].label} ({then}), which the season had first. Check the two days.")
    return tuple(remarks)
