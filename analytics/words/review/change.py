"""What changed since the last quarter."""

from __future__ import annotations

from collections.abc import Sequence

from analytics.reasons import Change, Question, Reason
from analytics.words.phrases import listed, numbered, plural
from analytics.words.saying import asks, say, says, texts

asks(
    Question.CHANGE,
    "What changed since last quarter?",
    "Comebacks per unit-year in the quarter against the {quarters} quarters before, exact test of two Poisson rates (Przyborowski and Wilenski 1940), limits 90 %. "
    "Called a change below {false_alarm:g}/{components} (Bonferroni): a false alarm in at most one quarter of ten, over all components together.",
)
texts(
    {
        Change.NO_QUARTER_BEFORE: "no earlier quarter to compare with",
        Change.NONE_BACK: "none came back, now or in the year before",
        Change.OUT_OF_SIGHT: "{components} more broke out of sight (sold, lost, scrapped, or before the records start) and count in no rate.",
        Change.NOTHING_LOUD: "No component came back more or less often than the year before by more than chance.",
    }
)


@says(Change.TOTAL)
def _total(components: int, before: int, quarter: str, whole: bool, last_quarter: str) -> str:
    part = "" if whole else ", the quarter not over yet"
    return f"{plural(components, 'component')} came back in {quarter}{part}, {before} in {last_quarter}."


@says(Change.LOUD)
def _loud(component: str, compared: Reason) -> str:
    return f"{component.capitalize()}: {say(compared)}."


@says(Change.SECOND_LOOK)
def _second_look(looks: int, components: Sequence[str]) -> str:
    return (
        f"Worth a second look next quarter, though chance could do it among {looks} components: {listed(components)}."
    )


def _rate(year_before: int, ratio: float, lower: float, upper: float) -> str:
    if year_before == 0:
        return "none came back the year before"
    return f"{numbered(ratio)} times the rate of the year before ({numbered(lower)} to {numbered(upper)})"


@says(Change.MORE_THAN_CHANCE)
def _more_than_chance(**rate: float) -> str:
    return f"{_rate(**rate)}: more than chance"


@says(Change.AS_CHANCE_WOULD)
def _as_chance_would(**rate: float) -> str:
    return f"{_rate(**rate)}: no more than chance would do"
