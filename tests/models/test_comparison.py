"""Log-rank tests against R, printed results, lifelines and the definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.comparison import log_rank
from analytics.words.saying import say


def test_two_samples_equal_r_and_the_printed_value(reference, published, reference_data):
    """Freireich et al. 1963; 16.79 in Klein and Moeschberger (from memory)."""
    d = reference_data("remission")
    result = log_rank(d["time"], d["cens"], d["treat"])
    i = result.groups.index("6-MP")
    assert result.statistic == pytest.approx(reference("D10", "logrank_chisq")["value"][0], rel=1e-6)
    assert result.observed[i] == reference("D10", "logrank_O_6MP")["value"][0]
    assert result.expected[i] == pytest.approx(reference("D10", "logrank_E_6MP")["value"][0], rel=1e-6)
    variance = (result.observed[i] - result.expected[i]) ** 2 / result.statistic
    assert variance == pytest.approx(reference("D10", "logrank_var")["value"][0], rel=1e-6)
    row = published("D10", "logrank_chisq").iloc[0]
    assert result.statistic == pytest.approx(row["published"], abs=row["tolerance"])
    assert (result.df, result.units, result.notes) == (1, (21, 21), ())


def test_four_groups_and_strata_equal_r(reference, published, reference_data):
    """Veterans' lung trial, Kalbfleisch and Prentice 1980."""
    d = reference_data("veteran")
    four = log_rank(d["time"], d["status"], d["celltype"])
    assert four.df == 3
    assert four.statistic == pytest.approx(reference("D22", "logrank_chisq_4groups")["value"][0], rel=1e-6)
    for name, o, e in zip(four.groups, four.observed, four.expected, strict=True):
        assert o == reference("D22", "logrank_O", name)["value"][0]
        assert e == pytest.approx(reference("D22", "logrank_E", name)["value"][0], rel=1e-6)
    row = published("D22", "logrank_chisq_4groups").iloc[0]
    assert four.statistic == pytest.approx(row["published"], abs=row["tolerance"])
    plain = log_rank(d["time"], d["status"], d["trt"])
    assert plain.statistic == pytest.approx(reference("D22", "logrank_chisq_trt")["value"][0], rel=1e-6)
    strata = log_rank(d["time"], d["status"], d["trt"], strata=d["celltype"])
    assert strata.statistic == pytest.approx(reference("D22", "logrank_chisq_trt_stratified")["value"][0], rel=1e-6)
    assert strata.strata == 4


def test_equals_lifelines_on_many_groups():
    from lifelines.statistics import multivariate_logrank_test

    rng = np.random.default_rng(3)
    time, failed, group = rng.integers(1, 40, 300), rng.random(300) < 0.5, rng.integers(0, 5, 300)
    result, other = log_rank(time, failed, group), multivariate_logrank_test(time, group, failed)
    assert result.statistic == pytest.approx(other.test_statistic, rel=1e-9)
    assert result.p_value == pytest.approx(other.p_value, rel=1e-9)


unit = st.tuples(st.integers(0, 12), st.booleans(), st.integers(0, 6), st.integers(1, 3), st.integers(0, 2)).map(
    lambda u: (u[0], u[1], u[2] if u[2] < u[0] else 0, u[3], u[4])
)
fleets = st.lists(unit, min_size=2, max_size=25)


def _arguments(fleet):
    time, failed, entry, count, group = (np.array(c) for c in zip(*fleet, strict=True))
    return {"time": time, "failed": failed, "entry": entry, "count": count, "group": group}


def _or_words(**arguments):
    try:
        return log_rank(**arguments)
    except NotEnoughData as refusal:
        return str(refusal)


def _same(a, b) -> None:
    assert type(a) is type(b)
    if isinstance(a, str):
        assert a == b
        return
    assert (a.groups, a.observed, a.df) == (b.groups, b.observed, b.df)
    assert a.statistic == pytest.approx(b.statistic, rel=1e-8, abs=1e-10)
    assert a.expected == pytest.approx(b.expected)


