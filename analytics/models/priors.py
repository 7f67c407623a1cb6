"""Weak priors, as a penalty on the log-likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.models.likelihood import TINY, Layout


@dataclass(frozen=True, slots=True)
class Priors:
    """Normal priors (mean, sd) as a penalty on the log-likelihood; None leaves a term out.

    shape: log beta. power: log of -b1, which forces its sign: nine times in ten between 0.6 and 11, from a seal that hardly follows
    power to a shaft. A prior at S-N exponents (median 5, sd 0.6) made parts that follow power less look weaker than they are: in
    invented shops two right limits in five were called too high at some quarter in six years, instead of one in twelve. others: one (mean, sd) per further column of b.
    use: further uses against the first. rate: log miles per day, mean over uses; rate_between: uses about
    that mean. spread: log tau. decline, level, slope, share: see `Layout` (share on the logit scale).
    """

    shape: tuple[float, float] | None = (float(np.log(2.0)), 0.5)
    power: tuple[float, float] | None = (float(np.log(2.5)), 0.9)
    others: tuple[tuple[float, float] | None, ...] = ()
    rate: tuple[float, float] | None = (float(np.log(30.0)), 1.0)
    rate_between: float | None = 0.5
    spread: tuple[float, float] | None = (float(np.log(0.6)), 0.5)
    decline: tuple[float, float] | None = (float(np.log(0.8)), 0.4)
    level: tuple[float, float] | None = (0.0, 3.0)
    slope: tuple[float, float] | None = (0.0, 1.0)
    share: tuple[float, float] | None = (float(np.log(0.8 / 0.2)), 0.6)


NO_PRIORS = Priors(
    shape=None, power=None, rate=None, rate_between=None, spread=None, decline=None, level=None, slope=None, share=None
)


def penalty(
    theta: np.ndarray, layout: Layout, priors: Priors, constrained: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log prior (B,), gradient (B, p), Hessian (B, p, p); up to a constant. The power is the first covariate."""
    theta = np.atleast_2d(theta)
    batch, size = theta.shape
    value, grad, hess = np.zeros(batch), np.zeros((batch, size)), np.zeros((batch, size, size))

    def normal(at: int, prior) -> None:
        mean, sd = prior
        r = (theta[:, at] - mean) / sd
        value[:] += -0.5 * r * r
        grad[:, at] -= r / sd
        hess[:, at, at] -= 1 / sd**2

    if priors.shape is not None:
        normal(0, priors.shape)
    g0 = layout.gamma.start + (0 if constrained else 1)
    inv = np.exp(-theta[:, 0])
    if priors.power is not None and layout.gamma.stop > g0:
        mean, sd = priors.power
        g = theta[:, g0]
        r = (np.log(np.maximum(-g, TINY)) - theta[:, 0] - mean) / sd**2
        value += np.where(g < 0, -0.5 * r * r * sd**2, -np.inf)
        grad[:, g0] -= r / g
        grad[:, 0] += r
        hess[:, g0, g0] += -1 / (sd * g) ** 2 + r / g**2
        hess[:, 0, 0] -= 1 / sd**2
        hess[:, g0, 0] += 1 / (g * sd**2)
        hess[:, 0, g0] += 1 / (g * sd**2)
    for j, prior in enumerate(priors.others):
        if prior is None:
            continue
        at = g0 + 1 + j
        mean, sd = prior
        b = theta[:, at] * inv
        r = (b - mean) / sd**2
        value -= 0.5 * r * (b - mean)
        grad[:, at] -= r * inv
        grad[:, 0] += r * b
        hess[:, at, at] -= inv**2 / sd**2
        cross = b * inv / sd**2 + r * inv
        hess[:, at, 0] += cross
        hess[:, 0, at] += cross
        hess[:, 0, 0] -= b * b / sd**2 + r * b
    if layout.uses:
        mu = theta[:, layout.mu]
        k = layout.uses
        if priors.rate is not None:
            mean, sd = priors.rate
            r = (mu.mean(1) - mean) / sd**2
            value -= 0.5 * r * (mu.mean(1) - mean)
            grad[:, layout.mu] -= (r / k)[:, None]
            hess[:, layout.mu, layout.mu] -= 1 / (k * sd) ** 2
        if priors.rate_between is not None and k > 1:
            dev = mu - mu.mean(1, keepdims=True)
            prec = 1 / priors.rate_between**2
            value -= 0.5 * prec * (dev**2).sum(1)
            grad[:, layout.mu] -= prec * dev
            hess[:, layout.mu, layout.mu] -= prec * (np.eye(k) - 1 / k)
        if priors.spread is not None:
            normal(layout.tau, priors.spread)
    for name in ("decline", "level", "slope", "share"):
        at, prior = layout.place(name), getattr(priors, name)
        if at is not None and prior is not None:
            normal(at, prior)
    return value, grad, hess
