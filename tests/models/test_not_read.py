"""A truck whose odometer nobody read: it may have failed unsaid before somebody would have, and in no other way does that keep it unread. From the
model, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from analytics.models.distributions import DISTRIBUTIONS, survival_of
from analytics.models.joint import Terms, fit_joint, joint_model, simulate
from analytics.models.lifedata import LifeData, before_reading, build_rows, life_data
from analytics.models.likelihood import Layout, log_likelihood
from analytics.models.quadrature import rate_nodes
from analytics.models.rows import stack
from analytics.ratings.predict import chances, fit_lives
from analytics.ratings.settings import RatingSettings
from analytics.ratings.unknowns import _row_terms


def shop(seed: int, read: float) -> LifeData:
    """600 invented trucks, all failures told; of the others a share is ``read``, at any time of its life."""
    rng = np.random.default_rng(seed)
    n = 600
    power, age = np.exp(rng.normal(np.log(600), 0.3, n)), rng.uniform(100, 2200, n)
    rate = np.exp(rng.normal(np.log(30), 0.5, n))
    life = 170_000 * (power / 600) ** -3.0 * rng.weibull(2.0, n)
    told = life < rate * age
    day = rng.uniform(0.05, 1, n) * age
    seen = ~told & (rng.random(n) < read)
    return life_data(
        np.where(told, life, np.nan),
        np.where(told, life, np.inf),
        power,
        np.full(n, 7000.0),
        lower_days=np.where(told, life / rate, age),
        upper_days=np.where(told, life / rate, np.inf),
        cutoff_days=age,
        rate_miles=np.where(told, life, np.where(seen, rate * day, np.nan)),
        rate_days=np.where(told, life / rate, np.where(seen, day, np.nan)),
    )


def test_how_much_of_a_life_lies_before_a_reading_is_the_mean_over_the_trucks_read():
    nan = np.nan
    data = life_data(
        [nan] * 5,
        [np.inf] * 5,
        [700.0] * 5,
        [7000.0] * 5,
        entry_days=[0.0, 300.0, 0.0, 0.0, 0.0],
        lower_days=[1000.0, 900.0, 500.0, 400.0, 600.0],
        start_days=[0.0, 0.0, 1500.0, 0.0, 200.0],
        rate_miles=[nan, nan, nan, 9_000.0, 9_000.0],
        rate_days=[nan, nan, nan, 100.0, 600.0],
        weight=[1, 1, 1, 1, 3],
    )
    expected = []
    for start, entry, end in ((0, 0, 1000), (0, 300, 900), (1500, 0, 500)):
        shares = [np.clip(f * (start + end) - start, entry, end) for f in (0.25, 0.75, 0.75, 0.75)]
        expected.append((np.mean(shares) - entry) / (end - entry))
    assert before_reading(data)[:3] == pytest.approx(expected, rel=1e-12)
    assert expected[2] == 0.0  # fitted after any truck was read: a failure since could not keep it unread
    few = data.take(np.arange(3))
    assert before_reading(few, data) == pytest.approx(expected, rel=1e-12)
    assert before_reading(few) == pytest.approx(1.0)  # none of these was read


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_the_term_of_a_truck_not_read_equals_direct_integration(distribution):
    """scipy.integrate.quad over the log rate, with the chance of being read hanging on it, and entry late."""
    lower, entry = np.array([900.0, 1500.0]), np.array([0.0, 400.0])
    data = life_data(
        [np.nan] * 2,
        [np.inf] * 2,
        [700.0] * 2,
        [7000.0] * 2,
        lower_days=lower,
        entry_days=entry,
        rate_days=[np.nan] * 2,
    )
    rows = build_rows(data, np.ones((2, 1)), 50_000.0, 1096.0)
    before = np.array([0.35, 0.6])
    one_each = [b for b in rows.blocks if b.kind == "unread"]
    rows = replace(
        rows, blocks=tuple(replace(b, before_read=np.array([[f]])) for b, f in zip(one_each, before, strict=True))
    )
    v, gamma, mu, tau, alpha, c, share = 0.6, -0.4, 3.5, 0.55, 0.7, 0.5, 0.7
    layout = Layout(1, 1, level=True, slope=True, share=True)
    theta = np.array([[v, gamma, mu, np.log(tau), alpha, c, np.log(share / (1 - share))]])
    got = log_likelihood(theta, rows, layout, distribution, rate_nodes(1.2), 0)[0][0]

    def survive(s, days):
        return survival_of(np.exp(v) * (mu + tau * s + np.log(days / 50_000)) - gamma, distribution) if days else 1.0

    def like(s, i):
        keep = norm.cdf(-alpha - c * s)
        silent = (survive(s, entry[i]) - survive(s, lower[i])) * (1 - share)
        return (survive(s, lower[i]) * keep + silent * (keep + before[i] * (1 - keep))) * norm.pdf(s)

    expected = [
        np.log(quad(like, -9, 9, args=(i,), epsabs=1e-13, limit=400)[0])
        - np.log(quad(lambda s, i=i: survive(s, entry[i]) * norm.pdf(s), -9, 9, epsabs=1e-13, limit=400)[0])
        for i in range(2)
    ]
    assert got == pytest.approx(sum(expected), abs=2e-6)


def test_nobody_read_is_no_sign_of_having_failed_unsaid():
    """In fleets drawn from the model, four in five read at any time of their lives, the likelihood rises neither way from the truth. With every
    silent failure taken to have come before the reading the share's slope was -0.9 of its standard deviation."""
    model = joint_model(shop(3, 0.8), 50_000.0, terms=Terms(share=None))
    model, top = fit_joint(model)
    theta = top.theta[0]
    rows = stack(simulate(model, theta, np.random.default_rng(1).spawn(200)), model.layout.uses)
    slope = log_likelihood(np.tile(theta, (200, 1)), rows, model.layout, "weibull", model.nodes)[1]
    at = model.layout.place("share")
    assert abs(slope[:, at].mean()) < 0.3 * slope[:, at].std()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reading_more_odometers_makes_no_failure_silent(seed):
    """All failures told, readings at any time of life: four in five read leave the share where one in five leave it, or higher."""
    shares = []
    for read in (0.2, 0.8):
        model, top = fit_joint(joint_model(shop(seed, read), 50_000.0, terms=Terms(selection=True, share=None)))
        assert top.converged[0]
        shares.append(top.theta[0][model.layout.place("share")])
    assert shares[1] > shares[0] - 0.2


