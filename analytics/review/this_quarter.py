"""The quarter's returns: what came back and why, what changed, and which published limits they speak to."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.sight import returns_in_sight
from analytics.lifetimes.table import Lifetimes
from analytics.models.exact import compare_rates
from analytics.reasons import CameBack, Change, Limits, Question, reason, reason_if
from analytics.records.limits import limit_for
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import Span, quarter_before, unit_years


# ---- what came back --------------------------------------------------------------------------------------------------
def _returns_in(records: Records, span: Span) -> pd.DataFrame:
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
    """What came back by ``records`` in the quarter (``span``) and why, counted by component. units_out: units in
    service."""
    rows = _returns_in(records, span)
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
        said += reason_if(code, n, n=n)
    unstated = int((~rows["cause_stated"]).sum())
    said += reason_if(CameBack.CAUSE_UNSTATED, unstated, unstated=unstated, rows=len(rows))
    return Answer(question, tuple(said), _table(rows))


def _most_first(values: pd.Series) -> dict[str, int]:
    """How often each value occurs, the most frequent first."""
    return values.value_counts().sort_index().sort_values(ascending=False, kind="stable").to_dict()


def _table(rows: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "day", "serial", "component", "fitted_part", "finding", "order", "cause", "power_hp", "weight_lb", "use", "days", "odometer",
        "cost",
    ]  # fmt: skip
    return rows[columns].rename(
        columns={
            "day": "returned_on",
            "fitted_part": "part_at_build",
            "power_hp": "power_at_build_hp",
            "weight_lb": "weight_at_build_lb",
            "days": "unit_days_in_service",
        }
    )


# ---- what changed ----------------------------------------------------------------------------------------------------
_BASE_QUARTERS = 4


def damaged_first(records: Records) -> pd.DataFrame:
    """Returned components of the ``records`` that were damaged, but for those that another one broke."""
    return records.returns[(records.returns["cause"] != "no fault") & (records.returns["order"] != "followed")]


def comebacks(records: Records, lifetimes: Lifetimes) -> pd.DataFrame:
    """Those of the ``records`` whose unit is in sight (``lifetimes``), with the day each counts on, ``seen_on``: only what the unit-years cover, since of units out of sight
    nothing but failures would be heard."""
    return returns_in_sight(damaged_first(records), lifetimes.units, lifetimes.sight)


def change(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Comebacks in ``records`` per component of ``lifetimes`` in the quarter (``span``), against last quarter and
    against the year before."""
    last, base_from = quarter_before(span), quarter_before(span, _BASE_QUARTERS)
    base = Span("before", base_from.start, last.end, True)
    damaged, back = damaged_first(records), comebacks(records, lifetimes)
    unseen = int(span.covers(damaged["day"]).sum() - span.covers(back["seen_on"]).sum())
    components = [c for c in records.shop.components if c in set(lifetimes.table["component"])]
    rows = []
    for component in components:
        own, table = back[back["component"] == component], lifetimes.table[lifetimes.table["component"] == component]
        counts = {s.name: int(s.covers(own["seen_on"]).sum()) for s in (span, last, base)}
        years = {s.name: float(unit_years(table, s).sum()) for s in (span, last, base)}
        row: dict[str, Any] = {"component": component}
        for s, named in ((span, "comebacks"), (last, "last_quarter"), (base, "year_before")):
            of_years = "unit_years" if s is span else f"{named}_unit_years"
            row |= {named: counts[s.name], of_years: years[s.name]}
        row |= _rates(counts, years, span.name, base.name)
        rows.append(row)
    frame = pd.DataFrame(rows)
    total, before = ((int(frame[c].sum()) if len(frame) else 0) for c in ("comebacks", "last_quarter"))
    quarters = {"quarter": span.name, "whole": span.whole, "last_quarter": last.name}
    said = [reason(Change.TOTAL, components=total, before=before, **quarters)]
    said += reason_if(Change.OUT_OF_SIGHT, unseen > 0, components=unseen)
    said += reason_if(Change.JUDGED_ELSEWHERE, len(frame) and frame["ratio"].notna().any())
    question = reason(Question.CHANGE, quarters=_BASE_QUARTERS)
    return Answer(question, tuple(said), frame)


