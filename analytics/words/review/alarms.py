"""The watch: what stands out, how lots rank, what the watch can see, whether a revision helped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.reasons import (
    AlarmIs,
    Alarms,
    CameSince,
    Code,
    Family,
    LotChoice,
    Lots,
    Power,
    Question,
    Reason,
    Revision,
    RevisionIs,
    reason,
)
from analytics.words.phrases import capital, listed, many, money, numbered, one_in, percent
from analytics.words.saying import asks, say, says, texts

FAMILY: dict[Code, str] = {
    Family.MONTH_INSTALL: "build month, install errors",
    Family.MONTH_LIFE: "build month, whole life",
    Family.BUILDER_INSTALL: "builder, install errors",
    Family.BUILDER_LIFE: "builder, whole life",
    Family.COMPONENT_QUARTER: "component, this quarter",
    Family.LOT_LIFE: "lot, whole life",
    Family.PART_QUARTER: "part, this quarter",
    Family.BAND_QUARTER: "power band, this quarter",
    Family.REVISION_LIFE: "revision, whole life",
    Family.CLASS_QUARTER: "weight class, this quarter",
    Family.SHOP_QUARTER: "whole shop, this quarter",
    Family.CAUSE_MIX: "mix of causes",
    Family.REBUILT: "rebuilt units",
}
_TEST = {
    Family.MONTH_INSTALL: "build month {group}, {component}, install errors",
    Family.MONTH_LIFE: "build month {group}, {component}",
    Family.BUILDER_INSTALL: "builder {group}, {component}, install errors",
    Family.BUILDER_LIFE: "builder {group}, {component}",
    Family.COMPONENT_QUARTER: "the {component} this quarter",
    Family.LOT_LIFE: "lot {group}, {component}",
    Family.PART_QUARTER: "{component}, part {group}, this quarter",
    Family.BAND_QUARTER: "{component}, power band {group}, this quarter",
    Family.REVISION_LIFE: "{component} {group}",
    Family.CLASS_QUARTER: "{component}, weight class {group}, this quarter",
    Family.SHOP_QUARTER: "the whole shop this quarter",
}


def _method(false_alarm: float, budget: Mapping[Family, float]) -> str:
    shares = ", ".join(f"{FAMILY[f]} {false_alarm * share:.4g}" for f, share in budget.items())
    return (
        "Lots, build months and builders are looked at over their whole lives, since a small lot shows itself slowly: of all failures of the part, the number that fell on the group is "
        "binomial with the group's share of the hazard, which the models of the last quarter's end give for its units' power, weight, use, age and miles. Install errors are "
        "shared out by time in service. The quarter's own counts are held against the models of its start. The chance of a false claim per quarter "
        f"({false_alarm:g}), over all this review claims, is shared out beforehand (as Wu and Meeker, Technometrics 44 (2002) 237-251, do among months in service): {shares}. Lots, months and builders are judged "
        "together: by sharing the failures out anew as if nothing were wrong, their thresholds are set so that any of them is loud with the chance they have together (Westfall and Young 1993); "
        "in the other families the share is parted among the looks that could be loud at all (Tarone 1990). When one is loud its lives are set aside and the rest is looked at again, so that a bad lot does not blacken the months it was fitted in. "
        "An alarm is new, growing (more came this quarter) or running until a person closes it (alarms FOLDER --close) or four quarters have passed without another; then it is a line of history. Two more failures "
        "after it was closed open it again; power bands and weight classes are looked at for the quarter only."
    )


asks(Question.ALARMS, "Is anything getting worse: a lot, a part, a builder, a month?", _method)
asks(
    Question.LOTS,
    "Which build lots came back more than they should?",
    "Rates of the lots of a part are drawn together, the more the fewer the failures that speak for a lot (gamma-Poisson: Clayton and Kaldor 1987; averaged over how far lots may differ, which the counts leave open); "
    "limits 90%. Expected: the part's failures shared out by each lot's hazard, given power, weight, use, age and miles; an alarm expects what the other lots alone make usual, so less of a bad one.",
)
asks(
    Question.POWER,
    "How good is the watch: would a bad lot of {size} be caught?",
    "Exact Poisson chances at the threshold of this quarter's lots ({threshold:.2g}), for a lot of average power, weight, use and miles of the part that has most units out. "
    "A single look; the lot is looked at again every quarter, which adds a little. For the whole shop, components and parts: the exact chances of the quarter, what the fits leave open in them.",
)
asks(
    Question.REVISION,
    "Did the new revision fix it, and how long until we know?",
    "Both revisions are fitted as if one part; of all its failures the number that fell on the new one is binomial with its share of the hazard, if nothing was changed. "
    "Called better or worse where chance alone would say either with at most {sure:g}, the revisions' share of what this review may claim falsely in a quarter; limits 90%. How long: the shares grow as the units now running do.",
)
texts(
    FAMILY
    | {
        Alarms.NO_QUARTER_BEFORE: "There is no earlier quarter end with anything running, so there is nothing to compare with.",
        Alarms.THIS_QUARTER: "this quarter",
        Alarms.BY_QUARTER: "by {day:%Y-%m-%d}, or before",
        Alarms.AT_QUARTER: "at the quarter to {day:%Y-%m-%d}",
        AlarmIs.NEW: "new",
        AlarmIs.GROWING: "growing",
        AlarmIs.RUNNING: "running",
        AlarmIs.CLOSED: "closed",
        AlarmIs.QUIET: "quiet",
        AlarmIs.GONE: "no longer loud",
        Alarms.NOTHING: "Nothing stands out by more than chance.",
        Lots.NONE_ON_RECORD: "No lots are on record (sheet fitted, column lot), so none can be ranked.",
        Lots.NONE_FAILED: "No part with lots on record has failed yet.",
        Lots.NONE_WORSE: "No lot can be said to be worse than the others of its part.",
        Lots.ALIKE: "The lots of {part} differ no more than chance would have them, which proves none alike: the ranges say how unlike they may be.",
        Power.NO_FIT: "No part has failed often enough for a fit, so what the watch would catch cannot be told.",
        Revision.NONE_OUT: "No part that followed another ([[supersessions]] in shop.toml) has been out long enough to compare.",
        RevisionIs.BETTER: "{new} is better",
        RevisionIs.WORSE: "{new} is worse",
        RevisionIs.NOT_KNOWN: "not known yet",
    }
)


def few(value: float) -> str:
    """A number expected, as a person says it. value: the number."""
    return "fewer than 0.1" if value < 0.1 else numbered(value)


# ---- alarms ----------------------------------------------------------------------------------------------------------
texts(
    {
        Alarms.TEST: lambda family, component, group: _TEST[family].format(component=component, group=group),
        Alarms.CLOSED: lambda what, came, on, by, why: (
            f"Closed by {by} on {on:%Y-%m-%d}: {say(what)}, {came} so far. {capital(why)}{'' if why.endswith('.') else '.'}"
        ),
        Alarms.QUIET: lambda alarms: (
            f"History, four quarters without another: {listed([say(what) for what in alarms])}."
        ),
        Alarms.TESTS: lambda tests, false_alarm: (
            f"{tests:,} looks were taken. If nothing at all were wrong, and the months as even as the records have them, there would be a false alarm in at most one quarter of {round(1 / false_alarm)}."
        ),
    }
)


@says(Alarms.STANDS_OUT)
def _stands_out(
    what: Reason, state: AlarmIs, raised: Reason, units: int, expected: float, came: int, p_value: float
) -> str:
    tested = say(what)
    return f"{capital(tested)} ({say(state)}, {say(raised)}): {came} of {units} came back where {few(expected)} would be usual. Chance alone would do that {one_in(p_value)}."


@says(Alarms.STOP_THE_LOT)
def _stop_the_lot(lot: str, still_running: Sequence[str]) -> str:
    call = (
        f"Call those who still run with it: {listed(still_running, 30)}."
        if still_running
        else "None still runs with it."
    )
    return f"On Monday: fit no more of {lot} and hold one against the drawing. {call}"


_Three = tuple[float, float, float]


@says(Alarms.LOT_FAILS)
def _lot_fails(lot: str, running: int, years: float, times: _Three, fails: _Three, renewed_fails: _Three) -> str:
    return (
        f"{lot} fails {numbered(times[0])} times as often as usual ({numbered(times[1])} to {numbered(times[2])}). Left alone, {_counted(fails)} of the {running} that still run "
        f"come back within {years:g} years; with a new part put in now, {_counted(renewed_fails)}. Where a failure can hurt somebody, call them in whatever the money says."
    )


@says(Alarms.LOT_PAYS_BELOW)
def _lot_pays_below(even: _Three, currency: str) -> str:
    return (
        f"By money it pays to call all in where renewing one, part and work, costs less than {_amounts(even, currency)}; shop.toml does not say what it "
        "costs ([costs] call_in, and the price in [costs.parts])."
    )


texts(
    {
        LotChoice.WAIT: "waiting",
        LotChoice.CALL: "calling all in and renewing now",
        LotChoice.OPEN: "opening {first} and then doing what they show",
    }
)


@says(Alarms.LOT_IN_MONEY)
def _lot_in_money(
    swap: float,
    even: _Three,
    options: Mapping[LotChoice, _Three],
    cheapest: LotChoice,
    calls: float,
    first: int,
    currency: str,
) -> str:
    named = {choice: say(reason(choice, first=first)) for choice in options}
    told = [
        f"{named[c]} {'at best ' if c is LotChoice.OPEN else ''}{_amounts(v, currency)}" for c, v in options.items()
    ]
    return (
        f"In money, with {money(swap, currency)} to renew one: {'; '.join(told)}. Cheapest as expected is {named[cheapest]}. Calling all is cheaper than waiting at "
        f"{percent(calls)} of the rates the lot may have; it pays where renewing one costs less than {_amounts(even, currency)}."
    )


def _counted(told: _Three) -> str:
    return f"{numbered(told[0])} ({told[1]:.0f} to {told[2]:.0f})"


def _amounts(told: _Three, currency: str) -> str:
    expected, lower, upper = (money(v, currency) for v in told)
    return f"{expected} ({lower} to {upper})"


@says(Alarms.ASK_THE_BENCH)
def _ask_the_bench(tests: Sequence[Reason]) -> str:
    told = [
        f"{component} in {group}" if family is Family.MONTH_INSTALL else f"{component} ({group})"
        for family, component, group in (test.values.values() for test in tests)
    ]
    return f"On Monday: ask who built {listed(told)}, and what was different on the bench."


@says(Alarms.NOT_STANDING)
def _not_standing(alarms: Sequence[tuple[Reason, pd.Timestamp, CameSince]]) -> str:
    told = [f"{say(test)} ({raised:%Y-%m-%d}; {say(verdict)})" for test, raised, verdict in alarms]
    return f"Raised in the quarters replayed and not standing today: {listed(told)}."


@says(Alarms.NEXT_IN_LINE)
def _next_in_line(tests: Sequence[tuple[Reason, int, float]]) -> str:
    told = [f"{say(test)} ({came} where {few(expected)} usual)" for test, came, expected in tests]
    return f"Next in line, and no more than chance would do among so many looks: {listed(told)}."


def alarm_named(name: str, said: pd.DataFrame) -> tuple[Family, str, str]:
    """Family, component and group of the alarm of that ``name`` among those ``said`` (review.said.said_alarms). Raises AnalyticsError where there
    is none."""
    known = {_name_of(a): (Family[a.what], a.component, a.group) for a in said.itertuples()}
    wanted = " ".join(name.split()).casefold()
    for told, alarm in known.items():
        if told.casefold() == wanted:
            return alarm
    raise AnalyticsError(
        f"--close {name!r}: no review has said such an alarm. "
        + (f"Said are: {'; '.join(known)}." if known else "None has been said yet: run review first.")
    )


def _name_of(alarm: Any) -> str:
    return _TEST[Family[alarm.what]].format(component=alarm.component, group=alarm.group)


def alarms_listing(said: pd.DataFrame, closed: pd.DataFrame) -> str:
    """The alarms ``said`` in reviews, each with its last count, and whether it is ``closed``; as lines."""
    own = {(c.family, c.component, c.group): c for c in closed.itertuples()}
    lines = []
    for a in said.itertuples():
        told = f"{_name_of(a)}: {a.came:.0f} of {a.units:.0f}, {few(a.expected)} usual ({a.as_of:%Y-%m-%d})"
        end = own.get((a.what, a.component, a.group))
        lines.append(told + (f"; closed by {end.by} on {end.closed_on:%Y-%m-%d}: {end.reason}" if end else ""))
    return "\n".join(lines) or "No review has said an alarm yet."


# ---- lots ------------------------------------------------------------------------------------------------------------
@says(Lots.WORSE)
def _worse(lot: str, came: int, units: int, times_the_usual: float, lower: float, upper: float) -> str:
    return f"{lot}: {came} of {units} came back, drawn towards the other lots {numbered(times_the_usual)} times the usual ({numbered(lower)} to {numbered(upper)})."


@says(Power.BY_YEARS)
def _by_years(
    size: int, part: str, component: str, usual: float, years: float, alarm_at: int, caught: Sequence[float]
) -> str:
    five, ten, twenty = map(percent, caught)
    return (
        f"A lot of {size} {part} ({many(component)}) has {few(usual)} failures to be expected by {years:g} years, and {alarm_at} are an alarm. "
        f"If the lot is truly five times worse it is caught by then {five} of the time, ten times worse {ten}, twenty times {twenty}."
    )


@says(Power.BY_ONE_YEAR)
def _by_one_year(caught: Sequence[float]) -> str:
    five, ten, twenty = map(percent, caught)
    return f"After one year in service the same lot is caught {five}, {ten} and {twenty} of the time: silence about a young lot proves little."


@says(Power.IN_A_QUARTER)
def _in_a_quarter(look: Reason, expected: float, told_at: int, caught: Sequence[float]) -> str:
    twice, thrice = map(percent, caught)
    return f"{capital(say(look))}: {few(expected)} usual, and {told_at} or more are told. Where twice as many were the rule, that is {twice} of the time, three times {thrice}."


@says(Power.PARTS_IN_A_QUARTER)
def _parts_in_a_quarter(parts: int, seen: Sequence[Sequence[str]]) -> str:
    twice, thrice = (f"{len(own)} ({listed(own)})" if own else "none" for own in seen)
    return f"Of {parts} parts looked at, twice as many in one quarter are more likely told than not for {twice}, three times as many for {thrice}."


# ---- revisions -------------------------------------------------------------------------------------------------------
def _came_back(old: str, new: str, units: int, came: int, expected: float) -> str:
    return f"{new}: {came} of {units} came back, install errors aside, where {few(expected)} would have if they were like {old} at the same power, weight, use, age and miles"


texts(
    {
        Revision.BETTER: lambda upper, **told: (
            f"{_came_back(**told)}. It is better: at most {numbered(upper)} times as often (95% sure)."
        ),
        Revision.WORSE: lambda lower, **told: (
            f"{_came_back(**told)}. It is worse, at least {numbered(lower)} times as often (95% sure)."
        ),
        Revision.LOOKS_BETTER: lambda p_fewer, **told: (
            f"{_came_back(**told)}. It looks better, but chance could do it ({one_in(p_fewer)}): not known yet. "
        ),
        Revision.NO_BETTER_SO_FAR: lambda p_fewer, **told: f"{_came_back(**told)}: no better so far.",
        Revision.KNOWN_BY: lambda times, quarter: (
            f"If it truly fails {numbered(times)} times as often, four times out of five it will be proven by {quarter}."
        ),
        Revision.NOT_KNOWN_BY: lambda times, years: (
            f"If it truly fails {numbered(times)} times as often, even {years} more years of the units now running would rather not prove it; those still to be built help."
        ),
    }
)
