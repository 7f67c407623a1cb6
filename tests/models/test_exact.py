"""Exact bounds against R, printed tables, scipy and their definitions."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.exact import (
    binomial_limits,
    compare_rates,
    poisson_limits,
)
from studies.textbook import mtbf_factors, proportion_chart, success_run_reliability, units_to_prove


def _plan(at: str) -> tuple[float, float]:
    r, c = re.fullmatch(r"R([\d.]+) C([\d.]+)", at).groups()
    return float(r), float(c)


def _computed(quantity: str, group: str, at: str) -> float:
    """The package's answer to a row of case D17."""
    if quantity.startswith("poisson_"):
        limits = poisson_limits(int(at), level=0.9 if "one_sided" in quantity else 0.95)
        return limits.lower if "lower" in quantity else limits.upper
    if quantity.startswith("binomial_"):
        limits = binomial_limits(int(at), 50)
        return limits.lower if "lower" in quantity else limits.upper
    if quantity in ("zero_failure_n", "one_failure_n"):
        return units_to_prove(*_plan(at), failures=0 if quantity.startswith("zero") else 1)
    if quantity.startswith("zero_failure_rate_upper"):
        confidence = int(quantity.removeprefix("zero_failure_rate_upper")[:2]) / 100
        return poisson_limits(0, level=2 * confidence - 1).upper
    if quantity == "weibull_zero_failure_R_lower":
        return success_run_reliability(10, 0.9, life_ratio=1.5, beta=2)
    if quantity == "weibull_zero_failure_n":
        return units_to_prove(0.9, 0.9, life_ratio=1.5, beta=2)
    if quantity.startswith("mtbf_"):
        factors = mtbf_factors(int(at.removeprefix("r=")), level=float(group))
        return factors.lower if "lower" in quantity else factors.upper
    raise AssertionError(quantity)


def test_every_exact_value_equals_r(reference):
    """Garwood 1936, Clopper and Pearson 1934, success runs, NIST/SEMATECH e-Handbook 8.4.5.1."""
    rows = reference("D17")
    assert len(rows) == 70
    for row in rows.itertuples():
        got = _computed(row.quantity, row.group, row.at)
        # The atol is for lower limits that are nought.
        assert got == pytest.approx(row.value, rel=1e-6, abs=1e-12), row
        if row.quantity.endswith("_n"):
            assert got == row.value


def test_every_printed_value(published):
    rows = published("D17")
    assert len(rows) >= 20
    for row in rows.itertuples():
        assert _computed(row.quantity, row.group, row.at) == pytest.approx(row.published, abs=row.tolerance), row


@given(st.integers(1, 60), st.data(), st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]))
@settings(max_examples=80, deadline=None)
def test_binomial_limits_are_the_shares_at_which_the_tails_fit(units, data, level):
    failures = data.draw(st.integers(0, units))
    limits, tail = binomial_limits(failures, units, level), (1 - level) / 2
    assert 0 <= limits.lower <= limits.estimate <= limits.upper <= 1
    if failures:
        assert stats.binom.sf(failures - 1, units, limits.lower) == pytest.approx(tail, rel=1e-6)
    if failures < units:
        assert stats.binom.cdf(failures, units, limits.upper) == pytest.approx(tail, rel=1e-6)


@given(st.integers(0, 200), st.floats(0.01, 1e6), st.sampled_from([0.8, 0.9, 0.95]))
@settings(max_examples=80, deadline=None)
def test_poisson_limits_are_the_rates_at_which_the_tails_fit(failures, exposure, level):
    limits, tail = poisson_limits(failures, exposure, level), (1 - level) / 2
    assert stats.poisson.cdf(failures, limits.upper * exposure) == pytest.approx(tail, rel=1e-6)
    if failures:
        assert stats.poisson.sf(failures - 1, limits.lower * exposure) == pytest.approx(tail, rel=1e-6)


@given(st.floats(0.5, 0.999), st.floats(0.5, 0.99), st.integers(0, 4))
@settings(max_examples=80, deadline=None)
def test_the_plan_is_the_smallest_that_proves_it(reliability, confidence, failures):
    n = units_to_prove(reliability, confidence, failures)
    assert stats.binom.cdf(failures, n, 1 - reliability) <= 1 - confidence + 1e-9
    if n > failures + 1:
        assert stats.binom.cdf(failures, n - 1, 1 - reliability) > 1 - confidence - 1e-9


def test_a_whole_solution_is_not_rounded_up():
    assert units_to_prove(0.5, 0.75) == 2
    assert units_to_prove(0.9, 0.9) == 22
    # R and C are not to be confused: 0.95 with 0.90 needs 45, 0.90 with 0.95 needs 29.
    assert (units_to_prove(0.95, 0.9), units_to_prove(0.9, 0.95)) == (45, 29)


