"""The mean cumulative function against R and the definition."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.recurrence import mean_cumulative_function, power_law
from studies.textbook import power_law_readings


def test_valve_seats_equal_r(reference, reference_data):
    """Nelson and Doganaksoy 1989: 48 replacements on 41 engines; two engines had two on one day."""
    d = reference_data("valve_seat")
    events, ends = d[d["status"] == 1], d[d["status"] == 0]
    result = mean_cumulative_function(ends["id"], ends["time"], events["id"], events["time"])
    twice = events.groupby(["id", "time"]).size()
    assert (twice == 2).sum() == 2
    assert result.total_events == reference("D07", "events")["value"][0]
    assert result.exposure == reference("D07", "engine_days")["value"][0]
    for quantity, column in {
        "mcf": "mean",
        "mcf_se_robust": "std_err",
        "mcf_se_poisson": "std_err_poisson",
        "mcf_lo95_robust_log": "lower",
        "mcf_hi95_robust_log": "upper",
    }.items():
        expected = reference("D07", quantity)
        got = result.mean_at(expected["at"].astype(float))[column]
        np.testing.assert_allclose(got, expected["value"], rtol=1e-6, err_msg=quantity)
    at_risk = reference("D07", "at_risk")
    at_risk = at_risk[at_risk["at"].astype(float).isin(result.time)]
    assert len(at_risk) >= 5
    assert [result.at_risk[result.time == float(t)][0] for t in at_risk["at"]] == at_risk["value"].tolist()
    # Engines that come back once come back again: the independent s.e. is too small.
    last = result.mean_at(653).iloc[0]
    assert last["std_err"] > 1.15 * last["std_err_poisson"]
    assert repr(result) == "MeanCumulativeFunction(units 41, total_events 48, last_time 761, at_the_end 1.54269)"


unit = st.tuples(st.integers(0, 5), st.integers(1, 10), st.integers(1, 3), st.lists(st.floats(0, 1), max_size=4)).map(
    # start, end, count and events at whole ages inside (start, end]
    lambda u: (u[0], u[0] + u[1], u[2], [u[0] + max(1, round(x * u[1])) for x in u[3]])
)
fleets = st.lists(unit, min_size=1, max_size=12).filter(lambda fleet: any(u[3] for u in fleet))


def _of(fleet):
    events = [(i, t) for i, u in enumerate(fleet) for t in u[3]]
    return mean_cumulative_function(
        np.arange(len(fleet)),
        [u[1] for u in fleet],
        [i for i, _ in events],
        [t for _, t in events],
        start=[u[0] for u in fleet],
        count=[u[2] for u in fleet],
    )


@given(fleets)
@settings(max_examples=150, deadline=None)
def test_mean_and_robust_variance_follow_the_definition(fleet):
    """Lawless and Nadeau 1995: the variance is the sum over units of their squared contributions."""
    result = _of(fleet)
    units = [u for u in fleet for _ in range(u[2])]
    own = np.zeros(len(units))
    mean = 0.0
    for i, t in enumerate(result.time):
        here = np.array([start < t <= end or (start == 0 and t == 0) for (start, end, _, _) in units])
        n, m = here.sum(), np.array([u[3].count(t) for u in units])
        mean += m.sum() / n
        own += here / n * (m - m.sum() / n)
        assert result.at_risk[i] == n
        assert result.mean[i] == pytest.approx(mean)
        assert result.std_err[i] ** 2 == pytest.approx((own**2).sum(), abs=1e-12)


@given(fleets)
@settings(max_examples=60, deadline=None)
def test_a_count_is_a_repetition(fleet):
    repeated = [(a, b, 1, events) for (a, b, c, events) in fleet for _ in range(c)]
    pd.testing.assert_frame_equal(_of(fleet).to_frame(), _of(repeated).to_frame(), atol=1e-9)


@given(fleets, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_row_order_does_not_matter(fleet, random):
    shuffled = list(fleet)
    random.shuffle(shuffled)
    pd.testing.assert_frame_equal(_of(fleet).to_frame(), _of(shuffled).to_frame(), atol=1e-9)


def test_one_event_at_most_and_no_staggering_is_a_proportion():
    """Ten units watched alike, three with one event: the robust s.e. is that of a proportion, divisor n."""
    result = mean_cumulative_function(range(10), [100] * 10, [0, 1, 2], [50, 50, 50])
    assert result.mean[0] == pytest.approx(0.3)
    assert result.std_err[0] == pytest.approx(np.sqrt(0.3 * 0.7 / 10))


def test_event_at_the_very_end_and_at_zero_count():
    result = mean_cumulative_function(["a", "b"], [10, 20], ["a", "b"], [10, 0])
    assert result.time.tolist() == [0, 10]
    assert result.at_risk.tolist() == [2, 2]


@pytest.mark.parametrize(
    ("arguments", "kind", "message"),
    [
        ((["a", "a"], [5, 5], ["a"], [1]), AnalyticsError, "unit 'a' is listed twice"),
        ((["a"], [5], ["b"], [1]), AnalyticsError, "an event names unit 'b', which is not among the units"),
        ((["a"], [5], ["a"], [6]), AnalyticsError, "unit 'a' has an event at 6, but was watched from 0 to 5"),
        ((["a"], [5], ["a"], [1], [2]), AnalyticsError, "unit 'a' has an event at 1, but was watched from 2 to 5"),
        ((["a"], [5], ["a"], [5], [6]), AnalyticsError, "unit 'a' was watched from 6 to 5"),
        ((["a", "b"], [5], ["a"], [1]), AnalyticsError, "there are 2 unit names for 1 ends"),
        ((["a"], [5], [], []), NotEnoughData, "none of 1 units had an event"),
        ((["a"], [5], ["a"], [1], None, [0]), NotEnoughData, "every unit with an event has count 0"),
        ((["a"], [5], ["a", "a"], [1]), AnalyticsError, "there are 2 event units for 1 event times"),
    ],
)
def test_refuses_in_words(arguments, kind, message):
    with pytest.raises(kind, match=message):
        mean_cumulative_function(*arguments)


def test_nobody_watched_is_too_little():
    with pytest.raises(NotEnoughData, match="no unit was watched"):
        mean_cumulative_function([], [], [], [])


def test_no_number_outside_the_records():
    result = mean_cumulative_function(["a"], [10], ["a"], [5])
    at = result.mean_at([0, 5, 10])
    assert at["mean"].tolist() == [0, 1, 1]
    assert np.isnan(at["lower"][0])
    with pytest.raises(AnalyticsError, match="mean events asked at 11, but the records run from 0 to 10"):
        result.mean_at(11)


def test_power_law_equals_r_and_the_handbook(reference, published, reference_data):
    """D21: NIST/SEMATECH e-Handbook 8.4.5.2, ten repairs in 1,500 h. D07: 41 engines of staggered ages."""
    d = reference_data("nist_repairs")
    read = power_law_readings([1500], [1500] * len(d), d["hours"])
    found = {"b_mle": read["b"], "b_modified": read["b_unbiased"], "a_modified": read["a_unbiased"]}
    found |= {"laplace_z": read["laplace_z"], "military_handbook_chisq": read["late_chi_square"]}
    process = power_law([1500], [1500] * len(d), d["hours"])
    assert process.p_value == pytest.approx(2 * norm.sf(-read["laplace_z"]), rel=1e-9)
    for quantity, got in found.items():
        assert got == pytest.approx(reference("D21", quantity)["value"][0], rel=1e-6)
    for row in published("D21").itertuples():
        if row.quantity in found:
            assert found[row.quantity] == pytest.approx(row.published, abs=row.tolerance)
    d = reference_data("valve_seat")
    events, ends = d[d["status"] == 1], d[d["status"] == 0]
    read = power_law_readings(ends["time"], events["id"].map(ends.set_index("id")["time"]), events["time"])
    assert read["b"] == pytest.approx(reference("D07", "powerlaw_b")["value"][0], rel=1e-4)
    assert read["se_log_b"] == pytest.approx(reference("D07", "powerlaw_se_log_b")["value"][0], rel=1e-3)
    assert read["loglik"] == pytest.approx(reference("D07", "powerlaw_loglik")["value"][0], abs=1e-4)
    assert np.isnan(read["b_unbiased"])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 1e5))
def test_power_law_keeps_its_shape_under_other_units_of_time_and_counts(seed, scale):
    rng = np.random.default_rng(seed)
    ends = rng.uniform(0.5, 2.0, 8)
    own = rng.choice(ends, 12)
    at = own * rng.uniform(0.01, 1, 12)
    process, other = power_law(ends, own, at), power_law(ends * scale, own * scale, at * scale)
    assert (other.b, other.p_value, other.b_lower) == pytest.approx(
        (process.b, process.p_value, process.b_lower), rel=1e-8
    )
    twice = power_law(ends, own, at, count=np.full(8, 2))
    assert twice.b == pytest.approx(process.b)


def test_power_law_refuses():
    with pytest.raises(AnalyticsError, match="event 0: at 3 of a unit watched to 2"):
        power_law([2], [2, 2], [3, 1])
    with pytest.raises(NotEnoughData, match="1 event: whether they come faster"):
        power_law([2], [2], [1])
