"""Slips of the pen, as the study types them: one cell each; and what becomes of one is said or held against the published figures."""

from __future__ import annotations

import random
from pathlib import Path

import pandas as pd
import pytest

from studies.slips import BLOCKS, FIRST_SEED, KINDS, SHAPES, TABLE, one_slip, shop_of, slip, summarise

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


@pytest.mark.parametrize("kind", KINDS)
def test_a_slip_is_one_cell(kind):
    for shape in SHAPES:
        clean, _ = shop_of(1, shape)
        sheets, _ = shop_of(1, shape)
        slip(sheets, shape, kind, random.Random(5))
        apart = [(n, k) for n, rows in sheets.items() for k, row in enumerate(rows) if row != clean[n][k]]
        assert len(apart) == 1


def test_a_serial_one_digit_off_is_told(monkeypatch):
    monkeypatch.setenv("ANALYTICS_JOBS", "1")
    rows = [one_slip(1, next(iter(SHAPES)), "serial", random.Random(k)) for k in range(3)]
    table = summarise(pd.DataFrame(rows).assign(kind="serial", shape="one")).set_index("by")
    assert table.loc["all", "slips"] == 3
    assert table.loc["all", "silent"] == 0


def test_the_table_kept_is_made_of_its_blocks_and_silence_only_shrinks():
    blocks = pd.read_csv(EVIDENCE / BLOCKS, keep_default_na=False)
    kept = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(summarise(blocks), kept, check_dtype=False)
    assert set(blocks["shape"]) == set(SHAPES)
    assert set(blocks["kind"]) == set(KINDS)
    whole = kept.set_index("by").loc["all"]
    assert whole["slips"] >= 500
    assert whole["silent_share"] <= 0.02  # one in fifty


def test_slips_of_the_table_made_again():
    """The first three of a block."""
    shape, kind, seed = next(iter(SHAPES)), "digit", FIRST_SEED
    draw = random.Random(f"{shape} {kind} {seed}")
    again = [one_slip(seed, shape, kind, draw) for _ in range(3)]
    kept = pd.read_csv(EVIDENCE / BLOCKS, keep_default_na=False)
    kept = kept[(kept["shape"] == shape) & (kept["kind"] == kind) & (kept["seed"] == seed)]
    columns = ["place", "typed", "told", "changed"]
    assert [tuple(str(row[c]) for c in columns) for row in again] == [
        tuple(map(str, row)) for row in kept[columns].head(3).itertuples(index=False)
    ]
