"""How long they had been out when they came back."""

from __future__ import annotations

from analytics.reasons import Months, Question, Service
from analytics.words.phrases import listed, numbered, plural
from analytics.words.saying import asks, texts

asks(
    Question.MONTHS,
    "How long had they been out when they came back, by build month?",
    "Components damaged for their own sake, install errors included, per unit-year of service in that stretch, with exact 90% limits (Garwood 1936). "
    "Build months are judged by the watch, each against the others of its component.",
)
texts(
    {
        Service.MONTHS: "months {first} to {last}",
        Service.PAST: "past month {month}",
        Months.NONE_BACK: "Nothing has come back yet.",
        Months.NONE_BAD: "No build month stands out from the others by more than chance.",
    }
)


def _early(verdict: str, months: int, came: int, rate: float, rate_after: float) -> str:
    return f"In their first {months} months {came} came back, {numbered(100 * rate)} a year per hundred units; from then to the end of the second year {numbered(100 * rate_after)}. {verdict}"


texts(
    {
        Months.EARLY_MORE: lambda **rates: _early(
            "They come early more often than chance would have it: that is work on the bench, not wear.", **rates
        ),
        Months.EARLY_NO_WORSE: lambda **rates: _early("The first months are no worse than what follows.", **rates),
        Months.EARLY_CHANCE: lambda **rates: _early("The difference is no more than chance would do.", **rates),
        Months.AGEING_FROM_NONE: lambda rate: f"{_late(rate)}, where none came back before: they age.",
        Months.AGEING: lambda rate, ratio, lower, upper: (
            f"{_late(rate)}, {numbered(ratio)} times as many ({numbered(lower)} to {numbered(upper)}): they age."
        ),
        Months.NO_AGEING: lambda rate: f"{_late(rate)}: no ageing can be told from chance.",
        Months.BAD: lambda **values: _bad_month("failure", **values),
        Months.BAD_INSTALLS: lambda **values: _bad_month("install error", **values),
        Months.MOST: lambda months: (
            f"Most comebacks by number, by the month the truck was built, which says little by itself: {listed([f'{m} ({n})' for m, n in months.items()])}."
        ),
    }
)


def _late(rate: float) -> str:
    return f"Past two years it is {numbered(100 * rate)} a year per hundred"


def _bad_month(what: str, month: str, component: str, units: int, came: int, expected: float) -> str:
    return f"Bad month: {month}, {component}, {plural(came, what)} of the {units} put in then, in repairs too, where the other months make {numbered(expected)} likely."
