"""Repeated returns: how often a unit comes back again, by build year, and whether a rebuilt unit lasts like a new one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analytics.reasons import Again, BuildYears, Question, Rebuilt
from analytics.review.repeats import AsNew
from analytics.words.phrases import listed, numbered, percent, plural
from analytics.words.saying import asks, says, texts

# ---- coming back again -----------------------------------------------------------------------------------------------
asks(
    Question.AGAIN,
    "Do they come back again?",
    "Mean cumulative number of failures per unit by age, limits 95%, robust to a unit's own history (Nelson 2003; Lawless and Nadeau 1995). "
    "Second year against the first: power-law process of failures by the unit's age (Crow 1974), units watched from new; its limits are right only if one failure does not bring the next.",
)
texts({Again.NONE_BACK: "No unit has come back damaged yet."})


@says(Again.BACK_ONCE_AND_MORE)
def _back(units: int, units_more_than_once: int, most_times: int) -> str:
    more = f"{units_more_than_once:,}" if units_more_than_once else "none"
    most = f", one of them {plural(most_times, 'time')}" if units_more_than_once else ""
    return f"{plural(units, 'unit')} came back damaged at least once; {more} of them more than once{most}."


texts(
    {
        Again.LOST_TWICE: lambda component, units, mean_failures, by_years: (
            f"{component.capitalize()}: {plural(units, 'unit')} lost it twice or more, the replaced one included; "
            f"{numbered(100 * mean_failures)} failures per hundred units by {by_years:.2g} years."
        ),
        Again.MORE_OFTEN_WITH_AGE: lambda **values: _with_age("more", **values),
        Again.LESS_OFTEN_WITH_AGE: lambda **values: _with_age("less", **values),
    }
)


def _with_age(how: str, component: str, ratio: float, lower: float, upper: float) -> str:
    return (
        f"{component.capitalize()}: {how} often as trucks get older. By a power law of the unit's age it is lost {ratio:.1f} times as often in the second year as in "
        f"the first (95% limits {lower:.1f} to {upper:.1f})."
    )


# ---- by build year ---------------------------------------------------------------------------------------------------
asks(
    Question.BUILD_YEARS,
    "Do the units of later years come back less?",
    "Mean cumulative number of comebacks per unit by age (Nelson 2003), limits 95%, robust to units that come back often "
    "(Lawless and Nadeau 1995). Returns with no fault are left out. Build years are compared at an age that at least "
    "{fewest_at_risk} units of each have reached; the trend with age is the power-law process of MIL-HDBK-189C with the Laplace test, "
    "whose error takes units for alike. Power and use of the years' trucks may differ.",
)
asks(
    Question.REBUILT,
    "Does a rebuilt unit last as long as a new one?",
    "Time from new, or from the nth comeback, to the next (gap time; Prentice, Williams and Peterson, Biometrika 68 (1981) 373-379). "
    "Expected as new: the rate of new units of the same age since (re)build, power band and use; the ratio's limits ({level:.1%}: its share of what this review may claim falsely) are those of two "
    "Poisson counts and allow for the expectation's own error, not for one unit coming back over and over. Age counts from the return: the "
    "days in the shop make rebuilt units look a little better. Weight is not matched: it is not known for enough. Units older than the "
    "records count as never rebuilt.",
)
texts(
    {
        BuildYears.NONE_BACK: "No unit has come back damaged yet.",
        BuildYears.TOO_FEW_YEARS: "Too few build years have been out for a year to compare them.",
        BuildYears.TREND_UNTESTED: "Whether comebacks get closer together with age cannot be said: {why}",
        Rebuilt.NEW: "new",
        Rebuilt.ONCE: "once",
        Rebuilt.TWICE_OR_MORE: "twice or more",
        Rebuilt.NONE_YET: "No unit has been rebuilt after a comeback yet.",
        Rebuilt.NOT_ALL_ALIKE: "Trucks that came back once are not like all others: they are the strong, the heavy, the hard-driven. Set against new units of their own "
        "power band and use, what is left is the rebuild, the driver and the luck.",
    }
)


# ---- by build year ---------------------------------------------------------------------------------------------------
def _by_age(years: float) -> str:
    return f"by {years:g} year{'s' if years > 1 else ''}"


@says(BuildYears.MEANS)
def _means(age_years: float, means: Mapping[str, float]) -> str:
    told = "; ".join(f"built {year} {numbered(100 * mean)}" for year, mean in means.items())
    return f"Comebacks per hundred units {_by_age(age_years)}: {told}."


@says(BuildYears.TOO_YOUNG)
def _too_young(fewest_at_risk: int, years: Sequence[tuple[int, int, int]]) -> str:
    told = listed(
        [f"{year} ({plural(back, 'comeback')} of {plural(units, 'unit')})" for year, back, units in years], 12
    )
    return f"Not compared, since fewer than {fewest_at_risk} units have been followed for a year: built in {told}."


def _against_rest(verdict: str, built_in: str, age_years: float, gap: float, lower: float, upper: float) -> str:
    return (
        f"Built {built_in} against all before, {_by_age(age_years)}: "
        f"{numbered(100 * abs(gap))} {'more' if gap > 0 else 'fewer'} per hundred units ({100 * lower:+.1f} to {100 * upper:+.1f}), {verdict}."
    )


texts(
    {
        BuildYears.DIFFER: lambda **values: _against_rest("more than chance", **values),
        BuildYears.ALIKE: lambda **values: _against_rest("no more than chance would do", **values),
        BuildYears.OUT_OF_SIGHT: lambda comebacks: (
            f"{plural(comebacks, 'comeback')} of units that had been reported sold, lost or scrapped, or broke before the records start, left out: of such units "
            "only those that fail are heard of."
        ),
        BuildYears.CLOSER_TOGETHER: lambda **growth: (
            f"As a unit ages its comebacks come closer together {_growth(**growth)}: wear, not teething troubles, sets the pace."
        ),
        BuildYears.FURTHER_APART: lambda **growth: (
            f"As a unit ages its comebacks come further apart {_growth(**growth)}: the early ones set the pace."
        ),
        BuildYears.OVERALL: lambda mean, by_years, lower, upper: (
            f"Over all years a unit came back {numbered(mean)} times by {by_years:.2g} years "
            f"({numbered(lower)} to {numbered(upper)}), repeats included."
        ),
    }
)


def _growth(growth: float, lower: float, upper: float) -> str:
    return f"(growth {numbered(growth)}, {numbered(lower)} to {numbered(upper)}; 1 is no trend)"


# ---- rebuilt ---------------------------------------------------------------------------------------------------------
def _seen(t: AsNew) -> str:
    name = "Rebuilt once" if t.rebuilds == 1 else "Rebuilt twice or more"
    alone = t.comebacks - t.compared
    apart = (
        f" ({alone} of them in {t.years - t.compared_years:,.1f} unit-years at an age, power band and use that no new unit has "
        "been seen in: left out of the comparison)"
        if alone
        else ""
    )
    return f"{name}: {plural(t.units, 'unit')}, {t.years:,.0f} unit-years, {plural(t.comebacks, 'comeback')}{apart}"


texts(
    {
        Rebuilt.TOO_LITTLE_EXPECTED: lambda test: (
            f"{_seen(test)}, where new ones like them would have had {test.expected:.1f}. Too little has been expected so far to say anything."
        ),
        Rebuilt.MORE: lambda test: f"{_compared(test)}. They come back more than new ones, by more than chance.",
        Rebuilt.LESS: lambda test: f"{_compared(test)}. They come back less than new ones, by more than chance.",
        Rebuilt.NO_DIFFERENCE: lambda test: (
            f"{_compared(test)}. No difference is shown, which is not the same as none. "
            f"Had they been twice as bad, these records would have shown it with a chance of {percent(test.sees_double)}."
        ),
    }
)


def _compared(t: AsNew) -> str:
    told = (
        f"{numbered(t.ratio)} times as many as new ones alike ({numbered(t.lower)} to {numbered(t.upper)})"
        if t.compared
        else f"none where new ones alike would have had {t.expected:.1f}; at most {numbered(t.upper)} times as many"
    )
    return f"{_seen(t)}: {told}"
