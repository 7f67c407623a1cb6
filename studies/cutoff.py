"""How often the verdict "step" or "slope" is right: simulated fleets whose hazard is known to jump, to slope, or neither.

Invented fleets of three uses that drive unlike miles, late entry of the trucks built before the records start, one survivor in
five read. Each cell's life is scaled so that the failures are as many as stated, on average.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cutoffs.risk import cut_z, redraw, risk_sets
from analytics.cutoffs.step import CutLives, StepVerdict, judge_step
from analytics.errors import NotEnoughData
from analytics.models.lifedata import life_data
from analytics.whole import whole_file
from studies.resumable import KEY, block_row, pieces_of, resume
from studies.scaled import scaled_to_failures
from studies.simulate.fleet import (
    ComponentTruth,
    FindingTruth,
    Fleet,
    FleetTruth,
    HiddenTruth,
    PartTruth,
    UseTruth,
    day_number,
    draw_fleet,
)

STEP_HP = 650.0
SHAPE = 2.0
CONFIDENCE = 0.9
DRAWS = 199
EDGES = (7500.0, 9000.0)
START = "2020-07-01"
VERDICTS = tuple(StepVerdict)  # as numbered in the blocks


@dataclass(frozen=True, slots=True)
class Cell:
    """One truth. kind: what it truly is: "none", "slope", "step", "both" or "bend". slope: exponent of life in power.
    jump: hazard above 650 hp over that below. bend: exponent added beyond 650 hp. failures: expected; units: built.
    read_power: odometers are read of trucks above the median power only. odometers: of one survivor in five ("some"), of none, failed ones not
    either ("none"), or of all ("all"). weighed: False: of the survivors only 2 in 5 have a weight. law: of the lives; frailty: log-sd of life
    between trucks alike. first: first failures expected where they are far fewer, the strongest trucks failing again and again."""

    name: str
    kind: str
    failures: float
    units: int = 900
    slope: float = 0.0
    jump: float = 1.0
    bend: float = 0.0
    read_power: bool = False
    odometers: str = "some"
    weighed: bool = True
    law: str = "weibull"
    frailty: float = 0.0
    first: float = 0.0


#: first failures that make up so many with those that come again, by slope
_FIRST = {-6.0: {20: 11, 60: 33, 120: 76}, -8.0: {20: 7, 60: 19, 120: 40}}


def _cells() -> dict[str, Cell]:
    out = []
    for failures, units in ((20, 900), (60, 900), (120, 1800)):
        n = f"{failures} failures"
        out += [
            Cell(f"no effect of power, {n}", "none", failures, units),
            Cell(f"smooth slope -2, {n}", "slope", failures, units, slope=-2.0),
            Cell(f"smooth slope -4, {n}", "slope", failures, units, slope=-4.0),
            Cell(f"jump of 4, {n}", "step", failures, units, jump=4.0),
            Cell(f"jump of 10, {n}", "step", failures, units, jump=10.0),
            Cell(f"jump of 10 on slope -1, {n}", "both", failures, units, slope=-1.0, jump=10.0),
            Cell(f"bend -1 to -6, {n}", "bend", failures, units, slope=-1.0, bend=-5.0),
        ]
    out.append(Cell("no effect of power, strong trucks read, 60 failures", "none", 60, 900, read_power=True))
    unweighed = "survivors not weighed, 60 failures"
    out += [
        Cell(f"no effect of power, {unweighed}", "none", 60, 900, weighed=False),
        Cell(f"smooth slope -4, {unweighed}", "slope", 60, 900, slope=-4.0, weighed=False),
        Cell(f"jump of 10, {unweighed}", "step", 60, 900, jump=10.0, weighed=False),
    ]
    plain = Cell("smooth slope -4", "slope", 60, 900, slope=-4.0), Cell("jump of 10", "step", 60, 900, jump=10.0)
    for c in plain:
        out.append(replace(c, name=f"{c.name}, log-normal lives, 60 failures", law="log-normal"))
    for c in plain:
        out.append(replace(c, name=f"{c.name}, trucks alike live unlike, 60 failures", frailty=0.5))
    for failures, units in ((20, 900), (60, 900), (120, 1800)):
        n = f"{failures} failures"
        for slope in (-1.0, -6.0, -8.0):
            first = _FIRST.get(slope, {}).get(failures, 0.0)
            out.append(Cell(f"smooth slope {slope:g}, {n}", "slope", failures, units, slope=slope, first=first))
        for slope in (-2.0, -4.0, -8.0):
            name = f"smooth slope {slope:g}, log-normal lives, {n}"
            first = _FIRST.get(slope, {}).get(failures, 0.0)
            out.append(Cell(name, "slope", failures, units, slope=slope, law="log-normal", first=first))
    for odometers in ("none", "all"):
        for c in (*plain, Cell("smooth slope -8", "slope", 60, 900, slope=-8.0, first=19)):
            out.append(
                replace(c, name=f"{c.name}, {odometers} of the odometers read, 60 failures", odometers=odometers)
            )
    return {c.name: c for c in out}


CELLS = _cells()


@cache
def truth_of(cell: Cell) -> FleetTruth:
    """The world of a cell, its life scaled."""
    finding = FindingTruth(
        "worn",
        150_000.0,
        SHAPE,
        cell.slope,
        -1.0,
        cell.law,
        step_above_hp=STEP_HP,
        step_log_life=-float(np.log(cell.jump)) / SHAPE,
        knee_hp=STEP_HP,
        slope_beyond_knee=cell.bend,
    )
    component = ComponentTruth("clutch pack", (PartTruth("P-1", (finding,)),))
    uses = (
        UseTruth("street", 0.55, 22, 0.5, 560, 0.22, 6700, 0.10),
        UseTruth("towing", 0.33, 33, 0.45, 520, 0.20, 8300, 0.13),
        UseTruth("drag", 0.12, 4, 0.55, 800, 0.25, 5400, 0.09, log_life=-0.9),
    )
    world = FleetTruth(
        (component,),
        uses,
        records_start=START,
        leave_per_year=0.03,
        to_service_days=15,
        hidden=HiddenTruth(frailty_log_sd=cell.frailty),
    )
    return scaled_to_failures(world, "clutch pack", "P-1", cell.units, cell.first or cell.failures)


def lives_of_fleet(fleet: Fleet, weighed: bool = True, odometers: str = "some") -> tuple[CutLives, pd.DataFrame]:
    """The lives of a drawn fleet as the shop would have them, and a frame with their miles (NaN where never read). odometers: see Cell."""
    lives, units = fleet.lives, fleet.units
    unit = lives["unit"].to_numpy()
    power, weight, use = (units[k].to_numpy()[unit] for k in ("power_hp", "weight_lb", "use"))
    start, end = lives["start_day"].to_numpy(float), lives["end_day"].to_numpy(float)
    failed = (lives["ended"] == "failed").to_numpy()
    begin = float(day_number(fleet.truth.records_start)) if fleet.truth.records_start else -np.inf
    entry = np.clip(begin - start, 0, None)
    days = end - start
    keep = (days > entry) & (end >= begin) & ~units["before_records"].to_numpy()[unit]
    klass = np.searchsorted(EDGES, weight)
    if not weighed:
        hidden = ~failed & (np.random.default_rng([fleet.seed, 11]).random(len(failed)) < 0.6)
        usual = pd.Series(weight).groupby(use).transform("median").to_numpy()
        klass, weight = np.where(hidden, len(EDGES) + 1, klass), np.where(hidden, usual, weight)
    stratum = np.array([f"{u} | {k}" for u, k in zip(use, klass, strict=True)], dtype=object)
    last = fleet.readings.groupby("unit")["miles"].max()
    read = last.reindex(unit).to_numpy(float) - lives["start_miles"].to_numpy(float)
    ran = lives["end_miles"].to_numpy(float) - lives["start_miles"].to_numpy(float)
    known = {"some": failed, "none": np.zeros_like(failed), "all": np.ones_like(failed)}[odometers]
    read = np.where(odometers == "none", np.nan, read)
    miles = np.where(known, ran, np.where(read > 0, read, np.nan))
    frame = pd.DataFrame(
        {
            "miles": miles,
            "ran": ran,
            "entry_share": entry / np.maximum(days, 1),
            "power_hp": power,
            "failed": failed,
            "stratum": stratum,
        }
    )[keep]
    # as the shop has them: miles at failures, a reading for one survivor in five, days for all
    first, reading = lives["start_day"].to_numpy(float), fleet.readings.groupby("unit")["read_day"].max()
    service = units["service_day"].to_numpy(float)[unit]
    read_age = np.where(known, end - service, reading.reindex(unit).to_numpy(float) - service)
    read_miles = np.where(known, lives["end_miles"].to_numpy(float), last.reindex(unit).to_numpy(float))
    if odometers == "none":
        read_miles = np.full_like(read_miles, np.nan)
    data = life_data(
        np.where(known, ran, np.nan)[keep],
        np.where(failed, np.where(known, ran, np.nan), np.inf)[keep],
        power[keep],
        weight[keep],
        entry=np.where(known, ran * np.clip(entry / np.maximum(days, 1), 0, 1), 0.0)[keep],
        entry_days=entry[keep],
        lower_days=days[keep],
        upper_days=np.where(failed, days, np.inf)[keep],
        start_days=np.maximum(first - service, 0.0)[keep],
        use=use[keep],
        rate_miles=read_miles[keep],
        rate_days=read_age[keep],
        unit=unit[keep],
    )
    out = CutLives(
        axis="power",
        x=power[keep],
        time=days[keep],
        failed=failed[keep],
        entry=entry[keep],
        stratum=stratum[keep],
        count=np.ones(int(keep.sum()), int),
        log_power=np.log(power[keep]),
        log_weight=np.log(weight[keep]),
        use=use[keep],
        data=data,
    )
    return out, frame


def known_miles_p(frame: pd.DataFrame, seed: int, draws: int = DRAWS) -> float:
    """The search on the clock of miles with the lives whose odometer is known, which the verdict does not use: its p."""
    known = frame[frame["miles"] > 0]
    try:
        sets = risk_sets(
            np.log(known["power_hp"]),
            known["miles"],
            known["failed"],
            known["miles"] * known["entry_share"],
            known["stratum"],
        )
    except NotEnoughData:
        return float("nan")
    rng = np.random.default_rng(seed)
    drawn = np.abs(cut_z(sets, redraw(sets, sets.at_risk, draws, rng)))
    seen = np.abs(cut_z(sets, sets.bin))[0]
    if np.isnan(seen).all():
        return float("nan")
    return float((1 + (np.nanmax(drawn, axis=1) >= np.nanmax(seen) - 1e-9).sum()) / (draws + 1))


def one_replicate(cell: Cell, seed: int) -> dict[str, float]:
    """One fleet: p-values, verdict (index in VERDICTS), whether the set for the place holds 650 hp and its width in hp."""
    fleet = draw_fleet(truth_of(cell), cell.units, seed)
    lives, frame = lives_of_fleet(fleet, cell.weighed, cell.odometers)
    if cell.read_power:
        high = frame["power_hp"] > frame["power_hp"].median()
        read = frame["failed"] | (high & (np.random.default_rng([seed, 7]).random(len(frame)) < 0.4))
        frame["miles"] = frame["ran"].where(read)
    out = judge_step(lives, CONFIDENCE, DRAWS, seed)
    place, jump = out.place, out.jump
    return {
        "failures": float(lives.failed.sum()),
        "p": out.search.p_value,
        "naive_p": out.search.naive_p,
        "p_smooth": out.models.p_smooth,
        "p_step": out.models.p_step,
        "verdict": float(VERDICTS.index(out.verdict)),
        "place_holds": float(place.low <= STEP_HP <= place.high) if np.isfinite(place.low) else np.nan,
        "place_width": place.high - place.low,
        "jump": jump.fitted,
        "shrunk": jump.ratio,
        # on log-normal lives, and where trucks alike live unlike, the ratio of hazards changes with age: there is no one size to hold
        "jump_holds": float(jump.low <= cell.jump <= jump.high)
        if np.isfinite(jump.fitted) and cell.law == "weibull" and not cell.frailty
        else np.nan,
        "miles_p": known_miles_p(frame, seed),
    }


def run_block(name: str, block: int, size: int, seed: int) -> pd.DataFrame:
    """One row: ``size`` fleets of a cell, in full."""
    return block_row(name, block, size, seed, partial(one_replicate, CELLS[name]), ".4g")


def run(
    out: str | Path,
    replicates: int = 200,
    jobs: int = 1,
    cells: Iterable[str] | None = None,
    block: int = 25,
    seed: int = 20_240_602,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """The study: appends one row per cell and block to cutoff_blocks.csv in ``out``, skipping those there already, and
    writes the table of `summarise` to cutoff.csv. A rerun with the same seed goes on where it stopped."""
    path = Path(out) / "cutoff_blocks.csv"
    resume(path, KEY, pieces_of(CELLS, cells, replicates, block, seed, __name__), run_block, jobs, progress)
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name("cutoff.csv")) as part:
        table.round(4).to_csv(part, index=False)
    return table


def _uniform_gap(p: np.ndarray) -> float:
    """p-value of p being uniform (Kolmogorov and Smirnov), NaN where there is none."""
    from scipy.stats import kstest

    p = p[np.isfinite(p)]
    return float(kstest(p, "uniform").pvalue) if len(p) else float("nan")


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per cell. said_*: share of fleets with that verdict; wrong: share with the verdict that is an error there (step
    for a slope, slope for a jump, either for no effect), wrong_se its standard error; p_below: share with p at most 0.10, and naive_*,
    miles_* likewise; p_uniform: test that p is uniform; place_*: share of sets that hold 650 hp (and their median width) among all
    fleets of a cell with a jump, and among those called "step"."""
    rows = []
    for name, part in blocks.groupby("cell", sort=False):

        def values(column, part=part):
            return np.array([float(v) for text in part[column] for v in str(text).split()])

        cell = CELLS[name]
        verdict = values("verdict")
        n = len(verdict)
        said: dict[str, float] = {v: float((verdict == i).mean()) for i, v in enumerate(VERDICTS)}
        wrong = {
            "none": said["step"] + said["slope"],
            "slope": said["step"],
            "bend": said["step"],
            "step": said["slope"],
            "both": said["slope"],
        }[cell.kind]
        jump = cell.kind in ("step", "both")
        holds, width = values("place_holds"), values("place_width")
        called = verdict == VERDICTS.index(StepVerdict.STEP)

        def mean(v):
            v = v[np.isfinite(v)]
            return float(v.mean()) if len(v) else np.nan

        rows.append(
            {
                "cell": name,
                "kind": cell.kind,
                "units": cell.units,
                "expected_failures": cell.failures,
                "mean_failures": mean(values("failures")),
                "fleets": n,
                "said_step": said["step"],
                "said_slope": said["slope"],
                "said_neither": said[StepVerdict.OPEN],
                "wrong": wrong,
                "wrong_se": float(np.sqrt(max(wrong * (1 - wrong), 1e-9) / n)),
                "p_below": mean((values("p") <= 0.1).astype(float)),
                "naive_below": mean((values("naive_p") <= 0.1).astype(float)),
                "miles_below": mean((values("miles_p") <= 0.1).astype(float)),
                "p_uniform": _uniform_gap(values("p")) if cell.kind == "none" else np.nan,
                "place_holds": mean(holds) if jump else np.nan,
                "place_width": float(np.nanmedian(width)) if jump and np.isfinite(width).any() else np.nan,
                "place_holds_called": mean(holds[called]) if jump else np.nan,
                "jump_holds": mean(values("jump_holds")) if jump else np.nan,
                "median_jump": float(np.nanmedian(values("jump"))),
                "median_shrunk": float(np.nanmedian(values("shrunk"))),
                "seed": int(part["seed"].iloc[0]),
                "versions": part["versions"].iloc[0],
            }
        )
    return pd.DataFrame(rows)
