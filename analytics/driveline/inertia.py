"""Torque and heat of a shift, and of load that comes on suddenly. SI: kg·m², rad/s, s, N·m, J; arrays in and out.

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


def shift_energy(
    first_kgm2: ArrayLike,
    second_kgm2: ArrayLike,
    slip_rad_s: ArrayLike,
    carried_nm: ArrayLike = 0.0,
    time_s: ArrayLike = 0.0,
) -> np.ndarray:
    """Heat in a clutch that brings two inertias to one speed, J: I1 I2 Δω²/(2(I1 + I2)), and the torque carried meanwhile
    times the slip, Δω Δt/2 where it falls evenly (textbook mechanics). Clutches follow this and temperature, not torque^k."""
    one, two = (
        quantity("first inertia", first_kgm2, unit="kg·m²"),
        quantity("second inertia", second_kgm2, unit="kg·m²"),
    )
    slip = np.abs(quantity("slip", slip_rad_s, -np.inf, unit="rad/s"))
    carried = quantity("torque carried", carried_nm, open_low=False, unit="N·m")
    time = quantity("shift time", time_s, open_low=False, unit="s")
    return one * two * slip**2 / (2 * (one + two)) + carried * slip * time / 2


def sudden_torque(torque_nm: ArrayLike, lost: ArrayLike = 0.0) -> np.ndarray:
    """Peak of a torque that comes on at once on a spring, N·m: twice the steady torque without damping (textbook); ``lost``:
    share of the overshoot that damping takes, 0 to 1."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    return torque * (2 - quantity("share of overshoot lost", lost, 0.0, 1.0, open_low=False))


def regrip_torque(slip_rad_s: ArrayLike, stiffness_nm_rad: ArrayLike, inertia_kgm2: ArrayLike) -> np.ndarray:
    """Torque added when spinning tyres grip again, N·m: Δω sqrt(k J) (textbook: kinetic energy into an undamped spring)."""
    slip = np.abs(quantity("slip", slip_rad_s, -np.inf, unit="rad/s"))
    stiffness = quantity("torsional stiffness", stiffness_nm_rad, unit="N·m/rad")
    return slip * np.sqrt(stiffness * quantity("inertia", inertia_kgm2, unit="kg·m²"))
