"""What comes next: comebacks, their cost, what to stock, each unit's chance; and whether earlier forecasts and alarms kept their word."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analytics.reasons import CameSince, Forecasts, Kept, NextMiles, Question, Stock
from analytics.words.phrases import listed, money, numbered, percent, plural
from analytics.words.saying import asks, say, says, texts
from analytics.words.units import distance

# ---- ahead -----------------------------------------------------------------------------------------------------------
asks(
    Question.FORECAST,
    "What will come back next quarter and next year, and what will it cost?",
    "Each running life has its own chance, given its power, weight, use, age and miles; the number is Poisson-binomial, mixed over what each fit leaves open "
    "(the interval from the best fit alone is too narrow at any size: Tian, Meng and Meeker, arXiv 2007.08648; Escobar and Meeker, Technometrics 41 (1999) 113-124), and over a level common to all parts: that of the season, of quarters that differ by themselves, and of what came "
    "for what was expected before. Reported failures alone are fitted and forecast, so the share that goes unreported plays no part. Each end of a range counts for half, so that ranges hold nine in ten on average, not at least. The days from failing to coming in are estimated from returns "
    "with both dates, and the last days of those out count as not yet seen. Parts of one truck go together: one that came back before is likelier to come again, by as much as this shop's trucks have shown. "
    "A part without a fit of its own is taken to fail as its whole component does, and a component without one as the shop does, with two failures' worth of trust.",
)
asks(
    Question.STOCK,
    "What should be on the shelf for the next quarter's comebacks?",
    "The fewest that suffice with at least that chance, part by part, which can be one more than the forecast's upper end, of which half counts; a part that was followed by another is replaced with the one that followed. "
    "Parts for new builds, and for damage that another part does, come on top.",
)
asks(
    Question.NEXT_MILES,
    lambda: f"Which units are most likely to come back in their next {distance(10_000)}?",
    "One minus the product over its components of not failing in those, given power, weight, use and what is known of its miles. "
    "The whole list is in unit_chances.csv and is for the shop only.",
)
texts(
    {
        Forecasts.NONE_RUNNING: "No unit is running, so nothing can come back.",
        Forecasts.NO_COST: "What a comeback costs is neither in shop.toml ([costs], comeback) nor on enough returns, so no money can be named.",
        Forecasts.NOT_COUNTED: "Units not built yet, and parts that another part breaks, come on top. Install errors are not counted: they are ours to stop, not to foresee.",
        Forecasts.FILLED: "{filled:,} of {lives:,} lives have no power or weight on record: each is taken at the median of its use.",
        Stock.NOTHING: "Nothing: no part is likely to be needed.",
        NextMiles.NO_FIT: "No part has failed yet, or none has a fit that can be trusted, so no unit's own chance can be told.",
    }
)


def _parts(parts: Sequence[tuple[str, int]]) -> str:
    return listed([f"{n} {part}" for part, n in parts], 20)


def _ahead(months: str, expected: float, lower: int, upper: int) -> str:
    return f"In the next {months} months expect {numbered(expected)} components to come back from the units now out; nine times in ten it will be {lower} to {upper}."


texts(
    {
        Forecasts.QUARTER: lambda **counts: _ahead("three", **counts),
        Forecasts.YEAR: lambda **counts: _ahead("twelve", **counts),
        Forecasts.NOT_IN_YET: lambda broken, wait_days: (
            f"About {numbered(broken)} of them {'has' if round(broken) == 1 else 'have'} failed already and {'is' if round(broken) == 1 else 'are'} not in yet: from failing to coming in takes {wait_days:.0f} days on average."
        ),
        Forecasts.RECORD: lambda quarters, came, expected: (
            f"In the last {plural(quarters, 'quarter')} {came:.0f} came where the same method had expected {numbered(expected, 3)} before it was moved by what came; "
            "the forecast is moved towards that, and its range allows for it."
        ),
        Forecasts.UNEVEN: lambda times, lower, upper: (
            f"The season and chance quarters make the next three months {times:.2f} times an even quarter ({lower:.2f} to {upper:.2f})."
        ),
        Forecasts.AT_STATED_COST: lambda one_comeback, **cost: _cost(
            f"At the {money(one_comeback, cost['currency'])} a comeback stated in shop.toml", **cost
        ),
        Forecasts.AT_RECORDED_COST: lambda one_comeback, **cost: _cost(
            f"At what returns have cost on record ({money(one_comeback, cost['currency'])} on average)", **cost
        ),
        Forecasts.FOUND_OPENED: lambda parts: (
            f"Nor is damage that is found while the unit is open for something else, which brings no truck in: {_parts(parts)} in the last year."
        ),
        Stock.FOUND_OPENED: lambda parts: (
            f"On top come parts found damaged while the unit is open for something else: {_parts(parts)} in the last year."
        ),
        Stock.KEEP: lambda parts, chance: f"To have the part at hand {percent(chance)} of the time: {_parts(parts)}.",
        NextMiles.LIKELIEST: lambda units, median, serial, chance, component: (
            f"Half the {plural(units, 'unit')} running have a chance under {percent(median)}; the likeliest, {serial}, has {percent(chance)}, most of it for its {component}."
        ),
        NextMiles.ONE_IN_TEN: lambda units: (
            f"{plural(units, 'unit')} stand at 10% or more. A chance is not a verdict on one truck: of ten at 10%, nine come home."
        ),
        NextMiles.NO_CHANCE: lambda units: (
            f"For {plural(units, 'more unit')} no part has a fit, so their chance is not known."
        ),
        NextMiles.LIVES_LEFT_OUT: lambda lives: (
            f"{plural(lives, 'part')} running {'has' if lives == 1 else 'have'} no fit that can be trusted, mostly of components that never failed; their share of a unit's chance is not counted."
        ),
    }
)


@says(Forecasts.WHO_PAYS)
def _who_pays(shares: Sequence[tuple[str, float, float]], currency: str) -> str:
    told = [f"{payer} {money(mean, currency)} ({money(bad, currency)} in a bad year)" for payer, mean, bad in shares]
    return f"By who has paid, as returns have it: {'; '.join(told)}. A bad year is one in twenty."


@says(Forecasts.COMPONENTS)
def _components(components: Sequence[tuple[str, float, int, int]]) -> str:
    told = [
        f"{component} {numbered(expected)} ({lower} to {upper})" for component, expected, lower, upper in components
    ]
    return f"Over the year: {listed(told, 9)}."


def _cost(basis: str, expected: float, upper: float, currency: str) -> str:
    return f"{basis}, that is {money(expected, currency)} over the year; with {money(upper, currency)} set aside it is enough nineteen times in twenty."


@says(Stock.TIES_UP)
def _ties_up(tied_up: float, unpriced: Sequence[str], currency: str) -> str:
    without = f", without {listed(unpriced)}, whose price is not in shop.toml" if unpriced else ""
    return f"That ties up {money(tied_up, currency)}{without}."


# ---- was the word kept -----------------------------------------------------------------------------------------------
asks(
    Question.KEPT,
    "Did we keep our word?",
    "What reviews said is kept in said.csv and held by the date it was said. Replayed from {first:%Y-%m-%d}: each forecast was made again by today's program from the records as they stood that day, with nothing later in sight, for the units then "
    "running. Powers and weights carry no date on the sheets: one first written down at a later return is known too early here. An alarm is confirmed if, after it was "
    "raised, the group went on failing more than the others by more than chance (one in twenty).",
)
texts(
    {
        CameSince.BORNE_OUT: "confirmed by what came since",
        CameSince.NO_LONGER_LOOKED_AT: "no longer looked at: too little is left to compare it with",
        CameSince.NOT_BORNE_OUT: "not confirmed by what came since",
        CameSince.RAISED_NOW: "raised now: nothing to hold it against yet",
        CameSince.RUN_ITS_COURSE: "run its course (such errors show early, and no more have come)",
        CameSince.TOO_EARLY: "too early to say",
        Kept.NOTHING_SAID: "No forecast that a review has kept in said.csv has had its time yet; what follows is made again by today's program.",
        Kept.SAID_MISSED: "Said and missed: the {what} from {as_of:%Y-%m-%d}, {came} came where {lower:.0f} to {upper:.0f} were expected.",
        Kept.NO_QUARTER_BEFORE: "No quarter before this one can be replayed, so there is no word to have kept.",
        Kept.MISSED: "Missed: the {span} from {made_on:%Y-%m-%d}, {came} came where {lower} to {upper} were expected.",
        Kept.NO_ALARM_YET: "No earlier alarm has had time to be held against what came.",
    }
)


def _forecasts(span: str, overlap: bool, forecasts: int, inside: int, level: float, came: int, expected: float) -> str:
    return (
        f"Made again by today's program: of {plural(forecasts, f'forecast of the next {span}', f'forecasts of the next {span}')}, {inside} held what came, where {percent(level)} were promised; "
        f"in all {came} came back where {numbered(expected, 3)} were expected{' (the years overlap)' if overlap else ''}."
    )


texts(
    {
        Kept.SAID: lambda span, forecasts, first, inside, level, came, expected: (
            f"As said since {first:%Y-%m-%d}: of {plural(forecasts, f'forecast of a {span}', f'forecasts of a {span}')}, {inside} held what came, where {percent(level)} were "
            f"promised; in all {came} came where {numbered(expected, 3)} were expected."
        ),
        Kept.QUARTERS: lambda **values: _forecasts("quarter", False, **values),
        Kept.YEARS: lambda forecasts, **values: _forecasts("year", forecasts > 1, forecasts, **values),
    }
)


@says(Kept.COMPONENTS)
def _by_component(inside: int, forecasts: int, too_sure: bool) -> str:
    short = ": fewer than chance explains, the forecasts have been too sure" if too_sure else ""
    return f"Component by component and quarter by quarter, {inside} of {forecasts} ({percent(inside / forecasts)}) lay inside{short}."


@says(Kept.ALARMS)
def _alarms(verdicts: Mapping[CameSince, int]) -> str:
    told = listed([f"{n} {say(verdict)}" for verdict, n in verdicts.items()])
    return f"{plural(sum(verdicts.values()), 'alarm')} raised before, by what has come since: {told}."
