"""Random calls are data on the share of failures reported."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import options_for
from analytics.ratings.pooling import options_of
from analytics.ratings.reporting import Calls, calls_of, share_after_calls
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.words.ratings.basis import basis
from analytics.words.ratings.page import opening
from tests.small_shop import TOML, build, returned, write_shop

PRIOR = (float(np.log(4)), 0.6)


def _share(found: tuple[float, float]) -> float:
    return 1 / (1 + np.exp(-found[0]))


@pytest.mark.parametrize("k", [0, 2, 6])
def test_the_moments_are_those_of_the_integral(k):
    calls = Calls(called=40, found=k, silent=300, failures=25)

    def weight(x: float, power: int) -> float:
        p = min(25 * np.exp(-x) / 300, 1.0)
        return x**power * norm.pdf(x, *PRIOR) * binom.pmf(k, 40, p)

    total, first, second = (quad(weight, -3, 6, args=(p,), points=[-2.5, 0, 1, 2], limit=200)[0] for p in (0, 1, 2))
    mean, sd = share_after_calls(PRIOR, calls)
    assert mean == pytest.approx(first / total, abs=2e-3)
    assert sd == pytest.approx(np.sqrt(second / total - (first / total) ** 2), rel=5e-3)


def test_calls_that_find_nothing_raise_the_share_and_calls_that_find_lower_it():
    none, some = (share_after_calls(PRIOR, Calls(40, k, 120, 25)) for k in (0, 8))
    assert _share(none) > 0.82 > 0.75 > _share(some)
    assert max(none[1], some[1]) < 0.6  # and either is known better than before
    assert share_after_calls(PRIOR, Calls(0, 0, 120, 25)) == PRIOR


def test_what_is_held_after_the_calls_covers_as_it_says():
    """1,000 shops whose share is drawn from the prior, 60 calls each (seed 5): the middle nine tenths hold it in nine of ten."""
    rng, held, sds = np.random.default_rng(5), 0, []
    for _ in range(1000):
        logit = rng.normal(*PRIOR)
        silent = min(30 * np.exp(-logit) / 150, 1.0)
        mean, sd = share_after_calls(PRIOR, Calls(60, rng.binomial(60, silent), 150, 30))
        held += abs(logit - mean) < 1.645 * sd
        sds.append(sd)
    assert held / 1000 == pytest.approx(0.9, abs=0.03)
    assert np.mean(sds) < 0.75 * PRIOR[1]


def _shop(folder, found: int):
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight=6500 + 15 * k) for k in range(60)]
    back = [
        returned(builds[59 - k]["serial"], f"2022-0{1 + k}-15", miles_in_service=30_000 + 1500 * k) for k in range(8)
    ]
    readings = [
        {
            "serial": b["serial"],
            "read_on": "2024-03-30",
            "odometer": 60_000,
            "source": "Random call",
            "still_running": "yes",
        }
        for b in builds[:40]
    ]
    for r in readings[:found]:
        r["still_running"] = "no"
    toml = TOML + "[ratings]\nreplicates = 0\n"
    records = load_records(write_shop(folder / "shop", toml, builds=builds, returns=back, readings=readings))
    return records, make_lifetimes(records)


def test_every_rating_goes_by_the_calls(tmp_path):
    records, lifetimes = _shop(tmp_path / "a", 0)
    assert calls_of(lifetimes) == Calls(called=40, found=0, silent=52, failures=8)
    plain, heeding = options_for(records.shop), options_of(lifetimes, None)
    assert plain.settings.usual_share == pytest.approx(0.8)
    assert heeding.settings.usual_share > 0.85
    assert options_of(lifetimes, heeding) == heeding  # heeded once
    good = make_ratings(records, lifetimes, plain)
    worse = make_ratings(*_shop(tmp_path / "b", 12))
    first = [r.table["bound_hp"].iloc[0] for r in (good, worse)]
    assert first[0] > first[1]
    assert "40 calls at random that found none" in opening(good)[1]
    said = basis(good).set_index("setting").loc["failures that are reported", "value"]
    assert "heeds 40 calls at random" in said


def test_a_stated_share_is_left_alone(tmp_path):
    _, lifetimes = _shop(tmp_path, 0)
    stated = options_for(lifetimes.shop)
    stated = replace(stated, settings=replace(stated.settings, share=0.7))
    assert options_of(lifetimes, stated) == stated
