"""Kaplan-Meier, the cells of many groups, and the life table, against R, published tables and the definitions."""

from __future__ import annotations

import time as clock
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.nonparametric import (
    SurvivalCurve,
    kaplan_meier,
    kaplan_meier_cells,
    survival_limits,
)
from analytics.words.saying import say
from studies.textbook import life_table, limits_on

CLOSED_FORM = 1e-6


def _units(case: str, data: Callable[[str], pd.DataFrame], group: str) -> dict[str, pd.Series]:
    """time, failed, entry, count of a reference case."""
    if case == "D01":
        d = data("nist_km")
        return {"time": d["hours"], "failed": d["failed"]}
    if case == "D03":
        d = data("shock_absorber")
        return {"time": d["km"], "failed": d["mode"] > 0}
    if case == "D04":
        d = data("bearing_cage")
        return {"time": d["hours"], "failed": d["failed"], "count": d["count"]}
    if case == "D10":
        d = data("remission")
        d = d[d["treat"] == group]
        return {"time": d["time"], "failed": d["cens"]}
    if case == "D15":
        d = data("channing")
        d = d[(d["exit"] > d["entry"]) & (d["sex"] == group.split()[0])]
        return {"time": d["exit"], "failed": d["cens"], "entry": d["entry"]}
    d = data("automotive")
    return {"time": d["miles"], "failed": d["failed"]}


CASES = [
    ("D01", ""),
    ("D03", ""),
    ("D04", ""),
    ("D10", "6-MP"),
    ("D10", "control"),
    ("D15", "Male"),
    ("D15", "Female"),
    ("D15", "Male given alive at 816"),
    ("D15", "Female given alive at 816"),
    ("D16", ""),
]


@pytest.mark.parametrize(("case", "group"), CASES)
def test_curve_and_limits_equal_r(case, group, reference, reference_data):
    """R survival's survfit on each data set; sources in tests/reference/README.md."""
    units = _units(case, reference_data, group)
    checked = 0
    curve = kaplan_meier(**units)
    if "given" in group:
        curve = curve.given_survival_to(816)
    for tag in ("plain", "log", "loglog"):
        for column, quantity in {
            "survival": "km_S",
            "std_err": "km_se_greenwood",
            "lower": f"km_lo95_{tag}",
            "upper": f"km_hi95_{tag}",
            "cumulative_hazard": "nelson_aalen_H",
            "cumulative_hazard_se": "nelson_aalen_se",
        }.items():
            if case == "D15" and group == "Male" and column in ("std_err", "lower", "upper"):
                continue  # survival is nought there, see the test of that trap
            expected = reference(case, quantity, group)
            ages = expected["at"].astype(float).to_numpy()
            at = curve.survival_at(ages)
            got = getattr(at, column)
            if column in ("lower", "upper") and tag != "loglog":
                got = limits_on(at.survival, at.std_err, tag)[column == "upper"]
            np.testing.assert_allclose(got, expected["value"], rtol=CLOSED_FORM, atol=1e-12, err_msg=quantity)
            checked += len(expected)
    assert checked >= 12


@pytest.mark.parametrize("case", ["D01", "D10"])
def test_curve_equals_the_printed_table(case, published, reference_data):
    """D01: NIST/SEMATECH e-Handbook 8.2.1.5. D10: Klein and Moeschberger, table 4.1 (from memory)."""
    rows = published(case)
    rows = rows[rows["quantity"].isin(["km_S", "km_se_greenwood"])]
    assert len(rows) >= 6
    for row in rows.itertuples():
        at = kaplan_meier(**_units(case, reference_data, row.group)).survival_at(float(row.at))
        got = at.survival[0] if row.quantity == "km_S" else at.std_err[0]
        assert got == pytest.approx(row.published, abs=row.tolerance)


