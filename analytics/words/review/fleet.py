"""The fleet: how many are out, comebacks by power band and weight class, how each part wears, what each clock leaves out."""

from __future__ import annotations

from typing import Any

from analytics.models.comparison import LogRank
from analytics.reasons import ByCell, Cell, Clocks, Fleet, Question, Wear
from analytics.words import units
from analytics.words.phrases import numbered, percent, plural
from analytics.words.saying import asks, say, says, texts
from analytics.words.units import class_named, p_words, run

# ---- units out -------------------------------------------------------------------------------------------------------
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
_END = {"sold": "sold on", "lost": "lost from sight", "scrapped": "scrapped", "no": "not running, with no return"}


texts(
    {
        Fleet.SIZE: lambda units, in_use, median_years, unit_years: (
            f"{plural(units, 'unit')} went out; {in_use:,} are in use as far as the records tell, half of them for more than {median_years:.1f} years. "
            f"Together they have served {unit_years:,.0f} unit-years."
        ),
        Fleet.GONE: lambda ends: (
            "Followed to the last contact only: " + ", ".join(f"{n:,} {_END[e]}" for e, n in ends.items()) + "."
        ),
        Fleet.ODOMETERS: lambda known, units, median_miles_a_year: (
            f"An odometer figure is known for {known:,} of them ({percent(known / units)}); among these half drive more than {run(median_miles_a_year, 'miles', 2, 1)} a year. "
            "Odometers get read when a truck comes back, and the hard-driven come back more: do not take this for the average customer."
        ),
    }
)


# ---- by power band and weight class ----------------------------------------------------------------------------------
asks(
    Question.BY_CELL,
    lambda component: f"{component.capitalize()}: how often does it come back, by power and weight?",
    "Failures per 100 unit-years with exact 90% limits (Garwood 1936); where none failed, the most that 90% confidence leaves open. "
    "The share back within {years} years is Kaplan-Meier on days, given only where {at_risk} or more reach that age; where none of "
    "them came back, the most that 90% confidence leaves open of as many (Clopper and Pearson 1934).",
)
asks(
    Question.WEAR,
    "Do failures come early, by chance, or late?",
    "Weibull shape on days in service with 90% profile-likelihood limits (Meeker and Escobar 1998, ch. 8): under 1 early failures, about 1 chance, over 1 wear. "
    "Held against Kaplan-Meier where enough are at risk.",
)
asks(Question.CLOCKS, "Days or miles: what does each leave out?")
texts(
    {
        ByCell.NOT_IN_SERVICE: "No {component} has been in service yet.",
        ByCell.BACK_ON_FIRST_DAY: "{failures} of {parts:,} came back on the day they went into service: there is no rate to state.",
        ByCell.NO_WORST: "{failures} of {parts:,} came back; no single band and class has the three failures needed to be called the worst.",
        ByCell.UNKNOWN: "Power or weight is not recorded for {parts:,} of them, {failed} of which came back: these stand in a row of their own.",
        ByCell.BANDS_UNTESTED: "Whether power makes a difference can't be tested: too few came back, or all in one band.",
        ByCell.BANDS_ALIKE: "Weight class by weight class, the power bands differ no more than chance would have it. That is not proof that power does not matter.",
        ByCell.UNTESTED: "Log-rank test across the power bands: {why}",
        ByCell.CLASS_UNTESTED: "{weight_class:class_named} alone: {why}",
        Wear.NONE_BACK: "none came back: no pattern to read",
        Wear.NO_FIT: "{why}",
        Wear.NO_PART: "No part has come back often enough to tell.",
        Clocks.DAYS: "The days clock counts every part, but a truck in the garage ages on it like one towing every day.",
    }
)


# ---- a cell ----------------------------------------------------------------------------------------------------------
texts(
    {
        Cell.NOT_YET: lambda parts: f"{plural(parts, 'part')}, no time in service yet: nothing can be said",
        Cell.NONE_PROVES_NOTHING: lambda parts, unit_years: (
            f"none of {parts:,} came back in {numbered(unit_years)} unit-years: too little to prove anything"
        ),
        Cell.NONE: lambda parts, unit_years, upper: (
            f"none of {parts:,} came back in {numbered(unit_years)} unit-years; that proves at most {numbered(upper)} "
            "a year per hundred (90% sure)"
        ),
        Cell.FEW: lambda failures, **rate: (
            f"{_some(failures, **rate)}; {plural(failures, 'failure')}, too few to say more"
        ),
    }
)


