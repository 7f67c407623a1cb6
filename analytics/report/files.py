"""Files that a review leaves: tables as CSV, and the workbook."""

from __future__ import annotations

import io
import textwrap
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.kept import once
from analytics.records.load import ISSUE_COLUMNS
from analytics.review.fleet_view import FleetView
from analytics.review.one_sheet import Sheet, standing_alarms
from analytics.review.outlook import Outlook
from analytics.review.quarterly import Review
from analytics.review.said import said_now
from analytics.whole import plain_text, whole_file
from analytics.words.answers import CUT_HERE, readable, told_table
from analytics.words.cautions import CAUTIONS
from analytics.words.columns import cell_format, heading, in_own_units, own_name
from analytics.words.guide import START, guide, with_cautions
from analytics.words.lifetimes import lifetimes_sheet
from analytics.words.ratings.sheet import offered
from analytics.words.review import workbook as pages_words
from analytics.words.review.settings import settings_of
from analytics.words.units import Units, speaking, spoken

#: answers of the fleet that leave a file of their own, and its name
VIEW_FILES = {
    "finding_shares": "findings",
    "drags": "drags_others",
    "by_build_year": "by_build_year",
    "rebuilt": "rebuilt",
    "renew": "renew_at_rebuild",
    "above": "above_limit",
    "odometers": "ask_for",
    "random_calls": "random_calls",
    "how_sure": "how_sure",
    "guarantee": "guarantee",
}
#: figures of a CSV file are kept to so many digits, whole numbers whole
_DIGITS = 6
_SHEET_ROWS = 1_048_576
#: a workbook of more rows is not kept: to look it up would take memory of its own
_KEPT_ROWS = 200_000
#: so many letters a sheet of A4 across holds at the least share of its size that still reads (7 points); of a wider table the first columns are printed
_PAGE_WIDE, _LEAST_SIZE = 178.0, 62


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """UTF-8, figures to as many digits as mean something and in the units of the owner, which its headings name, dates as ISO days, no text
    that could run as a formula. frame: its rows and columns; path: of the file."""
    safe = in_own_units(frame, said=False).rename(columns=own_name).copy()
    for column in safe.columns:
        kind = safe[column].dtype
        if pd.api.types.is_datetime64_any_dtype(kind):
            safe[column] = safe[column].dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(kind):
            safe[column] = to_digits(safe[column].to_numpy(float))
        elif isinstance(kind, pd.CategoricalDtype):
            safe[column] = safe[column].cat.rename_categories([plain_text(c) for c in safe[column].cat.categories])
        elif pd.api.types.is_object_dtype(kind):
            codes, distinct = pd.factorize(safe[column])
            safe[column] = np.array([*map(plain_text, distinct), None], dtype=object)[codes]
    with whole_file(path) as part:
        safe.to_csv(part, index=False, lineterminator="\n")


def to_digits(values: np.ndarray, digits: int = _DIGITS) -> np.ndarray:
    """Each of ``values`` (n,) to so many significant ``digits``; above that many whole."""
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.clip(digits - 1 - np.floor(np.log10(np.abs(values))), 0, 300)
    return np.array([round(v, int(p)) if np.isfinite(v) and v else v for v, p in zip(values, places, strict=True)])


def write_review_files(
    review: Review,
    out: str | Path,
    outlook: Outlook | None = None,
    view: FleetView | None = None,
    sheet: Sheet | None = None,
) -> list[Path]:
    """lifetimes.csv, set_aside.csv, to_check.csv, counts.csv, survival.csv and review.xlsx; with an outlook also watch.csv,
    months_in_service.csv, forecast.csv, unit_chances.csv, kept_word.csv and said.csv (what it says, for the shop's ledger); with a view of the fleet the files of VIEW_FILES;
    with a sheet calls.csv and limits.csv. Returns their paths. out: the folder to write into."""
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
        tables |= {file: getattr(view, name).table for name, file in VIEW_FILES.items()}
    if sheet is not None:
        tables |= {"calls": sheet.calls.table, "limits": sheet.limits.drop(columns=["open", "why"])}
    for name, table in tables.items():
        write_csv(readable(table), out / f"{name}.csv")
    if outlook is not None:
        said = said_now(outlook.forecasts, standing_alarms(outlook), None if sheet is None else sheet.limits)
        tables["said"] = said
        write_csv(said, out / "said.csv")
    write_workbook(review, out / "review.xlsx", outlook, view, sheet)
    return [*(out / f"{name}.csv" for name in tables), out / "review.xlsx"]


