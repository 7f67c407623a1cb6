"""The rating: profile limits against R with priors off, the signed root, calibration, and the words for every hard case."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.errors import AnalyticsError
from analytics.models.distributions import standard_quantile
from analytics.models.joint import fit_at, fit_joint, free_theta, joint_model
from analytics.models.lifedata import life_data
from analytics.models.likelihood import log_likelihood
from analytics.models.posterior import posterior_draws, posterior_quantile
from analytics.models.priors import NO_PRIORS, Priors, penalty
from analytics.ratings.bound import cap_power, rate_part, rate_weights
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN, RatingSettings
from analytics.ratings.signed_root import SignedRoot
from analytics.reasons import Rests
from analytics.words.saying import say, say_all
from studies.coverage import CELLS, draw_fleet
from studies.textbook import profile_limits

QUICK = RatingSettings(replicates=40, draws=128, explain=False)


def root_of(lower, failed, strength, weight, life, distribution="weibull", extra=None):
    upper = np.where(np.asarray(failed) == 1, lower, np.inf)
    data = life_data(
        lower, upper, strength, weight, extra=extra, extra_names=("temperature",) if extra is not None else ()
    )
    return fit_joint(joint_model(data, life, distribution, NO_PRIORS))


def test_rating_under_stress_equals_r(reference, reference_data):
    """D08: the stress at which 90% survive 20 kilocycles, with profile limits; priors off."""
    d = reference_data("superalloy")
    model, top = root_of(d["kcycles"], d["failed"], d["stress"], np.ones(len(d)), 20.0)
    root = SignedRoot(model, top, 0.9, 0.0, 0)
    low, high = profile_limits(root)
    expected = reference("D08").set_index("quantity")["value"]
    assert np.exp(root.estimate) == pytest.approx(expected["rating_stress_est"], rel=1e-4)
    assert root.spread() == pytest.approx(expected["rating_log_stress_se"], rel=1e-3)
    assert np.exp([low, high]) == pytest.approx(
        [expected["rating_stress_prof_lo"], expected["rating_stress_prof_hi"]], rel=1e-3
    )


def test_rating_in_inverse_temperature_equals_r(reference, reference_data):
    """D09, log-normal, one cell without a failure. The covariate is 1000/K, which falls as the stress rises."""
    d = reference_data("motor_insulation")
    # log "power" = 1000/K: life rises with it, so r is mirrored and the limits swap
    model, top = root_of(
        d["time"], d["status"], np.exp(1000 / (d["temp"] + 273.16)), np.ones(len(d)), 20_000.0, "lognormal"
    )
    root = SignedRoot(model, top, 0.9, 0.0, 0)
    expected = reference("D09").set_index("quantity")["value"]
    assert root.estimate == pytest.approx(expected["rating_invT_est"], rel=1e-4)
    assert root.spread() == pytest.approx(expected["rating_invT_se"], rel=1e-3)
    assert profile_limits(root) == pytest.approx(
        (expected["rating_invT_prof_lo"], expected["rating_invT_prof_hi"]), rel=1e-3
    )


def test_rating_with_a_second_stress_held_equals_r(reference, reference_data):
    """D19: the voltage at which 90% survive 300 h at 175 C. Temperature takes the place of log weight."""
    d = reference_data("capacitor")
    model, top = root_of(d["time"], d["status"], d["voltage"], np.exp(d["temperature"]), 300.0)
    root = SignedRoot(model, top, 0.9, 175.0, 0)
    expected = reference("D19").set_index("quantity")["value"]
    assert np.exp(root.estimate) == pytest.approx(expected["rating_voltage_est"], rel=1e-4)
    wald = np.exp(root.estimate + np.array([-1.959964, 1.959964]) * root.spread())
    assert wald == pytest.approx([expected["rating_voltage_wald_lo"], expected["rating_voltage_wald_hi"]], rel=1e-3)
    limits = [expected["rating_voltage_prof_lo"], expected["rating_voltage_prof_hi"]]
    assert np.exp(profile_limits(root)) == pytest.approx(limits, rel=1e-3)


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(21))


def test_a_fit_that_did_not_converge_rules_no_power_out(fleet, monkeypatch):
    model, top = fit_joint(joint_model(fleet, 50_000.0))
    bound = SignedRoot(model, top, 0.9, np.log(7500), 0).solve(1.28)

    def broken(model, constraint, start, **more):
        fit = fit_at(model, constraint, start, **more)
        wild = abs(constraint.x0[0] + model.centre[0] - bound) < 0.1  # around where the bound would lie
        return replace(fit, converged=np.array([not wild]), value=fit.value - 50 * wild)

    monkeypatch.setattr("analytics.ratings.signed_root.fit_at", broken)
    root = SignedRoot(model, top, 0.9, np.log(7500), 0)
    assert root.solve(1.28) <= bound - 0.1 + 1e-6


def test_the_constraint_holds_and_the_root_falls(fleet):
    model, top = fit_joint(joint_model(fleet, 50_000.0))
    root = SignedRoot(model, top, 0.9, np.log(7500), 0)
    assert root(root.estimate) == pytest.approx(0, abs=2e-4)
    steps = root.estimate + np.array([-0.3, -0.2, -0.1, 0.0, 0.1, 0.2])
    values = [root(p) for p in steps]
    assert np.all(np.diff(values) < 0)
    fit = root.fits[steps[1]][0]
    theta = free_theta(fit.theta, root.constraint(steps[1]))
    x0 = model.covariates(steps[1], np.log(7500))
    z = -theta[0, 1] - theta[0, 2:4] @ x0
    assert z == pytest.approx(standard_quantile(0.9, "weibull"), abs=1e-10)
    # the constrained value is that of the free likelihood at that point
    value = (
        log_likelihood(theta, model.rows, model.layout, "weibull", model.nodes, 0)[0]
        + penalty(theta, model.layout, model.priors)[0]
    )
    assert value == pytest.approx(fit.value, abs=1e-8)
    # and no neighbour on the constraint is better
    again = fit_at(model, root.constraint(steps[1]), fit.theta[0] + 0.05)
    assert again.value == pytest.approx(fit.value, abs=1e-6)
    p = root.solve(1.2816)
    assert root(p) == pytest.approx(1.2816, abs=1e-6)


def test_draws_do_not_hang_on_the_signs_of_eigenvectors(fleet, monkeypatch):
    """Which of the two signs a library of linear algebra gives is arbitrary."""
    model, top = fit_joint(joint_model(fleet.take(np.arange(len(fleet.lower)) < 100), 50_000.0))
    usual, decomposed = posterior_draws(model, top, 16, 1), np.linalg.eigh
    signs = np.random.default_rng(3).choice([-1.0, 1.0], len(top.theta[0]))
    assert {*signs} == {-1.0, 1.0}

    def other_signs(matrix):
        values, vectors = decomposed(matrix)
        return values, vectors * signs

    monkeypatch.setattr(np.linalg, "eigh", other_signs)
    for own, other in zip(usual, posterior_draws(model, top, 16, 1), strict=True):
        np.testing.assert_array_equal(own, other)


def test_second_opinion_equals_a_long_markov_chain(fleet):
    """The same posterior by random-walk Metropolis (general method), 60,000 steps."""
    small = fleet.take(np.arange(len(fleet.lower)) < 200)
    model, top = fit_joint(joint_model(small, 50_000.0))
    z = standard_quantile(0.9, "weibull")
    quantile, ess = posterior_quantile(model, posterior_draws(model, top, 2048, 1), z, np.log(7500), 0, 0.9)
    assert ess > 300
    theta = top.theta[0]
    rng = np.random.default_rng(0)
    root = np.linalg.cholesky(np.linalg.inv(-top.hess[0]))

    def target(t):
        f = (
            log_likelihood(t, model.rows, model.layout, "weibull", model.nodes, 0)[0]
            + penalty(t, model.layout, model.priors)[0]
        )
        # flat in (log beta, gamma_0, log m, b2): the Jacobian of gamma_1 = -beta m, gamma_2 = beta b2
        return f - np.log(np.abs(t[:, 2])) - t[:, 0]

    chains = theta + 0.3 * (rng.standard_normal((100, len(theta))) @ root.T)
    value = target(chains)
    kept = []
    for step in range(900):
        move = chains + 0.9 * (rng.standard_normal(chains.shape) @ root.T)
        new = target(move)
        take = np.log(rng.random(100)) < new - value
        chains[take], value[take] = move[take], new[take]
        if step >= 300:
            g = chains[:, model.layout.gamma]
            x0 = model.covariates(model.centre[0], np.log(7500))
            kept.append(model.centre[0] - (z + g[:, 0] + g[:, 1:] @ x0) / g[:, 1])
    assert quantile == pytest.approx(np.quantile(np.concatenate(kept), 0.1), abs=0.012)


def test_same_seed_same_rating_and_another_nearly_so(fleet):
    a = rate_part(fleet, 7500, None, Promise(50_000), settings=QUICK, seed=4)
    b = rate_part(fleet, 7500, None, Promise(50_000), settings=QUICK, seed=4)
    c = rate_part(fleet, 7500, None, Promise(50_000), settings=replace(QUICK, replicates=100), seed=5)
    assert repr(a) == repr(b)
    assert a.bound_hp == b.bound_hp
    assert a.posterior_hp == b.posterior_hp
    assert c.bound_hp == pytest.approx(a.bound_hp, rel=0.03)
    assert a.bound_hp <= a.first_order_hp < a.estimate_hp < a.seen.highest_power_hp
    assert a.units == 500
    assert a.failures == fleet.failures


@pytest.mark.parametrize("slab", [1, 1_700])
@pytest.mark.parametrize("miles_known", [False, True])
def test_no_memory_setting_moves_a_figure(fleet, monkeypatch, slab, miles_known):
    """How many simulated fleets are held in memory at once: one, three or as many as fit."""
    small = fleet
    if miles_known:
        rng = np.random.default_rng(8)
        power, end = rng.uniform(450, 900, 200), rng.uniform(10_000, 60_000, 200)
        life = 150_000 * (power / 600) ** -4 * rng.weibull(2, 200)
        small = known(np.minimum(life, end), life < end, power)
    s = replace(QUICK, replicates=24, draws=64)
    default = rate_part(small, 7500, None, Promise(50_000), settings=s)
    with monkeypatch.context() as few:  # the fleets whose likelihood is taken at once: not a bit differs
        few.setattr("analytics.models.likelihood._PLACES", slab)
        same = rate_part(small, 7500, None, Promise(50_000), settings=s)
        for a, b in zip(default.by_distribution, same.by_distribution, strict=True):
            assert (b.calibrated, b.root_mean, b.root_sd, b.opinion) == (
                a.calibrated,
                a.root_mean,
                a.root_sd,
                a.opinion,
            )
    monkeypatch.setattr("analytics.ratings.signed_root.SLAB", slab)
    other = rate_part(small, 7500, None, Promise(50_000), settings=s)
    assert default.bound_hp < default.first_order_hp  # the simulated fleets did move it
    assert other.bound_hp == pytest.approx(default.bound_hp, rel=1e-6)
    for a, b in zip(default.by_distribution, other.by_distribution, strict=True):
        assert (b.root_mean, b.root_sd, b.opinion) == pytest.approx((a.root_mean, a.root_sd, a.opinion), rel=1e-5)
        assert b.fleets == a.fleets


def test_a_law_left_out_on_purpose_is_not_called_a_failed_fit():
    rng = np.random.default_rng(3)
    life, end = 40_000 * rng.weibull(5, 400), rng.uniform(20_000, 60_000, 400)
    data = known(np.minimum(life, end), life < end, rng.uniform(450, 900, 400))
    out = rate_part(data, 7500, None, Promise(30_000), settings=replace(QUICK, replicates=20, draws=0))
    behind = max(r.loglik for r in out.by_distribution) - out.by_distribution[1].loglik
    assert behind > 4  # the simulation was skipped
    assert (out.by_distribution[0].tried, out.by_distribution[1].tried, out.by_distribution[1].fleets) == (20, 0, 0)
    words = " | ".join(say_all(out.checks))
    assert "could not be fitted" not in words
    assert (
        f"log-normal life was left out of the calibration on purpose: its log-likelihood is {behind:.1f} lower" in words
    )


def test_order_of_rows_does_not_matter(fleet):
    s = replace(QUICK, replicates=0, draws=0)
    turned = rate_part(fleet.take(np.random.default_rng(0).permutation(500)), 7500, None, Promise(50_000), settings=s)
    assert turned.bound_hp == pytest.approx(
        rate_part(fleet, 7500, None, Promise(50_000), settings=s).bound_hp, rel=1e-6
    )


def test_each_default_can_be_switched_off_and_says_what_it_costs(fleet):
    full = rate_part(fleet, 7500, None, Promise(50_000), settings=replace(QUICK, explain=True, replicates=0, draws=0))
    words = " | ".join(say_all(full.costs))
    for part in ("Weibull or log-normal", "who gets an odometer reading", "fewer miles with age", "never reported"):
        assert part in words
    plain = rate_part(fleet, 7500, None, Promise(50_000), settings=replace(PLAIN, replicates=0, draws=0))
    assert plain.costs == ()
    assert len(plain.by_distribution) == 1
    assert "assumes every failure was reported" in say_all(plain.reasons)
    assert full.bound_hp < plain.bound_hp
    one = full.by_distribution[0]
    assert one.decline != 0
    assert one.slope != 0
    assert 0 < one.share < 1


def known(miles, failed, power, weight=None, **kwargs):
    n = len(miles)
    miles = np.asarray(miles, float)
    return life_data(
        miles, np.where(failed, miles, np.inf), power, np.full(n, 7000.0) if weight is None else weight, **kwargs
    )


KNOWN = replace(PLAIN, replicates=40, draws=256, explain=False)


def test_no_failure_is_demonstrated_not_modelled():
    data = known(np.full(40, 50_000), np.zeros(40, bool), np.linspace(500, 900, 40))
    out = rate_part(data, 7000, None, Promise(50_000), settings=KNOWN)
    assert out.demonstrated_only
    assert np.isnan(out.estimate_hp)
    assert out.bound_hp == out.demonstrated_hp == pytest.approx(np.linspace(500, 900, 40)[-22])
    assert say(out.reasons[0]) == (
        f"demonstrated, not modelled: none of 22 came back in 1,100,000 miles at {out.bound_hp:,.0f} hp or more"
    )
    few = rate_part(
        known(np.full(10, 9000), np.zeros(10, bool), np.full(10, 700.0)), 7000, None, Promise(50_000), settings=KNOWN
    )
    assert np.isnan(few.bound_hp)
    assert "; ".join(say_all(few.reasons)).startswith(
        "10 units at 7,000 lb or more with 0 failures in 90,000 miles are too little to prove 90%"
    )


def test_a_prior_far_from_the_records_is_no_news_of_them(monkeypatch):
    """Shallow lives under a prior of a steep slope: with its middle held still every simulated fleet is pulled the same way, its root lies high and the bound
    far under its first order; drawn anew as the fleets are, it stands about where it stood."""
    rng = np.random.default_rng(4)
    power = np.linspace(500, 1000, 120)
    life, run = 90_000 * (power / 700) ** -1.0 * rng.weibull(2.0, 120), rng.uniform(15_000, 45_000, 120)
    data = known(np.minimum(life, run), life < run, power)
    steep = replace(KNOWN, replicates=60, priors=Priors(power=(np.log(8.0), 0.4)))

    def rated():
        out = rate_part(data, 7000, None, Promise(50_000), settings=steep)
        return out.by_distribution[0], out

    drawn, out = rated()
    monkeypatch.setattr("analytics.ratings.signed_root.drawn_middles", lambda theta, lay, priors, rngs: np.zeros((len(rngs), 2 + len(priors.others))))  # fmt: skip
    still, held = rated()
    assert still.root_mean > drawn.root_mean + 0.3
    assert abs(drawn.root_mean) < 0.45
    assert drawn.calibrated > still.calibrated
    assert out.first_order_hp == held.first_order_hp


def test_one_failure_rests_on_assumptions():
    failed = np.arange(60) == 3
    data = known(np.where(failed, 30_000, 50_000), failed, np.linspace(500, 1000, 60)[::-1])
    out = rate_part(data, 7000, None, Promise(50_000), settings=KNOWN)
    assert "rests on assumptions: only 1 failure" in say_all(out.reasons)
    assert out.bound_hp <= min(out.first_order_hp, out.posterior_hp) + 1e-9 or out.capped
    assert np.isfinite(out.demonstrated_hp)


def test_a_wrong_signed_slope_is_flagged():
    rng = np.random.default_rng(2)
    power = rng.uniform(500, 900, 80)
    life = np.exp(10.4 + 3.0 * np.log(power / 700) + 0.5 * np.log(rng.exponential(size=80)))
    end = rng.uniform(20_000, 60_000, 80)
    data = known(np.minimum(life, end), life < end, power)
    out = rate_part(data, 7000, None, Promise(30_000), settings=KNOWN)
    flag = next(c for c in say_all(out.checks) if "do not show that more power means less life" in c)
    assert "exponent +" in flag
    assert "p over 0.99)" in flag
    assert all(r.theta[r.layout.gamma][1] < 0 for r in out.by_distribution)


def test_above_the_powers_seen_it_says_at_least():
    data = draw_fleet(CELLS["500 units, 3 failures"], np.random.default_rng(3))
    strong = rate_part(data, 7500, None, Promise(20_000), settings=QUICK)
    assert strong.capped
    assert strong.bound_hp == pytest.approx(cap_power(data, 7500, QUICK))
    assert any(r.startswith("at least") for r in say_all(strong.reasons))
    powers = np.sort(np.exp(data.log_power[data.log_weight >= np.log(0.86 * 7500)]))
    assert cap_power(data, 7500, QUICK) == pytest.approx(powers[-5])


def test_a_little_below_the_powers_seen_the_bound_stands_and_says_so():
    rng = np.random.default_rng(4)
    power = rng.uniform(600, 900, 60)
    life = np.exp(9.0 - 4 * np.log(power / 700) + 0.5 * np.log(rng.exponential(size=60)))
    data = known(np.minimum(life, 15_000), life < 15_000, power)
    lowest = float(power.min())
    seen = {}
    for miles in (3000, 3500, 4000, 5000, 6000, 7000, 9000):
        out = rate_part(data, 7000, None, Promise(miles), settings=KNOWN)
        raw = min(r.calibrated for r in out.by_distribution)
        seen[miles] = np.exp(raw) / lowest
        if seen[miles] < KNOWN.cap.below:
            assert np.isnan(out.bound_hp)
        elif seen[miles] < 1:
            assert out.bound_hp == pytest.approx(np.exp(raw))
            assert "below the lowest power on record, 613 hp" in "; ".join(say_all(out.reasons))
            assert not out.has(Rests.BELOW_POWERS)
    assert min(seen.values()) < KNOWN.cap.below < sorted(seen.values())[-2] < 1 < max(seen.values())


def test_below_the_powers_seen_there_is_no_rating():
    rng = np.random.default_rng(4)
    power = rng.uniform(600, 900, 60)
    life = np.exp(9.0 - 4 * np.log(power / 700) + 0.5 * np.log(rng.exponential(size=60)))
    data = known(np.minimum(life, 15_000), life < 15_000, power)
    out = rate_part(data, 7000, None, Promise(50_000), settings=KNOWN)
    assert np.isnan(out.bound_hp)
    assert np.isfinite(out.estimate_hp)
    assert "no rating demonstrable: the bound of" in "; ".join(say_all(out.reasons))
    assert "below the lowest power on record" in "; ".join(say_all(out.reasons))


def test_no_rating_where_no_unit_is_that_heavy(fleet):
    out = rate_part(fleet, 30_000, None, Promise(50_000), settings=replace(QUICK, replicates=0, draws=0))
    assert np.isnan(out.bound_hp)
    assert "fewer than 5 units at 25,800 lb or more" in "; ".join(say_all(out.reasons))


def test_power_and_weight_moving_together_are_flagged():
    rng = np.random.default_rng(5)
    power = rng.uniform(500, 900, 80)
    weight = 7000 * (power / 700) * np.exp(rng.normal(0, 0.01, 80))
    life = np.exp(10.8 - 4 * np.log(power / 700) + 0.5 * np.log(rng.exponential(size=80)))
    data = known(np.minimum(life, 45_000), life < 45_000, power, weight)
    out = rate_part(data, 7000, None, Promise(40_000), settings=KNOWN)
    assert any("cannot be told apart" in c for c in say_all(out.checks))


def test_failures_in_one_weight_class_only():
    rng = np.random.default_rng(6)
    power, weight = rng.uniform(500, 900, 90), np.repeat([6500.0, 8500.0], 45)
    life = np.exp(11.0 - 4 * np.log(power / 700) - 6 * np.log(weight / 8000) + 0.5 * np.log(rng.exponential(size=90)))
    miles = np.where(weight < 7000, np.minimum(0.9 * life, 30_000), np.minimum(life, 40_000))
    data = known(miles, (miles == life) & (weight > 7000), power, weight)
    out = rate_part(data, 7500, None, Promise(40_000), settings=KNOWN)
    assert any("all failures are in one weight class" in c for c in say_all(out.checks))
    assert not any(
        "one weight class" in c for c in say_all(rate_part(data, 9000, None, Promise(40_000), settings=KNOWN).checks)
    )


def test_early_failures_are_taken_apart():
    data = draw_fleet(CELLS["3% installation failures"], np.random.default_rng(7))
    out = rate_part(data, 7500, None, Promise(50_000), settings=replace(QUICK, explain=True, replicates=0, draws=0))
    assert 0.02 < out.early_share < 0.07
    assert any("taken as early failures" in c and "where wear explains" in c for c in say_all(out.checks))
    assert any("early failures apart" in c for c in say_all(out.costs))
    off = rate_part(data, 7500, None, Promise(50_000), settings=replace(QUICK, early=False, replicates=0, draws=0))
    assert off.bound_hp < out.bound_hp
    assert off.early_share == 0


def test_too_many_early_failures_leave_nothing_to_rate():
    n = 100
    early = np.arange(n) < 15
    late = (np.arange(n) >= 15) & (np.arange(n) < 25)
    miles = np.where(early, 300.0, np.where(late, 30_000.0, 50_000.0))
    out = rate_part(
        known(miles, early | late, np.linspace(500, 900, n)),
        7000,
        None,
        Promise(50_000),
        settings=replace(KNOWN, early=True),
    )
    assert np.isnan(out.bound_hp)
    assert "early failures alone take" in "; ".join(say_all(out.reasons))


def test_each_use_gets_its_own_rating_and_the_harshest_where_none_is_named():
    data = draw_fleet(replace(CELLS["harsh use on record"], failures=60.0), np.random.default_rng(8))
    s = replace(QUICK, replicates=0, draws=0)
    usual, harsh = (rate_part(data, 7500, u, Promise(50_000), settings=s) for u in ("usual", "harsh"))
    unnamed = rate_part(data, 7500, None, Promise(50_000), settings=s)
    assert harsh.bound_hp < usual.bound_hp
    assert unnamed.bound_hp == pytest.approx(harsh.bound_hp)
    assert unnamed.use == "harsh"
    assert "use not stated: rated for harsh, the harshest with enough on record" in say_all(unnamed.reasons)
    with pytest.raises(AnalyticsError, match="use 'drag' is not on record; there are harsh, usual"):
        rate_part(data, 7500, "drag", Promise(50_000), settings=s)


def test_the_harshest_use_goes_by_the_estimate_not_by_the_noisier_bound():
    """Three failures among 43 trucks of a use that lasts no less than that of the other 1,457: its bound is the lowest for their number."""
    data = draw_fleet(replace(CELLS["500 units, 20 failures"], units=1500, failures=150.0), np.random.default_rng(8))
    thin = np.r_[np.flatnonzero(data.failed)[:3], np.flatnonzero(~data.failed)[:40]]
    data = replace(data, use=np.isin(np.arange(len(data.lower)), thin).astype(int), use_names=("broad", "thin"))
    s = replace(QUICK, replicates=0, draws=0)
    broad, few, unnamed = (rate_part(data, 7500, u, Promise(50_000), settings=s) for u in ("broad", "thin", None))
    assert broad.estimate_hp < few.estimate_hp
    assert few.bound_hp < 0.97 * broad.bound_hp
    assert (unnamed.rated_use, unnamed.bound_hp) == ("broad", broad.bound_hp)


def test_a_sheet_never_rises_with_weight():
    data = draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(9))
    s = replace(QUICK, replicates=0, draws=0)
    sheet = rate_weights(data, (9000.0, 6000.0, 7500.0), None, Promise(50_000), settings=s)
    assert [r.weight_lb for r in sheet] == [6000.0, 7500.0, 9000.0]
    assert np.all(np.diff([r.bound_hp for r in sheet]) <= 0)
    # heavy trucks that never fail must not lift the heavy class above the light one
    odd = data.take(~(data.failed & (data.log_weight > np.log(6800))))
    sheet = rate_weights(
        odd,
        (6000.0, 9000.0),
        None,
        Promise(50_000),
        settings=replace(s, priors=replace(s.priors, others=((2.0, 2.5),))),
    )
    assert sheet[1].bound_hp <= sheet[0].bound_hp
    assert any("of the lighter class" in r for r in say_all(sheet[1].reasons))


def test_unreported_failures_lower_the_bound(fleet):
    bounds = [
        rate_part(fleet, 7500, None, Promise(50_000), replace(QUICK, replicates=0, share=share)).bound_hp
        for share in (1.0, 0.85, 0.7, 0.5)
    ]
    assert bounds == sorted(bounds, reverse=True)


def test_no_odometer_at_all_is_said():
    data = life_data(
        np.full(30, np.nan),
        np.full(30, np.inf),
        np.full(30, 700.0),
        np.full(30, 7000.0),
        lower_days=np.full(30, 2000.0),
    )
    out = rate_part(data, 7000, None, Promise(50_000), settings=QUICK)
    assert "no odometer is known: miles per day are an assumption (median 30 a day)" in say_all(out.reasons)


def test_settings_out_of_range():
    data = known([50_000.0], np.array([False]), [700.0])
    with pytest.raises(AnalyticsError, match=r"reliability 1\.5"):
        rate_part(data, 7000, None, Promise(50_000, 1.5))
    with pytest.raises(AnalyticsError, match="reporting share 0"):
        rate_part(data, 7000, None, Promise(50_000), settings=RatingSettings(share=0.0))


def test_one_power_only_is_flagged():
    failed = np.arange(40) < 8
    out = rate_part(
        known(np.where(failed, 30_000, 50_000), failed, np.full(40, 700.0)), 7000, None, Promise(50_000), settings=KNOWN
    )
    assert "every vehicle has the same power: how life falls with power rests on its prior" in say_all(out.checks)


@pytest.mark.parametrize("seed", range(25))
def test_no_data_break_it_and_no_number_comes_without_its_reason(seed):
    """Random small fleets with every kind of gap: never an exception or a warning, never a silent NaN, never above the cap."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice([1, 2, 6, 30, 120]))
    days, rate = rng.uniform(1, 2200, n), np.exp(rng.normal(3.4, 0.5, n))
    failed = rng.random(n) < rng.choice([0, 0.05, 0.3, 1.0])
    blind = rng.random(n) < rng.choice([0, 0.5, 1.0])
    miles = np.where(rng.random(n) < 0.1, rng.uniform(1, 50, n), days * rate)
    gone = failed & blind & (rng.random(n) < 0.5)
    lower = np.where(failed & ~gone, miles, np.nan)
    upper = np.where(failed, np.where(gone, np.nan, miles), np.inf)
    hidden = failed & (rng.random(n) < 0.2)
    lower[hidden] = np.where(np.isnan(lower[hidden]), np.nan, 0.0)
    data = life_data(
        lower,
        upper,
        np.exp(rng.normal(6.5, rng.choice([0, 0.3]), n)),
        np.exp(rng.normal(8.9, 0.2, n)),
        lower_days=np.where(hidden, 0.0, days),
        upper_days=np.where(failed, days, np.inf),
        entry_days=np.where((rng.random(n) < 0.2) & ~hidden, 0.3 * days, 0.0),
        cutoff_days=2300.0 * np.ones(n),
        use=rng.choice(["street", "tow"], n),
        rate_miles=np.where(blind, np.nan, miles),
        rate_days=np.where(blind, np.nan, days),
    )
    out = rate_part(data, 7000.0, None, Promise(50_000), settings=replace(QUICK, replicates=20, draws=64), seed=seed)
    assert np.isfinite(out.bound_hp) or out.reasons
    assert not out.bound_hp > out.seen.cap_hp * (1 + 1e-9)
