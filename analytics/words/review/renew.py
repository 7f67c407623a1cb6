"""Should a part be renewed as routine while the unit is open?"""

from __future__ import annotations

from collections.abc import Sequence

from analytics.reasons import Question, Reason, Renew
from analytics.words.phrases import listed, money, numbered, percent
from analytics.words.saying import asks, say, says, texts
from analytics.words.units import bare_distance, distance, power_band, run


def _method(ahead_miles: float, comeback: float, currency: str, level: float, fewest_seen: int) -> str:
    return (
        f"The unit is open anyway, so a new part costs its price. It pays from the miles at which the chance that the used one fails in the next {distance(ahead_miles)} "
        f"exceeds a new one's by more than price over comeback ({money(comeback, currency) if comeback else 'not stated'}). Used and new are held against each other in the same trucks: the part's own, each counted as often as "
        f"its used part gets that far; limits {percent(level)}. Read no further than {fewest_seen} parts have run, in a kind of truck {fewest_seen} of its own."
    )


asks(Question.RENEW, "Should a part be renewed as routine at a rebuild, and at how many miles?", _method)
texts(
    {
        Renew.NO_PRICES: "It takes what a comeback costs and what each part costs: write them in shop.toml ([costs] comeback, [costs.parts]).",
        Renew.NONE: "No part with a price has failed often enough to tell.",
        Renew.MILES_UNKNOWN: "not told: too few have known miles",
    }
)


@says(Renew.PART)
def _part(component: str, part: str, verdict: Reason) -> str:
    return f"{component.capitalize()} {part}: {say(verdict)}."


@says(Renew.OTHERWISE)
def _otherwise(kinds: Sequence[tuple[str, str, float, float, float, float]]) -> str:
    told = [
        f"{use or 'use not stated'} at {power_band(band)}, "
        + (
            f"renew from about {distance(miles)} ({_limits(lower, upper, seen)})"
            if miles == miles
            else f"leave it in up to the {run(seen, 'miles', 3, 1)} seen"
        )
        for use, band, miles, lower, upper, seen in kinds
    ]
    return f"Otherwise in some trucks: {'; '.join(told)}."


@says(Renew.TOO_FEW)
def _too_few(needed: int, parts: Sequence[tuple[str, str]]) -> str:
    told = listed([f"{component} {part}" for component, part in parts], 12)
    return f"Too few failures to tell (fewer than {needed}): {told}."


def _limits(lower: float, upper: float, seen: float) -> str:
    high = bare_distance(upper) if upper <= seen else f"more than the {run(seen, 'miles', 3, 1)} seen"
    return f"{bare_distance(lower)} to {high}"


@says(Renew.FROM_MILES)
def _from_miles(
    from_miles: float, lower: float, upper: float, seen_miles: float, adds: float, price: float, currency: str
) -> str:
    return (
        f"renew from about {distance(from_miles)} ({_limits(lower, upper, seen_miles)}): there of a hundred used ones {numbered(100 * adds)} more fail than of a hundred new ones, "
        f"which is what its price of {money(price, currency)} is worth"
    )


@says(Renew.LEAVE_IN)
def _leave_in(
    at_miles: float,
    fewest_seen: int,
    used_fails: float,
    new_fails: float,
    price: float,
    asks_for: float,
    currency: str,
    lower: float,
) -> str:
    gap = f"fails {percent(max(used_fails, new_fails))} of the time where a new one does {percent(new_fails)}"
    return (
        f"leave it in: even at {distance(at_miles)}, as far as {fewest_seen} of them have run, a used one {gap}; "
        f"its price of {money(price, currency)} would take a gap of {percent(asks_for)}"
        + (f". It is close: the limits leave open that it pays from {distance(lower)}" if lower <= at_miles else "")
    )
