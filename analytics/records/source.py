"""Files to text tables. Every cell stays the text the shop typed, with its file, sheet and row."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import re
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.records.headings import HEADINGS
from analytics.records.shop import SheetPlace, Shop

_ENDINGS = (".csv", ".xlsx", ".parquet")
_DATABASES = (".sqlite", ".sqlite3", ".db")
_HEADING_SEARCH = 25
#: what a spreadsheet cell can hold; a longer one is a file gone wrong
LONGEST_CELL = 32_767
_TOTALS = re.compile(r"^\W*(grand\s+|sub\s*-?)?totals?\b|^\W*sum\b", re.IGNORECASE)


@dataclass(slots=True)
class RawSheet:
    """One sheet as text. ``row`` is the row a person sees in the file; ``structure`` marks rows that are not records.

    ``table`` has one object column of text per heading of ours that was found ("" where blank).
    """

    name: str
    file: str
    sheet: str
    table: pd.DataFrame
    row: np.ndarray
    structure: list[tuple[int, str, str, str, str]]  # position, column, raw, reason, remedy
    unused_columns: tuple[str, ...]


def read_sheets(shop: Shop) -> dict[str, RawSheet]:
    """Read every sheet the folder holds.

    Raises RecordsError where builds or returns is missing, a file cannot be read, is there twice, or lacks a required
    heading.
    """
    sheets = {}
    for name in HEADINGS:
        grid = _find(name, shop)
        if grid is not None:
            sheets[name] = _to_sheet(name, *grid, shop)
    for name in ("builds", "returns"):
        if name not in sheets:
            there = ", ".join(sorted(p.name for p in shop.folder.iterdir() if p.is_file())) or "nothing"
            raise RecordsError(
                f"{shop.folder.name}: no sheet '{name}'. Found: {there}. Name the file {name}.csv (or .xlsx, .parquet), or say "
                f'where it is in shop.toml:\n[sheets.{name}]\nfile = "your file.xlsx"\nsheet = "its sheet"'
            )
    return sheets


# ---- finding and opening -------------------------------------------------------------------------------------------


def _find(name: str, shop: Shop) -> tuple[str, str, list[list[str]], int] | None:
    """File name, sheet name, the grid of text, and the row number of its first row."""
    place = shop.places.get(name, SheetPlace())
    if place.file is not None:
        path = shop.folder / place.file
        if not path.is_file():
            raise RecordsError(f"{name}: shop.toml names the file {place.file!r}, which is not in the folder.")
        found = [path]
    else:
        found = [p for e in _ENDINGS for p in [shop.folder / f"{name}{e}"] if p.is_file()]
        bases = [p for p in sorted(shop.folder.iterdir()) if p.suffix.lower() in _DATABASES]
        found += [p for p in bases if name in _tables(p)]
    if not found:
        return None
    if len(found) > 1:
        raise RecordsError(
            f"{name}: found more than once ({', '.join(p.name for p in found)}). Keep one, or name it in shop.toml:\n"
            f'[sheets.{name}]\nfile = "{found[0].name}"'
        )
    path = found[0]
    ending = path.suffix.lower()
    try:
        if ending == ".csv" or ending == ".txt":
            return path.name, "", _csv_grid(path), 1
        if ending in (".xlsx", ".xlsm", ".xls", ".ods"):
            sheet, grid = _xlsx_grid(path, name, place)
            return path.name, sheet, grid, 1
        if ending == ".parquet":
            return path.name, "", _frame_grid(pd.read_parquet(path)), 0
        if ending in _DATABASES:
            table = place.sheet or name
            with closing(_connect(path)) as base:
                return path.name, table, _frame_grid(pd.read_sql_query(f'SELECT * FROM "{_quoted(table)}"', base)), 0
    except RecordsError:
        raise
    except Exception as err:  # a reader's own errors come in many classes
        raise RecordsError(f"{name}: {path.name} cannot be read ({err}). Open and save it again, or export it as CSV.") from err
    raise RecordsError(f"{name}: {path.name} is not a kind of file read here. Save it as .csv, .xlsx or .parquet.")


def _quoted(name: str) -> str:
    return name.replace('"', '""')


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)


def _tables(path: Path) -> set[str]:
    try:
        with closing(_connect(path)) as base:
            return {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    except sqlite3.Error as err:
        raise RecordsError(f"{path.name} cannot be read as an SQLite file ({err}). Move it out of the folder or repair it.") from err


def _decode(data: bytes, file: str) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif data[:4000].count(0) > len(data[:4000]) // 4:
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
    else:
        encoding = "utf-8-sig"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        pass
    if encoding == "utf-8-sig":
        try:
            return data.decode("cp1252")
        except UnicodeDecodeError:
            pass
    raise RecordsError(f"{file} is not text in UTF-8, UTF-16 or Windows-1252. Export it again as CSV (UTF-8).")


def _csv_grid(path: Path) -> list[list[str]]:
    text = _decode(path.read_bytes(), path.name)
    csv.field_size_limit(2**31 - 1)
    sample = text[:50_000].splitlines()[:60]
    delimiter = max(",;\t|", key=lambda d: _fit(sample, d))
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as err:
        raise RecordsError(f"{path.name} cannot be read as CSV ({err}). Export it again as CSV (UTF-8).") from err


def _fit(lines: list[str], delimiter: str) -> float:
    widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if row)
    width, times = max(widths.items(), key=lambda item: (item[0] > 1) * item[1] * item[0], default=(1, 0))
    return (width - 1) * times


def _xlsx_grid(path: Path, name: str, place: SheetPlace) -> tuple[str, list[list[str]]]:
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_path(str(path))
    names = book.sheet_names
    wanted = place.sheet or name
    match = [n for n in names if n.strip().casefold() == wanted.strip().casefold()]
    if not match and place.sheet is None and len(names) == 1:
        match = names
    if not match:
        raise RecordsError(
            f"{name}: {path.name} has no sheet {wanted!r} (it has {', '.join(names)}). Say which in shop.toml:\n"
            f'[sheets.{name}]\nfile = "{path.name}"\nsheet = "{names[0] if names else ""}"'
        )
    rows = book.get_sheet_by_name(match[0]).to_python(skip_empty_area=False)
    return match[0], [[_as_text(cell) for cell in row] for row in rows]


def _frame_grid(frame: pd.DataFrame) -> list[list[str]]:
    columns = [[_as_text(v) for v in frame[c].astype(object)] for c in frame.columns]
    return [[str(c) for c in frame.columns], *map(list, zip(*columns, strict=True))]


def _as_text(cell: object) -> str:
    """Text of a typed cell, so that typed and typed-in values are parsed alike. True dates become ISO text."""
    if isinstance(cell, str):
        return cell
    if cell is None or cell is pd.NaT or isinstance(cell, float) and cell != cell:
        return ""
    if isinstance(cell, bool | np.bool_):
        return "yes" if cell else "no"
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, float | np.floating):
        return str(int(cell)) if abs(cell) < 1e15 and float(cell).is_integer() else repr(float(cell))
    if isinstance(cell, bytes):
        return cell.decode("utf-8", "replace")
    return str(cell)


# ---- headings ------------------------------------------------------------------------------------------------------


def heading_key(text: str) -> str:
    """A heading without case, spacing and punctuation: 'Serial  No.' and 'serial_no' are one."""
    return re.sub(r"[\W_]+", " ", text).strip().casefold()


def _wanted(name: str, shop: Shop) -> dict[str, str]:
    """Key of the heading in the file -> our heading."""
    mapped = shop.headings.get(name, {})
    ours = list(HEADINGS[name].known)
    wanted = {heading_key(mapped.get(h, h)): h for h in ours}
    if name == "builds":
        wanted |= {heading_key(mapped.get(h, h)): f"component:{c}" for c, h in shop.components.items()}
    return wanted


def _to_sheet(name: str, file: str, sheet: str, grid: list[list[str]], first_row: int, shop: Shop) -> RawSheet:
    wanted = _wanted(name, shop)
    start = shop.places.get(name, SheetPlace()).skip_rows
    if start is None:
        scores = [len({heading_key(c) for c in row} & wanted.keys()) for row in grid[:_HEADING_SEARCH]]
        start = scores.index(max(scores)) if scores and max(scores) else 0
    if start >= len(grid):
        where = f"skip_rows = {start} passes over all of its {len(grid)} rows" if grid else "the file is empty"
        raise RecordsError(f"{name}: {_where(file, sheet)} has no heading row: {where}.")
    found = [cell.strip() for cell in grid[start]]
    columns: dict[str, int] = {}
    for at, cell in enumerate(found):
        ours = wanted.get(heading_key(cell))
        if ours in columns:
            raise RecordsError(
                f"{name}: {_where(file, sheet)} has two columns headed {cell!r} ({columns[ours] + 1} and {at + 1}). Rename one of them."
            )
        if ours is not None:
            columns[ours] = at
    _require(name, file, sheet, start + first_row, found, columns, shop)

    body = grid[start + 1 :]
    width = len(found)
    while width and not found[width - 1]:
        width -= 1
    lengths = np.fromiter(map(len, body), dtype=np.int64, count=len(body))
    for at in np.flatnonzero(lengths < len(found)):
        body[at] = [*body[at], *[""] * (len(found) - len(body[at]))]
    blank = np.fromiter((not any(map(str.strip, row)) for row in body), dtype=bool, count=len(body))
    keep = np.flatnonzero(~blank)
    rows = [body[at] for at in keep]
    number = keep + start + 1 + first_row
    structure = _structure(rows, lengths[keep], width, found, name, number)
    table = pd.DataFrame(
        {ours: np.array([row[at].strip() for row in rows], dtype=object) for ours, at in columns.items()},
        index=pd.RangeIndex(len(rows)), dtype=object,
    )
    unused = tuple(c for at, c in enumerate(found) if c and at not in columns.values())
    return RawSheet(name, file, sheet, table, number, structure, unused)


def _where(file: str, sheet: str) -> str:
    return f"{file}, sheet {sheet!r}" if sheet else file


def _require(name, file, sheet, row, found, columns, shop) -> None:
    spec = HEADINGS[name]
    missing = [h for h in spec.required if h not in columns]
    missing += [group[0] for group in spec.one_of if not any(h in columns for h in group)]
    if name == "builds":
        missing += [h for c, h in shop.components.items() if f"component:{c}" not in columns]
    if not missing:
        return
    heads = [h for h in found if h]
    lines = []
    for h in missing:
        near = difflib.get_close_matches(heading_key(h), [heading_key(f) for f in heads], n=1, cutoff=0.4)
        guess = next((f for f in heads if near and heading_key(f) == near[0]), "the heading in your file")
        lines.append(f'{h} = "{guess}"' if " " not in h else f'"{h}" = "{guess}"')
    shown = ", ".join(repr(h) for h in heads[:30]) or "no headings"
    raise RecordsError(
        f"{name}: {_where(file, sheet)} lacks the heading{'s' if len(missing) > 1 else ''} {', '.join(map(repr, missing))}. "
        f"Row {row} was read as the heading row and holds {shown}. Say what your sheet calls it in shop.toml:\n"
        f"[headings.{name}]\n" + "\n".join(lines)
    )


def _structure(rows, lengths, width, found, name, number) -> list[tuple[int, str, str, str, str]]:
    """Rows that are no record: totals, headings repeated, cells run over, a quote left open."""
    heading = [heading_key(c) for c in found]
    result = []
    for at, row in enumerate(rows):
        if lengths[at] > width and any(cell.strip() for cell in row[width:]):
            raw = "|".join(row)[:200]
            result.append((at, "", raw, f"the row has {lengths[at]} cells, the headings are {width}: a comma inside a cell without quotes?",
                           "put quotes around the cell that holds a comma, or export as .xlsx"))
            continue
        longest = max(map(len, row))
        if longest > LONGEST_CELL or longest > 200 and any(cell.count("\n") > 20 for cell in row):
            at_cell = max(range(len(row)), key=lambda c: len(row[c]))
            column = found[at_cell] if at_cell < len(found) else ""
            if row[at_cell].count("\n") > 20:
                raise RecordsError(
                    f"{name}: row {number[at]}, column {column!r}: a quote is opened and not closed, {row[at_cell].count(chr(10)):,} lines run "
                    "together into one cell. Close the quote in that row, or export the sheet as .xlsx."
                )
            result.append((at, column, row[at_cell][:200], f"a cell of {longest:,} characters, more than a spreadsheet cell can hold",
                           "clear or shorten the cell"))
            continue
        first = next(cell for cell in row if cell.strip())
        if _TOTALS.match(first):
            result.append((at, "", first[:200], "a totals row, not a record", "nothing, or delete the row"))
        elif sum(1 for cell, head in zip(row, heading, strict=False) if head and heading_key(cell) == head) >= max(2, len([h for h in heading if h]) // 2):
            result.append((at, "", first[:200], "the headings again, not a record", "nothing, or delete the row"))
    return result
