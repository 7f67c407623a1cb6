"""The study of damage that only a teardown shows: one shop, and the table that is kept."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from analytics.words.evidence import shops
from studies.hidden import BLOCKS, HOW, TABLE, TIMES, summarise, truth_of
from studies.simulate.demo import demo_truth

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"
ALL = 0.0


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


def test_the_table_kept_is_made_of_its_blocks_and_holds_what_is_claimed():
    """Bounds for all damage held as promised, with fewer cracks and more; taken among the failures, they held in half of the shops."""
    blocks = pd.read_csv(EVIDENCE / BLOCKS, keep_default_na=False, na_values=["nan"])
    table = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(table, summarise(blocks).round(4))
    held = table.set_index(["times", "how"])["held"]
    assert (table["shops"] >= 40).all()
    assert (table["bounds"] == table["shops"]).all()
    assert all(held[times, "by openings"] >= 0.9 for times in (*TIMES, ALL))
    assert held[ALL, "among failures"] < 0.6
    every = table.set_index(["times", "how"]).loc[(ALL, "by openings")]
    assert every["median_ratio"] > 0.8
    assert every["upper_held"] > 0.9


def test_the_evidence_page_says_both():
    told = shops(EVIDENCE)[1][-1]
    assert "Where a shop says at which returns it looks for such damage" in told
    assert "never opened taken as sound, 5" in told
