"""The share of a part that lasts over the powers seen, where power is not shown to matter for it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from analytics.models.distributions import log_survival
from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.posterior import posterior_draws
from analytics.models.priors import Priors
from analytics.ratings.bound import RatingBound, driving_of
from analytics.ratings.fits import PartFits
from analytics.ratings.none_failed import NoneFailed
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import Fitted, drawn
from analytics.reasons import Checked, Reason, Rests, reason

_DRAWS, _SEED = 512, 1
#: components whose life hardly follows power but miles, dirt, heat and age (common practice, no source), where the records do not show otherwise
_BY_MILES = ("valve", "valvebody", "vb", "solenoid", "solenoids", "seal", "seals", "gasket", "gaskets")
#: checks that say that the records do not show how life falls with power
POWER_NOT_SHOWN: frozenset[Checked] = frozenset({Checked.SLOPE_NOT_SHOWN, Checked.SLOPE_UNSETTLED, Checked.ONE_POWER})


def hardly_by_power(component: str) -> bool:
    """Whether life hardly follows power in components of the kind of this ``component``."""
    return not set(component.split()).isdisjoint(_BY_MILES)


def by_miles(component: str, bound: RatingBound) -> bool:
    """Whether no power is published of a part of the ``component`` with the rating ``bound``: life hardly follows power in parts of its kind, and its own
    failures, if there are any, do not show that it does here."""
    return hardly_by_power(component) and (bound.demonstrated_only or bound.has(*POWER_NOT_SHOWN))


def lasts_unfailed(bound: RatingBound, data: LifeData, settings: RatingSettings, component: str) -> tuple[Reason, ...]:
    """What share of a part that never failed lasts, at the weight and use of the rating ``bound`` of a ``component``, with every power taken as one; () where power
    may matter in parts of its kind, or its lives (``data``) rule nothing out. settings: of the rating."""
    if not by_miles(component, bound):
        return ()
    use = data.code_of(bound.rated_use) if settings.use_terms and bound.rated_use else None
    one = _one_power(data)
    its = one if use is None else one.take(one.use == use)
    promise = bound.promise
    none = NoneFailed(its, bound.weight_lb, promise, settings, driving_of(data, settings))
    share, least = (
        none.lasting(float(one.log_power[0]), promise.reliability, sure) for sure in (0.5, promise.confidence)
    )
    if not np.isfinite(least):
        return ()
    told = Lasting(share, least, *_most_have(data, use))
    return (reason(Rests.LASTS_AT_ANY_POWER, **asdict(told), life=promise.life, counted=promise.counted),)


def lasts_though_not_shown(
    bound: RatingBound, made: PartFits, settings: RatingSettings, component: str
) -> tuple[Reason, ...]:
    """What share lasts at the weight and use of the rating ``bound`` of a ``component``; () where its records show that power matters, and carry one, and where damage that
    only a teardown shows stands apart, which a share of these fits would leave out. made:
    the fits behind it, under the ``settings``. Where they carry none: in the weakest trucks, up to the power that one in ten has at most. Where life hardly follows power in such a component, over the powers that most trucks of that use have; in another, that the records
    do not show it is no sign that it doesn't: up to the power that most have, with the slope that its prior holds up (taken as one, the powers gave shares
    that held at the top of them in .42 of 36 rows of converters and clutches of ten invented shops, 2026 seeds 1001 to 1010)."""
    shown = not bound.has(Checked.SLOPE_NOT_SHOWN, Checked.SLOPE_UNSETTLED)
    weak = bound.has(Rests.BELOW_POWERS, Rests.LIGHTER_UNRATED)
    if (shown and not weak) or made.hidden is not None:
        return ()
    use = made.rated.code_of(bound.rated_use) if settings.use_terms and bound.rated_use else 0
    low, high = _most_have(made.rated, use if bound.rated_use else None)
    promise, rest, weight_lb = bound.promise, 1 - bound.early_share, rated_weight(bound.weight_lb)
    asked = {"life": promise.life, "counted": promise.counted}
    if shown or not hardly_by_power(component):
        up_to, code = (low, Rests.LASTS_IN_WEAKEST) if weak else (high, Rests.LASTS_UP_TO)
        shares = [_share_at(f, up_to, weight_lb, use, promise, settings) for f in made.fits]
        share, least = (float(rest * min(column)) for column in zip(*shares, strict=True))
        return (reason(code, power_hp=up_to, share=share, at_least=least, **asked),)
    found = lasting_share(made.rated, weight_lb, use, promise, settings)
    if found is None:
        return ()
    told = Lasting(found.share * rest, found.at_least * rest, low, high)
    return (reason(Rests.LASTS_AT_ANY_POWER, **asdict(told), **asked),)


def _one_power(data: LifeData) -> LifeData:
    """The lives (``data``) with every power taken as their mean."""
    return replace(data, log_power=np.full(len(data.log_power), np.average(data.log_power, weights=data.weight)))


#: shares of the trucks of a use that have less, and no more, than the powers told
_MOST = (0.1, 0.9)


def _most_have(data: LifeData, use: int | None) -> tuple[float, float]:
    """The powers, hp, between which most trucks of a ``use`` by its code (None: of all) lie in ``data``."""
    its = data.use == use if use is not None else np.ones(len(data.use), bool)
    powers = np.repeat(data.log_power[its], np.maximum(data.weight[its].astype(int), 1))
    low, high = np.exp(np.quantile(powers, _MOST))
    return float(low), float(high)


def _share_at(
    fitted: Fitted, power_hp: float, weight_lb: float, use: int, promise: Promise, settings: RatingSettings
) -> tuple[float, float]:
    """The share that lasts at a power, weight and ``use`` by its code under one distribution (``fitted``), and what it is at least."""
    theta, weight = drawn(fitted, settings.draws or _DRAWS, _SEED)
    model = fitted.model
    at = np.concatenate([[1.0], model.covariates(float(np.log(power_hp)), float(np.log(weight_lb)), use)])
    return _quantiles(theta[:, model.layout.gamma] @ at, weight, model.distribution, promise.confidence)


def _quantiles(centre: np.ndarray, weight: np.ndarray, distribution: str, confidence: float) -> tuple[float, float]:
    """Middle of the share that lasts over draws of x'gamma (``centre``) of this ``weight``, and what it is at least."""
    lasts = np.exp(log_survival(-centre, distribution)[0])
    order = np.argsort(lasts)
    up_to = np.cumsum(weight[order])
    middle, low = (float(lasts[order][min(np.searchsorted(up_to, q), len(order) - 1)]) for q in (0.5, 1 - confidence))
    return middle, low


