"""Whether what is foretold comes in at the door: invented shops replayed quarter by quarter.

A shop builds about 500 trucks in six years, with two positions: a shaft of two parts, and a clutch. Lives are Weibull, in a
third of the shops log-normal; 85% of failures are reported, and what failed is replaced by the same part and may fail again.
Seven kinds of shop: three odometers in ten read each year; none read at all; driving that swings by 60% with the season; two months
from the failure to the door; trucks built four times as often at the end as at the beginning; uneven months; trucks alike on record that live unlike.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.lifetimes.later import came_later
from analytics.models.distributions import standard_quantile
from analytics.ratings.predict import count_chances
from analytics.records.frames import shop_of_frames
from analytics.records.load import as_typed
from analytics.review.door import level_of, range_of, running_chances, with_level, with_record
from analytics.review.expected import LEVEL, at_stake
from analytics.review.forecast import BACK, SPANS
from analytics.review.snapshot import Snapshot, snapshot_at
from analytics.review.watch import THIS_QUARTER, watch
from analytics.whole import whole_file
from studies.resumable import resume, versions_used

BLOCKS, TABLE = "quarter_forecasts.csv", "quarter.csv"
UNITS, QUARTERS, QUARTER_DAYS = 500, 24, 365.25 / 4
LIFE_MILES = 50_000.0
#: the first quarter end that is foretold from
FIRST_LOOK = 10
FIRST_DAY = dt.date(2018, 1, 1)
#: shops on which choices were made are those below
FIRST_SEED = 9101
_USES = ("street", "towing")
#: positions: its parts
_POSITIONS = {"shaft": ("S-1", "S-2"), "clutch": ("C-1",)}


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of shop. read: share of trucks whose odometer is read each year; at_return: whether it is written down at returns.
    season: swing of the driving; delay_days: mean from failure to door; growth: builds at the end over those at the beginning;
    uneven: standard deviation of the months' driving; unlike: of the log of life between trucks alike on record."""

    read: float = 0.3
    at_return: bool = True
    season: float = 0.0
    delay_days: float = 7.0
    growth: float = 1.0
    uneven: float = 0.0
    unlike: float = 0.0


KINDS = {
    "three odometers in ten": Kind(),
    "no odometer": Kind(read=0.0, at_return=False),
    "season of 60%": Kind(season=0.6),
    "60 days to the door": Kind(delay_days=60.0),
    "growing fourfold": Kind(growth=4.0),
    "uneven months": Kind(uneven=0.5),
    "trucks alike live unlike": Kind(unlike=0.5),
}


def invent(kind: str, seed: int) -> dict[str, pd.DataFrame]:
    """Sheets of an invented shop as they stand after QUARTERS quarters: builds, returns, readings, as text."""
    k, rng = KINDS[kind], np.random.default_rng([20_261_127, seed])
    horizon = QUARTERS * QUARTER_DAYS
    rank = rng.random(UNITS)
    share = rank if k.growth == 1 else np.log1p((k.growth - 1) * rank) / np.log(k.growth)
    built = np.sort(share * horizon)
    use = (rng.random(UNITS) < 0.4).astype(int)
    power = np.exp(np.log(600.0) + 0.2 * rng.standard_normal(UNITS))
    weight = np.exp(np.log(7300.0) + 0.16 * rng.standard_normal(UNITS))
    rate = np.exp(np.log(np.array([28.0, 40.0])[use]) + 0.5 * rng.standard_normal(UNITS))
    driven = _driven(k, rng, horizon)
    fitted, rows, silent = {}, [], np.full(UNITS, np.inf)
    hard = np.exp(k.unlike * np.random.default_rng([20_261_127, seed, 1]).standard_normal(UNITS))
    law = "lognormal" if rng.random() < 1 / 3 else "weibull"
    for component, parts in _POSITIONS.items():
        part = (rng.random(UNITS) < 0.5).astype(int) if len(parts) > 1 else np.zeros(UNITS, int)
        fitted[component] = np.array(parts)[part]
        life = _lives(rng, law, len(parts), part, power, weight, use) * hard[:, None]
        told = rng.random(life.shape) < 0.85
        delay = rng.exponential(k.delay_days, life.shape)
        for i in range(UNITS):
            day = built[i]
            for spell in range(life.shape[1]):
                day = driven(day, life[i, spell] / rate[i])
                if day > horizon:
                    break
                if not told[i, spell]:
                    silent[i] = min(silent[i], day)
                    break
                rows.append((i, component, parts[part[i]], day, day + delay[i, spell]))
                day += delay[i, spell]
    before = 20_000 + 97 * np.arange(UNITS) % 60_000
    miles = _Miles(driven, built, rate, before)
    serial = np.array([f"U-{i:04d}" for i in range(UNITS)])
    builds = pd.DataFrame(
        {
            "serial": serial, "built_on": _dates(built), "odometer_at_install": [f"{m:.0f}" for m in before],
            "power": [f"{p:.0f} hp" for p in power], "weight": [f"{w:.0f} lb" for w in weight],
            "use": np.array(_USES)[use], "builder": np.array(("ann", "ben", "cy"))[np.arange(UNITS) * 7 % 3], **fitted,
        }
    )  # fmt: skip
    back = [r for r in rows if r[4] <= horizon]
    returns = pd.DataFrame(
        {
            "serial": [serial[r[0]] for r in back],
            "component": [r[1] for r in back],
            "failed_on": _dates([r[3] for r in back]),
            "returned_on": _dates([r[4] for r in back]),
            "odometer": [f"{miles(r[0], r[3]):.0f}" if k.at_return and n % 10 else "" for n, r in enumerate(back)],
            "cause": "part",
            "replaced_with": [r[2] for r in back],
        }
    )
    seen = [
        (i, day)
        for i in map(int, np.flatnonzero(rng.random(UNITS) < k.read))
        for day in np.arange(built[i] + rng.uniform(60, 365), horizon, 365.0)
        if day < silent[i] and not any(r[0] == i and r[3] <= day <= r[4] for r in rows)
    ]
    readings = pd.DataFrame(
        {
            "serial": [serial[i] for i, _ in seen],
            "read_on": _dates([day for _, day in seen]),
            "odometer": [f"{miles(i, day):.0f}" for i, day in seen],
        }
    )
    lots = [
        {"serial": s, "component": c, "part": p, "lot": f"{p}/{n // 20}"}
        for c, parts in fitted.items()
        for part in _POSITIONS[c]
        for n, (s, p) in enumerate((s, p) for s, p in zip(serial, parts, strict=True) if p == part)
    ]
    return {"builds": builds, "returns": returns, "readings": readings, "fitted": pd.DataFrame(lots)}


