"""Long work: one queue in the database, cancelled, interrupted, killed, begun again."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from functools import partial
from typing import Any

import pytest
from sqlalchemy import insert, text
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import BudvisionError, ConflictError, InputError, NotFoundError
from budvision.store.queries import jobs
from budvision.store.session import Season
from budvision.store.tables import job
from budvision.workflow.jobs import deeds, queue
from budvision.workflow.jobs.deeds import Deed, Outcome, Progress
from budvision.workflow.jobs.queue import Runner, cancel, current, pending, submit

Given = Mapping[str, Any]


@pytest.fixture
def deed(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Return a function that puts a deed in the place of `train`; the beat is quick."""
    monkeypatch.setattr(queue, "_BEAT_S", 0.01)

    def put(do: Any) -> None:
        monkeypatch.setattr(queue, "DEEDS", deeds.DEEDS | {"train": Deed("Testing", do)})

    return put


def _states(season: Season) -> list[tuple[str, str]]:
    with season.read() as conn:
        return [(row.state, row.text) for row in jobs.list_jobs(conn)]


def test_work_is_done_in_its_order_and_what_came_of_it_is_kept(
    any_season: Season, deed: Any
) -> None:
    seen: list[object] = []

    def do(season: Season, given: Given, tell: Progress) -> Outcome:
        seen.append(given["n"])
        return Outcome("It was learnt.", "own-1")

    deed(do)
    assert submit(any_season, "train", {"n": 7}, by="Maren Holt")
    assert submit(any_season, "train", {"n": 8}, by="Ivo Lund") is None, "two of one kind"
    assert submit(any_season, "check", by="Ivo Lund")
    assert [row.kind for row in pending(any_season)] == ["train", "check"]
    assert Runner(any_season).work() == 2
    assert seen == [7]
    first, second = _states(any_season)
    assert first == ("done", "It was learnt.")
    assert second[0] == "done"
    assert "The season is sound" in second[1]
    found = current(any_season)
    assert found is not None
    assert (found.kind, found.asked_by, found.open) == ("check", "Ivo Lund", False)


def test_what_came_of_work_is_told_in_the_language_it_was_asked_for_in(season: Season) -> None:
    assert submit(season, "check", {"language": "de"}, by="Ivo Lund")
    Runner(season).work()
    assert submit(season, "look-again", {"language": "no such"}, by="Ivo Lund")
    Runner(season).work()
    german, english = (text for _, text in _states(season))
    assert german == "0 Fotos und alle Zeilen wurden geprüft. Die Saison ist unversehrt."
    assert english.startswith("Every bud that waits shows what")


def test_errors_of_both_kinds_are_told(any_season: Season, deed: Any) -> None:
    told: list[Exception] = [BudvisionError("there is no photograph"), ValueError("a bug")]

    def do(season: Season, given: Given, tell: Progress) -> Outcome:
        raise told.pop(0)

    deed(do)
    for _ in range(2):
        submit(any_season, "train", by="Maren Holt")
        Runner(any_season).work()
    (one, two) = _states(any_season)
    assert one == ("failed", "there is no photograph.")
    assert two[0] == "failed"
    assert "logged as number" in two[1]


def test_running_work_is_cancelled_at_its_next_step(any_season: Season, deed: Any) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def do(season: Season, given: Given, tell: Progress) -> Outcome:
        tell("steps", 1, 1000)
        begun.set()
        for n in range(2, 1000):
            go_on.wait(0.02)
            tell("steps", n, 1000)
        return Outcome("It went on to its end.")

    deed(do)
    number = submit(any_season, "train", by="Maren Holt")
    assert number
    runner = Runner(any_season)
    runner.wake()
    assert begun.wait(20)
    assert cancel(any_season, number) == "stopping"
    _until(any_season, "cancelled")
    assert runner.stop() == []
    with pytest.raises(NotFoundError, match="no job number 99"):
        cancel(any_season, 99)
    waiting = submit(any_season, "check", by="Maren Holt")
    assert waiting
    assert cancel(any_season, waiting) == "cancelled"


def _until(season: Season, state: str) -> None:
    for _ in range(1000):
        if _states(season)[-1][0] == state:
            return
        threading.Event().wait(0.02)
    raise AssertionError(_states(season))


def test_what_the_end_of_the_server_interrupts_goes_on_at_the_next_start(
    any_season: Season, deed: Any
) -> None:
    begun = threading.Event()
    turns: list[int] = []

    def do(season: Season, given: Given, tell: Progress) -> Outcome:
        turns.append(1)
        while len(turns) == 1:
            tell("steps", 0, 0)
            begun.set()
            threading.Event().wait(0.01)
        return Outcome("Done in the second turn.")

    deed(do)
    submit(any_season, "train", by="Maren Holt")
    first = Runner(any_season)
    first.wake()
    assert begun.wait(20)
    assert [job.state for job in first.stop()] == ["waiting"]
    assert Runner(any_season).work() == 1
    assert _states(any_season) == [("done", "Done in the second turn.")]


