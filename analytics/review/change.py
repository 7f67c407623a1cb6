"""What changed since the last quarter, and whether it is more than chance."""

from __future__ import annotations

import pandas as pd

from analytics.lifetimes.sight import returns_in_sight
from analytics.lifetimes.table import Lifetimes
from analytics.models.exact import compare_rates
from analytics.reasons import Change, Question, Reason, reason
from analytics.records.load import Records
from analytics.review.answer import Answer
from analytics.review.quarter import Span, quarter_before, unit_years

#: chance, over all components together, of calling a change that is none
FALSE_ALARM = 0.10
_BASE_QUARTERS = 4


def change(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Comebacks per component against last quarter and against the year before."""
    last, base_from = quarter_before(span), quarter_before(span, _BASE_QUARTERS)
    base = Span("before", base_from.start, last.end, True)
    # count only what the unit-years cover: of units out of sight nothing but failures would be heard
    damaged = records.returns[(records.returns["cause"] != "no fault") & (records.returns["order"] != "followed")]
    back = returns_in_sight(damaged, lifetimes.units, lifetimes.sight)
    unseen = int(span.covers(damaged["day"]).sum() - span.covers(back["seen_on"]).sum())
    components = [c for c in records.shop.components if c in set(lifetimes.table["component"])]
    rows = []
    for component in components:
        own, table = back[back["component"] == component], lifetimes.table[lifetimes.table["component"] == component]
        counts = {s.name: int(s.covers(own["seen_on"]).sum()) for s in (span, last, base)}
        years = {s.name: float(unit_years(table, s).sum()) for s in (span, last, base)}
        row = {"component": component}
        for s, named in ((span, "comebacks"), (last, "last_quarter"), (base, "year_before")):
            of_years = "unit_years" if s is span else f"{named}_unit_years"
            row |= {named: counts[s.name], of_years: years[s.name]}
        row |= dict.fromkeys(("ratio", "lower", "upper", "p_value"), float("nan"))
        if min(years[span.name], years[base.name]) <= 0:
            row["in_words"] = reason(Change.NO_QUARTER_BEFORE)
        elif counts[span.name] + counts[base.name] == 0:
            row["in_words"] = reason(Change.NONE_BACK)
        else:
            test = compare_rates(counts[span.name], years[span.name], counts[base.name], years[base.name], 0.90)
            row |= {"ratio": test.ratio, "lower": test.lower, "upper": test.upper, "p_value": test.p_value}
            row["in_words"] = _compared(row, len(components))
        rows.append(row)
    frame = pd.DataFrame(rows)
    loud = frame[frame["p_value"] < FALSE_ALARM / max(len(components), 1)] if len(frame) else frame
    total, before = ((int(frame[c].sum()) if len(frame) else 0) for c in ("comebacks", "last_quarter"))
    quarters = {"quarter": span.name, "whole": span.whole, "last_quarter": last.name}
    said = [reason(Change.TOTAL, components=total, before=before, **quarters)]
    if unseen > 0:
        said.append(reason(Change.OUT_OF_SIGHT, components=unseen))
    said += [reason(Change.LOUD, component=row.component, compared=row.in_words) for row in loud.itertuples()]
    if loud.empty:
        said.append(reason(Change.NOTHING_LOUD))
    watched = frame[(frame["p_value"] < FALSE_ALARM) & ~frame.index.isin(loud.index)] if len(frame) else frame
    if len(watched):
        said.append(reason(Change.SECOND_LOOK, looks=len(components), components=watched["component"].tolist()))
    question = reason(Question.CHANGE, quarters=_BASE_QUARTERS, false_alarm=FALSE_ALARM, components=len(components))
    return Answer(question, tuple(said), frame)


def _compared(row: dict, looks: int) -> Reason:
    code = Change.MORE_THAN_CHANCE if row["p_value"] < FALSE_ALARM / looks else Change.AS_CHANCE_WOULD
    limits = {c: row[c] for c in ("ratio", "lower", "upper")}
    return reason(code, year_before=row["year_before"], **limits)
