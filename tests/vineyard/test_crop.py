"""Crop estimates: intervals against Monte Carlo, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from budvision.errors import InputError, UsageError
from budvision.vineyard import balance, balanced, crop, units
from budvision.vineyard.counts import vines_to_count
from budvision.vineyard.crop import Measured
from budvision.vocabulary import Interval

VINIFERA = balanced.BALANCED_FORMULAS["vinifera"]


def test_interval_agrees_with_monte_carlo():
    factors = {"a": Measured(2000, 100), "b": Measured(38, 4), "c": Measured(0.12, 0.02)}
    got = crop.multiply(factors, constant=0.001)
    rng = np.random.default_rng(8)
    draws = np.full(400_000, 0.001)
    for item in factors.values():
        spread = np.sqrt(np.log1p((item.se / item.value) ** 2))
        draws *= rng.lognormal(np.log(item.value), spread, size=draws.size)
    low, high = np.quantile(draws, [0.025, 0.975])
    assert got.interval.low == pytest.approx(low, rel=0.01)
    assert got.interval.high == pytest.approx(high, rel=0.01)
    # And normal inputs, which the log scale only approximates.
    normal = 0.001 * np.prod([rng.normal(item.value, item.se, 400_000)
                              for item in factors.values()], axis=0)
    low, high = np.quantile(normal, [0.025, 0.975])
    assert got.interval.low == pytest.approx(low, rel=0.1)
    assert got.interval.high == pytest.approx(high, rel=0.1)


def test_exact_inputs_have_no_width():
    got = crop.yield_estimate(Measured(2000), Measured(40), Measured(0.1))
    assert got.interval.low == got.value == got.interval.high == pytest.approx(8)


def test_measured_mean_and_error():
    got = crop.measured([10, 12, 8, 10])
    # scipy.stats.sem([10, 12, 8, 10]) is 0.8165.
    assert (got.value, got.se) == (10, pytest.approx(0.8165, abs=5e-5))
    assert (crop.measured([7]).se, crop.measured([7]).n, crop.measured([7]).cv) == (0, 1, None)


def test_one_count_has_no_interval_of_no_width():
    one = crop.multiply({"clusters": crop.measured([40])})
    assert one.interval.high / one.interval.low > 2
    exact = crop.multiply({"clusters": Measured(40)})
    assert exact.interval.low == pytest.approx(exact.interval.high)


def test_few_counts_go_by_students_t():
    # Eight cluster weights, mean 116 g: scipy's t interval is 99.9 to 132.1.
    weights = [112, 98, 145, 120, 87, 133, 105, 128]
    got = crop.multiply({"weight": crop.measured(weights)})
    low, high = stats.t.interval(0.95, 7, np.mean(weights), stats.sem(weights))
    assert (low, high) == pytest.approx((99.9126, 132.0874), abs=1e-4)
    assert (got.interval.low, got.interval.high) == pytest.approx((low, high), rel=0.02)
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(2000):
        ends = crop.multiply({"clusters": crop.measured(rng.normal(40, 4, 4))}).interval
        held += ends.low <= 40 <= ends.high
    assert held / 2000 >= 0.94      # by the normal 86 %
    many = crop.multiply({"a": crop.measured(weights), "b": Measured(2, 0.5)})
    plain = crop.multiply({"a": Measured(116, stats.sem(weights)), "b": Measured(2, 0.5)})
    # Where the other factor's error rules, few weights hardly matter.
    assert many.interval.high == pytest.approx(plain.interval.high, rel=0.01)


@pytest.mark.parametrize("n", [2, 3, 5, 10])
def test_ranges_of_counted_vines_hold_as_often_as_they_say(n):
    """Nodes counted on n vines times a binomial share with Clopper and Pearson's own range.

    Outside: scipy.stats.t for one factor, scipy.stats.binomtest for the share (exact). Counts of
    a vine 50 with a spread of 8; 60 buds, 85 of 100 alive. 1.96 standard errors held 70 to 92.
    """
    rng = np.random.default_rng(100 + n)
    shares = {k: stats.binomtest(k, 60).proportion_ci(0.95) for k in range(61)}
    held, by_z = 0, 0
    for _ in range(2000):
        nodes, k = crop.measured(rng.normal(50, 8, n)), int(rng.binomial(60, 0.85))
        ends = Interval(*shares[k], 0.95, "exact")
        got = crop.multiply({"nodes": nodes, "alive": Measured(k / 60, interval=ends)}).interval
        held += got.low <= 50 * 0.85 <= got.high
        by_z += abs(nodes.value - 50) <= 1.96 * nodes.se
        alone = crop.multiply({"nodes": nodes}).interval
        high = stats.t.interval(0.95, n - 1, nodes.value, nodes.se)[1]
        assert alone.high >= high * 0.98    # on the log scale, so a little to the right
    assert held / 2000 >= 0.94
    assert by_z / 2000 <= 0.93


@pytest.mark.parametrize(("few", "many", "cv"), [(2, 20, 0.3), (2, 100, 0.5), (3, 400, 0.36)])
def test_a_product_of_few_and_many_counts_holds_as_often_as_it_says(few, many, cv):
    """Degrees of freedom by Satterthwaite's formula held 87 to 92 in 100 of these."""
    rng = np.random.default_rng(few * many)
    held = 0
    for _ in range(2000):
        counts = crop.measured(rng.gamma(1 / 0.04, 40 * 0.04, few))
        weights = crop.measured(rng.gamma(1 / cv**2, 100 * cv**2, many))
        ends = crop.multiply({"counts": counts, "weights": weights}).interval
        held += ends.low <= 4000 <= ends.high
    assert held / 2000 >= 0.945


