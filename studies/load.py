"""The load page against known truths: which covariate explains the returns, what a rating on torque holds in horsepower, and which rule is
accused.

Invented trucks of 350 to 1,100 hp whose engines make it at 2,300 to 3,500 rpm (where told, 2,100 to 2,900 or 2,600 to 3,900), with their gears, wheels, converters and trailers; what is on
record of them is what a cell says. Their lives are drawn anew in every fleet, with miles known.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.driveline.load import Loads, make_loads
from analytics.driveline.suspects import RULES, SAID_AT, find_suspects
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.by_load import Taken, explain, rate_on, taken_otherwise
from analytics.ratings.options import Options
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.records.load import load_records
from analytics.whole import whole_file

LIFE_MILES, SHAPE, EXPONENT, TRUCKS = 50_000.0, 2.0, 6.0, 300
#: torque and power of which a shaft lives 150,000 miles (its Weibull scale)
AT_LBFT, AT_HP, SCALE = 1200.0, 650.0, 150_000.0
#: engine speeds, rpm, of a shop's trucks, slowest and fastest: as the middle shop has them, and shops of slower and of faster engines
SPEEDS = {"usual": (2300.0, 3500.0), "slow": (2100.0, 2900.0), "fast": (2600.0, 3900.0)}
_TOML = '[shop]\nname = "Invented"\nas_of = "2024-03-31"\n[components]\n"input shaft" = "s"\n"clutch pack" = "p"\n"converter" = "c"\n'
_SPLINE = "1.29 in,2.6 in,0.042 in,2.6 in,0.5 in"
_PARTS = (
    "component,part,outside_diameter,spline_root_diameter,hardness,stress_concentration,spline_pitch_diameter,spline_length,spline_tooth_depth,"
    "hub_diameter,hub_wall,faces,piston_area,lining_outside_diameter,lining_inside_diameter,torque_ratio,release_area\n"
    f"input shaft,A,1.22 in,1.16 in,45 HRC,2-3,{_SPLINE},,,,,,\n"
    "clutch pack,P,,,,,,,,,,8,18 sq in,6.4 in,5.1 in,0.7,\n"
    "converter,C,,,,,,,,,,2,78 sq in,11 in,9.4 in,,0.045 sq in\n"
)


@dataclass(frozen=True, slots=True)
class Trucks:
    """Loads of trucks as recorded, and what is true of them (n,): power_hp, torque_lbft of the engine, speed_rpm, held: share of the
    shaft's torque that the tyres of two driven wheels leave it."""

    loads: Loads
    ways: dict[Taken, pd.DataFrame]
    power_hp: np.ndarray
    torque_lbft: np.ndarray
    speed_rpm: np.ndarray
    held: np.ndarray


def _built(recorded: float, seed: int, engines: str) -> tuple[Loads, np.ndarray, np.ndarray, np.ndarray]:
    """Invented trucks with ``engines`` of SPEEDS, a share of them ``recorded`` with torque, wheels, gears and what else bears on load; and of each life power,
    torque and engine speed."""
    rng = np.random.default_rng([seed, 71])
    n = TRUCKS
    power = np.exp(rng.uniform(np.log(350), np.log(1100), n)).round()
    speed, told = rng.uniform(*SPEEDS[engines], n), rng.random(n) < recorded
    torque = power * 5252.113 / speed
    facts = {
        "torque": torque.round(),
        "driven_wheels": rng.choice([2, 4], n),
        "first_gear": rng.choice([2.8, 3.1, 3.4], n),
        "overdrive": rng.choice([0.65, 0.7, 0.8], n),
        "stall_rpm": rng.uniform(1600, 3200, n).round(),
        "converter_pressure": rng.uniform(130, 215, n).round(),
        "trailer_weight": rng.uniform(3000, 16_000, n).round(),
        "launch": rng.choice(["rolling", "on the brake"], n),
    }
    sheet = pd.DataFrame({k: np.where(told, v.astype(object), "") for k, v in facts.items()})
    sheet = sheet.assign(
        serial=[f"T-{i:04d}" for i in range(n)], built_on="2018-01-01", odometer_at_install=0, power=power
    )
    sheet = sheet.assign(weight=rng.uniform(5500, 9500, n).round(), use="towing", s="A", p="P", c="C")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "shop.toml").write_text(_TOML, encoding="utf-8")
        (place / "parts.csv").write_text(_PARTS, encoding="utf-8")
        sheet.to_csv(place / "builds.csv", index=False)
        (place / "returns.csv").write_text("serial,failed_on,component\n", encoding="utf-8")
        records = load_records(place)
    loads = make_loads(records, make_lifetimes(records))
    of = loads.table["unit"].to_numpy()
    return loads, power[of], torque[of], speed[of]


