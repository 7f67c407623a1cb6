"""The table of lifetimes, on three clocks: miles, days and runs (drag passes, sled pulls)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import constants

from analytics.lifetimes.clocks import count_days, count_miles_or_runs
from analytics.lifetimes.opened import opened_lives
from analytics.lifetimes.schema import CLOCKS, check_lifetimes
from analytics.lifetimes.segments import cut_at_changes, cut_to_sight, make_states, number_segments
from analytics.lifetimes.sight import make_sight
from analytics.lifetimes.spells import make_spells
from analytics.lifetimes.units import DAY, gaps, make_units
from analytics.reasons import Flag, Reason, brief
from analytics.records.cover import band_of, class_of
from analytics.records.flags import add_flag
from analytics.records.load import NOT_RECORDED, Records
from analytics.records.shop import Shop

#: lb·ft per hp at 1 rpm: 33,000 / (2 pi), textbook mechanics
_TORQUE = constants.hp * 60 / (2 * np.pi) / (constants.pound_force * constants.foot)


@dataclass(frozen=True, slots=True, repr=False)
class Lifetimes:
    """``table``: one row per part fitted, spell and segment (columns in schema.py; followed: it runs on at the cut-off). ``units``: one row per unit in service.

    units: serial, in_service_on, built_on, begun_on (the day that tells its build year and the limits that held for it: built,
    or else in service; the table has it too), days (age at the end of observation), miles (at its last usable figure, NaN),
    miles_days (days since in service at that figure), seen_until, end ("in use", "sold", "lost", "scrapped", "no"),
    count, power_hp, weight_lb, use, builder, first_band (of power, as it went out), returned (times it came back damaged), called (at random), found_failed (by that),
    power_now_hp, weight_now_lb, use_now (after every change on record; a life running on had the load before one of the last day).
    ``sight``: the stretches in which each unit was under observation (SIGHT_COLUMNS in sight.py). ``notes``: what was left out.
    ``opened``: as ``table``, the parts looked at for damage that stops no truck, as the openings alone have them (opened.py).
    """

    shop: Shop
    as_of: pd.Timestamp
    table: pd.DataFrame
    units: pd.DataFrame
    sight: pd.DataFrame
    notes: tuple[Reason, ...]
    opened: pd.DataFrame

    def __repr__(self) -> str:
        failed = int(self.table.loc[self.table["ended"] == "failed", "count"].sum())
        return brief(self, "as_of", shop=self.shop.name, rows=len(self.table), failures=failed)


def with_rows(lifetimes: Lifetimes, table: pd.DataFrame) -> Lifetimes:
    """The ``lifetimes`` with a ``table`` of some of their rows, without units and sight: all that another process is sent."""
    opened = lifetimes.opened[lifetimes.opened["component"].isin(table["component"])]
    return replace(
        lifetimes, table=table, units=lifetimes.units.iloc[:0], sight=lifetimes.sight.iloc[:0], opened=opened
    )


def one_row_a_truck(table: pd.DataFrame) -> pd.DataFrame:
    """The first row of each unit in a ``table`` of lifetimes, as often as it stands for trucks alike."""
    first = table.drop_duplicates("serial")
    return first.loc[first.index.repeat(first["count"].astype(int))]


def make_lifetimes(records: Records) -> Lifetimes:
    """One row per part fitted, spell and segment.

    A spell is the life of one part at its position: it starts when the part is fitted and ends when it fails, is taken
    out, or at the last day the unit is known of. A spell is cut into segments where power, weight or use changed; every
    later segment enters at the age it had then (delayed entry), as do units built before the shop's records start and
    units heard of again after they were sold or lost. A running part is known to have survived up to the last figure of
    its odometer: its lower limit in miles is that.
    """
    shop = records.shop
    units = make_units(records)
    spells, notes = make_spells(records, units)
    states = make_states(records, units)
    rows = cut_at_changes(spells, states)
    start = pd.Timestamp(shop.dates.records_start) if shop.dates.records_start else pd.NaT
    gone = gaps(records)
    sight = make_sight(units, gone, start)
    rows, more = cut_to_sight(rows, sight, set(gone["unit"]), start)
    # what is found when a unit is apart was there or not whether anybody had the unit in sight before
    opened = cut_at_changes(opened_lives(records, spells, units), states)
    table, looked_at = (_counted(pieces, records, units) for pieces in (rows, opened))
    fleet = _fleet(records, units, states)
    return Lifetimes(shop, records.as_of, table, fleet, sight, tuple(notes + more), looked_at)


def _counted(pieces: pd.DataFrame, records: Records, units: pd.DataFrame) -> pd.DataFrame:
    """The ``pieces`` of lives as rows of the table, on every clock."""
    rows = number_segments(pieces)
    count_days(rows)
    for clock, figures in (("miles", records.odometer), ("runs", records.runs)):
        count_miles_or_runs(rows, figures, units, clock)
    table = _finish(rows, records, units)
    check_lifetimes(table)
    return table


def _named(values: pd.Series, number: np.ndarray, labels: list[str]) -> pd.Series:
    """The name of each value's band or class, unknown values apart."""
    codes = np.where(values.isna(), len(labels), number)
    names = pd.CategoricalDtype([*labels, NOT_RECORDED], ordered=True)
    return pd.Series(pd.Categorical.from_codes(codes, dtype=names), index=values.index)