def test_first_deaths_with_one_at_risk_send_the_curve_to_zero_and_the_curve_says_so(reference_data):
    """Hyde 1980: the first man to die was alone at risk, so the unconditional curve is nought from 781 months."""
    curve = kaplan_meier(**_units("D15", reference_data, "Male"))
    assert curve.survival_at([781, 900]).survival.tolist() == [0, 0]
    assert np.isnan(curve.survival_at(900).std_err[0])
    assert np.isnan(curve.survival_at(900).upper[0])
    assert "survival fell to zero at 781 with 1 at risk, but 94 came under observation later" in say(curve.notes[0])
    assert "given_survival_to" in say(curve.notes[0])
    assert "no unit at risk between 781 and 782" in say(curve.notes[1])
    later = curve.given_survival_to(816)
    assert later.notes == ()
    assert later.start == 816
    with pytest.raises(AnalyticsError, match="asked at 800, but the records run from 816 to 1,153"):
        later.survival_at(800)


def test_limits_on_the_three_scales_by_hand():
    """One failure of two: S = 1/2, Greenwood s.e. = 1/2 sqrt(1/2)."""
    curve = kaplan_meier([1, 2], [True, False])
    s, se, z = 0.5, 0.5 * np.sqrt(0.5), 1.959963984540054
    assert curve.std_err[0] == pytest.approx(se)
    lower, upper = survival_limits(np.array([s]), np.array([se]))
    width = z * se / (s * -np.log(s))
    assert np.log(-np.log(lower[0])) == pytest.approx(np.log(-np.log(s)) + width)
    assert np.log(-np.log(upper[0])) == pytest.approx(np.log(-np.log(s)) - width)
    plain = limits_on(np.array([s]), np.array([se]), "plain")
    assert (plain[0][0], plain[1][0]) == (0.0, 1.0)


# -- the curve as a step function -----------------------------------------------------------------------------


def test_counts_just_before_at_and_after_a_step():
    curve = kaplan_meier([5, 5, 5, 9, 12], [True, True, False, False, True], entry=[0, 0, 0, 6, 0])
    at = curve.survival_at([0, 4, 5, 5.5, 6, 7, 9, 10, 12])
    assert at.at_risk.tolist() == [4, 4, 4, 1, 1, 2, 2, 1, 1]
    assert at.survival.tolist() == [1, 1, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0]
    assert curve.entered.tolist() == [0, 1, 0, 0]
    assert curve.units == 5


def test_a_failure_at_zero_meets_every_unit_seen_from_new():
    curve = kaplan_meier([0, 0, 10], [True, False, True], entry=[0, 0, 0])
    assert curve.at_risk.tolist() == [3, 1]
    assert curve.survival[0] == pytest.approx(2 / 3)


def test_at_a_tie_failures_come_before_units_that_stop():
    assert kaplan_meier([3, 3], [True, False]).survival.tolist() == [0.5]


@pytest.mark.parametrize("age", [-1, 10.5, float("nan"), float("inf")])
def test_no_number_outside_the_records(age):
    with pytest.raises(AnalyticsError, match="but the records run from 0 to 10: ask inside that range"):
        kaplan_meier([5, 10], [True, False]).survival_at(age)


def test_the_median_is_the_printed_one(reference_data):
    """23 weeks: Klein and Moeschberger (from memory), and R's survfit, with its lower limit 13 and no upper one."""
    curve = kaplan_meier(**_units("D10", reference_data, "6-MP"))
    reached = [curve.time[np.flatnonzero(v <= 0.5)] for v in (curve.survival, curve.lower, curve.upper)]
    assert [first[0] for first in reached[:2]] == [23, 13]
    assert not len(reached[2])


def test_reliable_until_the_last_age_with_enough_at_risk():
    curve = kaplan_meier(range(1, 11), [True] * 10)
    assert curve.reliable_until(5) == 6
    assert curve.reliable_until(1) == 10
    with pytest.raises(NotEnoughData, match=r"never 11 units at risk together \(most: 10\)"):
        curve.reliable_until(11)


def test_no_failure_gives_no_limits_and_says_so():
    curve = kaplan_meier([5, 10, 20], [False] * 3)
    assert curve.survival.tolist() == [1, 1, 1]
    assert np.isnan(curve.lower).all()
    assert "none of 3 failed by 20" in say(curve.notes[0])
    assert repr(curve) == "SurvivalCurve(units 3, failures 0, start 0, last_time 20, at_the_end 1)"


