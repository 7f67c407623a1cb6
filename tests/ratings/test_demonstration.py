"""What no failure demonstrates: against D04 and D17 of tests/reference, and against the exact rules."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from analytics.errors import AnalyticsError
from analytics.models.lifedata import life_data
from analytics.models.mileage import DrivingFit
from analytics.ratings.bound import rate_part
from analytics.ratings.demonstration import chance_of_passing, demonstrate, exposures, needed, units_needed
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Demonstrated
from analytics.words.saying import say


def fleet(n, miles, failed=0, power=800.0, weight=7000.0):
    lower = np.full(n, float(miles))
    upper = np.where(np.arange(n) < failed, lower, np.inf)
    return life_data(lower, upper, np.full(n, power), np.full(n, weight))


@pytest.mark.parametrize(("r", "c"), [(0.9, 0.9), (0.95, 0.9), (0.9, 0.95), (0.95, 0.95), (0.99, 0.9), (0.99, 0.95)])
def test_zero_failure_plan(r, c, reference):
    """Success run n = ln(1 - C)/ln R: so many units, each to the target, are just enough and one fewer is not."""
    n = int(reference("D17", "zero_failure_n").query(f"at == 'R{r:g} C{c:g}'")["value"].item())
    assert demonstrate(fleet(n, 50_000), 7000, Promise(50_000, r, c)).power_hp == pytest.approx(800)
    short = demonstrate(fleet(n - 1, 50_000), 7000, Promise(50_000, r, c))
    assert np.isnan(short.power_hp)
    assert short.reason.code is Demonstrated.TOO_LITTLE
    assert units_needed(r, c) == n
    one = int(reference("D17", "one_failure_n").query(f"at == 'R{r:g} C{c:g}'")["value"].item())
    assert units_needed(r, c, failures=1) == one


def test_counts_needed_are_garwoods(reference):
    rows = reference("D17", "poisson_upper95_one_sided")
    for _, row in rows.iterrows():
        assert needed(float(row["at"]), 0.95) == pytest.approx(row["value"], rel=1e-6)


def test_longer_runs_at_a_known_shape(reference):
    n = int(reference("D17", "weibull_zero_failure_n")["value"].item())
    assert units_needed(0.9, 0.9, miles_ratio=1.5, shape=2.0) == n
    lower = reference("D17", "weibull_zero_failure_R_lower")["value"].item()
    data = fleet(10, 150.0)
    assert demonstrate(data, 7000, Promise(100.0, lower - 1e-7, 0.9), shapes=(2.0,)).power_hp == pytest.approx(800)
    assert np.isnan(demonstrate(data, 7000, Promise(100.0, lower + 1e-7, 0.9), shapes=(2.0,)).power_hp)


@pytest.mark.parametrize("shape", ["1", "1.5", "2", "3"])
def test_bearing_cages_at_a_known_shape(shape, reference, reference_data):
    """D04: the life at which 90% are demonstrated at 95% is the Weibayes lower bound of B10, for each shape."""
    d = reference_data("bearing_cage")
    upper = np.where(d["failed"] == 1, d["hours"], np.inf)
    data = life_data(d["hours"], upper, np.full(len(d), 1.0), np.full(len(d), 1.0), weight=d["count"])
    b10 = reference("D04", "weibayes_B10_lower95").query("at == @shape")["value"].item()
    shapes = (float(shape),)
    assert demonstrate(data, 1.0, Promise(b10 * (1 - 1e-6), 0.9, 0.95), shapes=shapes).power_hp == pytest.approx(1.0)
    assert np.isnan(demonstrate(data, 1.0, Promise(b10 * (1 + 1e-6), 0.9, 0.95), shapes=shapes).power_hp)


def test_unknown_miles_are_averaged_not_filled_in():
    driving = DrivingFit(np.array([3.4]), 0.6, -0.3, 50, 1096.0, True)
    data = life_data([np.nan], [np.inf], [800.0], [7000.0], lower_days=[1500.0])
    got = exposures(data, 50_000.0, 0.9, 2.0, driving)[0]
    days = 1096 + np.exp(-0.3) * 404
    exact = -np.log(quad(lambda s: 0.9 ** ((np.exp(3.4 + 0.6 * s) * days / 50_000) ** 2) * norm.pdf(s), -9, 9)[0])
    assert got == pytest.approx(exact, rel=1e-6)
    with pytest.raises(AnalyticsError, match="give the driving rates"):
        exposures(data, 50_000.0, 0.9, 2.0, None)


def test_only_units_as_strong_and_as_heavy_count():
    power = np.repeat([700.0, 900.0], [25, 10])
    weight = np.tile([7000.0, 7600.0], 18)[:35]
    data = life_data(np.full(35, 50_000.0), np.full(35, np.inf), power, weight)
    assert demonstrate(data, 6500, Promise(50_000, 0.9, 0.9)).power_hp == pytest.approx(700)
    heavy = demonstrate(data, 7500, Promise(50_000, 0.9, 0.9))
    assert np.isnan(heavy.power_hp)
    assert heavy.units == 17
    assert "no unit weighs 9,000 lb or more" in say(demonstrate(data, 9000, Promise(50_000, 0.9, 0.9)).reason)
    assert "none of 35 came back in 1,750,000 miles at 700 hp" in say(
        demonstrate(data, 6500, Promise(50_000, 0.9, 0.9)).reason
    )


def test_chance_of_passing():
    """22 units to prove R90C90: 0.97 ** 22 = 51% pass if the part is good for 97%, 80% if for 99%."""
    assert chance_of_passing(22, 0, 0.97) == pytest.approx(0.97**22)
    assert chance_of_passing(22, 0, 0.97) == pytest.approx(0.51, abs=0.005)
    assert chance_of_passing(22, 0, 0.99) == pytest.approx(0.80, abs=0.005)
    with pytest.raises(AnalyticsError, match="cannot be proven"):
        units_needed(0.999999, 0.99, miles_ratio=0.1)


@pytest.mark.parametrize(("share", "rank"), [(1.0, 22), (0.8, 28), (0.5, 44)])
def test_what_is_demonstrated_falls_with_the_share_of_failures_reported(share, rank):
    """Success run again: of units run to the target without a word only the share counts, so n x share must reach ln(1 - C)/ln R
    (21.85 for R90C90); the power demonstrated is that of the n-th strongest truck."""
    power = np.arange(500.0, 560.0)
    data = life_data(np.full(60, 50_000.0), np.full(60, np.inf), power, np.full(60, 7000.0))
    expected = power[::-1][rank - 1]
    assert demonstrate(data, 7000, Promise(50_000, 0.9, 0.9), share=share).power_hp == pytest.approx(expected)
    # and in the rating, where the share is stated
    rated = rate_part(data, 7000, None, Promise(50_000), settings=RatingSettings(share=share, explain=False))
    assert rated.demonstrated_hp == pytest.approx(expected)
    # left to its prior it is about 80%
    if share == 0.8:
        free = rate_part(data, 7000, None, Promise(50_000), settings=RatingSettings(explain=False))
        assert free.demonstrated_hp == pytest.approx(expected)


def test_trucks_that_have_surely_failed_warn_of_nothing():
    """Miles unknown, thousands of lives long: none can be running, and the sum of the chances is nought in floating point."""
    unknown = np.full(4, np.nan)
    data = life_data(unknown, unknown, np.full(4, 500.0), np.full(4, 7000.0), lower_days=np.full(4, 200_000.0))
    driving = DrivingFit(
        mu=np.array([np.log(30.0)]), tau=0.01, decline=0.0, known=9, change_days=1095.0, converged=True
    )
    expected = -np.log(0.9) * (30 * 200_000 / 1000.0) ** 3.0
    assert exposures(data, 1000.0, 0.9, 3.0, driving) == pytest.approx(np.full(4, expected), rel=0.5)
