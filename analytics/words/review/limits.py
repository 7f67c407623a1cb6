"""Which published limits the quarter's returns speak to."""

from __future__ import annotations

import pandas as pd

from analytics.reasons import Limits, Question
from analytics.words.phrases import edge_words, plural
from analytics.words.saying import asks, says, texts

asks(
    Question.LIMITS,
    "Which published limits do the returns speak to?",
    "The limit that counts is the one in force when the unit was built. Power is the engine's, at the crank, as recorded. Failures are counted in the quarter in which they happened, returns elsewhere in the one in which they came in.",
)
texts(
    {
        Limits.NONE_ON_FILE: "No published limits are on file (a sheet named limits), so no return can speak for or against one.",
        Limits.NONE_FAILED: "No part with a published limit failed this quarter.",
        Limits.WHAT_THEY_SAY: "Failures within a limit speak against it; failures above it speak for having one. The limit itself is judged by its rating, not by one quarter.",
    }
)


@says(Limits.SPOKEN_TO)
def _spoken_to(
    component: str,
    part: str,
    power_limit_hp: float,
    weight_up_to_lb: float,
    weight_over_lb: float,
    use: str,
    effective_on: pd.Timestamp,
    several: bool,
    **counts: int,
) -> str:
    weight = edge_words(weight_up_to_lb, weight_over_lb)
    which = (f", {use}" if use else "") + (f" (from {effective_on:%Y-%m-%d})" if several else "")
    told = []
    if now := counts["failed_within_quarter"]:
        told.append(
            f"{now} failed within it this quarter ({counts['failed_within']} of {counts['parts_within']:,} ever)"
        )
    if now := counts["failed_above_quarter"]:
        told.append(f"{now} failed above it ({counts['failed_above']} of {counts['parts_above']:,} ever)")
    return f"{component.capitalize()} {part}, {power_limit_hp:,.0f} hp at {weight}{which}: {' and '.join(told)}."


@says(Limits.RUN_ABOVE)
def _run_above(parts: int) -> str:
    return f"{plural(parts, 'part')} in the records run above the limit published for {'it' if parts == 1 else 'them'} when the unit was built."


@says(Limits.NO_LIMIT_APPLIED)
def _no_limit_applied(failures: int) -> str:
    return f"{plural(failures, 'failure')} of the quarter had no limit that applied (no limit on file at the build, or power or weight unknown)."
