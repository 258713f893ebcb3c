"""Zones of a block, each by itself."""

from __future__ import annotations

from scipy import stats

from budvision.settings import Settings
from budvision.vineyard.buds import BudTable
from budvision.vineyard.zones import zone_results
from budvision.vocabulary import BudCalls, CallValue, Tissue

L, D = CallValue.LIVE, CallValue.DEAD


def _zoned(*, vines: bool, zones: tuple[str, ...] = ("low", "high")) -> BudTable:
    """Six canes a zone, two a vine, one bud each: 4 of 6 dead below, 1 of 6 above."""
    return BudTable.from_calls([
        BudCalls(block="Mill Row", cane=f"{zone}{cane}", node=1, zone=zone,
                 vine=f"v{cane // 2}" if vines else "",
                 primary=D if cane < dead else L, secondary=L, tertiary=L)
        for zone, dead in zip(zones, (4, 1), strict=True) for cane in range(6)])


def _of(table: BudTable) -> dict[str, tuple[int, str, int]]:
    found = zone_results(table, settings=Settings(), policies=None, normal_nodes={},
                         secondary_crop={}).get("Mill Row", ())
    return {one.block: (one.n_canes, (row := one.tissues[Tissue.PRIMARY]).unit, row.n_units)
            for one in found}


def test_a_zone_is_said_to_be_of_its_canes_and_rests_on_its_vines() -> None:
    """Six canes of three vines were told as three canes."""
    assert _of(_zoned(vines=True)) == {"low": (6, "vine", 3), "high": (6, "vine", 3)}
    assert _of(_zoned(vines=False)) == {"low": (6, "cane", 6), "high": (6, "cane", 6)}


def test_each_zone_has_its_own_range() -> None:
    """One bud a cane: Clopper and Pearson's (scipy.stats.binomtest), within the grid's width."""
    found = zone_results(_zoned(vines=False), settings=Settings(), policies=None, normal_nodes={},
                         secondary_crop={})["Mill Row"]
    for one, dead in zip(found, (4, 1), strict=True):
        row, exact = one.tissues[Tissue.PRIMARY], stats.binomtest(dead, 6).proportion_ci(0.95)
        assert abs(row.low - exact.low) < 0.002
        assert abs(row.high - exact.high) < 0.002


def test_a_block_of_one_zone_or_none_has_no_zones() -> None:
    assert _of(_zoned(vines=False, zones=("low", ""))) == {}
