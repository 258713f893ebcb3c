"""What cuts into the wood say of the season's blocks."""

from __future__ import annotations

from sqlalchemy import Connection

from budvision.settings import Settings
from budvision.store.queries.wood import counted_cuts, wood_cuts
from budvision.store.session import Season
from budvision.vineyard.wood import WoodCut, WoodResult, wood_results

__all__ = ["season_wood"]


def season_wood(
    season: Season, conn: Connection, settings: Settings
) -> dict[int, tuple[WoodResult, ...]]:
    """Return what cuts into the wood say, by the id of each block that has some.

    Parameters
    ----------
    season : Season
        Remembers the results of blocks whose cuts are those of before.
    settings : Settings
        As in `budvision.vineyard.wood.wood_results`.
    """
    cuts: dict[int, tuple[WoodCut, ...]] = {}
    for one in counted_cuts(wood_cuts(conn)):
        cuts[one.block_id] = (*cuts.get(one.block_id, ()), one.cut)
    return season.remembered.each(
        ("wood", settings), cuts,
        lambda keys: {key: wood_results(cuts[key], settings=settings) for key in keys})
