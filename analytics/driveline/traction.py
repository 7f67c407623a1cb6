"""What the tyres can hold: why weight matters. SI: kg, m, N·m; arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity
from analytics.driveline.units import GRAVITY


def _axle_slip_torque(friction: ArrayLike, axle_kg: ArrayLike, tyre_radius_m: ArrayLike) -> np.ndarray:
    """Torque at the driven axle at which its tyres slip, N·m: friction x load x radius (textbook mechanics).

    Friction: dry road 0.8 to 0.9 (Gillespie 1992; Wong, cited from memory); prepared strip with slicks 1.5 to 3, clay sled
    track 0.5 to 0.9 (common practice, no source, very uncertain). Range: friction above 0 to 5.
    """
    load = quantity("mass on the driven axle", axle_kg, unit="kg") * GRAVITY
    return quantity("friction", friction, 0.0, 5.0) * load * quantity("tyre radius", tyre_radius_m, 0.0, 2.0, unit="m")


def slip_torque(
    friction: ArrayLike,
    axle_kg: ArrayLike,
    tyre_radius_m: ArrayLike,
    axle_ratio: ArrayLike,
    gear_ratio: ArrayLike = 1.0,
    efficiency: ArrayLike = 1.0,
) -> np.ndarray:
    """Torque of the input shaft at which the driven tyres slip in a gear, N·m: μ m g r / (i_gear i_axle η).

    μ friction of tyre and ground, m axle_kg on the driven axle, r tyre_radius_m, i_gear gear_ratio, i_axle axle_ratio,
    η efficiency. With gear ratio 1: torque of the propeller shaft. Divide by the converter's ratio too to compare with
    engine torque. Source: driveline installation manual J3311-1 (2008), which takes μ 0.71 and η 0.95; otherwise
    textbook mechanics.
    """
    ratio = quantity("axle ratio", axle_ratio, 0.0, 20.0) * quantity("gear ratio", gear_ratio, 0.0, 20.0)
    return _axle_slip_torque(friction, axle_kg, tyre_radius_m) / (ratio * quantity("efficiency", efficiency, 0.0, 1.0))


def driven_axle_mass(
    mass_kg: ArrayLike, static_share: ArrayLike, friction: ArrayLike, height_over_wheelbase: ArrayLike
) -> np.ndarray:
    """Mass on the driven rear axle at the moment its tyres slip, kg: m s / (1 - μ h/L), no more than m.

    m mass_kg of the truck, static_share: s = b/L, μ friction of tyre and ground, h/L height_over_wheelbase of its
    centre of mass. At slip the acceleration is a/g = μ m_r/m (nothing else resists), put into m_r = m (b + h a/g)/L
    (Gillespie 1992, cited from memory) and solved for m_r. All-wheel drive: take the whole mass instead.
    """
    mass = quantity("mass", mass_kg, unit="kg")
    share = quantity("share of weight on the driven axle", static_share, 0.0, 1.0)
    lever = quantity("friction", friction, 0.0, 5.0) * quantity(
        "height over wheelbase", height_over_wheelbase, 0.0, 1.0, open_low=False
    )
    # with a lever of 1 - s or more the front wheels lift: all of the mass is at the rear
    risen = share / np.maximum(1 - lever, 1e-12)
    return mass * np.where(np.isnan(lever), np.nan, np.minimum(risen, 1.0))


def effective_torque(engine_side_nm: ArrayLike, traction_nm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """The smaller of what the engine brings (engine_side_nm) and what the tyres hold (traction_nm), N·m, and whether
    the tyres are the limit.

    The lesser of the two is what sizing practice takes on the road (driveline installation manual J3311-1, 2008).
    NaN where either is not known.
    """
    engine = quantity("torque the engine brings", engine_side_nm, open_low=False, unit="N·m")
    tyres = quantity("torque the tyres hold", traction_nm, open_low=False, unit="N·m")
    return np.minimum(engine, tyres), tyres < engine


#: rolling resistance of truck tyres on a road, share of the weight; drag area of a truck with a trailer, m²; air, kg/m³: from memory
ROLLING, DRAG_AREA, AIR = 0.012, 4.5, 1.2


def grade_power(mass_kg: ArrayLike, speed_m_s: ArrayLike, grade: ArrayLike) -> np.ndarray:
    """Power at the wheels that holds mass_kg at speed_m_s up a grade (rise over run), W: (m g (sin θ + f cos θ) + ρ A v²/2) v (textbook mechanics)."""
    mass, speed = quantity("mass", mass_kg, unit="kg"), quantity("speed", speed_m_s, open_low=False, unit="m/s")
    angle = np.arctan(quantity("grade", grade, 0.0, 1.0, open_low=False))
    return (mass * GRAVITY * (np.sin(angle) + ROLLING * np.cos(angle)) + AIR * DRAG_AREA * speed**2 / 2) * speed
