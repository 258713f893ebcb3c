"""Whatever is proposed, called, sent twice, undone, read again, imported or settled, in any order:
results depend on the current calls alone, and no row ever disappears or changes.

The machine drives the one door, `save` and `save_table`; a second one the same door over HTTP.
"""

from __future__ import annotations

import re
import shutil
import tempfile
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from sqlalchemy import text

from budvision.errors import ConflictError, InputError
from budvision.store.queries import blocks, calls, canes, models, people, photos, proposals
from budvision.store.queries.calls import NewCall
from budvision.store.queries.people import Person
from budvision.store.session import Season
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vocabulary import (
    TISSUES,
    BudCalls,
    CallValue,
    Proposal,
    Tissue,
    TissueProposal,
    Verdict,
)
from budvision.web import create_app
from budvision.web.current import SEASON_KEY
from budvision.workflow.answers.results import results
from budvision.workflow.answers.tally import results_as_dict
from budvision.workflow.review.readings import is_blind
from budvision.workflow.review.save import Saved, save, save_table, undo

PEOPLE = ("Maren Holt", "Ivo Lund", "Sanna Ek")
TABLES = ("call", "proposal", "proposal_tissue", "photo", "assignment", "region", "mark")
BUDS = {1: ("1", 1), 2: ("1", 2), 3: ("2", 1)}

some_calls = st.dictionaries(st.sampled_from(TISSUES), st.sampled_from(CallValue), min_size=1)
some_bud = st.sampled_from(sorted(BUDS))
somebody = st.sampled_from(PEOPLE)


@dataclass
class _Entry:
    """One row of the model: a value (None: taken back), its batch, and the entry it replaced."""

    batch: str
    value: CallValue | None
    person: str
    before: _Entry | None


_template: list[Path] = []


def _season(folder: Path) -> Season:
    """Make a season with three buds; the database is made once and copied."""
    if not _template or not _template[0].exists():
        made = Path(tempfile.mkdtemp()) / "season"
        with Season.create(made) as season:
            config = made / "budvision.toml"
            config.write_text(config.read_text().replace(
                "[settings]\n", "[settings]\nblind_share = 0.5\ntrial_buds = 0\n", 1))
        with Season.open(made) as season, season.write() as conn:
            sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
            for name in PEOPLE:
                people.ensure_person(conn, name)
            models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0")
            for number, (cane, node) in BUDS.items():
                bud = canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, cane), node)
                assert bud == number
                photo = photos.add_photo(
                    conn, sha256=str(number) * 64, file_name=f"{number}.jpg", format="JPEG",
                    n_bytes=1, width_px=700, height_px=700)
                photos.assign(conn, photo.id, bud, 1, source="manifest")
        _template[:] = [made]
    shutil.copytree(_template[0], folder)
    return Season.open(folder)


