"""The headline interval, band chances, more buds and crop interval beside values from outside.

The data are published ones; the references are statsmodels (cluster-robust errors with Student's t)
and scipy (beta, beta-binomial, quadrature, bootstrap), run over the same data. Strata stand in
`test_shares.py` beside published standard errors.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, special, stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from budvision.settings import Settings
from budvision.stats.likelihood import WHOLE_LIKENESS, WHOLE_UNITS, log_likelihood, middles
from budvision.stats.posterior import posterior_under, share_posterior
from budvision.stats.units import Units
from budvision.vineyard.buds import DEAD, LIVE, NOT_CALLED, BudTable
from budvision.vineyard.mortality import summarise_table

EDGES = (0.14, 0.35, 0.50)


def clusters(row):
    hits, sizes = (np.array([float(cell) for cell in row[name].split()])
                   for name in ("hits", "sizes"))
    return hits, sizes, Units.of(hits, sizes, np.zeros(len(hits), np.int64), 1)


def test_headline_interval_beside_cluster_robust_errors(truth):
    for row in truth("cluster_samples.csv"):
        hits, sizes, units = clusters(row)
        found = share_posterior(units, prior_icc=0.25)
        low, high = (float(end[0]) for end in found.limits(0.95))
        assert found.share[0] == pytest.approx(float(row["share"]), abs=5e-7)
        buds = np.concatenate([np.repeat([1.0, 0.0], [int(x), int(m - x)])
                               for x, m in zip(hits, sizes, strict=True)])
        which = np.repeat(np.arange(len(hits)), sizes.astype(int))
        robust = sm.OLS(buds, np.ones(len(buds))).fit(
            cov_type="cluster", cov_kwds={"groups": which}, use_t=True)
        if row["se"]:
            assert robust.bse[0] == pytest.approx(float(row["se"]), abs=2e-5)
        (near, far), = robust.conf_int()
        exact = proportion_confint(hits.sum(), sizes.sum(), method="beta")
        # Five clusters leave their own spread unsure, which the robust errors do not carry.
        assert 0.95 <= (high - low) / max(far - near, exact[1] - exact[0]) <= 1.4
        assert (low, high) == pytest.approx((near, far), abs=0.1)
        if row["design_effect"] and len(hits) >= 8:
            assert found.design_effect[0] == pytest.approx(float(row["design_effect"]), rel=0.12)
            assert found.likeness[0] == pytest.approx(float(row["icc"]), abs=0.03)


def test_common_likeness_of_the_seeds(truth):
    """Crowder's 21 plates: published coefficients and their log-likelihood, by our own one."""
    logits = {"O73 bean": -0.44456, "O75 bean": -0.44456 - 0.09739,
              "O73 cucumber": -0.44456 + 0.52214,
              "O75 cucumber": -0.44456 - 0.09739 + 0.52214 + 0.79792}
    whole = {}
    for likeness in (0.011, 0.012361, 0.0137):
        whole[likeness] = 0.0
        for row in truth("cluster_samples.csv"):
            if row["group"] not in logits:
                continue
            hits, sizes, units = clusters(row)
            share = special.expit(logits[row["group"]])
            middle = math.asin(math.sqrt(share))
            logs = log_likelihood(units, np.array([likeness]), middle - 64 * 1e-6, 1e-6)[0, 0]
            ways = special.gammaln(sizes + 1) - special.gammaln(hits + 1) - special.gammaln(
                sizes - hits + 1)
            whole[likeness] += float(logs.mean() + ways.sum())
    assert -whole[0.012361] == pytest.approx(53.766763, abs=2e-5)
    assert whole[0.012361] > max(whole[0.011], whole[0.0137])


def test_band_chances_beside_scipy(truth):
    for row in truth("cluster_samples.csv"):
        hits, sizes, units = clusters(row)
        at = (np.arange(100) + 0.5) / 100
        likeness = np.append(1 - (1 - at) ** (0.25 / 0.75), WHOLE_LIKENESS)
        weight = np.append(np.full(100, (1 - WHOLE_UNITS) / 100), WHOLE_UNITS)
        share = np.sin(middles(0.0, math.pi / 2 / 128)) ** 2
        share = np.sort(np.concatenate([share, np.linspace(0.002, 0.998, 250), EDGES]))
        strength = ((1 - likeness) / likeness)[:, None]
        density = weight @ np.exp(sum(
            stats.betabinom.logpmf(x, m, share * strength, (1 - share) * strength)
            for x, m in zip(hits, sizes, strict=True)))
        density = density / np.sqrt(share * (1 - share))        # Jeffreys' prior
        below = integrate.cumulative_trapezoid(density, share, initial=0)
        wanted = np.diff([0, *np.interp(EDGES, share, below / below[-1]), 1])
        got = share_posterior(units, prior_icc=0.25).band_chances(EDGES)[0]
        assert got == pytest.approx(wanted, abs=3e-3)
        assert got.sum() == pytest.approx(1)
        # Buds independent: scipy's beta distribution.
        plain = stats.beta(hits.sum() + 0.5, (sizes - hits).sum() + 0.5).cdf(EDGES)
        alone = posterior_under(units, (np.zeros(1), np.zeros(1))).band_chances(EDGES)[0]
        assert alone == pytest.approx(np.diff([0, *plain, 1]), abs=2e-4)


def pairs(n, n_dead, n_second_dead):
    """Return canes of one bud: so many primaries dead, and of their secondaries so many."""
    calls = np.full((n, 3), NOT_CALLED)
    calls[:, :2] = LIVE
    calls[:n_dead, 0] = calls[:n_second_dead, 1] = DEAD
    return BudTable.from_columns(block=["A"] * n, cane=list(range(n)), node=[1] * n, calls=calls)


@pytest.mark.parametrize(("n", "n_dead"), [(40, 3), (60, 15), (60, 12), (100, 42), (80, 60)])
def test_more_buds_beside_scipys_exact_interval(n, n_dead):
    """One bud a cane is independent: the first sample whose exact interval lies in the band."""
    share, ends = n_dead / n, (0.0, *EDGES, 1.0)
    band = int(np.searchsorted(ends, share)) - 1

    def settled(more):
        whole = n + more
        low = stats.beta.ppf(0.025, share * whole, whole - share * whole + 1)
        high = stats.beta.ppf(0.975, share * whole + 1, whole - share * whole)
        return ends[band] <= low and high <= ends[band + 1]

    wanted = next(more for more in range(5000) if settled(more))
    [found] = summarise_table(pairs(n, n_dead, 0))
    assert found.more_buds == pytest.approx(wanted, abs=1)
    assert not settled(wanted - 1) or wanted == 0


@pytest.mark.parametrize(("n", "n_dead", "n_second"), [(60, 21, 10), (120, 42, 25), (400, 140, 60)])
def test_crop_interval_beside_student_and_bootstrap(n, n_dead, n_second):
    [found] = summarise_table(
        pairs(n, n_dead, n_second), settings=Settings.of({"secondary_crop": 1 / 3}, where="test"))
    crop = found.crop_potential
    scores = np.concatenate([np.zeros(n_second), np.full(n_dead - n_second, 1 / 3),
                             np.ones(n - n_dead)])
    assert crop.share == pytest.approx(scores.mean())
    student = DescrStatsW(scores).tconfint_mean()
    drawn = stats.bootstrap(
        (scores,), np.mean, random_state=np.random.default_rng(1)).confidence_interval
    for reference in (student, tuple(drawn)):
        assert (crop.low, crop.high) == pytest.approx(reference, abs=0.02)
    assert crop.high - crop.low >= 0.98 * (student[1] - student[0])
