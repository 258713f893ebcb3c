"""Advice on nodes and crop as JSON: the worked examples end to end, and what is refused."""

from __future__ import annotations

import pytest

from budvision.errors import InputError, NothingToDoError, UsageError
from budvision.settings import Settings
from budvision.vineyard.crop import Measured
from budvision.vineyard.units import parse_quantity
from budvision.workflow.after.crop import (
    balance_answer,
    estimate_answer,
    expect_answer,
    growth_factor,
    parse_measured,
    shoots_answer,
    thinning_answer,
)
from budvision.workflow.after.crop_tables import compare_table, estimate_table
from budvision.workflow.answers.advise import advise_nodes, advise_normal


def q(text, kind="length"):
    return parse_quantity(text, kind)


def test_all_dead_gives_no_number():
    """It was 100 nodes at 0 % alive."""
    told = advise_nodes(50, 50, n_canes=5)
    assert told["exact"]["retain"] is None


def test_nodes_by_every_policy():
    told = advise_nodes(35, 100, nodes_per_cane=10, nodes_per_spur=2, row=q("3m"), vine=q("2m"),
                        missing_share=0.1)
    retain = {name: row["nodes"]["retain"] for name, row in told["policies"].items()}
    assert retain == {"common": 80, "steps-15-35-50": 54, "add-share-20-to-80": 54,
                      "exact-20-to-50": 62, "add-share-20-to-50": 54}
    # Clopper-Pearson of 35/100 carried through 40 / (1 - m): 53.9 to 73.0 (computed, FACTS of the
    # trade), whole nodes 54 to 73.
    assert (told["exact"]["low"], told["exact"]["retain"], told["exact"]["high"]) == (54, 62, 73)
    assert told["primary"]["independent"], "no canes were given: the range is too narrow"
    assert not advise_nodes(35, 100, n_canes=10)["primary"]["independent"]
    common = told["policies"]["common"]["nodes"]
    assert common["canes"] == {"count": 8, "each": 10, "total": 80}
    assert common["spurs"]["count"] == 40
    assert told["area"]["vines_per_ha"] == pytest.approx(1500)
    assert common["per_ha"] == pytest.approx(120_000)
    assert told["options"] == {}


def test_nodes_allow_for_canes_and_name_the_options():
    plain, canes = advise_nodes(60, 100), advise_nodes(60, 100, n_canes=10)
    assert canes["primary"]["low"] < plain["primary"]["low"]
    # How alike is not known from totals: at least what the likeness to expect would cost.
    assert canes["primary"]["design_effect"] > 1 + 9 * 0.2
    assert plain["primary"]["design_effect"] == 1
    assert set(plain["options"]) == {"trunk", "minimal", "delayed", "double", "renew", "gall",
                                     "spurs", "canes"}
    of_spurs = advise_nodes(60, 100, nodes_per_spur=2)["options"]
    assert set(plain["options"]) - set(of_spurs) == {"canes"}
    assert plain["policies"]["common"]["nodes"]["retain"] is None
    assert advise_nodes(100, 100)["exact"]["retain"] is None    # nothing is alive
    assert advise_nodes(50, 100)["options"] == {}
    assert advise_nodes(1, 10, settings=Settings(policy="exact-20-to-50"))["policy"] == (
        "exact-20-to-50"
    )


def test_normal_year():
    # Finger Lakes grower column, 26 Mar 2021: 20 + 20 at 1.5 lb, 30 nodes.
    told = advise_normal(vine_type="vinifera", prunings=[q("1.5lb", "weight")], vine=q("6ft"),
                         nodes_per_cane=10)
    assert told["balanced"]["nodes"] == pytest.approx(30)
    assert told["balanced"]["canes"]["count"] == 3
    assert told["spacing"] | {"source": ""} == {
        "low": pytest.approx(24), "high": pytest.approx(36), "source": ""
    }
    light = advise_normal(vine_type="american", prunings=[q("0.2kg", "weight")], least=20)
    assert len(light["balanced"]["notes"]) == 2
    assert advise_normal(vine=q("1m"))["spacing"]["low"] == pytest.approx(13.1, abs=0.05)


def test_crop_answers_agree_with_the_formulas():
    # I. Dami's formula in US units: 807 vines, 5 % missing, 40 clusters of 0.25 lb.
    told = estimate_answer(
        row=q("9ft"), vine=q("6ft"), clusters=Measured(40, 2), missing_share=0.05,
        cluster_weight=parse_measured("0.25lb", name="w", unit_kind="weight"),
        growth=growth_factor(),
    )
    assert told["tons_per_acre"] == pytest.approx(43560 / 54 * 0.95 * 40 * 0.25 / 2000)
    assert told["low_tons_per_acre"] < told["tons_per_acre"] < told["high_tons_per_acre"]
    told = thinning_answer(
        target=q("4tons/acre", "yield"), row=q("9ft"), vine=q("8ft"), clusters=60,
        cluster_weight=q("0.3lb", "weight"),
    )
    assert told["now_tons_per_acre"] == pytest.approx(5.445)
    assert told["keep"] == pytest.approx(44.08, abs=0.005)
    assert "36 %" in told["warning"]
    told = balance_answer(prunings=q("2kg", "weight"), fruit=q("15kg", "weight"), canopy=q("2m"))
    assert (told["ravaz"]["value"], told["ravaz"]["place"]) == (7.5, "within")
    assert told["pruning_weight"]["value"] == 1.0
    told = shoots_answer(nodes=60, share_alive=Measured(0.8), canopy=q("2m"), target_per_m=15)
    assert told["shoots_per_m"] == pytest.approx(60 * 0.8 * 0.9 / 2)
    assert told["remove_per_m"] == pytest.approx(6.6)
    assert shoots_answer(nodes=60, share_alive=Measured(0.8)).keys() == {
        "shoots_per_vine", "low", "high", "confidence"
    }
    told = expect_answer(nodes=50, crop_share=Measured(0.8), clusters_a_shoot=Measured(2),
                         cluster_weight=Measured(0.1), row=q("2.5m"), vine=q("2m"))
    assert told["t_per_ha"] == pytest.approx(50 * 0.8 * 0.9 * 2 * 0.1 * 2000 / 1000)


