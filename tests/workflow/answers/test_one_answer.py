"""One answer, told on page, sheet, command line, CSV and workbook: every number and word alike."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import openpyxl
import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.report.answer import AnswerWords, answer_words
from budvision.report.sheet import sheet_figure
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue
from budvision.web import create_app
from budvision.workflow.answers.answers import answer_of
from budvision.workflow.answers.report import grower_sheet
from budvision.workflow.answers.sheet_facts import line_facts
from budvision.workflow.answers.tables import results_csv, results_xlsx

L, D, U = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE
DEAD_ON_EACH = (3, 4, 2, 5, 3, 4, 4, 3, 4, 3)  # 35 of 100


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = Season.create(tmp_path / "winter")
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Harrow Slope", cultivar="Ostrel")
        blocks.update_block(conn, block, secondary_crop=0.0, row_spacing_m=2.5,
                            vine_spacing_m=1.5)
        sampling = blocks.ensure_sampling(conn, block, "first",
                                          collected_at="2026-07-20T08:00:00Z")
        ada = people.ensure_person(conn, "Ada Quill").id
        for number, dead in enumerate(DEAD_ON_EACH, start=1):
            cane = canes.ensure_cane(conn, sampling, str(number))
            for node in range(1, 11):
                bud = canes.ensure_bud(conn, cane, node)
                values = (D if node <= dead else L, U if node == 10 else L, D if node == 1 else L)
                calls.save_calls(conn, bud, dict(zip(TISSUES, values, strict=True)), person_id=ada)
    yield season
    season.close()


def flat(text: str) -> str:
    return " ".join(text.split())


def told_of_one(season: Season, folder: Path, block: str, number: int) -> dict[str, str]:
    """The block's answer as its page and its sheet tell it, on one line."""
    web = create_app(season.folder, testing=True)
    page = web.test_client().get(f"/results/block/{number}").text
    web.extensions["budvision.season"].close()
    (folder / "sheet.pdf").write_bytes(grower_sheet(season, block))
    sheet = subprocess.run(["pdftotext", "-raw", folder / "sheet.pdf", "-"],
                           capture_output=True, text=True, check=True).stdout
    return {
        "page": flat(unescape(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", page,
                                                             flags=re.DOTALL)))),
        "sheet": flat(sheet),
    }


def told_of_all(season: Season) -> dict[str, str]:
    """All blocks' answers as command line and tables tell them, on one line."""
    command = CliRunner().invoke(app, ["results", "--season", str(season.folder)]).stdout
    book = openpyxl.load_workbook(io.BytesIO(results_xlsx(season)))
    cells = [" ".join(str(cell) for cell in row if cell is not None)
             for name in ("blocks", "tissues", "nodes")
             for row in book[name].iter_rows(values_only=True)]
    return {"command": flat(command), "csv": flat(results_csv(season)),
            "workbook": flat(" ".join(cells))}


def told_everywhere(season: Season, folder: Path) -> dict[str, str]:
    """The block's answer as each of the five tells it."""
    return told_of_one(season, folder, "Harrow Slope", 1) | told_of_all(season)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is missing")
def test_the_same_block_reads_alike_on_all_five(season: Season, tmp_path: Path) -> None:
    words = answer_words(line_facts(season, answer_of(season, "Harrow Slope")))
    told = told_everywhere(season, tmp_path)
    for where, text in told.items():
        for part in (words.headline, words.action, words.band, words.sure[-1]):
            assert flat(part) in text, (where, part)
        for row in words.tissues:
            assert row.share in text, (where, row.name)
            assert row.span in text, (where, row.name)
        first = words.nodes[0]
        assert first.retain in text, where
        assert first.span in text, where
    for where in ("page", "sheet", "command"):
        in_order(told[where], words)
        for row in words.nodes:
            assert f"{row.name} {row.retain} {row.span} {row.per_area}" in told[where], where
        for row in words.bands:
            assert row.chance in told[where], where
        assert words.disagreement in told[where], where
    for where in ("page", "command", "csv", "workbook"):
        assert words.crop is not None
        assert words.crop.name in told[where], where
        assert words.crop.span in told[where], where


FOUR: dict[str, tuple[str, list[str]]] = {
    "Canes": ("canes of 10", ["DDLLLLLLLL", "DLLLLLLLLL", "DDDLLLLLLL"] * 4),
    "Spurs": ("spurs of 2", ["DLDDDDDD", *["LLLDDDDD"] * 5] * 4),
    "Zoned": ("canes of 10", ["DDDDDDDDLL"] * 6 + ["DLLLLLLLLL"] * 6),
    "Hopeless": ("canes of 10", ["DDDDDDDDDL", *["DDDDDDDDDD"] * 5]),
}


