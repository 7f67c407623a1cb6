"""Groups picked out by their own figures: their limits are those of the pick, and a share of none is no certainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import beta, chi2

from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.review.fleet import by_cell, darkest, picked
from analytics.words.answers import worded
from analytics.words.review.pictures import cells
from tests.small_shop import build, returned, write_shop


def frame(failures: list[int], years: float = 100.0) -> pd.DataFrame:
    lower = [chi2.ppf(0.05, 2 * n) / 2 / years * 100 if n else np.nan for n in failures]
    return pd.DataFrame(
        {
            "component": "shaft", "power_band": "400 to 600", "weight_class": [f"class {k}" for k in range(len(failures))], "parts": 30, "failures": failures,
            "unit_years": years, "lower": lower,
        }
    )  # fmt: skip


def test_limits_of_the_worst_of_many_alike_hold():
    """Twelve groups of the same rate, three failures each expected (seed 3, 2,000 draws): the worst's lower limit lies above the truth in at most
    one in twenty; taken as if it had been named beforehand, far more often. Bonferroni, common practice, no source."""
    rng = np.random.default_rng(3)
    wrong, naive = 0, 0
    for _ in range(2000):
        own = frame(rng.poisson(3.0, 12).tolist())
        told = darkest([own.iloc[:6], own.iloc[6:]])
        wrong += told["lower"] > 3.0
        naive += own["lower"].max() > 3.0
        assert told["looks"] == 12
    assert 0.015 < wrong / 2000 <= 0.06
    assert naive / 2000 > 0.2


def test_the_pick_by_hand():
    """9 failures in 151 unit-years out of 12 groups: each tail 0.05/12; none in 77: 0.10/12 (Garwood 1936)."""
    worst = picked(frame([9], 151.0).iloc[0], 12)
    assert worst["lower"] == pytest.approx(chi2.ppf(0.05 / 12, 18) / 2 / 1.51, rel=1e-9)
    assert worst["upper"] == pytest.approx(chi2.ppf(1 - 0.05 / 12, 20) / 2 / 1.51, rel=1e-9)
    clean = picked(frame([0], 77.0).iloc[0], 12)
    assert clean["upper"] == pytest.approx(-np.log(0.10 / 12) / 0.77, rel=1e-9)
    assert picked(frame([0], 77.0).iloc[0], 1)["upper"] == pytest.approx(-np.log(0.10) / 0.77, rel=1e-9)
    assert darkest([frame([0, 0])]) is None


def test_the_page_says_how_many_it_picked_from(tmp_path):
    """Two power bands with trucks in service, failures in the upper one."""
    builds = [build(f"T-{k:03d}", "2022-01-01", power=500 if k < 30 else 800) for k in range(60)]
    back = [returned(f"T-{k:03d}", f"2023-0{k - 29}-01") for k in range(30, 36)]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, builds=builds, returns=back)))
    answer = by_cell(lifetimes, "input shaft")
    worst, clean = worded(answer).sentences[:2]
    assert worst.endswith(", with room for its being picked from 2.")
    assert clean.endswith(", with room for its being picked from 2.")
    told = cells(darkest([answer.table]))
    assert "6 of 36: at least" in told
    assert "with room for its being picked from 2" in told


@pytest.mark.parametrize("put_in", ["A", "none"])
def test_a_share_of_none_within_two_years_has_an_upper_limit(tmp_path, put_in):
    """Thirty trucks; the one failure comes after two years: 0% by then, and at most 1 - 0.1^(1/30) (Clopper and Pearson 1934); also where the
    part is not replaced, so that nothing at all happens within the two years."""
    builds = [build(f"T-{k:03d}", "2022-01-01", power=500) for k in range(30)]
    back = [returned("T-003", "2024-02-01", replaced_with=put_in)]
    (row,) = by_cell(
        make_lifetimes(load_records(write_shop(tmp_path, builds=builds, returns=back))), "input shaft"
    ).table.to_dict("records")
    assert row["back_within_2_years"] == 0
    assert np.isnan(row["back_lower"])
    assert row["back_upper"] == pytest.approx(beta.ppf(0.9, 1, 30), rel=1e-9)
