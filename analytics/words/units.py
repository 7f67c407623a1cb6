"""Powers, weights, distances, torques and pressures as a person reads them, in the units of the owner's sheets."""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from analytics.records.own_units import Kind, own_power, unit_of
from analytics.records.shop import Shop, Units

_INSIDE: ContextVar[Units] = ContextVar("units")
_LAST = Units()


def speak_as(shop: Shop) -> None:
    """From now on figures are said in the units of this ``shop``, wherever nothing else is asked for."""
    global _LAST
    _LAST = shop.units


@contextmanager
def speaking(units: Units) -> Iterator[None]:
    """Inside, figures are said in these ``units``."""
    before = _INSIDE.set(units)
    try:
        yield
    finally:
        _INSIDE.reset(before)


def speaking_as(shop: Shop) -> Any:
    """Inside, figures are said in the units of this ``shop``."""
    return speaking(shop.units)


def spoken() -> Units:
    """The units that figures are said in."""
    return _INSIDE.get(_LAST)


def name_of(kind: Kind) -> str:
    """The unit that figures of a ``kind`` are said in: 'hp' or 'kW'."""
    return unit_of(kind, spoken())[0]


def own(value: Any, kind: Kind) -> Any:
    """A ``value`` of a ``kind`` (a number or an array) in the unit it is said in, unrounded."""
    return value / unit_of(kind, spoken())[1]


def ours(value: float, kind: Kind) -> float:
    """A ``value`` of a ``kind`` given in the unit it is said in, in ours: hp, lb, miles, lb ft, psi, in."""
    return value * unit_of(kind, spoken())[1]


def in_units(text: str) -> str:
    """The ``text`` of a heading or a remark that names hp, lb ft, lb, miles or psi, with the owner's units in their place."""
    return text if spoken() == Units() else _NAMES.sub(lambda m: name_of(_KINDS[m[0]]), text)


def prose(text: str) -> str:
    """The ``text`` of a sentence that speaks of miles as such, of kilometres where the owner's distances are in km."""
    return text if name_of("distance") == "miles" else _MILES.sub(lambda m: _KILOMETRES[m[0]], text)


_KILOMETRES = {"miles": "kilometres", "Miles": "Kilometres", "mile": "kilometre", "mileage": "distance"}
_MILES = re.compile(r"(?<![\dk] )\b(?:[Mm]iles|mile|mileage)\b")
_KINDS: dict[str, Kind] = {
    "hp": "power", "lb ft": "torque", "lb": "weight", "miles": "distance", "mi": "distance", "mph": "speed", "psi": "pressure",
}  # fmt: skip
_NAMES = re.compile(r"\b(?:hp|lb ft|lb|miles|mi|mph|psi)\b")


def power(power_hp: float) -> str:
    """``power_hp`` as '600 hp', or '447 kW'."""
    return f"{bare_power(power_hp)} {name_of('power')}"


def bare_power(power_hp: float) -> str:
    """``power_hp`` as '600', or '447' where powers are in kW: the unit is told beside it."""
    return f"{own_power(power_hp, spoken()):,.0f}"


def weight(weight_lb: float) -> str:
    """``weight_lb`` as '7,500 lb', '3,402 kg' or '3.40 t'."""
    return f"{bare_weight(weight_lb)} {name_of('weight')}"


def bare_weight(weight_lb: float) -> str:
    """``weight_lb`` as '7,500', '3,402' or '3.40': the unit is told beside it."""
    return f"{own(weight_lb, 'weight'):,.{2 if name_of('weight') == 't' else 0}f}"


def distance(miles: float) -> str:
    """``miles`` as '40,000 miles', or '64,374 km'."""
    return f"{bare_distance(miles)} {name_of('distance')}"


def bare_distance(miles: float) -> str:
    """``miles`` as '40,000', or '64,374' where distances are in km: the unit is told beside it."""
    return f"{own(miles, 'distance'):,.0f}"


def torque(torque_lbft: float) -> str:
    """``torque_lbft`` as '800 lb ft', or '1,085 N m'."""
    return f"{bare_torque(torque_lbft)} {name_of('torque')}"


def bare_torque(torque_lbft: float) -> str:
    """``torque_lbft`` as '800', or '1,085' where torques are in N m: the unit is told beside it."""
    return f"{own(torque_lbft, 'torque'):,.0f}"


def speed(mph: float) -> str:
    """A speed of so many ``mph`` as '55 mph', or '89 km/h'."""
    return f"{own(mph, 'speed'):.0f} {name_of('speed')}"


def pressure(pressure_psi: float) -> str:
    """``pressure_psi`` as '185 psi', or '12.8 bar'."""
    return f"{bare_pressure(pressure_psi)} {name_of('pressure')}"


def bare_pressure(pressure_psi: float) -> str:
    """``pressure_psi`` as '185', or '12.8' where pressures are in bar: the unit is told beside it."""
    return f"{own(pressure_psi, 'pressure'):,.{1 if name_of('pressure') == 'bar' else 0}f}"


def bare_counted(value: float, what: str) -> str:
    """A ``value`` of what is counted, of miles in the shop's unit: '64,374', '400'."""
    return bare_distance(value) if what == "miles" else f"{value:,.0f}"


def counted(value: float, what: str) -> str:
    """A ``value`` of miles in the shop's unit, or of ``what`` else is counted: '64,374 km', '400 runs'."""
    return f"{bare_counted(value, what)} {counted_in(what)}"


def counted_in(what: str) -> str:
    """``what`` is counted, miles in the shop's unit: 'km', 'runs'."""
    return name_of("distance") if what == "miles" else what


def run(value: float, what: str, digits: int = 3, least: float = 1e6) -> str:
    """A ``value`` of miles, or of ``what`` else is counted, in so many ``digits`` from the ``least`` on: most of the millions are worked out from days."""
    told = own(value, "distance") if what == "miles" else value
    return f"{told if told < least else float(f'{told:.{digits}g}'):,.0f} {counted_in(what)}"


def power_band(label: str) -> str:
    """A band of powers by its ``label``: '400 to 600 hp'."""
    return f"{label} {name_of('power')}"


def class_named(label: str) -> str:
    """A class of weights by its ``label``: 'up to 7,500 lb'."""
    return f"{label} {name_of('weight')}"


_SAID: dict[str, Callable[[Any], str]] = {
    made.__name__: made
    for made in (
        power,
        bare_power,
        weight,
        bare_weight,
        distance,
        bare_distance,
        torque,
        pressure,
        power_band,
        class_named,
    )
}


class _Filler(string.Formatter):
    """Fills a text whose figures may be named by how they are said: '{bound_hp:power}'."""

    def format_field(self, value: Any, format_spec: str) -> str:
        said = _SAID.get(format_spec)
        return said(value) if said else super().format_field(value, format_spec)


filled = _Filler().format