@cache
def trucks(recorded: float, seed: int) -> Trucks:
    """Invented trucks, a share of them ``recorded``, with the usual engines."""
    loads, power, torque, speed = _built(recorded, seed, "usual")
    ways = taken_otherwise(loads)
    held = ways[Taken.TWO_WHEELS]["torque_at_shaft_lbft"] / loads.table["torque_at_shaft_lbft"]
    return Trucks(loads, ways, power, torque, speed, held.to_numpy(float))


def _ran(life_miles: np.ndarray, rng: np.random.Generator) -> dict[str, object]:
    """Columns of lives followed for a while each, as drawn (n,)."""
    run = rng.uniform(10_000, 120_000, len(life_miles))
    failed = life_miles < run
    return {
        "lower_miles": np.where(failed, life_miles, run),
        "upper_miles": np.where(failed, life_miles, np.inf),
        "ended": np.where(failed, "failed", "running").astype(object),
        "cause": np.where(failed, "part", "").astype(object),
        "miles_from": "reading",
    }


def _lived(world: Trucks, life_miles: np.ndarray, rng: np.random.Generator) -> dict[Taken, Loads]:
    """The trucks followed for a while each, with every life as drawn (n,)."""
    lives = _ran(life_miles, rng)
    return {taken: replace(world.loads, table=table.assign(**lives)) for taken, table in world.ways.items()}


def _drivers(world: Trucks) -> dict[str, np.ndarray]:
    return {
        "power": world.power_hp / AT_HP,
        "torque": world.torque_lbft / AT_LBFT,
        "torque, two wheels slip": world.torque_lbft * world.held / AT_LBFT,
    }


def explained(truth: str, recorded: float, fleets: int, seed: int) -> dict[str, object]:
    """How often what explains the returns is told right, wrong, or not, in ``fleets`` of one ``truth``."""
    options = Options(Promise(LIFE_MILES), settings=RatingSettings(share=1.0, replicates=0, draws=0, explain=False))
    said = []
    for fleet in range(fleets):
        rng = np.random.default_rng([seed, fleet])
        world = trucks(recorded, fleet % 8)
        life = SCALE * _drivers(world)[truth] ** -EXPONENT * rng.weibull(SHAPE, len(world.power_hp))
        ways = _lived(world, life, rng)
        tables = {taken: loads.table for taken, loads in ways.items()}
        said.append(explain(ways[Taken.MIDDLE], "input shaft", "A", options, tables).decided)
    right = "power" if truth == "power" else "load"
    counts = {
        "right": said.count(right),
        "cannot_be_told": said.count(""),
        "wrong": fleets - said.count(right) - said.count(""),
    }
    return {"truth": truth, "recorded": recorded, "fleets": fleets, **{k: v / fleets for k, v in counts.items()}}


def held_in_hp(recorded: float, engines: str, fleets: int, seed: int, replicates: int = 60) -> dict[str, object]:
    """How often a rating on torque is given, and holds: its lb ft, the horsepower printed for it with an engine slower than all but one in twenty of the shop's ``engines``,
    and with one in the middle; and the median of that horsepower over the true one. The truth: torque of which a share of the promise's reliability lasts the life."""
    options = Options(
        Promise(LIFE_MILES), settings=RatingSettings(share=1.0, replicates=replicates, draws=0, explain=False)
    )
    true_lbft = _true_lbft(options)
    slow, middle = np.quantile(SPEEDS[engines], (0.05, 0.5)) / 5252.113
    told = []
    for fleet in range(fleets):
        rng = np.random.default_rng([seed + 1, fleet])
        loads, _, torque, _ = _built(recorded, 1000 * (seed + 1) + fleet, engines)
        lives = _ran(SCALE * (torque / AT_LBFT) ** -EXPONENT * rng.weibull(SHAPE, len(torque)), rng)
        loads = replace(loads, table=loads.table.assign(**lives))
        try:
            rated = rate_on(loads, "input shaft", "A", "torque", 7500.0, None, options)
        except AnalyticsError:
            continue
        told.append((rated.engine_lbft / true_lbft, rated.bound_hp / (true_lbft * slow), rated.failures))
    given = np.array([t for t in told if np.isfinite(t).all()]).reshape(-1, 3)
    lbft, hp, failures = given.T
    return {
        "recorded": recorded,
        "engines": engines,
        "fleets": fleets,
        "given": len(given) / fleets,
        "failures": _median(failures),
        "held_lbft": _mean(lbft <= 1),
        "held_slowest": _mean(hp <= 1),
        "held_middle": _mean(hp <= middle / slow),
        "median_ratio": _median(hp),
    }


