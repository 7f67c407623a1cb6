"""Figures in the units of the owner's sheets: what is stated as kW, kg or km is said so."""

from __future__ import annotations

from analytics.records.cells import DISTANCE, POWER, WEIGHT
from analytics.records.shop import Units


def own_power(power_hp: float, units: Units) -> float:
    """``power_hp`` in the shop's own ``units``."""
    return power_hp / POWER.units[units.power.casefold()]


def own_weight(weight_lb: float, units: Units) -> float:
    """``weight_lb`` in the shop's own ``units``."""
    return weight_lb / WEIGHT.units[units.weight]


def own_distance(miles: float, units: Units) -> float:
    """``miles`` in the shop's own ``units``."""
    return miles / DISTANCE.units[units.distance]
