"""What the teardown shows: findings, causes, whether two people say the same, and which part dragged others with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analytics.models.agreement import Agreement
from analytics.reasons import Causes, Drags, Findings, First, Judged, Question
from analytics.words.phrases import article, capital, listed, money, percent, plural
from analytics.words.saying import asks, says, texts

# ---- findings and causes ---------------------------------------------------------------------------------------------
CAUSE = {
    "part": "the part itself",
    "install": "our install",
    "over limit": "power over the limit",
    "unclear": "cause unclear",
    "no fault": "no fault found",
}
_JUDGED = {"finding": "what was found", "cause": "the cause", "order": "which broke first"}

asks(
    Question.FINDING_SHARES,
    "What do they come back for, and how often?",
    "Cumulative incidence with the other findings competing (Aalen and Johansen 1978), limits 95%; as if alone: one minus "
    "Kaplan-Meier per finding, which overstates. Days since the part was fitted; install errors and parts broken by "
    "another are taken out at the age they came. Read at the age up to which enough parts are followed.",
)
asks(
    Question.CAUSES,
    "Whose fault is it, and is that changing?",
    "Components that broke because another went first are left out: they have no cause of their own. The last twelve months "
    "against all before: Fisher's exact test per cause, called a change below {false_alarm:g}/{causes} (Bonferroni).",
)
asks(
    Question.JUDGED_ALIKE,
    "Would two people say the same of a broken part?",
    "Cohen's kappa (1960) with the large-sample error of Fleiss, Cohen and Everitt (1969), limits 95%; the share judged alike "
    "with exact limits. Only what both wrote down is compared; the sample speaks for all returns only if it was drawn at random.",
)
texts(
    {
        Findings.NOTHING_FAILED: "Nothing has failed yet, so there is no finding to count.",
        Causes.NONE_BACK: "Nothing has come back yet.",
        Causes.SAME_MIX: lambda components: (
            f"The last twelve months ({plural(components, 'component')}) show no other mix than the years before, by more than chance."
        ),
        Judged.NEVER_TWICE: "No return was judged a second time (a sheet named judged_again), so how far the causes and findings can be relied on "
        "is not known. Have somebody else look at 30 returns drawn at random, without seeing what was written.",
    }
)


@says(Findings.SHARES)
def _shares(
    component: str, share_back: float, by_years: float, findings: Mapping[str, float], lower: float, upper: float
) -> str:
    (top, share), *others = findings.items()
    rest = [f"{finding} {percent(own)}" for finding, own in others]
    return (
        f"{component.capitalize()}: {percent(share_back)} back by {by_years:.2g} years, most for “{top}”, {percent(share)}"
        + (f" ({percent(lower)} to {percent(upper)})" if np.isfinite(lower) else "")
        + (f"; {listed(rest)}" if rest else "")
        + "."
    )


texts(
    {
        Findings.AS_IF_ALONE: lambda component, as_if_alone, back: (
            f"Counted as if the others did not exist, the findings of {component} would add up to {100 * as_if_alone:.1f}%, where {100 * back:.1f}% came back."
        ),
        Causes.CHANGED: lambda cause, now, of_now, before, of_before, lower, upper: (
            f"In the last twelve months {CAUSE[cause]} made up {now} of {of_now} ({percent(lower)} to {percent(upper)}), before "
            f"that {before} of {of_before}: more of a change than chance would do. It may be the trucks, the limits, or the habit of writing it down."
        ),
        Judged.TOO_FEW: lambda what, pairs, needed: (
            f"For {_JUDGED[what]} only {plural(pairs, 'component')} {'was' if pairs == 1 else 'were'} judged twice: too few to say (at least "
            f"{needed} are needed)."
        ),
        Judged.SOFT: lambda what, kappa: (
            f"Counts by {what} above are softer than they look: two people differ on it too often (kappa {max(kappa, 0):.2f})."
        ),
    }
)


@says(Causes.OF_ALL)
def _of_all(counts: Mapping[str, int]) -> str:
    total = sum(counts.values())
    told = [f"{CAUSE[c]} {k} ({percent(k / total)})" for c, k in counts.items()]
    return f"Of {plural(total, 'component')} that came back over the years: {listed(told)}."


@says(Judged.AGREED)
def _agreed(what: str, agreement: Agreement, most_mixed_up: tuple[tuple[str, str], int] | None) -> str:
    a, word = agreement, _JUDGED[what]
    beyond = (
        f"kappa {max(a.kappa, 0):.2f} ({max(a.lower, 0):.2f} to {max(a.upper, 0):.2f}; 0 is chance, 1 is perfect)"
        if np.isfinite(a.kappa)
        else "both used one word only, so nothing tells agreement from habit"
    )
    mixed = ""
    if most_mixed_up is not None:
        (one, other), times = most_mixed_up
        mixed = f". Most often mixed up: “{one}” and “{other}” ({times} of {a.pairs - a.alike})"
    return f"{capital(word)}: the two agreed on {a.alike} of {a.pairs}; {beyond}{mixed}."


# ---- which part dragged which ----------------------------------------------------------------------------------------
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
    "Among returns in which that component was written down as first. Shares with exact limits (Clopper and Pearson 1934), 95%; "
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


texts(
    {
        First.NOT_TOLD: lambda returns, expected_first: (
            f"In {plural(returns, 'return')} nobody could tell which was first. Shared out by how often each is first elsewhere, the first "
            f"ones come to {listed([f'{v:.1f} of {n}' for n, v in expected_first.items()])}."
        ),
        Drags.MAY_HAVE: lambda first, finding, damaged, first_failures, may_be_dragged: (
            f"{article(first).capitalize()} with “{finding}” may have damaged the {damaged} in {may_be_dragged} of {first_failures}: "
            "nobody wrote down whether it followed."
        ),
        Drags.ALONE: lambda components: f"No other damage is on record with {listed(components)}.",
    }
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
    limits: tuple[float, float],
    costs: tuple[float, float],
    currency: str,
) -> str:
    """costs: mean of a return with the other damaged too, and of one alone."""
    lower, upper = limits
    dearer = ""
    if np.isfinite(costs).all():
        dearer = f", and such a return cost {money(costs[0], currency)} against {money(costs[1], currency)} for the same alone"
    return (
        f"{article(first).capitalize()} with “{finding}” took the {damaged} with it in {dragged} of {first_failures} "
        f"({percent(lower)} to {percent(upper)}){dearer}."
    )
