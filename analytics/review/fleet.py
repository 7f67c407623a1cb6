"""How many are out there, for how long, and how much of their driving is known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.review.answer import Answer, percent, plural
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
    total = int(units["count"].sum())
    if not total:
        return Answer("How many are out there, and for how long?", ("No unit is in service yet.",), _by_use(units))
    in_use = units_in_use(lifetimes)
    gone = units[units["end"] != "in use"]
    known = units[units["miles_days"] > 0]
    years = units["days"].repeat(units["count"]) / YEAR_DAYS
    lines = [
        f"{plural(total, 'unit')} went out; {in_use:,} are in use as far as the records tell, half of them for more than {years.median():.1f} years. "
        f"Together they have served {years.sum():,.0f} unit-years."
    ]
    if len(gone):
        words = {
            "sold": "sold on",
            "lost": "lost from sight",
            "scrapped": "scrapped",
            "no": "not running, with no return",
        }
        ends = gone.groupby("end")["count"].sum()
        lines.append(
            "Followed to the last contact only: " + ", ".join(f"{n:,} {words[e]}" for e, n in ends.items()) + "."
        )
    share = known["count"].sum() / total
    if len(known):
        per_year = known["miles"] / known["miles_days"] * YEAR_DAYS
        lines.append(
            f"An odometer figure is known for {known['count'].sum():,} of them ({percent(share)}); among these half drive more than {per_year.median():,.0f} miles a year. "
            "Odometers get read when a truck comes back, and the hard-driven come back more: do not take this for the average customer."
        )
    else:
        lines.append("No odometer figure is known for any of them: everything below counts days, not miles.")
    return Answer(
        "How many are out there, and for how long?",
        tuple(lines),
        _by_use(units),
        "Ages run from the in-service date (the ship date where none is written) to the as-of date or the last contact.",
    )


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