@given(fleets)
@settings(max_examples=150, deadline=None)
def test_expected_and_covariance_follow_the_definition(fleet):
    """Mantel 1966: at each failure age a hypergeometric draw from the units at risk."""
    result = _or_words(**_arguments(fleet))
    if isinstance(result, str):
        return
    k = len(result.groups)
    gap, v = np.zeros(k), np.zeros((k, k))
    for t in sorted({x for (x, f, *_) in fleet if f}):
        n = np.array([sum(c for (x, _, e, c, g) in fleet if x >= t and (e < t or e == 0) and g == name)
                      for name in result.groups], dtype=float)  # fmt: skip
        d = np.array([sum(c for (x, f, _, c, g) in fleet if x == t and f and g == name) for name in result.groups])
        total, deaths = n.sum(), d.sum()
        gap += d - deaths * n / total
        if total > 1:
            share = n / total
            v += deaths * (total - deaths) / (total - 1) * (np.diag(share) - np.outer(share, share))
    np.testing.assert_allclose(np.array(result.observed) - result.expected, gap, atol=1e-9)
    assert result.statistic == pytest.approx(float(gap @ np.linalg.pinv(v, rcond=1e-10) @ gap), rel=1e-6, abs=1e-9)
    assert sum(result.observed) == pytest.approx(sum(result.expected))


@given(fleets, st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_row_order_does_not_matter(fleet, random):
    shuffled = list(fleet)
    random.shuffle(shuffled)
    _same(_or_words(**_arguments(fleet)), _or_words(**_arguments(shuffled)))


@given(fleets)
@settings(max_examples=80, deadline=None)
def test_a_count_is_a_repetition(fleet):
    repeated = [(t, f, e, 1, g) for (t, f, e, c, g) in fleet for _ in range(c)]
    _same(_or_words(**_arguments(fleet)), _or_words(**_arguments(repeated)))


@given(fleets, st.data())
@settings(max_examples=80, deadline=None)
def test_splitting_a_life_changes_nothing(fleet, data):
    halves = []
    for time, failed, entry, count, group in fleet:
        cut = data.draw(st.integers(entry, time))
        if cut in (entry, time):
            halves.append((time, failed, entry, count, group))
        else:
            halves += [(cut, False, entry, count, group), (time, failed, cut, count, group)]
    _same(_or_words(**_arguments(fleet)), _or_words(**_arguments(halves)))


@given(fleets)
@settings(max_examples=80, deadline=None)
def test_strata_add_up(fleet):
    """Two copies of a fleet as two strata: observed, expected and statistic all double."""
    one = _or_words(**_arguments(fleet))
    if isinstance(one, str):
        return
    both = _arguments(fleet + fleet)
    two = log_rank(**both, strata=np.repeat(["a", "b"], len(fleet)))
    assert two.statistic == pytest.approx(2 * one.statistic, rel=1e-8, abs=1e-10)
    assert two.strata == 2 * one.strata


def test_a_group_never_at_risk_is_left_out_and_thin_groups_are_named():
    result = log_rank([5, 6, 7, 1], [1, 0, 1, 0], ["a", "a", "b", "c"])
    assert result.groups == ("a", "b")
    assert "fewer than 5 failures expected ('a' 0.67, 'b' 1.3): the p-value is rough" in say(result.notes[0])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"time": [1, 2], "failed": [0, 0], "group": ["a", "b"]}, "no unit failed"),
        ({"time": [1, 2], "failed": [1, 1], "group": ["a", "a"]}, "fewer than two groups .* .only 'a'."),
        ({"time": [5, 1], "failed": [1, 0], "group": ["a", "b"]}, "fewer than two groups"),
        (
            {"time": [2, 9, 2.5, 9.5], "failed": [1, 1, 1, 1], "group": [1, 2, 1, 2], "entry": [0, 5, 0, 5]},
            "no two groups were ever at risk at the same time",
        ),
    ],
)
def test_refuses_in_words(arguments, message):
    with pytest.raises(NotEnoughData, match=message):
        log_rank(**arguments)


def test_groups_need_names():
    with pytest.raises(AnalyticsError, match=r"label of row 1 .counted from 0. is missing"):
        log_rank([1, 2], [1, 1], ["a", None])
