"""Published field data, typed as a shop would, come out right through the same road as the shop's own.

Expected values: R (survival, cmprsk) as described in tests/reference/README.md. Sources: O'Connor 1985 and Meeker and
Escobar 1998 (shock absorbers), Krivtsov and Case 1999 (vehicle miles), Abernethy et al. 1983 (bearing cages),
Nelson and Doganaksoy 1989 (valve seats), Fleming and Harrington 1991 (liver trial).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.models.cells import curve, failures_with_age, fit, repeated_failures
from analytics.review.teardown import finding_shares
from analytics.words.answers import worded
from studies.life import whole
from tests.published import shops
from tests.reviewed import make_review

KM = 1.609344


def at(values: pd.DataFrame) -> np.ndarray:
    return values["at"].astype(float).to_numpy()


def test_shock_absorbers_survival_and_both_findings(tmp_path, reference, reference_data):
    data = reference_data("shock_absorber")
    review = make_review(shops.shock_absorbers(data, tmp_path))
    counts = review.records.books.counts.set_index("sheet")
    assert counts.loc["builds", "used"] == 38
    assert counts["set_aside"].sum() == 0
    table = review.lifetimes.table
    line = curve(table, "miles")
    assert (line.units, line.failures) == (38, 11)
    expected = reference("D03", "km_S")
    found = line.survival_at(at(expected) / KM)
    np.testing.assert_allclose(found.survival, expected["value"], rtol=1e-6)
    for quantity, ours in (
        ("km_se_greenwood", found.std_err),
        ("km_lo95_loglog", found.lower),
        ("km_hi95_loglog", found.upper),
    ):
        np.testing.assert_allclose(ours, reference("D03", quantity)["value"], rtol=1e-6)
    # the table a reader opens holds the same numbers: 1 - cumulative incidence per finding
    for cause in ("1", "2"):
        expected = reference("D03", "cif", f"cause{cause}")
        own = review.survival[
            (review.survival["clock"] == "miles")
            & (review.survival["finding"] == f"mode {cause}")
            & (review.survival["part"] == "")
        ]
        for age, share in zip(at(expected), expected["value"], strict=True):
            # curves are printed up to where five remain at risk
            step = own[own["time"] <= age / KM + 1e-9].iloc[-1]
            assert 1 - step["survival"] == pytest.approx(share, rel=1e-6)
    weibull = fit(table, "miles", 5)
    assert weibull.beta == pytest.approx(reference("D03", "beta", "all modes")["value"].iat[0], rel=1e-4)
    assert weibull.eta * KM == pytest.approx(reference("D03", "eta", "all modes")["value"].iat[0], rel=1e-4)


def test_vehicle_miles(tmp_path, reference, reference_data):
    data = reference_data("automotive")
    review = make_review(shops.vehicle_miles(data, tmp_path))
    weibull = fit(review.lifetimes.table, "miles", 5)
    assert (weibull.units, weibull.failures) == (31, 10)
    assert weibull.eta == pytest.approx(reference("D16", "eta")["value"].iat[0], rel=1e-4)
    assert weibull.beta == pytest.approx(reference("D16", "beta")["value"].iat[0], rel=1e-4)
    b10 = whole(weibull).quantile(0.1)
    assert b10.lower == pytest.approx(
        reference("D16", "quantile_prof_lo").query("at == '0.1'")["value"].iat[0], rel=1e-3
    )


def test_bearing_cages_with_counts(tmp_path, reference, reference_data):
    review = make_review(shops.bearing_cages(reference_data("bearing_cage"), tmp_path))
    table = review.lifetimes.table
    line = curve(table, "miles")
    assert (line.units, line.failures) == (1703, 6)
    expected = reference("D04", "km_S")
    np.testing.assert_allclose(line.survival_at(at(expected)).survival, expected["value"], rtol=1e-6)
    weibull = fit(table, "miles", 5)
    # the surface is flat: 5e-4, as tests/reference/README.md states
    assert weibull.eta == pytest.approx(reference("D04", "eta")["value"].iat[0], rel=5e-4)
    assert weibull.beta == pytest.approx(reference("D04", "beta")["value"].iat[0], rel=5e-4)


def test_valve_seats_repeat(tmp_path, reference, reference_data):
    review = make_review(shops.valve_seats(reference_data("valve_seat"), tmp_path))
    assert len(review.records.returns) == 48  # two on one engine on one day stay two
    mean = repeated_failures(review.lifetimes.table, review.lifetimes.units, review.lifetimes.sight)
    assert (mean.units, mean.total_events) == (41, 48)
    for quantity, column in (("mcf", "mean"), ("mcf_se_robust", "std_err"), ("mcf_se_poisson", "std_err_poisson")):
        expected = reference("D07", quantity)
        np.testing.assert_allclose(mean.mean_at(at(expected))[column], expected["value"], rtol=1e-6)
    assert "more than once" in worded(review.again).sentences[0]
    # failures come faster as engines age: the power law of the same engines, through the sheets
    process = failures_with_age(review.lifetimes.table, review.lifetimes.units, review.lifetimes.sight)
    assert process.b == pytest.approx(reference("D07", "powerlaw_b")["value"].iat[0], rel=1e-4)
    # too few engines are two years old, so no second year is spoken of
    assert np.isnan(review.again.table["second_year_to_first"].iat[0])


def test_liver_trial_cumulative_incidence_and_the_usual_mistake(tmp_path, reference, reference_data):
    review = make_review(shops.liver_trial(reference_data("pbc_competing"), tmp_path))
    checked = 0
    for cause in ("1", "2"):
        expected = reference("D14", "cif", f"cause{cause}")
        own = review.survival[
            (review.survival["clock"] == "days")
            & (review.survival["finding"] == f"end {cause}")
            & (review.survival["part"] == "")
        ]
        for age, share in zip(at(expected), expected["value"], strict=True):
            if age <= own["time"].max():
                assert 1 - own[own["time"] <= age].iloc[-1]["survival"] == pytest.approx(share, rel=1e-6)
                checked += 1
    assert checked >= 6
    # the review's own table: incidences add up, one minus Kaplan-Meier per finding says too much
    told = finding_shares(review.lifetimes).table
    assert told["share_back"].sum() == pytest.approx(told["all_findings"].iloc[0])
    assert (told["as_if_alone"] > told["share_back"]).all()
