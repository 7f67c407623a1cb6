"""The evidence on a published limit: what the records alone support and contradict, and both with what was known before them.

The records' say about the log of the true rating is taken as two half normals about the estimate, half the chance each, so wide that
the calibrated bound and the calibrated upper limit lie where they do (a confidence distribution; Schweder and Hjort, *Confidence,
Likelihood, Probability*, 2016, ch. 3); without a failure it is the likelihood of none, averaged over the priors of
shape and slope. What was known before is a normal of its own on the same scale; the two are multiplied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from analytics.models.distributions import standard_quantile
from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.mileage import fit_driving
from analytics.models.priors import Priors
from analytics.ratings.bound import RatingBound
from analytics.ratings.demonstration import exposures
from analytics.ratings.promise import Promise
from analytics.ratings.settings import CHANGE_DAYS, RatingSettings
from analytics.reasons import Rests

NAN = float("nan")
#: what a published figure of no stated basis is worth: standard deviation of its log about the truth. Of .3, .4 and .6 the one
#: whose owner paid least in invented shops whose limits began at .7, 1.0 and 1.35 of the truth.
PUBLISHED_LOG_SD = 0.4
#: a part may be tried up to where the chance that its rating lies lower is this, and so far past the highest power with experience. Of .05, .1, .25 and .4 at 1.1 and
#: .25 at 1.2 the pair whose owner paid least in six invented shops at every price; where limits are right one time in three, four such trials in ten go above the truth
_TRIAL_DOUBT, _TRIAL_STEP = 0.25, 1.2
#: one side of the records' say where they rule nothing out on it
_WIDE = 1.0
_REACH, _POINTS = 2.5, 501
#: nodes and weights of a standard normal, for the priors of shape, slope and weight where nothing has failed
_NODES, _WEIGHTS = np.array([-1.7320508, 0.0, 1.7320508]), np.array([1 / 6, 2 / 3, 1 / 6])


@dataclass(frozen=True, slots=True)
class Known:
    """A limit that did not come from these records, as a guess at the truth. log_sd: standard deviation of its log."""

    power_hp: float
    log_sd: float = PUBLISHED_LOG_SD


@dataclass(frozen=True, slots=True)
class Chances:
    """What is held of the true rating: log powers (n,), and the chance of each (n,), adding up to 1."""

    log_power: np.ndarray
    chance: np.ndarray

    @property
    def _up_to(self) -> np.ndarray:
        return np.cumsum(self.chance) - self.chance / 2

    def below(self, power_hp: float) -> float:
        """Chance that the true rating lies under a power in hp."""
        return float(np.interp(np.log(power_hp), self.log_power, self._up_to))

    def quantile_hp(self, share: float) -> float:
        """The power in hp that the true rating lies under with this chance."""
        return float(np.exp(np.interp(share, self._up_to, self.log_power)))


@dataclass(frozen=True, slots=True)
class LimitEvidence:
    """What a verdict on a limit is made of. All in hp, NaN for none.

    estimate_hp: best estimate. supported_hp: the calibrated bound, records alone, rounded down to the step. upper_hp: their upper
    limit. with_known_hp: the bound with what was known before, rounded down, never above the highest power with experience.
    known_hp: that figure. raise_hp: the same at half the doubt of the promise, since the highest of many looks is what raises a limit. least_cost_hp: the limit that costs least at the middle of what is held of the rating, rounded down. too_high: chance that the published limit lies
    above the true rating. failures: behind it. at_least: a cap or a demonstration. leans_low: a known bias pushes the estimate down.
    hidden: failures that only a teardown showed. any_power: power is not shown to matter for a part of a kind for which it hardly does.
    trial_hp: up to where the part may be tried, rounded down; no promise.
    """

    estimate_hp: float
    supported_hp: float
    upper_hp: float = NAN
    with_known_hp: float = NAN
    known_hp: float = NAN
    raise_hp: float = NAN
    least_cost_hp: float = NAN
    too_high: float = NAN
    failures: float = 0.0
    at_least: bool = False
    leans_low: bool = False
    hidden: int = 0
    any_power: bool = False
    trial_hp: float = NAN


def rounded_down(power_hp: float, step_hp: float) -> float:
    """``power_hp`` to the step of ``step_hp`` below; NaN stays."""
    return float(np.floor(power_hp / step_hp + 1e-9) * step_hp) if np.isfinite(power_hp) else NAN


def two_sided(estimate_hp: float, low_hp: float, high_hp: float, confidence: float) -> Chances:
    """The chances whose middle is ``estimate_hp`` and whose one-sided limits at ``confidence`` are ``low_hp`` and ``high_hp``; a limit that is not finite is far
    off."""
    z, middle = float(ndtri(confidence)), float(np.log(estimate_hp))

    def side(reach: float) -> float:
        return max(reach / z, 1e-3) if np.isfinite(reach) else _WIDE

    with np.errstate(divide="ignore"):
        low, high = side(middle - np.log(low_hp)), side(np.log(high_hp) - middle)
    about = np.linspace(-_REACH, _REACH, _POINTS)
    spread = np.where(about < 0, low, high)
    return _normalised(middle + about, -0.5 * (about / spread) ** 2 - np.log(spread))


def no_failure(
    data: LifeData, weight_lb: float, promise: Promise, settings: RatingSettings, about_hp: float
) -> Chances:
    """What lives without a failure (``data``) say of the rating at ``weight_lb``, on a grid about ``about_hp``: the chance of seeing none under the
    ``promise``, averaged over the priors of shape, slope and weight in ``settings``. A mean over unknown miles scaled by the load
    understates them: the safe side."""
    driving = None
    if data.unknown.any() or np.isnan(data.lower).any():
        driving = fit_driving(data, settings.priors, settings.decline, CHANGE_DAYS)
    at = np.log(about_hp) + np.linspace(-_REACH, _REACH, _POINTS)
    heavier = data.log_weight - np.log(rated_weight(weight_lb))
    total = np.zeros(_POINTS)
    own, usual = settings.priors, Priors()  # without a failure something must be held of shape and slope
    shapes, slopes, weights = own.shape or usual.shape, own.power or usual.power, own.weight or usual.weight
    assert shapes is not None
    assert slopes is not None
    assert weights is not None
    for node, share in zip(_NODES, _WEIGHTS, strict=True):
        shape = float(np.exp(shapes[0] + shapes[1] * node))
        one = exposures(data, promise.life, promise.reliability, shape, driving) * data.weight * settings.usual_share
        for node_slope, share_slope in zip(_NODES, _WEIGHTS, strict=True):
            steep = shape * float(np.exp(slopes[0] + slopes[1] * node_slope))
            for node_weight, share_weight in zip(_NODES, _WEIGHTS, strict=True):
                # a heavier truck is never easier on a part
                by_weight = shape * max(-(weights[0] + weights[1] * node_weight), 0.0)
                load = np.log(np.maximum(one, 1e-300)) + steep * data.log_power + by_weight * heavier
                hazard = np.exp(np.logaddexp.reduce(load) - steep * at)
                total += share * share_slope * share_weight * np.exp(-hazard)
    return _normalised(at, np.log(np.maximum(total, 1e-300)))


def _normalised(log_power: np.ndarray, log_chance: np.ndarray) -> Chances:
    chance = np.exp(log_chance - log_chance.max())
    return Chances(log_power, chance / chance.sum())


def with_known(chances: Chances, known: Known) -> Chances:
    """The ``chances`` with what was ``known`` before, as independent evidence."""
    with np.errstate(divide="ignore"):
        prior = -0.5 * ((chances.log_power - np.log(known.power_hp)) / known.log_sd) ** 2
        return _normalised(chances.log_power, np.log(chances.chance) + prior)


@dataclass(frozen=True, slots=True)
class Beside:
    """What a limit is held against beside its rating. supported_hp: what the records alone support, rounded. published_hp: NaN for
    none. step_hp: figures are rounded down to it. lost: price of the next part up over the cost of a comeback. known: what was known
    before these records. biased: the estimate is known to lean low. hidden: failures that only a teardown showed."""

    supported_hp: float
    published_hp: float
    step_hp: float
    lost: float
    known: Known | None = None
    biased: bool = False
    hidden: int = 0


def evidence_of(bound: RatingBound, beside: Beside, data: LifeData, settings: RatingSettings) -> LimitEvidence:
    """The evidence on a published limit from the rating ``bound`` of the lives ``data`` at its weight and use. beside: the limit and what goes
    with it. settings: the rating was made under."""
    known, published = beside.known, beside.published_hp
    plain = LimitEvidence(
        estimate_hp=bound.estimate_hp,
        supported_hp=beside.supported_hp,
        upper_hp=bound.upper_hp,
        known_hp=NAN if known is None else known.power_hp,
        raise_hp=beside.supported_hp if bound.demonstrated_only else NAN,
        failures=bound.failures,
        at_least=bound.capped or bound.demonstrated_only,
        leans_low=beside.biased or bound.has(Rests.NO_ODOMETER),
        hidden=beside.hidden,
    )
    alone = _alone(bound, known, data, settings)
    if alone is None:
        return plain
    held = alone if known is None else with_known(alone, known)
    doubt = 1 - bound.promise.confidence
    low, firm = (float(np.minimum(held.quantile_hp(share), bound.seen.cap_hp)) for share in (doubt, doubt / 2))
    furthest = _TRIAL_STEP * bound.seen.cap_hp
    cheapest = NAN
    if bound.by_distribution:
        best = max(bound.by_distribution, key=lambda r: r.loglik)
        slope = float(best.theta[best.layout.gamma][1])
        # where the share that fails within the life equals what may be lost, at the middle of what is held of the rating
        z, lost = (
            standard_quantile(share, best.distribution) for share in (bound.promise.reliability, 1 - beside.lost)
        )
        cheapest = held.quantile_hp(0.5) * float(np.exp((z - lost) / slope))
    return replace(
        plain,
        with_known_hp=NAN if known is None else rounded_down(low, beside.step_hp),
        # no limit is raised on the prior of a slope alone
        raise_hp=beside.supported_hp if bound.demonstrated_only else rounded_down(firm, beside.step_hp),
        least_cost_hp=rounded_down(cheapest, beside.step_hp),
        too_high=held.below(published) if np.isfinite(published) else NAN,
        trial_hp=rounded_down(float(np.minimum(held.quantile_hp(_TRIAL_DOUBT), furthest)), beside.step_hp),
    )


def evidence_from_figures(
    estimate_hp: float,
    bound_hp: float,
    upper_hp: float,
    confidence: float,
    beside: Beside,
    failures: float,
    at_least: bool,
) -> LimitEvidence:
    """The evidence on the limit in ``beside`` from a rating of which the figures alone are at hand: estimate_hp, bound_hp and upper_hp, one-sided
    at ``confidence``, its failures, and whether it is at_least so much. Nothing known before."""
    plain = LimitEvidence(
        estimate_hp=estimate_hp,
        supported_hp=beside.supported_hp,
        upper_hp=upper_hp,
        failures=failures,
        at_least=at_least,
        leans_low=beside.biased,
    )
    if not np.isfinite(estimate_hp):
        return plain
    held = two_sided(estimate_hp, bound_hp, upper_hp, confidence)
    return replace(
        plain,
        raise_hp=rounded_down(float(np.minimum(held.quantile_hp((1 - confidence) / 2), bound_hp)), beside.step_hp),
        least_cost_hp=rounded_down(held.quantile_hp(0.5), beside.step_hp),
        too_high=held.below(beside.published_hp) if np.isfinite(beside.published_hp) else NAN,
    )


def no_higher(evidence: LimitEvidence, lighter: LimitEvidence) -> LimitEvidence:
    """The ``evidence`` on a heavier class: no figure of it above that of the ``lighter`` one."""

    def under(own: float, other: float) -> float:
        return min(own, other) if np.isfinite(other) else own

    return replace(
        evidence,
        with_known_hp=under(evidence.with_known_hp, lighter.with_known_hp),
        raise_hp=float(np.minimum(evidence.raise_hp, lighter.raise_hp)),
        least_cost_hp=under(evidence.least_cost_hp, lighter.least_cost_hp),
        trial_hp=float(np.minimum(evidence.trial_hp, lighter.trial_hp)),
    )


def _alone(bound: RatingBound, known: Known | None, data: LifeData, settings: RatingSettings) -> Chances | None:
    """What the records alone say; None where they carry no model and nothing was known before."""
    if bound.by_distribution:
        low = min(r.calibrated for r in bound.by_distribution)
        return two_sided(bound.estimate_hp, float(np.exp(low)), bound.upper_hp, bound.promise.confidence)
    if bound.demonstrated_only and known is not None:
        return no_failure(data, bound.weight_lb, bound.promise, settings, known.power_hp)
    return None
