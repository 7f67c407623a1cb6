"""Regression of known lives on covariates by maximum likelihood: the readings of a fit that only the studies ask for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analytics.errors import AnalyticsError
from analytics.models import regression
from analytics.models.distributions import standard_quantile, survival_of
from analytics.reasons import Unfitted


@dataclass(frozen=True, slots=True, repr=False)
class RegressionFit:
    """A fitted life regression: log T = intercept + columns b + sigma e.

    coef: (1 + q,) intercept first; sigma = 1/beta; covariance: (q + 2, q + 2) of (coef, log sigma); loglik
    uses the density of T and drops no constant.
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


def fit_regression(
    lower: np.ndarray,
    upper: np.ndarray,
    covariates: np.ndarray | None = None,
    names: tuple[str, ...] = (),
    distribution: str = "weibull",
    entry: np.ndarray | None = None,
    weights: np.ndarray | None = None,
) -> RegressionFit:
    """`analytics.models.regression.fit_regression` of one set of weights, to be read in every way; the columns by ``names``. Raises AnalyticsError too on fewer
    than two failures."""
    fits = regression.fit_regression(lower, upper, covariates, distribution, entry, weights)
    rows, terms = len(np.asarray(lower)), fits.coef.shape[1]
    if fits.why[0] is Unfitted.FEW_FAILURES:
        raise AnalyticsError(f"{fits.failures[0]:g} failures in {rows} rows: a lifetime distribution needs at least 2")
    return RegressionFit(
        distribution=distribution,
        names=("intercept", *(names or tuple(f"column {j}" for j in range(1, terms)))),
        coef=fits.coef[0],
        sigma=float(fits.sigma[0]),
        covariance=fits.covariance[0],
        loglik=float(fits.log_likelihood[0]),
        failures=float(fits.failures[0]),
        rows=rows,
        converged=fits.why[0] is None,
    )
