"""Does the fitted lifetime distribution hold up? Curvature of the power law, a shape per part, residuals, influence of single units."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import ndtr
from scipy.stats import chi2

from analytics.errors import NotEnoughData
from analytics.models.distributions import log_density, log_survival, standard_quantile, survival_of
from analytics.models.joint import NO_TERMS, JointModel, Terms, fit_joint, joint_model, log_power_at
from analytics.models.lifedata import NOTHING, LifeData, split_days
from analytics.models.newton import Optimum
from analytics.models.priors import Priors
from analytics.reasons import Assumption, Reason, reason

OPEN = (0.0, 100.0)  # a prior wide enough to leave a tested term to the data


@dataclass(frozen=True, slots=True)
class ModelTest:
    """A likelihood-ratio test of one assumption: chi-square, degrees of freedom, p-value, and what it found."""

    statistic: float
    df: int
    p_value: float
    found: Reason


def curvature_test(
    data: LifeData,
    life_miles: float,
    distribution: str = "weibull",
    priors: Priors | None = None,
    terms: Terms = NO_TERMS,
) -> ModelTest:
    """Is life a straight power law? Adds the square of log power. data, life_miles, distribution, priors, terms: as for
    `joint_model`. Raises NotEnoughData with fewer than 5 failures, where the test has no say.
    """
    if data.failures < 5:
        raise NotEnoughData(f"{data.failures:g} failures: whether the power law bends needs at least 5")
    base, top = fit_joint(joint_model(data, life_miles, distribution, priors, terms))
    centred = data.log_power - base.centre[0]
    wider = replace(
        data, extra=np.column_stack([data.extra, centred**2]), extra_names=(*data.extra_names, "log power squared")
    )
    model = joint_model(wider, life_miles, distribution, priors, terms)
    others = base.priors.others
    pri = replace(base.priors, others=(*others, OPEN)) if others else base.priors
    model = replace(model, priors=pri, nodes=base.nodes)
    _, bent = fit_joint(model)
    # both values on the same nodes, and without the tested term's own prior, which is flat here
    stat = 2 * max(float(bent.value[0] - top.value[0]), 0.0)
    p = float(chi2.sf(stat, 1))
    if not (top.converged[0] and bent.converged[0]):
        return ModelTest(math.nan, 1, math.nan, reason(Assumption.POWER_LAW_UNTESTED))
    bends = Assumption.POWER_LAW_BENDS if p < 0.05 else Assumption.POWER_LAW_STRAIGHT
    return ModelTest(stat, 1, p, reason(bends, p_value=p))


def common_shape_test(parts: dict[str, LifeData], life_miles: float, distribution: str = "weibull") -> ModelTest:
    """Do the parts share one Weibull shape? Each part keeps its own power and weight effects; the shared shape is found
    by Brent's method on the sum of the profiles. Known and unknown miles alike; priors on the shape only, and the same
    for all.

    parts: by name; those with fewer than 3 failures are passed over. life_miles, distribution: as for `joint_model`. Raises
    NotEnoughData where fewer than two are left.
    """
    usual, spread = float(np.log(2)), 2.0
    loose = Priors(shape=(usual, spread))
    fitted = {}
    for name, data in parts.items():
        if data.failures < 3:
            continue
        fitted[name] = fit_joint(joint_model(data, life_miles, distribution, loose))
    if len(fitted) < 2:
        raise NotEnoughData(f"{len(fitted)} parts have 3 failures or more: a common shape needs two to compare")
    apart = sum(float(top.value[0]) for _, top in fitted.values())

    def lost(log_shape: float) -> float:
        """Minus the sum of the parts' profiles at one shape."""
        total = 0.0
        for model, top in fitted.values():
            # a prior so sharp that it pins the shape; its value at the pinned shape is put back
            pinned = replace(model, priors=replace(model.priors, shape=(log_shape, 1e-3)))
            start = top.theta[0].copy()
            start[0] = log_shape
            _, fit = fit_joint(pinned, start)
            r = (fit.theta[0, 0] - log_shape) / 1e-3
            own = (fit.theta[0, 0] - usual) / spread
            total += float(fit.value[0]) + 0.5 * r * r - 0.5 * own * own
        return -total

    shapes = [float(top.theta[0, 0]) for _, top in fitted.values()]
    # the shared shape lies between the least and the greatest of the parts' own
    least = minimize_scalar(
        lost, bounds=(min(shapes) - 0.05, max(shapes) + 0.05), method="bounded", options={"xatol": 1e-3}
    )
    best, peak = -float(least.fun), float(least.x)
    stat = 2 * max(apart - float(best), 0.0)
    df = len(fitted) - 1
    p = float(chi2.sf(stat, df))
    found = Assumption.SHAPES_DIFFER if p < 0.05 else Assumption.SHAPES_ALIKE
    return ModelTest(stat, df, p, reason(found, p_value=p, shape=float(np.exp(peak))))


