"""Weak priors, as a penalty on the log-likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.models.likelihood import TINY, Layout


@dataclass(frozen=True, slots=True)
class LifePriors:
    """What is held of a component's life before its records: the fields of `Priors` by these names; None for nothing. part: the one part
    meant, where its siblings lent to it (``lenders``, by name); else blank."""

    component: str
    shape: tuple[float, float] | None
    power: tuple[float, float] | None
    weight: tuple[float, float] | None
    part: str = ""
    lenders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Priors:
    """Normal priors (mean, sd) as a penalty on the log-likelihood; None leaves a term out.

    shape: log beta. power: log of -b1, which forces its sign: nine times in ten between 0.6 and 11, from a seal that hardly follows
    power to a shaft. A prior at S-N exponents (median 5, sd 0.6) made parts that follow power less look weaker than they are: in
    invented shops two right limits in five were called too high at some quarter in six years, instead of one in twelve. weight: b of the weight.
    others: one (mean, sd) per further column of b, that of the weight among them, as `joint_model` fills them in.
    use: further uses against the first. rate: log miles per day, mean over uses; rate_between: uses about
    that mean. spread: log tau. decline, level, slope, share: see `Layout` (share on the logit scale).
    slope: at 1 a driver who runs 1.6 times the usual miles is some three times as likely to be read. A standard deviation of 1 let a few
    early failures halve the miles of all that were never read, where who is read said nothing: in 24 invented shops with right limits
    the estimates leaned down by a tenth. At 0.5, trucks read by a slope of 1 held .95 to .98 of bounds, as at 1 (40 fleets a cell).
    pooled: whether parts of a component lend each other shape and effects. lenders: those that lent to these, by name. own: of the components, and parts, that have their own.
    """

    shape: tuple[float, float] | None = (float(np.log(2.0)), 0.5)
    power: tuple[float, float] | None = (float(np.log(2.5)), 0.9)
    weight: tuple[float, float] | None = (-2.0, 2.5)
    others: tuple[tuple[float, float] | None, ...] = ()
    rate: tuple[float, float] | None = (float(np.log(30.0)), 1.0)
    rate_between: float | None = 0.5
    spread: tuple[float, float] | None = (float(np.log(0.6)), 0.5)
    decline: tuple[float, float] | None = (float(np.log(0.8)), 0.4)
    level: tuple[float, float] | None = (0.0, 3.0)
    slope: tuple[float, float] | None = (0.0, 0.5)
    share: tuple[float, float] | None = (float(np.log(0.8 / 0.2)), 0.6)
    pooled: bool = True
    lenders: tuple[str, ...] = ()
    own: tuple[LifePriors, ...] = ()


NO_PRIORS = Priors(
    shape=None,
    power=None,
    weight=None,
    rate=None,
    rate_between=None,
    spread=None,
    decline=None,
    level=None,
    slope=None,
    share=None,
)


def penalty(
    theta: np.ndarray, layout: Layout, priors: Priors, constrained: bool = False, moved: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log of the ``priors`` (B,), gradient (B, p), Hessian (B, p, p) at theta (B, p) of a ``layout``; up to a constant.
    The power is the first covariate. constrained: gamma lacks the intercept. moved: (B, 2 + others), see `drawn_middles`."""
    theta = np.atleast_2d(theta)
    batch, size = theta.shape
    value, grad, hess = np.zeros(batch), np.zeros((batch, size)), np.zeros((batch, size, size))
    sums = value, grad, hess
    g0 = layout.gamma.start + (0 if constrained else 1)
    by = np.zeros((1, 2 + len(priors.others))) if moved is None else moved
    if priors.power is not None and layout.gamma.stop > g0:
        _on_power(theta, g0, priors.power[0] + by[:, 1], priors.power[1], sums)
    if of := [(g0 + 1 + j, p[0] + by[:, 2 + j], p[1]) for j, p in enumerate(priors.others) if p is not None]:
        _on_others(theta, of, sums)
    if layout.uses:
        _between_uses(theta, layout, priors, value, grad, hess)
    places = {"shape": 0, "spread": layout.tau if layout.uses else None}
    places |= {name: layout.place(name) for name in ("decline", "level", "slope", "share")}
    off = {"shape": by[:, 0]}
    alone = [
        (at, prior[0] + off.get(name, np.zeros(1)), prior[1])
        for name, at in places.items()
        if at is not None and (prior := getattr(priors, name))
    ]
    if alone:
        _on_each(theta, alone, sums)
    return sums


