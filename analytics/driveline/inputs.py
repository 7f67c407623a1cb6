"""The door: what goes into a formula is refused by name and value where it cannot be."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import AnalyticsError


def quantity(
    name: str, value: ArrayLike, low: float = 0.0, high: float = np.inf, open_low: bool = True, unit: str = ""
) -> np.ndarray:
    """``value`` as an array of floats. NaN (not known) passes; a number outside low to high, or infinite, does not.

    open_low: whether ``low`` itself is refused too. Raises AnalyticsError with the name, the first such value with
    its ``unit``, and its place.
    """
    try:
        array = np.asarray(value, float)
    except (TypeError, ValueError) as err:
        raise AnalyticsError(f"{name} is {value!r}: give a number{' in ' + unit if unit else ''}.") from err
    bad = np.isinf(array) | (array > high) | ((array <= low) if open_low else (array < low))
    if bad.any():
        at = int(np.flatnonzero(bad.ravel())[0])
        place = f" (item {at})" if array.ndim else ""
        edge = "above" if open_low else "at least"
        most = f" and at most {high:g}" if np.isfinite(high) else ""
        raise AnalyticsError(
            f"{name}{place} is {array.ravel()[at]:g}{' ' + unit if unit else ''}: it must be {edge} {low:g}{most}."
        )
    return array


def below(name: str, small: np.ndarray, than: str, large: np.ndarray) -> None:
    """Raise AnalyticsError unless ``small`` is below ``large`` wherever both are known. name, than: what these are
    called in it."""
    a, b = np.broadcast_arrays(small, large)
    bad = a >= b
    if bad.any():
        at = int(np.flatnonzero(bad.ravel())[0])
        raise AnalyticsError(f"{name} is {a.ravel()[at]:g}, not below {than}, {b.ravel()[at]:g}: one of them is wrong.")
