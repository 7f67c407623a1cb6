"""How fast the work is against others on the same data, the two in turn, and against the time it is to be given in: a ratio holds where the machine does not.

Run by hand (`make bench`, or `make bench ONLY="fits refits"`); never a test. Each group runs in a process of its own and its rows are kept as they come, so that
what was broken off loses nothing. Lifelines is asked what both do; R's survival and maxstat too, where Rscript has them. Whole commands are told in
seconds by the clock, and need an idle machine; all else in CPU seconds.
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
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.whole import whole_file
from studies.resumable import versions_used

PAIRS, SEED, CELLS, REFITS = 5, 1, 50, 1_000
#: in which an answer for one truck is to be given once the shop was read
ANSWER_SECONDS = 2.0
DEMO = "data/demo"
#: does something, or gives the seconds that something took
Work = Callable[[], object]
Side = Callable[[], float]
KEY = ["group", "work", "rows", "against"]


@dataclass(frozen=True, slots=True)
class Spent:
    """Seconds of processors and of the clock, and the most memory held at once, in MB (NaN: not looked at)."""

    cpu: float
    wall: float = np.nan
    peak_mb: float = np.nan


# ---- the two sides -------------------------------------------------------------------------------------------------
def cpu_seconds(work: Work, times: int = 1) -> float:
    """CPU seconds of one run, of so many ``times`` after one another, with those of the processes it starts."""
    before, begun = os.times(), time.process_time()
    for _ in range(times):
        work()
    after = os.times()
    children = after.children_user + after.children_system - before.children_user - before.children_system
    return (time.process_time() - begun + children) / times


def spent(*command: str, **environment: str) -> Spent:
    """What a Python command takes with all processes it starts, nothing else running. Raises where it fails."""
    with tempfile.TemporaryFile() as said:
        begun = time.perf_counter()
        child = subprocess.Popen(
            [sys.executable, *command],
            stdout=said,
            stderr=said,
            env=os.environ | {"ANALYTICS_JOBS": "-1"} | environment,
        )
        _, status, used = os.wait4(child.pid, 0)
        wall = time.perf_counter() - begun
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        if child.returncode:
            raise AnalyticsError(f"{' '.join(command)} ended with {child.returncode}: {said.read().decode()[-500:]}")
    return Spent(used.ru_utime + used.ru_stime, wall, used.ru_maxrss / 1024)


_R = """
suppressMessages(library(survival)); a <- commandArgs(TRUE); d <- read.csv(a[1]); n <- as.integer(a[2]); set.seed(1)
%s
took <- system.time(for (i in 1:n) %s)
cat(took[["user.self"]] + took[["sys.self"]])
"""
_R_WORK = {
    "weibull": ("", 'survreg(Surv(time, failed) ~ a + b, data = d, dist = "weibull")'),
    "lognormal": ("", 'survreg(Surv(time, failed) ~ a + b, data = d, dist = "lognormal")'),
    "refits": (
        'f <- survreg(Surv(time, failed) ~ a + b, data = d, dist = "weibull"); s <- c(coef(f), log(f$scale))\n'
        "w <- matrix(rexp(nrow(d) * n), nrow(d))",
        'survreg(Surv(time, failed) ~ a + b, data = d, dist = "weibull", weights = w[, i], init = s)',
    ),
    "curves": ("", 'survfit(Surv(time, failed) ~ cell, data = d, conf.type = "log-log")'),
    "search": (
        "suppressMessages(library(maxstat))",
        'maxstat.test(Surv(time, failed) ~ a, data = d, smethod = "LogRank", pmethod = "condMC", B = 999)',
    ),
}


def in_r(work: str, rows: int, times: int = 1, each: int = 1) -> Side:
    """CPU seconds of ``each`` of the same work in R on the same lives, of so many ``times``; NaN where R or its package is not installed."""
    before, expression = _R_WORK[work]

    def side() -> float:
        if shutil.which("Rscript") is None:
            return np.nan
        with tempfile.TemporaryDirectory() as folder:
            data, code = Path(folder) / "data.csv", Path(folder) / "run.R"
            lives(rows).astype({"failed": int}).to_csv(data, index=False)
            code.write_text(_R % (before, expression))
            done = subprocess.run(["Rscript", str(code), str(data), str(times)], capture_output=True, text=True)
        return float(done.stdout) / times * each if done.returncode == 0 else np.nan

    return side


@cache
def r_version() -> str:
    """R's package survival and its version."""
    asked = 'cat("R survival", as.character(packageVersion("survival")))'
    found = shutil.which("Rscript") and subprocess.run(["Rscript", "-e", asked], capture_output=True, text=True).stdout
    return found or "R survival"


