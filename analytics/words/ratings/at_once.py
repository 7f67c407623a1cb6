"""What a limit would bring, in one sentence."""

from __future__ import annotations

import math

from analytics.ratings.at_once import Risk
from analytics.ratings.whatif import BuildMix
from analytics.words.phrases import money, numbered, percent, weight_class
from analytics.words.units import bare_power, distance, power

NO_FIT = "Too few of this part have failed for a curve; its rating says what is demonstrated."
PART, TRUCKS, USE, LIMIT, LIFE = "part", "trucks", "use", "limit, hp", "miles"


def sentence(
    part: str,
    weight_lb: float,
    limits_hp: tuple[float, float],
    risk: Risk,
    mix: BuildMix,
    back: tuple[float, float, float],
    cost: tuple[float | None, str],
) -> str:
    """What a limit of a ``part`` would bring in trucks of up to ``weight_lb``. limits_hp: published (NaN: none) and asked; risk: the share that comes back; mix: the builds between; back: comebacks a year there with limits;
    cost: of one, None where not stated, and its currency."""
    published, asked = limits_hp
    share, lower, upper = risk.at(asked)
    told = f"At {power(asked)}, {weight_class(weight_lb)}, {percent(share)} of {part} come back within {distance(risk.miles)} ({percent(lower)} to {percent(upper)})"
    if math.isfinite(published) and published != asked:
        told += f", at the {bare_power(published)} published {percent(risk.at(published)[0])}"
        more = "more" if asked > published else "fewer"
        bill = f", {money(back[0] * cost[0], cost[1])}" if cost[0] is not None else ""
        told += f"; about {numbered(mix.a_year)} trucks a year lie between, and {numbered(back[0])} ({numbered(back[1])} to {numbered(back[2])}) {more} a year would come back{bill}"
    beyond = asked > risk.seen_hp[1]
    return told + (f". None on record runs above {power(risk.seen_hp[1])}." if beyond else ".")
