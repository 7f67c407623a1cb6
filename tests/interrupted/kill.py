"""Commands killed at random moments, and what is left: python -m tests.interrupted.kill --times 20 --seed 1."""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.small_shop import rateable_shop

ROOT = Path(__file__).parents[2]
COMMANDS = {
    "check": ["check", "{shop}", "--out", "{out}"],
    "review": ["review", "{shop}", "--out", "{out}"],
    "ratings": ["ratings", "{shop}", "--out", "{out}"],
    "backtest": ["backtest", "{shop}", "--quarters", "1", "--out", "{out}"],
    "accept": [
        *["accept", "{shop}", "--component", "input shaft", "--part", "A", "--weight-up-to", "7500"],
        *["--power", "100", "--by", "the owner"],
    ],
    "demo": ["demo", "{out}"],
}


def contents(folder: Path) -> dict[str, bytes]:
    """The files that stand under names of their own; what begins with a dot is on its way to one."""
    if not folder.is_dir():
        return {}
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if not p.name.startswith(".")}


def start(command: str, shop: Path, out: Path) -> subprocess.Popen:
    """One command as its own group of processes, so that a kill takes its helpers too."""
    places = {"{shop}": str(shop), "{out}": str(out)}
    return subprocess.Popen(
        [sys.executable, "-m", "analytics", *(places.get(a, a) for a in COMMANDS[command])],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )


def run(commands: list[str], times: int, seed: int, say: bool = False) -> dict[str, int]:
    """Kill each command so many times at a moment drawn anew; returns how many kills came before its end.

    Raises AssertionError where an input changed, or a file stands half-written under its own name: every one must be the
    one a whole run writes, and for limits.csv either the old or the new.
    """
    rng = np.random.default_rng(seed)
    early = dict.fromkeys(commands, 0)
    for command in commands:
        above = Path(tempfile.mkdtemp())
        try:
            shop, whole = rateable_shop(above / "shop"), above / "whole"
            (shop / "limits.csv").write_text("component,part,weight_up_to,use,power_limit,effective_on,reason\n")
            before = contents(shop)
            begun = time.perf_counter()
            assert start(command, shop, whole).wait() == 0, f"{command} failed"
            took = time.perf_counter() - begun
            after, finished = contents(shop), contents(whole)
            for k in range(times):
                for name, content in before.items():
                    (shop / name).write_bytes(content)
                out = above / f"out{k}"
                process = start(command, shop, out)
                time.sleep(took * float(rng.uniform(0.3, 1.0)))
                early[command] += process.poll() is None
                os.killpg(process.pid, signal.SIGKILL) if process.poll() is None else None
                process.wait()
                time.sleep(0.05)
                for name, content in contents(shop).items():
                    good = (
                        (before[name], after[name]) if name == "limits.csv" and command == "accept" else (before[name],)
                    )
                    assert content in good, f"{command}, kill {k}: {name} is neither old nor new"
                for name, content in contents(out).items():
                    assert content == finished[name], f"{command}, kill {k}: {name} is half written"
            if say:
                print(f"{command}: {early[command]} of {times} kills came before the end ({took:.1f} s)", flush=True)
        finally:
            shutil.rmtree(above, ignore_errors=True)
    return early


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--commands", nargs="*", default=list(COMMANDS))
    told = parser.parse_args()
    run(told.commands, told.times, told.seed, say=True)
