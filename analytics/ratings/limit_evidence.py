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
from analytics.models.lifedata import LifeData, opened_of
from analytics.ratings.bound import RatingBound, as_siblings_hp, driving_of
from analytics.ratings.none_failed import NoneFailed
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Rests, Verdict

NAN = float("nan")
#: what a published figure of no stated basis is worth: standard deviation of its log about the truth. Of .3, .4 and .6 the one
#: whose owner paid least in invented shops whose limits began at .7, 1.0 and 1.35 of the truth.
PUBLISHED_LOG_SD = 0.4
#: a part may be tried up to where the chance that its rating lies lower is this, and so far past the highest power with experience. Of .05, .1, .25 and .4 at 1.1 and
#: .25 at 1.2 the pair whose owner paid least in six invented shops at every price; where limits are right one time in three, four such trials in ten go above the truth
_TRIAL_DOUBT, _TRIAL_STEP = 0.25, 1.2
#: one side of the records' say where they rule nothing out on it
_WIDE = 1.0
_REACH, _POINTS, _COARSE = 2.5, 501, 10


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
    hidden: failures that only a teardown showed. unraised: why the limit is not raised whatever is supported, if so. any_power: power is not shown to matter for a part of a kind for which it hardly does.
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
    unraised: Verdict | None = None
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
    ``promise`` and the ``settings``."""
    none = NoneFailed(data, weight_lb, promise, settings, driving_of(data, settings))
    at = np.log(about_hp) + np.linspace(-_REACH, _REACH, _POINTS)
    known = np.log([max(none.chance(float(p)), 1e-300) for p in at[::_COARSE]])
    return _normalised(at, np.interp(at, at[::_COARSE], known))


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
    before these records. biased: the estimate is known to lean low. hidden: failures that only a teardown showed. few_known: power or weight of most of the trucks
    is taken from the few that have it."""

    supported_hp: float
    published_hp: float
    step_hp: float
    lost: float
    known: Known | None = None
    biased: bool = False
    hidden: int = 0
    few_known: bool = False

    def unraised(self, opened: bool) -> Verdict | None:
        """Why the limit is not raised whatever is supported: whether the few are like the rest nobody knows, and what was never opened is no survivor.
        opened: what openings found is in the figures."""
        if self.few_known:
            return Verdict.FEW_KNOWN
        return Verdict.HIDDEN_DAMAGE if self.hidden and not opened else None


def evidence_of(bound: RatingBound, beside: Beside, data: LifeData, settings: RatingSettings) -> LimitEvidence:
    """The evidence on a published limit from the rating ``bound`` of the lives ``data`` at its weight and use. beside: the limit and what goes
    with it. settings: the rating was made under."""
    known, published = beside.known, beside.published_hp
    plain = LimitEvidence(
        estimate_hp=bound.estimate_hp,
        supported_hp=beside.supported_hp,
        upper_hp=bound.upper_hp,
        known_hp=NAN if known is None else known.power_hp,
        raise_hp=_shown_firmly(bound, beside, data, settings) if bound.demonstrated_only else NAN,
        failures=bound.failures,
        at_least=bound.capped or bound.demonstrated_only,
        leans_low=beside.biased or bound.has(Rests.NO_ODOMETER),
        hidden=beside.hidden,
        unraised=beside.unraised(opened_of(data) is not None),
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
        raise_hp=plain.raise_hp if bound.demonstrated_only else rounded_down(firm, beside.step_hp),
        least_cost_hp=rounded_down(cheapest, beside.step_hp),
        too_high=held.below(published) if np.isfinite(published) else NAN,
        trial_hp=rounded_down(float(np.minimum(held.quantile_hp(_TRIAL_DOUBT), furthest)), beside.step_hp),
    )


def _shown_firmly(bound: RatingBound, beside: Beside, data: LifeData, settings: RatingSettings) -> float:
    """The power in hp that a part without failures may be raised to: what its own miles demonstrate; with what siblings lend, at half the doubt."""
    if not bound.has(Rests.AS_SIBLINGS):
        return beside.supported_hp
    half = replace(bound.promise, confidence=(1 + bound.promise.confidence) / 2)
    use = data.code_of(bound.use) if settings.use_terms and bound.use else None
    firm = as_siblings_hp(data, bound.weight_lb, half, settings, use)
    return float(np.minimum(rounded_down(firm, beside.step_hp), beside.supported_hp))


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
