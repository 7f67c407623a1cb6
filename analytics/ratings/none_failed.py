"""What lives without a failure say of the rating, once something is held of shape, slope and weight: the chance of having seen none.

At a rating of p each truck adds to the failures expected by its miles to the power of the shape, by its power over p to the
slope and by its weight, also where it is weaker or lighter. The chance of none, averaged over what is held of the three and of the share that is
reported, rises with p; where it is 1 less the confidence lies the lower limit of p (the test of Nelson, J. Quality Technology 17
(1985) 140-146, with what he takes as known averaged over).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.mileage import DrivingFit
from analytics.models.priors import Priors
from analytics.models.quadrature import rate_nodes
from analytics.ratings.demonstration import exposures
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings

NAN = float("nan")
#: nodes and weights of a standard normal (Gauss and Hermite), for each of what is averaged over
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
#: log powers, hp, between which a limit is looked for
_LOWEST, _HIGHEST = np.log(20.0), np.log(20_000.0)
#: of the failures promised at most, as many times as a share is looked for in; log
_MOST_TIMES = 12.0
_LOG_HAZARD = np.linspace(-40.0, 12.0, 521)


@dataclass(frozen=True, slots=True)
class _Shape:
    """One shape, its ``chance``, and the log of what each life adds under it at its own power (n,); mean: of lives of unknown miles, over what the median
    driver adds (`_LOG_HAZARD`)."""

    shape: float
    chance: float
    adds: np.ndarray
    mean: np.ndarray


class NoneFailed:
    """The chance of having seen no failure in ``data`` at one weight, in log power."""

    def __init__(
        self, data: LifeData, weight_lb: float, promise: Promise, settings: RatingSettings, driving: DrivingFit | None
    ):
        own, usual = settings.priors, Priors()  # without a failure something must be held of shape and slope
        self._data = data
        self._heavier = data.log_weight - np.log(rated_weight(weight_lb))
        self._blind = data.unknown
        self._shapes = [
            _of_shape(data, shape, chance, promise, driving)
            for shape, chance in _nodes(own.shape or usual.shape, np.exp)
        ]
        self._slopes = _nodes(own.power or usual.power, np.exp)
        # a heavier truck is never easier on a part
        self._weights = _nodes(own.weight or usual.weight, lambda effect: np.maximum(-effect, 0.0))
        share = None if settings.share is not None else own.share
        self._shares = _nodes(share, lambda logit: 1 / (1 + np.exp(-logit))) or [(settings.usual_share, 1.0)]

    def chance(self, log_power: float, log_times: float = 0.0) -> float:
        """Of no failure, were the rating exp(``log_power``) and exp(``log_times``) as many lost as is promised."""
        above, total = self._data.log_power - log_power, 0.0
        effects = [(m, b, cm * cb) for m, cm in self._slopes for b, cb in self._weights]
        slope, weight, chance = (np.array(column) for column in zip(*effects, strict=True))
        load = slope[:, None] * above + weight[:, None] * self._heavier
        for one in self._shapes:
            adds = one.adds + one.shape * load + log_times
            adds[:, self._blind] = np.interp(adds[:, self._blind], _LOG_HAZARD, one.mean)
            expected = np.minimum(np.exp(np.minimum(adds, 50.0)) @ self._data.weight, 1e6)
            total += one.chance * sum(c * float(chance @ np.exp(-share * expected)) for share, c in self._shares)
        return total

    def limit(self, confidence: float) -> float:
        """The log power that the rating is not under, with this ``confidence``; NaN where the lives rule nothing out."""
        doubt = 1 - confidence
        if self.chance(_LOWEST) > doubt or self.chance(_HIGHEST) < doubt:
            return NAN
        return float(brentq(lambda at: self.chance(at) - doubt, _LOWEST, _HIGHEST, xtol=1e-6))

    def lasting(self, log_power: float, reliability: float, confidence: float) -> float:
        """The share that lasts at exp(``log_power``) at the least, with this ``confidence``; ``reliability``: of the promise. NaN where the lives rule nothing out."""
        doubt = 1 - confidence
        if self.chance(log_power, _MOST_TIMES) > doubt:
            return NAN
        times = brentq(lambda at: self.chance(log_power, at) - doubt, -_MOST_TIMES, _MOST_TIMES, xtol=1e-6)
        return float(reliability ** np.exp(times))


def _nodes(held: tuple[float, float] | None, of) -> list[tuple[float, float]]:
    """Values ``of`` a normal ``held`` (mean, standard deviation), and the chance of each; none where nothing is held."""
    if held is None:
        return []
    return [(float(of(held[0] + held[1] * at)), float(chance)) for at, chance in zip(_NODES, _WEIGHTS, strict=True)]


def _of_shape(data: LifeData, shape: float, chance: float, promise: Promise, driving: DrivingFit | None) -> _Shape:
    adds = np.log(np.maximum(exposures(data, promise.life, promise.reliability, shape, driving), 1e-300))
    mean = _LOG_HAZARD
    if driving is not None and data.unknown.any():
        nodes, weight = rate_nodes(shape * driving.tau)
        failed = -np.expm1(-np.exp(_LOG_HAZARD[:, None] + shape * driving.tau * nodes)) @ weight
        mean = np.log(-np.log1p(-np.minimum(failed, 1 - 1e-15)))
        # a load scales what the median driver adds, not the mean over drivers
        adds = np.where(data.unknown, np.interp(adds, mean, _LOG_HAZARD), adds)
    return _Shape(shape, chance, adds, mean)
