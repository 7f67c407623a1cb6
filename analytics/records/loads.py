"""Power, weight and use as stated for a build or a change, with what was assumed in ``flags``."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.reasons import Flag, Issue
from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.flags import add_flag
from analytics.records.shop import Shop
from analytics.records.words import MEASURED, WEIGHT_KINDS, choose

#: a truck with a trailer is at least this share of both together; less is a slip
LEAST_TRUCK = 0.15


def quantity(sheet: Sheet, heading: str, kind: cells.Quantity, unit: str, into: str) -> pd.DataFrame:
    """Parse a column of amounts; unreadable cells become unknown and are listed.

    sheet, heading: where it stands. kind: of amount. unit: what a bare number is in. into: name of the column
    made.
    """
    parsed = cells.by_distinct(
        sheet.text(heading), lambda t: cells.parse_quantity(t, kind, unit), cells.QUANTITY_COLUMNS
    ).astype({"value": float, "low": float, "high": float, "about": bool})
    sheet.doubt(parsed["problem"] != "", heading, parsed["problem"] + ": taken as unknown", parsed["remedy"])
    if heading not in ("power", "weight"):  # their flags say so in every row made of them
        remedy = "write the figure, if it is known"
        sheet.doubt(parsed["high"] > parsed["low"], heading, "a range: its middle is taken", remedy, Issue.RANGE)
    sheet.values[into] = parsed["value"]
    return parsed


def plain(sheet: Sheet, heading: str, low: float, high: float, whole: bool = False) -> pd.DataFrame:
    """Parse a column of plain numbers. Columns value, problem, remedy; the caller says what a problem means.

    sheet, heading: where it stands. low, high: what is believed. whole: whether it must be a whole number.
    """
    name, money = heading.replace("_", " "), heading in ("cost", "price")
    parsed = cells.by_distinct(
        sheet.text(heading),
        lambda t: cells.parse_plain(t, low, high, whole, name, money),
        ["value", "problem", "remedy"],
    ).astype({"value": float})
    sheet.values[heading] = parsed["value"]
    return parsed


def words(sheet: Sheet, heading: str, shop: Shop) -> pd.Series:
    """A column of the shop's own words, those of [words] brought together.

    sheet, heading: where it stands. shop: its words.
    """
    return choose(sheet.text(heading), {}, shop.names.words.get(heading, {}), free=True)["value"]


def to_crank(measured_at: pd.Series, shop: Shop) -> np.ndarray:
    """What a power has to be multiplied with to be power at the crank.

    measured_at: "crank", "wheels" or "" by row. shop: its loss from crank to wheels.
    """
    return np.where(measured_at == "wheels", 1 / (1 - shop.power.driveline_loss), 1.0)


def read_load(sheet: Sheet, shop: Shop) -> None:
    """Power at the crank in hp, weight in lb, use, flags; ``power_lost``, ``weight_lost``: stated, but not usable.

    sheet: one with these columns. shop: its settings.
    """
    values = sheet.values
    values["flags"] = ""
    _read_power(sheet, shop)
    _read_weight(sheet, shop)
    values["use"] = words(sheet, "use", shop)


def _read_power(sheet: Sheet, shop: Shop) -> None:
    values = sheet.values
    power = quantity(sheet, "power", cells.POWER, shop.units.power, "power_hp")
    known = power["value"].notna()
    column = choose(sheet.text("power_measured_at"), MEASURED, shop.names.words.get("measured_at", {}))
    reason = column["problem"] + f": taken as {shop.power.measured_at}"
    sheet.doubt(column["problem"] != "", "power_measured_at", reason, "write crank or wheels")
    where = power["qualifier"].where(power["qualifier"] != "", column["value"])
    where = where.where(where != "", shop.power.measured_at)
    factor = to_crank(where, shop)
    for column, part in (("power_hp", "value"), ("power_low", "low"), ("power_high", "high")):
        values[column] = power[part] * factor
    values["power_measured_at"] = where.where(known, "")
    values["power_lost"] = power["problem"] != ""
    flags = add_flag(values["flags"], (where == "wheels") & known, Flag.POWER_AT_WHEELS)
    flags = add_flag(flags, power["about"] & known, Flag.POWER_ABOUT)
    values["flags"] = add_flag(flags, power["high"] > power["low"], Flag.POWER_RANGE)


def _read_weight(sheet: Sheet, shop: Shop) -> None:
    values = sheet.values
    weight = quantity(sheet, "weight", cells.WEIGHT, shop.units.weight, "weight_lb")
    kind = choose(sheet.text("weight_kind"), WEIGHT_KINDS, shop.names.words.get("weight_kind", {}))
    reason = kind["problem"] + f": taken as {shop.weight.kind}"
    sheet.doubt(kind["problem"] != "", "weight_kind", reason, f"write one of {', '.join(WEIGHT_KINDS)}")
    what = weight["qualifier"].where(weight["qualifier"] != "", kind["value"])
    what = what.where(what != "", shop.weight.kind)
    combined = (what == "combined") & weight["value"].notna()
    trailer = cells.by_distinct(
        sheet.text("trailer_weight"),
        lambda t: cells.parse_quantity(t, cells.WEIGHT, shop.units.weight),
        cells.QUANTITY_COLUMNS,
    )["value"].astype(float)
    alone = weight["value"].where(~combined, weight["value"] - trailer)
    split = combined & (alone >= weight["value"] * LEAST_TRUCK)
    combined &= ~split
    reason = "a combined weight with trailer, not the truck's own: taken as unknown"
    remedy = "write the trailer's under trailer_weight, or weigh the truck alone"
    sheet.doubt(combined, "weight", reason, remedy, Issue.COMBINED_WEIGHT)
    known = weight["value"].notna() & ~combined
    values["weight_lb"] = alone.where(known)
    values["weight_kind"] = what.where(known, "")
    values["weight_lost"] = (weight["problem"] != "") | combined
    about = weight["about"] | (weight["high"] > weight["low"]) | split
    flags = add_flag(values["flags"], (what == "rating plate") & known, Flag.WEIGHT_OF_PLATE)
    values["flags"] = add_flag(flags, about & known, Flag.WEIGHT_ABOUT)