@pytest.mark.parametrize(
    ("units", "message"),
    [
        ({"time": [1, float("nan")], "failed": [1, 0]}, "time of row 1 .counted from 0. is nan: leave out"),
        ({"time": [1, -2], "failed": [1, 0]}, "time of row 1 .counted from 0. is -2: it cannot be negative"),
        ({"time": [1, 2], "failed": [1]}, r"failed has shape \(1,\) for 2 units"),
        ({"time": [1, 2], "failed": [1, 2]}, "failed of row 1 .counted from 0. is 2: give True or False"),
        ({"time": ["a", 2], "failed": [1, 0]}, "time holds a value that is not a number"),
        ({"time": [[1, 2]], "failed": [1, 0]}, "time has 2 dimensions"),
        ({"time": [5, 6], "failed": [1, 0], "entry": [6, 0]}, "entry of row 0 .* is 6 and its time is 5"),
        ({"time": [5, 6], "failed": [1, 0], "entry": [5, 0]}, "must come under observation before it fails"),
        ({"time": [5, 6], "failed": [1, 0], "count": [1.5, 1]}, "count of row 0 .* is 1.5: a count is a whole"),
        ({"time": [5, 6], "failed": [1, 0], "count": [1]}, "count has 1 values for 2 units"),
    ],
)
def test_a_bad_value_is_named(units, message):
    with pytest.raises(AnalyticsError, match=message):
        kaplan_meier(**units)


@pytest.mark.parametrize(
    "units",
    [
        {"time": [], "failed": []},
        {"time": [5], "failed": [0], "entry": [5]},
        {"time": [5], "failed": [1], "count": [0]},
    ],
)
def test_nobody_at_risk(units):
    with pytest.raises(NotEnoughData, match="no unit was ever at risk"):
        kaplan_meier(**units)


# -- properties -----------------------------------------------------------------------------------------------

unit = st.tuples(st.integers(0, 15), st.booleans(), st.integers(0, 8), st.integers(1, 3)).map(
    # entry strictly before a positive time, else from new
    lambda u: (u[0], u[1], u[2] if u[2] < u[0] else 0, u[3])
)
fleets = st.lists(unit, min_size=1, max_size=25)


def _columns(fleet) -> dict[str, np.ndarray]:
    time, failed, entry, count = (np.array(c) for c in zip(*fleet, strict=True))
    return {"time": time, "failed": failed, "entry": entry, "count": count}


def _same_curve(a: SurvivalCurve, b: SurvivalCurve) -> None:
    pd.testing.assert_frame_equal(a.to_frame(), b.to_frame(), check_exact=True)


@given(fleets)
@settings(max_examples=150, deadline=None)
def test_curve_follows_the_definition(fleet):
    """Kaplan and Meier 1958, one age at a time."""
    curve = kaplan_meier(**_columns(fleet))
    s, variance, hazard = 1.0, 0.0, 0.0
    for i, t in enumerate(curve.time):
        at_risk = sum(c for (x, _, e, c) in fleet if x >= t and (e < t or e == 0))
        d = sum(c for (x, f, _, c) in fleet if x == t and f)
        stopped = sum(c for (x, f, _, c) in fleet if x == t and not f)
        assert (curve.at_risk[i], curve.failed[i], curve.censored[i]) == (at_risk, d, stopped)
        if d:
            s *= (at_risk - d) / at_risk
            hazard += d / at_risk
            variance = variance + d / (at_risk * (at_risk - d)) if at_risk > d else np.inf
        assert curve.survival[i] == pytest.approx(s)
        assert curve.cumulative_hazard[i] == pytest.approx(hazard)
        if s > 0:
            assert curve.std_err[i] == pytest.approx(s * np.sqrt(variance))
    after = curve.at_risk - curve.failed - curve.censored + curve.entered
    assert (curve.at_risk[1:] == after[:-1]).all()
    assert after[-1] == 0
    inside = ~np.isnan(curve.lower)
    assert ((curve.lower <= curve.survival) & (curve.survival <= curve.upper))[inside].all()


