"""Files that a review leaves: tables as CSV, and the workbook."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.records.load import ISSUE_COLUMNS
from analytics.review.fleet_view import FleetView
from analytics.review.one_sheet import Sheet
from analytics.review.outlook import Outlook
from analytics.review.quarterly import Review
from analytics.whole import plain_text, whole_file
from analytics.words.answers import CUT_HERE, readable, told_table
from analytics.words.cautions import CAUTIONS
from analytics.words.columns import heading
from analytics.words.lifetimes import lifetimes_sheet
from analytics.words.review.settings import settings_of

#: answers of the fleet that leave a file of their own: its name, and its page in the workbook
VIEW_FILES = {
    "finding_shares": ("findings", "Findings"),
    "drags": ("drags_others", "Drags others"),
    "by_build_year": ("by_build_year", "By build year"),
    "rebuilt": ("rebuilt", "Rebuilt"),
    "renew": ("renew_at_rebuild", "Renew at rebuild"),
    "above": ("above_limit", "Above the limit"),
    "odometers": ("ask_for", "Ask for"),
    "random_calls": ("random_calls", "Random calls"),
    "how_sure": ("how_sure", "How sure"),
    "guarantee": ("guarantee", "Guarantee"),
}
_SHEET_ROWS = 1_048_576


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """UTF-8, unrounded, dates as ISO days, no text that could run as a formula."""
    safe = frame.copy()
    for column in safe.columns:
        kind = safe[column].dtype
        if pd.api.types.is_datetime64_any_dtype(kind):
            safe[column] = safe[column].dt.strftime("%Y-%m-%d")
        elif isinstance(kind, pd.CategoricalDtype):
            safe[column] = safe[column].cat.rename_categories([plain_text(c) for c in safe[column].cat.categories])
        elif pd.api.types.is_object_dtype(kind):
            codes, distinct = pd.factorize(safe[column])
            safe[column] = np.array([*map(plain_text, distinct), None], dtype=object)[codes]
    with whole_file(path) as part:
        safe.to_csv(part, index=False, lineterminator="\n")


def write_review_files(
    review: Review,
    out: str | Path,
    outlook: Outlook | None = None,
    view: FleetView | None = None,
    sheet: Sheet | None = None,
) -> list[Path]:
    """lifetimes.csv, set_aside.csv, to_check.csv, counts.csv, survival.csv and review.xlsx; with an outlook also watch.csv,
    months_in_service.csv, forecast.csv, unit_chances.csv and kept_word.csv; with a view of the fleet the files of VIEW_FILES;
    with a sheet calls.csv and limits.csv. Returns their paths."""
    out = Path(out)
    records = review.records
    tables = {
        "lifetimes": lifetimes_sheet(review.lifetimes),
        "set_aside": records.books.set_aside[ISSUE_COLUMNS],
        "to_check": records.books.to_check[ISSUE_COLUMNS],
        "counts": records.books.counts,
        "survival": review.survival,
    }
    if outlook is not None:
        tables |= {
            "watch": outlook.watched[-1].tests.drop(columns="least") if outlook.watched else outlook.alarms.table,
            "months_in_service": outlook.months_table,
            "forecast": outlook.forecasts.counts.replace({"component": {"": "all"}}),
            "unit_chances": outlook.forecasts.units,
            "kept_word": outlook.kept.table,
        }
    if view is not None:
        tables |= {file: getattr(view, name).table for name, (file, _) in VIEW_FILES.items()}
    if sheet is not None:
        tables |= {"calls": sheet.calls.table, "limits": sheet.limits.drop(columns="open")}
    for name, table in tables.items():
        write_csv(readable(table), out / f"{name}.csv")
    write_workbook(review, out / "review.xlsx", outlook, view)
    return [*(out / f"{name}.csv" for name in tables), out / "review.xlsx"]


def view_sheets(view: FleetView) -> dict[str, pd.DataFrame]:
    """The tables of a view of the fleet by the name of their sheet."""
    return {
        **{page: getattr(view, name).table for name, (_, page) in VIEW_FILES.items()},
        "Causes by year": view.causes.table,
        "Judged again": view.judged_alike.table,
        "First or followed": view.first_or_followed.table,
    }


def outlook_sheets(outlook: Outlook) -> dict[str, pd.DataFrame]:
    """The tables of an outlook by the name of their sheet."""
    return {
        "Alarms": outlook.alarms.table,
        "Alarms since raised": outlook.alarms_kept,
        "Expected": outlook.expected.table,
        "Lots": outlook.lots.table,
        "Revisions": outlook.revision.table,
        "Power of the watch": outlook.power.table,
        "Months in service": outlook.months_table,
        "Forecast": outlook.forecast.table,
        "Stock": outlook.stock.table,
        "Next 10,000 miles": outlook.forecasts.units,
        "Kept word": outlook.kept.table,
    }


def write_workbook(review: Review, path: Path, outlook: Outlook | None = None, view: FleetView | None = None) -> None:
    """The review as a workbook."""
    answers = [*review.answers(), *(more for part in (outlook, view) if part is not None for more in part.answers())]
    write_book(
        path,
        f"{review.records.shop.name}: {review.span.name}",
        {
            "Answers": told_table(answers),
            **({} if outlook is None else outlook_sheets(outlook)),
            "Came back": review.came_back.table,
            "Fleet": review.fleet.table,
            "By band and class": pd.concat([a.table for a in review.components.values()], ignore_index=True)
            if review.components
            else pd.DataFrame(),
            "Early or late": review.wear.table,
            "Again": review.again.table,
            "Change": review.change.table,
            "Limits": review.limits.table,
            **({} if view is None else view_sheets(view)),
            "To mend": review.to_fix.table,
            "Clocks": review.clocks.table,
            "Counts": review.records.books.counts,
            "Set aside": review.records.books.set_aside[ISSUE_COLUMNS],
            "To check": review.records.books.to_check[ISSUE_COLUMNS],
            "Lifetimes": lifetimes_sheet(review.lifetimes),
            "Survival": review.survival,
            "Settings": settings_of(review),
            "Cautions": pd.DataFrame({"caution": CAUTIONS}),
        },
    )


def write_book(path: Path, title: str, sheets: dict[str, pd.DataFrame]) -> None:
    """A workbook of tables. Text stays text: no cell can become a formula or a link. Same tables, same bytes."""
    import datetime as dt

    import xlsxwriter

    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with whole_file(path) as part, _disk_told(), xlsxwriter.Workbook(part, options) as book:
        book.set_properties({"title": title, "created": dt.datetime(2000, 1, 1)})
        bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        day, wrap = book.add_format({"num_format": "yyyy-mm-dd"}), book.add_format({"text_wrap": True, "valign": "top"})
        for name, frame in sheets.items():
            _fill(book.add_worksheet(name), readable(frame), bold, day, wrap)


@contextmanager
def _disk_told() -> Iterator[None]:
    """The workbook's writer wraps what the disk says in an error of its own; take it out again."""
    from xlsxwriter.exceptions import FileCreateError

    try:
        yield
    except FileCreateError as err:
        raise OSError(*getattr(err.args[0], "args", err.args)) from err


