"""Files to grids of text: CSV in the encodings and separators shops use, workbooks, parquet, one SQLite file."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import sqlite3
import zipfile
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.shop import SheetPlace, Shop
from analytics.records.workbook import MOST_BYTES, MOST_CELLS, MOST_LETTERS, MOST_ROWS, page_names, read_page, too_far

_TEXTS = (".csv", ".txt", ".tsv")
_ENDINGS = (".csv", ".xlsx", ".parquet")
_WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")
_DATABASES = (".sqlite", ".sqlite3", ".db")
_SQLITE_MARK = b"SQLite format 3\0"
#: steps of SQLite before a table or view is given up (a view may never end), and the longest text of one cell
_SQL_STEPS, _SQL_TEXT = 150_000_000, 10_000_000
#: rows from the top in which the headings are looked for
HEADING_SEARCH = 25
_END = "\0end of the file\0"


@dataclass(frozen=True, slots=True)
class Grid:
    """One page as rows of text, ragged as typed. ``first_row``: the number a person sees beside the first of them.

    struck, merged: cells crossed out, and filled from a merged cell above, (row, column) counted from 0; hidden: rows.
    """

    file: str
    sheet: str
    rows: list[Sequence[str]]
    first_row: int
    struck: frozenset[tuple[int, int]] = frozenset()
    merged: tuple[tuple[int, int], ...] = ()
    hidden: tuple[int, ...] = ()

    @property
    def where(self) -> str:
        return f"{self.file}, sheet {self.sheet!r}" if self.sheet else self.file


def find_grids(name: str, shop: Shop, keys: Collection[str]) -> list[Grid]:
    """Find and open the pages of one sheet, in order; none where the folder does not hold it.

    keys: heading keys that are looked for, which settle what separates the columns of a CSV file. Raises RecordsError
    where the sheet is there twice or cannot be read.
    name: of the sheet; shop: whose folder and [files] are looked through.
    """
    if shop.sheets.grids is not None:
        return [shop.sheets.grids[name]] if name in shop.sheets.grids else []
    place = shop.sheets.places.get(name, SheetPlace())
    paths = _named_files(name, shop, place.files) if place.files else _called(name, shop)
    meant = {path: _pages_meant(path, name, place, missing=len(paths) == 1) for path in paths}
    without = [path.name for path, own in meant.items() if not own]
    if without:
        raise RecordsError(
            f"{name}: {', '.join(without)} has no page called {' or '.join(map(repr, place.pages or (name,)))}. "
            f"Correct [sheets.{name}] in shop.toml."
        )
    return [open_page(path, name, page, keys) for path, own in meant.items() for page in own]


def _called(name: str, shop: Shop) -> list[Path]:
    """The file called like the sheet, the database with a table, or else the workbook with a page of its name: one or none."""
    there = _files(shop.folder, name)
    found = [p for p in there if p.stem.casefold() == name and p.suffix.casefold() in _ENDINGS]
    found += [p for p in there if p.suffix.casefold() in _DATABASES and name in _tables(p)]
    found = found or [p for p in there if p.suffix.casefold() in _WORKBOOKS and _has_page(p, name)]
    if len(found) > 1:
        raise RecordsError(
            f"{name}: found more than once ({', '.join(p.name for p in found)}). Keep one, or name it in shop.toml:\n"
            f'[sheets.{name}]\nfile = "{found[0].name}"'
        )
    return found


def _has_page(path: Path, name: str) -> bool:
    """Whether a workbook that is not itself called like a sheet has a page called ``name``."""
    if path.stem.casefold() in HEADINGS or path.name.startswith(("~$", ".")):
        return False
    try:
        return name in map(str.casefold, map(str.strip, _page_names(path, name)))
    except RecordsError:
        return False  # not read, so what is wrong with it is of no account


def _named_files(name: str, shop: Shop, files: Sequence[str]) -> list[Path]:
    """The files that shop.toml names, by name or by pattern, in its order."""
    paths: list[Path] = []
    for wanted in files:
        matched = [shop.folder / wanted] if (shop.folder / wanted).is_file() else _fitting(shop.folder, wanted)
        if not matched:
            raise RecordsError(
                f"{name}: shop.toml names the file {wanted!r}, which is not in the folder. "
                f"Correct [sheets.{name}] file, or put the file there."
            )
        paths += matched
    return list(dict.fromkeys(paths))


def _fitting(folder: Path, pattern: str) -> list[Path]:
    named = (p for p in folder.iterdir() if fnmatchcase(p.name.casefold(), pattern.casefold()))
    return sorted(p for p in named if p.is_file())


def _pages_meant(path: Path, name: str, place: SheetPlace, missing: bool) -> list[str]:
    """The pages of a file that ``place`` names, in its order; [""] where the file has no pages.

    Where it names none, the page called like the sheet, or the only one of a workbook. Raises RecordsError where one is not there
    (missing).
    """
    if path.suffix.casefold() not in (*_WORKBOOKS, *_DATABASES):
        return [""]
    names = _page_names(path, name)
    found: list[str] = []
    for pattern in place.pages or (name,):
        same = _same_page(pattern, names)
        if not same and not place.pages and len(names) == 1 and path.suffix.casefold() in _WORKBOOKS:
            same = names
        if not same and missing:
            raise _no_page(path, name, pattern, names)
        found += same
    return list(dict.fromkeys(found))


def _same_page(pattern: str, names: Sequence[str]) -> list[str]:
    """The pages of that name, or else those that the pattern fits."""
    key = pattern.strip().casefold()
    same = [n for n in names if n.strip().casefold() == key]
    return same or [n for n in names if fnmatchcase(n.strip().casefold(), key)]


def _no_page(path: Path, name: str, wanted: str, names: Sequence[str]) -> RecordsError:
    if path.suffix.casefold() in _DATABASES:
        return RecordsError(
            f"{path.name} has no table {wanted!r} (it has {', '.join(names) or 'none'}). "
            "Correct the name of the table in shop.toml."
        )
    return RecordsError(
        f"{name}: {path.name} has no sheet {wanted!r} (it has {', '.join(names)}). Say which in shop.toml:\n"
        f'[sheets.{name}]\nfile = "{path.name}"\nsheet = "{names[0] if names else ""}"'
    )


def _page_names(path: Path, name: str) -> list[str]:
    if path.suffix.casefold() in _DATABASES:
        return sorted(_tables(path).values())
    with _in_words(path, name):
        _check_extent(path, name)
        return page_names(path)


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


@dataclass(frozen=True, slots=True)
class Unread:
    """A file, or page of one, that no sheet was read from: what it is called, and the sheet it may have been meant as ("": none),
    by its name or by its headings (``alike``: their number; 0 where the name alone says so), with its rows. unlisted: of a page whose
    sentences were listed as returns, rows written since; -1 of any other."""

    file: str
    page: str
    meant: str
    alike: int = 0
    rows: int = 0
    unlisted: int = -1

    @property
    def name(self) -> str:
        return f"{self.file}, sheet {self.page!r}" if self.page else self.file


def passed_over(
    shop: Shop, read: Mapping[str, Collection[tuple[str, str]]], keys: Mapping[str, Collection[str]]
) -> list[Unread]:
    """Files, and pages of workbooks and databases, that no sheet was read from.

    read: sheet -> the (file, page) it was read from. keys: sheet -> heading keys it is known by. Files that cannot hold a table are
    passed over without a word, and so are pages without a row.
    shop: whose folder it is.
    """
    if shop.sheets.grids is not None:
        return []
    missing = [name for name in HEADINGS if name not in read]
    taken = {(file, page.strip().casefold()) for places in read.values() for file, page in places}
    left: list[Unread] = []
    listed = _listed(shop.folder / TEXT_FILE)
    for path in table_files(shop.folder):
        used = {page for file, page in taken if file == path.name}
        if "" not in used:
            left += _left_of(path, used, missing, keys, listed)
    return left


def _listed(path: Path) -> dict[str, int]:
    """By page, the last row whose sentence was listed as a return in the file at ``path``; none where there is no such list."""
    last: dict[str, int] = {}
    try:
        with path.open(encoding="utf-8", newline="") as file:
            told = [row.get("from_row") or "" for row in csv.DictReader(file)]
    except (OSError, ValueError, csv.Error):  # what is wrong with it is said where it is read
        return last
    for where, _, row in (one.rpartition(", row ") for one in told):
        if row.isdecimal():
            last[where] = max(last.get(where, 0), int(row))
    return last


def _written_since(grid: Grid, last: int) -> int:
    """Rows behind the ``last`` one listed that hold as much as those before: a line of totals is none."""
    filled = [sum(bool(cell.strip()) for cell in row) for row in grid.rows]
    before, after = filled[: max(last - grid.first_row + 1, 0)], filled[max(last - grid.first_row + 1, 0) :]
    usual = sorted(n for n in before if n)
    return sum(2 * n > usual[len(usual) // 2] for n in after) if usual else 0


def _left_of(
    path: Path,
    used: Collection[str],
    missing: Sequence[str],
    keys: Mapping[str, Collection[str]],
    listed: Mapping[str, int],
) -> list[Unread]:
    """What was not read of a file, of which the pages ``used`` were: the whole of it, or the other pages."""
    base = path.suffix.casefold() in _DATABASES
    itself = _meant(path.stem, missing) if not base and not used else ""
    if itself:
        return [Unread(path.name, "", itself)]
    pages = list(_unread_pages(path, used, missing, keys, listed))
    if used or base or any(u.meant or u.unlisted >= 0 for u in pages):
        return pages
    return [Unread(path.name, "", "")] if path.suffix.casefold() != ".txt" else []


#: the list of returns that were told in sentences, made by start for the owner to correct
TEXT_FILE = "returns_from_text.csv"
#: what the program itself keeps beside the records, and no part of them (ratings.grown)
OWN_LEDGERS = frozenset({"advised.csv", "said.csv", "alarms.csv"})


def table_files(folder: Path) -> list[Path]:
    """The files of a ``folder`` that a shop may keep records in, in order of name."""
    kinds = (*_TEXTS, *_WORKBOOKS, *_DATABASES, ".parquet")
    own = (p for p in folder.iterdir() if p.is_file() and p.name not in OWN_LEDGERS)
    files = (p for p in own if not p.name.startswith((".", "~$")))
    return sorted(p for p in files if p.suffix.casefold() in kinds)


def _unread_pages(
    path: Path,
    used: Collection[str],
    missing: Sequence[str],
    keys: Mapping[str, Collection[str]],
    listed: Mapping[str, int],
) -> Iterator[Unread]:
    """What each page of a file that was not read may be; of a file without pages, what itself may be."""
    try:
        pages = [page for page in all_pages(path) if page.strip().casefold() not in used]
    except RecordsError:  # not read, so what is wrong with it is of no account
        return
    known = set(chain.from_iterable(keys.values()))
    for page in pages:
        by_name = _meant(page, missing)
        try:
            grid = open_page(path, path.name, page, known)
        except RecordsError:
            yield Unread(path.name, page, by_name)
            continue
        if grid.where in listed:
            yield Unread(path.name, page, "", unlisted=_written_since(grid, listed[grid.where]))
            continue
        filled = sum(any(cell.strip() for cell in row) for row in grid.rows)
        sheet, alike = ("", 0) if by_name else _alike(grid, keys)
        if filled and (page or sheet):
            yield Unread(path.name, page, by_name or sheet, alike, filled - 1)


def _alike(grid: Grid, keys: Mapping[str, Collection[str]]) -> tuple[str, int]:
    """The sheet whose headings a page has most of, and how many: at least three, and half of the row they stand in."""
    best = ("", 0)
    for row in grid.rows[:HEADING_SEARCH]:
        heads = {heading_key(cell) for cell in row} - {""}
        for sheet, own in keys.items():
            n = len(heads & set(own))
            if n >= 3 and 2 * n >= len(heads) and n > best[1]:
                best = (sheet, n)
    return best


def _meant(typed: str, missing: Sequence[str]) -> str:
    """The sheet that a name may have been meant as."""
    near = difflib.get_close_matches(heading_key(typed), missing, n=1, cutoff=0.75)
    return near[0] if near else ""


def all_pages(path: Path) -> list[str]:
    """The pages of the file at ``path``: of a workbook, the tables of a database, [""] of any other. Raises RecordsError."""
    if path.suffix.casefold() in (*_WORKBOOKS, *_DATABASES):
        return _page_names(path, path.name)
    return [""]


def open_page(path: Path, name: str, page: str, keys: Collection[str]) -> Grid:
    """The cells of one page as text. name: what errors call it; keys: see find_grids. Raises RecordsError.

    path: of the file; page: of a workbook or database, else "".
    """
    ending = path.suffix.casefold()
    if path.stat().st_size > MOST_BYTES:
        raise too_large(name, path.name, f"{path.stat().st_size / 1e9:.1f} gigabytes")
    with _in_words(path, name):
        if ending in _TEXTS:
            return Grid(path.name, "", _csv_rows(path, name, keys), 1)
        if ending in _WORKBOOKS:
            _check_extent(path, name)
            return _workbook_grid(path, page)
        if ending == ".parquet":
            return Grid(path.name, "", _parquet_rows(path, name), 0)
        if ending in _DATABASES:
            return Grid(path.name, page, _sqlite_rows(path, page), 0)
    raise RecordsError(f"{name}: {path.name} is not a kind of file read here. Save it as .csv, .xlsx or .parquet.")


@contextmanager
def _in_words(path: Path, name: str) -> Iterator[None]:
    """Faults of a file, of whatever library, as RecordsError."""
    try:
        yield
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


def too_large(name: str, file: str, what: str) -> RecordsError:
    """What to say of a ``file`` of the sheet ``name`` that holds more (``what``) than is read."""
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
    once = dict[str, str]().setdefault  # a text that cells share is held once
    rows: list[Sequence[str]] = [list(map(once, row, row)) for row in csv.reader(ended, delimiter=mark)]
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


def _workbook_grid(path: Path, name: str) -> Grid:
    page = read_page(path, name)
    rows = [list(map(as_text, row)) for row in page.rows]
    for (row, column), unit in page.units.items():
        if row < len(rows) and column < len(rows[row]) and rows[row][column][-1:].isdigit():
            rows[row][column] += f" {unit}"
    return Grid(path.name, name, [*rows], 1, page.struck, page.merged, page.hidden)


def _check_extent(path: Path, name: str) -> None:
    """Refuse a workbook whose cells lie so far apart, or unpack to so much, that reading it would fill the memory."""
    if path.suffix.casefold() == ".xls":
        raise RecordsError(
            f"{name}: {path.name} is a workbook of the old kind, of which a few bytes can ask for all the memory there is. Open it and save it "
            "as .xlsx."
        )
    if not zipfile.is_zipfile(path):
        raise RecordsError(
            f"{name}: {path.name} is no whole workbook: it may be cut off, protected by a password, or of another kind. "
            "Open it and save it again without a password, or export it as CSV."
        )
    if found := too_far(path):
        raise too_large(name, path.name, found)


def _parquet_rows(path: Path, name: str) -> list[Sequence[str]]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    told = pq.ParquetFile(path).metadata
    if told.num_rows > MOST_ROWS or told.num_rows * told.num_columns > MOST_CELLS:
        raise too_large(name, path.name, f"{told.num_rows:,} rows of {told.num_columns:,} columns")
    table = pq.read_table(path, read_dictionary=told.schema.names)  # a long text that rows share is held once
    columns = []
    for column in table.columns:
        # each distinct value is turned into text once
        try:
            coded = column.combine_chunks().dictionary_encode()
            codes = coded.indices.fill_null(len(coded.dictionary)).to_numpy()
        except (pa.ArrowException, ValueError, TypeError, AttributeError):
            columns.append(list(map(as_text, column.to_pylist())))
            continue
        distinct = np.array([*map(as_text, coded.dictionary.to_pylist()), ""], dtype=object)
        columns.append(distinct[codes].tolist())
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
    quoted = table.replace('"', '""')
    with closing(_connect(path)) as base:
        cursor = base.execute(f'SELECT * FROM "{quoted}"')
        rows: list[Sequence[str]] = [[c[0] for c in cursor.description]]
        letters, once = 0, dict[str, str]().setdefault  # a text that cells share is held once
        for row in cursor:
            texts = [cell if type(cell) is str else as_text(cell) for cell in row]
            rows.append(tuple(map(once, texts, texts)))
            letters += sum(map(len, texts))
            if letters > MOST_LETTERS:
                raise too_large(table, path.name, f"more than {MOST_LETTERS:,} letters")
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
