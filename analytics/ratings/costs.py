"""What each default of a rating takes off it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.models.joint import fit_joint
from analytics.models.lifedata import LifeData
from analytics.ratings.early import early_check
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import Fitted, rate_law
from analytics.reasons import Default, Reason, reason


def costs_of_defaults(
    data: LifeData, weight_lb: float, use: int, promise: Promise, settings: RatingSettings, early_fired: bool
) -> list[Reason]:
    """The first-order bound with each default against the one without it, as a relative change."""
    s = settings
    here = _first_order(data, weight_lb, use, promise, s)
    if not np.isfinite(here):
        return []
    offers = (
        (Default.BOTH_LAWS, s.both_laws, {"both_laws": False}),
        (Default.SELECTION, s.selection, {"selection": False}),
        (Default.DECLINE, s.decline, {"decline": False}),
        (Default.SHARE, s.share is None, {"share": 1.0}),
        (Default.EARLY, s.early and early_fired, {"early": False}),
    )
    found = []
    for code, on, off in offers:
        without = _first_order(data, weight_lb, use, promise, replace(s, **off)) if on else np.nan
        if np.isfinite(without):
            found.append(reason(code, change=np.expm1(here - without)))
    return found


def _first_order(data: LifeData, weight_lb: float, use: int, promise: Promise, settings: RatingSettings) -> float:
    """The lower first-order bound of the distributions, as log power; NaN where none converged."""
    if settings.early:
        check, data = early_check(data, promise.life_miles, settings)
        promise = promise.without(check.share)
    fits = [fit_joint(settings.model(data, promise.life_miles, law)) for law in settings.distributions]
    fits = [(m, t) for m, t in fits if t.converged[0]]
    best = max((float(t.value[0]) for _, t in fits), default=np.nan)
    fitted = [Fitted(m, t, best - float(t.value[0])) for m, t in fits]
    return min((rate_law(f, weight_lb, use, promise, settings, 0, False).first_order for f in fitted), default=np.nan)
