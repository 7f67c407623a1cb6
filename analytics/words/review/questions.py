"""The questions over the pictures and tables of the review's page."""

from __future__ import annotations

from analytics.models.cells import Clock
from analytics.words.phrases import article, many

QUARTERS = "Is it getting better or worse?"
LOTS = "How do the lots compare?"
MONTHS = "Which build months come back, and after how long?"
KEPT = "How good were the forecasts, and what is the next one?"
ALARMS_KEPT = "Alarms raised in the quarters replayed, and what came since"
CELLS = "Where do they come back?"
CAUSES = "Whose fault is it, year by year?"
JUDGED_ALIKE = "Would two people say the same?"
DRAGS = "Which failures drag others with them?"
BUILD_YEARS = "Do the units of later years come back less?"
REBUILT = "How many have not come back again?"
RENEW = "Should a part be renewed as routine while the unit is open?"
ODOMETERS = "Which odometers are worth asking for?"
RANDOM_CALLS = "Whom to phone at random?"
HOW_SURE = "Does what we assume decide the verdicts?"
GUARANTEE = "What would a guarantee cost, by its length?"
SETTINGS = "What this review rests on: settings and versions"

#: each clock that a component is asked by, in order
OVER: dict[Clock, str] = {
    "days": "over the years",
    "miles": "over the miles, where an odometer is known",
    "runs": "over passes and pulls",
}


def expected(quarter: str) -> str:
    """Over what was foreseen for a quarter."""
    return f"What was foreseen for {quarter}, and what came?"


def survival(component: str, clock: Clock) -> str:
    """Over the curves of a ``component`` on a ``clock``."""
    return f"How many {many(component)} have not come back {OVER[clock]}?"


def findings(component: str) -> str:
    """Over the shares of the findings of a ``component``."""
    return f"What is found when {article(component)} comes back?"
