"""Every file and page of a folder as columns of text, and what each column holds."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import pandas as pd

from analytics.errors import RecordsError
from analytics.records.cells import DISTANCE, POWER, WEIGHT, Quantity, is_blank, parse_plain, parse_quantity
from analytics.records.dates import AT_TEARDOWN, parse_dates
from analytics.records.decimals import with_points
from analytics.records.dittos import repeated
from analytics.records.files import HEADING_SEARCH, Grid, all_pages, open_page, table_files
from analytics.records.headings import HEADINGS, bare_key, heading_key, unit_of
from analytics.records.lines import LineColumns, units_of_lines
from analytics.records.source import is_example, is_total
from analytics.start.languages import IN_ENGLISH, without_accents
from analytics.start.vocabulary import ABBREVIATED, COMPONENT_WORDS, HEADING_WORDS

#: distinct texts of a column that are looked at to tell what it holds
_SAMPLE = 200
#: share of the lines of units that may say something else, by a slip, than the first under a heading of the unit
_OTHER = 0.05
#: days of 1998 and 2050 as spreadsheets count them
_FIRST_DAY, _LAST_DAY = 36_000, 55_000
#: a cell that is a figure, a date or a time
_FIGURE_CELL = re.compile(r"[\d.,/: '-]*\d[\d.,/: '-]*")


@dataclass(slots=True)
class Column:
    """One column: its heading as typed, the number of it, its texts (rows,) and how often each distinct one was met."""

    heading: str
    at: int
    texts: Sequence[str]
    counts: Counter[str] = field(init=False)
    _dates: list[bool] = field(init=False)

    def __post_init__(self) -> None:
        self.counts = Counter(t for t in (text.strip() for text in self.texts) if t and not is_blank(t))
        self._dates = _dates(self.some)

    @property
    def filled(self) -> int:
        """Cells that say anything."""
        return sum(self.counts.values())

    @property
    def unit(self) -> str:
        """The unit in the heading, in small letters; "" where it names none."""
        return unit_of(self.heading)

    @property
    def key(self) -> str:
        """The heading in full, without punctuation and unit; with the unit where nothing else is left."""
        return in_full(bare_key(self.heading))

    def name(self) -> str:
        """The same, to be mapped over columns."""
        return self.key

    def place(self) -> int:
        """Its number, to be mapped over columns."""
        return self.at

    @property
    def some(self) -> list[str]:
        """Distinct texts of it, in order of appearance, as many as are looked at."""
        return list(self.counts)[:_SAMPLE]

    def share(self, good: Iterable[bool]) -> float:
        """The share of its texts looked at that are ``good``; 0 of a blank column."""
        return sum(good) / max(len(self.some), 1)

    def dated(self) -> float:
        """The share of its texts that can be dates."""
        return self.share(self._dates)

    def numeric(self) -> float:
        """The share of its texts that begin as figures and are no dates."""
        return self.share(map(lambda text, date: _begins_as_figure(text) and not date, self.some, self._dates))

    def measured(self, kind: Quantity | None) -> float:
        """The share of its texts that are amounts of a kind (None: plain numbers)."""
        return self.share(_is_amount(text, kind) for text in self.some)

    def words(self) -> float:
        """Words in a text, on average over its distinct texts."""
        return sum(map(len, map(str.split, self.some))) / max(len(self.some), 1)


def _begins_as_figure(text: str) -> bool:
    return text[0].isdigit() and len(text.split()) <= 3


def _dates(texts: list[str]) -> list[bool]:
    """Whether each text can be a date; a bare number only if its day lies between 1998 and 2050."""
    parsed = parse_dates(pd.Series(texts, dtype=object), None, 1900)["first"].notna()
    return list(map(_can_be_date, texts, parsed))


def _can_be_date(text: str, parsed: bool) -> bool:
    if re.fullmatch(r"\d{5}(\.\d+)?", text):
        return _FIRST_DAY < float(text) < _LAST_DAY
    return bool(parsed) or text.casefold() in AT_TEARDOWN


def _is_amount(text: str, kind: Quantity | None) -> bool:
    return any(_read(typed, kind) for typed in (text, with_points(text)))


def _read(text: str, kind: Quantity | None) -> bool:
    value = parse_plain(text, -1e9, 1e9, False, "")[0] if kind is None else parse_quantity(text, kind, kind.unit)[0]
    return value == value


AMOUNTS: dict[str, Quantity | None] = {
    **dict.fromkeys(("power", "power_limit"), POWER),
    **dict.fromkeys(("weight", "weight_up_to"), WEIGHT),
    **dict.fromkeys(("odometer", "odometer_at_install", "miles_in_service"), DISTANCE),
    **dict.fromkeys(("cost", "runs", "count", "price", "rpm"), None),
}


@dataclass(slots=True)
class Page:
    """One page of a file: where its headings stand (counted from 0), its columns, and the numbers of the rows under them. lines: where it has a row for
    each part and was put together, the headings of the component and of the part."""

    file: str
    page: str
    grid: Grid
    start: int
    columns: list[Column]
    numbers: list[int]
    lines: tuple[str, str] | None = None

    @property
    def rows(self) -> int:
        """Rows that hold anything."""
        return len(self.numbers)

    def only(self, heading: str, words: Collection[str]) -> Page:
        """The page with the rows alone that have one of those words in a column."""
        kinds = next(filter(lambda c: c.heading == heading, self.columns)).texts
        return self.at_rows([at for at, text in enumerate(kinds) if text.strip() in words])

    def at_rows(self, own: Sequence[int]) -> Page:
        """The page with its ``own`` rows alone, by their places."""
        columns = [Column(c.heading, c.at, [c.texts[at] for at in own]) for c in self.columns]
        return Page(self.file, self.page, self.grid, self.start, columns, [self.numbers[at] for at in own])

    @property
    def name(self) -> str:
        return self.grid.where

    @property
    def stem(self) -> str:
        """What the page is called: its own name, or that of its file."""
        return self.page or Path(self.file).stem


@dataclass(frozen=True, slots=True)
class Looked:
    """What a folder holds: its pages with rows, and the files that could not be read, each with why."""

    pages: tuple[Page, ...]
    unread: tuple[tuple[str, str], ...]


def in_full(key: str) -> str:
    """The key of a heading in English, its abbreviations written out: 'i p shft' and 'eingangswelle' are 'input shaft'."""
    key = IN_ENGLISH.get(without_accents(key), key)
    words = (ABBREVIATED.get(word, word) for word in key.replace("i p ", "input ").split())
    return " ".join(words)


def _known_keys() -> set[str]:
    """Keys of all headings known by any name."""
    words = chain.from_iterable(chain.from_iterable(map(dict.values, HEADING_WORDS.values())))
    ours = map(heading_key, chain.from_iterable(spec.known for spec in HEADINGS.values()))
    return {*words, *ours, *chain.from_iterable(COMPONENT_WORDS.values())}


def look(folder: Path, leave: Collection[str] = ()) -> Looked:
    """Read every table in a folder. leave: names of files that are not looked at."""
    keys = _known_keys()
    pages: list[Page] = []
    unread: list[tuple[str, str]] = []
    for path in filter(lambda p: p.name not in leave, table_files(folder)):
        try:
            grids = [open_page(path, path.name, name, keys) for name in all_pages(path)]
        except RecordsError as err:
            unread.append((path.name, str(err)))
        else:
            pages += filter(None, (_page_of(grid, keys) for grid in grids))
    return Looked(tuple(pages), tuple(unread))


def _page_of(grid: Grid, keys: Collection[str]) -> Page | None:
    """A grid as columns under its row of headings: the one with most headings known; None where it holds no table."""
    start = _heading_row(grid, keys)
    if start is None:
        return None
    rows = ((at, grid.rows[at]) for at in range(start + 1, len(grid.rows)))
    filled = [at for at, row in rows if _holds(row) and not is_example(row) and not is_total(row)]
    return (
        Page(grid.file, grid.sheet, grid, start, _columns(grid, start, filled), [at + grid.first_row for at in filled])
        if filled
        else None
    )


def _columns(grid: Grid, start: int, filled: Sequence[int]) -> list[Column]:
    """The columns of a ``grid`` that are headed, of the rows ``filled``."""
    body = [grid.rows[at] for at in filled]
    named = filter(lambda head: head[1].strip(), enumerate(grid.rows[start]))
    return [Column(head.strip(), at, _texts(body, at)) for at, head in named]


def put_together(page: Page, serial: Column, component: Column, part: Column) -> Page:
    """A page with a row for each part as one with a row for each unit, by its columns of the ``serial``, the ``component`` and the ``part``; columns that differ
    between the lines of a unit are left out."""
    first: dict[str, dict[int, str]] = {}
    told, unit = Counter[int](), ""
    for row, typed in enumerate(serial.texts):
        unit = heading_key(typed) or unit  # a line without a serial goes on with the unit above
        for c in filter(lambda c: c.texts[row], page.columns):
            told[c.at] += first.setdefault(unit, {}).setdefault(c.at, c.texts[row]) != c.texts[row]
    of_units = [c for c in page.columns if told[c.at] <= _OTHER * page.rows and c.at not in (component.at, part.at)]
    columns = LineColumns(serial.at, component.at, part.at, frozenset(c.at for c in of_units))
    grid, lines = units_of_lines(page.grid, page.start, columns)
    numbers = [at for at in lines if at + grid.first_row in set(page.numbers)]
    kept = {c.at for c in of_units} | set(range(max(c.at for c in page.columns) + 1, len(grid.rows[page.start])))
    own = [c for c in _columns(grid, page.start, numbers) if c.at in kept]
    return Page(
        page.file,
        page.page,
        grid,
        page.start,
        own,
        [at + grid.first_row for at in numbers],
        (component.heading, part.heading),
    )


def _texts(body: Sequence[Sequence[str]], at: int) -> list[str]:
    """The texts of a column, marks that repeat the cell above written out."""
    return repeated("", [_cell(row, at).strip() for row in body])[0]


def _heading_row(grid: Grid, keys: Collection[str]) -> int | None:
    """The row with most headings known, if two are; else the first of three cells or more, counted from 0. A row with a figure or a date in
    it is one of headings only where no other is."""
    rows = grid.rows[:HEADING_SEARCH]
    words = [not any(map(_FIGURE_CELL.fullmatch, map(str.strip, row))) for row in rows]
    scores = [sum(_known(c, keys) for c in row) * (own or not any(words)) for row, own in zip(rows, words, strict=True)]
    most = max(scores, default=0)
    wide = filter(lambda at: _holds(rows[at]) >= 3, range(len(rows)))
    return scores.index(most) if most >= 2 else next(wide, None)


def _known(cell: str, keys: Collection[str]) -> bool:
    return not {heading_key(cell), bare_key(cell), in_full(bare_key(cell))}.isdisjoint(keys)


def _holds(row: Sequence[str]) -> int:
    """Cells of a row that hold anything."""
    return sum(map(bool, map(str.strip, row)))


def _cell(row: Sequence[str], at: int) -> str:
    return row[at] if at < len(row) else ""
