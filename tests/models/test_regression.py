"""Life regression: against R (tests/reference/expected.csv), lifelines and scipy; derivatives; unknown miles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from analytics.errors import AnalyticsError
from analytics.models import regression as models
from analytics.models.distributions import DISTRIBUTIONS
from analytics.models.lifedata import build_rows, life_data
from analytics.models.likelihood import Constraint, Layout, log_likelihood
from analytics.models.newton import maximise
from analytics.models.priors import NO_PRIORS, DrivingPrior, Priors, drawn_middles, driving_names, penalty
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.models.rows import Block, Points, Rows
from analytics.reasons import Unfitted
from studies.regression import fit_regression

ESTIMATE, SPREAD, LOGLIK = 1e-4, 1e-3, 1e-4  # tolerances of tests/reference/README.md


def failed_or_running(time, failed):
    return np.asarray(time, float), np.where(np.asarray(failed) == 1, time, np.inf)


CASES = {
    "D08 Weibull": ("superalloy", "D08", "log stress", "weibull", ["mu", "log_stress"]),
    "D08 log-normal": ("superalloy", "D08", "log stress lognormal", "lognormal", ["mu", "log_stress"]),
    "D09 Weibull": ("motor_insulation", "D09", "weibull", "weibull", ["mu", "invT"]),
    "D09 log-normal": ("motor_insulation", "D09", "lognormal", "lognormal", ["mu", "invT"]),
    "D19": ("capacitor", "D19", "weibull temp + log voltage", "weibull", ["mu", "temp", "log_voltage"]),
}


def columns_of(name, d):
    if name == "superalloy":
        return *failed_or_running(d["kcycles"], d["failed"]), np.log(d["stress"].to_numpy())[:, None]
    if name == "motor_insulation":
        return *failed_or_running(d["time"], d["status"]), (1000 / (d["temp"].to_numpy() + 273.16))[:, None]
    return *failed_or_running(d["time"], d["status"]), np.column_stack([d["temperature"], np.log(d["voltage"])])


@pytest.mark.parametrize("case", CASES)
def test_stress_life_fits_equal_r(case, reference, reference_data):
    name, number, group, distribution, names = CASES[case]
    lower, upper, x = columns_of(name, reference_data(name))
    fit = fit_regression(lower, upper, x, tuple(names[1:]), distribution)
    assert fit.converged
    assert fit.loglik == pytest.approx(reference(number, "loglik", group)["value"].item(), abs=LOGLIK)
    for j, term in enumerate(names):
        assert fit.coef[j] == pytest.approx(reference(number, f"coef_{term}", group)["value"].item(), rel=ESTIMATE)
    assert fit.sigma == pytest.approx(reference(number, "sigma", group)["value"].item(), rel=ESTIMATE)
    all_names = [*names, "log_sigma"]
    for i, a in enumerate(all_names):
        for j in range(i, len(all_names)):
            value = reference(number, f"var_{a}_{all_names[j]}", group)["value"].item()
            scale = np.sqrt(fit.covariance[i, i] * fit.covariance[j, j])
            assert fit.covariance[i, j] == pytest.approx(value, rel=SPREAD, abs=1e-6 * scale)


def test_published_motor_insulation(published, reference_data):
    """Schmee and Hahn, Technometrics 21 (1979) 417-432: intercept, slope and sigma in log10 hours."""
    lower, upper, x = columns_of("motor_insulation", reference_data("motor_insulation"))
    fit = fit_regression(lower, upper, x, distribution="lognormal")
    found = {"intercept_log10": fit.coef[0], "slope_log10": fit.coef[1], "sigma_log10": fit.sigma}
    for _, row in published("D09").iterrows():
        if row["quantity"] in found:
            assert found[row["quantity"]] / np.log(10) == pytest.approx(row["published"], abs=row["tolerance"])


def test_wald_limits_at_a_stress(reference, reference_data):
    d = reference_data("superalloy")
    lower, upper, x = columns_of("superalloy", d)
    fit = fit_regression(lower, upper, x)
    for stress in ("80", "100", "120"):
        at = [np.log(float(stress))]
        for quantity, got in (("reliability20", fit.reliability(20, at)), ("quantile10", fit.quantile(0.1, at))):
            rows = reference("D08", group="log stress").query("at == @stress").set_index("quantity")["value"]
            limits = sorted(got[1:])
            assert got[0] == pytest.approx(rows[f"{quantity}_est"], rel=ESTIMATE)
            assert limits == pytest.approx([rows[f"{quantity}_wald_lo"], rows[f"{quantity}_wald_hi"]], rel=SPREAD)


def test_capacitor_quantile_and_reliability(reference, reference_data):
    lower, upper, x = columns_of("capacitor", reference_data("capacitor"))
    fit = fit_regression(lower, upper, x)
    got = fit.quantile(0.1, [175, np.log(225)])
    rows = reference("D19", group="").query("at == '175 C 225 V'").set_index("quantity")["value"]
    assert got == pytest.approx(
        rows[["quantile10_est", "quantile10_wald_lo", "quantile10_wald_hi"]].tolist(), rel=SPREAD
    )


def test_curvature_and_product_terms(reference, reference_data):
    d = reference_data("superalloy")
    lower, upper, x = columns_of("superalloy", d)
    c = x[:, 0] - np.log(100)
    gain = 2 * (
        fit_regression(lower, upper, np.column_stack([c, c**2])).loglik - fit_regression(lower, upper, x).loglik
    )
    assert gain == pytest.approx(reference("D08", "lr_chisq_square_term")["value"].item(), abs=2 * LOGLIK)
    d = reference_data("capacitor")
    lower, upper, x = columns_of("capacitor", d)
    a, b = x[:, 0] - 175, x[:, 1] - np.log(250)
    gain = 2 * (
        fit_regression(lower, upper, np.column_stack([a, b, a * b])).loglik - fit_regression(lower, upper, x).loglik
    )
    assert gain == pytest.approx(reference("D19", "lr_chisq_product_term")["value"].item(), abs=2 * LOGLIK)


def test_inspected_and_counted_units(reference, reference_data):
    d = reference_data("heat_exchanger")
    upper = d["year_hi"].replace("Inf", np.inf).astype(float)
    fit = fit_regression(d["year_lo"], upper, weights=d["tubes"])
    wheels = reference_data("turbine_wheel")
    lo = np.concatenate([np.zeros(len(wheels)), wheels["hours"]])
    hi = np.concatenate([wheels["hours"], np.full(len(wheels), np.inf)])
    w = np.concatenate([wheels["failed"], wheels["inspected"] - wheels["failed"]])
    cages = reference_data("bearing_cage")
    low, high = failed_or_running(cages["hours"], cages["failed"])
    fits = {
        "D05": fit,
        "D06": fit_regression(lo[w > 0], hi[w > 0], weights=w[w > 0]),
        "D04": fit_regression(low, high, weights=cages["count"]),
    }
    for number, got in fits.items():
        rel = 5e-4 if number == "D04" else ESTIMATE
        assert got.coef[0] == pytest.approx(reference(number, "coef_mu")["value"].item(), rel=rel)
        assert got.sigma == pytest.approx(reference(number, "sigma")["value"].item(), rel=rel)
        assert got.loglik == pytest.approx(reference(number, "loglik")["value"].item(), abs=LOGLIK)


def test_delayed_entry(reference, reference_data):
    d = reference_data("channing").query("exit > entry")
    upper = np.where(d["cens"] == 1, d["exit"], np.inf)
    fit = fit_regression(d["exit"], upper, (d["sex"] == "Male").to_numpy(float)[:, None], ("male",), entry=d["entry"])
    for j, term in enumerate(("mu", "male")):
        assert fit.coef[j] == pytest.approx(reference("D15", f"coef_{term}", "both")["value"].item(), rel=5e-4)
    assert fit.loglik == pytest.approx(reference("D15", "loglik", "both")["value"].item(), abs=LOGLIK)
    men = (d["sex"] == "Male").to_numpy()
    one = fit_regression(d["exit"][men], upper[men], entry=d["entry"][men])
    assert 1 / one.sigma == pytest.approx(reference("D15", "beta", "Male")["value"].item(), rel=5e-4)


def test_against_lifelines_with_mixed_censoring():
    """lifelines 0.30.3, WeibullAFTFitter and LogNormalAFTFitter, exact + right + interval rows together."""
    from lifelines import LogNormalAFTFitter, WeibullAFTFitter

    rng = np.random.default_rng(5)
    n = 300
    x = rng.normal(size=n)
    t = np.exp(2 - 0.8 * x + 0.5 * np.log(rng.exponential(size=n)))
    kind = rng.integers(0, 3, n)
    lower = np.where(kind == 2, t * 0.6, np.where(kind == 1, t * 0.7, t))
    upper = np.where(kind == 2, t * 1.5, np.where(kind == 1, np.inf, t))
    frame = pd.DataFrame({"lower": lower, "upper": upper, "x": x})
    for distribution, fitter, scale in (
        ("weibull", WeibullAFTFitter(), "lambda_"),
        ("lognormal", LogNormalAFTFitter(), "mu_"),
    ):
        theirs = fitter.fit_interval_censoring(frame, "lower", "upper")
        ours = fit_regression(lower, upper, x[:, None], ("x",), distribution)
        assert ours.coef == pytest.approx(theirs.params_[scale][["Intercept", "x"]].to_numpy(), rel=1e-4)
        spread = theirs.params_["rho_" if distribution == "weibull" else "sigma_"]["Intercept"]
        assert np.log(ours.sigma) == pytest.approx(-spread if distribution == "weibull" else spread, rel=1e-3)


def test_against_scipy():
    """scipy.stats.CensoredData with weibull_min and lognorm, no covariates."""
    from scipy.stats import CensoredData, weibull_min

    rng = np.random.default_rng(6)
    t = rng.weibull(1.7, 80) * 900
    cut = rng.uniform(200, 1500, 80)
    data = CensoredData.right_censored(np.minimum(t, cut), t > cut)
    shape, _, scale = weibull_min.fit(data, floc=0)
    fit = fit_regression(np.minimum(t, cut), np.where(t > cut, np.inf, t))
    assert (1 / fit.sigma, np.exp(fit.coef[0])) == pytest.approx((shape, scale), rel=1e-4)


@pytest.fixture(scope="module")
def every_kind():
    """A fleet with every kind of record the likelihood knows, and its rows."""
    rng = np.random.default_rng(1)
    n = 120
    days, rate = rng.uniform(100, 2200, n), np.exp(rng.normal(3.4, 0.5, n))
    start = np.where(rng.random(n) < 0.2, 300.0, 0.0)
    lower, upper = np.full(n, np.nan), np.full(n, np.inf)
    low_days, up_days = days.copy(), np.full(n, np.inf)
    read_miles, read_days = np.full(n, np.nan), np.full(n, np.nan)
    entry, entry_days, alive = np.zeros(n), np.zeros(n), np.zeros(n, bool)
    k = rng.permutation(n)
    miles = rate * days
    for a, kind in zip(
        np.split(k, [15, 22, 26, 32, 38, 60, 66, 75]),
        ("exact", "interval", "left", "blind", "blind interval", "read", "miles", "alive"),
        strict=False,
    ):
        if kind in ("exact", "interval", "left"):
            upper[a], up_days[a] = miles[a], days[a]
            part = {"exact": 1.0, "interval": 0.6, "left": 0.0}[kind]
            lower[a], low_days[a] = part * miles[a], part * days[a]
            if kind == "exact":
                read_miles[a], read_days[a] = miles[a], days[a] + start[a]
        elif kind.startswith("blind"):
            upper[a], up_days[a] = np.nan, days[a]
            low_days[a] = days[a] * (1.0 if kind == "blind" else 0.5)
        elif kind == "miles":
            lower[a] = miles[a]
        else:
            alive[a] = kind == "alive"
            some = a if kind == "read" else a[:4]
            read_miles[some], read_days[some] = 0.7 * miles[some], 0.7 * (days[some] + start[some])
    late = rng.random(n) < 0.3
    entry_days[late], entry[late] = 0.3 * low_days[late], 0.3 * np.nan_to_num(lower[late])
    data = life_data(
        lower,
        upper,
        np.exp(rng.normal(6.5, 0.3, n)),
        np.exp(rng.normal(8.9, 0.2, n)),
        entry=entry,
        entry_days=entry_days,
        lower_days=low_days,
        upper_days=up_days,
        start_days=start,
        use=rng.choice(["street", "tow"], n),
        rate_miles=read_miles,
        rate_days=read_days,
        known_alive=alive,
        weight=rng.integers(1, 3, n),
    )
    x = np.column_stack([np.ones(n), data.log_power - 6.5, data.log_weight - 8.9])
    rows = build_rows(data, x, 50_000.0, 1096.0)
    assert {b.kind for b in rows.blocks} == {
        "exact",
        "interval",
        "left",
        "running",
        "entry",
        "unread",
        "unread_alive",
        "unread_exact",
        "unread_interval",
        "unread_entry",
    }
    before = np.concatenate([b.before_read[0] for b in rows.blocks if b.kind == "unread"])
    assert (before > 0).any()
    assert (before < 1).any()
    return rows


OPTIONS = [
    {},
    {"decline": True},
    {"decline": True, "level": True, "slope": True},
    {"decline": True, "level": True, "slope": True, "share": True},
    {"fixed_share": 0.8, "level": True, "fixed_decline": -0.4},
]


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("options", OPTIONS, ids=lambda o: ",".join(o) or "plain")
@pytest.mark.parametrize("held", [False, True], ids=["free", "held"])
def test_gradient_and_hessian_equal_finite_differences(every_kind, distribution, options, held):
    constraint = Constraint(np.array([0.1, 0.2]), -2.25) if held else None
    layout = Layout(2 if held else 3, 2, **options)
    theta = np.concatenate(
        [
            [0.3],
            [] if held else [-1.0],
            [-3.0, -1.0, 3.4, 3.2, -0.5],
            [-0.3] * layout.decline,
            [-0.7] * layout.level,
            [0.6] * layout.slope,
            [1.2] * layout.share,
        ]
    )
    nodes = rate_nodes(1.0)
    priors = Priors(others=((-2.0, 2.5),))

    def all_of(t, order):
        f, g, h = log_likelihood(t, every_kind, layout, distribution, nodes, order, constraint)
        p, pg, ph = penalty(t, layout, priors, held)
        return (f + p, g + pg, h + ph) if order else (f + p,)

    _, g, h = all_of(theta[None], 2)
    p, step = len(theta), 1e-5
    around = np.concatenate([theta + step * np.eye(p), theta - step * np.eye(p)])
    f = all_of(around, 0)[0]
    f2, g2, _ = all_of(around, 2)
    assert f == pytest.approx(f2, rel=1e-12)  # the value alone equals the value with its derivatives
    assert (f[:p] - f[p:]) / (2 * step) == pytest.approx(g[0], abs=2e-7 * np.abs(g).max())
    numeric = (g2[:p] - g2[p:]) / (2 * step)
    assert np.abs(numeric - h[0]).max() < 1e-7 * np.abs(h).max()


def test_middles_moved_are_those_of_other_priors_and_fall_about_the_truth():
    layout = Layout(3, uses=1)
    priors = Priors(others=((-2.0, 2.5),))
    theta = np.array([np.log(1.8), 0.3, -5.4, -2.7, np.log(0.5), 3.4])[: layout.size]
    moved = np.array([[0.3, -0.4, 1.5], [-0.2, 0.1, 0.0]])
    both = penalty(np.tile(theta, (2, 1)), layout, priors, moved=moved)
    for k, (shape, power, weight) in enumerate(moved):
        other = replace(
            priors,
            shape=(priors.shape[0] + shape, priors.shape[1]),
            power=(priors.power[0] + power, priors.power[1]),
            others=((-2.0 + weight, 2.5),),
        )
        for got, expected in zip(both, penalty(theta[None], layout, other), strict=True):
            assert got[k] == pytest.approx(expected[0], rel=1e-12)
    middles = drawn_middles(theta, layout, priors, np.random.default_rng(1).spawn(4000))
    held = np.array([priors.shape, priors.power, priors.others[0]])
    true = [np.log(1.8), np.log(5.4 / 1.8), -2.7 / 1.8]
    assert (held[:, 0] + middles.mean(0)) == pytest.approx(true, abs=0.12)
    assert middles.std(0) == pytest.approx(held[:, 1], rel=0.05)
    none = drawn_middles(theta, layout, replace(priors, shape=None, others=(None,)), np.random.default_rng(1).spawn(5))
    assert (none[:, [0, 2]] == 0).all()


@pytest.mark.parametrize("held", [False, True], ids=["free", "held"])
def test_the_usual_prior_of_driving_as_one_is_the_usual_priors_one_by_one(held):
    layout = Layout(2 if held else 3, 2, True, True, True, True)
    priors = Priors(others=((-2.0, 2.5),))
    names = driving_names(layout, ["street", "towing"])
    assert names == ("use street", "use towing", "spread", "decline", "level", "slope", "share")
    as_one = replace(priors, driving=DrivingPrior.usual(names, priors))
    theta = np.random.default_rng(2).normal(size=(3, layout.size))
    theta[:, layout.gamma.start + (0 if held else 1)] = -2.0
    apart, one = (penalty(theta, layout, p, held) for p in (priors, as_one))
    assert one[0] - one[0][0] == pytest.approx(apart[0] - apart[0][0], rel=1e-10)
    assert one[1] == pytest.approx(apart[1], rel=1e-9, abs=1e-10)
    assert one[2] == pytest.approx(apart[2], rel=1e-9, abs=1e-10)


def test_middles_of_driving_that_was_lent_move_and_fall_about_the_truth():
    layout = Layout(3, 1, share=True)
    half = np.array([[0.3, 0.0, 0.0], [0.1, 0.2, 0.0], [0.0, -0.1, 0.4]])
    lent = DrivingPrior.of(("use street", "spread", "share"), np.array([3.2, -0.5, 1.4]), half @ half.T)
    plain = Priors(others=((-2.0, 2.5),))
    priors = replace(plain, driving=lent)
    theta = np.array([np.log(1.8), 0.3, -5.4, -2.7, 3.4, np.log(0.5), 2.0])
    moved = np.array([[0.0, 0.0, 0.0, 0.2, -0.3, 0.1]])
    other = replace(lent, mean=(3.4, -0.8, 1.5))
    for got, expected in zip(
        penalty(theta, layout, priors, moved=moved),
        penalty(theta, layout, replace(priors, driving=other)),
        strict=True,
    ):
        assert got == pytest.approx(expected, rel=1e-12)
    middles = drawn_middles(theta, layout, priors, np.random.default_rng(1).spawn(4000))
    # the draws of the others are the same
    assert (middles[:, :3] == drawn_middles(theta, layout, plain, np.random.default_rng(1).spawn(4000))).all()
    assert middles[:, 3:].mean(0) == pytest.approx(theta[4:] - [3.2, -0.5, 1.4], abs=0.03)
    assert np.cov(middles[:, 3:].T) == pytest.approx(half @ half.T, abs=0.01)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_unread_survivor_equals_direct_integration(distribution):
    """scipy.integrate.quad over the log rate: S averaged, with a share never reported and a chance of being read."""
    from scipy.stats import norm

    from analytics.models.distributions import survival_of

    data = life_data(
        [np.nan, np.nan],
        [np.inf, np.inf],
        [700.0, 900.0],
        [7000.0, 8000.0],
        lower_days=[900.0, 1500.0],
        entry_days=[0.0, 400.0],
    )
    x = np.ones((2, 1))
    rows = build_rows(data, x, 50_000.0, 1096.0)
    layout = Layout(1, 1, level=True, slope=True, decline=True, fixed_share=0.7)
    v, gamma, mu, tau, d, alpha, c = 0.6, -0.4, 3.5, 0.55, -0.5, -0.8, 0.9
    theta = np.array([[v, gamma, mu, np.log(tau), d, alpha, c]])
    got = log_likelihood(theta, rows, layout, distribution, rate_nodes(1.2), 0)[0][0]

    def average(function):
        return quad(lambda s: function(s) * norm.pdf(s), -9, 9, epsabs=1e-13, limit=400)[0]

    def survive(s, days):
        days = min(days, 1096.0) + np.exp(d) * max(days - 1096.0, 0)
        return float(survival_of(np.exp(v) * (mu + tau * s + np.log(days / 50_000)) - gamma, distribution))

    total = 0.0
    for days, entry in ((900.0, 0.0), (1500.0, 400.0)):
        start = (lambda s, e=entry: survive(s, e)) if entry else (lambda s: 1.0)
        like = average(
            lambda s, t=days, start=start: survive(s, t) * norm.cdf(-alpha - c * s) + (start(s) - survive(s, t)) * 0.3
        )
        total += np.log(like) - np.log(average(start))
    assert got == pytest.approx(total, abs=2e-6)


def test_the_rule_over_miles_per_day_is_as_exact_as_said():
    for steep, fine, limit in (
        (0.5, True, 5e-6),
        (1.0, True, 5e-7),
        (2.5, True, 5e-7),
        (1.0, False, 2e-4),
        (2.5, False, 2e-4),
    ):
        s, w = rate_nodes(steep, fine=fine)
        for z in np.arange(-4, 2.1, 0.5):
            exact = quad(
                lambda u, z=z, k=steep: np.exp(-np.exp(z + k * u) - u * u / 2) / np.sqrt(2 * np.pi),
                -9,
                9,
                epsabs=1e-13,
                limit=400,
            )[0]
            assert np.log(w @ np.exp(-np.exp(z + steep * s))) == pytest.approx(np.log(exact), abs=limit)


def rows_of(lower, upper, x, entry, weights) -> Rows:
    """Known lives as the likelihood of the ratings takes them: lower == upper failed then; upper inf running; otherwise failed between (lower 0: before)."""
    blocks, exact, right = [], lower == upper, np.isinf(upper)

    def take(mask, kind, first, second=None):
        if mask.any():
            at, other = (None if t is None else Points(np.log(t[mask])[None]) for t in (first, second))
            blocks.append(Block(kind, x[mask][None], weights[mask][None], at, other))

    take(exact, "exact", lower)
    take(right & (lower > 0), "running", lower)
    take(~exact & ~right & (lower > 0), "interval", lower, upper)
    take(~exact & ~right & (lower <= 0), "left", upper)
    take(entry > 0, "entry", entry)
    constant = -(weights[exact] * np.log(lower[exact])).sum()
    return Rows(tuple(blocks), None, x.shape[1], 0, np.array([weights[~right].sum()]), np.array([constant]))


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("case", ["D09", "D19", "looks", "entry"])
def test_the_likelihood_of_the_ratings_has_the_same_top(case, distribution, reference_data):
    """What is held against R here holds for it too: at the top of the one the other has its value, no slope, and the same curvature."""
    if case in ("D09", "D19"):
        name = CASES[f"{case}{' Weibull' * (case == 'D09')}"][0]
        lower, upper, x = columns_of(name, reference_data(name))
    else:
        lower, upper, x = a_fleet(5, looks=case == "looks")
    entry = lower * 0.3 * (np.arange(len(lower)) % 3 == 0) if case == "entry" else np.zeros(len(lower))
    weights = 1.0 + np.arange(len(lower)) % 2
    fit = fit_regression(lower, upper, x, (), distribution, entry, weights)
    assert fit.converged
    design = np.column_stack([np.ones(len(lower)), x])
    rows = rows_of(np.asarray(lower), np.asarray(upper), design, entry, weights)
    fun = objective(rows, Layout(design.shape[1]), distribution, NO_PRIORS, rate_nodes(1.0))
    value, grad, hess = fun(np.concatenate([[-np.log(fit.sigma)], fit.coef / fit.sigma])[None], np.zeros(1, int))
    assert value[0] == pytest.approx(fit.loglik, rel=1e-12)
    assert grad[0] @ np.linalg.solve(-hess[0], grad[0]) < 1e-12
    turn = np.zeros_like(hess[0])  # (log beta, beta b) from (b, log sigma)
    turn[0, -1], turn[1:, :-1], turn[1:, -1] = -1.0, np.eye(len(fit.coef)) / fit.sigma, -fit.coef / fit.sigma
    assert turn @ fit.covariance @ turn.T == pytest.approx(np.linalg.inv(-hess[0]), rel=1e-6, abs=1e-9)


def a_fleet(seed, n=400, looks=False):
    """Invented lives on two columns: failed then, running, or found failed at a look."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n, 2)) * [1, 40] + [0, 600]
    life = 300 * np.exp(-0.4 * x[:, 0] + 0.005 * (x[:, 1] - 600)) * rng.weibull(1.7, n)
    end = rng.uniform(30, 600, n)
    lower, upper = np.minimum(life, end), np.where(life < end, life, np.inf)
    at_look = np.isfinite(upper) & (rng.random(n) < 0.4) & looks
    return np.where(at_look, 50 * (lower // 50), lower), np.where(at_look, 50 * (lower // 50) + 50, upper), x


@pytest.mark.parametrize("looks", [False, True])
@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_a_batch_is_as_each_alone_and_a_weight_as_so_many_rows(distribution, looks):
    lower, upper, x = a_fleet(11, looks=looks)
    entry = np.where(np.arange(400) % 5 == 0, lower * 0.5, 0.0)
    counts = np.random.default_rng(3).integers(0, 4, size=(70, 400))
    batch = models.fit_regression(lower, upper, x, distribution, entry, counts)
    assert batch.why == (None,) * 70
    for i in (0, 69):
        for told, weight in (
            ((lower, upper, x, entry), counts[i]),
            ([np.repeat(a, counts[i], axis=0) for a in (lower, upper, x, entry)], None),
        ):
            alone = models.fit_regression(*told[:3], distribution, told[3], weight)
            for name in ("coef", "sigma", "covariance", "log_likelihood", "failures"):
                np.testing.assert_allclose(getattr(batch, name)[i], getattr(alone, name)[0], rtol=1e-8, atol=1e-12)


def test_where_newtons_own_steps_fail_the_bent_ones_get_there(monkeypatch):
    lower, upper, x = a_fleet(7, looks=True)
    usual = models.fit_regression(lower, upper, x)
    rough = models._rough
    monkeypatch.setattr(models, "_rough", lambda fun: rough(fun) * [10, 1, 1, 1] + [0, -3, 0, 0])
    far = models.fit_regression(lower, upper, x)
    np.testing.assert_allclose(far.coef, usual.coef, rtol=1e-9)
    monkeypatch.setattr(models, "maximise", None)  # and they were asked
    with pytest.raises(TypeError, match="not callable"):
        models.fit_regression(lower, upper, x)


def test_many_rows_start_from_fewer_and_come_to_the_same():
    lower, upper, x = a_fleet(2, n=5_000)
    whole = models.fit_regression(lower, upper, x)
    halves = models.fit_regression(lower[:3_000], upper[:3_000], x[:3_000], weights=np.ones(3_000))
    twice = models.fit_regression(np.tile(lower[:3_000], 2), np.tile(upper[:3_000], 2), np.tile(x[:3_000], (2, 1)))
    np.testing.assert_allclose(twice.coef, halves.coef, rtol=1e-10)
    np.testing.assert_allclose(twice.covariance * 2, halves.covariance, rtol=1e-7)
    assert whole.why == (None,)
    # hardly any failure in every eighth row: the fit begins as a small one does
    rare = np.where(np.arange(5_000) % 8 == 0, np.inf, upper)
    assert models.fit_regression(lower, rare, x).why == (None,)


def test_a_fit_without_a_number_gives_its_code():
    lower, upper, _ = a_fleet(4, n=60)
    group = np.arange(60) % 2 * 1.0
    never = np.where(group == 1, np.inf, upper)
    weights = np.ones((3, 60))
    weights[1] = np.isinf(never)
    weights[1, np.flatnonzero(np.isfinite(never))[:2]] = 0.8, 0.9
    weights[2] = group == 0
    lower = np.minimum(lower, never)
    # one that rises for ever holds up none of the others
    some = np.where(group + np.arange(60) % 3 > 0, upper, np.inf)
    with_one = models.fit_regression(lower, some, group, weights=np.array([weights[0], np.isinf(some) | (group == 0)]))
    assert with_one.why[0] is None
    assert with_one.why[1] is not None
    alone = models.fit_regression(lower, some, group)
    assert with_one.log_likelihood[0] == pytest.approx(alone.log_likelihood[0], rel=1e-12)
    np.testing.assert_allclose(with_one.covariance[0], alone.covariance[0], rtol=1e-8)
    fits = models.fit_regression(lower, never, group, weights=weights)
    assert fits.why == (Unfitted.NOT_CONVERGED, Unfitted.FEW_FAILURES, Unfitted.NOT_CONVERGED)
    assert np.isnan(fits.coef).all()
    assert np.isnan(fits.covariance).all()
    assert np.isnan(fits.log_likelihood).all()
    assert fits.failures == pytest.approx([np.isfinite(never).sum(), 1.7, np.isfinite(never).sum()])
    with pytest.raises(AnalyticsError, match=r"weights of shape \(1, 3\) for 60 rows"):
        models.fit_regression(lower, upper, weights=[1, 1, 1])


def test_replicates_are_fitted_as_if_alone():
    """One Newton over many starts comes to the same maximum from each of them."""
    rng = np.random.default_rng(2)
    t = rng.weibull(2.0, 60)
    rows = rows_of(t, t, np.ones((60, 1)), np.zeros(60), np.ones(60))
    fun = objective(rows, Layout(1), "weibull", NO_PRIORS, rate_nodes(1.0))
    top = maximise(fun, np.array([[0.0, 0.0], [1.5, 3.0], [-1.0, -4.0]]), limits=np.array([1.0, 8.0]))
    assert top.converged.all()
    assert np.ptp(top.theta, axis=0).max() < 1e-6


def test_priors_are_the_normal_densities_they_say(every_kind):
    from scipy.stats import norm

    layout = Layout(3, 2, True, True, True, True)
    priors = Priors(others=((-2.0, 2.5),))

    def logp(t):
        b = np.exp(-t[0])
        out = norm.logpdf(t[0], np.log(2), 0.5) + norm.logpdf(np.log(-t[2] * b), np.log(2.5), 0.9)
        out += norm.logpdf(t[3] * b, -2, 2.5) + norm.logpdf(t[4:6].mean(), np.log(30), 1.0)
        out += -((t[4:6] - t[4:6].mean()) ** 2).sum() / (2 * 0.25)
        out += norm.logpdf(t[6], np.log(0.6), 0.5) + norm.logpdf(t[7], np.log(0.8), 0.4) + norm.logpdf(t[8], 0, 3)
        return out + norm.logpdf(t[9], 0, 0.5) + norm.logpdf(t[10], np.log(4), 0.6)

    a = np.array([0.5, -1.0, -7.0, -2.0, 3.4, 3.1, -0.6, -0.2, -0.8, 0.5, 1.0])
    b = np.array([0.9, -0.5, -9.0, -3.0, 3.6, 3.0, -0.4, -0.4, -0.6, -0.3, 2.0])
    value = penalty(np.array([a, b]), layout, priors)[0]
    assert value[0] - value[1] == pytest.approx(logp(a) - logp(b), rel=1e-10)
    wrong = replace(priors, others=())
    assert penalty(np.where(np.arange(11) == 2, 7.0, a)[None], layout, wrong)[0][0] == -np.inf


def test_what_cannot_be_fitted_says_so():
    with pytest.raises(AnalyticsError, match="1 failures in 3 rows"):
        fit_regression([5.0, 6, 7], [5.0, np.inf, np.inf])
    with pytest.raises(AnalyticsError, match="cannot be told apart"):
        fit_regression([5.0, 6, 7, 8], [5.0, 6, 7, np.inf], np.array([[1.0, 2], [2, 4], [3, 6], [4, 8]]), ("a", "b"))
    with pytest.raises(AnalyticsError, match=r"row 1: .* not a life"):
        fit_regression([5.0, 9, 7], [5.0, 6, np.inf])
    with pytest.raises(AnalyticsError, match="column 1 of the covariates is the same"):
        fit_regression([5.0, 6, 7], [5.0, 6, np.inf], np.ones((3, 1)))
    # a group without a failure has no finite coefficient: it must not pass for one
    group = np.array([0.0] * 6 + [1.0] * 6)
    fit = fit_regression(np.arange(3.0, 15), np.where(group == 1, np.inf, np.arange(3.0, 15)), group[:, None])
    assert not fit.converged
    assert np.isnan(fit.covariance).all()


def test_survival_far_beyond_its_end_is_nought_and_never_nan():
    """At hazards whose square is no longer a number: reached while a fit feels its way."""
    from analytics.models.distributions import averaged

    z, one = np.array([[-800.0, 0.0, 5.0, 400.0, 700.0, 5000.0]]), np.ones((1, 1, 1))
    for values in averaged(z, np.ones(1), np.zeros(1), [one] * 4, "weibull"):
        assert np.isfinite(values).all()
        assert (values[0, 0, 3:] == 0).all()


@pytest.mark.parametrize("distribution", ["weibull", "lognormal"])
def test_averages_over_the_nodes_are_plain_sums_of_derivatives(distribution):
    """Of S = exp(-e^z) and S = Phi(-z), differentiated by hand."""
    from scipy.stats import norm

    from analytics.models.distributions import averaged

    rng = np.random.default_rng(5)
    u, spread, nodes = rng.normal(size=(3, 7)), np.array([0.5, 1.0, 1.7]), np.linspace(-3, 3, 11)
    weights = [rng.random((3, m, 11)) for m in (6, 5, 3, 2)]
    z = u[..., None] + spread[:, None, None] * nodes
    h, s, phi = np.exp(z), np.exp(-np.exp(z)), norm.pdf(z)
    by_hand = {
        "weibull": [s, -h * s, h * (h - 1) * s, h * (3 * h - h * h - 1) * s],
        "lognormal": [norm.cdf(-z), -phi, z * phi, (1 - z * z) * phi],
    }[distribution]
    for ours, derivative, weight in zip(
        averaged(u, spread, nodes, weights, distribution), by_hand, weights, strict=True
    ):
        np.testing.assert_allclose(ours, weight @ derivative.swapaxes(1, 2), rtol=1e-11, atol=1e-13)
