"""How often the comebacks that follow lie inside the interval predicted: simulated fleets, watched a while longer.

The fleets are those of the coverage study (invented; see studies.coverage): drawn from a known truth, put on
record as the shop would have them at the cut-off, then followed for the days predicted.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.models.lifedata import LifeData, life_data
from analytics.ratings.predict import chances, count_chances, fit_lives, interval_of, predict_failures
from analytics.whole import whole_file
from studies.coverage import (
    CELLS,
    CHANGE_DAYS,
    LIFE_MILES,
    SETTINGS,
    Cell,
    _log_life_centre,
    _miles,
    _quantile,
    _vehicles,
    constant_of,
)
from studies.resumable import versions_used

#: cell of the coverage study and days predicted
STUDY: tuple[tuple[str, float], ...] = (
    ("500 units, 20 failures", 91.0),
    ("500 units, 20 failures", 365.0),
    ("500 units, 20 failures, share known", 91.0),
    ("500 units, 8 failures", 91.0),
    ("500 units, 3 failures", 91.0),
    ("150 units, 8 failures", 91.0),
    ("low shape, 20 failures", 91.0),
    ("log-normal life", 91.0),
    ("readings from high mileage", 91.0),
    ("70% of failures reported", 91.0),
    ("70% of failures reported", 365.0),
    ("miles a day halve after 3 years", 365.0),
)
_LEFT_OUT = ("early", "near", "power_error", "retuned", "harsh", "bend", "frailty")


def fleet_and_future(cell: Cell, rng: np.random.Generator, days: float) -> tuple[LifeData, float]:
    """A fleet on record at its cut-off, and how many more failures are reported in the next ``days``.

    Raises AnalyticsError for a cell with a departure that is not followed here.
    """
    odd = [name for name in _LEFT_OUT if getattr(cell, name)]
    if odd:
        raise AnalyticsError(f"cell {cell.name!r} departs by {', '.join(odd)}: its future is not drawn here")
    from scipy.special import ndtr, ndtri

    n = cell.units
    lp, lw, age, log_rate, u, _lift, _harsh = _vehicles(cell, n, rng)
    life = np.exp(constant_of(cell) + _log_life_centre(cell, lp, lw) + _quantile(cell, u) / cell.shape)
    now, then = _miles(cell, log_rate, age), _miles(cell, log_rate, age + days)
    reported = rng.random(n) < cell.reported
    told = (life < now) & reported
    chance = ndtr(
        ndtri(cell.read) * np.sqrt(1 + cell.read_slope**2)
        + cell.read_slope * (log_rate - np.log(cell.miles_a_day)) / cell.tau
    )
    read = (life >= now) & (rng.random(n) < chance)
    at = life / np.exp(log_rate)
    if cell.halves:
        at = np.where(at > CHANGE_DAYS, CHANGE_DAYS + 2 * (at - CHANGE_DAYS), at)
    ended = np.where(told, at, age)
    data = life_data(
        np.where(told, life, np.nan),
        np.where(told, life, np.inf),
        np.exp(lp),
        np.exp(lw),
        lower_days=ended,
        upper_days=np.where(told, at, np.inf),
        cutoff_days=age,
        rate_miles=np.where(told, life, np.where(read, now, np.nan)),
        rate_days=np.where(told | read, ended, np.nan),
    )
    return data, float(((life >= now) & (life < then) & reported).sum())


def one_prediction(cell: Cell, days: float, seed: int, level: float = 0.9, draws: int = 256) -> dict[str, float]:
    """Prediction and outcome of one fleet; NaN where no number was given. plug_in: the fit taken for the truth."""
    rng = np.random.default_rng(seed)
    data, came = fleet_and_future(cell, rng, days)
    settings = SETTINGS[cell.settings]
    fit = fit_lives(data, LIFE_MILES, settings, draws, int(rng.integers(2**31)))
    p = predict_failures(data, fit, settings, days, level=level)
    out = {
        "came_back": came,
        "expected": p.expected,
        "lower": p.lower,
        "upper": p.upper,
        "no_failure": float(data.failures == 0),
        "inside": float(p.lower <= came <= p.upper) if np.isfinite(p.upper) else np.nan,
        "effective": p.effective_draws,
        "plug_in": np.nan,
    }
    if fit.model is not None:
        model, top = fit.fitted()
        told, _ = chances(model, top.theta, p.rows, days, None)
        low, high = interval_of(count_chances(told, data.weight[p.rows], np.ones(1)), level)
        out["plug_in"] = float(low <= came <= high)
    return out


def prediction_coverage(
    replicates: int = 200,
    seed: int = 20_240_602,
    study: Iterable[tuple[str, float]] = STUDY,
    level: float = 0.9,
    draws: int = 256,
    jobs: int = 1,
    out: str | Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """One row per cell and span: fleets, share inside the interval with its standard error, misses below and above, the
    plug-in interval's share, and means. Written to the CSV ``out`` if one is named. Same seed, same table."""
    rows = []
    for name, days in study:
        if name not in CELLS:
            raise AnalyticsError(f"cell {name!r} is not one of the study's; see studies.coverage.CELLS")
        keys = [
            np.random.SeedSequence([seed, zlib.crc32(name.encode()), int(days), i]).generate_state(1)[0]
            for i in range(replicates)
        ]
        got = pd.DataFrame(each(one_prediction, [(CELLS[name], days, int(k), level, draws) for k in keys], jobs))
        given = got[got["inside"].notna()]
        inside = float(given["inside"].mean()) if len(given) else np.nan
        rows.append(
            {
                "cell": name,
                "settings": CELLS[name].settings,
                "units": CELLS[name].units,
                "failures_so_far": CELLS[name].failures,
                "days": days,
                "level": level,
                "fleets": len(got),
                "predicted": len(given),
                "covered": inside,
                "se": float(np.sqrt(max(inside * (1 - inside), 1e-9) / len(given))) if len(given) else np.nan,
                "below": float((given["came_back"] < given["lower"]).mean()),
                "above": float((given["came_back"] > given["upper"]).mean()),
                "plug_in_covered": float(got["plug_in"].mean()),
                "mean_expected": float(got["expected"].mean()),
                "mean_came_back": float(got["came_back"].mean()),
                "mean_width": float((given["upper"] - given["lower"]).mean()),
                "without_failure": float(got["no_failure"].mean()),
                "median_effective_draws": float(got["effective"].median()),
                "draws": draws,
                "seed": seed,
                "versions": versions_used(),
            }
        )
        if progress is not None:
            progress(f"{name}, {days:g} days: {inside:.3f} of {len(given)}")
        if out is not None:
            with whole_file(Path(out)) as part:
                pd.DataFrame(rows).to_csv(part, index=False)
    return pd.DataFrame(rows)
