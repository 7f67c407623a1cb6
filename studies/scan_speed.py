"""How long do 9,999 permutations of the search take here, and in R's maxstat, on the same 20,000 units?

Run by hand: python -m studies.scan_speed. Needs Rscript with the packages survival and maxstat. Prints both times, the ratio
and both p-values.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from studies.scan import permutation_p

UNITS, PERMUTATIONS, SEED = 20_000, 9_999, 1
R = """
suppressMessages({library(survival); library(maxstat)})
d <- read.csv(commandArgs(TRUE)[1]); set.seed(1)
b <- as.integer(commandArgs(TRUE)[2])
took <- system.time(m <- maxstat.test(Surv(time, failed) ~ x, data = d, smethod = "LogRank", pmethod = "condMC", B = b))
cat(took[["elapsed"]], m$p.value, m$statistic)
"""


def main() -> int:
    rng = np.random.default_rng(SEED)
    x = rng.lognormal(6.4, 0.25, UNITS)
    life, end = rng.exponential(1.0, UNITS) * (600 / x) ** 0.15, rng.uniform(0.01, 0.1, UNITS)
    time_, failed = np.minimum(life, end), life < end
    begun = time.perf_counter()
    p, _ = permutation_p(x, time_, failed, permutations=PERMUTATIONS, seed=SEED)
    ours = time.perf_counter() - begun
    print(f"{UNITS:,} units, {int(failed.sum()):,} failures, {PERMUTATIONS:,} permutations")
    print(f"here: {ours:.1f} s, p = {p:.4f}")
    with tempfile.TemporaryDirectory() as folder:
        data, code = Path(folder) / "data.csv", Path(folder) / "run.R"
        np.savetxt(data, np.column_stack([time_, failed, x]), delimiter=",", header="time,failed,x", comments="")
        code.write_text(R)
        try:
            done = subprocess.run(
                ["Rscript", str(code), str(data), str(PERMUTATIONS)], capture_output=True, text=True, check=True
            )
        except (OSError, subprocess.CalledProcessError) as error:
            print(f"R or its package maxstat is not to be had: {error}")
            return 1
    took, their_p, statistic = map(float, done.stdout.split())
    print(f"R maxstat, condMC: {took:.1f} s, p = {their_p:.4f}, M = {statistic:.3f}")
    print(f"ratio: {took / ours:.2f} times as fast here")
    return 0


if __name__ == "__main__":
    sys.exit(main())
