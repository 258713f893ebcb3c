"""Calls in and out as a table: all or nothing, the same again changes nothing, exact round trip."""

from __future__ import annotations

from pathlib import Path

import pytest

from budvision.errors import (
    ConflictError,
    InputError,
    NotFoundError,
    NothingToDoError,
    StorageError,
    UsageError,
)
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import BudCalls, CallValue, Cause, Tissue
from budvision.workflow.answers.results import results, season_table
from budvision.workflow.review.calls_file import read_calls
from budvision.workflow.review.calls_table import export_calls, import_calls
from budvision.workflow.review.readings import disagreements_of
from budvision.workflow.review.save import save_table, undo

HEADER = "block,cane,node,primary,secondary,tertiary"
TABLE = (
    f"{HEADER},vine,vigor,primary_cause\n"
    "Creek,1,1,dead,live,not_exposed,v7,small,mites\n"
    "Creek,1,2,live,,unsure,v7,small,\n"
    "Creek,2,1,dead,dead,live,v9,large,\n"
)


@pytest.fixture
def planned(season: Season) -> Season:
    """Make a season with the table's buds."""
    with season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        for cane, node in (("1", 1), ("1", 2), ("2", 1)):
            canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, cane), node)
    return season


def _file(season: Season, text: str) -> Path:
    path = season.folder / "calls.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _n_rows(season: Season) -> int:
    with season.read() as conn:
        return sum(len(calls.call_history(conn, bud.id)) for bud in canes.list_buds(conn))


def test_a_table_is_recorded_as_one_persons_calls(planned: Season) -> None:
    report = import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt")
    assert (report.n_rows, report.n_calls, report.n_empty, report.sampling) == (3, 8, 1, "feb")
    with planned.read() as conn:
        rows = calls.call_history(conn, 1)
        assert {row.person for row in rows} == {"Maren Holt"}
        assert {row.source for row in rows} == {"import"}
        assert not any(row.blind for row in rows)
        assert rows[0].cause is Cause.MITES
        [cane, _] = canes.list_canes(conn, 1)
        assert (cane.vine, cane.vigor) == ("v7", "small")


def test_the_same_again_changes_nothing(planned: Season) -> None:
    file = _file(planned, TABLE)
    import_calls(planned, file, reviewer="Maren Holt")
    before = _n_rows(planned)
    report = import_calls(planned, file, reviewer="maren holt")
    assert (report.n_calls, report.n_unchanged, report.batch) == (0, 8, "")
    assert _n_rows(planned) == before


def test_only_what_differs_is_written_and_one_undo_takes_it_back(planned: Season) -> None:
    import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt")
    text = export_calls(planned)
    changed = TABLE.replace("Creek,1,2,live", "Creek,1,2,dead").replace("dead,dead", "dead,live")
    report = import_calls(planned, _file(planned, changed), reviewer="Maren Holt")
    assert (report.n_calls, report.n_unchanged) == (2, 6)
    assert export_calls(planned) != text
    with planned.read() as conn:
        maren = people.active_person(conn, "Maren Holt")
    undo(planned, report.batch, person=maren)
    assert export_calls(planned) == text


def test_a_round_trip_is_exact(planned: Season, tmp_path: Path) -> None:
    import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt")
    out = planned.folder / "out.csv"
    text = export_calls(planned, out)
    assert out.read_bytes().decode() == text
    assert read_calls(text, name="x").buds == read_calls(TABLE, name="y").buds
    assert import_calls(planned, out, reviewer="Maren Holt").n_calls == 0
    with Season.create(tmp_path / "other") as other:
        import_calls(other, out, reviewer="Maren Holt", sampling="feb", create=True)
        assert export_calls(other) == text


