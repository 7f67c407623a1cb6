"""How sure are we of the records?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analytics.reasons import Figure, HowSure, Question, ReadAs, Reason
from analytics.words.phrases import capital, listed, percent, plural
from analytics.words.saying import asks, say, says, texts
from analytics.words.units import bare_power, distance, power

asks(
    Question.HOW_SURE,
    "How sure are we of the records?",
    "One thing at a time. Share back: days since new, one minus Kaplan-Meier at {back_years:g} years, divided by the share reported. Power: "
    "best estimate and first-order bound in the lightest class, by itself (the supported figure of the sheet is calibrated, draws on the part's siblings, and can be lower), "
    "against the limit published there. As it stands the reporting share is left open, about 80% with a prior. A verdict that another reading turns "
    "round is not to be acted on until what it hangs on is known; but to lower is the safe side.",
)
texts(
    {
        Figure.SHARE_BACK: "share back within 2 years",
        Figure.POWER: "power it can take",
        ReadAs.IT_STANDS: "as it stands",
        ReadAs.FILLED: "unknown powers and weights at the median of the use",
        ReadAs.LIKE_THE_READ: "unknown miles: owners who were read drive like the others",
        HowSure.NOTHING: "Nothing has failed often enough for a figure that could change.",
    }
)


texts(
    {
        ReadAs.REPORTED: lambda share: f"{percent(share)} of failures reported",
        ReadAs.UNCLEAR_OUT: lambda failures: f"{plural(failures, 'unclear failure')} not the part's own",
        ReadAs.WHEEL_LOSS: lambda loss, powers: f"wheel powers lose {percent(loss)} ({powers:,} of them)",
        HowSure.SHARE_BACK: lambda component, share, years, lower, upper, most_if: (
            f"{component.capitalize()}: {percent(share)} are on record as back within {years:g} years; {percent(lower)} to {percent(upper)} over the readings, most if {say(most_if)}."
        ),
        HowSure.ON_WHAT: lambda life_miles, reliability: (
            f"Verdicts are on the published limit at {distance(life_miles)} and {percent(reliability)} surviving; they change nothing by themselves."
        ),
    }
)


def _span(estimates_hp: tuple[float, float]) -> str:
    low, high = estimates_hp
    return f"best estimate {bare_power(low)} to {power(high)}" if np.isfinite(low) else "no best estimate"


@says(HowSure.FIRM)
def _firm(verdicts: Sequence[tuple[str, str, tuple[float, float]]]) -> str:
    told = listed([f"{what} ({verdict}; {_span(span)})" for what, verdict, span in verdicts], 8)
    return f"The verdict is the same under every reading for {told}: none of what is taken for granted here decides it."


@says(HowSure.TURNED)
def _turned(what: str, verdict: str, others: Mapping[str, Sequence[Reason]], estimates_hp: tuple[float, float]) -> str:
    until = "To lower is the safe side meanwhile." if verdict == "lower" else "Not to be acted on until that is known."
    how = listed([f"“{other}” if {listed([say(r) for r in readings], 3)}" for other, readings in others.items()])
    return f"{capital(what)}: “{verdict}” as it stands, but {how} ({_span(estimates_hp)}). {until}"
