"""Solid and hollow shafts in torsion. SI: N·m, m, Pa, rad; arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import below, quantity

#: shear modulus of steel, Pa; from memory (handbooks give 77 to 82 GPa)
STEEL_SHEAR_MODULUS = 79e9

#: factor on the nominal shear stress, low and high (Peterson, cited from memory; a sharp fillet, of a radius of 0.015 the diameter, by
#: `fillet_factor`): at the surface of the feature named
CONCENTRATION = {"fillet": (1.2, 2.0), "spline root": (2.0, 4.0)}


def _bore(outside_m: ArrayLike, bore_m: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    outside = quantity("outside diameter", outside_m, unit="m")
    bore = quantity("bore", bore_m, open_low=False, unit="m")
    below("bore", bore, "the outside diameter", outside)
    return outside, bore


def _polar_moment(outside_m: ArrayLike, bore_m: ArrayLike = 0.0) -> np.ndarray:
    """Polar second moment of area, m⁴: π(D⁴ - d⁴)/32 (textbook mechanics; round sections)."""
    outside, bore = _bore(outside_m, bore_m)
    return np.pi * (outside**4 - bore**4) / 32


def shear_stress(torque_nm: ArrayLike, outside_m: ArrayLike, bore_m: ArrayLike = 0.0) -> np.ndarray:
    """Nominal shear stress at the surface, Pa: 16 T D/(π(D⁴ - d⁴)) (textbook mechanics; NASA RP-1123, 1984, for shafts).

    T torque_nm, D outside_m, d bore_m. Holds below yield, for round sections away from splines, holes and steps.
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
    """Angle of twist of a shaft of outside_m and bore_m, rad: T L/(G J) (textbook mechanics; below yield), T torque_nm,
    L length_m, G modulus_pa."""
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    length, modulus = quantity("length", length_m, unit="m"), quantity("shear modulus", modulus_pa, unit="Pa")
    return torque * length / (modulus * _polar_moment(outside_m, bore_m))


def local_stress(nominal_pa: ArrayLike, factor: ArrayLike) -> np.ndarray:
    """Stress at a notch, Pa: factor x nominal_pa; the factor is 1 or more (Peterson; ranges in CONCENTRATION)."""
    return quantity("nominal stress", nominal_pa, open_low=False, unit="Pa") * quantity(
        "stress concentration", factor, 1.0, 20.0, open_low=False
    )


#: coefficients of the fillet's factor in 1, sqrt(h/r), h/r: rows c1 to c4
_FILLET = np.array(
    [[0.905, 0.783, -0.075], [-0.437, -1.969, 0.553], [1.557, 1.073, -0.578], [-1.061, 0.171, 0.086]]
)  # fmt: skip


def fillet_factor(radius_m: ArrayLike, small_m: ArrayLike, height_over_radius: ArrayLike) -> np.ndarray:
    """Stress concentration in torsion where a shaft of diameter ``small_m`` ends in a shoulder with a fillet of
    radius_m (r), on the small side's nominal shear: c1 + c2 x + c3 x² + c4 x³, x = 2 h/D, h the shoulder's height, each
    c by sqrt(h/r) and h/r, height_over_radius.

    Source: Pilkey and Pilkey, Peterson's Stress Concentration Factors (2008), chart 3.12. Range: h/r 0.25 to 4. NaN
    where a size is not known.
    """
    radius = quantity("fillet radius", radius_m, unit="m")
    small = quantity("diameter", small_m, unit="m")
    over = quantity("shoulder height over fillet radius", height_over_radius, 0.25, 4.0, open_low=False)
    x = 2 * over * radius / (small + 2 * over * radius)
    c = [row[0] + row[1] * np.sqrt(over) + row[2] * over for row in _FILLET]
    return np.maximum(c[0] + c[1] * x + c[2] * x**2 + c[3] * x**3, 1.0)