class Calls(RuleBasedStateMachine):
    """A season beside a plain-Python model of what must stand."""

    def __init__(self) -> None:
        super().__init__()
        self.home = Path(tempfile.mkdtemp())
        self.season = _season(self.home / "season")
        self.chains: dict[tuple[int, Tissue, str, str], list[_Entry]] = {}
        self.batches: list[tuple[str, str]] = []  # with who wrote it
        self.rows: dict[str, list[tuple[Any, ...]]] = {name: [] for name in TABLES}
        with self.season.read() as conn:
            self.people = {row.name: row for row in people.list_people(conn)}
            sampling = blocks.list_samplings(conn)[0]
        self.blind = {bud for bud, (cane, node) in BUDS.items()
                      if is_blind(0.5, sampling, cane, "", node)}

    def teardown(self) -> None:
        self.season.close()
        shutil.rmtree(self.home)

    # ---- the doors, which the machine over HTTP replaces

    def keep(
        self, bud: int, said: dict[Tissue, CallValue], person: Person, reading: str,
        seen: int | None, batch: str | None,
    ) -> Saved:
        return save(self.season, bud, {t: NewCall(v) for t, v in said.items()}, person=person,
                    reading=reading, seen=seen, batch=batch)

    def back(self, batch: str, person: Person) -> str:
        """Take a batch back; return the batch of the rows that do so."""
        return undo(self.season, batch, person=person).batch

    # ---- the model

    def _chain(self, bud: int, tissue: Tissue, round: str, person: str) -> list[_Entry]:
        who = person if round == "second" else ""
        return self.chains.setdefault((bud, tissue, round, who), [])

    def _top(self, bud: int, tissue: Tissue, round: str) -> _Entry | None:
        chain = self._chain(bud, tissue, round, "")
        return chain[-1] if chain and chain[-1].value is not None else None

    def _push(self, bud: int, said: dict[Tissue, CallValue], person: str, batch: str,
              rounds: dict[Tissue, str]) -> None:
        self.batches.append((batch, person))
        for tissue, value in said.items():
            chain = self._chain(bud, tissue, rounds[tissue], person)
            chain.append(_Entry(batch, value, person, chain[-1] if chain else None))

    def _overtaken(self, bud: int, tissue: Tissue, person: str) -> bool:
        top = self._top(bud, tissue, "first")
        return top is not None and top.person != person

    def _n_first(self, bud: int) -> int:
        return sum(len(self._chain(bud, tissue, "first", "")) for tissue in TISSUES)

    # ---- what people do

    @rule(bud=some_bud, said=some_calls, person=somebody, stale=st.booleans(),
          twice=st.booleans())
    def call(self, bud: int, said: dict[Tissue, CallValue], person: str, stale: bool,
             twice: bool) -> None:
        who = self.people[person]
        rounds = {tissue: "second" if stale and self._overtaken(bud, tissue, person) else "first"
                  for tissue in said}
        unseen = "second" in rounds.values()
        hidden = bud in self.blind and (unseen or not self._n_first(bud))
        seen = 0 if stale else None
        if hidden and len(said) < 3:
            with pytest.raises(InputError, match="is not called"):
                self.keep(bud, said, who, "first", seen, None)
            return
        batch = uuid.uuid4().hex
        done = self.keep(bud, said, who, "first", seen, batch)
        assert done.round == ("second" if unseen else "first")
        self._push(bud, said, person, batch, rounds)
        if twice:
            assert self.keep(bud, said, who, "first", seen, batch) == done

    @rule(bud=some_bud, values=st.lists(st.sampled_from(CallValue), min_size=3, max_size=3),
          person=somebody)
    def second_read(self, bud: int, values: list[CallValue], person: str) -> None:
        said = dict(zip(TISSUES, values, strict=True))
        tops = {round: [self._top(bud, tissue, round) for tissue in TISSUES]
                for round in ("first", "settled")}
        own = any(top is not None and top.person == person
                  for each in tops.values() for top in each)
        if not any(tops["first"]):
            with pytest.raises(ConflictError, match="nobody has called this bud yet"):
                self.keep(bud, said, self.people[person], "second", None, None)
        elif own:
            with pytest.raises(ConflictError, match="another person as second reader"):
                self.keep(bud, said, self.people[person], "second", None, None)
        else:
            done = self.keep(bud, said, self.people[person], "second", None, None)
            self._push(bud, said, person, done.batch, dict.fromkeys(said, "second"))

    @rule(bud=some_bud, said=some_calls, person=somebody)
    def settle(self, bud: int, said: dict[Tissue, CallValue], person: str) -> None:
        if all(self._top(bud, tissue, "first") for tissue in said):
            done = self.keep(bud, said, self.people[person], "settle", None, None)
            self._push(bud, said, person, done.batch, dict.fromkeys(said, "settled"))
        else:
            with pytest.raises(ConflictError, match="nobody has called"):
                self.keep(bud, said, self.people[person], "settle", None, None)

    @rule(said=st.dictionaries(some_bud, some_calls, min_size=1), person=somebody)
    def bring_a_table(self, said: dict[int, dict[Tissue, CallValue]], person: str) -> None:
        table = [
            (bud, BudCalls(block="Creek", cane=BUDS[bud][0], node=BUDS[bud][1],
                           **{t.value: v for t, v in calls.items()}))
            for bud, calls in said.items()
        ]
        with self.season.write() as conn:
            done = save_table(conn, table, person=self.people[person])
        n_new = 0
        for bud, calls_ in said.items():
            rounds = {tissue: "second" if self._overtaken(bud, tissue, person) else "first"
                      for tissue in calls_}
            fresh = {}
            for tissue, value in calls_.items():
                chain = self._chain(bud, tissue, rounds[tissue], person)
                if not chain or (chain[-1].value, chain[-1].person) != (value, person):
                    fresh[tissue] = value
            n_new += len(fresh)
            self._push(bud, fresh, person, done.batch, rounds)
        assert done.n_calls == n_new

    @precondition(lambda self: self.batches)
    @rule(data=st.data(), person=somebody)
    def take_back(self, data: st.DataObject, person: str) -> None:
        batch, writer = data.draw(st.sampled_from(self.batches))
        hit = [(key, chain) for key, chain in self.chains.items()
               if chain and chain[-1].batch == batch]
        if not batch:
            return
        if writer != person:
            with pytest.raises(ConflictError, match="expected your own calls"):
                self.back(batch, self.people[person])
            return
        if not hit:
            with pytest.raises(ConflictError, match="replaced since"):
                self.back(batch, self.people[person])
            return
        new = self.back(batch, self.people[person])
        self.batches.append((new, person))
        for _, chain in hit:
            before = chain[-1].before
            stands = before is not None and before.value is not None
            chain.append(_Entry(new, before.value if before else None,
                                before.person if before and stands else person, chain[-1]))

    @rule(bud=some_bud, verdict=st.sampled_from(Verdict), p_dead=st.floats(0, 1))
    def propose(self, bud: int, verdict: Verdict, p_dead: float) -> None:
        before = results(self.season)
        said = Proposal(file=f"{bud}.jpg", sha256=str(bud) * 64, width_px=700, height_px=700,
                        found=True, reasons=(), mm_per_px=None, model="bench-1.0",
                        tissues={t: TissueProposal(exposed=True, verdict=verdict,
                                                   p_dead=p_dead, area_px=9,
                                                   centre=(1.0, 1.0), why="why")
                         for t in TISSUES})
        with self.season.write() as conn:
            proposals.save_proposal(conn, bud, 1, said)
        assert results(self.season) == before

    def _expected(self) -> list[BudCalls]:
        told = []
        for bud, (cane, node) in BUDS.items():
            values = {}
            for tissue in TISSUES:
                for round in ("settled", "first"):
                    chain = self._chain(bud, tissue, round, "")
                    if chain and chain[-1].value is not None:
                        values[tissue.value] = chain[-1].value
                        break
            if values:
                told.append(BudCalls(block="Creek", cane=cane, node=node, **values))
        return told

    @invariant()
    def only_current_calls_count(self) -> None:
        expected = self._expected()
        with self.season.read() as conn:
            assert calls.current_calls(conn) == expected
        found = results(self.season)["blocks"]
        assert isinstance(found, list)
        waiting = found[0].pop("waiting")
        found[0].pop("corrected", None)  # of second readings, which never count
        assert found[0].pop("sampling") == "feb"
        assert found[0].pop("confirmed") == bool(expected)
        assert waiting["n_tissues"] == 9 - sum(
            bud.call(tissue) is not None for bud in expected for tissue in TISSUES)
        if expected:
            answer = summarise_table(BudTable.from_calls(expected))
            assert found == results_as_dict(answer)["blocks"]
        else:
            assert found[0]["n_buds"] == 0

    @invariant()
    def no_row_disappears_or_changes(self) -> None:
        with self.season.read() as conn:
            for table in TABLES:
                rows = [tuple(row) for row in
                        conn.execute(text(f'SELECT * FROM "{table}" ORDER BY id'))]
                assert rows[:len(self.rows[table])] == self.rows[table]
                self.rows[table] = rows


