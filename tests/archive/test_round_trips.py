"""What goes out comes back: invented seasons with every optional field, equal in all rows."""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path
from typing import Any

import invented
import pytest
import seasons
from hypothesis import Phase, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.workflow.answers.results import results
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive

AT = seasons.AT
NO_SHRINKING = (Phase.explicit, Phase.generate)  # a season does not get simpler in minutes
SEED = st.integers(0, 2**32)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty season to copy: making one takes longer than filling it."""
    folder = tmp_path_factory.mktemp("template") / "season"
    Season.create(folder).close()
    return folder


def _fresh(empty: Path, folder: Path) -> Season:
    shutil.copytree(empty, folder)
    return Season.open(folder)


def _photo(number: int) -> bytes:
    return bytes(seasons.photo_bytes(number, private=number % 3 == 0))


def _table(season: Season, table: str) -> list[dict[str, Any]]:
    with season.read() as conn:
        return list(rows.stream(conn, table))


@pytest.mark.slow
@examples(max_examples=6, phases=NO_SHRINKING)
@given(number=SEED)
def test_a_whole_copy_is_equal_in_all_rows(empty: Path, number: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        with _fresh(empty, base / "a") as season, _fresh(empty, base / "b") as again:
            invented.fill(season, random.Random(number), _photo)
            before = seasons.whole_content(season)
            export_archive(season, base / "bag", whole=True)
            report = import_archive(again, base / "bag")
            assert not report.conflicts
            assert seasons.whole_content(again) == before


@pytest.mark.slow
@examples(max_examples=6, phases=NO_SHRINKING)
@given(number=SEED, whole=st.booleans())
def test_own_bag_brings_nothing_new(empty: Path, number: int, whole: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        with _fresh(empty, base / "a") as season:
            invented.fill(season, random.Random(number), _photo)
            before = seasons.whole_content(season)
            export_archive(season, base / "bag", whole=whole)
            report = import_archive(season, base / "bag")
            assert seasons.whole_content(season) == before
            assert not sum(report.added.values())


@pytest.mark.slow
@examples(max_examples=6, phases=NO_SHRINKING)
@given(number=SEED)
def test_another_season_changes_no_answer_of_this_one(empty: Path, number: int) -> None:
    """The other's blocks stand beside with the answers that they had there."""
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        with _fresh(empty, base / "a") as other, _fresh(empty, base / "b") as mine:
            invented.fill(other, random.Random(number), _photo, first=500)
            invented.fill(mine, random.Random(number + 1), _photo)
            wanted = {b["block"]: _plain(b) for b in results(mine)["blocks"]}
            theirs = {b["block"]: _plain(b) for b in results(other)["blocks"]}
            export_archive(other, base / "bag", whole=True)
            report = import_archive(mine, base / "bag")
            now = {b["block"]: _plain(b) for b in results(mine)["blocks"]}
            for name, answer in wanted.items():
                assert now[name] == answer
            for name, answer in theirs.items():
                here = name if name not in wanted else f"{name} ({report.lab})"
                assert now[here] == answer


def _plain(block: dict[str, Any]) -> dict[str, Any]:
    """Return an answer without its name and the soaking clock, which goes on meanwhile."""
    return _rounded({k: v for k, v in block.items() if k not in ("block", "soak")})


def _rounded(value: Any) -> Any:
    """Leave out the last digits of floats: other numbers are added in another order."""
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    return float(f"{value:.12g}") if isinstance(value, float) else value


def test_canes_of_two_vines_stay_two(empty: Path, tmp_path: Path) -> None:
    """Cane 1 of vine v12 is live, cane 1 of vine v13 dead: half is dead, before and after."""
    with _fresh(empty, tmp_path / "a") as theirs, _fresh(empty, tmp_path / "b") as mine:
        for season, live in ((theirs, True), (mine, False)):
            with season.write() as conn:
                def add(table: str, **values: Any) -> int:
                    return rows.add_row(conn, table, {"added_at": AT, **values})

                block = add("block", site_id=add("site", name="Fen"), name="Larch")
                sampling = add("sampling", block_id=block, label="jan")
                who = add("person", name="Ida Fenn", role="reviewer")
                for vine, value in (("v12", "live"), ("v13", "dead")):
                    if not live and vine == "v12":
                        continue  # this side knows one of the two vines
                    cane = add("cane", sampling_id=sampling, label="1", vine=vine)
                    for node in (1, 2):
                        add("call", bud_id=add("bud", cane_id=cane, node=node), tissue="primary",
                            value=value, person_id=who, source="import")
        export_archive(theirs, tmp_path / "bag")
        import_archive(mine, tmp_path / "bag")
        assert len(_table(mine, "cane")) == 2
        assert len(_table(mine, "bud")) == 4
        (block_,) = results(mine)["blocks"]
        assert block_["primary"]["mortality"] == 0.5