def _rates(counts: dict[str, int], years: dict[str, float], now: str, before: str) -> dict[str, Any]:
    """The rate of the span ``now`` over that of the one ``before``, with its limits; counts and unit-years by span."""
    row: dict[str, Any] = dict.fromkeys(("ratio", "lower", "upper", "p_value"), float("nan"))
    if min(years[now], years[before]) <= 0:
        return row | {"in_words": reason(Change.NO_QUARTER_BEFORE)}
    if not counts[now] + counts[before]:
        return row | {"in_words": reason(Change.NONE_BACK)}
    test = compare_rates(counts[now], years[now], counts[before], years[before], 0.90)
    limits = {"ratio": test.ratio, "lower": test.lower, "upper": test.upper}
    told = reason(Change.RATE, year_before=counts[before], **limits)
    return row | limits | {"p_value": test.p_value, "in_words": told}


# ---- published limits ------------------------------------------------------------------------------------------------
_LIMIT = ["component", "part", "weight_up_to_lb", "weight_over_lb", "use", "power_limit_hp", "effective_on"]
_COUNTS = [
    "parts_within", "failed_within", "parts_above", "failed_above", "failed_within_quarter", "failed_above_quarter",
]  # fmt: skip


def _once(life: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(n,) bool: the first of ``rows`` of each life, so that a part counts once on every side of a limit it has run on."""
    out = np.zeros(len(rows), bool)
    at = np.flatnonzero(rows)
    out[at[np.unique(life[at], return_index=True)[1]]] = True
    return out


def limits_spoken_to(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Failures in ``lifetimes`` within and above each published limit of ``records``, in the quarter (``span``) and
    ever, among the parts that have run there.

    A part whose truck was tuned past the limit has run on both sides of it and stands in both counts.
    """
    question = reason(Question.LIMITS)
    limits = records.limits
    if limits.empty:
        return nothing(question, Limits.NONE_ON_FILE, pd.DataFrame(columns=[*_LIMIT, *_COUNTS]))
    table = lifetimes.table
    at = limit_for(limits, table.assign(day=table["begun_on"]))
    failed = counts_as_failure(table)
    now = failed & span.covers(table["ended_on"])
    life = (table["segment"] == 1).cumsum().to_numpy()  # the table is in order of lives
    count, power = table["count"].to_numpy(), table["power_hp"].to_numpy()
    rows = []
    for i, limit in enumerate(limits.itertuples()):
        own = (at == i) & ~np.isnan(power)
        within, above = own & (power <= limit.power_limit_hp), own & (power > limit.power_limit_hp)
        sides = (_once(life, within), within & failed, _once(life, above), above & failed, within & now, above & now)
        rows.append([getattr(limit, c) for c in _LIMIT] + [int(count[m].sum()) for m in sides])
    frame = pd.DataFrame(rows, columns=[*_LIMIT, *_COUNTS])
    again = frame.duplicated(["component", "part", "weight_up_to_lb", "weight_over_lb", "use"], keep=False)
    spoken = frame.assign(several=again)[frame["failed_within_quarter"] + frame["failed_above_quarter"] > 0]
    spoken = spoken.sort_values(["failed_within_quarter", "failed_above_quarter"], ascending=False, kind="stable")
    said = [reason(Limits.SPOKEN_TO, **row) for row in spoken.to_dict("records")]
    said.append(reason(Limits.WHAT_THEY_SAY if said else Limits.NONE_FAILED))
    over = int(frame["parts_above"].sum())
    said += reason_if(Limits.RUN_ABOVE, over, parts=over)
    unknown = int(count[now & ((at < 0) | np.isnan(power))].sum())
    said += reason_if(Limits.NO_LIMIT_APPLIED, unknown, failures=unknown)
    return Answer(question, tuple(said), frame)
