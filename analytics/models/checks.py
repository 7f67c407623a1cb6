"""Does the fitted life law hold up? Curvature of the power law, a shape per part, residuals, influence of single units."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from analytics.errors import NotEnoughData
from analytics.models.joint import JointModel, fit_joint, joint_model, log_power_at
from analytics.models.lifedata import LifeData
from analytics.models.regression import Optimum, Priors, log_survival, standard_quantile, survival_of

OPEN = (0.0, 100.0)  # a prior wide enough to leave a tested term to the data


@dataclass(frozen=True, slots=True)
class ModelTest:
    """A likelihood-ratio test of one assumption: chi-square, degrees of freedom, p-value, and what it says in words."""

    name: str
    statistic: float
    df: int
    p_value: float
    words: str


def curvature_test(
    data: LifeData, life_miles: float, law: str = "weibull", priors: Priors | None = None, **options
) -> ModelTest:
    """Is life a straight power law? Adds the square of log power; ``options`` go to `joint_model`. Raises NotEnoughData
    with fewer than 5 failures, where the test has no say."""
    if data.failures < 5:
        raise NotEnoughData(f"{data.failures:g} failures: whether the power law bends needs at least 5")
    base, top = fit_joint(joint_model(data, life_miles, law, priors, **options))
    centred = data.log_power - base.centre[0]
    wider = replace(
        data, extra=np.column_stack([data.extra, centred**2]), extra_names=(*data.extra_names, "log power squared")
    )
    others = base.priors.others if base.priors.power is not None else ()
    model = joint_model(wider, life_miles, law, priors, **options)
    pri = replace(base.priors, others=(*others, OPEN)) if others else base.priors
    model = replace(model, priors=pri, nodes=base.nodes)
    _, bent = fit_joint(model)
    # both values on the same nodes, and without the tested term's own prior, which is flat here
    stat = 2 * max(float(bent.value[0] - top.value[0]), 0.0)
    p = float(chi2.sf(stat, 1))
    words = (
        f"the power law bends (p = {p:.3f}): ratings near the edge of the powers seen are less sure than stated"
        if p < 0.05
        else f"nothing in the records says the power law is not straight (p = {p:.2f})"
    )
    if not (top.converged[0] and bent.converged[0]):
        words = "whether the power law bends could not be tested: a fit did not converge"
        stat, p = float("nan"), float("nan")
    return ModelTest("power law straight", stat, 1, p, words)


def common_shape_test(parts: dict[str, LifeData], life_miles: float, law: str = "weibull") -> ModelTest:
    """Do the parts share one Weibull shape? Each part keeps its own power and weight effects; the shared shape is found
    on a fine grid of the profile. Known and unknown miles alike; priors on the shape only, and the same for all."""
    loose = Priors(shape=(float(np.log(2)), 2.0))
    fitted = {}
    for name, data in parts.items():
        if data.failures < 3:
            continue
        fitted[name] = fit_joint(joint_model(data, life_miles, law, loose))
    if len(fitted) < 2:
        raise NotEnoughData(f"{len(fitted)} parts have 3 failures or more: a common shape needs two to compare")
    grid = np.linspace(-1.2, 2.2, 69)
    shared = np.zeros(len(grid))
    apart = 0.0
    for model, top in fitted.values():
        apart += float(top.value[0])
        values = np.empty(len(grid))
        tight = replace(model.priors, shape=None)
        for i, v in enumerate(grid):
            # a prior so sharp that it pins the shape; its value at the pinned shape is put back
            pinned = replace(model, priors=replace(tight, shape=(float(v), 1e-3)))
            start = top.theta[0].copy()
            start[0] = v
            _, fit = fit_joint(pinned, start)
            r = (fit.theta[0, 0] - v) / 1e-3
            own = (fit.theta[0, 0] - loose.shape[0]) / loose.shape[1]
            values[i] = float(fit.value[0]) + 0.5 * r * r - 0.5 * own * own
        shared += values
    peak = int(np.argmax(shared))
    # the top of a parabola through the three best grid points
    if 0 < peak < len(grid) - 1:
        a, b, c = shared[peak - 1 : peak + 2]
        best = b - 0.125 * (a - c) ** 2 / (a - 2 * b + c)
    else:
        best = shared[peak]
    stat = 2 * max(apart - float(best), 0.0)
    df = len(fitted) - 1
    p = float(chi2.sf(stat, df))
    words = (
        f"the parts wear out in different ways (p = {p:.3f}): do not pool their shapes"
        if p < 0.05
        else f"nothing says the parts differ in shape (p = {p:.2f}; shared shape {np.exp(grid[peak]):.2f})"
    )
    return ModelTest("one shape for all parts", stat, df, p, words)


def fitted_survival(model: JointModel, top: Optimum, miles: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
    """Mean fitted survival (m,) at ``miles`` (m,) over the vehicles in ``rows`` (n,) bool, to lay over a curve of theirs."""
    theta, lay = top.theta[0], model.layout
    x = model.x if rows is None else model.x[rows]
    w = model.data.weight if rows is None else model.data.weight[rows]
    z = np.exp(theta[0]) * np.log(np.asarray(miles, float)[:, None] / model.life_miles) - x @ theta[lay.gamma]
    return survival_of(z, model.law) @ w / w.sum()


def cumulative_hazard_residuals(model: JointModel, top: Optimum) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cox-Snell residuals of the rows with known miles: H_i at the end (m,), failed (m,) bool, row numbers (m,).

    If the model holds they are a censored sample of a unit exponential (Cox and Snell, J. Roy. Statist. Soc. B 30 (1968)
    248-275). The hazard before a late entry is taken off.
    """
    data, theta, lay = model.data, top.theta[0], model.layout
    end = np.where(np.isfinite(data.upper), data.upper, data.lower)
    rows = np.flatnonzero(np.isfinite(end) & (end > 0))
    eta = model.x[rows] @ theta[lay.gamma]

    def hazard(t):
        return -log_survival(np.exp(theta[0]) * np.log(t / model.life_miles) - eta, model.law)[0]

    out = hazard(end[rows])
    late = data.entry[rows] > 0
    out = out - np.where(late, hazard(np.where(late, data.entry[rows], 1.0)), 0.0)
    return out, data.failed[rows], rows


@dataclass(frozen=True, slots=True)
class Influence:
    """What leaving one row out does to the estimate: row number, failed, and the rating without it over that with it."""

    row: int
    failed: bool
    ratio: float


def influence(
    data: LifeData,
    life_miles: float,
    weight_lb: float,
    reliability: float = 0.9,
    use: int = 0,
    law: str = "weibull",
    survivors: int = 10,
    **options,
) -> tuple[Influence, ...]:
    """Refits without each failure and without each of the ``survivors`` longest-run survivors, largest effect first."""
    model, top = fit_joint(joint_model(data, life_miles, law, **options))
    z = standard_quantile(reliability, law)
    lw = float(np.log(weight_lb))
    whole = float(log_power_at(model, top.theta, z, lw, use)[0])
    theta, lay = top.theta[0], model.layout
    days = np.where(np.isfinite(data.upper_days), data.upper_days, data.lower_days)
    rate = np.where(
        data.has_rate,
        data.rate_miles / np.maximum(data.rate_days, 1.0),
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
        m, t = fit_joint(joint_model(data.take(keep), life_miles, law, **options))
        if t.converged[0]:
            out.append(
                Influence(int(i), bool(data.failed[i]), float(np.exp(log_power_at(m, t.theta, z, lw, use)[0] - whole)))
            )
    return tuple(sorted(out, key=lambda q: -abs(np.log(q.ratio))))
