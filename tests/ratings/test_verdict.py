"""What the sheet says of a published limit: when it is raised, kept, lowered, or shown neither way."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from analytics.models.lifedata import life_data
from analytics.ratings import signed_root
from analytics.ratings.bound import RatingBound, Seen, rate_part
from analytics.ratings.limit_evidence import (
    PUBLISHED_LOG_SD,
    Beside,
    Known,
    LimitEvidence,
    evidence_from_figures,
    evidence_of,
    no_failure,
    no_higher,
    rounded_down,
    two_sided,
    with_known,
)
from analytics.ratings.options import Options
from analytics.ratings.promise import Promise
from analytics.ratings.published import known_before, price_over_comeback
from analytics.ratings.settings import RatingSettings
from analytics.ratings.verdict import NOT_SHOWN, judge, under_lighter
from analytics.reasons import Verdict
from analytics.records.shop import shop_from
from analytics.words.saying import say

NAN = math.nan
OPTIONS = Options(Promise(50_000))
SHOP = shop_from({"components": {"shaft": "shaft"}}, Path())


def evidence(supported: float = NAN, **more) -> LimitEvidence:
    return replace(
        LimitEvidence(estimate_hp=600.0, supported_hp=supported, least_cost_hp=575.0, too_high=0.5, failures=5.0),
        **more,
    )


def test_no_limit_is_raised_where_power_or_weight_of_most_trucks_is_taken_from_few():
    """Whether the few on record are like the rest nobody knows; where only the strong ones are written down the bound is too high."""
    strong = evidence(700, raise_hp=675.0, unraised=Verdict.FEW_KNOWN)
    held = judge(strong, 600, OPTIONS)
    assert (held.verdict, held.why.code, held.proposed_hp) == ("keep", Verdict.FEW_KNOWN, 700.0)
    assert "until it is noted of more" in say(held.why)
    first = judge(strong, NAN, OPTIONS)
    assert (first.verdict, first.why.code) == (NOT_SHOWN, Verdict.FEW_KNOWN)
    low = evidence(400, too_high=0.99, least_cost_hp=450.0)
    for published in (700.0, 500.0):
        assert judge(replace(low, unraised=Verdict.FEW_KNOWN), published, OPTIONS) == judge(low, published, OPTIONS)


@pytest.mark.parametrize(
    ("beside", "opened", "why"),
    [
        ({}, False, None),
        ({"hidden": 1}, False, Verdict.HIDDEN_DAMAGE),
        ({"hidden": 1}, True, None),
        ({"few_known": True}, True, Verdict.FEW_KNOWN),
        ({"few_known": True, "hidden": 1}, False, Verdict.FEW_KNOWN),
    ],
)
def test_why_no_limit_is_raised(beside, opened, why):
    assert Beside(600.0, 500.0, 25.0, 0.1, **beside).unraised(opened) is why


@pytest.mark.parametrize(
    ("evidence", "published", "verdict", "proposed"),
    [
        (evidence(700, raise_hp=675.0), 600, "raise", 675),  # to what is shown at half the doubt
        (evidence(700, raise_hp=650.0), 600, "keep", 700),  # a tie with the margin does not raise
        (
            evidence(700, raise_hp=675.0, unraised=Verdict.HIDDEN_DAMAGE),
            600,
            "keep",
            700,
        ),  # what was never opened is no survivor
        (
            evidence(700, raise_hp=675.0, hidden=1),
            600,
            "raise",
            675,
        ),  # but what was looked at tells how often
        (evidence(550, too_high=0.9, hidden=1), 600, "lower", 575),
        (evidence(575), 600, "keep", 575),
        (evidence(550), 600, "not shown either way", 550),  # a low bound alone contradicts nothing
        (evidence(550, too_high=0.89), 600, "not shown either way", 550),
        (evidence(550, too_high=0.9), 600, "lower", 575),  # to what costs least, not to the bound
        (evidence(NAN, too_high=0.95), 600, "lower", 575),
        (evidence(550, too_high=0.95, failures=1.0), 600, "not shown either way", 550),  # one failure lowers nothing
        (evidence(550, too_high=0.95, leans_low=True), 600, "not shown either way", 550),
        (evidence(550, too_high=0.95, least_cost_hp=625.0), 600, "not shown either way", 550),
        (evidence(550, raise_hp=675.0), 600, "raise", 675),
        (evidence(550, with_known_hp=675.0), 600, "not shown either way", 550),
        (evidence(NAN, too_high=NAN), 600, "not shown either way", NAN),
        (evidence(NAN), NAN, "not shown either way", NAN),
        (evidence(500), NAN, "raise", 500),
        (evidence(500, any_power=True), NAN, "not shown either way", 500),  # no power is published where none matters
        (evidence(550, too_high=0.9, any_power=True), 600, "lower", 575),  # what is published is judged all the same
    ],
)
def test_verdicts(evidence, published, verdict, proposed):
    found = judge(evidence, published, OPTIONS)
    assert found.verdict == verdict
    assert found.proposed_hp == pytest.approx(proposed, nan_ok=True)


def test_what_speaks_against_a_limit_but_does_not_lower_it_is_said():
    one = judge(evidence(550, too_high=0.95, failures=1.0), 600, OPTIONS)
    assert one.why.code is Verdict.ONE_FAILURE
    assert (
        say(one.why)
        == "550 hp is supported; one failure speaks against the 600 hp published, too little to lower it on"
    )
    leans = judge(evidence(550, too_high=0.95, leans_low=True), 600, OPTIONS)
    assert leans.why.code is Verdict.LEANS_LOW
    assert "pulls it down" in say(leans.why)


def test_the_reason_of_a_lower_names_the_chance_and_both_figures():
    found = judge(evidence(550, too_high=0.953), 600, OPTIONS)
    assert say(found.why) == (
        "the records contradict the 600 hp published (the chance that it is too high is 95%): 575 hp costs least, 550 hp is supported"
    )


def test_proposals_are_rounded_down_to_the_step():
    assert [rounded_down(v, 25) for v in (574.9, 575, 599.99)] == [550, 575, 575]
    assert math.isnan(rounded_down(NAN, 25))


def test_the_limits_of_the_records_come_back_out_of_their_chances():
    held = two_sided(600.0, 500.0, 800.0, 0.9)
    assert held.quantile_hp(0.5) == pytest.approx(600, rel=0.01)
    assert held.below(500.0) == pytest.approx(0.1, abs=0.005)
    assert held.below(800.0) == pytest.approx(0.9, abs=0.005)
    # a side on which nothing is ruled out is far off, and takes nothing from the other
    assert two_sided(600.0, NAN, 800.0, 0.9).below(800.0) == pytest.approx(0.9, abs=0.005)


def test_a_normal_known_before_is_combined_by_precision():
    """Textbook: two normals multiply to one whose precision is the sum (Gelman and others, Bayesian Data Analysis, 3rd ed., 2.5)."""
    sd = 0.2
    alone = two_sided(500.0, 500 * math.exp(-norm.ppf(0.9) * sd), 500 * math.exp(norm.ppf(0.9) * sd), 0.9)
    held = with_known(alone, Known(700.0, 0.4))
    weight = (1 / sd**2) / (1 / sd**2 + 1 / 0.4**2)
    middle = weight * math.log(500) + (1 - weight) * math.log(700)
    spread = (1 / sd**2 + 1 / 0.4**2) ** -0.5
    assert held.quantile_hp(0.5) == pytest.approx(math.exp(middle), rel=0.003)
    assert held.quantile_hp(0.1) == pytest.approx(math.exp(middle - norm.ppf(0.9) * spread), rel=0.005)


def test_trucks_that_never_failed_lift_what_was_known_and_never_lower_it():
    def lives(n: int, miles: float, power: float):
        return life_data(np.full(n, miles), np.full(n, np.inf), np.full(n, power), np.full(n, 7000.0))

    promise, settings = Promise(50_000), RatingSettings()
    lows = []
    for n in (1, 100, 1000):
        data = lives(n, 40_000.0, 600.0)
        held = with_known(no_failure(data, 7500.0, promise, settings, 600.0), Known(600.0))
        lows.append(held.quantile_hp(0.1))
    plain = 600 * math.exp(-norm.ppf(0.9) * PUBLISHED_LOG_SD)
    assert plain < lows[0] < lows[1] < lows[2]
    # a hundred trucks at nearly the life leave little room under their own power (demonstration: 90% of 100 to 50,000 miles)
    assert 500 < lows[1] < 700
    # lighter trucks than the class say less of it
    heavy = with_known(no_failure(lives(100, 40_000.0, 600.0), 10_000.0, promise, settings, 600.0), Known(600.0))
    assert heavy.quantile_hp(0.1) < lows[1]


def test_a_heavier_class_is_never_held_above_a_lighter_one():
    lighter = evidence(500, with_known_hp=550.0, raise_hp=540.0, least_cost_hp=560.0)
    held = no_higher(evidence(500, with_known_hp=600.0, raise_hp=610.0, least_cost_hp=NAN), lighter)
    assert (held.with_known_hp, held.raise_hp) == (550.0, 540.0)
    assert math.isnan(held.least_cost_hp)
    # nothing is raised where the lighter class has nothing to raise to
    assert math.isnan(no_higher(evidence(500, raise_hp=610.0), evidence(NAN)).raise_hp)


LIMITS = pd.DataFrame(
    {
        "component": "shaft",
        "part": "A",
        "use": "",
        "weight_up_to_lb": NAN,
        "weight_over_lb": NAN,
        "power_limit_hp": [600.0, 650.0, 700.0],
        "effective_on": pd.to_datetime(["2020-01-01", "2021-01-01", "2022-01-01"]),
        "basis": ["supplier's word", "records", "records"],
        "sure_within": [0.25, NAN, NAN],
    }
)
TRUCK = pd.DataFrame(
    {"component": ["shaft"], "part": "A", "use": "", "weight_lb": 7000.0, "day": pd.Timestamp("2023-01-01")}
)


def test_a_limit_accepted_on_the_records_is_no_evidence_beside_them():
    (known,) = known_before(LIMITS, TRUCK)
    # nine times in ten within a quarter either way
    assert known == Known(600.0, pytest.approx(math.log(1.25) / norm.ppf(0.95)))
    assert known_before(LIMITS.assign(basis="records"), TRUCK) == [None]
    assert known_before(LIMITS.iloc[:2].assign(basis="", sure_within=NAN), TRUCK) == [Known(650.0, PUBLISHED_LOG_SD)]


def test_what_may_be_lost_follows_from_the_stated_prices():
    costs = {"comeback": 4000, "parts": {"A": 400, "B": 800, "C": 1400, "other": 500}}
    shop = replace(SHOP, costs=costs)
    assert price_over_comeback(shop, "A", ["A", "B", "C"], 0.1) == pytest.approx(400 / 4000)
    assert price_over_comeback(shop, "C", ["A", "B", "C"], 0.1) == 0.1  # nothing dearer
    assert price_over_comeback(replace(shop, costs={}), "A", ["A", "B"], 0.1) == 0.1
    assert price_over_comeback(replace(shop, costs=costs | {"comeback": "dear"}), "A", ["A", "B"], 0.1) == 0.1


@dataclass
class _Rating:
    """What the evidence on a limit reads of a life distribution that was fitted."""

    calibrated: float
    upper: float
    loglik: float = 0.0
    distribution: str = "weibull"
    theta: np.ndarray = field(default_factory=lambda: np.array([math.log(2.0), -3.0, -8.0]))
    layout: SimpleNamespace = field(default_factory=lambda: SimpleNamespace(gamma=slice(1, 3)))


def _bound(each: tuple, failures: float = 9.0, cap: float = 900.0, demonstrated: float = NAN) -> RatingBound:
    return RatingBound(
        weight_lb=7500.0,
        use="",
        rated_use="",
        promise=Promise(50_000.0),
        estimate_hp=600.0 if each else NAN,
        bound_hp=500.0 if each else demonstrated,
        posterior_hp=NAN,
        demonstrated_hp=demonstrated,
        capped=False,
        seen=Seen(100.0, failures, 1e6, 300.0, 950.0, cap),
        early_share=0.0,
        reasons=(),
        by_distribution=each,
    )


NOTHING_RUN = life_data(np.full(30, 40_000.0), np.full(30, np.inf), np.full(30, 700.0), np.full(30, 7500.0))
RATINGS = (_Rating(math.log(500.0), math.log(720.0)), _Rating(math.log(520.0), math.log(750.0), -1.0))


def test_a_limit_is_raised_at_half_the_doubt_and_never_beyond_what_was_run():
    beside = Beside(500.0, 400.0, 1.0, 0.1)
    found = evidence_of(_bound(RATINGS), beside, NOTHING_RUN, RatingSettings())
    # the lower of the bounds at 90% is 500 hp; at 95% it lies as much further down as the normal has it
    spread = math.log(600 / 500) / norm.ppf(0.9)
    assert found.raise_hp == pytest.approx(600 * math.exp(-norm.ppf(0.95) * spread), rel=0.005)
    assert found.upper_hp == pytest.approx(750.0)
    assert found.least_cost_hp == pytest.approx(600.0, rel=0.01)
    assert math.isnan(found.with_known_hp)
    assert evidence_of(_bound(RATINGS, cap=450.0), beside, NOTHING_RUN, RatingSettings()).raise_hp == 450.0
    # too few trucks so heavy for any power to be run, or no bound at all: nothing to raise to
    assert math.isnan(evidence_of(_bound(RATINGS, cap=NAN), beside, NOTHING_RUN, RatingSettings()).raise_hp)
    assert math.isnan(evidence_from_figures(600.0, NAN, 750.0, 0.9, beside, 9.0, False).raise_hp)
    known = evidence_of(_bound(RATINGS), replace(beside, known=Known(600.0)), NOTHING_RUN, RatingSettings())
    assert known.with_known_hp > 500.0
    # where a comeback costs twice the price step, half the parts may be lost before the dearer one pays
    assert evidence_of(_bound(RATINGS), replace(beside, lost=0.5), NOTHING_RUN, RatingSettings()).least_cost_hp > 700.0


def test_a_part_may_be_tried_to_the_first_quartile_a_fifth_past_what_was_run_and_no_further():
    beside = Beside(500.0, 400.0, 1.0, 0.1)
    found = evidence_of(_bound(RATINGS), beside, NOTHING_RUN, RatingSettings())
    spread = math.log(600 / 500) / norm.ppf(0.9)
    assert found.trial_hp == pytest.approx(600 * math.exp(-norm.ppf(0.75) * spread), rel=0.005)
    assert evidence_of(_bound(RATINGS, cap=450.0), beside, NOTHING_RUN, RatingSettings()).trial_hp == 540.0
    assert math.isnan(evidence_of(_bound(RATINGS, cap=NAN), beside, NOTHING_RUN, RatingSettings()).trial_hp)


@pytest.mark.parametrize(
    ("found", "published", "trial"),
    [
        (evidence(575, trial_hp=650.0), 600, 650.0),
        (evidence(550, trial_hp=650.0), 600, 650.0),
        (evidence(NAN, trial_hp=650.0), 600, 650.0),
        (evidence(550, trial_hp=600.0), 600, NAN),  # nothing above the limit
        (evidence(550, trial_hp=650.0), NAN, NAN),  # nothing published to go above
        (evidence(700, raise_hp=675.0, trial_hp=750.0), 600, NAN),  # raised: that comes first
        (evidence(550, too_high=0.9, trial_hp=650.0), 600, NAN),  # contradicted
        (evidence(550, too_high=0.95, failures=1.0, trial_hp=650.0), 600, NAN),
        (evidence(575, trial_hp=650.0, hidden=1, unraised=Verdict.HIDDEN_DAMAGE), 600, NAN),
        (evidence(575, trial_hp=650.0, hidden=1), 600, NAN),  # who drives it would not notice
        (evidence(575, trial_hp=650.0, any_power=True), 600, NAN),
    ],
)
def test_a_trial_is_offered_above_limits_that_stay_and_of_no_hidden_damage(found, published, trial):
    assert judge(found, published, OPTIONS).trial_hp == pytest.approx(trial, nan_ok=True)


def test_a_heavier_class_is_tried_no_further_than_a_lighter_one():
    assert no_higher(evidence(500, trial_hp=650.0), evidence(500, trial_hp=625.0)).trial_hp == 625.0
    assert math.isnan(no_higher(evidence(500, trial_hp=650.0), evidence(500)).trial_hp)


def test_without_a_failure_a_limit_is_raised_on_what_is_demonstrated_alone():
    beside = Beside(700.0, 600.0, 1.0, 0.1, Known(600.0))
    found = evidence_of(_bound((), 0.0, demonstrated=700.0), beside, NOTHING_RUN, RatingSettings())
    assert found.raise_hp == 700.0
    assert math.isfinite(found.with_known_hp)
    assert found.at_least


@pytest.mark.parametrize(
    ("mean", "sd", "wider"), [(0.0, 0.8, 1.0), (0.5, 1.6, 1.6), (-0.5, 1.6, 1.6 + 0.5 / norm.ppf(0.9))]
)
def test_the_upper_limit_is_calibrated_as_the_bound_is(monkeypatch, mean, sd, wider):
    """Further out where the simulated fleets' roots spread more than the first order has it, or lie too low; never further in."""
    rng = np.random.default_rng(4)
    n = 120
    power, weight = rng.uniform(450, 950, n), rng.uniform(6000, 8000, n)
    life = np.exp(11.2 - 3 * np.log(power / 700) + 0.5 * np.log(rng.exponential(size=n)))
    data = life_data(np.minimum(life, 45_000), np.where(life < 45_000, life, np.inf), power, weight)
    plain = RatingSettings(
        both_laws=False, selection=False, decline=False, share=1.0, early=False, explain=False, draws=0
    )
    # the first-order limit at the confidence that such a root stands for
    sure = float(norm.cdf(wider * norm.ppf(0.9)))
    first = rate_part(data, 7500.0, None, Promise(50_000, confidence=sure), replace(plain, replicates=0))
    monkeypatch.setattr(signed_root, "_calibrate", lambda *_: (mean, sd, 60))
    full = rate_part(data, 7500.0, None, Promise(50_000), replace(plain, replicates=60))
    assert full.upper_hp == pytest.approx(first.upper_hp, rel=1e-5)


def test_a_heavier_class_goes_down_with_a_lighter_one():
    lowered = judge(evidence(550, too_high=0.95), 600, OPTIONS)
    between = judge(evidence(350), 1500, OPTIONS)
    held = under_lighter(between, lowered, 1500)
    assert (held.verdict, held.proposed_hp, held.why.code) == ("lower", 575.0, Verdict.LIGHTER_LOWERED)
    assert say(held.why) == (
        "350 hp is supported; a lighter class goes down to 575 hp, and a heavier truck is never published higher"
    )
    # one that lies under it stays as it is, and so does one that is lowered further of itself
    assert under_lighter(between, lowered, 575) is between
    further = judge(evidence(300, too_high=0.95, least_cost_hp=500.0), 1500, OPTIONS)
    assert under_lighter(further, lowered, 1500) is further
    assert under_lighter(between, None, 1500) is between
    assert under_lighter(between, between, 1500) is between
