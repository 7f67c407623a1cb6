"""Life against load, by Basquin's law (1910). Arrays in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.driveline.inputs import quantity

#: what a shaft's, spline's or gear's S-N exponent should be: median and 5 to 95% range, judgement. Between the spline life
#: factors (3.9 to 10.3 a decade, 4 to 5 overall), FKM's 5 to 8, Basquin b of -0.05 to -0.12 for smooth steel (k 8 to 20) and
#: gears' 6.6 to 8.7 (ISO 6336-6), all but the first cited from memory
SN_MEDIAN, SN_LOW, SN_HIGH = 6.0, 3.0, 12.0


def life_ratio(load_ratio: ArrayLike, exponent: ArrayLike) -> np.ndarray:
    """What a change of load does to life: (T2/T1)^-k, T2/T1 load_ratio, k the S-N exponent. At k = 6 five per cent
    more load leaves 0.75 of it."""
    return quantity("load ratio", load_ratio) ** -quantity("S-N exponent", exponent, 0.0, 50.0)


def comeback_ratio(load_ratio: ArrayLike, exponent: ArrayLike, shape: ArrayLike) -> np.ndarray:
    """What a change of load (load_ratio, exponent: as for `life_ratio`) does to the failures by a fixed mileage, while
    few fail: (T2/T1)^(kβ), β the Weibull shape. Follows from log t = a - k log T + e/β."""
    return quantity("load ratio", load_ratio) ** (
        quantity("S-N exponent", exponent, 0.0, 50.0) * quantity("shape", shape, 0.0, 20.0)
    )