@says(Cell.SOME)
def _some(failures: int, parts: int, rate: float, lower: float, upper: float) -> str:
    return f"{failures} of {parts:,} came back: {numbered(rate)} a year per hundred ({numbered(lower)} to {numbered(upper)})"


def _picked(looks: int) -> str:
    return f", with room for its being picked from {looks}" if looks > 1 else ""


# ---- a component -----------------------------------------------------------------------------------------------------
texts(
    {
        ByCell.NONE_BACK: lambda parts, unit_years, upper: (
            f"None of {parts:,} came back in {numbered(unit_years, 3)} unit-years; that proves at most {numbered(upper)} a year per hundred (90% sure). "
            "It does not prove that it cannot fail."
        ),
        ByCell.NOT_ON_RECORD: lambda **rate: (
            f"{_some(**rate)}. Power and weight are not on record together for any of them, so nothing can be said by power or weight."
        ),
        ByCell.WORST: lambda failures, parts, power_band, weight_class, cell, looks: (
            f"{failures} of {parts:,} came back. Worst where we can be sure of it: {units.power_band(power_band)}, {class_named(weight_class)}, {say(cell)}{_picked(looks)}."
        ),
        ByCell.CLEANEST: lambda power_band, weight_class, cell, looks: (
            f"Cleanest: {units.power_band(power_band)}, {class_named(weight_class)}: {say(cell)}{_picked(looks)}."
        ),
        ByCell.INSTALL_ERRORS: lambda n: (
            f"{plural(n, 'install error')} {'is' if n == 1 else 'are'} not counted above: {'it was' if n == 1 else 'they were'} ours, not the part's."
        ),
        ByCell.BANDS_DIFFER: lambda few: (
            f"Weight class by weight class, the power bands differ by more than chance.{_rough(few)}"
        ),
        ByCell.BANDS_MAY_DIFFER: lambda few: (
            f"Weight class by weight class, the power bands may differ, but chance could still do it.{_rough(few)}"
        ),
        ByCell.TEST: lambda test: (
            f"Log-rank test across the power bands on days (Mantel 1966), stratified by weight class: {_test(test)}."
        ),
        ByCell.CLASS_TEST: lambda weight_class, test: f"{class_named(weight_class)} alone: {_test(test)}.",
    }
)


def _rough(few: bool) -> str:
    return " Few came back, so take this as a hint." if few else ""


def _test(test: LogRank) -> str:
    return (
        f"chi-square {test.statistic:.2f} on {test.df} degree{'' if test.df == 1 else 's'} of freedom, {p_words(test.p_value)}"
        + (f"; {say(test.notes[0])}" if test.notes else "")
    )


# ---- wear and clocks -------------------------------------------------------------------------------------------------
def _pattern(told: str, off_weibull: bool, **_: Any) -> str:
    off = (
        "; its curve bends otherwise than this pattern would, don't look further ahead than it goes"
        if off_weibull
        else ""
    )
    return told + off


texts(
    {
        Wear.LATE: lambda **values: _pattern("failures come with age, as wear does", **values),
        Wear.EARLY: lambda **values: _pattern("failures come early: look at the build and the install", **values),
        Wear.NOT_TOLD: lambda **values: _pattern("early, chance or wear can't be told apart yet", **values),
        Wear.TOO_FEW: lambda failures, needed: (
            f"{plural(failures, 'failure')}: fewer than the {needed} needed to read a pattern"
        ),
        Wear.PART: lambda component, part, pattern: f"{component.capitalize()} {part}: {say(pattern)}.",
        Wear.REST: lambda parts, others: (
            f"For {plural(parts, 'other part' if others else 'part')} too few came back to read a pattern."
        ),
    }
)


@says(Clocks.MILES)
def _miles(known: int, parts: int, failures_known: int, failures: int) -> str:
    of_failures = (
        f", but of {failures_known} of {plural(failures, 'failure')} ({percent(failures_known / failures)})"
        if failures
        else ""
    )
    leans = (
        " Odometers get written down when a truck comes back, so the miles curves look worse than the truth: "
        "read them for the shape, not for the level."
        if failures_known * parts > known * failures
        else ""
    )
    return f"The miles clock knows the odometer of only {known:,} of {parts:,} parts ({percent(known / parts)}){of_failures}.{leans}"
