"""Fits, curves and tests in words: what limits a figure, and what was left out of the lives behind it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from analytics.reasons import Assumption, Curve, Lives, Mileage, Refused, Unchecked
from analytics.words.phrases import exact, plural
from analytics.words.saying import says, texts
from analytics.words.units import counted, name_of, p_words

texts(
    {
        Curve.NONE_FAILED: lambda units, by: (
            f"none of {units:,} failed by {exact(by)}: the curve has no limits; use an exact bound"
        ),
        Curve.NOBODY_AT_RISK: lambda start, end: (
            f"no unit at risk between {exact(start)} and {exact(end)}: the curve knows nothing of that stretch"
        ),
        Curve.FELL_TO_ZERO_EARLY: lambda time, at_risk, later: (
            f"survival fell to zero at {exact(time)} with {at_risk} at risk, but {later:,} came under observation later: "
            "condition on an age with more at risk (given_survival_to)"
        ),
        Curve.ALL_FAILED_BEFORE_OTHERS: lambda time, later: (
            f"every unit at risk had failed by {exact(time)}, before {later:,} others came under observation: the shares "
            "stop there"
        ),
        Lives.NO_WEIGHT: (
            "no weight is on record: rated by power alone, for a mix of weights like that of the trucks built; write down "
            "the weight at every build"
        ),
        Lives.NO_POWER_OR_WEIGHT: lambda rows, of, failures: (
            f"{rows} of {of} rows have no power or weight and are left out"
            + (f", {failures} of them failures" if failures else "")
        ),
        Lives.FILLED_FROM_ALIKE: lambda power, units: (
            f"the {'power' if power else 'weight'} of {units} {'unit' if units == 1 else 'units'} is not on record and is taken from "
            "units of the same use that fared alike"
        ),
        Lives.FILLED_FROM_FEW: lambda power, units: (
            f"{units} of these fared as few did whose {'power' if power else 'weight'} is on record: their rating is right as far as those few are like the "
            "rest; note it at every build"
        ),
        Lives.OTHER_CAUSES: lambda failures: (
            f"{plural(failures, 'failure')} of other causes {'ends' if failures == 1 else 'end'} the life there without counting as a failure"
        ),
        Lives.NO_MILES_OR_DAYS: "{rows} rows have neither miles nor days in service and are left out",
        Lives.FAILED_AT_ZERO: lambda failures, soon: (
            f"{plural(failures, 'failure')} at 0 {name_of('distance')} {'is' if failures == 1 else 'are'} taken as failed within the first {counted(soon, 'miles')}"
            if soon > 1
            else f"{plural(failures, 'failure')} at 0 {'is' if failures == 1 else 'are'} taken as failed just after"
        ),
        Lives.CARRIED_ON: (
            "{lives} lives were last read more than {days:g} days before their end on record and are carried on at their "
            "own miles per day"
        ),
        Lives.EXTRA_UNKNOWN: "{column} is on record for none of the lives and is left out",
        Lives.EXTRA_PARTLY_UNKNOWN: (
            "{column} is not on record for {share:.0%} of the lives: taken at the average of the others"
        ),
        Lives.MISSING_OF_OTHERS: (
            "power or weight is missing for {of_others:.0%} of the lives that did not fail and {of_failed:.0%} of those "
            "that did: the rating comes out lower than the truth until they are filled in"
        ),
        Lives.MISSING_OF_FAILED: (
            "power or weight is missing for {of_failed:.0%} of the lives that failed and {of_others:.0%} of the others: "
            "the rating comes out higher than the truth until they are filled in"
        ),
        Mileage.FROM_RETURNED_TOO: "from returned units too, who drive more than the rest",
        Mileage.FEW_ODOMETERS: "{known} odometers known: at least 3 are needed",
        Refused.BECAUSE: "{why}",
        Refused.PART: "{component} {part}: {why}",
        Assumption.POWER_LAW_BENDS: (
            "the power law bends ({p_value:p}): ratings near the edge of the powers seen are less sure than stated"
        ),
        Assumption.POWER_LAW_STRAIGHT: "nothing in the records says the power law is not straight ({p_value:p})",
        Assumption.POWER_LAW_UNTESTED: "whether the power law bends could not be tested: a fit did not converge",
        Assumption.SHAPES_DIFFER: lambda p_value, shape: (
            f"the parts wear out in different ways ({p_words(p_value)}): do not pool their shapes"
        ),
        Assumption.SHAPES_ALIKE: ("nothing says the parts differ in shape ({p_value:p}; shared shape {shape:.2f})"),
        Unchecked.FEW_FAILURES: lambda failures: (
            f"{plural(round(failures), 'failure')}: a fit on so few cannot be checked against itself"
        ),
        Unchecked.NO_FIT: "no fit converged, so there is nothing to check",
    }
)


@says(Assumption.FEW_EXPECTED)
def _few_expected(expected: Mapping[Hashable, float]) -> str:
    thin = ", ".join(f"{label!r} {e:.2g}" for label, e in expected.items())
    return f"fewer than 5 failures expected ({thin}): the p-value is rough"
