"""The demo's own files damaged at random, and what becomes of them: python -m tests.hostile.mutilate --times 1000 --seed 1."""

from __future__ import annotations

import argparse
import io
import shutil
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records

DEMO = Path(__file__).parents[2] / "data" / "demo"
ENCODINGS = {"returns.csv": "cp1252", "readings.csv": "utf-16", "builds.xlsx": ""}
TYPED: list[object] = [
    *("", "?", "none", "1e308", "-1e308", "nan", "inf", "-5", "0", "44256", "42794", "60", "=1+1", "#REF!", "TRUE", "\0"),
    *("<script>alert(1)</script>", "x" * 33_000, "9" * 400, "\u202e", "\x1b[2J", "2099-01-01", "1904-01-01", "30/02/2022"),
    *("3 Mar 2021", "03/04/2022", "teardown", "scrapped", "a\nb", 'a"b', "a,b", "a;b", "\ufeff", "é", "650 hp", "3.9 t"),
    *(1e308, -1e308, -1.0, 0.0, 1e-308, 44256.5, True, False, None),
]  # fmt: skip


class Shop:
    """The demo as grids of cells, to be damaged and written."""

    def __init__(self) -> None:
        from python_calamine import CalamineWorkbook

        self.grids: dict[str, list[list[object]]] = {}
        for path in sorted(DEMO.iterdir()):
            if path.suffix == ".csv" and path.stem != "planted":
                import csv

                text = path.read_bytes().decode(ENCODINGS.get(path.name, "utf-8-sig"))
                self.grids[path.name] = [list(row) for row in csv.reader(io.StringIO(text, newline=""))]
            elif path.suffix == ".xlsx":
                book = CalamineWorkbook.from_path(str(path))
                self.grids[path.name] = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
        self.toml = (DEMO / "shop.toml").read_text(encoding="utf-8")

    def write(self, folder: Path, grids: dict[str, list[list[object]]], toml: str, codes: dict[str, str]) -> None:
        import csv

        (folder / "shop.toml").write_text(toml, encoding="utf-8")
        for name, grid in grids.items():
            if name.endswith(".xlsx"):
                _workbook(folder / name, grid)
                continue
            out = io.StringIO()
            csv.writer(out, lineterminator="\r\n").writerows(["" if c is None else str(c) for c in row] for row in grid)
            code = codes.get(name, ENCODINGS.get(name, "utf-8"))
            (folder / name).write_bytes(out.getvalue().encode(code, "replace"))