def _writer(kind: Any) -> Callable[..., None]:
    """How a cell of a column of that dtype is written, where it is not empty."""
    if pd.api.types.is_datetime64_any_dtype(kind):
        return lambda sheet, r, c, value, day: sheet.write_datetime(r, c, value.to_pydatetime(), day)
    if pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_bool_dtype(kind):
        return _write_number
    return lambda sheet, r, c, value, _: sheet.write_string(r, c, str(value)[:32_767])


def _write_number(sheet, r: int, c: int, value: float, _: object) -> None:
    if abs(value) == float("inf"):
        sheet.write_string(r, c, "no limit")
    else:
        sheet.write_number(r, c, value)


def _fill(sheet, frame: pd.DataFrame, bold, day, wrap) -> None:
    if len(frame) >= _SHEET_ROWS:
        frame = frame.head(_SHEET_ROWS - 2)
        sheet.write_string(_SHEET_ROWS - 1, 0, CUT_HERE)
    for c, column in enumerate(frame.columns):
        sheet.write_string(0, c, heading(column), bold)
        values = frame[column]
        longest = max([len(heading(column)), *(len(str(v)) for v in values.head(200))])
        wide = longest > 60
        sheet.set_column(c, c, min(max(longest, 6), 70) + 1, wrap if wide else None)
        write = _writer(values.dtype)
        for r, value in enumerate(values.tolist(), 1):
            if value is not None and value == value:
                write(sheet, r, c, value, day)
    sheet.freeze_panes(1, 0)
    if len(frame):
        sheet.autofilter(0, 0, min(len(frame), _SHEET_ROWS - 1), max(len(frame.columns) - 1, 0))
