"""The table of lifetimes, on three clocks: miles, days and runs (drag passes, sled pulls)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import constants

from analytics.lifetimes.schema import CLOCKS, check_lifetimes
from analytics.lifetimes.spells import make_spells
from analytics.records.load import NOT_RECORDED, Records
from analytics.records.shop import Shop

_DAY = np.timedelta64(1, "D")
#: lb·ft per hp at 1 rpm: 33,000 / (2 pi), textbook mechanics
_TORQUE = constants.hp * 60 / (2 * np.pi) / (constants.pound_force * constants.foot)


@dataclass(frozen=True, slots=True)
class Lifetimes:
    """``table``: one row per part fitted, spell and segment (columns in schema.py). ``units``: one row per unit in service.

    units: serial, in_service_on, built_on, days (age at the end of observation), miles (at its last usable figure, NaN),
    miles_days (days since in service at that figure), seen_until, end ("in use", "sold", "lost", "scrapped", "no"),
    count, power_hp, weight_lb, use, builder, returned (times it came back damaged). ``notes``: what was left out, in words.
    """

    shop: Shop
    as_of: pd.Timestamp
    table: pd.DataFrame
    units: pd.DataFrame
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        failed = int(self.table.loc[self.table["ended"] == "failed", "count"].sum())
        return f"Lifetimes({self.shop.name!r}, as of {self.as_of:%Y-%m-%d}: {len(self.table)} rows, {failed} failures)"


def make_lifetimes(records: Records) -> Lifetimes:
    """One row per part fitted, spell and segment.

    A spell is the life of one part at its position: it starts when the part is fitted and ends when it fails, is taken
    out, or at the last day the unit is known of. A spell is cut into segments where power, weight or use changed; every
    later segment enters at the age it had then (delayed entry), as do units built before the shop's records start.
    A running part is known to have survived up to the last figure of its odometer: its lower limit in miles is that.
    """
    shop = records.shop
    units = _units(records)
    spells, notes = make_spells(records, units)
    rows = _split_at_changes(spells, _states(records, units))
    start = pd.Timestamp(shop.records_start) if shop.records_start else pd.NaT
    if not pd.isna(start):
        rows["from_day"] = rows["from_day"].where(rows["from_day"] >= start, start)
        before = rows["to_day"] <= start
        gone = int(rows.loc[before & (rows["ended"] != "changed"), "count"].sum())
        if gone:
            notes.append(f"{gone} part lives ended before the records start ({start:%Y-%m-%d}) and are left out: only failures would be known of them.")
        rows = rows[~before].reset_index(drop=True)
    _days(rows, records)
    for clock, history in (("miles", records.odometer), ("runs", records.runs)):
        _counted(rows, history.rename(columns={clock: "value"}), units, clock)
    table = _finish(rows, records, units)
    check_lifetimes(table)
    return Lifetimes(shop, records.as_of, table, _fleet(records, units, table), tuple(notes))


# ---- units and their load over time --------------------------------------------------------------------------------


def _units(records: Records) -> pd.DataFrame:
    """Per unit: start, last day known of, how it ended, and its last odometer figure."""
    builds = records.builds
    units = pd.DataFrame({"start": builds["in_service_on"], "stop": records.as_of, "end": "in use", "count": builds["count"]})
    readings = records.readings
    last = readings[readings["still_running"].isin(["no", "sold", "lost", "scrapped"])].sort_values(["unit", "read_on"], kind="stable")
    last = last.drop_duplicates("unit", keep="first").set_index("unit")
    units.loc[last.index, "stop"], units.loc[last.index, "end"] = last["read_on"], last["still_running"]
    gone = records.returns[records.returns["unit_gone"]].groupby("unit")["day"].min()
    earlier = gone < units["stop"].reindex(gone.index)
    units.loc[gone.index[earlier], "stop"], units.loc[gone.index[earlier], "end"] = gone[earlier], "scrapped"
    figures = records.odometer
    last = figures.merge(units[["start"]], left_on="unit", right_index=True).drop_duplicates("unit", keep="last").set_index("unit")
    units["read_miles"] = last["miles"].reindex(units.index)
    units["read_days"] = ((last["day"] - last["start"]) / _DAY).reindex(units.index)
    return units


def _states(records: Records, units: pd.DataFrame) -> pd.DataFrame:
    """Power, weight and use of each unit from each day on."""
    columns = ["power_hp", "weight_lb", "use", "flags"]
    base = records.builds[columns].assign(unit=units.index, since=units["start"])
    changes = records.changes[["unit", "changed_on", *columns]].rename(columns={"changed_on": "since"})
    if changes.empty:
        return base.assign(until=pd.NaT)
    changes = changes.assign(since=np.maximum(changes["since"], units["start"].reindex(changes["unit"]).to_numpy()))
    states = pd.concat([base, changes]).sort_values(["unit", "since"], kind="stable")
    states["use"] = states["use"].mask(states["use"] == "")
    changed = states.groupby("unit").cumcount() > 0
    # a flag stays with the figure it speaks of: a new power or weight drops the old one's
    for word, column in (("power", "power_hp"), ("weight", "weight_lb")):
        own = states["flags"].map(lambda text, w=word: "; ".join(f for f in text.split("; ") if w in f))
        states[f"flags_{word}"] = own.mask(states[column].isna() & changed)
    other = states["flags"].map(lambda text: "; ".join(f for f in text.split("; ") if f and "power" not in f and "weight" not in f))
    states["flags_other"] = other.mask(changed)
    filled = states.groupby("unit")[["power_hp", "weight_lb", "use", "flags_power", "flags_weight", "flags_other"]].ffill()
    states[filled.columns] = filled
    states["use"] = states["use"].fillna("")
    states["flags"] = [join_flags(*f) for f in zip(states["flags_power"], states["flags_weight"], states["flags_other"], strict=True)]
    states["until"] = states.groupby("unit")["since"].shift(-1)
    return states[["unit", "since", "until", *columns]].reset_index(drop=True)


def join_flags(*texts: object) -> str:
    """Flags of several sources in one text, each once."""
    return "; ".join(dict.fromkeys(f for t in texts if isinstance(t, str) for f in t.split("; ") if f))


def _split_at_changes(spells: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    """Cut spells where the unit's load changed. Only the last segment of a spell ends as the spell does."""
    rows = spells.merge(states, on="unit", how="left", suffixes=("", "_state"))
    whole = rows["until"].isna() & (rows["since"] <= rows["started_on"])
    overlap = whole | ((rows["since"] < rows["ended_on"]) & (rows["until"].isna() | (rows["until"] > rows["started_on"])))
    # a life of no length belongs to the state that holds on its day
    point = (rows["started_on"] == rows["ended_on"]) & (rows["since"] <= rows["started_on"]) & (rows["until"].isna() | (rows["until"] > rows["started_on"]))
    rows = rows[overlap | point].reset_index(drop=True)
    rows["from_day"] = np.maximum(rows["started_on"], rows["since"])
    cut = rows["until"].notna() & (rows["until"] < rows["ended_on"])
    rows["to_day"] = rows["until"].where(cut, rows["ended_on"])
    rows.loc[cut, ["cause", "finding", "order"]] = ""
    rows.loc[cut, "ended"], rows.loc[cut, "at_teardown"] = "changed", False
    rows["flags"] = pd.Series([join_flags(a, b if not c else "") for a, b, c in zip(rows["flags_state"], rows["flags"], cut, strict=True)], index=rows.index, dtype=object)
    rows["segment"] = rows.groupby(["unit", "component", "spell", "copy"]).cumcount() + 1
    return rows


