"""What the driveline's formulas and rules say of a part in one truck."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.advice.answer import Margin
from analytics.advice.truck import Truck
from analytics.driveline.assumptions import Assumptions, Span, assume
from analytics.driveline.load import SHAFTS, Loads, load_at
from analytics.driveline.part_facts import Fact, part_facts
from analytics.driveline.suspects import RULES, breaks, limit_of
from analytics.reasons import Advised, Reason, reason, reason_if

_ENDS = ("_low", "", "_high")


def margin_of(loads: Loads, component: str, part: str, truck: Truck, use: str) -> Margin | None:
    """The margin of a part (``component``, ``part``) whose make is on file, in the ``truck`` and ``use`` as far as they are known; None where nothing
    is known. loads: of the shop."""
    shaft = loads.kinds[component] in SHAFTS
    name, gives = ("stress_margin", "body_margin") if shaft else ("clutch_margin", "clutch_margin")
    row = _at(loads, component, part, truck, use)
    low, middle, high = _three(row, name)
    if not np.isfinite(middle):
        return None
    torque, body = _three(row, "torque_at_shaft_lbft"), _three(row, gives)
    spared = torque[0] / float(row["torque_capped_lbft_low"]) if shaft else 1.0
    return Margin(
        of=Advised.SHAFT_YIELDS if shaft else Advised.CLUTCH_SLIPS,
        torque_lbft=torque,
        low=low,
        middle=middle,
        high=high,
        body=(body[0], body[1], body[2] * (spared if np.isfinite(spared) else 1.0)),
        limited=str(row["traction_limited"]),
        use=use,
    )


def _at(loads: Loads, component: str, part: str, truck: Truck, use: str) -> pd.Series:
    own = dict(truck.own)
    return load_at(loads, component, part, np.array([truck.power_hp]), truck.weight_lb, use, own).iloc[0]


def _three(row: pd.Series, name: str) -> tuple[float, float, float]:
    low, middle, high = (float(row[f"{name}{e}"]) for e in _ENDS)
    return low, middle, high


def decided_by(loads: Loads, component: str, part: str, truck: Truck, margin: Margin) -> str:
    """The assumption whose middle, put in for its range, lifts the low end of what gives (``margin``.body) most; "" for none. loads, component, part, truck: as in
    `margin_of`."""
    name = "body_margin" if margin.of is Advised.SHAFT_YIELDS else "clutch_margin"
    lifted = {
        key: _three(_at(replace(loads, assumptions=a), component, part, truck, margin.use), name)[0] - margin.body[0]
        for key, a in _narrowed(loads.assumptions, truck)
    }
    most = max(lifted, key=lifted.__getitem__)
    return most if lifted[most] > 1e-9 else ""


def _narrowed(a: Assumptions, truck: Truck) -> Iterator[tuple[str, Assumptions]]:
    """The assumptions with one range after the other narrowed to its middle, by its name."""
    spans = {key: span for key, span in a.figures().items() if isinstance(span, Span)}
    slow, fast = a.speed(np.array([truck.power_hp]), np.array([a.fuel == "gasoline"]))
    spans["engine_rpm"] = Span(float(slow[0]), float(fast[0]))
    first, *others = a.gear_ratios
    yield "first_gear", replace(a, gear_ratios=(Span(first.middle, first.middle), *others))
    for key, span in spans.items():
        yield key, assume(**a.figures() | {key: Span(span.middle, span.middle)}, by_use=a.by_use)


def trailer_of(a: Assumptions, truck: Truck) -> tuple[str, float, float]:
    """The use of the ``truck`` with the heaviest trailer, and what that weighs, lb: as told, else as taken by the use (``a``)."""
    use = max(truck.uses or ("",), key=lambda u: a.of_use("trailer_weight", u).high)
    span = a.of_use("trailer_weight", use)
    told = dict(truck.own).get("trailer_weight")
    return (use, span.low, span.high) if told is None else (use, told, told)


#: figures of a clutch that go with it, and what says them
_NEEDS = (
    (Fact.PRESSURE_NEEDED, Advised.NEEDS_PRESSURE),
    (Fact.RELEASE_FLOW, Advised.LETS_THROUGH),
    (Fact.GRADE_MARGIN, Advised.ON_A_GRADE),
)


def needs_of(loads: Loads, component: str, part: str, truck: Truck, use: str) -> tuple[Reason, ...]:
    """The apply pressure a clutch needs to hold the torque, what a converter's release passage lets through, and what its lock-up holds on a long
    grade. loads, component, part, truck, use: as in `margin_of`."""
    facts = part_facts(loads, component, part, truck.power_hp, truck.weight_lb, use, dict(truck.own)).set_index("what")
    _, low, high = trailer_of(loads.assumptions, truck)
    wanted = loads.assumptions.rules.grade_margin_min
    known = {Advised.ON_A_GRADE: {"trailer_low": low, "trailer_high": high, "wanted": wanted}}
    return tuple(
        reason(
            code,
            part=part,
            low=float(facts.at[fact, "least"]),
            high=float(facts.at[fact, "most"]),
            **known.get(code, {}),
        )
        for fact, code in _NEEDS
        if fact in facts.index
    )


#: rules that the margin and the pressure do not say already
_DUTIES = ("hub", "shift heat", "release passage", "grade")


def strained(loads: Loads, component: str, part: str, truck: Truck) -> tuple[Reason, ...]:
    """The rules that mark a suspect and that a part breaks in the harshest use with what is not known at its middle, other than of its margin and pressure.
    loads, component, part, truck: as in `margin_of`."""
    rows = [_at(loads, component, part, truck, use) for use in truck.uses or ("",)]
    found = []
    for name in (n for n in _DUTIES if loads.kinds[component] in RULES[n].kinds):
        rule, limit = RULES[name], limit_of(name, loads.assumptions)
        values = [float(row[rule.column]) for row in rows]
        worst = float((np.fmax if rule.over else np.fmin).reduce(values))
        found += reason_if(
            Advised.BREAKS_RULE, breaks(rule, worst, limit), part=part, rule=name, value=worst, limit=limit
        )
    return tuple(found)


def broken_rules(loads: Loads, component: str, margin: Margin | None, truck: Truck) -> tuple[Reason, ...]:
    """The driveline's rules that a part of a ``component`` with this ``margin`` breaks for sure in the ``truck`` (``loads``: as in `margin_of`), the
    very rules that mark a suspect (`analytics.driveline.suspects`): a clutch that cannot hold and a shaft that yields at the best of what is
    assumed, and a converter's pressure over its limit."""
    found = []
    a = loads.assumptions
    least = a.rules.clutch_margin_min if margin and margin.of is Advised.CLUTCH_SLIPS else 1.0
    if margin is not None and margin.body[2] < least:
        found.append(reason(margin.of, high=margin.body[2], least=least))
    pressure = dict(truck.own).get("converter_pressure", 0.0)
    if loads.kinds[component] == "converter" and pressure > a.rules.converter_pressure_max:
        found.append(reason(Advised.PRESSURE_TOO_HIGH, psi=pressure, most=a.rules.converter_pressure_max))
    return tuple(found)
