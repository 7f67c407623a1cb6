"""Do they come back again?"""

from __future__ import annotations

from analytics.reasons import Again, Question
from analytics.words.phrases import numbered, plural
from analytics.words.saying import asks, says, texts

asks(
    Question.AGAIN,
    "Do they come back again?",
    "Mean cumulative number of failures per unit by age, limits 95 %, robust to a unit's own history (Nelson 2003; Lawless and Nadeau 1995). "
    "Second year against the first: power-law process of failures by the unit's age (Crow 1974), units watched from new; its limits are right only if one failure does not bring the next.",
)
texts({Again.NONE_BACK: "No unit has come back damaged yet."})


@says(Again.BACK_ONCE_AND_MORE)
def _back(units: int, units_more_than_once: int, most_times: int) -> str:
    more = f"{units_more_than_once:,}" if units_more_than_once else "none"
    most = f", one of them {plural(most_times, 'time')}" if units_more_than_once else ""
    return f"{plural(units, 'unit')} came back damaged at least once; {more} of them more than once{most}."


@says(Again.LOST_TWICE)
def _lost_twice(component: str, units: int, mean_failures: float, by_years: float) -> str:
    return (
        f"{component.capitalize()}: {plural(units, 'unit')} lost it twice or more, the replaced one included; "
        f"{numbered(100 * mean_failures)} failures per hundred units by {by_years:.1f} years."
    )


def _with_age(how: str, component: str, ratio: float, lower: float, upper: float) -> str:
    return (
        f"{component.capitalize()}: {how} often as trucks get older. In its second year a unit loses it {ratio:.1f} times as often as in its "
        f"first (95 % limits {lower:.1f} to {upper:.1f})."
    )


@says(Again.MORE_OFTEN_WITH_AGE)
def _more_often(**values: object) -> str:
    return _with_age("more", **values)


@says(Again.LESS_OFTEN_WITH_AGE)
def _less_often(**values: object) -> str:
    return _with_age("less", **values)
