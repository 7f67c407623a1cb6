"""Powers, weights and distances as a person reads them, in the units of the owner's sheets; CSV files keep hp, lb and miles."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from analytics.records.own_units import own_distance, own_power, own_weight
from analytics.records.shop import Shop, Units

_SPOKEN: ContextVar[Units] = ContextVar("units")


@contextmanager
def speaking_as(shop: Shop) -> Iterator[None]:
    """Inside, figures are said in the units of this ``shop``."""
    before = _SPOKEN.set(shop.units)
    try:
        yield
    finally:
        _SPOKEN.reset(before)


def spoken() -> Units:
    """The units that figures are said in."""
    return _SPOKEN.get(Units())


def power(power_hp: float) -> str:
    """``power_hp`` as '600 hp', or '447 kW'."""
    return f"{bare_power(power_hp)} {spoken().power}"


def bare_power(power_hp: float) -> str:
    """``power_hp`` as '600', or '447' where powers are in kW: the unit is told beside it."""
    return f"{own_power(power_hp, spoken()):,.0f}"


def weight(weight_lb: float) -> str:
    """``weight_lb`` as '7,500 lb', '3,402 kg' or '3.40 t'."""
    unit = spoken().weight
    return f"{own_weight(weight_lb, spoken()):,.{2 if unit == 't' else 0}f} {unit}"


def distance(miles: float) -> str:
    """``miles`` as '40,000 miles', or '64,374 km'."""
    return f"{own_distance(miles, spoken()):,.0f} {spoken().distance}"


def counted(value: float, what: str) -> str:
    """A ``value`` of miles in the shop's unit, or of ``what`` else is counted: '64,374 km', '400 runs'."""
    return distance(value) if what == "miles" else f"{value:,.0f} {what}"
