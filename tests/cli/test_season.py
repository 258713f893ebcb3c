"""The season's commands: what they print, where, and their exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from budvision.cli.main import app
from budvision.errors import BudvisionError
from budvision.settings import SETTINGS
from budvision.store.queries.people import add_person
from budvision.store.session import Season

TABLE = ("block,cane,node,primary,secondary,tertiary\n"
         "Creek,1,1,dead,live,not_exposed\nCreek,1,2,live,live,\nCreek,2,1,dead,dead,live\n")


@pytest.fixture
def work(tmp_path: Path, jpeg: Callable[..., bytes], monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a season's folder beside a card with three photographs and a table of calls."""
    card = tmp_path / "card"
    card.mkdir()
    for number, (cane, node) in enumerate(((1, 1), (1, 2), (2, 1))):
        (card / f"Creek_{cane}_n{node}_c1.jpg").write_bytes(jpeg(number))
    (tmp_path / "calls.csv").write_text(TABLE)
    assert _run("init", str(tmp_path / "s"), "--site", "Wren Lake").exit_code == 0
    monkeypatch.chdir(tmp_path / "s")
    return tmp_path


def _run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def _code(result: Result) -> int:
    """Return the exit code that `budvision` would end with."""
    if isinstance(result.exception, BudvisionError):
        return result.exception.exit_code
    return result.exit_code


@pytest.mark.slow
def test_a_season_from_start_to_answer(work: Path) -> None:
    taken = _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    assert taken.exit_code == 0
    assert taken.stdout == "Sampling feb: 3 new.\n"
    assert not taken.stderr.startswith("\n"), "a progress bar that nobody sees leaves no empty line"
    nothing = _run("results")
    assert _code(nothing) == 6
    assert "nobody has called a bud of the newest sampling yet" in nothing.stderr
    assert "waits for a person: 3 buds, 9 tissues (cane 1 nodes 1 to 2; cane 2 node 1)" in \
        nothing.stdout
    done = _run("calls", "import", str(work / "calls.csv"), "--reviewer", "Maren Holt")
    assert done.stdout == "8 calls of Maren Holt for 3 buds of sampling feb.\n"
    again = _run("calls", "import", str(work / "calls.csv"), "--reviewer", "Maren Holt")
    assert again.stdout == "Nothing changed: the 8 calls of Maren Holt stood already.\n"
    told = _run("results")
    assert told.exit_code == 0
    assert "About 67 % of the primary buds are dead" in told.stdout  # 2 dead of 3 primaries
    assert "still waiting: 1 bud, 1 tissue (cane 1 node 2)" in told.stdout
    exported = _run("calls", "export")
    assert exported.stdout == TABLE
    assert _run("check").stdout == "3 photographs verified. The season is sound.\n"
    shown = _run("status")
    assert "3 photographs of 3 buds in 1 block; 1 person" in shown.stdout


@pytest.mark.slow
def test_where_nothing_is_cut_yet_nothing_is_said_to_be_called(work: Path) -> None:
    _run("plan", "--block", "Creek", "--rows", "24", "--vines", "40", "--sampling", "feb")
    nothing = _run("results")
    assert _code(nothing) == 6
    assert "Block Creek, sampling feb: no bud to call is there yet." in nothing.stdout


@pytest.mark.slow
def test_results_as_json_follow_the_contract(work: Path) -> None:
    _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    empty = _run("results", "--json")
    assert _code(empty) == 6
    assert json.loads(empty.stdout)["blocks"][0]["waiting"]["n_buds"] == 3
    _run("calls", "import", str(work / "calls.csv"), "--reviewer", "Maren Holt")
    [block] = json.loads(_run("results", "--json").stdout)["blocks"]
    # the keys of the tally's contract, plus what the season adds
    assert set(block) >= {
        "block", "n_buds", "n_canes", "primary", "secondary", "tertiary", "crop_potential", "band",
        "band_probabilities", "nodes", "more_buds", "waiting", "sampling", "confirmed"}
    assert set(block["primary"]) >= {
        "n_live", "n_dead", "n_unsure", "n_not_exposed", "mortality", "low", "high", "confidence",
        "design_effect", "method"}
    assert set(block["nodes"]) >= {"normal", "retain", "low", "high", "by_rule"}
    tallied = json.loads(_run("tally", str(work / "calls.csv"), "--json").stdout)["blocks"][0]
    assert {key: block[key] for key in tallied} == tallied


