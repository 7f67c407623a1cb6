"""What the driveline's formulas and rules say of a part in one truck."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace

import numpy as np

from analytics.advice.answer import Margin
from analytics.advice.truck import Truck
from analytics.driveline.assumptions import Assumptions, Span
from analytics.driveline.load import SHAFTS, Loads, load_at
from analytics.reasons import Advised, Reason, reason

_ENDS = ("_low", "", "_high")


def margin_of(loads: Loads, component: str, part: str, truck: Truck, use: str) -> Margin | None:
    """The margin of a part (``component``, ``part``) whose make is on file, in the ``truck`` and ``use`` as far as they are known; None where nothing
    is known. loads: with the truck's own figures among the assumptions."""
    shaft = loads.kinds[component] in SHAFTS
    name = "stress_margin" if shaft else "clutch_margin"
    torque, low, middle, high, limited = _at(loads, component, part, truck, use, name)
    if not np.isfinite(middle):
        return None
    of = Advised.SHAFT_YIELDS if shaft else Advised.CLUTCH_SLIPS
    return Margin(of, torque, low, middle, high, limited, use)


def _at(
    loads: Loads, component: str, part: str, truck: Truck, use: str, name: str
) -> tuple[tuple[float, float, float], float, float, float, str]:
    row = load_at(loads, component, part, np.array([truck.power_hp]), truck.weight_lb, use).iloc[0]
    least, usual, most = (float(row[f"torque_at_shaft_lbft{e}"]) for e in _ENDS)
    torque = least, usual, most
    low, middle, high = (float(row[f"{name}{e}"]) for e in _ENDS)
    return torque, low, middle, high, str(row["traction_limited"])


def decided_by(loads: Loads, component: str, part: str, truck: Truck, margin: Margin) -> str:
    """The assumption whose middle, put in for its range, lifts the low end of a ``margin`` most; "" for none. loads, component, part, truck: as in
    `margin_of`."""
    name = "stress_margin" if margin.of is Advised.SHAFT_YIELDS else "clutch_margin"
    lifted = {
        key: _at(replace(loads, assumptions=a), component, part, truck, margin.use, name)[1] - margin.low
        for key, a in _narrowed(loads.assumptions, margin.use)
    }
    most = max(lifted, key=lifted.__getitem__)
    return most if lifted[most] > 1e-9 else ""


def _narrowed(a: Assumptions, use: str) -> Iterator[tuple[str, Assumptions]]:
    """The assumptions with one range after the other narrowed to its middle, by its name."""
    spans = {f.name: getattr(a, f.name) for f in fields(a) if isinstance(getattr(a, f.name), Span)}
    for key, span in spans.items():
        yield key, replace(a, **{key: Span(span.middle, span.middle)})  # type: ignore[arg-type]
    grip = a.friction_of(use).middle
    yield "friction", replace(a, friction=a.friction | {use: Span(grip, grip)})


def broken_rules(loads: Loads, component: str, margin: Margin | None, truck: Truck) -> tuple[Reason, ...]:
    """The driveline's rules that a part of a ``component`` with this ``margin`` breaks for sure in the ``truck`` (``loads``: as in `margin_of`), the
    very rules that mark a suspect (`analytics.driveline.suspects`): a clutch that cannot hold and a shaft that yields at the best of what is assumed, and a converter's pressure over its limit."""
    found = []
    a = loads.assumptions
    least = a.clutch_margin_min if margin and margin.of is Advised.CLUTCH_SLIPS else 1.0
    if margin is not None and margin.high < least:
        found.append(reason(margin.of, high=margin.high, least=least))
    pressure = dict(truck.own).get("converter_pressure", 0.0)
    if loads.kinds[component] == "converter" and pressure > a.converter_pressure_max:
        found.append(reason(Advised.PRESSURE_TOO_HIGH, psi=pressure, most=a.converter_pressure_max))
    return tuple(found)
