"""What is taken where the records are silent: [driveline] in shop.toml. Each is a range, carried to the end as one."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analytics.driveline.damage import SN_HIGH, SN_LOW
from analytics.errors import RecordsError
from analytics.records.shop import Shop


@dataclass(frozen=True, slots=True)
class Span:
    """An amount known only to lie between ``low`` and ``high``; ``middle`` is their geometric mean."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        return float(np.sqrt(self.low * self.high))


#: friction of the driven tyres by use: dry road 0.8 to 0.9 (Gillespie 1992; Wong, from memory); prepared strip and sled
#: track common practice, no source, very uncertain; "" for a use not named here
FRICTION = {
    "street": Span(0.8, 0.9),
    "towing": Span(0.8, 0.9),
    "drag": Span(1.5, 3.0),
    "sled": Span(0.5, 0.9),
    "": Span(0.7, 1.0),
}


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Defaults are common practice, no source, unless said.

    engine_rpm: speed at which the recorded power was made. stall_ratio: torque ratio of the converter at stall (an engine
    maker's application guide gives 1.5 to 2.8; performance trucks 1.6 to 2.2). torque_at_stall: share of the engine's torque
    that it has at stall speed. driven_share: share of the truck's weight on the driven axle, at rest. height: height of the
    centre of gravity over the wheelbase. efficiency: from the input shaft to the axle (a driveline installation manual takes
    0.95 for the axle alone, 0.80 to 0.85 for all of it). rotating_inertia, shift_drop, shift_time: kg·m² that a shift slows,
    by how many rpm, in how many seconds (illustrative). all_wheel_drive: the whole weight is driven. line_pressure,
    converter_pressure: apply pressure where none is recorded. converter_pressure_max_psi, power_over_limit and clutch_margin
    are the rules that mark a suspect. sn_exponent: what a part's S-N exponent should be, 5 to 95 % (judgement).
    """

    engine_rpm: Span = Span(2600, 3200)
    stall_ratio: Span = Span(1.6, 2.2)
    torque_at_stall: Span = Span(0.5, 1.0)
    gear_ratios: tuple[float, ...] = (3.1, 1.8, 1.0)
    axle_ratio: Span = Span(3.4, 4.1)
    tyre_diameter: Span = Span(31, 35)
    driven_share: Span = Span(0.40, 0.55)
    height: Span = Span(0.18, 0.24)
    efficiency: Span = Span(0.85, 0.95)
    all_wheel_drive: bool = False
    lining_friction: Span = Span(0.10, 0.15)
    rotating_inertia: Span = Span(0.5, 1.5)
    shift_drop: Span = Span(800, 1400)
    shift_time: Span = Span(0.2, 0.4)
    line_pressure: Span = Span(150, 210)
    converter_pressure: Span = Span(130, 180)
    converter_pressure_max: float = 180.0
    clutch_margin_min: float = 1.0
    sn_exponent: Span = Span(SN_LOW, SN_HIGH)
    friction: dict[str, Span] = field(default_factory=lambda: dict(FRICTION))

    def friction_of(self, use: str) -> Span:
        return self.friction.get(use, self.friction[""])


#: key -> lowest and highest figure that is believed
_SPANS = {
    "engine_rpm": (500, 15_000),
    "stall_ratio": (1, 5),
    "torque_at_stall": (0.05, 1),
    "axle_ratio": (1, 20),
    "tyre_diameter": (10, 80),
    "driven_share": (0.05, 1),
    "height": (0.01, 0.9),
    "efficiency": (0.3, 1),
    "lining_friction": (0.01, 0.5),
    "rotating_inertia": (0.01, 20),
    "shift_drop": (10, 8000),
    "shift_time": (0.02, 5),
    "line_pressure": (10, 1000),
    "converter_pressure": (10, 1000),
    "sn_exponent": (0.5, 50),
}
_NUMBERS = {"converter_pressure_max": (10, 1000), "clutch_margin_min": (0.1, 10)}
_OTHERS = ("gear_ratios", "all_wheel_drive", "friction")


def assumptions_for(shop: Shop) -> Assumptions:
    """The shop's assumptions. Raises RecordsError on a key or value of [driveline] that is not understood."""
    known = (*_SPANS, *_NUMBERS, *_OTHERS)
    told: dict[str, Any] = {}
    for key, value in shop.driveline.items():
        where = f"shop.toml [driveline] {key}"
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(known)}."
            raise RecordsError(f"shop.toml [driveline]: {key!r} is not a key of [driveline]. {hint}")
        if key in _SPANS:
            told[key] = _span(value, *_SPANS[key], where)
        elif key in _NUMBERS:
            told[key] = _span(value, *_NUMBERS[key], where).low
        elif key == "all_wheel_drive":
            if not isinstance(value, bool):
                raise RecordsError(f"{where} = {value!r}: write true or false.")
            told[key] = value
        elif key == "gear_ratios":
            if not isinstance(value, list) or not value or not all(_number(v) and 0.2 <= v <= 20 for v in value):
                raise RecordsError(f"{where} = {value!r}: give the ratios of the gears, such as [3.1, 1.8, 1.0].")
            told[key] = tuple(sorted(map(float, value), reverse=True))
        else:
            if not isinstance(value, dict):
                raise RecordsError("shop.toml: write [driveline.friction] with lines such as street = [0.8, 0.9].")
            own = {
                "" if use == "other" else " ".join(use.split()).casefold(): _span(v, 0.05, 5, f"{where} {use}")
                for use, v in value.items()
            }
            told[key] = FRICTION | own
    return Assumptions(**told)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _span(value: Any, low: float, high: float, where: str) -> Span:
    pair = value if isinstance(value, list) else [value, value]
    if len(pair) != 2 or not all(_number(v) and low <= v <= high for v in pair) or pair[0] > pair[1]:
        raise RecordsError(
            f"{where} = {value!r}: give a number, or [lowest, highest], from {low:,g} to {high:,g}, the lower first."
        )
    return Span(float(pair[0]), float(pair[1]))
