"""Do they come back again?"""

from __future__ import annotations

import math

import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import failures_with_age, repeated_failures
from analytics.review.answer import Answer, numbered, plural
from analytics.review.fleet import units_back
from analytics.review.quarter import YEAR_DAYS

_COLUMNS = [
    "component",
    "units",
    "failures",
    "units_once",
    "units_more_than_once",
    "mean_failures",
    "by_years",
    "lower",
    "upper",
    "second_year_to_first",
    "second_year_from",
    "second_year_to",
]


def again(lifetimes: Lifetimes) -> Answer:
    """How many units came back more than once, and the mean number of failures per unit, replacements included."""
    table, units, shop = lifetimes.table, lifetimes.units, lifetimes.shop
    two_years = int(units.loc[units["days"] >= 2 * YEAR_DAYS, "count"].sum()) >= shop.at_risk_to_show
    # of a row that stands for several units nobody knows which came back, so none is called a repeat
    single = units["count"] == 1
    times = units.loc[single, "returned"].value_counts().sort_index(ascending=True)
    rows = []
    for component, own in table.groupby("component", sort=True):
        try:
            mean = repeated_failures(own, units)
        except NotEnoughData:
            continue
        of_single = own["unit"].map(single)
        failed = (
            own[(own["ended"] == "failed") & (own["cause"] != "install") & of_single].groupby("unit")["count"].sum()
        )
        last = mean.to_frame().iloc[-1]
        rows.append(
            [
                component,
                mean.units,
                mean.total_events,
                int((failed == 1).sum()),
                int((failed > 1).sum()),
                last["mean"],
                last["time"] / YEAR_DAYS,
                last["lower"],
                last["upper"],
                *(_second_year(own, units, shop.failures_to_fit) if two_years else (math.nan,) * 3),
            ]
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    back = times[times.index > 0]
    several = int(units_back(units[~single]).sum())
    if back.empty and not several:
        return Answer("Do they come back again?", ("No unit has come back damaged yet.",), frame)
    more = times[times.index > 1]
    lines = [
        f"{plural(int(back.sum()) + several, 'unit')} came back damaged at least once; {f'{int(more.sum()):,}' if len(more) else 'none'} of them more than once"
        + (f", one of them {plural(int(more.index[-1]), 'time')}." if len(more) else ".")
    ]
    for row in frame[frame["units_more_than_once"] > 0].itertuples():
        lines.append(
            f"{row.component.capitalize()}: {plural(row.units_more_than_once, 'unit')} lost it twice or more, the replaced one included; {numbered(100 * row.mean_failures)} failures per hundred units by {row.by_years:.1f} years."
        )
    for row in frame.itertuples():
        if row.second_year_from > 1 or row.second_year_to < 1:
            how = "more" if row.second_year_from > 1 else "less"
            lines.append(
                f"{row.component.capitalize()}: {how} often as trucks get older. In its second year a unit loses it {row.second_year_to_first:.1f} times as often as in its "
                f"first (95 % limits {row.second_year_from:.1f} to {row.second_year_to:.1f})."
            )
    return Answer(
        "Do they come back again?",
        tuple(lines),
        frame,
        "Mean cumulative number of failures per unit by age, limits 95 %, robust to a unit's own history (Nelson 2003; Lawless and Nadeau 1995). "
        "Second year against the first: power-law process of failures by the unit's age (Crow 1974), units watched from new; its limits are right only if one failure does not bring the next.",
    )


def _second_year(own: pd.DataFrame, units: pd.DataFrame, least: int) -> tuple[float, float, float]:
    """Expected failures in a unit's second year over those in its first, with 95 % limits; NaN with fewer than ``least``."""
    try:
        law = failures_with_age(own, units)
    except NotEnoughData:
        return (math.nan,) * 3
    return tuple(2**b - 1 for b in (law.b, law.b_lower, law.b_upper)) if law.events >= least else (math.nan,) * 3
