"""The ratio of powers at the same life: computed a second time, and its narrow intervals read exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq, minimize
from scipy.special import ndtri

from analytics.cutoffs.against import RatioVerdict, compare_found, life_ratio_profile, limits_of, power_ratio_profile
from analytics.cutoffs.comparable import compare_lives
from analytics.cutoffs.fits import PartsData
from analytics.models.lifedata import life_data
from analytics.words.cutoffs.parts import against_words

MILES = 50_000.0


@pytest.fixture(scope="module")
def two_parts():
    """300 trucks of two parts, known miles, Weibull lives of shape 2 that fall with power to the -3; the second lives twice as long."""
    rng = np.random.default_rng(5)
    n = 300
    at = rng.integers(0, 2, n)
    power = np.exp(rng.normal(np.log(600), 0.25, n))
    life = 90_000 * (power / 600) ** -3.0 * 2.0**at * rng.weibull(2.0, n)
    end = rng.uniform(20_000, 120_000, n)
    lower = np.minimum(life, end)
    data = life_data(lower, np.where(life <= end, lower, np.inf), power, np.full(n, 7000.0))
    data = replace(data, extra=at[:, None].astype(float), extra_names=("part B",))
    return PartsData("shaft", ("A", "B"), data, at)


def plain_loglik(theta, parts, log_q):
    """Weibull likelihood and the usual weak priors of shape and exponent, written out: the second part at p lives as the first at p/q."""
    log_beta, scale, log_m = theta
    d, beta = parts.data, np.exp(log_beta)
    z = beta * (np.log(d.lower / MILES) - scale + np.exp(log_m) * (d.log_power - np.log(600) - log_q * parts.at))
    return (
        (d.failed * (log_beta + z)).sum() - np.exp(z).sum()
        - 0.5 * ((log_beta - np.log(2)) / 0.5) ** 2 - 0.5 * ((log_m - np.log(2.5)) / 0.9) ** 2
    )  # fmt: skip


def test_the_interval_is_that_of_a_second_computation(two_parts):
    def profile(log_q):
        return minimize(lambda t: -plain_loglik(t, two_parts, log_q), [0.7, 0.5, 1.1], method="BFGS").fun

    best = minimize(lambda t: -plain_loglik(t[:3], two_parts, t[3]), [0.7, 0.5, 1.1, 0.2], method="BFGS")
    limit = best.fun + 0.5 * ndtri(0.9) ** 2
    ends = [brentq(lambda q: profile(q) - limit, best.x[3], best.x[3] + side, xtol=1e-6) for side in (-0.5, 0.5)]
    fit, lives = life_ratio_profile(two_parts, MILES)
    got = limits_of(power_ratio_profile(fit), 0.9)
    assert got == pytest.approx((best.x[3], *ends), abs=1e-3)
    # the exponent's own doubt is in it: at the exponent fitted with each end of the ratio of lives it would be narrower
    _, low, high = limits_of(lives, 0.9)
    narrow = [v / -np.interp(v, lives["log_ratio"], lives["exponent"]) for v in (low, high)]
    assert got[2] - got[1] > 1.05 * (narrow[1] - narrow[0])


def test_the_answer_gives_these_ends(two_parts):
    found = compare_lives(two_parts, 0.9)
    out = compare_found(found, MILES, 0.8, 0.9)
    band = two_parts.take((two_parts.power_hp >= out.band.low_hp) & (two_parts.power_hp <= out.band.high_hp))
    fit, _ = life_ratio_profile(band, MILES)
    best, low, high = np.exp(limits_of(power_ratio_profile(fit), 0.9))
    assert (out.power.estimate, out.power.lower, out.power.upper) == pytest.approx((best, low, high))
    told = against_words(out)[1]
    assert f"carries {best:.2f} times the power ({low:.2f} to {high:.2f}, each end 90% sure)" in told


@pytest.mark.parametrize("sd", [0.03, 0.05, 0.1])
def test_limits_narrower_than_the_grid_are_read_exactly(sd):
    """Many failures: both limits and the best lie between two points of the grid."""
    x = np.arange(-3, 3.01, 0.2)
    found = limits_of(pd.DataFrame({"log_ratio": x, "drop": 0.5 * ((x - 0.33) / sd) ** 2}), 0.9)
    assert found == pytest.approx((0.33, 0.33 - 1.281552 * sd, 0.33 + 1.281552 * sd), abs=1e-6)


def test_it_says_how_strong_a_hidden_difference_between_drivers_would_undo_it(two_parts):
    """Gentle drivers given the second part: as much easier as the nearer end, and the two parts are as good as equal."""
    out = compare_found(compare_lives(two_parts, 0.9), MILES, 0.8, 0.9)
    assert out.verdict is RatioVerdict.BETTER
    assert out.undone_by == out.life.lower > 1
    assert f"if those with B drive so much more gently that any part lasts {out.life.lower:.2f} times" in " ".join(
        against_words(out)
    )
    gentler = replace(
        two_parts.data, lower=np.where(two_parts.at == 1, two_parts.data.lower / out.undone_by, two_parts.data.lower)
    )
    gentler = replace(gentler, upper=np.where(np.isfinite(gentler.upper), gentler.lower, np.inf))
    same = compare_found(compare_lives(replace(two_parts, data=gentler), 0.9), MILES, 0.8, 0.9)
    assert same.life.lower == pytest.approx(1, abs=0.02)
    worse = replace(out, verdict=RatioVerdict.WORSE, life=replace(out.life, estimate=0.5, lower=0.4, upper=0.8))
    assert worse.undone_by == pytest.approx(1.25)
    assert "if those with A drive" in " ".join(against_words(worse))
    undecided = replace(out, verdict=RatioVerdict.UNDECIDED)
    assert np.isnan(undecided.undone_by)
    assert not any("could undo this" in line for line in against_words(undecided))
