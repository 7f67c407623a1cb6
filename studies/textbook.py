"""Formulas of textbooks that answer printed values and that no page shows: test plans, a chart, a life table, moments of a life."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import betaincinv, chdtri, ndtri

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.competing import CumulativeIncidence
from analytics.models.exact import Limits, _positive, _share, _whole
from analytics.models.nonparametric import (
    LEVEL,
    Floats,
    Ints,
    _row,
    arrays_to_frame,
    check_column,
    check_count,
    number,
    two_sided_z,
)
from analytics.models.recurrence import power_law
from analytics.models.weibull import LifeFit
from analytics.ratings.signed_root import SignedRoot


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
class ProportionChart:
    """Share failing per lot against three-sigma limits; one entry per lot in each tuple."""

    fraction: tuple[float, ...]
    units: tuple[int, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    outside: tuple[bool, ...]
    centre: float
    sigmas: float

    def to_frame(self) -> pd.DataFrame:
        """One row per lot, unrounded."""
        names = [f.name for f in fields(self) if f.name not in ("centre", "sigmas")]
        return pd.DataFrame({name: getattr(self, name) for name in names})


def proportion_chart(failures: Sequence[int], units: Sequence[int], sigmas: float = 3.0) -> ProportionChart:
    """Centre and limits of a proportion chart: NIST/SEMATECH e-Handbook 6.3.3.2.

    failures, units: one value per lot. The centre is all failures over all units; limits widen for small lots
    and stay within 0 and 1; they are rough where a lot expects fewer than about 5 failures.
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
    return ProportionChart(fraction, tuple(ns), lower, upper, outside, centre, width)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class LifeTable:
    """Survival from inspections, one entry per interval (begin, end] in arrays of shape (k,).

    at_risk: units watched over the interval, a withdrawal inside it counted half; survival at `end`, with
    Greenwood s.e. and limits on logit.
    """

    begin: Floats
    end: Floats
    at_risk: Floats
    failed: Ints
    withdrawn: Ints
    survival: Floats
    std_err: Floats
    lower: Floats
    upper: Floats
    level: float

    def __repr__(self) -> str:
        return f"LifeTable({len(self.end)} intervals to {number(self.end[-1])}, {int(self.failed.sum()):,} failed)"

    def to_frame(self) -> pd.DataFrame:
        """One row per interval, unrounded."""
        return arrays_to_frame(self, [f.name for f in fields(self) if f.name != "level"])


