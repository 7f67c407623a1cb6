"""Reliability against power at the target life, for the picture of a rating."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.models.lifedata import rated_weight
from analytics.ratings.all_damage import all_for_all_damage
from analytics.ratings.bound import MOST_RELIABLE, RatingBound, as_hp
from analytics.ratings.options import Options
from analytics.ratings.sheet import PartRating
from analytics.ratings.signed_root import rate_fit

_RELIABILITIES = (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.93, 0.95, 0.97, 0.98, 0.99)


def reliability_curve(rated: PartRating, bound: RatingBound, options: Options) -> pd.DataFrame:
    """Power at which each reliability is reached at the target life: estimate_hp and bound_hp, columns beside
    reliability. bound: one of the part ``rated`` under the ``options``.

    The bound at the asked reliability is the calibrated one; at the others the first-order bound is moved by the same
    factor, which is an approximation for the picture only. For all damage, where the bound is. Empty without failures: nothing is modelled then.
    """
    if bound.demonstrated_only or not math.isfinite(bound.estimate_hp):
        return pd.DataFrame(columns=["reliability", "estimate_hp", "bound_hp"])
    quick = replace(options.settings, explain=False, replicates=0, draws=0)
    fits, weight = rated.fits, rated_weight(bound.weight_lb)
    assert fits is not None  # an estimate was made
    # of the use that made the published figure
    name = bound.rated_use if quick.use_terms else ""
    use = rated.data.code_of(name) if name else 0

    def at_level(level: float) -> tuple[float, float, float]:
        rest = replace(options.promise, reliability=level).without(fits.early.share)
        if rest.reliability > MOST_RELIABLE:
            return level, math.nan, math.nan
        # the cap and the lowest power on record belong to the published figure, not to the curve
        alone = [rate_fit(f, weight, use, rest, quick, options.seed, full=False) for f in fits.fits]
        each = all_for_all_damage(alone, fits.fits, fits.hidden, weight, name, rest, options.settings)
        return level, as_hp(max(each, key=lambda r: r.loglik).estimate), as_hp(min(r.first_order for r in each))

    rows = list(map(at_level, sorted({*_RELIABILITIES, options.promise.reliability})))
    frame = pd.DataFrame(rows, columns=["reliability", "estimate_hp", "bound_hp"])
    at = frame["reliability"] == options.promise.reliability
    calibrated = min((r.calibrated for r in bound.by_distribution), default=math.nan)
    first = float(frame.loc[at, "bound_hp"].iat[0])
    if math.isfinite(calibrated) and math.isfinite(first):
        frame["bound_hp"] *= min(math.exp(calibrated) / first, 1.0)
    return frame.replace(0.0, np.nan)
