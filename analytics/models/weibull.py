"""One life distribution for one group: Weibull or log-normal, from exact, running, inspected and late-entered
units.

log T = mu + sigma e, with e smallest-extreme-value (Weibull: eta = exp(mu), beta = 1/sigma) or standard
normal. The likelihood is climbed with its own derivatives, which show that the end is a maximum and give the limits.

Source: Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapters 7, 8 and 11.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, ndtri

from analytics.errors import AnalyticsError, NotEnoughData, number
from analytics.models.exact import Limits
from analytics.models.nonparametric import Floats, Ints, SurvivalCurve, check_column, check_count, check_entry
from analytics.reasons import brief

Distribution = Literal["weibull", "lognormal"]

MIN_FAILURES = 5
# Newton decrement: twice the log-likelihood still to be gained. 1e-8 is far below any printed digit.
_CONVERGED = 1e-8
# A standard error of log sigma beyond this (a factor of 400 either way) says the shape is not known at all.
_LOOSE = 3.0
# Profile limits are sought this far from the estimate, in standard errors.
_FAR = 60.0


def _log_survival(z: Floats, distribution: str) -> tuple[Floats, Floats, Floats]:
    """log S(z) with its first and second derivative."""
    if distribution == "weibull":
        e = np.exp(z)
        return -e, -e, -e
    value = log_ndtr(-z)
    hazard = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - value)
    return value, -hazard, -hazard * (hazard - z)


def _log_density(z: Floats, distribution: str) -> tuple[Floats, Floats, Floats]:
    """log f(z) with its first and second derivative."""
    if distribution == "weibull":
        e = np.exp(z)
        return z - e, 1 - e, -e
    return -0.5 * z * z - 0.5 * math.log(2 * math.pi), -z, np.full_like(z, -1.0)


def _standard_survival(z: ArrayLike, distribution: str) -> Floats:
    with np.errstate(over="ignore", invalid="ignore"):
        return np.exp(_log_survival(np.asarray(z, dtype=float), distribution)[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """Distinct rows in order: neither order nor repetition of rows can move a digit. Shape (n,)."""

    lower: Floats
    upper: Floats
    entry: Floats
    count: Ints

    def log_likelihood(self, mu: float, log_sigma: float, distribution: str) -> tuple[float, Floats, Floats]:
        """Log-likelihood of (mu, log sigma) with gradient (2,) and Hessian (2, 2); no constant dropped."""
        sigma = math.exp(log_sigma)
        gradient, hessian = np.zeros(2), np.zeros((2, 2))
        value = 0.0

        def z_of(t: Floats) -> Floats:
            return (np.log(t) - mu) / sigma

        def slopes(z: Floats) -> Floats:
            return np.array([np.full_like(z, -1 / sigma), -z])

        def add(z: Floats, w: Floats, first: Floats, second: Floats) -> None:
            nonlocal gradient, hessian
            dz = slopes(z)
            a, b = w * first, w * second
            gradient = gradient + dz @ a
            cross = float(a.sum()) / sigma
            hessian = hessian + (dz * b) @ dz.T + np.array([[0.0, cross], [cross, float((a * z).sum())]])

        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            exact = self.lower == self.upper
            if exact.any():
                t, w = self.lower[exact], self.count[exact].astype(float)
                z = z_of(t)
                f, f1, f2 = _log_density(z, distribution)
                value += float((w * (f - log_sigma - np.log(t))).sum())
                add(z, w, f1, f2)
                gradient[1] -= w.sum()
            running = np.isinf(self.upper) & (self.lower > 0)
            if running.any():
                z, w = z_of(self.lower[running]), self.count[running].astype(float)
                s, s1, s2 = _log_survival(z, distribution)
                value += float((w * s).sum())
                add(z, w, s1, s2)
            late = self.entry > 0
            if late.any():
                z, w = z_of(self.entry[late]), self.count[late].astype(float)
                s, s1, s2 = _log_survival(z, distribution)
                value -= float((w * s).sum())
                add(z, w, -s1, -s2)
            between = ~exact & np.isfinite(self.upper)
            if between.any():
                w = self.count[between].astype(float)
                low = self.lower[between]
                from_new = low == 0
                # At lower = 0 the density term is nought; any z serves.
                zl, zu = z_of(np.where(from_new, self.upper[between], low)), z_of(self.upper[between])
                sl = np.where(from_new, 0.0, _log_survival(zl, distribution)[0])
                log_p = sl + np.log(-np.expm1(_log_survival(zu, distribution)[0] - sl))
                value += float((w * log_p).sum())
                fl, rl, _ = _log_density(zl, distribution)
                fu, ru, _ = _log_density(zu, distribution)
                al, au = np.where(from_new, 0.0, np.exp(fl - log_p)), np.exp(fu - log_p)
                add(zl, w, -al, np.where(from_new, 0.0, -al * rl - al * al))
                add(zu, w, au, au * ru - au * au)
                dl, du = slopes(zl), slopes(zu)
                cross = (dl * (w * al * au)) @ du.T
                hessian = hessian + cross + cross.T
        return (value if math.isfinite(value) else -math.inf), gradient, hessian


def _newton(
    function: Callable[[Floats], tuple[float, Floats, Floats]], start: Floats, steps: int = 100
) -> tuple[Floats, float, Floats, float]:
    """Damped Newton ascent: point, value, Hessian there and the last decrement (infinite if it did not get there)."""
    x = np.asarray(start, dtype=float)
    value, gradient, hessian = function(x)
    for _ in range(steps):
        if not (math.isfinite(value) and np.isfinite(gradient).all() and np.isfinite(hessian).all()):
            return x, value, hessian, math.inf
        values, vectors = np.linalg.eigh(-hessian)
        concave = bool(values[0] > 0)
        # Where the surface is not concave, go uphill by the size of the curvature.
        slope = vectors.T @ gradient
        step = vectors @ (slope / np.maximum(np.abs(values), 1e-8 * max(np.abs(values).max(), 1e-8)))
        decrement = float((slope**2 / values).sum()) if concave else math.inf
        if decrement < _CONVERGED:
            # One full step more doubles the digits; the value itself is too flat by now to judge it by.
            last, _, last_hessian = function(x + step)
            if last >= value - 1e-9 * max(1.0, abs(value)):
                return x + step, last, last_hessian, decrement
            return x, value, hessian, decrement
        step *= min(1.0, 1.0 / max(np.abs(step).max(), 1e-300))
        scale = 1.0
        while scale > 1e-12:
            new_value, new_gradient, new_hessian = function(x + scale * step)
            if new_value > value:
                break
            scale /= 2
        else:
            return x, value, hessian, decrement  # no digit left to gain
        x, value, gradient, hessian = x + scale * step, new_value, new_gradient, new_hessian
    return x, value, hessian, math.inf


@dataclass(frozen=True, slots=True)
class FitGap:
    """The largest distance between a fit and a Kaplan-Meier curve inside the range checked.

    outside: the fit lies outside the curve's pointwise limits at that time; times_outside of times_checked
    failure times do so (about 1 - level of them would by chance).
    """

    time: float
    fitted: float
    observed: float
    lower: float
    upper: float
    gap: float
    outside: bool
    times_outside: int
    times_checked: int
    checked_to: float


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class LifeFit:
    """A fitted life distribution. covariance: (2, 2), of (mu, log sigma), from the observed information.

    log_likelihood: of T itself, no constant dropped.
    """

    distribution: Distribution
    mu: float
    sigma: float
    covariance: Floats
    log_likelihood: float
    units: int
    failures: int
    sample: _Sample

    def __repr__(self) -> str:
        return brief(self, "distribution", "mu", "sigma", "failures", "units")

    @property
    def eta(self) -> float:
        """exp(mu): the Weibull characteristic life (63.2% failed), or the log-normal median."""
        return math.exp(self.mu)

    @property
    def beta(self) -> float:
        """Weibull shape 1/sigma: below 1 early failures, about 1 chance, above 1 wear. Raises for a log-normal."""
        if self.distribution != "weibull":
            raise AnalyticsError("a log-normal fit has no Weibull shape: read sigma, or fit a Weibull.")
        return 1 / self.sigma

    def survival(self, t: ArrayLike) -> Floats:
        """Fitted share surviving to t, same shape as t; no limits, and no check of the range."""
        times = np.asarray(t, dtype=float)
        if (times < 0).any() or np.isnan(times).any():
            raise AnalyticsError("survival asked at a negative or missing age: give ages of 0 or more.")
        with np.errstate(divide="ignore"):
            return _standard_survival((np.log(times) - self.mu) / self.sigma, self.distribution)

    def _constrained(self, path: Callable[[float], tuple[Floats, Floats, Floats]], start: float) -> tuple[float, float]:
        """Largest log-likelihood along a path u -> (mu, log sigma) with two derivatives; value and u."""

        def along(u: Floats) -> tuple[float, Floats, Floats]:
            theta, first, second = path(float(u[0]))
            value, gradient, hessian = self.sample.log_likelihood(theta[0], theta[1], self.distribution)
            if not math.isfinite(value):
                return -math.inf, np.full(1, np.nan), np.full((1, 1), np.nan)
            slope = float(gradient @ first)
            bend = float(first @ hessian @ first + gradient @ second)
            return value, np.array([slope]), np.array([[bend]])

        # Should the climb from the neighbouring point fail, look around it.
        for shift in (0.0, 0.5, -0.5, 1.0, -1.0, 2.0, -2.0, 4.0, -4.0):
            point, value, _, decrement = _newton(along, np.array([start + shift]))
            if decrement < _CONVERGED:
                return value, float(point[0])
        return math.nan, start

    def _profile(
        self,
        estimate: float,
        std_err: float,
        level: float,
        path_at: Callable[[float], Callable[[float], tuple[Floats, Floats, Floats]]],
        start: float,
    ) -> tuple[float, float]:
        """Both ends of the likelihood-ratio interval of one parameter.

        Infinite where the likelihood never falls far enough, NaN where the best remaining fit cannot be found.
        """
        from scipy.optimize import brentq

        cut = float(ndtri(0.5 + level / 2)) ** 2
        ends = []
        for side in (-1.0, 1.0):
            nuisance = start

            def excess(x: float) -> float:
                nonlocal nuisance
                value, nuisance = self._constrained(path_at(x), nuisance)
                if math.isnan(value):
                    raise ArithmeticError
                return 2 * (self.log_likelihood - value) - cut

            near, far = estimate, estimate + side * std_err * math.sqrt(cut)
            try:
                while excess(far) < 0:
                    near, far = far, far + side * std_err * 0.5 * max(1.0, abs(far - estimate) / std_err / 4)
                    if abs(far - estimate) > _FAR * std_err:
                        ends.append(side * math.inf)
                        break
                else:
                    ends.append(float(brentq(excess, near, far, xtol=1e-10 * max(1.0, abs(estimate)), rtol=1e-12)))
            except ArithmeticError:
                ends.append(math.nan)
        return ends[0], ends[1]

    def log_sigma_limits(self, level: float) -> tuple[float, float]:
        """Both ends of the likelihood-ratio interval of log sigma."""

        def path_at(x: float) -> Callable[[float], tuple[Floats, Floats, Floats]]:
            return lambda u: (np.array([u, x]), np.array([1.0, 0.0]), np.zeros(2))

        return self._profile(math.log(self.sigma), math.sqrt(self.covariance[1, 1]), level, path_at, self.mu)

    def shape(self, level: float = 0.95) -> Limits:
        """The Weibull shape beta with profile-likelihood limits made on its logarithm; NaN where there is none."""
        low, high = (math.exp(v) if math.isfinite(v) else math.nan for v in self.log_sigma_limits(level))
        return Limits(self.beta, 1 / high, 1 / low, level)

    def largest_gap_from(self, curve: SurvivalCurve, min_at_risk: int = 5) -> FitGap:
        """The largest |fitted - Kaplan-Meier| up to where min_at_risk units remain, and whether it is outside
        the limits.

        The curve must come from the same units. Each step is compared just before and at its time; where the
        curve is conditional on an age, so is the fit.
        """
        end = curve.reliable_until(min_at_risk)
        use = (curve.failed > 0) & (curve.time <= end)
        if not use.any():
            raise NotEnoughData(f"no failure while {min_at_risk} units were at risk: the fit cannot be checked.")
        time = curve.time[use]
        start = float(self.survival(curve.start)) if curve.start > 0 else 1.0
        fitted = self.survival(time) / start
        after, lower, upper = curve.survival[use], curve.lower[use], curve.upper[use]
        before = np.concatenate([[1.0], curve.survival])[:-1][use]
        gap_after, gap_before = np.abs(fitted - after), np.abs(fitted - before)
        out = (fitted < lower) | (fitted > upper)  # NaN limits compare as inside
        i = int(np.argmax(np.maximum(gap_after, gap_before)))
        observed = float(after[i] if gap_after[i] >= gap_before[i] else before[i])
        gap = float(max(gap_after[i], gap_before[i]))
        return FitGap(
            float(time[i]),
            float(fitted[i]),
            observed,
            float(lower[i]),
            float(upper[i]),
            gap,
            bool(out[i]),
            int(out.sum()),
            len(time),
            end,
        )


def _collapse(lower: Floats, upper: Floats, entry: Floats, count: Ints) -> _Sample:
    order = np.lexsort((entry, upper, lower))
    rows = [lower[order], upper[order], entry[order]]
    new = np.ones(len(order), dtype=bool)
    new[1:] = np.any([column[1:] != column[:-1] for column in rows], axis=0)
    first = np.flatnonzero(new)
    return _Sample(rows[0][new], rows[1][new], rows[2][new], np.add.reduceat(count[order], first))


def _starts(sample: _Sample) -> Iterator[Floats]:
    """Points (mu, log sigma) to climb from: plain guesses of widening spread about the middle of the log ages."""
    middle = np.where(np.isfinite(sample.upper), (sample.lower + sample.upper) / 2, sample.lower)
    mean = float(np.average(np.log(middle), weights=sample.count))
    for sigma in (0.7, 0.3, 1.5, 4.0):
        yield np.array([mean, math.log(sigma)])


def fit_life(
    lower: ArrayLike,
    upper: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    distribution: Distribution = "weibull",
    min_failures: int = MIN_FAILURES,
) -> LifeFit:
    """Fit a life ``distribution``, "weibull" or "lognormal", by maximum likelihood.

    lower, upper: shape (n,). Failed at a known age: equal. Still running: upper infinite. Found failed
    between two looks, or before the first (lower 0): lower < upper. entry: age at which the unit came under
    observation; count: identical units in one row. Units that never ran (lower 0, upper infinite) carry
    nothing.
    Raises NotEnoughData below min_failures (default 5, a convention with no source) or where no maximum
    exists; AnalyticsError for contradictory rows, or a failure at exactly 0.
    """
    if distribution not in ("weibull", "lognormal"):
        raise AnalyticsError(f"distribution is {distribution!r}: give 'weibull' or 'lognormal'.")
    low = check_column("lower", lower)
    high = np.asarray(upper, dtype=float)
    if high.shape != low.shape:
        raise AnalyticsError(f"upper has shape {high.shape} for {len(low)} units: give one value per unit.")
    counts = check_count(count, len(low))
    bad = np.isnan(high) | (high < low)
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        raise AnalyticsError(
            f"row {i} (counted from 0) has lower {number(low[i])} and upper {number(high[i])}: upper must be lower "
            "(failed then), above it (failed between) or infinite (still running)."
        )
    entries = check_entry(entry, low, low == high)
    bad = (high == 0) & (counts > 0)
    if bad.any():
        raise AnalyticsError(
            f"row {int(np.flatnonzero(bad)[0])} (counted from 0) failed at exactly 0, which no life distribution "
            "allows: give the span in which it failed (lower 0, upper the first age known), or leave it out by cause."
        )
    never = np.isinf(high) & (low <= entries)
    keep = (counts > 0) & ~never
    failures = int(counts[np.isfinite(high)].sum())
    units = int(counts[keep].sum())
    if failures < min_failures:
        raise NotEnoughData(
            f"{failures} failures among {units:,} units: a fit needs at least {min_failures}; "
            "use the exact bound, or a known shape (weibayes)."
        )
    # the middle of the distinct ages brings times of any size near 1
    ages = np.where(np.isfinite(high[keep]), high[keep], low[keep])
    unit = float(np.median(np.unique(ages)))
    sample = _collapse(low[keep], high[keep], entries[keep], counts[keep])
    scaled = _Sample(sample.lower / unit, sample.upper / unit, sample.entry / unit, sample.count)
    fails = np.isfinite(sample.upper)
    if (
        len(np.unique(sample.upper[fails])) == 1
        and (sample.lower[fails] == sample.upper[fails]).all()
        and not (np.isinf(sample.upper) & (sample.lower > sample.upper[fails][0])).any()
    ):
        raise NotEnoughData(
            f"all {failures} failures came at one age, {number(float(sample.upper[fails][0]))}, with no unit running "
            "past it: no spread can be fitted."
        )

    def along(theta: Floats) -> tuple[float, Floats, Floats]:
        return scaled.log_likelihood(theta[0], theta[1], distribution)

    for start in _starts(scaled):
        theta, value, hessian, decrement = _newton(along, start)
        if decrement < _CONVERGED:
            covariance = np.asarray(np.linalg.inv(-hessian), dtype=np.float64)
            # A surface that rises without end looks flat far out: it passes the gradient test, but fixes nothing.
            if covariance[1, 1] < _LOOSE**2:
                break
    else:
        raise NotEnoughData(
            f"the {distribution} fit to {failures} failures among {units:,} units did not converge: the records do "
            "not fix both its parameters; use the Kaplan-Meier curve, or a known shape (weibayes)."
        )
    exact = int(sample.count[sample.lower == sample.upper].sum())
    return LifeFit(
        distribution=distribution,
        mu=float(theta[0]) + math.log(unit),
        sigma=math.exp(theta[1]),
        covariance=covariance,
        log_likelihood=value - exact * math.log(unit),
        units=units,
        failures=failures,
        sample=sample,
    )
