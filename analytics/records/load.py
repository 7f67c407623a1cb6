"""A folder of sheets to typed records, with every row accounted for."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.records import cells
from analytics.records.book import ISSUE_COLUMNS, Sheet
from analytics.records.dates import AT_TEARDOWN, parse_dates, settle
from analytics.records.headings import HEADINGS
from analytics.records.odometer import FIGURES, miles_in_service, runs_in_service
from analytics.records.serials import one_slip_away, serial_keys
from analytics.records.shop import Shop, load_shop
from analytics.records.source import heading_key, read_sheets

NOT_RECORDED = "not recorded"
_NAT = np.datetime64("NaT", "ns")
#: two entries of one return this close together, alike in all that both state, are taken for one
_SAME_RETURN_DAYS = 14
#: a date this long after every other one is taken for a slip of the pen
_LONE_DATE_DAYS = 550


@dataclass(frozen=True, slots=True)
class Records:
    """What the shop's sheets say up to ``as_of``. ``unit`` in every table is the position of the unit in ``builds``.

    builds: serial, built_on, in_service_on, odometer_at_install, power_hp (crank), power_low, power_high, power_raw,
    weight_lb, weight_raw, weight_kind, rpm, use, builder, count, flags, row, and one column per component (part, blank
    where none is fitted). fitted, returns, readings, changes, limits: the used rows, typed. odometer: unit, day, miles
    (since in service), source. runs: unit, day, runs. set_aside, to_check: ISSUE_COLUMNS. counts: sheet, read, used,
    set_aside. later: rows per sheet dated after as_of.
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
    set_aside: pd.DataFrame
    to_check: pd.DataFrame
    counts: pd.DataFrame
    later: dict[str, int] = field(default_factory=dict)
    unused_columns: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Records({self.shop.name!r}, as of {self.as_of:%Y-%m-%d}: {len(self.builds)} builds, {len(self.returns)} returns)"


def load_records(
    folder: str | Path, as_of: str | pd.Timestamp | None = None, progress: Callable[[str], None] | None = None
) -> Records:
    """Read a shop's folder.

    as_of: the day the records are looked at from; rows the shop could not know by then are invisible. Default: the
    as_of of shop.toml, else the last date in the records. progress: called with a line of text at each stage.
    Raises RecordsError (see read_sheets, load_shop).
    """
    say = progress or (lambda _: None)
    shop = load_shop(folder)
    say("reading the sheets")
    raw = read_sheets(shop)
    sheets = {name: Sheet(r) for name, r in raw.items()}
    say("dates")
    for sheet in sheets.values():
        _dates(sheet, shop)
    day = _as_of(sheets, shop, as_of)
    for sheet in sheets.values():
        sheet.hide_later(_known_on(sheet), day)
    say("builds")
    builds = sheets["builds"]
    _serials(builds, "a build without a serial cannot be followed", "find out which unit it was")
    _build_cells(builds, shop)
    rebuilds = _repeated_builds(builds, sheets["returns"])
    say("linking returns, readings and changes to their builds")
    _returns_words(sheets["returns"], shop)
    if "fitted" in sheets:
        _component(sheets["fitted"], shop)
    index = _index(builds, rebuilds)
    linked = [s for name, s in sheets.items() if name not in ("builds", "limits")]
    for sheet in linked:
        _serials(sheet, "no serial: the row belongs to no unit", "find out which unit it was")
        _link(sheet, builds, index, shop)
    say("settling dates by the order of events")
    _settle_builds(builds, rebuilds, linked)
    for sheet in linked:
        _settle_linked(sheet, builds)
    for sheet in sheets.values():
        sheet.hide_later(_known_on(sheet), day)
    _orphans(linked, builds)
    say("reading the cells")
    _same_return_twice(sheets["returns"])
    _cells_of(sheets, shop)
    if "limits" in sheets:
        _limits(sheets["limits"], shop)
    say("odometers")
    units = _builds_table(builds, rebuilds, shop, day)
    position = pd.Series(np.arange(len(units)), index=units["at"].to_numpy())
    odometer, runs = _odometers(sheets, units, position, shop)
    tables = {name: _table(sheets[name], position) if name in sheets else _empty(name) for name in HEADINGS if name != "builds"}
    tables["returns"] = _events(tables["returns"])
    fitted, changes = _add_rebuilds(tables["fitted"], tables["changes"], builds, rebuilds, units, position, shop)
    return Records(
        shop=shop, as_of=day, builds=units.drop(columns="at"), fitted=fitted, returns=tables["returns"],
        readings=tables["readings"], changes=changes, limits=tables["limits"], odometer=odometer, runs=runs,
        set_aside=pd.concat([s.aside() for s in sheets.values()], ignore_index=True).astype({"row": int}),
        to_check=pd.concat([s.doubts() for s in sheets.values()], ignore_index=True).astype({"row": int}),
        counts=pd.DataFrame([s.count() for s in sheets.values()]),
        later={name: int(s.later.sum()) for name, s in sheets.items()},
        unused_columns={name: r.unused_columns for name, r in raw.items()},
    )


# ---- dates ---------------------------------------------------------------------------------------------------------


