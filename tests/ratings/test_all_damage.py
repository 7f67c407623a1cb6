"""The rating for all damage: what stops a truck, and what only a teardown shows of the parts looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData, life_data, looked_at, opened_of
from analytics.models.priors import NO_PRIORS
from analytics.ratings import all_damage
from analytics.ratings.all_damage import _power_of_both, fit_hidden
from analytics.ratings.bound import RatingBound, rate_part
from analytics.ratings.fits import fit_part
from analytics.ratings.limit_evidence import Beside, evidence_of
from analytics.ratings.openings import openings_to_raise
from analytics.ratings.options import Options
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN
from analytics.reasons import Rests
from analytics.words.saying import say

SETTINGS = replace(PLAIN, explain=False, replicates=0)
PROMISE = Promise(50_000)


def fleet(opened: int = 0, crack_miles: float = 120_000, seed: int = 3) -> LifeData:
    """400 trucks, of which some break, by a known law; so many were looked at, and some had cracked, by another."""
    rng, n = np.random.default_rng(seed), 400
    power = np.exp(rng.normal(np.log(600), 0.25, n))
    life, crack = (miles * (power / 600) ** -3 * rng.weibull(2.0, n) for miles in (150_000, crack_miles))
    end = rng.uniform(10_000, 60_000, n)
    mass = np.full(n, 7000.0)
    data = life_data(np.minimum(life, end), np.where(life < end, life, np.inf), power, mass)
    found = crack < end
    looked = life_data(np.where(found, 0.0, end), np.where(found, end, np.inf), power, mass)
    return looked_at(data, looked.take(np.arange(n) < opened)) if opened else data


def rate(data: LifeData) -> RatingBound:
    return rate_part(data, 7000.0, None, PROMISE, SETTINGS)


def test_all_opened_at_the_same_miles_the_share_found_clean_is_the_survival():
    """Current status data with one time of inspection: 15 of 20 clean is S(t) = .75 (Sun 2006, ch. 3: the binomial estimate), whatever the shape."""
    upper = np.where(np.arange(20) < 5, 40_000.0, np.inf)
    data = life_data(np.where(np.isinf(upper), 40_000.0, 0.0), upper, np.full(20, 600.0), np.full(20, 7000.0))
    settings = replace(SETTINGS, priors=replace(NO_PRIORS, shape=(np.log(2), 0.1), power=(np.log(3), 0.1)))
    _, top = fit_joint(settings.model(data, 40_000, "weibull"))
    assert np.exp(-np.exp(-top.theta[0][1])) == pytest.approx(0.75, abs=1e-6)
    hidden = fit_hidden(data, 40_000, settings)
    assert hidden is not None
    assert (hidden.opened, hidden.found) == (20, 5)
    np.testing.assert_allclose(hidden.fitted.top.theta, top.theta, atol=1e-9)


def test_two_causes_alike_fail_twice_as_often():
    """With both lines z = a + b log p the hazards add up to 2 e^z = -log R: closed form."""
    a, b = np.array([-20.0]), np.array([3.0])
    found = _power_of_both((a, b), (a, b), "weibull", 0.9)
    assert found[0] == pytest.approx((np.log(-np.log(0.9) / 2) + 20) / 3, abs=1e-9)
    # and one that never comes leaves the other's rating
    never = _power_of_both((a, b), (a - 60, b), "weibull", 0.9)
    assert never[0] == pytest.approx((np.log(-np.log(0.9)) + 20) / 3, abs=1e-9)


def test_hidden_damage_takes_its_share_off_and_clean_openings_give_it_back():
    alone, bad, good = rate(fleet()), rate(fleet(60)), rate(fleet(60, 400_000))
    assert bad.bound_hp < good.bound_hp < alone.bound_hp
    assert bad.estimate_hp < good.estimate_hp < alone.estimate_hp
    assert bad.bound_hp < bad.estimate_hp < bad.upper_hp
    assert bad.failures == alone.failures
    first = min(r.stopping.calibrated for r in bad.by_distribution if r.stopping)
    assert np.exp(first) == pytest.approx(alone.bound_hp)  # what stops a truck is rated as before
    told = next(r for r in bad.reasons if r.code is Rests.HIDDEN_COUNTED)
    assert say(told).startswith("of 60 looked at while their unit was apart 48 were clean and 12 had damage")


def test_miles_of_trucks_never_opened_demonstrate_nothing():
    half = Promise(50_000, reliability=0.5)
    alone, beside = (rate_part(data, 7000.0, None, half, SETTINGS) for data in (fleet(), fleet(60)))
    assert alone.demonstrated_hp > 0
    assert np.isnan(beside.demonstrated_hp)


def times(data: LifeData, k: float) -> LifeData:
    opened = opened_of(data)
    assert opened is not None
    return looked_at(data, replace(opened, weight=opened.weight * k))


def test_more_openings_found_alike_narrow_it():
    few, many = rate(fleet(30)), rate(times(fleet(30), 10))
    assert few.bound_hp < many.bound_hp < many.upper_hp < few.upper_hp


def test_openings_that_would_raise_a_limit():
    """Too few openings hold a limit that what stops trucks alone would raise; it says how many more of the kind are wanted."""
    data, options = fleet(30), Options(PROMISE, settings=SETTINGS)
    bound, fits = rate(data), fit_part(data, PROMISE.life, SETTINGS)

    def raise_hp(data: LifeData) -> float:
        return evidence_of(rate(data), Beside(np.nan, 225.0, 25.0, 0.05), data, SETTINGS).raise_hp

    assert [raise_hp(times(data, k)) > 275 for k in (1, 2, 3)] == [False, False, True]
    held, raised, never = (
        openings_to_raise(bound, data, fits, Beside(np.nan, limit, 25.0, 0.05, hidden=1), options)
        for limit in (225.0, 150.0, 540.0)
    )
    assert held == 60  # three times 30
    assert raised is None  # as it is
    assert never is None  # nor would it be without hidden damage


def test_a_fit_that_does_not_converge_gives_no_number():
    """Every one opened was damaged: no law is told by that, and the rating of what stops trucks alone would be too high."""
    data = fleet(60)
    fits = replace(fit_part(data, PROMISE.life, SETTINGS), hidden=None)
    bound = rate_part(data, 7000.0, None, PROMISE, SETTINGS, fits=fits)
    assert np.isnan(bound.bound_hp)
    assert bound.has(Rests.NO_FIT_CONVERGED)


@pytest.mark.parametrize(("draws", "made"), [(512, all_damage._PUBLISHED[0]), (0, all_damage._COMPARED[0])])
def test_a_bound_that_is_published_is_made_of_all_the_draws(draws, made, monkeypatch):
    asked = []
    plain = all_damage.drawn
    monkeypatch.setattr(all_damage, "drawn", lambda fitted, n, seed: asked.append(n) or plain(fitted, n, seed))
    found = rate_part(fleet(60), 7000.0, None, PROMISE, replace(SETTINGS, draws=draws))
    assert found.has(Rests.HIDDEN_COUNTED)
    assert {*asked} == {made}
