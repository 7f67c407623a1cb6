"""What else a truck asks of a part, a figure per life: the hub that mates with its spline, heat of a shift, heat of a stall, a grade."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.driveline import clutches, inertia, splines, traction
from analytics.driveline.bands import ENDS, OPPOSITE, SUFFIX, Band
from analytics.driveline.units import INCH, KSI, LB, LBFT, MPH, PSI, RPM, SQUARE_INCH

if TYPE_CHECKING:
    from analytics.driveline.assumptions import Assumptions

DUTY_COLUMNS = [
    "hub_stress_ksi",
    "shift_torque_lbft",
    "shift_heat_jmm2",
    "release_share",
    "grade_torque_lbft",
    "grade_margin",
]
#: speed and slope of the long grade, mph and rise over run: common practice, no source
GRADE_MPH, GRADE = 55.0, 0.06


def duties(
    facts: dict[str, Band],
    parts: pd.DataFrame,
    kind: np.ndarray,
    a: Assumptions,
    torque_nm: dict[str, np.ndarray],
    holds: dict[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """DUTY_COLUMNS (n,) for trucks (facts) with parts (a row of the parts sheet each) of a kind (n,), at the middle of what is not known; and each
    with ``_low`` and ``_high``, its ends over what is not known.

    torque_nm: what the engine brings to the part at each end; holds: what its clutch holds, N·m, NaN for a shaft. hub_stress_ksi: tension in the hub of a
    shaft's spline under a shock; shift_torque_lbft: what slowing the engine in a shift adds for a moment; shift_heat_jmm2: energy of a full-throttle shift on each mm² of a pack's lining; release_share: share of
    the heat of a stall that the oil through the release passage carries off; grade_torque_lbft: torque at the part on the long grade with the
    trailer, in overdrive; grade_margin: what a lock-up clutch holds over that.
    """
    locks, packs = kind == "converter", kind == "clutch pack"
    turns = np.isin(kind, ("input shaft", "intermediate shaft", "clutch pack"))
    # a pack or an intermediate shaft turns at a ratio of its own
    own = np.where(np.isin(kind, ("clutch pack", "intermediate shaft")), parts["torque_ratio"].fillna(1.0), 1.0)
    grade = {end: _on_a_grade(facts, a, end) * own for end in ENDS}
    found: dict[str, np.ndarray] = {}
    for end in ENDS:
        other = OPPOSITE[end]
        hub = _hub(parts, torque_nm[end], facts["application"].at(end), end) / KSI
        slowed = a.shift.rotating_inertia.at(end), a.shift.shift_drop.at(end) * RPM
        adds = inertia.inertia_torque(*slowed, facts["shift_time"].at(other)) / LBFT
        heat = inertia.shift_energy(torque_nm[end], *slowed, facts["shift_time"].at(end)) / (
            _lining_area(parts, other) * 1e6
        )
        found |= {
            f"hub_stress_ksi{SUFFIX[end]}": np.where(locks | packs, np.nan, hub),
            f"shift_torque_lbft{SUFFIX[end]}": np.where(turns, adds, np.nan),
            f"shift_heat_jmm2{SUFFIX[end]}": np.where(packs, heat, np.nan),
            f"release_share{SUFFIX[end]}": np.where(locks, _release(facts, parts, a, end), np.nan),
            f"grade_torque_lbft{SUFFIX[end]}": np.where(kind == "output shaft", np.nan, grade[end] / LBFT),
            f"grade_margin{SUFFIX[end]}": np.where(locks, holds[end] / grade[other], np.nan),
        }
    return found


def _hub(parts: pd.DataFrame, torque_nm: np.ndarray, shock: np.ndarray, end: str) -> np.ndarray:
    """The wall is that on record, else what the hub's diameter leaves outside the teeth."""
    least, most = SUFFIX[OPPOSITE[end]], SUFFIX[end]
    pitch, outside, long_, wall = (
        parts[f"{c}_in{least}"].to_numpy(float)
        for c in ("spline_pitch_diameter", "hub_diameter", "spline_length", "hub_wall")
    )
    left = (outside - pitch - parts[f"spline_tooth_depth_in{most}"].to_numpy(float)) / 2
    wall = np.where(np.isfinite(wall), wall, np.where(left > 0, left, np.nan))
    return splines.hub_tension(torque_nm, pitch * INCH, long_ * INCH, wall * INCH, shock)


def _lining_area(parts: pd.DataFrame, end: str) -> np.ndarray:
    suffix = SUFFIX[end]
    outer, inner = (parts[f"lining_{c}_diameter_in{suffix}"].to_numpy(float) for c in ("outside", "inside"))
    return np.pi / 4 * (outer**2 - inner**2) * SQUARE_INCH * parts[f"faces{suffix}"].to_numpy(float)


def _release(facts: dict[str, Band], parts: pd.DataFrame, a: Assumptions, end: str) -> np.ndarray:
    """The most of it goes with the least that the engine makes at stall."""
    other = OPPOSITE[end]
    told = facts["converter_pressure"].at(end)
    pressure = np.where(np.isfinite(told), told, a.converter_pressure.at(end))
    made = facts["engine"].at(other) * a.torque_at_stall.at(other) * facts["stall_rpm"].at(other) * RPM
    passage = parts[f"release_area_sqin{SUFFIX[end]}"].to_numpy(float) * SQUARE_INCH
    return clutches.oil_cooling(passage, pressure * PSI, facts["warming"].at(end)) / made


def _on_a_grade(facts: dict[str, Band], a: Assumptions, end: str) -> np.ndarray:
    """Torque of the input shaft, N·m, that holds truck and trailer at speed on the long grade, no more than the engine brings; NaN without a
    trailer. The most of it goes with the slowest shaft."""
    other = OPPOSITE[end]
    trailer = facts["trailer"].at(end) * LB
    speed = GRADE_MPH * MPH
    mass = np.where(trailer > 0, facts["mass"].at(end) + trailer, np.nan)
    power = traction.grade_power(mass, speed, GRADE) / a.efficiency.at(other)
    shaft = speed / facts["tyre"].at(end) * facts["axle_ratio"].at(other) * facts["overdrive"].at(other)
    return np.minimum(power / shaft, facts["engine"].at(end))