def _dates(sheet: Sheet, shop: Shop) -> None:
    """Parse the dates of one sheet and settle what its own rows can settle."""
    headings = HEADINGS[sheet.name].dates
    for heading in headings:
        parsed = parse_dates(sheet.text(heading), shop.date_order, shop.date_epoch)
        sheet.set_aside(parsed["problem"] != "", heading, parsed["problem"], parsed["remedy"])
        sheet.values[heading], sheet.values[f"{heading}:second"] = parsed["first"], parsed["second"]
    _settle(sheet, list(headings), [], final=False)
    known = HEADINGS[sheet.name].known_on
    if sheet.name != "fitted":
        blank = np.logical_and.reduce([sheet.values[h].isna() & sheet.values[f"{h}:second"].isna() for h in known])
        sheet.set_aside(blank, known[0], "no date", f"fill in {' or '.join(dict.fromkeys(known))}")


def _settle(sheet: Sheet, headings: list[str], bounds: list[tuple[int, np.ndarray]], final: bool) -> None:
    """Settle two-way dates by their order, with dates of other sheets between (position, dates)."""
    candidates = [(sheet.values[h].to_numpy(), sheet.values[f"{h}:second"].to_numpy()) for h in headings]
    for place, days in bounds:
        candidates.insert(place, (days, np.full(len(days), _NAT)))
    settled, two_way, out_of_order = settle(candidates)
    shown = headings.copy()
    for place, _ in bounds:
        shown.insert(place, "")
    sheet.set_aside(out_of_order, headings[-1], _OUT_OF_ORDER.get(sheet.name, "dated before the unit was in service"),
                    "check the dates of the row, and of its build")
    for heading, days, (_, second) in zip(shown, settled, candidates, strict=True):
        if not heading:
            continue
        was_open = ~np.isnat(second)
        open_now = was_open & np.isnat(days)
        done = was_open & ~open_now & ~out_of_order
        sheet.doubt(done, heading, _read_as(days), "write dates as 2024-03-31, or state [dates] order in shop.toml")
        sheet.values.loc[done, heading] = days[done]
        sheet.values.loc[done, f"{heading}:second"] = _NAT
        if final:
            both = [f"could be {_say(a)} or {_say(b)}; the order of events does not tell"
                    if o else "" for a, b, o in zip(sheet.values[heading], sheet.values[f"{heading}:second"], open_now, strict=True)]
            sheet.set_aside(open_now, heading, np.array(both, dtype=object),
                            'write the date as 2024-03-31, or state in shop.toml: [dates] order = "month first" (or "day first")')


def _say(day: pd.Timestamp) -> str:
    return "" if pd.isna(day) else f"{day.day} {day:%b %Y}"


def _read_as(days: np.ndarray) -> np.ndarray:
    return np.array([f"read as {_say(d)} by the order of events" for d in pd.DatetimeIndex(days)], dtype=object)


_OUT_OF_ORDER = {
    "builds": "in service before it was built",
    "returns": "the dates are out of order (built, in service, failed, returned)",
}


def _known_on(sheet: Sheet) -> pd.Series:
    """The day the shop knew of a row. Where it is still two-way the earlier reading counts."""
    days = pd.Series(pd.NaT, index=sheet.values.index)
    for heading in HEADINGS[sheet.name].known_on:
        days = days.fillna(sheet.values[heading])
    return days


def _as_of(sheets: dict[str, Sheet], shop: Shop, asked: str | pd.Timestamp | None) -> pd.Timestamp:
    stated = asked if asked is not None else shop.as_of
    if stated is not None:
        try:
            day = pd.Timestamp(stated)
        except ValueError as err:
            raise RecordsError(f"as-of date {stated!r} is not a date. Write it as 2024-12-31.") from err
        if pd.isna(day):
            raise RecordsError(f"as-of date {stated!r} is not a date. Write it as 2024-12-31.")
        return day.normalize()
    for sheet in sheets.values():
        _lone_dates(sheet, sheets)
    days = [_known_on(s)[s.alive].max() for s in sheets.values()]
    days = [d for d in days if not pd.isna(d)]
    if not days:
        raise RecordsError("no row with a readable date in builds or returns, so there is no day to look from. See the set-aside rows, or give --as-of.")
    return max(days)


