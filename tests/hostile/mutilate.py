"""Shops of every shape damaged at random, and what becomes of them: python -m tests.hostile.mutilate --times 1000 --seed 1."""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import io
import shutil
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.report.start import start
from tests.start import shops

DEMO = Path(__file__).parents[2] / "data" / "demo"
CODES = ("utf-8-sig", "utf-16", "cp1252", "utf-8")
TYPED: list[object] = [
    *("", "?", "none", "1e308", "-1e308", "nan", "inf", "-5", "0", "44256", "42794", "60", "=1+1", "#REF!", "TRUE", "\0"),
    *("<script>alert(1)</script>", "x" * 33_000, "9" * 400, "\u202e", "\x1b[2J", "2099-01-01", "1904-01-01", "30/02/2022"),
    *("3 Mar 2021", "03/04/2022", "teardown", "scrapped", "a\nb", 'a"b', "a,b", "a;b", "\ufeff", "é", "650 hp", "3.9 t"),
    *("1.234,5", "1,234.5", "12,5", "shaft, conv", "IS-A / TC-1", "40 km", "5,8 t", "31.12.2022", "12/31/22", "22-03-15"),
    *(1e308, -1e308, -1.0, 0.0, 1e-308, 44256.5, True, False, None),
]  # fmt: skip
#: (file, page, encoding, what stands between cells); page: "" in CSV and parquet
Place = tuple[str, str, str, str]
Grids = dict[Place, list[list[object]]]


# ---- shops ---------------------------------------------------------------------------------------------------------


def _of_demo(folder: Path) -> None:
    for path in DEMO.iterdir():
        if path.stem != "planted":
            shutil.copy(path, folder)


def _started(make: Callable[[Path], object]) -> Callable[[Path], None]:
    """A shop as its owner keeps it, with the settings that start proposes."""

    def made(folder: Path) -> None:
        make(folder)
        start(folder)

    return made


def _four_encodings(folder: Path) -> None:
    """Yearly CSV files, each in another encoding."""
    shops.yearly_shop(folder)
    for path, code in zip(sorted(folder.iterdir()), CODES * 9, strict=False):
        path.write_bytes(path.read_text(encoding="utf-8").encode(code))
    start(folder)


def _parquet(folder: Path) -> None:
    """The tables of the shop with a database, as parquet."""
    shops.database_shop(folder)
    with sqlite3.connect(folder / "shop.sqlite") as base:
        for table in ("jobs", "warranty", "calls"):
            pd.read_sql(f"SELECT * FROM {table}", base).to_parquet(folder / f"{table}.parquet")
    base.close()
    (folder / "shop.sqlite").unlink()
    start(folder)


SHAPES: dict[str, Callable[[Path], None]] = {
    "the demo": _of_demo,
    "one workbook of several pages": _started(shops.workbook_shop),
    "decimal commas, kW, kg and km": _started(shops.export_shop),
    "a database": _started(shops.database_shop),
    "files of several years": _started(shops.yearly_shop),
    "CSV in four encodings": _four_encodings,
    "parquet": _parquet,
}


class Shop:
    """A shop as grids of cells by their place, to be damaged and written."""

    def __init__(self, shape: str) -> None:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            SHAPES[shape](folder)
            self.grids: Grids = {}
            for path in sorted(folder.iterdir()):
                self.grids |= _grids_of(path)
            self.toml = (folder / "shop.toml").read_text(encoding="utf-8")

    def write(self, folder: Path, grids: Grids, toml: str, codes: dict[Place, str]) -> None:
        (folder / "shop.toml").write_text(toml, encoding="utf-8")
        for name, places in groupby(sorted(grids), key=lambda place: place[0]):
            own = list(places)
            write = _WRITERS[Path(name).suffix]
            write(folder / name, {place[1]: grids[place] for place in own}, codes.get(own[0], own[0][2]), own[0][3])


@cache
def shop_of(shape: str) -> Shop:
    return Shop(shape)


