"""How fast the work is against others on the same data, in CPU seconds, the two in turn: a ratio holds where the machine does not.

Run by hand (`make bench`); never a test. Lifelines is asked what both do; R's survival too, where Rscript is installed. The answer for
one truck stands against the time it is to be given in.
"""

from __future__ import annotations

import itertools
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.whole import whole_file
from studies.resumable import versions_used

PAIRS, SEED, CELLS = 5, 1, 50
#: in which an answer for one truck is to be given once the shop was read
ANSWER_SECONDS = 2.0
Work = Callable[[], object]
R = """
suppressMessages(library(survival)); a <- commandArgs(TRUE); d <- read.csv(a[1]); n <- as.integer(a[2])
t <- sapply(1:n, function(i) system.time(survreg(Surv(time, failed) ~ a + b, data = d, dist = "weibull"))[["user.self"]])
cat(median(t))
"""


def lives(rows: int) -> pd.DataFrame:
    """Invented lives: time, failed, two columns a and b, and one of CELLS groups."""
    rng = np.random.default_rng([SEED, rows])
    a, b = rng.normal(size=(2, rows))
    life, end = 30_000 * np.exp(-0.4 * a + 0.2 * b) * rng.weibull(2.0, rows), rng.uniform(2_000, 40_000, rows)
    told = {"time": np.ceil(np.minimum(life, end)), "failed": life < end, "a": a, "b": b}
    return pd.DataFrame(told | {"cell": rng.integers(CELLS, size=rows)})


def regression(rows: int) -> tuple[Work, Work]:
    """Weibull regression on two columns, ours and lifelines'."""
    from lifelines import WeibullAFTFitter

    from studies.regression import fit_regression

    data = lives(rows)
    time_, upper = data["time"].to_numpy(), np.where(data["failed"], data["time"], np.inf)
    columns, frame = data[["a", "b"]].to_numpy(), data[["time", "failed", "a", "b"]]
    return (
        lambda: fit_regression(time_, upper, columns, ("a", "b")),
        lambda: WeibullAFTFitter().fit(frame, "time", "failed"),
    )


def curves(rows: int) -> tuple[Work, Work]:
    """Kaplan-Meier curves of CELLS groups with limits, ours and lifelines'."""
    from lifelines import KaplanMeierFitter

    from analytics.models.nonparametric import kaplan_meier_cells

    data = lives(rows)
    return (
        lambda: kaplan_meier_cells(data["time"], data["failed"], cell=data["cell"]),
        lambda: [KaplanMeierFitter().fit(own["time"], own["failed"]) for _, own in data.groupby("cell")],
    )


def checked(_: int) -> tuple[Work, Work]:
    """The whole command `check` on the demo, and the import of pandas alone."""

    def run(*command: str) -> Work:
        return lambda: subprocess.run([sys.executable, *command], check=True, capture_output=True)

    return run("-m", "analytics", "check", "data/demo"), run("-c", "import pandas")


def answers(kept: bool, slider: bool = False) -> Callable[[int], tuple[Work, float]]:
    """The answer for a truck that tows, of the demo once it was read, in words; and the seconds it is to be given in. kept: with what an earlier run kept,
    else nothing is; slider: one more where others were given."""

    def make(_: int) -> tuple[Work, float]:
        from analytics.advice.adviser import Adviser
        from analytics.advice.truck import wish_of
        from analytics.kept import CACHE
        from analytics.lifetimes.table import make_lifetimes
        from analytics.records.load import load_records
        from analytics.words.advice import spoken

        folder = tempfile.TemporaryDirectory()
        records = load_records("data/demo")
        lifetimes, powers = make_lifetimes(records), itertools.count(700, 5)
        one = Adviser(records, lifetimes)

        def ask() -> object:
            os.environ[CACHE] = folder.name if kept else "off"
            adviser = one if slider else Adviser(records, lifetimes)
            return spoken(adviser.ask(wish_of(power=str(next(powers)), weight="8200", use="towing")))

        return ask, ANSWER_SECONDS

    return make


_IN_TIME = f"{ANSWER_SECONDS:g} s"
#: what is timed: rows, against whom, how many times as fast is aimed at
WORK: dict[str, tuple[Callable[[int], tuple[Work, Work | float]], int, str, float]] = {
    "Weibull regression": (regression, 300, "lifelines", 500),
    "Weibull regression, many rows": (regression, 20_000, "lifelines", 150),
    f"{CELLS} Kaplan-Meier curves": (curves, 20_000, "lifelines", 20),
    "check of the demo": (checked, 0, "import of pandas", np.nan),
    "answer for a truck, the first since a sheet changed": (answers(kept=False), 0, _IN_TIME, np.nan),
    "answer for a truck, fits kept": (answers(kept=True), 0, _IN_TIME, 1),
    "answer for a truck, as a slider moves": (answers(kept=True, slider=True), 0, _IN_TIME, 1),
}


def cpu_seconds(work: Work) -> float:
    """CPU seconds of one run, with those of the processes it starts."""
    before = os.times()
    begun = time.process_time()
    work()
    after = os.times()
    children = after.children_user + after.children_system - before.children_user - before.children_system
    return time.process_time() - begun + children


def r_seconds(rows: int) -> float:
    """Median CPU seconds of the same regression in R; NaN where R is not installed or lacks survival."""
    if shutil.which("Rscript") is None:
        return np.nan
    with tempfile.TemporaryDirectory() as folder:
        data, code = Path(folder) / "data.csv", Path(folder) / "run.R"
        lives(rows).astype({"failed": int}).to_csv(data, index=False)
        code.write_text(R)
        done = subprocess.run(["Rscript", str(code), str(data), str(PAIRS)], capture_output=True, text=True)
    return float(done.stdout) if done.returncode == 0 else np.nan


def measured(name: str) -> dict[str, object]:
    """One row of the table."""
    make, rows, against, goal = WORK[name]
    ours, theirs = make(rows)
    for work in filter(callable, (ours, theirs)):
        work()  # what is loaded at the first run is no part of it
    pairs = np.array([[cpu_seconds(w) if callable(w) else w for w in (ours, theirs)] for _ in range(PAIRS)])
    ratio = pairs[:, 1] / pairs[:, 0]
    return {
        "work": name,
        "rows": rows,
        "cpu_ms": 1e3 * np.median(pairs[:, 0]),
        "against": against,
        "times_as_fast": np.median(ratio),
        "lowest": ratio.min(),
        "highest": ratio.max(),
        "goal": goal,
        "r_times_as_fast": r_seconds(rows) / np.median(pairs[:, 0]) if make is regression else np.nan,
        "cores": os.cpu_count(),
        "versions": f"{versions_used()}, {platform.machine()}",
    }


def run(out: Path, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """Measure everything and write speed.csv into ``out``. progress: called with a line of text after each. Returns the table."""
    rows = []
    for name in WORK:
        rows.append(measured(name))
        if progress is not None:
            progress(f"{name}: {rows[-1]['times_as_fast']:.1f} times as fast as {rows[-1]['against']}")
    table = pd.DataFrame(rows)
    with whole_file(out / "speed.csv") as part:
        table.round(3).to_csv(part, index=False, lineterminator="\n")
    return table
