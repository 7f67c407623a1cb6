"""What the records leave open: draws from the posterior of a fit, and a quantile of the rating under it."""

from __future__ import annotations

import numpy as np
from scipy.special import gammaincinv, ndtri

from analytics.errors import AnalyticsError
from analytics.models.joint import JointModel, log_power_at
from analytics.models.likelihood import log_likelihood
from analytics.models.newton import Optimum
from analytics.models.priors import penalty


def posterior_draws(model: JointModel, top: Optimum, draws: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """theta (draws, p) free, and their weights (draws,) summing to 1; the same for the same ``seed``. model, top: of
    `fit_joint`.

    Importance sampling with scrambled Sobol points through a t with 6 degrees of freedom at the mode, covariance x 1.1
    (Kloek and van Dijk, Econometrica 46 (1978) 1-19), in (log beta, gamma_0, log m, b), m = -b1, flat but for the
    priors. Raises AnalyticsError where the slope in power is not below 0.
    """
    from scipy.stats import qmc

    lay, theta = model.layout, top.theta[0]
    p, beta = lay.size, np.exp(theta[0])
    slope = lay.gamma.start + 1
    if not theta[slope] < 0:
        raise AnalyticsError(f"the fitted slope in power is {theta[slope]:g}: draws need it below 0; keep its prior")
    others = np.arange(slope + 1, lay.gamma.stop)
    jac = np.eye(p)
    jac[slope, 0] = jac[slope, slope] = theta[slope]
    jac[others, 0] = theta[others]
    jac[others, others] = beta
    curve, vectors = np.linalg.eigh(jac.T @ (-0.5 * (top.hess[0] + top.hess[0].T)) @ jac)
    # the sign of an eigenvector is arbitrary: left to the library at hand, another machine would give other draws
    vectors = vectors * np.where(vectors[np.abs(vectors).argmax(0), np.arange(p)] < 0, -1.0, 1.0)
    root = vectors / np.sqrt(np.maximum(curve, 1e-8 * curve.max())) * np.sqrt(1.1)
    points = np.clip(qmc.Sobol(p + 1, scramble=True, rng=np.random.default_rng(seed)).random(draws), 1e-9, 1 - 1e-9)
    t = ndtri(points[:, :p]) / np.sqrt(2 * gammaincinv(3.0, points[:, p:]) / 6.0)
    mode = theta.copy()
    mode[slope] = np.log(-theta[slope]) - theta[0]
    mode[others] = theta[others] / beta
    out = mode + t @ root.T
    out[:, 0] = np.clip(out[:, 0], -20, 20)
    out[:, slope] = -np.exp(np.clip(out[:, slope] + out[:, 0], -50, 50))
    out[:, others] *= np.exp(out[:, :1])
    log_w = 0.5 * (6 + p) * np.log1p((t**2).sum(1) / 6)
    log_w += log_likelihood(out, model.rows, lay, model.distribution, model.nodes, 0)[0]
    log_w += penalty(out, lay, model.priors)[0]
    log_w = np.where(np.isfinite(log_w), log_w, -np.inf)
    weight = np.exp(log_w - log_w.max())
    # a few draws far out in a long tail must not decide alone (truncated: Ionides, J. Comput. Graph. Statist. 17 (2008) 295-311)
    weight = np.minimum(weight, weight.mean() * np.sqrt(draws))
    return out, weight / weight.sum()


def posterior_quantile(
    model: JointModel, drawn: tuple[np.ndarray, np.ndarray], z: float, log_weight: float, use: int, confidence: float
) -> tuple[float, float]:
    """Log power that the true rating exceeds with probability ``confidence`` under the same priors, and the effective
    number of draws. model, z, log_weight, use: as for `log_power_at`; drawn: by `posterior_draws`."""
    theta, weight = drawn
    ratings = log_power_at(model, theta, z, log_weight, use)
    order = np.argsort(ratings)
    below = np.cumsum(weight[order]) - 0.5 * weight[order]
    return float(np.interp(1 - confidence, below, ratings[order])), float(1 / (weight**2).sum())