def test_intake_ends_with_3_where_something_was_refused(work: Path) -> None:
    (work / "card" / "Creek_3_n1_c1.jpg").write_bytes(b"not a photograph" * 99)
    result = _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose", "--json")
    assert result.exit_code == 3
    told = json.loads(result.stdout)
    assert (told["ok"], told["n_new"], told["n_refused"], told["proposals"]) == (
        False, 3, 1, None)
    [bad] = told["refused"]
    assert set(bad) == {"file", "ok", "code", "where", "what", "expected", "do"}
    assert bad["code"] == "not_an_image"
    again = _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    assert again.exit_code == 3
    assert again.stdout == "Sampling feb: 3 there already, 1 refused.\n"
    assert "Creek_3_n1_c1.jpg" in again.stderr


@pytest.mark.slow
@pytest.mark.parametrize(("words", "code", "told"), [
    (("intake", "card"), 2, "the sampling has no label"),
    (("intake", "--sampling", "feb"), 2, "no photograph is named"),
    (("intake", "nowhere", "--sampling", "feb"), 3, "no such file or folder"),
    (("intake", "../card", "--sampling", "feb", "--collected", "soon"), 3, "the time is 'soon'"),
    (("calls", "import", "../calls.csv"), 2, "nobody is named"),
    (("calls", "import", "../calls.csv", "--reviewer", "M"), 2, "no sampling yet"),
    (("calls", "import", "../calls.csv", "--reviewer", "M", "--sampling", "feb"), 3,
     "block is 'Creek'"),
    (("calls", "export"), 4, "nobody has called a bud of the newest sampling yet"),
    (("results",), 4, "no canes have been sampled yet"),
    (("block", "set", "Creek", "--normal-nodes", "40"), 3, "there is no block 'Creek'"),
    (("init", "."), 3, "is a season already"),
    (("status", "--season", ".."), 3, "no season here"),
])
def test_exit_codes(work: Path, words: tuple[str, ...], code: int, told: str) -> None:
    result = _run(*words)
    assert _code(result) == code
    assert told in str(result.exception)


@pytest.mark.slow
def test_an_empty_season_and_a_wrong_word_are_answered_with_the_next_step(work: Path) -> None:
    for words, told in ((("block", "list"), "No block is in the season yet"),
                        (("intake-undo",), "Nothing was taken in yet"),
                        (("models", "watch"), "has not looked at a photograph of this season yet")):
        answer = _run(*words)
        assert answer.exit_code == 0
        assert told in answer.output
    for words, code, told in (
        (("intake-undo", "abc"), 2, 'people: nobody is named; expected the name of the person '
         'whose work this is. Give the name; commands take it as --person "NAME".'),
        (("sort", "nowhere"), 3, "nowhere: there is no such file or folder; expected a photograph "
         "or a folder of photographs. Check the path; nothing was taken in."),
        (("jobs", "add", "paint", "--by", "Ada"), 2, "expected train, look-again or check; backup "
         "or archive with --folder."),
        (("plan", "--block", "Creek", "--rows", "0", "--vines", "3"), 3, "block Creek: 0 rows of "
         "3 vines; expected 1 to 10000 rows of 1 vine or more. Correct the numbers."),
        (("paper", "card", "--paper", "a3"), 2, "--paper: paper is 'a3'; expected a4 or us-letter. "
         "Name one of these sizes."),
        (("watch", "nowhere"), 3, "nowhere: there is no such folder"),
    ):
        answer = _run(*words)
        assert _code(answer) == code, words
        assert told in str(answer.exception)
        assert not answer.output.startswith("Watching")


def test_errors_are_json_where_json_is_asked_for(work: Path) -> None:
    result = _run("calls", "export", "--json")
    told = json.loads(result.stdout)
    assert told["ok"] is False
    assert (told["code"], told["where"]) == ("nothing_to_do", "calls export")


def test_check_ends_with_5_where_a_byte_changed(work: Path) -> None:
    _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    with Season.open() as season:
        path = season.photos.path(next(iter(season.photos)))
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    result = _run("check")
    assert result.exit_code == 5
    assert "its bytes have changed since it was taken in. Take the original of" in result.stdout
    told = json.loads(_run("check", "--json").stdout)
    assert (told["ok"], [one["code"] for one in told["findings"]]) == (False, ["changed"])


