"""How many are out there, for how long, and how much of their driving is known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.reasons import Fleet, Question, reason
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import YEAR_DAYS


def units_in_use(lifetimes: Lifetimes) -> int:
    """Units in service at the as-of date, as far as the records tell."""
    units = lifetimes.units
    return int(units.loc[units["end"] == "in use", "count"].sum())


def units_back(units: pd.DataFrame) -> pd.Series:
    """Units that came back damaged per row: a truck that came back more than once counts once."""
    return units["returned"].clip(upper=units["count"])


def fleet(lifetimes: Lifetimes) -> Answer:
    """The fleet by use: units, ages, known odometers."""
    units = lifetimes.units
    question, table = reason(Question.FLEET), _by_use(units)
    total = int(units["count"].sum())
    if not total:
        return nothing(question, Fleet.NONE, table)
    gone = units[units["end"] != "in use"]
    known = units[units["miles_days"] > 0]
    years = units["days"].repeat(units["count"]) / YEAR_DAYS
    size = {
        "units": total,
        "in_use": units_in_use(lifetimes),
        "median_years": years.median(),
        "unit_years": years.sum(),
    }
    said = [reason(Fleet.SIZE, **size)]
    if len(gone):
        said.append(reason(Fleet.GONE, ends=gone.groupby("end")["count"].sum().to_dict()))
    if len(known):
        per_year = known["miles"] / known["miles_days"] * YEAR_DAYS
        values = {"known": int(known["count"].sum()), "units": total, "median_miles_a_year": per_year.median()}
        said.append(reason(Fleet.ODOMETERS, **values))
    else:
        said.append(reason(Fleet.NO_ODOMETERS))
    return Answer(question, tuple(said), table)


def _by_use(units: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for use, own in units.assign(use=units["use"].replace("", "not recorded")).groupby("use", sort=True):
        known = own[own["miles_days"] > 0]
        per_year = known["miles"] / known["miles_days"] * YEAR_DAYS
        rows.append(
            {
                "use": use,
                "units": int(own["count"].sum()),
                "in_use": int(own.loc[own["end"] == "in use", "count"].sum()),
                "median_years": float((own["days"].repeat(own["count"]) / YEAR_DAYS).median()),
                "came_back": int(units_back(own).sum()),
                "odometer_known": int(known["count"].sum()),
                "median_miles_a_year": float(per_year.median()) if len(known) else np.nan,
            }
        )
    return pd.DataFrame(
        rows, columns=["use", "units", "in_use", "median_years", "came_back", "odometer_known", "median_miles_a_year"]
    )
