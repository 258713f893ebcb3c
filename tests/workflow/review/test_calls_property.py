"""Whatever is proposed, called, undone, read again or settled, in any order:
results depend on the current calls alone, and no row ever disappears or changes."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from sqlalchemy import text

from budvision.errors import ConflictError
from budvision.store.queries import blocks, calls, canes, models, people, photos, proposals
from budvision.store.session import Season
from budvision.vocabulary import (
    TISSUES,
    BudCalls,
    CallValue,
    Proposal,
    Tissue,
    TissueProposal,
    Verdict,
)
from budvision.workflow.answers.results import results
from budvision.workflow.answers.tally import results_json
from budvision.workflow.review.confirm import confirm, undo

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
    before: _Entry | None


_template: list[Path] = []


def _season(folder: Path) -> Season:
    """Make a season with three buds; the database is made once and copied."""
    if not _template or not _template[0].exists():
        made = Path(tempfile.mkdtemp()) / "season"
        with Season.create(made) as season, season.write() as conn:
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
        self.batches: list[str] = []
        self.rows: dict[str, list[tuple[Any, ...]]] = {name: [] for name in TABLES}

    def teardown(self) -> None:
        self.season.close()
        shutil.rmtree(self.home)

    def _chain(self, bud: int, tissue: Tissue, round: str, person: str) -> list[_Entry]:
        who = person if round == "second" else ""
        return self.chains.setdefault((bud, tissue, round, who), [])

    def _save(self, bud: int, said: dict[Tissue, CallValue], person: str, round: str) -> None:
        done = confirm(self.season, bud, said, person=person, round=round)
        self.batches.append(done.batch)
        for tissue, value in said.items():
            chain = self._chain(bud, tissue, round, person)
            chain.append(_Entry(done.batch, value, chain[-1] if chain else None))

    @rule(bud=some_bud, said=some_calls, person=somebody)
    def call(self, bud: int, said: dict[Tissue, CallValue], person: str) -> None:
        self._save(bud, said, person, "first")

    @rule(bud=some_bud, said=some_calls, person=somebody)
    def second_read(self, bud: int, said: dict[Tissue, CallValue], person: str) -> None:
        with self.season.read() as conn:
            own = any(
                row is not None and row.person == person and row.value is not None
                for row in (calls.newest_row(conn, bud, tissue, "first") for tissue in said))
        if own:
            with pytest.raises(ConflictError, match="another person than the first reader"):
                confirm(self.season, bud, said, person=person, round="second")
        else:
            self._save(bud, said, person, "second")

    @rule(bud=some_bud, said=some_calls, person=somebody)
    def settle(self, bud: int, said: dict[Tissue, CallValue], person: str) -> None:
        standing = [chain[-1].value for tissue in said
                    if (chain := self._chain(bud, tissue, "first", ""))]
        if len(standing) == len(said) and None not in standing:
            self._save(bud, said, person, "settled")
        else:
            with pytest.raises(ConflictError, match="nobody has called"):
                confirm(self.season, bud, said, person=person, round="settled")

    @precondition(lambda self: self.batches)
    @rule(data=st.data(), person=somebody)
    def take_back(self, data: st.DataObject, person: str) -> None:
        batch = data.draw(st.sampled_from(self.batches))
        hit = [chain for chain in self.chains.values() if chain and chain[-1].batch == batch]
        if not hit:
            with pytest.raises(ConflictError, match="replaced since"):
                undo(self.season, batch, person=person)
            return
        done = undo(self.season, batch, person=person)
        self.batches.append(done.batch)
        for chain in hit:
            before = chain[-1].before
            chain.append(_Entry(done.batch, None if before is None else before.value, chain[-1]))

    @rule(bud=some_bud, verdict=st.sampled_from(Verdict), p_dead=st.floats(0, 1))
    def propose(self, bud: int, verdict: Verdict, p_dead: float) -> None:
        before = results(self.season)
        said = Proposal(f"{bud}.jpg", str(bud) * 64, 700, 700, True, (), None, "bench-1.0",
                        {t: TissueProposal(True, verdict, p_dead, 9, (1.0, 1.0), "why")
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
                told.append(BudCalls("Creek", cane, node, **values))
        return told

    @invariant()
    def only_current_calls_count(self) -> None:
        expected = self._expected()
        with self.season.read() as conn:
            assert calls.current_calls(conn) == expected
        found = results(self.season)["blocks"]
        assert isinstance(found, list)
        waiting = found[0].pop("waiting")
        assert found[0].pop("sampling") == "feb"
        assert found[0].pop("confirmed") == bool(expected)
        assert waiting["n_tissues"] == 9 - sum(
            bud.call(tissue) is not None for bud in expected for tissue in TISSUES)
        if expected:
            assert found == results_json(expected)["blocks"]
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
