"""Mortality by position, size class, zone and cultivar; blocks against each other."""

from __future__ import annotations

import pytest

from budvision.errors import InputError, NotFoundError
from budvision.stats.proportions import clopper_pearson
from budvision.vineyard.breakdown import breakdown, compare_blocks
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vocabulary import BudCalls, CallValue, Tissue

LIVE, DEAD = CallValue.LIVE, CallValue.DEAD
BUDS = [
    BudCalls(block=block, cane=str(cane), node=node,
             primary=DEAD if node <= dead + cane % 3 else LIVE, secondary=LIVE, tertiary=None,
             vigor="small" if cane <= 6 else "large", cultivar="Riesling")
    for block, dead in (("A", 1), ("B", 6)) for cane in range(1, 13) for node in range(1, 11)
]
TABLE = BudTable.from_calls(BUDS)


def test_by_node_from_the_base_up():
    parts = breakdown(BudTable.from_calls([b for b in BUDS if b.block == "A"]), "node")
    assert [part.name for part in parts] == [str(node) for node in range(1, 11)]
    assert [part.n_dead for part in parts] == [12, 8, 4, 0, 0, 0, 0, 0, 0, 0]
    wanted = clopper_pearson(8, 12)
    assert (parts[1].low, parts[1].high) == pytest.approx((wanted.low, wanted.high), abs=2e-4)
    assert (parts[1].n_units, parts[1].few_units) == (12, False)
    assert all(part.n_canes == 12 for part in parts)


def test_by_block_equals_the_block_itself():
    for part in breakdown(TABLE, "block"):
        own = BudTable.from_calls([b for b in BUDS if b.block == part.name])
        row = summarise_table(own)[0].tissues[Tissue.PRIMARY]
        assert (part.mortality, part.low, part.high) == pytest.approx(
            (row.mortality, row.low, row.high)
        )


def test_other_parts():
    small, large = breakdown(BudTable.from_calls([b for b in BUDS if b.block == "B"]), "vigor")
    assert (small.name, small.n_canes, large.n_judged) == ("small", 6, 60)
    assert breakdown(TABLE, "cultivar")[0].n_judged == 240
    assert breakdown(TABLE, "zone")[0].name == ""
    assert breakdown(TABLE, "node", tissue=Tissue.TERTIARY)[0].mortality is None


def test_blocks_compared():
    (row,) = compare_blocks(TABLE)
    assert (row.first, row.second) == ("A", "B")
    assert row.result.difference == pytest.approx(-0.5)
    assert row.result.high < 0
    assert row.result.p_adjusted < 0.001
    assert compare_blocks(TABLE, pairs=[("B", "A")])[0].result.difference == pytest.approx(0.5)


def test_bad_input():
    with pytest.raises(InputError, match="'weather' is no way"):
        breakdown(TABLE, "weather")
    with pytest.raises(NotFoundError, match="no block 'C'"):
        compare_blocks(TABLE, pairs=[("A", "C")])