def write_workbook(
    review: Review,
    path: Path,
    outlook: Outlook | None = None,
    view: FleetView | None = None,
    sheet: Sheet | None = None,
) -> None:
    """The review as a workbook to work in: a page that guides, then those an owner filters; the other tables are in the CSV files.
    path: of the file; outlook: what comes next; view: the fleet; sheet: the quarter on one sheet."""
    answers = [*review.answers(), *(more for part in (outlook, view) if part is not None for more in part.answers())]
    books = review.records.books
    pages: dict[str, pd.DataFrame] = {}
    if sheet is not None:
        pages[pages_words.TO_DO] = pages_words.to_do(sheet)
        limits = sheet.limits.drop(columns=["open", "why"])
        tried = (limits.columns != "trial_hp") | limits["trial_hp"].notna().any()
        pages[pages_words.LIMITS] = offered(limits.loc[:, tried], sheet.limits["why"])
        pages[pages_words.CALLS] = sheet.calls.table
    if view is not None:
        pages[pages_words.RANDOM] = view.random_calls.table
    if outlook is not None:
        pages[pages_words.QUARTERS] = pages_words.by_quarter(outlook)
        pages[pages_words.AHEAD] = pages_words.ahead(outlook)
    pages |= {
        pages_words.RETURNS: review.came_back.table,
        pages_words.MEND: pages_words.to_mend(books.set_aside[ISSUE_COLUMNS], books.to_check[ISSUE_COLUMNS]),
        pages_words.LIVES: lifetimes_sheet(review.lifetimes),
        pages_words.ANSWERS: told_table(answers),
        pages_words.SETTINGS: with_cautions(settings_of(review), CAUTIONS),
    }
    write_book(path, "review", f"{review.records.shop.name}: {review.span.name}", pages, review.records.shop.currency)


def write_book(path: Path, book_of: str, title: str, sheets: dict[str, pd.DataFrame], currency: str) -> None:
    """A workbook of tables behind a page that guides, each figure with its unit, to be printed on A4 across. Text stays text: no cell can
    become a formula or a link. Same tables, same bytes. book_of: review, ratings or load; title: of the book; sheets: by the name of
    their page; currency: the sign before an amount. path: of the file."""
    asked = book_of, title, sheets, currency, spoken()
    kept = sum(map(len, sheets.values())) <= _KEPT_ROWS
    with whole_file(path) as part:
        part.write_bytes(once(_book, asked) if kept else _book(*asked))


def _book(book_of: str, title: str, sheets: dict[str, pd.DataFrame], currency: str, units: Units) -> bytes:
    """The workbook of `write_book`, in the ``units`` that the shop speaks."""
    import datetime as dt

    import xlsxwriter

    whole = io.BytesIO()
    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with speaking(units), _disk_told(), xlsxwriter.Workbook(whole, options) as book:
        book.set_properties({"title": title, "created": dt.datetime(2000, 1, 1)})
        looks = _Looks(book, currency)
        for name, frame in {START: guide(book_of, title, sheets), **sheets}.items():
            page = book.add_worksheet(name)
            page.set_landscape()
            page.set_paper(9)  # A4
            page.set_margins(0.5, 0.5, 0.7, 0.6)
            page.repeat_rows(0)
            page.set_header(f"&L{_plain(title)}&R{_plain(name)}")
            page.set_footer("&R&P / &N")
            _fill(page, in_own_units(readable(frame)), looks)
    return whole.getvalue()


def _plain(text: str) -> str:
    """A text in a header, where & begins a code."""
    return text.replace("&", "&&")[:120]


class _Looks:
    """The formats of a book, each made once."""

    def __init__(self, book, currency: str) -> None:
        self.book, self.currency = book, currency
        self.made: dict[str, Any] = {}
        # a text stands off the figure before it, a heading as its column does; no program heeds the distance without the side
        self.left = {"valign": "top", "align": "left", "indent": 1}
        head = {"bold": True, "bottom": 1, "text_wrap": True}
        self.heads = {
            False: book.add_format(self.left | head),
            True: book.add_format({"valign": "top", "align": "right"} | head),
        }
        self.text = book.add_format(self.left | {"text_wrap": True})
        self.one_line = book.add_format(self.left)

    def of(self, form: str, day: bool = False):
        """The format of cells whose numbers, or days, are written so."""
        if form not in self.made:
            self.made[form] = self.book.add_format((self.left if day else {"valign": "top"}) | {"num_format": form})
        return self.made[form]


@contextmanager
def _disk_told() -> Iterator[None]:
    """The workbook's writer wraps what the disk says in an error of its own; take it out again."""
    from xlsxwriter.exceptions import FileCreateError

    try:
        yield
    except FileCreateError as err:
        raise OSError(*getattr(err.args[0], "args", err.args)) from err


