"""Repeated returns: the mean number of events per unit by age, with limits that allow for units that come
back often.

Sources: Nelson (2003), Recurrent Events Data Analysis for Product Repairs; the robust variance of Lawless and
Nadeau, Technometrics 37 (1995) 158-168.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from analytics.errors import AnalyticsError, NotEnoughData, number
from analytics.models.nonparametric import (
    LEVEL,
    Floats,
    Ints,
    arrays_to_frame,
    check_column,
    check_count,
    two_sided_z,
    units_at_risk,
)
from analytics.reasons import brief

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class MeanCumulativeFunction:
    """Mean events per unit by age: a step function on [0, last time], arrays of shape (k,) over distinct
    event times.

    at_risk: units under observation at the time; events: at the time. std_err: robust (Lawless-Nadeau).
    std_err_poisson: right only if a unit's events are independent. lower, upper: on log(mean), robust.
    """

    time: Floats
    at_risk: Ints
    events: Ints
    mean: Floats
    std_err: Floats
    std_err_poisson: Floats
    lower: Floats
    upper: Floats
    last_time: float
    units: int
    total_events: int
    exposure: float

    def __repr__(self) -> str:
        return brief(self, "units", "total_events", "last_time", at_the_end=self.mean[-1])

    def to_frame(self) -> pd.DataFrame:
        """One row per distinct event time, unrounded."""
        return arrays_to_frame(self, [f.name for f in fields(self)][:8])

    def mean_at(self, t: ArrayLike) -> pd.DataFrame:
        """Mean events with limits at chosen ages, one row each. Raises past the last age seen or below 0."""
        import pandas as pd

        times = np.atleast_1d(np.asarray(t, dtype=float))
        bad = ~((times >= 0) & (times <= self.last_time))
        if bad.any():
            raise AnalyticsError(
                f"mean events asked at {number(times[bad][0])}, but the records run from 0 to "
                f"{number(self.last_time)}: ask inside that range."
            )
        i = np.searchsorted(self.time, times, side="right") - 1
        k = np.maximum(i, 0)
        at_start = {"mean": 0.0, "std_err": 0.0, "std_err_poisson": 0.0, "lower": np.nan, "upper": np.nan}
        columns = {name: np.where(i >= 0, getattr(self, name)[k], value) for name, value in at_start.items()}
        return pd.DataFrame({"time": times, **columns})


def mean_cumulative_function(
    unit: ArrayLike,
    end: ArrayLike,
    event_unit: ArrayLike,
    event_time: ArrayLike,
    start: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> MeanCumulativeFunction:
    """Mean cumulative number of events per unit by age, from units of staggered ages.

    unit, end, start, count: shape (n,), one row per stretch a unit was watched: its name, the ages between which it was
    (start 0: from new) and how many units share this very history. A unit that was out of sight for a time has several
    rows. event_unit, event_time: shape (m,), one row per event; two events of one unit at one age are two events. A
    unit is at risk on (start, end]. Raises AnalyticsError for an unknown unit, stretches of one
    unit that overlap or an event outside its unit's ages; NotEnoughData without an event.
    """
    import pandas as pd

    ends = check_column("end", end)
    starts = np.zeros(len(ends)) if start is None else check_column("start", start, len(ends))
    counts = check_count(count, len(ends))
    names = pd.Index(unit)
    if len(names) != len(ends):
        raise AnalyticsError(f"there are {len(names)} unit names for {len(ends)} ends: give one row per unit.")
    if not len(ends):
        raise NotEnoughData("no unit was watched: there is no mean to draw.")
    bad = (starts > ends) | ((starts == ends) & (starts > 0))
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        raise AnalyticsError(
            f"unit {names[i]!r} was watched from {number(starts[i])} to {number(ends[i])}: the end must come later."
        )
    of = pd.factorize(names)[0]
    order = np.lexsort((ends, starts, of))
    names, of, starts, ends, counts = names[order], of[order], starts[order], ends[order], counts[order]
    again = np.r_[False, of[1:] == of[:-1]]  # a later stretch of the unit before
    bad = again & np.r_[False, (starts[1:] < ends[:-1]) | (counts[1:] != counts[:-1])]
    bad |= again & (starts == 0) & (ends == 0)
    if bad.any():
        name = names[int(np.flatnonzero(bad)[0])]
        raise AnalyticsError(
            f"unit {name!r} is listed twice for one age, or with another count: give each stretch of it once."
        )
    at = check_column("event_time", event_time)
    if not len(at):
        raise NotEnoughData(f"none of {int(counts.sum()):,} units had an event: there is no mean to draw.")
    if len(pd.Index(event_unit)) != len(at):
        raise AnalyticsError(f"there are {len(pd.Index(event_unit))} event units for {len(at)} event times.")
    who = _stretch(names, of, starts, ends, pd.Index(event_unit), at)
    if not counts[who].sum():
        raise NotEnoughData("every unit with an event has count 0: there is no mean to draw.")

    time, column = np.unique(at, return_inverse=True)
    late = starts > 0
    n = units_at_risk(time, ends, starts, counts)  # nought only where all with an event have count 0
    keep = n > 0
    events = np.bincount(column, weights=counts[who], minlength=len(time))
    step = np.where(keep, events / np.maximum(n, 1), 0.0)
    mean = np.cumsum(step)
    square = np.where(keep, events / np.maximum(n, 1) ** 2, 0.0)
    drift = np.concatenate([[0.0], np.cumsum(square)])  # what each unit at risk has been charged so far

    # Robust variance: sum over units of U^2, U = sum over its time at risk of (events - d/n)/n. It grows at
    # each time by 2 U dU + dU^2 summed over the units at risk. Those U sum to nought over all units, so the
    # sum over units at risk is minus the sum over the units that have left; that keeps the work to one pass
    # over units and events.
    pair = pd.DataFrame({"who": who, "column": column}).value_counts(sort=False).sort_index()
    p_who, p_column, m = (pair.index.get_level_values(0), pair.index.get_level_values(1), pair.to_numpy(dtype=float))
    gain = m / np.maximum(n, 1)[p_column]
    own_before = pd.Series(gain).groupby(np.asarray(p_who)).cumsum().to_numpy() - gain
    opened = np.searchsorted(time, starts, side="right") * late  # first column at risk
    closed = np.searchsorted(time, ends, side="right")  # columns up to the end
    own_total = np.zeros(len(ends))
    np.add.at(own_total, np.asarray(p_who), gain)
    change = own_total - (drift[closed] - drift[np.minimum(opened, closed)])
    u_end = pd.Series(change).groupby(of).cumsum().to_numpy()  # a unit out of sight keeps its U
    u_start = np.where(again, np.r_[0.0, u_end[:-1]], 0.0)
    u_before = u_start[p_who] + own_before - (drift[p_column] - drift[opened[p_who]])
    size = len(time) + 1
    out = np.bincount(closed, weights=counts * u_end, minlength=size)
    back = np.bincount(opened, weights=counts * u_start, minlength=size)
    present = -np.cumsum(out - back)[: len(time)]  # units with closed <= column have left before it
    w = counts[p_who].astype(float)
    cross = np.bincount(p_column, weights=w * (2 * u_before * gain + gain**2), minlength=len(time))
    n_safe = np.maximum(n, 1).astype(float)
    growth = cross - 2 * present * square - np.where(keep, events**2 / n_safe**3, 0.0)
    variance, poisson = np.cumsum(growth), np.cumsum(square)
    # Units with one and the same history have no spread; what is left then is rounding.
    std_err = np.sqrt(np.where(variance > 1e-13 * poisson, variance, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.exp(two_sided_z(LEVEL) * std_err / mean)
    return MeanCumulativeFunction(
        time=time,
        at_risk=n,
        events=events.astype(np.int64),
        mean=mean,
        std_err=std_err,
        std_err_poisson=np.sqrt(poisson),
        lower=mean / spread,
        upper=mean * spread,
        last_time=float(ends.max()),
        units=int(counts[~again].sum()),
        total_events=int(events.sum()),
        exposure=float((counts * (ends - starts)).sum()),
    )


def _stretch(names: pd.Index, of: Ints, starts: Floats, ends: Floats, event_unit: pd.Index, at: Floats) -> Ints:
    """Row of the stretch each event lies in, shape (m,). Raises AnalyticsError for an event in none."""
    import pandas as pd

    first = ~names.duplicated()
    known = names[first].get_indexer(event_unit)
    if (known < 0).any():
        raise AnalyticsError(f"an event names unit {event_unit[known < 0][0]!r}, which is not among the units.")
    events = pd.DataFrame({"of": of[first][known], "at": at, "event": np.arange(len(at))})
    pairs = events.merge(pd.DataFrame({"of": of, "start": starts, "end": ends, "row": np.arange(len(ends))}), on="of")
    inside = (pairs["at"] <= pairs["end"]) & ((pairs["at"] > pairs["start"]) | (pairs["start"] == 0))
    who = np.full(len(at), -1)
    who[pairs.loc[inside, "event"]] = pairs.loc[inside, "row"]
    if (who < 0).any():
        i = int(np.flatnonzero(who < 0)[0])
        own = pairs[pairs["event"] == i]
        told = " and ".join(f"from {number(a)} to {number(b)}" for a, b in zip(own["start"], own["end"], strict=True))
        raise AnalyticsError(
            f"unit {event_unit[i]!r} has an event at {number(at[i])}, but was watched {told}: "
            "mend the event or the unit's ages."
        )
    return who


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Events of units by age as a power-law process: mean count a t^b per unit. b above 1: they come faster with age.

    b_lower, b_upper: two-sided limits on log b, right only if a unit's events are independent. p_value: of b = 1.
    """

    b: float
    b_lower: float
    b_upper: float
    p_value: float
    events: int


