"""Exact bounds for few or no failures: binomial, Poisson, success runs, and the proportion chart.

A `level` is two-sided, with equal tails; a `confidence` is one-sided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Literal

from scipy.special import betaincinv, chdtri

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.reasons import Assumption, Reason, reason

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Limits:
    """Estimate with a lower and an upper limit at a two-sided level."""

    estimate: float
    lower: float
    upper: float
    level: float

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        import pandas as pd

        return pd.DataFrame([asdict(self)])


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
    """Limits on the share failing, `failures` of `units`: Clopper and Pearson, Biometrika 26 (1934) 404-413.

    With no failure the lower limit is 0, and the upper one 1 - (a/2)^(1/n).
    """
    k, n = _whole("failures", failures), _whole("units", units, 1)
    if k > n:
        raise AnalyticsError(f"{k} failures of {n} units: there cannot be more failures than units.")
    tail = (1 - _share("level", level)) / 2
    lower = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
    upper = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return Limits(k / n, lower, upper, level)


def poisson_limits(failures: int, exposure: float = 1.0, level: float = 0.95) -> Limits:
    """Limits on a failure rate, `failures` in `exposure` miles or days: Garwood, Biometrika 28 (1936) 437-442."""
    k, total = _whole("failures", failures), _positive("exposure", exposure)
    tail = (1 - _share("level", level)) / 2
    # chdtri gives the point exceeded with the stated chance.
    lower = float(chdtri(2 * k, 1 - tail)) / 2 if k > 0 else 0.0
    upper = float(chdtri(2 * k + 2, tail)) / 2
    return Limits(k / total, lower / total, upper / total, level)


def units_to_prove(
    reliability: float, confidence: float, failures: int = 0, life_ratio: float = 1.0, beta: float = 1.0
) -> int:
    """Fewest units, each run `life_ratio` target lives, that prove the reliability with at most `failures`.

    With none this is n = ln(1 - C)/ln R, rounded up. "90/95" is ambiguous, so name the arguments. beta is the
    Weibull shape assumed; at life_ratio 1 it does not matter.
    """
    r, c, k = _share("reliability", reliability), _share("confidence", confidence), _whole("failures", failures)
    log_r = math.log(r) * _positive("life_ratio", life_ratio) ** _positive("beta", beta)
    if k == 0:
        # The slack keeps whole solutions (R = 0.5, C = 0.75) from being rounded up.
        return math.ceil(math.log1p(-c) / log_r - 1e-12)

    def proven(n: int) -> bool:
        # At most k of n fail with chance 1 - C or less where the reliability is only r.
        return float(betaincinv(k + 1, n - k, c)) <= -math.expm1(log_r)

    high = k + 1
    while not proven(high):
        high *= 2
    low = max(k, high // 2)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if proven(middle) else (middle, high)
    return high


def success_run_reliability(units: float, confidence: float, life_ratio: float = 1.0, beta: float = 1.0) -> float:
    """Reliability proven at the target life by `units` without a failure, each run `life_ratio` target lives.

    R = (1 - C)^(1/(n life_ratio^beta)), with beta the Weibull shape assumed; `units` need not be whole (an
    equivalent number). At life_ratio 1 no shape is needed.
    """
    n = _positive("units", units) * _positive("life_ratio", life_ratio) ** _positive("beta", beta)
    return math.exp(math.log1p(-_share("confidence", confidence)) / n)


def mtbf_factors(failures: int, level: float = 0.95) -> Limits:
    """Factors on total time / failures that give limits on the mean time between failures, records ended by
    time.

    Lower 2r/chi2(1 - a/2; 2r + 2), upper 2r/chi2(a/2; 2r): NIST/SEMATECH e-Handbook 8.4.5.1. A constant rate
    is assumed. Without a failure there is no estimate to multiply: use `poisson_limits`.
    """
    r = _whole("failures", failures)
    if r == 0:
        raise NotEnoughData("no failure: there is no mean time between failures to multiply; use the rate's limit.")
    tail = (1 - _share("level", level)) / 2
    return Limits(1.0, 2 * r / float(chdtri(2 * r + 2, tail)), 2 * r / float(chdtri(2 * r, 1 - tail)), level)


@dataclass(frozen=True, slots=True)
class RateComparison:
    """Two failure rates compared; ratio is the first over the second, with limits at `level`."""

    failures_1: int
    exposure_1: float
    failures_2: int
    exposure_2: float
    ratio: float
    lower: float
    upper: float
    level: float
    p_value: float
    alternative: str

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        import pandas as pd

        return pd.DataFrame([asdict(self)])


def compare_rates(
    failures_1: int,
    exposure_1: float,
    failures_2: int,
    exposure_2: float,
    level: float = 0.95,
    alternative: Literal["two-sided", "greater", "less"] = "two-sided",
) -> RateComparison:
    """Exact conditional test that two Poisson rates are equal, given the sum of failures.

    Given the sum, the first count is binomial with share exposure_1/(exposure_1 + exposure_2): Przyborowski
    and Wilenski, Biometrika 31 (1940) 313-323. The two-sided p-value adds every outcome no likelier than the
    one seen; limits on the ratio are two-sided, from Clopper-Pearson. The ratio is infinite where the second
    saw no failure.
    """
    from scipy.stats import binomtest

    k1, k2 = _whole("failures_1", failures_1), _whole("failures_2", failures_2)
    t1, t2 = _positive("exposure_1", exposure_1), _positive("exposure_2", exposure_2)
    if k1 + k2 == 0:
        raise NotEnoughData("no failure on either side: the two rates cannot be compared.")
    if alternative not in ("two-sided", "greater", "less"):
        raise AnalyticsError(f"alternative is {alternative!r}: give 'two-sided', 'greater' or 'less'.")
    p_value = float(binomtest(k1, k1 + k2, t1 / (t1 + t2), alternative=alternative).pvalue)
    share = binomial_limits(k1, k1 + k2, level)

    def odds(p: float) -> float:
        return math.inf if p == 1 else p / (1 - p) * t2 / t1

    ratio = (k1 / t1) / (k2 / t2) if k2 else math.inf
    return RateComparison(k1, t1, k2, t2, ratio, odds(share.lower), odds(share.upper), level, p_value, alternative)


@dataclass(frozen=True, slots=True)
class ProportionChart:
    """Share failing per lot against three-sigma limits; one entry per lot in each tuple."""

    fraction: tuple[float, ...]
    units: tuple[int, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    outside: tuple[bool, ...]
    centre: float
    sigmas: float
    notes: tuple[Reason, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row per lot, unrounded."""
        import pandas as pd

        names = [f.name for f in fields(self) if f.name not in ("centre", "sigmas", "notes")]
        return pd.DataFrame({name: getattr(self, name) for name in names})


