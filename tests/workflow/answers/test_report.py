"""Paper of a season: from confirmed calls and kept photographs to files on the disk."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.errors import NotFoundError, NothingToDoError, StorageError
from budvision.report.examples import example_jpeg
from budvision.store.queries import blocks, calls, canes, people, photos, proposals
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Cause
from budvision.workflow.answers.answers import answer_of
from budvision.workflow.answers.report import (
    appendix,
    grower_sheet,
    program_summary,
    write_all,
    write_pdf,
)
from budvision.workflow.answers.sheet_facts import block_facts

L, D, U = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE


def picture(shade: int) -> bytes:
    image = np.full((600, 800, 3), shade, np.uint8)
    cv2.circle(image, (400, 300), 180, (60, 120, 80), -1)
    return cv2.imencode(".png", image)[1].tobytes()


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = Season.create(tmp_path / "winter")
    labels = np.zeros((64, 64), np.uint8)
    cv2.circle(labels, (32, 32), 12, 1, -1)
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Kettle / Bench", cultivar="Riesling")
        blocks.ensure_block(conn, "Never sampled")
        sampling = blocks.ensure_sampling(conn, block, "first", collected_at="2026-01-20T08:00:00Z")
        ada = people.ensure_person(conn, "Ada Quill").id
        bram = people.ensure_person(conn, "Bram Vetch").id
        for number in range(1, 5):
            cane = canes.ensure_cane(conn, sampling, str(number), vine=f"v{number}")
            for node in (1, 2, 3):
                bud = canes.ensure_bud(conn, cane, node)
                added = season.photos.add(picture(20 * number + node))
                photo = photos.add_photo(
                    conn, sha256=added.sha256, file_name=f"c{number}n{node}.png", format="PNG",
                    n_bytes=1, width_px=800, height_px=600)
                photos.assign(conn, photo.id, bud, 1, source="manifest")
                proposals.save_region(conn, photo.id, labels, (0, 100, 600, 700), person_id=ada)
                if (number, node) == (4, 3):
                    continue
                first = D if node == 1 else L
                called = {TISSUES[0]: first, TISSUES[1]: L, TISSUES[2]: U if node == 2 else L}
                if (number, node) == (1, 1):
                    called[TISSUES[0]] = calls.NewCall(D, cause=Cause.MITES, note="bubbly scars")
                calls.save_calls(conn, bud, called, person_id=ada if number < 4 else bram)
    yield season
    season.close()


def test_facts_come_from_confirmed_calls_only(season: Season) -> None:
    facts = block_facts(season, answer_of(season, "Kettle / Bench"))
    assert (facts.tissues[0].n_live, facts.tissues[0].n_dead) == (7, 4)
    assert facts.waiting == ("cane 4 node 3",)
    assert facts.n_unseen == 0
    assert facts.unsure == tuple(f"cane {n} node 2" for n in range(1, 5))
    assert [(r.name, r.n_buds) for r in facts.readers] == [("Ada Quill", 9), ("Bram Vetch", 2)]
    assert facts.causes == ("1 dead tissue is put down to mites, not to cold.",)
    assert facts.n_photos == 12
    assert len(facts.appendix) == 12
    assert facts.appendix[-1].primary == "waiting"
    assert "bubbly scars" in facts.appendix[0].note


def test_nodes_are_laid_out_for_the_training_system(season: Season) -> None:
    """Canes of ten nodes, as in five 10-bud canes for 50 (West Virginia Agriculture, p. 14)."""
    with season.write() as conn:
        block = blocks.get_block(conn, "Kettle / Bench").id
        blocks.update_block(conn, block, training_system="canes", normal_nodes=25.0,
                            policy="exact-20-to-50")
    facts = block_facts(season, answer_of(season, "Kettle / Bench"))
    retain = facts.rules[0].retain
    assert retain == 39  # 25 / (7 / 11), 4 of 11 dead
    assert facts.arrangement == "39 nodes are about 4 canes of 10 nodes, which make 40."


def test_example_photographs_show_dead_and_live_of_several_canes(season: Season) -> None:
    facts = block_facts(season, answer_of(season, "Kettle / Bench"))
    photos_ = facts.photos
    (few,) = facts.warnings
    assert "4 vines only" in few
    assert 4 <= len(photos_) <= 8
    words = " ".join(photo.caption for photo in photos_)
    assert "P dead" in words
    assert "P live" in words
    assert len({photo.caption.split(" node")[0] for photo in photos_}) >= 3
    assert not any("cane 4 node 3" in photo.caption for photo in photos_)


def test_a_lost_photograph_is_said_and_the_sheet_still_comes(season: Season) -> None:
    for path in (season.folder / "photos").rglob("*.png"):
        path.unlink()
    facts = block_facts(season, answer_of(season, "Kettle / Bench"))
    assert facts.photos == ()
    assert any("could not be shown" in text for text in facts.warnings)
    assert grower_sheet(season, "Kettle / Bench").startswith(b"%PDF")


def test_outlines_are_drawn_where_the_tissue_is() -> None:
    image = np.full((200, 200, 3), 128, np.uint8)
    labels = np.zeros((50, 50), np.uint8)
    labels[10:40, 10:40] = 1
    plain, outlined = (
        cv2.imdecode(np.frombuffer(example_jpeg(image, told, side_px=200), np.uint8), 0)
        for told in (None, labels)
    )
    changed = np.abs(outlined.astype(int) - plain) > 60
    assert changed[40, 60:140].mean() > 0.9
    assert changed[60:80, 60:140].mean() < 0.05
    assert plain.shape == (200, 200)


def test_a_box_reaching_outside_the_photograph_is_kept_square() -> None:
    image = np.full((100, 100, 3), 90, np.uint8)
    shown = cv2.imdecode(
        np.frombuffer(example_jpeg(image, None, (-50, -50, 150, 150), side_px=80), np.uint8), 1)
    assert shown.shape == (80, 80, 3)
    assert abs(int(shown.mean()) - 90) <= 2


@pytest.mark.slow
def test_every_page_is_written_under_a_safe_name(season: Season, tmp_path: Path) -> None:
    seen = []
    written = write_all(season, tmp_path / "out", progress=lambda n, of: seen.append((n, of)))
    assert [path.name for path in written] == [
        "program summary.pdf", "Kettle - Bench - sheet.pdf", "Kettle - Bench - every bud.pdf"]
    assert all(path.read_bytes().startswith(b"%PDF") for path in written)
    assert seen == [(1, 1)]
    assert not list((tmp_path / "out").glob("*.part"))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) missing")
def test_paper_and_units_follow_the_seasons_settings(season: Season, tmp_path: Path) -> None:
    config = season.folder / "budvision.toml"
    config.write_text('[settings]\nunits = "us"\npaper = "us-letter"\n', encoding="utf-8")
    with Season.open(season.folder) as opened:
        (tmp_path / "a.pdf").write_bytes(grower_sheet(opened, "Kettle / Bench"))
    told = subprocess.run(["pdftotext", tmp_path / "a.pdf", "-"], capture_output=True, text=True,
                          check=True).stdout
    assert "January 20, 2026" in told
    assert b"612 792" in (tmp_path / "a.pdf").read_bytes()


def test_what_is_not_there_is_said(season: Season, tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="No such"):
        grower_sheet(season, "No such")
    with pytest.raises(NothingToDoError, match="no bud"):
        appendix(season, "Never sampled")
    with Season.create(tmp_path / "empty") as empty:
        with pytest.raises(NothingToDoError, match="no block"):
            program_summary(empty)
        with pytest.raises(NothingToDoError, match="no block was sampled"):
            write_all(empty, tmp_path / "out")


def test_a_target_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="could not be written"):
        write_pdf(tmp_path / "file" / "sheet.pdf", b"%PDF")
