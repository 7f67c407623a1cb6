"""How often the published power lies at or below the true one: simulated fleets whose truth is known exactly.

Invented fleets: powers about 700 hp (log-sd 0.3), weights about 7,500 lb (log-sd 0.2), ages from 3 months to 6 years,
a median of 30 miles a day (log-sd 0.5), one survivor in five read. In each cell the life is scaled so that the failures
seen are as many as stated, on average. Departures from the model come one at a time, then together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import LifeData, life_data
from analytics.models.priors import NO_PRIORS
from analytics.ratings.basis import FEW_ALIKE, spread
from analytics.ratings.bound import rate_part
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN, RatingSettings
from analytics.ratings.signed_root import Fitted, rate_fit
from analytics.records.measures import DAYS_A_YEAR
from analytics.whole import whole_file
from studies.resumable import KEY, block_row, pieces_of, resume

POWER, POWER_SD = float(np.log(700.0)), 0.30
WEIGHT, WEIGHT_SD = float(np.log(7500.0)), 0.20
LIFE_MILES = 50_000.0
RELIABILITY = CONFIDENCE = 0.9
PROMISE = Promise(LIFE_MILES, RELIABILITY, CONFIDENCE)
CHANGE_DAYS = 1096.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One truth and fleet size. failures: expected to be seen. The rest departs from the model where it is not default.

    read: share of survivors read. early: share failing of installation. halves: miles a day halve after three years.
    read_slope: probit slope of being read on the log rate. near: the nearly failed are read more. power_error: log-sd
    of recorded about true power. retuned: share tuned up 20% unannounced. harsh: share in a use of 0.6 the life;
    harsh_recorded: that use is on record. reported: share of failures reported. bend: added to b1 above the median
    power. frailty: log-sd of life between units. changed: the parts of the later half last that share as long, which nobody wrote
    down; the rating is held against these. weighed: share of survivors whose weight is on record (of failures it always is). odometers: whether the shop writes any down. miles_a_day: median. settings: a named set of `SETTINGS`.
    """

    name: str
    units: int = 500
    failures: float = 20.0
    shape: float = 2.0
    b1: float = -4.0
    b2: float = -1.5
    tau: float = 0.5
    weight_lb: float = 7500.0
    read: float = 0.2
    law: str = "weibull"
    early: float = 0.0
    halves: bool = False
    read_slope: float = 0.0
    near: bool = False
    power_error: float = 0.0
    retuned: float = 0.0
    harsh: float = 0.0
    harsh_recorded: bool = False
    reported: float = 1.0
    bend: float = 0.0
    frailty: float = 0.0
    changed: float = 1.0
    weighed: float = 1.0
    odometers: bool = True
    miles_a_day: float = 30.0
    settings: str = "defaults"


SETTINGS = {
    "defaults": RatingSettings(explain=False, draws=0),
    "known share": RatingSettings(explain=False, draws=0, share=1.0),
    "plain": replace(PLAIN, explain=False, draws=0),
}