@dataclass(frozen=True, slots=True)
class Lasting:
    """The ``share`` that reaches the promised life whatever the power from lowest_hp to highest_hp, and the share it is at_least, as sure as the
    promise is (a posterior quantile, not calibrated)."""

    share: float
    at_least: float
    lowest_hp: float
    highest_hp: float


def lasting_share(
    data: LifeData, weight_lb: float, use: int, promise: Promise, settings: RatingSettings
) -> Lasting | None:
    """Of the lives (``data``) under the ``settings`` and the ``promise``, at ``weight_lb`` and a ``use`` by its code,
    with every power taken as one; None where that cannot be fitted."""
    lives = np.sort(data.log_power)
    one = _one_power(data)
    priors = replace(
        settings.priors, power=settings.priors.power or Priors().power
    )  # of one power no slope can be told
    model, top = fit_joint(replace(settings, priors=priors).model(one, promise.life, "weibull"))
    if not top.converged[0]:
        return None
    theta, weight = posterior_draws(model, top, _DRAWS, _SEED)
    at = np.concatenate([[1.0], model.covariates(float(one.log_power[0]), float(np.log(weight_lb)), use)])
    middle, low = _quantiles(theta[:, model.layout.gamma] @ at, weight, "weibull", promise.confidence)
    return Lasting(middle, low, float(np.exp(lives[0])), float(np.exp(lives[-1])))
