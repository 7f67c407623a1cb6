"""Predicted comebacks: a published count, closed forms, brute force, and the words where there is no number."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom, weibull_min

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import make_lifetimes
from analytics.models.distributions import survival_of
from analytics.models.joint import joint_model
from analytics.models.lifedata import Days, Reading, from_lifetimes, life_data
from analytics.models.mileage import DrivingFit
from analytics.models.posterior import posterior_draws
from analytics.models.priors import NO_PRIORS, Priors
from analytics.ratings.demonstration import SHAPES
from analytics.ratings.predict import (
    _Ahead,
    age_lives,
    chances,
    count_chances,
    fit_lives,
    interval_of,
    lives_of,
    predict_failures,
)
from analytics.ratings.settings import RatingSettings
from analytics.records.load import load_records
from analytics.words.ratings.predict import prediction_words
from studies.coverage import CELLS, draw_fleet
from tests.small_shop import build, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
# the prior on the slope alone: without a power that varies it says nothing about shape or scale
BARE = RatingSettings(
    both_laws=False,
    selection=False,
    decline=False,
    share=1.0,
    early=False,
    priors=replace(NO_PRIORS, power=Priors().power),
)


def known(lower, failed, weight=None):
    lower, failed = np.asarray(lower, float), np.asarray(failed) == 1
    ones = np.ones(len(lower))
    return life_data(lower, np.where(failed, lower, np.inf), ones, ones, weight=weight)


USUAL = RatingSettings()


def predicted(data, days=None, miles=None, settings=USUAL, life_miles=50_000.0, fit=None, draws=512, **more):
    """The prediction from a fit of its own, where none is given."""
    seed = more.pop("seed", 1)
    fit = fit_lives(data, life_miles, settings, draws, seed) if fit is None else fit
    return predict_failures(data, fit, settings, days, miles, **more)


def at_the_mode(data, life, ahead):
    """Expected failures with the fit taken for the truth."""
    model, top = fit_lives(data, life, BARE, 64, 1).fitted()
    which = np.flatnonzero(~data.failed)
    return float((chances(model, top.theta, which, None, ahead)[0] @ data.weight[which])[0])


def test_expected_failures_of_the_bearing_cages_are_those_published(published, reference, reference_data):
    """D04: 1,703 bearing cages, the next 300 h of each (Meeker and Escobar 1998, ch. 12; Abernethy et al. 1983). Hours for miles."""
    d = reference_data("bearing_cage")
    data = known(d["hours"], d["failed"], d["count"])
    told = at_the_mode(data, 1000.0, 300.0)
    book = published("D04", "expected_failures_next").iloc[0]
    assert told == pytest.approx(book["published"], abs=book["tolerance"])
    assert told == pytest.approx(reference("D04", "expected_failures_next")["value"].iloc[0], rel=5e-4)
    p = predicted(data, miles=300.0, settings=BARE, life_miles=1000.0)
    assert p.units == 1697
    assert p.lower <= 5 <= p.upper
    assert p.upper - p.lower >= binom.ppf(0.95, 1697, told / 1697) - binom.ppf(0.05, 1697, told / 1697)
    assert prediction_words(p)[0].startswith("Of 1,697 running with this part, 5.")
    assert "Assumes every failure is reported." in prediction_words(p)


def test_expected_failures_at_the_printed_parameters(published, reference_data):
    """D02: ten units still running at 500 h, the next 100 h, from the shape and scale NIST prints (e-Handbook 8.4.1.3)."""
    d = reference_data("nist_weibull")
    beta, eta = (published("D02", q).iloc[0]["published"] for q in ("beta", "eta"))
    sf = weibull_min(beta, scale=eta).sf
    expected = 10 * (1 - sf(600) / sf(500))
    assert at_the_mode(known(d["hours"], d["failed"], d["count"]), 500.0, 100.0) == pytest.approx(expected, rel=1e-3)


def test_the_count_is_poisson_binomial():
    p = np.array([0.1, 0.35, 0.6])
    truth = np.zeros(4)
    for outcome in itertools.product((0, 1), repeat=3):
        truth[sum(outcome)] += np.prod(np.where(outcome, p, 1 - p))
    assert count_chances(p[None], np.ones(3), np.ones(1)) == pytest.approx(truth, abs=1e-14)
    # identical units, and a mixture of draws
    pmf = count_chances(np.array([[0.2], [0.4]]), np.array([12.0]), np.array([0.25, 0.75]))
    k = np.arange(13)
    assert pmf == pytest.approx(0.25 * binom.pmf(k, 12, 0.2) + 0.75 * binom.pmf(k, 12, 0.4), abs=1e-12)
    # what does not fit lies in the last entry
    pmf = count_chances(np.full((1, 1), 0.001), np.array([3000.0]), np.ones(1))
    assert pmf.sum() == pytest.approx(1, abs=1e-12)
    assert pmf[:20] == pytest.approx(binom.pmf(np.arange(20), 3000, 0.001), abs=1e-12)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9])
def test_the_interval_holds_its_level_and_no_more_than_needed(level):
    pmf = binom.pmf(np.arange(41), 40, 0.1)
    low, high = interval_of(pmf, level)
    tail = (1 - level) / 2
    assert pmf[:low].sum() <= tail
    assert pmf[high + 1 :].sum() <= tail + 1e-12
    assert pmf[: low + 1].sum() > tail
    assert pmf[high:].sum() > tail


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(5))


@pytest.fixture(scope="module")
def fit(fleet):
    return fit_lives(fleet, 50_000.0, RatingSettings(), 256, 3)


def test_a_unit_never_read_fails_as_often_as_such_units_do(fleet, fit):
    """Brute force: many trucks with its power, weight and age; those neither read nor reported are its like."""
    model, top = fit.fitted()
    assert model.layout.slope
    assert model.layout.share
    lay, theta = model.layout, top.theta[0]
    age = fleet.days.lower
    unread = np.flatnonzero(~fleet.failed & fleet.unknown)
    i = unread[np.argsort(age[unread] * np.exp(4 * fleet.log_power[unread]))[-8]]
    told, any_ = chances(model, top.theta, np.array([i]), 365.0, None)
    rng = np.random.default_rng(8)
    n = 3_000_000
    s = rng.standard_normal(n)
    later = np.exp(theta[lay.place("decline")])

    def miles(days):
        return np.exp(theta[lay.mu][0] + np.exp(theta[lay.tau]) * s) * (
            min(days, 1096.0) + later * max(days - 1096.0, 0.0)
        )

    e = np.log(rng.exponential(size=n)) if model.distribution == "weibull" else rng.standard_normal(n)
    life = 50_000.0 * np.exp((e + model.x[i] @ theta[lay.gamma]) / np.exp(theta[0]))
    share = 1 / (1 + np.exp(-theta[lay.place("share")]))
    reported = rng.random(n) < share
    from scipy.special import ndtr

    read = rng.random(n) < ndtr(theta[lay.place("level")] + theta[lay.place("slope")] * s)
    dead = life < miles(age[i])
    like = np.where(dead, ~reported, ~read)
    falls = like & ~dead & (life < miles(age[i] + 365.0))
    brute = falls.sum() / like.sum()
    se = np.sqrt(brute / like.sum())
    assert any_[0, 0] == pytest.approx(brute, abs=4 * se)
    assert told[0, 0] == pytest.approx((falls & reported).sum() / like.sum(), abs=4 * se)
    assert told[0, 0] < any_[0, 0]


@pytest.mark.parametrize(("tuned", "known"), [(0.0, 500.0), (400.0, 500.0), (700.0, 700.0)])
def test_a_read_unit_that_was_read_long_ago_may_have_failed_silently(fit, tuned, known):
    """One truck read at 20,000 miles and 500 days, now 1,000 days old: S and S' in closed form. Tuned after the reading, it ran when tuned."""
    model, top = fit.fitted()
    theta, lay = top.theta[0], model.layout
    data = life_data(
        [np.nan],
        [np.inf],
        [900.0],
        [7000.0],
        entry_days=[tuned],
        lower_days=[1000.0],
        rate_miles=[20_000.0],
        rate_days=[500.0],
    )
    x = np.concatenate([[1.0], model.covariates(np.log(900.0), np.log(7000.0))])[None]
    one = replace(model, data=data, x=x)
    told, _ = chances(one, top.theta, np.array([0]), 50.0, None)
    beta, pi = np.exp(theta[0]), 1 / (1 + np.exp(-theta[lay.place("share")]))

    def survive(miles):
        z = beta * np.log(miles / 50_000.0) - (x @ theta[lay.gamma])[0]
        return float(survival_of(np.array(z), model.distribution))

    s0, s1, sr = (survive(40.0 * d) for d in (1000.0, 1050.0, known))
    assert told[0, 0] == pytest.approx(pi * (s0 - s1) / ((1 - pi) * sr + pi * s0), rel=1e-9)


