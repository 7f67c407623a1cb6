"""Every command on every shop: what it prints, its exit code, and each file it writes or changes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.same_outputs.shops import ROOT

_IS_A = ("--component", "input shaft", "--part", "IS-A", "--weight-up-to", "7500", "--power", "300")
_SH_1 = ("--component", "input shaft", "--part", "SH-1", "--weight-up-to", "7500", "--power", "100")
_BY = ("--by", "the owner", "--effective-on", "2025-01-02", "--why", "a remark")
_DEMO_CUT = ("--component", "clutch pack", "--from", "CP-4", "--to", "CP-5")
_SMALL_CUT = ("--component", "input shaft", "--from", "SH-1", "--to", "SH-2")

_SAME = {"check": (), "review": (), "ratings": (), "load": ()}
_SMALL = _SAME | {"cutoff": _SMALL_CUT, "accept": (*_SH_1, *_BY), "backtest": ("--quarters", "2")}
#: shop -> command -> what the command is told besides the folder
RUNS: dict[str, dict[str, tuple[str, ...]]] = {
    "tiny": _SMALL,
    "no_odometer": _SMALL,
    "demo": _SAME | {"cutoff": _DEMO_CUT, "accept": (*_IS_A, *_BY), "backtest": ("--quarters", "4")},
    # 5,000 units: ratings, load and backtest run the same code as on the demo, for a quarter of an hour and more
    "large": {"check": (), "review": (), "cutoff": _DEMO_CUT, "accept": (*_IS_A, *_BY)},
}
QUICK = ("tiny", "no_odometer")

#: one thread each, and nothing taken from what another run kept
THREADS = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

_TEXTS = (".html", ".csv", ".toml", ".txt", ".md", ".json")
_TOOK = re.compile(rb"in \d+ s: \d+\.\d s a row")


def run(shop: Path, command: str, told: tuple[str, ...]) -> dict[str, bytes]:
    """Run one command on a copy of the folder ``shop`` with this checkout's code.

    Returns {name: bytes}: stdout, stderr, exit_code, out/... written, shop/... written or changed. The place of the
    run, the checkout and the seconds taken are replaced, since they differ from run to run.
    """
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch).resolve()
        copy, out = place / "shop", place / "out"
        shutil.copytree(shop, copy)
        before = contents(copy)
        line = [sys.executable, "-m", "analytics", command, str(copy), *told]
        done = subprocess.run(
            line if command == "accept" else [*line, "--out", str(out)],
            cwd=ROOT,
            capture_output=True,
            # the notebooks run in a kernel of their own, which finds the package by this path
            env=os.environ | THREADS | {"PYTHONPATH": str(ROOT), "ANALYTICS_CACHE": str(place / "cache")},
        )
        made = {"stdout": done.stdout, "stderr": done.stderr, "exit_code": b"%d\n" % done.returncode}
        made |= {f"out/{name}": content for name, content in contents(out).items()}
        made |= {f"shop/{name}": content for name, content in contents(copy).items() if before.get(name) != content}
        made |= {f"shop/{name} deleted": b"" for name in before if not (copy / name).exists()}
        return {name: _placeless(name, content, place) for name, content in made.items()}


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below the folder; none where it isn't there."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def _placeless(name: str, content: bytes, place: Path) -> bytes:
    if "/" in name and not name.endswith(_TEXTS):
        return content
    content = content.replace(str(place).encode(), b"{place}").replace(str(ROOT).encode(), b"{checkout}")
    return _TOOK.sub(b"in {} s: {} s a row", content) if name == "stdout" else content
