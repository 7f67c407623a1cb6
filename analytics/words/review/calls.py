"""Whom to call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analytics.reasons import Above, AskFirst, Question, RandomCalls, Reason
from analytics.words.phrases import listed, numbered, percent, plural
from analytics.words.saying import asks, says, texts
from analytics.words.units import power

KEEP = "The list names customers' trucks: it stays in the shop's own files and goes into nothing that customers see."


def _which(proven: bool) -> str:
    return "supported by the records" if proven else "published"


asks(
    Question.ABOVE,
    lambda proven: f"Which trucks in service run above what is {_which(proven)}?",
    "The limit in force today for the part, weight and use; power at the crank, as recorded. Chance: that one of the parts above its limit fails "
    "within a year at the truck's own driving, or in its next {ahead_miles:distance}, given power, weight, use, age and miles, averaged over what "
    "the fit leaves open; an unknown weight is taken at the median of the use.",
)
asks(
    Question.ASK_FIRST,
    "Whose odometer, power or weight is worth asking for?",
    f"Ranked by the share of the variance of log rating that knowing it is expected to take off, summed over the parts (Louis 1982). {KEEP}",
)
asks(
    Question.RANDOM_CALLS,
    "Did any fail without a word? Whom to phone at random",
    "With a share p of failures reported, (1 - p)/p silent ones go with each reported one, all among the units nobody has heard of; n random calls meet "
    "one with chance 1 - (1 - q)^n, q their share. A unit that was replaced or sold after a silent failure may not answer: then the chance is lower.",
)
texts(
    {
        Above.NO_LIMIT: "No limit is published, so no truck can be above one.",
        Above.NONE_HELD: "No truck in service has both a limit and a power on record.",
        Above.NONE_ABOVE: "None of {trucks:,} trucks in service with a limit and a power on record is above it.",
        Above.NO_CHANCE: "For {trucks} no chance can be given: none of the parts they run above a limit has failed yet.",
        Above.TELL_THE_OWNER: f"Tell the owner what the records show and have the unit looked at; a low chance is no promise for one truck. {KEEP}",
        AskFirst.NOTHING: "Nothing to rank by: {why}.",
        RandomCalls.NOBODY_SILENT: "Every unit in service was heard of within the last year: there is nobody to phone at random.",
        RandomCalls.NO_PROOF: "If all of them still run, that does not prove that every failure is reported: it speaks the more against a low share the higher that chance is.",
        RandomCalls.ASK_EACH: f"Ask each: does it still run, what does the odometer say, what power, weight and use. Enter the answers as readings with the source random call (still_running = no where it had failed): the ratings go by them. {KEEP}",
    }
)


# ---- above a limit ---------------------------------------------------------------------------------------------------
def _limits(limits: Sequence[tuple[str, str, float]]) -> list[str]:
    """A limit of nought: no power is supported."""
    return [
        f"{component} {part} ({power(limit_hp) if limit_hp else 'no power supported'})"
        for component, part, limit_hp in limits
    ]


texts(
    {
        Above.LIMITS: lambda limits: "; ".join(_limits(limits)),
        Above.NO_POWER: lambda trucks: (
            f"{plural(trucks, 'more truck')} with a limited part {'has' if trucks == 1 else 'have'} no power on record and cannot be held against it."
        ),
    }
)


@says(Above.COUNT)
def _count(above: int, trucks: int, parts: Mapping[tuple[str, str], int], proven: bool) -> str:
    told = listed([f"{component} {part} {n:,}" for (component, part), n in parts.items()], 12)
    return f"{above:,} of {trucks:,} trucks in service run a part above what is {_which(proven)} for it: {told}."


@says(Above.NOTHING_PROVEN)
def _nothing_proven(trucks: int, parts: Mapping[tuple[str, str], int]) -> str:
    told = listed([f"{component} {part} ({n:,})" for (component, part), n in parts.items()], 12)
    return f"{trucks:,} of them stand first: the records support no power at all for {told} at their weight and use."


@says(Above.FIRST)
def _first(serial: str, power_hp: float, limits: Reason, chance: float) -> str:
    told = listed(_limits(limits.values["limits"]))
    strong = power(power_hp) if np.isfinite(power_hp) else "power not recorded"
    return f"Call first {serial}: {strong}, above the limit of {told}; {percent(chance)} likely to fail there within a year."


@says(Above.EXPECTED)
def _expected(expected: float, loud: int, loud_from: float, serials: Sequence[str], their_share: float) -> str:
    worth = (
        f"{loud} stand at {percent(loud_from)} or more each: those are worth a call on Monday"
        if loud
        else f"None stands at {percent(loud_from)} or more"
    )
    return f"{numbered(expected)} of them are expected to fail there within a year. {worth}; the ten likeliest ({listed(serials, 10)}) carry {percent(their_share)} of it."


@says(Above.LOOK_AT_THE_LIMIT)
def _look_at_the_limit(parts: Sequence[tuple[str, str]]) -> str:
    told = listed([f"{component} {part}" for component, part in parts])
    return f"So many run above the limit of {told}, and so few fail, that the limit is what to look at there, not the trucks."


# ---- whom to ask -----------------------------------------------------------------------------------------------------
texts(
    {
        AskFirst.COUNT: lambda unknowns, parts, serial, ask: (
            f"{plural(unknowns, 'unknown')} over {plural(parts, 'part')}; first {serial} ({ask})."
        ),
        AskFirst.FIRST: lambda serials: (
            f"Ask first: {listed(serials, 8)}. These tell most of what the parts can take; they are not a fair sample of the "
            "customers, so keep them apart from the random calls."
        ),
        RandomCalls.SILENT: lambda units, calls: (
            f"{plural(units, 'unit')} in service {'has' if units == 1 else 'have'} not been heard of for a year or more; they count as running. Nothing in the "
            f"records can show whether they do. Phone these {calls} in this order, and no others: drawn at random, they speak for all."
        ),
        RandomCalls.CHANCE: lambda reported_share, silent_failures, calls, finds_one: (
            f"{int(calls)} calls at {percent(reported_share)} reported ({silent_failures:.0f} silent): {percent(finds_one)}."
        ),
    }
)


@says(RandomCalls.WOULD_FIND)
def _would_find(calls: int, chances: Mapping[float, float], failures: int) -> str:
    told = listed(
        [f"{percent(chance)} if {percent(share)} of failures are reported" for share, chance in chances.items()]
    )
    return f"{plural(calls, 'call')} would find at least one silent failure with a chance of {told}, with {failures} reported so far."