def _mean(of: np.ndarray) -> float:
    return float(of.mean()) if len(of) else np.nan


def _median(of: np.ndarray) -> float:
    return float(np.median(of)) if len(of) else np.nan


def _true_lbft(options: Options) -> float:
    """Torque of which the promised share lasts the life."""
    scale = LIFE_MILES / (-np.log(options.promise.reliability)) ** (1 / SHAPE)
    return AT_LBFT * (scale / SCALE) ** (-1 / EXPONENT)


def accused(rule: str, times: float, fleets: int, seed: int) -> dict[str, object]:
    """How often a ``rule`` is told to be broken by failures more often than chance, where breaking it multiplies the rate of failures
    by ``times`` (1: it does nothing, and every accusation is false), in trucks whose rate rises with power all the same."""
    hits, others, looks = 0, 0, 0
    part = {"hub": "A", "shift heat": "P"}.get(rule, "P" if rule == "clutch margin" else "C")
    for fleet in range(fleets):
        rng = np.random.default_rng([seed, fleet, int(10 * times)])
        world = trucks(1.0, fleet % 8)
        table, r = world.loads.table, RULES[rule]
        value = table[r.column].to_numpy(float)
        limit = float(getattr(world.loads.assumptions.rules, r.limit)) if r.limit else 1.0
        bad = np.isfinite(value) & ((value > limit) if r.over else (value < limit)) & (table["part"] == part).to_numpy()
        rate = (world.power_hp / AT_HP) ** 3.0 * np.where(bad, times, 1.0)
        life = SCALE / rate ** (1 / SHAPE) * rng.weibull(SHAPE, len(rate))
        found = find_suspects(_lived(world, life, rng)[Taken.MIDDLE])
        own = ((found.counts["rule"] == rule) & (found.counts["part"] == part)).to_numpy()
        told = np.nan_to_num(found.p_values, nan=1.0) < SAID_AT
        hits += bool(told[own].any())
        others += int(told[~own].sum())
        looks += int((~own).sum())
    return {"rule": rule, "times": times, "fleets": fleets, "accused": hits / fleets, "others_accused": others / looks}


#: table -> its cells: the function of a row, and what it is told before fleets and seed
TABLES: dict[str, tuple[Callable[..., dict[str, object]], list[tuple]]] = {
    "load_rules": (accused, [(rule, times) for rule in RULES for times in (1.0, 5.0)]),
    "load_explained": (
        explained,
        [(truth, share) for truth in ("power", "torque", "torque, two wheels slip") for share in (0.0, 0.5, 1.0)],
    ),
    "load_hp": (held_in_hp, [(0.0, "usual"), *((share, e) for share in (0.2, 1.0) for e in SPEEDS)]),
}


def run(
    out: str | Path, fleets: int = 40, progress: Callable[[str], None] | None = None, seed: int = 1
) -> dict[str, pd.DataFrame]:
    """Every table of TABLES, written to ``out`` row by row, of so many ``fleets`` a row (half as many where each takes two dozen fits, five for two of what holds in hp) from ``seed`` on; ``progress`` is told of each. Rows
    that are there with those fleets and seed are kept."""
    say, made = progress or (lambda _: None), {}
    for name, (row, cells) in TABLES.items():
        path = Path(out) / f"{name}.csv"
        kept = pd.read_csv(path) if path.is_file() else pd.DataFrame(columns=["fleets", "seed"])
        many = {explained: fleets // 2, held_in_hp: 5 * fleets // 2}.get(
            row, fleets
        )  # two dozen fits a fleet; a share near .9
        rows = kept[(kept["fleets"] == many) & (kept["seed"] == seed)].to_dict("records")
        for cell in cells[len(rows) :]:
            say(f"{name}: {', '.join(map(str, cell))}")
            rows.append(
                {k: round(v, 4) if isinstance(v, float) else v for k, v in row(*cell, many, seed).items()}
                | {"seed": seed}
            )
            with whole_file(path) as part:
                pd.DataFrame(rows).to_csv(part, index=False, lineterminator="\n")
        made[name] = pd.DataFrame(rows)
    return made