def test_measured_texts():
    assert parse_measured("38 42 40", name="x").value == 40
    assert parse_measured("40 +- 2", name="x") == Measured(40, 2)
    assert parse_measured("40 ± 2", name="x") == Measured(40, 2)
    got = parse_measured("120g 130g", name="x", unit_kind="weight")
    assert got.value == pytest.approx(0.125)
    assert parse_measured("0.3lb +- 0.02lb", name="x", unit_kind="weight").se == pytest.approx(
        0.02 * 0.45359237
    )
    assert growth_factor(final_share=0.5).value == 2
    assert growth_factor(at_lag=True).se > 0


def test_tables():
    told = estimate_table(
        "block,row,vine,clusters,cluster_weight,at_lag,missing_share\n"
        "A,3m,1m,27,120g,,\nB,3m,1m,27,60g,yes,0.1\n", name="blocks.csv",
    )
    # 'Horticulture: Plants for People and Places': 10.8 t/ha.
    assert told["blocks"][0]["t_per_ha"] == pytest.approx(10.8)
    assert told["blocks"][1]["t_per_ha"] == pytest.approx(10.8 * 0.9)
    got = compare_table("block;predicted;harvested;low;high\nA;10;8;7;12\nB;5;10;4;6\n", name="h")
    assert got["mean_error"] == pytest.approx(-0.125)
    assert got["n_within"] == 1
    assert compare_table("block,predicted,harvested\nA,1,1\n", name="h")["n_within"] is None


ROWS = "block,row,vine,clusters,cluster_weight\n"


@pytest.mark.parametrize(
    ("call", "kind", "match"),
    [
        (lambda: advise_nodes(5, 4), InputError, "count is 5 of 4"),
        (lambda: advise_nodes(0, 0), InputError, "judged is 0"),
        (lambda: advise_nodes(1, 4, normal_nodes=0), InputError, "normal node count is 0"),
        (lambda: advise_nodes(1, 4, n_canes=9), InputError, "9 canes for 4 buds"),
        (lambda: advise_nodes(1, 4, row=q("3m")), UsageError, "only one of row"),
        (lambda: advise_nodes(1, 4, row=q("9ft"), vine=q("2m")), UsageError, "units are mixed"),
        (lambda: advise_normal(), UsageError, "neither prunings nor"),
        (lambda: advise_normal(vine_type="x", prunings=[q("1kg", "weight")]), UsageError,
         'vine type is "x"'),
        (lambda: advise_normal(vine_type="vinifera", prunings=[q("1kg", "weight"),
                                                              q("1lb", "weight")]),
         UsageError, "units are mixed"),
        (lambda: balance_answer(prunings=q("1kg", "weight")), NothingToDoError, "neither yield"),
        (lambda: growth_factor(final_share=0), InputError, "share of final weight is 0"),
        (lambda: growth_factor(at_lag=True, final_share=0.5), InputError, "final weight is 0.5"),
        (lambda: parse_measured("many", name="clusters"), InputError, 'clusters holds "many"'),
        (lambda: parse_measured("-4", name="clusters"), InputError, 'clusters holds "-4"'),
        (lambda: parse_measured("", name="clusters"), InputError, 'clusters is ""'),
        (lambda: parse_measured("120g 4oz", name="w", unit_kind="weight"), UsageError, "mixed"),
        (lambda: estimate_table("", name="b.csv"), InputError,
         "the file is empty; expected a header block,"),
        (lambda: estimate_table(ROWS, name="b.csv"), NothingToDoError, "no row below"),
        (lambda: estimate_table(ROWS + "A,3m,1m,27\n", name="b.csv"), InputError,
         'b.csv, row 2: cluster_weight is ""'),
        (lambda: estimate_table(ROWS + "A,3,1m,27,120g\n", name="b.csv"), InputError,
         'row 2: row is "3"'),
        (lambda: estimate_table(ROWS + "A,3m,1m,27,120g,x\n", name="b.csv"), InputError,
         "has 6 cells"),
        (lambda: compare_table("block,predicted,harvested\nA,x,1\n", name="h.csv"), InputError,
         'h.csv, row 2: predicted is "x"'),
        (lambda: compare_table("block,predicted,harvested\nA,1,\n", name="h.csv"), InputError,
         "row 2: harvested is empty"),
    ],
)
def test_refusals(call, kind, match):
    with pytest.raises(kind, match=match):
        call()
