"""Files to grids of text: CSV in the encodings and separators shops use, workbooks, parquet, one SQLite file."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import re
import sqlite3
import zipfile
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import IO
from xml.parsers import expat

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.shop import SheetPlace, Shop

_TEXTS = (".csv", ".txt", ".tsv")
_ENDINGS = (".csv", ".xlsx", ".parquet")
_WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
_DATABASES = (".sqlite", ".sqlite3", ".db")
_SQLITE_MARK = b"SQLite format 3\0"
#: what one sheet may hold: far above any shop, low enough that a file gone wrong cannot fill the memory
MOST_ROWS, MOST_CELLS, MOST_BYTES = 2_000_000, 60_000_000, 2_000_000_000
#: steps of SQLite before a table or view is given up (a view may never end), and the longest text of one cell
_SQL_STEPS, _SQL_TEXT = 150_000_000, 10_000_000
#: rows from the top in which the headings are looked for
HEADING_SEARCH = 25
_END = "\0end of the file\0"


@dataclass(frozen=True, slots=True)
class Grid:
    """One sheet as rows of text, ragged as typed. ``first_row``: the number a person sees beside the first of them."""

    file: str
    sheet: str
    rows: list[Sequence[str]]
    first_row: int

    @property
    def where(self) -> str:
        return f"{self.file}, sheet {self.sheet!r}" if self.sheet else self.file


def find_grid(name: str, shop: Shop, keys: Collection[str]) -> Grid | None:
    """Find and open one sheet, or None where the folder does not hold it.

    keys: heading keys that are looked for, which settle what separates the columns of a CSV file. Raises RecordsError
    where the sheet is there twice or cannot be read.
    """
    if shop.grids is not None:
        return shop.grids.get(name)
    place = shop.places.get(name, SheetPlace())
    if place.file is not None:
        path = shop.folder / place.file
        if not path.is_file():
            raise RecordsError(
                f"{name}: shop.toml names the file {place.file!r}, which is not in the folder. "
                f"Correct [sheets.{name}] file, or put the file there."
            )
        return _open(path, name, place, keys)
    there = _files(shop.folder, name)
    found = [p for p in there if p.stem.casefold() == name and p.suffix.casefold() in _ENDINGS]
    found += [p for p in there if p.suffix.casefold() in _DATABASES and name in _tables(p)]
    if len(found) > 1:
        raise RecordsError(
            f"{name}: found more than once ({', '.join(p.name for p in found)}). Keep one, or name it in shop.toml:\n"
            f'[sheets.{name}]\nfile = "{found[0].name}"'
        )
    return _open(found[0], name, place, keys) if found else None


def _files(folder: Path, name: str) -> list[Path]:
    """The files of a folder. Raises RecordsError where what is named like the sheet, or like a database, is not a file."""
    entries = sorted(folder.iterdir())
    for path in entries:
        ending = path.suffix.casefold()
        meant = (path.stem.casefold() == name and ending in _ENDINGS) or ending in _DATABASES
        if meant and not path.is_file():
            what = (
                "a folder"
                if path.is_dir()
                else "a link that leads nowhere"
                if path.is_symlink()
                else "a pipe or device"
            )
            raise RecordsError(
                f"{name}: {path.name} is {what}, not a file. Put the file itself into the shop's folder, or rename this."
            )
    return [path for path in entries if path.is_file()]


def passed_over(shop: Shop, grids: Mapping[str, tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Files, and pages of workbooks, that no sheet was read from: (name, what it may have been meant as, else "").

    grids: sheet -> (file, page) it was read from. The files the shop may think are read: tables, workbooks, databases.
    """
    left: list[tuple[str, str]] = []
    if shop.grids is not None:
        return ()
    missing = [name for name in HEADINGS if name not in grids]
    read = {(file, page.strip().casefold()) for file, page in grids.values()}
    whole = {file for file, page in grids.values() if not page}
    for path in sorted(p for p in shop.folder.iterdir() if p.is_file() and not p.name.startswith((".", "~$"))):
        ending = path.suffix.casefold()
        if path.name in whole or ending not in (*_TEXTS, *_WORKBOOKS, *_DATABASES, ".parquet"):
            continue
        of_file = {page for file, page in read if file == path.name}
        close, used = _close(path, of_file, missing), bool(of_file)
        if close:
            left += [(f"{path.name}, sheet {page!r}" if page else path.name, sheet) for page, sheet in close.items()]
        elif not used and ending not in (".txt", *_DATABASES):
            left.append((path.name, ""))
    return tuple(left)


