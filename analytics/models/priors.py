"""Weak priors, as a penalty on the log-likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analytics.models.likelihood import TINY, Layout

#: what follows gamma in theta: the miles a day of each use, then these
USE, SPREAD = "use ", "spread"
_ALONE = (SPREAD, "decline", "level", "slope", "share")


def driving_names(layout: Layout, uses: Sequence[str]) -> tuple[str, ...]:
    """Names of all that follows gamma in theta of a ``layout``, in that order: driving, who gets read, what is reported. uses: of the data, by name."""
    driven = (*(USE + name for name in uses), SPREAD) if layout.uses else ()
    return (*driven, *(name for name in _ALONE[1:] if layout.place(name) is not None))


@dataclass(frozen=True, slots=True)
class DrivingPrior:
    """A normal prior on what follows gamma in theta: `driving_names`, their means, and the covariance by rows."""

    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    @classmethod
    def usual(cls, names: Sequence[str], priors: Priors) -> DrivingPrior | None:
        """The ``priors`` of such ``names`` as one; None where one of them is switched off."""
        use = np.array([name.startswith(USE) for name in names], bool)
        alone = {name: getattr(priors, name) for name in names if not name.startswith(USE)}
        if None in alone.values() or (use.any() and (priors.rate is None or priors.rate_between is None)):
            return None
        mean, spread = np.array([alone.get(name, priors.rate) for name in names]).reshape(-1, 2).T
        covariance = np.diag(np.where(use, 0.0, spread**2))
        if use.any() and priors.rate is not None and priors.rate_between is not None:
            k = use.sum()
            covariance[np.ix_(use, use)] = priors.rate[1] ** 2 + priors.rate_between**2 * (np.eye(k) - 1 / k)
        return cls.of(names, mean, covariance)

    @classmethod
    def of(cls, names: Sequence[str], mean: np.ndarray, covariance: np.ndarray) -> DrivingPrior:
        """From arrays (k,) and (k, k)."""
        return cls(tuple(names), tuple(mean.tolist()), tuple(map(tuple, covariance.tolist())))

    def within(self, usual: DrivingPrior) -> DrivingPrior:
        """This prior for the names of the ``usual`` one, which stands for those it does not know."""
        mean, covariance = np.array(usual.mean), np.array(usual.covariance)
        to = [i for i, name in enumerate(usual.names) if name in self.names]
        at = [self.names.index(usual.names[i]) for i in to]
        mean[to] = np.array(self.mean)[at]
        covariance[to, :] = 0.0
        covariance[:, to] = 0.0
        covariance[np.ix_(to, to)] = np.array(self.covariance)[np.ix_(at, at)]
        return self.of(usual.names, mean, covariance)

    def fixed(self, name: str, mean: float, spread: float) -> DrivingPrior:
        """This prior with one name's own, ``mean`` and standard deviation; as it is where it has no such name."""
        if name not in self.names:
            return self
        one = DrivingPrior((name,), (mean,), ((spread**2,),))
        return one.within(self)

    def of_one(self, name: str) -> tuple[float, float] | None:
        """Mean and standard deviation of one of the names; None where it is not among them."""
        if name not in self.names:
            return None
        at = self.names.index(name)
        return self.mean[at], float(np.sqrt(self.covariance[at][at]))


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
    driving: DrivingPrior | None = None


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
    pooled: whether parts of a component lend each other shape, effects and driving. lenders: those that lent to these, by name. own: of the components, and parts, that have their own.
    driving: in place of rate, rate_between, spread, decline, level, slope and share, where siblings lent it; in a model, for just what follows gamma in its theta.
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
    driving: DrivingPrior | None = None

    def lent_for(self, layout: Layout, uses: Sequence[str], alike: bool) -> Priors:
        """These, with what siblings lent of driving for just what follows gamma in theta of a ``layout``, if they lent. uses: of the data, by name. alike: its
        odometers were written down by a rule, so that `spread` holds as it stands."""
        names = driving_names(layout, uses)
        usual = DrivingPrior.usual(names, self) if self.driving is not None and names else None
        if self.driving is None or usual is None:
            return replace(self, driving=None)
        lent = self.driving.within(usual)
        return replace(self, driving=lent.fixed(SPREAD, *self.spread) if alike and self.spread else lent)


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
    The power is the first covariate. constrained: gamma lacks the intercept. moved: (B, 2 + others + lent), see `drawn_middles`."""
    theta = np.atleast_2d(theta)
    batch, size = theta.shape
    value, grad, hess = np.zeros(batch), np.zeros((batch, size)), np.zeros((batch, size, size))
    sums = value, grad, hess
    g0 = layout.gamma.start + (0 if constrained else 1)
    lent = 2 + len(priors.others)
    by = np.zeros((1, lent + len(_lent(priors)))) if moved is None else moved
    if priors.power is not None and layout.gamma.stop > g0:
        _on_power(theta, g0, priors.power[0] + by[:, 1], priors.power[1], sums)
    if of := [(g0 + 1 + j, p[0] + by[:, 2 + j], p[1]) for j, p in enumerate(priors.others) if p is not None]:
        _on_others(theta, of, sums)
    places: dict[str, int | None] = {"shape": 0}
    if priors.driving is not None:
        _on_driving(theta, layout.gamma.stop, priors.driving, by[:, lent:], sums)
    else:
        if layout.uses:
            _between_uses(theta, layout, priors, value, grad, hess)
        places |= {SPREAD: layout.tau if layout.uses else None, **{name: layout.place(name) for name in _ALONE[1:]}}
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
    """How far the middles of the ``priors`` on log beta, on the power, on each further column and on what siblings lent of driving move, (fleets, 2 + others + lent), where each is drawn about what is true at theta
    (p,) of the ``layout``, by one of the ``rngs`` a fleet. A prior weighs as one more record does: in simulated fleets it falls anew as they do. Held still it would stand
    against the truth they are drawn from in each of them, wherever that lies far from it."""
    beta, gamma = float(np.exp(theta[0])), theta[layout.gamma]
    true = [theta[0], np.log(max(-gamma[1], TINY) / beta), *(gamma[2:] / beta)]
    held = [priors.shape, priors.power, *priors.others]
    z = np.array([rng.standard_normal(len(held) + len(_lent(priors))) for rng in rngs])
    moves = [
        np.zeros(len(z)) if p is None else t + p[1] * z[:, j] - p[0]
        for j, (t, p) in enumerate(zip(true, held, strict=True))
    ]
    if priors.driving is not None:
        by = z[:, len(held) :] @ np.linalg.cholesky(np.array(priors.driving.covariance)).T
        moves += [*(theta[layout.gamma.stop :] - np.array(priors.driving.mean) + by).T]
    return np.column_stack(moves)


def _lent(priors: Priors) -> tuple[str, ...]:
    return () if priors.driving is None else priors.driving.names


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


def _on_driving(theta: np.ndarray, first: int, prior: DrivingPrior, by: np.ndarray, sums: _Sums) -> None:
    """Adds the ``prior`` on all of theta from the place ``first`` on."""
    value, grad, hess = sums
    precision = np.linalg.inv(np.array(prior.covariance))
    gap = theta[:, first:] - np.array(prior.mean) - by
    pull = gap @ precision
    value -= 0.5 * (pull * gap).sum(1)
    grad[:, first:] -= pull
    hess[:, first:, first:] -= precision


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
