"""What the check prints on a terminal."""

from __future__ import annotations

import pandas as pd

from analytics.lifetimes.failures import failed_by_install
from analytics.lifetimes.table import Lifetimes
from analytics.records.load import Records
from analytics.review.to_fix import NO_LOSS, WHOLE_COLUMN
from analytics.words.phrases import capital
from analytics.words.saying import say, say_all

_LINES = 40
#: kinds of issues that the verdict names; the share of a sheet set aside from which on it is not usable (common practice, no source)
_KINDS, _MOST_LOST = 3, 0.2
_PAGED = (".xlsx", ".xlsm", ".xls", ".ods", ".sqlite", ".sqlite3", ".db")


def check_listing(records: Records, lifetimes: Lifetimes) -> str:
    """Counts, set-aside rows and cells to check, with their remedies, as text. records: of the shop; lifetimes: every part followed."""
    counts = records.books.counts
    lines = [
        f"{records.shop.name}, as of {records.as_of:%Y-%m-%d}",
        "",
        f"{'sheet':<10}{'read':>10}{'used':>10}{'set aside':>12}",
    ]
    lines += [f"{r.sheet:<10}{r.read:>10,}{r.used:>10,}{r.set_aside:>12,}" for r in counts.itertuples()]
    lines.append("Every row read is used or set aside: the counts add up.")
    for name, later in records.books.later.items():
        if later:
            lines.append(f"{later:,} rows of {name} are dated after {records.as_of:%Y-%m-%d} and were not looked at.")
    for name, columns in records.books.unused_columns.items():
        if columns:
            lines.append(f"Columns of {name} not used: {', '.join(columns)}.")
    lines += records.books.files_passed_over()
    failed = lifetimes.table[lifetimes.table["ended"] == "failed"]
    install = int(failed.loc[failed_by_install(failed), "count"].sum())
    lives = int(lifetimes.table.loc[lifetimes.table["segment"] == 1, "count"].sum())
    in_use = int(lifetimes.units.loc[lifetimes.units["end"] == "in use", "count"].sum())
    lines.append(
        f"{int(lifetimes.units['count'].sum()):,} units sent out, {in_use:,} of them still in use as far as known; {lives:,} parts followed; "
        f"{int(failed['count'].sum()):,} failed, {install:,} of them by our install."
    )
    lines += say_all(lifetimes.notes)
    lines += _section("Set aside", records.books.set_aside) + _section(
        "To check (used, but read on an assumption or in part)", records.books.to_check
    )
    return printable("\n".join([*lines, "", *verdict(records)]))


def too_much_lost(records: Records) -> list[str]:
    """What keeps the records from being used: sheets of which so much is set aside that their figures would mislead."""
    lost = _lost(records)
    return list(filter(None, (_too_much(records, lost, "builds"), _too_much(records, lost, "returns"))))


def _lost(records: Records) -> pd.DataFrame:
    return records.books.set_aside[~records.books.set_aside["kind"].isin(NO_LOSS)]


#: figures of builds that everything hangs on: their heading, and what cannot be said without
_NEEDED = {
    "power_hp": ("power", "the engine's power", "no part can be rated"),
    "weight_lb": ("weight", "a truck's weight", "heavy trucks and light ones are rated as one"),
}


def never_told(records: Records) -> list[str]:
    """What no row of the builds of ``records`` has a figure of, though everything hangs on it, and how a column that holds it is named."""
    lacking = [told for column, told in _NEEDED.items() if len(records.builds) and records.builds[column].isna().all()]
    return [
        f'No row of the builds has {what}: {lost}. If a column holds it, say so in shop.toml: under [headings.builds] write {heading} = "its heading".'
        for heading, what, lost in lacking
    ]


def verdict(records: Records) -> list[str]:
    """Whether the records can be used as they are: ready; usable, these lines first; or not usable, and why."""
    if not len(records.builds):
        return ["Not usable: no build could be used, so nothing can be followed."]
    return [*never_told(records), *_verdict(records)]


def _verdict(records: Records) -> list[str]:
    heavy = too_much_lost(records)
    to_check = records.books.to_check
    whole = to_check["kind"].isin(WHOLE_COLUMN)
    first = (
        _first(to_check[whole], "to check") + _first(_lost(records), "set aside") + _first(to_check[~whole], "to check")
    )
    if heavy:
        return [f"Not usable yet: {'; '.join(heavy)}. These lines first:", *first]
    return (
        ["Usable. These lines first, as time allows:", *first]
        if first
        else ["Ready: every row is used, and none is in doubt."]
    )


def _too_much(records: Records, lost: pd.DataFrame, name: str) -> str:
    """What is said of a sheet of which so much is set aside that its figures would mislead; "" where it is not."""
    read = int(records.books.counts.set_index("sheet")["read"].get(name, 0))
    own = int((lost["of"] == name).sum())
    return f"{own:,} of {read:,} rows of {name} are set aside" if own > _MOST_LOST * read else ""


def _first(issues: pd.DataFrame, what: str) -> list[str]:
    """Kinds of issues, the most frequent first, each with the row it first stands in."""
    groups = sorted(issues.groupby("kind", sort=True), key=lambda group: -len(group[1]))
    return [
        f"  {say(kind)}: {len(rows):,} {what}, first {_place(next(rows.itertuples()))}"
        for kind, rows in groups[:_KINDS]
    ]


def _place(row) -> str:
    """Where a row stands."""
    page = f", sheet {row.sheet}" if row.file.lower().endswith(_PAGED) else ""
    return f"{row.file}{page}, row {row.row}"


def printable(text: str) -> str:
    """Text of a shop's sheets made harmless for a terminal: control characters and turned writing show as their numbers.
    text: as it stands in a sheet."""
    return "".join(c if c.isprintable() or c == "\n" else f"\\x{ord(c):02x}" for c in text)


def _section(title: str, issues: pd.DataFrame) -> list[str]:
    if issues.empty:
        return ["", f"{title}: nothing."]
    lines = ["", f"{title}: {len(issues):,}"]
    for row in issues.head(_LINES).itertuples():
        place = _place(row)
        column = f", {row.column}" if row.column else ""
        raw = f" “{_short(row.raw)}”" if row.raw else ""
        lines.append(
            f"  {place}{column}{raw}: {row.reason}. {capital(row.remedy)}{'' if row.remedy.endswith('?') else '.'}"
        )
    if len(issues) > _LINES:
        lines.append(f"  … and {len(issues) - _LINES:,} more; --out DIR writes them all.")
    return lines


def _short(text: str) -> str:
    one = " ".join(str(text).split())
    return one if len(one) <= 60 else one[:57] + "…"
