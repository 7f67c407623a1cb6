"""Exact bounds for few or no failures: binomial, Poisson, success runs, and the proportion chart.

A `level` is two-sided, with equal tails; a `confidence` is one-sided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import betaincinv, chdtri

from analytics.errors import AnalyticsError, NotEnoughData


@dataclass(frozen=True, slots=True)
class Limits:
    """Estimate with a lower and an upper limit at a two-sided level."""

    estimate: float
    lower: float
    upper: float
    level: float


def _share(name: str, value: float) -> float:
    if not 0 < value < 1:
        raise AnalyticsError(f"{name} is {value!r}: give a number between 0 and 1, such as 0.9.")
    return float(value)


def _whole(name: str, value: float, least: int = 0) -> int:
    if not (math.isfinite(value) and value == int(value) and value >= least):
        raise AnalyticsError(f"{name} is {value!r}: give a whole number of at least {least}.")
    return int(value)


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise AnalyticsError(f"{name} is {value!r}: give a number above 0.")
    return float(value)


def binomial_limits(failures: int, units: int, level: float = 0.95) -> Limits:
    """Limits at `level` on the share failing, `failures` of `units`: Clopper and Pearson, Biometrika 26 (1934) 404-413.

    With no failure the lower limit is 0, and the upper one 1 - (a/2)^(1/n), a = 1 - `level`.
    """
    k, n = _whole("failures", failures), _whole("units", units, 1)
    if k > n:
        raise AnalyticsError(f"{k} failures of {n} units: there cannot be more failures than units.")
    tail = (1 - _share("level", level)) / 2
    lower = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
    upper = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return Limits(k / n, lower, upper, level)


def poisson_limits(failures: int, exposure: float = 1.0, level: float = 0.95) -> Limits:
    """Limits at `level` on a failure rate, `failures` in `exposure` miles or days: Garwood, Biometrika 28 (1936)
    437-442."""
    k, total = _whole("failures", failures), _positive("exposure", exposure)
    tail = (1 - _share("level", level)) / 2
    # chdtri gives the point exceeded with the stated chance.
    lower = float(chdtri(2 * k, 1 - tail)) / 2 if k > 0 else 0.0
    upper = float(chdtri(2 * k + 2, tail)) / 2
    return Limits(k / total, lower / total, upper / total, level)


@dataclass(frozen=True, slots=True)
class RateComparison:
    """Two failure rates compared; ratio is the first over the second, with limits at `level`."""

    ratio: float
    lower: float
    upper: float
    level: float
    p_value: float


def compare_rates(
    failures_1: int, exposure_1: float, failures_2: int, exposure_2: float, level: float = 0.95
) -> RateComparison:
    """Exact conditional test that two Poisson rates, failures_1 in exposure_1 and failures_2 in exposure_2, are equal.

    Given the sum, the first count is binomial with share exposure_1/(exposure_1 + exposure_2): Przyborowski and
    Wilenski, Biometrika 31 (1940) 313-323. The p-value is two-sided: it adds every outcome no likelier than the one seen;
    limits on the ratio are two-sided at ``level``, from Clopper-Pearson. The ratio is infinite where the second saw no
    failure. Raises NotEnoughData without any failure.
    """
    from scipy.stats import binomtest

    k1, k2 = _whole("failures_1", failures_1), _whole("failures_2", failures_2)
    t1, t2 = _positive("exposure_1", exposure_1), _positive("exposure_2", exposure_2)
    if k1 + k2 == 0:
        raise NotEnoughData("no failure on either side: the two rates cannot be compared.")
    p_value = float(binomtest(k1, k1 + k2, t1 / (t1 + t2)).pvalue)
    share = binomial_limits(k1, k1 + k2, level)

    def odds(p: float) -> float:
        return math.inf if p == 1 else p / (1 - p) * t2 / t1

    ratio = (k1 / t1) / (k2 / t2) if k2 else math.inf
    return RateComparison(ratio, odds(share.lower), odds(share.upper), level, p_value)