def _cells() -> dict[str, Cell]:
    grid = [
        Cell("150 units, 8 failures", 150, 8),
        Cell("150 units, 50 failures", 150, 50),
        Cell("500 units, 3 failures", 500, 3),
        Cell("500 units, 8 failures", 500, 8),
        Cell("500 units, 20 failures", 500, 20),
        Cell("2000 units, 20 failures", 2000, 20),
        Cell("150 units, 20 failures, at 10,000 lb", 150, 20, weight_lb=10_000.0),
        Cell("low shape, flat slope, 50 failures", 500, 50, shape=1.2, b1=-2.5),
        Cell("high shape, steep slope, 8 failures", 500, 8, shape=3.5, b1=-8.0),
        Cell("steep weight, 8 failures, at 10,000 lb", 500, 8, b2=-6.0, weight_lb=10_000.0),
        Cell("flat slope, 20 failures", 500, 20, b1=-2.0),
        Cell("low shape, 20 failures", 500, 20, shape=1.0),
    ]
    departures: dict[str, dict[str, Any]] = {
        "log-normal life": {"law": "lognormal", "shape": 1.5},
        "3% installation failures": {"early": 0.03},
        "miles a day halve after 3 years": {"halves": True},
        "readings from high mileage": {"read_slope": 1.0},
        "readings from the nearly failed": {"near": True},
        "power misrecorded by 10%": {"power_error": 0.10},
        "15% retuned up 20%": {"retuned": 0.15},
        "harsh use on record": {"harsh": 0.3, "harsh_recorded": True},
        "harsh use not on record": {"harsh": 0.3},
        "70% of failures reported": {"reported": 0.7},
        "steeper above the median power": {"bend": -3.0},
        "frailty 0.4": {"frailty": 0.4},
        "material changed silently half way": {"changed": 0.6},
        "three at once": {"law": "lognormal", "shape": 1.5, "halves": True, "power_error": 0.10},
        "five at once": {
            "law": "lognormal",
            "shape": 1.5,
            "halves": True,
            "power_error": 0.10,
            "read_slope": 1.0,
            "reported": 0.85,
        },
    }
    out = list(grid)
    out += [replace(c, name=c.name + ", plain", settings="plain") for c in grid]
    out += [replace(c, name=c.name + ", share known", settings="known share") for c in grid]
    for name, what in departures.items():
        out.append(Cell(name, **what))
        out.append(Cell(name + ", 8 failures", failures=8, **what))
        if "reported" not in what:
            out.append(Cell(name + ", share known", settings="known share", **what))
        out.append(Cell(name + ", plain", settings="plain", **what))
    for truth, own in (("flat slope", {"b1": -2.0}), ("low shape", {"shape": 1.0})):
        for name in (
            "log-normal life",
            "miles a day halve after 3 years",
            "readings from high mileage",
            "70% of failures reported",
            "five at once",
        ):
            change = dict(departures[name])
            change.pop("shape", None)
            sd = {"flat slope": 1.5, "low shape": 0.8}[truth] if "law" in change else None
            out.append(Cell(f"{name}, {truth}", **(change | own | ({"shape": sd} if sd else {}))))
    alone: dict[str, dict[str, Any]] = {
        "half of failures reported": {"reported": 0.5},
        "life hardly falls with power": {"b1": -1.0},
        "harsh use on record, 70% reported": {"harsh": 0.3, "harsh_recorded": True, "reported": 0.7},
        "weight on record of what came back alone": {"weighed": 0.0},
        "weight on record of one in ten that run": {"weighed": 0.1},
        "no odometer": {"odometers": False, "read": 0.0},
        "no odometer, 60 miles a day": {"odometers": False, "read": 0.0, "miles_a_day": 60.0},
    }
    for name, what in alone.items():
        out += [Cell(name, **what), Cell(name + ", 8 failures", failures=8, **what)]
    out.append(Cell("half of failures reported, flat slope", reported=0.5, b1=-2.0))
    return {c.name: c for c in out}


CELLS = _cells()
FIRST = tuple(c for c in CELLS if not c.endswith(("plain", "share known")))


#: days on the road of the unit in the middle
_MIDDLE_AGE = 0.5 * (0.25 + 6) * DAYS_A_YEAR


# ---- the truth ---------------------------------------------------------------------------------------------------
def _log_life_centre(cell: Cell, log_power: np.ndarray, log_weight: np.ndarray) -> np.ndarray:
    """Log life at e = 0, up to the cell's constant; powers are the true ones."""
    lp = log_power - POWER
    return cell.b1 * lp + cell.bend * np.maximum(lp, 0.0) + cell.b2 * (log_weight - WEIGHT)


def _quantile(cell: Cell, u: np.ndarray) -> np.ndarray:
    """z of a life whose survival probability is u."""
    return np.log(-np.log(u)) if cell.law == "weibull" else ndtri(1 - u)


def _survival(cell: Cell, z: np.ndarray) -> np.ndarray:
    return np.exp(-np.exp(np.minimum(z, 700))) if cell.law == "weibull" else ndtr(-z)


