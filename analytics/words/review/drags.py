"""When several parts are broken: which went first, and which took others with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analytics.reasons import Drags, First, Question
from analytics.words.phrases import article, listed, percent, plural
from analytics.words.saying import asks, says, texts

asks(
    Question.FIRST_OR_FOLLOWED,
    "When several parts are broken, which killed the others?",
    "A return is one unit on one day. Returns without a stated first one are candidate sets, shared out by maximum likelihood "
    "(Usher and Hodgson 1988, from memory): it takes for granted that which part was first does not decide whether that can be "
    "told. The survival curves do not use it: there each unclear one counts as failed.",
)
asks(
    Question.DRAGS,
    "Which failures drag others with them?",
    "Among returns in which that component was written down as first. Shares with exact limits (Clopper and Pearson 1934), 95 %; "
    "upper if all: were every unclear one dragged too.",
)
texts(
    {
        First.NONE_DAMAGED: "Nothing has come back damaged yet.",
        Drags.NONE: "No failure is on record as having damaged another part.",
    }
)


@says(First.COUNTS)
def _counts(damaged: int, returns: int, returns_with_several: int) -> str:
    too_many = f" Counting every broken part would count {damaged - returns} too many." if returns_with_several else ""
    return (
        f"{plural(damaged, 'component')} {'was' if damaged == 1 else 'were'} found damaged in {plural(returns, 'return')}; in "
        f"{returns_with_several or 'none'} of these more than one was.{too_many}"
    )


@says(First.FOLLOWED)
def _followed(components: Sequence[tuple[str, int, int]]) -> str:
    told = listed([f"{component} {followed} of {damaged}" for component, followed, damaged in components])
    return f"Broken because another went first: {told}; they do not count against their own part."


@says(First.NOT_TOLD)
def _not_told(returns: int, expected_first: Mapping[str, float]) -> str:
    return (
        f"In {plural(returns, 'return')} nobody could tell which was first. Shared out by how often each is first elsewhere, the first "
        f"ones come to {listed([f'{v:.1f} of {n}' for n, v in expected_first.items()])}."
    )


@says(First.UNCLEAR_BESIDE)
def _unclear_beside(n: int) -> str:
    it, count, failure, its = (
        ("it", "it counts", "a failure", "its") if n == 1 else ("they", "they count", "failures", "their")
    )
    return (
        f"{plural(n, 'more component')} stood beside a stated first one with nobody saying whether {it} followed: "
        f"{count} as {failure} of {its} own until that is written down, so that part looks worse than it may be."
    )


@says(Drags.TOOK)
def _took(
    first: str,
    finding: str,
    damaged: str,
    first_failures: int,
    dragged: int,
    lower: float,
    upper: float,
    mean_cost: float,
    mean_cost_alone: float,
) -> str:
    dearer = (
        f", and such a return cost {mean_cost:,.0f} against {mean_cost_alone:,.0f} for the same alone"
        if np.isfinite(mean_cost) and np.isfinite(mean_cost_alone)
        else ""
    )
    return (
        f"{article(first).capitalize()} with “{finding}” took the {damaged} with it in {dragged} of {first_failures} "
        f"({percent(lower)} to {percent(upper)}){dearer}."
    )


@says(Drags.MAY_HAVE)
def _may_have(first: str, finding: str, damaged: str, first_failures: int, may_be_dragged: int) -> str:
    return (
        f"{article(first).capitalize()} with “{finding}” may have damaged the {damaged} in {may_be_dragged} of {first_failures}: "
        "nobody wrote down whether it followed."
    )


@says(Drags.ALONE)
def _alone(components: Sequence[str]) -> str:
    return f"No other damage is on record with {listed(components)}."
