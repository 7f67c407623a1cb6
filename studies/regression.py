"""Regression of known lives on covariates by maximum likelihood, without priors: what the likelihood of the ratings and its climb give
where others have printed the answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analytics.errors import AnalyticsError
from analytics.models.distributions import DISTRIBUTIONS, standard_quantile, survival_of
from analytics.models.likelihood import Layout
from analytics.models.newton import maximise
from analytics.models.priors import NO_PRIORS
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.models.rows import Block, Points, Rows


@dataclass(frozen=True, slots=True, repr=False)
class RegressionFit:
    """A fitted life regression: log T = intercept + columns b + sigma e.

    coef: (1 + q,) intercept first; sigma = 1/beta; covariance: (q + 2, q + 2) of (coef, log sigma); loglik
    uses the density of T and drops no constant (and leaves the priors out). ``iterations``: steps it took.
    """

    distribution: str
    names: tuple[str, ...]
    coef: np.ndarray
    sigma: float
    covariance: np.ndarray
    loglik: float
    failures: float
    rows: int
    converged: bool
    iterations: int

    def __repr__(self) -> str:
        terms = ", ".join(f"{n} {b:.4g}" for n, b in zip(self.names, self.coef, strict=True))
        state = "" if self.converged else ", NOT CONVERGED"
        return f"RegressionFit({self.distribution}: {terms}, sigma {self.sigma:.4g}, loglik {self.loglik:.4f}{state})"

    def z_at(self, time: float, x: np.ndarray) -> tuple[float, float]:
        """z = (log time - mu)/sigma at covariates x (q,), and its standard error."""
        x = np.concatenate([[1.0], np.atleast_1d(np.asarray(x, float))])
        z = (np.log(time) - x @ self.coef) / self.sigma
        g = np.concatenate([-x / self.sigma, [-z]])
        return float(z), float(np.sqrt(g @ self.covariance @ g))

    def reliability(self, time: float, x: np.ndarray, level: float = 0.95) -> tuple[float, float, float]:
        """Survival at ``time``: estimate and two-sided Wald limits taken on z."""
        z, se = self.z_at(time, x)
        k = ndtri(0.5 + level / 2)
        best, low, high = (float(survival_of(np.array(q), self.distribution)) for q in (z, z + k * se, z - k * se))
        return best, low, high

    def quantile(self, fraction: float, x: np.ndarray, level: float = 0.95) -> tuple[float, float, float]:
        """Life by which ``fraction`` has failed: estimate and Wald limits taken on the log."""
        x = np.concatenate([[1.0], np.atleast_1d(np.asarray(x, float))])
        q = standard_quantile(1 - fraction, self.distribution)
        log_t = x @ self.coef + self.sigma * q
        g = np.concatenate([x, [self.sigma * q]])
        half = ndtri(0.5 + level / 2) * np.sqrt(g @ self.covariance @ g)
        return float(np.exp(log_t)), float(np.exp(log_t - half)), float(np.exp(log_t + half))


def known_rows(lower, upper, columns, entry=None, weights=None, scale: float = 1.0) -> Rows:
    """Rows from known lives: lower == upper failed then; upper inf running; otherwise failed between (lower 0: before)."""
    lower, upper = np.asarray(lower, float), np.asarray(upper, float)
    n = len(lower)
    x = np.asarray(columns, float).reshape(n, -1)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    entry = np.zeros(n) if entry is None else np.asarray(entry, float)
    bad = np.flatnonzero(
        ~(lower >= 0) | ~(upper >= lower) | ~(upper > 0) | ~(entry >= 0) | ~(entry <= lower) | ~(w >= 0)
    )
    if len(bad):
        i = bad[0]
        raise AnalyticsError(
            f"row {i}: entry {entry[i]:g}, lower {lower[i]:g}, upper {upper[i]:g}, weight {w[i]:g} is not a life; "
            "need 0 <= entry <= lower <= upper, upper above 0, weight not negative"
        )
    blocks = []
    exact, right = lower == upper, np.isinf(upper)

    def take(mask, kind, first, second=None):
        if mask.any():
            at = Points(np.log(first[mask] / scale)[None])
            other = Points(np.log(second[mask] / scale)[None]) if second is not None else None
            blocks.append(Block(kind, x[mask][None], w[mask][None], at, other))

    take(exact, "exact", lower)
    take(right & (lower > 0), "running", lower)
    between = ~exact & ~right
    take(between & (lower > 0), "interval", lower, upper)
    take(between & (lower <= 0), "left", upper)
    take(entry > 0, "entry", entry)
    constant = -(w[exact] * np.log(lower[exact])).sum()
    return Rows(tuple(blocks), None, x.shape[1], 0, np.array([w[~right].sum()]), np.array([constant]))


def fit_regression(
    lower: np.ndarray,
    upper: np.ndarray,
    covariates: np.ndarray | None = None,
    names: tuple[str, ...] = (),
    distribution: str = "weibull",
    entry: np.ndarray | None = None,
    weights: np.ndarray | None = None,
) -> RegressionFit:
    """Maximum likelihood on known lives, no priors. covariates: (n, q) or None. Raises AnalyticsError on
    fewer than
    two failures, on columns that cannot be told apart, and on rows that are no lives."""
    lower, upper = np.asarray(lower, float), np.asarray(upper, float)
    n = len(lower)
    if distribution not in DISTRIBUTIONS:
        raise AnalyticsError(f"distribution {distribution!r} is not known; use one of {', '.join(DISTRIBUTIONS)}")
    cov = np.zeros((n, 0)) if covariates is None else np.asarray(covariates, float).reshape(n, -1)
    q = cov.shape[1]
    names = names or tuple(f"column {j + 1}" for j in range(q))
    failed = np.isfinite(upper)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    if w[failed].sum() < 2 or (failed & (w > 0)).sum() < 1:
        raise AnalyticsError(f"{w[failed].sum():g} failures in {n} rows: a lifetime distribution needs at least 2")
    centre = cov[failed].mean(0) if q else np.zeros(0)
    spread = cov.std(0) if q else np.zeros(0)
    for j in np.flatnonzero(spread <= 1e-12 * np.maximum(np.abs(centre), 1)):
        raise AnalyticsError(f"{names[j]} is the same in all {n} rows: leave it out")
    x = np.column_stack([np.ones(n), (cov - centre) / spread]) if q else np.ones((n, 1))
    if np.linalg.matrix_rank(x) < q + 1:
        raise AnalyticsError(f"the columns {', '.join(names)} cannot be told apart: leave one out")
    mid = np.where(
        np.isfinite(upper), np.where(lower > 0, np.sqrt(np.maximum(lower, 1e-300) * upper), upper / 2), np.nan
    )
    scale = float(np.exp(np.average(np.log(mid[failed]), weights=w[failed])))
    rows = known_rows(lower, upper, x, entry, weights, scale)
    layout = Layout(q + 1)
    # start from one shape at which expected failures equal those seen
    z = np.log(np.where(failed, np.nan_to_num(mid, nan=1.0), np.maximum(lower, 1e-300)) / scale)
    start = np.zeros(q + 2)
    start[1] = np.log((w * np.exp(z)).sum() / w[failed].sum()) if distribution == "weibull" else 0.0
    fun = objective(rows, layout, distribution, NO_PRIORS, rate_nodes(1.0))
    limits = np.full(q + 2, 8.0)
    limits[0] = 1.0
    top = maximise(fun, start, limits=limits, tolerance=1e-16, rounds=100)
    theta, value = top.theta[0], float(top.value[0])
    decrement = float(top.decrement[0])
    # where the likelihood rises for ever, steps shrink too: its curvature there has all but vanished
    converged = bool(decrement < 1e-8 and np.linalg.eigvalsh(-top.hess[0])[0] > 1e-5 * w[failed].sum())
    _v, beta = theta[0], np.exp(theta[0])
    # from (v, gamma scaled and centred) to (intercept, b raw, log sigma)
    b = theta[1:] / beta
    raw = b.copy()
    raw[1:] = b[1:] / spread
    raw[0] = np.log(scale) + b[0] - raw[1:] @ centre
    jac = np.zeros((q + 2, q + 2))
    jac[:-1, 1:] = np.eye(q + 1) / beta
    jac[:-1, 0] = -b
    shape = np.eye(q + 2)
    for k in range(q):
        shape[1 + k, 1 + k] = 1 / spread[k]
        shape[0, 1 + k] = -centre[k] / spread[k]
    jac[-1, 0] = -1
    covariance = np.full((q + 2, q + 2), np.nan)
    if converged:
        m = shape @ jac
        covariance = m @ np.linalg.inv(-top.hess[0]) @ m.T
    return RegressionFit(
        distribution,
        ("intercept", *names),
        raw,
        float(1 / beta),
        covariance,
        value,
        float(w[failed].sum()),
        n,
        converged,
        top.iterations,
    )