def test_the_total_is_the_sum_of_the_units_and_wider_than_the_plug_in(fleet, fit):
    p = predicted(fleet, 365.0, life_miles=50_000.0, fit=fit, seed=3)
    assert p.expected == pytest.approx(p.chance.sum())
    assert p.expected < p.expected_all
    assert p.lower < p.expected < p.upper
    model, top = fit.fitted()
    told, _ = chances(model, top.theta, p.rows, 365.0, None)
    low, high = interval_of(count_chances(told, np.ones(len(p.rows)), np.ones(1)), 0.9)
    assert p.upper - p.lower > high - low
    assert len(p.chance) == p.units
    again = predicted(fleet, 365.0, life_miles=50_000.0, seed=3, draws=256)
    assert (again.expected, again.lower, again.upper) == (p.expected, p.lower, p.upper)
    longer = predicted(fleet, 730.0, life_miles=50_000.0, fit=fit)
    assert longer.expected > p.expected
    assert "reported" in prediction_words(p)[1]
    assert "log-likelihood" in prediction_words(p)[2]
    assert repr(p).startswith("Prediction(days 365, ")


def test_a_stated_reporting_share_is_said(fleet):
    p = predicted(fleet, 91.0, settings=RatingSettings(share=0.7, both_laws=False), draws=128)
    assert p.reporting_share == pytest.approx(0.7)
    assert "held at 70%" in prediction_words(p)[1]
    assert p.expected == pytest.approx(0.7 * p.expected_all)
    assert prediction_words(p)[2] == "Life law: Weibull."


