"""The study of parts without a failure: one part by hand, and the table that is kept."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from studies.none_failed import BLOCKS, CELLS, EXPECTED, TABLE, one_replicate, summarise

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


def test_one_part_is_drawn_until_none_has_failed():
    parts = [one_replicate(CELLS["as its sibling"], seed) for seed in range(4)]
    assert all(part["expected"] in EXPECTED and part["drawn"] >= 1 for part in parts)
    assert all(0.2 < part["ratio"] < 1.3 for part in parts)
    assert parts[0] == one_replicate(CELLS["as its sibling"], 0)


def test_the_summary_counts():
    blocks = pd.DataFrame({"cell": "c", "ratio": ["0.8 1.1 nan 0.9"], "demonstrated": ["nan nan nan 0.5"], "drawn": ["1 3 2 4"], "seed": 1, "versions": "v"})  # fmt: skip
    row = summarise(blocks).iloc[0]
    assert (row["parts"], row["drawn"], row["given"], row["demonstrated"]) == (4, 10, 0.75, 0.25)
    assert row["held"] == pytest.approx(2 / 3)
    assert row["held_of_all"] == pytest.approx(0.9)
    assert row["median_ratio"] == 0.9


def test_the_table_kept_is_made_of_its_blocks_and_holds_what_is_claimed():
    """Of parts of which none has failed, the case that is shown, the figure held in .88 or more of every setting."""
    table = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(table, summarise(pd.read_csv(EVIDENCE / BLOCKS)).round(4))
    assert set(table["cell"]) == set(CELLS)
    assert (table["parts"] >= 200).all()
    assert table["held"].min() >= 0.88
    assert table["held_of_all"].min() >= 0.96
