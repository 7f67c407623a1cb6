"""The quarter's returns: what came back and why, what changed, and which published limits they speak to."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analytics.reasons import CameBack, Change, Limits, Question
from analytics.words.phrases import edge_words, listed, numbered, plural
from analytics.words.review.teardown import CAUSE
from analytics.words.saying import asks, says, texts
from analytics.words.units import power

# ---- what came back --------------------------------------------------------------------------------------------------
asks(
    Question.CAME_BACK,
    "What came back in {quarter}, and why?",
    "One line per component returned; a return is one unit on one day.",
)
texts({CameBack.CAUSE_UNSTATED: "No cause was written down for {unstated} of {rows}: they stand as unclear."})


def _so_far(seen_up_to: pd.Timestamp | None) -> str:
    return "" if seen_up_to is None else f" (the quarter is seen up to {seen_up_to.day} {seen_up_to:%b})"


texts(
    {
        CameBack.NOTHING: lambda quarter, seen_up_to, units_out: (
            f"Nothing came back in {quarter}{_so_far(seen_up_to)}, with {plural(units_out, 'unit')} in service."
        ),
        CameBack.FOLLOWED: lambda n: (
            f"{plural(n, 'more component')} broke because another part went first; they don't count against their own part."
        ),
        CameBack.ORDER_UNCLEAR: lambda n: (
            f"For {plural(n, 'component')} nobody wrote down which broke first: each is counted as a failure until that is known."
        ),
    }
)


@says(CameBack.COUNTS)
def _counts(
    units: int, returns: int, seen_up_to: pd.Timestamp | None, units_out: int, damaged: int, returns_no_fault: int
) -> str:
    no_fault = f"; {plural(returns_no_fault, 'return')} showed no fault." if returns_no_fault else "."
    return (
        f"{plural(units, 'unit')} came back in {plural(returns, 'return')}{_so_far(seen_up_to)}, with {plural(units_out, 'unit')} in service. "
        f"{plural(damaged, 'component')} {'was' if damaged == 1 else 'were'} damaged{no_fault}"
    )


@says(CameBack.COMPONENT)
def _component(component: str, n: int, causes: Mapping[str, int], findings: Mapping[str, int]) -> str:
    why = [f"{CAUSE[c]} in {k}" if len(causes) > 1 else CAUSE[c] for c, k in causes.items()]
    found = [
        f"{f or 'finding not written down'} {k}" if len(findings) > 1 else f or "finding not written down"
        for f, k in findings.items()
    ]
    return f"{component.capitalize()}: {n}. Why: {listed(why)}. Found: {listed(found, 4)}."


# ---- what changed ----------------------------------------------------------------------------------------------------
asks(
    Question.CHANGE,
    "What changed since last quarter?",
    "Comebacks per unit-year in the quarter against the {quarters} quarters before, exact test of two Poisson rates (Przyborowski and Wilenski 1940), limits 90%. "
    "Trucks are older and more than a year ago, so this compares rates and claims nothing: what is more or fewer than foreseen, age by age, is judged by the watch.",
)
texts(
    {
        Change.NO_QUARTER_BEFORE: "no earlier quarter to compare with",
        Change.NONE_BACK: "none came back, now or in the year before",
        Change.OUT_OF_SIGHT: "{components} more broke out of sight (sold, lost, scrapped, or before the records start) and count in no rate.",
        Change.JUDGED_ELSEWHERE: 'Whether the shop or a component did worse or better than expected at its trucks\' ages is judged under "Is anything getting worse".',
    }
)


@says(Change.TOTAL)
def _total(components: int, before: int, quarter: str, whole: bool, last_quarter: str) -> str:
    part = "" if whole else ", the quarter not over yet"
    return f"{plural(components, 'component')} came back in {quarter}{part}, {before} in {last_quarter}."


@says(Change.RATE)
def _rate(year_before: int, ratio: float, lower: float, upper: float) -> str:
    if year_before == 0:
        return "none came back the year before"
    return f"{numbered(ratio)} times the rate of the year before ({numbered(lower)} to {numbered(upper)})"


# ---- published limits ------------------------------------------------------------------------------------------------
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
    return f"{component.capitalize()} {part}, {power(power_limit_hp)} at {weight}{which}: {' and '.join(told)}."


texts(
    {
        Limits.RUN_ABOVE: lambda parts: (
            f"{plural(parts, 'part')} in the records run above the limit published for {'it' if parts == 1 else 'them'} when the unit was built."
        ),
        Limits.NO_LIMIT_APPLIED: lambda failures: (
            f"{plural(failures, 'failure')} of the quarter had no limit that applied (no limit on file at the build, or power or weight unknown)."
        ),
    }
)
