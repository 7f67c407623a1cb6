"""Shear strength of steel by hardness. SI: Pa; arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity
from analytics.driveline.units import MPA

#: torsional yield by Rockwell C, MPa: SAE J413 values as printed in Heat Treating Progress, October 2009
J413_HRC = np.array([20.0, 30.0, 40.0, 50.0, 52.0])
J413_TORSIONAL_YIELD = np.array([366.0, 503.0, 690.0, 917.0, 966.0]) * MPA

#: shear over tensile yield by the distortion-energy (von Mises) rule, 1/sqrt(3)
VON_MISES = 1 / np.sqrt(3)


def torsional_yield(hardness_hrc: ArrayLike) -> np.ndarray:
    """Shear stress at which a hardened steel shaft yields in torsion, Pa, by hardness_hrc (SAE J413, straight between
    its points).

    Range: HRC 20 to 52; NaN outside. Steel hardened through or at least to half its radius; it says nothing of notches:
    harder steel is more notch-sensitive, and the shank's best low-cycle torsional strength is at HRC 50 to 55 (ASTM
    STP, 1958).
    """
    return np.interp(
        quantity("hardness", hardness_hrc, 0.0, 70.0, unit="HRC"),
        J413_HRC,
        J413_TORSIONAL_YIELD,
        left=np.nan,
        right=np.nan,
    )


def shear_from_tensile(tensile_yield_pa: ArrayLike) -> np.ndarray:
    """Shear yield, Pa, from tensile_yield_pa by von Mises: 0.577 of it. For steels beyond the hardness table, such as
    silicon-modified 4340 types and maraging (tensile yield 1.6 to 1.9 GPa, from memory). Range: ductile metals."""
    return VON_MISES * quantity("tensile yield", tensile_yield_pa, unit="Pa")
