"""Do a unit's returns come closer together, or further apart, as it ages: the power-law repair process and trend tests.

Sources: Crow in MIL-HDBK-189C for the process; NIST/SEMATECH e-Handbook 8.2.2.3, 8.2.3.4 and 8.4.5.2 for the modified
estimate, the Laplace and the military handbook test; Lawless and Nadeau, Technometrics 37 (1995) 158-168 for why units
that differ call for the robust limits of `models.recurrence` instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models.nonparametric import check_column, check_count, two_sided_z


@dataclass(frozen=True, slots=True)
class RepairTrend:
    """Mean number of events by age t is scale x t^growth. growth above 1: closer together with age; below: further apart.

    growth: maximum likelihood; growth_unbiased: (events - 1)/sum log(end/age), NaN unless all were watched from new.
    log_likelihood drops no constant. laplace_z: above 0 where events crowd towards the end; two-sided p in laplace_p, right
    for a few events already. lower, upper: of growth, on its log.
    """

    events: int
    units: int
    growth: float
    lower: float
    upper: float
    std_err_log: float
    scale: float
    growth_unbiased: float
    log_likelihood: float
    laplace_z: float
    laplace_p: float
    level: float


def repair_trend(
    end: ArrayLike,
    event_end: ArrayLike,
    event_time: ArrayLike,
    start: ArrayLike | None = None,
    count: ArrayLike | None = None,
    event_start: ArrayLike | None = None,
    level: float = 0.95,
) -> RepairTrend:
    """Fit the power-law process to units watched from ``start`` to ``end`` (n,), with events at ``event_time`` (m,) of units
    watched up to ``event_end`` (m,) from ``event_start`` (m,).

    The watch is taken to stop at a day of its own, not with an event. Events at age 0 count as at half a day, or half of
    the least age above 0. Raises NotEnoughData with fewer than two events.
    """
    ends = check_column("end", end)
    starts = np.zeros(len(ends)) if start is None else check_column("start", start, len(ends))
    counts = check_count(count, len(ends)).astype(float)
    at, to = check_column("event_time", event_time), check_column("event_end", event_end)
    since = np.zeros(len(at)) if event_start is None else check_column("event_start", event_start, len(at))
    if not len(at) == len(to) == len(since):
        raise AnalyticsError(
            f"{len(at)} event times, {len(to)} ends and {len(since)} starts: give one of each per event."
        )
    if len(at) < 2:
        raise NotEnoughData(f"{len(at)} event(s): a trend needs at least 2.")
    if (at > to).any() or (at < since).any():
        raise AnalyticsError("an event lies outside the ages its unit was watched: mend the event or the ages.")
    positive = at[at > 0]
    at = np.where(at > 0, at, min(0.5, positive.min() / 2) if len(positive) else 0.5)
    live = ends > 0
    e, s, w = ends[live], starts[live], counts[live]
    r, total = float(len(at)), float(np.log(at).sum())
    top = float(np.log(e.max()))

    def powers(b: float) -> tuple[float, float, float]:
        """Sum of end^b - start^b over units and its two derivatives in b, scaled by max(end)^b."""
        out = []
        for x in (e, s):
            positive = x > 0
            log = np.log(x[positive]) - top
            base = w[positive] * np.exp(b * log)
            out.append(np.array([base.sum(), (base * log).sum(), (base * log**2).sum()]))
        return tuple(out[0] - out[1])

    from scipy.optimize import brentq

    def slope(log_b: float) -> float:
        b = np.exp(log_b)
        a0, a1, _ = powers(b)
        return r / b + total - r * top - r * a1 / a0

    try:
        b = float(np.exp(brentq(slope, np.log(1e-3), np.log(50.0), xtol=1e-13)))
    except ValueError as err:
        raise NotEnoughData("the ages of the events do not settle a trend: all lie at one end.") from err
    a0, a1, a2 = powers(b)
    curve = b * b * (1 / b**2 + (a2 * a0 - a1**2) / a0**2) * r  # of log growth, scale profiled out
    error = float(1 / np.sqrt(curve))
    z = two_sided_z(level)
    log_scale = np.log(r / a0) - b * top
    loglik = r * (np.log(b) + log_scale) + (b - 1) * total - r
    whole = not (s > 0).any() and not (since > 0).any()
    unbiased = (r - 1) / float(np.log(to / at).sum()) if whole and (to > at).any() else float("nan")
    middle, width = (since + to) / 2, to - since
    laplace = float((at - middle).sum() / np.sqrt((width**2).sum() / 12)) if (width > 0).any() else float("nan")
    return RepairTrend(
        len(at), int(w.sum()), b, b * float(np.exp(-z * error)), b * float(np.exp(z * error)), error, float(np.exp(log_scale)),
        unbiased, float(loglik), laplace, float(2 * ndtr(-abs(laplace))), level,
    )  # fmt: skip
