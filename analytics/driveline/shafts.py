"""Solid and hollow shafts in torsion. SI: N·m, m, Pa, rad; arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import below, quantity

#: shear modulus of steel, Pa; from memory (handbooks give 77 to 82 GPa)
STEEL_SHEAR_MODULUS = 79e9

#: factor on the nominal shear stress, low and high (Peterson, cited from memory): at the surface of the feature named
CONCENTRATION = {"fillet": (1.2, 1.6), "spline root": (2.0, 4.0), "cross hole": (2.0, 4.0)}


def _bore(outside_m: ArrayLike, bore_m: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    outside = quantity("outside diameter", outside_m, unit="m")
    bore = quantity("bore", bore_m, open_low=False, unit="m")
    below("bore", bore, "the outside diameter", outside)
    return outside, bore


def polar_moment(outside_m: ArrayLike, bore_m: ArrayLike = 0.0) -> np.ndarray:
    """Polar second moment of area, m⁴: π(D⁴ - d⁴)/32 (textbook mechanics; round sections)."""
    outside, bore = _bore(outside_m, bore_m)
    return np.pi * (outside**4 - bore**4) / 32


def shear_stress(torque_nm: ArrayLike, outside_m: ArrayLike, bore_m: ArrayLike = 0.0) -> np.ndarray:
    """Nominal shear stress at the surface, Pa: 16 T D/(π(D⁴ - d⁴)) (textbook mechanics; NASA RP-1123, 1984, for shafts).

    Holds below yield, for round sections away from splines, holes and steps.
    """
    outside, bore = _bore(outside_m, bore_m)
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    return 16 * torque * outside / (np.pi * (outside**4 - bore**4))


def twist(
    torque_nm: ArrayLike,
    length_m: ArrayLike,
    outside_m: ArrayLike,
    bore_m: ArrayLike = 0.0,
    modulus_pa: ArrayLike = STEEL_SHEAR_MODULUS,
) -> np.ndarray:
    """Angle of twist, rad: T L/(G J) (textbook mechanics; below yield)."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    length, modulus = quantity("length", length_m, unit="m"), quantity("shear modulus", modulus_pa, unit="Pa")
    return torque * length / (modulus * polar_moment(outside_m, bore_m))


def local_stress(nominal_pa: ArrayLike, factor: ArrayLike) -> np.ndarray:
    """Stress at a notch, Pa: factor x nominal; the factor is 1 or more (Peterson; ranges in CONCENTRATION)."""
    return quantity("nominal stress", nominal_pa, open_low=False, unit="Pa") * quantity(
        "stress concentration", factor, 1.0, 20.0, open_low=False
    )
