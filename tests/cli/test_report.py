"""The commands for paper, the season after and stations: what scripts rely on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import InputError, NotFoundError, NothingToDoError, UsageError
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue

L, D = CallValue.LIVE, CallValue.DEAD


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "winter"
    with Season.create(folder) as season, season.write() as conn:
        block = blocks.ensure_block(conn, "Kettle Bench")
        sampling = blocks.ensure_sampling(conn, block, "first", collected_at="2026-01-20T08:00:00Z")
        reader = people.ensure_person(conn, "Ada Quill").id
        for number in range(4):
            cane = canes.ensure_cane(conn, sampling, str(number))
            for node in range(1, 6):
                called = dict(zip(TISSUES, (D if node < 3 else L, L, L), strict=True))
                calls.save_calls(conn, canes.ensure_bud(conn, cane, node), called,
                                 person_id=reader)
    return folder


def run(folder: Path, *words: str, fails: type[Exception] | None = None) -> str:
    told = CliRunner().invoke(app, [*words, "--season", str(folder)])
    if fails is not None:
        assert isinstance(told.exception, fails), told.output
        return str(told.exception)
    assert told.exit_code == 0, told.output
    return told.stdout


@pytest.mark.slow
def test_a_sheet_is_written_where_asked(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "paper" / "sheet.pdf"
    told = run(folder, "report", "Kettle Bench", "--out", str(target), "--units", "us", "--paper",
               "us-letter")
    assert told.strip() == str(target)
    assert b"612 792" in target.read_bytes()


@pytest.mark.slow
def test_all_blocks_the_summary_and_the_appendix(folder: Path, tmp_path: Path) -> None:
    told = run(folder, "report", "--all", "--out", str(tmp_path / "all")).splitlines()
    assert len(told) == 3
    assert all(Path(line).read_bytes().startswith(b"%PDF") for line in told)
    for flag in ("--summary", "--appendix"):
        words = ["report", flag, "--out", str(tmp_path / f"{flag}.pdf")]
        run(folder, *words, *(["Kettle Bench"] if flag == "--appendix" else []))
        assert (tmp_path / f"{flag}.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("words", [[], ["Kettle Bench", "--all"], ["--summary", "--all"],
                                   ["--all", "--appendix"]])
def test_unclear_wishes_are_refused(folder: Path, words: list[str]) -> None:
    assert "expected" in run(folder, "report", *words, fails=UsageError)


@pytest.mark.slow
def test_the_season_after_by_command(folder: Path, tmp_path: Path) -> None:
    for words in (["vines", "2000", "--unit", "per ha"], ["clusters_per_vine", "40", "44", "36"],
                  ["cluster_weight_harvest", "110", "--unit", "g"]):
        run(folder, "after", "add", "Kettle Bench", *words, "--on", "2026-07-01", "--by", "Ada")
    table = tmp_path / "h.csv"
    table.write_text("block,kind,values,unit,measured_on\nKettle Bench,harvest,9,t/ha,2026-10-01\n",
                     encoding="utf-8")
    run(folder, "after", "import", str(table), "--by", "Ada")
    told = json.loads(run(folder, "after", "show", "Kettle Bench", "--json"))
    assert told["crop_from_clusters"]["value"] == pytest.approx(8.8)
    assert told["error"] == pytest.approx(8.8 / 9 - 1)
    assert told["inside"] is True
    assert "predicted against harvested: -2 %" in run(folder, "after", "show", "Kettle Bench")
    run(folder, "after", "add", "Kettle Bench", "shoots_per_m", "4", "5", "5", "6", "--unit",
        "per ft", "--on", "2026-05-05", "--by", "Ada")      # 16.4 was "within 9.8 to 16"
    assert ("16.40 (12.66 to 21.26) /m is within 9.84 to 16.4; the range reaches over an edge of "
            "the band") in run(folder, "after", "show", "Kettle Bench")
    run(folder, "after", "add", "Kettle Bench", "clusters_per_vine", "40", "--counted", "12",
        "--on", "2026-06-30", "--by", "Ada")
    text = run(folder, "after", "add", "Kettle Bench", "harvest", "9", "--unit", "kg", "--on",
               "2026-10-01", "--by", "Ada", fails=InputError)
    assert "expected t/ha or tons/acre" in text


@pytest.mark.slow
def test_stations_by_command(folder: Path, tmp_path: Path) -> None:
    assert "no temperatures" in run(folder, "station", "show", fails=NothingToDoError)
    table = tmp_path / "t.csv"
    table.write_text("time;temp\n2026-01-12 02:00;-14,0\n2026-01-12 03:00;-22,0\n")
    words = ["station", "import", str(table), "--station", "Bench road", "--unit", "C", "--zone",
             "UTC"]
    run(folder, *words)
    told = json.loads(run(folder, "station", "show", "--json", "--below", "-18"))["stations"][0]
    assert (told["minimum_c"], told["hours_below"]["-18"]) == (-22.0, pytest.approx(0.5))
    assert "coldest -22.0 C at 2026-01-12 03:00 UTC" in run(folder, "station", "show")
    words[2] = str(tmp_path / "missing.csv")
    assert "there is no such file" in run(folder, *words, fails=NotFoundError)
