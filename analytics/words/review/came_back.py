"""What came back, and why."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analytics.reasons import CameBack, Question
from analytics.words.phrases import listed, plural
from analytics.words.review.findings import CAUSE
from analytics.words.saying import asks, says, texts

asks(
    Question.CAME_BACK,
    "What came back in {quarter}, and why?",
    "One line per component returned; a return is one unit on one day.",
)
texts({CameBack.CAUSE_UNSTATED: "No cause was written down for {unstated} of {rows}: they stand as unclear."})


def _so_far(seen_up_to: pd.Timestamp | None) -> str:
    return "" if seen_up_to is None else f" (the quarter is seen up to {seen_up_to.day} {seen_up_to:%b})"


@says(CameBack.NOTHING)
def _nothing(quarter: str, seen_up_to: pd.Timestamp | None, units_out: int) -> str:
    return f"Nothing came back in {quarter}{_so_far(seen_up_to)}, with {plural(units_out, 'unit')} in service."


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


@says(CameBack.FOLLOWED)
def _followed(n: int) -> str:
    return (
        f"{plural(n, 'more component')} broke because another part went first; they don't count against their own part."
    )


@says(CameBack.ORDER_UNCLEAR)
def _order_unclear(n: int) -> str:
    return f"For {plural(n, 'component')} nobody wrote down which broke first: each is counted as a failure until that is known."