def fitted_survival(model: JointModel, top: Optimum, miles: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
    """Mean survival (m,) at ``miles`` (m,) by a fit (model, top: of `fit_joint`) over the vehicles in ``rows`` (n,)
    bool, by default all, to lay over a curve of theirs."""
    theta, lay = top.theta[0], model.layout
    x = model.x if rows is None else model.x[rows]
    w = model.data.weight if rows is None else model.data.weight[rows]
    z = np.exp(theta[0]) * np.log(np.asarray(miles, float)[:, None] / model.life_miles) - x @ theta[lay.gamma]
    return survival_of(z, model.distribution) @ w / w.sum()


@dataclass(frozen=True, slots=True, repr=False)
class SpreadLives:
    """Lives on the miles clock, unknown odometers spread over the miles they may have by now.

    All (m,): entry, end in miles, failed, weight (of one life adds up to its count), row of the model's data, and
    hazard, the fitted cumulative hazard from entry to end.
    """

    entry: np.ndarray
    end: np.ndarray
    failed: np.ndarray
    weight: np.ndarray
    row: np.ndarray
    hazard: np.ndarray

    def __repr__(self) -> str:
        return f"SpreadLives({len(np.unique(self.row))} lives, {self.weight[self.failed].sum():g} failures)"

    def of(self, rows: np.ndarray) -> SpreadLives:
        """Those of the rows (n,) bool of the model's data."""
        keep = rows[self.row]
        return SpreadLives(*(getattr(self, k)[keep] for k in self.__dataclass_fields__))


def spread_lives(model: JointModel, top: Optimum) -> SpreadLives:
    """The lives a curve on miles can be drawn from, where many odometers are unknown. model, top: of `fit_joint`.

    A life without any reading is spread over the nodes of its miles per day, each weighted by how likely it is given that
    the part still runs (or failed on that day) and was not read: the expected number at risk at each mile, as in the
    expectation step of the EM algorithm (Dempster, Laird and Rubin, J. Roy. Statist. Soc. B 39 (1977) 1-38). One with a
    reading is carried on at its own rate. Failures found between two figures stand in the middle.
    """
    data, theta, lay = model.data, top.theta[0], model.layout
    beta = float(np.exp(theta[0]))
    eta = model.x @ theta[lay.gamma]
    at = {k: lay.place(k) for k in ("decline", "level", "slope")}
    later = np.exp(theta[at["decline"]]) if at["decline"] is not None else np.exp(lay.fixed_decline)

    def hazard(miles, i):
        z = beta * np.log(np.maximum(miles, NOTHING) / model.life_miles) - eta[i]
        return -log_survival(z, model.distribution)[0]

    def exposure(i, days):
        before, after = split_days(data.days.start[i], np.nan_to_num(days), model.change_days)
        return before + later * after

    failed, known = data.failed, np.isfinite(data.lower)
    end_days = np.where(failed, 0.5 * (data.days.lower + data.days.upper), data.days.lower)
    parts = []
    i = np.flatnonzero(known)
    end = np.where(failed[i], 0.5 * (data.lower[i] + np.where(failed[i], data.upper[i], 0.0)), data.lower[i])
    parts.append((data.entry[i], end, np.ones(len(i)), i))
    i = np.flatnonzero(~known & data.has_rate)
    before, after = split_days(np.zeros(len(i)), data.reading.days[i], model.change_days)
    per_day = data.reading.miles[i] / np.maximum(before + later * after, NOTHING)
    parts.append((per_day * exposure(i, data.days.entry[i]), per_day * exposure(i, end_days[i]), np.ones(len(i)), i))
    i = np.flatnonzero(~known & ~data.has_rate)
    if len(i):
        s, w = model.nodes
        mu = theta[lay.mu][data.use[i] if lay.uses > 1 else np.zeros(len(i), int)]
        rate = np.exp(mu[:, None] + np.exp(theta[lay.tau]) * s)
        entry, end = (rate * exposure(i, d)[:, None] for d in (data.days.entry[i], end_days[i]))
        log_share = np.log(np.maximum(w, 1e-300)) - hazard(end, i[:, None]) + hazard(entry, i[:, None])
        if at["level"] is not None:
            c = theta[at["slope"]] if at["slope"] is not None else 0.0
            log_share = log_share + np.log(np.maximum(ndtr(-(theta[at["level"]] + c * s)), 1e-300))
        fell = failed[i]
        if fell.any():
            z = beta * np.log(np.maximum(end[fell], NOTHING) / model.life_miles) - eta[i[fell]][:, None]
            log_share[fell] += log_density(z, model.distribution)[0] - log_survival(z, model.distribution)[0]
        share = np.exp(log_share - log_share.max(1, keepdims=True))
        share /= share.sum(1, keepdims=True)
        parts.append((entry.ravel(), end.ravel(), share.ravel(), np.repeat(i, len(s))))
    entry, end, share, row = (np.concatenate(v) for v in zip(*parts, strict=True))
    gone = hazard(end, row) - np.where(entry > 0, hazard(entry, row), 0.0)
    return SpreadLives(entry, end, failed[row], share * data.weight[row], row, np.maximum(gone, 0.0))


def spread_curve(
    spread: SpreadLives, least: float = 5.0, time: str = "miles"
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Product-limit curve of spread lives: miles (k,), survival after each (k,), expected number at risk (k,). It stops where
    fewer than ``least`` are at risk. time "hazard": on the scale of the fitted hazard, from 0 to each life's own."""
    end, entry = (spread.end, spread.entry) if time == "miles" else (spread.hazard, np.zeros(len(spread.hazard)))
    at = np.unique(end[spread.failed & (spread.weight > 1e-9)])

    def from_here(values, weight):
        order = np.argsort(values, kind="stable")
        total = np.concatenate([[0.0], np.cumsum(weight[order])])
        return total[-1] - total[np.searchsorted(values[order], at, side="left")]

    at_risk = from_here(end, spread.weight) - from_here(entry, spread.weight)
    fell = spread.failed
    order = np.argsort(end[fell], kind="stable")
    total = np.concatenate([[0.0], np.cumsum(spread.weight[fell][order])])
    ends = end[fell][order]
    deaths = total[np.searchsorted(ends, at, side="right")] - total[np.searchsorted(ends, at, side="left")]
    enough = np.minimum.accumulate(at_risk >= least) if len(at) else np.zeros(0, bool)
    at, at_risk, deaths = at[enough], at_risk[enough], deaths[enough]
    return at, np.cumprod(1 - np.minimum(deaths / np.maximum(at_risk, 1e-300), 1.0)), at_risk


@dataclass(frozen=True, slots=True)
class Influence:
    """What leaving one row out does to the estimate: row number, failed, and the rating without it over that with it."""

    row: int
    failed: bool
    ratio: float


def influence(
    model: JointModel,
    top: Optimum,
    refit: Callable[[LifeData], tuple[JointModel, Optimum]],
    weight_lb: float,
    reliability: float = 0.9,
    use: int = 0,
    survivors: int = 10,
) -> tuple[Influence, ...]:
    """How far the power at ``reliability`` and weight_lb moves without each failure and without each of the
    ``survivors`` longest-run survivors, largest effect first. model, top: the fit to all lives; refit: the same to some
    of them. use: its code."""
    data, life_miles = model.data, model.life_miles
    z = standard_quantile(reliability, model.distribution)
    lw = float(np.log(weight_lb))
    whole = float(log_power_at(model, top.theta, z, lw, use)[0])
    theta, lay = top.theta[0], model.layout
    days = np.where(np.isfinite(data.days.upper), data.days.upper, data.days.lower)
    rate = np.where(
        data.has_rate,
        data.reading.miles / np.maximum(data.reading.days, 1.0),
        np.exp(theta[lay.mu].mean()) if lay.uses else 1.0,
    )
    run = np.where(np.isfinite(data.lower), data.lower, rate * np.nan_to_num(days, nan=0.0))
    # the survivors that say most: long run at a power and weight where failure was to be expected
    z_end = np.exp(theta[0]) * np.log(np.maximum(run, 1.0) / life_miles) - model.x @ theta[lay.gamma]
    left = np.flatnonzero(~data.failed)
    candidates = np.concatenate(
        [np.flatnonzero(data.failed), left[np.argsort(-z_end[left], kind="stable")][:survivors]]
    )
    out = []
    for i in candidates:
        keep = np.arange(len(data.lower)) != i
        if not data.failed[keep].any():
            continue
        m, t = refit(data.take(keep))
        if t.converged[0]:
            out.append(
                Influence(int(i), bool(data.failed[i]), float(np.exp(log_power_at(m, t.theta, z, lw, use)[0] - whole)))
            )
    return tuple(sorted(out, key=lambda q: -abs(np.log(q.ratio))))
