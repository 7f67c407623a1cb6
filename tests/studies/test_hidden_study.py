"""The study of damage that only a teardown shows: one shop, and the table that is kept."""

from __future__ import annotations

import pandas as pd
import pytest

from studies.hidden import HOW, summarise, truth_of
from studies.simulate.demo import demo_truth


def test_so_many_times_the_hazard_and_nothing_else():
    """A Weibull hazard is k times as high where the life is k^(-1/shape) of what it was: closed form."""
    pairs = [
        (old, new)
        for c, d in zip(demo_truth().components, truth_of(2.0).components, strict=True)
        for p, q in zip(c.parts, d.parts, strict=True)
        for old, new in zip(p.findings, q.findings, strict=True)
    ]
    assert any(old.at_teardown for old, _ in pairs)
    for old, new in pairs:
        times = (old.life_miles / new.life_miles) ** old.shape
        assert times == pytest.approx(2.0 if old.at_teardown else 1.0)


def test_the_summary_counts():
    shops = pd.DataFrame(
        {
            "seed": [1, 2, 3],
            "times": 1.0,
            "how": HOW[0],
            "opened": [50, 60, 70],
            "found": [1, 2, 3],
            "bound_hp": [500.0, 700.0, float("nan")],
            "upper_hp": [650.0, 590.0, 900.0],
            "true_hp": 600.0,
        }
    )
    row = summarise(shops).iloc[0]
    assert (row["shops"], row["bounds"], row["opened"], row["found"]) == (3, 2, 60, 2)
    assert (row["held"], row["upper_held"]) == (0.5, 0.5)
    assert row["median_ratio"] == pytest.approx(1.0)