def drawn_middles(theta: np.ndarray, layout: Layout, priors: Priors, rngs: Sequence[np.random.Generator]) -> np.ndarray:
    """How far the middles of the ``priors`` on log beta, on the power and on each further column move, (fleets, 2 + others), where each is drawn about what is true at theta
    (p,) of the ``layout``, by one of the ``rngs`` a fleet. A prior weighs as one more record does: in simulated fleets it falls anew as they do. Held still it would stand
    against the truth they are drawn from in each of them, wherever that lies far from it."""
    beta, gamma = float(np.exp(theta[0])), theta[layout.gamma]
    true = [theta[0], np.log(max(-gamma[1], TINY) / beta), *(gamma[2:] / beta)]
    held = [priors.shape, priors.power, *priors.others]
    z = np.array([rng.standard_normal(len(held)) for rng in rngs])
    moves = [
        np.zeros(len(z)) if p is None else t + p[1] * z[:, j] - p[0]
        for j, (t, p) in enumerate(zip(true, held, strict=True))
    ]
    return np.column_stack(moves)


_Sums = tuple[np.ndarray, np.ndarray, np.ndarray]
_Prior = tuple[int, np.ndarray, float]


def _on_power(theta: np.ndarray, at: int, mean: np.ndarray, sd: float, sums: _Sums) -> None:
    """Adds the prior on the log of -b1, the power's gamma at ``at``."""
    value, grad, hess = sums
    g = theta[:, at]
    r = (np.log(np.maximum(-g, TINY)) - theta[:, 0] - mean) / sd**2
    value += np.where(g < 0, -0.5 * r * r * sd**2, -np.inf)
    grad[:, at] -= r / g
    grad[:, 0] += r
    hess[:, at, at] += -1 / (sd * g) ** 2 + r / g**2
    hess[:, 0, 0] -= 1 / sd**2
    hess[:, at, 0] += 1 / (g * sd**2)
    hess[:, 0, at] += 1 / (g * sd**2)


def _on_others(theta: np.ndarray, of: list[_Prior], sums: _Sums) -> None:
    """Adds the priors on the b of further columns, gamma over beta."""
    (value, grad, hess), (at, means, precision) = sums, _apart(of)
    inv = np.exp(-theta[:, :1])
    b = theta[:, at] * inv
    r = (b - means) * precision
    value -= 0.5 * (r * (b - means)).sum(1)
    grad[:, at] -= r * inv
    grad[:, 0] += (r * b).sum(1)
    hess[:, at, at] -= inv**2 * precision
    cross = (b * precision + r) * inv
    hess[:, at, 0] += cross
    hess[:, 0, at] += cross
    hess[:, 0, 0] -= (b * b * precision + r * b).sum(1)


def _on_each(theta: np.ndarray, of: list[_Prior], sums: _Sums) -> None:
    """Adds the priors on single parameters."""
    (value, grad, hess), (at, means, precision) = sums, _apart(of)
    gap = theta[:, at] - means
    value -= 0.5 * (gap * gap * precision).sum(1)
    grad[:, at] -= gap * precision
    hess[:, at, at] -= precision


def _apart(of: list[_Prior]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, means (B or 1, priors) and precisions of priors (place, mean, sd)."""
    means = np.column_stack(np.broadcast_arrays(*(mean for _, mean, _ in of)))
    return np.array([k for k, *_ in of]), means, np.array([sd for *_, sd in of]) ** -2.0


def _between_uses(
    theta: np.ndarray, layout: Layout, priors: Priors, value: np.ndarray, grad: np.ndarray, hess: np.ndarray
) -> None:
    """Adds the priors on the miles a day of the uses: their mean, and each about it."""
    mu, k = theta[:, layout.mu], layout.uses
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
