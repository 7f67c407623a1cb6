"""Agreement of two judges, against a printed example, statsmodels and what must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.agreement import kappa


def spread(table):
    """Two lists of words whose cross table this is."""
    rows, columns = np.indices(np.shape(table))
    n = np.ravel(table)
    return [f"w{v}" for v in np.repeat(rows.ravel(), n)], [f"w{v}" for v in np.repeat(columns.ravel(), n)]


def test_a_hundred_cases_of_two_diagnosticians():
    """Fleiss, Statistical Methods for Rates and Proportions, ch. 13 (from memory, confirmed by computing): kappa 0.68, error
    under no agreement 0.076; the book's z is the quotient of these two as rounded."""
    found = kappa(*spread([[75, 1, 4], [5, 4, 1], [0, 0, 10]]))
    assert (found.pairs, found.alike) == (100, 89)
    assert found.kappa == pytest.approx(0.68, abs=0.005)
    from scipy.special import ndtri

    z = -ndtri(found.p_value / 2)
    assert found.kappa / z == pytest.approx(0.076, abs=0.0005)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(2, 4).flatmap(
        lambda k: st.lists(st.lists(st.integers(0, 30), min_size=k, max_size=k), min_size=k, max_size=k)
    )
)
def test_equals_statsmodels(table):
    from statsmodels.stats.inter_rater import cohens_kappa

    table = np.asarray(table) + np.eye(len(table), dtype=int)
    found = kappa(*spread(table))
    if np.isnan(found.kappa):
        return
    # its standard error may be the root of a hair under nought
    with np.errstate(invalid="ignore"):
        other = cohens_kappa(table)
    if np.isnan(other.std_kappa):
        return
    assert found.kappa == pytest.approx(other.kappa, rel=1e-6, abs=1e-12)
    assert found.std_err == pytest.approx(other.std_kappa, rel=1e-6, abs=1e-9)
    assert found.p_value == pytest.approx(other.pvalue_two_sided, rel=1e-6, abs=1e-12)
    turned = kappa(*spread(table.T))
    assert (turned.kappa, turned.std_err) == pytest.approx((found.kappa, found.std_err))


def test_ends_of_the_scale_and_refusals():
    words = ["part", "install"] * 10
    alike = kappa(words, words)
    assert (alike.kappa, alike.upper, alike.alike) == (1.0, 1.0, 20)
    assert alike.observed_lower < 1
    one_word = kappa(["part"] * 12, ["part"] * 12)
    assert np.isnan(one_word.kappa)
    assert one_word.observed == 1
    with pytest.raises(NotEnoughData, match="nothing was judged twice"):
        kappa([], [])
    with pytest.raises(AnalyticsError, match="2 first judgements for 1 second"):
        kappa(["a", "b"], ["a"])
