"""What changed since the last quarter, and whether it is more than chance."""

from __future__ import annotations

import pandas as pd

from analytics.lifetimes.sight import returns_in_sight
from analytics.lifetimes.table import Lifetimes
from analytics.models.exact import compare_rates
from analytics.records.load import Records
from analytics.review.answer import Answer, listed, numbered, plural
from analytics.review.quarter import Span, quarter_before, unit_years

#: chance, over all components together, of calling a change that is none
FALSE_ALARM = 0.10
_BASE_QUARTERS = 4


def change(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Comebacks per component against last quarter and against the year before."""
    last, base_from = quarter_before(span), quarter_before(span, _BASE_QUARTERS)
    base = Span(f"the {_BASE_QUARTERS} quarters before", base_from.start, last.end, True)
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
        row = {
            "component": component,
            "comebacks": counts[span.name],
            "unit_years": years[span.name],
            "last_quarter": counts[last.name],
            "last_quarter_unit_years": years[last.name],
            "year_before": counts[base.name],
            "year_before_unit_years": years[base.name],
            "ratio": float("nan"),
            "lower": float("nan"),
            "upper": float("nan"),
            "p_value": float("nan"),
            "in_words": "",
        }
        if min(years[span.name], years[base.name]) <= 0:
            row["in_words"] = "no earlier quarter to compare with"
        elif counts[span.name] + counts[base.name] == 0:
            row["in_words"] = "none came back, now or in the year before"
        else:
            test = compare_rates(counts[span.name], years[span.name], counts[base.name], years[base.name], 0.90)
            row |= {"ratio": test.ratio, "lower": test.lower, "upper": test.upper, "p_value": test.p_value}
            row["in_words"] = _words(row, len(components))
        rows.append(row)
    frame = pd.DataFrame(rows)
    loud = frame[frame["p_value"] < FALSE_ALARM / max(len(components), 1)] if len(frame) else frame
    total, before = (
        int(frame["comebacks"].sum()) if len(frame) else 0,
        int(frame["last_quarter"].sum()) if len(frame) else 0,
    )
    part = "" if span.whole else ", the quarter not over yet"
    lines = [f"{plural(total, 'component')} came back in {span.name}{part}, {before} in {last.name}."]
    if unseen > 0:
        lines.append(
            f"{unseen} more broke out of sight (sold, lost, scrapped, or before the records start) and count in no rate."
        )
    for row in loud.itertuples():
        lines.append(f"{row.component.capitalize()}: {row.in_words}.")
    if loud.empty:
        lines.append("No component came back more or less often than the year before by more than chance.")
    watched = (
        listed(
            [r.component for r in frame[(frame["p_value"] < FALSE_ALARM) & ~frame.index.isin(loud.index)].itertuples()]
        )
        if len(frame)
        else "none"
    )
    if watched != "none":
        lines.append(
            f"Worth a second look next quarter, though chance could do it among {len(components)} components: {watched}."
        )
    return Answer(
        "What changed since last quarter?",
        tuple(lines),
        frame,
        f"Comebacks per unit-year in the quarter against {base.name}, exact test of two Poisson rates (Przyborowski and Wilenski 1940), limits 90 %. "
        f"Called a change below {FALSE_ALARM:g}/{len(components)} (Bonferroni): a false alarm in at most one quarter of ten, over all components together.",
    )


def _words(row: dict, looks: int) -> str:
    ratio = (
        "none came back the year before"
        if row["year_before"] == 0
        else f"{numbered(row['ratio'])} times the rate of the year before ({numbered(row['lower'])} to {numbered(row['upper'])})"
    )
    if row["p_value"] < FALSE_ALARM / looks:
        return f"{ratio}: more than chance"
    return f"{ratio}: no more than chance would do"
