"""The share that comes back for each finding, where a unit can fail in several ways and only once.

Sources: Aalen and Johansen, Scand. J. Stat. 5 (1978) 141-150 for the estimate; Aalen, Ann. Stat. 6 (1978)
534-545 and Marubini and Valsecchi (1995) for the variance, as in R's cmprsk.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import AnalyticsError, NotEnoughData, number
from analytics.models.nonparametric import (
    Floats,
    Ints,
    check_column,
    check_count,
    check_entry,
    risk_rows,
    survival_limits,
)
from analytics.reasons import Curve, Reason, reason

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CumulativeIncidence:
    """Cumulative incidence per finding on [0, last time]. Arrays of shape (causes, k) over distinct times
    (k,).

    incidence: share failed from the cause by then, the others competing; over all causes it adds up to 1 -
    survival. one_minus_km: the usual overestimate, which treats the other failures as units that might still
    fail of this cause. lower, upper: on log(-log(1 - incidence)), at the level of the survival curves; NaN before
    the cause's first failure.
    """

    causes: tuple[Hashable, ...]
    time: Floats
    at_risk: Ints
    failed: Ints
    censored: Ints
    entered: Ints
    incidence: Floats
    std_err: Floats
    lower: Floats
    upper: Floats
    one_minus_km: Floats
    survival: Floats
    notes: tuple[Reason, ...]

    @property
    def units(self) -> int:
        """At the start and entered later."""
        return int(self.at_risk[0] + self.entered.sum())

    def __repr__(self) -> str:
        shares = ", ".join(f"{c}: {v:.4g}" for c, v in zip(self.causes, self.incidence[:, -1], strict=True))
        return f"CumulativeIncidence({self.units:,} units to {number(self.time[-1])}; {shares})"

    def to_frame(self) -> pd.DataFrame:
        """One row per cause and distinct time, unrounded."""
        import pandas as pd

        return pd.concat(
            [self._frame(j, np.arange(len(self.time)), self.time) for j in range(len(self.causes))], ignore_index=True
        )

    def _frame(self, j: int, i: np.ndarray, times: Floats) -> pd.DataFrame:
        import pandas as pd

        k = np.maximum(i, 0)
        started = i >= 0
        after = self.at_risk - self.failed.sum(axis=0) - self.censored + self.entered
        at_risk = np.where(~started, self.at_risk[0], np.where(self.time[k] == times, self.at_risk[k], after[k]))
        here = started & (self.time[k] == times)
        return pd.DataFrame(
            {
                "cause": [self.causes[j]] * len(times),
                "time": times,
                "at_risk": at_risk,
                "failed": np.where(here, self.failed[j, k], 0),
                "censored": np.where(here, self.censored[k], 0),
                "incidence": np.where(started, self.incidence[j, k], 0.0),
                "std_err": np.where(started, self.std_err[j, k], 0.0),
                "lower": np.where(started, self.lower[j, k], np.nan),
                "upper": np.where(started, self.upper[j, k], np.nan),
                "one_minus_km": np.where(started, self.one_minus_km[j, k], 0.0),
                "survival": np.where(started, self.survival[k], 1.0),
            }
        )

    def incidence_at(self, t: ArrayLike) -> pd.DataFrame:
        """One row per cause and chosen time, with limits. Raises outside [0, last time]."""
        import pandas as pd

        times = np.atleast_1d(np.asarray(t, dtype=float))
        bad = ~((times >= 0) & (times <= self.time[-1]))
        if bad.any():
            raise AnalyticsError(
                f"incidence asked at {number(times[bad][0])}, but the records run from 0 to "
                f"{number(self.time[-1])}: ask inside that range."
            )
        i = np.searchsorted(self.time, times, side="right") - 1
        return pd.concat([self._frame(j, i, times) for j in range(len(self.causes))], ignore_index=True)


def _cause_codes(cause: ArrayLike, length: int) -> tuple[Ints, list[Hashable]]:
    """Codes, 0 for running, and the labels of codes 1.. in order."""
    import pandas as pd

    labels = pd.Series(cause)
    if len(labels) != length:
        raise AnalyticsError(f"cause has {len(labels)} values for {length} units: give one per unit.")
    running = (labels.isna() | (labels == "") | (labels == 0)).to_numpy()
    codes = np.zeros(length, dtype=np.int64)
    failed, names = pd.factorize(labels[~running], sort=True)
    codes[~running] = failed + 1
    return codes, names.tolist()


def _aalen_variance(n: Floats, d: Floats, d_own: Floats, before: Floats, after: Floats, own: Floats) -> Floats:
    """Variance of the incidence `own` (k,), with the (n - d)/(n - 1) correction for ties."""

    def spread(failures: Floats) -> Floats:
        ties = np.where(n > 1, (n - failures) / np.maximum(n - 1, 1), 1.0)
        return before**2 * failures / n**2 * np.where(failures > 0, ties, 0.0)

    with np.errstate(divide="ignore"):
        inverse = np.where(after > 0, 1 / after, 0.0)
    # Increments of the other causes matter only through survival; those of this cause directly as well.
    other, mine = np.where(after > 0, spread(d - d_own), 0.0), spread(d_own)
    direct = 1 + inverse * own
    a = np.cumsum((inverse * own) ** 2 * other + direct**2 * mine)
    b = np.cumsum(inverse * (inverse * own) * other + inverse * direct * mine)
    c = np.cumsum(inverse**2 * (other + mine))
    return a - 2 * own * b + own**2 * c


def cumulative_incidence(
    time: ArrayLike,
    cause: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> CumulativeIncidence:
    """Aalen-Johansen cumulative incidence per cause, exact on ties, with late entry and counts.

    time: age at failure or when last seen, shape (n,); cause: what failed, one label per row; blank, missing
    or 0 is still running. entry, count as for `kaplan_meier`.
    Raises NotEnoughData where nothing failed.
    """
    times = check_column("time", time)
    codes, labels = _cause_codes(cause, len(times))
    entries = check_entry(entry, times, codes > 0)
    counts = check_count(count, len(times))
    if not counts[codes > 0].sum():
        raise NotEnoughData(f"none of {int(counts.sum()):,} units failed: there is no incidence; use an exact bound.")
    zeros = np.zeros(len(times), dtype=np.int64)
    rows = risk_rows(times, codes, entries, counts, zeros, 1, len(labels))
    # Rows where nobody is at risk (a late entry only) divide by one instead of nought; nothing fails there.
    n = np.maximum(rows.at_risk, 1).astype(float)
    d = rows.failed.sum(axis=0).astype(float)
    survival = np.cumprod((n - d) / n)
    before = np.concatenate([[1.0], survival[:-1]])
    incidence = np.cumsum(before * rows.failed / n, axis=1)
    one_minus_km = 1 - np.cumprod((n - rows.failed) / n, axis=1)
    std_err = np.empty_like(incidence)
    for j, (d_own, own) in enumerate(zip(rows.failed.astype(float), incidence, strict=True)):
        square = _aalen_variance(n, d, d_own, before, survival, own)
        std_err[j] = np.sqrt(np.maximum(square, 0))
    limits = [survival_limits(1 - f, s) for f, s in zip(incidence, std_err, strict=True)]
    notes = []
    zero = np.flatnonzero(survival == 0)
    if len(zero) and rows.entered[zero[0] :].sum():
        notes.append(
            reason(
                Curve.ALL_FAILED_BEFORE_OTHERS, time=float(rows.time[zero[0]]), later=int(rows.entered[zero[0] :].sum())
            )
        )
    return CumulativeIncidence(
        causes=tuple(labels),
        time=rows.time,
        at_risk=rows.at_risk,
        failed=rows.failed,
        censored=rows.censored,
        entered=rows.entered,
        incidence=incidence,
        std_err=std_err,
        lower=np.array([1 - upper for _, upper in limits]),
        upper=np.array([1 - lower for lower, _ in limits]),
        one_minus_km=one_minus_km,
        survival=survival,
        notes=tuple(notes),
    )