def life_table(
    lower: ArrayLike, upper: ArrayLike, edges: ArrayLike, count: ArrayLike | None = None, level: float = 0.95
) -> LifeTable:
    """Life table of units inspected at common ages: survival at each inspection with limits on logit.

    lower, upper: shape (n,), the failure lies in (lower, upper]; upper infinite: unfailed when last seen at
    lower. edges: inspection ages, rising, shape (k + 1,). A failure must lie within one interval. A unit last
    seen at the beginning of an interval is not at risk in it; one last seen inside it counts half.
    Source: Cutler and Ederer (1958); logit limits as in Meeker and Escobar (1998), chapter 3.
    """
    low = check_column("lower", lower)
    high = np.asarray(upper, dtype=float)
    counts = check_count(count, len(low))
    edge = check_column("edges", edges)
    if high.shape != low.shape or np.isnan(high).any() or (high <= low).any():
        raise AnalyticsError("upper must be above lower in every row (infinite while unfailed), one value per unit.")
    if len(edge) < 2 or (np.diff(edge) <= 0).any():
        raise AnalyticsError("edges must hold at least two ages, each above the one before.")
    z = two_sided_z(level)
    fails = np.isfinite(high)
    where = np.searchsorted(edge, high, side="left") - 1
    inside = np.zeros(len(low), dtype=bool)
    fits = fails & (where >= 0) & (where < len(edge) - 1)
    inside[fits] = low[fits] >= edge[where[fits]]
    if (fails & ~inside).any():
        i = _row(fails & ~inside)
        raise AnalyticsError(
            f"row {i} (counted from 0) failed between {number(low[i])} and {number(high[i])}, which no one interval "
            "of the edges holds: use the ages of the inspections as edges."
        )
    k = len(edge) - 1
    failed = np.bincount(where[fails], weights=counts[fails], minlength=k).astype(np.int64)
    begin, end = edge[:-1], edge[1:]
    running = ~fails
    # Still watched at the end of each interval, whatever came later.
    passed = np.array([counts[(low >= b) | (fails & (where > j))].sum() for j, b in enumerate(end)], dtype=float)
    withdrawn = np.array(
        [counts[running & (low > a) & (low < b)].sum() for a, b in zip(begin, end, strict=True)],
        dtype=np.int64,
    )
    at_risk: Floats = np.asarray(passed + failed + withdrawn / 2, dtype=np.float64)
    if (at_risk == 0).any():
        j = int(np.flatnonzero(at_risk == 0)[0])
        raise NotEnoughData(f"no unit at risk between {number(begin[j])} and {number(end[j])}: end the edges there.")
    survival: Floats = np.asarray(np.cumprod(1 - failed / at_risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        std_err = np.where(survival > 0, survival * np.sqrt(np.cumsum(failed / (at_risk * (at_risk - failed)))), np.nan)
        spread = np.exp(z * std_err / (survival * (1 - survival)))
        floor = survival / (survival + (1 - survival) * spread)
        ceiling = survival / (survival + (1 - survival) / spread)
    return LifeTable(begin, end, at_risk, failed, withdrawn, survival, std_err, floor, ceiling, level)


def profile_limits(root: SignedRoot, level: float = 0.95) -> tuple[float, float]:
    """Two-sided first-order profile limits of the log rating."""
    k = float(ndtri(0.5 + level / 2))
    return root.solve(k), root.solve(-k)


def mean_life(fit: LifeFit) -> float:
    """Mean life. It rests on the whole tail, and so nearly always on ages past the records."""
    if fit.distribution == "weibull":
        return math.exp(fit.mu + math.lgamma(1 + fit.sigma))
    return math.exp(fit.mu + fit.sigma**2 / 2)


def sd_life(fit: LifeFit) -> float:
    """Standard deviation of life; as `mean_life`, it rests on the tail."""
    if fit.distribution == "weibull":
        second = math.exp(2 * fit.mu + math.lgamma(1 + 2 * fit.sigma))
        return math.sqrt(second - mean_life(fit) ** 2)
    return mean_life(fit) * math.sqrt(math.expm1(fit.sigma**2))


def chance_of_failure(fit: LifeFit, age: ArrayLike, more: ArrayLike) -> Floats:
    """Chance that a unit alive at `age` fails within `more`: 1 - S(age + more)/S(age), shapes broadcast."""
    a, b = np.asarray(age, dtype=float), np.asarray(more, dtype=float)
    if (a < 0).any() or (b < 0).any() or np.isnan(a).any() or np.isnan(b).any():
        raise AnalyticsError("age and more must be known and not negative.")
    return 1 - fit.survival(a + b) / fit.survival(a)


# ---- readings of a curve, of shares and of a process, other than those the pages show
def limits_on(survival: Floats, std_err: Floats, transform: str) -> tuple[Floats, Floats]:
    """Two-sided 95% limits from ``survival`` S and its std_err, (k,) each, made on S itself (``transform`` "plain") or on log S ("log"), inside [0, 1]."""
    z = two_sided_z(LEVEL)
    with np.errstate(divide="ignore", invalid="ignore"):
        if transform == "plain":
            return np.clip(survival - z * std_err, 0, 1), np.clip(survival + z * std_err, 0, 1)
        relative = std_err / survival
        return survival * np.exp(-z * relative), np.minimum(survival * np.exp(z * relative), 1)


def delta_std_err(found: CumulativeIncidence) -> Floats:
    """Delta-method standard errors of shares by cause, (causes, k), from increments at the failure times, as Greenwood's; R's survival has them.

    Where every unit is seen from new their squares are the sums of the units' squared influences. Source: Gaynor et al., J. Am. Stat. Assoc. 88 (1993)
    400-409. found: the shares.
    """
    n, d = np.maximum(found.at_risk, 1).astype(float), found.failed.sum(axis=0).astype(float)
    before = np.concatenate([[1.0], found.survival[:-1]])
    with np.errstate(divide="ignore", invalid="ignore"):
        # Once every unit at risk has failed nothing is left for later terms to multiply.
        greenwood = np.where(n > d, d / (n * np.maximum(n - d, 1)), 0.0)
    a0 = np.cumsum(greenwood)
    square = []
    for own, d_own in zip(found.incidence, found.failed.astype(float), strict=True):
        a1, a2 = np.cumsum(own * greenwood), np.cumsum(own**2 * greenwood)
        direct = np.cumsum(before**2 * (n - d_own) * d_own / n**3)
        b0, b1 = np.cumsum(before * d_own / n**2), np.cumsum(own * before * d_own / n**2)
        square.append(own**2 * a0 - 2 * own * a1 + a2 + direct - 2 * (own * b0 - b1))
    return np.sqrt(np.maximum(square, 0))


def power_law_readings(end: ArrayLike, event_end: ArrayLike, event_time: ArrayLike) -> dict[str, float]:
    """What handbooks read off a power-law process besides its trend b; arguments as for `power_law`, every unit counted once.

    log_a, se_log_b, loglik: of the maximum likelihood. b_unbiased: b less its small-sample bias where all units were watched to one age (NaN
    elsewhere), a_unbiased to go with it. laplace_z and late_chi_square (2 x events degrees of freedom; low where events crowd at the end) test b = 1.
    """
    process = power_law(end, event_end, event_time)
    ends, until, at = (np.asarray(v, float) for v in (end, event_end, event_time))
    n, b = len(at), process.b
    log_a = math.log(n) - math.log(float((ends**b).sum()))
    unbiased = b * (n - 1) / n if np.all(ends == ends[0]) else math.nan
    return {
        "b": b,
        "log_a": log_a,
        "se_log_b": math.log(process.b_upper / process.b_lower) / (2 * two_sided_z(LEVEL)),
        "loglik": n * (log_a + math.log(b)) + (b - 1) * float(np.log(at).sum()) - n,
        "b_unbiased": unbiased,
        "a_unbiased": n / (len(ends) * ends.max() ** unbiased),
        "laplace_z": float((at - until / 2).sum() / np.sqrt((until**2 / 12).sum())),
        "late_chi_square": 2 * float(np.log(until / at).sum()),
    }
