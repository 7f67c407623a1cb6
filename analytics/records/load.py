"""A folder of sheets to typed records, with every row accounted for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.book import ISSUE_COLUMNS, Sheet
from analytics.records.builds import (
    add_shipments,
    builds_table,
    doubt_superseded,
    judge_repeats,
    order_repeats,
    read_builds,
)
from analytics.records.conditions import conditions_table, read_conditions
from analytics.records.doubts import (
    doubt_part_of_build,
    doubt_two_figures,
    drop_no_names,
    drop_zeros,
    limits_of_no_truck,
    one_part,
    rare_words,
    settings_of_nothing,
)
from analytics.records.figures import figures
from analytics.records.files import TEXT_FILE, Unread, passed_over
from analytics.records.headings import HEADINGS, OF_NO_UNIT
from analytics.records.judged import match_returns, read_judged
from analytics.records.linking import drop_orphans, link
from analytics.records.ordering import (
    as_of_day,
    in_service,
    known_on,
    read_dates,
    settle_builds,
    settle_linked,
    written_anew,
)
from analytics.records.other_sheets import doubt_other_part, read_changes, read_fitted, read_limits, read_readings
from analytics.records.part_sheet import COLUMNS as PART_COLUMNS
from analytics.records.part_sheet import read_parts
from analytics.records.parts import NOT_RECORDED, name_components, one_spelling
from analytics.records.returns import (
    drop_same_return,
    number_events,
    read_return_cells,
    read_return_words,
    returns_left_out,
)
from analytics.records.serials import read_serials
from analytics.records.several import single_out
from analytics.records.shop import Shop, load_shop
from analytics.records.source import RawSheet, heading_keys, read_sheets, unclaimed
from analytics.records.together import each_by_itself
from analytics.records.unlike import doubt_days, doubt_far, doubt_lone_parts


@dataclass(frozen=True, slots=True, repr=False)
class Books:
    """What became of every row that was read.

    set_aside, to_check: ISSUE_COLUMNS. counts: sheet, read, used, set_aside. later: rows per sheet dated after as_of. unused_columns: by
    sheet. unused_files: files and pages nothing was read from, each with the sheet it may have been meant as. unclaimed: rows of pages told
    apart by a column that belong to no sheet: file, page, heading, value, rows.
    returns_left_out: set-aside returns of known units that may speak of a failure: unit, component ("" where not known), day (the
    earliest it can be, or NaT), row. changes_left_out: set-aside changes of known units: unit, day (the same), power, weight, use
    (whether the row speaks of it), row.
    """

    set_aside: pd.DataFrame
    to_check: pd.DataFrame
    counts: pd.DataFrame
    later: dict[str, int]
    unused_columns: dict[str, tuple[str, ...]]
    unused_files: tuple[Unread, ...]
    unclaimed: tuple[tuple[str, str, str, str, int], ...]
    returns_left_out: pd.DataFrame
    changes_left_out: pd.DataFrame

    def files_passed_over(self, but: Collection[str] = ()) -> list[str]:
        """Files and pages nothing was read from, in sentences: first those that look like a sheet of ours misspelt. but: names left out."""
        read = set(self.counts["sheet"])
        told = [_unread_words(u, u.meant in read) for u in self.unused_files if u.meant and u.name not in but]
        told += [
            _unclaimed_words(page or file, heading, value, rows) for file, page, heading, value, rows in self.unclaimed
        ]
        told += [_unlisted_words(u) for u in self.unused_files if u.unlisted > 0 and u.name not in but]
        others = [u for u in self.unused_files if not u.meant and u.unlisted < 0 and u.name not in but]
        kind = "Files and pages" if any(u.page for u in others) else "Files"
        return told + ([f"{kind} nothing was read from: {', '.join(u.name for u in others)}."] if others else [])


@dataclass(frozen=True, slots=True, repr=False)
class Records:
    """What the shop's sheets say up to ``as_of``. ``unit`` in every table is the position of the unit in ``builds``.

    builds: serial, built_on, in_service_on, begun_on (built, or else in service), odometer_at_install, power_hp (crank), power_low, power_high, power_raw,
    weight_lb, weight_raw, weight_kind, rpm, use, builder, count, flags, row, of_several and row_serial (see several.py: a
    truck that came back has a row of its own) and one column per component (part, blank where none is fitted). fitted, returns, readings, changes, limits: the used rows, typed; ``row`` as in the file.
    returns hold day, event, miles and runs since in service (NaN where unknown or not believed) besides.
    odometer: unit, day, miles (since in service), source, short (True: miles were driven that are not in it).
    runs: unit, day, runs. books: what became of every row. judged_again: second
    judgements beside the first ones as written: finding and first_finding, likewise order and cause; "" is not judged.
    parts: what each part is made like, as known now (the sheet has no dates): component, part, kind, material, spline_fit,
    and per measure its value, _low and _high. conditions: unit, day, sheet, row, and the same of what was measured on it.
    """

    shop: Shop
    as_of: pd.Timestamp
    builds: pd.DataFrame
    fitted: pd.DataFrame
    returns: pd.DataFrame
    readings: pd.DataFrame
    changes: pd.DataFrame
    limits: pd.DataFrame
    odometer: pd.DataFrame
    runs: pd.DataFrame
    books: Books
    judged_again: pd.DataFrame = field(default_factory=pd.DataFrame)
    parts: pd.DataFrame = field(default_factory=pd.DataFrame)
    conditions: pd.DataFrame = field(default_factory=pd.DataFrame)

    def __repr__(self) -> str:
        what = f"{len(self.builds):,} builds, {len(self.returns):,} returns"
        return f"Records({self.shop.name!r}, as of {self.as_of:%Y-%m-%d}: {what})"


def _unclaimed_words(where: str, heading: str, value: str, rows: int) -> str:
    one, many = ("1 row", "has", "belongs", "it is a record"), (f"{rows:,} rows", "have", "belong", "they are records")
    what, has, belongs, records = one if rows == 1 else many
    return (
        f"{what} of {where} {has} {value!r} under {heading!r} and {belongs} to no sheet: add the word to rows under its [sheets] in shop.toml, "
        f"if {records}."
    )


def _unlisted_words(unread: Unread) -> str:
    rows = "1 row" if unread.unlisted == 1 else f"{unread.unlisted:,} rows"
    return (
        f"{rows} of {unread.name} came after its sentences were listed in {TEXT_FILE}, and what they tell does not count yet: type start "
        "again, which adds them to the list."
    )


def _unread_words(unread: Unread, read_already: bool) -> str:
    if unread.alike and read_already:
        key, name = ("sheet", unread.page) if unread.page else ("file", unread.file)
        return (
            f"{unread.name} was not read. Its headings are those of {unread.meant}, and it has {unread.rows:,} rows: if they belong "
            f'there, add "{name}" to {key} under [sheets.{unread.meant}] in shop.toml.'
        )
    why = f", whose headings it has ({unread.rows:,} rows)" if unread.alike else ""
    return (
        f"{unread.name} was not read. If it is the sheet {unread.meant!r}{why}, call it {unread.meant}, or name it in shop.toml "
        f"under [sheets.{unread.meant}]."
    )


@dataclass(frozen=True, slots=True, repr=False)
class AsTyped:
    """A shop's sheets as they are typed, by name, and the files and pages nothing was read from: the same whatever day the records are
    looked at from."""

    shop: Shop
    sheets: dict[str, RawSheet]
    unused_files: tuple[Unread, ...]


def as_typed(folder: str | Path | Shop) -> AsTyped:
    """The cells of a ``folder``, read once for several days. Raises RecordsError (see read_sheets, load_shop)."""
    shop = folder if isinstance(folder, Shop) else load_shop(folder)
    raw = each_by_itself(read_sheets(shop), shop)
    unused = passed_over(shop, {name: r.places for name, r in raw.items()}, heading_keys(shop))
    return AsTyped(shop, raw, tuple(unused))


def load_records(
    folder: str | Path | Shop | AsTyped,
    as_of: str | dt.date | None = None,
    progress: Callable[[str], None] | None = None,
) -> Records:
    """Read a shop's folder, or the sheets that settings already hold (records.frames.shop_of_frames), or what was read before (as_typed).

    as_of: the day the records are looked at from; rows the shop could not know by then are invisible. Default: the
    as_of of shop.toml, else the last date in the records. progress: called with a line of text at each stage.
    Raises RecordsError (see read_sheets, load_shop).
    """
    say = progress or (lambda _: None)
    say("reading the sheets")
    typed = folder if isinstance(folder, AsTyped) else as_typed(folder)
    shop, raw = typed.shop, typed.sheets
    sheets = {name: Sheet(r) for name, r in raw.items()}
    builds, returns = sheets["builds"], sheets["returns"]
    linked = [sheet for name, sheet in sheets.items() if name not in ("builds", *OF_NO_UNIT)]

    say("reading the dates")
    for sheet in sheets.values():
        read_dates(sheet, shop)
    day = as_of_day(sheets, shop, as_of)
    _hide_later(sheets, day)

    say("linking every row to its build")
    read_serials(builds, "a build without a serial cannot be followed", "find out which unit it was")
    read_builds(builds, shop)
    repeats = order_repeats(builds)
    first_rows = np.sort(repeats["first"].unique())
    _read_words(sheets, shop)
    for sheet in linked:
        read_serials(sheet, "no serial: the row belongs to no unit", "find out which unit it was")
    link(linked, builds, first_rows, shop)

    say("settling dates by the order of events")
    settle_builds(builds, linked)
    _hide_later(sheets, day)
    drop_orphans(linked, builds)
    for sheet in linked:
        settle_linked(sheet, builds)
    _hide_later(sheets, day)
    doubt_days(sheets, shop, day, asked=as_of is not None)

    say("reading the cells")
    shipments = judge_repeats(builds, returns, repeats)
    read_return_cells(returns, shop)
    twice = drop_same_return(returns, builds)
    _read_cells(sheets, shop)

    say("putting odometers in order")
    units = builds_table(builds, first_rows, shop)
    position = pd.Series(np.arange(len(units)), index=units["at"].to_numpy())
    odometer, runs = figures(sheets, units, position, shipments, shop)
    tables = {
        name: _table(sheets.get(name), name, position) for name in HEADINGS if name not in ("builds", "conditions")
    }
    fitted, changes = add_shipments(tables["fitted"], tables["changes"], builds, shipments, position, shop)
    records = Records(
        shop=shop,
        as_of=day,
        builds=units.drop(columns="at"),
        fitted=fitted,
        returns=number_events(tables["returns"]),
        readings=tables["readings"],
        changes=changes,
        limits=tables["limits"],
        judged_again=tables["judged_again"],
        odometer=odometer,
        runs=runs,
        books=Books(
            set_aside=_issues([s.aside() for s in sheets.values()]),
            to_check=_issues([*(s.doubts() for s in sheets.values()), _of_settings(sheets, shop)]),
            counts=pd.DataFrame([s.count() for s in sheets.values()]),
            later={
                name: int(np.delete(s.later, s.raw.structure["at"].to_numpy(int)).sum()) for name, s in sheets.items()
            },
            unused_columns={name: r.unused_columns for name, r in raw.items()},
            unused_files=typed.unused_files,
            unclaimed=tuple(unclaimed(raw)),
            returns_left_out=returns_left_out(returns, builds, twice, position),
            changes_left_out=_changes_left_out(sheets.get("changes"), builds, position),
        ),
        parts=tables["parts"],
        conditions=conditions_table(sheets, units, position, shipments),
    )
    return single_out(records)


def _read_words(sheets: dict[str, Sheet], shop: Shop) -> None:
    """Words that the sheets are linked by."""
    read_return_words(sheets["returns"], shop)
    if "fitted" in sheets:
        name_components(sheets["fitted"], shop)
    if "judged_again" in sheets:
        read_judged(sheets["judged_again"], shop)


def _read_cells(sheets: dict[str, Sheet], shop: Shop) -> None:
    """The cells of all sheets but returns, and what the sheets say of each other."""
    builds = sheets["builds"]
    for name, read in _READERS:
        if name in sheets:
            read(sheets[name], shop)
    if "judged_again" in sheets:
        match_returns(sheets["judged_again"], sheets["returns"])
    drop_no_names(sheets, shop)
    one_spelling(sheets, shop)
    one_part(sheets, shop)
    rare_words(sheets, shop)
    limits_of_no_truck(sheets)
    doubt_part_of_build(sheets["returns"], sheets, shop)
    doubt_superseded(builds, shop)
    if "fitted" in sheets:
        doubt_other_part(sheets["fitted"], builds, in_service(builds))
    drop_zeros(sheets)
    doubt_far(builds, shop)
    doubt_lone_parts(builds, shop)
    doubt_two_figures(sheets["returns"], builds, shop.units)


#: who reads the cells of each sheet, in order
_READERS = (
    ("fitted", read_fitted),
    ("readings", read_readings),
    ("changes", read_changes),
    ("limits", read_limits),
    ("parts", read_parts),
    ("builds", read_conditions),
    ("conditions", read_conditions),
    ("returns", read_conditions),
)


def _hide_later(sheets: dict[str, Sheet], day: pd.Timestamp) -> None:
    for sheet in sheets.values():
        sheet.hide_later(known_on(sheet), day)


def _of_settings(sheets: dict[str, Sheet], shop: Shop) -> pd.DataFrame:
    """What in the settings speaks of nothing, as rows to check."""
    told = settings_of_nothing(sheets, shop)
    return told.assign(file="shop.toml", sheet="shop.toml", kind=Issue.SETTING, of="shop.toml")[
        [*ISSUE_COLUMNS, "kind", "of"]
    ]


def _issues(tables: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [t for t in tables if len(t)] or tables[:1]
    return pd.concat(filled, ignore_index=True).astype({"row": int})


#: columns of the finished tables and their kinds
_DAY, _TEXT = "datetime64[ns]", object
_COLUMNS: dict[str, dict[str, object]] = {
    "fitted": {"component": _TEXT, "part": _TEXT, "lot": _TEXT, "fitted_on": _DAY, "odometer": float, "shipped": bool},
    "returns": {
        "failed_on": _DAY, "returned_on": _DAY, "odometer": float, "miles_in_service": float, "miles": float,
        "runs": float, "component": _TEXT, "part": _TEXT, "finding": _TEXT, "order": _TEXT, "cause": _TEXT,
        "at_teardown": bool, "replaced_with": _TEXT, "not_replaced": bool, "unit_gone": bool, "cost": float,
        "paid_by": _TEXT, "notes": _TEXT,
    },
    "readings": {"read_on": _DAY, "odometer": float, "runs": float, "still_running": _TEXT, "source": _TEXT},
    "changes": {
        "changed_on": _DAY, "power_hp": float, "power_low": float, "power_high": float, "power_lost": bool,
        "weight_lb": float, "weight_kind": _TEXT, "weight_lost": bool, "use": _TEXT, "odometer": float, "flags": _TEXT,
    },
    "limits": {
        "component": _TEXT, "part": _TEXT, "weight_up_to_lb": float, "weight_over_lb": float, "use": _TEXT, "power_limit_hp": float,
        "effective_on": _DAY, "reason": _TEXT, "basis": _TEXT, "sure_within": float,
    },
    "judged_again": {
        "component": _TEXT, "judged_on": _DAY, "judged_by": _TEXT, "first_finding": _TEXT, "finding": _TEXT,
        "first_order": _TEXT, "order": _TEXT, "first_cause": _TEXT, "cause": _TEXT,
    },
    "parts": {
        "component": _TEXT, "part": _TEXT, "kind": _TEXT, "material": _TEXT, "spline_fit": _TEXT,
        "heat_treatment": _TEXT, "lining": _TEXT,
        **dict.fromkeys(PART_COLUMNS, float),
    },
}  # fmt: skip


def _table(sheet: Sheet | None, name: str, position: pd.Series) -> pd.DataFrame:
    """The used rows of a sheet, typed; without rows where there is no sheet."""
    kinds = _COLUMNS[name]
    lead = {} if name in OF_NO_UNIT else {"unit": int}
    if sheet is None:
        return pd.DataFrame(columns=[*lead, *kinds, "row"]).astype(lead | kinds | {"row": int})
    live = sheet.in_use
    table = sheet.values.loc[live].reindex(columns=list(kinds))
    if name == "fitted":
        table["shipped"] = False
    if lead:
        table.insert(0, "unit", position.reindex(sheet.values["build"][live]).to_numpy(int))
    table["row"] = sheet.raw.row[live]
    return table.astype(lead | kinds | {"row": int}).reset_index(drop=True)


def _changes_left_out(changes: Sheet | None, builds: Sheet, position: pd.Series) -> pd.DataFrame:
    """Set-aside changes of known units: from then on what they speak of is not known, but for those entered twice, or crossed out
    and written anew."""
    columns = ["unit", "day", "power", "weight", "use", "row"]
    if changes is None:
        return pd.DataFrame(columns=columns).astype({"unit": int, "day": _DAY})
    at = changes.values["build"].to_numpy()
    lost = ~changes.alive & ~changes.later & (at >= 0) & ~changes.values["again"].to_numpy() & ~written_anew(changes)
    lost[lost] = builds.in_use[at[lost]]
    frame = pd.DataFrame(
        {"unit": position.reindex(at[lost]).to_numpy(int), "day": changes.values.loc[lost, "changed_on"]}
    )
    for heading in ("power", "weight", "use"):
        frame[heading] = changes.text(heading)[lost] != ""
    frame["row"] = changes.raw.row[lost]
    return frame[columns].reset_index(drop=True)


__all__ = ["ISSUE_COLUMNS", "NOT_RECORDED", "AsTyped", "Records", "as_typed", "load_records"]
