"""The draw of vines: every vine has its chance, the walk is spread, gaps are named."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from budvision.errors import InputError
from budvision.vineyard.plan import (
    SIZES,
    BlockLayout,
    VineRow,
    draw_vines,
    layout_from_dict,
)

SHARES = {"small": 0.2, "medium": 0.6, "large": 0.2}


def _block(n_rows: int = 20, n_vines: int = 30, **more: object) -> BlockLayout:
    rows = tuple(
        VineRow(str(i), n_vines, zone="upper" if i <= n_rows // 2 else "lower")
        for i in range(1, n_rows + 1)
    )
    return BlockLayout("Dry Gulch", rows, SHARES, **more)  # type: ignore[arg-type]


def test_the_same_draw_gives_the_same_vines_and_another_draw_others() -> None:
    one = draw_vines(_block(), 10, rng=np.random.default_rng(7))
    assert one == draw_vines(_block(), 10, rng=np.random.default_rng(7))
    assert one != draw_vines(_block(), 10, rng=np.random.default_rng(8))


def test_zones_and_vine_sizes_have_their_shares() -> None:
    vines = draw_vines(_block(), 10, rng=np.random.default_rng(1))
    assert Counter(v.zone for v in vines) == {"upper": 5, "lower": 5}
    assert Counter(v.size for v in vines) == {"small": 2, "medium": 6, "large": 2}
    assert [v.order for v in vines] == list(range(1, 11))
    assert [v.cane for v in vines] == [str(i) for i in range(1, 11)]
    for zone in ("upper", "lower"):       # each zone has its share of each class
        assert Counter(v.size for v in vines if v.zone == zone) == {
            "small": 1, "medium": 3, "large": 1}


def test_canes_are_spread_along_the_rows() -> None:
    # One vine in each tenth of the walk: with 20 rows of equal length, one in each pair of rows.
    vines = draw_vines(_block(), 10, rng=np.random.default_rng(3))
    assert sorted((int(v.row) - 1) // 2 for v in vines) == list(range(10))


def test_every_vine_has_very_nearly_the_same_chance() -> None:
    rng = np.random.default_rng(11)
    layout = _block(4, 25)
    seen = Counter((v.row, v.vine) for _ in range(2000) for v in draw_vines(layout, 10, rng=rng))
    counts = np.array([seen[(row.label, vine)] for row in layout.rows for vine in range(1, 26)])
    # 2000 draws of 10 from 100: mean 200, binomial standard deviation 13.4; 4.5 of them.
    assert counts.sum() == 20000
    assert abs(counts - 200).max() < 61


def test_a_missing_vine_is_skipped_and_its_substitute_is_named() -> None:
    rows = (VineRow("1", 3, missing=frozenset({2})), VineRow("2", 1))
    vines = draw_vines(BlockLayout("Small", rows), 3, rng=np.random.default_rng(0))
    assert {(v.row, v.vine) for v in vines} == {("1", 1), ("1", 3), ("2", 1)}
    assert all(v.substitute_vine is None for v in vines)    # the block has no vine left
    gap = BlockLayout("Gap", (VineRow("1", 9, missing=frozenset(range(2, 9))),))
    notes = {v.note for n in range(20)
             for v in draw_vines(gap, 1, rng=np.random.default_rng(n))}
    assert "instead of row 1 vine 5" in notes


@settings(max_examples=60, deadline=None)
@given(
    lengths=st.lists(st.integers(1, 12), min_size=1, max_size=6),
    zones=st.lists(st.sampled_from(["", "top", "foot"]), min_size=6, max_size=6),
    gaps=st.sets(st.tuples(st.integers(0, 5), st.integers(1, 12)), max_size=12),
    share=st.floats(0, 1), number=st.integers(0, 10**6), part=st.floats(0, 1),
)
def test_no_vine_is_drawn_twice_missing_or_named_twice(
    lengths: list[int], zones: list[str], gaps: set[tuple[int, int]], share: float, number: int,
    part: float,
) -> None:
    rows = tuple(
        VineRow(str(i), n, frozenset(v for r, v in gaps if r == i and v <= n), zones[i])
        for i, n in enumerate(lengths)
    )
    if all(len(row.missing) == row.n_vines for row in rows):
        return
    layout = BlockLayout("Any", rows, {"small": share, "large": 1 - share})
    n = max(1, round(part * layout.n_vines))
    vines = draw_vines(layout, n, rng=np.random.default_rng(number))
    places = [(v.row, v.vine) for v in vines]
    substitutes = [(v.substitute_row, v.substitute_vine) for v in vines
                   if v.substitute_vine is not None]
    assert len(vines) == n
    assert len(set(places) | set(substitutes)) == n + len(substitutes)
    missing = {(row.label, vine) for row in rows for vine in row.missing}
    assert not missing & (set(places) | set(substitutes))
    assert all(v.size in SIZES for v in vines)
    assert layout_from_dict(layout.as_dict()) == layout


def test_what_a_block_cannot_be_is_said() -> None:
    with pytest.raises(InputError, match="the shares of the vine sizes sum to 0.9; expected"):
        BlockLayout("B", (VineRow("1", 5),), {"small": 0.4, "large": 0.5})
    with pytest.raises(InputError, match=r"block B: row 1 has 5 vine places, and 6 is named missi"):
        BlockLayout("B", (VineRow("1", 5, frozenset({6})),))
    with pytest.raises(InputError, match="row 1 is there twice"):
        BlockLayout("B", (VineRow("1", 5), VineRow("1", 5)))
    with pytest.raises(InputError, match="all of its vines are missing"):
        BlockLayout("B", (VineRow("1", 1, frozenset({1})),))
    with pytest.raises(InputError, match="it has no rows"):
        BlockLayout("B", ())
    with pytest.raises(InputError, match="vine size 'huge' is unknown; expected small, medium"):
        BlockLayout("B", (VineRow("1", 5),), {"huge": 1.0})
    with pytest.raises(InputError, match=r"6 canes are wanted; expected from 1 to 5"):
        draw_vines(BlockLayout("B", (VineRow("1", 5),)), 6, rng=np.random.default_rng(0))
    with pytest.raises(InputError, match="the layout cannot be read"):
        layout_from_dict({"block": "B", "rows": [{"label": "1"}]})
