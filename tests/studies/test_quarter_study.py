"""The invented shops of the forecast study are what they are said to be, and its table adds up."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studies.quarter import KINDS, UNITS, invent, quarter_end, summarise


def days(frame: pd.DataFrame, column: str) -> np.ndarray:
    return (pd.to_datetime(frame[column]) - pd.Timestamp("2018-01-01")).dt.days.to_numpy(float)


def test_each_kind_of_shop_is_what_its_name_says():
    sheets = {kind: [invent(kind, seed) for seed in range(3)] for kind in KINDS}
    for shops in sheets.values():
        assert all(len(s["builds"]) == UNITS and (days(s["returns"], "returned_on") <= 2192).all() for s in shops)
    wait = {
        k: np.concatenate([days(s["returns"], "returned_on") - days(s["returns"], "failed_on") for s in v])
        for k, v in sheets.items()
    }
    assert wait["60 days to the door"].mean() == pytest.approx(60, abs=8)
    assert wait["three odometers in ten"].mean() == pytest.approx(7, abs=1.5)
    assert all((s["returns"]["odometer"] == "").all() and s["readings"].empty for s in sheets["no odometer"])
    read = [s["readings"]["serial"].nunique() / UNITS for s in sheets["three odometers in ten"]]
    assert np.mean(read) == pytest.approx(0.27, abs=0.05)  # some are too young to have been read
    built = np.concatenate([days(s["builds"], "built_on") for s in sheets["growing fourfold"]])
    assert (built > 2192 * 0.75).mean() / (built < 2192 * 0.25).mean() > 2
    failed = np.concatenate([days(s["returns"], "failed_on") for s in sheets["season of 60%"]]) % 365.25
    assert (failed < 182).mean() > 0.6  # the driving of the first half year
    even = np.concatenate([days(s["returns"], "failed_on") for s in sheets["three odometers in ten"]]) % 365.25
    assert (even < 182).mean() < 0.55


def test_the_table_adds_up():
    rows = pd.DataFrame(
        {
            "kind": "k", "seed": [1, 1, 2, 2], "span": "quarter", "expected": [10.0, 10, 5, 5], "came": [12, 8, 9, 1], "lower": [8, 8, 2, 2],
            "upper": [11, 12, 8, 8], "expected_replaced": 1.0, "came_replaced": 2, "claims": [0, 1, 0, 0],
        }
    )  # fmt: skip
    told = summarise(rows).iloc[0]
    assert told["ratio"] == pytest.approx(1.0)
    assert (told["held"], told["above"], told["below"]) == (0.25, 0.5, 0.25)
    assert told["ratio_replaced"] == 2
    assert told["false_claims"] == 0.25
    assert quarter_end(4) == pd.Timestamp("2018-12-31")
