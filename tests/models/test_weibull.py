"""Single fits against R, printed values, scipy and the likelihood itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize_scalar

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.nonparametric import kaplan_meier
from analytics.models.weibull import _Sample
from studies.life import LifeFit, fit_life, weibayes
from studies.textbook import chance_of_failure, mean_life, sd_life

MAXIMUM = 1e-4
LIMITS = 1e-3
FLAT = 5e-4  # D04 and D15


def _right(time, failed, **more):
    return {"lower": time, "upper": np.where(np.asarray(failed) > 0, time, np.inf), **more}


def _rows(case: str, group: str, data) -> dict:
    if case == "D02":
        d = data("nist_weibull")
        return _right(d["hours"], d["failed"], count=d["count"])
    if case == "D03":
        d = data("shock_absorber")
        return _right(d["km"], d["mode"] == int(group[-1]) if group.startswith("mode") else d["mode"] > 0)
    if case == "D04":
        d = data("bearing_cage")
        return _right(d["hours"], d["failed"], count=d["count"])
    if case == "D05":
        d = data("heat_exchanger")
        return {"lower": d["year_lo"], "upper": d["year_hi"], "count": d["tubes"]}
    if case == "D06":
        d = data("turbine_wheel")
        # One look at each wheel: cracked some time before, or not yet.
        return {
            "lower": np.concatenate([np.zeros(len(d)), d["hours"]]),
            "upper": np.concatenate([d["hours"], np.full(len(d), np.inf)]),
            "count": np.concatenate([d["failed"], d["inspected"] - d["failed"]]),
        }
    if case == "D15":
        d = data("channing")
        d = d[(d["exit"] > d["entry"]) & (d["sex"] == group)]
        return _right(d["exit"], d["cens"], entry=d["entry"])
    if case == "D16":
        d = data("automotive")
        return _right(d["miles"], d["failed"])
    d = data("ball_bearing")
    return {"lower": d["mrev"], "upper": d["mrev"]}


CASES = [
    ("D02", "weibull"),
    ("D02", "lognormal"),
    ("D03", "all modes"),
    ("D03", "all modes lognormal"),
    ("D03", "mode 1"),
    ("D03", "mode 2"),
    ("D04", ""),
    ("D05", ""),
    ("D06", ""),
    ("D15", "Male"),
    ("D15", "Female"),
    ("D16", ""),
    ("D16", "lognormal"),
    ("D20", ""),
    ("D20", "lognormal"),
]


def _fit(case: str, group: str, data) -> LifeFit:
    distribution = "lognormal" if "lognormal" in group else "weibull"
    # The second finding of the shock absorbers has four failures only.
    return fit_life(**_rows(case, group, data), distribution=distribution, min_failures=4)


@pytest.mark.parametrize(("case", "group"), CASES)
def test_fit_and_every_limit_equal_r(case, group, reference, reference_data):
    """Parameters, covariance, Wald and profile limits; data and sources in tests/reference/README.md."""
    fit = _fit(case, group, reference_data)
    flat = FLAT if case in ("D04", "D15") else MAXIMUM
    simple = {
        "coef_mu": (lambda: fit.mu, flat),
        "sigma": (lambda: fit.sigma, flat),
        "log_sigma": (lambda: np.log(fit.sigma), flat),
        "eta": (lambda: fit.eta, flat),
        "beta": (lambda: fit.beta, flat),
        "aic": (lambda: fit.aic, 1e-6),
        "mean_life": (lambda: mean_life(fit), flat),
        "sd_life": (lambda: sd_life(fit), flat),
        "var_mu_mu": (lambda: fit.covariance[0, 0], LIMITS),
        "var_mu_log_sigma": (lambda: fit.covariance[0, 1], LIMITS),
        "var_log_sigma_log_sigma": (lambda: fit.covariance[1, 1], LIMITS),
    }
    skip = ("km_", "nelson", "cif", "one_minus", "eta_entry", "beta_entry", "exp_")
    checked = 0
    for row in reference(case, group=group).itertuples():
        name = row.quantity
        known = name in simple or name.startswith(("quantile_", "reliability_", "loglik"))
        if name.startswith(skip) or not known:
            continue
        checked += 1
        if name == "loglik":
            assert fit.log_likelihood == pytest.approx(row.value, abs=1e-4)
        elif name in simple:
            got, tolerance = simple[name]
            # The absolute part is for the log-normal's covariance, nought without censoring.
            assert got() == pytest.approx(row.value, rel=tolerance, abs=1e-10), name
        else:
            kind, what = name.split("_", 1)
            at = float(row.at)
            ask = fit.quantile if kind == "quantile" else fit.reliability
            if what == "est":
                assert ask(at, method="wald").value == pytest.approx(row.value, rel=flat), row
            elif what.startswith(("wald", "prof")):
                e = ask(at, method="wald" if what.startswith("wald") else "profile")
                got = e.lower if what.endswith("lo") else e.upper
                assert got == pytest.approx(row.value, rel=LIMITS), row
            else:
                e = ask(at, method="wald")
                if kind == "quantile":
                    spread = np.log(e.upper / e.lower)
                else:
                    upper, lower = (np.log(-np.log(v)) for v in (e.upper, e.lower))  # z, for a Weibull
                    spread = lower - upper
                assert spread / 2 / 1.959963985 == pytest.approx(row.value, rel=LIMITS), row
    assert checked >= 6


@pytest.mark.parametrize("case", ["D02", "D03", "D04", "D20"])
def test_fit_equals_the_printed_value(case, published, reference_data):
    """NIST/SEMATECH e-Handbook 8.4.1.3 (read); Meeker and Escobar, Abernethy, Lawless (from memory)."""
    names = {"eta": "eta", "beta": "beta", "loglik": "log_likelihood", "aic": "aic", "mean_life": "",
             "sd_life": "", "coef_mu": "mu", "sigma": "sigma"}  # fmt: skip
    rows = published(case)
    rows = rows[rows["quantity"].isin(names)]
    assert len(rows) >= 2
    for row in rows.itertuples():
        fit = _fit(case, row.group, reference_data)
        found = {"mean_life": mean_life, "sd_life": sd_life}.get(row.quantity)
        assert (getattr(fit, names[row.quantity]) if found is None else found(fit)) == pytest.approx(
            row.published, abs=row.tolerance
        ), row


def test_profile_limits_of_the_shape(reference, reference_data):
    """Ball bearings, Lieblein and Zelen 1956."""
    fit = _fit("D20", "", reference_data)
    shape = fit.shape()
    assert shape.estimate == fit.beta
    assert shape.lower == pytest.approx(reference("D20", "beta_prof_lo")["value"][0], rel=LIMITS)
    assert shape.upper == pytest.approx(reference("D20", "beta_prof_hi")["value"][0], rel=LIMITS)
    wald = fit.shape_by(method="wald")
    assert wald.lower * wald.upper == pytest.approx(fit.beta**2)


def test_two_findings_in_series(reference, reference_data):
    """Shock absorbers: the two findings' fits together give the share back for either."""
    one, two = (_fit("D03", f"mode {m}", reference_data) for m in (1, 2))
    for row in reference("D03", "series_system_F").itertuples():
        got = 1 - one.survival(float(row.at)) * two.survival(float(row.at))
        assert got == pytest.approx(row.value, rel=MAXIMUM)
    b10 = reference("D03", "series_system_B10")["value"][0]
    assert one.survival(b10) * two.survival(b10) == pytest.approx(0.9, rel=MAXIMUM)


