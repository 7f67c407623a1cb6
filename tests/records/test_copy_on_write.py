"""Where pandas shares columns until one is written to, as its next version always does, the same is read of the same sheets."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analytics.lifetimes.later import came_later
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from tests.records.sheets import back, build, load

DEMO = Path(__file__).parents[2] / "data" / "demo"


def read(folder: Path, sheets: dict | None, shared: bool) -> dict[str, pd.DataFrame]:
    """The records and lives of the demo, or of a shop with these ``sheets``."""
    with pd.option_context("mode.copy_on_write", shared):
        records = load_records(DEMO) if sheets is None else load(folder, **sheets)
        lives = make_lifetimes(records)
        came = came_later(lives.table, lives.table.iloc[:0], lives.table[lives.table["ended"] == "failed"])
        books = records.books
        return {
            "returns": records.returns, "odometer": records.odometer, "builds": records.builds, "set aside": books.set_aside,
            "to check": books.to_check, "lives": lives.table.assign(came=came), "opened": lives.opened,
        }  # fmt: skip


def same(folder: Path, sheets: dict | None) -> None:
    alone, shared = (read(folder / str(so), sheets, so) for so in (False, True))
    assert len(alone["lives"])
    for name, table in alone.items():
        pd.testing.assert_frame_equal(table, shared[name], obj=name)


def test_of_the_demo(tmp_path):
    same(tmp_path, None)


SEVERAL = [back(failed_on="2022-03-01", odometer="40000"), back(failed_on="2022-04-01", odometer="52000")]


def test_of_a_row_of_several(tmp_path):
    same(tmp_path, {"builds": [build(count="3")], "returns": SEVERAL})


def test_of_a_return_that_names_two_components_beside_it(tmp_path):
    two = back(serial="T-200", component="conv, shaft", part="IS-A, TC-1", finding="burnt, broken")
    same(tmp_path, {"builds": [build(count="3"), build(serial="T-200")], "returns": [two, *SEVERAL]})
