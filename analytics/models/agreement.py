"""How far two people who judge the same thing agree, beyond what chance would give.

Sources: Cohen, Educational and Psychological Measurement 20 (1960) 37-46 for kappa; Fleiss, Cohen and Everitt,
Psychological Bulletin 72 (1969) 323-327 for its standard errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.exact import binomial_limits
from analytics.models.nonparametric import two_sided_z


@dataclass(frozen=True, slots=True)
class Agreement:
    """observed: share judged alike, with exact limits; by_chance: share expected of two who judge blindly with the same
    habits; kappa: how much of the room above chance is filled (1 always alike, 0 as chance), with limits on the large-sample
    error. p_value: two-sided, of kappa 0. kappa and what follows are NaN where both used one word only."""

    pairs: int
    alike: int
    observed: float
    observed_lower: float
    observed_upper: float
    by_chance: float
    kappa: float
    std_err: float
    lower: float
    upper: float
    p_value: float
    level: float


def kappa(first: Sequence[str], second: Sequence[str], level: float = 0.95) -> Agreement:
    """Cohen's kappa of two judgements per thing, ``first`` and ``second`` (n,), with two-sided limits at ``level``.

    Raises AnalyticsError where the two differ in length, NotEnoughData without a pair.
    """
    import pandas as pd

    if len(first) != len(second):
        raise AnalyticsError(f"{len(first)} first judgements for {len(second)} second ones: give one of each.")
    if not len(first):
        raise NotEnoughData("nothing was judged twice: there is no agreement to measure.")
    code, words = pd.factorize(np.r_[np.asarray(first, object), np.asarray(second, object)], sort=True)
    table = np.zeros((len(words), len(words)))
    np.add.at(table, (code[: len(first)], code[len(first) :]), 1.0)
    n = table.sum()
    p = table / n
    row, column = p.sum(1), p.sum(0)
    same, chance = float(np.trace(p)), float(row @ column)
    alike = int(np.trace(table))
    share = binomial_limits(alike, int(n), level)
    nan = float("nan")
    value = error = lower = upper = p_value = nan
    if chance < 1:
        value = (same - chance) / (1 - chance)
        # Fleiss, Cohen and Everitt (1969), equations for the large-sample variance with and without agreement
        diagonal = float(np.diag(p) @ (1 - (row + column) * (1 - value)) ** 2)
        spread = (column[:, None] + row[None, :]) ** 2
        np.fill_diagonal(spread, 0.0)
        off = (1 - value) ** 2 * float((p * spread).sum())
        variance = (diagonal + off - (value - chance * (1 - value)) ** 2) / (n * (1 - chance) ** 2)
        error = float(np.sqrt(max(variance, 0.0)))
        z = two_sided_z(level)
        lower, upper = max(value - z * error, -1.0), min(value + z * error, 1.0)
        null = (chance + chance**2 - float((row * column) @ (row + column))) / (n * (1 - chance) ** 2)
        p_value = float(2 * ndtr(-abs(value) / np.sqrt(null))) if null > 0 else nan
    return Agreement(int(n), alike, same, share.lower, share.upper, chance, value, error, lower, upper, p_value, level)