def test_expected_returns_of_the_units_still_running(reference, published, reference_data):
    """Bearing cages, each run 300 h more: Meeker and Escobar 1998, chapter 12 (5.057, from memory)."""
    d = reference_data("bearing_cage")
    fit = _fit("D04", "", reference_data)
    running = d[d["failed"] == 0]
    expected = float((running["count"] * chance_of_failure(fit, running["hours"], 300)).sum())
    assert expected == pytest.approx(reference("D04", "expected_failures_next")["value"][0], rel=FLAT)
    row = published("D04", "expected_failures_next").iloc[0]
    assert expected == pytest.approx(row["published"], abs=row["tolerance"])
    to_date = float((d["count"] * -np.log(fit.survival(d["hours"]))).sum())
    assert to_date == pytest.approx(reference("D04", "mean_expected_to_date")["value"][0], rel=FLAT)


def test_known_shape_equals_r(reference, reference_data):
    """Weibayes on the bearing cages (Abernethy et al. 1983) and an exponential on 31 vehicles (Krivtsov and Case)."""
    d = reference_data("bearing_cage")
    for row in reference("D04", "weibayes_eta_mle").itertuples():
        result = weibayes(d["hours"], d["failed"], float(row.at), count=d["count"])
        b10 = result.quantile(0.1)
        for quantity, got in {
            "weibayes_eta_mle": result.eta,
            "weibayes_eta_lower95": result.eta_lower,
            "weibayes_B10": b10.value,
            "weibayes_B10_lower95": b10.lower,
        }.items():
            expected = reference("D04", quantity)
            assert got == pytest.approx(expected["value"][expected["at"] == row.at].iloc[0], rel=1e-6), quantity
        assert b10.extrapolated
    d = reference_data("automotive")
    exponential = weibayes(d["miles"], d["failed"], 1)
    assert exponential.eta == pytest.approx(reference("D16", "exp_mean")["value"][0], rel=1e-6)
    assert exponential.eta_lower == pytest.approx(reference("D16", "exp_mean_lower95")["value"][0], rel=1e-6)


