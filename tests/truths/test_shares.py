"""Intervals for shares, clusters and misreadings against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special
from statsmodels.stats.proportion import proportion_confint

from budvision.stats import proportions
from budvision.stats.clusters import design_effect
from budvision.stats.likelihood import GRID, log_likelihood
from budvision.stats.misreading import ReadersRight, corrected_share
from budvision.stats.units import Units
from budvision.stats.weighted import weighted_posterior


@pytest.mark.parametrize(
    ("name", "tolerance"), [("binomial_intervals.csv", 5.1e-5), ("binomial_intervals_r.csv", 1e-6)]
)
def test_published_binomial_intervals(truth, name, tolerance):
    checked = 0
    for row in truth(name):
        for method in ("wilson", "clopper_pearson"):
            if f"{method}_low" not in row:
                continue
            got = getattr(proportions, method)(int(row["x"]), int(row["n"]))
            for end in ("low", "high"):
                if wanted := row[f"{method}_{end}"]:
                    assert getattr(got, end) == pytest.approx(float(wanted), abs=tolerance)
                    checked += 1
    assert checked >= 20


def test_other_published_exact_intervals(truth):
    for row in truth("clopper_pearson.csv"):
        got = proportions.clopper_pearson(int(row["x"]), int(row["n"]))
        within = 1.01 * float(row["tolerance"])
        assert got.low == pytest.approx(float(row["low"]), abs=within)
        assert got.high == pytest.approx(float(row["high"]), abs=within)


def test_rat_litters(truth):
    for wanted in truth("rat_litters_results.csv"):
        rows = [row for row in truth("rat_litters.csv") if row["group"] == wanted["group"]]
        alive, born = (np.array([float(row[name]) for row in rows]) for name in ("alive", "born"))
        units = Units.of(alive, born, np.zeros(len(rows), np.int64), 1)
        chosen = float(np.sum(special.gammaln(born + 1) - special.gammaln(alive + 1)
                              - special.gammaln(born - alive + 1)))
        icc, middle = float(wanted["bb_icc"]), math.asin(math.sqrt(float(wanted["bb_share"])))

        def best(likeness, units=units, middle=middle, chosen=chosen):
            # The grid's two middle points lie half a step beside the published share.
            logs = log_likelihood(units, np.array([likeness]), middle - GRID / 2 * 1e-4, 1e-4)[0, 0]
            beside = logs[GRID // 2 - 1 : GRID // 2 + 1]
            return chosen + float(beside.mean()), chosen + float(logs.max())

        at, peak = best(icc)
        assert -at == pytest.approx(float(wanted["bb_minus_log_likelihood"]), abs=2e-5)
        assert peak == pytest.approx(at, abs=2e-5)      # the published share is the likeliest
        assert max(best(icc * 0.97)[1], best(icc * 1.03)[1]) < peak


def test_two_strata_against_published_standard_errors(truth):
    # Single-stage strata: the posterior's spread tends to the published standard error.
    for row in truth("stratified_shares.csv"):
        n, hits, weight = (
            [float(cell) for cell in row[name].split()] for name in ("n", "hits", "weight"))
        x = np.concatenate([np.repeat([1.0, 0.0], [int(h), int(m - h)])
                            for h, m in zip(hits, n, strict=True)])
        stratum = np.repeat(np.arange(len(n)), [int(m) for m in n])
        units = Units.of(x, np.ones(len(x)), np.zeros(len(x), np.int64), 1)
        found = weighted_posterior(units, stratum, np.array([weight]), prior_icc=0.25)
        assert found.share[0] == pytest.approx(float(row["share"]), abs=5e-7)
        assert math.sqrt(found.variance[0]) == pytest.approx(float(row["se"]), rel=0.02)


def test_design_effects(truth):
    for row in truth("design_effects.csv"):
        got = design_effect(float(row["size"]), float(row["icc"]), cv=float(row["cv"]))
        assert got == pytest.approx(float(row["design_effect"]), abs=5e-3)
        if row["worth_of_100"]:
            assert 100 / got == pytest.approx(float(row["worth_of_100"]), abs=0.05)


def test_misreading(truth):
    checked = 0
    for row in truth("misreading.csv"):
        right = ReadersRight(round(float(row["sensitivity"]) * 10**6), 10**6,
                             round(float(row["specificity"]) * 10**6), 10**6)
        got = corrected_share(int(row["x"]) / int(row["n"]), int(row["n"]), right)
        assert got.share == pytest.approx(float(row["share"]), abs=5e-7)

        # Rates known: Lang & Reiczigel's interval becomes Agresti & Coull's, carried over.
        def carried(ends, row=row):
            known = float(row["sensitivity"]), float(row["specificity"])
            return [min(1, max(0, (end + known[1] - 1) / (sum(known) - 1))) for end in ends]

        x, n, found = int(row["x"]), int(row["n"]), (got.interval.low, got.interval.high)
        reference = proportion_confint(x, n, method="agresti_coull")
        assert found == pytest.approx(carried(reference), abs=5e-6)
        if row["high"]:     # published by exact methods, which ours stays within 0.15 points of
            published = [float(row["low"]), float(row["high"])]
            exact = proportions.clopper_pearson(x, n)
            within = float(row["interval_tolerance"])
            assert carried((exact.low, exact.high)) == pytest.approx(published, abs=within)
            assert found == pytest.approx(published, abs=max(within, 0.0015))
            checked += 1
    assert checked == 2


def test_misreading_with_error_rates_counted_on_some_buds(truth):
    for row in truth("misreading_counted.csv"):
        right = ReadersRight(*(int(row[name]) for name in
                               ("dead_right", "n_dead", "live_right", "n_live")))
        got = corrected_share(float(row["x"]) / float(row["n"]), float(row["n"]), right)
        within = float(row["tolerance"])
        assert got.share == pytest.approx(float(row["share"]), abs=6e-5)
        assert got.interval.low == pytest.approx(float(row["low"]), abs=within)
        assert got.interval.high == pytest.approx(float(row["high"]), abs=within)
