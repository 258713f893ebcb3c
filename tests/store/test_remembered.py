"""What was worked out of rows is worked out once, and a program that starts finds it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sqlalchemy import delete, event, select

from budvision.store.queries import calls, people
from budvision.store.queries.review import set_bookmark
from budvision.store.remembered import Form, Remembered, remembered
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.web import create_app

Fill = Callable[[Season], None]
FORM: Form[int] = Form(put=int, take=int)


def test_many_who_ask_at_once_have_it_worked_out_once() -> None:
    kept, asked, got = Remembered(), [], []

    def work_out(keys: list[int]) -> dict[int, int]:
        asked.append(keys)
        time.sleep(0.05)
        return {key: 10 * key for key in keys}

    threads = [threading.Thread(target=lambda: got.append(
        kept.each("tens", {1: "a", 2: "a"}, work_out))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert asked == [[1, 2]]
    assert got == [{1: 10, 2: 20}] * 8


def test_nobody_waits_for_another_thing_than_his_own() -> None:
    kept, begun, let_go = Remembered(), threading.Event(), threading.Event()

    def slow(keys: list[int]) -> dict[int, int]:
        begun.set()
        assert let_go.wait(20)
        return dict.fromkeys(keys, 1)

    with ThreadPoolExecutor() as pool:
        first = pool.submit(kept.each, "states", {1: "a"}, slow)
        assert begun.wait(20)
        second = pool.submit(kept.each, "states", {2: "a"}, lambda keys: dict.fromkeys(keys, 2))
        try:
            assert second.result(10) == {2: 2}
        finally:
            let_go.set()
        assert first.result(20) == {1: 1}


def test_of_many_values_the_newest_are_kept() -> None:
    kept, asked = Remembered(), []

    def work_out(keys: list[int]) -> dict[int, int]:
        asked.extend(keys)
        return {key: 10 * key for key in keys}

    for key in (1, 2, 3, 3, 1):
        assert kept.each("tens", {key: "a"}, work_out, most=2) == {key: 10 * key}
    assert asked == [1, 2, 3, 1], "the first had to make room"


def test_another_program_finds_it_and_works_out_only_what_changed(any_season: Season) -> None:
    asked: list[list[int]] = []

    def work_out(keys: list[int]) -> dict[int, int]:
        asked.append(keys)
        return {key: 10 * key for key in keys}

    def ask(kept: Remembered, *states: int, share: float = 0.3) -> dict[int, int]:
        with any_season.read() as conn:
            return kept.each(("tens", share), dict(enumerate(states)), work_out, conn=conn,
                             form=FORM)

    assert ask(any_season.remembered, 1, 1, 1) == {0: 0, 1: 10, 2: 20}
    with any_season.write():
        pass  # no call waits for it
    with any_season.read() as conn:
        assert conn.execute(select(remembered)).all() == []
    with any_season.write(of_the_moment=True):
        pass  # along with any lease
    with any_season.read() as conn:
        assert len(conn.execute(select(remembered)).all()) == 3
    asked.clear()
    assert ask(Remembered(), 1, 2, 1) == {0: 0, 1: 10, 2: 20}
    assert asked == [[1]], "only the one whose state is another"
    asked.clear()
    ask(Remembered(), 1, 1, 1, share=0.4)
    assert asked == [[0, 1, 2]], "under another setting nothing of it is true"


def test_what_was_rolled_back_is_written_with_the_next_write(any_season: Season) -> None:
    with any_season.read() as conn:
        any_season.remembered.each("tens", {7: 1}, lambda keys: dict.fromkeys(keys, 70),
                                   conn=conn, form=FORM)
    try:
        with any_season.write(of_the_moment=True):
            raise RuntimeError("the lights went out")
    except RuntimeError:
        pass
    with any_season.write(of_the_moment=True):
        pass
    with any_season.read() as conn:
        assert [row.value for row in conn.execute(select(remembered))] == ["70"]


def _per_bud_queries(season: Season, folder: Path) -> dict[str, int]:
    """Ask a newly started server for its first pages; return the queries of calls by page."""
    season.close()
    app = create_app(folder, testing=True)
    app.config["WTF_CSRF_ENABLED"] = False
    opened: Season = app.extensions["budvision.season"]
    client = app.test_client()
    client.post("/me", data={"name": "Bo Arden"})
    found: dict[str, int] = {}
    page = ""

    @event.listens_for(opened.engine, "before_cursor_execute")
    def _count(_conn: object, _cursor: object, statement: str, *_: object) -> None:
        if "FROM call" in statement or "JOIN call" in statement:
            found[page] = found.get(page, 0) + 1

    for page in ("/review", "/models/"):
        found[page] = 0
        assert client.get(page).status_code == 200
    with opened.write(of_the_moment=True) as conn:  # as a bud that is opened
        set_bookmark(conn, 1, "anything", {})
    opened.close()
    return found


def test_a_server_that_starts_again_walks_over_nothing(season: Season, fill: Fill) -> None:
    fill(season)
    first = _per_bud_queries(season, season.folder)
    again = _per_bud_queries(season, season.folder)
    assert again["/review"] < first["/review"]
    assert again["/review"] == 1, "the calls of the one sampling whose light is on trial"
    assert again["/models/"] < first["/models/"]
    with Season.open(season.folder) as opened, opened.write() as conn:
        calls.save_calls(conn, 1, {Tissue.PRIMARY: CallValue.LIVE},
                         person_id=people.ensure_person(conn, "Ivo Lund").id)
    after = _per_bud_queries(season, season.folder)
    assert after["/review"] > 1, "what was written to since is looked at"
    with Season.open(season.folder) as opened, opened.write() as conn:
        conn.execute(delete(remembered))
    assert _per_bud_queries(season, season.folder) == first, "it may be emptied at any time"
