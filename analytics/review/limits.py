"""Which published limits the quarter's returns speak to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import is_failure
from analytics.records.limits import limit_for
from analytics.records.load import Records
from analytics.review.answer import Answer, edge_words, plural
from analytics.review.quarter import Span

_COLUMNS = [
    "component",
    "part",
    "weight_up_to_lb",
    "weight_over_lb",
    "use",
    "power_limit_hp",
    "effective_on",
    "parts_within",
    "failed_within",
    "parts_above",
    "failed_above",
    "failed_within_quarter",
    "failed_above_quarter",
]


def _once(life: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(n,) bool: the first of ``rows`` of each life, so that a part counts once on every side of a limit it has run on."""
    out = np.zeros(len(rows), bool)
    at = np.flatnonzero(rows)
    out[at[np.unique(life[at], return_index=True)[1]]] = True
    return out


def limits_spoken_to(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Failures within and above each published limit, this quarter and ever, among the parts that have run there.

    A part whose truck was tuned past the limit has run on both sides of it and stands in both counts."""
    question = "Which published limits do the returns speak to?"
    limits = records.limits
    if limits.empty:
        return Answer(
            question,
            ("No published limits are on file (a sheet named limits), so no return can speak for or against one.",),
            pd.DataFrame(columns=_COLUMNS),
        )
    table = lifetimes.table
    at = limit_for(limits, table.assign(day=table["begun_on"]))
    failed = is_failure(table)
    now = failed & span.covers(table["ended_on"])
    life = (table["segment"] == 1).cumsum().to_numpy()  # the table is in order of lives
    count, power = table["count"].to_numpy(), table["power_hp"].to_numpy()
    rows = []
    for i, limit in enumerate(limits.itertuples()):
        own = (at == i) & ~np.isnan(power)
        within, above = own & (power <= limit.power_limit_hp), own & (power > limit.power_limit_hp)
        rows.append(
            [
                limit.component,
                limit.part,
                limit.weight_up_to_lb,
                limit.weight_over_lb,
                limit.use,
                limit.power_limit_hp,
                limit.effective_on,
                *(
                    int(count[m].sum())
                    for m in (
                        _once(life, within),
                        within & failed,
                        _once(life, above),
                        above & failed,
                        within & now,
                        above & now,
                    )
                ),
            ]
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    lines = []
    frame["again"] = frame.duplicated(["component", "part", "weight_up_to_lb", "weight_over_lb", "use"], keep=False)
    spoken = frame[(frame["failed_within_quarter"] + frame["failed_above_quarter"]) > 0]
    for row in spoken.sort_values(
        ["failed_within_quarter", "failed_above_quarter"], ascending=False, kind="stable"
    ).itertuples():
        weight = edge_words(row.weight_up_to_lb, row.weight_over_lb)
        use = (f", {row.use}" if row.use else "") + (f" (from {row.effective_on:%Y-%m-%d})" if row.again else "")
        told = []
        if row.failed_within_quarter:
            told.append(
                f"{row.failed_within_quarter} failed within it this quarter ({row.failed_within} of {row.parts_within:,} ever)"
            )
        if row.failed_above_quarter:
            told.append(f"{row.failed_above_quarter} failed above it ({row.failed_above} of {row.parts_above:,} ever)")
        lines.append(
            f"{row.component.capitalize()} {row.part}, {row.power_limit_hp:,.0f} hp at {weight}{use}: {' and '.join(told)}."
        )
    if not lines:
        lines.append("No part with a published limit failed this quarter.")
    else:
        lines.append(
            "Failures within a limit speak against it; failures above it speak for having one. The limit itself is judged by its rating, not by one quarter."
        )
    frame = frame.drop(columns="again")
    over = int(frame["parts_above"].sum())
    if over:
        lines.append(
            f"{plural(over, 'part')} in the records run above the limit published for {'it' if over == 1 else 'them'} when the unit was built."
        )
    unknown = int(count[now & ((at < 0) | np.isnan(power))].sum())
    if unknown:
        lines.append(
            f"{plural(unknown, 'failure')} of the quarter had no limit that applied (no limit on file at the build, or power or weight unknown)."
        )
    return Answer(
        question,
        tuple(lines),
        frame,
        "The limit that counts is the one in force when the unit was built. Power is the engine's, at the crank, as recorded. Failures are counted in the quarter in which they happened, returns elsewhere in the one in which they came in.",
    )