def test_known_shape_without_failures_gives_the_bound_alone(reference):
    """Ten units run 150, shape 2: reliability at 100 is at least 0.1^(1/(10 x 1.5^2)) with 90% confidence."""
    result = weibayes([150] * 10, [0] * 10, 2, confidence=0.9)
    proven = result.reliability(100)
    assert proven.lower == pytest.approx(reference("D17", "weibull_zero_failure_R_lower")["value"][0], rel=1e-6)
    assert np.isnan(proven.value)
    assert np.isnan(result.eta)
    assert result.notes == ("none of 10 failed: a lower bound only",)
    assert not proven.extrapolated
    assert result.quantile(0.5).extrapolated


def test_known_shape_discounts_what_a_late_entrant_had_already_run():
    result = weibayes([10, 10], [1, 0], 2, entry=[0, 6])
    assert result.exposure == pytest.approx(100 + 100 - 36)
    split = weibayes([4, 10, 10], [0, 1, 0], 2, entry=[0, 4, 6])
    assert split.eta_lower == pytest.approx(result.eta_lower)


def test_ignoring_late_entry_is_far_off(reference, reference_data):
    """Hyde 1980: without their entry ages the men's shape more than doubles."""
    rows = _rows("D15", "Male", reference_data)
    wrong = fit_life(rows["lower"], rows["upper"])
    assert wrong.beta == pytest.approx(reference("D15", "beta_entry_ignored", "Male")["value"][0], rel=MAXIMUM)
    assert wrong.eta == pytest.approx(reference("D15", "eta_entry_ignored", "Male")["value"][0], rel=MAXIMUM)
    assert wrong.beta > 2 * fit_life(**rows).beta


# -- the likelihood -------------------------------------------------------------------------------------------

row = st.tuples(
    st.floats(0.2, 3), st.floats(0.05, 2), st.sampled_from(["exact", "running", "between", "before"]),
    st.floats(0, 0.9), st.integers(1, 3),
)  # fmt: skip


def _mixed(rows) -> _Sample:
    lower, upper, entry = [], [], []
    for age, more, kind, share, _ in rows:
        lower.append(0.0 if kind == "before" else age)
        upper.append({"exact": age, "running": np.inf, "between": age + more, "before": age}[kind])
        entry.append(0.0 if kind == "before" or share < 0.3 else share * age)
    return _Sample(*(np.array(c) for c in (lower, upper, entry)), np.array([r[4] for r in rows]))


