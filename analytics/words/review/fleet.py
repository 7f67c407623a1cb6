"""How many are out there, for how long, and how much of their driving is known."""

from __future__ import annotations

from collections.abc import Mapping

from analytics.reasons import Fleet, Question
from analytics.words.phrases import percent, plural
from analytics.words.saying import asks, says, texts

asks(
    Question.FLEET,
    "How many are out there, and for how long?",
    "Ages run from the in-service date (the ship date where none is written) to the as-of date or the last contact.",
)
texts(
    {
        Fleet.NONE: "No unit is in service yet.",
        Fleet.NO_ODOMETERS: "No odometer figure is known for any of them: everything below counts days, not miles.",
    }
)
_END = {
    "sold": "sold on",
    "lost": "lost from sight",
    "scrapped": "scrapped",
    "no": "not running, with no return",
}


@says(Fleet.SIZE)
def _size(units: int, in_use: int, median_years: float, unit_years: float) -> str:
    return (
        f"{plural(units, 'unit')} went out; {in_use:,} are in use as far as the records tell, half of them for more than {median_years:.1f} years. "
        f"Together they have served {unit_years:,.0f} unit-years."
    )


@says(Fleet.GONE)
def _gone(ends: Mapping[str, int]) -> str:
    return "Followed to the last contact only: " + ", ".join(f"{n:,} {_END[e]}" for e, n in ends.items()) + "."


@says(Fleet.ODOMETERS)
def _odometers(known: int, units: int, median_miles_a_year: float) -> str:
    return (
        f"An odometer figure is known for {known:,} of them ({percent(known / units)}); among these half drive more than {median_miles_a_year:,.0f} miles a year. "
        "Odometers get read when a truck comes back, and the hard-driven come back more: do not take this for the average customer."
    )