def power_law(
    end: ArrayLike, event_end: ArrayLike, event_time: ArrayLike, count: ArrayLike | None = None, level: float = 0.95
) -> PowerLaw:
    """Do events come faster or slower as units age? Maximum likelihood of the power-law process, each unit watched from
    new.

    end, count: shape (n,), the age each unit was watched to, and how many share it. event_time, event_end: shape (m,),
    the age of each event and the age its own unit was watched to. level: of the limits on b. p_value: two-sided, of
    Laplace's test. Sources: Crow, US Army AMSAA TR-138 (1974); NIST/SEMATECH e-Handbook 8.4.5.2 and 8.2.3.4; Laplace's test
    as in Cox and Lewis (1966). Raises AnalyticsError on an event outside its unit's age; NotEnoughData with fewer than
    two events, or all at the end.
    """
    z = two_sided_z(level)
    ends = check_column("end", end)
    counts = check_count(count, len(ends)).astype(float)
    at = check_column("event_time", event_time)
    until = check_column("event_end", event_end, len(at))
    bad = ~((at > 0) & (at <= until))
    if bad.any():
        i = int(np.flatnonzero(bad)[0])
        raise AnalyticsError(
            f"event {i}: at {number(at[i])} of a unit watched to {number(until[i])}: mend the event or the age."
        )
    n = len(at)
    spread = float(np.log(until / at).sum())
    if n < 2 or spread <= 0:
        raise NotEnoughData(f"{n} event{'' if n == 1 else 's'}: whether they come faster with age takes two or more.")
    longest = float(ends.max())
    x, w = ends[ends > 0] / longest, counts[ends > 0]
    logs = np.log(x)
    total = float(np.log(at / longest).sum())

    def score(b: float) -> float:
        weight = w * x**b
        return n / b + total - n * float((weight * logs).sum() / weight.sum())

    from scipy.optimize import brentq

    low = high = n / spread
    while score(low) < 0:
        low /= 2
    while score(high) > 0:
        high *= 2
    b = low if low == high else float(brentq(score, low, high, xtol=1e-14, rtol=1e-14))
    weight = w * x**b
    share = weight / weight.sum()
    mean = float((share * logs).sum())
    # minus the second derivative in log b, a at its best for each b
    curve = n + n * b * b * float((share * (logs - mean) ** 2).sum())
    se = float(np.sqrt(1 / curve))
    laplace = float((at - until / 2).sum() / np.sqrt((until**2 / 12).sum()))
    return PowerLaw(
        b=b,
        b_lower=b * float(np.exp(-z * se)),
        b_upper=b * float(np.exp(z * se)),
        p_value=float(2 * ndtr(-abs(laplace))),
        events=n,
    )
