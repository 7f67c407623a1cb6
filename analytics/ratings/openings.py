"""How many more parts would have to be looked at before a limit is raised that hidden damage alone keeps down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.models.lifedata import LifeData, opened_of
from analytics.ratings.all_damage import all_for_all_damage, fit_hidden
from analytics.ratings.bound import RatingBound, as_hp
from analytics.ratings.fits import PartFits
from analytics.ratings.limit_evidence import Beside, evidence_of, rounded_down
from analytics.ratings.options import Options
from analytics.ratings.signed_root import FitRating
from analytics.ratings.verdict import judge

#: so many times the openings on record are tried, as many of them with damage
_TIMES = (1.5, 2.0, 3.0, 5.0, 10.0)


def openings_to_raise(
    bound: RatingBound, data: LifeData, fits: PartFits | None, beside: Beside, options: Options
) -> float | None:
    """How many more openings, found as those behind the rating ``bound`` were, would raise the limit in ``beside``; None where it is
    raised as it is, would not be without hidden damage either, or is not by ten times as many. data, fits: behind the bound; ``options``: of the rating."""
    opened, stopping = opened_of(data), tuple(r.stopping for r in bound.by_distribution if r.stopping)
    if opened is None or fits is None or fits.hidden is None or not np.isfinite(beside.published_hp):
        return None

    def raised(each: tuple[FitRating, ...]) -> bool:
        return _raises(bound, each, data, beside, options)

    if not stopping or raised(bound.by_distribution) or not raised(stopping):
        return None
    rest = bound.promise.without(bound.early_share)
    for times in _TIMES:
        more = fit_hidden(replace(opened, weight=opened.weight * times), options.promise.life, options.settings)
        each = all_for_all_damage(
            list(stopping), fits.fits, more, bound.weight_lb, bound.rated_use, rest, options.settings
        )
        if more and raised(tuple(each)):
            return (times - 1) * fits.hidden.opened
    return None


def _raises(bound: RatingBound, each: tuple[FitRating, ...], data: LifeData, beside: Beside, options: Options) -> bool:
    """Whether the limit in ``beside`` would be raised if the ratings of the ``bound`` were ``each``."""
    best = max(each, key=lambda r: r.loglik)
    supported = np.fmin(as_hp(min(r.calibrated for r in each)), bound.seen.cap_hp)
    other = replace(bound, by_distribution=each, estimate_hp=as_hp(best.estimate), bound_hp=float(supported))
    held = replace(beside, supported_hp=rounded_down(other.bound_hp, options.step_hp))
    return judge(evidence_of(other, held, data, options.settings), beside.published_hp, options).verdict == "raise"
