"""What miles without a failure, or with few, demonstrate."""

from __future__ import annotations

from math import isinf

from analytics.reasons import Demonstrated
from analytics.words import units as said
from analytics.words.phrases import plural, weight
from analytics.words.saying import says
from analytics.words.units import power


@says(Demonstrated.NO_UNIT)
def _no_unit(weight_lb: float, use: str | None) -> str:
    return f"no unit weighs {weight(weight_lb)} or more" + ("" if use is None else f" in {use} use")


@says(Demonstrated.TOO_LITTLE)
def _too_little(
    units: float, weight_lb: float, failures: float, miles: float, counted: str, reliability: float, life: float
) -> str:
    heavy = "" if isinf(weight_lb) else f" at {weight(weight_lb)} or more"
    return (
        f"{plural(round(units), 'unit')}{heavy} with {plural(round(failures), 'failure')} in {said.run(miles, counted, least=1e4)} {'is' if round(units) == 1 else 'are'} too little to prove "
        f"{reliability:.0%} to {said.counted(life, counted)} at any power"
    )


@says(Demonstrated.SHOWN)
def _shown(failures: float, units: float, miles: float, counted: str, power_hp: float) -> str:
    what = "none" if failures == 0 else f"{failures:g}"
    return f"{what} of {units:,.0f} came back in {said.run(miles, counted, least=1e4)} at {power(power_hp)} or more"