def test_nothing_running_nothing_predicted():
    p = predicted(known([100.0, 200.0, 300.0], [1, 1, 1]), miles=50.0)
    assert (p.expected, p.lower, p.upper, p.units) == (0, 0, 0, 0)
    assert prediction_words(p) == ("No unit with this part is running: nothing to predict.",)
    none = predicted(known([100.0, 200.0], [1, 0]), miles=50.0, watched=np.zeros(2, bool))
    assert none.units == 0


def test_no_failure_gives_an_upper_limit_only():
    """20 units of 10,000 miles, the next 5,000: the future share of the exposure is 1 - 1.5^-k, and of k + 1 failures all in it."""
    data = known(np.full(20, 10_000.0), np.zeros(20))
    p = predicted(data, miles=5000.0)
    shares = [1 - 1.5**-k for k in SHAPES]
    assert p.upper == max(np.ceil(np.log(0.1) / np.log(q)) - 1 for q in shares)
    assert np.isnan(p.expected)
    assert p.fit is None
    assert np.isnan(p.chance).all()
    assert prediction_words(p)[0].startswith("None of 20 has failed")
    assert f"at most {p.upper:.0f} of the 20 running" in prediction_words(p)[1]


def test_no_failure_with_unknown_odometers():
    n = 30
    days = np.full(n, 800.0)
    data = life_data(
        np.full(n, np.nan),
        np.full(n, np.inf),
        np.full(n, 600.0),
        np.full(n, 7000.0),
        lower_days=days,
        rate_miles=np.where(np.arange(n) < 8, 24_000.0, np.nan),
        rate_days=np.where(np.arange(n) < 8, 800.0, np.nan),
    )
    p = predicted(data, 91.0)
    assert 0 < p.upper < 30
    assert "silent ones" in prediction_words(p)[-1]
    with pytest.raises(AnalyticsError, match="next days instead"):
        predicted(data, miles=1000.0)


def test_one_failure_rests_on_assumptions(fleet):
    data = fleet.take(np.r_[np.flatnonzero(fleet.failed)[:1], np.flatnonzero(~fleet.failed)[:100]])
    p = predicted(data, 91.0, draws=128)
    assert np.isfinite(p.expected)
    assert any("only 1 failure on record" in w for w in prediction_words(p))


