"""Miles per day, the arrays of lives, and the joint fit on fleets with a known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from analytics.errors import AnalyticsError
from analytics.models.joint import Terms, driving_of, fit_joint, joint_model, simulate
from analytics.models.lifedata import from_lifetimes, life_data
from analytics.models.likelihood import log_likelihood
from analytics.models.mileage import fit_driving, mileage_by_use
from analytics.words.saying import say, say_all
from studies.coverage import CELLS, Cell, draw_fleet


def test_miles_a_year_by_use():
    """A textbook t interval on the logs, computed by scipy; returned units are compared, not mixed in."""
    rng = np.random.default_rng(3)
    n = 40
    rate = np.exp(rng.normal(np.log(28), 0.58, n))
    days = rng.uniform(300, 900, n)
    failed = np.arange(n) < 6
    rate[failed] *= 2
    miles = rate * days
    data = life_data(
        miles,
        np.where(failed, miles, np.inf),
        np.full(n, 600.0),
        np.full(n, 7000.0),
        lower_days=days,
        upper_days=np.where(failed, days, np.inf),
        rate_miles=miles,
        rate_days=days,
    )
    (row,) = mileage_by_use(data)
    y = np.log(365.25 * rate[~failed])
    low, high = student.interval(0.95, len(y) - 1, y.mean(), y.std(ddof=1) / np.sqrt(len(y)))
    assert (row.median, row.median_lower, row.median_upper) == pytest.approx(np.exp([y.mean(), low, high]))
    assert row.units == 40
    assert row.returned == 6
    assert row.ratio_lower < 2 * np.exp(0.3)
    assert row.ratio_upper > 1.5
    few = mileage_by_use(data.take(np.arange(n) > 37))
    assert np.isnan(few[0].median)
    assert "at least 3" in say(few[0].reason)


def test_published_mileage_law():
    """Log-normal miles a year with log-mean 2.37 and log-sd 0.58 (thousands; Lawless, Hu and Cao, Lifetime Data Analysis 1
    (1995) 227-240, values recalled): median 10.7 and 4.1 to 27.8 for the middle 90%."""
    rng = np.random.default_rng(4)
    z = rng.normal(size=4000)
    z = (z - z.mean()) / z.std(ddof=1)
    rate = np.exp(2.37 + 0.58 * z) * 1000 / 365.25
    data = life_data(
        rate * 500,
        np.full(4000, np.inf),
        np.full(4000, 600.0),
        np.full(4000, 7000.0),
        lower_days=np.full(4000, 500.0),
        rate_miles=rate * 500,
        rate_days=np.full(4000, 500.0),
    )
    (row,) = mileage_by_use(data)
    assert (row.median, row.low, row.high) == pytest.approx((10_700, 4_100, 27_800), rel=0.01)


def test_driving_fit_finds_a_decline_with_age():
    rng = np.random.default_rng(8)
    n = 1500
    rate, days = np.exp(rng.normal(np.log(30), 0.5, n)), rng.uniform(100, 2500, n)
    miles = rate * (np.minimum(days, 1096) + 0.5 * np.maximum(days - 1096, 0))
    data = life_data(
        np.full(n, np.nan),
        np.full(n, np.inf),
        np.full(n, 600.0),
        np.full(n, 7000.0),
        lower_days=days,
        rate_miles=miles,
        rate_days=days,
    )
    fit = fit_driving(data)
    assert fit.converged
    assert fit.known == n
    assert (fit.mu[0], fit.tau, fit.decline) == pytest.approx((np.log(30), 0.5, np.log(0.5)), abs=0.12)


LARGE = Cell("large", 20_000, 800.0)


@pytest.mark.parametrize(
    ("change", "options", "name", "truth"),
    [
        ({}, {}, None, None),
        ({"halves": True}, {"decline": True}, "decline", np.log(0.5)),
        ({"read_slope": 1.0}, {"selection": True}, "slope", 1.0),
        ({"reported": 0.7}, {"share": None}, "share", np.log(0.7 / 0.3)),
    ],
    ids=["plain", "decline", "readings", "reporting"],
)
def test_large_fleets_give_back_their_truth(change, options, name, truth):
    """20,000 units, four in five odometers unknown: each parameter within 4 standard errors of what was drawn."""
    from dataclasses import replace

    cell = replace(LARGE, **change)
    data = draw_fleet(cell, np.random.default_rng(11))
    model, top = fit_joint(joint_model(data, 50_000.0, terms=Terms(**options)))
    assert top.converged[0]
    theta, se = top.theta[0], np.sqrt(np.diag(np.linalg.inv(-top.hess[0])))
    beta = np.exp(theta[0])
    assert abs(theta[0] - np.log(2)) < 4 * se[0]
    assert abs(theta[2] + 8.0) < 4 * se[2]
    assert abs(theta[3] + 3.0) < 4 * se[3]
    assert abs(theta[model.layout.mu][0] - np.log(30)) < 4 * se[model.layout.mu.start]
    assert abs(theta[model.layout.tau] - np.log(0.5)) < 4 * se[model.layout.tau]
    if name:
        at = model.layout.place(name)
        prior_pull = 0.2 if name == "share" else 0.0
        assert abs(theta[at] - truth) < 4 * se[at] + prior_pull
    assert beta == pytest.approx(2, rel=0.1)


def test_simulated_fleets_and_likelihood_agree():
    """At the parameters fleets are drawn from, the score averages 0 and its variance equals minus the mean Hessian."""
    data = draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(2))
    model, top = fit_joint(joint_model(data, 50_000.0, terms=Terms(decline=True, selection=True, share=None)))
    theta = top.theta[0]
    rows = simulate(model, theta, np.random.default_rng(3).spawn(1500))
    _, g, h = log_likelihood(np.repeat(theta[None], 1500, 0), rows, model.layout, "weibull", model.nodes)
    assert np.abs(g.mean(0) / (g.std(0) / np.sqrt(1500))).max() < 3.7
    assert g.var(0) / -np.diagonal(h.mean(0)) == pytest.approx(np.ones(len(theta)), abs=0.2)


def test_filling_in_unknown_miles_is_not_what_is_done():
    """Returned units drive more than the fleet: the joint fit must not take their average for everyone's."""
    cell = Cell("some", 4000, 300.0)
    data = draw_fleet(cell, np.random.default_rng(5))
    model, top = fit_joint(joint_model(data, 50_000.0))
    back = data.failed
    naive = np.log(data.reading.miles[back] / data.reading.days[back]).mean()
    fitted = top.theta[0][4]
    assert naive > np.log(30) + 0.15
    (year,) = driving_of(model, top)
    assert year.lower < 30 * 365.25 < year.upper
    assert year.upper / year.lower < 1.15
    assert year.low < 0.5 * year.median
    assert fitted == pytest.approx(np.log(30), abs=0.06)


