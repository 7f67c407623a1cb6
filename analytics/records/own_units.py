"""Figures in the units of the owner's sheets: what is stated as kW, kg or km is said so."""

from __future__ import annotations

from math import floor
from typing import TypeVar

import numpy as np

from analytics.records.cells import DISTANCE, POWER, WEIGHT
from analytics.records.shop import Units

Figures = TypeVar("Figures", float, np.ndarray)


def own_power(power_hp: float, units: Units) -> float:
    """``power_hp`` in the shop's own ``units``; in kW and PS rounded down, so that no limit grows by being said."""
    if units.power == "hp":
        return power_hp
    return floor(power_hp / POWER.units[units.power.casefold()] + 1e-6)


def own_weight(weight_lb: float, units: Units) -> float:
    """``weight_lb`` in the shop's own ``units``."""
    return weight_lb / WEIGHT.units[units.weight]


def own_distance(miles: Figures, units: Units) -> Figures:
    """``miles`` in the shop's own ``units``."""
    return miles / DISTANCE.units[units.distance]