def test_senseless_questions_are_refused(fleet):
    for kwargs in ({}, {"days": 91.0, "miles": 10.0}, {"days": 0.0}, {"days": -3.0}):
        with pytest.raises(AnalyticsError, match="give one of them"):
            predicted(fleet, **kwargs)
    with pytest.raises(AnalyticsError, match="level"):
        predicted(fleet, 91.0, level=1.0)
    with pytest.raises(AnalyticsError, match="known in miles alone"):
        predicted(known([100.0, 200.0, 300.0, 250.0], [1, 1, 0, 0]), 91.0, settings=BARE, life_miles=200.0)
    with pytest.raises(NotEnoughData, match="no failure"):
        fit_lives(known([5.0], [0]), 10.0, BARE, 8, 1).fitted()


def test_early_failures_are_carried_by_young_units(fleet):
    """Ten failures within 500 miles among 500 trucks; a truck at 0 miles has its share of that risk still before it."""
    failed = np.flatnonzero(~fleet.failed)[:10]
    miles, days = np.linspace(50.0, 500.0, 10), np.linspace(2.0, 17.0, 10)
    lower, upper = fleet.lower.copy(), fleet.upper.copy()
    lower[failed] = upper[failed] = miles
    lower_days, upper_days = fleet.days.lower.copy(), fleet.days.upper.copy()
    lower_days[failed] = upper_days[failed] = days
    rate_miles, rate_days, counts = fleet.reading.miles.copy(), fleet.reading.days.copy(), fleet.reading.counts.copy()
    rate_miles[failed], rate_days[failed], counts[failed] = miles, days, True
    young = np.flatnonzero(~fleet.failed)[10:12]
    lower_days[young] = 1.0
    rate_miles[young] = rate_days[young] = np.nan
    counts[young] = False
    lower[young] = np.nan
    data = replace(
        fleet,
        lower=lower,
        upper=upper,
        days=replace(fleet.days, lower=lower_days, upper=upper_days),
        reading=Reading(rate_miles, rate_days, counts),
    )
    on = predicted(data, 91.0, draws=128)
    off = predicted(data, 91.0, draws=128, settings=RatingSettings(early=False))
    assert any("early failures" in w for w in prediction_words(on))
    own = np.isin(on.rows, young)
    assert on.chance[own] == pytest.approx(10 / 500, rel=0.6)
    assert on.chance[own].mean() > on.chance[~own & (on.chance < np.median(on.chance))].mean()
    assert not any("early failures" in w for w in prediction_words(off))


def test_ageing_adds_each_units_own_miles():
    data = life_data(
        [10_000.0, 5000.0, np.nan, 3000.0],
        [np.inf, np.inf, np.inf, 3000.0],
        np.full(4, 600.0),
        np.full(4, 7000.0),
        lower_days=[500.0, 100.0, 300.0, 90.0],
        rate_miles=[8000.0, np.nan, np.nan, 3000.0],
        rate_days=[400.0, np.nan, np.nan, 90.0],
    )
    older = age_lives(data, np.array([0, 1, 2]), 50.0, None)
    assert older.lower[:2] == pytest.approx([11_000.0, 7500.0])
    assert np.isnan(older.lower[2])
    assert older.days.lower == pytest.approx([550.0, 150.0, 350.0, 90.0])
    assert older.lower[3] == 3000.0
    slower = age_lives(data, np.array([0]), 50.0, DrivingFit(np.array([3.0]), 0.5, np.log(0.5), 5, 400.0, True))
    assert slower.lower[0] == pytest.approx(10_000 + 20 * 50 * 0.5)


@pytest.fixture(scope="module")
def demo():
    return make_lifetimes(load_records(DEMO))


def test_the_lives_followed_in_the_demo(demo):
    lives = lives_of(demo.table, "input shaft", "IS-A", demo.as_of)
    p = predicted(lives.data, 91.0, watched=lives.watched, draws=128)
    own = demo.table[
        (demo.table["component"] == "input shaft") & (demo.table["part"] == "IS-A") & (demo.table["ended"] == "running")
    ]
    followed = own[own["ended_on"] == demo.as_of]
    # sold, lost and scrapped trucks are not followed; those without power or weight are in no fit
    assert len(followed) < len(own)
    left = demo.table["count"].to_numpy()[lives.left_out].sum()
    assert left == followed[followed["power_hp"].isna() | followed["weight_lb"].isna()]["count"].sum()
    assert p.units + left == followed["count"].sum()
    assert set(demo.table["serial"].iloc[lives.rows[p.rows]]) <= set(followed["serial"])
    rows = demo.table.iloc[lives.rows]
    assert np.exp(lives.data.log_power) == pytest.approx(rows["power_hp"].to_numpy())
    assert (lives.data.failed == ((rows["ended"] == "failed") & (rows["cause"] != "install")).to_numpy()).all()