@given(st.lists(row, min_size=1, max_size=8), st.floats(-0.5, 1), st.floats(-1, 0.7))
@settings(max_examples=80, deadline=None)
@pytest.mark.parametrize("distribution", ["weibull", "lognormal"])
def test_likelihood_is_the_textbook_sum_and_its_derivatives_are_right(distribution, rows, mu, log_sigma):
    sample, sigma = _mixed(rows), np.exp(log_sigma)
    if distribution == "weibull":
        law = stats.weibull_min(1 / sigma, scale=np.exp(mu))
    else:
        law = stats.lognorm(sigma, scale=np.exp(mu))
    total = 0.0
    for low, high, entry, count in zip(sample.lower, sample.upper, sample.entry, sample.count, strict=True):
        term = law.logpdf(low) if low == high else np.log(law.sf(low) - law.sf(high))
        total += count * (term - law.logsf(entry))
    value, gradient, hessian = sample.log_likelihood(mu, log_sigma, distribution)
    if not np.isfinite(total):
        return
    assert value == pytest.approx(total, rel=1e-6, abs=1e-6)
    step = 1e-5
    for i, (a, b) in enumerate(((step, 0), (0, step))):
        up = sample.log_likelihood(mu + a, log_sigma + b, distribution)
        down = sample.log_likelihood(mu - a, log_sigma - b, distribution)
        slope = (up[0] - down[0]) / (2 * step)
        bend = (up[1] - down[1]) / (2 * step)
        scale = max(1.0, float(np.abs(hessian).max()), float(np.abs(gradient).max()))
        assert gradient[i] == pytest.approx(slope, rel=1e-4, abs=1e-5 * scale)
        np.testing.assert_allclose(hessian[i], bend, rtol=1e-4, atol=1e-5 * scale)


def test_estimate_equals_scipy_with_interval_censoring(reference_data):
    """scipy.stats.CensoredData with weibull_min, an independent maximiser."""
    d = reference_data("heat_exchanger")
    d = d.loc[d.index.repeat(d["tubes"])]
    inspected = d[np.isfinite(d["year_hi"])]
    data = stats.CensoredData(
        interval=inspected[["year_lo", "year_hi"]].to_numpy(), right=d.loc[~np.isfinite(d["year_hi"]), "year_lo"]
    )
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    fit = _fit("D05", "", reference_data)
    # scipy stops its simplex search early.
    assert fit.beta == pytest.approx(shape, rel=1e-3)
    assert fit.eta == pytest.approx(scale, rel=1e-3)


def test_profile_limits_are_where_the_likelihood_ratio_says(reference_data):
    """Along the limit, the best remaining fit is 1.92 below the top; found here by another maximiser."""
    fit = _fit("D16", "", reference_data)
    b10 = fit.quantile(0.1)
    q = np.log(-np.log(0.9))
    for limit in (b10.lower, b10.upper):

        def loss(u: float, x: float = float(np.log(limit))) -> float:
            return -fit.sample.log_likelihood(x - np.exp(u) * q, u, "weibull")[0]

        best = minimize_scalar(loss, bounds=(-3, 3), method="bounded", options={"xatol": 1e-10})
        assert 2 * (fit.log_likelihood + best.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-5)
    narrow = fit.quantile(0.1, level=0.8)
    assert b10.lower < narrow.lower < narrow.value < narrow.upper < b10.upper


# -- invariances ----------------------------------------------------------------------------------------------


def _fleet(seed: int, n: int = 60):
    rng = np.random.default_rng(seed)
    life = rng.weibull(1.8, n) * 80_000
    entry = np.where(rng.random(n) < 0.3, rng.uniform(1_000, 10_000, n), 0)
    last = entry + rng.uniform(5_000, 90_000, n)
    keep = life > entry
    life, entry, last = np.rint(life[keep]), np.rint(entry[keep]), np.rint(last[keep])
    count = rng.integers(1, 3, keep.sum())
    failed = life <= last
    found_late = failed & (rng.random(keep.sum()) < 0.3)
    lower = np.where(failed, np.where(found_late, np.maximum(life - 3_000, entry), life), last)
    upper = np.where(failed, np.where(found_late, life + 2_000, life), np.inf)
    return {"lower": lower, "upper": upper, "entry": entry, "count": count}