def test_none_in_thirty_still_allows_a_tenth():
    """1 - 0.05^(1/30) = 0.095, which is also the one-sided Clopper-Pearson limit."""
    assert 1 - success_run_reliability(30, 0.95) == pytest.approx(0.0950, abs=5e-5)
    assert 1 - success_run_reliability(30, 0.95) == pytest.approx(binomial_limits(0, 30, 0.9).upper)


def test_two_rates_equal_r():
    """R's help example for poisson.test, breast cancer in Fredericia against three cities (figures from memory,
    confirmed by computing): ratio 1.97, p 0.07967, limits 0.858 to 4.277."""
    result = compare_rates(11, 800, 6 + 8 + 7, 1083 + 1050 + 878)
    assert result.ratio == pytest.approx(1.97149, abs=1e-4)
    assert result.p_value == pytest.approx(0.07967, abs=5e-6)
    assert result.lower == pytest.approx(0.8584, abs=5e-5)
    assert result.upper == pytest.approx(4.2773, abs=5e-5)


@given(st.integers(0, 30), st.integers(0, 30), st.floats(0.1, 10))
@settings(max_examples=60, deadline=None)
def test_limits_on_a_ratio_agree_with_the_one_sided_tests(first, second, exposure):
    """At a limit of the ratio the exact one-sided test must give just half of 5%."""
    if first + second == 0:
        return
    result = compare_rates(first, exposure, second, 1.0)
    assert result.lower <= result.ratio <= result.upper
    if first:
        share = result.lower * exposure / (1 + result.lower * exposure)
        assert stats.binom.sf(first - 1, first + second, share) == pytest.approx(0.025, rel=1e-5)
    turned = compare_rates(second, 1.0, first, exposure)
    if first and second:
        assert turned.ratio == pytest.approx(1 / result.ratio)
        assert turned.upper == pytest.approx(1 / result.lower)
    assert turned.p_value == pytest.approx(result.p_value, abs=1e-9)


def test_rates_with_nothing_on_one_side():
    result = compare_rates(3, 10, 0, 10)
    assert result.ratio == math.inf
    assert result.upper == math.inf
    assert result.p_value == pytest.approx(2 * 0.5**3)


def test_proportion_chart_of_the_handbook(reference, published, reference_data):
    """NIST/SEMATECH e-Handbook 6.3.3.2: chip fractions of 30 wafers, 50 chips each."""
    d = reference_data("p_chart")
    failures = np.rint(d["fraction"] * d["n"]).astype(int)
    chart = proportion_chart(failures, d["n"])
    for quantity, got in {"centre": chart.centre, "lcl": chart.lower[0], "ucl": chart.upper[0]}.items():
        assert got == pytest.approx(reference("D18", quantity)["value"][0], rel=1e-6)
        row = published("D18", quantity).iloc[0]
        assert got == pytest.approx(row["published"], abs=row["tolerance"])
    frame = chart.to_frame()
    assert frame["outside"].sum() == reference("D18", "lots_outside")["value"][0]
    for row in reference("D18", "lot_outside_fraction").itertuples():
        lot = int(row.at) - 1
        assert chart.outside[lot]
        assert chart.fraction[lot] == row.value


def test_proportion_chart_widens_for_small_lots():
    chart = proportion_chart([0, 4, 1], [10, 100, 20])
    assert chart.lower == (0.0, 0.0, 0.0)
    assert chart.upper[0] > chart.upper[2] > chart.upper[1]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: binomial_limits(3, 2), "3 failures of 2 units: there cannot be more"),
        (lambda: binomial_limits(0, 0), "units is 0: give a whole number of at least 1"),
        (lambda: binomial_limits(1.5, 3), "failures is 1.5: give a whole number"),
        (lambda: poisson_limits(-1), "failures is -1"),
        (lambda: poisson_limits(1, 0), "exposure is 0: give a number above 0"),
        (lambda: poisson_limits(1, 5, 95), "level is 95: give a number between 0 and 1"),
        (lambda: units_to_prove(90, 0.9), "reliability is 90: give a number between 0 and 1"),
        (lambda: success_run_reliability(0, 0.9), "units is 0: give a number above 0"),
        (lambda: proportion_chart([1], [1, 2]), "1 failure counts for 2 lots"),
        (lambda: proportion_chart([3], [2]), "lot 0 .counted from 0. has 3 failures of 2 units"),
    ],
)
def test_a_bad_value_is_named(call, message):
    with pytest.raises(AnalyticsError, match=message):
        call()


def test_nothing_failed():
    with pytest.raises(NotEnoughData, match="no failure: there is no mean time"):
        mtbf_factors(0)
    with pytest.raises(NotEnoughData, match="no failure on either side"):
        compare_rates(0, 1, 0, 1)
