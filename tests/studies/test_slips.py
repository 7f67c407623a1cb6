"""Slips of the pen, as the study types them: one cell each; and what becomes of one is said or held against the published figures."""

from __future__ import annotations

import random

import pandas as pd
import pytest

from studies.slips import KINDS, SHAPES, one_slip, shop_of, slip, summarise


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
