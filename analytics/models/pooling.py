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
from analytics.models.priors import USE, DrivingPrior, Priors, driving_names

#: shares of the usual standard deviation that may lie between parts
_BETWEEN = (np.arange(20) + 0.5) / 20
NAMES = ("shape", "power", "weight")
_LEVEL = "level"
#: how unlike the trucks of one part may drive those of another in the same use: a factor of 1.13 at one standard deviation of all that may be (ours). At 1 two parts lent each
#: other next to nothing
_UNLIKE = 0.5
#: the precision of what the records say nothing of
_NOTHING = 1e-6


@dataclass(frozen=True, slots=True)
class Said:
    """What the records of one part alone say of a parameter, on the scale of its prior: ``middle``, and its ``precision`` (0: nothing)."""

    middle: float
    precision: float


@dataclass(frozen=True, slots=True)
class SaidOfDriving:
    """What the records of one part alone say of driving, who gets read and what is reported: ``names`` as `driving_names` has them, their middle (k,) and
    covariance (k, k)."""

    names: tuple[str, ...]
    middle: np.ndarray
    covariance: np.ndarray


def said_of_driving(model: JointModel, top: Optimum) -> SaidOfDriving | None:
    """What the fit (``top``) of a ``model`` says of all that follows gamma in its theta but the level of the read, of which each part's own records tell enough; its priors
    taken out again, the life parameters averaged over (first order). None where there is nothing, or a prior of it is switched off."""
    every = driving_names(model.layout, model.data.use_names)
    kept = [i for i, name in enumerate(every) if name != _LEVEL]
    names = tuple(every[i] for i in kept)
    usual = DrivingPrior.usual(names, model.priors) if names else None
    if usual is None:
        return None
    at = model.layout.gamma.stop + np.array(kept)
    total = np.linalg.inv(np.linalg.pinv(-top.hess[0])[np.ix_(at, at)])
    held = np.linalg.inv(np.array(usual.covariance))
    told = total @ top.theta[0][at] - held @ np.array(usual.mean)
    size, turned = np.linalg.eigh(total - held)
    size = np.maximum(size, _NOTHING)  # where the records say nothing at all
    covariance = (turned / size) @ turned.T
    return SaidOfDriving(names, covariance @ told, covariance)


def lent_driving(names: Sequence[str], priors: Priors, siblings: Sequence[SaidOfDriving]) -> DrivingPrior | None:
    """The prior of driving of one part in which these ``names`` may come, given what its ``siblings`` say and the usual ``priors``: as `lent` has it for one parameter, with
    one share of the spread for all of them together. Driving is the trucks' and not the parts': parts may lie at most _UNLIKE times as far apart as uses may about their mean
    (`rate_between`), or as the prior of each other name allows. None where nothing is said."""
    usual = DrivingPrior.usual(names, priors)
    if usual is None or not siblings:
        return None
    reach = (
        np.array([priors.rate_between if n.startswith(USE) else getattr(priors, n)[1] for n in names], float) * _UNLIKE
    )
    makeup = [_given(usual, share * reach, siblings) for share in _BETWEEN]
    log_chance, means, spreads = map(np.array, zip(*makeup, strict=True))
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    middle = chance @ means
    off = means - middle
    return DrivingPrior.of(names, middle, np.tensordot(chance, spreads, 1) + (off.T * chance) @ off)


def _given(
    usual: DrivingPrior, reach: np.ndarray, siblings: Sequence[SaidOfDriving]
) -> tuple[float, np.ndarray, np.ndarray]:
    """Where parts lie ``reach`` (k,) about their mean, in standard deviations: the log of the chance of what the ``siblings`` say, and the mean (k,) and covariance (k, k) that this
    leaves for one part more."""
    between = np.diag(reach**2)
    mean, spread, log_chance = np.array(usual.mean), np.array(usual.covariance) - between, 0.0
    for said in siblings:
        at = [usual.names.index(name) for name in said.names]
        total = spread[np.ix_(at, at)] + between[np.ix_(at, at)] + said.covariance
        off = said.middle - mean[at]
        gain = np.linalg.solve(total, spread[at]).T
        log_chance -= 0.5 * float(np.linalg.slogdet(total)[1] + off @ np.linalg.solve(total, off))
        mean, spread = mean + gain @ off, spread - gain @ spread[at]
    return log_chance, mean, spread + between


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
