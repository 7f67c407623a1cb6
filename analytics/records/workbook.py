"""Workbooks: the cells of a page, and what only the eye sees of them: crossed out, hidden, merged, an error, a unit in the format."""

from __future__ import annotations

import posixpath
import re
import zipfile
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import IO
from xml.etree import ElementTree
from xml.parsers import expat

#: what one sheet may hold: far above any shop, low enough that a file gone wrong cannot fill the memory
MOST_ROWS, MOST_CELLS, MOST_BYTES, MOST_LETTERS = 2_000_000, 60_000_000, 2_000_000_000, 500_000_000
#: what the reader takes whole besides the cells, and how long any of it may be
_TAKEN_WHOLE, _MOST_WHOLE = ("workbook.xml", "styles.xml", ".rels", "manifest.xml"), 20_000_000
_PIECE = 1 << 20
_PLACE = re.compile(r"([A-Za-z]+)([0-9]+)")
#: a unit that a number format shows beside the number: 0" km", #,##0 \k\g
_SHOWN_UNIT = re.compile(r"\s*(hp|whp|kw|ps|lbs?|kg|t|mi|miles|km|psi|bar|kpa|in|mm|nm)\.?\s*", re.IGNORECASE)
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"

Cell = tuple[int, int]


@dataclass(slots=True)
class Marks:
    """What the eye sees of one page, by (row, column) counted from 0: text of error cells, cells crossed out, the
    unit a number format shows, rows hidden."""

    errors: dict[Cell, str] = field(default_factory=dict)
    struck: set[Cell] = field(default_factory=set)
    units: dict[Cell, str] = field(default_factory=dict)
    hidden: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Page:
    """One page: rows of cells as the reader gives them, from the first row on. struck: cells crossed out; units: of the number
    formats; merged: cells that a merged cell above carries its value down to; all by (row, column), counted from 0."""

    name: str
    rows: list[list[object]]
    struck: frozenset[Cell]
    hidden: tuple[int, ...]
    merged: tuple[Cell, ...]
    units: Mapping[Cell, str]


@dataclass(frozen=True, slots=True)
class _Scan:
    """What a pass over a workbook's archive found: why it is too large ("" where it is not), and the marks of each file in it."""

    too_far: str
    marks: Mapping[str, Marks]


def page_names(path: Path) -> list[str]:
    """The pages of the workbook at ``path``, in their order. Raises whatever the reader raises where it is none."""
    stamp = path.stat()
    return list(_page_names(path, stamp.st_mtime_ns, stamp.st_size))


@lru_cache(maxsize=64)
def _page_names(path: Path, _changed: int, _size: int) -> tuple[str, ...]:
    from python_calamine import CalamineWorkbook

    with CalamineWorkbook.from_path(str(path)) as book:
        return tuple(book.sheet_names)


def too_far(path: Path) -> str:
    """Why the workbook at ``path`` is too large to be read, or "". Raises ValueError where it cannot be parsed."""
    return _scan_of(path).too_far


def read_page(path: Path, name: str) -> Page:
    """The page called ``name`` of the workbook at ``path``, which is not too far (see too_far)."""
    from python_calamine import CalamineWorkbook

    with CalamineWorkbook.from_path(str(path)) as book:
        sheet = book.get_sheet_by_name(name)
        rows: list[list[object]] = [list(row) for row in sheet.to_python(skip_empty_area=False)]
        spans = sheet.merged_cell_ranges or ()
    marks = Marks()
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        marks = _scan_of(path).marks.get(_file_of(path, name), marks)
    for (row, column), text in marks.errors.items():
        if row < len(rows) and column < len(rows[row]):
            rows[row][column] = text
    merged = _carry_down(rows, spans)
    return Page(name, rows, frozenset(marks.struck), tuple(marks.hidden), merged, marks.units)


def _carry_down(rows: list[list[object]], spans: Sequence[tuple[Cell, Cell]]) -> tuple[Cell, ...]:
    """Fill cells merged over several rows of one column with the value at their top, in place; the cells filled. Raises ValueError."""
    filled: list[Cell] = []
    cells = sum(map(len, rows))
    for (top, left), (bottom, right) in spans:
        if len(filled) > cells:
            raise ValueError("its merged cells lie over each other")
        if left != right or top >= len(rows) or left >= len(rows[top]):
            continue
        for row in range(top + 1, min(bottom + 1, len(rows))):
            if left < len(rows[row]):
                rows[row][left] = rows[top][left]
                filled.append((row, left))
    return tuple(filled)


# ---- the archive ---------------------------------------------------------------------------------------------------


def _scan_of(path: Path) -> _Scan:
    stamp = path.stat()
    return _scan(path, stamp.st_mtime_ns, stamp.st_size)


