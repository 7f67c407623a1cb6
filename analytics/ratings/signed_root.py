"""The signed root of the likelihood ratio of a rating, calibrated by simulation: the bound under one life distribution.

With few failures log p is biased upward and the first-order bound too high, so the root is re-centred and re-scaled at it (a
Bartlett-like correction by parametric bootstrap; Lee and Young, Statistics & Probability Letters 71 (2005) 143-153, for the idea).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from analytics.models.distributions import standard_quantile
from analytics.models.joint import (
    SLAB,
    JointModel,
    constrained_layout,
    fit_at,
    free_theta,
    log_power_at,
    rating_constraint,
    simulate,
    step_limits,
)
from analytics.models.likelihood import Layout
from analytics.models.newton import Optimum, maximise
from analytics.models.posterior import posterior_draws, posterior_quantile
from analytics.models.priors import drawn_middles
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.models.rows import stack
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings

NAN = float("nan")
FAR_BEHIND = 4.0  # log-likelihood by which a life distribution must lose to be left out altogether


@dataclass(frozen=True, slots=True, eq=False)
class FitRating:
    """One life distribution: log powers of the estimate, first-order, calibrated and posterior bounds; what made them.

    upper: the limit on the other side at the same confidence, calibrated as the bound is; NaN where only the bound was asked for.

    stopping: the same by what stops a truck alone, where damage that only a teardown shows counts beside it.
    tried: fleets simulated for the calibration; 0 where it was left out on purpose. fleets: those that could be fitted.
    """

    distribution: str
    estimate: float
    first_order: float
    calibrated: float
    upper: float
    opinion: float
    effective_draws: float
    root_mean: float
    root_sd: float
    tried: int
    fleets: int
    loglik: float
    theta: np.ndarray
    layout: Layout
    stopping: FitRating | None = None

    @property
    def share(self) -> float:
        """Reporting share at the best fit."""
        at = self.layout.place("share")
        return self.layout.fixed_share if at is None else float(1 / (1 + np.exp(-self.theta[at])))

    @property
    def slope(self) -> float:
        """Slope of being read on the log of miles a day."""
        at = self.layout.place("slope")
        return 0.0 if at is None else float(self.theta[at])

    @property
    def decline(self) -> float:
        """Log of the later over the earlier driving rate."""
        at = self.layout.place("decline")
        return self.layout.fixed_decline if at is None else float(self.theta[at])


class SignedRoot:
    """r(log p) of one fit, each constrained fit started from the nearest one already made. NaN, which rules no power out, where that did
    not converge."""

    def __init__(self, model: JointModel, top: Optimum, reliability: float, log_weight: float, use: int):
        self.model, self.top, self.rows = model, top, stack(model.rows, model.layout.uses)
        self.reliability, self.log_weight, self.use = reliability, log_weight, use
        z = standard_quantile(reliability, model.distribution)
        self.estimate = float(log_power_at(model, top.theta, z, log_weight, use)[0])
        self.fits: dict[float, tuple[Optimum, float]] = {}

    def constraint(self, log_power: float):
        return rating_constraint(self.model, log_power, self.reliability, self.log_weight, self.use)

    def __call__(self, log_power: float) -> float:
        if log_power not in self.fits:
            fit = fit_at(self.model, self.constraint(log_power), self._start(log_power), rows=self.rows)
            gap = 2 * max(float(self.top.value[0] - fit.value[0]), 0.0) if fit.converged[0] else NAN
            self.fits[log_power] = fit, float(np.sign(self.estimate - log_power) * np.sqrt(gap))
        return self.fits[log_power][1]

    def _start(self, log_power: float) -> np.ndarray:
        """Where the fit at ``log_power`` begins, (p - 1,): on the line through the two nearest fits known."""
        free = self.estimate, np.delete(self.top.theta[0], 1)
        known = [free, *((q, fit.theta[0]) for q, (fit, _) in self.fits.items())]
        (p, here), *others = sorted(known, key=lambda k: abs(k[0] - log_power))
        if not others or others[0][0] == p:
            return here
        start = here + (here - others[0][1]) * ((log_power - p) / (p - others[0][0]))
        # the first one stands for the power's slope, whose sign is held
        return start if start[1] < 0 or here[1] >= 0 else here

    def solve(self, target: float, guess: float | None = None, reach: float = 6.0) -> float:
        """log p at which r equals ``target``; r falls as p rises. -inf or inf when it is not reached within ``reach``."""
        if target == 0:
            return self.estimate
        side = np.sign(target)
        inside, outside = self.estimate, self._beyond(target, guess, reach)
        if outside is None:
            return -np.inf if side > 0 else np.inf
        for turn in range(60):
            near = min((inside, outside), key=lambda p: abs(self._known(p) - target))
            if abs(self._known(near) - target) < 1e-7 or abs(outside - inside) < 1e-10:
                return near
            p = self._interpolated(target)
            # where the curve is too crooked for that, halving comes home
            if turn % 4 == 3 or not min(inside, outside) < p < max(inside, outside):
                p = 0.5 * (inside + outside)
            if side * (self(p) - target) >= 0:
                outside = p
            else:
                inside = p
        return outside

    def _known(self, log_power: float) -> float:
        return 0.0 if log_power == self.estimate else self.fits[log_power][1]

    def _beyond(self, target: float, guess: float | None, reach: float) -> float | None:
        """A log p at which r has passed ``target``; None where there is none within ``reach``."""
        side, step = np.sign(target), abs(self.spread() * target)
        p = self.estimate - side * step if guess is None or guess == self.estimate else guess
        for _ in range(40):
            if side * (self(p) - target) >= 0:
                return p
            p -= side * max(step, 0.02)
            step *= 1.6
            if abs(p - self.estimate) > reach:
                return None
        return None

    def _interpolated(self, target: float) -> float:
        """log p at ``target`` on the polynomial in r through the estimate, with its slope there, and the three nearest fits (inverse
        interpolation by divided differences: Burden and Faires, Numerical Analysis, section 3.3, from memory)."""
        fits = sorted(
            ((r, p) for p, (_, r) in self.fits.items() if r != 0.0 and r == r), key=lambda k: abs(k[0] - target)
        )
        points = [(0.0, self.estimate), (0.0, self.estimate), *fits[:3]]
        r = [r for r, _ in points]
        table = [p for _, p in points]
        for width in range(1, len(points)):
            for i in range(len(points) - 1, width - 1, -1):
                gap = r[i] - r[i - width]
                table[i] = (table[i] - table[i - 1]) / gap if gap else -self.spread()
        value = 0.0
        for at, height in zip(r[::-1], table[::-1], strict=True):
            value = value * (target - at) + height
        return float(value)

    def spread(self) -> float:
        """Standard error of the log rating by the delta method: only to start the search."""
        lay, theta = self.model.layout, self.top.theta[0]
        x0 = self.model.covariates(self.estimate, self.log_weight, self.use)
        g = np.zeros(lay.size)
        g[lay.gamma] = -np.concatenate([[1.0], x0]) / theta[lay.gamma][1]
        try:
            var = float(g @ np.linalg.solve(-self.top.hess[0], g))
        except np.linalg.LinAlgError:
            var = NAN
        return float(np.clip(np.sqrt(var), 0.005, 1.0)) if var > 0 else 0.2


def _calibrate(root: SignedRoot, log_power: float, replicates: int, seed: int) -> tuple[float, float, int]:
    """Mean and sd of r at ``log_power`` over fleets simulated from the constrained fit there, and how many converged.

    Each fleet has its own stream of random numbers, so that how many are held in memory at once moves no figure.
    """
    model = root.model
    root(log_power)
    start = root.fits[log_power][0].theta
    constraint = root.constraint(log_power)
    free_start = free_theta(start, constraint)
    lay, small = model.layout, constrained_layout(model.layout)
    units = int(model.data.weight.sum())
    slab = int(np.clip(SLAB // max(units, 1), 1, replicates))
    steep = float(np.exp(start[0, 0] + start[0, small.tau])) if lay.uses else 1.0
    nodes = rate_nodes(steep, fine=False)
    streams = np.random.default_rng(seed).spawn(replicates)
    z = standard_quantile(root.reliability, model.distribution)
    signed = model.priors.power is not None
    out = []
    for i in range(0, replicates, slab):
        own = streams[i : i + slab]
        middles = drawn_middles(free_start[0], lay, model.priors, [rng.spawn(1)[0] for rng in own])
        rows = stack(simulate(model, free_start[0], own), lay.uses)
        held = maximise(
            objective(rows, small, model.distribution, model.priors, nodes, constraint, middles),
            np.repeat(start, len(own), 0),
            negative=1 if signed else None,
            limits=step_limits(small),
            tolerance=1e-4,
            rounds=30,
        )
        free = maximise(
            objective(rows, lay, model.distribution, model.priors, nodes, None, middles),
            free_theta(held.theta, constraint),
            negative=2 if signed else None,
            limits=step_limits(lay),
            tolerance=1e-4,
            rounds=30,
        )
        side = log_power_at(model, free.theta, z, root.log_weight, root.use) - log_power
        r = np.sign(side) * np.sqrt(2 * np.maximum(free.value - held.value, 0))
        out.append(r[held.converged & free.converged])
    r = np.concatenate(out)
    return (float(r.mean()), float(r.std(ddof=1)), len(r)) if len(r) > 2 else (NAN, NAN, len(r))


# ---- one distribution
@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A fit, and how far its best log-likelihood lies behind that of the other distribution's."""

    model: JointModel
    top: Optimum
    behind: float = 0.0


