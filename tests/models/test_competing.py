"""Cumulative incidence against R, statsmodels and the definition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.competing import CumulativeIncidence, cumulative_incidence
from analytics.models.nonparametric import kaplan_meier, survival_limits
from analytics.words.saying import say
from studies.textbook import delta_std_err


@pytest.mark.parametrize(
    ("case", "name", "time", "cause"),
    [("D03", "shock_absorber", "km", "mode"), ("D14", "pbc_competing", "time", "status")],
)
def test_incidence_and_both_variances_equal_r(case, name, time, cause, reference, reference_data):
    """R cmprsk and survival; shock absorbers (O'Connor 1985) and the liver trial (Fleming and Harrington 1991)."""
    d = reference_data(name)
    found = cumulative_incidence(d[time], d[cause])
    checked = 0
    for row in reference(case).itertuples():
        if not row.group.startswith("cause"):
            continue
        result = replace(found, std_err=delta_std_err(found)) if row.quantity == "cif_var_survival_ij" else found
        at = result.incidence_at(float(row.at))
        at = at[at["cause"] == int(row.group.removeprefix("cause"))].iloc[0]
        got = {
            "cif": at["incidence"],
            "cif_var_cmprsk": at["std_err"] ** 2,
            "cif_var_survival_ij": at["std_err"] ** 2,
            "one_minus_km": at["one_minus_km"],
        }[row.quantity]
        assert got == pytest.approx(row.value, rel=1e-6), row
        checked += 1
    assert checked == 24


def test_equals_statsmodels_on_ties():
    from statsmodels.duration.survfunc import CumIncidenceRight

    rng = np.random.default_rng(5)
    time, cause = rng.integers(1, 30, 500), rng.integers(0, 4, 500)
    other, result = CumIncidenceRight(time, cause), cumulative_incidence(time, cause)
    for j in range(3):
        got = pd.Series(result.incidence[j], index=result.time).reindex(other.times)
        np.testing.assert_allclose(got, other.cinc[j], rtol=1e-9)


unit = st.tuples(st.integers(0, 10), st.integers(0, 2), st.integers(0, 5), st.integers(1, 3)).map(
    lambda u: (u[0], u[1], u[2] if u[2] < u[0] else 0, u[3])
)
fleets = st.lists(unit, min_size=1, max_size=20).filter(lambda fleet: any(u[1] for u in fleet))


def _of(fleet) -> CumulativeIncidence:
    time, cause, entry, count = (np.array(c) for c in zip(*fleet, strict=True))
    return cumulative_incidence(time, cause, entry, count)


@given(fleets)
@settings(max_examples=150, deadline=None)
def test_incidence_follows_the_definition(fleet):
    """Aalen and Johansen 1978: survival just before, times the share failing of the cause, added up."""
    result = _of(fleet)
    survival, total = 1.0, dict.fromkeys(result.causes, 0.0)
    for i, t in enumerate(result.time):
        n = sum(c for (x, _, e, c) in fleet if x >= t and (e < t or e == 0))
        assert result.at_risk[i] == n
        d = {k: sum(c for (x, f, _, c) in fleet if x == t and f == k) for k in result.causes}
        for j, k in enumerate(result.causes):
            total[k] += survival * d[k] / n if n else 0.0
            assert result.incidence[j, i] == pytest.approx(total[k])
        survival *= 1 - sum(d.values()) / n if n else 1.0
    np.testing.assert_allclose(result.incidence.sum(axis=0), 1 - result.survival, atol=1e-12)
    assert (result.one_minus_km >= result.incidence - 1e-12).all()
    known = ~np.isnan(result.lower)
    assert (result.lower <= result.incidence + 1e-12)[known].all()
    assert (result.incidence <= result.upper + 1e-12)[known].all()


@given(fleets)
@settings(max_examples=80, deadline=None)
def test_delta_variance_is_the_sum_of_squared_influences(fleet):
    """Each unit's influence by differentiating the estimate in its weight, which R survival sums up likewise.

    Only for units seen from new: with late entry the two differ, as Greenwood's variance does.
    """
    units = [(t, c, 0) for (t, c, _, n) in fleet for _ in range(n)]
    time, cause, entry = (np.array(c) for c in zip(*units, strict=True))
    result = cumulative_incidence(time, cause, entry)
    ages = result.time[result.survival > 1e-9]  # past nought the estimate has no derivative
    if not len(ages):
        return

    def estimate(weights: np.ndarray, k: int) -> np.ndarray:
        s, f, out = 1.0, 0.0, []
        for t in ages:
            at_risk = weights[(time >= t) & ((entry < t) | (entry == 0))].sum()
            own, all_ = weights[(time == t) & (cause == k)].sum(), weights[(time == t) & (cause > 0)].sum()
            if at_risk > 0:
                f += s * own / at_risk
                s *= 1 - all_ / at_risk
            out.append(f)
        return np.array(out)

    for j, k in enumerate(result.causes):
        square = np.zeros(len(ages))
        for i in range(len(units)):
            up, down = np.ones(len(units)), np.ones(len(units))
            up[i], down[i] = 1 + 1e-5, 1 - 1e-5
            square += ((estimate(up, k) - estimate(down, k)) / 2e-5) ** 2
        np.testing.assert_allclose(delta_std_err(result)[j, : len(ages)] ** 2, square, atol=1e-7)


@given(fleets, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_order_and_counts_do_not_matter(fleet, random):
    again = [(t, c, e, 1) for (t, c, e, n) in fleet for _ in range(n)]
    random.shuffle(again)
    pd.testing.assert_frame_equal(_of(fleet).to_frame(), _of(again).to_frame(), check_exact=True)


@given(fleets, st.data())
@settings(max_examples=60, deadline=None)
def test_splitting_a_life_changes_nothing(fleet, data):
    halves = []
    for time, cause, entry, count in fleet:
        cut = data.draw(st.integers(entry, time))
        if cut in (entry, time):
            halves.append((time, cause, entry, count))
        else:
            halves += [(cut, 0, entry, count), (time, cause, cut, count)]
    whole, split = _of(fleet), _of(halves)
    columns = ["cause", "time", "at_risk", "failed", "incidence", "std_err", "lower", "upper", "survival"]
    a, b = whole.incidence_at(whole.time)[columns], split.incidence_at(whole.time)[columns]
    pd.testing.assert_frame_equal(a, b)


@given(fleets)
@settings(max_examples=60, deadline=None)
def test_a_single_cause_is_kaplan_meier(fleet):
    """With the delta variance even the limits are those of the survival curve."""
    one = [(t, int(c > 0), e, n) for (t, c, e, n) in fleet]
    result = _of(one)
    std_err = delta_std_err(result)[0]
    lower, upper = survival_limits(1 - result.incidence[0], std_err)
    time, cause, entry, count = (np.array(c) for c in zip(*one, strict=True))
    curve = kaplan_meier(time, cause, entry, count)
    inside = curve.survival > 0
    np.testing.assert_allclose(result.incidence[0], 1 - curve.survival, atol=1e-12)
    np.testing.assert_allclose(std_err[inside], curve.std_err[inside], atol=1e-9)
    np.testing.assert_allclose(lower[inside], curve.lower[inside], atol=1e-7)
    np.testing.assert_allclose(upper[inside], curve.upper[inside], atol=1e-7)


def test_labels_blank_and_missing_are_running():
    result = cumulative_incidence([1, 2, 3, 4, 5], ["cracked", "", "stripped", None, "cracked"])
    assert result.causes == ("cracked", "stripped")
    assert result.failed.sum(axis=1).tolist() == [2, 1]
    assert result.censored.sum() == 2
    assert repr(result) == "CumulativeIncidence(5 units to 5; cracked: 0.7333, stripped: 0.2667)"
    frame = result.to_frame()
    assert len(frame) == 2 * 5
    assert frame["cause"].unique().tolist() == ["cracked", "stripped"]


def test_before_the_first_failure_there_are_no_limits():
    at = cumulative_incidence([2, 4], ["cracked", ""]).incidence_at([0, 1, 3])
    assert at["incidence"].tolist() == [0, 0, 0.5]
    assert at["lower"].isna().tolist() == [True, True, False]
    assert at["at_risk"].tolist() == [2, 2, 1]


def test_refuses_in_words():
    with pytest.raises(NotEnoughData, match="none of 3 units failed: there is no incidence; use an exact bound"):
        cumulative_incidence([1, 2], ["", None], count=[1, 2])
    with pytest.raises(AnalyticsError, match="cause has 1 values for 2 units"):
        cumulative_incidence([1, 2], ["a"])
    with pytest.raises(AnalyticsError, match="incidence asked at 9, but the records run from 0 to 2"):
        cumulative_incidence([1, 2], ["a", ""]).incidence_at(9)


def test_says_so_when_the_shares_stop_before_most_units_came_in():
    result = cumulative_incidence([3, 20, 30], ["a", "b", ""], entry=[0, 5, 5])
    assert "every unit at risk had failed by 3, before 2 others came under observation" in say(result.notes[0])
