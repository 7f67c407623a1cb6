"""Captions of the pictures of the quarter: what each shows, in a sentence or two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import pandas as pd

from analytics.words.phrases import listed, money, numbered, percent, plural
from analytics.words.review.teardown import CAUSE
from analytics.words.units import class_named, in_units, power_band, run

#: a part's age on each clock
AGE = {
    "days": "years since the part was fitted",
    "miles": "thousand miles on the part",
    "runs": "runs (passes or pulls) on the part",
}


def age(clock: str) -> str:
    """Under the curves on a ``clock``."""
    return in_units(AGE[clock])


SINCE_NEW = "years since new, or since the comeback"
AS_IF_ALONE = "counted as if each were the only one"


Shape = Literal["curves", "rising", "bars", "stacked", "cells", "ranges", "fit", "band", "steps", "months"]
#: what is drawn, for who cannot see it
SHAPES: dict[Shape, str] = {
    "curves": "lines that fall in steps with age, a band about each, the numbers still followed below",
    "rising": "lines that rise in steps with age",
    "bars": "bars side by side, each stacked by kind",
    "stacked": "areas that rise in steps, one upon the other",
    "cells": "a grid of weight by power, darker where it is worse",
    "ranges": "a mark on its range, line by line",
    "fit": "what was seen beside what is fitted",
    "band": "a curve in its band, with upright lines at the limits",
    "steps": "lines that step with time",
    "months": "a grid of build month by months in service, darker where more came back",
}


# ---- survival, cells, quarters, findings -----------------------------------------------------------------------------
def survival(
    component: str,
    at_risk: int,
    clock: str,
    lowest: tuple[str, str, float, float] | None,
    left_out: tuple[int, int],
    flat: Sequence[str] = (),
) -> str:
    """``lowest``: line, panel, share not come back and age (years on days) of the lowest curve; None where none came back.

    ``left_out``: parts left out on this clock, and those of them that failed. ``flat``: panels not drawn, since none of theirs came back.
    component: its name; at_risk: how many a curve needs.
    """
    if lowest is None:
        return f"No {component} in these groups came back; every curve stays at 100%. Curves stop where fewer than {at_risk} are followed."
    line, panel, share, age = lowest
    told = f"{age:,.1f} years" if clock == "days" else run(age, clock, 3, 1)
    parts, failed = left_out
    none = f" None came back of {listed(flat)}." if flat else ""
    left = (
        f" On this clock {plural(parts, 'part')} {'is' if parts == 1 else 'are'} left out for want of a figure, {failed or 'none'} of them failed."
        if parts
        else ""
    )
    return (
        f"Lowest: {line}, {panel}, where {100 * share:.0f}% had not come back by {told}.\nThe shaded bands are 95% limits, a tick is a part that "
        f"was last seen whole; curves stop where fewer than {at_risk} are followed.{none}{left}"
    )


def cells(worst: Mapping[str, object] | None) -> str:
    """``worst``: the cell with the highest lower limit, as picked from them all (review.fleet.darkest); None where none came back."""
    if worst is None:
        return "None came back with power and weight on record."
    return (
        f"Darkest: {worst['component']} at {power_band(str(worst['power_band']))} and {class_named(str(worst['weight_class']))}, {worst['failures']} of {worst['parts']}: at least {worst['lower']:.1f} a year per hundred (95% sure, with room for its being picked from {worst['looks']}).\n"
        "Across: power; down: weight. The shade is what is shown at least, not the raw share; a white 0: none came back, not that none can."
    )


def quarters(names: Sequence[str], last_two: tuple[int, int], units_out: tuple[int, int], whole: bool) -> str:
    """``names``: first and last quarter. ``last_two``: components back in the quarter before the last, and in the last.

    ``units_out``: units sent out by the end of the first and of the last. ``whole``: the last quarter is over.
    """
    (first, last), (before, now), (small, large) = names, last_two, units_out
    grown = (
        f"From {first} to {last} the fleet grew from {small:,} to {large:,} units sent out, so bars of one height over that time are an improvement."
        if large > small
        else f"The fleet stood at {large:,} units all the while."
    )
    star = "" if whole else " The last quarter (*) is not over."
    return f"{now} in {last}, {before} the quarter before.\n{grown}{star}"


def share(name: str, value: float, limits: tuple[float, float]) -> str:
    """A share, ``value``, by its ``name`` with its ``limits``: 'burnt 5.2% (3.2% to 8.5%)'."""
    return f"{name} {percent(value)} ({percent(limits[0])} to {percent(limits[1])})" if limits[0] == limits[0] else name


def findings(by_years: float, back: float, lead: str, lead_back: float, as_if_alone: float) -> str:
    """Shares come back for any finding, for the leading one, and what the findings add up to each as if alone.
    by_years: the age the curves are read to; lead: the finding found most; lead_back: its share; as_if_alone: the sum of the shares, each as if the only finding."""
    alone, whole = f"{100 * as_if_alone:.1f}", f"{100 * back:.1f}"
    dotted = (
        f" Dotted: each counted as if the others did not exist, which adds up to too many ({alone}%)."
        if alone != whole
        else ""
    )
    return f"By {by_years:.2g} years {whole}% had come back, most for “{lead}” ({100 * lead_back:.1f}%).\nThe areas add up to the whole.{dotted}"


# ---- the outlook -----------------------------------------------------------------------------------------------------
def expected(counts: int, above: int) -> str:
    """``counts``: components and parts drawn; ``above``: those above their limits."""
    told = (
        "every count lies within its limits"
        if not above
        else f"{above} {'lies above its' if above == 1 else 'lie above their'} limits (ringed)"
    )
    return f"Of {counts} components and parts, {told}; one in twenty would by chance, a part together with its component.\n"


def lots(sure: int, of: int, worst: str, times_the_usual: float) -> str:
    """``sure``: lots worse than usual at their lower limit too, ``of`` so many. worst: the worst lot; times_the_usual: how often it came back."""
    return (
        f"{sure} of {of} lots {'is' if sure == 1 else 'are'} worse than usual at the lower limit too; {worst} stands first at {numbered(times_the_usual)} times the usual.\n"
        "Shown are lots of which any came back, and beside each line how many of how many. Few units speak softly, so their lots are drawn towards 1."
    )


def months(worst: str, came: int, within_months: int) -> str:
    """``worst``: the build month with most early failures, and how many ``came`` within so many months.
    within_months: the months in service looked at."""
    return (
        f"The darkest early cell is {worst}: {came} came back within {within_months} months.\nEach row is a build month, the figure in a cell how many came back at that age; "
        "white is served without one, the tint at the lower right not yet served. A dark row is a bad month, a shade that grows to the right is ageing, a diagonal is a season."
    )


def kept(inside: int, quarters: int) -> str:
    """Quarters ``inside`` what was expected, of so many. quarters: how many."""
    return f"{inside} of {quarters} quarters came within what was expected (grey, nine in ten){'' if inside == quarters else '; a ring marks a miss'}.\n"


# ---- the whole fleet -------------------------------------------------------------------------------------------------
def causes(last: pd.Series, before: pd.Series, lead: str, year_over: bool) -> str:
    """``last``, ``before``: rows of the last two years in the table of causes; ``lead``: the last year's leading cause.
    year_over: whether the last year is whole."""
    part = "" if year_over else " The last year is not over."
    return (
        f"{plural(last['all'], 'component')} came back in {last['year']}, {last[lead]} of them for {CAUSE[lead]}; {before['all']} in {before['year']}, "
        f"{before[lead] or 'none'} of them.{part}\nMore trucks are out each year, so look at the mix rather than the height."
    )


def repeats(fewest_at_risk: int) -> str:
    """How to read the lines of the build years. fewest_at_risk: how many a curve needs."""
    return (
        "A line that climbs faster is a worse year. The shaded bands are 95% limits of the first and the last year that allow for units that come back "
        f"often; lines stop where fewer than {fewest_at_risk} units are followed."
    )


def rebuilds(times: int, units: int) -> str:
    """The line of units rebuilt so many ``times`` (2: or more), and how many they are."""
    return f"{('new', 'rebuilt once', 'rebuilt twice or more')[times]} ({units:,})"


REBUILT = (
    "The raw shares: part of a gap is that strong and hard-driven trucks come back first; the sentences above set like against like. "
    "Shaded: 95% limits."
)


def how_sure(verdicts: int, turned: int) -> str:
    """Verdicts drawn, and those that turn under some reading of the records. verdicts: how many were looked at; turned: those that turn."""
    return (
        f"{verdicts - turned} of {verdicts} verdicts stay as they are whichever way the records are read.\nWhere the marks spread across the published limit "
        "(the bar), what is assumed decides; where they all lie on one side, it does not."
    )


def guarantee(allowed: float, currency: str, months: Mapping[str, float], level: float, own_failures: int) -> str:
    """``months``: the longest guarantee per power band at ``allowed`` a unit, in the shop's ``currency``.
    level: of the limits; own_failures: how many a band needs."""
    told = "; ".join(f"{power_band(band)} {plural(round(own), 'month')}" for band, own in months.items())
    return (
        f"At {money(allowed, currency)} a unit: {told}.\nWhere a line's shaded band ({100 * level:.0f}% limits) reaches a dashed cost, the guarantee can end; lines stop where fewer "
        f"than ten units of the band have been out so long; a band with fewer than {own_failures} failures of its own has no line."
    )