def test_blocks_are_set_and_listed(work: Path) -> None:
    done = _run("block", "set", "Creek", "--create", "--normal-nodes", "38", "--policy", "common",
                "--cultivar", "Foch", "--json")
    told = json.loads(done.stdout)
    assert (told["name"], told["normal_nodes"], told["site"]) == ("Creek", 38.0, "Wren Lake")
    assert "Creek: cultivar Foch, normal nodes 38" in _run("block", "list").stdout
    assert json.loads(_run("block", "list", "--json").stdout)["blocks"][0]["policy"] == "common"


@pytest.mark.slow
def test_an_import_can_be_taken_back(work: Path) -> None:
    _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    done = _run("calls", "import", str(work / "calls.csv"), "--reviewer", "Maren Holt", "--json")
    told = json.loads(done.stdout)
    assert told["new_reviewer"]
    undone = _run("calls", "undo", told["batch"], "--person", "Maren Holt")
    assert undone.stdout == "8 calls were taken back.\n"
    assert _code(_run("results")) == 6
    again = _run("calls", "undo", told["batch"], "--person", "Maren Holt", "--json")
    assert _code(again) == 3
    assert json.loads(again.stdout)["code"] == "already_replaced"
    assert _code(_run("calls", "undo", told["batch"])) == 2


@pytest.mark.slow
def test_an_intake_can_be_taken_back_until_a_bud_of_it_is_called(work: Path) -> None:
    _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    with Season.open(work / "s") as season, season.write() as conn:
        add_person(conn, "Maren Holt", "lead")
    (batch,) = json.loads(_run("intake-undo", "--json").stdout)["intakes"]
    assert (batch["sampling"], batch["n_photos"], batch["n_called"]) == ("feb", 3, 0)
    note = _run("intake-undo").stdout.splitlines()[1].split("\t")[0]
    assert batch["note"] == f"intake {note}"
    assert _code(_run("intake-undo", note)) == 2, "nobody is made up"
    done = _run("intake-undo", note, "--person", "Maren Holt")
    assert done.stdout == "3 photographs were taken back; they stand with no bud now.\n"
    assert _code(_run("intake-undo", note, "--person", "Maren Holt")) == 4
    _run("intake", str(work / "card"), "--sampling", "feb", "--no-propose")
    _run("calls", "import", str(work / "calls.csv"), "--reviewer", "Maren Holt")
    (batch,) = json.loads(_run("intake-undo", "--json").stdout)["intakes"]
    called = _run("intake-undo", batch["note"], "--person", "Maren Holt", "--json")
    assert _code(called) == 3
    assert json.loads(called.stdout)["code"] == "called"


def test_photographs_stay_where_the_model_fails(work: Path) -> None:
    result = _run("intake", str(work / "card"), "--sampling", "feb", "--model", "no-such-9.9",
                  "--json")
    assert _code(result) == 3
    told = json.loads(result.stdout)
    assert (told["n_new"], told["proposals"]["ok"]) == (3, False)
    assert "there is no model no-such-9.9" in told["proposals"]["what"]
    assert json.loads(_run("status", "--json").stdout)["n_photos"] == 3


def test_settings_are_listed_with_their_own_values(work: Path) -> None:
    (work / "s" / "budvision.toml").write_text("[settings]\nconfidence = 0.9\n")
    shown = _run("settings")
    assert "confidence = 0.9  (default 0.95)" in shown.stdout
    assert 'policy = "common"' in shown.stdout
    told = json.loads(_run("settings", "--json").stdout)["settings"]
    assert {row["name"] for row in told} == {row.name for row in SETTINGS}


@pytest.mark.slow
def test_two_processes_write_at_once(work: Path) -> None:
    """Two intakes of the same card by two programs: every photograph once, nothing refused."""
    command = [sys.executable, "-m", "budvision.cli.main", "intake", str(work / "card"),
               "--sampling", "feb", "--no-propose", "--json"]
    running = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                                text=True) for _ in range(2)]
    told = [json.loads(process.communicate()[0]) for process in running]
    assert [process.returncode for process in running] == [0, 0]
    assert sum(one["n_new"] for one in told) == 3
    assert json.loads(_run("status", "--json").stdout)["n_photos"] == 3
    assert _run("check").exit_code == 0
