"""A row of builds that stands for several units against the same units in rows of their own."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.models.cells import repeated_failures, survival_table
from analytics.ratings.backtest import Replay, backtest
from analytics.records.load import Records, load_records
from analytics.review.repeats import _stretches, again, by_build_year
from tests.lifetimes.test_lifetimes import reading
from tests.records.sheets import back, build, load
from tests.small_shop import build as truck
from tests.small_shop import returned, write_shop

CHANGES = [{"serial": "T-100", "changed_on": "2022-02-01", "power": "900", "weight": "", "use": "", "odometer": ""}]


def both(folder, n: int, cells: dict, returns: list[dict], **sheets) -> list[tuple[Records, Lifetimes]]:
    """A row of ``n``, and ``n`` rows; the k-th return is of the k-th truck, round and round."""
    told = []
    several = load(folder / "row", builds=[build(count=str(n), **cells)], returns=returns, **sheets)
    own = {name: [row | {"serial": f"T-10{k}"} for row in rows for k in range(n)] for name, rows in sheets.items()}
    single = load(
        folder / "rows",
        builds=[build(serial=f"T-10{k}", **cells) for k in range(n)],
        returns=[row | {"serial": f"T-10{k % n}"} for k, row in enumerate(returns)],
        **own,
    )
    for records in (several, single):
        told.append((records, make_lifetimes(records)))
    return told


def each(found: Lifetimes) -> list[list]:
    """Lives, a unit a row, in an order of their own; without names."""
    table = found.table.loc[found.table.index.repeat(found.table["count"])]
    columns = [
        "component",
        "part",
        "spell",
        "segment",
        "entry_days",
        "lower_days",
        "upper_days",
        "ended",
        "cause",
        "power_hp",
    ]
    rows = table[[*columns, "lower_miles"]].round(6).astype(str)
    return sorted(rows.to_numpy().tolist())


FIRST = back(odometer="28000")
SECOND = back(failed_on="2022-06-01", returned_on="2022-06-02", odometer="30000")
CONVERTER = back(
    component="converter", part="TC-1", failed_on="2022-09-01", returned_on="2022-09-02", odometer="", replaced_with=""
)


@pytest.mark.parametrize(
    ("n", "cells", "returns"),
    [
        (5, {}, [FIRST, SECOND, CONVERTER]),
        (2, {"shaft": ""}, [FIRST, SECOND]),
        (3, {"shaft": ""}, [FIRST, SECOND]),
        (3, {"shaft": "none"}, [FIRST, SECOND]),
        (3, {}, [FIRST | {"replaced_with": "scrapped"}, SECOND, CONVERTER]),
        (4, {}, [FIRST | {"cause": "no fault", "replaced_with": ""}, SECOND]),
    ],
    ids=["of five", "blank, both back", "blank, two of three", "none fitted", "one scrapped", "no fault"],
)
def test_a_row_of_several_is_as_many_rows(tmp_path, n, cells, returns):
    sheets = {"readings": [reading("2022-01-20", "25000")], "changes": CHANGES}
    (records, row), (alone, rows) = both(tmp_path, n, cells, returns, **sheets)
    assert each(row) == each(rows)
    assert row.units["count"].sum() == rows.units["count"].sum() == n
    columns = ["component", "part", "time", "at_risk", "failed", "survival"]
    curves = [survival_table(found.table, ("days",), 1)[columns] for found in (row, rows)]
    pd.testing.assert_frame_equal(*curves)
    for found in (row, rows):
        assert found.units["returned"].sum() == sum(r["cause"] != "no fault" for r in returns)
    shaft = [found.table[found.table["component"] == "input shaft"] for found in (row, rows)]
    means = [repeated_failures(t, f.units, f.sight).to_frame() for t, f in zip(shaft, (row, rows), strict=True)]
    pd.testing.assert_frame_equal(*means)
    pd.testing.assert_frame_equal(by_build_year(records, row).table, by_build_year(alone, rows).table)
    pd.testing.assert_frame_equal(again(row).table, again(rows).table)
    columns = ["rebuilds", "entry", "time", "failed"]
    of = [_stretches(r, f) for r, f in ((records, row), (alone, rows))]
    repeated = [f.loc[f.index.repeat(f["count"]), columns].sort_values(columns, ignore_index=True) for f in of]
    pd.testing.assert_frame_equal(*repeated)


def test_what_a_truck_had_run_is_its_own_and_that_of_the_part_put_in_is_not_known(tmp_path):
    found = make_lifetimes(
        load(tmp_path, builds=[build(count="3")], returns=[back()], readings=[reading("2023-01-20", "70000")])
    )
    rows = found.table[found.table["component"] == "input shaft"]
    told = rows[["count", "spell", "ended", "lower_miles"]].astype(str).to_numpy().tolist()
    assert told == [
        ["2", "1", "running", "60000.0"],
        ["1", "1", "failed", "30000.0"],
        ["1", "2", "running", "nan"],
    ]


def test_returns_of_one_day_are_of_as_many_trucks_as_lost_the_same_component(tmp_path):
    same = [
        back(odometer="40000"),
        back(odometer="52000", finding="twisted"),
        back(component="converter", part="TC-1", odometer="52000"),
    ]
    records = load(tmp_path, builds=[build(count="4")], returns=same)
    assert records.builds["count"].tolist() == [2, 1, 1]
    assert records.returns["event"].nunique() == 2


def test_the_file_s_order_says_nothing(tmp_path):
    rows = [back(), SECOND, CONVERTER]
    one, two = (
        make_lifetimes(load(tmp_path / str(k), builds=[build(count="4")], returns=r))
        for k, r in enumerate((rows, rows[::-1]))
    )
    assert each(one) == each(two)


def test_a_back_test_counts_each_truck_once(tmp_path):
    """15 trucks of one part, five of them in a row: eight come back, three of the row, one of those twice as a new part."""
    days = [
        "2021-05-01",
        "2021-09-01",
        "2022-02-01",
        "2022-08-01",
        "2023-01-15",
        "2023-05-15",
        "2023-08-15",
        "2023-11-15",
    ]
    singles = [truck(f"T-{k:03d}XY", "2020-01-01") for k in range(10)]
    told = []
    for name in ("row", "rows"):
        alike = [f"LOT-{k}QZ" for k in range(5)] if name == "rows" else ["LOT-0QZ"]
        builds = singles + [truck(s, "2020-01-01", count=5 // len(alike)) for s in alike]
        who = [alike[k // 2 % len(alike)] if k % 2 else singles[k]["serial"] for k in range(8)]
        returns = [returned(s, d, replaced_with="A") for s, d in zip(who, days, strict=True)]
        folder = write_shop(tmp_path / name, builds=builds, returns=returns)
        told.append(backtest(folder, 5, Replay(min_failures=2, rate=False, draws=32)))
    columns = ["quarter_end", "component", "part", "failures", "came_back", "failed_in_quarter", "left_out_came_back"]
    pd.testing.assert_frame_equal(*(t.table[columns] for t in told))
    assert told[0].table["units"].tolist() == told[1].table["units"].tolist()
    assert told[0].came_back == 4  # of 2023, and none twice
    assert load_records(tmp_path / "row").builds["count"].sum() == 15
