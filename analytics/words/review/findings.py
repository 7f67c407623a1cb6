"""What is found, what causes it, and whether two people would say the same."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analytics.models.agreement import Agreement
from analytics.reasons import Causes, Findings, Judged, Question
from analytics.words.phrases import listed, percent, plural
from analytics.words.saying import asks, says, texts

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
    "Cumulative incidence with the other findings competing (Aalen and Johansen 1978), limits 95 %; as if alone: one minus "
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
    "Cohen's kappa (1960) with the large-sample error of Fleiss, Cohen and Everitt (1969), limits 95 %; the share judged alike "
    "with exact limits. Only what both wrote down is compared; the sample speaks for all returns only if it was drawn at random.",
)
texts(
    {
        Findings.NOTHING_FAILED: "Nothing has failed yet, so there is no finding to count.",
        Causes.NONE_BACK: "Nothing has come back yet.",
        Causes.SAME_MIX: "The last twelve months ({components} components) show no other mix than the years before, by more than chance.",
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
        f"{component.capitalize()}: {percent(share_back)} back by {by_years:.1f} years, most for “{top}”, {percent(share)}"
        + (f" ({percent(lower)} to {percent(upper)})" if np.isfinite(lower) else "")
        + (f"; {listed(rest)}" if rest else "")
        + "."
    )


@says(Findings.AS_IF_ALONE)
def _as_if_alone(component: str, as_if_alone: float, back: float) -> str:
    return (
        f"Each finding counted as if the others did not exist would be too many: for {component} they would add up to "
        f"{100 * as_if_alone:.1f} % where {100 * back:.1f} % came back."
    )


@says(Causes.OF_ALL)
def _of_all(counts: Mapping[str, int]) -> str:
    total = sum(counts.values())
    told = [f"{CAUSE[c]} {k} ({percent(k / total)})" for c, k in counts.items()]
    return f"Of {plural(total, 'component')} that came back over the years: {listed(told)}."


@says(Causes.CHANGED)
def _changed(cause: str, now: int, of_now: int, before: int, of_before: int, lower: float, upper: float) -> str:
    return (
        f"In the last twelve months {CAUSE[cause]} made up {now} of {of_now} ({percent(lower)} to {percent(upper)}), before "
        f"that {before} of {of_before}: more of a change than chance would do. It may be the trucks, the limits, or the habit of writing it down."
    )


@says(Judged.TOO_FEW)
def _too_few(what: str, pairs: int, needed: int) -> str:
    return (
        f"For {_JUDGED[what]} only {plural(pairs, 'component')} {'was' if pairs == 1 else 'were'} judged twice: too few to say (at least "
        f"{needed} are needed)."
    )


@says(Judged.AGREED)
def _agreed(what: str, agreement: Agreement, most_mixed_up: tuple[tuple[str, str], int] | None) -> str:
    a, word = agreement, _JUDGED[what]
    beyond = (
        f"beyond chance {percent(max(a.kappa, 0))} of what could be agreed on was ({percent(max(a.lower, 0))} to {percent(max(a.upper, 0))})"
        if np.isfinite(a.kappa)
        else "both used one word only, so nothing tells agreement from habit"
    )
    mixed = ""
    if most_mixed_up is not None:
        (one, other), times = most_mixed_up
        mixed = f". Most often mixed up: “{one}” and “{other}” ({times} of {a.pairs - a.alike})"
    return f"{word[0].upper()}{word[1:]}: the two agreed on {a.alike} of {a.pairs}; {beyond}{mixed}."


@says(Judged.SOFT)
def _soft(what: str, kappa: float) -> str:
    return f"Counts by {what} above are softer than they look: two people differ on it too often (beyond chance {percent(max(kappa, 0))})."
