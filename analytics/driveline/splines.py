"""Stress of involute splines in the handbook's form. SI: N·m, m, Pa; arrays in and out.

Source: a spline-stress article in Product Engineering (1957), as taken over by Machinery's Handbook. Geometry is that of
ANSI B92.1, B92.2M or ISO 4156, which give sizes but no full load rating. Range: steel, parallel sides, life factors as below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import below, quantity
from analytics.driveline.units import PSI

#: fatigue-life factor by torque cycles: one way (unidirectional) and fully reversed (same source)
LIFE_CYCLES = np.array([1e3, 1e4, 1e5, 1e6, 1e7])
LIFE_ONE_WAY = np.array([1.8, 1.0, 0.5, 0.4, 0.3])
LIFE_REVERSED = np.array([1.8, 1.0, 0.4, 0.3, 0.2])

#: allowable shear and, for straight teeth of a fixed spline, pressure, Pa: conservative design figures, no strengths (same source; the
#: pressures from memory; NaN: the source names none): surface, lowest and highest hardness
ALLOWABLE = (
    ("through-hardened", "HB", 160, 200, 20_000 * PSI, 1_500 * PSI),
    ("through-hardened", "HB", 230, 260, 30_000 * PSI, 2_000 * PSI),
    ("through-hardened", "HRC", 33, 38, 40_000 * PSI, 3_000 * PSI),
    ("surface-hardened", "HRC", 48, 53, 40_000 * PSI, 4_000 * PSI),
    ("through-hardened", "HRC", 42, 46, 45_000 * PSI, float("nan")),
    ("case-hardened", "HRC", 58, 63, 50_000 * PSI, 5_000 * PSI),
)


def allowed(hardness: float, treatment: str = "through-hardened", scale: str = "HRC") -> tuple[float, float]:
    """Allowable shear and pressure of spline teeth of a ``hardness`` on a ``scale`` ("HRC", "HB"), Pa, from ALLOWABLE.
    ``treatment``: "" is taken as through-hardened. Between two ranges of one treatment those of the softer hold; NaN
    below all, and above the highest by more than 2."""
    rows = sorted(r for r in ALLOWABLE if r[0] == (treatment or "through-hardened") and r[1] == scale)
    found = [r for r in sorted(rows, key=lambda r: r[2]) if r[2] <= hardness]
    if not found or hardness > max(r[3] for r in rows) + 2:
        return float("nan"), float("nan")
    return found[-1][4], found[-1][5]


def root_shear(
    torque_nm: ArrayLike,
    root_diameter_m: ArrayLike,
    bore_m: ArrayLike = 0.0,
    application: ArrayLike = 1.0,
) -> np.ndarray:
    """Shear under the roots of the shaft's teeth, Pa: 16 T D K_a/(π(D⁴ - d⁴)), T torque_nm, D root_diameter_m, d
    bore_m, K_a the ``application`` factor; the fatigue-life factor is 1."""
    root, bore = (
        quantity("root diameter", root_diameter_m, unit="m"),
        quantity("bore", bore_m, open_low=False, unit="m"),
    )
    below("bore", bore, "the root diameter", root)
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    factor = quantity("application factor", application, 0.5, 10.0)
    return 16 * torque * root * factor / (np.pi * (root**4 - bore**4))


def tooth_shear(
    torque_nm: ArrayLike,
    pitch_diameter_m: ArrayLike,
    teeth: ArrayLike,
    length_m: ArrayLike,
    thickness_m: ArrayLike,
    application: ArrayLike = 1.0,
) -> np.ndarray:
    """Shear at the pitch line of the N teeth, Pa: 4 T K_a/(D N L t); half the teeth carry the load. T
    torque_nm, K_a the ``application`` factor, D pitch_diameter_m, L length_m engaged, t thickness_m; the factors of misalignment and
    fatigue life are 1."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    area = (
        quantity("pitch diameter", pitch_diameter_m, unit="m")
        * quantity("number of teeth", teeth, 3.0, open_low=False)
        * quantity("engaged length", length_m, unit="m")
        * quantity("tooth thickness", thickness_m, unit="m")
    )
    return 4 * torque * quantity("application factor", application, 0.5, 10.0) / area


#: the life factor of the teeth of a fixed spline over its fatigue-life factor
FIXED = 9.0


def bearing_stress(
    torque_nm: ArrayLike,
    pitch_diameter_m: ArrayLike,
    teeth: ArrayLike,
    length_m: ArrayLike,
    depth_m: ArrayLike,
    application: ArrayLike = 1.0,
    life: ArrayLike = 1.0,
) -> np.ndarray:
    """Pressure on the sides of the teeth, Pa: 2 T K_a/(D N L h L_w), h depth_m, radial contact of the teeth, L_w
    the ``life`` factor: of wear for a flexible spline, FIXED times that of fatigue for a fixed one. torque_nm,
    pitch_diameter_m, length_m, application: as for `tooth_shear`."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    area = (
        quantity("pitch diameter", pitch_diameter_m, unit="m")
        * quantity("number of teeth", teeth, 3.0, open_low=False)
        * quantity("engaged length", length_m, unit="m")
        * quantity("tooth depth", depth_m, unit="m")
    )
    factor = quantity("application factor", application, 0.5, 10.0)
    return 2 * torque * factor / (area * quantity("life factor", life))


#: pressure angle of the teeth, and their form factor (Lewis) in the handbook's formula
PRESSURE_ANGLE, FORM = np.radians(30.0), 1.5


def hub_tension(
    torque_nm: ArrayLike,
    pitch_diameter_m: ArrayLike,
    length_m: ArrayLike,
    wall_m: ArrayLike,
    application: ArrayLike = 1.0,
) -> np.ndarray:
    """Tension that tends to burst the hub of a spline under torque_nm, Pa: K_a (T tan φ/(π D t L) + 4 T/(D² L Y)), D
    pitch_diameter_m, L length_m, t wall_m outside the teeth, K_a the application factor (same source; its term for
    speed, under 1 ksi at 3,000 rpm and 2 in, is left out). Range: internal teeth of 30 degrees."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    pitch, length = (
        quantity("pitch diameter", pitch_diameter_m, unit="m"),
        quantity("engaged length", length_m, unit="m"),
    )
    wall = quantity("wall of the hub", wall_m, unit="m")
    pressed = torque * np.tan(PRESSURE_ANGLE) / (np.pi * pitch * wall * length)
    bent = 4 * torque / (pitch**2 * length * FORM)
    return quantity("application factor", application, 0.5, 10.0) * (pressed + bent)


def life_exponents(reversed_load: bool = False) -> tuple[np.ndarray, float]:
    """Slope k of life against torque, N ~ T^-k, that the life factors, one way or of a reversed_load, imply: per decade
    (4,), and over all four."""
    log, cycles = np.log10(LIFE_REVERSED if reversed_load else LIFE_ONE_WAY), np.log10(LIFE_CYCLES)
    return -np.diff(cycles) / np.diff(log), float((cycles[-1] - cycles[0]) / (log[0] - log[-1]))
