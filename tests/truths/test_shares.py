"""Intervals for shares, clusters and misreadings against published values."""

from __future__ import annotations

import math

import pytest

from budvision.stats import proportions
from budvision.stats.clusters import (
    beta_binomial_fit,
    clusters_needed,
    design_effect,
    summarise_clusters,
)
from budvision.stats.compare import share_difference
from budvision.stats.misreading import rogan_gladen


@pytest.mark.parametrize(
    ("name", "tolerance"), [("binomial_intervals.csv", 5.1e-5), ("binomial_intervals_r.csv", 1e-6)]
)
def test_published_binomial_intervals(truth, name, tolerance):
    checked = 0
    for row in truth(name):
        for method in ("wilson", "clopper_pearson", "agresti_coull", "jeffreys"):
            if f"{method}_low" not in row:
                continue
            got = getattr(proportions, method)(int(row["x"]), int(row["n"]))
            for end in ("low", "high"):
                if wanted := row[f"{method}_{end}"]:
                    assert getattr(got, end) == pytest.approx(float(wanted), abs=tolerance)
                    checked += 1
    assert checked >= 35


def test_other_published_exact_intervals(truth):
    for row in truth("clopper_pearson.csv"):
        got = proportions.clopper_pearson(int(row["x"]), int(row["n"]))
        within = 1.01 * float(row["tolerance"])
        assert got.low == pytest.approx(float(row["low"]), abs=within)
        assert got.high == pytest.approx(float(row["high"]), abs=within)


def test_one_sided_bound_with_nothing_hit():
    # Closed form 1 - 0.05 ** (1 / 10); printed as 0.2589 in public test files.
    assert proportions.one_sided_bound(0, 10) == pytest.approx(0.2589, abs=5e-5)
    assert proportions.one_sided_bound(10, 10, side="lower") == pytest.approx(0.7411, abs=5e-5)


def test_newcombe_difference(truth):
    for row in truth("difference_of_shares.csv"):
        got = share_difference(
            (int(row["x1"]), int(row["n1"])), (int(row["x2"]), int(row["n2"]))
        )
        assert got.low == pytest.approx(float(row["low"]), abs=5.1e-5)
        assert got.high == pytest.approx(float(row["high"]), abs=5.1e-5)


def test_rat_litters(truth):
    for wanted in truth("rat_litters_results.csv"):
        rows = [row for row in truth("rat_litters.csv") if row["group"] == wanted["group"]]
        alive, born = [int(row["alive"]) for row in rows], [int(row["born"]) for row in rows]
        got = summarise_clusters(alive, born)
        for name in ("share", "n0", "msb", "msw", "icc", "se", "design_effect"):
            printed = wanted[name]
            digit = 10.0 ** -len(printed.partition(".")[2])
            assert getattr(got, name) == pytest.approx(float(printed), abs=digit), name
        fit = beta_binomial_fit(alive, born)
        assert fit.share == pytest.approx(float(wanted["bb_share"]), abs=2e-5)
        assert fit.icc == pytest.approx(float(wanted["bb_icc"]), abs=2e-5)
        assert -fit.log_likelihood == pytest.approx(
            float(wanted["bb_minus_log_likelihood"]), abs=2e-5
        )


def test_design_effects(truth):
    for row in truth("design_effects.csv"):
        got = design_effect(float(row["size"]), float(row["icc"]), cv=float(row["cv"]))
        assert got == pytest.approx(float(row["design_effect"]), abs=5e-3)
        if row["worth_of_100"]:
            assert 100 / got == pytest.approx(float(row["worth_of_100"]), abs=0.05)


def test_cluster_survey_sizes(truth):
    for row in truth("cluster_survey_sizes.csv"):
        in_all = int(row["clusters_in_all"]) if row["clusters_in_all"] else None
        got = clusters_needed(
            0.46, size=75, icc=0.20, relative_error=0.10, confidence=0.90,
            size_sd=float(row["size_sd"]), n_clusters_in_all=in_all,
        )
        assert got == pytest.approx(float(row["unrounded"]), abs=5e-4)
        assert math.ceil(got) == int(row["clusters"])


def test_misreading(truth):
    for row in truth("misreading.csv"):
        share, interval = rogan_gladen(
            int(row["x"]), int(row["n"]), sensitivity=float(row["sensitivity"]),
            specificity=float(row["specificity"]),
        )
        assert share == pytest.approx(float(row["share"]), abs=5e-7)
        if row["high"]:
            within = float(row["interval_tolerance"])
            assert interval.low == pytest.approx(float(row["low"]), abs=within)
            assert interval.high == pytest.approx(float(row["high"]), abs=within)
