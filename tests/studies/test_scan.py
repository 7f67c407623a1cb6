"""The search for the best cut against R maxstat, a printed document, brute force and the plain log-rank test."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import kstest

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.comparison import log_rank
from studies.scan import (
    best_cut,
    log_rank_scores,
    p_by_cuts,
    p_by_limits,
    p_exact_bound,
    p_gaussian,
    permutation_p,
    two_cuts,
    whole_scores,
)


@pytest.fixture(scope="module")
def lymphoma(reference_data):
    """Alizadeh et al. 2000, as in R maxstat; two rows have no time."""
    d = reference_data("lymphoma_cut").dropna(subset=["time", "cens", "MGE"])
    return d["MGE"].to_numpy(), d["time"].to_numpy(), d["cens"].to_numpy().astype(bool)


@pytest.mark.parametrize(("late", "rule"), [(False, "at risk"), (True, "maxstat")])
def test_statistic_and_cut_equal_r(lymphoma, reference, late, rule):
    x, t, f = lymphoma
    assert len(x) == reference("D13", "rows_used")["value"][0]
    found = best_cut(x, t, f, late_ties=late)
    assert found.statistic == pytest.approx(reference("D13", "maxM_from_definition", rule)["value"][0], rel=1e-8)
    assert found.cut == pytest.approx(reference("D13", "maxM_cutpoint", rule)["value"][0], rel=1e-9)


def test_published_figures(lymphoma, published):
    """Hothorn and Lausen, the document shipped with R maxstat."""
    found = best_cut(*lymphoma, late_ties=True)
    for quantity, value in (("maxstat_M", found.statistic), ("maxstat_cutpoint", found.cut)):
        row = published("D13", quantity).iloc[0]
        assert value == pytest.approx(row["published"], abs=row["tolerance"])


def test_five_p_values_equal_r(lymphoma, reference, published):
    x, t, f = lymphoma
    found = best_cut(x, t, f, late_ties=True)

    def r(name):
        return reference("D13", f"maxstat_p_{name}")["value"][0]

    assert p_by_limits(found.statistic) == pytest.approx(r("Lau92"), rel=1e-4)
    assert p_by_cuts(found.statistic, found.units, found.low) == pytest.approx(r("Lau94"), rel=1e-4)
    assert p_gaussian(found.statistic, found.units, found.low) == pytest.approx(r("exactGauss"), abs=0.005)
    p, drawn = permutation_p(x, t, f, permutations=20_000, late_ties=True)
    assert p == pytest.approx(r("condMC"), abs=0.005)
    row = published("D13", "maxstat_p_condMC").iloc[0]
    assert p == pytest.approx(row["published"], abs=2 * row["tolerance"])
    assert len(drawn) == 20_000
    # the conditional bound takes whole-number scores and the statistic of these. R's leaves out the subsets whose scores
    # sum to nought: 2e-5 here
    score = whole_scores(log_rank_scores(t, f, late_ties=True))
    sums = np.cumsum(score[np.argsort(x)])
    m, n = found.low, len(score)
    variance = m * (n - m) / (n**2 * (n - 1)) * (n * (score**2).sum() - score.sum() ** 2)
    statistic = np.abs((sums[m - 1] - m / n * score.sum()) / np.sqrt(variance)).max()
    assert statistic == pytest.approx(3.171, abs=5e-4)  # as printed
    assert p_exact_bound(score, m, statistic) == pytest.approx(r("HL"), abs=3e-5)


def test_two_cuts_equal_r(lymphoma, reference):
    found = two_cuts(*lymphoma, 8)
    assert found.statistic == pytest.approx(reference("D13", "two_cut_chisq")["value"][0], rel=1e-8)
    assert found.lower == pytest.approx(reference("D13", "two_cut_lower")["value"][0], rel=1e-9)
    assert found.upper == pytest.approx(reference("D13", "two_cut_upper")["value"][0], rel=1e-9)


def test_naive_p_is_that_of_the_log_rank_test_at_the_cut(lymphoma, reference):
    x, t, f = lymphoma
    plain = log_rank(t, f, x > best_cut(x, t, f).cut)
    assert plain.statistic == pytest.approx(reference("D13", "naive_logrank_chisq_at_cut")["value"][0], rel=1e-8)
    assert plain.p_value == pytest.approx(reference("D13", "naive_logrank_p_at_cut")["value"][0], rel=1e-8)
    assert permutation_p(x, t, f)[0] > 1.5 * plain.p_value  # the search is paid for


def test_exact_bound_bounds_the_exact_p_from_above():
    """Every permutation of seven units."""
    score = np.array([0, 1, 1, 3, 4, 6, 7])
    n, m = len(score), np.arange(2, 6)
    mean = m / n * score.sum()
    sd = np.sqrt(m * (n - m) / (n**2 * (n - 1)) * (n * (score**2).sum() - score.sum() ** 2))
    drawn = np.array(
        [np.abs((np.cumsum(q)[m - 1] - mean) / sd).max() for q in itertools.permutations(score.astype(float))]
    )
    for limit in (1.3, 1.7, 1.95):
        exact = (drawn > limit).mean()
        bound = p_exact_bound(score, m, limit)
        assert exact - 1e-12 <= bound <= 2.2 * exact + 1e-12
    # with one cut-point nothing is searched and the bound is exact
    one = np.array([np.abs((np.cumsum(q)[2] - mean[1]) / sd[1]) for q in itertools.permutations(score.astype(float))])
    assert p_exact_bound(score, [3], 1.5) == pytest.approx((one > 1.5).mean(), abs=1e-12)


def test_gaussian_p_equals_simulated_paths():
    low, n = np.arange(10, 91), 100
    rng = np.random.default_rng(3)
    t = low / n
    steps = rng.standard_normal((40_000, n)) / np.sqrt(n)
    walk = np.cumsum(steps, axis=1)
    bridge = walk - walk[:, -1:] * np.arange(1, n + 1) / n
    top = np.abs(bridge[:, low - 1] / np.sqrt(t * (1 - t))).max(1)
    assert p_gaussian(2.6, n, low) == pytest.approx((top > 2.6).mean(), abs=0.008)


def test_permutation_p_is_uniform_without_an_effect_and_within_strata():
    """60 samples of 80 units: times differ between strata, x does too, but within a stratum it says nothing."""
    rng = np.random.default_rng(5)
    found = []
    for i in range(60):
        stratum = rng.integers(0, 2, 80)
        x = rng.normal(size=80) + stratum
        life, end = rng.exponential(1.0 - 0.7 * stratum), rng.uniform(0.2, 1.5, 80)
        found.append(permutation_p(x, np.minimum(life, end), life < end, stratum, permutations=99, seed=i)[0])
    assert kstest(found, "uniform").pvalue > 0.01
    assert min(found) >= 0.01  # (1 + 0)/(99 + 1)


def test_permutations_repeat_and_do_not_hang_on_the_order_of_rows(lymphoma):
    x, t, f = lymphoma
    turned = np.random.default_rng(1).permutation(len(x))
    first = permutation_p(x, t, f, permutations=199, seed=4)[0]
    assert first == permutation_p(x[turned], t[turned], f[turned], permutations=199, seed=4)[0]


def test_search_refuses_what_it_cannot_do():
    with pytest.raises(NotEnoughData, match="no cut-point"):
        best_cut([1.0, 1.0, 1.0], [1, 2, 3], [True, True, False])
    with pytest.raises(AnalyticsError, match="row 1"):
        best_cut([1.0, np.nan, 2.0], [1, 2, 3], [True, True, False])
    with pytest.raises(NotEnoughData, match="two cut-points"):
        two_cuts([1.0, 2.0, 3.0], [1, 2, 3], [True, True, True], 2)
    with pytest.raises(AnalyticsError, match="whole numbers"):
        p_exact_bound([0.5, 1.0], [1], 1.0)