def lifelines_version() -> str:
    return f"lifelines {version('lifelines')}"


@cache
def lives(rows: int) -> pd.DataFrame:
    """Invented lives: time, failed, two columns a and b, one of CELLS groups, and when each came under observation."""
    rng = np.random.default_rng([SEED, rows])
    a, b = rng.normal(size=(2, rows))
    life, end = 30_000 * np.exp(-0.4 * a + 0.2 * b) * rng.weibull(2.0, rows), rng.uniform(2_000, 40_000, rows)
    told = {"time": np.ceil(np.minimum(life, end)), "failed": life < end, "a": a, "b": b}
    told |= {"cell": rng.integers(CELLS, size=rows), "count": np.arange(rows) % 3 + 1.0}
    return pd.DataFrame(told | {"entry": np.where(rng.random(rows) < 0.3, np.floor(told["time"] * 0.4), 0.0)})


# ---- rows of the table ---------------------------------------------------------------------------------------------
def compared(work: str, rows: int, ours: Side, against: str, theirs: Side | float, goal: float, pairs: int = PAIRS):
    """One row: ``ours`` and ``theirs`` in turn, so many ``pairs``; theirs may be seconds to keep to."""
    both = np.array([[ours(), theirs() if callable(theirs) else theirs] for _ in range(pairs)])
    return told(work, rows, [Spent(cpu) for cpu in both[:, 0]], against, both[:, 1] / both[:, 0], goal)


def told(work: str, rows: int, runs: list[Spent], against: str, ratio: np.ndarray, goal: float) -> dict[str, object]:
    """A row of what was measured: ``ratio`` of theirs to ours (n,), above 1 where ours is faster or smaller."""
    return {
        "work": work,
        "rows": rows,
        "cpu_ms": 1e3 * np.median([r.cpu for r in runs]),
        "wall_ms": 1e3 * np.median([r.wall for r in runs]),
        "peak_mb": np.median([r.peak_mb for r in runs]),
        "against": against,
        "times_as_fast": np.median(ratio),
        "lowest": np.min(ratio),
        "highest": np.max(ratio),
        "goal": goal,
        "cores": os.cpu_count(),
        "versions": f"{versions_used()}, {platform.machine()}",
    }


Rows = Iterator[dict[str, object]]