def lifetimes_frame(**columns):
    n = len(next(iter(columns.values())))
    base = {
        "serial": [f"T{i:03d}" for i in range(n)],
        "component": ["input shaft"] * n,
        "part": ["A"] * n,
        "lot": [""] * n,
        "spell": [1] * n,
        "segment": [1] * n,
        "entry_miles": [0.0] * n,
        "lower_miles": [np.nan] * n,
        "upper_miles": [np.inf] * n,
        "entry_days": [0.0] * n,
        "lower_days": [400.0] * n,
        "upper_days": [np.inf] * n,
        "ended": ["running"] * n,
        "cause": [""] * n,
        "power_hp": [700.0] * n,
        "weight_lb": [7000.0] * n,
        "use": ["street"] * n,
        "started_on": [pd.Timestamp("2022-01-01")] * n,
        "ended_on": [pd.Timestamp("2023-02-05")] * n,
        "fitted_on": [pd.Timestamp("2022-01-01")] * n,
        "read_miles": [np.nan] * n,
        "read_days": [np.nan] * n,
        "unit_from": [pd.Timestamp("2022-01-01")] * n,
        "count": [1] * n,
        "miles_days": [np.nan] * n,
    }
    return pd.DataFrame(base | columns)


def test_lives_from_the_table_of_lifetimes():
    table = lifetimes_frame(
        lower_miles=[9000.0, np.nan, 5000.0, 0.0, 4000.0, 800.0],
        upper_miles=[9000.0, np.inf, np.inf, 0.0, np.inf, 800.0],
        upper_days=[300.0, np.inf, np.inf, 0.0, np.inf, 50.0],
        lower_days=[300.0, 400.0, 400.0, 0.0, 400.0, 50.0],
        ended=["failed", "running", "running", "failed", "removed", "failed"],
        cause=["part", "", "", "part", "", "install"],
        read_miles=[9000.0, np.nan, 5000.0, np.nan, 4000.0, 800.0],
        read_days=[300.0, np.nan, 100.0, np.nan, 400.0, 50.0],
        miles_days=[300.0, np.nan, 100.0, 0.0, 400.0, 50.0],
    )
    data, notes = from_lifetimes(table, "input shaft", "A")
    assert data.failed.tolist() == [True, False, False, True, False, False]
    assert data.upper[3] == 100
    assert data.lower[3] == 0
    assert np.isnan(data.lower[2])
    assert data.has_rate[2]
    assert data.known_alive.tolist() == [False, False, False, False, True, True]
    text = " ".join(say_all(notes))
    assert "failure at 0 miles" in text
    assert "other causes" in text
    assert "own miles per day" in text
    with pytest.raises(AnalyticsError, match="no lifetimes for component 'clutch'"):
        from_lifetimes(table, "clutch")
    gaps = lifetimes_frame(
        power_hp=[700.0, np.nan],
        ended=["running", "failed"],
        cause=["", "part"],
        lower_miles=[np.nan, 5.0],
        upper_miles=[np.inf, 5.0],
        upper_days=[np.inf, 20.0],
        lower_days=[400.0, 20.0],
    )
    _, notes = from_lifetimes(gaps, "input shaft")
    assert "1 of 2 rows have no power or weight and are left out, 1 of them failures" in say(notes[0])


def test_rows_that_are_no_lives_are_named():
    with pytest.raises(AnalyticsError, match="row 1: power_hp is 0"):
        life_data([1.0, 2], [1.0, np.inf], [500, 0], [7000, 7000])
    with pytest.raises(AnalyticsError, match="row 0: neither miles nor days"):
        life_data([np.nan], [np.inf], [500], [7000])
    with pytest.raises(AnalyticsError, match="out of order"):
        life_data([5.0], [3.0], [500], [7000])