def _close(path: Path, read: Collection[str], missing: Sequence[str]) -> dict[str, str]:
    """Pages of a file ("": the file itself) that were not read, and the missing sheet that each may have been meant as."""
    try:
        pages = _pages(path)
    except Exception:  # not read, so what is wrong with it is of no account
        pages = []
    itself = _meant(path.stem, missing) if path.suffix.casefold() not in _DATABASES and not read else ""
    if itself:
        return {"": itself}
    close = {page: _meant(page, missing) for page in pages if page.strip().casefold() not in read}
    return {page: sheet for page, sheet in close.items() if sheet}


def _pages(path: Path) -> list[str]:
    if path.suffix.casefold() in _DATABASES:
        return list(_tables(path).values())
    if path.suffix.casefold() not in _WORKBOOKS:
        return []
    from python_calamine import CalamineWorkbook

    if path.suffix.casefold() != ".xls":
        _check_extent(path, path.name)
    with closing(CalamineWorkbook.from_path(str(path))) as book:
        return book.sheet_names


def _meant(typed: str, missing: Sequence[str]) -> str:
    """The sheet that a name may have been meant as."""
    near = difflib.get_close_matches(heading_key(typed), missing, n=1, cutoff=0.75)
    return near[0] if near else ""


def _open(path: Path, name: str, place: SheetPlace, keys: Collection[str]) -> Grid:
    ending = path.suffix.casefold()
    if path.stat().st_size > MOST_BYTES:
        raise too_large(name, path.name, f"{path.stat().st_size / 1e9:.1f} gigabytes")
    try:
        if ending in _TEXTS:
            return Grid(path.name, "", _csv_rows(path, name, keys), 1)
        if ending in _WORKBOOKS:
            sheet, rows = _workbook_rows(path, name, place)
            return Grid(path.name, sheet, rows, 1)
        if ending == ".parquet":
            return Grid(path.name, "", _parquet_rows(path, name), 0)
        if ending in _DATABASES:
            return Grid(path.name, place.sheet or name, _sqlite_rows(path, place.sheet or name), 0)
    except RecordsError:
        raise
    except MemoryError as err:
        raise too_large(name, path.name, "more than the memory") from err
    except sqlite3.OperationalError as err:
        if "interrupted" not in str(err):
            raise RecordsError(f"{name}: {path.name} cannot be read ({err}). Repair it, or export it as CSV.") from err
        raise too_large(name, path.name, "a table or view that goes on and on") from err
    except Exception as err:  # readers raise errors of many classes, not all of them documented
        raise RecordsError(
            f"{name}: {path.name} cannot be read ({err}). Open it and save it again, or export it as CSV."
        ) from err
    raise RecordsError(f"{name}: {path.name} is not a kind of file read here. Save it as .csv, .xlsx or .parquet.")


def too_large(name: str, file: str, what: str) -> RecordsError:
    return RecordsError(
        f"{name}: {file} holds {what}, more than is read here. Delete what lies empty or far behind the records, or export "
        "the records alone as CSV."
    )


# ---- CSV -----------------------------------------------------------------------------------------------------------


def _decode(data: bytes, file: str) -> str:
    head = data[:4000]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        tries = ["utf-16"]
    elif head.count(0) > len(head) // 4:
        tries = ["utf-16-le" if data[1:2] == b"\0" else "utf-16-be"]
    else:
        tries = ["utf-8-sig", "cp1252"]
    for encoding in tries:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise RecordsError(f"{file} is not text in UTF-8, UTF-16 or Windows-1252. Export it again as CSV (UTF-8).")


def _csv_rows(path: Path, name: str, keys: Collection[str]) -> list[Sequence[str]]:
    text = _decode(path.read_bytes(), path.name)
    csv.field_size_limit(2**31 - 1)
    sample = text[:50_000].splitlines()[:60]
    mark = max(",;\t|", key=lambda d: _fit(sample, d, keys))
    lines = max(text.count("\n"), text.count("\r"))
    if lines > MOST_ROWS or lines + text.count(mark) > MOST_CELLS:
        raise too_large(name, path.name, f"{lines:,} lines")
    # the last line of our own ends up inside a cell where a quote was left open
    ended = chain(io.StringIO(text, newline=""), [_END])
    rows: list[Sequence[str]] = list(csv.reader(ended, delimiter=mark))
    if rows[-1] != [_END]:
        raise _open_quote(name, path.name, len(rows))
    rows.pop()
    if lines > len(rows):
        _check_quotes(rows, name, path.name, mark)
    return rows


