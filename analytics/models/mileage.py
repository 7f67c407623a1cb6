"""What customers really drive: miles per day, log-normal within each use, by age of the truck."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri
from scipy.stats import t as student

from analytics.models.lifedata import ALIKE, NOTHING, LifeData, split_days
from analytics.models.likelihood import Layout
from analytics.models.newton import maximise
from analytics.models.nonparametric import LEVEL
from analytics.models.priors import NO_PRIORS, Priors
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.models.rows import Rates, Rows
from analytics.reasons import Mileage, Reason, reason
from analytics.records.measures import DAYS_A_YEAR

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class MileageRow:
    """Miles a year in one use: median with its interval, the middle 90% of drivers, and how far the returned differ.

    units: with a known odometer. ratio: returned units' median over the others', with its interval; NaN when either
    side has fewer than 3.
    """

    use: str
    units: int
    returned: int
    reason: Reason | None
    median: float = NAN
    median_lower: float = NAN
    median_upper: float = NAN
    low: float = NAN
    high: float = NAN
    ratio: float = NAN
    ratio_lower: float = NAN
    ratio_upper: float = NAN


def mileage_by_use(data: LifeData) -> tuple[MileageRow, ...]:
    """One row per use from units of ``data`` with a known odometer; t intervals at LEVEL on log miles per day.
    Under 3 units: NaN and why.

    Returned units drove more than the rest (they are returned because they drove), so ``median`` leaves them out where
    at least 3 others were read.
    """
    out = []
    for k, name in enumerate(data.use_names):
        here = data.reading.counts & (data.use == k)
        y = np.log(data.reading.miles[here] / data.reading.days[here]) + np.log(DAYS_A_YEAR)
        back = data.failed[here]
        basis = y[~back] if (~back).sum() >= 3 else y
        leans = None if (~back).sum() >= 3 else reason(Mileage.FROM_RETURNED_TOO)
        if len(basis) < 3:
            out.append(MileageRow(name, len(y), int(back.sum()), reason(Mileage.FEW_ODOMETERS, known=len(y))))
            continue
        m, s, n = basis.mean(), basis.std(ddof=1), len(basis)
        half = student.ppf(0.5 + LEVEL / 2, n - 1) * s / np.sqrt(n)
        wide = float(ndtri(0.95)) * s
        ratio, lower, upper = _ratio(y[back], y[~back])
        out.append(
            MileageRow(
                use=name,
                units=len(y),
                returned=int(back.sum()),
                reason=leans,
                median=float(np.exp(m)),
                median_lower=float(np.exp(m - half)),
                median_upper=float(np.exp(m + half)),
                low=float(np.exp(m - wide)),
                high=float(np.exp(m + wide)),
                ratio=ratio,
                ratio_lower=lower,
                ratio_upper=upper,
            )
        )
    return tuple(out)


def _ratio(a: np.ndarray, b: np.ndarray) -> tuple[float, ...]:
    """Median of the lives with log rates a over that with b, with its t limits (Welch 1947); NaN with fewer than 3 of
    either."""
    if min(len(a), len(b)) < 3:
        return (NAN,) * 3
    va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    gap, h = a.mean() - b.mean(), student.ppf(0.5 + LEVEL / 2, df) * np.sqrt(va + vb)
    return tuple(float(np.exp(v)) for v in (gap, gap - h, gap + h))


@dataclass(frozen=True, slots=True)
class DrivingFit:
    """Log miles per day ~ N(mu of the use, tau); later rate = rate x exp(decline) past ``change_days``.

    mu (K,); tau; decline; known: odometers used.
    """

    mu: np.ndarray
    tau: float
    decline: float
    known: int
    change_days: float
    converged: bool


def fit_driving(
    data: LifeData, priors: Priors | None = None, decline: bool = True, change_days: float = 1096.0
) -> DrivingFit:
    """Driving rates on their own, from the odometers known of ``data``, with the same weak priors as the joint fit.
    decline: whether the rate may change past the age change_days."""
    priors = Priors() if priors is None else priors
    m = data.reading.counts
    before, after = split_days(np.zeros(m.sum()), data.reading.days[m], change_days)
    w = data.weight[m][None]
    rates = Rates(
        np.log(data.reading.miles[m])[None],
        (np.maximum(before, NOTHING)[None], after[None]),
        data.use[m][None],
        w,
        np.zeros_like(w),
        w * data.failed[m],
    )
    k = len(data.use_names)
    rows = Rows((), rates, 0, k, np.zeros(1), np.zeros(1))
    layout = Layout(0, k, decline=decline)
    start = np.zeros(layout.size)
    start[layout.mu] = priors.rate[0] if priors.rate else np.log(30.0)
    start[layout.tau] = np.log(0.6)
    only = replace(
        NO_PRIORS,
        shape=priors.shape or (0.0, 1.0),
        rate=priors.rate,
        rate_between=priors.rate_between,
        spread=(float(np.log(ALIKE)), 0.02) if data.rates_alike else priors.spread,
        decline=priors.decline,
        driving=priors.driving,
    )
    only = only.lent_for(layout, data.use_names, data.rates_alike)
    top = maximise(objective(rows, layout, "weibull", only, rate_nodes(1.0)), start, limits=np.ones(layout.size))
    theta = top.theta[0]
    at = layout.place("decline")
    return DrivingFit(
        theta[layout.mu],
        float(np.exp(theta[layout.tau])),
        float(theta[at]) if at is not None else 0.0,
        int(m.sum()),
        change_days,
        bool(top.converged[0]),
    )


#: trucks read before and after a change of driving for it to be known from them, and least days of either reading from it
_READ_TWICE, _APART_DAYS = 10, 90.0
#: how unlike trucks change at least, and how unlike the driving of all was before and after (standard deviations of logs; ours)
_UNLIKE, _MONTHS_UNLIKE = 0.3, 0.1


def change_with_age(
    unit: np.ndarray, days: np.ndarray, miles: np.ndarray, change_days: float = 1096.0
) -> tuple[float, float] | None:
    """Log of a truck's later miles a day over its earlier ones, past the age ``change_days``, and its standard error; from trucks read both before and
    after, each against itself, so that it matters not who is read late. None where they are too few. unit, days, miles (n,): of readings, days and
    miles since the truck went into service."""
    known = (days > 0) & (miles > 0)
    order = np.lexsort((days, unit))
    order = order[known[order]]
    unit, days, miles = unit[order], days[order], miles[order]
    early = (days >= _APART_DAYS) & (days <= change_days)
    late = days >= change_days + _APART_DAYS
    # the last reading of each truck on either side
    sides = [dict(zip(unit[side], np.flatnonzero(side), strict=True)) for side in (early, late)]
    both = np.array([(sides[0][u], sides[1][u]) for u in sides[0] if u in sides[1]], int).reshape(-1, 2)
    if len(both) < _READ_TWICE:
        return None
    first, last = both.T
    rate = miles[first] / days[first]
    gained = miles[last] - miles[first] - rate * (change_days - days[first])
    change = np.log(np.clip(gained / (rate * (days[last] - change_days)), 0.05, 20.0))
    middle = np.median(change)
    spread = max(1.4826 * float(np.median(np.abs(change - middle))), _UNLIKE)
    return float(middle), float(np.hypot(spread * np.sqrt(np.pi / 2 / len(both)), _MONTHS_UNLIKE))
