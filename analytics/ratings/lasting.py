"""The share of a part that lasts over the powers seen, where power is not shown to matter for it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from analytics.models.distributions import log_survival
from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.posterior import posterior_draws
from analytics.models.priors import Priors
from analytics.ratings.bound import RatingBound
from analytics.ratings.fits import PartFits
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Checked, Reason, Rests, reason

_DRAWS, _SEED = 512, 1
#: components whose life hardly follows power but miles, dirt, heat and age (common practice, no source), where the records do not show otherwise
_BY_MILES = ("valve", "valvebody", "vb", "solenoid", "solenoids", "seal", "seals", "gasket", "gaskets")
#: checks that say that the records do not show how life falls with power
POWER_NOT_SHOWN: frozenset[Checked] = frozenset({Checked.SLOPE_NOT_SHOWN, Checked.SLOPE_UNSETTLED, Checked.ONE_POWER})


def hardly_by_power(component: str) -> bool:
    """Whether life hardly follows power in components of the kind of this ``component``."""
    return not set(component.split()).isdisjoint(_BY_MILES)


def lasts_at_any_power(bound: RatingBound, made: PartFits, settings: RatingSettings) -> tuple[Reason, ...]:
    """What share lasts over the powers seen, at the weight and use of the rating ``bound``; () where its records show that power matters. made:
    the fits behind it, under the ``settings``."""
    if not bound.has(Checked.SLOPE_NOT_SHOWN, Checked.SLOPE_UNSETTLED):
        return ()
    use = made.rated.code_of(bound.rated_use) if settings.use_terms and bound.rated_use else 0
    promise, rest = bound.promise, 1 - bound.early_share
    found = lasting_share(made.rated, rated_weight(bound.weight_lb), use, promise, settings)
    if found is None:
        return ()
    told = replace(found, share=found.share * rest, at_least=found.at_least * rest)
    return (reason(Rests.LASTS_AT_ANY_POWER, **asdict(told), life=promise.life, counted=promise.counted),)


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
    one = replace(data, log_power=np.full(len(lives), np.average(data.log_power, weights=data.weight)))
    priors = replace(
        settings.priors, power=settings.priors.power or Priors().power
    )  # of one power no slope can be told
    model, top = fit_joint(replace(settings, priors=priors).model(one, promise.life, "weibull"))
    if not top.converged[0]:
        return None
    theta, weight = posterior_draws(model, top, _DRAWS, _SEED)
    at = np.concatenate([[1.0], model.covariates(float(one.log_power[0]), float(np.log(weight_lb)), use)])
    lasts = np.exp(log_survival(-(theta[:, model.layout.gamma] @ at), "weibull")[0])
    order = np.argsort(lasts)
    up_to = np.cumsum(weight[order])
    middle, low = (
        float(lasts[order][min(np.searchsorted(up_to, q), len(order) - 1)]) for q in (0.5, 1 - promise.confidence)
    )
    return Lasting(middle, low, float(np.exp(lives[0])), float(np.exp(lives[-1])))
