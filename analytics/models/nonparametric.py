"""Survival without an assumed shape: Kaplan-Meier with late entry, for one group or many, and the life table.

A unit is at risk on (entry, time]. Entry 0 means seen from new, so that a failure at time 0 counts among the
units at risk. At a tie failures come before units that stopped running unfailed. Times carry any one unit
(miles, days, runs).

Sources: Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457-481; Greenwood (1926) for the variance; Nelson
(1969) and Aalen (1978) for the cumulative hazard; Brookmeyer and Crowley, Biometrics 38 (1982) 29-41 for
limits on a quantile.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.errors import AnalyticsError, NotEnoughData, number
from analytics.reasons import Curve, Reason, brief, reason

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
#: two-sided, of the limits of every curve
LEVEL = 0.95


def two_sided_z(level: float) -> float:
    """Normal quantile of two-sided limits; raises unless 0 < level < 1."""
    if not 0 < level < 1:
        raise AnalyticsError(f"level is {level!r}: give a confidence level between 0 and 1, such as 0.95.")
    return NormalDist().inv_cdf(0.5 + level / 2)


def _row(bad: NDArray[np.bool_]) -> int:
    return int(np.flatnonzero(bad)[0])


def check_column(name: str, values: ArrayLike, length: int | None = None) -> Floats:
    """``values`` as one column of floats, shape (n,): finite, not negative, of the stated length. Raises
    AnalyticsError, which calls the column ``name`` and tells the first bad row."""
    try:
        column = np.asarray(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise AnalyticsError(f"{name} holds a value that is not a number ({error}): give numbers only.") from None
    if column.ndim != 1:
        raise AnalyticsError(f"{name} has {column.ndim} dimensions: give one value per unit.")
    if length is not None and len(column) != length:
        raise AnalyticsError(f"{name} has {len(column)} values for {length} units: give one value per unit.")
    bad = ~np.isfinite(column)
    if bad.any():
        raise AnalyticsError(
            f"{name} of row {_row(bad)} (counted from 0) is {column[bad][0]}: leave out units without a known {name}."
        )
    bad = column < 0
    if bad.any():
        raise AnalyticsError(
            f"{name} of row {_row(bad)} (counted from 0) is {number(column[bad][0])}: it cannot be negative."
        )
    return column


def check_count(values: ArrayLike | None, length: int) -> Ints:
    """``values`` as counts of identical units, whole numbers >= 0, shape (length,); ones where None."""
    if values is None:
        return np.ones(length, dtype=np.int64)
    column = check_column("count", values, length)
    bad = column != np.floor(column)
    if bad.any():
        raise AnalyticsError(
            f"count of row {_row(bad)} (counted from 0) is {number(column[bad][0])}: "
            "a count is a whole number of identical units, not a weight."
        )
    return column.astype(np.int64)


def check_failed(values: ArrayLike, length: int) -> NDArray[np.bool_]:
    """``values`` as failed or not, shape (length,): booleans, or 0 and 1. Raises AnalyticsError on any other."""
    column = np.asarray(values)
    if column.shape != (length,):
        raise AnalyticsError(f"failed has shape {column.shape} for {length} units: give one value per unit.")
    if column.dtype == bool:
        return column
    bad = np.array([value not in (0, 1) for value in column.tolist()], dtype=bool)
    if bad.any():
        raise AnalyticsError(
            f"failed of row {_row(bad)} (counted from 0) is {column[bad].tolist()[0]!r}: give True or False (or 1 and 0)."
        )
    return column.astype(bool)


def check_entry(values: ArrayLike | None, time: Floats, failed: NDArray[np.bool_]) -> Floats:
    """``values`` as ages at which units came under observation, shape (n,); zeros where None. Raises AnalyticsError on
    one after its time, or at it where it failed (``failed``)."""
    if values is None:
        return np.zeros(len(time))
    entry = check_column("entry", values, len(time))
    bad = (entry > time) | ((entry == time) & (entry > 0) & failed)
    if bad.any():
        i = _row(bad)
        raise AnalyticsError(
            f"entry of row {i} (counted from 0) is {number(entry[i])} and its time is {number(time[i])}: "
            "a unit must come under observation before it fails or leaves."
        )
    return entry


def units_at_risk(times: Floats, time: Floats, entry: Floats, count: Ints) -> Ints:
    """Units at risk at each of `times`, shape (k,), for units on (entry, time], ``count`` a row."""

    def at_or_after(values: Floats, units: Ints) -> Ints:
        order = np.argsort(values, kind="stable")
        left = units.sum() - np.concatenate([[0], np.cumsum(units[order])])
        return left[np.searchsorted(values[order], times, side="left")]

    late = entry > 0
    return at_or_after(time, count) - at_or_after(entry[late], count[late])


@dataclass(frozen=True, slots=True, eq=False)
class RiskRows:
    """What happened at each distinct time of each cell. Arrays of shape (r,), ordered by cell and time.

    cell: cell code; first: row where each cell begins, shape (cells + 1,); failed: shape (causes, r);
    entered: units that came under observation at that time and are at risk after it.
    """

    cell: Ints
    first: Ints
    time: Floats
    at_risk: Ints
    failed: Ints
    censored: Ints
    entered: Ints


def risk_rows(
    time: Floats, cause: Ints, entry: Floats, count: Ints, cell: Ints, cells: int, causes: int = 1
) -> RiskRows:
    """Units at risk, failed, censored and entered per cell and distinct time, from one sort of all cells.

    time, entry: shape (n,); cause: 0 for unfailed, else 1 to causes; count: whole numbers; cell: 0 to cells -
    1.
    """
    # An unfailed unit that enters as it leaves was never at risk.
    keep = (count > 0) & ((entry < time) | (entry == 0))
    if not keep.all():
        time, cause, entry, count, cell = time[keep], cause[keep], entry[keep], count[keep], cell[keep]
    late = np.flatnonzero(entry > 0)
    # Late entries stand as one more kind of row: kind 0.
    kind = cause + 1
    if len(late):
        time, cell = np.concatenate([time, entry[late]]), np.concatenate([cell, cell[late]])
        kind, count = np.concatenate([kind, np.zeros(len(late), dtype=np.int64)]), np.concatenate([count, count[late]])
    code, times = _whole(time)
    bits = int(causes + 1).bit_length()
    key = ((cell * times.span + code) << bits) | kind
    if (count == 1).all():
        key.sort()
        units = None
    else:
        order = np.argsort(key, kind="stable")
        key, units = key[order], count[order]
    place = key >> bits
    kind = key & ((1 << bits) - 1)
    start = np.flatnonzero(np.concatenate([[True], place[1:] != place[:-1]]))

    def summed(of_kind: int) -> Ints:
        own = (kind == of_kind).astype(np.int64)
        return np.add.reduceat(own if units is None else own * units, start)

    place = place[start]
    row_cell = place // times.span
    first = np.searchsorted(row_cell, np.arange(cells + 1))
    failed = np.array([summed(2 + k) for k in range(causes)])
    censored = summed(1)
    entered = summed(0) if len(late) else np.zeros_like(censored)
    gone = censored + failed.sum(axis=0) - entered
    before = np.concatenate([[0], np.cumsum(gone)])
    # of each cell all that ever came, less those that came later
    at_risk = (before[first[1:]] - before[first[:-1]])[row_cell] - (before[:-1] - before[first[row_cell]])
    return RiskRows(row_cell, first, times.at(place - row_cell * times.span), at_risk, failed, censored, entered)


@dataclass(frozen=True, slots=True)
class _Times:
    """What whole numbers below ``span`` stand for: themselves, or places among the ``distinct`` times."""

    span: int
    distinct: Floats | None

    def at(self, code: Ints) -> Floats:
        return code.astype(float) if self.distinct is None else self.distinct[code]


#: times up to this are their own codes, if whole: with so many cells and causes they are packed into 63 bits
_WHOLE = 2.0**31


def _whole(values: Floats) -> tuple[Ints, _Times]:
    """``values`` (n,) as whole numbers in the same order, and what these stand for."""
    top = values.max(initial=0.0)
    code = values.astype(np.int64) if top < _WHOLE else None
    if code is not None and (code == values).all():
        return code, _Times(int(top) + 1, None)
    distinct, code = np.unique(values, return_inverse=True)
    return code, _Times(len(distinct), distinct)


def survival_limits(survival: Floats, std_err: Floats) -> tuple[Floats, Floats]:
    """Pointwise two-sided limits at LEVEL from ``survival`` S and its std_err, (k,) each, made on log(-log S), inside [0, 1].

    There are none (NaN) while nothing has failed (S = 1) nor once S = 0: the exact bounds serve there.
    """
    inside = (survival > 0) & (survival < 1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        log = np.where(inside, np.log(survival), np.nan)
        spread = np.exp(two_sided_z(LEVEL) * (std_err / survival) / -log)
        return np.exp(log * spread), np.exp(log / spread)


def _product_limit(rows: RiskRows) -> dict[str, Floats]:
    """Survival, its Greenwood s.e., cumulative hazard and its s.e., each of shape (r,)."""
    n = rows.at_risk.astype(float)
    d = rows.failed[0].astype(float)
    n = np.maximum(n, 1.0)  # where nobody is at risk nothing fails
    hazard, survival = d / n, (n - d) / n
    with np.errstate(divide="ignore"):
        # the hazard, Greenwood's terms, and the hazard's variance
        summed = np.array([hazard, hazard / (n - d), hazard / n])
    # Cell by cell, so that a cell's numbers do not depend on its neighbours, to the last bit.
    for a, b in zip(rows.first[:-1].tolist(), rows.first[1:].tolist(), strict=True):
        np.multiply.accumulate(survival[a:b], out=survival[a:b])
        np.add.accumulate(summed[:, a:b], axis=1, out=summed[:, a:b])
    cumulative, greenwood, variance = summed
    with np.errstate(invalid="ignore"):
        std_err = np.where(survival > 0, survival * np.sqrt(greenwood), np.nan)
    return {
        "survival": survival,
        "std_err": std_err,
        "cumulative_hazard": cumulative,
        "cumulative_hazard_se": np.sqrt(variance),
    }


def arrays_to_frame(result: object, names: Sequence[str]) -> pd.DataFrame:
    """The fields ``names`` of a result, arrays of one length, as columns, unrounded."""
    import pandas as pd

    return pd.DataFrame({name: getattr(result, name) for name in names})


@dataclass(frozen=True, slots=True, eq=False)
class CurveValues:
    """The curve at chosen times; all arrays of shape (m,). at_risk counts the units just before each time."""

    time: Floats
    at_risk: Ints
    survival: Floats
    std_err: Floats
    lower: Floats
    upper: Floats
    cumulative_hazard: Floats
    cumulative_hazard_se: Floats


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class SurvivalCurve:
    """A Kaplan-Meier curve: a step function on [start, last time], one entry per distinct time in arrays of
    shape (k,).

    at_risk: units at risk just before the time; failed, censored: at the time; entered: came under
    observation at the time and are at risk after it, so that at_risk[i + 1] = at_risk[i] - failed[i] -
    censored[i] + entered[i]. std_err: Greenwood. lower, upper: pointwise at LEVEL on log(-log); NaN
    before the first failure. start: the curve is conditional on survival to that age (0: from new). The
    two halves of a life split in two count as one unit at a time at risk, but as two among the ``units``.
    """

    time: Floats
    at_risk: Ints
    failed: Ints
    censored: Ints
    entered: Ints
    survival: Floats
    std_err: Floats
    lower: Floats
    upper: Floats
    cumulative_hazard: Floats
    cumulative_hazard_se: Floats
    start: float
    notes: tuple[Reason, ...]

    @property
    def units(self) -> int:
        """At the start and entered later."""
        return int(self.at_risk[0] + self.entered.sum())

    @property
    def failures(self) -> int:
        return int(self.failed.sum())

    def __repr__(self) -> str:
        return brief(self, "units", "failures", "start", "last_time", at_the_end=self.survival[-1])

    @property
    def last_time(self) -> float:
        """End of the records: the largest time at which a unit failed or was last seen."""
        return float(self.time[-1])

    def to_frame(self) -> pd.DataFrame:
        """One row per distinct time, unrounded."""
        return arrays_to_frame(self, _CURVE_COLUMNS)

    def _locate(self, t: ArrayLike) -> tuple[Floats, NDArray[np.intp]]:
        times = np.atleast_1d(np.asarray(t, dtype=float))
        bad = ~((times >= self.start) & (times <= self.last_time))
        if bad.any():
            raise AnalyticsError(
                f"survival asked at {number(times[bad][0])}, but the records run from {number(self.start)} to "
                f"{number(self.last_time)}: ask inside that range, or fit a life model and read its extrapolation."
            )
        return times, np.searchsorted(self.time, times, side="right") - 1

    def survival_at(self, t: ArrayLike) -> CurveValues:
        """The curve at time(s) t with limits. Raises outside [start, last time] instead of extrapolating."""
        times, i = self._locate(t)
        j = np.maximum(i, 0)

        def step(values: Floats, at_start: float) -> Floats:
            return np.where(i >= 0, values[j], at_start)

        # Units at risk just before t: the row's own count on the row, the count after it further on.
        after = self.at_risk - self.failed - self.censored + self.entered
        at_risk = np.where(i < 0, self.at_risk[0], np.where(self.time[j] == times, self.at_risk[j], after[j]))
        return CurveValues(
            times,
            at_risk,
            step(self.survival, 1.0),
            step(self.std_err, 0.0),
            step(self.lower, np.nan),
            step(self.upper, np.nan),
            step(self.cumulative_hazard, 0.0),
            step(self.cumulative_hazard_se, 0.0),
        )

    def reliable_until(self, min_at_risk: int = 5) -> float:
        """The last time at which at least min_at_risk units were at risk: where a curve should stop."""
        thin = np.flatnonzero((self.failed > 0) & (self.at_risk < min_at_risk))
        end = thin[0] if len(thin) else len(self.time)
        enough = np.flatnonzero(self.at_risk[:end] >= min_at_risk)
        if not len(enough):
            raise NotEnoughData(
                f"never {min_at_risk} units at risk together (most: {int(self.at_risk.max())}): no curve can be shown."
            )
        return float(self.time[enough[-1]])

    def given_survival_to(self, age: float) -> SurvivalCurve:
        """The curve of units that reached `age`: for records whose first failures met one or two units at risk."""
        if not self.start <= age < self.last_time:
            raise AnalyticsError(
                f"survival to {number(age)} asked, but the records run from {number(self.start)} to "
                f"{number(self.last_time)}: give an age inside that range."
            )
        keep = self.time > age
        rows = RiskRows(
            np.zeros(int(keep.sum()), dtype=np.int64),
            np.array([0, int(keep.sum())]),
            self.time[keep],
            self.at_risk[keep],
            self.failed[None, keep],
            self.censored[keep],
            self.entered[keep],
        )
        return _curve(rows, age)


_CURVE_COLUMNS = [
    "time", "at_risk", "failed", "censored", "entered", "survival", "std_err", "lower", "upper", "cumulative_hazard",
    "cumulative_hazard_se",
]  # fmt: skip


def _notes(rows: RiskRows, survival: Floats, failures: int, units: int) -> tuple[Reason, ...]:
    notes = []
    if failures == 0:
        notes.append(reason(Curve.NONE_FAILED, units=units, by=float(rows.time[-1])))
    after = rows.at_risk - rows.failed[0] - rows.censored + rows.entered
    zero = np.flatnonzero(survival == 0)
    later = int(rows.entered[zero[0] :].sum() + rows.at_risk[zero[0]] - rows.failed[0, zero[0]]) if len(zero) else 0
    if later:
        notes.append(
            reason(
                Curve.FELL_TO_ZERO_EARLY,
                time=float(rows.time[zero[0]]),
                at_risk=int(rows.at_risk[zero[0]]),
                later=later,
            )
        )
    gaps = np.flatnonzero(after[:-1] == 0)
    if len(gaps):
        i = gaps[0]
        notes.append(reason(Curve.NOBODY_AT_RISK, start=float(rows.time[i]), end=float(rows.time[i + 1])))
    return tuple(notes)


def _curve(rows: RiskRows, start: float) -> SurvivalCurve:
    values = _product_limit(rows)
    lower, upper = survival_limits(values["survival"], values["std_err"])
    units = int(rows.at_risk[0] + rows.entered.sum())
    failures = int(rows.failed[0].sum())
    return SurvivalCurve(
        time=rows.time,
        at_risk=rows.at_risk,
        failed=rows.failed[0],
        censored=rows.censored,
        entered=rows.entered,
        lower=lower,
        upper=upper,
        start=float(start),
        notes=_notes(rows, values["survival"], failures, units),
        **values,
    )


def _observations(
    time: ArrayLike, failed: ArrayLike, entry: ArrayLike | None, count: ArrayLike | None
) -> tuple[Floats, NDArray[np.bool_], Floats, Ints]:
    times = check_column("time", time)
    fails = check_failed(failed, len(times))
    entries = check_entry(entry, times, fails)
    counts = check_count(count, len(times))
    if not (counts[(entries < times) | (entries == 0)]).sum():
        raise NotEnoughData("no unit was ever at risk: there is nothing to draw a curve from.")
    return times, fails, entries, counts


def kaplan_meier(
    time: ArrayLike,
    failed: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> SurvivalCurve:
    """Kaplan-Meier curve of one group, with Greenwood limits and the Nelson-Aalen cumulative hazard (sum of
    d/n).

    time: age at failure or when last seen, shape (n,); failed: True or False; entry: age at which the unit
    came under observation (0: from new); count: identical units in one row. Units are at risk on (entry,
    time]; a row without failure whose entry equals its time adds nothing.
    Raises AnalyticsError for a missing, negative or contradictory value, NotEnoughData where no unit was at
    risk.
    """
    times, fails, entries, counts = _observations(time, failed, entry, count)
    zeros = np.zeros(len(times), dtype=np.int64)
    rows = risk_rows(times, fails.astype(np.int64), entries, counts, zeros, 1)
    return _curve(rows, 0.0)


def cell_codes(cell: ArrayLike | Sequence[Hashable], length: int) -> tuple[Ints, list[Hashable]]:
    """Codes 0.. of cell labels and the labels in order; raises on a missing label or a wrong length."""
    import pandas as pd

    if len(cell) != length:  # type: ignore[arg-type]
        raise AnalyticsError(f"there are {len(cell)} labels for {length} units: give one per unit.")  # type: ignore[arg-type]
    codes, labels = pd.factorize(pd.Series(cell), sort=True)
    if (codes < 0).any():
        raise AnalyticsError(f"the label of row {_row(codes < 0)} (counted from 0) is missing: name its group.")
    return codes.astype(np.int64), labels.tolist()


def kaplan_meier_cells(
    time: ArrayLike,
    failed: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    *,
    cell: ArrayLike,
) -> pd.DataFrame:
    """Kaplan-Meier curves of many cells from one sort: a long frame, one row per cell and distinct time.

    time, failed, entry, count: as for `kaplan_meier`; cell: one label per row, shape (n,). Columns:
    cell, then those of `SurvivalCurve.to_frame`, equal to the curve of each cell on its own. Cells in sorted order; a
    cell none of whose units was at risk has no rows.
    """
    import pandas as pd

    times, fails, entries, counts = _observations(time, failed, entry, count)
    codes, labels = cell_codes(cell, len(times))
    rows = risk_rows(times, fails.astype(np.int64), entries, counts, codes, len(labels))
    values = _product_limit(rows)
    lower, upper = survival_limits(values["survival"], values["std_err"])
    columns = {
        "time": rows.time,
        "at_risk": rows.at_risk,
        "failed": rows.failed[0],
        "censored": rows.censored,
        "entered": rows.entered,
        "lower": lower,
        "upper": upper,
        **values,
    }
    named = {"cell": pd.Index(labels).take(rows.cell)} | {name: columns[name] for name in _CURVE_COLUMNS}
    return pd.DataFrame(named, copy=False)


def mean_right_truncated(values: np.ndarray, limits: np.ndarray) -> float:
    """Mean of ``values`` (n,), each on record only because it was at most its limit in ``limits`` (n,).

    Product limit in reversed time (Lagakos, Barraj and De Gruttola, Biometrika 75 (1988) 515-523; from memory), of values up to the largest
    seen. One is added to each number at risk, so that a largest value alone in its sight does not decide.
    """
    ends = np.unique(values)
    below, rest = np.ones(len(ends)), 1.0
    for j in range(len(ends) - 1, -1, -1):
        below[j] = rest  # chance of at most ends[j]
        at_risk = ((values <= ends[j]) & (limits >= ends[j])).sum() + 1
        rest *= 1 - (values == ends[j]).sum() / at_risk
    return float(ends[0] + (np.diff(ends) * (1 - below[:-1])).sum())
