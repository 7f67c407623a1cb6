"""Maximally selected log-rank statistics: the best of many cut-points, and a p-value that pays for the search.

Sources: Lausen and Schumacher, Biometrics 48 (1992) 73-85, and Comput. Stat. Data Anal. 21 (1996) 307-326, for the two
approximations; Hothorn and Lausen, Comput. Stat. Data Anal. 43 (2003) 121-137, for the exact conditional bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr
from scipy.stats import norm

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.comparison import log_rank
from analytics.models.nonparametric import check_column, check_failed

NAN = float("nan")


@dataclass(frozen=True, slots=True, repr=False)
class BestCut:
    """The best cut-point found. cut: the lower group is x <= cut. statistic: |z| there. cuts, z: (C,) all that were tried, z
    positive where the upper group fails more. low: (C,) units in the lower group. units, failures: of all."""

    cut: float
    statistic: float
    cuts: np.ndarray
    z: np.ndarray
    low: np.ndarray
    units: int
    failures: int

    def __repr__(self) -> str:
        return f"BestCut({self.cut:g}: {self.statistic:.3f}, of {len(self.cuts)} tried)"


def log_rank_scores(time: ArrayLike, failed: ArrayLike, late_ties: bool = False) -> np.ndarray:
    """Log-rank scores (n,): failed less the cumulative hazard at the own time. late_ties: among ties the hazard's steps
    have the number left after them, plus one, for denominator (the form in general use for this test; the same without ties).
    """
    t = check_column("time", time)
    f = check_failed(failed, len(t))
    order = np.sort(t)
    at_risk = len(t) - np.searchsorted(order, t, side="left")
    if late_ties:
        at_risk = len(t) - np.searchsorted(order, t, side="right") + 1
    times, place = np.unique(t, return_inverse=True)
    step = np.bincount(place, weights=np.where(f, 1.0 / at_risk, 0.0), minlength=len(times))
    return f - np.cumsum(step)[place]


def _numbers(x: ArrayLike) -> np.ndarray:
    values = np.asarray(x, float)
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise AnalyticsError(
            f"x of row {bad[0]} (counted from 0) is {values[bad[0]]}: give a number, or leave the row out"
        )
    return values


class _Scan:
    """Everything about the cut-points that no permutation changes."""

    def __init__(self, x: ArrayLike, score: np.ndarray, strata: ArrayLike | None, smallest: float):
        values = _numbers(x)
        self.n = len(values)
        self.order = np.argsort(values, kind="stable")
        self.x = values[self.order]
        self.score = np.asarray(score, float)[self.order]
        codes = np.zeros(self.n, int)
        if strata is not None:
            codes = np.unique(np.asarray(strata, dtype=object).astype(str), return_inverse=True)[1].reshape(-1)
        self.strata = codes[self.order]
        last = np.flatnonzero(np.append(self.x[1:] != self.x[:-1], True))
        m = last + 1
        self.at = last[(m >= np.floor(smallest * self.n)) & (m <= np.floor((1 - smallest) * self.n)) & (m < self.n)]
        if not len(self.at):
            raise NotEnoughData(f"no cut-point leaves {smallest:.0%} of the {self.n} units on either side")
        mean, variance = np.zeros(len(self.at)), np.zeros(len(self.at))
        self.members = []
        for s in np.unique(self.strata):
            own = self.strata == s
            a, size = self.score[own], int(own.sum())
            self.members.append(np.flatnonzero(own))
            low = np.cumsum(own)[self.at]
            mean += low * a.mean()
            if size > 1:
                variance += low * (size - low) / (size**2 * (size - 1)) * (size * (a**2).sum() - a.sum() ** 2)
        if not (variance > 0).any():
            raise NotEnoughData("no unit failed in any group that a cut-point divides: there is nothing to compare")
        self.at, self.mean = self.at[variance > 0], mean[variance > 0]
        self.scale = 1 / np.sqrt(variance[variance > 0])

    def z(self, score: np.ndarray) -> np.ndarray:
        """Standardised sums (C,) of the upper group."""
        return (self.mean - np.cumsum(score)[self.at]) * self.scale


def best_cut(
    x: ArrayLike,
    time: ArrayLike,
    failed: ArrayLike,
    strata: ArrayLike | None = None,
    smallest: float = 0.1,
    late_ties: bool = False,
) -> BestCut:
    """The maximally selected log-rank statistic over all values of x with at least ``smallest`` of the units on either side.

    All arrays (n,); scores within strata. Raises NotEnoughData where no cut-point can be tried."""
    score = _scores(time, failed, strata, late_ties)
    scan = _Scan(x, score, strata, smallest)
    z = scan.z(scan.score)
    i = int(np.argmax(np.abs(z)))
    cuts = scan.x[scan.at]
    return BestCut(
        cut=float(cuts[i]),
        statistic=float(abs(z[i])),
        cuts=cuts,
        z=z,
        low=scan.at + 1,
        units=scan.n,
        failures=int(np.sum(failed)),
    )


def _scores(time: ArrayLike, failed: ArrayLike, strata: ArrayLike | None, late_ties: bool) -> np.ndarray:
    if strata is None:
        return log_rank_scores(time, failed, late_ties)
    codes = np.asarray(strata, dtype=object).astype(str)
    t, f = np.asarray(time, float), np.asarray(failed, bool)
    out = np.empty(len(t))
    for s in np.unique(codes):
        out[codes == s] = log_rank_scores(t[codes == s], f[codes == s], late_ties)
    return out


def permutation_p(
    x: ArrayLike,
    time: ArrayLike,
    failed: ArrayLike,
    strata: ArrayLike | None = None,
    smallest: float = 0.1,
    permutations: int = 999,
    seed: int = 1,
    late_ties: bool = False,
) -> tuple[float, np.ndarray]:
    """p = (1 + how many permutations reach the statistic seen)/(permutations + 1), and their statistics (permutations,).

    Scores are exchanged within strata, so it holds where x says nothing about when a unit's watching ends. Each permutation
    searches all cut-points again. Seeded, and free of the order of the rows.
    """
    score = _scores(time, failed, strata, late_ties)
    # an order of its own, so that the same units give the same permutations however they are listed
    base = np.lexsort((score, np.asarray(x, float)))
    codes = None if strata is None else np.asarray(strata, dtype=object)[base]
    scan = _Scan(np.asarray(x, float)[base], score[base], codes, smallest)
    seen = float(np.abs(scan.z(scan.score)).max())
    rng = np.random.default_rng(seed)
    drawn = np.empty(permutations)
    work = scan.score.copy()
    for i in range(permutations):
        if len(scan.members) == 1:
            rng.shuffle(work)
        else:
            for rows in scan.members:
                work[rows] = rng.permutation(scan.score[rows])
        drawn[i] = np.abs(scan.z(work)).max()
    return float((1 + (drawn >= seen - 1e-9).sum()) / (permutations + 1)), drawn


def p_by_limits(statistic: float, smallest: float = 0.1, largest: float = 0.9) -> float:
    """Approximate p of a maximally selected statistic from the share of units at the extreme cut-points alone (1992)."""
    if statistic < 1:
        return 1.0
    b = statistic
    value = norm.pdf(b) * (4 / b + (b - 1 / b) * np.log(largest * (1 - smallest) / ((1 - largest) * smallest)))
    return float(np.clip(value, 0, 1))


def p_by_cuts(statistic: float, units: int, low: ArrayLike) -> float:
    """Approximate p from the cut-points themselves, by an improved Bonferroni bound (1996). low: (C,) units at or below
    each cut-point, rising."""
    b, m = statistic, np.asarray(low, float)
    t = np.sqrt(np.maximum(1 - m[:-1] * (units - m[1:]) / ((units - m[:-1]) * m[1:]), 0))
    extra = (np.exp(-(b**2) / 2) / np.pi * (t - (b**2 / 4 - 1) * t**3 / 6)).sum()
    return float(np.clip(2 * ndtr(-b) + extra, 0, 1))


def p_gaussian(statistic: float, units: int, low: ArrayLike, nodes: int = 200) -> float:
    """Approximate p from the joint normal law of the statistics at all cut-points (C,), by exact recursion: given the one
    before, each depends on none further back, with correlation sqrt(m1 (n - m2) / (m2 (n - m1)))."""
    m, b = np.asarray(low, float), float(statistic)
    rho = np.sqrt(np.minimum(m[:-1] * (units - m[1:]) / (m[1:] * (units - m[:-1])), 1.0))
    x, w = np.polynomial.legendre.leggauss(nodes)
    x, w = b * x, b * w
    inside = norm.pdf(x)  # density of the last statistic, none so far beyond the limit
    for r in rho:
        if r > 1 - 1e-12:
            continue
        spread = np.sqrt(1 - r * r)
        inside = norm.pdf((x[:, None] - r * x) / spread) / spread @ (w * inside)
    return float(np.clip(1 - w @ inside, 0, 1))


def whole_scores(score: ArrayLike) -> np.ndarray:
    """Scores (n,) from 0 to n in whole numbers, as the exact conditional bound needs them."""
    a = np.asarray(score, float) - np.min(score)
    return np.round(a * len(a) / a.max()).astype(int)


def p_exact_bound(score: ArrayLike, low: ArrayLike, statistic: float) -> float:
    """Upper bound of the exact conditional p of the maximally selected statistic of whole-number scores (n,), at the group
    sizes ``low`` (C,), rising.

    The exact distribution of the sum of m scores drawn without return comes from counting subsets by size and sum; from
    each next cut-point's share are taken off the sums that were beyond the limit already and must stay there whichever score
    comes next. Meant for up to some hundred units.
    """
    a = np.asarray(score)
    if (a != np.round(a)).any() or (a < 0).any():
        raise AnalyticsError("scores must be whole numbers from 0 on: use whole_scores")
    a = a.astype(int)
    n, total = len(a), int(a.sum())
    sizes = np.asarray(low, int)
    if n * total > 3_000_000:
        raise AnalyticsError(f"{n} units with scores up to {a.max()} are too many to count out: use permutations")
    # subsets of size m with sum s, as a share of all subsets of size m
    ways = np.zeros((n + 1, total + 1))
    ways[0, 0] = 1.0
    for k, value in enumerate(a, start=1):
        # share form: P_k(m, s) = (m/k) P_{k-1}(m-1, s-value) + (1 - m/k) P_{k-1}(m, s)
        m = np.arange(n + 1)[:, None]
        moved = np.zeros_like(ways)
        moved[1:, value:] = ways[:-1, : total + 1 - value]
        ways = np.where(m <= k, m / k * moved + np.maximum(1 - m / k, 0) * ways, 0.0)
    m = np.arange(n + 1)
    mean = m / n * total
    sd = np.sqrt(np.maximum(m * (n - m) / (n**2 * (n - 1)) * (n * (a**2).sum() - total**2), 1e-300))
    s = np.arange(total + 1)
    far = np.abs(s[None] - mean[:, None]) / sd[:, None] > statistic
    out = 0.0
    for i, size in enumerate(sizes):
        out += ways[size][far[size]].sum()
        if i and sizes[i - 1] == size - 1:
            before = size - 1
            beyond = far[before] & (ways[before] > 0)
            below = np.flatnonzero(beyond & (s < mean[before]))
            below = below[far[size][np.minimum(below + a.max(), total)]]
            above = np.flatnonzero(beyond & (s > mean[before]))
            above = above[far[size][np.minimum(above + a.min(), total)]]
            # the chance that they come there from the size before
            out -= ways[before][below].sum() + ways[before][above].sum()
    return float(np.clip(out, 0, 1))


@dataclass(frozen=True, slots=True)
class TwoCuts:
    """Two cut-points by the largest three-group log-rank chi-square; not corrected for the search."""

    lower: float
    upper: float
    statistic: float


def two_cuts(x: ArrayLike, time: ArrayLike, failed: ArrayLike, fewest: int) -> TwoCuts:
    """The pair of cut-points with the largest log-rank chi-square among three tiers of at least ``fewest`` units each."""
    values = _numbers(x)
    steps = np.unique(values)
    best = TwoCuts(NAN, NAN, -np.inf)
    for i, a in enumerate(steps[:-2]):
        for b in steps[i + 1 : -1]:
            group = (values > a).astype(int) + (values > b)
            if np.bincount(group, minlength=3).min() < fewest:
                continue
            found = log_rank(time, failed, group).statistic
            if found > best.statistic:
                best = TwoCuts(float(a), float(b), found)
    if not np.isfinite(best.lower):
        raise NotEnoughData(f"no two cut-points leave {fewest} units in each of three tiers")
    return best
