"""The counts that pages read are those of the rows, whatever is written, and `check` compares."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing

from sqlalchemy.dialects import postgresql

from budvision.store import counts, migrations
from budvision.store.queries import calls, canes, marks, overview, people, photos
from budvision.store.queries.states import bud_states
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.workflow.review.page import tally_of, tally_of_counts
from budvision.workflow.season.check import check

Fill = Callable[[Season], None]
FULL = dict.fromkeys(Tissue, CallValue.LIVE)


def _agree(season: Season) -> None:
    """Compare the kept counts with a count anew, and with a walk over the buds."""
    with season.read() as conn:
        assert counts.wrong_samplings(conn) == []
        for one in overview.sampling_counts(conn):
            states = bud_states(conn, one.sampling_id, doubts=False)
            assert tally_of_counts(one) == tally_of(states)
            assert one.n_buds == len(states)
            assert one.n_photos == sum(row.n_cuts for row in states)
            assert one.n_twice == sum(bool(row.second_read_by) for row in states)


def test_counts_follow_every_kind_of_write(any_season: Season, fill: Fill) -> None:
    fill(any_season)
    _agree(any_season)
    with any_season.write() as conn:
        who = people.ensure_person(conn, "Maren Holt").id
        other = people.ensure_person(conn, "Ivo Lund").id
        (sampling,) = overview.sampling_counts(conn)[:1]
        cane = canes.list_canes(conn, sampling.sampling_id)[0].id
        buds = [canes.ensure_bud(conn, cane, node) for node in (51, 52, 53, 54)]
        batch = calls.save_calls(conn, buds[0], FULL, person_id=who)
        calls.save_calls(conn, buds[0], FULL, person_id=other, round="second")
        calls.save_calls(conn, buds[1], {Tissue.PRIMARY: CallValue.DEAD}, person_id=who)
        marks.set_mark(conn, buds[2], "node", "missing")
        calls.save_calls(conn, buds[2], FULL, person_id=who)
        shown = photos.add_photo(conn, sha256="ab" * 32, file_name="x.jpg", format="JPEG",
                                 n_bytes=9, width_px=700, height_px=700)
        photos.assign(conn, shown.id, buds[3], 1, source="page", person_id=who)
    _agree(any_season)
    with any_season.read() as conn:
        before = overview.sampling_counts(conn, [sampling.sampling_id])[0]
    assert (before.n_called, before.n_called_missing, before.last_node) == (1, 1, 54)
    with any_season.write() as conn:
        from budvision.store.queries import undoing

        undoing.undo(conn, batch, person_id=who)
        marks.set_mark(conn, buds[2], "node", "")
        photos.assign(conn, shown.id, None, 1, source="page", person_id=who)
    _agree(any_season)
    with any_season.read() as conn:
        after = overview.sampling_counts(conn, [sampling.sampling_id])[0]
    assert after.version > before.version
    assert (after.n_called, after.n_missing) == (1, before.n_missing - 1)
    assert after.n_photos == before.n_photos - 1


def test_what_is_rolled_back_is_not_counted(any_season: Season, fill: Fill) -> None:
    fill(any_season)
    try:
        with any_season.write() as conn:
            cane = canes.list_canes(conn, 1)[0].id
            canes.ensure_bud(conn, cane, 77)
            raise RuntimeError("the lights went out")
    except RuntimeError:
        pass
    _agree(any_season)


def test_a_changed_cane_makes_what_was_worked_out_stale(any_season: Season, fill: Fill) -> None:
    fill(any_season)
    with any_season.read() as conn:
        before = counts.versions(conn)
        cane = canes.list_canes(conn, 1)[0]
    with any_season.write() as conn:
        canes.update_cane(conn, cane.id, zone="foot of the slope")
    with any_season.read() as conn:
        assert counts.versions(conn) == before | {1: before[1] + 1}


def test_an_older_season_is_counted_when_it_is_opened(any_season: Season, fill: Fill) -> None:
    fill(any_season)
    with any_season.read() as conn:
        wanted = overview.sampling_counts(conn)
    with any_season.engine.connect() as conn, conn.begin():
        migrations.downgrade(conn, "0006")
    migrations.bring_up_to_date(any_season.engine, any_season.folder)
    _agree(any_season)
    with any_season.read() as conn:
        found = overview.sampling_counts(conn)
    assert [(one.sampling_id, one.n_buds, one.n_photos) for one in found] == [
        (one.sampling_id, one.n_buds, one.n_photos) for one in wanted]


def test_check_tells_of_wrong_counts_and_tidies_them(season: Season, fill: Fill) -> None:
    fill(season)
    season.engine.dispose()
    with closing(sqlite3.connect(season.folder / "budvision.db")) as plain, plain:
        plain.execute("UPDATE sampling_count SET n_called = n_called + 1 WHERE sampling_id = 1")
    assert [one.where for one in check(season).findings if one.code == "counts"] == ["1 sampling"]
    assert "counts" in [one.code for one in check(season, tidy=True).findings]
    assert "counts" not in [one.code for one in check(season).findings]
    _agree(season)


def test_postgresql_counts_by_no_exists_that_reads_every_proposal_of_the_season() -> None:
    """It hashes the whole table for an EXISTS in a column, 0.1 s at every save; not for a MAX."""
    asked = " ".join(str(counts._counts(some=True).compile(dialect=postgresql.dialect())).split())
    assert "FROM proposal" in asked
    assert not re.search(r"EXISTS \(SELECT [^()]* FROM proposal\b", asked)