def estimate_at(fitted: Fitted, weight_lb: float, use: int, reliability: float) -> float:
    """Log power that the fit (``fitted``) puts a rating of this ``reliability`` at, at weight_lb and a ``use`` by its code."""
    z = standard_quantile(reliability, fitted.model.distribution)
    return float(log_power_at(fitted.model, fitted.top.theta, z, float(np.log(weight_lb)), use)[0])


@lru_cache(maxsize=8)
def drawn(fitted: Fitted, draws: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """So many ``draws`` of this ``seed`` from the posterior of a fit (``fitted``): the same for every weight, use and reliability."""
    return posterior_draws(fitted.model, fitted.top, draws, seed)


def rate_fit(
    fitted: Fitted, weight_lb: float, use: int, promise: Promise, settings: RatingSettings, seed: int, full: bool = True
) -> FitRating:
    """Estimate and bounds of a promise under one distribution (``fitted``). full=False stops at the first-order bound.

    weight_lb: above 0. use: code of the use. settings: how many fleets and draws; seed: of both. The distribution
    counts as one more parameter of the profile: a power is ruled out once the best distribution's likelihood there has
    dropped by target^2/2, so one that is ``behind`` already has only the rest to go; one further behind than that rules
    nothing out (infinite bounds).
    """
    model, top, behind = fitted.model, fitted.top, fitted.behind
    lw = float(np.log(weight_lb))
    root = SignedRoot(model, top, promise.reliability, lw, use)
    zc = float(ndtri(promise.confidence))

    def left(target: float) -> float:
        return float(np.sqrt(max(target**2 - 2 * behind, 0.0)))

    own = root.solve(zc)
    first = own if behind == 0 else root.solve(left(zc)) if left(zc) > 0 else np.inf
    calibrated, opinion, ess, mean, sd, tried, fleets = first, NAN, NAN, NAN, NAN, 0, 0
    if full and np.isfinite(own) and behind < FAR_BEHIND:
        if settings.replicates >= 20:
            tried = settings.replicates
            mean, sd, fleets = _calibrate(root, own, settings.replicates, seed)
            target = max(mean, 0.0) + zc * max(sd, 1.0)
            if target > zc and left(target) > 0:
                calibrated = min(first, root.solve(left(target), own - root.spread() * (left(target) - zc)))
        if settings.draws:
            z = standard_quantile(promise.reliability, model.distribution)
            draws = drawn(fitted, settings.draws, seed)
            opinion, ess = posterior_quantile(model, draws, z, lw, use, promise.confidence)
    upper = NAN
    if full:
        # estimates that lie too high on average (mean above 0) are no reason to look for the truth further up
        beyond = zc if np.isnan(mean) else max(-mean, 0.0) + zc * max(sd, 1.0)
        upper = root.solve(-left(beyond)) if left(beyond) > 0 else root.estimate
    return FitRating(
        distribution=model.distribution,
        estimate=root.estimate,
        first_order=first,
        calibrated=calibrated,
        upper=upper,
        opinion=opinion,
        effective_draws=ess,
        root_mean=mean,
        root_sd=sd,
        tried=tried,
        fleets=fleets,
        loglik=float(top.value[0]),
        theta=top.theta[0],
        layout=model.layout,
    )