@cache
def constant_of(cell: Cell) -> float:
    """The constant of log life at which the expected number of failures seen is as stated (20,000 fixed units)."""
    rng = np.random.default_rng(20_000)
    n = 20_000
    lp, lw, age, log_rate, _u, lift, harsh = _vehicles(cell, n, rng)
    miles = _miles(cell, log_rate, age)
    base = _log_life_centre(cell, lp + lift, lw) + np.where(harsh, np.log(0.6), 0.0)
    base = base + (cell.frailty * rng.standard_normal(n) if cell.frailty else 0.0)
    base = base + np.where(age < _MIDDLE_AGE, np.log(cell.changed), 0.0)

    def gap(constant):
        z = cell.shape * (np.log(miles) - constant - base)
        seen = cell.reported * (1 - _survival(cell, z)).mean() * cell.units
        return np.log(max(seen, 1e-300)) - np.log(cell.failures)

    return float(brentq(gap, 5.0, 25.0, xtol=1e-10))


def _vehicles(cell: Cell, n: int, rng: np.random.Generator):
    lp = POWER + POWER_SD * rng.standard_normal(n)
    lw = WEIGHT + WEIGHT_SD * rng.standard_normal(n)
    age = rng.uniform(0.25 * DAYS_A_YEAR, 6 * DAYS_A_YEAR, n)
    log_rate = np.log(cell.miles_a_day) + cell.tau * rng.standard_normal(n)
    u = rng.random(n)
    lift = np.where(rng.random(n) < cell.retuned, np.log(1.2), 0.0)
    harsh = rng.random(n) < cell.harsh
    return lp, lw, age, log_rate, u, lift, harsh


def _miles(cell: Cell, log_rate: np.ndarray, age: np.ndarray) -> np.ndarray:
    if not cell.halves:
        return np.exp(log_rate) * age
    return np.exp(log_rate) * (np.minimum(age, CHANGE_DAYS) + 0.5 * np.maximum(age - CHANGE_DAYS, 0.0))


@cache
def true_rating(cell: Cell, scale: str = "recorded") -> float:
    """Power at which R survive to the target at the cell's weight, exactly. scale "recorded": among vehicles whose
    recorded power it is (misrecorded or retuned ones included); "true": of the power really made. Where the harsh use
    is on record, that of the harsh use; where not, of the mix. Early failures count against survival."""
    constant = constant_of(cell)
    nodes = np.linspace(-8, 8, 401)
    weight = np.exp(-0.5 * nodes**2)
    weight /= weight.sum()
    lw = np.log(cell.weight_lb)

    def survive(log_power: np.ndarray, life: float) -> float:
        """log_power (m,) averaged over the normal nodes; life: factor on the life."""
        base = constant + _log_life_centre(cell, log_power, lw) + np.log(life * cell.changed)
        if cell.frailty:
            spread = base[:, None] + cell.frailty * nodes
            return float(weight @ (_survival(cell, cell.shape * (np.log(LIFE_MILES) - spread)) @ weight))
        return float(weight @ _survival(cell, cell.shape * (np.log(LIFE_MILES) - base)))

    def total(log_power: float) -> float:
        if cell.power_error and scale == "recorded":
            keep = POWER_SD**2 / (POWER_SD**2 + cell.power_error**2)
            powers = POWER + keep * (log_power - POWER) + np.sqrt(keep) * cell.power_error * nodes
        else:
            powers = np.full(len(nodes), log_power)
        mixes = [(1.0, 1.0, 0.0)]
        if cell.retuned and scale == "recorded":
            mixes = [(1 - cell.retuned, 1.0, 0.0), (cell.retuned, 1.0, np.log(1.2))]
        if cell.harsh:
            mixes = [(1.0, 0.6, 0.0)] if cell.harsh_recorded else [(1 - cell.harsh, 1.0, 0.0), (cell.harsh, 0.6, 0.0)]
        return (1 - cell.early) * sum(share * survive(powers + lift, life) for share, life, lift in mixes)

    return float(np.exp(brentq(lambda q: total(q) - RELIABILITY, np.log(20.0), np.log(40_000.0), xtol=1e-12)))