def _lone_dates(sheet: Sheet, sheets: dict[str, Sheet]) -> None:
    """Set aside a date that lies long after everything else: it would move the as-of date by itself."""
    every = np.sort(np.concatenate([_known_on(s)[s.alive].dropna().to_numpy() for s in sheets.values()]))
    if len(every) < 20:
        return
    gaps = np.diff(every[-max(2, len(every) // 100) :]) / np.timedelta64(1, "D")
    far = np.flatnonzero(gaps > _LONE_DATE_DAYS)
    if len(far):
        last_good = every[len(every) - len(gaps) - 1 + far[0]]
        key = HEADINGS[sheet.name].known_on[0]
        sheet.set_aside(_known_on(sheet) > last_good, key, f"long after every other date (the one before is {_say(pd.Timestamp(last_good))})",
                        "check the year; if it is right, give --as-of or [shop] as_of")


# ---- builds --------------------------------------------------------------------------------------------------------


def _serials(sheet: Sheet, reason: str, remedy: str) -> None:
    sheet.values["key"] = serial_keys(sheet.text("serial"))
    sheet.set_aside(sheet.values["key"] == "", "serial", reason, remedy)


def _quantity(sheet: Sheet, heading: str, kind: cells.Quantity, unit: str, into: str) -> pd.DataFrame:
    """Parse a column of amounts; unreadable cells become unknown and are listed."""
    parsed = cells.by_distinct(sheet.text(heading), lambda t: cells.parse_quantity(t, kind, unit), cells.QUANTITY_COLUMNS)
    sheet.doubt(parsed["problem"] != "", heading, parsed["problem"] + ": taken as unknown", parsed["remedy"])
    sheet.values[into] = parsed["value"]
    return parsed


def _plain(sheet: Sheet, heading: str, low: float, high: float, whole: bool = False) -> pd.DataFrame:
    name = heading.replace("_", " ")
    parsed = cells.by_distinct(sheet.text(heading), lambda t: cells.parse_plain(t, low, high, whole, name), ["value", "problem", "remedy"])
    sheet.values[heading] = parsed["value"]
    return parsed


def _power_weight(sheet: Sheet, shop: Shop) -> None:
    """Power at the crank in hp, weight in lb, with what was assumed in ``flags``."""
    flags = sheet.values.get("flags", pd.Series("", index=sheet.values.index))
    power = _quantity(sheet, "power", cells.POWER, shop.power_unit, "power_hp")
    column = cells.choose(sheet.text("power_measured_at"), cells.MEASURED, shop.words.get("measured_at", {}))
    sheet.doubt(column["problem"] != "", "power_measured_at", column["problem"] + f": taken as {shop.power_measured_at}", "write crank or wheels")
    where = power["qualifier"].where(power["qualifier"] != "", column["value"])
    where = where.where(where != "", shop.power_measured_at)
    at_wheels = (where == "wheels") & power["value"].notna()
    factor = np.where(at_wheels, 1 / (1 - shop.driveline_loss), 1.0)
    sheet.values["power_hp"] = power["value"] * factor
    sheet.values["power_low"], sheet.values["power_high"] = power["low"] * factor, power["high"] * factor
    sheet.values["power_measured_at"] = where.where(power["value"].notna(), "")
    flags = _flag(flags, at_wheels, "wheel power converted to crank")
    flags = _flag(flags, power["about"] & power["value"].notna(), "power approximate")
    flags = _flag(flags, power["high"] > power["low"], "power a range, its middle taken")

    weight = _quantity(sheet, "weight", cells.WEIGHT, shop.weight_unit, "weight_lb")
    kind = cells.choose(sheet.text("weight_kind"), cells.WEIGHT_KINDS, shop.words.get("weight_kind", {}))
    sheet.doubt(kind["problem"] != "", "weight_kind", kind["problem"] + f": taken as {shop.weight_kind}", f"write one of {', '.join(cells.WEIGHT_KINDS)}")
    what = weight["qualifier"].where(weight["qualifier"] != "", kind["value"])
    what = what.where(what != "", shop.weight_kind)
    known = weight["value"].notna()
    combined = (what == "combined") & known
    sheet.doubt(combined, "weight", "a combined weight with trailer, not the truck's own: taken as unknown", "weigh or ask for the truck alone")
    sheet.values["weight_lb"] = weight["value"].where(~combined)
    sheet.values["weight_kind"] = what.where(known & ~combined, "")
    flags = _flag(flags, (what == "rating plate") & known, "rating-plate weight, the most the truck may weigh")
    flags = _flag(flags, (weight["about"] | (weight["high"] > weight["low"])) & known & ~combined, "weight approximate")
    sheet.values["flags"] = flags
    sheet.values["use"] = cells.choose(sheet.text("use"), {}, shop.words.get("use", {}), free=True)["value"]


def _flag(flags: pd.Series, mask: pd.Series | np.ndarray, words: str) -> pd.Series:
    mask = np.asarray(mask, bool)
    return flags.where(~mask, flags.where(flags == "", flags + "; ") + words)


def _build_cells(builds: Sheet, shop: Shop) -> None:
    values = builds.values
    _power_weight(builds, shop)
    at_install = _quantity(builds, "odometer_at_install", cells.DISTANCE, shop.distance_unit, "odometer_at_install")
    values["flags"] = _flag(values["flags"], at_install["about"] & at_install["value"].notna(), "odometer at install approximate")
    rpm = _plain(builds, "rpm", 500, 15_000)
    builds.doubt(rpm["problem"] != "", "rpm", rpm["problem"] + ": taken as unknown", rpm["remedy"])
    count = _plain(builds, "count", 1, 1_000_000, whole=True)
    builds.set_aside(count["problem"] != "", "count", count["problem"], "write how many identical units the row stands for, or leave it blank for one")
    values["count"] = count["value"].fillna(1)
    values["builder"] = cells.tidy(builds.text("builder"))
    for component in shop.components:
        values[f"component:{component}"] = part_names(builds.text(f"component:{component}"), component, shop)


def part_names(text: pd.Series, component: str, shop: Shop) -> pd.Series:
    """Parts by the shop's own name; 'none' is blank (not fitted), a blank or '?' is NOT_RECORDED."""
    names: dict[str, str] = {}
    for part, others in shop.part_names.get(component, {}).items():
        names |= {" ".join(o.split()).casefold(): part for o in (part, *others)}

    def one(t: str) -> tuple[str]:
        tidy = " ".join(t.split())
        if tidy.casefold() in ("none", "n/a", "not fitted", "no", "-"):
            return ("",)
        if cells.is_blank(tidy):
            return (NOT_RECORDED,)
        return (names.setdefault(tidy.casefold(), tidy),)  # parts the shop did not list keep their first spelling

    return cells.by_distinct(text, one, ["part"])["part"]


def _repeated_builds(builds: Sheet, returns: Sheet) -> pd.DataFrame:
    """Rows of builds whose serial came before: set aside, or the same unit shipped again after a return.

    Returns (at, first): the position of each such later shipment and of the unit's first build.
    """
    values = builds.values
    live = builds.in_use
    order = pd.DataFrame({"key": values["key"], "day": _known_on(builds), "at": np.arange(len(values))})[live]
    order = order.sort_values(["key", "day", "at"], kind="stable")
    order["first"] = order.groupby("key")["at"].transform("first")
    again = order[order["at"] != order["first"]]
    if again.empty:
        return again[["at", "first"]]
    back = returns.values.assign(key=serial_keys(returns.text("serial")), day=_known_on(returns))[returns.in_use]
    back_day = {key: days.to_numpy() for key, days in back[back["key"].isin(set(again["key"]))].groupby("key")["day"]}
    text = builds.raw.table
    shipments = []
    for row in again.itertuples():
        here, there = text.loc[row.at], text.loc[row.first]
        differing = [h for h in text.columns if here[h] != there[h] and here[h] and there[h]]
        first_row, first_day = builds.raw.row[row.first], _known_on(builds)[row.first]
        days = back_day.get(row.key, np.array([], "datetime64[ns]"))
        if not differing:
            reason = f"the same build is entered in row {first_row}"
        elif len(days[(days >= np.datetime64(first_day)) & (days <= np.datetime64(row.day))]):
            shipments.append((row.at, row.first))
            mask = _mask(builds, row.at)
            builds.doubt(mask, "serial", f"shipped again after a return (first build in row {first_row}): the unit goes on, with the parts that differ as new",
                         "confirm that it is the same unit")
            continue
        else:
            heads = ", ".join(h.removeprefix("component:") for h in differing[:4])
            reason = f"the serial is already built in row {first_row}, with another {heads}, and did not come back between"
        builds.set_aside(_mask(builds, row.at), "serial", reason, "keep the row that is right, or correct the serial")
    return pd.DataFrame(shipments, columns=["at", "first"])


def _mask(sheet: Sheet, at: int) -> np.ndarray:
    mask = np.zeros(len(sheet.alive), bool)
    mask[at] = True
    return mask


# ---- linking -------------------------------------------------------------------------------------------------------


def _index(builds: Sheet, rebuilds: pd.DataFrame) -> pd.Series:
    """Serial key -> position of the unit's build row."""
    live = builds.in_use.copy()
    live[rebuilds["at"].to_numpy(int)] = False
    at = np.flatnonzero(live)
    return pd.Series(at, index=builds.values["key"].to_numpy()[at])


def _link(sheet: Sheet, builds: Sheet, index: pd.Series, shop: Shop) -> None:
    """Find each row's build; a mistyped serial only where one candidate fits in time and part."""
    keys = sheet.values["key"]
    found = pd.Index(index.index).get_indexer(keys)
    at = np.where(found >= 0, index.to_numpy()[found] if len(index) else -1, -1)
    aside = {k: r for k, r in zip(builds.values["key"], builds.raw.row, strict=True) if k} if (at < 0).any() else {}
    hidden = set(builds.values["key"][builds.later]) - set(index.index) if sheet.name == "fitted" else set()
    known = set(index.index)
    latest = _latest(sheet)
    in_service = _in_service(builds)
    for row in np.flatnonzero((at < 0) & sheet.in_use):
        key = keys.iat[row]
        if key in hidden:
            sheet.later[row] = True  # nobody could know of it before its build
            continue
        near = [index[k] for k in one_slip_away(key, known) if len(key) > 2]
        fits = [b for b in near if not latest.iat[row] < in_service.iat[b] and _part_fits(sheet, row, builds, b, shop)]
        mask = _mask(sheet, row)
        if len(fits) == 1:
            at[row] = fits[0]
            sheet.doubt(mask, "serial", f"no such serial; linked to {builds.text('serial').iat[fits[0]]}, the only unit one slip away that fits in time and part",
                        "confirm the unit and correct the serial")
        elif key in aside:
            sheet.set_aside(mask, "serial", f"its build (row {aside[key]} of builds) is set aside", "mend the build row")
        elif fits:
            names = ", ".join(sorted(builds.text("serial").iat[b] for b in fits)[:5])
            sheet.set_aside(mask, "serial", f"no build with this serial; {len(fits)} units are one slip away ({names})", "find out which unit it was and correct the serial")
        else:
            sheet.set_aside(mask, "serial", "no build with this serial", "add its build, or correct the serial")
    sheet.values["build"] = at


def _latest(sheet: Sheet) -> pd.Series:
    heading = HEADINGS[sheet.name].dates[0]
    return sheet.values[f"{heading}:second"].fillna(sheet.values[heading])


def _in_service(builds: Sheet) -> pd.Series:
    return builds.values["in_service_on"].fillna(builds.values["built_on"])


def _part_fits(sheet: Sheet, row: int, builds: Sheet, build: int, shop: Shop) -> bool:
    if "component" not in sheet.values or not sheet.text("part").iat[row]:
        return True
    component = sheet.values["component"].iat[row]
    if component not in shop.components:
        return True
    part = part_names(sheet.text("part").iloc[[row]], component, shop).iat[0]
    return builds.values[f"component:{component}"].iat[build] in (part, NOT_RECORDED) or part == NOT_RECORDED


def _orphans(linked: list[Sheet], builds: Sheet) -> None:
    """Rows whose build was set aside while the dates were settled."""
    for sheet in linked:
        at = sheet.values["build"].to_numpy()
        lost = (at >= 0) & ~builds.in_use[at] if len(builds.alive) else np.zeros(len(at), bool)
        rows = np.array([f"its build (row {builds.raw.row[b]} of builds) is set aside" if x else "" for b, x in zip(at, lost, strict=True)], dtype=object)
        sheet.set_aside(lost, "serial", rows, "mend the build row")


def _settle_builds(builds: Sheet, rebuilds: pd.DataFrame, linked: list[Sheet]) -> None:
    """Two-way dates of builds, by the unit's earliest event whose own date is settled."""
    earliest = np.full(len(builds.alive), _NAT)
    for sheet in linked:
        heading = HEADINGS[sheet.name].dates[0]
        known = _known_on(sheet).where(sheet.values[heading].isna(), sheet.values[heading])
        sure = sheet.in_use & sheet.values[f"{heading}:second"].isna().to_numpy() & known.notna().to_numpy()
        if sheet.name == "fitted":
            continue  # parts are fitted before the unit is in service
        first = known[sure].groupby(sheet.values["build"][sure]).min()
        at = first.index.to_numpy(int)
        earliest[at] = np.fmin(earliest[at], first.to_numpy())
    open_ = builds.values["built_on:second"].notna() | builds.values["in_service_on:second"].notna()
    _settle(builds, ["built_on", "in_service_on"], [(2, np.where(open_, earliest, _NAT))], final=True)


def _settle_linked(sheet: Sheet, builds: Sheet) -> None:
    at = sheet.values["build"].to_numpy()
    start = _in_service(builds).to_numpy()[at] if len(builds.alive) else np.full(len(at), _NAT)
    start = np.where(at >= 0, start, _NAT)
    if sheet.name == "fitted":
        _settle(sheet, ["fitted_on"], [], final=True)
    else:
        _settle(sheet, list(HEADINGS[sheet.name].dates), [(0, start)], final=True)


# ---- the other cells -----------------------------------------------------------------------------------------------


def _component(sheet: Sheet, shop: Shop) -> None:
    known = {heading_key(c): c for c in shop.components}
    known |= {heading_key(h): c for c, h in shop.components.items()}
    named = cells.by_distinct(sheet.text("component"), lambda t: (known.get(heading_key(t), ""),), ["c"])["c"]
    blank = cells.tidy(sheet.text("component")) == ""
    sheet.set_aside(blank, "component", "no component named", "say which component it was")
    sheet.set_aside(named == "", "component", f"not one of the components ({', '.join(shop.components)})", "correct the word, or add the component to [components] in shop.toml")
    sheet.values["component"] = named


def _part(sheet: Sheet, heading: str, shop: Shop) -> None:
    names = pd.Series(NOT_RECORDED, index=sheet.values.index, dtype=object)
    for component in shop.components:
        mask = sheet.values["component"] == component
        names[mask] = part_names(sheet.text(heading)[mask], component, shop)
    sheet.values[heading] = names


def _returns_words(returns: Sheet, shop: Shop) -> None:
    values = returns.values
    _component(returns, shop)
    for heading, words in (("cause", cells.CAUSES), ("order", cells.ORDERS)):
        chosen = cells.choose(returns.text(heading), words, shop.words.get(heading, {}))
        returns.doubt(chosen["problem"] != "", heading, chosen["problem"] + ": taken as unclear", "correct it, or add the word to [words] in shop.toml")
        values[heading] = chosen["value"].where(chosen["problem"] == "", "unclear")
    values["finding"] = cells.choose(returns.text("finding"), {}, shop.words.get("finding", {}), free=True)["value"]
    teardown = cells.by_distinct(returns.text("failed_on"), lambda t: (t.strip().casefold() in AT_TEARDOWN,), ["x"])["x"].astype(bool)
    values["at_teardown"] = teardown | values["finding"].isin(shop.found_at_teardown)
    no_day = teardown & values["returned_on"].isna() & values["returned_on:second"].isna()
    returns.set_aside(no_day, "returned_on", "found at teardown, but no date of the teardown", "fill in returned_on")


def _cells_of(sheets: dict[str, Sheet], shop: Shop) -> None:
    returns = sheets["returns"]
    _part(returns, "part", shop)
    gone = cells.by_distinct(returns.text("replaced_with"), lambda t: (t.strip().casefold() in ("scrapped", "scrap", "refunded", "written off"),), ["x"])["x"].astype(bool)
    _part(returns, "replaced_with", shop)
    returns.values["replaced_with"] = returns.values["replaced_with"].mask(returns.values["replaced_with"] == NOT_RECORDED, "").mask(gone, "")
    returns.values["unit_gone"] = gone
    cost = _plain(returns, "cost", 0, 1_000_000)
    returns.doubt(cost["problem"] != "", "cost", cost["problem"] + ": taken as unknown", cost["remedy"])
    returns.values["paid_by"] = cells.tidy(returns.text("paid_by"))
    returns.values["notes"] = returns.text("notes")
    for name, heading in (("returns", "odometer"), ("returns", "miles_in_service"), ("readings", "odometer"), ("changes", "odometer"), ("fitted", "odometer")):
        if name in sheets:
            _quantity(sheets[name], heading, cells.DISTANCE, shop.distance_unit, heading)
    for name in ("returns", "readings"):
        if name in sheets:
            runs = _plain(sheets[name], "runs", 0, 1_000_000)
            sheets[name].doubt(runs["problem"] != "", "runs", runs["problem"] + ": taken as unknown", runs["remedy"])
    if "readings" in sheets:
        _reading_cells(sheets["readings"], shop)
    if "fitted" in sheets:
        _part(sheets["fitted"], "part", shop)
        fitted = sheets["fitted"]
        fitted.set_aside(fitted.values["part"].isin(["", NOT_RECORDED]), "part", "no part named", "say which part was fitted")
        fitted.values["lot"] = cells.by_distinct(fitted.text("lot"), lambda t: ("" if cells.is_blank(t) else " ".join(t.split()).upper(),), ["l"])["l"]
    if "changes" in sheets:
        changes = sheets["changes"]
        _power_weight(changes, shop)
        nothing = changes.values["power_hp"].isna() & changes.values["weight_lb"].isna() & (changes.values["use"] == "")
        changes.set_aside(nothing, "power", "no power, weight or use that could be read", "say what changed")


def _reading_cells(readings: Sheet, shop: Shop) -> None:
    values = readings.values
    running = cells.choose(readings.text("still_running"), cells.RUNNING, shop.words.get("still_running", {}))
    readings.doubt(running["problem"] != "", "still_running", running["problem"] + ": taken as yes", "write yes, no, sold, lost or scrapped")
    values["still_running"] = running["value"]

    def replaced(text: str) -> tuple[bool, float, str]:
        if cells.is_blank(text) or text.strip().casefold() in ("no", "n", "false", "0"):
            return False, np.nan, ""
        if text.strip().casefold() in ("yes", "y", "true", "replaced", "new"):
            return True, np.nan, ""
        final = cells.parse_quantity(text, cells.DISTANCE, shop.distance_unit)
        return (True, final[0], "") if not np.isnan(final[0]) else (True, np.nan, "neither yes nor the old odometer's last figure: taken as yes")

    parsed = cells.by_distinct(readings.text("odometer_replaced"), replaced, ["replaced", "old_final", "problem"])
    readings.doubt(parsed["problem"] != "", "odometer_replaced", parsed["problem"], "write yes, no, or the old odometer's last figure")
    values["replaced"], values["old_final"] = parsed["replaced"].astype(bool), parsed["old_final"].astype(float)
    values["source"] = cells.tidy(readings.text("source"))
    nothing = values["odometer"].isna() & values["runs"].isna() & (values["still_running"] == "")
    readings.set_aside(nothing, "odometer", "no odometer, runs or word on whether it still runs that could be read", "correct the odometer")


def _limits(limits: Sheet, shop: Shop) -> None:
    values = limits.values
    _component(limits, shop)
    _part(limits, "part", shop)
    limits.set_aside(values["part"].isin(["", NOT_RECORDED]), "part", "no part named", "say which part the limit is for")
    limit = _quantity(limits, "power_limit", cells.POWER, shop.power_unit, "power_limit_hp")
    limits.set_aside(limit["value"].isna(), "power_limit", "no power limit that could be read", "write the limit, e.g. 650 hp")
    loss = np.where(limit["qualifier"] == "wheels", 1 / (1 - shop.driveline_loss), 1.0)
    values["power_limit_hp"] *= loss
    _quantity(limits, "weight_up_to", cells.WEIGHT, shop.weight_unit, "weight_up_to_lb")
    values["use"] = cells.choose(limits.text("use"), {}, shop.words.get("use", {}), free=True)["value"]
    values["reason"] = limits.text("reason")
    days = parse_dates(limits.text("effective_on"), shop.date_order, shop.date_epoch)
    both = np.array([f"could be {_say(a)} or {_say(b)}" for a, b in zip(days["first"], days["second"], strict=True)], dtype=object)
    limits.set_aside(days["second"].notna(), "effective_on", both, "write the date as 2024-03-31")


def _same_return_twice(returns: Sheet) -> None:
    """Set aside an entry of a return that agrees with an earlier one in all that both state."""
    values = returns.values
    live = np.flatnonzero(returns.in_use)
    day = _known_on(returns)
    frame = pd.DataFrame({"build": values["build"], "component": values["component"], "day": day, "at": np.arange(len(values))}).iloc[live]
    frame = frame[frame.duplicated(["build", "component"], keep=False)].sort_values(["build", "component", "day", "at"], kind="stable")
    stated = ["odometer", "miles_in_service", "runs", "part", "finding", "order", "cause", "replaced_with", "cost"]
    texts = {h: cells.tidy(returns.text(h)).to_numpy() for h in [*stated, "notes"]}
    for _, group in frame.groupby(["build", "component"], sort=False):
        kept: list[int] = []
        for at, when in zip(group["at"], group["day"], strict=True):
            for other in kept:
                gap = abs((when - day[other]).days)
                if gap > _SAME_RETURN_DAYS:
                    continue
                failed = values["failed_on"].iloc[[other, at]]
                agree = all(not texts[h][at] or not texts[h][other] or texts[h][at] == texts[h][other] for h in stated)
                agree &= failed.isna().any() or abs((failed.iat[0] - failed.iat[1]).days) <= _SAME_RETURN_DAYS
                row = returns.raw.row[other]
                same_odometer = texts["odometer"][at] and texts["odometer"][at] == texts["odometer"][other]
                if agree and (gap == 0 and texts["notes"][at] in ("", texts["notes"][other]) or same_odometer):
                    returns.set_aside(_mask(returns, at), "serial", f"the same return is entered in row {row}", "nothing, or change what differs if it was another return")
                    break
                if agree:
                    returns.doubt(_mask(returns, at), "serial", f"may be the return of row {row} again: counted as another", "delete it if it is the same")
            else:
                kept.append(at)


# ---- odometers and the finished tables -----------------------------------------------------------------------------


def _odometers(sheets: dict[str, Sheet], units: pd.DataFrame, position: pd.Series, shop: Shop) -> tuple[pd.DataFrame, pd.DataFrame]:
    figures, runs = [], []
    for name, heading in (("readings", "read_on"), ("returns", "failed_on"), ("changes", "changed_on"), ("fitted", "fitted_on")):
        sheet = sheets.get(name)
        if sheet is None:
            continue
        values, live = sheet.values, sheet.in_use
        day = values[heading]
        if name == "returns":
            day = day.fillna(values["returned_on"])
        base = pd.DataFrame({"unit": position.reindex(values["build"]).to_numpy(), "day": day, "sheet": name, "at": np.arange(len(values))})
        direct = values["miles_in_service"] if name == "returns" else pd.Series(np.nan, index=values.index)
        figure = base.assign(
            odometer=values["odometer"].where(direct.isna()), miles_in_service=direct,
            replaced=values.get("replaced", pd.Series(False, index=values.index)), old_final=values.get("old_final", pd.Series(np.nan, index=values.index)),
        )
        figures.append(figure[live & day.notna().to_numpy() & (values["odometer"].notna() | direct.notna()).to_numpy()])
        if name in ("readings", "returns"):
            runs.append(base.assign(runs=values["runs"])[live & values["runs"].notna().to_numpy()])
    every = pd.concat([f[FIGURES] for f in figures], ignore_index=True)
    told = miles_in_service(every, units["odometer_at_install"].to_numpy(), units["in_service_on"].to_numpy(), shop.miles_per_year_max)
    counted = runs_in_service(pd.concat(runs, ignore_index=True))
    for frame, column in ((told, "odometer"), (counted, "runs")):
        for name, sheet in sheets.items():
            bad = frame[(frame["sheet"] == name) & (frame["problem"] != "")]
            reasons = np.full(len(sheet.alive), "", dtype=object)
            remedies, mask = reasons.copy(), np.zeros(len(sheet.alive), bool)
            at = bad["at"].to_numpy(int)
            reasons[at], mask[at] = bad["problem"], True
            remedies[at] = bad["remedy"] if column == "odometer" else "check the count"
            only = mask & (name == "readings")
            if name == "readings":
                other = "runs" if column == "odometer" else "odometer"
                only &= sheet.values[other].isna().to_numpy() & sheet.values["still_running"].isin(["", "yes"]).to_numpy()
            sheet.set_aside(only, column, reasons, remedies)
            shown = np.array([f"{r}: the figure is not used" for r in reasons], dtype=object)
            sheet.doubt(mask & ~only, _given(sheet, column), shown, remedies)
            if column in sheet.values:
                sheet.values.loc[mask, column] = np.nan
            notes = frame[(frame["sheet"] == name) & frame.get("note", pd.Series("", index=frame.index)).str.startswith("odometer replaced")]
            for row in notes.itertuples():
                sheet.doubt(_mask(sheet, row.at), "odometer_replaced", row.note, "add the old odometer's last figure if it is known")
    missing = told.loc[told["note"] == "odometer at install not recorded", "unit"].value_counts()
    builds = sheets["builds"]
    for unit, times in missing.sort_index().items():
        builds.doubt(_mask(builds, units["at"].iat[int(unit)]), "odometer_at_install",
                     f"odometer at install not recorded: {times} later figure{'s' if times > 1 else ''} cannot be turned into miles on the part", "ask for it, or for the miles since the install")
    good = told[(told["problem"] == "") & told["miles"].notna()]
    good = good.sort_values(["unit", "day", "miles"], kind="stable").drop_duplicates(["unit", "day"], keep="last")
    odometer = pd.DataFrame({"unit": good["unit"].astype(int), "day": good["day"], "miles": good["miles"], "source": good["sheet"].replace(_SOURCES)})
    fine = counted[counted["problem"] == ""].drop_duplicates(["unit", "day"], keep="last")
    return odometer.reset_index(drop=True), fine[["unit", "day", "runs"]].astype({"unit": int}).reset_index(drop=True)


_SOURCES = {"readings": "reading", "returns": "return", "changes": "change", "fitted": "fitted"}


def _given(sheet: Sheet, column: str) -> str:
    return "miles_in_service" if column == "odometer" and not sheet.has("odometer") else column


def _builds_table(builds: Sheet, rebuilds: pd.DataFrame, shop: Shop, as_of: pd.Timestamp) -> pd.DataFrame:
    values, live = builds.values, builds.in_use.copy()
    live[rebuilds["at"].to_numpy(int)] = False
    at = np.flatnonzero(live)
    picked = values.iloc[at]
    table = pd.DataFrame(
        {
            "serial": [re.sub(r"\s+", " ", s) for s in builds.text("serial").iloc[at]],
            "built_on": picked["built_on"].to_numpy(),
            "in_service_on": picked["in_service_on"].fillna(picked["built_on"]).to_numpy(),
            **{c: picked[c].to_numpy() for c in ("odometer_at_install", "power_hp", "power_low", "power_high")},
            "power_raw": builds.text("power").iloc[at].to_numpy(),
            "power_measured_at": picked["power_measured_at"].to_numpy(),
            "weight_lb": picked["weight_lb"].to_numpy(),
            "weight_raw": builds.text("weight").iloc[at].to_numpy(),
            **{c: picked[c].to_numpy() for c in ("weight_kind", "rpm", "use", "builder")},
            "count": picked["count"].astype(int).to_numpy(),
            "flags": picked["flags"].to_numpy(),
            "row": builds.raw.row[at],
            **{c: picked[f"component:{c}"].to_numpy() for c in shop.components},
            "at": at,
        }
    )
    return table


_KEEP = {
    "fitted": ["component", "part", "lot", "fitted_on", "odometer"],
    "returns": ["failed_on", "returned_on", "odometer", "miles_in_service", "runs", "component", "part", "finding", "order", "cause",
                "at_teardown", "replaced_with", "unit_gone", "cost", "paid_by", "notes"],
    "readings": ["read_on", "odometer", "runs", "still_running", "source"],
    "changes": ["changed_on", "power_hp", "power_low", "power_high", "weight_lb", "weight_kind", "use", "odometer", "flags"],
    "limits": ["component", "part", "weight_up_to_lb", "use", "power_limit_hp", "effective_on", "reason"],
}


def _table(sheet: Sheet, position: pd.Series) -> pd.DataFrame:
    live = sheet.in_use
    table = sheet.values.loc[live, _KEEP[sheet.name]].reset_index(drop=True)
    if sheet.name != "limits":
        table.insert(0, "unit", position.reindex(sheet.values["build"][live]).to_numpy(int))
    table["row"] = sheet.raw.row[live]
    return table


def _empty(name: str) -> pd.DataFrame:
    dates = set(HEADINGS[name].dates)
    numbers = {"odometer", "runs", "power_hp", "power_low", "power_high", "weight_lb", "weight_up_to_lb", "power_limit_hp"}
    columns = {c: pd.Series(dtype="datetime64[ns]" if c in dates else float if c in numbers else object) for c in _KEEP[name]}
    lead = {} if name == "limits" else {"unit": pd.Series(dtype=int)}
    return pd.DataFrame({**lead, **columns, "row": pd.Series(dtype=int)})


def _events(returns: pd.DataFrame) -> pd.DataFrame:
    """Number the returns: rows of one unit on one day are one event. A lone component was damaged first."""
    returns = returns.copy()
    day = returns["returned_on"].fillna(returns["failed_on"])
    returns["day"] = day
    damaged = returns["cause"] != "no fault"
    parts = returns[damaged].groupby([returns["unit"], day])["component"].transform("size").reindex(returns.index, fill_value=0)
    blank = returns["order"] == ""
    returns.loc[blank & damaged, "order"] = np.where(parts[blank & damaged] > 1, "unclear", "first")
    returns.loc[~damaged, "order"] = ""
    returns["cause_stated"] = returns["cause"] != ""
    returns["cause"] = returns["cause"].mask(returns["cause"] == "", "unclear")
    returns["event"] = returns.groupby([returns["unit"], day], sort=True).ngroup() if len(returns) else pd.Series(dtype=int)
    return returns


def _add_rebuilds(fitted, changes, builds: Sheet, rebuilds: pd.DataFrame, units, position: pd.Series, shop: Shop):
    """A unit shipped again: its differing parts as fitted then, its differing particulars as a change."""
    new_parts, new_changes = [], []
    for at, first in rebuilds.itertuples(index=False):
        if not builds.in_use[at]:
            continue
        here, there = builds.values.loc[at], builds.values.loc[first]
        unit, day, row = int(position[first]), _known_on(builds)[at], builds.raw.row[at]
        for component in shop.components:
            part = here[f"component:{component}"]
            if part not in ("", NOT_RECORDED) and part != there[f"component:{component}"]:
                new_parts.append({"unit": unit, "component": component, "part": part, "lot": "", "fitted_on": day, "odometer": np.nan, "row": row})
        if any(here[c] != there[c] and pd.notna(here[c]) and here[c] != "" for c in ("power_hp", "weight_lb", "use")):
            new_changes.append({"unit": unit, "changed_on": day, "odometer": np.nan, "row": row,
                                **{c: here[c] for c in ("power_hp", "power_low", "power_high", "weight_lb", "weight_kind", "use", "flags")}})
    join = lambda old, new: pd.concat([old, pd.DataFrame(new)[old.columns]], ignore_index=True) if new else old  # noqa: E731
    return join(fitted, new_parts), join(changes, new_changes)


__all__ = ["ISSUE_COLUMNS", "NOT_RECORDED", "Records", "load_records"]