def test_a_share_keeps_its_own_range_alone_and_in_a_product():
    """Zou and Donner (2008): the ends of a product of one factor are that factor's own."""
    ends = Interval(0.02, 0.33, 0.95, "exact")
    alone = crop.multiply({"alive": Measured(0.1, interval=ends)}).interval
    assert (alone.low, alone.high) == pytest.approx((0.02, 0.33))
    none = Interval(0.0, 0.33, 0.95, "exact")
    assert crop.multiply({"alive": Measured(0.1, interval=none)}).interval.low == 0
    with pytest.raises(InputError, match="range of alive is 0 to 0.33 at 0.95; expected one round"):
        crop.multiply({"alive": Measured(0.1, interval=none)}, confidence=0.9)


@pytest.mark.parametrize("share", [Measured(1.0, n=1), Measured(0.98, 0.05), Measured(0.8, n=1)])
def test_no_more_shoots_are_expected_than_nodes_can_bear(share):
    """"49 shoots a vine (27 to 87)" of 54 nodes stood there."""
    shoots = crop.expected_shoots(Measured(54), share).interval
    assert shoots.high <= 54
    full = crop.expected_crop(
        Measured(54), Measured(1.0), clusters_a_shoot=Measured(2), cluster_kg=Measured(0.1),
        vines_per_ha=Measured(2000))
    given = crop.expected_crop(
        Measured(54), share, clusters_a_shoot=Measured(2), cluster_kg=Measured(0.1),
        vines_per_ha=Measured(2000))
    assert given.interval.high <= full.interval.high + 1e-9


def test_counts_that_are_all_the_same_are_not_exact():
    same = crop.multiply({"clusters": crop.measured([2, 2, 2])}).interval
    assert same.low < 1.7
    assert same.high > 2.3


def test_vines_to_count_by_their_spread():
    # Counts 38 42 40 45: the formula for a share answered 322.
    counts = crop.measured([38, 42, 40, 45])
    n = vines_to_count(1500, cv=counts.cv)
    assert n == 11
    width = stats.t.ppf(0.975, n - 1) * counts.cv * np.sqrt((1 - n / 1500) / n)
    assert width <= 0.05 < stats.t.ppf(0.975, n - 2) * counts.cv * np.sqrt((1 - n / 1500) / (n - 1))
    assert vines_to_count(20, cv=0.5) == 20


def test_expected_shoots_and_crop():
    shoots = crop.expected_shoots(Measured(50), Measured(0.8))
    assert shoots.value == pytest.approx(36)
    got = crop.expected_crop(
        Measured(50), Measured(0.8, 0.05), clusters_a_shoot=Measured(2), cluster_kg=Measured(0.1),
        vines_per_ha=Measured(2000),
    )
    assert got.value == pytest.approx(50 * 0.8 * 0.9 * 2 * 0.1 * 2000 / 1000)
    assert got.interval.low < got.value < got.interval.high


@given(st.floats(0.1, 40), st.floats(1, 100))
def test_thinning_never_takes_more_than_there_is(target, clusters):
    got = crop.cluster_thinning(
        target, vines_per_ha=2000, clusters_a_vine=clusters, cluster_kg=0.1
    )
    assert 0 <= got.remove <= clusters
    assert got.remove - 1e-9 <= got.remove_if_compensating <= clusters
    assert (got.remove == 0) == ("nothing to take off" in got.warning)


