"""`budvision bud`: everything that was ever kept of one bud, for people and for scripts."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import NotFoundError
from budvision.store.queries import blocks, calls, canes, models, people, photos, proposals, undoing
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Proposal, Tissue, TissueProposal, Verdict

P, S = Tissue.PRIMARY, Tissue.SECONDARY


def _proposal(p_dead: float) -> Proposal:
    tissues = {tissue: TissueProposal(exposed=False) for tissue in Tissue}
    tissues[P] = TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=p_dead, area_px=900,
                                centre=(5.0, 5.0), why="brown", features={})
    return Proposal(file="cut.jpg", sha256="", width_px=800, height_px=600, found=True, reasons=(),
                    mm_per_px=None, model="try", tissues=tissues)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Keep a bud that was moved, looked at by two models, called, called again and taken back."""
    with Season.create(tmp_path / "winter") as season, season.write() as conn:
        block = blocks.ensure_block(conn, "Creek")
        visit = blocks.ensure_sampling(conn, block, "feb")
        cane = canes.ensure_cane(conn, visit, "3")
        wrong, right = (canes.ensure_bud(conn, cane, node) for node in (4, 5))
        ada, ivo = (people.ensure_person(conn, name).id for name in ("Ada Quill", "Ivo Lund"))
        photo = photos.add_photo(conn, sha256="ab" * 32, file_name="cut.jpg", format="JPEG",
                                 n_bytes=9, width_px=800, height_px=600).id
        photos.assign(conn, photo, wrong, 1, source="manifest")
        photos.assign(conn, photo, right, 1, source="page", person_id=ada, note="miscounted")
        for name, p_dead in (("try-1.0", 0.91), ("try-2.0", 0.64)):
            model = models.ensure_model(conn, name, name[-3] * 64, name)
            proposals.save_proposal(conn, photo, model, _proposal(p_dead))
        calls.save_calls(conn, right, {P: CallValue.DEAD, S: CallValue.LIVE}, person_id=ada)
        batch = calls.save_calls(conn, right, {P: CallValue.LIVE}, person_id=ivo)
        undoing.undo(conn, batch, person_id=ivo)
    return tmp_path / "winter"


def _run(folder: Path, *words: str) -> str:
    result = CliRunner().invoke(app, ["bud", *words, "--season", str(folder)])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.stdout


def test_nothing_that_was_kept_is_left_out(folder: Path) -> None:
    told = json.loads(_run(folder, "Creek", "3", "5", "--json"))
    assert (told["block"], told["sampling"], told["cane"], told["node"]) == ("Creek", "feb", "3", 5)
    (cut,) = told["cuts"]
    assert [(row["bud"], row["by"]) for row in cut["places"]] == [
        ("Creek, feb, cane 3, node 4", ""), ("Creek, feb, cane 3, node 5", "Ada Quill")]
    assert [(row["model"], row["tissues"]["primary"]["p_dead"]) for row in cut["proposals"]] == [
        ("try-1.0", 0.91), ("try-2.0", 0.64)]
    assert not cut["proposals"][0]["tissues"]["tertiary"]["exposed"]
    rows = [(row["tissue"], row["value"], row["person"], row["stands"]) for row in told["calls"]]
    assert rows[:3] == [("primary", "dead", "Ada Quill", False),
                        ("secondary", "live", "Ada Quill", True),
                        ("primary", "live", "Ivo Lund", False)]
    assert [row[:2] for row in rows if row[3]] == [("secondary", "live"), ("primary", "dead")]


def test_a_person_reads_it_in_lines(folder: Path) -> None:
    shown = _run(folder, "Creek", "3", "5")
    assert "try-2.0: primary dead (64 in 100), secondary not exposed" in shown
    assert "Creek, feb, cane 3, node 5, cut 1 (page by Ada Quill): miscounted" in shown
    assert len(re.findall(r"\d\d:\d\d UTC  ", shown)) == len(re.findall(r"\d\d:\d\d ", shown)) > 3
    assert "nobody has called it yet" in _run(folder, "Creek", "3", "4")


@pytest.mark.parametrize(("words", "where"), [
    (("Creek", "3", "9"), "Creek, feb: there is no bud at node 9 of cane 3"),
    (("Creek", "8", "1"), "Creek, feb: there is no bud at node 1 of cane 8"),
])
def test_a_bud_that_is_not_there(folder: Path, words: tuple[str, ...], where: str) -> None:
    with pytest.raises(NotFoundError, match=where):
        _run(folder, *words)
