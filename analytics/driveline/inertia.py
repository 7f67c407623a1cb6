"""Torque of a shift. SI: kg·m², rad/s, s, N·m; arrays in and out.

Launch-brake release, wheel hop and gear-banging are uses to be flagged; nothing here reckons them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity


def inertia_torque(inertia_kgm2: ArrayLike, speed_change_rad_s: ArrayLike, time_s: ArrayLike) -> np.ndarray:
    """Torque that slowing an inertia adds at a shift, N·m: I |Δω|/Δt (textbook mechanics; even deceleration)."""
    inertia = quantity("inertia", inertia_kgm2, open_low=False, unit="kg·m²")
    change = np.abs(quantity("speed change", speed_change_rad_s, -np.inf, unit="rad/s"))
    return inertia * change / quantity("shift time", time_s, unit="s")
