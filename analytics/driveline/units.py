"""Trade units at the door, SI inside. Every factor comes from scipy.constants (CODATA and the 1959 yard and pound)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

HP = constants.hp  # W, mechanical: 550 ft·lbf/s
LBFT = constants.pound_force * constants.foot  # N·m
INCH = constants.inch  # m
SQUARE_INCH = constants.inch**2  # m²
LB = constants.lb  # kg
LBF = constants.pound_force  # N
PSI = constants.psi  # Pa
KSI = 1000 * constants.psi  # Pa
MPH = constants.mph  # m/s
RPM = 2 * np.pi / constants.minute  # rad/s
GRAVITY = constants.g  # m/s²
MPA = constants.mega  # Pa


def to_trade(value: ArrayLike, unit: float) -> np.ndarray:
    """``value`` in SI to a trade ``unit``: to_trade(2543, LBFT) is in lb·ft."""
    return np.asarray(value, float) / unit