def _speaks(book: zipfile.ZipFile, entry: zipfile.ZipInfo) -> list[bool]:
    """Whether a file of the archive speaks of cells, and of shared texts. Read to the end: its length and checksum are compared with
    what was claimed."""
    rest, speaks = b"", [False, False]
    with book.open(entry) as file:
        while piece := file.read(_PIECE):
            for at, words in enumerate(((b"sheetData", b"table-row"), (b"sst",))):
                speaks[at] = speaks[at] or any(word in rest + piece for word in words)
            rest = piece[-20:]
    return speaks


@lru_cache(maxsize=32)
def _scan(path: Path, _changed: int, _size: int) -> _Scan:
    """One pass over a workbook. The reader makes room for every cell between the first and the last, and for a text as often as cells
    share or repeat it; one stray cell is enough, or one long text.

    Any file in the archive may be the sheet, by whatever name, so each that speaks of cells is read by a parser of its own
    right, whatever quotes or sizes it is written with. Raises ValueError where one cannot be parsed or is not as long as it says.
    """
    marks: dict[str, Marks] = {}
    with zipfile.ZipFile(path) as book:
        whole = sum(entry.file_size for entry in book.infolist())
        if whole > MOST_BYTES:
            return _Scan(f"{whole / 1e9:.1f} gigabytes when unpacked", {})
        for entry in book.infolist():
            if entry.filename.casefold().endswith(_TAKEN_WHOLE) and entry.file_size > _MOST_WHOLE:
                return _Scan(f"{entry.file_size / 1e6:,.0f} megabytes of {entry.filename}", {})
        styles = _styles(book)
        cells: list[zipfile.ZipInfo] = []
        shared: list[zipfile.ZipInfo] = []
        for entry in book.infolist():
            speaks = _speaks(book, entry)
            if any(speaks):
                (cells if speaks[0] else shared).append(entry)
        texts = array("L")
        for entry in shared + cells:
            reader = _Extent(*styles, texts)
            with book.open(entry) as file:
                found = reader.read(file)
            if found:
                return _Scan(found, {})
            marks[entry.filename] = reader.marks
    return _Scan("", marks)


def _file_of(path: Path, page: str) -> str:
    """The file in the archive that holds a page; "" where the archive does not say."""
    try:
        with zipfile.ZipFile(path) as book:
            sheets = ElementTree.fromstring(book.read("xl/workbook.xml")).iter(f"{_MAIN}sheet")
            link = next(s.get(_LINK, "") for s in sheets if s.get("name") == page)
            told = ElementTree.fromstring(book.read("xl/_rels/workbook.xml.rels"))
            target = next(r.get("Target", "") for r in told if r.get("Id") == link)
    except (KeyError, StopIteration, ElementTree.ParseError):
        return ""
    return target[1:] if target.startswith("/") else posixpath.normpath(posixpath.join("xl", target))


def _styles(book: zipfile.ZipFile) -> tuple[frozenset[int], dict[int, str]]:
    """Styles that cross out, and the unit that the number format of a style shows."""
    try:
        told = ElementTree.fromstring(book.read("xl/styles.xml"))
    except (KeyError, ElementTree.ParseError):
        return frozenset(), {}
    strikes = [font.find(f"{_MAIN}strike") for font in told.iterfind(f"{_MAIN}fonts/{_MAIN}font")]
    crossed = {at for at, s in enumerate(strikes) if s is not None and s.get("val", "1") not in ("0", "false")}
    formats = {f.get("numFmtId"): f.get("formatCode", "") for f in told.iter(f"{_MAIN}numFmt")}
    styles = list(told.iterfind(f"{_MAIN}cellXfs/{_MAIN}xf"))
    units = {at: _unit_shown(formats.get(xf.get("numFmtId"), "")) for at, xf in enumerate(styles)}
    struck = frozenset(at for at, xf in enumerate(styles) if int(xf.get("fontId", "0")) in crossed)
    return struck, {at: unit for at, unit in units.items() if unit}


def _unit_shown(code: str) -> str:
    """The unit that a number format writes beside the number; "" where it writes none."""
    written = "".join(quoted or single for quoted, single in re.findall(r'"([^"]*)"|\\(.)', code.split(";")[0]))
    match = _SHOWN_UNIT.fullmatch(written)
    return match[1] if match else ""


#: what the attributes of a cell of .ods end in that say nothing it holds
_OF_LOOKS = ("style-name", "validation-name", "-repeated", "-spanned")


