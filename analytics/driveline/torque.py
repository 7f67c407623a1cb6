"""Torque from power and speed, through the converter and the gears. SI: W, N·m, rad/s; arrays in and out, any shapes that
broadcast."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity


def engine_torque(power_w: ArrayLike, speed_rad_s: ArrayLike) -> np.ndarray:
    """Engine torque, N·m: power_w / speed_rad_s (textbook mechanics). Holds at the speed the power was made at: at peak
    power this is a floor of the peak torque, not the peak itself."""
    power = quantity("engine power", power_w, unit="W")
    return power / quantity("engine speed", speed_rad_s, unit="rad/s")