def test_a_shop_of_one_use_and_no_failure(tmp_path):
    folder = write_shop(tmp_path, builds=[build(f"S{i}") for i in range(6)])
    lifetimes = make_lifetimes(load_records(folder))
    p = predicted(lives_of(lifetimes.table, "input shaft", "A", lifetimes.as_of).data, 91.0)
    assert np.isnan(p.expected)
    assert "None of 6 has failed" in prediction_words(p)[0]
    with pytest.raises(AnalyticsError, match="no lifetimes"):
        lives_of(lifetimes.table, "input shaft", "Z", lifetimes.as_of)


def test_a_truck_built_on_the_last_day_is_predicted_from_its_use(tmp_path):
    rows = [build(f"S{i}", power=500 + 20 * i) for i in range(25)] + [build("NEW", "2024-03-31", power=900)]
    back = [returned(f"S{i}", f"2023-0{1 + i % 9}-15", odometer=30_000 + 1000 * i) for i in range(12, 20)]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, builds=rows, returns=back)))
    lives = lives_of(lifetimes.table, "input shaft", "A", lifetimes.as_of)
    p = predicted(lives.data, 91.0, watched=lives.watched, draws=64)
    serials = lifetimes.table["serial"].to_numpy()[lives.rows[p.rows]]
    assert 0 < p.chance[list(serials).index("NEW")] < 0.2


def test_a_model_without_a_power_slope_below_zero_is_refused(fleet):
    model = joint_model(fleet, 50_000.0)
    from analytics.models.joint import fit_joint

    model, top = fit_joint(model)
    wrong = replace(top, theta=np.where(np.arange(top.theta.shape[1]) == 2, 0.5, top.theta))
    with pytest.raises(AnalyticsError, match="slope"):
        posterior_draws(model, wrong, 16, 1)


def test_a_failure_over_the_limit_counts_and_an_install_error_does_not(tmp_path):
    """A truck above its limit that fails says what the part can take; in the lives of a rating and in those of a part against part."""
    causes = ["part", "over limit", "unclear", "", "install"]
    builds = [build(f"T-{k}11") for k in range(8)]
    back = [returned(f"T-{k}11", "2023-01-01", cause=c, miles_in_service=9000) for k, c in enumerate(causes)]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, builds=builds, returns=back)))
    assert lives_of(lifetimes.table, "input shaft", "A", lifetimes.as_of).data.failures == 4
    data, _ = from_lifetimes(lifetimes.table, "input shaft", "A", lifetimes.as_of)
    assert data.failures == 4


@pytest.mark.parametrize("word", ["sold", "lost", "scrapped", "no"])
@pytest.mark.parametrize(("day", "followed"), [("2024-03-30", 1), ("2024-03-31", 1), ("2024-04-01", 2)])
def test_a_truck_reported_gone_on_the_last_day_is_not_followed_on(tmp_path, word, day, followed):
    readings = [{"serial": "T-101", "read_on": day, "odometer": 9000, "still_running": word}]
    folder = write_shop(tmp_path, builds=[build("T-101"), build("T-102")], readings=readings)
    lifetimes = make_lifetimes(load_records(folder))
    assert lives_of(lifetimes.table, "input shaft", "A", lifetimes.as_of).watched.sum() == followed


def test_a_life_far_past_its_end_where_every_failure_is_reported_still_runs():
    """Driven 100 times as far as when it was read, with a share reported of 1: the chance of having run on is nought in figures."""
    days = Days(*(np.array([v]) for v in (0.0, 1000.0, np.inf, 0.0, np.nan)))
    reading = Reading(np.array([np.nan]), np.array([10.0]), np.array([True]))
    ahead = SimpleNamespace(
        which=np.array([0]), data=SimpleNamespace(days=days, reading=reading), by_days=True, span=np.array([91.0]), miles=0.0, share=np.array([[1.0]]),
        per_day=lambda i: np.ones((1, 1)), exposure=lambda i, days: days[None], survive=lambda miles, m: -(miles**2),
    )  # fmt: skip
    assert _Ahead.with_rate(ahead, np.array([0])) == pytest.approx(1.0)