def test_killed_work_is_begun_again_once_nobody_is_seen_at_it(
    any_season: Season, deed: Any
) -> None:
    deed(lambda *_: Outcome("Done by the next."))
    submit(any_season, "train", by="Maren Holt")
    with any_season.write() as conn:
        taken = jobs.take_job(conn, any_season.station, lost_after_s=90)
    assert taken is not None
    with any_season.write() as conn:
        assert jobs.take_job(conn, any_season.station, lost_after_s=90) is None
        conn.execute(text("UPDATE job SET seen_at = '2020-01-01T00:00:00.000Z'"))
    assert Runner(any_season).work() == 1
    assert _states(any_season) == [("done", "Done by the next.")]
    with pytest.raises(ConflictError, match="has ended already"):
        cancel(any_season, taken.id)


def _put(season: Season, *, kind: str = "train", asked: str = "{}", state: str = "waiting",
         station: str | None = None) -> None:
    """Write a job past the program."""
    moment = "2026-01-01T00:00:00.000Z"
    with season.write() as conn:
        conn.execute(insert(job).values(
            kind=kind, asked=asked, asked_by="somebody", station=station or season.station,
            state=state, what="", n_done=0, n_total=0, text="", model="", added_at=moment,
            changed_at=moment, seen_at=moment))


@pytest.mark.parametrize(("kind", "asked", "told"), [
    ("backup", "no JSON", "the folder is '.'"), ("backup", "[1, 2]", "the folder is '.'"),
    ("backup", "null", "the folder is '.'"), ("backup", '{"language": [7]}', "the folder is '.'"),
    ("intake", "{}", "the tray is ''"), ("intake", '{"person_id": "x"}', "the tray is ''"),
    ("intake", '{"person_id": 1, "person": "x", "tray": "../../.."}', "the tray is '../../..'"),
    ("intake", '{"person_id": ".*", "tray": "0-000000000000"}', "the tray is '0-0000"),
    ("dance", "{}", "the job is 'dance'"),
])
def test_what_was_written_into_the_queue_past_the_program_is_refused(
    season: Season, kind: str, asked: str, told: str
) -> None:
    """Each failed as a mistake of ours, made every page an error or stopped the queue for good."""
    _put(season, kind=kind, asked=asked)
    submit(season, "check", by="Maren Holt")
    assert [row.kind for row in pending(season)] == [kind, "check"]
    assert Runner(season).work() == 2
    first, second = _states(season)
    assert first[0] == "failed"
    assert told in first[1]
    assert second[0] == "done"


def test_work_that_waits_is_shown_however_much_was_done_since(any_season: Season) -> None:
    """A station that is gone holds its kind up: hidden, nobody could cancel what holds it."""
    _put(any_season, station="elsewhere:/srv/winter")
    for _ in range(60):
        _put(any_season, kind="check", state="done")
    assert submit(any_season, "train", by="Maren Holt") is None
    [held] = pending(any_season)
    assert cancel(any_season, held.id) == "cancelled"
    assert submit(any_season, "train", by="Maren Holt")


def test_another_station_does_not_do_what_was_asked_for_here(any_season: Season) -> None:
    submit(any_season, "check", by="Maren Holt")
    with any_season.write() as conn:
        assert jobs.take_job(conn, "elsewhere:/srv/winter", lost_after_s=90) is None
    with pytest.raises(InputError, match="expected one of train"):
        submit(any_season, "dance", by="Maren Holt")


def test_work_that_failed_ends_the_command_otherwise_than_work_that_was_done(
    season: Season, deed: Any
) -> None:
    """A nightly backup that failed ended with exit code 0: "1 job was worked on"."""
    def do(season: Season, given: Given, tell: Progress) -> Outcome:
        raise InputError("the disk is not there")

    deed(do)
    assert submit(season, "check", by="Ivo Lund")
    run = partial(CliRunner().invoke, app, ["jobs", "run", "--season", str(season.folder)])
    done = run()
    assert (done.exit_code, "Failed" in done.stderr) == (0, False)
    assert submit(season, "train", by="Ivo Lund")
    assert submit(season, "check", by="Ivo Lund")
    done = run()
    assert done.exit_code == 3
    assert "2 jobs were worked on" in done.stderr
    assert "Failed: job 2." in done.stderr
    assert [state for state, _ in _states(season)] == ["done", "failed", "done"]