def _grids_of(path: Path) -> Grids:
    if path.suffix == ".csv":
        content = path.read_bytes()
        code = next(
            c
            for c in ("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig", "cp1252")
            if _reads(content, c)
        )
        text = content.decode(code)
        between = ";" if text.count(";") > text.count(",") else ","
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=between)
        return {(path.name, "", code, between): [list(row) for row in rows]}
    if path.suffix == ".xlsx":
        from python_calamine import CalamineWorkbook

        book = CalamineWorkbook.from_path(str(path))
        pages = {name: book.get_sheet_by_name(name) for name in book.sheet_names}
        return {(path.name, name, "", ""): page.to_python(skip_empty_area=False) for name, page in pages.items()}
    if path.suffix == ".sqlite":
        with sqlite3.connect(path) as base:
            names = [row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            return {(path.name, name, "", ""): _grid(pd.read_sql(f"SELECT * FROM {name}", base)) for name in names}
    return {(path.name, "", "", ""): _grid(pd.read_parquet(path))} if path.suffix == ".parquet" else {}


def _reads(content: bytes, code: str) -> bool:
    try:
        content.decode(code)
    except UnicodeDecodeError:
        return False
    return True


def _grid(frame: pd.DataFrame) -> list[list[object]]:
    return [list(frame.columns), *frame.astype(object).to_numpy().tolist()]


def _write_csv(path: Path, pages: dict[str, list[list[object]]], code: str, between: str) -> None:
    out = io.StringIO()
    rows = (["" if c is None else str(c) for c in row] for row in pages[""])
    csv.writer(out, lineterminator="\r\n", delimiter=between).writerows(rows)
    path.write_bytes(out.getvalue().encode(code, "replace"))


def _write_base(path: Path, pages: dict[str, list[list[object]]], code: str, between: str) -> None:
    with sqlite3.connect(path) as base:
        for name, grid in pages.items():
            heads, rows = _table(grid)
            if heads:
                columns = ", ".join(f'"{head}"' for head in heads)
                base.execute(f'CREATE TABLE "{name}" ({columns})')
                marks = ", ".join("?" * len(heads))
                base.executemany(f'INSERT INTO "{name}" VALUES ({marks})', [list(map(_plain, row)) for row in rows])
    base.close()


def _table(grid: list[list[object]]) -> tuple[list[str], list[list[object]]]:
    """Headings, none blank and each once, and rows as wide."""
    width = max(map(len, grid), default=0)
    whole = [[*row, *[None] * width][:width] for row in grid] or [[]]
    names = ["".join(c for c in str(h or "") if c.isprintable() and c != '"')[:60] for h in whole[0]]
    keys = [name.casefold() for name in names]
    return [n if n and k == keys.index(n.casefold()) else f"{n} {k}" for k, n in enumerate(names)], whole[1:]


def _plain(cell: object) -> object:
    return cell if isinstance(cell, str | int | float | None) else str(cell)


def _write_parquet(path: Path, pages: dict[str, list[list[object]]], code: str, between: str) -> None:
    heads, rows = _table(pages[""])
    texts = [[None if c is None else str(c) for c in row] for row in rows]
    pd.DataFrame(texts, columns=heads).to_parquet(path)


def _write_workbook(path: Path, pages: dict[str, list[list[object]]], code: str, between: str) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(
        str(path), {"strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}
    ) as book:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, grid in pages.items():
            page = book.add_worksheet(name)
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


_WRITERS = {".csv": _write_csv, ".xlsx": _write_workbook, ".sqlite": _write_base, ".parquet": _write_parquet}


# ---- damage --------------------------------------------------------------------------------------------------------


def damage(shop: Shop, folder: Path, seed: int) -> list[str]:
    """Write the shop with one to twelve damages (mostly one to three) drawn from the seed into ``folder``; returns what was done."""
    rng = np.random.default_rng(seed)
    grids = {name: [list(row) for row in grid] for name, grid in shop.grids.items()}
    toml, codes, done, late = shop.toml, {}, [], []
    for _ in range(min(int(rng.geometric(0.4)), 12)):
        name = sorted(grids)[int(rng.integers(len(grids)))]
        grid = grids[name]
        kind = str(rng.choice(_KINDS))
        done.append(f"{kind} in {name[0]} {name[1]}")
        row = int(rng.integers(0, max(len(grid), 1)))
        if kind == "cells" and grid:
            for _ in range(int(rng.integers(1, 40))):
                line = grid[int(rng.integers(0, len(grid)))]
                if line:
                    line[int(rng.integers(0, len(line)))] = TYPED[int(rng.integers(0, len(TYPED)))]
        elif kind == "a column of one thing" and grid:
            column, value = int(rng.integers(0, max(len(grid[-1]), 1))), TYPED[int(rng.integers(0, len(TYPED)))]
            for line in grid[min(5, len(grid) // 2) :]:
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
            for line in grid[min(5, len(grid) // 2) :]:
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
            late.append((kind, name[0]))
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


def run(times: int, seed: int, say: bool = False, shapes: tuple[str, ...] = tuple(SHAPES)) -> Counter:
    """Damage shops so many times, each shape in turn; returns how many were refused and read. The slowest is said, in seconds of one core."""
    found, slowest = Counter(), (0.0, 0)
    for k in range(seed, seed + times):
        shape = shapes[k % len(shapes)]
        shop = shop_of(shape)
        folder = Path(tempfile.mkdtemp())
        begun = time.process_time()
        try:
            done = damage(shop, folder, k)
            try:
                found[becomes(folder, [None, "2024-12-31", "2021-06-30"][k // len(shapes) % 3])] += 1
            except Exception as err:
                raise AssertionError(f"{shape}, seed {k} ({'; '.join(done)}): {type(err).__name__}: {err}") from err
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
