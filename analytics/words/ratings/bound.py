"""What a rating rests on, what was checked, and what each default costs."""

from __future__ import annotations

from math import expm1

from analytics.reasons import Checked, Default, Reason, Rests
from analytics.words import units as said
from analytics.words.phrases import at_least as at_least_of
from analytics.words.phrases import listed
from analytics.words.saying import say, says, texts
from analytics.words.units import about_power, power, weight

DISTRIBUTION = {"weibull": "Weibull", "lognormal": "log-normal"}

texts(
    {
        Rests.NO_ODOMETER: lambda counted: (
            "no odometer is known: miles per day are an assumption (median 30 a day)"
            if counted == "miles"
            else f"no count of {counted} is known: {counted} a year are an assumption (median 100)"
        ),
        Rests.DEMONSTRATED: lambda shown: f"demonstrated, not modelled: {say(shown)}",
        Rests.AS_SIBLINGS: lambda lenders: (
            f"demonstrated by those miles without a failure, with the shape and slope of its siblings ({listed(lenders)}), weaker and lighter trucks counted for what they say"
        ),
        Rests.MIX_OF_USES: "holds for the mix of uses those miles were run in",
        Rests.SHARE_TAKEN: "counts on {share:.0%} of failures being reported",
        Rests.AT_LEAST: (
            "at least {power_hp:power}: the part is not proven to be weaker than any power with experience"
        ),
        Rests.ALL_REPORTED: "assumes every failure was reported",
        Rests.EARLY_TAKE_ALL: ("early failures alone take {share:.1%} of units: no power can give {reliability:.0%}"),
        Rests.NO_FIT_CONVERGED: "no fit converged: the records cannot carry a rating",
        Rests.USE_NOT_STATED: lambda use: (
            f"use not stated: rated {f'for {use}' if use else 'as the trucks whose use nobody wrote down'}, the harshest with enough on record"
        ),
        Rests.AVERAGE_COLUMNS: lambda columns: f"for a truck with average {' and '.join(columns)}",
        Rests.NOTHING_RULED_OUT: "no rating demonstrable: the records do not rule out any power, however low",
        Rests.LIGHTER_UNRATED: "a lighter class has no rating, so this one has none",
        Rests.FOUND_AT_TEARDOWN: lambda failures: (
            f"{failures} of the failures {'was' if failures == 1 else 'were'} found at a teardown: the same damage in trucks "
            "never opened is not counted"
        ),
        Rests.HIDDEN_COUNTED: lambda opened, found: (
            f"of {opened:,.0f} looked at while their unit was apart {opened - found:,.0f} were clean and {found:,.0f} had damage that stops no truck, counted here as if every truck were opened"
        ),
        Rests.STOPPED_ALONE: "{alone_hp:power} by what stops trucks alone",
        Rests.MORE_OPENINGS: "some {more:,.0f} more openings, found as those were, would do to raise it",
        Rests.LASTS_AT_ANY_POWER: lambda lowest_hp, highest_hp, **shares: (
            f"at any power from {about_power(lowest_hp, unit=False)} to {about_power(highest_hp)}, as most of these trucks have, {_lasting(**shares)}"
        ),
        Rests.LASTS_UP_TO: lambda power_hp, **shares: (
            f"power is not shown to matter: up to {about_power(power_hp)}, as nine in ten of these trucks have, {_lasting(**shares)}"
        ),
        Rests.LASTS_IN_WEAKEST: lambda power_hp, **shares: (
            f"of the weakest tenth of these trucks, up to {about_power(power_hp)}, {_lasting(**shares)}"
        ),
        Rests.FITTED_LATELY: lambda z, shown: (
            f"for what is fitted now, which {'may fail' if z < 1.64 else 'fails'} sooner than what was fitted before, as after another material or supplier"
            + ("" if shown else ", and for it the records rule no power out")
        ),
        Rests.AS_BEFORE: "{otherwise_hp:power} if what is fitted now lasts as what was fitted before",
        Rests.UNCLEAR_FAILURES: (
            "{own_hp:power} if the {failures} with an unclear cause or order were its own, {other_hp:power} if not; the "
            "lower counts"
        ),
        Rests.UNDER_POWERS: "below the lowest power on record, {lowest_hp:power}: worked out from how life falls with power, not shown by a truck so weak",
        Rests.HELD_AT_LIGHTER: "held at the {power_hp:power} of the lighter class",
        Checked.EARLY_FAILURES: (
            "{seen:g} failures under {miles:distance} where wear explains {expected:.1f}: taken as early failures, "
            "{share:.1%} of units, and the rest rated at a survival of {rest_reliability:.1%}"
        ),
        Checked.NOT_CONVERGED: "the {distribution} fit did not converge (decrement {decrement:.1g})",
        Checked.ONE_POWER: "every vehicle has the same power: how life falls with power rests on its prior",
        Checked.SLOPE_UNSETTLED: (
            "how life falls with power cannot be told from the records alone (the fit without its prior does not settle): "
            "the slope is held up by its prior"
        ),
        Checked.SLOPE_NOT_SHOWN: (
            "the records alone do not show that more power means less life (exponent {exponent:+.1f}, {p_value:p}): "
            "the slope is held up by its prior"
        ),
        Checked.ODOMETERS_ALIKE: (
            "every odometer on record gives about the same miles a day: were they read, or written down by a rule?"
        ),
        Checked.OWN_COLUMN: (
            "{column}: one standard deviation more goes with {times:.2f} times the life ({p_value:p})"
        ),
        Checked.COLLINEAR: (
            "power and the other columns move together (variance inflation {inflation:.1f}): their effects cannot be told "
            "apart, and no vehicle outside the mix seen is rated"
        ),
        Checked.OTHER_CLASS_FAILED: (
            "all failures are in one weight class, and it is not this one: the step between classes rests on its prior"
        ),
        Checked.FITS_BETTER: lambda distribution, ahead: (
            f"{DISTRIBUTION[distribution]} life fits better (log-likelihood {ahead:.1f} higher)"
        ),
        Checked.WHO_IS_READ: lambda value: (
            f"odometers are known mainly for those who drive {_more(value)} (selection slope {value:+.1f})"
        ),
        Checked.DRIVING_CHANGES: lambda value: (
            f"trucks drive {_more(value)} as they age ({expm1(value):+.0%} a day past the change)"
        ),
        Checked.FLEETS_NOT_FITTED: "{missed} of {fleets} simulated fleets could not be fitted ({distribution})",
        Checked.DISTRIBUTION_FAR_BEHIND: lambda distribution, behind: (
            f"{DISTRIBUTION[distribution]} life was left out of the calibration on purpose: its log-likelihood is {behind:.1f} lower, "
            "so the records speak against it"
        ),
        Checked.DISTRIBUTION_RULES_NOTHING_OUT: lambda distribution: (
            f"{DISTRIBUTION[distribution]} life was left out of the calibration: under it the records rule out no power"
        ),
        Checked.FEW_DRAWS: "the second opinion rests on {draws:.0f} effective draws ({distribution}): too few to trust",
        Checked.POSTERIOR_FAR_OFF: (
            "the second opinion ({posterior_hp:power}) is more than 10% from the bound ({bound_hp:power})"
        ),
    }
)