@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
@settings(max_examples=8, deadline=None)
def test_order_and_repetition_move_no_digit(seed, random):
    rows = _fleet(seed)
    repeated = {k: np.repeat(v, rows["count"]) for k, v in rows.items() if k != "count"}
    order = list(range(len(repeated["lower"])))
    random.shuffle(order)
    a, b = fit_life(**rows), fit_life(**{k: v[order] for k, v in repeated.items()})
    assert repr(a) == repr(b)
    assert (a.mu, a.sigma, a.log_likelihood) == (b.mu, b.sigma, b.log_likelihood)


@given(st.integers(0, 10_000), st.sampled_from(["weibull", "lognormal"]))
@settings(max_examples=8, deadline=None)
def test_splitting_a_life_changes_nothing(seed, distribution):
    """A running unit's life cut in two, the second half entering late."""
    rows = _fleet(seed)
    whole = fit_life(**rows, distribution=distribution)
    cut = np.rint(rows["entry"] + (rows["lower"] - rows["entry"]) * 0.4)
    can = (cut > rows["entry"]) & (cut < rows["lower"])
    first = {
        "lower": cut[can],
        "upper": np.full(can.sum(), np.inf),
        "entry": rows["entry"][can],
        "count": rows["count"][can],
    }
    second = rows | {"entry": np.where(can, cut, rows["entry"])}
    split = fit_life(**{k: np.concatenate([first[k], second[k]]) for k in rows}, distribution=distribution)
    assert split.mu == pytest.approx(whole.mu, rel=1e-9)
    assert split.sigma == pytest.approx(whole.sigma, rel=1e-8)
    assert split.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-9)
    np.testing.assert_allclose(split.covariance, whole.covariance, rtol=1e-6)


@pytest.mark.parametrize("factor", [1e-4, 1.609344, 1e6])
def test_another_unit_of_age_scales_the_answer(factor):
    rows = _fleet(7)
    other = {k: v if k == "count" else v * factor for k, v in rows.items()}
    a, b = fit_life(**rows), fit_life(**other)
    assert b.beta == pytest.approx(a.beta, rel=1e-8)
    assert b.eta == pytest.approx(a.eta * factor, rel=1e-8)
    assert b.quantile(0.1).upper == pytest.approx(a.quantile(0.1).upper * factor, rel=1e-6)
    shift = int((a.sample.count * (a.sample.lower == a.sample.upper)).sum()) * np.log(factor)
    assert b.log_likelihood == pytest.approx(a.log_likelihood - shift, rel=1e-9)


def test_limits_stay_in_range_and_hold_the_estimate(reference_data):
    """Limits put straight on survival leave 0 to 1 for the bearing cages at 8,000 h; these do not."""
    fit = _fit("D04", "", reference_data)
    for method in ("wald", "profile"):
        e = fit.reliability(8_000, method=method)
        assert 0 < e.lower < e.value < e.upper < 1
        assert e.extrapolated
        assert e.notes == ("past the largest age in the records, 2,050",)
    assert not fit.reliability(1_000).extrapolated
    eta = fit.scale()
    assert eta.lower < eta.value == fit.eta < eta.upper


# -- against Kaplan-Meier -------------------------------------------------------------------------------------


def test_a_good_fit_lies_inside_the_curve_and_a_bad_one_outside():
    rng = np.random.default_rng(8)
    time = np.rint(rng.weibull(2.5, 300) * 50_000)
    good = fit_life(time, time).largest_gap_from(kaplan_meier(time, np.ones(300, bool)))
    assert good.gap < 0.06
    # Half fail early, half late: no Weibull follows that.
    two = np.rint(np.concatenate([rng.weibull(6, 150) * 5_000, rng.weibull(6, 150) * 100_000]))
    bad = fit_life(two, two).largest_gap_from(kaplan_meier(two, np.ones(300, bool)))
    assert bad.outside
    assert bad.gap > 0.15
    assert bad.times_outside > bad.times_checked / 2


