"""`budvision tally`: JSON for scripts, a table for people, errors with their exit codes."""

from __future__ import annotations

import json

import openpyxl
import pytest
import rich.style  # noqa: F401 (draws a random number when first imported)

from budvision.cli.main import run
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vocabulary import BudCalls, CallValue
from budvision.workflow.answers.tally import results_as_dict
from budvision.workflow.review.calls_file import calls_as_csv, read_calls

LIVE, DEAD = CallValue.LIVE, CallValue.DEAD
TISSUE_KEYS = {
    "n_live", "n_dead", "n_unsure", "n_not_exposed", "mortality", "low", "high", "confidence",
    "design_effect", "method", "design_effect_from_prior",
}


@pytest.fixture
def budvision(monkeypatch, capsys):
    """Run the command line; return exit code, stdout and stderr."""

    def call(*arguments):
        monkeypatch.setattr("sys.argv", ["budvision", *map(str, arguments)])
        code = 0
        try:
            run()
        except SystemExit as end:
            code = end.code or 0
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


@pytest.fixture
def calls(tmp_path):
    buds = [
        BudCalls(block=block, cane=str(cane), node=node, primary=DEAD if node <= dead else LIVE,
                 secondary=DEAD if node == 1 else LIVE, tertiary=CallValue.NOT_EXPOSED)
        for block, dead in (("Lower bench", 1), ("Upper [slope]", 4))
        for cane in range(1, 13) for node in range(1, 11)
    ]
    path = tmp_path / "calls.csv"
    path.write_bytes(calls_as_csv(buds).encode())
    return path


def test_json_is_the_contract(budvision, calls):
    code, out, err = budvision("tally", calls, "--json")
    assert (code, err) == (0, "")
    lower, upper = json.loads(out)["blocks"]
    for block in (lower, upper):
        for tissue in ("primary", "secondary", "tertiary"):
            assert set(block[tissue]) >= TISSUE_KEYS
        assert set(block["crop_potential"]) >= {"share", "low", "high"}
        assert set(block["band"]) >= {"name", "action"}
        assert set(block["nodes"]) >= {"normal", "retain", "low", "high", "by_rule"}
        assert sum(block["band_probabilities"].values()) == pytest.approx(1)
        assert (block["n_buds"], block["n_canes"]) == (120, 12)
    assert lower["primary"]["mortality"] == 0.1
    assert (lower["band"]["name"], upper["band"]["name"]) == ("normal", "double")
    assert (lower["nodes"]["normal"], lower["nodes"]["retain"]) == (40, 40)
    assert upper["nodes"]["by_rule"]["exact"]["retain"] == 67
    assert upper["tertiary"]["mortality"] is None
    assert upper["tertiary"]["n_not_exposed"] == 120
    # Of 48 dead primaries, 36 have a live secondary.
    assert upper["crop_potential"]["share"] == pytest.approx((72 + 36 / 3) / 120)


def test_season_and_tally_share_their_numbers(budvision, calls):
    told = json.loads(budvision("tally", calls, "--json")[1])
    same = results_as_dict(summarise_table(BudTable.from_calls(read_calls(calls).buds)))
    assert told["blocks"] == json.loads(json.dumps(same))["blocks"]


def test_options(budvision, calls):
    told = json.loads(budvision(
        "tally", calls, "--json", "--policy", "add-share-20-to-80", "--normal-nodes", "50"
    )[1])
    assert told["blocks"][1]["nodes"]["retain"] == 70
    assert told["blocks"][1]["policy"] == "add-share-20-to-80"
    told = json.loads(budvision("tally", calls, "--json", "--secondary-crop", "norton")[1])
    assert told["blocks"][1]["crop_potential"]["share"] == pytest.approx(0.6)


def test_for_people(budvision, calls):
    code, out, _ = budvision("tally", calls)
    assert code == 0
    for words in ("Block Upper [slope]", "Retain twice the normal number",
                  "About 40 % of the primary buds are dead", "Prune as usual",
                  "Razor blades cut people", "extension",
                  "From 20 to 50 % divide the normal number by the share alive"):
        assert words in out.replace("\n", " "), words
    assert out.index("Upper") < out.index("Lower")  # the most damaged first
    assert max(map(len, out.splitlines())) <= 100
    assert "…" not in out


