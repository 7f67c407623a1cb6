"""Torque from power and speed, through the converter and the gears. SI: W, N·m, rad/s; arrays in and out, any shapes that
broadcast."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity


def engine_torque(power_w: ArrayLike, speed_rad_s: ArrayLike) -> np.ndarray:
    """Engine torque, N·m: power / speed (textbook mechanics). Holds at the speed the power was made at: at peak power this is
    a floor of the peak torque, not the peak itself."""
    power = quantity("engine power", power_w, unit="W")
    return power / quantity("engine speed", speed_rad_s, unit="rad/s")


def capacity_factor(speed_rad_s: ArrayLike, torque_nm: ArrayLike) -> np.ndarray:
    """Converter capacity factor K = n / sqrt(T), rad/s per sqrt(N·m) (as in SAE J643; cited from memory)."""
    speed = quantity("stall speed", speed_rad_s, unit="rad/s")
    return speed / np.sqrt(quantity("engine torque", torque_nm, unit="N·m"))


def stall_speed(capacity: ArrayLike, torque_nm: ArrayLike) -> np.ndarray:
    """Speed at which the converter holds the engine, rad/s: K sqrt(T), T the engine's torque at that very speed."""
    return quantity("capacity factor", capacity) * np.sqrt(quantity("engine torque", torque_nm, unit="N·m"))