def proportion_chart(failures: Sequence[int], units: Sequence[int], sigmas: float = 3.0) -> ProportionChart:
    """Centre and limits of a proportion chart: NIST/SEMATECH e-Handbook 6.3.3.2.

    failures, units: one value per lot. The centre is all failures over all units; limits widen for small lots
    and stay within 0 and 1. The normal limits are rough where a lot expects fewer than about 5 failures: the
    notes say so.
    """
    if len(failures) != len(units) or not len(failures):
        raise AnalyticsError(f"{len(failures)} failure counts for {len(units)} lots: give one of each per lot.")
    ks = [_whole("failures", k) for k in failures]
    ns = [_whole("units", n, 1) for n in units]
    for i, (k, n) in enumerate(zip(ks, ns, strict=True)):
        if k > n:
            raise AnalyticsError(f"lot {i} (counted from 0) has {k} failures of {n} units.")
    width = _positive("sigmas", sigmas)
    centre = sum(ks) / sum(ns)
    half = [width * math.sqrt(centre * (1 - centre) / n) for n in ns]
    lower = tuple(max(centre - h, 0.0) for h in half)
    upper = tuple(min(centre + h, 1.0) for h in half)
    fraction = tuple(k / n for k, n in zip(ks, ns, strict=True))
    outside = tuple(f < a or f > b for f, a, b in zip(fraction, lower, upper, strict=True))
    least = centre * min(ns)
    notes = () if least >= 5 else (reason(Assumption.SMALL_LOT, expected=least),)
    return ProportionChart(fraction, tuple(ns), lower, upper, outside, centre, width, notes)