def _workbook(path: Path, grid: list[list[object]]) -> None:
    import datetime as dt

    import xlsxwriter

    with xlsxwriter.Workbook(
        str(path), {"strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}
    ) as book:
        page, day = book.add_worksheet("builds"), book.add_format({"num_format": "yyyy-mm-dd"})
        for r, row in enumerate(grid):
            for c, cell in enumerate(row):
                if isinstance(cell, dt.date | dt.datetime):
                    page.write_datetime(r, c, cell, day)
                elif isinstance(cell, bool):
                    page.write_boolean(r, c, cell)
                elif isinstance(cell, int | float):
                    page.write_number(r, c, cell)
                elif cell:
                    page.write_string(r, c, str(cell)[:32_767])


def damage(shop: Shop, folder: Path, seed: int) -> list[str]:
    """Write the demo with one to twelve damages (mostly one to three) drawn from the seed into ``folder``; returns what was done."""
    rng = np.random.default_rng(seed)
    grids = {name: [list(row) for row in grid] for name, grid in shop.grids.items()}
    toml, codes, done, late = shop.toml, {}, [], []
    for _ in range(min(int(rng.geometric(0.4)), 12)):
        name = str(rng.choice(sorted(grids)))
        grid = grids[name]
        kind = str(rng.choice(_KINDS))
        done.append(f"{kind} in {name}")
        row = int(rng.integers(0, max(len(grid), 1)))
        if kind == "cells" and grid:
            for _ in range(int(rng.integers(1, 40))):
                line = grid[int(rng.integers(0, len(grid)))]
                if line:
                    line[int(rng.integers(0, len(line)))] = TYPED[int(rng.integers(0, len(TYPED)))]
        elif kind == "a column of one thing" and grid:
            column, value = int(rng.integers(0, max(len(grid[-1]), 1))), TYPED[int(rng.integers(0, len(TYPED)))]
            for line in grid[5:]:
                if column < len(line):
                    line[column] = value
        elif kind == "rows gone" and grid:
            del grid[row : row + int(rng.integers(1, 200))]
        elif kind == "rows twice" and grid:
            grid[row:row] = [list(line) for line in grid[row : row + int(rng.integers(1, 50))]]
        elif kind == "rows shuffled":
            rng.shuffle(grid)
        elif kind == "a column gone":
            column = int(rng.integers(0, max((len(line) for line in grid), default=1) or 1))
            for line in grid:
                del line[column : column + 1]
        elif kind == "columns swapped" and grid and len(grid[-1]) > 1:
            a, b = rng.choice(len(grid[-1]), 2, replace=False)
            for line in grid[5:]:
                if max(a, b) < len(line):
                    line[a], line[b] = line[b], line[a]
        elif kind == "a heading twice" and grid:
            line = grid[min(row, 3)]
            if len(line) > 1:
                line[0] = line[1]
        elif kind == "another encoding":
            codes[name] = str(rng.choice(["utf-8", "utf-16", "utf-16-le", "cp1252", "utf-32", "cp500", "shift_jis"]))
        elif kind == "the file gone" and rng.random() < 0.3:
            del grids[name]
        elif kind == "settings":
            toml += str(rng.choice(_TOML))
        elif kind in ("cut short", "bytes"):
            late.append((kind, name))
        if not grids:
            break
    shop.write(folder, grids, toml, codes)
    for kind, name in late:
        path = folder / name
        if path.exists():
            content = bytearray(path.read_bytes())
            if kind == "cut short":
                content = content[: int(rng.integers(0, len(content) + 1))]
            elif content:
                for at in rng.integers(0, len(content), int(rng.integers(1, 30))):
                    content[int(at)] = int(rng.integers(0, 256))
            path.write_bytes(bytes(content))
    return done


_KINDS = ["cells"] * 6 + [
    *("a column of one thing", "rows gone", "rows twice", "rows shuffled", "a column gone", "columns swapped"),
    *("a heading twice", "another encoding", "the file gone", "settings", "cut short", "bytes"),
]  # fmt: skip
_TOML = [
    '\n[[supersessions]]\ncomponent = "input shaft"\nold = "P"\nnew = "Q"\n[[supersessions]]\ncomponent = "input shaft"\nold = "Q"\nnew = "P"\n',
    "\n[checks]\nmiles_per_year_max = 1\n",
    "\n[checks]\nfailures_to_fit = 1000\n",
    "\n[untis]\n",
    "\n[ratings]\nreplicates = 0\n",
    "\n[[[\n",
]


def becomes(folder: Path, as_of: str | None) -> str:
    """refused, or read; raises on anything else, or where the books do not balance."""
    try:
        records = load_records(folder, as_of=as_of)
        lifetimes = make_lifetimes(records)
    except AnalyticsError as err:
        if "fault of the program" in str(err) or len(str(err)) < 20:
            raise
        return "refused"
    counts = records.books.counts
    assert (counts["read"] == counts["used"] + counts["set_aside"]).all()
    assert len(records.books.set_aside) == counts["set_aside"].sum()
    assert (records.books.set_aside[["reason", "remedy"]] != "").all().all()
    assert (records.books.to_check[["reason", "remedy"]] != "").all().all()
    assert set(lifetimes.table["unit"]) <= set(lifetimes.units.index)
    return "read"


def run(times: int, seed: int, say: bool = False) -> Counter:
    """Damage the demo so many times; returns how many were refused and read. The slowest is said, in seconds of one core."""
    shop, found, slowest = Shop(), Counter(), (0.0, 0)
    for k in range(seed, seed + times):
        folder = Path(tempfile.mkdtemp())
        begun = time.process_time()
        try:
            done = damage(shop, folder, k)
            try:
                found[becomes(folder, [None, "2024-12-31", "2021-06-30"][k % 3])] += 1
            except Exception as err:
                raise AssertionError(f"seed {k} ({'; '.join(done)}): {type(err).__name__}: {err}") from err
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        slowest = max(slowest, (time.process_time() - begun, k))
        if say and (k - seed + 1) % 100 == 0:
            print(k - seed + 1, dict(found), f"slowest {slowest[0]:.1f} s (seed {slowest[1]})", flush=True)
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    import resource

    # three gigabytes, so that nothing fills the memory unseen
    resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))
    print(dict(run(told.times, told.seed, say=True)))
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