def _lasting(share: float, life: float, counted: str, at_least: float) -> str:
    """What share lasts, and what it is at least."""
    return f"about {share:.0%} last {said.counted(life, counted)}, at least {at_least_of(at_least)} (as sure as a rating, not calibrated)"


def _more(value: float) -> str:
    return "more" if value > 0 else "less"


def _cost(what: str):
    return lambda change: f"{what}: {change:+.1%}" if abs(change) >= 0.0005 else f"{what}: no change"


texts(
    {
        Default.BOTH_LAWS: _cost("allowing for Weibull or log-normal life"),
        Default.SELECTION: _cost("allowing for who gets an odometer reading"),
        Default.DECLINE: _cost("allowing for fewer miles with age"),
        Default.SHARE: _cost("allowing for failures never reported"),
        Default.EARLY: _cost("taking early failures apart"),
    }
)


@says(Rests.FEW_UNITS)
def _few_units(units: int, weight_lb: float | None) -> str:
    if weight_lb is None:
        return f"fewer than {units} units on record: no rating"
    return f"fewer than {units} units at {weight(weight_lb)} or more: no rating at this weight"


@says(Rests.BELOW_POWERS)
def _below_powers(bound_hp: float, lowest_hp: float, shown: Reason | None) -> str:
    return (
        f"no rating demonstrable: the bound of {power(bound_hp)} lies below the lowest power on record, {power(lowest_hp)}"
        + ("" if shown is None else f"; {say(shown)} is all that is shown")
    )


@says(Rests.FEW_FAILURES)
def _few_failures(failures: float, use: str | None) -> str:
    where = "" if use is None else f" in {use} use"
    return f"rests on assumptions: only {failures:g} failure{'' if failures == 1 else 's'}{where}"


@says(Rests.USES_HELD)
def _uses_held(uses: tuple[str, ...], left: tuple[tuple[str, float, float], ...]) -> str:
    others = [
        f"{use or 'no use stated'} ({lives:,.0f} {'life' if lives == 1 else 'lives'}, {failures:g} "
        f"{'failure' if failures == 1 else 'failures'})"
        for use, lives, failures in left
    ]
    return (
        f"holds for {', '.join(use or 'no use stated' for use in uses)}; too few failures for a rating of their own: "
        + ", ".join(others)
    )
