"""Life against load: Basquin's law, Miner's sum, equivalent torque. Arrays in and out; torque in any one unit."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity

#: what a shaft's, spline's or gear's S-N exponent should be: median and 5 to 95 % range, judgement. Between the spline life
#: factors (3.9 to 10.3 a decade, 4 to 5 overall), FKM's 5 to 8, Basquin b of -0.05 to -0.12 for smooth steel (k 8 to 20) and
#: gears' 6.6 to 8.7 (ISO 6336-6), all but the first cited from memory
SN_MEDIAN, SN_LOW, SN_HIGH = 6.0, 3.0, 12.0


def basquin_life(
    torque: ArrayLike, reference_torque: ArrayLike, reference_cycles: ArrayLike, exponent: ArrayLike
) -> np.ndarray:
    """Cycles to failure: N0 (T/T0)^-k (Basquin 1910). Holds below yield; above it overload breaks parts, not fatigue."""
    ratio = quantity("torque", torque) / quantity("reference torque", reference_torque)
    life = quantity("reference cycles", reference_cycles)
    return life * ratio ** -quantity("S-N exponent", exponent, 0.0, 50.0)


def miner_sum(
    cycles: ArrayLike, torque: ArrayLike, reference_torque: float, reference_cycles: float, exponent: float
) -> float:
    """Damage of a mix of torques: sum of n/N (Palmgren 1924, Miner 1945); about 1 at failure, 0.3 to 3 in practice (from
    memory). cycles, torque: (m,)."""
    n = quantity("cycles", cycles, open_low=False)
    return float((n / basquin_life(torque, reference_torque, reference_cycles, exponent)).sum())


def equivalent_torque(cycles: ArrayLike, torque: ArrayLike, exponent: float) -> float:
    """The steady torque that does the same damage in as many cycles: (Σ n T^k / Σ n)^(1/k). cycles, torque: (m,)."""
    n, t = quantity("cycles", cycles, open_low=False), quantity("torque", torque, open_low=False)
    k = float(quantity("S-N exponent", exponent, 0.0, 50.0))
    peak = t.max()
    # taken relative to the largest, so that a high power of a large torque cannot overflow
    return (
        float(peak * ((n * (t / peak) ** k).sum() / n.sum()) ** (1 / k)) if peak > 0 and n.sum() > 0 else float("nan")
    )


def life_ratio(load_ratio: ArrayLike, exponent: ArrayLike) -> np.ndarray:
    """What a change of load does to life: (T2/T1)^-k. Five per cent more at k = 6: 0.75."""
    return quantity("load ratio", load_ratio) ** -quantity("S-N exponent", exponent, 0.0, 50.0)


def comeback_ratio(load_ratio: ArrayLike, exponent: ArrayLike, shape: ArrayLike) -> np.ndarray:
    """What a change of load does to the failures by a fixed mileage, while few fail: (T2/T1)^(kβ), β the Weibull shape.
    Follows from log t = a - k log T + e/β."""
    return quantity("load ratio", load_ratio) ** (
        quantity("S-N exponent", exponent, 0.0, 50.0) * quantity("shape", shape, 0.0, 20.0)
    )
