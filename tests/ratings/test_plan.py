"""Units that prove a limit, against the success-run tables; and what time alone proves, against the sum written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, chi2

from analytics.errors import AnalyticsError
from analytics.models.lifedata import life_data
from analytics.ratings.plan import plan_proof, proof_ahead
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.words.ratings.plan import ahead_words, plan_words
from studies.coverage import CELLS, draw_fleet
from studies.textbook import units_to_prove

SURE = RatingSettings(share=1.0)


@pytest.mark.parametrize(("r", "c", "units"), [(0.90, 0.90, 22), (0.95, 0.90, 45), (0.95, 0.95, 59), (0.99, 0.90, 230)])
def test_success_runs(r, c, units):
    """n = ln(1 - C)/ln R rounded up: the values every handbook of reliability testing lists (from memory)."""
    plan = plan_proof(700.0, Promise(50_000.0, r, c), failures=(0,))
    assert plan.table["units"].iloc[0] == units
    assert np.isnan(plan.table["shape"].iloc[0])


def test_a_few_failures_allowed_equal_the_exact_binomial():
    plan = plan_proof(700.0, Promise(50_000.0, 0.9, 0.9))
    assert plan.table["failures"].tolist() == [0, 1, 2]
    for row in plan.table.itertuples(index=False):
        n, k = int(row.units), int(row.failures)
        assert n == units_to_prove(0.9, 0.9, k)
        assert binom.cdf(k, n, 0.1) <= 0.1 < binom.cdf(k, n - 1, 0.1)
    assert plan.table["units"].is_monotonic_increasing
    first = plan.table.iloc[0]
    assert first["passes if 0.97"] == pytest.approx(0.97**22)
    assert first["passes if 0.99"] == pytest.approx(0.99**22)
    assert "22 trucks of 700 hp that each run 50,000 miles prove 700 hp" in plan_words(plan)[0]
    assert "51% if 97% truly survive" in plan_words(plan)[0]
    assert "units 22" in repr(plan)


def test_longer_trials_need_fewer_units_at_a_known_shape():
    """12 trucks x 54,000 miles equal 22 x 36,000 at shape 1.5: n L^1.5 is the same (Nelson 1985)."""
    plan = plan_proof(1200.0, Promise(36_000.0), miles_each=54_000.0, failures=(0,), shapes=(1.5,))
    assert plan.table["units"].iloc[0] == 12 == np.ceil(np.log(0.1) / (np.log(0.9) * 1.5**1.5))


def test_the_least_favourable_assumption_is_taken():
    # short of the life the steepest shape asks for most, past it the flattest
    short, long = (
        plan_proof(700.0, Promise(50_000.0), miles_each=m, failures=(0,)).table.iloc[0] for m in (25_000.0, 100_000.0)
    )
    assert (short["shape"], long["shape"]) == (4.0, 1.0)
    assert short["units"] == units_to_prove(0.9, 0.9, 0, 0.5, 4.0)
    assert long["units"] == units_to_prove(0.9, 0.9, 0, 2.0, 1.0)
    # above the limit a low power exponent gives least, below it a high one
    above, below = (
        plan_proof(700.0, Promise(50_000.0), run_power_hp=p, failures=(0,)).table.iloc[0] for p in (800.0, 600.0)
    )
    assert (above["exponent"], below["exponent"]) == (3.0, 8.0)
    assert (
        "least favourable of 1 to 4 and 3 to 8"
        in plan_words(plan_proof(700.0, Promise(50_000.0), run_power_hp=800.0))[-1]
    )


def test_what_cannot_be_proven_is_said():
    plan = plan_proof(700.0, Promise(50_000.0), miles_each=1000.0, failures=(0,))
    assert np.isnan(plan.table["units"].iloc[0])
    assert "cannot be proven" in plan_words(plan)[0]


@pytest.mark.parametrize(
    "kwargs",
    [
        {"power_hp": 0.0},
        {"miles_each": -1.0},
        {"truths": (1.2,)},
        {"failures": ()},
    ],
)
def test_senseless_trials_are_refused(kwargs):
    with pytest.raises(AnalyticsError):
        plan_proof(**({"power_hp": 700.0, "promise": Promise(50_000.0)} | kwargs))


@pytest.mark.parametrize("promise", [(np.nan,), (0.0,), (50_000.0, 1.0), (50_000.0, 0.9, 0.0)])
def test_senseless_promises_are_refused(promise):
    with pytest.raises(AnalyticsError, match="shares must lie between 0 and 1"):
        Promise(*promise)


def trucks(n=40, power=600.0, miles=15_000.0, days=500.0, failed=0):
    lower = np.full(n, miles)
    upper = np.where(np.arange(n) < failed, miles, np.inf)
    return life_data(
        lower,
        upper,
        np.linspace(power, power + 100, n),
        np.full(n, 7500.0),
        lower_days=np.full(n, days),
        upper_days=np.where(np.arange(n) < failed, days, np.inf),
        rate_miles=lower,
        rate_days=np.full(n, days),
    )


def test_time_alone_proves_what_the_sum_says():
    """No failure, all miles known: proven at p once sum over units at p or more of (miles/M)^k reaches 2.30/0.105, k the worst."""
    data = trucks()
    out = proof_ahead(
        data, 7500.0, None, Promise(50_000.0), settings=SURE, days=(500.0, 1000.0, 3000.0), published_hp=640.0
    )
    power = np.linspace(600.0, 700.0, 40)
    for row in out.table.itertuples():
        miles = 15_000.0 + 30.0 * row.days
        worst = min((miles / 50_000.0) ** k for k in (1.0, 1.5, 2.0, 3.0, 4.0))
        units = np.ceil(chi2.ppf(0.9, 2) / 2 / (-np.log(0.9) * worst) - 1e-9)
        if units > 40:
            assert np.isnan(row.demonstrated_hp)
        else:
            assert row.demonstrated_hp == pytest.approx(power[40 - int(units)])
    assert np.isnan(out.table["demonstrated_hp"].iloc[0])
    assert np.isfinite(out.table["demonstrated_hp"].iloc[-1])
    assert ahead_words(out)[0].startswith("Nothing is proven yet at 7,500 lb")
    assert any("even if none of the running units fails" in w for w in ahead_words(out))
    assert any(w.startswith("The published 640 hp will be proven within ") for w in ahead_words(out))
    assert np.isnan(out.table["chance_none"].iloc[1:]).all()


def test_nothing_running_proves_nothing_more():
    data = trucks(failed=40)
    out = proof_ahead(data, 7500.0, None, Promise(50_000.0), settings=SURE)
    assert any("No unit with this part is running" in w for w in ahead_words(out))
    quiet = proof_ahead(trucks(), 7500.0, None, Promise(50_000.0), settings=SURE, watched=np.zeros(40, bool))
    assert quiet.table["miles"].nunique() == 1


def test_with_failures_the_chance_of_none_is_given():
    data = draw_fleet(CELLS["500 units, 8 failures"], np.random.default_rng(2))
    out = proof_ahead(data, 5000.0, None, Promise(50_000.0), published_hp=100.0)
    known = out.table["demonstrated_hp"].to_numpy()
    assert (np.diff(known[np.isfinite(known)]) >= 0).all()
    chance = out.table["chance_none"].to_numpy()
    assert chance[0] == 1
    assert (np.diff(chance) < 0).all()
    assert (chance > 0).all()
    assert any("(chance " in w for w in ahead_words(out))
    assert any("proven already" in w for w in ahead_words(out))
    assert "Counts 80% of failures as reported" in ahead_words(out)[-1]
    far = proof_ahead(data, 5000.0, None, Promise(50_000.0), published_hp=5000.0)
    assert any("will not be proven within 365 days" in w for w in ahead_words(far))


def test_a_use_not_on_record_is_refused():
    with pytest.raises(AnalyticsError, match="not on record"):
        proof_ahead(trucks(), 7500.0, "sled", Promise(50_000.0))


def test_lives_known_in_miles_alone_are_not_aged():
    data = life_data(np.full(30, 40_000.0), np.full(30, np.inf), np.full(30, 600.0), np.full(30, 7500.0))
    out = proof_ahead(data, 7500.0, None, Promise(50_000.0), settings=SURE)
    assert any("30 running lives are known in miles alone" in w for w in ahead_words(out))
    assert out.table["demonstrated_hp"].nunique(dropna=False) == 1
