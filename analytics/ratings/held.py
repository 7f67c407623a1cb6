"""Limits that the records would have higher and the driveline's formulas hold: nothing is raised to where a part may give."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analytics.driveline.load import SHAFTS, Loads, load_at, make_loads
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.verdict import NOT_SHOWN
from analytics.reasons import Verdict, reason
from analytics.records.load import Records

#: of a clutch, what has a default where its row states nothing
_OWN_OF_CLUTCH = ["lining_friction", "apply_pressure_psi"]


def weakest_margin(loads: Loads, component: str, part: str, power_hp: float, weight_lb: float, use: str) -> float:
    """The low end of what a part stands of the torque a truck of ``power_hp``, ``weight_lb`` and ``use`` may bring, uncapped by its tyres: of a shaft its plain body's, of a
    clutch its capacity's; NaN where that hangs on figures of the part that nobody wrote down. loads: of the shop; component, part: its place."""
    made = loads.made(component, part)
    if made is None:
        return math.nan
    at = load_at(loads, component, part, np.array([power_hp]), weight_lb, use).iloc[0]
    if loads.kinds[component] in SHAFTS:
        return float(at["body_margin_low"])
    return float(at["clutch_margin_low"]) if made[_OWN_OF_CLUTCH].notna().all() else math.nan


def held_by_margin(table: pd.DataFrame, records: Records, lifetimes: Lifetimes) -> pd.DataFrame:
    """The ``table`` of ratings (`sheet.COLUMNS`) with each raise held (keep, or nothing shown where nothing is published) whose power the part may not stand by its own geometry (`weakest_margin`
    under 1), and without a trial there. records, lifetimes: of the shop. The geometry is the owner's; of the truck its ranges are taken: what it has of its own narrows
    them, and a person may then decide."""
    raised, tried = table.index[table["verdict"] == "raise"], table.index[table["trial_hp"].notna()]
    if records.parts.empty or raised.union(tried).empty:
        return table
    loads, held = make_loads(records, lifetimes), table.copy()
    for at in tried:
        component, part, trial, weight_lb, use = table.loc[at, ["component", "part", "trial_hp", "weight_up_to", "use"]]
        if weakest_margin(loads, component, part, trial, weight_lb, use) < 1:
            held.at[at, "trial_hp"] = math.nan
    for at in raised:
        row = table.loc[at]
        place = row["component"], row["part"], row["proposed_hp"], row["weight_up_to"], row["use"]
        weakest = weakest_margin(loads, *place)
        if weakest < 1:
            held.at[at, "verdict"] = "keep" if row["published_hp"] > 0 else NOT_SHOWN
            held.at[at, "why"] = reason(Verdict.HELD_BY_MARGIN, **row["why"].values, weakest=weakest)
            held.at[at, "proposed_hp"] = row["supported_hp"]
    return held