Calls.TestCase.settings = settings(max_examples=8, stateful_step_count=16, deadline=None)


class TestCalls(Calls.TestCase):  # type: ignore[misc]
    """Run the machine."""


class CallsOverHttp(Calls):
    """The same people at the pages: what they send goes through the routes."""

    def __init__(self) -> None:
        super().__init__()
        app = create_app(self.season.folder, testing=True)
        self.served: Season = app.extensions[SEASON_KEY]
        self.clients: dict[str, tuple[FlaskClient, str]] = {}
        for name in PEOPLE:
            client = app.test_client()
            found = re.search(r'csrf-token" content="([^"]+)"', client.get("/me").text)
            assert found is not None
            client.post("/me", data={"csrf_token": found[1], "name": name, "next": "/review"})
            found = re.search(r'csrf-token" content="([^"]+)"', client.get("/me").text)
            assert found is not None
            self.clients[name] = (client, found[1])

    def teardown(self) -> None:
        self.served.close()
        super().teardown()

    def _post(self, person: Person, path: str, body: dict[str, Any]) -> dict[str, Any]:
        client, token = self.clients[person.name]
        answer = client.post(path, json=body, headers={"X-CSRFToken": token})
        told: dict[str, Any] = answer.get_json()
        if told["ok"]:
            return told
        kind = ConflictError if answer.status_code == 409 else InputError
        raise kind(told["what"], expected=told["expected"], do=told["do"], where=told["where"])

    def keep(
        self, bud: int, said: dict[Tissue, CallValue], person: Person, reading: str,
        seen: int | None, batch: str | None,
    ) -> Saved:
        told = self._post(person, f"/review/bud/{bud}/calls?reading={reading}", {
            "calls": {tissue.value: {"value": value.value} for tissue, value in said.items()},
            "seen": seen, "batch": batch,
        })
        return Saved(told["batch"], told["round"], told["message"], tuple(told["revealed"]))

    def back(self, batch: str, person: Person) -> str:
        self._post(person, "/review/undo", {"batch": batch})
        with self.season.read() as conn:
            last = conn.execute(text("SELECT batch FROM call ORDER BY id DESC LIMIT 1")).scalar()
        return str(last)


CallsOverHttp.TestCase.settings = settings(
    max_examples=4, stateful_step_count=12, deadline=None)


class TestCallsOverHttp(CallsOverHttp.TestCase):  # type: ignore[misc]
    """Run the machine over HTTP."""
