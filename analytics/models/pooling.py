"""Partial pooling: what parts of one kind hold in common is lent from one to another.

A parameter of a part is normal about the mean of its component, and that mean normal about the usual prior; the two spreads together
are that of the usual prior, so that a part with no other beside it keeps the prior as it was. Which share of the spread lies between the
parts is uniform beforehand and averaged over (a normal hierarchical model by a grid: Gelman et al., *Bayesian Data Analysis*, 3rd ed.
2013, ch. 5; the uniform share is ours).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.models.joint import LOG_WEIGHT, JointModel
from analytics.models.newton import Optimum

#: shares of the usual standard deviation that may lie between parts
_BETWEEN = (np.arange(20) + 0.5) / 20
NAMES = ("shape", "power", "weight")


@dataclass(frozen=True, slots=True)
class Said:
    """What the records of one part alone say of a parameter, on the scale of its prior: ``middle``, and its ``precision`` (0: nothing)."""

    middle: float
    precision: float


def said_by(model: JointModel, top: Optimum) -> dict[str, Said]:
    """What the fit (``top``) of a Weibull ``model`` says of NAMES, its priors taken out again: first-order, each parameter alone."""
    priors, gamma = model.priors, model.layout.gamma
    theta, cov = top.theta[0], np.linalg.pinv(-top.hess[0])
    beta, power = float(np.exp(theta[0])), gamma.start + 1

    found: dict[str, Said] = {}

    def alone(name: str, prior: tuple[float, float] | None, value: float, slopes: dict[int, float]) -> None:
        if prior is None:
            return
        at, by = list(slopes), np.array(list(slopes.values()))
        spread, held = float(by @ cov[np.ix_(at, at)] @ by), prior[1] ** -2
        precision = 1 / spread - held
        if precision > 1e-6:
            found[name] = Said((value / spread - prior[0] * held) / precision, precision)

    alone("shape", priors.shape, float(theta[0]), {0: 1.0})
    steep = float(np.log(max(-theta[power], 1e-300)) - theta[0])
    alone("power", priors.power, steep, {power: 1 / theta[power], 0: -1.0})
    if LOG_WEIGHT in model.columns:
        at = gamma.start + model.columns.index(LOG_WEIGHT)
        by_weight = float(theta[at]) / beta
        alone("weight", priors.weight, by_weight, {at: 1 / beta, 0: -by_weight})
    return found


def lent(usual: tuple[float, float], siblings: Sequence[Said]) -> tuple[float, float]:
    """Mean and standard deviation of a parameter of one part, given what its ``siblings`` say of theirs; the ``usual`` prior where there are
    none."""
    between = (_BETWEEN * usual[1]) ** 2
    mean, spread = np.full(len(between), float(usual[0])), usual[1] ** 2 - between
    log_chance = np.zeros(len(between))
    for said in siblings:
        own = between + 1 / said.precision
        total = spread + own
        log_chance -= 0.5 * (np.log(total) + (said.middle - mean) ** 2 / total)
        mean, spread = mean + (said.middle - mean) * spread / total, spread * own / total
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    middle = float(chance @ mean)
    return middle, float(np.sqrt(chance @ (spread + between + (mean - middle) ** 2)))
