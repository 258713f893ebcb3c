"""`budvision plan`, `paper`, `sort` and `watch` from the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import rich.style  # noqa: F401  (its import draws once from the global generator)
from typer.testing import CliRunner, Result

from budvision.cli.main import app
from budvision.errors import ConflictError, InputError, UsageError
from budvision.store.session import Season
from budvision.vineyard.sample_plan import plan_from_dict

BLOCK = ["--block", "Lark Terrace", "--rows", "8", "--vines", "20", "--zones", "top=1-4,foot=5-8",
         "--sizes", "small=20%,medium=60%,large=20%", "--sampling", "s1"]


def run(*words: str) -> Result:
    found = CliRunner().invoke(app, list(words))
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.slow
def test_what_is_wrong_comes_as_json_like_every_commands() -> None:
    refused = CliRunner().invoke(app, ["plan", "--block", "B", "--json"])
    assert isinstance(refused.exception, InputError)
    told = json.loads(refused.stdout)
    assert (told["ok"], told["where"], told["what"]) == (
        False, "block B", "its rows and vines a row are not given")


def test_the_same_draw_gives_the_same_plan_as_json() -> None:
    one = json.loads(run("plan", *BLOCK, "--draw", "41", "--json").stdout)
    two = json.loads(run("plan", *BLOCK, "--draw", "41", "--json").stdout)
    other = json.loads(run("plan", *BLOCK, "--draw", "42", "--json").stdout)
    assert one["vines"] == two["vines"] != other["vines"]
    assert (one["canes"], one["nodes"], one["n_buds"]) == (10, 10, 100)
    assert one["expect"]["design_effect"] == pytest.approx(1 + 9 * one["icc"])
    assert {row["canes"] for row in one["trade_off"]} >= {5, 10, 20}
    assert one["quick_look"]["least_dead"] == 3
    assert one["sequential"]["lines"][9]["canes"] == 10
    assert plan_from_dict(one).as_dict().items() <= one.items()


@pytest.mark.slow
def test_the_table_names_the_draw_the_vines_and_the_cautions(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")

    def told(*more: str) -> str:
        return " ".join(run("plan", *BLOCK, *more).stdout.split())

    text = told("--draw", "41")
    for words in ("8 canes of 10 nodes", "Draw 41"):
        assert words in told("--draw", "41", "--canes", "8")
    for words in ("common practice", "if missing, take", "design effect", "this plan",
                  "Quick look first", "Razor blades cut people", "local extension"):
        assert words in text
    sure = told("--edge", "0.35", "--sure", "0.8")
    assert "enough to be 80% sure of the side of 35%" in sure


@pytest.mark.slow
def test_a_season_keeps_the_plan_and_prints_its_paper(tmp_path: Path) -> None:
    Season.create(tmp_path / "winter").close()
    kept = run("plan", *BLOCK, "--season", "winter")
    assert "kept with the season" in kept.stdout
    written = run("paper", "all", "--season", "winter", "--out", "paper", "--paper", "us-letter")
    assert written.stdout.splitlines() == [
        f"paper/{name}.pdf" for name in ("photo-cards", "walking-sheet", "cane-tags",
                                         "bench-tally", "bench-counts")]
    for line in written.stdout.splitlines():
        assert Path(line).read_bytes().startswith(b"%PDF")
    again = run("plan", *BLOCK, "--season", "winter", "--canes", "12")
    assert "12 canes" in again.stdout           # no bud yet: the plan may change
    with pytest.raises(ConflictError, match="has a cane"):
        run("plan", *BLOCK, "--season", "winter", "--canes", "4")


@pytest.mark.slow
def test_paper_without_a_season_comes_from_a_plan_file(tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(run("plan", *BLOCK, "--json").stdout, encoding="utf-8")
    assert run("paper", "tags", "--plan", "plan.json", "--tag", "57x32", "--out",
               "t.pdf").stdout.strip() == "t.pdf"
    assert run("paper", "card", "--out", "cards.pdf").exit_code == 0
    for words, error, text in (
        (("paper", "walk"), UsageError, "there is no plan to print"),
        (("paper", "poster"), UsageError, "the paper is 'poster'; expected one of card, walk"),
        (("paper", "card", "--paper", "a3"), UsageError, "paper is 'a3'"),
        (("paper", "all", "--plan", "plan.json", "--out", "x.pdf"), UsageError, "5 papers do not"),
        (("paper", "walk", "--plan", "none.json"), InputError, "none.json: it cannot be read"),
        (("plan", "--block", "B"), InputError, "its rows and vines a row are not given"),
    ):
        with pytest.raises(error, match=text):
            run(*words)


@pytest.mark.slow
def test_sorting_says_what_it_did_and_what_it_could_not(tmp_path: Path) -> None:
    Season.create(tmp_path / "winter").close()
    (tmp_path / "card").mkdir()
    assert run("sort", "card", "--season", "winter").exit_code == 4        # nothing there
    (tmp_path / "card" / "a.jpg").write_bytes(b"no picture")
    refused = run("sort", "card", "--season", "winter", "--json")
    assert refused.exit_code == 3
    assert json.loads(refused.stdout)["refused"][0]["where"] == "a.jpg"
    assert "a.jpg" in refused.stderr


def test_outside_a_season_the_way_on_is_no_circle() -> None:
    told = run("plan", *BLOCK).output.replace("\n", " ")
    assert "This plan is not kept, since there is no season here" in told
    with pytest.raises(UsageError, match="Make a season with `budvision init DIR`"):
        run("paper", "all")


@pytest.mark.slow
def test_a_plan_cuts_the_nodes_that_pruning_keeps_and_says_so(tmp_path: Path) -> None:
    """Ten canes of ten nodes told nothing of a block that is pruned to two."""
    spurs = json.loads(run("plan", *BLOCK, "--training", "spurs of 2", "--json").stdout)
    assert (spurs["canes"], spurs["nodes"], spurs["n_buds"]) == (25, 2, 50)
    assert spurs["words"][0] == ("Cut nodes 1 to 2, counted from the base: pruning keeps nodes 1 "
                                 "to 2 (spurs of 2), and only these count.")
    assert {row["nodes"] for row in spurs["trade_off"]} == {2}
    wide = json.loads(run("plan", *BLOCK, "--training", "spurs", "--nodes", "8", "--json").stdout)
    assert wide["words"][0].endswith("only these count, those further out are shown beside them.")
    unknown = json.loads(run("plan", *BLOCK, "--json").stdout)
    assert "The training system is not known" in unknown["words"][0]
    with pytest.raises(InputError, match='training system is "high wire"'):
        run("plan", *BLOCK, "--training", "high wire")
    Season.create(tmp_path / "winter").close()
    run("plan", *BLOCK, "--season", "winter", "--training", "canes of 12")
    again = [*BLOCK[:-1], "s2"]      # the block's own system serves the next plan
    kept = json.loads(run("plan", *again, "--season", "winter", "--json").stdout)
    assert (kept["nodes"], kept["training"]) == (12, "canes of 12")
    assert plan_from_dict(kept).which_nodes.startswith("Cut nodes 1 to 12")


@pytest.mark.slow
def test_a_plan_counts_by_what_the_season_knows_of_the_block(tmp_path: Path) -> None:
    """A policy of the season's own was unknown to the plan; a block's own policy was passed by."""
    Season.create(tmp_path / "winter").close()
    (tmp_path / "winter" / "policies.toml").write_text(
        '[mine]\n[[mine.bands]]\nname="few"\nat_least=0.0\nup_to=0.3\nnodes="usual"\naction="x"\n'
        '[[mine.bands]]\nname="many"\nabove=0.3\nup_to=1.0\nnodes="minimal"\naction="y"\n')
    run("block", "set", BLOCK[1], "--create", "--policy", "mine", "--cultivar", "Foch",
        "--season", "winter")
    kept = json.loads(run("plan", *BLOCK, "--season", "winter", "--json").stdout)
    assert (kept["policy"], kept["cultivar"]) == ("mine", "Foch")