def test_prediction_against_harvest():
    intervals = [Interval(8, 12, 0.95, "x"), Interval(4, 6, 0.95, "x")]
    got = crop.compare_with_harvest([10, 5], [8, 10], intervals=intervals)
    assert got.errors == pytest.approx((0.25, -0.5))
    assert got.mean_error == pytest.approx(-0.125)
    assert got.mean_absolute_error == pytest.approx(0.375)
    assert got.within == 1
    assert crop.compare_with_harvest([1], [1]).within is None
    with pytest.raises(InputError, match="1 prediction and 0 harvests"):
        crop.compare_with_harvest([1], [])


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: crop.multiply({"vines": Measured(0)}), "vines is 0"),
        (lambda: crop.multiply({"vines": Measured(1, -1)}), "error -1"),
        (lambda: crop.measured([]), "the counts are"),
        (lambda: crop.measured([0, 0]), "one of them above"),
        (lambda: crop.measured([1, -1]), "the counts are"),
        (lambda: vines_to_count(0, cv=0.2), "vines are 0"),
        (lambda: crop.cluster_thinning(0, vines_per_ha=1, clusters_a_vine=1, cluster_kg=1),
         "the target is 0"),
        (lambda: balanced.balanced_nodes(0, VINIFERA), "weigh 0 kg"),
        (lambda: balanced.balanced_nodes(1, VINIFERA, least=9, most=3),
         "limits are 9 and 3"),
        (lambda: balanced.charge_nodes(0), "weigh 0 kg"),
        (lambda: balanced.spacing_nodes(0), "spacing is 0"),
        (lambda: balanced.lay_out(0, 5), "there are 0 nodes"),
        (lambda: balance.ravaz(1, 0), "prunings_kg is 0"),
        (lambda: balance.place(1, "leaf_area", canopy="tall"), "no band for 'leaf_area'"),
        (lambda: balance.shoots_to_remove(0, 1), "shoots_per_m is 0"),
        (lambda: units.vines_per_hectare(0, 1), "row_m is 0"),
        (lambda: units.vines_on_area(100, missing_share=1), "missing share is 1"),
    ],
)
def test_bad_input(call, match):
    with pytest.raises(InputError, match=match):
        call()


def test_limits_and_shoots():
    got = balanced.balanced_nodes(3.0, VINIFERA, most=60)
    assert (got.nodes, got.limited) == (60, True)
    assert balance.shoots_to_remove(18, 15) == 3
    assert balance.shoots_to_remove(12, 15) == 0
    assert balanced.lay_out(54, 10) == balanced.Layout(5, 10, 50)
    assert balanced.lay_out(2, 10).count == 1


def test_quantities():
    assert units.parse_quantity("9 ft", "length").value == pytest.approx(2.7432)
    assert units.parse_quantity("1,2kg", "weight").value == 1.2
    tonnes = units.parse_quantity("4 tons/acre", "yield").value
    assert tonnes == pytest.approx(4 * 0.90718474 / 0.40468564, rel=1e-6)   # short tons, acres
    assert units.tons_per_acre(tonnes) == pytest.approx(4)
    assert units.parse_quantity("2.5 m", "length").system == "metric"
    assert units.to_fahrenheit(units.to_celsius(-9.8)) == pytest.approx(-9.8)
    for text, match in (("9", 'row is "9"'), ("ft", "number with its unit"), ("9 lb", "m, cm"),
                        ("0 m", "more than 0"), ("-3 m", "number with its unit")):
        with pytest.raises(InputError, match=match):
            units.parse_quantity(text, "length", name="row")


def test_mixed_units_are_refused():
    row, vine = (units.parse_quantity(text, "length") for text in ("9 ft", "1.2 m"))
    assert units.one_system([("row", row)]) == "us"
    with pytest.raises(UsageError, match="units are mixed: row is 9 ft and vine is 1.2 m"):
        units.one_system([("row", row), ("vine", vine)])


def test_three_shoots_a_foot_are_within_three_to_five():
    # 40 nodes, half alive, 10 % not breaking, 6 ft: 18 shoots, 3.0 a foot.
    assert balance.place(18 / (6 * units.FOOT_M), "shoots").where == "within"
    assert balance.place(30 / (6 * units.FOOT_M), "shoots").where == "within"
    assert balance.place(17.9 / (6 * units.FOOT_M), "shoots").where == "below"
