"""Dates of every sheet: read, settled by the order of events, and cut off at the as-of date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.reasons import Issue
from analytics.records.book import Sheet
from analytics.records.dates import ColumnOrder, column_order, parse_dates, settle
from analytics.records.headings import HEADINGS
from analytics.records.shop import Shop

NAT = np.datetime64("NaT", "ns")
#: a date this long after every other one is taken for a slip of the pen (common practice, no source)
_LONE_DATE_DAYS = 550
_FEWEST_TO_JUDGE = 20
#: two rows of one unit this close together may be one, typed twice (common practice, no source)
SAME_ROW_DAYS = 14
_WRITE = "write the date as 2024-03-31"
#: sheets whose rows may be dated before the unit is in service
_ANY_DAY = ("fitted", "conditions")


def read_dates(sheet: Sheet, shop: Shop) -> None:
    """Parse the dates of one sheet and settle what its own rows can settle.

    sheet: any with dates. shop: its order of day and month.
    """
    spec = HEADINGS[sheet.name]
    if not spec.dates:
        return  # a sheet of things, not of days
    for heading in spec.dates:
        parsed = _parsed(sheet, heading, shop)
        sheet.set_aside(parsed["problem"] != "", heading, parsed["problem"], parsed["remedy"])
        sheet.values[heading], sheet.values[f"{heading}:second"] = parsed["first"], parsed["second"]
        sheet.values[f"{heading}:column"], sheet.values[f"{heading}:why"] = parsed["column"], parsed["why"]
    _settle(sheet, list(spec.dates), [], final=False)
    if sheet.name != "fitted":
        blank = np.logical_and.reduce([sheet.values[h].isna() for h in spec.known_on])
        if sheet.name == "returns":
            opened = (
                blank
                & sheet.text("failed_on").str.strip().ne("").to_numpy()
                & (sheet.values["failed_on"].isna().to_numpy())
            )
            reason = "failed_on gives no day, so the day it came in is needed"
            sheet.set_aside(opened, "returned_on", reason, "fill in returned_on", Issue.NO_DAY)
        heads = [h for h in spec.known_on if h in sheet.raw.typed] or [*spec.known_on]
        remedy = f"fill in {' or '.join(sheet.raw.typed.get(h, h) for h in heads)}"
        sheet.set_aside(blank, heads[0], "no date", remedy, Issue.NO_DATE)


def _parsed(sheet: Sheet, heading: str, shop: Shop) -> pd.DataFrame:
    """The dates of a column, page by page; ``column``: what the other dates of the page make of a two-way one, ``why`` they do."""
    text = sheet.text(heading)
    if shop.dates.order is not None:
        return parse_dates(text, shop.dates.order, shop.dates.epoch).assign(column=NAT, why="")
    parsed = []
    for page in pages(sheet):
        told = column_order(text[page].unique())
        by_year = told.order == "year first"
        frame = parse_dates(text[page], "year first" if by_year else None, shop.dates.epoch, told.short_year)
        frame["column"], frame["why"] = NAT, ""
        if told.order:
            frame["column"] = parse_dates(text[page], told.order, shop.dates.epoch)["first"]
            frame["why"] = (
                f"all {told.only} dates of its column that can be read one way only, such as {told.example}, are {told.order}"
            )
        if by_year and len(frame):
            _say_year_first(sheet, heading, page, told)
        parsed.append(frame)
    return (
        pd.concat(parsed).loc[text.index]
        if parsed
        else parse_dates(text, None, shop.dates.epoch).assign(column=NAT, why="")
    )


def pages(sheet: Sheet) -> list[np.ndarray]:
    """The rows of each page of a sheet, as masks."""
    if len(sheet.raw.places) < 2:
        return [np.ones(len(sheet.alive), bool)]
    codes, _ = pd.factorize(pd.Series(sheet.raw.file) + "\0" + pd.Series(sheet.raw.sheet))
    return [codes == code for code in range(codes.max() + 1)] if len(codes) else []


def _say_year_first(sheet: Sheet, heading: str, page: np.ndarray, told: ColumnOrder) -> None:
    mask = np.zeros(len(page), bool)
    mask[np.flatnonzero(page & sheet.text(heading).ne("").to_numpy())[:1]] = True
    reason = f"dates of this column are read year first: in all {told.only} the first number hardly changes"
    remedy = 'nothing to do if that is right; else state in shop.toml: [dates] order = "day first"'
    sheet.doubt(mask, heading, reason, remedy, Issue.DATE_BY_COLUMN)


def known_on(sheet: Sheet) -> pd.Series:
    """The day the shop knew of a row. Where it is still two-way the earlier reading counts.

    sheet: its dates parsed.
    """
    days = pd.Series(pd.NaT, index=sheet.values.index, dtype="datetime64[ns]")
    for heading in HEADINGS[sheet.name].known_on:
        days = days.fillna(sheet.values[heading])
    return days


def written_anew(sheet: Sheet) -> np.ndarray:
    """Rows crossed out beside one in use, of the same unit and few days away, which says what holds instead.

    sheet: linked to builds, its dates settled.
    """
    rows = pd.DataFrame({"build": sheet.values["build"], "day": known_on(sheet), "at": np.arange(len(sheet.alive))})
    pairs = rows[sheet.crossed_out].merge(rows[sheet.in_use], on="build", suffixes=("", "_anew"))
    near = (pairs["day"] - pairs["day_anew"]).abs().dt.days <= SAME_ROW_DAYS
    return np.isin(rows["at"], pairs.loc[near, "at"])


def in_service(builds: Sheet) -> pd.Series:
    """The day each build went into service; the day it was built where nothing is said.

    builds: the sheet, its dates parsed.
    """
    return builds.values["in_service_on"].fillna(builds.values["built_on"])


def begun(builds: Sheet) -> pd.Series:
    """The day each unit began, by which limits, build years and recent builds are told: it was built, or else in service."""
    return builds.values["built_on"].fillna(builds.values["in_service_on"])


def settle_builds(builds: Sheet, linked: list[Sheet]) -> None:
    """Two-way dates of builds, by the unit's earliest event whose own date is settled.

    linked: sheets whose rows have their build.
    """
    earliest = np.full(len(builds.alive), NAT)
    for sheet in linked:
        if sheet.name in _ANY_DAY:
            continue  # parts are fitted, and trucks measured, before the unit is in service
        heading = HEADINGS[sheet.name].dates[0]
        known = known_on(sheet).where(sheet.values[heading].isna(), sheet.values[heading])
        sure = sheet.in_use & sheet.values[f"{heading}:second"].isna().to_numpy() & known.notna().to_numpy()
        first = known[sure].groupby(sheet.values["build"][sure]).min()
        at = first.index.to_numpy(int)
        earliest[at] = np.fmin(earliest[at], first.to_numpy())
    open_ = builds.values["built_on:second"].notna() | builds.values["in_service_on:second"].notna()
    _settle(builds, ["built_on", "in_service_on"], [(2, np.where(open_, earliest, NAT))], final=True)


def settle_linked(sheet: Sheet, builds: Sheet) -> None:
    """Two-way dates of rows that belong to a build: nothing happens to a unit before it is in service.

    sheet: linked to builds.
    """
    if sheet.name in _ANY_DAY:
        _settle(sheet, list(HEADINGS[sheet.name].dates), [], final=True)
        return
    at = sheet.values["build"].to_numpy()
    start = np.full(len(at), NAT)
    start[at >= 0] = in_service(builds).to_numpy()[at[at >= 0]]
    _settle(sheet, list(HEADINGS[sheet.name].dates), [(0, start)], final=True)


def _settle(sheet: Sheet, headings: list[str], bounds: list[tuple[int, np.ndarray]], final: bool) -> None:
    """Settle two-way dates by their order, with dates from other sheets between (position, days)."""
    candidates = [(sheet.values[h].to_numpy(), sheet.values[f"{h}:second"].to_numpy()) for h in headings]
    shown = list(headings)
    for place, days in bounds:
        candidates.insert(place, (days, np.full(len(days), NAT)))
        shown.insert(place, "")
    settled, out_of_order = settle(candidates)
    if out_of_order.any():
        _refuse_order(sheet, shown, candidates, out_of_order)
    for heading, days, (first, second) in zip(shown, settled, candidates, strict=True):
        was_open = ~np.isnat(second) & ~out_of_order
        if not heading or not was_open.any():
            continue
        open_now = was_open & np.isnat(days)
        done = was_open & ~open_now
        reason = _texts(done, lambda d: f"read as {say(d)} by the order of events", days)
        sheet.doubt(done, heading, reason, f"{_WRITE}, or state [dates] order in shop.toml", Issue.DATE_BY_ORDER)
        sheet.values.loc[done, heading] = days[done]
        sheet.values.loc[done, f"{heading}:second"] = NAT
        if final:
            open_now = _settle_by_column(sheet, heading, open_now)
            reason = _texts(
                open_now,
                lambda a, b: f"could be {say(a)} or {say(b)}; the order of events does not tell",
                first,
                second,
            )
            remedy = f'{_WRITE}, or state in shop.toml: [dates] order = "month first" (or "day first")'
            sheet.set_aside(open_now, heading, reason, remedy, Issue.TWO_DAYS)


def _settle_by_column(sheet: Sheet, heading: str, open_now: np.ndarray) -> np.ndarray:
    """Settle what the order of events left open by the other dates of the column; the rows that stay open."""
    days = sheet.values[f"{heading}:column"].to_numpy()
    done = open_now & ~np.isnat(days)
    if done.any():
        why = sheet.values[f"{heading}:why"].to_numpy()
        reason = np.array(
            [f"read as {say(d)}: {w}" if go else "" for d, w, go in zip(days, why, done, strict=True)], dtype=object
        )
        sheet.doubt(done, heading, reason, f"{_WRITE}, or state [dates] order in shop.toml", Issue.DATE_BY_COLUMN)
        sheet.values.loc[done, heading] = days[done]
        sheet.values.loc[done, f"{heading}:second"] = NAT
    return open_now & ~done


_EVENT = {
    "built_on": ("built", "it was built"), "in_service_on": ("in service", "it was in service"),
    "failed_on": ("failed", "it failed"), "returned_on": ("returned", "it came back"),
    "read_on": ("read", "it was read"), "changed_on": ("changed", "it was changed"),
    "judged_on": ("judged again", "it was judged again"),
    "measured_on": ("measured", "it was measured"),
    "": ("the unit's first event", "the unit was in service"),
}  # fmt: skip


def _refuse_order(sheet: Sheet, shown: list[str], candidates: list, out_of_order: np.ndarray) -> None:
    """Set aside rows whose dates cannot be in order, naming the first pair that is not."""
    left = out_of_order.copy()
    for late in range(1, len(shown)):
        for early in range(late - 1, -1, -1):
            before, after = candidates[early], candidates[late]
            latest = np.where(np.isnat(after[1]), after[0], after[1])
            clash = left & (latest < before[0])
            if not clash.any():
                continue
            left &= ~clash
            column = shown[late] or shown[early]
            then, first = _EVENT[shown[late]][0], _EVENT[shown[early]][1]
            reason = _texts(clash, partial(_too_early, then, first), latest, before[0])
            remedy = "check both dates, in this row and in its build"
            sheet.set_aside(clash, column, reason, remedy, Issue.OUT_OF_ORDER)
    column = next(filter(None, shown))
    remedy = "check the dates, in this row and in its build"
    sheet.set_aside(left, column, "no reading of its dates puts them in order", remedy, Issue.NO_ORDER)


def _too_early(then: str, first: str, late: np.datetime64, early: np.datetime64) -> str:
    return f"{then} {say(late)}, before {first} ({say(early)})"


def _texts(mask: np.ndarray, text: Callable[..., str], *days: np.ndarray) -> np.ndarray:
    """One text per row of the mask, of its days, blank elsewhere."""
    result = np.full(len(mask), "", dtype=object)
    for i in np.flatnonzero(mask).tolist():
        result[i] = text(*(d[i] for d in days))
    return result


def say(day: np.datetime64 | pd.Timestamp) -> str:
    """A day in words: 3 Apr 2021."""
    day = pd.Timestamp(day)
    return "" if pd.isna(day) else f"{day.day} {day:%b %Y}"


def as_of_day(sheets: dict[str, Sheet], shop: Shop, asked: str | dt.date | None) -> pd.Timestamp:
    """The day the records are looked at from: as asked, as shop.toml says, or the last date in the records.

    sheets: by name, read. shop: its settings. asked: by the caller, or None.
    """
    stated = asked if asked is not None else shop.dates.as_of
    if stated is not None:
        return as_day(stated)
    for sheet in sheets.values():
        _lone_dates(sheet, sheets)
    days = [known_on(s)[s.alive].max() for s in sheets.values()]
    days = [d for d in days if not pd.isna(d)]
    if not days:
        raise RecordsError(
            "no row of any sheet has a date that can be read, so there is no day to look from. "
            "Fill in built_on, or give --as-of 2024-12-31 to see what is wrong with each row."
        )
    return max(days)


def as_day(stated: str | dt.date) -> pd.Timestamp:
    """A day from text such as 2024-12-31, 31 Dec 2024 or 12/31/2024, or from a date. Raises RecordsError, also where it could be two days.

    stated: by the caller.
    """
    if isinstance(stated, str):
        told = parse_dates(pd.Series([stated], dtype=object), None, 1900).iloc[0]
        bare = stated.strip().isdecimal()  # a spreadsheet's serial day is no date that a person types
        if pd.isna(told["first"]) or bare:
            raise RecordsError(f"as-of date {stated!r} is not a date. Write it as 2024-12-31.")
        if not pd.isna(told["second"]):
            either = f"{say(told['first'])} or {say(told['second'])}"
            raise RecordsError(f"as-of date {stated!r} could be {either}. Write it as 2024-12-31.")
        return pd.Timestamp(told["first"])
    if not isinstance(stated, dt.date) or pd.isna(stated):
        raise RecordsError(f"as-of date {stated!r} is not a date. Write it as 2024-12-31.")
    return pd.Timestamp(stated.year, stated.month, stated.day)


def _lone_dates(sheet: Sheet, sheets: dict[str, Sheet]) -> None:
    """Set aside a date that lies long after everything else: it would move the as-of date by itself."""
    every = np.sort(np.concatenate([known_on(s)[s.alive].dropna().to_numpy() for s in sheets.values()]))
    if len(every) < _FEWEST_TO_JUDGE:
        return
    last = every[-max(2, len(every) // 100) :]
    far = np.flatnonzero(np.diff(last) / np.timedelta64(1, "D") > _LONE_DATE_DAYS)
    if len(far):
        good = last[far[0]]
        reason = f"long after every other date (the one before is {say(good)})"
        remedy = "check the year; if it is right, give --as-of, or as_of under [shop] in shop.toml"
        spec, lone = HEADINGS[sheet.name], (known_on(sheet) > good).to_numpy()
        if not spec.dates:
            return
        sheet.set_aside(lone, spec.known_on[0], reason, remedy, Issue.LONE_DATE)
        sheet.values.loc[lone, list(spec.dates)] = pd.NaT  # or it would be hidden as not yet known
