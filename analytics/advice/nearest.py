"""Whether a truck lies within what is on record, and the trucks nearest to it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analytics.advice.answer import Near
from analytics.advice.truck import Truck
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.settings import Cap
from analytics.reasons import Advised, Reason, reason
from analytics.records.measures import DAYS_A_MONTH

#: within a sixth is like the truck: common practice, no source
_LIKE = 1 / 6
_NEAREST = 3


def like(values: np.ndarray, asked: float) -> np.ndarray:
    """(n,) bool: ``values`` within a sixth of the one ``asked``."""
    return np.abs(np.log(values / asked)) <= _LIKE


def _trucks(lifetimes: Lifetimes) -> pd.DataFrame:
    """Each unit as it was worked hardest: power_hp, weight_lb, use, count, serial, days, miles."""
    units = lifetimes.units[["serial", "power_hp", "weight_lb", "use", "count", "days", "miles"]]
    return units[units["power_hp"] > 0]


def outside_of(lifetimes: Lifetimes, truck: Truck, cap: Cap) -> tuple[Reason, ...]:
    """In what the ``truck`` lies outside the records (``lifetimes``): fewer than ``cap.rank`` trucks on record that are as strong, as weak, as heavy or as light, or of
    its use, or that are at least as strong and about as heavy in its use. Nothing where it lies within."""
    units = _trucks(lifetimes)
    count, power = units["count"].to_numpy(float), units["power_hp"].to_numpy(float)
    weight = units["weight_lb"].to_numpy(float)
    weighed = math.isfinite(truck.weight_lb)
    found = []
    for code, inside, value in (
        (Advised.POWER_ABOVE, power >= truck.said_hp * (1 - 1e-9), power.max(initial=0)),
        (Advised.POWER_BELOW, power <= truck.power_hp * (1 + 1e-9), power.min(initial=math.inf)),
        (Advised.WEIGHT_ABOVE, weight >= truck.weight_lb * (1 - 1e-9), np.nanmax(weight, initial=0)),
        (Advised.WEIGHT_BELOW, weight <= truck.weight_lb * (1 + 1e-9), np.nanmin(weight, initial=math.inf)),
    ):
        if count[inside].sum() < cap.rank and (weighed or "WEIGHT" not in code.name):
            found.append(reason(code, edge=float(value), trucks=float(count[inside].sum())))
    for use in truck.uses:
        own = (units["use"] == use).to_numpy()
        if count[own].sum() < cap.rank:
            found.append(reason(Advised.USE_NOT_ON_RECORD, use=use, trucks=float(count[own].sum())))
        elif not found:
            found += _joint(own, count, power, weight, truck, use, cap)
    return tuple(found)


def _joint(
    own: np.ndarray, count: np.ndarray, power: np.ndarray, weight: np.ndarray, truck: Truck, use: str, cap: Cap
) -> list[Reason]:
    as_hard = own & (power >= truck.said_hp * (1 - 1e-9))
    if math.isfinite(truck.weight_lb):
        as_hard &= ~(weight < cap.weight * truck.weight_lb)  # an unknown weight may be as much
    trucks = float(count[as_hard].sum())
    return [reason(Advised.FEW_TOGETHER, use=use, trucks=trucks)] if trucks < cap.rank else []


def nearest(lifetimes: Lifetimes, truck: Truck) -> tuple[Near, ...]:
    """The trucks on record (``lifetimes``) nearest to the ``truck`` in power and weight, those of its use first, and how they fared."""
    units = _trucks(lifetimes)
    units = units[units["weight_lb"].notna() | (not math.isfinite(truck.weight_lb))]
    if units.empty:
        return ()
    gap = np.abs(np.log(units["power_hp"] / truck.said_hp))
    if math.isfinite(truck.weight_lb):
        gap = gap + np.abs(np.log(units["weight_lb"] / truck.weight_lb))
    other = ~units["use"].isin(truck.uses) if truck.uses else False
    picked = units.assign(gap=gap + 0.5 * np.asarray(other, float)).nsmallest(_NEAREST, "gap")
    table = lifetimes.table
    failed = table[counts_as_failure(table)].groupby("serial")["component"].agg(lambda c: sorted(set(c)))
    return tuple(
        Near(
            r.power_hp,
            r.weight_lb,
            str(r.use or ""),
            r.days / DAYS_A_MONTH,
            r.miles,
            ", ".join(failed.get(r.serial, ())),
        )
        for r in picked.itertuples()
    )