@pytest.mark.parametrize(("row", "told"), [
    ("Creek,1,9,live,live,live", r"calls.csv, row 3: cane 1 of block Creek has no node 9"),
    ("Creek,7,1,live,live,live", r"row 3: block Creek has no cane 7"),
    ("Hill,1,1,live,live,live", r"row 3: block is 'Hill'; expected a block of this season"),
    ("Creek,1,1,brwn,live,live", r'row 3: primary is "brwn"'),
    ("Creek,1,2,live,live,live", r"row 3: node 2 of cane 1 of block Creek stands already"),
])
def test_one_wrong_row_imports_nothing(planned: Season, row: str, told: str) -> None:
    file = _file(planned, f"{HEADER}\nCreek,1,2,live,live,live\n{row}\n")
    with pytest.raises((InputError, NotFoundError), match=told) as caught:
        import_calls(planned, file, reviewer="Somebody New")
    assert "nothing was imported" in str(caught.value)
    assert _n_rows(planned) == 0
    with planned.read() as conn:
        assert people.list_people(conn) == []


def test_every_wrong_row_is_named(planned: Season) -> None:
    file = _file(planned, f"{HEADER}\nCreek,5,1,live,,\nCreek,1,1,live,,\nCreek,6,1,live,,\n")
    with pytest.raises(NotFoundError, match=r"row 2: .*1 further row is wrong: 4\."):
        import_calls(planned, file, reviewer="Maren Holt")


def test_unknown_buds_are_made_when_allowed(planned: Season) -> None:
    file = _file(planned, f"{HEADER},cultivar\nHill,1,1,live,live,live,Foch\n"
                 "Creek,1,3,dead,,,\n")
    report = import_calls(planned, file, reviewer="Maren Holt", create=True)
    assert report.n_new_buds == 2
    with planned.read() as conn:
        assert blocks.get_block(conn, "Hill").cultivar == "Foch"


def test_a_cane_spelt_otherwise_than_the_seasons_is_asked_about(planned: Season) -> None:
    """Cane 01 became a cane of its own beside cane 1, without a word."""
    for file in (f"{HEADER}\nCreek,01,1,dead,,\n",
                 f"{HEADER}\nCreek,A7,1,dead,,\nCreek,a07,2,dead,,\n"):
        with pytest.raises(InputError, match='expected one spelling; the sampling has cane "'):
            import_calls(planned, _file(planned, file), reviewer="Maren Holt", create=True)
    with planned.write() as conn, pytest.raises(InputError, match="one spelling"):
        canes.ensure_cane(conn, 1, "002")
    report = import_calls(
        planned, _file(planned, f"{HEADER},vine\ncreek,5,1,dead,,,v3\ncreek,05,1,dead,,,v4\n"),
        reviewer="Maren Holt", create=True)
    assert report.n_new_buds == 2, "canes of two vines may be written as one likes"


def test_a_vine_tells_canes_of_one_label_apart(season: Season) -> None:
    text = (f"{HEADER},vine\nCreek,1,1,dead,,,v1\nCreek,1,1,live,,,v2\nCreek,1,2,live,,,v2\n")
    report = import_calls(season, _file(season, text), reviewer="Maren Holt", sampling="feb",
                          create=True)
    assert report.n_new_buds == 3
    assert read_calls(export_calls(season), name="x").buds == read_calls(
        text, name="y").buds
    plain = _file(season, f"{HEADER}\nCreek,1,1,dead,,\n")
    with pytest.raises(InputError, match=r"row 2: cane 1 stands on vines v1, v2.*column vine"):
        import_calls(season, plain, reviewer="Maren Holt")


def test_the_sampling_must_be_named_where_there_are_several(planned: Season) -> None:
    with planned.write() as conn:
        blocks.ensure_sampling(conn, 1, "march")
    with pytest.raises(UsageError, match="expected one of feb, march"):
        import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt")
    report = import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt", sampling="feb")
    assert report.n_calls == 8
    with pytest.raises(NotFoundError, match="row 2: block Creek has no cane 1"):
        import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt", sampling="march")