def draw_fleet(cell: Cell, rng: np.random.Generator) -> LifeData:
    """One fleet as the shop would have it on record."""
    constant = constant_of(cell)
    n = cell.units
    lp, lw, age, log_rate, u, lift, harsh = _vehicles(cell, n, rng)
    base = constant + _log_life_centre(cell, lp + lift, lw) + np.where(harsh, np.log(0.6), 0.0)
    base = base + np.where(age < _MIDDLE_AGE, np.log(cell.changed), 0.0)
    if cell.frailty:
        base = base + cell.frailty * rng.standard_normal(n)
    life = np.exp(base + _quantile(cell, u) / cell.shape)
    if cell.early:
        life = np.where(rng.random(n) < cell.early, np.minimum(life, rng.uniform(20.0, 2000.0, n)), life)
    miles = _miles(cell, log_rate, age)
    dead = life < miles
    told = dead & (rng.random(n) < cell.reported)
    s = (log_rate - np.log(cell.miles_a_day)) / cell.tau
    scale = np.sqrt(1 + cell.read_slope**2)
    chance = ndtr(ndtri(cell.read) * scale + cell.read_slope * s)
    if cell.near:
        chance = np.where(life < 1.5 * miles, 0.6, chance)
    read = ~dead & (rng.random(n) < chance)
    # days at which the life was reached
    per_day = np.exp(log_rate)
    days = life / per_day
    if cell.halves:
        days = np.where(days > CHANGE_DAYS, CHANGE_DAYS + 2 * (days - CHANGE_DAYS), days)
    lower = np.where(told & cell.odometers, life, np.nan)
    ended = np.where(told, days, age)
    weighed = told | (rng.random(n) < cell.weighed) if cell.weighed < 1 else np.ones(n, bool)
    recorded = lp + (cell.power_error * rng.standard_normal(n) if cell.power_error else 0.0)
    fleet = life_data(
        lower,
        np.where(told, lower, np.inf),
        np.exp(recorded),
        np.exp(lw),
        lower_days=ended,
        upper_days=np.where(told, days, np.inf),
        cutoff_days=age,
        use=np.where(harsh, "harsh", "usual") if cell.harsh_recorded else None,
        rate_miles=np.where(told, lower, np.where(read, miles, np.nan)),
        rate_days=np.where((told & cell.odometers) | read, ended, np.nan),
    )
    return fleet if weighed.all() else _weighed(fleet, weighed)


def _weighed(fleet: LifeData, known: np.ndarray) -> LifeData:
    """The ``fleet`` as it is rated where weights are on record of those ``known`` (n,): as `fill_from_alike` does with the lives of a part."""
    if (known & ~fleet.failed).sum() < FEW_ALIKE:
        return fleet.take(known)
    given = spread(np.sort(fleet.log_weight[known & ~fleet.failed]), int((~known).sum()), [1])
    weight = fleet.log_weight.copy()
    weight[~known] = given
    return replace(fleet, log_weight=weight)


# ---- what is measured ----------------------------------------------------------------------------------------------
def naive_ratings(data: LifeData, weight_lb: float) -> dict[str, float]:
    """Three habits in hp: the highest power of a survivor, just below the first failure, and a first-order bound with
    unknown miles filled in at the returned units' average miles per day."""
    failed = data.failed
    power = np.exp(data.log_power)
    out = {
        "survivor": float(power[~failed].max()) if (~failed).any() else np.nan,
        "first failure": float(power[failed].min()) if failed.any() else np.nan,
        "average miles": np.nan,
    }
    if failed.sum() >= 3 and data.reading.counts[failed].any():
        rate = float((data.reading.miles[failed] / data.reading.days[failed]).mean())
        lower = np.where(np.isnan(data.lower), rate * data.days.lower, data.lower)
        filled = life_data(lower, data.upper, power, np.exp(data.log_weight))
        model, top = fit_joint(joint_model(filled, LIFE_MILES, priors=NO_PRIORS))
        if top.converged[0] and top.theta[0][2] < 0:
            one = rate_fit(Fitted(model, top), weight_lb, 0, PROMISE, SETTINGS["plain"], 0, full=False)
            out["average miles"] = float(np.exp(one.first_order))
    return out


