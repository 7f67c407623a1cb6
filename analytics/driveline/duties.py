"""What else a truck asks of a part, a figure per life: the hub that mates with its spline, heat of a shift, heat of a stall, a grade."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.driveline import clutches, inertia, splines, traction
from analytics.driveline.units import INCH, KSI, LB, LBFT, MPH, PSI, RPM, SQUARE_INCH

if TYPE_CHECKING:
    from analytics.driveline.assumptions import Assumptions
    from analytics.driveline.bands import Band

DUTY_COLUMNS = ["hub_stress_ksi", "shift_heat_jmm2", "release_share", "grade_torque_lbft", "grade_margin"]
#: speed and slope of the long grade, mph and rise over run: common practice, no source
GRADE_MPH, GRADE = 55.0, 0.06


def duties(
    facts: dict[str, Band],
    parts: pd.DataFrame,
    kind: np.ndarray,
    a: Assumptions,
    torque_nm: np.ndarray,
    holds: np.ndarray,
) -> dict[str, np.ndarray]:
    """DUTY_COLUMNS (n,) for trucks (facts) with parts (a row of the parts sheet each) of a kind (n,), all at the middle of what is not known.

    torque_nm: what the engine brings to the part; holds: what its clutch holds, N·m, NaN for a shaft. hub_stress_ksi: tension in the hub of a
    shaft's spline under a shock; shift_heat_jmm2: energy of a full-throttle shift on each mm² of a pack's lining; release_share: share of
    the heat of a stall that the oil through the release passage carries off; grade_torque_lbft: torque at the part on the long grade with the
    trailer, in overdrive; grade_margin: what a lock-up clutch holds over that.
    """
    grade = _on_a_grade(facts, a)
    locks, packs = kind == "converter", kind == "clutch pack"
    heat = inertia.shift_energy(torque_nm, a.rotating_inertia.middle, a.shift_drop.middle * RPM, a.shift_time.middle)
    return {
        "hub_stress_ksi": np.where(locks | packs, np.nan, _hub(parts, torque_nm, facts["application"].middle) / KSI),
        "shift_heat_jmm2": np.where(packs, heat / (_lining_area(parts) * 1e6), np.nan),
        "release_share": np.where(locks, _release(facts, parts, a), np.nan),
        "grade_torque_lbft": np.where(kind == "output shaft", np.nan, grade / LBFT),
        "grade_margin": np.where(locks, holds / grade, np.nan),
    }


def _hub(parts: pd.DataFrame, torque_nm: np.ndarray, shock: np.ndarray) -> np.ndarray:
    """The wall is that on record, else what the hub's diameter leaves outside the teeth."""
    pitch, outside, deep = (
        parts[f"{c}_in"].to_numpy(float) for c in ("spline_pitch_diameter", "hub_diameter", "spline_tooth_depth")
    )
    left = (outside - pitch - np.nan_to_num(deep)) / 2
    wall = parts["hub_wall_in"].to_numpy(float)
    wall = np.where(np.isfinite(wall), wall, np.where(left > 0, left, np.nan))
    return splines.hub_tension(
        torque_nm, pitch * INCH, parts["spline_length_in"].to_numpy(float) * INCH, wall * INCH, shock
    )


def _lining_area(parts: pd.DataFrame) -> np.ndarray:
    outer, inner = (parts[f"lining_{c}_diameter_in"].to_numpy(float) for c in ("outside", "inside"))
    return np.pi / 4 * (outer**2 - inner**2) * SQUARE_INCH * parts["faces"].to_numpy(float)


def _release(facts: dict[str, Band], parts: pd.DataFrame, a: Assumptions) -> np.ndarray:
    stall = facts["stall_rpm"].middle * RPM
    pressure = np.where(
        np.isfinite(facts["converter_pressure"].middle), facts["converter_pressure"].middle, a.converter_pressure.middle
    )
    made = facts["engine"].middle * a.torque_at_stall.middle * stall
    return clutches.oil_cooling(parts["release_area_sqin"].to_numpy(float) * SQUARE_INCH, pressure * PSI) / made


def _on_a_grade(facts: dict[str, Band], a: Assumptions) -> np.ndarray:
    """Torque of the input shaft, N·m, that holds truck and trailer at speed on the long grade, no more than the engine brings; NaN without a
    trailer."""
    trailer = facts["trailer"].middle * LB
    speed = GRADE_MPH * MPH
    mass = np.where(trailer > 0, facts["mass"].middle + trailer, np.nan)
    power = traction.grade_power(mass, speed, GRADE) / a.efficiency.middle
    shaft = speed / facts["tyre"].middle * facts["axle_ratio"].middle * facts["overdrive"].middle
    return np.minimum(power / shaft, facts["engine"].middle)
