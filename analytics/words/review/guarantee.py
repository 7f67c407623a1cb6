"""How long a guarantee each power band could carry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analytics.reasons import Guarantee, Lasts, Question
from analytics.words.phrases import capital, listed, money, percent, plural
from analytics.words.saying import asks, say, says, texts
from analytics.words.units import distance, power_band


def _method(years: float, level: float, fewest: int) -> str:
    return (
        f"Comebacks expected per unit of the mix built in the last {years:g} years, over all components, install errors included, each component counted "
        "once; failures nobody reports today count too, since a guarantee brings them in. From each part's fit with unknown powers and weights at the "
        "median of the use; a part that cannot be fitted counts as its component does, and a component that cannot as the shop does. Wear is scaled to what the band's own "
        f"units brought back against what the fits expect of them, a gamma factor drawn towards 1 (Clayton and Kaldor, Biometrics 43 (1987) 671-681). Limits {percent(level)}, over what the fits leave open and a level common to all parts. The length to "
        f"offer is the lower limit, no longer than {fewest} units of the band have been followed, rounded down. Trips with no fault found, and more "
        "claims or harder use because there is a guarantee, are not in it."
    )


asks(Question.GUARANTEE, "How long a guarantee could each power band carry?", _method)
texts(
    {
        Guarantee.NO_COST: "What a comeback costs is not stated: write it in shop.toml ([costs] comeback), and what a guarantee may cost a unit ([costs] guarantee_per_unit).",
        Guarantee.NO_ADVICE: "It is no advice to publish one: what a guarantee must cover is a matter of law where you sell, and a person decides.",
    }
)


texts(
    {
        Guarantee.TOO_FEW_FAILURES: lambda failures, needed: (
            f"Only {plural(failures, 'failure')} on record: too few to say what a guarantee would cost (at least {needed} are needed)."
        ),
        Guarantee.TOO_FEW_BUILT: lambda band, fewest, years: (
            f"{capital(power_band(band))}: fewer than {fewest} units built in the last {years:g} years, too few to promise anything."
        ),
        Guarantee.BAND: lambda band, allowed, lasts, currency: (
            f"{capital(power_band(band))}, at {money(allowed, currency)} a unit: {say(lasts)}."
        ),
        Lasts.TOO_FEW_FAILURES: lambda failures, needed: (
            f"not said: {plural(failures, 'failure') if failures else 'no failure'} of its own on record, at least {needed} are needed; "
            "what the other bands show says too little of it"
        ),
        Lasts.MORE_THAN_EXPECTED: lambda on_record, at_least, expected: (
            f"not said: {percent(on_record)} came back within a year on record (at least {percent(at_least)}), more than the models expect "
            f"({percent(expected)}); early failures of another kind are at work there"
        ),
        Lasts.NO_MONTH: lambda back_at_once, back_in_a_year: (
            f"none; already in the first months {percent(back_at_once)} come back, {percent(back_in_a_year)} within a year"
        ),
    }
)


@says(Guarantee.COSTS)
def _costs(comeback: float, allowed: Sequence[float], stated: bool, shares: Sequence[float], currency: str) -> str:
    basis = (
        "as stated in shop.toml ([costs] guarantee_per_unit)"
        if stated
        else f"{listed([percent(s) for s in shares])} of what a comeback costs, for want of an amount of your own in shop.toml ([costs] guarantee_per_unit)"
    )
    return f"A comeback costs {money(comeback, currency)} all in (shop.toml); the guarantee may cost a unit {listed([money(a, currency) for a in allowed])}, {basis}."


@says(Lasts.MONTHS)
def _months(
    months: int,
    miles: float,
    limits: tuple[float, float, float] | None,
    longest: int,
    back_in_a_year: tuple[float, float, float],
    on_record: float,
    failures: int,
) -> str:
    """``limits``: best estimate and its limits in months; None where the guarantee ends with what has been followed."""

    def told(value: float) -> str:
        return f"{value:,.0f}" if np.isfinite(value) else f"over {longest}"

    of_miles = f" at any mileage, or {distance(miles)} at any age" if miles else " at any mileage"
    ends = ", as far as enough have been followed (the cost would carry more)"
    if limits is not None:
        middle, low, high = map(told, limits)
        ends = f" (best estimate {middle}, {low} to {high})"
    back, back_low, back_high = map(percent, back_in_a_year)
    seen = f"; {percent(on_record)} on record" if np.isfinite(on_record) else ""
    return f"{plural(months, 'month')}{of_miles}{ends}; {back} are expected back within a year ({back_low} to {back_high}{seen}; {plural(failures, 'failure')} of its own)"