def one_replicate(cell: Cell, seed: int) -> dict[str, float]:
    """Ratings of one fleet over the truth; NaN where none was given."""
    rng = np.random.default_rng(seed)
    data = draw_fleet(cell, rng)
    use = "harsh" if cell.harsh_recorded and "harsh" in data.use_names else None
    out = rate_part(
        data,
        cell.weight_lb,
        use,
        PROMISE,
        SETTINGS[cell.settings],
        seed=int(rng.integers(2**31)),
    )
    truth = true_rating(cell)
    naive = naive_ratings(data, cell.weight_lb)
    return {
        "failures": data.failures,
        "calibrated": out.bound_hp / truth,
        "first_order": out.first_order_hp / truth,
        "demonstrated": out.demonstrated_hp / truth,
        "true_power": out.bound_hp / true_rating(cell, "true"),
        "capped": float(out.capped),
        "early_fired": float(out.early_share > 0),
        **{f"naive {k}": v / truth for k, v in naive.items()},
    }


def run_block(name: str, block: int, size: int, seed: int) -> pd.DataFrame:
    """One row: ``size`` fleets of a cell with their ratios in full, and the true rating."""
    cell = CELLS[name]
    return block_row(name, block, size, seed, partial(one_replicate, cell), ".4f", truth_hp=true_rating(cell))


def run(
    out: str | Path,
    replicates: int = 200,
    jobs: int = 1,
    cells: Iterable[str] | None = None,
    block: int = 20,
    seed: int = 20_240_601,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """The study: appends one row per cell and block of fleets to a CSV, skipping those already there; returns the table
    of `summarise`. A rerun with the same seed goes on where it stopped. ``out``: a folder, which then holds
    coverage_blocks.csv (the rows) and coverage.csv (the table), or the CSV of the rows alone. ``jobs`` and joblib's
    ``parallel_config`` decide where it runs."""
    folder = Path(out) if Path(out).suffix == "" else None
    path = folder / "coverage_blocks.csv" if folder is not None else Path(out)
    resume(path, KEY, pieces_of(CELLS, cells, replicates, block, seed, __name__), run_block, jobs, progress)
    table = summarise(pd.read_csv(path))
    if folder is not None:
        with whole_file(folder / "coverage.csv") as part:
            table.round(4).to_csv(part, index=False)
    return table


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per cell: fleets, share covered (bound/true <= 1) among those rated with its standard error, median and
    95th percentile of bound/true, shares not rated and capped, and the habits' coverage."""
    rows = []
    for name, part in blocks.groupby("cell", sort=False):

        def values(column, part=part):
            return np.array([float(v) for text in part[column] for v in str(text).split()])

        ratio = values("calibrated")
        given = np.isfinite(ratio)
        row: dict = {
            "cell": name,
            **{k: v for k, v in asdict(CELLS[name]).items() if k in ("units", "settings")},
            "expected_failures": CELLS[name].failures,
            "fleets": len(ratio),
            "rated": int(given.sum()),
        }
        cover = float((ratio[given] <= 1).mean()) if given.any() else np.nan
        row |= {
            "covered": cover,
            "se": float(np.sqrt(max(cover * (1 - cover), 1e-9) / max(given.sum(), 1))),
            "median_ratio": float(np.median(ratio[given])) if given.any() else np.nan,
            "p95_ratio": float(np.quantile(ratio[given], 0.95)) if given.any() else np.nan,
            "capped": float(values("capped").mean()),
            "early_fired": float(values("early_fired").mean()),
        }
        for column in (
            "first_order",
            "true_power",
            "demonstrated",
            "naive survivor",
            "naive first failure",
            "naive average miles",
        ):
            v = values(column)
            v = v[np.isfinite(v)]
            row[f"{column.replace(' ', '_')}_covered"] = float((v <= 1).mean()) if len(v) else np.nan
        row |= {
            "mean_failures": float(values("failures").mean()),
            "truth_hp": float(part["truth_hp"].iloc[0]),
            "seed": int(part["seed"].iloc[0]),
            "versions": part["versions"].iloc[0],
        }
        rows.append(row)
    return pd.DataFrame(rows)
