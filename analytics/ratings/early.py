"""Early failures, told from wear."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import poisson

from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData
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


def early_check(data: LifeData, life_miles: float, settings: RatingSettings) -> tuple[EarlyCheck, LifeData]:
    """Are there more failures under ``early_test.miles`` than wear explains? If so, the data with those taken out as
    failures (the life ends there, unfailed), to be rated at R/(1 - share). Nothing is looked for where the test is off."""
    limit = settings.early_test.miles
    if not settings.early:
        return EarlyCheck(0, NAN, NAN, False, 0.0, limit), data
    early = data.failed & (np.where(np.isfinite(data.upper), data.upper, np.inf) <= limit)
    seen = float(data.weight[early].sum())
    if seen < 2 or seen == data.failures:
        return EarlyCheck(seen, NAN, NAN, False, 0.0, limit), data
    cleaned = replace(
        data,
        lower=np.where(early, np.maximum(data.upper, 1.0), data.lower),
        upper=np.where(early, np.inf, data.upper),
        lower_days=np.where(early, data.upper_days, data.lower_days),
        upper_days=np.where(early, np.inf, data.upper_days),
        known_alive=data.known_alive | early,
    )
    model, top = fit_joint(replace(settings, share=settings.share or 1.0).model(cleaned, life_miles, "weibull"))
    theta = top.theta[0]
    z = np.exp(theta[0]) * np.log(limit / life_miles) - model.x @ theta[model.layout.gamma]
    new = (data.entry == 0) & (data.entry_days == 0)
    expected = float((data.weight * -np.expm1(-np.exp(z)))[new].sum())
    p_value = float(poisson.sf(seen - 1, expected))
    if not (p_value < settings.early_test.level):
        return EarlyCheck(seen, expected, p_value, False, 0.0, limit), data
    # the share itself is uncertain: an upper limit of it, not its estimate
    share = float(needed(seen, settings.early_test.confidence) / data.weight[new].sum())
    return EarlyCheck(seen, expected, p_value, True, share, limit), cleaned
