"""Where power is not shown to matter, the share that lasts over the powers seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lifelines import WeibullFitter

from analytics.models.lifedata import life_data
from analytics.ratings.bound import rate_part
from analytics.ratings.lasting import lasting_share
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN
from analytics.reasons import Checked, Rests
from analytics.words.saying import say

QUICK = replace(PLAIN, explain=True, replicates=0, draws=0)
PROMISE = Promise(50_000)


def _seals(seed: int, n: int = 500):
    """Lives that do not hang on power at all: Weibull of shape 2, 91 of 100 past 50,000 miles."""
    rng = np.random.default_rng(seed)
    life, run = 163_000 * rng.weibull(2.0, n), rng.uniform(10_000, 90_000, n)
    end = np.minimum(life, run)
    return life_data(
        end, np.where(life < run, end, np.inf), 600 * np.exp(0.3 * rng.standard_normal(n)), np.full(n, 7000.0)
    )


def test_the_share_is_that_of_one_distribution_for_all_powers():
    data = _seals(1)
    found = lasting_share(data, 7000, 0, PROMISE, QUICK)
    free = WeibullFitter().fit(data.lower, data.failed)
    assert found.share == pytest.approx(float(free.survival_function_at_times(50_000).iloc[0]), abs=0.006)
    assert found.at_least < found.share
    assert (found.lowest_hp, found.highest_hp) == pytest.approx(
        (np.exp(data.log_power.min()), np.exp(data.log_power.max()))
    )


def test_the_least_share_holds_as_often_as_it_says():
    """100 fleets (seeds 0 to 99), nine in ten promised."""
    truth = float(np.exp(-((50_000 / 163_000) ** 2)))
    held = [lasting_share(_seals(seed, 300), 7000, 0, PROMISE, QUICK).at_least <= truth for seed in range(100)]
    assert 82 <= sum(held) <= 97


def test_the_rating_says_it_where_power_is_not_shown_to_matter():
    data = next(
        d for d in map(_seals, range(20)) if rate_part(d, 7000, None, PROMISE, QUICK).has(Checked.SLOPE_NOT_SHOWN)
    )
    rated = rate_part(data, 7000, None, PROMISE, QUICK)
    why = next(r for r in rated.reasons if r.code is Rests.LASTS_AT_ANY_POWER)
    assert f"about {why.values['share']:.0%} last 50,000 miles" in say(why)
    steep = life_data(
        data.lower * (np.exp(data.log_power) / 600) ** -5,
        np.where(data.failed, data.lower * (np.exp(data.log_power) / 600) ** -5, np.inf),
        np.exp(data.log_power),
        np.full(len(data.lower), 7000.0),
    )
    assert not rate_part(steep, 7000, None, PROMISE, QUICK).has(Rests.LASTS_AT_ANY_POWER)
