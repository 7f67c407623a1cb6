"""The questions over the pictures and tables of the review's page."""

from __future__ import annotations

from collections.abc import Iterable

from analytics.models.cells import Clock
from analytics.review.answer import Answer
from analytics.words.answers import worded
from analytics.words.phrases import article, many

QUARTERS = "Is it getting better or worse?"
LOTS = "How do the lots compare?"
MONTHS = "Which build months come back, and after how long?"
KEPT = "Came back by quarter, beside what was expected at its start"
EVERY_RETURN = "Every return, and why"
ALL_ALARMS = "Every alarm, and how the watch is kept"
ALL_AHEAD = "The forecast by component, and its money"
WEAR = "Part by part"
CARRY = "How long a guarantee could run"
STOCK = "What to stock"
BY_MONTH = "By build month"
CATCHES = "What the watch would catch"
BY_YEAR = "By year built"
AS_NEW = "Rebuilt units beside new ones"
FIRST = "Which part killed the others"
FLEET = "The fleet"
CLOCKS_TITLE = "Days or miles"
HOW_SURE_TITLE = "What the verdicts hang on"
SPOKEN_TO = "Limits that this quarter's returns speak to"
FAULT = "Whose fault, year by year"
FOUND = "What is found, and how often"
UNANSWERED = "What these records cannot answer yet"
ALARMS_KEPT = "Alarms raised in the quarters replayed, and what came since"
CELLS = "Map of power and weight"
CAUSES = "Whose fault is it, year by year?"
JUDGED_ALIKE = "Would two people say the same?"
DRAGS = "Which failures drag others with them?"
BUILD_YEARS = "Do the units of later years come back less?"
REBUILT = "How many have not come back again?"
RENEW = "What to renew at a rebuild"
ODOMETERS = "Odometers worth asking for"
RANDOM_CALLS = "The random calls, in order"
HOW_SURE = "Does what we assume decide the verdicts?"
GUARANTEE = "What would a guarantee cost, by its length?"
SETTINGS = "Settings and versions"

#: each clock that a component is asked by, in order
OVER: dict[Clock, str] = {
    "days": "over the years",
    "miles": "over the miles, where an odometer is known",
    "runs": "over passes and pulls",
}


def component(name: str) -> str:
    """Over all of one component, by its ``name``."""
    return f"{name.capitalize()}: rates, curves, findings"


def unanswered(answers: Iterable[Answer]) -> list[str]:
    """Of the ``answers`` those that there was nothing to go by for: each question with the reason."""
    return [f"{w.question} {' '.join(w.sentences)}" for a in answers if not a.reckoned for w in [worded(a)]]


def expected(quarter: str) -> str:
    """Over what was expected for a quarter."""
    return f"What was expected for {quarter}, and what came?"


def survival(component: str, clock: Clock) -> str:
    """Over the curves of a ``component`` on a ``clock``."""
    return f"How many {many(component)} have not come back {OVER[clock]}?"


def findings(component: str) -> str:
    """Over the shares of the findings of a ``component``."""
    return f"What is found when {article(component)} comes back?"
