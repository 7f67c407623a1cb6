"""What is on file of a part before it is rated: the limit published today, what was known before the records, and the price of the next."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.ratings.limit_evidence import PUBLISHED_LOG_SD, Known
from analytics.records.limits import limit_for
from analytics.records.other_sheets import FROM_RECORDS
from analytics.records.shop import Shop

#: the share lost at which a dearer part pays stays within these, whatever the prices
_LEAST_LOST, _MOST_LOST = 0.02, 0.5


def published_hp(limits: pd.DataFrame, trucks: pd.DataFrame) -> np.ndarray:
    """The limit in hp that holds for each row of ``trucks`` (n,), as `limit_for` finds it in ``limits``; NaN for none."""
    at = limit_for(limits, trucks)
    return np.array([float(limits["power_limit_hp"].iat[i]) if i >= 0 else math.nan for i in at])


def known_before(limits: pd.DataFrame, trucks: pd.DataFrame) -> list[Known | None]:
    """For each row of ``trucks`` the last of ``limits`` that does not rest on the records themselves, as a guess; None where there is none."""
    own = limits[limits["basis"] != FROM_RECORDS]
    at = limit_for(own, trucks)
    power, sure = own["power_limit_hp"].to_numpy(float), own["sure_within"].to_numpy(float)
    return [Known(power[i], _log_sd(sure[i])) if i >= 0 else None for i in at]


def _log_sd(sure_within: float) -> float:
    """Of a figure that lies within this share of the truth nine times in ten; not stated (NaN): the default."""
    return PUBLISHED_LOG_SD if math.isnan(sure_within) else math.log1p(sure_within) / float(ndtri(0.95))


def price_over_comeback(shop: Shop, part: str, others: Collection[str], otherwise: float) -> float:
    """Price step from a ``part`` to the next dearer of ``others`` over the cost of a comeback, as [costs] of the ``shop`` states them: the share
    of parts that may be lost before the dearer one pays. otherwise: where they are not stated."""
    stated, comeback = shop.costs.get("parts"), _amount(shop.costs.get("comeback"))
    prices: dict[str, object] = stated if isinstance(stated, dict) else {}
    own = _amount(prices.get(part))
    if not (own >= 0 and comeback > 0):
        return otherwise
    steps = [step for other in others if (step := _amount(prices.get(other)) - own) > 0]
    return float(np.clip(min(steps) / comeback, _LEAST_LOST, _MOST_LOST)) if steps else otherwise


def _amount(value: object) -> float:
    """A price of shop.toml; NaN for what is none (the commands that need it say so)."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