def test_a_second_readers_table_stands_beside(planned: Season) -> None:
    file = _file(planned, TABLE)
    import_calls(planned, file, reviewer="Maren Holt")
    text = export_calls(planned)
    other = _file(planned, TABLE.replace("dead", "live").replace(",mites", ","))
    report = import_calls(planned, other, reviewer="Ivo Lund", reading="second", blind=True)
    assert report.n_calls == 8
    assert report.warnings == ()
    assert export_calls(planned) == text
    assert import_calls(planned, other, reviewer="Ivo Lund", reading="second").n_calls == 0
    told = import_calls(planned, other, reviewer="Cy Moor", reading="second")
    assert "tell nothing of agreement" in told.warnings[-1], "nothing was said and 0 pairs came"


def test_another_persons_import_is_a_second_reading(planned: Season) -> None:
    """All live, then all dead by somebody else: the answer stays what the first person said."""
    live = f"{HEADER}\n" + "".join(
        f"Creek,{cane},{node},live,live,live\n" for cane, node in (("1", 1), ("1", 2), ("2", 1)))
    import_calls(planned, _file(planned, live), reviewer="Maren Holt")
    report = import_calls(planned, _file(planned, live.replace("live", "dead")),
                          reviewer="Ivo Lund")
    assert (report.n_calls, report.n_second) == (9, 9)
    [block] = results(planned)["blocks"]  # type: ignore[misc]
    assert (block["primary"]["n_live"], block["primary"]["n_dead"]) == (3, 0)
    with planned.read() as conn:
        assert disagreements_of(calls.call_history(conn, 1)) == list(Tissue)
    again = import_calls(planned, _file(planned, live.replace("live", "dead")),
                         reviewer="Ivo Lund")
    assert (again.n_calls, again.n_unchanged) == (0, 9)


def test_what_nobody_has_called_is_a_first_call_whoever_brings_it(planned: Season) -> None:
    import_calls(planned, _file(planned, f"{HEADER}\nCreek,1,1,dead,,\n"), reviewer="Maren Holt")
    report = import_calls(planned, _file(planned, f"{HEADER}\nCreek,1,1,live,live,\n"),
                          reviewer="Ivo Lund")
    assert (report.n_calls, report.n_second) == (2, 1)
    with planned.read() as conn:
        standing = calls.current_calls_of_bud(conn, 1)
    assert {tissue: row.value for tissue, row in standing.items()} == {
        Tissue.PRIMARY: CallValue.DEAD, Tissue.SECONDARY: CallValue.LIVE}


def test_nobody_reads_a_second_time_what_nobody_has_read(planned: Season) -> None:
    with pytest.raises(ConflictError, match="nobody has called this bud yet"):
        import_calls(planned, _file(planned, TABLE), reviewer="Ivo Lund", reading="second")
    import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt")
    with pytest.raises(ConflictError, match="Maren Holt made the first call of this bud"):
        import_calls(planned, _file(planned, TABLE), reviewer="Maren Holt", reading="second")


def test_nothing_called_is_nothing_to_export(planned: Season) -> None:
    with pytest.raises(NothingToDoError, match="a bud of the newest sampling yet"):
        export_calls(planned)
    confirm_one(planned)
    with pytest.raises(NotFoundError, match="there is no block 'Hill'"):
        export_calls(planned, block="Hill")
    with pytest.raises(NotFoundError, match="there is no sampling 'march'"):
        export_calls(planned, sampling="march")
    with pytest.raises(StorageError, match="it cannot be written"):
        export_calls(planned, planned.folder / "no such folder" / "x.csv")
    with planned.write() as conn:
        block = blocks.ensure_block(conn, "Creek")
        blocks.ensure_sampling(conn, block, "later", collected_at="2030-02-01T09:00:00Z")
    for asked in (export_calls, season_table):
        with pytest.raises(NothingToDoError, match="a bud of the newest sampling yet"):
            asked(planned)
        asked(planned, sampling="feb")
        with pytest.raises(NothingToDoError, match="a bud of sampling later yet"):
            asked(planned, sampling="later")


def confirm_one(season: Season) -> None:
    with season.write() as conn:
        one = BudCalls(block="Creek", cane="1", node=1, primary=CallValue.LIVE)
        save_table(conn, [(1, one)], person=people.ensure_person(conn, "Maren Holt"))
