"""Do they come back again?"""

from __future__ import annotations

import math

import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import failures_with_age, is_failure, repeated_failures
from analytics.reasons import Again, Question, reason
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import YEAR_DAYS

_COLUMNS = (
    "component units failures units_once units_more_than_once mean_failures by_years lower upper second_year_to_first "
    "second_year_from second_year_to"
).split()


def again(lifetimes: Lifetimes) -> Answer:
    """How many units came back more than once, and the mean number of failures per unit, replacements included."""
    table, units, shop = lifetimes.table, lifetimes.units, lifetimes.shop
    two_years = int(units.loc[units["days"] >= 2 * YEAR_DAYS, "count"].sum()) >= shop.at_risk_to_show
    times = units["returned"].value_counts().sort_index(ascending=True)
    rows = []
    for component, own in table.groupby("component", sort=True):
        try:
            mean = repeated_failures(own, units, lifetimes.sight)
        except NotEnoughData:
            continue
        failed = own[is_failure(own)].groupby("unit")["count"].sum()
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
                *(_second_year(own, lifetimes) if two_years else (math.nan,) * 3),
            ]
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    back = times[times.index > 0]
    question = reason(Question.AGAIN)
    if back.empty:
        return nothing(question, Again.NONE_BACK, frame)
    more = times[times.index > 1]
    said = [
        reason(
            Again.BACK_ONCE_AND_MORE,
            units=int(back.sum()),
            units_more_than_once=int(more.sum()),
            most_times=int(more.index[-1]) if len(more) else 1,
        )
    ]
    for row in frame[frame["units_more_than_once"] > 0].itertuples():
        said.append(
            reason(
                Again.LOST_TWICE,
                component=row.component,
                units=row.units_more_than_once,
                mean_failures=row.mean_failures,
                by_years=row.by_years,
            )
        )
    for row in frame.itertuples():
        if row.second_year_from > 1 or row.second_year_to < 1:
            said.append(
                reason(
                    Again.MORE_OFTEN_WITH_AGE if row.second_year_from > 1 else Again.LESS_OFTEN_WITH_AGE,
                    component=row.component,
                    ratio=row.second_year_to_first,
                    lower=row.second_year_from,
                    upper=row.second_year_to,
                )
            )
    return Answer(question, tuple(said), frame)


def _second_year(own: pd.DataFrame, lifetimes: Lifetimes) -> tuple[float, float, float]:
    """Expected failures in a unit's second year over those in its first, with 95 % limits; NaN with too few to fit."""
    least = lifetimes.shop.failures_to_fit
    try:
        law = failures_with_age(own, lifetimes.units, lifetimes.sight)
    except NotEnoughData:
        return (math.nan,) * 3
    return tuple(2**b - 1 for b in (law.b, law.b_lower, law.b_upper)) if law.events >= least else (math.nan,) * 3
