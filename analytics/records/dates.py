"""Dates as people type them. A date that could be two days keeps both until the order of events settles it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.records.cells import by_distinct, is_blank

_MONTHS = {
    m: i
    for i, names in enumerate(
        (
            "jan january",
            "feb february",
            "mar march",
            "apr april",
            "may",
            "jun june",
            "jul july",
            "aug august",
            "sep sept september",
            "oct october",
            "nov november",
            "dec december",
        ),
        1,
    )
    for m in names.split()
}
_CLOCK = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:\s*[AP]M)?(?:Z|[+-]\d{2}:?\d{2})?)?"
_ISO = re.compile(rf"^(\d{{4}})[-/.](\d{{1,2}})[-/.](\d{{1,2}}){_CLOCK}$", re.IGNORECASE)
_COMPACT = re.compile(r"^((?:19|20)\d{2})(\d{2})(\d{2})$")
_NUMERIC = re.compile(rf"^(\d{{1,2}})([-/.])(\d{{1,2}})\2(\d{{4}}|\d{{2}}){_CLOCK}$", re.IGNORECASE)
_DAY_WORD = re.compile(r"^(\d{1,2})(?:st|nd|rd|th)?[\s\-/.]*([A-Za-z]{3,9})\.?[\s\-/,.']*(\d{4}|\d{2})$")
_WORD_DAY = re.compile(r"^([A-Za-z]{3,9})\.?[\s\-]*(\d{1,2})(?:st|nd|rd|th)?[\s,\-]+'?(\d{4}|\d{2})$")
_WORD_YEAR = re.compile(r"^([A-Za-z]{3,9})\.?[\s\-,/']*(\d{4}|\d{2})$")
_SERIAL = re.compile(r"^\d{5}(?:\.\d+)?$")
_EPOCHS = {1900: dt.date(1899, 12, 30), 1904: dt.date(1904, 1, 1)}
_FIRST, _LAST = dt.date(1950, 1, 1), dt.date(2099, 12, 31)

#: words in failed_on that say the damage was found when the unit was opened
AT_TEARDOWN = frozenset(
    {"teardown", "tear-down", "at teardown", "found at teardown", "inspection", "found at inspection", "on inspection"}
)


#: dates of one column that can be read one way only, all alike, that settle its others (of 8 at even chances one in 128 are alike)
_SETTLE = 8
#: dates from which on the spread of their fields tells the year from the day, and the years such a column spans at most
_SPREAD, _YEARS = 5, 15


@dataclass(frozen=True, slots=True)
class ColumnOrder:
    """What the dates of one column say of their order: "day first", "month first", "year first", or "" where they don't settle it.

    only: how many can be read no other way, with an example. short_year: whether a leading number past 12 may be the year.
    """

    order: str = ""
    only: int = 0
    example: str = ""
    short_year: bool = False


def column_order(texts: Iterable[str]) -> ColumnOrder:
    """The order of a column's dates by their own pattern: the field that stays is the year, the field past 12 is the day.

    texts: as typed.
    """
    found = list(filter(None, map(_NUMERIC.match, map(str.strip, texts))))
    fields = np.array([[int(m[1]), int(m[3]), int(m[4]), len(m[4])] for m in found]).reshape(-1, 4)
    if len(found) and (fields[:, 3] == 2).all() and all(map(_year_may_lead, found)):
        lead, last = np.ptp(fields[:, 0]), np.ptp(fields[:, 2])
        if len(found) >= _SPREAD and lead <= _YEARS and 2 * lead < last:
            return ColumnOrder("year first", len(found), found[0][0])
        if len(found) < _SPREAD or 2 * last >= lead:
            return ColumnOrder(short_year=all(m[2] == "-" for m in found))
    return _day_or_month(found, fields)


def _day_or_month(found: list[re.Match[str]], fields: np.ndarray) -> ColumnOrder:
    """fields: shape (n, 4), the three numbers of each date and the length of the last."""
    day, month = ((fields[:, a] > 12) & (fields[:, b] <= 12) for a, b in ((0, 1), (1, 0)))
    most, order = (day, "day first") if day.sum() >= month.sum() else (month, "month first")
    if most.sum() < _SETTLE or (day.any() and month.any()):
        return ColumnOrder()
    return ColumnOrder(order, int(most.sum()), found[int(np.argmax(most))][0])


def _year_may_lead(match: re.Match[str]) -> bool:
    return _make(_year(match[1]), int(match[3]), int(match[4])) is not None


def parse_dates(text: pd.Series, order: str | None, epoch: int, short_year: bool = False) -> pd.DataFrame:
    """Columns ``first`` and ``second`` (datetime64, NaT), ``problem``, ``remedy``.

    ``second`` is filled only where a numeric date can be read both day first and month first and ``order`` does not
    say which. Two-digit years 80 to 99 are 19xx, the others 20xx. A bare five-digit number is a spreadsheet's serial
    day in the given epoch (1900 or 1904; they differ by 1,462 days). short_year: 22-03-15 may be 15 March 2022 too.
    text: of the cells.
    """

    def one(raw: str) -> tuple:
        first, second, problem, remedy = _parse(raw, order, epoch)
        match = _NUMERIC.match(raw.strip()) if short_year and order is None and second is None else None
        if (
            match
            and first
            and int(match[1]) > 12
            and (led := _make(_year(match[1]), int(match[3]), int(match[4]))) != first
        ):
            first, second = (first, led) if led is None or first < led else (led, first)
        for day in (first, second):
            if day is not None and not _FIRST <= day <= _LAST:
                return pd.NaT, pd.NaT, f"the year {day.year} cannot be", "check the year"
        return pd.Timestamp(first), pd.Timestamp(second), problem, remedy

    frame = by_distinct(text, one, ["first", "second", "problem", "remedy"])
    frame["first"] = pd.to_datetime(frame["first"]).astype("datetime64[ns]")
    frame["second"] = pd.to_datetime(frame["second"]).astype("datetime64[ns]")
    return frame


def _parse(raw: str, order: str | None, epoch: int) -> tuple[dt.date | None, dt.date | None, str, str]:
    text = raw.strip()
    if is_blank(text) or text.casefold() in AT_TEARDOWN:
        return None, None, "", ""
    if match := _ISO.match(text) or _COMPACT.match(text):
        return _one(int(match[1]), int(match[2]), int(match[3]))
    if match := _NUMERIC.match(text):
        return _of_numbers(match, order)
    if match := _DAY_WORD.match(text):
        day_text, month, year_text = match[1], match[2], match[3]
    elif match := _WORD_DAY.match(text):
        month, day_text, year_text = match[1], match[2], match[3]
    elif _SERIAL.match(text):
        return _EPOCHS[epoch] + dt.timedelta(days=int(float(text))), None, "", ""
    elif (match := _WORD_YEAR.match(text)) and match[1].casefold() in _MONTHS:
        return None, None, "a month without a day", "write the day too, the middle of the month if nobody knows it"
    else:
        return None, None, "not a date", "write it as 2024-03-31 or 31 Mar 2024"
    if month.casefold() not in _MONTHS:
        return None, None, f"{month!r} is not a month", "write it as 2024-03-31 or 31 Mar 2024"
    return _one(_year(year_text), _MONTHS[month.casefold()], int(day_text))


def _of_numbers(match: re.Match[str], order: str | None) -> tuple[dt.date | None, dt.date | None, str, str]:
    """3/4/24: one day, or two where nobody says which number is the month."""
    a, b, year = int(match[1]), int(match[3]), _year(match[4])
    if order == "year first" and len(match[4]) == 2:
        return _one(_year(match[1]), b, int(match[4]))
    by_day, by_month = _make(year, b, a), _make(year, a, b)
    if not (by_day and by_month and by_day != by_month):
        day = by_day or by_month
        return (day, None, "", "") if day else (None, None, "there is no such day", "check the date")
    if order in ("day first", "month first"):
        return (by_day if order == "day first" else by_month), None, "", ""
    early, late = sorted((by_day, by_month))
    return early, late, "", ""


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) == 4 else year + (1900 if year >= 80 else 2000)


def _make(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _one(year: int, month: int, day: int) -> tuple[dt.date | None, None, str, str]:
    made = _make(year, month, day)
    return (made, None, "", "") if made else (None, None, "there is no such day", "check the date")


def settle(candidates: list[tuple[np.ndarray, np.ndarray]]) -> tuple[list[np.ndarray], np.ndarray]:
    """Choose among two-way dates those that keep each row's dates in order, earliest column first.

    Each item is (first, second), datetime64 arrays of shape (n,), NaT where unknown. Returns the settled dates (NaT
    where still two-way or unknown) and a mask of rows in which no choice is in order.
    candidates: the columns, in the order in which they must follow.
    """
    n = len(candidates[0][0])
    options = 2 ** len(candidates)
    # first and last settled value seen among the orderly choices, per column
    lowest = [np.full(n, np.datetime64("NaT", "ns"), "datetime64[ns]") for _ in candidates]
    highest = [low.copy() for low in lowest]
    any_good = np.zeros(n, bool)
    for option in range(options):
        chosen, valid = [], np.ones(n, bool)
        for at, (first, second) in enumerate(candidates):
            use_second = bool(option >> at & 1)
            valid &= ~np.isnat(second) if use_second else True
            chosen.append(second if use_second else first)
        latest = np.full(n, np.datetime64("NaT", "ns"), "datetime64[ns]")
        for value in chosen:
            valid &= ~(value < latest)
            latest = np.where(np.isnat(value), latest, np.where(np.isnat(latest) | (value > latest), value, latest))
        for at, value in enumerate(chosen):
            lowest[at] = np.where(valid, np.fmin(lowest[at], value), lowest[at])
            highest[at] = np.where(valid, np.fmax(highest[at], value), highest[at])
        any_good |= valid
    settled = [
        np.where(low == high, low, np.datetime64("NaT", "ns")) for low, high in zip(lowest, highest, strict=True)
    ]
    return settled, ~any_good