def _lives(rng: np.random.Generator, law: str, parts: int, part, power, weight, use) -> np.ndarray:
    """Miles (n, spells) each part would last in each truck."""
    shape, slope = rng.uniform(1.4, 2.8, parts)[part], -rng.uniform(1.5, 5.0, parts)[part]
    level = rng.uniform(0.9, 1.2, parts)[part]
    u = rng.random((len(part), 4))
    z = np.log(-np.log(u)) if law == "weibull" else ndtri(u)
    middle = (
        np.log(LIFE_MILES * level)
        + slope * np.log(power / 600.0)
        - 1.5 * np.log(weight / 7300.0)
        - 0.2 * use
        - standard_quantile(0.92, law) / shape
    )
    return np.exp(middle[:, None] + z / shape[:, None])


def _driven(k: Kind, rng: np.random.Generator, horizon: float) -> Callable[[float, float], float]:
    """The day on which so many days of usual driving are done, from a day on; `amount` (attribute): driving done by a day."""
    day = np.arange(int(horizon) + 400)
    months = np.exp(k.uneven * rng.standard_normal(len(day) // 30 + 1) - k.uneven**2 / 2)
    done = np.r_[0.0, np.cumsum((1 + k.season * np.sin(2 * np.pi * day / 365.25)) * np.repeat(months, 30)[: len(day)])]
    at = np.arange(len(done), dtype=float)

    def when(start: float, amount: float) -> float:
        goal = np.interp(start, at, done) + amount
        return float(np.interp(goal, done, at)) if goal < done[-1] else np.inf

    when.amount = lambda day: np.interp(day, at, done)  # type: ignore[attr-defined]
    return when


class _Miles:
    def __init__(self, driven, built, rate, before):
        self.amount, self.built, self.rate, self.before = driven.amount, built, rate, before

    def __call__(self, i: int, day: float) -> float:
        return self.before[i] + self.rate[i] * (self.amount(day) - self.amount(self.built[i]))


def _dates(days) -> list[str]:
    return [(FIRST_DAY + dt.timedelta(days=int(d))).isoformat() for d in days]


_SETTINGS = {
    "shop": {"name": "Invented", "records_start": FIRST_DAY.isoformat()},
    "components": {"shaft": "shaft", "clutch": "clutch"},
    "targets": {"miles": LIFE_MILES, "reliability": 0.9, "confidence": 0.9},
}


def quarter_end(quarter: int) -> pd.Timestamp:
    return (pd.Timestamp(FIRST_DAY) + pd.DateOffset(months=3 * quarter)) - pd.Timedelta(days=1)


def one_shop(kind: str, seed: int) -> pd.DataFrame:
    """Replay a shop: a row per quarter end and span that had its time, with what was foretold for the trucks then running and what
    came in; of first lives and of parts put in later apart."""
    shop = as_typed(shop_of_frames(invent(kind, seed), _SETTINGS))
    snapshots: list[Snapshot] = []
    rows, said = [], set[tuple]()
    for quarter in range(FIRST_LOOK, QUARTERS + 1):
        now = snapshot_at(shop, quarter_end(quarter))
        for span, back in BACK.items():
            if len(snapshots) >= back:
                foreseen = running_chances(snapshots[-back], SPANS[span])
                row = held(snapshots[-back], span, now, foreseen)
                if span == "quarter":
                    now = with_record(now, snapshots[-1], foreseen)
                    row |= claims(snapshots[-1], now, foreseen, said)
                rows.append({"kind": kind, "seed": seed, "quarter": quarter - back, "span": span} | row)
        snapshots.append(now)
    return pd.DataFrame(rows).assign(versions=versions_used())  # claims are of quarters alone


def held(before: Snapshot, span: str, now: Snapshot, foreseen: tuple[pd.DataFrame, np.ndarray]) -> dict[str, float]:
    """What was foretold at ``before``, and what came by ``now``. foreseen: `running_chances` of ``before`` over the span."""
    running, chance = foreseen
    level = level_of(before, SPANS[span])
    chance = with_level(chance, level)
    count = running["count"].to_numpy(float)
    lower, upper = range_of(count_chances(chance, count, np.full(len(chance), 1 / len(chance))), LEVEL)
    came = came_later(running, before.table, now.table[now.table["stopped"]])
    each, later = chance.mean(0) * count, (running["spell"] > 1).to_numpy()
    return {
        "expected": each.sum(), "lower": lower, "upper": upper, "came": came.sum(),
        "expected_replaced": each[later].sum(), "came_replaced": came[later].sum(), "level": level.mean(),
        "spread": level.std(),
    }  # fmt: skip


def claims(before: Snapshot, now: Snapshot, foreseen: tuple[pd.DataFrame, np.ndarray], said: set[tuple]) -> dict:
    """What the watch and the other looks of the review claim that quarter and had not ``said`` before (added to it). Nothing is wrong in any
    of these shops but what their kind says."""
    watched = watch(before, now, at_stake(before, now, foreseen))
    loud = {
        (str(a.family), a.component, a.group, watched.end if a.family in THIS_QUARTER else "")
        for a in watched.alarms.itertuples()
    }
    fresh = sorted(loud - said)
    said |= loud
    return {
        "claims": len(fresh),
        "claimed": "; ".join(" ".join(map(str, f[:3])) for f in fresh),
        "looks": len(watched.tests),
    }


def run(
    out: str | Path,
    shops: int = 12,
    jobs: int = 1,
    first_seed: int = FIRST_SEED,
    kinds: list[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Replay ``shops`` shops of each kind, going on from what ``out`` holds. Returns the summary, kept beside the forecasts."""
    path = Path(out) / BLOCKS
    pieces = [(kind, seed) for seed in range(first_seed, first_seed + shops) for kind in kinds or KINDS]
    resume(path, ["kind", "seed"], pieces, one_shop, jobs, progress)
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name(TABLE)) as part:
        table.to_csv(part, index=False)
    return table


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Per kind and span: shops, forecasts, came over expected (with its standard error over shops, NaN of one; and that of all kinds together, which are the same
    shops under other conditions, so that their leans are one), of replaced parts too, share held, misses above and below, and the share of quarters with a false claim."""
    together = {span: ratio_se(own) for span, own in rows.groupby("span")}
    out = []
    for (kind, span), own in rows.groupby(["kind", "span"], sort=False):
        by_shop = own.groupby("seed")[["came_replaced", "expected_replaced"]].sum()
        out.append(
            {
                "kind": kind,
                "span": span,
                "shops": len(by_shop),
                "forecasts": len(own),
                "came": int(own["came"].sum()),
                "expected": own["expected"].sum(),
                "ratio": own["came"].sum() / own["expected"].sum(),
                "ratio_se": ratio_se(own),
                "together_se": together[span],
                "ratio_replaced": by_shop["came_replaced"].sum() / by_shop["expected_replaced"].sum(),
                "held": float(((own["came"] >= own["lower"]) & (own["came"] <= own["upper"])).mean()),
                "above": float((own["came"] > own["upper"]).mean()),
                "below": float((own["came"] < own["lower"]).mean()),
                "false_claims": float((own["claims"] > 0).mean()) if span == "quarter" else np.nan,
                "width": float((own["upper"] - own["lower"]).mean()),
            }
        )
    return pd.DataFrame(out)


def ratio_se(rows: pd.DataFrame) -> float:
    """Standard error of came over expected, over shops; NaN of one."""
    by_shop = rows.groupby("seed")[["came", "expected"]].sum()
    gap = by_shop["came"] - by_shop["came"].sum() / by_shop["expected"].sum() * by_shop["expected"]
    return float(np.sqrt((gap**2).sum())) / by_shop["expected"].sum() if len(by_shop) > 1 else np.nan