@pytest.fixture
def four(tmp_path: Path) -> Season:
    """A cane-pruned block, a spur-pruned one, one of two zones, and one that is nearly dead."""
    season = Season.create(tmp_path / "four")
    rows = [{"label": str(n), "n_vines": 50, "zone": "rise" if n else "hollow", "missing": []}
            for n in range(5)]
    with season.write() as conn:
        ada = people.ensure_person(conn, "Ada Quill").id
        for name, (training, grown) in FOUR.items():
            block = blocks.ensure_block(conn, name)
            layout = {"block": name, "shares": {}, "rows": rows} if name == "Zoned" else {}
            blocks.update_block(conn, block, training_system=training, layout=layout)
            sampling = blocks.ensure_sampling(conn, block, "first")
            for at, primaries in enumerate(grown):
                zone = ("hollow" if at < len(grown) / 2 else "rise") if layout else ""
                cane = canes.ensure_cane(conn, sampling, str(at + 1), zone=zone)
                for node, letter in enumerate(primaries, start=1):
                    bud = canes.ensure_bud(conn, cane, node)
                    calls.save_calls(conn, bud, {TISSUES[0]: {"D": D, "L": L}[letter]},
                                     person_id=ada)
    yield season
    season.close()


@pytest.mark.slow
def test_the_sheets_figure_counts_what_waits(four: Season) -> None:
    """"0 waiting" stood in the figure above "120 buds wait for a person"."""
    figure = sheet_figure(line_facts(four, answer_of(four, "Canes")))
    assert "secondary: nothing judged yet, 120 waiting" in figure.alt


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is missing")
def test_four_kinds_of_block_read_alike_on_all_five(four: Season, tmp_path: Path) -> None:
    heads, tables = {}, told_of_all(four)
    for number, name in enumerate(FOUR, start=1):
        words = answer_words(line_facts(four, answer_of(four, name)))
        heads[name] = words.headline
        primary = words.tissues[0]
        for where, text in (tables | told_of_one(four, tmp_path, name, number)).items():
            for part in (words.headline, words.action, primary.share, primary.span,
                         words.nodes[0].retain, *words.first):
                assert flat(part) in text, (name, where, part)
            for zone in words.zones:
                assert zone.line.share in text, (name, where)
    shares = [int(re.search(r"(\d+) %", head)[1]) for head in heads.values()]
    # 24 of 120; 4 of 48 at nodes 1 and 2; 0.2 x 80 % + 0.8 x 10 %; 59 of 60.
    assert shares == [20, 8, 24, 98]


def in_order(text: str, words: AnswerWords) -> None:
    """What must be known first stands before the deed, the deed before its numbers."""
    order = [text.index(flat(part)[:60]) for part in (
        words.headline, words.first[0], words.action, words.nodes[0].name)]
    assert order == sorted(order)


@pytest.mark.slow
def test_numbers_are_rounded_once(season: Season, tmp_path: Path) -> None:
    """2666.7 vines a hectare and 80 nodes: 213 333, which page and sheet once rounded apart."""
    told = told_everywhere(season, tmp_path)
    for where in ("page", "sheet", "command"):
        assert "213 000" in told[where], where
        assert "213 333" not in told[where], where


@pytest.mark.slow
def test_the_crop_counts_what_the_block_says(season: Season, tmp_path: Path) -> None:
    """The footer said 0.33 even where the block says 0."""
    for where in ("page", "command"):
        text = told_everywhere(season, tmp_path)[where]
        assert "a live secondary under a dead primary 0.00" in text
        assert "0.33" not in text


@pytest.mark.slow
def test_one_bud_on_an_edge_is_said_first(season: Season, tmp_path: Path) -> None:
    """35 of 100 on the edge at 35 %: 34 would give 54 nodes instead of 80."""
    words = answer_words(line_facts(season, answer_of(season, "Harrow Slope")))
    assert words.first[-1].startswith(
        "One bud decides here: with 34 dead of 100 instead of 35 the block would lie in another "
        "band. 14 to 35 % dead: Retain 35 % more nodes than in a normal year (54 nodes). 35 to "
        "50 % dead: Retain twice the normal number of nodes (80 nodes).")
    # 40 x 1.35 = 54 and 40 / 0.65 = 61.5.
    assert "54 by adding the share dead, 62 by dividing by the share alive" in words.first[-1]
    for text in told_everywhere(season, tmp_path).values():
        assert "One bud decides here" in text