def test_one_cane_is_said(budvision, tmp_path):
    path = tmp_path / "calls.csv"
    path.write_text("block,cane,node,primary,secondary,tertiary\nA,1,1,live,,\nA,1,2,dead,,\n")
    out = budvision("tally", path)[1]
    assert "Warning: All buds come from one cane" in out
    assert "rests on an assumed likeness" in out
    answer = json.loads(budvision("tally", path, "--json")[1])
    told = answer["blocks"][0]
    assert "one cane" in told["warnings"][0]
    assert answer["warnings"] == [f"block A: {told['warnings'][0]}"]
    assert told["primary"]["design_effect_from_prior"] is True


def test_zones_that_need_different_pruning_are_told_of_a_tally_too(budvision, tmp_path):
    """Of the same calls `results` said so; the tally said "Retain twice the normal number"."""
    path = tmp_path / "calls.csv"
    path.write_text("block,cane,node,primary,secondary,tertiary,zone\n" + "".join(
        f"A,{cane},{node},{'dead' if node <= (4 if cane < 6 else 1) else 'live'},,,"
        f"{'low' if cane < 6 else 'high'}\n" for cane in range(1, 11) for node in range(1, 6)))
    out = " ".join(budvision("tally", path)[1].split())
    assert "The zones need different pruning: low 80 % dead and high 20 % dead." in out
    assert "Prune each zone by its own answer." in out
    assert "Retain twice the normal number of nodes. -" not in out
    (block,) = json.loads(budvision("tally", path, "--json")[1])["blocks"]
    assert block["zones_differ"] is True
    assert [(zone["block"], zone["primary"]["mortality"], zone["n_canes"])
            for zone in block["zones"]] == [("low", 0.8, 5), ("high", 0.2, 5)]


def test_counts_a_cane_give_what_rows_a_bud_give_but_for_place_and_pairs(budvision, tmp_path):
    rows, counts = tmp_path / "rows.csv", tmp_path / "counts.xlsx"
    dead = (3, 0, 5, 2, 1, 4)
    rows.write_text("block,cane,node,primary,secondary,tertiary\n" + "".join(
        f"A,{cane},{node},{'D' if node <= n else 'L'},{'N' if node > 6 else 'L'},\n"
        for cane, n in enumerate(dead) for node in range(1, 9)))
    book = openpyxl.Workbook()
    book.active.append(["block", "cane", "buds", "primary live", "primary dead", "secondary live",
                        "secondary not exposed"])
    for cane, n in enumerate(dead):
        book.active.append(["A", cane, 8, 8 - n, n, 6, 2])
    book.save(counts)
    one, other = (json.loads(budvision("tally", path, "--json")[1])["blocks"][0]
                  for path in (rows, counts))
    for name in ("n_buds", "n_canes", "primary", "secondary", "tertiary", "band",
                 "band_probabilities", "more_buds", "edges"):
        assert one[name] == other[name]
    assert one["crop_potential"]["share"] is not None
    assert other["crop_potential"]["share"] is None
    assert other["nodes"]["by_rule"]["crop_potential"]["retain"] is None
    assert one["nodes"]["by_rule"]["exact"] == other["nodes"]["by_rule"]["exact"]
    assert "do not say at which node a bud stood" in " ".join(other["notes"])
    said = " ".join(budvision("tally", counts)[1].split())
    assert "the crop potential, the share dead by node and that of the nodes kept cannot be" in said
    code, _, err = budvision("tally", counts, "--training", "spurs of 2")
    assert code == 3
    assert "expected a row a bud with its node" in err


