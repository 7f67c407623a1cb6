"""What the miles run so far demonstrate by themselves: no model of power, only that more power is never easier.

If units at p hp or more, at the weight or more, ran so much that a part just short of the target would have shown more
failures than were seen, the part is good at p. Zero failures: Nelson, J. Quality Technology 17 (1985) 140-146;
the chi-square form for counts: Garwood, Biometrika 28 (1936) 437-442.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp
from scipy.stats import binom, chi2

from analytics.errors import AnalyticsError
from analytics.models.lifedata import LifeData, asked_weight, rated_weight, split_days
from analytics.models.mileage import DrivingFit
from analytics.models.quadrature import rate_nodes
from analytics.ratings.promise import Promise
from analytics.reasons import Demonstrated, Reason, reason

SHAPES = (1.0, 1.5, 2.0, 3.0, 4.0)


@dataclass(frozen=True, slots=True)
class Demonstration:
    """power_hp: highest power demonstrated, NaN if none. shape: the Weibull shape that gave the least. units, failures,
    miles: of the units at that power and weight or more (miles unknown taken at the median of their use)."""

    power_hp: float
    shape: float
    units: float
    failures: float
    miles: float
    reason: Reason


def needed(failures: ArrayLike, confidence: float) -> np.ndarray:
    """Expected failures that must have been possible, shape of ``failures``, to be ``confidence`` sure: chi-square with
    2r + 2 degrees of freedom, halved."""
    return chi2.ppf(confidence, 2 * np.asarray(failures) + 2) / 2


def exposures(
    data: LifeData, life_miles: float, reliability: float, shape: float, driving: DrivingFit | None
) -> np.ndarray:
    """h (n,): expected failures of each row of ``data`` if the part were exactly at the target: Weibull of this
    ``shape``, and ``reliability`` at ``life_miles``; averaged over unknown miles by the rates of ``driving``. Raises
    AnalyticsError where miles are unknown and that is None."""
    scale = -np.log(reliability)

    def hazard(miles):
        return scale * (miles / life_miles) ** shape

    upper = np.where(np.isfinite(data.upper), data.upper, data.lower)
    h = np.where(np.isfinite(upper), hazard(np.nan_to_num(upper)) - hazard(data.entry), 0.0)
    unknown = np.isnan(upper)
    if unknown.any():
        if driving is None:
            raise AnalyticsError("miles are unknown in some rows: give the driving rates (fit_driving)")
        days = np.where(np.isfinite(data.days.upper), data.days.upper, data.days.lower)
        later = np.exp(driving.decline)

        def log_days(length):
            before, after = split_days(data.days.start, length, driving.change_days)
            return np.log(np.maximum(before + later * after, 1e-3))

        begin, end = log_days(data.days.entry), log_days(np.nan_to_num(days, nan=0.0))
        own = unknown & data.has_rate
        if own.any():
            age = split_days(np.zeros(len(days)), np.nan_to_num(data.reading.days, nan=1.0), driving.change_days)
            rate = np.nan_to_num(data.reading.miles, nan=1.0) / np.maximum(age[0] + later * age[1], 1e-3)
            known = hazard(rate * np.exp(end)) - np.where(data.days.entry > 0, hazard(rate * np.exp(begin)), 0)
            h = np.where(own, known, h)
        blind = unknown & ~data.has_rate
        if blind.any():
            nodes, weight = rate_nodes(shape * driving.tau)
            rate = np.exp(driving.mu[data.use[blind], None] + driving.tau * nodes)
            run = hazard(rate * np.exp(end[blind])[:, None])
            run = run - np.where(data.days.entry[blind, None] > 0, hazard(rate * np.exp(begin[blind])[:, None]), 0)
            h[blind] = -logsumexp(-run, b=weight, axis=1)  # far past their life all but vanish
    return np.maximum(h, 0.0)


def rough_miles(data: LifeData, driving: DrivingFit | None) -> np.ndarray:
    """Miles run by each row (n,) of ``data``: known, or its own rate, or the median rate of its use by the fit of
    ``driving``, times its days; 0 where none of them is known."""
    miles = np.where(np.isfinite(data.upper), data.upper, data.lower) - data.entry
    rate = np.where(data.has_rate, data.reading.miles / np.maximum(data.reading.days, 1e-3), np.nan)
    if driving is not None:
        rate = np.where(np.isnan(rate), np.exp(driving.mu)[np.minimum(data.use, len(driving.mu) - 1)], rate)
    days = np.where(np.isfinite(data.days.upper), data.days.upper, data.days.lower) - data.days.entry
    return np.nan_to_num(np.where(np.isnan(miles), rate * days, miles), nan=0.0)


def demonstrate(
    data: LifeData,
    weight_lb: float,
    promise: Promise,
    driving: DrivingFit | None = None,
    share: float = 1.0,
    shapes: tuple[float, ...] = SHAPES,
    use: int | None = None,
) -> Demonstration:
    """The demonstration bound of ``data``: the least over ``shapes`` of the highest power p with sum over {p_i >= p,
    w_i >= weight_lb} of h_i >= chi2_C(2r + 2)/2, R and C of the ``promise``. ``share``: of failures that are reported.
    driving: see `exposures`. use: code of the one whose rows count; None: all."""
    heavy = asked_weight(weight_lb)
    inside = data.log_weight >= np.log(rated_weight(weight_lb)) - 1e-9
    if use is not None:
        inside &= data.use == use
    nan = float("nan")
    if not inside.any():
        name = None if use is None else data.use_names[use]
        return Demonstration(nan, nan, 0, 0, 0, reason(Demonstrated.NO_UNIT, weight_lb=heavy, use=name))
    order = np.flatnonzero(inside)[np.argsort(-data.log_power[inside], kind="stable")]
    failures = np.cumsum(np.where(data.failed, data.weight, 0.0)[order])
    power = data.log_power[order]
    last = np.append(power[1:] != power[:-1], True)  # ties stand or fall together
    bar = needed(failures, promise.confidence)
    best = []
    for shape in shapes:
        total = np.cumsum(
            (share * data.weight * exposures(data, promise.life, promise.reliability, shape, driving))[order]
        )
        ok = np.flatnonzero(last & (total >= bar * (1 - 1e-12)))
        best.append((power[ok[0]], ok[0]) if len(ok) else (-np.inf, len(order) - 1))
    k = int(np.argmin([b[0] for b in best]))
    at = best[k][1]
    miles = float((data.weight * rough_miles(data, driving))[order][: at + 1].sum())
    units = float(data.weight[order][: at + 1].sum())
    seen = {"units": units, "failures": float(failures[at]), "miles": miles, "counted": promise.counted}
    if not np.isfinite(best[k][0]):
        asked = {"weight_lb": heavy, "reliability": promise.reliability, "life": promise.life}
        why = reason(Demonstrated.TOO_LITTLE, **seen, **asked)
        return Demonstration(nan, shapes[k], units, float(failures[at]), miles, why)
    p = float(np.exp(best[k][0]))
    return Demonstration(
        p, shapes[k], units, float(failures[at]), miles, reason=reason(Demonstrated.SHOWN, **seen, power_hp=p)
    )


def units_needed(
    reliability: float,
    confidence: float,
    failures: int = 0,
    miles_ratio: float = 1.0,
    shape: float = 2.0,
    torque_ratio: float = 1.0,
    exponent: float = 5.0,
) -> int:
    """Units that must each run ``miles_ratio`` target lives at ``torque_ratio`` times the power, with at most
    ``failures`` failures, to prove the ``reliability`` R at ``confidence`` C (exact binomial; Nelson 1985 for the
    change of miles at a known ``shape``). exponent: life falls as power^-exponent. Raises AnalyticsError where more
    than a million would be needed."""
    r = reliability ** ((miles_ratio * torque_ratio**exponent) ** shape)
    n = failures + 1
    while binom.cdf(failures, n, 1 - r) > 1 - confidence:
        n += max(1, n // 200)
        if n > 1_000_000:
            raise AnalyticsError(
                f"more than a million units: R {reliability:g} cannot be proven by {miles_ratio:g} lives each"
            )
    while n > failures + 1 and binom.cdf(failures, n - 1, 1 - r) <= 1 - confidence:
        n -= 1
    return n


def chance_of_passing(
    units: int,
    failures: int,
    true_reliability: float,
    miles_ratio: float = 1.0,
    shape: float = 2.0,
    torque_ratio: float = 1.0,
    exponent: float = 5.0,
) -> float:
    """Chance that at most ``failures`` of ``units`` fail when the part truly has ``true_reliability`` at the target
    life. miles_ratio, shape, torque_ratio, exponent: as in `units_needed`."""
    r = true_reliability ** ((miles_ratio * torque_ratio**exponent) ** shape)
    return float(binom.cdf(failures, units, 1 - r))
