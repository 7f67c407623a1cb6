"""Torque from power and speed, through the converter and the gears. SI: W, N·m, rad/s; arrays in and out, any shapes that
broadcast."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity
from analytics.errors import AnalyticsError

#: speed ratio at which a converter couples: about 0.85 to 0.9, from memory
COUPLING = 0.875


def engine_torque(power_w: ArrayLike, speed_rad_s: ArrayLike) -> np.ndarray:
    """Engine torque, N·m: power / speed (textbook mechanics). Holds at the speed the power was made at: at peak power this is
    a floor of the peak torque, not the peak itself."""
    power = quantity("engine power", power_w, unit="W")
    return power / quantity("engine speed", speed_rad_s, unit="rad/s")


def engine_power(torque_nm: ArrayLike, speed_rad_s: ArrayLike) -> np.ndarray:
    """Engine power, W: torque x speed (textbook mechanics)."""
    return quantity("engine torque", torque_nm, unit="N·m") * quantity("engine speed", speed_rad_s, unit="rad/s")


def torque_on_curve(speed_rad_s: ArrayLike, curve_rad_s: ArrayLike, curve_nm: ArrayLike) -> np.ndarray:
    """Torque at a speed on a known torque curve, straight lines between its points; NaN outside it, never carried on.

    curve_rad_s: rising speeds (k,), curve_nm: their torques (k,), k at least 2.
    """
    speeds, torques = quantity("curve speed", curve_rad_s), quantity("curve torque", curve_nm, open_low=False)
    if speeds.ndim != 1 or speeds.shape != torques.shape or len(speeds) < 2 or not (np.diff(speeds) > 0).all():
        raise AnalyticsError(
            f"torque curve of {speeds.size} speeds and {torques.size} torques: give at least two points, speeds rising, "
            "a torque for each."
        )
    return np.interp(quantity("engine speed", speed_rad_s), speeds, torques, left=np.nan, right=np.nan)


def converter_torque_ratio(
    speed_ratio: ArrayLike, stall_ratio: ArrayLike, coupling: ArrayLike = COUPLING
) -> np.ndarray:
    """Turbine over pump torque: from the stall ratio at rest straight down to 1 at coupling, 1 from there on.

    About linear for a single-stage three-element converter (textbook; the straight line is an approximation). Stall ratio
    usually 1.5 to 2.8 (an engine maker's application guide), 1.6 to 2.2 in performance trucks (common practice, no source).
    Range: speed ratio 0 to 1, stall ratio 1 to 5. A locked converter has a ratio of exactly 1.
    """
    ratio = quantity("speed ratio", speed_ratio, 0.0, 1.0, open_low=False)
    stall = quantity("stall torque ratio", stall_ratio, 1.0, 5.0, open_low=False)
    knee = quantity("coupling speed ratio", coupling, 0.0, 1.0)
    return np.maximum(stall - (stall - 1) * ratio / knee, 1.0)


def capacity_factor(speed_rad_s: ArrayLike, torque_nm: ArrayLike) -> np.ndarray:
    """Converter capacity factor K = n / sqrt(T), rad/s per sqrt(N·m) (as in SAE J643; cited from memory)."""
    speed = quantity("stall speed", speed_rad_s, unit="rad/s")
    return speed / np.sqrt(quantity("engine torque", torque_nm, unit="N·m"))


def stall_speed(capacity: ArrayLike, torque_nm: ArrayLike) -> np.ndarray:
    """Speed at which the converter holds the engine, rad/s: K sqrt(T), T the engine's torque at that very speed."""
    return quantity("capacity factor", capacity) * np.sqrt(quantity("engine torque", torque_nm, unit="N·m"))


def input_shaft_torque(
    engine_nm: ArrayLike,
    torque_ratio: ArrayLike = 1.0,
    engine_inertia_kgm2: ArrayLike = 0.0,
    engine_acceleration_rad_s2: ArrayLike = 0.0,
) -> np.ndarray:
    """Torque of the input shaft, N·m: ratio x (T_engine - I dω/dt) (textbook mechanics).

    A falling engine speed (negative acceleration) adds torque. The gear that is in does not multiply it.
    """
    engine = quantity("engine torque", engine_nm, unit="N·m")
    inertia = quantity("engine inertia", engine_inertia_kgm2, open_low=False, unit="kg·m²")
    change = quantity("engine acceleration", engine_acceleration_rad_s2, -np.inf, unit="rad/s²")
    return quantity("torque ratio", torque_ratio, 1.0, 5.0, open_low=False) * (engine - inertia * change)


def output_shaft_torque(input_nm: ArrayLike, gear_ratio: ArrayLike, efficiency: ArrayLike = 1.0) -> np.ndarray:
    """Torque of the output shaft, N·m: input x gear x efficiency (textbook mechanics). Sizing practice takes 0.80 for an
    automatic and 0.85 for a manual driveline as a whole (driveline installation manual J3311-1, 2008)."""
    into = quantity("input torque", input_nm, 0.0, open_low=False, unit="N·m")
    return into * quantity("gear ratio", gear_ratio, 0.0, 20.0) * quantity("efficiency", efficiency, 0.0, 1.0)
