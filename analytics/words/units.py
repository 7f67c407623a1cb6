"""Powers, weights, distances, torques and pressures as a person reads them, in the units of the owner's sheets."""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import partial
from math import floor, isnan, log10
from typing import Any

from analytics.records.own_units import Kind, band_named, own_power, unit_of
from analytics.records.shop import Shop, Units

_SPOKEN: ContextVar[Units] = ContextVar("units", default=Units())  # noqa: B039 (frozen)


def speak_as(shop: Shop) -> None:
    """From now on figures are said in the units of this ``shop``: for a command, which has one; what may have several uses `speaking`."""
    _SPOKEN.set(shop.units)


@contextmanager
def speaking(units: Units) -> Iterator[None]:
    """Inside, figures are said in these ``units``."""
    before = _SPOKEN.set(units)
    try:
        yield
    finally:
        _SPOKEN.reset(before)


def speaking_as(shop: Shop) -> Any:
    """Inside, figures are said in the units of this ``shop``."""
    return speaking(shop.units)


def spoken() -> Units:
    """The units that figures are said in."""
    return _SPOKEN.get()


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


def bare(value: float, kind: Kind) -> str:
    """A ``value`` of a ``kind`` without its unit, which is told beside it: '600', or '447' where powers are in kW; a power is rounded down."""
    told = own_power(value, spoken()) if kind == "power" else own(value, kind)
    return f"{told:,.{_PLACES.get(name_of(kind), 0)}f}"


def said(value: float, kind: Kind) -> str:
    """A ``value`` of a ``kind`` with its unit: '600 hp' or '447 kW', '7,500 lb' or '3.40 t', '40,000 miles' or '64,374 km'."""
    return f"{bare(value, kind)} {name_of(kind)}"


#: digits after the point of large units
_PLACES = {"t": 2, "bar": 1}
power, weight, distance = partial(said, kind="power"), partial(said, kind="weight"), partial(said, kind="distance")
torque, pressure, speed = partial(said, kind="torque"), partial(said, kind="pressure"), partial(said, kind="speed")
bare_power, bare_weight = partial(bare, kind="power"), partial(bare, kind="weight")
bare_distance, bare_torque, bare_pressure = (
    partial(bare, kind="distance"), partial(bare, kind="torque"), partial(bare, kind="pressure")
)  # fmt: skip


def at_most(value: float) -> float:
    """A ``value`` over 10 in two digits, rounded down."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return floor(value / step + 1e-9) * step


def about_power(value: float, unit: bool = True) -> str:
    """A power that trucks have (a ``value`` in hp) in two digits, rounded down: '670 hp', '1,300 hp'; without its ``unit`` '670'."""
    return _with_unit(at_most(own(value, "power")), unit)


def near_power(value: float, unit: bool = True) -> str:
    """A power of no limit (a ``value`` in hp) in the two digits next to it: '560 hp', '1,800 hp'; without its ``unit`` '560'."""
    return _with_unit(float(f"{own(value, 'power'):.2g}"), unit)


def _with_unit(told: float, unit: bool) -> str:
    return f"{told:,.0f} {name_of('power')}" if unit else f"{told:,.0f}"


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
    """A band of powers by its ``label``: '400 to 600 hp', '1,000 hp and over'."""
    return band_named(label, name_of("power"))


def class_named(label: str) -> str:
    """A class of weights by its ``label``: 'up to 7,500 lb'."""
    return f"{label} {name_of('weight')}"


def p_words(p: float) -> str:
    """A p-value as it is said everywhere: 'p = 0.013', 'p under 0.0001', never 0; 1 only where it is; 'p not known' of NaN."""
    if isnan(p):
        return "p not known"
    if 0.995 <= p < 1:
        return "p over 0.99"
    return f"p = {p:.2g}" if p >= 1e-4 else "p under 0.0001"


#: how a figure in a text may be named to be said
_SAID: dict[str, Callable[[Any], str]] = {
    "power": power, "bare_power": bare_power, "weight": weight, "distance": distance, "pressure": pressure, "class_named": class_named, "p": p_words,
}  # fmt: skip


class _Filler(string.Formatter):
    """Fills a text whose figures may be named by how they are said: '{bound_hp:power}'."""

    def format_field(self, value: Any, format_spec: str) -> str:
        said = _SAID.get(format_spec)
        return said(value) if said else super().format_field(value, format_spec)


filled = _Filler().format