def fits() -> Rows:
    """Weibull and log-normal regression, ours, lifelines' and R's; and how often all rows are gone through."""
    from lifelines import LogNormalAFTFitter, WeibullAFTFitter

    from analytics.models.regression import fit_regression

    fitters = {"Weibull": WeibullAFTFitter, "log-normal": LogNormalAFTFitter}
    goals = {300: (500, 10), 20_000: (150, 40), 1_000_000: (60, 40)}
    for (rows, (than_lifelines, than_r)), law in itertools.product(goals.items(), fitters):
        data, name, pairs = lives(rows), law.lower().replace("-", ""), PAIRS if rows < 1e6 else 3
        upper = np.where(data["failed"], data["time"], np.inf)
        fit = partial(fit_regression, data["time"].to_numpy(), upper, data[["a", "b"]].to_numpy(), name)

        def theirs(columns: list[str], law: str = law, data: pd.DataFrame = data, **how: str) -> Side:
            frame = data[["time", "failed", "a", "b", *columns]]
            return partial(cpu_seconds, lambda: fitters[law]().fit(frame, "time", "failed", **how))

        ours, work = partial(cpu_seconds, fit, max(1, 100_000 // rows)), f"{law} regression"
        yield compared(work, rows, ours, lifelines_version(), theirs([]), than_lifelines, pairs)
        yield compared(work, rows, ours, r_version(), in_r(name, rows, max(1, 15_000 // rows)), than_r, pairs)
        if rows == 20_000:
            late = partial(fit, entry=data["entry"].to_numpy(), weights=data["count"].to_numpy())
            told = theirs(["entry", "count"], entry_col="entry", weights_col="count")
            more = f"{work} with entry and weights"
            yield compared(more, rows, partial(cpu_seconds, late, 5), lifelines_version(), told, than_lifelines, 3)
        if rows == 1_000_000:
            yield passes(f"{work}, times all rows are gone through", rows, fit)


def passes(work: str, rows: int, fit: Work) -> dict[str, object]:
    """How many of 6 passes over all ``rows``, each an exponential a row, a ``fit`` takes."""
    from analytics.models.regression import Weighed

    seen, slopes = 0, Weighed.slopes

    def counted(self, theta):
        nonlocal seen
        seen += self.lives.places.shape[1]
        return slopes(self, theta)

    Weighed.slopes = counted  # type: ignore[method-assign]
    try:
        fit()
    finally:
        Weighed.slopes = slopes  # type: ignore[method-assign]
    return told(work, rows, [Spent(np.nan)], "6", np.array([6 * rows / seen]), 1)


def refits() -> Rows:
    """1,000 weighted refits as one batch, ours and R's, each from the optimum to equal weights."""
    from analytics.models.regression import fit_regression

    for rows, goal, in_full in ((300, 8, 200), (20_000, 10, 20)):
        data = lives(rows)
        time_, upper = data["time"].to_numpy(), np.where(data["failed"], data["time"], np.inf)
        weights = np.random.default_rng(SEED).exponential(size=(REFITS, rows))
        fit = partial(fit_regression, time_, upper, data[["a", "b"]].to_numpy(), weights=weights)
        ours, theirs = partial(cpu_seconds, fit), in_r("refits", rows, in_full, REFITS)
        yield compared(f"{REFITS:,} weighted refits", rows, ours, f"{r_version()}, warm start", theirs, goal)


def curves() -> Rows:
    """Kaplan-Meier curves of CELLS groups with limits, ours, lifelines' and R's, and against the sort of the times alone."""
    from lifelines import KaplanMeierFitter

    from analytics.models.nonparametric import kaplan_meier_cells

    work = f"{CELLS} Kaplan-Meier curves"
    for rows, than_lifelines, than_r in ((20_000, 20, 40), (1_000_000, 20, 60)):
        data = lives(rows)[["time", "failed", "cell"]]
        times = data["time"].to_numpy()

        def one_by_one(data: pd.DataFrame = data) -> None:
            for _, own in data.groupby("cell"):
                KaplanMeierFitter().fit(own["time"], own["failed"])

        def sorts(times: np.ndarray = times) -> None:
            for _ in range(3):
                np.sort(times)

        ours = partial(
            cpu_seconds,
            partial(kaplan_meier_cells, data["time"], data["failed"], cell=data["cell"]),
            max(1, 100_000 // rows),
        )
        yield compared(work, rows, ours, lifelines_version(), partial(cpu_seconds, one_by_one), than_lifelines)
        yield compared(work, rows, ours, r_version(), in_r("curves", rows, max(1, 100_000 // rows)), than_r)
        yield compared(
            work, rows, ours, "3 sorts of the times", partial(cpu_seconds, sorts, max(1, 100_000 // rows)), 1
        )


def search() -> Rows:
    """The maximally selected log-rank statistic with its permutations, ours and R maxstat's."""
    from studies.scan import permutation_p

    for rows, goal in ((300, 3), (20_000, 7)):
        data = lives(rows)
        a, time_, failed = (data[c].to_numpy() for c in ("a", "time", "failed"))
        ours = partial(cpu_seconds, partial(permutation_p, a, time_, failed, permutations=999))
        yield compared("search for a cut, 999 permutations", rows, ours, "R maxstat", in_r("search", rows), goal)


def rating() -> Rows:
    """A full calibrated rating of 500 units, 20 of which failed, most odometers unknown."""
    from analytics.ratings.bound import rate_part
    from studies.coverage import CELLS as SHOPS
    from studies.coverage import PROMISE, SETTINGS, draw_fleet

    cell = SHOPS["500 units, 20 failures"]
    data = draw_fleet(cell, np.random.default_rng(SEED))

    def rate() -> object:
        return rate_part(data, cell.weight_lb, None, PROMISE, SETTINGS[cell.settings], seed=SEED)

    rate()
    yield compared("calibrated rating, odometers unknown", cell.units, partial(cpu_seconds, rate), "0.25 s", 0.25, 1)


def answers() -> Rows:
    """The answer for a truck that tows, of the demo once it was read, in words."""
    from analytics.advice.adviser import Adviser
    from analytics.advice.truck import wish_of
    from analytics.kept import CACHE
    from analytics.lifetimes.table import make_lifetimes
    from analytics.records.load import load_records
    from analytics.words.advice import spoken

    records = load_records(DEMO)
    lifetimes, powers = make_lifetimes(records), itertools.count(700, 5)
    one = Adviser(records, lifetimes)
    for what, kept, slider, goal in (
        ("the first since a sheet changed", False, False, np.nan),
        ("fits kept", True, False, 1),
        ("as a slider moves", True, True, 1),
    ):
        with tempfile.TemporaryDirectory() as folder:
            os.environ[CACHE] = folder if kept else "off"

            def ask(slider=slider) -> object:
                adviser = one if slider else Adviser(records, lifetimes)
                return spoken(adviser.ask(wish_of(power=str(next(powers)), weight="8200", use="towing")))

            ask()
            ours = partial(cpu_seconds, ask)
            yield compared(f"answer for a truck, {what}", 0, ours, f"{ANSWER_SECONDS:g} s", ANSWER_SECONDS, goal)


# ---- whole commands, by the clock ----------------------------------------------------------------------------------
def within(work: str, rows: int, runs: list[Spent], seconds: float) -> dict[str, object]:
    """A row of whole commands against the ``seconds`` of the clock they are to take."""
    return told(work, rows, runs, f"{seconds:g} s", np.array([seconds / r.wall for r in runs]), 1)


#: of whole commands: what is timed, the command, seconds it is to take, how often
_COMMANDS = {
    "check": (("check", DEMO), 1.5, 5),
    "ratings, all pages": (("ratings", DEMO), 20.0, 3),
    "cutoff": (("cutoff", DEMO, "--component", "clutch pack", "--from", "CP-4", "--to", "CP-5"), 8.0, 3),
    "load": (("load", DEMO), 10.0, 3),
    "backtest, 8 quarters": (("backtest", DEMO), 15.0, 3),
}


def command(*arguments: str, **environment: str) -> Spent:
    """A command of the package, all cores, nothing kept of earlier runs but what ``environment`` says; its files are thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        where = () if arguments[0] == "check" else ("--out", folder)
        return spent("-m", "analytics", *arguments, *where, **({"ANALYTICS_CACHE": "off"} | environment))


def commands() -> Rows:
    """The commands of the package on the demo, with nothing kept."""
    for name, (arguments, seconds, times) in _COMMANDS.items():
        yield within(f"{name} of the demo", 0, [command(*arguments) for _ in range(times)], seconds)


def review() -> Rows:
    """The review of the demo, the first and again with the records unchanged."""
    first, again = [], []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as kept:
            first.append(command("review", DEMO, ANALYTICS_CACHE=kept))
            again.append(command("review", DEMO, ANALYTICS_CACHE=kept))
    yield within("review of the demo, first", 0, first, 15)
    yield within("review of the demo, again", 0, again, 7)


_BARE = "from analytics import cores; cores.RECKONING = cores._ONE_THREAD; import sys; from analytics.__main__ import main; sys.exit(main())"


def memory() -> Rows:
    """The first review of the demo with memory kept from the system as `analytics.cores` asks, and without."""
    runs: tuple[list[Spent], list[Spent]] = ([], [])
    bare = {
        name: os.environ.pop(name)
        for name in ("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_")
        if name in os.environ
    }
    for _ in range(2):
        with tempfile.TemporaryDirectory() as folder:
            runs[0].append(command("review", DEMO))
            runs[1].append(spent("-c", _BARE, "review", DEMO, "--out", folder, ANALYTICS_CACHE="off"))
    os.environ.update(bare)
    ours, without = runs
    for what, figure in (("CPU", "cpu"), ("memory", "peak_mb")):
        ratio = np.array([getattr(b, figure) / getattr(a, figure) for a, b in zip(ours, without, strict=True)])
        yield told(f"review of the demo with memory kept, {what}", 0, ours, "the same without", ratio, np.nan)


_TO_LIFETIMES = """
import sys
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
make_lifetimes(load_records(sys.argv[1]))
"""


def million() -> Rows:
    """A million builds with 100,000 returns, from their sheets to lifetimes: builds and returns alone, and with every sheet of the demo."""
    from studies.scaled import tiled_demo

    for what, every in (("builds and returns", False), ("every sheet", True)):
        with tempfile.TemporaryDirectory() as folder:
            rows = tiled_demo(folder, 1_000_000, 100_000, every)
            runs = [spent("-c", _TO_LIFETIMES, folder) for _ in range(3 if not every else 1)]
        yield within(f"to lifetimes, {what}", rows, runs, 8)
        ratio = np.array([1_500 / r.peak_mb for r in runs])
        yield told(f"to lifetimes, {what}", rows, runs, "1,500 MB", ratio, 1)


def grown() -> Rows:
    """The first review of shops like the demo with 4,000, 20,000 and 100,000 units: time, and size of what is written, for each unit."""
    from studies.simulate.demo import DEFAULT_SEED, write_demo

    before: tuple[Spent, int] | None = None
    for units in (4_000, 20_000, 100_000):
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as out:
            write_demo(folder, units, DEFAULT_SEED)
            ran = spent("-m", "analytics", "review", folder, "--out", out, ANALYTICS_CACHE="off")
            size = sum(p.stat().st_size for p in Path(out).glob("*") if p.suffix in (".html", ".xlsx"))
        work = "review of a shop like the demo"
        if before is None:
            yield told(work, units, [ran], "itself", np.ones(1), np.nan)
        else:
            yield told(work, units, [ran], "5 times the one of a fifth", np.array([5 * before[0].wall / ran.wall]), 1)
            yield told("its page and workbook", units, [ran], "those of a fifth", np.array([before[1] / size]), 0.8)
        before = ran, size


_STUDY = """
import sys
from pathlib import Path
from studies.coverage import run
def study():
    run(Path(sys.argv[1]), 40, 2, ["500 units, 8 failures", "150 units, 50 failures"], block=1)
if __name__ == "__main__":
    import joblib
    from dask.distributed import Client, LocalCluster
    with LocalCluster(n_workers=int(sys.argv[2]), threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster):
        with joblib.parallel_config(backend="dask"):
            study()
"""


def dask() -> Rows:
    """A study on a Dask cluster of this machine with two workers against one; the same bytes."""
    import importlib.util

    if importlib.util.find_spec("distributed") is None:
        raise AnalyticsError("dask is not installed: pip install 'dask[distributed]' to time this")
    runs: dict[str, list[Spent]] = {"1": [], "2": []}
    tables = set()
    with tempfile.TemporaryDirectory() as folder:
        code = Path(folder) / "study.py"
        code.write_text(_STUDY)
        for i, workers in itertools.product(range(3), runs):
            out = Path(folder) / f"{i}-{workers}"
            runs[workers].append(spent(str(code), str(out), workers, ANALYTICS_CACHE="off", PYTHONPATH=os.getcwd()))
            tables.add((out / "coverage_blocks.csv").read_bytes())
    if len(tables) != 1:
        raise AnalyticsError("the tables of one worker and two differ")
    ratio = np.array([one.wall / two.wall for one, two in zip(*runs.values(), strict=True)])
    yield told("a study on two Dask workers", 80, runs["2"], f"one worker, dask {version('dask')}", ratio, 1.7)


#: by name, in the order of the table
GROUPS: dict[str, Callable[[], Rows]] = {
    f.__name__: f for f in (fits, refits, curves, search, rating, answers, commands, review, memory, million, grown, dask)
}  # fmt: skip


def kept_with(path: Path, row: dict[str, object]) -> pd.DataFrame:
    """The table at ``path`` with one ``row`` added, in place of the one it replaces, and written again."""
    table = pd.DataFrame([row])
    if path.exists():
        old = pd.read_csv(path)
        same = (old[KEY].astype(str) == table[KEY].astype(str).iloc[0]).all(axis=1)
        table = pd.concat([old[~same], table.astype(old.dtypes.to_dict(), errors="ignore")], ignore_index=True)
    table = table.sort_values("group", key=lambda g: g.map(list(GROUPS).index), kind="stable", ignore_index=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(path) as part:
        table.round(3).to_csv(part, index=False, lineterminator="\n")
    return table


def measure(group: str, out: Path) -> None:
    """Measure one ``group`` in this process, and keep its rows in speed.csv of ``out`` as they come."""
    for row in GROUPS[group]():
        kept_with(out / "speed.csv", {"group": group} | row)
        print(
            f"{row['work']}, {row['rows']}: {row['times_as_fast']:.2f} of {row['against']}, goal {row['goal']}",
            flush=True,
        )


def run(out: Path, only: list[str] | None = None) -> pd.DataFrame:
    """Measure every group, or ``only`` some, each in a process of its own; one that fails is passed over. Returns the table of speed.csv in ``out``."""
    for group in only or GROUPS:
        if group not in GROUPS:
            raise AnalyticsError(f"{group!r} is not one of the groups {', '.join(GROUPS)}")
        subprocess.run([sys.executable, "-m", "studies.speed", group, str(out)])
    return pd.read_csv(out / "speed.csv")


if __name__ == "__main__":
    measure(sys.argv[1], Path(sys.argv[2]))