def _bands(power_hp: pd.Series, shop: Shop) -> pd.Series:
    return _named(power_hp, band_of(power_hp, shop.power.bands), shop.band_labels())


def _followed(rows: pd.DataFrame, units: pd.DataFrame, as_of: pd.Timestamp) -> np.ndarray:
    """Rows (n,) that run on at the cut-off, in units still in use as far as known: one sold that very day is not followed on."""
    in_use = (units["end"] == "in use").to_numpy()[rows["unit"].to_numpy()]
    return (rows["ended"] == "running").to_numpy() & (rows["to_day"] == as_of).to_numpy() & in_use


def _finish(rows: pd.DataFrame, records: Records, units: pd.DataFrame) -> pd.DataFrame:
    shop, builds = records.shop, records.builds
    unit = rows["unit"].to_numpy()
    taken = ["serial", "row_serial", "builder", "built_on", "begun_on", "power_hp", "rpm"]
    taken += [f"extra_{name}" for name in shop.extra_columns]
    build = builds[taken].iloc[unit].reset_index(drop=True)
    rpm = build["rpm"].to_numpy(float)
    # the engine speed of a later tune is not known
    rpm = np.where(rows["power_hp"].to_numpy() == build["power_hp"].to_numpy(), rpm, np.nan)
    return pd.DataFrame(
        {
            "serial": build["serial"],
            "component": rows["component"],
            "part": rows["part"],
            "lot": rows["lot"],
            "spell": rows["spell"],
            "segment": rows["segment"],
            **{f"{side}_{clock}": rows[f"{side}_{clock}"] for clock in CLOCKS for side in ("entry", "lower", "upper")},
            "ended": rows["ended"],
            "cause": rows["cause"],
            "finding": rows["finding"],
            "order": rows["order"],
            "power_hp": rows["power_hp"],
            "torque_lbft": rows["power_hp"] * _TORQUE / rpm,
            "weight_lb": rows["weight_lb"],
            "use": rows["use"],
            "power_band": _bands(rows["power_hp"], shop),
            "weight_class": _named(
                rows["weight_lb"], class_of(rows["weight_lb"], shop.weight.classes), shop.class_labels()
            ),
            **{f"extra_{name}": build[f"extra_{name}"] for name in shop.extra_columns},
            "builder": build["builder"],
            "built_on": build["built_on"],
            "begun_on": build["begun_on"],
            "started_on": rows["from_day"],
            "ended_on": rows["to_day"],
            "followed": _followed(rows, units, records.as_of),
            "fitted_on": rows["started_on"],
            "read_miles": units["read_miles"].to_numpy()[unit],
            "read_days": units["read_days"].to_numpy()[unit],
            "run_runs": units["run_runs"].to_numpy()[unit],
            "run_days": units["run_days"].to_numpy()[unit],
            "unit_from": units["start"].to_numpy()[unit],
            "unit_days": ((units["stop"] - units["start"]) / DAY).to_numpy()[unit],
            "count": rows["count"],
            "miles_from": rows["miles_from"],
            "miles_days": rows["miles_days"],
            "flags": add_flag(rows["flags"], rows["miles_short"], Flag.MILES_SHORT),
            "unit": unit,
            "row_serial": build["row_serial"],
        },
        copy=False,  # of millions of rows a second copy would fill the memory
    )


def _fleet(records: Records, units: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    builds = records.builds
    damaged = records.returns[records.returns["cause"] != "no fault"].groupby("unit")["event"].nunique()
    fleet = builds[
        ["serial", "in_service_on", "built_on", "begun_on", "count", "power_hp", "weight_lb", "use", "builder", "row"]
    ].copy()
    fleet["days"] = (units["stop"] - units["start"]) / DAY
    fleet["miles"], fleet["miles_days"] = units["read_miles"], units["read_days"]
    fleet["called"], fleet["found_failed"] = units["called"], units["found_failed"]
    fleet["seen_until"], fleet["end"] = units["stop"], units["end"]
    now = states.drop_duplicates("unit", keep="last").set_index("unit").reindex(fleet.index)
    fleet["power_now_hp"], fleet["weight_now_lb"], fleet["use_now"] = now["power_hp"], now["weight_lb"], now["use"]
    power = states.drop_duplicates("unit").set_index("unit")["power_hp"].reindex(fleet.index)
    fleet["first_band"] = _bands(power, records.shop)
    fleet["returned"] = damaged.reindex(fleet.index).fillna(0).astype(int)
    return fleet[fleet["in_service_on"] <= records.as_of]