def test_gap_is_the_largest_over_both_sides_of_every_step(reference_data):
    d = reference_data("shock_absorber")
    curve = kaplan_meier(d["km"], d["mode"] > 0)
    fit = _fit("D03", "all modes", reference_data)
    gap = fit.largest_gap_from(curve, min_at_risk=1)
    by_hand = 0.0
    for t in d["km"][d["mode"] > 0].unique():
        for s in (curve.survival_at(t).survival[0], curve.survival_at(t - 0.5).survival[0]):
            by_hand = max(by_hand, abs(float(fit.survival(t)) - s))
    assert gap.gap == pytest.approx(by_hand)
    assert gap.checked_to == 28_100
    assert fit.largest_gap_from(curve).checked_to == 26_510


def test_gap_with_late_entry_compares_from_an_age_on(reference_data):
    rows = _rows("D15", "Male", reference_data)
    curve = kaplan_meier(rows["lower"], np.isfinite(rows["upper"]), rows["entry"]).given_survival_to(816)
    gap = fit_life(**rows).largest_gap_from(curve)
    assert gap.times_outside <= 0.1 * gap.times_checked
    with pytest.raises(NotEnoughData, match="no failure while 5 units were at risk"):
        fit_life(**rows).largest_gap_from(kaplan_meier(range(10), [False] * 9 + [True]))


# -- what cannot be fitted ------------------------------------------------------------------------------------

AGES = np.array([10.0, 20, 30, 40, 50, 60])


@pytest.mark.parametrize("failures", [0, 1, 4])
def test_too_few_failures_are_refused(failures):
    """A general library fits none at all 'successfully'; here the number is refused with what to use instead."""
    upper = np.where(np.arange(6) < failures, AGES, np.inf)
    with pytest.raises(
        NotEnoughData, match=f"{failures} failures among 6 units: a fit needs at least 5; use the exact"
    ):
        fit_life(AGES, upper)


def test_the_minimum_can_be_set():
    fit = fit_life(AGES, np.where(np.arange(6) < 3, AGES, np.inf), min_failures=3)
    assert fit.failures == 3


def test_failures_all_at_one_age_have_no_spread():
    with pytest.raises(NotEnoughData, match="all 5 failures came at one age, 40, with no unit running past it"):
        fit_life([40.0] * 5 + [10.0], [40.0] * 5 + [np.inf])


def test_looks_that_fix_nothing_are_refused():
    """All failed before the first look: the likelihood rises without end."""
    with pytest.raises(NotEnoughData, match="weibull fit to 8 failures among 8 units did not converge"):
        fit_life([0.0] * 8, [100.0] * 8)
    # All failed between the same two looks: any narrow enough spread explains that perfectly.
    with pytest.raises(NotEnoughData, match="the records do not fix both its parameters"):
        fit_life([100.0] * 5, [200.0] * 5)


def test_looks_with_late_entry_are_fitted_and_a_missing_limit_is_put_in_words():
    """Here lifelines ends at a scale of 1e-9 without a word. The top was found by searching a grid: -6.1 at beta 0.41,
    and B10 has no lower limit, since the likelihood stays high however small it is made."""
    inf = np.inf
    fit = fit_life(
        lower=[0, 2.04, 2.13, 0, 1, 0.56, 1, 1.5, 0.99],
        upper=[1.5, inf, inf, 0.88, 1, inf, 1, inf, inf],
        entry=[0, 1.78, 1.82, 0, 0.73, 0.4, 0.37, 1.26, 0.64],
        count=[3, 1, 3, 1, 3, 3, 3, 3, 1],
    )
    grid = [
        fit.sample.log_likelihood(m, s, "weibull")[0]
        for m in np.linspace(-8, 2, 201)
        for s in np.linspace(-1, 2.5, 141)
    ]
    assert max(grid) <= fit.log_likelihood < max(grid) + 0.01
    b10 = fit.quantile(0.1)
    assert np.isnan(b10.lower)
    assert b10.upper > b10.value
    assert b10.notes == ("no lower limit above zero: too few failures",)