def _fit(lines: list[str], mark: str, keys: Collection[str]) -> tuple[int, int]:
    """How well a character separates the columns: most headings known in one row, then cells in rows alike."""
    rows = [row for row in csv.reader(lines, delimiter=mark) if row]
    known = max((len({heading_key(c) for c in row} & set(keys)) for row in rows[:HEADING_SEARCH]), default=0)
    width, times = max(Counter(map(len, rows)).items(), key=lambda x: (x[0] > 1) * x[0] * x[1], default=(1, 0))
    return known, (width - 1) * times


def _check_quotes(rows: list[Sequence[str]], name: str, file: str, mark: str) -> None:
    """A quote left open that ends at a later quote runs whole rows together into one cell."""
    width = Counter(map(len, rows[:1000])).most_common(1)[0][0] if rows else 0
    for number, row in enumerate(rows, 1):
        for cell in row:
            if "\n" not in cell and "\r" not in cell:
                continue
            if width > 2 and any(line.count(mark) >= width - 1 for line in cell.splitlines()[1:]):
                raise _open_quote(name, file, number)


def _open_quote(name: str, file: str, row: int) -> RecordsError:
    return RecordsError(
        f'{name}: {file}, row {row}: a quote (") is opened and not closed, so the rows after it run together into one '
        "cell. Close or remove the quote in that row, or export the sheet as .xlsx."
    )


# ---- workbooks and tables ------------------------------------------------------------------------------------------


def _workbook_rows(path: Path, name: str, place: SheetPlace) -> tuple[str, list[Sequence[str]]]:
    from python_calamine import CalamineWorkbook

    if path.suffix.casefold() != ".xls":  # that kind has room for 65,536 rows of 256 cells, no more
        _check_extent(path, name)
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
    return match[0], [list(map(as_text, row)) for row in rows]


def _check_extent(path: Path, name: str) -> None:
    """Refuse a workbook whose cells lie so far apart, or unpack to so much, that reading it would fill the memory.

    The reader makes room for every cell between the first and the last; one stray cell in the far corner is enough.
    """
    if not zipfile.is_zipfile(path):
        raise RecordsError(
            f"{name}: {path.name} is no whole workbook: it may be cut off, protected by a password, or of another kind. "
            "Open it and save it again without a password, or export it as CSV."
        )
    stamp = path.stat()
    if found := _too_far(path, stamp.st_mtime_ns, stamp.st_size):
        raise too_large(name, path.name, found)


@lru_cache(maxsize=32)
def _too_far(path: Path, _changed: int, _size: int) -> str:
    """What in a workbook is too large to be read, or "".

    Any file in the archive may be the sheet, by whatever name, so each that speaks of cells is read by a parser of its own
    right, whatever quotes or sizes it is written with. Raises ValueError where one cannot be parsed or is not as long as it says.
    """
    with zipfile.ZipFile(path) as book:
        whole = sum(entry.file_size for entry in book.infolist())
        if whole > MOST_BYTES:
            return f"{whole / 1e9:.1f} gigabytes when unpacked"
        for entry in book.infolist():
            with book.open(entry) as file:  # to the end: its length and checksum are compared with what was claimed
                rest, speaks = b"", False
                while piece := file.read(_PIECE):
                    speaks = speaks or any(word in rest + piece for word in (b"sheetData", b"table-row"))
                    rest = piece[-20:]
            if speaks:
                with book.open(entry) as file:
                    found = _Extent().read(file)
                if found:
                    return found
    return ""


_PIECE = 1 << 20
_PLACE = re.compile(r"([A-Za-z]+)([0-9]+)")


class _Extent:
    """How far the cells of one sheet reach, from its XML as it streams by."""

    def __init__(self) -> None:
        self.row = self.column = self.times = self.right = self.down = self.filled = 0

    def read(self, file: IO[bytes]) -> str:
        """The furthest cell in words where it is too far, else ""."""
        parser = expat.ParserCreate()
        parser.StartElementHandler, parser.EndElementHandler = self._begin, self._end
        try:
            while piece := file.read(_PIECE):
                parser.Parse(piece, False)
                if self._far():
                    break
            else:
                parser.Parse(b"", True)
        except expat.ExpatError as err:
            raise ValueError(f"a sheet in it is broken: {err}") from err
        return f"a cell as far away as {_letters(self.right)}{self.down}" if self._far() else ""

    def _far(self) -> bool:
        return self.right * self.down > MOST_CELLS or self.down > MOST_ROWS

    def _begin(self, name: str, told: dict[str, str]) -> None:
        kind = name.rpartition(":")[2]
        if kind == "c":  # of .xlsx: a cell says where it stands, or stands beside the one before
            place = _PLACE.fullmatch(told.get("r", "").strip())
            if place:
                self.row, self.column = int(place[2]), 0
                for letter in place[1].upper():
                    self.column = 26 * self.column + ord(letter) - 64
            else:
                self.column += 1
            self.right, self.down = max(self.right, self.column), max(self.down, self.row)
        elif kind == "row":
            self.row, self.column = int(told.get("r", self.row + 1)), 0
        elif (
            kind == "table-row"
        ):  # of .ods: rows and cells that repeat; blank ones behind the last are not made room for
            self.times, self.column, self.filled = _times(told, "number-rows-repeated"), 0, 0
        elif kind in ("table-cell", "covered-table-cell"):
            self.column += _times(told, "number-columns-repeated")
            if any(key.endswith("value-type") for key in told):
                self.filled = self.column
        elif kind == "p":
            self.filled = self.column

    def _end(self, name: str) -> None:
        if name.rpartition(":")[2] == "table-row":
            self.row += self.times
            if self.filled:
                self.right, self.down = max(self.right, self.filled), max(self.down, self.row)


