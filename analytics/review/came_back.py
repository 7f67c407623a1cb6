"""What came back, and why."""

from __future__ import annotations

import pandas as pd

from analytics.reasons import CameBack, Question, reason
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import Span


def returns_in(records: Records, span: Span) -> pd.DataFrame:
    """Returned components of a span, one row each, with the unit's serial, part fitted, power and weight at the build."""
    rows = records.returns[span.covers(records.returns["day"])]
    builds = records.builds
    unit = rows["unit"].to_numpy(int)
    own = [builds[c].iat[u] if c in builds else "" for u, c in zip(unit, rows["component"], strict=True)]
    shown = rows.assign(
        serial=builds["serial"].to_numpy()[unit],
        fitted_part=own,
        power_hp=builds["power_hp"].to_numpy()[unit],
        weight_lb=builds["weight_lb"].to_numpy()[unit],
        use=builds["use"].to_numpy()[unit],
    )
    shown["days"] = (shown["day"] - builds["in_service_on"].to_numpy()[unit]).dt.days
    return shown.sort_values(["day", "serial", "component"], kind="stable").reset_index(drop=True)


def came_back(records: Records, span: Span, units_out: int) -> Answer:
    """What came back in the quarter and why, counted by component."""
    rows = returns_in(records, span)
    question = reason(Question.CAME_BACK, quarter=span.name)
    seen_up_to = None if span.whole else span.end
    if rows.empty:
        values = {"quarter": span.name, "seen_up_to": seen_up_to, "units_out": units_out}
        return nothing(question, CameBack.NOTHING, _table(rows), **values)
    damaged = rows[rows["cause"] != "no fault"]
    said = [
        reason(
            CameBack.COUNTS,
            units=rows["unit"].nunique(),
            returns=rows["event"].nunique(),
            seen_up_to=seen_up_to,
            units_out=units_out,
            damaged=len(damaged),
            returns_no_fault=rows[rows["cause"] == "no fault"]["event"].nunique(),
        )
    ]
    first = damaged[damaged["order"] != "followed"]
    by_component = first.groupby("component", sort=False).size().sort_values(ascending=False, kind="stable")
    for component, n in by_component.items():
        own = first[first["component"] == component]
        said.append(
            reason(
                CameBack.COMPONENT,
                component=component,
                n=n,
                causes=_most_first(own["cause"]),
                findings=_most_first(own["finding"]),
            )
        )
    for code, n in (
        (CameBack.FOLLOWED, int((damaged["order"] == "followed").sum())),
        (CameBack.ORDER_UNCLEAR, int((damaged["order"] == "unclear").sum())),
    ):
        if n:
            said.append(reason(code, n=n))
    unstated = int((~rows["cause_stated"]).sum())
    if unstated:
        said.append(reason(CameBack.CAUSE_UNSTATED, unstated=unstated, rows=len(rows)))
    return Answer(question, tuple(said), _table(rows))


def _most_first(values: pd.Series) -> dict[str, int]:
    """How often each value occurs, the most frequent first."""
    return values.value_counts().sort_index().sort_values(ascending=False, kind="stable").to_dict()


def _table(rows: pd.DataFrame) -> pd.DataFrame:
    columns = "day serial component fitted_part finding order cause power_hp weight_lb use days odometer cost".split()
    return rows[columns].rename(
        columns={
            "day": "returned_on",
            "fitted_part": "part_at_build",
            "power_hp": "power_at_build_hp",
            "weight_lb": "weight_at_build_lb",
            "days": "unit_days_in_service",
        }
    )
