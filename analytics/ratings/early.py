"""Early failures, told from wear."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import poisson

from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData
from analytics.models.posterior import posterior_draws
from analytics.ratings.demonstration import needed
from analytics.ratings.settings import RatingSettings

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class EarlyCheck:
    """seen failures under ``miles``, expected of wear, p-value; fired; share of units taken as early failures."""

    seen: float
    expected: float
    p_value: float
    fired: bool
    share: float
    miles: float


#: draws of what the later life leaves open, and their seed
_DRAWS, _SEED = 256, 1
#: the shape in this test, of log: from the later life alone it must be free to be that of parts that fail at any age
_SHAPE = (0.0, 0.7)


def early_check(data: LifeData, life_miles: float, settings: RatingSettings) -> tuple[EarlyCheck, LifeData]:
    """Are there more failures in ``data`` under ``early_test.miles`` of the ``settings`` than wear explains? If so, the data with those taken out
    as failures (the life ends there, unfailed), to be rated at R/(1 - share). life_miles: the target life.

    Wear is what the lives past those miles say of it, given that they reached them, so that no early failure bends it; what they
    leave open (draws of the posterior) is in the p-value. Not asked where the target life itself is no longer, nor where the test
    is off.
    """
    limit = settings.early_test.miles
    if not settings.early:
        return EarlyCheck(0, NAN, NAN, False, 0.0, limit), data
    early = data.failed & (np.where(np.isfinite(data.upper), data.upper, np.inf) <= limit)
    seen = float(data.weight[early].sum())
    none = EarlyCheck(seen, NAN, NAN, False, 0.0, limit), data
    if seen < 2 or seen == data.failures or life_miles <= limit:
        return none
    expected = _expected(data, early, life_miles, settings)
    if expected is None:
        return none
    middle = float(expected.mean())
    p_value = float(poisson.sf(seen - 1, expected).mean())
    if not (p_value < settings.early_test.level):
        return EarlyCheck(seen, middle, p_value, False, 0.0, limit), data
    cleaned = replace(
        data,
        lower=np.where(early, np.maximum(data.upper, 1.0), data.lower),
        upper=np.where(early, np.inf, data.upper),
        days=replace(
            data.days,
            lower=np.where(early, data.days.upper, data.days.lower),
            upper=np.where(early, np.inf, data.days.upper),
        ),
        known_alive=data.known_alive | early,
    )
    new = (data.entry == 0) & (data.days.entry == 0)
    # the share itself is uncertain: an upper limit of it, not its estimate
    share = float(needed(seen, settings.early_test.confidence) / data.weight[new].sum())
    return EarlyCheck(seen, middle, p_value, True, share, limit), cleaned


def _expected(data: LifeData, early: np.ndarray, life_miles: float, settings: RatingSettings) -> np.ndarray | None:
    """Failures under the limit that wear explains, (draws,) equally likely; None where the later life cannot be fitted."""
    limit = settings.early_test.miles
    end = np.where(np.isfinite(data.upper), data.upper, data.lower)
    past = ~early & ~(end <= limit)
    if not (data.failed & past).any():
        return None
    later = data.take(np.flatnonzero(past))
    reached = np.minimum(np.where(np.isnan(later.lower), 0.0, limit), np.nan_to_num(later.lower))
    later = replace(later, entry=np.maximum(later.entry, reached))
    free = replace(settings, share=settings.share or 1.0, priors=replace(settings.priors, shape=_SHAPE))
    model, top = fit_joint(free.model(later, life_miles, "weibull"))
    if not top.converged[0] or not top.theta[0][model.layout.gamma][1] < 0:
        return None
    theta, weight = posterior_draws(model, top, _DRAWS, _SEED)
    # equal weights, in order: as many of each draw as its weight is worth
    theta = theta[np.searchsorted(np.cumsum(weight), (np.arange(_DRAWS) + 0.5) / _DRAWS).clip(max=_DRAWS - 1)]
    new = (data.entry == 0) & (data.days.entry == 0)
    columns = model.columns_of(data)[new]
    run = np.log(np.minimum(np.where(np.isnan(end) | early, limit, np.maximum(end, 1.0)), limit) / life_miles)[new]
    z = np.exp(theta[:, :1]) * run - theta[:, model.layout.gamma] @ columns.T
    return -np.expm1(-np.exp(np.minimum(z, 50))) @ data.weight[new]