def _letters(column: int) -> str:
    """A column as a person sees it: 1 is A, 27 is AA."""
    text = ""
    while column:
        column, letter = divmod(column - 1, 26)
        text = chr(65 + letter) + text
    return text


def _times(told: Mapping[str, str], what: str) -> int:
    return int(next((text for key, text in told.items() if key.endswith(what)), 1))


def _parquet_rows(path: Path, name: str) -> list[Sequence[str]]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    told = pq.ParquetFile(path).metadata
    if told.num_rows > MOST_ROWS or told.num_rows * told.num_columns > MOST_CELLS:
        raise too_large(name, path.name, f"{told.num_rows:,} rows of {told.num_columns:,} columns")
    table = pq.read_table(path)
    columns = []
    for column in table.columns:
        # each distinct value is turned into text once
        try:
            coded = column.combine_chunks().dictionary_encode()
            codes = coded.indices.to_numpy(zero_copy_only=False) if coded.null_count == 0 else None
        except (pa.ArrowException, ValueError, TypeError, AttributeError):
            codes = None
        if codes is None:
            columns.append(list(map(as_text, column.to_pylist())))
            continue
        distinct = np.array([as_text(v) for v in coded.dictionary.to_pylist()], dtype=object)
        columns.append(distinct[codes].tolist() if len(distinct) else [""] * len(column))
    return [table.column_names, *zip(*columns, strict=True)]


def _connect(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    base.text_factory = lambda data: _sqlite_text(data)
    base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _SQL_TEXT)
    steps = iter(range(_SQL_STEPS // 1_000_000))
    base.set_progress_handler(lambda: next(steps, None) is None, 1_000_000)
    return base


def _sqlite_text(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _tables(path: Path) -> dict[str, str]:
    """Tables and views by their name in small letters; none where the file only looks like a database by its name."""
    with path.open("rb") as file:
        if file.read(len(_SQLITE_MARK)) != _SQLITE_MARK:
            return {}
    try:
        with closing(_connect(path)) as base:
            rows = base.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view') ORDER BY name")
            return {str(row[0]).casefold(): str(row[0]) for row in rows}
    except Exception as err:  # of a damaged file even the library's own message may not be text
        raise RecordsError(
            f"{path.name} cannot be read as an SQLite file ({err}). Repair it, or move it out of the folder."
        ) from err


def _sqlite_rows(path: Path, table: str) -> list[Sequence[str]]:
    tables = _tables(path)
    if table.casefold() not in tables:
        raise RecordsError(
            f"{path.name} has no table {table!r} (it has {', '.join(sorted(tables.values())) or 'none'}). "
            "Correct the name of the table in shop.toml."
        )
    quoted = tables[table.casefold()].replace('"', '""')
    with closing(_connect(path)) as base:
        cursor = base.execute(f'SELECT * FROM "{quoted}"')
        rows: list[Sequence[str]] = [[c[0] for c in cursor.description]]
        for row in cursor:
            rows.append(list(map(as_text, row)))
            if len(rows) > MOST_ROWS or len(rows) * len(row) > MOST_CELLS:
                raise too_large(table, path.name, f"more than {len(rows) - 1:,} rows")
        return rows


def as_text(cell: object) -> str:
    """Text of a typed cell, so that typed and typed-in values are parsed alike. True dates become ISO text."""
    if isinstance(cell, str):
        return cell
    if cell is None or cell is pd.NaT or cell is pd.NA or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, bool | np.bool_):
        return "yes" if cell else "no"
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, float | np.floating):
        value = float(cell)
        return str(int(value)) if abs(value) < 1e15 and value.is_integer() else repr(value)
    if isinstance(cell, bytes):
        return _sqlite_text(cell)
    return str(cell)