def _fill(page, frame: pd.DataFrame, looks: _Looks) -> None:
    if len(frame) >= _SHEET_ROWS:
        frame = frame.head(_SHEET_ROWS - 2)
        page.write_string(_SHEET_ROWS - 1, 0, CUT_HERE)
    columns = [_Column.of(name, frame[name], looks) for name in frame.columns]
    reach = np.cumsum([0.0, *(column.width for column in columns)])
    wide = reach[-1] > _PAGE_WIDE
    printed = max(int(np.searchsorted(reach, _PAGE_WIDE, "right")) - 1, 1) if wide else len(columns)
    lines = Counter[int]()
    for c, column in enumerate(columns):
        # a text that no paper shows makes no row of it tall
        look = column.look if c < printed or column.number or column.day else looks.one_line
        page.write_string(0, c, column.name, looks.heads[column.number])
        page.set_column(c, c, column.width)
        lines[0] = max(lines[0], _lines(column.name, column.width - 3))  # less the button of the filter
        for r, value in enumerate(column.told, 1):
            text = _write(page, (r, c), value, (column.day, column.number), look)
            lines[r] = max(lines[r], _lines(text, column.width - 1) if c < printed else 1)
    for r, tall in lines.items():
        if tall > 1:  # not every program makes a row as tall as its broken text
            page.set_row(r, min(15.0 * tall, 409.0))
    if wide:
        page.set_print_scale(_LEAST_SIZE)
        page.print_area(0, 0, len(frame), printed - 1)
    else:
        page.fit_to_pages(1, 0)
    page.freeze_panes(1, 0)
    if len(frame):
        page.autofilter(0, 0, min(len(frame), _SHEET_ROWS - 1), max(len(frame.columns) - 1, 0))


@dataclass(frozen=True, slots=True)
class _Column:
    """A column as it is written: its heading, what it holds, and how that looks."""

    name: str
    told: list
    day: bool
    number: bool
    look: Any
    width: float

    @staticmethod
    def of(column: str, values: pd.Series, looks: _Looks) -> _Column:
        """The ``column`` of these ``values``."""
        form, kind = cell_format(column, looks.currency), values.dtype
        day = pd.api.types.is_datetime64_any_dtype(kind)
        number = pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_bool_dtype(kind)
        form = "yyyy-mm-dd" if day else _plainer(form, values) if number else ""
        look = looks.of(form, day) if form else looks.text
        told = to_digits(values.to_numpy(float)) if number else values
        return _Column(heading(column), told.tolist(), day, number, look, _width(heading(column), values, form))


def _plainer(form: str, values: pd.Series) -> str:
    """The number format of a column: without decimals where its ``values`` have none, with some where the ``form`` leaves all it has."""
    sizes = np.abs(values.to_numpy(float))
    sizes = sizes[np.isfinite(sizes)]
    if form in ("#,##0.00", "General") and (sizes % 1 == 0).all():
        return "#,##0" if form != "General" else form
    return form if form != "General" else "#,##0.00" if sizes.max() >= 1 else "0.0000"


def _figures(values: pd.Series, form: str) -> int:
    """So many letters the longest of the ``values`` takes, written as the ``form`` says."""
    if form.startswith("yyyy"):
        return len(form)
    sizes = np.abs(values.to_numpy(float)) * (100 if "%" in form else 1)
    most = max(sizes[np.isfinite(sizes)], default=0.0)
    whole = len("no limit") * bool(np.isinf(sizes).any())
    shape = form.replace("General", "0").split(";")[0].replace("#,##", "").replace('"', "")
    digits = len(str(round(most)))
    return max(whole, digits + (digits - 1) // 3 + len(shape) - 1 + bool((values < 0).any()))


def _write(page, at: tuple[int, int], value: Any, kind: tuple[bool, bool], look) -> str:
    """Write a cell in its column's ``kind`` (day, number); returns what stands in it as text, "" for a day or figure."""
    day, number = kind
    if value is None or value != value:
        return ""
    if day:
        page.write_datetime(*at, value.to_pydatetime(), look)
        return ""
    if number and abs(value) != float("inf"):
        page.write_number(*at, value, look)
        return ""
    text = "no limit" if number else str(value)[:32_767]
    page.write_string(*at, text, look)
    return text


def _lines(text: str, width: float) -> int:
    """How many lines a text takes, broken between words."""
    return len(textwrap.wrap(text, max(int(width), 1))) if len(text) > width else 1


def _width(name: str, values: pd.Series, form: str) -> float:
    """As wide as the column reads, its heading broken between words; long texts are broken too. form: of its numbers or days."""
    word = max(len(w) for w in name.split() or [""])
    if form:
        return max(word + 1, _figures(values, form), 5) + 2
    longest = max((len(str(v)) for v in values.head(500)), default=0)
    return max(word + 2, min(longest + 2, 54), 8)
