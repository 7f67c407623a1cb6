"""Do they come back again?"""

from __future__ import annotations

import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import repeated_failures
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
]


def again(lifetimes: Lifetimes) -> Answer:
    """How many units came back more than once, and the mean number of failures per unit, replacements included."""
    table, units = lifetimes.table, lifetimes.units
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
    return Answer(
        "Do they come back again?",
        tuple(lines),
        frame,
        "Mean cumulative number of failures per unit by age, limits 95 %, robust to a unit's own history (Nelson 2003; Lawless and Nadeau 1995).",
    )
