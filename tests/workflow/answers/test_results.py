"""Results: the tally's numbers from confirmed calls alone, and what waits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from budvision.errors import InputError, NotFoundError, NothingToDoError
from budvision.store.queries import blocks, canes, marks, people
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, BudCalls, CallValue
from budvision.workflow.answers.results import results, season_results
from budvision.workflow.answers.tally import results_as_dict, tally_file
from budvision.workflow.review.calls_table import export_calls, import_calls
from budvision.workflow.review.save import save_table

HEADER = "block,cane,node,primary,secondary,tertiary,vigor,primary_cause\n"


def _table(folder: Path, block: str, *, dead_every: int = 3) -> Path:
    """Write a table of 5 canes of 8 nodes."""
    rows = []
    for cane in range(1, 6):
        for node in range(1, 9):
            dead = (cane * 8 + node) % dead_every == 0
            rows.append(
                f"{block},{cane},{node},{'dead' if dead else 'live'},"
                f"{'dead' if dead and node % 2 else 'live'},{'unsure' if node == 3 else ''},"
                f"{('small', 'large')[cane % 2]},{'mites' if dead and node == 6 else ''}")
    path = folder / f"{block}.csv"
    path.write_text(HEADER + "\n".join(rows) + "\n")
    return path


def _block(season: Season, name: str, **more: Any) -> dict[str, Any]:
    found = results(season, **more)["blocks"]
    assert isinstance(found, list)
    return next(block for block in found if block["block"] == name)


def test_season_and_tally_give_the_same_numbers(any_season: Season) -> None:
    for name, dead_every in (("Creek", 3), ("Hill", 7), ("Shelf", 2)):
        import_calls(any_season, _table(any_season.folder, name, dead_every=dead_every),
                     reviewer="Maren Holt", sampling="feb", create=True)
    out = any_season.folder / "all.csv"
    export_calls(any_season, out)
    expected = results_as_dict(tally_file(out).results)["blocks"]
    found = results(any_season)["blocks"]
    assert isinstance(expected, list)
    assert isinstance(found, list)
    assert len(found) == 3
    for one, other in zip(found, expected, strict=True):
        del one["waiting"], one["sampling"], one["confirmed"]
        assert one == other


def test_what_waits_is_listed_and_marked_nodes_are_not(season: Season) -> None:
    with season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        cane = canes.ensure_cane(conn, sampling, "1", vine="v7")
        buds = [canes.ensure_bud(conn, cane, node) for node in (1, 2, 3, 4)]
        marks.set_mark(conn, buds[2], "node", "missing")
        marks.set_mark(conn, buds[3], "node", "blind")
        marks.set_mark(conn, buds[3], "node", "")  # taken back: it waits again
        ada = people.ensure_person(conn, "Maren Holt")
        one = BudCalls(block="Creek", cane="1", node=1, primary=CallValue.LIVE)
        save_table(conn, [(buds[0], one)], person=ada)
    found = _block(season, "Creek")
    assert found["n_buds"] == 1
    assert found["primary"]["n_live"] == 1
    assert found["waiting"] == {
        "n_buds": 3, "n_tissues": 8, "n_missing_nodes": 1,
        "buds": [
            {"cane": "1", "vine": "v7", "node": 1, "tissues": ["secondary", "tertiary"]},
            {"cane": "1", "vine": "v7", "node": 2, "tissues": [t.value for t in TISSUES]},
            {"cane": "1", "vine": "v7", "node": 4, "tissues": [t.value for t in TISSUES]},
        ]}


def test_a_block_nobody_called_has_no_number(season: Season) -> None:
    with season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, "1"), 1)
    found = _block(season, "Creek")
    assert (found["confirmed"], found["n_buds"], found["band"]) == (False, 0, None)
    assert found["primary"]["mortality"] is None
    assert found["waiting"]["n_tissues"] == 3


def test_the_newest_sampling_of_each_block_counts(season: Season) -> None:
    file = _table(season.folder, "Creek", dead_every=2)
    import_calls(season, file, reviewer="Maren Holt", sampling="jan", create=True)
    file = _table(season.folder, "Creek", dead_every=100)
    import_calls(season, file, reviewer="Maren Holt", sampling="feb", create=True)
    assert _block(season, "Creek")["sampling"] == "feb"
    assert _block(season, "Creek")["primary"]["n_dead"] == 0
    assert _block(season, "Creek", sampling="jan")["primary"]["n_dead"] == 20
    with season.write() as conn:  # the day of collection decides, not the order of entry
        blocks.update_sampling(conn, 1, collected_at="2026-02-20")
        blocks.update_sampling(conn, 2, collected_at="2026-02-10")
    assert _block(season, "Creek")["sampling"] == "jan"


def test_facts_of_the_block_are_used(season: Season) -> None:
    import_calls(season, _table(season.folder, "Creek"), reviewer="Maren Holt", sampling="feb",
                 create=True)
    with season.write() as conn:
        blocks.update_block(conn, 1, normal_nodes=60.0, policy="exact-20-to-50",
                            secondary_crop=0.5)
    found = _block(season, "Creek")
    assert found["nodes"]["normal"] == 60
    assert found["policy"] == "exact-20-to-50"
    assert found["crop_potential"]["secondary_crop"] == 0.5
    assert _block(season, "Creek", policy="common")["policy"] == "common"
    with pytest.raises(InputError, match="no such policy"):
        results(season, policy="no such policy")


def test_asking_for_what_is_not_there(season: Season) -> None:
    with pytest.raises(NothingToDoError, match="no canes have been sampled yet"):
        results(season)
    with season.write() as conn:
        blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
    assert season_results(season)[0].waiting.n_buds == 0
    with pytest.raises(NotFoundError, match="there is no block 'Hill'; expected one of Creek"):
        results(season, block="Hill")
    with pytest.raises(NotFoundError, match="there is no sampling 'may'; expected one of feb"):
        results(season, sampling="may")
    with pytest.raises(NotFoundError, match="block Creek has no sampling 'may'"):
        results(season, block="Creek", sampling="may")