def test_where_none_is_dead_the_end_for_whole_canes_is_said(budvision, tmp_path):
    path = tmp_path / "calls.csv"
    path.write_text("block,cane,node,primary,secondary,tertiary\n" + "".join(
        f"A,{cane},{node},live,,\n" for cane in range(1, 11) for node in range(1, 11)))
    out = " ".join(budvision("tally", path)[1].split())
    assert "About 0 % of the primary buds are dead (likely 0 to 12 %)" in out    # 26 % once
    assert ("No bud was dead: were whole canes to live or die together, these 10 leave up to 31 % "
            "dead possible.") in out
    told = json.loads(budvision("tally", path, "--json")[1])["blocks"][0]["primary"]
    assert told["if_units_whole"] == pytest.approx(1 - 0.025 ** 0.1)
    path.write_text(path.read_text().replace("live", "dead"))
    out = " ".join(budvision("tally", path)[1].split())
    assert "these 10 leave as little as 69 % dead possible" in out
    path.write_text(path.read_text().replace("dead", "live", 1))
    told = json.loads(budvision("tally", path, "--json")[1])["blocks"][0]["primary"]
    assert "if_units_whole" not in told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("content", "options", "code", "words"),
    [
        ("", (), 3, "the file is empty"),
        ("block,cane,node,primary,secondary,tertiary\n", (), 4, "no row below it"),
        ("block,cane,node,primary,secondary,tertiary\nA,1,1,brwn,,\n", (), 3,
         'calls.csv, row 2: primary is "brwn"'),
        (None, ("--normal-nodes", "0"), 3, "normal node count is 0"),
        (None, ("--secondary-crop", "pear"), 2, 'cultivar class is "pear"'),
        (None, ("--policy", "mine"), 3, "expected one of common, steps-15-35-50"),
        (None, ("--secondary-crop", "2"), 3, "secondary_crop is 2.0"),
    ],
)
def test_refusals(budvision, calls, content, options, code, words):
    if content is not None:
        calls.write_text(content)
    got, out, err = budvision("tally", calls, *options)
    assert (got, out) == (code, "")
    assert words in err
    got, out, _ = budvision("tally", calls, "--json", *options)
    told = json.loads(out)
    assert got == code
    assert told["ok"] is False
    text = f"{told['what']}; expected {told['expected']}"
    assert words.removeprefix("calls.csv, row 2: ") in text


def test_missing_file_and_own_policies(budvision, calls, tmp_path):
    assert budvision("tally", tmp_path / "none.csv")[0] == 3
    own = tmp_path / "policies.toml"
    own.write_text(
        '[mine]\n[[mine.bands]]\nname="a"\nat_least=0.0\nup_to=0.3\nnodes="usual"\naction="x"\n'
        '[[mine.bands]]\nname="b"\nabove=0.35\nup_to=1.0\nnodes="minimal"\naction="y"\n'
    )
    code, _, err = budvision("tally", calls, "--settings", tmp_path)
    assert code == 3
    assert "policy mine: nothing covers 30 % to 35 %" in err
    own.write_text(own.read_text().replace("0.35", "0.3"))
    (tmp_path / "budvision.toml").write_text(
        '[settings]\npolicy = "mine"\nconfidence = 0.9\n'
        "bound_missing = true  # a setting of older seasons, read over\n")
    found = json.loads(budvision("tally", calls, "--json", "--settings", tmp_path)[1])["blocks"][1]
    assert (found["policy"], found["primary"]["confidence"]) == ("mine", 0.9)


def test_a_bare_table_gets_a_training_system(budvision, calls):
    """Nodes 1 and 2 of "Lower bench" are half dead, the ten of each cane a tenth."""
    told = json.loads(budvision("tally", calls, "--json", "--training", "spurs of 2")[1])["blocks"]
    assert told[0]["primary"]["mortality"] == 0.5
    assert (told[0]["beyond"]["n_judged"], told[0]["beyond"]["mortality"]) == (96, 0)
    text = " ".join(budvision("tally", calls, "--training", "spurs of 2", "--secondary-crop",
                              "labruscana")[1].split())
    assert "Only nodes 1 to 2 count, those that pruning keeps." in text
    assert "96 primaries further out, which pruning takes off, 0 % were dead" in text
    assert "nodes 3 to 6 in Concord" in text
    assert "Am. J. Enol. Vitic. 69:386-393" in text
    assert "spurs of 2 nodes" in text
    code, _, err = budvision("tally", calls, "--training", "high wire")
    assert (code, 'training system is "high wire"' in err) == (3, True)


def test_tables_fit_a_terminal_of_eighty_columns(budvision, calls, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = budvision("tally", calls)
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "…" not in out
