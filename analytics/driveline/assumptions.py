"""What is taken where the records are silent: [driveline] in shop.toml. Each is a range, carried to the end as one."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field, fields
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

    def at(self, end: str) -> float:
        """The figure at one end ("low", "", "high")."""
        return {"low": self.low, "": self.middle, "high": self.high}[end]


#: what is taken by use; "" for a use not named here. friction of the driven tyres: dry road 0.8 to 0.9 (Gillespie 1992; Wong,
#: from memory); prepared strip and sled track common practice, no source, very uncertain (a sled's hitch pulls the truck down as well). driven_wheels: 2 to 4 where the truck may
#: be switched over. application: what a shock adds to a steady load, by the handbook's spline factors for a combustion engine (uniform
#: load 2.0, heavy shock 2.8; Machinery's Handbook). trailer_weight, lb: common practice, no source.
BY_USE: dict[str, dict[str, Span]] = {
    "friction": {
        "street": Span(0.8, 0.9),
        "towing": Span(0.8, 0.9),
        "drag": Span(1.0, 2.0),
        "sled": Span(0.5, 1.3),
        "": Span(0.7, 1.0),
    },
    "driven_wheels": {"drag": Span(4, 4), "sled": Span(4, 4), "": Span(2, 4)},
    "application": {"drag": Span(2.8, 2.8), "sled": Span(2.8, 2.8), "": Span(2.0, 2.8)},
    "trailer_weight": {"towing": Span(5000, 14_000), "": Span(0, 0)},
}
#: engine speed at which a power counts as torque, rpm, by fuel: (slowest at or below a power in hp, rising with what exponent above it),
#: and the fastest. The slow end is the torque peak of a truck tuned for pulling, the fast end that of one tuned for power: 720 hp is
#: 1,155 to 1,580 lb ft on diesel. Common practice, no source.
SPEEDS = {
    "diesel": ((2100.0, 400.0, 0.22), (3200.0, 600.0, 0.35)),
    "gasoline": ((4000.0, 450.0, 0.25), (6500.0, 450.0, 0.20)),
}


@dataclass(frozen=True, slots=True)
class TruckTaken:
    """Of the truck. driven_share: share of its weight on the driven axle of two wheels, at rest. height: height of the centre of gravity
    over the wheelbase. oil_warming: by how many K the oil through the converter may warm in a stall, up to OIL_LASTS, where the temperature of the
    pan is not on record."""

    axle_ratio: Span = Span(3.4, 4.1)
    tyre_diameter: Span = Span(31, 35)
    driven_share: Span = Span(0.40, 0.55)
    height: Span = Span(0.18, 0.24)
    oil_warming: Span = Span(40.0, 62.5)


@dataclass(frozen=True, slots=True)
class ShiftTaken:
    """Of a shift (illustrative): kg·m² that it slows, by how many rpm, in how many seconds."""

    rotating_inertia: Span = Span(0.5, 1.5)
    shift_drop: Span = Span(800, 1400)
    shift_time: Span = Span(0.2, 0.4)


@dataclass(frozen=True, slots=True)
class Rules:
    """The rules that mark a suspect: converter_pressure_max (psi), clutch_margin_min, hub_stress_max (ksi, a careful design's: Machinery's
    Handbook, from memory), shift_heat_max (J/mm² of lining, from memory), release_share_min (of a stall's heat, judgement) and grade_margin_min
    (lock-up on the long grade)."""

    converter_pressure_max: float = 180.0
    clutch_margin_min: float = 1.0
    hub_stress_max: float = 45.0
    shift_heat_max: float = 0.5
    release_share_min: float = 0.2
    grade_margin_min: float = 1.3


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Defaults are common practice, no source, unless said.

    engine_rpm: speed at which the recorded power was made; None: by power and fuel, see SPEEDS. fuel: where none is on record (diesel brings
    more torque for its power). stall_ratio: torque ratio of the converter at stall (an engine
    maker's application guide gives 1.5 to 2.8; performance trucks 1.6 to 2.2). torque_at_stall: share of the engine's torque
    that it has at stall speed. gear_ratios: highest first, overdrive last. efficiency: from the input shaft to the axle (a driveline
    installation manual takes 0.95 for the axle alone, 0.80 to 0.85 for all of it). line_pressure, converter_pressure: apply pressure where
    none is recorded. return_spring: force of a pack's return springs, lbf, where its own are not on file. sn_exponent: what a part's S-N exponent should be, 5 to 95% (judgement). by_use: what goes by the truck's use, see BY_USE.
    """

    engine_rpm: Span | None = None
    fuel: str = "diesel"
    stall_ratio: Span = Span(1.6, 2.2)
    torque_at_stall: Span = Span(0.5, 1.0)
    gear_ratios: tuple[Span, ...] = (Span(2.8, 3.4), Span(1.6, 2.0), Span(1, 1), Span(0.65, 0.8))
    truck: TruckTaken = TruckTaken()
    efficiency: Span = Span(0.85, 0.95)
    lining_friction: Span = Span(0.10, 0.15)
    return_spring: Span = Span(80, 250)
    shift: ShiftTaken = ShiftTaken()
    line_pressure: Span = Span(150, 210)
    converter_pressure: Span = Span(130, 180)
    rules: Rules = Rules()
    sn_exponent: Span = Span(SN_LOW, SN_HIGH)
    by_use: dict[str, dict[str, Span]] = field(default_factory=lambda: {k: dict(v) for k, v in BY_USE.items()})

    def figures(self) -> dict[str, Any]:
        """What is taken, by its key of [driveline]; what goes by use apart."""
        found: dict[str, Any] = {}
        for name in (f.name for f in fields(self) if f.name != "by_use"):
            value = getattr(self, name)
            found |= {f.name: getattr(value, f.name) for f in fields(value)} if name in _GROUPS else {name: value}
        return found

    def of_use(self, what: str, use: str) -> Span:
        """What is taken for a use: ``what`` is a key of BY_USE."""
        return self.by_use[what].get(use, self.by_use[what][""])

    def speed(self, power_hp: np.ndarray, gasoline: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slowest and fastest engine speed, rpm, at which powers (n,) in hp may be torque. gasoline: (n,) bool."""
        if self.engine_rpm is not None:
            return tuple(np.full(len(power_hp), v) for v in (self.engine_rpm.low, self.engine_rpm.high))  # type: ignore[return-value]
        ends = []
        for end in (0, 1):
            by = [
                rpm * np.maximum(np.asarray(power_hp, float) / start, 1.0) ** rise
                for rpm, start, rise in (SPEEDS["diesel"][end], SPEEDS["gasoline"][end])
            ]
            ends.append(np.where(gasoline, by[1], by[0]))
        return ends[0], ends[1]


#: temperature, °F, at which oil that leaves the converter no longer lasts: common practice, no source
OIL_LASTS = 300.0

_GROUPS: dict[str, Any] = {"truck": TruckTaken, "shift": ShiftTaken, "rules": Rules}


def assume(**taken: Any) -> Assumptions:
    """Assumptions by the keys of [driveline] and ``by_use``; what is not ``taken`` has its default."""
    for name, group in _GROUPS.items():
        taken[name] = group(**{f.name: taken.pop(f.name) for f in fields(group) if f.name in taken})
    return Assumptions(**taken)


#: key -> lowest and highest figure that is believed
_SPANS = {
    "engine_rpm": (500, 15_000),
    "stall_ratio": (1, 5),
    "torque_at_stall": (0.05, 1),
    "oil_warming": (1, 150),
    "axle_ratio": (1, 20),
    "tyre_diameter": (10, 80),
    "driven_share": (0.05, 1),
    "height": (0.01, 0.9),
    "efficiency": (0.3, 1),
    "lining_friction": (0.01, 0.5),
    "return_spring": (0, 5000),
    "rotating_inertia": (0.01, 20),
    "shift_drop": (10, 8000),
    "shift_time": (0.02, 5),
    "line_pressure": (10, 1000),
    "converter_pressure": (10, 1000),
    "sn_exponent": (0.5, 50),
}
_NUMBERS = {
    "converter_pressure_max": (10, 1000),
    "clutch_margin_min": (0.1, 10),
    "hub_stress_max": (1, 500),
    "shift_heat_max": (0.01, 10),
    "release_share_min": (0.001, 10),
    "grade_margin_min": (0.1, 10),
}
_BY_USE = {"friction": (0.05, 5), "driven_wheels": (2, 4), "application": (1, 5), "trailer_weight": (0, 60_000)}
BY_POWER = "by power and fuel"
#: figures of one truck's own, as they are told of it: lowest and highest that are believed
OWN: dict[str, tuple[float, float]] = {
    "torque": (10, 20_000),
    "engine_rpm": _SPANS["engine_rpm"],
    "stall_ratio": _SPANS["stall_ratio"],
    "stall_rpm": (500, 8000),
    "shift_time": _SPANS["shift_time"],
    "oil_temperature": (100, 400),
    "first_gear": (1, 20),
    "overdrive": (0.2, 1),
    "axle_ratio": _SPANS["axle_ratio"],
    "tyre_diameter": _SPANS["tyre_diameter"],
    "driven_wheels": _BY_USE["driven_wheels"],
    "driven_share": _SPANS["driven_share"],
    "trailer_weight": _BY_USE["trailer_weight"],
    "line_pressure": _SPANS["line_pressure"],
    "converter_pressure": _SPANS["converter_pressure"],
}


def assumptions_for(shop: Shop) -> Assumptions:
    """The shop's assumptions. Raises RecordsError on a key or value of [driveline] that is not understood."""
    known = (*_SPANS, *_NUMBERS, *_BY_USE, "gear_ratios", "fuel")
    told: dict[str, Any] = {}
    by_use: dict[str, dict[str, Span]] = {}
    for key, value in shop.driveline.items():
        where = f"shop.toml [driveline] {key}"
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(known)}."
            raise RecordsError(f"shop.toml [driveline]: {key!r} is not a key of [driveline]. {hint}")
        if key in _BY_USE:
            by_use[key] = _of_uses(value, key, where)
        elif key == "engine_rpm" and value == BY_POWER:
            continue
        elif key in _SPANS:
            told[key] = _span(value, *_SPANS[key], where)
        elif key in _NUMBERS:
            told[key] = _span(value, *_NUMBERS[key], where).low
        elif key == "fuel":
            if value not in SPEEDS:
                raise RecordsError(f"{where} = {value!r}: write one of {', '.join(SPEEDS)}.")
            told[key] = value
        else:
            told[key] = _gears(value, where)
    return assume(**told, by_use={k: BY_USE[k] | by_use.get(k, {}) for k in BY_USE})


def _of_uses(value: Any, key: str, where: str) -> dict[str, Span]:
    if not isinstance(value, dict):
        raise RecordsError(
            f"shop.toml: write [driveline.{key}] with lines such as street = [{_BY_USE[key][0]}, {_BY_USE[key][1]}]."
        )
    return {
        "" if use == "other" else " ".join(use.split()).casefold(): _span(v, *_BY_USE[key], f"{where} {use}")
        for use, v in value.items()
    }


def _gears(value: Any, where: str) -> tuple[Span, ...]:
    if not isinstance(value, list) or not value:
        raise RecordsError(f"{where} = {value!r}: give the ratios of the gears, such as [3.1, 1.8, 1.0, 0.7].")
    gears = [_span(v, 0.2, 20, where) for v in value]
    return tuple(sorted(gears, key=lambda g: -g.middle))


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _span(value: Any, low: float, high: float, where: str) -> Span:
    pair = value if isinstance(value, list) else [value, value]
    if len(pair) != 2 or not all(_number(v) and low <= v <= high for v in pair) or pair[0] > pair[1]:
        raise RecordsError(
            f"{where} = {value!r}: give a number, or [lowest, highest], from {low:,g} to {high:,g}, the lower first."
        )
    return Span(float(pair[0]), float(pair[1]))
