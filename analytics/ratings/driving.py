"""What customers of each use really drive, and how far the units that came back differ."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import t as student

from analytics.lifetimes.table import Lifetimes
from analytics.models.joint import driving_of, fit_joint, joint_model
from analytics.models.lifedata import life_data
from analytics.models.mileage import mileage_by_use
from analytics.ratings.options import Options
from analytics.ratings.sheet import PartRating

READ_IN_FIT = 10  # odometers of a use known in the fit before its figure is shown
COLUMNS = [
    "use", "units", "odometer_known", "median_a_year", "from_a_year", "to_a_year", "slow_a_year", "fast_a_year", "returned", "ratio",
    "ratio_from", "ratio_to", "joint_a_year", "joint_from", "joint_to", "reason",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class PowerAndDriving:
    """Do stronger trucks drive more, use by use? times: miles a year at twice the power over those at once, with its 95%
    limits; p_value two-sided; units with odometer, power and use known that never came back. NaN with fewer than 10."""

    times: float
    lower: float
    upper: float
    p_value: float
    units: int


def driving_by_power(lifetimes: Lifetimes) -> PowerAndDriving:
    """Least squares of log miles a day on log power within uses, over units of ``lifetimes`` that never came back."""
    units = lifetimes.units
    failed = lifetimes.table.loc[lifetimes.table["ended"] == "failed", "serial"].astype(str)
    known = (units["miles"] > 0) & (units["miles_days"] > 0) & (units["power_hp"] > 0) & (units["use"].fillna("") != "")
    own = units[known & ~units["serial"].astype(str).isin(failed)]
    y = np.log(own["miles"] / own["miles_days"])
    x = np.log2(own["power_hp"])
    # what is left of both within each use
    y, x = (v - v.groupby(own["use"]).transform("mean") for v in (y, x))
    free = len(own) - own["use"].nunique() - 1
    spread = float((x**2).sum())
    if len(own) < 10 or free < 5 or spread < 1e-9:
        return PowerAndDriving(times=np.nan, lower=np.nan, upper=np.nan, p_value=np.nan, units=len(own))
    slope = float((x * y).sum()) / spread
    se = float(np.sqrt(((y - slope * x) ** 2).sum() / free / spread))
    half = student.ppf(0.975, free) * se
    p = float(2 * student.sf(abs(slope) / se, free)) if se > 0 else 1.0
    times, lower, upper = (float(np.exp(v)) for v in (slope, slope - half, slope + half))
    return PowerAndDriving(times=times, lower=lower, upper=upper, p_value=p, units=len(own))


def driving_by_use(lifetimes: Lifetimes, firmest: PartRating | None, options: Options) -> pd.DataFrame:
    """Miles a year per use of ``lifetimes``, COLUMNS, NaN with the reason where too few odometers are known.

    median_a_year and its 95% limits come from units that never came back, slow and fast hold the middle 90% of their
    drivers, ratio is the returned units' median over theirs. joint: from the fit, under the ``options``, of the part
    with the most failures (``firmest``; None: left out), life and driving together, with what its siblings lent, which allows for who gets read.
    """
    units = lifetimes.units
    known = (units["miles"] > 0) & (units["miles_days"] > 0)
    failed_units = set(lifetimes.table.loc[lifetimes.table["ended"] == "failed", "serial"].astype(str))
    back = units["serial"].astype(str).isin(failed_units).to_numpy()
    days = np.maximum(units["days"].to_numpy(float), 1.0)
    one = np.ones(len(units))
    data = life_data(
        np.full(len(units), np.nan),
        np.where(back, np.nan, np.inf),
        one,
        one,
        lower_days=days,
        upper_days=np.where(back, days, np.inf),
        use=units["use"].fillna("").astype(str).to_numpy(),
        rate_miles=np.where(known, units["miles"], np.nan),
        rate_days=np.where(known, units["miles_days"], np.nan),
        weight=units["count"].to_numpy(float),
    )
    joint = {}
    if firmest is not None and firmest.data.failures:
        s = options.settings.of(firmest.component, firmest.part)
        model, top = fit_joint(
            joint_model(firmest.data, options.promise.life_miles, "weibull", s.priors, replace(s.terms, use_terms=True))
        )
        if top.converged[0]:
            read = np.bincount(model.data.use[model.data.reading.counts], minlength=len(model.data.use_names))
            enough = {name for name, n in zip(model.data.use_names, read, strict=True) if n >= READ_IN_FIT}
            joint = {d.use: d for d in driving_of(model, top) if d.use in enough}
    rows = []
    for row in mileage_by_use(data):
        told = asdict(row)
        fit = joint.get(row.use)
        here = data.use == data.use_names.index(row.use)
        rows.append(
            [
                row.use or "not recorded",
                float(data.weight[here].sum()),
                told["units"],
                *(told[k] for k in ("median", "median_lower", "median_upper", "low", "high")),
                told["returned"],
                *(told[k] for k in ("ratio", "ratio_lower", "ratio_upper")),
                *((fit.median, fit.lower, fit.upper) if fit is not None else (np.nan,) * 3),
                row.reason,
            ]
        )
    return pd.DataFrame(rows, columns=COLUMNS)