def test_the_next_failure_of_a_truck_not_read_is_reckoned_with_the_same_chances():
    model, top = fit_joint(joint_model(shop(1, 0.8), 50_000.0, terms=Terms(selection=True, share=None)))
    data, lay, theta = model.data, model.layout, top.theta[0]
    which = np.flatnonzero(~data.failed & data.unknown)[:20]
    _, fails = chances(model, top.theta, which, 200.0, None)
    s, weight = model.nodes
    keep = norm.cdf(-theta[lay.place("level")] - theta[lay.place("slope")] * s)
    silent = 1 / (1 + np.exp(theta[lay.place("share")]))
    before = before_reading(data)[which]
    assert 0.4 < before.mean() < 0.7

    def survive(i, days):
        z = np.exp(theta[0]) * (theta[lay.mu][0] + np.exp(theta[lay.tau]) * s + np.log(days / 50_000))
        return survival_of(z - model.x[i] @ theta[lay.gamma], "weibull")

    for k, i in enumerate(which):
        now, then = (survive(i, data.days.lower[i] + more) for more in (0.0, 200.0))
        unread = keep * now + silent * (1 - now) * (keep + before[k] * (1 - keep))
        assert fails[0, k] == pytest.approx(weight @ (keep * (now - then)) / (weight @ unread), rel=1e-6)


def test_rows_taken_one_by_one_go_by_the_readings_of_all():
    fit = fit_lives(shop(2, 0.8), 50_000.0, RatingSettings(both_laws=False, decline=False), 16, 1)
    model, top = fit.fitted()
    data = model.data
    some = np.flatnonzero(~data.failed & data.unknown)
    value = _row_terms(model, data.take(some), model.x[some], top.theta[0])[0].sum()
    whole = replace(
        model.rows,
        blocks=tuple(b for b in model.rows.blocks if b.kind == "unread"),
        rates=None,
        constant=np.zeros(1),
        reported=np.zeros(1),
    )
    assert value == pytest.approx(
        log_likelihood(top.theta, whole, model.layout, "weibull", model.nodes, 0)[0][0], rel=1e-10
    )
