"""The rating turned round: a part is supported at a power exactly where its calibrated bound reaches it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analytics.advice import chance
from analytics.advice.chance import Chance, PartBasis, chance_of
from analytics.models.lifedata import life_data
from analytics.ratings.bound import rate_part
from analytics.ratings.demonstration import demonstrate
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Advised
from analytics.words.advice import chance_words

LIFE = 50_000.0
PROMISE = Promise(LIFE, 0.9, 0.9)


def fleet(seed: int, failing: bool = True, uses: bool = False):
    """300 trucks whose life falls with power and weight, looked at after 20,000 to 60,000 miles."""
    rng = np.random.default_rng(seed)
    n = 300
    power, weight = 600 * np.exp(0.25 * rng.standard_normal(n)), 7000 * np.exp(0.12 * rng.standard_normal(n))
    life = 110_000 * rng.weibull(2.0, n) * (power / 600) ** -2.5 * (weight / 7000) ** -1.5
    seen = rng.uniform(20_000, 60_000, n)
    failed = (life < seen) & failing
    use = np.where(rng.random(n) < 0.4, "towing", "street") if uses else None
    lower = np.where(failed, life, seen)
    return life_data(lower, np.where(failed, life, np.inf), power, weight, use=use)


def basis(data, **settings) -> PartBasis:
    return PartBasis("shaft", "A", data, LIFE, RatingSettings(explain=False, share=1.0, **settings))


@pytest.mark.parametrize(("seed", "replicates"), [(1, 0), (2, 0), (3, 40)])
def test_the_supported_side_meets_the_promise_where_the_bound_lies(seed, replicates):
    own = basis(fleet(seed), replicates=replicates, draws=0)
    bound = rate_part(own.data, 7000, None, PROMISE, own.settings, fits=own.fits)
    roots = own.calibrated(None, 7000, PROMISE) if replicates else {}
    assert not bound.capped
    below, above = (chance_of(own, bound.bound_hp * f, 7000, None, PROMISE, roots) for f in (0.995, 1.005))
    assert isinstance(below, Chance)
    assert isinstance(above, Chance)
    assert below.high < 0.1 < above.high
    at = chance_of(own, bound.bound_hp, 7000, None, PROMISE, roots)
    assert at.high == pytest.approx(0.1, rel=0.02)


@pytest.mark.parametrize("reliability", [0.8, 0.95])
def test_the_limit_is_that_of_a_rating_at_another_share_too(reliability):
    own = basis(fleet(1), replicates=0, draws=0)
    asked = Promise(LIFE, reliability, 0.9)
    bound = rate_part(own.data, 7000, None, asked, own.settings, fits=own.fits)
    assert chance_of(own, bound.bound_hp, 7000, None, PROMISE, {}).high == pytest.approx(1 - reliability, rel=0.02)


def test_the_estimate_is_that_of_the_rating():
    own = basis(fleet(1), replicates=0, draws=0)
    bound = rate_part(own.data, 7000, None, PROMISE, own.settings, fits=own.fits)
    assert chance_of(own, bound.estimate_hp, 7000, None, PROMISE, {}).estimate == pytest.approx(0.1, rel=1e-6)


def test_more_power_and_more_weight_are_never_better_and_the_ends_hold_the_estimate():
    own = basis(fleet(2), replicates=0, draws=0)
    found = [chance_of(own, p, 7000, None, PROMISE, {}) for p in (450, 550, 650, 750)]
    found += [chance_of(own, 750, 7600, None, PROMISE, {})]
    for name in ("estimate", "low", "high"):
        shares = [getattr(f, name) for f in found]
        assert shares == sorted(shares)
    assert all(f.low < f.estimate < f.high for f in found)


def test_a_worse_calibration_moves_the_supported_side_out_and_never_in():
    own = basis(fleet(2), replicates=0, draws=0)
    plain = chance_of(own, 600, 7000, None, PROMISE, {})
    worse = chance_of(own, 600, 7000, None, PROMISE, {"weibull": (0.4, 1.2), "lognormal": (0.4, 1.2)})
    better = chance_of(own, 600, 7000, None, PROMISE, {"weibull": (-0.4, 0.7), "lognormal": (-0.4, 0.7)})
    assert worse.high > plain.high * 1.1
    assert better.high == pytest.approx(plain.high, rel=1e-6)


def test_without_a_failure_it_is_shown_exactly_where_the_miles_demonstrate_it():
    own = basis(fleet(4, failing=False))
    shown = demonstrate(own.data, 6500, PROMISE, None, 1.0)
    assert np.isfinite(shown.power_hp)
    below, above = (chance_of(own, shown.power_hp * f, 6500, None, PROMISE, {}) for f in (0.999, 1.02))
    assert below.high <= 0.1
    assert 0.0 == below.low < below.estimate < below.high
    assert above is Advised.NOTHING_SHOWN


def test_no_figure_beyond_what_is_on_record():
    own = basis(fleet(1), replicates=0, draws=0)
    strongest = float(np.exp(own.data.log_power.max()))
    assert chance_of(own, strongest * 1.01, 7000, None, PROMISE, {}) is Advised.BEYOND
    assert chance_of(own, 500, 20_000, None, PROMISE, {}) is Advised.FEW_SO_HEAVY


def test_less_power_than_any_on_record_is_answered_as_at_the_least():
    own = basis(fleet(1), replicates=0, draws=0)
    assert chance_of(own, 60, 7000, None, PROMISE, {}) == chance_of(own, own.lowest_hp, 7000, None, PROMISE, {})


def test_a_use_it_never_saw_has_no_figure():
    own = basis(fleet(1, uses=True), replicates=0, draws=0)
    assert isinstance(chance_of(own, 600, 7000, "towing", PROMISE, {}), Chance)
    assert chance_of(own, 600, 7000, "sled", PROMISE, {}) is Advised.NO_SUCH_USE


def test_with_fewer_than_three_failures_the_second_opinion_counts_too_as_in_a_rating(monkeypatch):
    data = fleet(1)
    few = data.take(~data.failed | np.isin(np.arange(len(data.failed)), np.flatnonzero(data.failed)[:2]))
    own, many = basis(few, replicates=0, draws=64), basis(data, replicates=0, draws=64)
    plain = [chance_of(b, 600, 7000, None, PROMISE, {}) for b in (own, many)]
    assert [c.failures < 3 for c in plain] == [True, False]
    monkeypatch.setattr(chance, "_opinion", lambda *_: 0.5)
    assert chance_of(own, 600, 7000, None, PROMISE, {}).high == 0.5
    assert chance_of(many, 600, 7000, None, PROMISE, {}) == plain[1]


def test_the_second_opinion_is_that_of_the_rating():
    own = basis(fleet(1), replicates=0, draws=256)
    bound = rate_part(own.data, 7000, None, PROMISE, own.settings, fits=own.fits)
    at = (np.log(bound.posterior_hp), np.log(7000), 0)
    assert max(chance._opinion(own, f, at, 0.9) for f in own.fits.fits) == pytest.approx(0.1, rel=0.02)


def test_failures_nobody_reports_count_against_a_part_without_a_failure():
    told, silent = (
        PartBasis("shaft", "A", fleet(4, failing=False), LIFE, RatingSettings(share=share, explain=False))
        for share in (1.0, 0.7)
    )
    one, other = (chance_of(b, 450, 6500, None, PROMISE, {}) for b in (told, silent))
    assert -np.log1p(-other.high) == pytest.approx(-np.log1p(-one.high) / 0.7)


def test_early_failures_are_lost_beside_what_wears_out():
    own, plain = (basis(fleet(1), replicates=0, draws=0) for _ in range(2))
    own.__dict__["fits"] = replace(own.fits, early=replace(own.fits.early, share=0.04))
    one, other = (chance_of(b, 600, 7000, None, PROMISE, {}) for b in (own, plain))
    for name in ("estimate", "low", "high"):
        assert getattr(one, name) == pytest.approx(1 - 0.96 * (1 - getattr(other, name)))


def test_the_calibration_is_of_what_early_failures_leave_of_the_promise(monkeypatch):
    own = basis(fleet(2), replicates=0, draws=0)
    fits = replace(own.fits, early=replace(own.fits.early, share=0.03))
    asked = []
    monkeypatch.setattr(
        chance, "rate_fit", lambda *told: (asked.append(told[3]), SimpleNamespace(root_mean=0.0, root_sd=1.0))[1]
    )
    chance._calibrated(fits, None, 7000, PROMISE, 0, lambda: None)
    assert [promise.reliability for promise in asked] == [pytest.approx(0.9 / 0.97)] * len(fits.fits)


@pytest.mark.parametrize(
    ("component", "follows", "any_power"),
    [("valve body", True, False), ("valve body", False, True), ("shaft", False, False)],
)
def test_power_is_left_out_for_a_part_that_wears_by_miles_unless_its_failures_show_otherwise(
    component, follows, any_power
):
    """Of a valve body whose life falls with power the records show it, and power counts; of one whose life does not, and of no other part, every
    power is one, and the answer the same at each."""
    data = fleet(2)
    if not follows:
        data = replace(data, log_power=np.random.default_rng(5).permutation(data.log_power))
    own = replace(basis(data, replicates=0), component=component).by_miles
    assert own.any_power is any_power
    weak, strong = (chance_of(own, hp, 7000, None, PROMISE, own.calibrated(None, 7000, PROMISE)) for hp in (450, 800))
    assert (weak == strong) is any_power
    if any_power:
        assert strong.low <= strong.estimate <= strong.high


def test_no_failure_is_said_of_the_use_it_was_looked_for_in():
    """Where uses stand apart the part may have failed in another: the next line counts those."""
    assert chance_words(Chance(0.01, 0.0, 0.03, 0.0)) == "none in such use so far; at most 3.0"
    assert chance_words(Chance(0.01, 0.002, 0.03, 1.0)) == "about 1.0 (0.2 to 3.0)"
