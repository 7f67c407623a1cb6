"""Shares among candidates, against the likelihood itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from analytics.errors import AnalyticsError
from analytics.models.masked import first_shares


def test_by_hand():
    both = frozenset({"a", "b"})
    assert first_shares({"a": 3, "b": 1}, {both: 4}) == pytest.approx({"a": 6.0, "b": 2.0})
    assert first_shares({}, {both: 4}) == pytest.approx({"a": 2.0, "b": 2.0})
    assert first_shares({"c": 5}, {}) == {"c": 5.0}
    with pytest.raises(AnalyticsError, match="two members"):
        first_shares({}, {frozenset({"a"}): 1})


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.integers(1, 12), min_size=3, max_size=3),
    st.dictionaries(st.sampled_from(["ab", "bc", "ac", "abc"]), st.integers(1, 6), max_size=4),
)
def test_is_the_maximum_of_the_likelihood(own, sets):
    """Usher and Hodgson 1988 with positions watched alike: sure ones give their own share, a set the sum of its shares."""
    sure = dict(zip("abc", own, strict=True))
    found = first_shares(sure, {frozenset(s): k for s, k in sets.items()})
    total = sum(own) + sum(sets.values())
    assert sum(found.values()) == pytest.approx(total)

    def loss(free):
        p = np.exp(np.r_[free, 0.0])
        share = dict(zip("abc", p / p.sum(), strict=True))
        value = sum(k * np.log(share[c]) for c, k in sure.items())
        return -value - sum(k * np.log(sum(share[c] for c in s)) for s, k in sets.items())

    best = minimize(loss, np.zeros(2), method="BFGS", options={"gtol": 1e-9})
    p = np.exp(np.r_[best.x, 0.0])
    assert [found[c] / total for c in "abc"] == pytest.approx(list(p / p.sum()), abs=1e-5)
