"""Figures in the units of the owner's sheets: what is stated as kW, kg or km is said so."""

from __future__ import annotations

from math import floor, isfinite
from typing import Literal, TypeVar

import numpy as np
from scipy import constants

from analytics.records.cells import DISTANCE, POWER, WEIGHT
from analytics.records.measures import LENGTH, PRESSURE, TORQUE
from analytics.records.shop import Units

Figures = TypeVar("Figures", float, np.ndarray)
Kind = Literal["power", "weight", "distance", "torque", "pressure", "speed", "length"]
_FACTORS = {
    "power": POWER.units,
    "weight": WEIGHT.units,
    "distance": DISTANCE.units,
    "torque": {"lb ft": TORQUE.units["lbft"], "n m": TORQUE.units["nm"]},
    "pressure": PRESSURE.units,
    "length": LENGTH.units,
    "speed": {"mph": 1.0, "km/h": constants.kilo / constants.mile},
}


def unit_of(kind: Kind, units: Units) -> tuple[str, float]:
    """The owner's unit for figures of a ``kind`` in his ``units``, as he writes it, and how much of ours it is; a speed goes by his distances."""
    name = ("km/h" if units.distance == "km" else "mph") if kind == "speed" else getattr(units, kind)
    return name, _FACTORS[kind][name.casefold()]


def own_power(power_hp: float, units: Units) -> float:
    """``power_hp`` in the shop's own ``units``; in kW and PS rounded down, so that no limit grows by being said."""
    if units.power == "hp" or not isfinite(power_hp):
        return power_hp
    return floor(power_hp / unit_of("power", units)[1] + 1e-6)


def said_power(power_hp: float, units: Units) -> str:
    """``power_hp`` in the shop's own ``units``, as a message has it: '650 hp', '484 kW'."""
    return f"{own_power(power_hp, units):,.0f} {units.power}"


def said_weight(weight_lb: float, units: Units) -> str:
    """``weight_lb`` in the shop's own ``units``, as a message has it: '7,500 lb', '3,402 kg', '3.40 t'."""
    return f"{weight_lb / unit_of('weight', units)[1]:,.{2 if units.weight == 't' else 0}f} {units.weight}"


def band_named(label: str, unit: str) -> str:
    """A band of powers by its ``label``, with its ``unit``: '400 to 600 hp', '1,000 hp and over'."""
    ends, over, _ = label.partition(" and over")
    return f"{ends} {unit}{over}"


def own_distance(miles: Figures, units: Units) -> Figures:
    """``miles`` in the shop's own ``units``."""
    return miles / unit_of("distance", units)[1]
