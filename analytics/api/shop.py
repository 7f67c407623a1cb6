"""A shop's sheets, read: the records and the lifetimes made of them, as one object."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.api.results import CheckResult, Shown
from analytics.words import door

if TYPE_CHECKING:
    import pandas as pd
    from ipywidgets import Widget

    from analytics.lifetimes.table import Lifetimes
    from analytics.records.load import Records
    from analytics.records.shop import Shop

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class ShopRecords(Shown):
    """What a shop's sheets say, up to a day. records: the sheets, typed. lifetimes: every part followed.

    table: one row per part fitted, spell and segment (columns in lifetimes.schema).
    """

    records: Records
    lifetimes: Lifetimes

    @property
    def table(self) -> pd.DataFrame:  # type: ignore[override]
        from analytics.words.lifetimes import lifetimes_table

        return lifetimes_table(self.lifetimes.table)

    @property
    def summary(self) -> str:
        units = int(self.lifetimes.units["count"].sum())
        parts, failed = (int(self.shown()[c].sum()) for c in ("parts", "failed"))
        return door.parts_followed(units, parts, failed)

    def shown(self) -> pd.DataFrame:
        """Parts followed and failed, by component and part."""
        from analytics.lifetimes.failures import failed_by_install

        table = self.lifetimes.table
        first, failed = table["segment"] == 1, table["ended"] == "failed"
        told = table.assign(
            parts=table["count"].where(first, 0),
            failed=table["count"].where(failed, 0),
            of_these_by_install=table["count"].where(failed_by_install(table), 0),
        )
        columns = ["parts", "failed", "of_these_by_install"]
        return told.groupby(["component", "part"], sort=True, as_index=False)[columns].sum()

    def advise_form(self) -> Widget:
        """Sliders and lists for one truck, in JupyterLab, and what to build it with under them."""
        from analytics.api.advise_form import advise_form

        return advise_form(self)

    def check(self) -> CheckResult:
        """The books: rows read, used and set aside per sheet, with the reason and the remedy of each."""
        from analytics.records.book import ISSUE_COLUMNS

        records = self.records
        aside, doubts = records.books.set_aside[ISSUE_COLUMNS], records.books.to_check[ISSUE_COLUMNS]
        return CheckResult(records, self.lifetimes, records.books.counts, aside, doubts)


def read(folder: str | Path, as_of: str | dt.date | None = None, *, progress: Progress | None = None) -> ShopRecords:
    """Read a shop's folder of sheets.

    folder: with shop.toml and the sheets (README lists their headings). as_of: the day the records are looked at from, a
    date or "2024-12-31"; rows the shop could not know by then are invisible. Default: as_of of shop.toml, else the last
    date in the records. progress: called with a line of text at each stage.

    Raises RecordsError where the folder, a file, a heading, a setting or the date cannot be read.

    >>> shop = analytics.read("data/demo", as_of="2024-09-30")
    >>> shop
    ShopRecords(Example Transmission Works (invented), as of 2024-09-30: ... units, ... parts followed, ... failed)
    >>> shop.check().table.head(2)
        sheet  read  used  set_aside
    0  builds   862   859          3
    1  fitted   879   879          0
    """
    return _shop(folder, as_of, progress)


def from_frames(
    builds: pd.DataFrame,
    returns: pd.DataFrame,
    settings: Mapping[str, object],
    *,
    as_of: str | dt.date | None = None,
    progress: Progress | None = None,
    **sheets: pd.DataFrame | None,
) -> ShopRecords:
    """Read sheets that are data frames already, by the very rules files are read by: cells as text, units in cells, rows
    that cannot be used set aside.

    builds, returns; sheets: readings, changes, fitted, limits, judged_again, parts, conditions, by name, where there are any. One frame
    per sheet, one row per row of it, headings as the reference lists them or as ``settings`` maps them. A row is named by its place as ``iloc`` counts, from 0. A serial such as 007 must be text in the frame: a CSV file is best
    read with ``pd.read_csv(path, dtype=str, keep_default_na=False)``. settings: what shop.toml holds, as a dict; at least the
    components, each with its column in builds. as_of, progress: see read.

    Raises RecordsError where a frame, the name of a sheet, a heading, a setting or the date cannot be read.

    >>> builds = pd.DataFrame({"serial": ["A1", "A2"], "built_on": "2023-01-05", "power": ["700 hp", "520 kW"], "shaft": "S-1"})
    >>> returns = pd.DataFrame({"serial": ["a-1"], "component": ["shaft"], "failed_on": ["2023-11-20"]})
    >>> analytics.from_frames(builds, returns, {"components": {"shaft": "shaft"}}, as_of="2024-06-30").shown()
      component          part  parts  failed  of_these_by_install
    0     shaft           S-1      2       1                    0
    1     shaft  not recorded      1       0                    0
    """
    from analytics.records.frames import shop_of_frames

    given = {name: frame for name, frame in sheets.items() if frame is not None}
    return _shop(shop_of_frames({"builds": builds, "returns": returns} | given, settings), as_of, progress)


def _shop(source: str | Path | Shop, as_of: str | dt.date | None, progress: Progress | None) -> ShopRecords:
    from analytics.lifetimes.table import make_lifetimes
    from analytics.records.load import load_records

    records = load_records(source, as_of, progress)
    return ShopRecords(records, make_lifetimes(records))
