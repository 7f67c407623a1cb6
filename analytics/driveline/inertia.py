"""Torque of a shift. SI: kg·m², rad/s, s, N·m; arrays in and out.

Launch-brake release, wheel hop and gear-banging are uses to be flagged; nothing here reckons them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity


def inertia_torque(inertia_kgm2: ArrayLike, speed_change_rad_s: ArrayLike, time_s: ArrayLike) -> np.ndarray:
    """Torque that slowing inertia_kgm2 by speed_change_rad_s evenly in time_s adds at a shift, N·m: I |Δω|/Δt (textbook
    mechanics)."""
    inertia = quantity("inertia", inertia_kgm2, open_low=False, unit="kg·m²")
    change = np.abs(quantity("speed change", speed_change_rad_s, -np.inf, unit="rad/s"))
    return inertia * change / quantity("shift time", time_s, unit="s")


def shift_energy(
    torque_nm: ArrayLike, inertia_kgm2: ArrayLike, speed_change_rad_s: ArrayLike, time_s: ArrayLike
) -> np.ndarray:
    """Heat of a shift in the clutch that takes over, J: (T + I Δω/Δt) Δω Δt/2: it carries torque_nm and slows inertia_kgm2 by
    speed_change_rad_s while its slip falls evenly to nothing in time_s (textbook mechanics)."""
    change = np.abs(quantity("speed change", speed_change_rad_s, -np.inf, unit="rad/s"))
    carried = quantity("torque", torque_nm, open_low=False, unit="N·m") + inertia_torque(inertia_kgm2, change, time_s)
    return carried * change * quantity("shift time", time_s, unit="s") / 2
