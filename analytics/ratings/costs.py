"""What each default of a rating takes off it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.models.lifedata import LifeData
from analytics.ratings.fits import PartFits, fit_part
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import rate_fit
from analytics.reasons import Default, Reason, reason


def costs_of_defaults(
    data: LifeData, made: PartFits, weight_lb: float, use: int, promise: Promise, settings: RatingSettings
) -> list[Reason]:
    """The first-order bound with each default of the ``settings``, of the fits ``made`` of ``data``, against the one
    without it, as a relative change; at ``weight_lb``, a ``use`` by its code and the ``promise``. None for a default
    that is off, or where a bound cannot be made."""
    s = settings
    here = _first_order(made, weight_lb, use, promise, s)
    if not np.isfinite(here):
        return []
    offers = (
        (Default.BOTH_LAWS, s.both_laws, {"both_laws": False}),
        (Default.SELECTION, s.selection, {"selection": False}),
        (Default.DECLINE, s.decline, {"decline": False}),
        (Default.SHARE, s.share is None, {"share": 1.0}),
        (Default.EARLY, s.early and made.early.fired, {"early": False}),
    )
    found = []
    for code, on, off in offers:
        if not on:
            continue
        other = replace(s, **off, lately=False)
        fits = _without(data, made, code, promise.life, other)
        without = _first_order(fits, weight_lb, use, promise, other)
        if np.isfinite(without):
            found.append(reason(code, change=np.expm1(here - without)))
    return found


def _without(data: LifeData, made: PartFits, code: Default, life_miles: float, other: RatingSettings) -> PartFits:
    """The fits with one default off; nothing is fitted again that it does not touch."""
    if code is Default.BOTH_LAWS:
        return replace(made, fits=tuple(replace(f, behind=0.0) for f in made.fits if f.model.distribution == "weibull"))
    # the test of early failures counts every failure as reported, whatever is assumed
    known = (made.early, made.rated) if code is Default.SHARE else None
    return fit_part(data, life_miles, other, known)


def _first_order(made: PartFits, weight_lb: float, use: int, promise: Promise, settings: RatingSettings) -> float:
    """The lower first-order bound of the distributions, as log power; NaN where none converged."""
    rest = promise.without(made.early.share)
    bounds = [rate_fit(f, weight_lb, use, rest, settings, 0, False).first_order for f in made.fits]
    return min(bounds, default=np.nan)
