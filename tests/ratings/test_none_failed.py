"""What lives without a failure show with what siblings lend: closed forms, direct integration, and when it counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from analytics.models.lifedata import life_data
from analytics.models.mileage import DrivingFit
from analytics.models.priors import Priors
from analytics.ratings.bound import as_siblings_hp, rate_part
from analytics.ratings.by_load import without_failure
from analytics.ratings.limit_evidence import Beside, evidence_of
from analytics.ratings.none_failed import NoneFailed
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN, RatingSettings
from analytics.reasons import ByLoad, Rests, reason
from analytics.words.saying import say

PROMISE = Promise(50_000)
SHAPE, SLOPE, WEIGHT = 2.0, 4.0, -1.5
LENT = Priors(shape=(np.log(SHAPE), 0.3), power=(np.log(SLOPE), 0.3), weight=(WEIGHT, 1.0), lenders=("A",))


def settings(**changes) -> RatingSettings:
    return replace(PLAIN, explain=False, draws=0, replicates=0, priors=replace(LENT, **changes))


def sure(**changes) -> RatingSettings:
    """Shape, slope and weight effect known."""
    held = {"shape": (np.log(SHAPE), 1e-9), "power": (np.log(SLOPE), 1e-9), "weight": (WEIGHT, 1e-9)}
    return settings(**(held | changes))


def lives(miles, power, weight=7000.0):
    miles, power = np.broadcast_arrays(np.asarray(miles, float), np.asarray(power, float))
    return life_data(miles, np.full(len(miles), np.inf), power, np.broadcast_to(weight, miles.shape))


def test_known_shape_and_slope_are_the_weibayes_limit(reference):
    """Nelson 1985 with the load in the life: the power at which as many lives as the success run (D17) would have been run."""
    n = int(reference("D17", "zero_failure_n").query("at == 'R0.9 C0.9'")["value"].item())
    expected = 800 * (n * -np.log(0.9) / -np.log(0.1)) ** (1 / (SHAPE * SLOPE))
    assert as_siblings_hp(lives(np.full(n, 50_000), 800.0), 7000, PROMISE, sure()) == pytest.approx(expected, rel=1e-6)
    # half as far is worth a quarter; a heavier truck counts for more, a lighter one for less
    half = as_siblings_hp(lives(np.full(4 * n, 25_000), 800.0), 7000, PROMISE, sure())
    assert half == pytest.approx(expected, rel=1e-6)
    light = as_siblings_hp(lives(np.full(n, 50_000), 800.0, 6000.0), 7000, PROMISE, sure())
    assert light == pytest.approx(expected * (6000 / 7000) ** (-WEIGHT / SLOPE), rel=1e-6)
    # and failures that nobody reports were possible all along
    told = as_siblings_hp(lives(np.full(n, 50_000), 800.0), 7000, PROMISE, replace(sure(), share=0.5))
    assert told == pytest.approx(expected * 0.5 ** (1 / (SHAPE * SLOPE)), rel=1e-6)


def test_the_share_that_lasts_is_the_success_runs(reference):
    """Clopper and Pearson's one-sided limit of none of n, as D17's n has it: (1 - C)^(1/n); half as far shows a quarter at a shape of 2."""
    n = int(reference("D17", "zero_failure_n").query("at == 'R0.9 C0.9'")["value"].item())

    def least(miles, count):
        none = NoneFailed(lives(np.full(count, miles), 800.0), 7000, PROMISE, sure(), None)
        return none.lasting(np.log(800.0), PROMISE.reliability, 0.9)

    assert least(50_000, n) == pytest.approx(0.1 ** (1 / n), rel=1e-5)
    assert least(25_000, 4 * n) == pytest.approx(0.1 ** (1 / n), rel=1e-5)
    assert np.isnan(least(1e-3, 1))


def test_a_weaker_truck_counts_by_the_slope():
    mixed = lives(np.repeat(50_000, 60), np.repeat([600.0, 900.0], 30))
    p = as_siblings_hp(mixed, 7000, PROMISE, sure())
    run = -np.log(0.9) * 30 * ((600 / p) ** (SHAPE * SLOPE) + (900 / p) ** (SHAPE * SLOPE))
    assert run == pytest.approx(-np.log(0.1), rel=1e-5)


def test_what_is_not_known_costs():
    """Of trucks stronger than the limit: a slope that may be shallower takes from it, and so does a share that may be lower."""
    data = lives(np.full(20, 25_000), np.linspace(800, 900, 20))
    known = as_siblings_hp(data, 7000, PROMISE, sure())
    assert known < 800
    assert as_siblings_hp(data, 7000, PROMISE, sure(power=(np.log(SLOPE), 0.4))) < known
    share = as_siblings_hp(data, 7000, PROMISE, replace(settings(), share=None))
    assert share < as_siblings_hp(data, 7000, PROMISE, replace(settings(), share=1.0))
    assert share == pytest.approx(as_siblings_hp(data, 7000, PROMISE, replace(settings(), share=0.8)), rel=0.03)


def test_unknown_miles_are_averaged_at_the_load():
    """scipy.integrate.quad over the log rate, at a power below the truck's own: the load scales each driver's, not their mean."""
    driving = DrivingFit(np.array([3.4]), 0.6, 0.0, 50, 1096.0, True)
    data = life_data([np.nan], [np.inf], [800.0], [7000.0], lower_days=[900.0])
    none = NoneFailed(data, 7000, PROMISE, sure(), driving)
    for at in (500.0, 800.0, 1200.0):
        load = (800 / at) ** (SHAPE * SLOPE)
        exact = quad(
            lambda s, load=load: norm.pdf(s) * np.exp(np.log(0.9) * load * (np.exp(3.4 + 0.6 * s) * 900 / 50_000) ** 2), -9, 9
        )[0]  # fmt: skip
        assert none.chance(np.log(at)) == pytest.approx(exact, rel=1e-4)


def test_it_counts_where_siblings_lend_and_is_named_so():
    data = lives(np.full(60, 40_000), np.linspace(600, 900, 60), 7000.0)
    alone = rate_part(data, 7000, None, PROMISE, settings(lenders=()))
    lent = rate_part(data, 7000, None, PROMISE, settings())
    assert not alone.has(Rests.AS_SIBLINGS)
    assert lent.bound_hp == pytest.approx(as_siblings_hp(data, 7000, PROMISE, settings()))
    assert lent.bound_hp > alone.bound_hp
    assert np.isnan(lent.estimate_hp)
    assert lent.demonstrated_hp == alone.demonstrated_hp
    assert "demonstrated by those miles without a failure, with the shape and slope of its siblings (A)" in say(
        lent.reasons[0]
    )
    # the page of loads, which tells the figure too, does not call it what the part's own miles demonstrate
    assert [without_failure(b) for b in (alone, lent)] == [ByLoad.DEMONSTRATED, ByLoad.AS_SIBLINGS]
    assert "its siblings lend" in say(reason(without_failure(lent)))
    assert without_failure(replace(lent, seen=replace(lent.seen, failures=1.0))) is None


def test_it_stays_with_the_powers_on_record():
    strong = rate_part(lives(np.full(500, 90_000), np.linspace(600, 900, 500)), 7000, None, PROMISE, settings())
    assert strong.capped
    assert strong.bound_hp == strong.seen.cap_hp
    few = rate_part(lives(np.full(12, 20_000), np.linspace(600, 620, 12)), 7000, None, PROMISE, settings())
    assert few.has(Rests.BELOW_POWERS)
    assert np.isnan(few.bound_hp)


def test_a_limit_is_raised_on_it_at_half_the_doubt():
    data = lives(np.full(60, 40_000), np.linspace(600, 900, 60))
    bound = rate_part(data, 7000, None, PROMISE, settings())
    found = evidence_of(bound, Beside(bound.bound_hp, 400.0, 1.0, 0.1), data, settings())
    half = as_siblings_hp(data, 7000, Promise(50_000, confidence=0.95), settings())
    assert found.raise_hp == pytest.approx(half, abs=1)
    assert found.raise_hp < found.supported_hp
