"""What is foretold to come in at the door where teardowns also show damage that stops no truck: invented shops like the demo, which look for it, replayed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.later import came_later
from analytics.lifetimes.opened import found_damaged
from analytics.records.load import as_typed, load_records
from analytics.review.door import level_of, with_level
from analytics.review.expected import days_between
from analytics.review.forecast import BACK, count_forecast
from analytics.review.outlook import Replay, replay
from analytics.review.snapshot import Snapshot, snapshot_of
from analytics.whole import whole_file
from studies.demo_shops import UNITS
from studies.hidden import COMPONENT, truth_of
from studies.quarter import ratio_se
from studies.resumable import resume, versions_used
from studies.simulate.demo import demo_files

BLOCKS, TABLE = "stops_shops.csv", "stops.csv"
FIRST_SEED = 6101
#: so many times the hidden damage of the demo
TIMES = (1.0, 2.0)
_COUNTS = ["expected", "stopped", "found"]


def one_shop(seed: int, times: float, units: int = UNITS) -> pd.DataFrame:
    """Eight quarters of a shop: a row per forecast of the output shafts, and of the whole shop (""), with the trucks that it ``stopped`` of those then running,
    and those of which such damage was ``found`` while they were open for something else."""
    files, _ = demo_files(units, seed, truth_of(times))
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        done = replay(as_typed(folder), snapshot_of(load_records(folder)))
    return pd.DataFrame(_forecasts(done)).assign(seed=seed, times=times, versions=versions_used()).round(3)


def _forecasts(done: Replay) -> Iterator[dict[str, object]]:
    for (i, span), (lives, chance) in sorted(done.running.items()):
        before, later = done.snapshots[i], done.snapshots[i + BACK[span]]
        told = count_forecast(lives, with_level(chance, level_of(before, days_between(before, later))))
        stopped, found = _came(lives, before, later)
        for row in told.to_dict("records"):
            if row["component"] in ("", COMPONENT):
                own = (lives["component"] == row["component"]).to_numpy() | (row["component"] == "")
                yield {"span": span, **row, "stopped": stopped[own].sum(), "found": found[own].sum()}


def _came(lives: pd.DataFrame, before: Snapshot, later: Snapshot) -> tuple[np.ndarray, np.ndarray]:
    """Of the ``lives`` running ``before``, those that failed by ``later``: (n,) that stopped their truck, and that were found at a teardown."""
    table = later.lifetimes.table
    failed, hidden = counts_as_failure(table), found_damaged(table).to_numpy()
    stops, found = (came_later(lives, before.table, table[failed & own]) for own in (~hidden, hidden))
    return stops, found


def run(out: str | Path, shops: int = 20, jobs: int = 1, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """``shops`` shops for each of TIMES, those in stops_shops.csv of ``out`` not again; writes that file and the table of `summarise`, stops.csv."""
    path = Path(out) / BLOCKS
    pieces = [(seed, times) for seed in range(FIRST_SEED, FIRST_SEED + shops) for times in TIMES]
    resume(path, ["seed", "times"], pieces, one_shop, jobs, progress)
    table = summarise(pd.read_csv(path, keep_default_na=False))
    with whole_file(path.with_name(TABLE)) as part:
        table.round(4).to_csv(part, index=False)
    return table


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Per times, component ("": the whole shop) and span: shops, forecasts, expected, stopped, found, stopped over expected with its standard error over shops, and share of the ranges held by
    the trucks stopped, misses above and below."""
    out = []
    for (times, component, span), own in rows.groupby(["times", "component", "span"]):
        above, below = (own["stopped"] > own["upper"]).mean(), (own["stopped"] < own["lower"]).mean()
        sums = own[_COUNTS].sum()
        out.append(
            {
                "times": times,
                "component": component,
                "span": span,
                "shops": own["seed"].nunique(),
                "forecasts": len(own),
                **sums,
                "ratio": sums["stopped"] / sums["expected"],
                "ratio_se": ratio_se(own.rename(columns={"stopped": "came"})),
                "held": 1 - above - below,
                "above": above,
                "below": below,
            }
        )
    return pd.DataFrame(out)
