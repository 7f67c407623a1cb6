"""Checks behind a rating: bands that agree and one that does not, distributions, influence, and words where nothing can be checked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.driving import driving_by_power, driving_by_use
from analytics.ratings.follow_up import FollowUp, boldest_move, proofs_of
from analytics.ratings.model_checks import check_model, check_shapes
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings
from analytics.reasons import Assumption, Lives, Mileage, Unchecked, reason
from analytics.records.load import load_records
from tests.small_shop import TOML, build, rateable_shop, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="module")
def ratings(tmp_path_factory):
    records = load_records(rateable_shop(tmp_path_factory.mktemp("shop")))
    return make_ratings(records, make_lifetimes(records))


def test_what_is_checked_of_one_part(ratings):
    rated = ratings.part("input shaft", "A")
    checks = check_model(ratings, rated)
    assert checks.reason is None
    assert checks.bands["failures"].sum() == rated.data.failures
    assert checks.bands["lives"].sum() == rated.data.weight.sum()
    # a fit with its own constant expects as many as it saw, but for its priors
    assert checks.bands["expected"].sum() == pytest.approx(rated.data.failures, rel=0.25)
    assert set(checks.curves["power_band"]) <= set(checks.bands["power_band"])
    assert (checks.curves.groupby("power_band")["fitted"].diff().dropna() <= 1e-12).all()
    assert [t.found.code for t in checks.tests] == [Assumption.POWER_LAW_UNTESTED]
    most = checks.influence.iloc[0]
    assert most["serial"] in set(ratings.lifetimes.table["serial"])
    assert most["power_hp"] == ratings.lifetimes.table.set_index("serial").loc[most["serial"], "power_hp"].max()
    assert checks.influence["rating_change"].abs().is_monotonic_decreasing
    assert checks.influence["failed"].sum() == rated.data.failures


def test_a_band_that_does_not_follow_is_told(ratings):
    """All failures moved to the weakest trucks: no fit with a falling power law can follow, and the band says so."""
    rated = ratings.part("input shaft", "A")
    data = rated.data
    wrong = data.log_power.copy()
    wrong[data.failed] = np.log(330.0)
    wrong[~data.failed] = np.log(900.0)
    checks = check_model(ratings, replace(rated, data=replace(data, log_power=wrong)))
    off = checks.bands.set_index("power_band")["p_value"]
    assert off["under 400"] < 0.05
    assert off["600 to 1,000"] < 0.05


def test_too_few_failures_are_said(ratings):
    rated = ratings.part("converter", "C")
    assert rated.data.failures == 0
    checks = check_model(ratings, rated)
    assert checks.reason.code is Unchecked.FEW_FAILURES
    assert checks.bands.empty
    assert check_shapes(ratings) == ()


def test_what_customers_drive(ratings):
    rated = ratings.part("input shaft", "A")
    table = driving_by_use(ratings.lifetimes, rated, ratings.options)
    assert table["use"].tolist() == ["street"]
    row = table.iloc[0]
    units = ratings.lifetimes.units
    failed = set(ratings.lifetimes.table.loc[ratings.lifetimes.table["ended"] == "failed", "serial"])
    kept = units[units["miles"].notna() & ~units["serial"].isin(failed)]
    per_year = np.log(kept["miles"] / kept["miles_days"] * 365.25)
    assert row["median_a_year"] == pytest.approx(np.exp(per_year.mean()))
    assert row["units"] == 60
    assert row["from_a_year"] <= row["median_a_year"] <= row["to_a_year"]


def test_driving_by_power_against_statsmodels():
    """On the demo: the same slope, limits and p-value as ordinary least squares with a term per use."""
    import statsmodels.formula.api as smf

    lifetimes = make_lifetimes(load_records(DEMO))
    got = driving_by_power(lifetimes)
    units = lifetimes.units
    failed = set(lifetimes.table.loc[lifetimes.table["ended"] == "failed", "serial"])
    own = units[(units["miles"] > 0) & (units["miles_days"] > 0) & ~units["serial"].isin(failed)]
    own = own[(own["power_hp"] > 0) & (own["use"] != "")]
    fit = smf.ols("np.log(miles / miles_days) ~ np.log2(power_hp) + use", own).fit()
    row = "np.log2(power_hp)"
    assert got.units == fit.nobs
    assert np.log(got.times) == pytest.approx(fit.params[row], rel=1e-9)
    assert np.log([got.lower, got.upper]) == pytest.approx(fit.conf_int().loc[row].to_numpy(), rel=1e-9)
    assert got.p_value == pytest.approx(fit.pvalues[row], rel=1e-9)
    assert got.p_value > 0.05  # the demo's trucks drive by their use alone


def test_without_odometers_the_driving_is_not_known(tmp_path):
    rows = [build(f"S{i}", power=500 + i) for i in range(12)]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, TOML, builds=rows)))
    table = driving_by_use(lifetimes, None, options_for(lifetimes.shop))
    assert np.isnan(table["median_a_year"]).all()
    assert table["reason"].iat[0] == reason(Mileage.FEW_ODOMETERS, known=0)


# ---- a shop that keeps no weights -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def weightless(tmp_path_factory):
    """The same shop, with the column of weights gone."""
    folder = rateable_shop(tmp_path_factory.mktemp("weightless"))
    builds = pd.read_csv(folder / "builds.csv").drop(columns="weight")
    builds.to_csv(folder / "builds.csv", index=False)
    records = load_records(folder)
    return make_ratings(records, make_lifetimes(records))


def test_without_weights_a_part_is_rated_by_power_alone(weightless, ratings):
    own = weightless.table[weightless.table["part"] == "A"]
    assert own["weight_up_to"].tolist() == [np.inf]
    assert 400 < own["bound_hp"].iat[0] < own["estimate_hp"].iat[0] < 1100
    part = weightless.part("input shaft", "A")
    assert Lives.NO_WEIGHT in {n.code for n in part.notes}
    # as if every truck weighed the same
    fixed = load_records(rateable_shop(weightless.records.shop.folder.parent / "fixed"))
    lifetimes = make_lifetimes(fixed)
    same = replace(lifetimes, table=lifetimes.table.assign(weight_lb=8000.0))
    other = make_ratings(fixed, same, only=[("input shaft", "A")]).part("input shaft", "A").bounds[0]
    assert part.bounds[0].estimate_hp == pytest.approx(other.estimate_hp, rel=1e-6)
    assert part.bounds[0].bound_hp == pytest.approx(other.bound_hp, rel=1e-6)


def test_without_weights_the_sheet_words_say_any_weight(weightless):
    from analytics.words.ratings import page as words

    told = " ".join(
        (
            *words.verdicts(weightless),
            *words.part_words(weightless, weightless.part("input shaft", "A")),
            *words.boldest_words(boldest_move(weightless)),
            *words.varied_words(FollowUp(weightless).varied),
            *words.proof_words(proofs_of(weightless)),
        )
    )
    assert "any weight" in told
    assert "inf" not in told.replace("information", "")
    assert " 1 lb" not in told
    table, _ = words.whom_to_ask(FollowUp(weightless).ask)
    assert not table["ask"].str.contains("weight").any()