def test_units_that_never_ran_carry_nothing():
    fit = fit_life([*AGES, 0], [*AGES, np.inf])
    same = fit_life(AGES, AGES)
    assert (fit.mu, fit.units) == (same.mu, 6)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ({"lower": [0.0, *AGES], "upper": [0.0, *AGES]}, "row 0 .counted from 0. failed at exactly 0"),
        ({"lower": AGES, "upper": AGES - 1}, "row 0 .* has lower 10 and upper 9: upper must be lower"),
        ({"lower": AGES, "upper": [*AGES[:5], np.nan]}, "row 5 .* has lower 60 and upper nan"),
        ({"lower": AGES, "upper": AGES[:2]}, r"upper has shape \(2,\) for 6 units"),
        ({"lower": AGES, "upper": AGES, "entry": AGES}, "entry of row 0 .* is 10 and its time is 10"),
        ({"lower": AGES, "upper": AGES, "count": AGES + 0.5}, "count of row 0 .* is 10.5"),
        ({"lower": AGES, "upper": AGES, "distribution": "gamma"}, "distribution is 'gamma'"),
    ],
)
def test_a_bad_value_is_named(rows, message):
    with pytest.raises(AnalyticsError, match=message):
        fit_life(**rows)


def test_bad_questions_are_named():
    fit = fit_life(AGES, AGES)
    for call, message in (
        (lambda: fit.quantile(1), "p is 1: give the share failed"),
        (lambda: fit.reliability(0), "t is 0: give an age above 0"),
        (lambda: fit.quantile(0.1, method="bootstrap"), "method is 'bootstrap'"),
        (lambda: fit.survival(-1), "survival asked at a negative or missing age"),
        (lambda: chance_of_failure(fit, 5, -1), "age and more must be known"),
        (lambda: fit_life(AGES, AGES, distribution="lognormal").beta, "a log-normal fit has no Weibull shape"),
        (lambda: weibayes(AGES, [1] * 6, 0), "beta is 0"),
        (lambda: weibayes(AGES, [1] * 6, 1, confidence=90), "confidence is 90"),
        (lambda: weibayes([0, 0], [0, 0], 1), "no unit has run"),
        (lambda: weibayes(AGES, [1] * 6, 1).quantile(2), "p is 2"),
        (lambda: weibayes(AGES, [1] * 6, 1).reliability(-1), "t is -1"),
    ):
        with pytest.raises(AnalyticsError, match=message):
            call()


@given(st.lists(row, min_size=5, max_size=15), st.sampled_from(["weibull", "lognormal"]))
@settings(max_examples=40, deadline=None)
def test_any_fleet_gives_a_maximum_or_words(rows, distribution):
    """Never a number from a surface without a peak: either the gradient vanishes there, or the fit is refused."""
    sample = _mixed(rows)
    try:
        fit = fit_life(sample.lower, sample.upper, sample.entry, sample.count, distribution)
    except NotEnoughData:
        return
    value, gradient, hessian = fit.sample.log_likelihood(fit.mu, np.log(fit.sigma), distribution)
    assert value == pytest.approx(fit.log_likelihood, rel=1e-9, abs=1e-9)
    assert float(gradient @ np.linalg.solve(-hessian, gradient)) < 1e-8
    assert (np.linalg.eigvalsh(-hessian) > 0).all()
    near = [fit.sample.log_likelihood(fit.mu + a, np.log(fit.sigma) + b, distribution)[0]
            for a in (-0.01, 0, 0.01) for b in (-0.01, 0, 0.01)]  # fmt: skip
    assert max(near) <= value + 1e-9
    for p in (0.1, 0.5):
        e = fit.quantile(p)
        assert not e.lower > e.value
        assert not e.upper < e.value
        if np.isnan(e.lower) or np.isnan(e.upper):
            assert "limit" in e.notes[0]