@given(fleets, st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_row_order_does_not_matter(fleet, random):
    shuffled = list(fleet)
    random.shuffle(shuffled)
    _same_curve(kaplan_meier(**_columns(fleet)), kaplan_meier(**_columns(shuffled)))


@given(fleets)
@settings(max_examples=100, deadline=None)
def test_a_count_is_a_repetition(fleet):
    repeated = [(t, f, e, 1) for (t, f, e, c) in fleet for _ in range(c)]
    _same_curve(kaplan_meier(**_columns(fleet)), kaplan_meier(**_columns(repeated)))


@given(fleets, st.data())
@settings(max_examples=100, deadline=None)
def test_splitting_a_life_changes_nothing(fleet, data):
    """A life cut in two at any age, the second half entering late, leaves every failure's risk set as it was."""
    halves = []
    for time, failed, entry, count in fleet:
        cut = data.draw(st.integers(entry, time))
        if cut in (entry, time):
            halves.append((time, failed, entry, count))
        else:
            halves += [(cut, False, entry, count), (time, failed, cut, count)]
    whole, split = kaplan_meier(**_columns(fleet)), kaplan_meier(**_columns(halves))
    ages = whole.time
    a, b = whole.survival_at(ages), split.survival_at(ages)
    assert (a.at_risk == b.at_risk).all()
    np.testing.assert_array_equal(a.survival, b.survival)
    np.testing.assert_array_equal(a.std_err, b.std_err)
    np.testing.assert_array_equal(a.lower, b.lower)


@given(fleets, st.data())
@settings(max_examples=100, deadline=None)
def test_cells_are_the_curves_of_each_cell(fleet, data):
    units = _columns(fleet)
    cell = np.array(data.draw(st.lists(st.sampled_from("abc"), min_size=len(fleet), max_size=len(fleet))))
    frame = kaplan_meier_cells(**units, cell=cell)
    for name in sorted(set(cell)):
        one = kaplan_meier(**{k: v[cell == name] for k, v in units.items()}).to_frame()
        got = frame[frame["cell"] == name].drop(columns="cell").reset_index(drop=True)
        pd.testing.assert_frame_equal(got, one, check_exact=True)
    assert frame["cell"].is_monotonic_increasing


@pytest.mark.parametrize("factor", [0.3, 1e18])
@given(fleet=fleets)
@settings(max_examples=40, deadline=None)
def test_times_of_any_size_and_with_fractions_give_the_same_curve(factor, fleet):
    units = _columns(fleet)
    whole = kaplan_meier(**units).to_frame()
    other = kaplan_meier(**units | {k: units[k] * factor for k in ("time", "entry")}).to_frame()
    pd.testing.assert_frame_equal(other.drop(columns="time"), whole.drop(columns="time"), check_exact=True)
    np.testing.assert_array_equal(other["time"], whole["time"] * factor)


@given(fleets, st.integers(0, 10))
@settings(max_examples=100, deadline=None)
def test_conditioning_is_moving_every_entry_up_to_that_age(fleet, age):
    units = _columns(fleet)
    reach = units["time"] > age
    if not reach.any():
        return
    moved = {k: v[reach] for k, v in units.items()} | {"entry": np.maximum(units["entry"], age)[reach]}
    given_age, again = kaplan_meier(**units).given_survival_to(age), kaplan_meier(**moved)
    again = again.to_frame()[lambda f: f["time"] > age].reset_index(drop=True)
    pd.testing.assert_frame_equal(given_age.to_frame(), again)


def test_curve_equals_lifelines_with_late_entry():
    """lifelines is right here up to its rounding; ties and counts included."""
    from lifelines import KaplanMeierFitter, NelsonAalenFitter

    rng = np.random.default_rng(1)
    time = rng.integers(5, 60, 300)
    entry = rng.integers(0, 5, 300)
    failed = rng.random(300) < 0.4
    weights = rng.integers(1, 4, 300)
    curve = kaplan_meier(time, failed, entry, weights)
    fitter = KaplanMeierFitter().fit(time, failed, entry=entry, weights=weights)
    expected = fitter.survival_function_at_times(curve.time).to_numpy()
    np.testing.assert_allclose(curve.survival, expected, rtol=1e-9)
    limits = fitter.confidence_interval_.reindex(curve.time)[curve.failed > 0]
    np.testing.assert_allclose(curve.lower[curve.failed > 0], limits.iloc[:, 0], rtol=1e-6)
    np.testing.assert_allclose(curve.upper[curve.failed > 0], limits.iloc[:, 1], rtol=1e-6)
    # lifelines breaks ties by default in the cumulative hazard; d/n is asked for.
    hazard = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(time, failed, entry=entry, weights=weights)
    np.testing.assert_allclose(
        curve.cumulative_hazard, hazard.cumulative_hazard_at_times(curve.time).to_numpy(), rtol=1e-9
    )


def test_200_thousand_rows_in_50_cells_take_less_than_two_seconds():
    rng = np.random.default_rng(2)
    n = 200_000
    entry = np.where(rng.random(n) < 0.3, rng.integers(1, 5_000, n), 0)
    time = entry + rng.integers(1, 100_000, n)
    failed, cell = rng.random(n) < 0.1, rng.integers(0, 50, n)
    begin = clock.process_time()
    frame = kaplan_meier_cells(time, failed, entry, cell=cell)
    assert clock.process_time() - begin < 2
    assert frame["failed"].sum() == failed.sum()
    assert frame["failed"].sum() + frame["censored"].sum() == n


def test_cells_name_a_missing_label():
    with pytest.raises(AnalyticsError, match=r"label of row 1 .counted from 0. is missing"):
        kaplan_meier_cells([1, 2], [1, 0], cell=["a", None])
    with pytest.raises(AnalyticsError, match="there are 1 labels for 2 units"):
        kaplan_meier_cells([1, 2], [1, 0], cell=["a"])


# -- the life table -------------------------------------------------------------------------------------------


def test_life_table_of_yearly_looks(reference, published, reference_data):
    """Three plants first looked at in different years: Meeker and Escobar 1998, chapter 3."""
    d = reference_data("heat_exchanger")
    table = life_table(d["year_lo"], d["year_hi"], [0, 1, 2, 3], d["tubes"])
    for quantity, got in {
        "failures": table.failed,
        "at_risk": table.at_risk,
        "F_hat": 1 - table.survival,
        "F_se_greenwood": table.std_err,
        "F_lo95_logit": 1 - table.upper,
        "F_hi95_logit": 1 - table.lower,
    }.items():
        np.testing.assert_allclose(got, reference("D05", quantity)["value"], rtol=CLOSED_FORM, err_msg=quantity)
    for row in published("D05").itertuples():
        assert 1 - table.survival[int(row.at) - 1] == pytest.approx(row.published, abs=row.tolerance)
    assert repr(table) == "LifeTable(3 intervals to 3, 11 failed)"


def test_life_table_counts_a_withdrawal_inside_an_interval_half():
    table = life_table([0, 0.5, 1], [1, np.inf, np.inf], [0, 1])
    assert table.at_risk.tolist() == [2.5]
    assert table.survival[0] == pytest.approx(1 - 1 / 2.5)


@pytest.mark.parametrize(
    ("lower", "upper", "edges", "message"),
    [
        ([0], [2], [0, 1, 2], "failed between 0 and 2, which no one interval of the edges holds"),
        ([1], [1], [0, 1], "upper must be above lower"),
        ([0], [1], [0], "edges must hold at least two ages"),
        ([0, 1], [1, np.inf], [0, 1, 2], "no unit at risk between 1 and 2"),
    ],
)
def test_life_table_refuses(lower, upper, edges, message):
    with pytest.raises(AnalyticsError, match=message):
        life_table(lower, upper, edges)
