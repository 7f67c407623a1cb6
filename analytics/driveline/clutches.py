"""Clutch packs, lock-up clutches and the converter's apply and release. SI: Pa, m², m, N, N·m, m³/s; arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import below, quantity


def apply_force(pressure_pa: ArrayLike, area_m2: ArrayLike, spring_n: ArrayLike = 0.0) -> np.ndarray:
    """Force of the apply piston on the plates, N: p A - springs, never below 0 (textbook mechanics).

    p pressure_pa, over that on the release side; A area_m2; spring_n: of the return springs. Centrifugal head of the oil is not in here.
    """
    pressure = quantity("apply pressure", pressure_pa, open_low=False, unit="Pa")
    area = quantity("piston area", area_m2, unit="m²")
    spring = quantity("return spring force", spring_n, open_low=False, unit="N")
    force = pressure * area - spring
    return np.where(np.isnan(force), np.nan, np.maximum(force, 0.0))


def mean_radius(outer_m: ArrayLike, inner_m: ArrayLike) -> np.ndarray:
    """Radius at which a ring of friction acts, m (textbook mechanics), R outer_m, r inner_m: of a worn ring, as a used
    one is, (R + r)/2; slightly less than of a new one."""
    outer, inner = quantity("outer radius", outer_m, unit="m"), quantity("inner radius", inner_m, unit="m")
    below("inner radius", inner, "the outer radius", outer)
    return (outer + inner) / 2


def torque_capacity(force_n: ArrayLike, friction: ArrayLike, radius_m: ArrayLike, faces: ArrayLike) -> np.ndarray:
    """Torque a pack holds, N·m: μ F r z (textbook mechanics), F force_n, r radius_m the mean radius.

    faces: z, friction faces, two per lined plate. Friction of wet paper linings about 0.10 to 0.15 (common practice, no
    source).
    """
    force = quantity("apply force", force_n, open_low=False, unit="N")
    faces = quantity("friction faces", faces, 1.0, 100.0, open_low=False)
    return quantity("lining friction", friction, 0.0, 1.0) * force * quantity("mean radius", radius_m, unit="m") * faces


def pressure_for_torque(
    torque_nm: ArrayLike,
    area_m2: ArrayLike,
    friction: ArrayLike,
    radius_m: ArrayLike,
    faces: ArrayLike,
    spring_n: ArrayLike = 0.0,
) -> np.ndarray:
    """Apply pressure at which a pack just holds torque_nm, Pa: torque_capacity (friction, radius_m, faces) and
    apply_force (area_m2, spring_n) turned round."""
    per_newton = torque_capacity(1.0, friction, radius_m, faces)
    torque = quantity("torque", torque_nm, open_low=False, unit="N·m")
    spring = quantity("return spring force", spring_n, open_low=False, unit="N")
    return (torque / per_newton + spring) / quantity("piston area", area_m2, unit="m²")


def pressure_margin(pressure_pa: ArrayLike, limit_pa: ArrayLike) -> np.ndarray:
    """limit_pa over pressure_pa: under 1 the pressure is above its limit. The usual limit of a converter's apply
    pressure, 180 psi, is common practice, no source."""
    return quantity("pressure limit", limit_pa, unit="Pa") / quantity("apply pressure", pressure_pa, unit="Pa")


def passage_flow(
    area_m2: ArrayLike, drop_pa: ArrayLike, density_kg_m3: ArrayLike = 850.0, discharge: ArrayLike = 0.61
) -> np.ndarray:
    """Flow through a release passage, m³/s: C A sqrt(2 Δp/ρ) (textbook, sharp-edged orifice, C about 0.61).

    C discharge, A area_m2, Δp drop_pa, ρ density_kg_m3, of oil about 850 (from memory). Turbulent flow, so not for thin
    long passages or cold oil.
    """
    area = quantity("passage area", area_m2, unit="m²")
    drop = quantity("pressure drop", drop_pa, open_low=False, unit="Pa")
    rate = np.sqrt(2 * drop / quantity("oil density", density_kg_m3, unit="kg/m³"))
    return quantity("discharge coefficient", discharge, 0.0, 1.0) * area * rate


def oil_cooling(
    area_m2: ArrayLike,
    drop_pa: ArrayLike,
    warmed_k: ArrayLike,
    density_kg_m3: float = 850.0,
    heat_j_kgk: float = 2000.0,
) -> np.ndarray:
    """Heat that the oil through a passage of area_m2 carries off at a drop_pa while it warms by ``warmed_k``, W: ρ c ΔT Q, Q by passage_flow
    (textbook). Oil of density_kg_m3 and heat_j_kgk, about 850 kg/m³ and 2,000 J/(kg K), from memory."""
    warmed = quantity("warming of the oil", warmed_k, unit="K")
    return density_kg_m3 * heat_j_kgk * warmed * passage_flow(area_m2, drop_pa, density_kg_m3)