class _Extent:
    """How far the cells of one sheet reach, what they hold, and their marks, from its XML as it streams by.

    texts: the lengths of the texts that cells share, which the sheet that lists them adds.
    """

    def __init__(self, struck: frozenset[int], units: Mapping[int, str], texts: array[int]) -> None:
        self.struck, self.units, self.texts = struck, units, texts
        self.row = self.column = self.times = self.right = self.down = self.filled = 0
        self.cells = self.merged = self.letters = 0
        self.marks = Marks()
        self.kind, self.listing = "", False
        self.told: list[str] | None = None
        self.repeated: list[tuple[int, int]] = []

    def read(self, file: IO[bytes]) -> str:
        """What there is too much of, in words, or ""."""
        parser = expat.ParserCreate()
        parser.StartElementHandler, parser.EndElementHandler = self._begin, self._end
        parser.CharacterDataHandler = self._text
        try:
            while piece := file.read(_PIECE):
                parser.Parse(piece, False)
                if self._too_much():
                    break
            else:
                parser.Parse(b"", True)
        except expat.ExpatError as err:
            raise ValueError(f"a sheet in it is broken: {err}") from err
        return self._too_much()

    def _too_much(self) -> str:
        if self.right * self.down > MOST_CELLS or self.down > MOST_ROWS:
            return f"a cell as far away as {_letters(self.right)}{self.down}"
        if self.letters > MOST_LETTERS:
            return f"{self.letters:,} letters"
        if len(self.texts) > MOST_CELLS:
            return f"more than {MOST_CELLS:,} texts"
        if max(self.merged, self.cells - self.right * self.down) > MOST_ROWS:
            return f"more than {MOST_ROWS:,} cells that are merged, or in a place that is taken"
        return ""

    def _begin(self, name: str, told: dict[str, str]) -> None:
        kind = name.rpartition(":")[2]
        if kind == "c":
            self._cell(told)
        elif kind == "si":
            self.texts.append(0)
            self.listing = True
        elif kind == "row":
            self.row, self.column = int(told.get("r", self.row + 1)), 0
            if told.get("hidden") in ("1", "true"):
                self.marks.hidden.append(self.row - 1)
        elif (
            kind == "table-row"
        ):  # of .ods: rows and cells that repeat; blank ones behind the last are not made room for
            self.times, self.column, self.filled = _times(told, "number-rows-repeated"), 0, 0
            self.repeated.append((self.letters, self.times))
        elif kind in ("table-cell", "covered-table-cell"):
            times = _times(told, "number-columns-repeated")
            self.column += times
            self.repeated.append((self.letters, times))
            # how a cell looks and how often it stands is no letter of it: blank ones of a look go on to the end of the sheet
            self.letters += sum(len(value) for key, value in told.items() if not key.endswith(_OF_LOOKS))
            if any(key.endswith("value-type") for key in told):
                self.filled = self.column
        elif kind == "p":
            self.filled = self.column
        elif kind == "s":  # so many spaces
            self.letters += _times(told, "c")
        elif kind == "mergeCell":
            self.merged += 1

    def _cell(self, told: dict[str, str]) -> None:
        """A cell of .xlsx: it says where it stands, or stands beside the one before."""
        place = _PLACE.fullmatch(told.get("r", "").strip())
        if place:
            self.row, self.column = int(place[2]), 0
            for letter in place[1].upper():
                self.column = 26 * self.column + ord(letter) - 64
        else:
            self.column += 1
        self.right, self.down, self.cells = max(self.right, self.column), max(self.down, self.row), self.cells + 1
        style = int(told["s"]) if told.get("s", "").isdecimal() else 0
        if style in self.struck:
            self.marks.struck.add((self.row - 1, self.column - 1))
        if style in self.units:
            self.marks.units[self.row - 1, self.column - 1] = self.units[style]
        self.kind = told.get("t", "")
        self.told = [] if self.kind in ("e", "s") else None

    def _text(self, text: str) -> None:
        self.letters += len(text)
        if self.listing:
            self.texts[-1] += len(text)
        elif self.told is not None:
            self.told.append(text)

    def _end(self, name: str) -> None:
        kind = name.rpartition(":")[2]
        if self.told is not None:
            self._end_in_cell(kind, self.told)
        elif kind == "si":
            self.listing = False
        elif kind in ("table-row", "table-cell", "covered-table-cell"):
            before, times = self.repeated.pop()
            self.letters += (self.letters - before) * (times - 1)
            if kind == "table-row":
                self.row += self.times
                if self.filled:
                    self.right, self.down = max(self.right, self.filled), max(self.down, self.row)

    def _end_in_cell(self, kind: str, told: list[str]) -> None:
        if kind == "f":
            told.clear()  # the formula, not what came of it
        elif kind == "v" and self.kind == "s":
            at = int("".join(told))
            self.letters += self.texts[at] if 0 <= at < len(self.texts) else 0
            told.clear()
        elif kind == "c":
            if self.kind == "e":
                self.marks.errors[self.row - 1, self.column - 1] = "".join(told).strip()
            self.told = None


def _letters(column: int) -> str:
    """A column as a person sees it: 1 is A, 27 is AA."""
    text = ""
    while column:
        column, letter = divmod(column - 1, 26)
        text = chr(65 + letter) + text
    return text


def _times(told: Mapping[str, str], what: str) -> int:
    return int(next((text for key, text in told.items() if key.endswith(what)), 1))
