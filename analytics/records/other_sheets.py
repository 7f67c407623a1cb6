"""The cells of fitted, readings, changes and limits."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.cover import edge_groups
from analytics.records.loads import plain, quantity, read_load, to_crank, words
from analytics.records.parts import NOT_RECORDED, name_components, name_parts
from analytics.records.shop import Shop
from analytics.records.words import RUNNING, choose

#: the basis of a limit that was accepted on these records, so that it is no evidence beside them
FROM_RECORDS = "records"
LIMITS_CLASH = "another limit of the same day, part, weight and use says otherwise"


def read_fitted(fitted: Sheet, shop: Shop) -> None:
    """Parts fitted and their lots; two parts at one position on one day cannot both be right. shop: its settings."""
    values = fitted.values
    name_parts(fitted, "part", shop)
    no_part = values["part"].isin(["", NOT_RECORDED])
    fitted.set_aside(no_part, "part", "no part named", "say which part was fitted")
    text = fitted.text("lot")
    values["lot"] = cells.by_distinct(
        text, lambda t: ("" if cells.is_blank(t) else " ".join(t.split()).upper(),), ["lot"]
    )["lot"]
    quantity(fitted, "odometer", cells.DISTANCE, shop.units.distance, "odometer")
    place, what = ["build", "component", "fitted_on"], ["part", "lot"]
    live = values.loc[fitted.in_use, place + what]
    live = live.assign(part=live["part"].str.casefold())
    again = _mask(fitted, live.index[live.duplicated()])
    fitted.set_aside(again, "serial", "the same part is entered twice", "nothing to do", Issue.REPEATED)
    live = live.drop_duplicates()
    clash = _mask(fitted, live.index[live.duplicated(place, keep=False)])
    reason = "another part or lot is entered for this position on this day"
    fitted.set_aside(clash, "part", reason, "delete the row that is wrong, or date the later one")


def doubt_other_part(fitted: Sheet, builds: Sheet, starts: pd.Series) -> None:
    """List parts fitted at the build that are not the ones builds names; ``fitted`` is believed.

    fitted, builds: the sheets. starts: the day each build went into service.
    """
    values = fitted.values
    mask = fitted.in_use & (values["build"] >= 0).to_numpy()
    at = values["build"].to_numpy()
    differs = np.zeros(len(mask), bool)
    for component in values.loc[mask, "component"].unique():
        own = np.flatnonzero(mask & (values["component"] == component).to_numpy())
        first = values["fitted_on"].isna().to_numpy()[own] | (
            values["fitted_on"].to_numpy()[own] <= starts.to_numpy()[at[own]]
        )
        named = builds.values[f"component:{component}"].to_numpy()[at[own]]
        differs[own] = first & (named != values["part"].to_numpy()[own]) & (named != NOT_RECORDED)
    reason = np.full(len(mask), "", dtype=object)
    for row in np.flatnonzero(differs):
        named = builds.values[f"component:{values['component'].iat[row]}"].iat[at[row]] or "none"
        reason[row] = f"builds names {named}: the part of this row is taken"
    fitted.doubt(differs, "part", reason, "correct the sheet that is wrong", Issue.TWO_NAMES)


def read_readings(readings: Sheet, shop: Shop) -> None:
    """Odometers, runs and news of units. readings: the sheet. shop: its settings."""
    values = readings.values
    quantity(readings, "odometer", cells.DISTANCE, shop.units.distance, "odometer")
    runs = plain(readings, "runs", 0, 1_000_000, whole=True)
    readings.doubt(runs["problem"] != "", "runs", runs["problem"] + ": taken as unknown", runs["remedy"])
    running = choose(readings.text("still_running"), RUNNING, shop.names.words.get("still_running", {}))
    reason = running["problem"] + ": not used"
    readings.doubt(running["problem"] != "", "still_running", reason, "write yes, no, sold, lost or scrapped")
    values["still_running"] = running["value"]

    def replaced(text: str) -> tuple[bool, float, str]:
        word = text.strip().casefold()
        if cells.is_blank(text) or word in ("no", "n", "false", "0"):
            return False, np.nan, ""
        if word in ("yes", "y", "true", "replaced", "new"):
            return True, np.nan, ""
        final = cells.parse_quantity(text, cells.DISTANCE, shop.units.distance)[0]
        return True, final, "neither yes nor the old odometer's last figure: taken as yes" if np.isnan(final) else ""

    parsed = cells.by_distinct(readings.text("odometer_replaced"), replaced, ["replaced", "old_final", "problem"])
    remedy = "write yes, no, or the old odometer's last figure"
    readings.doubt(parsed["problem"] != "", "odometer_replaced", parsed["problem"], remedy)
    values["replaced"], values["old_final"] = parsed["replaced"].astype(bool), parsed["old_final"].astype(float)
    values["source"] = cells.tidy(readings.text("source"))
    says = values["odometer"].notna() | values["runs"].notna() | (values["still_running"] != "") | values["replaced"]
    reason = "no odometer, runs or word on whether it still runs that could be read"
    readings.set_aside(~says, "odometer", reason, "correct the odometer")


def read_changes(changes: Sheet, shop: Shop) -> None:
    """Power, weight and use from a day on. changes: the sheet. shop: its settings."""
    values = changes.values
    read_load(changes, shop)
    quantity(changes, "odometer", cells.DISTANCE, shop.units.distance, "odometer")
    nothing = values["power_hp"].isna() & values["weight_lb"].isna() & (values["use"] == "")
    changes.set_aside(nothing, "power", "no power, weight or use that could be read", "say what changed")
    live = values.loc[changes.in_use, ["build", "changed_on", "power_hp", "weight_lb", "use"]]
    live = live.assign(use=live["use"].replace("", None))
    values["again"] = again = _mask(changes, live.index[live.duplicated()])
    changes.set_aside(again, "serial", "the same change is entered twice", "nothing to do", Issue.REPEATED)
    live = live.drop_duplicates()
    clash = (
        live.groupby(["build", "changed_on"])[["power_hp", "weight_lb", "use"]].transform("nunique").gt(1).any(axis=1)
    )
    reason = "another change of the same day says otherwise"
    changes.set_aside(_mask(changes, live.index[clash]), "changed_on", reason, "delete the row that is wrong")


def read_limits(limits: Sheet, shop: Shop) -> None:
    """Limits as published. limits: the sheet. shop: its settings."""
    values = limits.values
    name_components(limits, shop)
    name_parts(limits, "part", shop)
    no_part = values["part"].isin(["", NOT_RECORDED])
    limits.set_aside(no_part, "part", "no part named", "say which part the limit is for")
    limit = quantity(limits, "power_limit", cells.POWER, shop.units.power, "power_limit_hp")
    limits.set_aside(limit["value"].isna(), "power_limit", "no power limit that could be read", "write it as 650 hp")
    values["power_limit_hp"] *= to_crank(limit["qualifier"], shop)
    _read_limit_weights(limits, shop)
    use = words(limits, "use", shop)
    values["use"] = use.mask(use.isin(_EVERY_USE), "")
    values["reason"] = limits.text("reason")
    values["basis"] = words(limits, "basis", shop)
    _read_sure_within(limits)
    both = limits.values["effective_on:second"].notna()
    remedy = 'write the date as 2024-03-31, or state in shop.toml: [dates] order = "month first" (or "day first")'
    limits.set_aside(both, "effective_on", "could be two days", remedy)
    _one_limit_a_day(limits)


def _read_sure_within(limits: Sheet) -> None:
    """``sure_within``: the share of the truth that the figure lies within nine times in ten, as 25% or 0.25."""

    def read(text: str) -> tuple[float, str]:
        if cells.is_blank(text):
            return np.nan, ""
        bare = text.strip().rstrip("%").strip()
        try:
            share = float(bare) / (100 if "%" in text else 1)
        except ValueError:
            return np.nan, "not a share"
        return (share, "") if 0 < share <= 3 else (np.nan, "not a share from above 0 to 300%")

    found = cells.by_distinct(limits.text("sure_within"), read, ["value", "problem"])
    limits.values["sure_within"] = found["value"].astype(float)
    problem = found["problem"].astype(str)
    limits.doubt(problem != "", "sure_within", problem + ": taken as not stated", "write it as 25%")


_EVERY_USE = ("all", "any", "every", "all uses", "any use", "every use")
_OVER = re.compile(r"\s*(?:over|above|more than|>)\s*(.+)", re.IGNORECASE | re.DOTALL)


def _read_limit_weights(limits: Sheet, shop: Shop) -> None:
    """``weight_up_to`` as an edge (7,500 lb), as all above one (over 9,000 lb), or blank."""
    text = limits.text("weight_up_to")
    above = text.str.match(_OVER)
    parsed = cells.by_distinct(
        text.str.replace(_OVER, r"\1", regex=True),
        lambda t: cells.parse_quantity(t, cells.WEIGHT, shop.units.weight),
        cells.QUANTITY_COLUMNS,
    ).astype({"value": float, "low": float, "high": float})
    remedy = "write it as 7,500 lb, as over 9,000 lb, or leave it blank if the limit holds for any weight"
    limits.set_aside(text.str.contains("+", regex=False), "weight_up_to", "7,500+ can mean what lies above it", remedy)
    unread = (parsed["problem"] != "") | (above & parsed["value"].isna())
    limits.set_aside(
        unread, "weight_up_to", parsed["problem"].where(parsed["problem"] != "", "no weight named"), remedy
    )
    ranged = parsed["high"] > parsed["low"]
    limits.doubt(ranged, "weight_up_to", "a range: its middle is taken", "write the figure, if it is known")
    limits.values["weight_up_to_lb"] = parsed["value"].where(~above)
    limits.values["weight_over_lb"] = parsed["value"].where(above)


def _one_limit_a_day(limits: Sheet) -> None:
    """Two limits of one day for the same part, weights and use cannot both be right."""
    values = limits.values
    what = ["component", "part", "use", "effective_on", "up_to", "over"]
    live = values.loc[limits.in_use].assign(
        part=lambda v: v["part"].str.casefold(),
        up_to=lambda v: edge_groups(v, "weight_up_to_lb"),
        over=lambda v: edge_groups(v, "weight_over_lb"),
    )[[*what, "power_limit_hp"]]
    again = _mask(limits, live.index[live.duplicated()])
    limits.set_aside(again, "power_limit", "the same limit is entered twice", "nothing to do")
    live = live.drop_duplicates()
    clash = _mask(limits, live.index[live.duplicated(what, keep=False)])
    limits.set_aside(clash, "power_limit", LIMITS_CLASH, "delete the row that is wrong, or date the later one")


def _mask(sheet: Sheet, labels: pd.Index) -> np.ndarray:
    mask = np.zeros(len(sheet.alive), bool)
    mask[labels.to_numpy(int)] = True
    return mask