# ---- the clocks ----------------------------------------------------------------------------------------------------


def _days(rows: pd.DataFrame, records: Records) -> None:
    since = rows["started_on"].to_numpy()
    rows["entry_days"] = (rows["from_day"].to_numpy() - since) / _DAY
    upper = (rows["to_day"].to_numpy() - since) / _DAY
    failed = (rows["ended"] == "failed").to_numpy()
    good = (rows["last_good"].to_numpy() - since) / _DAY
    good = np.fmax(good, rows["entry_days"].to_numpy())
    rows["lower_days"] = np.where(rows["at_teardown"], good, upper)
    rows["upper_days"] = np.where(failed, upper, np.inf)


class _History:
    """Figures per unit and day, looked up for many (unit, day) pairs at once."""

    def __init__(self, history: pd.DataFrame, start: np.ndarray) -> None:
        self.start = _day_number(start)
        self.unit = history["unit"].to_numpy(np.int64)
        self.day = _day_number(history["day"].to_numpy())
        self.value = history["value"].to_numpy(float)
        self.key = _pack(self.unit, self.day)

    def last(self, unit: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Value and day number of the last figure up to a day (0 at the unit's start, if there is none)."""
        at = np.searchsorted(self.key, _pack(unit, day), side="right") - 1
        ok = (at >= 0) & (self.unit[at] == unit) if len(self.key) else np.zeros(len(unit), bool)
        at = np.where(ok, at, 0)
        value = np.where(ok, self.value[at] if len(self.key) else 0.0, 0.0)
        return value, np.where(ok, self.day[at] if len(self.key) else 0, self.start[unit])

    def at(self, unit: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Value on a day, by straight line between figures where there is none that day; NaN after the last figure."""
        before, before_day = self.last(unit, day)
        exact = before_day >= day
        at = np.searchsorted(self.key, _pack(unit, day), side="right")
        inside = at < len(self.key)
        safe = np.where(inside, at, 0)
        ok = inside & (self.unit[safe] == unit) if len(self.key) else np.zeros(len(unit), bool)
        after = np.where(ok, self.value[safe] if len(self.key) else np.nan, np.nan)
        gap = np.where(ok, (self.day[safe] if len(self.key) else 0) - before_day, 1)
        with np.errstate(invalid="ignore"):
            line = before + (after - before) * (day - before_day) / gap
        return np.where(exact, before, line), ~exact & ~np.isnan(line)


def _day_number(days: np.ndarray) -> np.ndarray:
    return days.astype("datetime64[D]").astype(np.int64)


def _pack(unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    return (unit.astype(np.int64) << 24) + day + (1 << 22)


def _counted(rows: pd.DataFrame, history: pd.DataFrame, units: pd.DataFrame, clock: str) -> None:
    """Entry, lower and upper limits in miles or runs, and where they came from."""
    told = _History(history, units["start"].to_numpy())
    unit = rows["unit"].to_numpy(np.int64)
    base, _ = told.at(unit, _day_number(rows["counted_from"].to_numpy()))
    from_day, to_day = _day_number(rows["from_day"].to_numpy()), _day_number(rows["to_day"].to_numpy())
    entry, entry_line = told.at(unit, from_day)
    # a new part starts where the old one's odometer stood, though the truck waited for it
    fresh = rows["from_day"].to_numpy() == rows["started_on"].to_numpy()
    entry, entry_line = np.where(fresh, base, entry), entry_line & ~fresh
    end, end_line = told.at(unit, to_day)
    last, last_day = told.last(unit, to_day)
    ended = rows["ended"].to_numpy()
    failed, running = ended == "failed", np.isin(ended, ["running", "removed"])
    seen = last_day > from_day
    lower = np.where(running, np.where(seen, last, np.nan), end)
    lower = np.where(running & ~seen & (last_day >= to_day) & (to_day == from_day), last, lower)
    teardown = rows["at_teardown"].to_numpy(bool)
    good, _ = told.last(unit, _day_number(rows["last_good"].fillna(rows["from_day"]).to_numpy()))
    with np.errstate(invalid="ignore"):
        good = np.where(np.isnan(end), np.nan, np.fmin(np.fmax(good, entry), end))
    lower = np.where(teardown, good, lower)
    rows[f"entry_{clock}"] = entry - base
    rows[f"lower_{clock}"] = lower - base
    rows[f"upper_{clock}"] = np.where(failed, end - base, np.where(np.isnan(lower - base), np.nan, np.inf))
    if clock == "miles":
        known = ~np.isnan(rows["lower_miles"].to_numpy()) & ~np.isnan(rows["entry_miles"].to_numpy())
        line = known & (entry_line | (end_line & ~running))
        at_return = known & (failed | (ended == "removed"))
        rows["miles_from"] = np.select([line, at_return, known], ["interpolated", "return", "reading"], "none")
        known_day = np.where(running, last_day, to_day)
        rows["miles_days"] = np.where(known, known_day - _day_number(rows["started_on"].to_numpy()), np.nan)


# ---- the finished table --------------------------------------------------------------------------------------------


def _bands(values: pd.Series, edges: tuple[float, ...], labels: list[str], right: bool) -> pd.Series:
    cut = pd.cut(values, [-np.inf, *edges, np.inf], right=right, labels=labels)
    return cut.cat.add_categories(NOT_RECORDED).fillna(NOT_RECORDED)


def _finish(rows: pd.DataFrame, records: Records, units: pd.DataFrame) -> pd.DataFrame:
    shop, builds = records.shop, records.builds
    unit = rows["unit"].to_numpy()
    build = builds.iloc[unit].reset_index(drop=True)
    changed = rows["segment"].to_numpy() > 1
    rpm = build["rpm"].where(~changed)  # the engine speed of a later tune is not known
    table = pd.DataFrame(
        {
            "serial": build["serial"], "component": rows["component"], "part": rows["part"], "lot": rows["lot"],
            "spell": rows["spell"], "segment": rows["segment"],
            **{f"{side}_{clock}": rows[f"{side}_{clock}"] for clock in CLOCKS for side in ("entry", "lower", "upper")},
            "ended": rows["ended"], "cause": rows["cause"], "finding": rows["finding"], "order": rows["order"],
            "power_hp": rows["power_hp"], "torque_lbft": rows["power_hp"] * _TORQUE / rpm, "weight_lb": rows["weight_lb"], "use": rows["use"],
            "power_band": _bands(rows["power_hp"], shop.power_bands, shop.band_labels(), right=False),
            "weight_class": _bands(rows["weight_lb"], shop.weight_classes, shop.class_labels(), right=True),
            "builder": build["builder"], "built_on": build["built_on"], "started_on": rows["from_day"], "ended_on": rows["to_day"],
            "fitted_on": rows["started_on"],
            "read_miles": units["read_miles"].to_numpy()[unit], "read_days": units["read_days"].to_numpy()[unit],
            "unit_days": ((units["stop"] - units["start"]) / _DAY).to_numpy()[unit],
            "count": rows["count"], "miles_from": rows["miles_from"], "miles_days": rows["miles_days"], "flags": rows["flags"], "unit": unit,
        }
    )
    return table.sort_values(["unit", "component", "spell", "segment"], kind="stable").reset_index(drop=True)


def _fleet(records: Records, units: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    builds = records.builds
    damaged = records.returns[records.returns["cause"] != "no fault"].groupby("unit")["event"].nunique()
    fleet = builds[["serial", "in_service_on", "built_on", "count", "power_hp", "weight_lb", "use", "builder", "row"]].copy()
    fleet["days"] = (units["stop"] - units["start"]) / _DAY
    fleet["miles"], fleet["miles_days"] = units["read_miles"], units["read_days"]
    fleet["seen_until"], fleet["end"] = units["stop"], units["end"]
    fleet["returned"] = damaged.reindex(fleet.index).fillna(0).astype(int)
    return fleet[fleet["in_service_on"] <= records.as_of]
