"""One life distribution for one group: Weibull or log-normal, from exact, running, inspected and late-entered
units.

log T = mu + sigma e, with e smallest-extreme-value (Weibull: eta = exp(mu), beta = 1/sigma) or standard
normal. The likelihood is climbed with its own derivatives, which show that the end is a maximum and give the limits.

Source: Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapters 7, 8 and 11.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from analytics.errors import AnalyticsError, NotEnoughData, number
from analytics.models.distributions import survival_of
from analytics.models.exact import Limits
from analytics.models.newton import maximise
from analytics.models.nonparametric import Floats, Ints, SurvivalCurve, check_column, check_count, check_entry
from analytics.models.regression import fit_regression, known_lives
from analytics.reasons import brief

Distribution = Literal["weibull", "lognormal"]

MIN_FAILURES = 5
# Newton decrement: twice the log-likelihood still to be gained.
_CONVERGED = 1e-12
# A standard error of log sigma beyond this (a factor of 400 either way) says the shape is not known at all.
_LOOSE = 3.0
# Profile limits are sought this far from the estimate, in standard errors.
_FAR = 60.0


def _standard_survival(z: ArrayLike, distribution: str) -> Floats:
    with np.errstate(over="ignore", invalid="ignore"):
        return survival_of(np.asarray(z, dtype=float), distribution)


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """Distinct rows in order: neither order nor repetition of rows can move a digit. Shape (n,)."""

    lower: Floats
    upper: Floats
    entry: Floats
    count: Ints

    def log_likelihood(self, mu: float, log_sigma: float, distribution: str) -> tuple[float, Floats, Floats]:
        """Log-likelihood of (mu, log sigma) with gradient (2,) and Hessian (2, 2); no constant dropped."""
        lives = known_lives(self.lower, self.upper, np.empty((0, len(self.lower))), self.entry, distribution)
        theta = np.array([[-1.0, mu]]) * math.exp(-log_sigma)
        value, grad, hess = lives.weigh(self.count[None].astype(float))(theta, np.zeros(1, dtype=int))
        turn = np.array([[0.0, -theta[0, 0]], [-theta[0, 0], -theta[0, 1]]])  # theta = (-1, mu) exp(-log_sigma)
        gradient = turn.T @ grad[0]
        bend = np.array([[0.0, gradient[0]], [gradient[0], gradient[1]]])
        return (float(value[0]) if math.isfinite(value[0]) else -math.inf), gradient, turn.T @ hess[0] @ turn - bend


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

        def along(u: Floats, which: Ints) -> tuple[Floats, Floats, Floats]:
            theta, first, second = path(float(u[0, 0]))
            value, gradient, hessian = self.sample.log_likelihood(theta[0], theta[1], self.distribution)
            bend = first @ hessian @ first + gradient @ second
            return np.array([value]), np.array([[gradient @ first]]), np.array([[[bend]]])

        # Should the climb from the neighbouring point fail, look around it.
        for shift in (0.0, 0.5, -0.5, 1.0, -1.0, 2.0, -2.0, 4.0, -4.0):
            top = maximise(along, np.array([start + shift]), limits=np.ones(1), tolerance=_CONVERGED)
            if top.converged[0]:
                return float(top.value[0]), float(top.theta[0, 0])
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
    sample = _collapse(low[keep], high[keep], entries[keep], counts[keep])
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
    top = fit_regression(sample.lower, sample.upper, None, distribution, sample.entry, sample.count)
    covariance = top.covariance[0]
    # A surface that rises without end looks flat far out: it passes the gradient test, but fixes nothing.
    if top.why[0] is not None or covariance[1, 1] >= _LOOSE**2:
        raise NotEnoughData(
            f"the {distribution} fit to {failures} failures among {units:,} units did not converge: the records do "
            "not fix both its parameters; use the Kaplan-Meier curve, or a known shape (weibayes)."
        )
    return LifeFit(
        distribution=distribution,
        mu=float(top.coef[0, 0]),
        sigma=float(top.sigma[0]),
        covariance=covariance,
        log_likelihood=float(top.log_likelihood[0]),
        units=units,
        failures=failures,
        sample=sample,
    )
