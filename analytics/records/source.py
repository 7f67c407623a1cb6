"""Grids of text to sheets with our headings. Every cell stays the text the shop typed, with its file, sheet and row."""

from __future__ import annotations

import difflib
import re
from collections import ChainMap, Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, compress
from operator import attrgetter

import numpy as np
import pandas as pd

from analytics.errors import RecordsError, SheetMissing
from analytics.reasons import Issue
from analytics.records.beside import comebacks_beside
from analytics.records.cells import DISTANCE, ERROR, POWER, WEIGHT, is_error
from analytics.records.decimals import EITHER, FIGURES, Mark, mark_of, with_points, with_unit
from analytics.records.dittos import repeated
from analytics.records.files import HEADING_SEARCH, Grid, find_grids
from analytics.records.headings import HEADINGS, bare_key, heading_key, in_thousands, unit_of
from analytics.records.lines import LineColumns, units_of_lines
from analytics.records.shop import SheetPlace, Shop

#: what a spreadsheet cell can hold; a longer one is a file gone wrong
LONGEST_CELL = 32_767
#: what stands under serial in the example row of an empty workbook
EXAMPLE = "EXAMPLE"
#: units that a heading may name for its bare figures
_UNITS_OF: dict[str, Collection[str]] = {
    **dict.fromkeys(("power", "power_limit"), POWER.units),
    **dict.fromkeys(("weight", "weight_up_to"), WEIGHT.units),
    **dict.fromkeys(("odometer", "odometer_at_install", "miles_in_service"), DISTANCE.units),
}
#: headings whose figures may be in thousands
_IN_THOUSANDS = frozenset({"odometer", "odometer_at_install", "miles_in_service", "weight"})
#: from which likeness on a heading is proposed for one that is missing: a wrong proposal is worse than none
_NEARLY = 0.75
_FIGURE = re.compile(r"[$€£]?\s*[+-]?\d[\d.,]*\s*(?:[^\W\d]{1,4}\.?|[$€£])?")
_TOTAL = r"^\W*(?:(?:grand|sub)[\s-]*)?(?:totals?|sum|averages?|avg|summe|gesamt|durchschnitt|somme|moyenne)\b"
#: how a cell begins whose row stands for nothing that went out
_VOID = re.compile(
    r"^\W*(?:void|cancell?ed|never (?:built|shipped|picked up)|storniert|annulé)\b(?!\W*warranty)", re.IGNORECASE
)
#: but for serials such as AVG-65579
_TOTALS_ROW = re.compile(_TOTAL + r"(?!-\w*\d)", re.IGNORECASE)
_TOTALS_ONLY = re.compile(_TOTAL + r"\W*$", re.IGNORECASE)


@dataclass(slots=True)
class RawSheet:
    """One sheet as text, blank rows left out, of as many pages as it is kept on.

    ``table`` has one object column of text per heading of ours that was found ("" where blank), figures with a decimal point;
    ``typed_as`` holds the columns whose cells were typed otherwise. ``file``, ``sheet`` and ``row`` say where a person sees each row,
    shape (rows,). ``structure``: rows that are no records, columns at (position in ``table``), column, raw, reason, remedy, kind;
    ``notes``: what rows in use were read on, likewise.
    """

    name: str
    table: pd.DataFrame
    file: np.ndarray
    sheet: np.ndarray
    row: np.ndarray
    structure: pd.DataFrame
    notes: pd.DataFrame
    unused_columns: tuple[str, ...]
    #: our heading -> the heading in the file
    typed: dict[str, str]
    #: the pages it was read from: (file, page)
    places: tuple[tuple[str, str], ...]
    typed_as: pd.DataFrame
    #: values of the shop's own column, by which rows are told apart, that are not this sheet's: (file, page, heading, value) -> rows
    others: dict[tuple[str, str, str, str], int]
    decimal: np.ndarray

    def named(self, at: int) -> str:
        """A row as messages name it: 'row 7', with its page where there are several."""
        if len(self.places) == 1:
            return f"row {self.row[at]}"
        page = self.sheet[at] if len({p for _, p in self.places}) == len(self.places) else ""
        return f"row {self.row[at]} of {page or self.file[at]}"


def read_sheets(shop: Shop) -> dict[str, RawSheet]:
    """Read every sheet the folder holds.

    Raises RecordsError where builds or returns is missing, a file cannot be read, is there twice, or lacks a required
    heading.
    shop: whose folder it is.
    """
    sheets = {}
    wanted = {name: _wanted(name, shop) for name in HEADINGS}
    found = {name: find_grids(name, shop, wanted[name].keys()) for name in HEADINGS}
    turns = partial(_turns, set(map(_place_of, found["builds"])), wanted["returns"], shop)
    found["returns"] = list(chain.from_iterable(map(turns, found["returns"])))
    together = [_in_units(grid, wanted["builds"], shop) for grid in found["builds"]]
    found["builds"] = [grid for grid, _ in together]
    marks = _marks(list(chain.from_iterable(found.values())))
    for name, grids in filter(lambda item: item[1], found.items()):
        pages = [_to_sheet(name, g, (wanted[name], marks[id(g)]), shop, alone=len(grids) == 1) for g in grids]
        if _own_columns(name, pages, shop):
            _to_sheet(name, grids[0], (wanted[name], Mark("")), shop)  # says what none of the pages has
        if name == "builds":
            pages = [_of_lines(page, lines) for page, (_, lines) in zip(pages, together, strict=True)]
        sheets[name] = _stacked(pages)
    for name in ("builds", "returns"):
        if name not in sheets:
            there = ", ".join(sorted(p.name for p in shop.folder.iterdir() if p.is_file())) or "nothing"
            raise SheetMissing(
                name,
                f"{shop.folder.name}: no sheet '{name}'. Found: {there}. Name the file {name}.csv (or .xlsx, .parquet), "
                f'or say where it is in shop.toml:\n[sheets.{name}]\nfile = "your file.xlsx"\nsheet = "its sheet"\n'
                "The command start looks through the files and writes these lines.",
            )
    _claim(sheets["builds"], sheets["returns"], wanted["returns"])
    return sheets


def _place_of(grid: Grid) -> tuple[str, str]:
    return grid.file, grid.sheet


def _turns(on_builds: Collection[tuple[str, str]], wanted: dict[str, str], shop: Shop, grid: Grid) -> list[Grid]:
    """A page of returns; one of builds, whose rows are not told apart by a column, as the pages of its comebacks."""
    told_apart = shop.sheets.places.get("returns", SheetPlace()).rows
    return [grid] if told_apart or _place_of(grid) not in on_builds else _beside(grid, wanted, shop)


def _in_units(grid: Grid, wanted: dict[str, str], shop: Shop) -> tuple[Grid, dict[int, int]]:
    """A page of builds with a row for each unit, and how many lines each was told in; as it is where shop.toml names no lines."""
    headings = shop.sheets.places.get("builds", SheetPlace()).lines
    if headings is None:
        return grid, {}
    start = _heading_row("builds", grid, wanted, shop)
    found = [cell.strip() for cell in grid.rows[start]]
    places = _columns("builds", grid, found, wanted)
    if "serial" not in places:
        return grid, {}  # what lacks is told with the other headings
    component, part = (_column_of("builds", grid, found, heading, "lines") for heading in headings)
    counted = frozenset(at for ours, at in places.items() if ours == "count")
    read = frozenset(at for ours, at in places.items() if ours != "notes") - {component, part, *counted}
    known = _component_names(shop)
    columns = LineColumns(places["serial"], component, part, read, counted)
    return units_of_lines(grid, start, columns, lambda text: known.get(heading_key(text), text))


def _component_names(shop: Shop) -> dict[str, str]:
    """Keys of what a component is called -> the heading of its parts in builds."""
    words = shop.names.words.get("component", {})
    called = ((heading, (heading, ours, *words.get(ours, ()))) for ours, heading in shop.components.items())
    return {heading_key(name): heading for heading, names in called for name in names}


def _of_lines(page: RawSheet, lines: Mapping[int, int]) -> RawSheet:
    """A ``page`` of builds, with a note where its units were told in ``lines`` of a part each."""
    if sum(lines.values()) == len(lines):
        return page
    reason = f"{sum(lines.values()):,} rows with a part each are read as {len(lines):,} units: this one from {next(iter(lines.values()))}"
    note = entries_of(
        [(0, "serial", page.table["serial"].iat[0], reason, "nothing to do if that is right", Issue.SEVERAL_NAMES)]
    )
    return replace(page, notes=_first_of(note, page.notes))


def _claim(builds: RawSheet, returns: RawSheet, wanted: Mapping[str, str]) -> None:
    """Columns of a page of builds that its comebacks are read from are used."""
    if set(builds.places) & set(returns.places):
        builds.unused_columns = tuple(c for c in builds.unused_columns if heading_key(c) not in wanted)


def _beside(grid: Grid, wanted: dict[str, str], shop: Shop) -> list[Grid]:
    """The comebacks of a page of builds, as pages."""
    start = _heading_row("returns", grid, wanted, shop)
    columns: dict[str, list[int]] = {}
    for at, cell in enumerate(grid.rows[start]):
        columns.setdefault(wanted.get(heading_key(cell)) or wanted.get(bare_key(cell), ""), []).append(at)
    columns.pop("", None)
    return comebacks_beside(grid, start, columns)


def _marks(grids: list[Grid]) -> dict[int, Mark]:
    """The decimal mark of each page, by its id: its own, or the comma of the shop's other pages, where some leave no other way and none
    says otherwise."""
    own = {id(grid): mark_of(_figures(grid)) for grid in grids}
    comma = next(filter(lambda mark: mark.mark == "comma", own.values()), Mark(""))
    usual = Mark("") if "point" in map(attrgetter("mark"), own.values()) else comma
    return {id(grid): _mark_taken(grid, own[id(grid)], usual) for grid in grids}


def _mark_taken(grid: Grid, own: Mark, usual: Mark) -> Mark:
    if own.settled or not usual.mark:
        return own
    return replace(usual, doubtful=sum(map(bool, map(EITHER.search, chain.from_iterable(_figures(grid))))))


def _own_columns(name: str, pages: list[RawSheet], shop: Shop) -> list[str]:
    """Columns that shop.toml names for builds and no page has."""
    own = [*(f"component:{c}" for c in shop.components), *(f"extra:{c}" for c in shop.extra_columns)]
    return [c for c in own if not any(c in page.table for page in pages)] if name == "builds" else []


def heading_keys(shop: Shop) -> dict[str, set[str]]:
    """Sheet -> the keys of the headings it may have, the shop's own and ours."""
    return {name: {*_wanted(name, shop), *map(heading_key, HEADINGS[name].known)} for name in HEADINGS}


def unclaimed(sheets: Mapping[str, RawSheet]) -> list[tuple[str, str, str, str, int]]:
    """Rows that are told apart by a column and belong to none of the ``sheets``: file, page, heading, value, rows."""
    of_page: dict[tuple[str, str, str], list[dict[str, int]]] = {}
    for raw in sheets.values():
        pages: dict[tuple[str, str, str], dict[str, int]] = {}
        for (file, page, heading, value), rows in raw.others.items():
            pages.setdefault((file, page, heading), {})[value] = rows
        for place, values in pages.items():
            of_page.setdefault(place, []).append(values)
    return [
        (*place, value, rows)
        for place, told in of_page.items()
        for value, rows in told[0].items()
        if all(value in other for other in told)
    ]


def _stacked(pages: list[RawSheet]) -> RawSheet:
    """The pages of one sheet under each other."""
    first = pages[0]
    if len(pages) == 1:
        return first
    starts = np.cumsum([0, *(len(p.table) for p in pages)])
    columns = _each_once(list(p.table) for p in pages)
    notes = [_first_of(p.notes, _absent(p, columns)) for p in pages]
    otherwise = _each_once(list(p.typed_as) for p in pages)
    return RawSheet(
        name=first.name,
        table=_under([p.table for p in pages], columns, starts),
        **{side: np.concatenate([getattr(p, side) for p in pages]) for side in ("file", "sheet", "row", "decimal")},
        structure=_moved([p.structure for p in pages], starts),
        notes=_moved(notes, starts),
        unused_columns=tuple(_each_once(p.unused_columns for p in pages)),
        typed=dict(ChainMap(*(p.typed for p in pages))),
        places=tuple(chain.from_iterable(p.places for p in pages)),
        typed_as=_under([_shown(p, otherwise) for p in pages], otherwise, starts),
        others=dict(ChainMap(*(p.others for p in pages))),
    )


def _each_once(lists: Iterable[Sequence[str]]) -> list[str]:
    return list(dict.fromkeys(chain.from_iterable(lists)))


def _under(frames: list[pd.DataFrame], columns: list[str], starts: np.ndarray) -> pd.DataFrame:
    """Columns of text of several pages, "" where a page lacks one."""
    sizes = np.diff(starts)
    texts = {c: np.concatenate([_column(f, c, n) for f, n in zip(frames, sizes, strict=True)]) for c in columns}
    return pd.DataFrame(texts, index=pd.RangeIndex(starts[-1]), dtype=object)


def _moved(frames: list[pd.DataFrame], starts: np.ndarray) -> pd.DataFrame:
    """Entries of several pages, by their place under each other."""
    return pd.concat([f.assign(at=f["at"] + n) for f, n in zip(frames, starts[:-1], strict=True)], ignore_index=True)


def _shown(page: RawSheet, columns: list[str]) -> pd.DataFrame:
    """Those columns of a page as they were typed."""
    return pd.DataFrame(
        {c: page.typed_as[c] if c in page.typed_as else page.table[c] for c in columns if c in page.table}
    )


def _column(frame: pd.DataFrame, column: str, rows: int) -> np.ndarray:
    return frame[column].to_numpy() if column in frame else np.full(rows, "", dtype=object)


def _absent(page: RawSheet, columns: list[str]) -> pd.DataFrame:
    """Notes on headings that other pages of the sheet have and this one lacks."""
    lacking = [c for c in columns if c not in page.table]
    if not lacking or not len(page.table):
        return _no_entries()
    names = ", ".join(c.removeprefix("component:").removeprefix("extra:") for c in lacking)
    reason = f"this page has no column for {names}: taken as not recorded in its {len(page.table):,} rows"
    return entries_of([(0, "", "", reason, "add the column, if it is known", Issue.NO_COLUMN)])


def _without_numbers(pairs: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """The ``pairs`` of their heading and ours but those of a word of ours that shop.toml gives, as a number, to another: 'Order #' is no order."""
    numbers = {heading_key(theirs) for theirs, ours in pairs if theirs != ours and "#" in theirs}
    return [(theirs, ours) for theirs, ours in pairs if theirs != ours or heading_key(theirs) not in numbers]


def _wanted(name: str, shop: Shop) -> dict[str, str]:
    """Key of the heading in the file -> our heading."""
    asked = [(h, h) for h in HEADINGS[name].known]
    if name == "builds":
        asked += [(h, f"component:{c}") for c, h in shop.components.items()]
        asked += [(h, f"extra:{c}") for c, h in shop.extra_columns.items()]
    pairs = _without_numbers([(theirs, ours) for heading, ours in asked for theirs in shop.headings_of(name, heading)])
    wanted: dict[str, str] = {}
    for theirs, ours in pairs:
        other = wanted.setdefault(heading_key(theirs), ours)
        if other != ours and not (other.startswith("component:") and ours.startswith("component:")):
            one, two = (o.removeprefix("component:").removeprefix("extra:") for o in (other, ours))
            raise RecordsError(
                f"{name}: shop.toml gives the heading {theirs!r} to both {one!r} and {two!r}. Give each its own."
            )
    return wanted


def _to_sheet(name: str, grid: Grid, known: tuple[dict[str, str], Mark], shop: Shop, alone: bool = True) -> RawSheet:
    """One page. known: the headings it may have, as `_wanted` gives them, and its decimal mark. alone: whether it is the only one of its
    sheet, so that every column that shop.toml names must be on it."""
    rows, (wanted, mark_found) = grid.rows, known
    if name != "builds" and not any(cell.strip() for row in rows for cell in row):
        return _empty(name, grid)
    place = shop.sheets.places.get(name, SheetPlace())
    start = _heading_row(name, grid, wanted, shop)
    found = [cell.strip() for cell in rows[start]]
    columns = _shared(_columns(name, grid, found, wanted), name, shop)
    _require(name, grid, (start + grid.first_row, found), columns, shop, alone)
    while found and not found[-1]:
        found.pop()
    body, line, lengths, others = _own_rows(name, grid, place, found, _filled_rows(rows, start + 1, len(found)))
    cells = [list(map(str.strip, column)) for column in zip(*body, strict=False)][: len(found)]
    cells = cells or [[]] * len(found)
    structure = _structure(body, cells, lengths, found, [columns[h] for h in HEADINGS[name].dates if h in columns])
    crossed, notes = _seen(grid, body, line, (found, place.crossed_out))
    typed = {ours: found[at] for ours, at in columns.items()}
    table = pd.DataFrame(
        {h: _objects(cells[at]) for h, at in columns.items()}, index=pd.RangeIndex(len(body)), dtype=object
    )
    table, dittos, said = _written_out(table, typed, set(structure["at"]))
    table, typed_as, mark, told = _as_figures(table, typed, place.decimal, mark_found)
    return RawSheet(
        name=name,
        table=table,
        file=np.full(len(body), grid.file, dtype=object),
        sheet=np.full(len(body), grid.sheet, dtype=object),
        row=line + grid.first_row,
        structure=_first_of(structure, crossed),
        notes=_first_of(
            _first_of(_first_of(_first_of(notes, said), told), _errors(table, typed)), _voided(cells, found)
        ),
        unused_columns=_unused(found, columns, place),
        typed=typed,
        places=((grid.file, grid.sheet),),
        typed_as=typed_as.assign(**dittos),
        others=others,
        decimal=np.full(len(body), mark, dtype=object),
    )


def _shared(columns: dict[str, int], name: str, shop: Shop) -> dict[str, int]:
    """The columns, with those of components whose parts stand in the column of another."""
    if name != "builds":
        return columns
    first: dict[tuple[str, ...], str] = {}
    for component, heading in shop.components.items():
        holds = first.setdefault(tuple(map(heading_key, shop.headings_of(name, heading))), f"component:{component}")
        if holds in columns:
            columns[f"component:{component}"] = columns[holds]
    return columns


def _unused(found: list[str], columns: dict[str, int], place: SheetPlace) -> tuple[str, ...]:
    """Headings that nothing is read from."""
    taken = {*columns.values()}
    return tuple(c for at, c in enumerate(found) if c and at not in taken and c not in place.rows)


def _written_out(
    table: pd.DataFrame, typed: dict[str, str], skipped: Collection[int]
) -> tuple[pd.DataFrame, dict[str, pd.Series], pd.DataFrame]:
    """The table with marks that repeat the cell above written out, the columns as typed that had any, and what is to be said of it.

    skipped: positions of rows that are no records.
    """
    filled: dict[str, np.ndarray] = {}
    said: list[Entry] = []
    for heading in table:
        texts = table[heading].tolist()
        written, marks = repeated(heading, texts, skipped)
        if marks:
            filled[heading] = _objects(written)
            reason = f"marks of this column ({len(marks):,}) repeat the cell above: read as it, here as {written[marks[0]]!r}"
            said.append((marks[0], typed[heading], texts[marks[0]], reason, "write it into each row", Issue.DITTO))
    return table.assign(**filled), {heading: table[heading] for heading in filled}, entries_of(said)


def _as_figures(
    table: pd.DataFrame, typed: dict[str, str], stated: str | None, found: Mark
) -> tuple[pd.DataFrame, pd.DataFrame, str, pd.DataFrame]:
    """Figures with a decimal point and the unit of their heading, the columns as typed that differ, the mark of the page, and what
    is to be said of it.

    All figures of the page speak, those of other sheets' rows and unused columns too.
    """
    heads = [h for h in table if h in FIGURES or h.startswith("extra:")]
    mark = Mark("") if stated else found
    known = stated or mark.mark
    told = _no_entries()
    units = {h: unit for h in heads if (unit := _heading_unit(h, typed[h]))}
    shown = table[heads if known == "comma" else list(units)]
    if known == "comma":
        table = table.assign(**{h: _objects([with_points(text) for text in table[h]]) for h in heads})
    table = table.assign(**{h: _objects([with_unit(text, u) for text in table[h]]) for h, u in units.items()})
    if not stated and known == "comma" and mark.doubtful:
        reason = f"figures of this page are read with a decimal comma, {mark.doubtful} of them by that alone: {mark.settled!r} leaves no other way"
        remedy = 'nothing to do if that is right; else state it in shop.toml: decimal = "point" under its [sheets]'
        told = entries_of([(0, "", "", reason, remedy, Issue.DECIMAL)])
    return table, shown, known, told


def _heading_unit(heading: str, typed: str) -> str:
    """What stands behind the bare figures under a ``heading`` of ours, by how it is ``typed``: 'kw', 'k', 'k km'; "" for nothing."""
    unit = unit_of(typed) if unit_of(typed) in _UNITS_OF.get(heading, ()) else ""
    thousands = heading in _IN_THOUSANDS and in_thousands(typed)
    return " ".join(filter(None, ("k" * thousands, unit)))


def _errors(table: pd.DataFrame, typed: dict[str, str]) -> pd.DataFrame:
    """Cells of words, parts and dates that hold the error of a formula; of figures whoever reads them says so."""
    return entries_of(
        [
            (at, typed[heading], text, f"{ERROR[0]}: taken as blank", ERROR[1], Issue.UNREAD)
            for heading in table
            if heading not in FIGURES and not heading.startswith("extra:")
            if (errors := {text for text in set(table[heading]) if text.startswith("#") and is_error(text)})
            for at, text in enumerate(table[heading])
            if text in errors
        ]
    )


def _figures(grid: Grid) -> list[set[str]]:
    """The distinct cells of a page that are figures, with a unit or without."""
    cells = set(chain.from_iterable(grid.rows))
    return [{c for c in cells if ("," in c or "." in c) and _FIGURE.fullmatch(c.strip())}]


def _own_rows(
    name: str, grid: Grid, place: SheetPlace, found: list[str], body: tuple[list[Sequence[str]], np.ndarray, np.ndarray]
) -> tuple[list[Sequence[str]], np.ndarray, np.ndarray, dict[tuple[str, str, str, str], int]]:
    """The rows of a page that are this sheet's, by the words in a column; and how many there are of each other word."""
    rows, line, lengths = body
    keep = np.ones(len(rows), bool)
    others: dict[tuple[str, str, str, str], int] = {}
    for heading, words in place.rows.items():
        at = _column_of(name, grid, found, heading, "rows")
        own = {heading_key(word) for word in words}
        values = [row[at].strip() for row in rows]
        of_others = [heading_key(v) not in own for v in values]
        keep &= ~np.array(of_others, bool)
        counted = Counter(compress(values, of_others))
        others |= {(grid.file, grid.sheet, heading, value): n for value, n in counted.items()}
    return list(compress(rows, keep)), line[keep], lengths[keep], others


def _column_of(name: str, grid: Grid, found: list[str], heading: str, key: str) -> int:
    """The place of a column that a ``key`` of the sheet's settings names."""
    keys = [heading_key(head) for head in found]
    if heading_key(heading) not in keys:
        raise RecordsError(
            f"{name}: {grid.where} has no column headed {heading!r}, by which shop.toml tells its rows apart. "
            f"Correct [sheets.{name}] {key}."
        )
    return keys.index(heading_key(heading))


def _seen(
    grid: Grid, body: list[Sequence[str]], line: np.ndarray, told: tuple[list[str], bool]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows crossed out, set aside unless they are to be read; and notes on what else the eye sees of a workbook's page."""
    found, read_crossed = told
    of_line = {int(row): at for at, row in enumerate(line)}
    struck: dict[int, list[int]] = {}
    for row, column in sorted(grid.struck):
        if row in of_line and column < len(found) and body[of_line[row]][column].strip():
            struck.setdefault(of_line[row], []).append(column)
    whole = {at for at, columns in struck.items() if len(columns) == _filled(body[at][: len(found)])}
    notes = [
        e for at, columns in struck.items() if at not in whole for e in _crossed_cells(at, columns, found, body[at])
    ]
    notes += _hidden(grid, of_line) + _merged(grid, of_line, found, body)
    return entries_of([] if read_crossed else [_crossed_out(at, body[at]) for at in sorted(whole)]), entries_of(notes)


def _filled(row: Sequence[str]) -> int:
    return sum(bool(text.strip()) for text in row)


def _crossed_out(at: int, row: Sequence[str]) -> Entry:
    remedy = 'delete the row, or take the line off; crossed_out = "read" under its [sheets] reads all of them'
    return at, "", "|".join(row)[:200], "the row is crossed out", remedy, Issue.CROSSED_OUT


def _crossed_cells(at: int, columns: list[int], found: list[str], row: Sequence[str]) -> list[Entry]:
    remedy = "delete the cell, or take the line off"
    return [(at, found[c], row[c], "crossed out, but read", remedy, Issue.CROSSED_CELL) for c in columns]


def _hidden(grid: Grid, of_line: dict[int, int]) -> list[Entry]:
    hidden = [of_line[row] for row in grid.hidden if row in of_line]
    reason = f"{len(hidden)} rows of this page are hidden or filtered away; they are read like the others"
    return [(at, "", "", reason, "delete them if they are no records", Issue.HIDDEN) for at in hidden[:1]]


def _merged(grid: Grid, of_line: dict[int, int], found: list[str], body: list[Sequence[str]]) -> list[Entry]:
    told = "read as the value of the merged cell above", "write it into each row", Issue.MERGED
    inside = [(of_line[row], c) for row, c in grid.merged if row in of_line and c < len(found)]
    return [(at, found[c], body[at][c], *told) for at, c in inside]


Entry = tuple[int, str, str, str, str, Issue]


def entries_of(rows: list[Entry]) -> pd.DataFrame:
    """The ``rows`` as a frame of entries, as RawSheet holds them."""
    frame = pd.DataFrame(rows, columns=["at", "column", "raw", "reason", "remedy", "kind"])
    return frame.astype({"at": np.int64})


def _no_entries() -> pd.DataFrame:
    return entries_of([])


def _first_of(one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    """Both under each other."""
    if one.empty or other.empty:
        return other if one.empty else one
    return pd.concat([one, other], ignore_index=True)


def _heading_row(name: str, grid: Grid, wanted: dict[str, str], shop: Shop) -> int:
    """The row stated, else the first of those with most known headings; counted from 0."""
    rows = grid.rows
    start = shop.sheets.places.get(name, SheetPlace()).skip_rows
    if start is None:
        scores = [
            len({k for c in row for k in (heading_key(c), bare_key(c))} & wanted.keys())
            for row in rows[:HEADING_SEARCH]
        ]
        most = max(scores, default=0)
        start = scores.index(most) if most else 0
    if start >= len(rows):
        where = f"skip_rows = {start} passes over all of its {len(rows)} rows" if rows else "the file is empty"
        raise RecordsError(
            f"{name}: {grid.where} has no row of headings: {where}. Correct it, or export the sheet again."
        )
    return start


def _filled_rows(
    rows: list[Sequence[str]], first: int, width: int
) -> tuple[list[Sequence[str]], np.ndarray, np.ndarray]:
    """Rows from ``first`` on that hold anything, no narrower than ``width``; their places, counted from 0; their lengths as typed."""
    rows = rows[first:]
    filled = np.fromiter((bool("".join(row).strip()) for row in rows), bool, len(rows))
    body = [row for row, some in zip(rows, filled, strict=True) if some]
    lengths = np.fromiter(map(len, body), np.int64, len(body))
    for at in np.flatnonzero(lengths < width):
        body[at] = [*body[at], *[""] * (width - len(body[at]))]
    return body, np.flatnonzero(filled) + first, lengths


def _empty(name: str, grid: Grid) -> RawSheet:
    none = np.zeros(0, dtype=object)
    return RawSheet(
        name=name,
        table=pd.DataFrame(index=pd.RangeIndex(0)),
        file=none,
        sheet=none,
        row=np.zeros(0, np.int64),
        structure=_no_entries(),
        notes=_no_entries(),
        unused_columns=(),
        typed={},
        places=((grid.file, grid.sheet),),
        typed_as=pd.DataFrame(),
        others={},
        decimal=none,
    )


def _objects(cells: list[str]) -> np.ndarray:
    array = np.empty(len(cells), dtype=object)
    array[:] = cells
    return array


def is_total(row: Sequence[str]) -> bool:
    """Whether a row begins as one of totals, which is no record."""
    return bool(_TOTALS_ONLY.match(next(filter(str.strip, row), "")))


def is_example(row: Sequence[str]) -> bool:
    """Whether a row is the example of an empty workbook."""
    return any(cell.strip() == EXAMPLE for cell in row)


def _columns(name: str, grid: Grid, found: list[str], wanted: dict[str, str]) -> dict[str, int]:
    """Our heading -> position of its column, with a unit behind it or without."""
    columns: dict[str, int] = {}
    exact = set(filter(None, (wanted.get(heading_key(cell)) for cell in found)))
    for at, cell in enumerate(found):
        ours = wanted.get(heading_key(cell)) or wanted.get(bare_key(cell))
        if ours in exact and heading_key(cell) not in wanted:
            continue
        if ours in columns:
            raise RecordsError(
                f"{name}: {grid.where} has two columns headed {cell!r} ({columns[ours] + 1} and {at + 1}). "
                "Rename the one that is not meant."
            )
        if ours is not None:
            columns[ours] = at
    return columns


def _require(
    name: str, grid: Grid, heads: tuple[int, list[str]], columns: dict[str, int], shop: Shop, alone: bool
) -> None:
    """Raise, with the lines to add to shop.toml, where a heading is missing that cannot be done without.

    heads: the number of the row of headings, and what it holds.
    """
    row, found = heads
    asked = [a for a in _lacking(name, columns, shop) if alone or a[0].startswith("headings")]
    if not asked:
        return
    free = {heading_key(h): h for at, h in enumerate(found) if h and at not in columns.values()}
    text = ", ".join(repr(looked_for) for _, _, looked_for in asked)
    taken = (
        f"Row {row} was read as the row of headings; its columns, each with an example, are"
        if row >= 0
        else "Its columns are"
    )
    raise RecordsError(
        f"{name}: {grid.where} lacks the heading{'s' if len(asked) > 1 else ''} {text}. Say in shop.toml what your sheet calls it:\n"
        f"{_lines_to_add(asked, free)}\n{taken} {_with_examples(grid, row, found)}."
    )


def _with_examples(grid: Grid, row: int, found: list[str]) -> str:
    """Headings with the first thing that stands under each, so that a person can tell which is meant."""
    body = grid.rows[max(row - grid.first_row, 0) + 1 :][:200]
    shown = []
    for at, heading in list(enumerate(found))[:30]:
        first = next((r[at].strip() for r in body if at < len(r) and r[at].strip()), "")
        shown += [f"{heading!r} ({first[:30]})" if first else repr(heading)] if heading else []
    return ", ".join(shown) or "no headings"


def _lines_to_add(asked: list[tuple[str, str, str]], free: dict[str, str]) -> str:
    """The lines for shop.toml that name the headings asked for; a heading is proposed only where it is nearly the word looked for."""
    lines: dict[str, list[str]] = {}
    for section, ours, looked_for in asked:
        near = _nearly(heading_key(looked_for), free)
        guess = free.pop(near[0]) if near else "one of these columns"
        key = ours if re.fullmatch(r"[\w-]+", ours) else f'"{ours}"'
        lines.setdefault(section, [f"[{section}]"]).append(f'{key} = "{guess}"')
    return "\n".join(line for section in lines.values() for line in section)


def _nearly(looked_for: str, free: Iterable[str]) -> list[str]:
    """The key of a heading that is nearly the one looked for, or begins like it; none where two are."""
    begin = list(filter(lambda key: key.startswith(looked_for) or looked_for.startswith(key), free))
    return begin if len(begin) == 1 else difflib.get_close_matches(looked_for, list(free), n=1, cutoff=_NEARLY)


def _lacking(name: str, columns: dict[str, int], shop: Shop) -> list[tuple[str, str, str]]:
    """Headings that are needed and not there: the section of shop.toml that names them, our name, the heading looked for."""
    spec = HEADINGS[name]
    missing = [h for h in spec.required if h not in columns]
    missing += [group[0] for group in spec.one_of if not any(h in columns for h in group)]
    asked = [(f"headings.{name}", h, shop.headings_of(name, h)[0]) for h in missing]
    if name != "builds":
        return asked
    for section, kind, named in (
        ("components", "component", shop.components),
        ("extra_columns", "extra", shop.extra_columns),
    ):
        asked += [(section, c, shop.headings_of(name, h)[0]) for c, h in named.items() if f"{kind}:{c}" not in columns]
    return asked


def _structure(
    body: list[Sequence[str]], cells: list[list[str]], lengths: np.ndarray, found: list[str], dates: list[int]
) -> pd.DataFrame:
    """Rows that are no record: cells run over, cells too long, totals, the headings again. One entry a row."""
    result = _run_over(body, lengths, len(found)) + _too_long(cells, found)
    result += _totals(cells, dates, len(body)) + _headings_again(body, cells, found) + _examples(body, cells)
    return entries_of(result).drop_duplicates("at").reset_index(drop=True)


def _run_over(body: list[Sequence[str]], lengths: np.ndarray, width: int) -> list[Entry]:
    remedy = "put quotes around the cell that holds the comma, or save the sheet as .xlsx"
    return [
        (at, "", "|".join(body[at])[:200], f"the row has {lengths[at]} cells under {width} headings: a comma inside a cell without quotes?", remedy, Issue.UNREAD)
        for at in np.flatnonzero(lengths > width).tolist()
        if "".join(body[at][width:]).strip()
    ]  # fmt: skip


def _too_long(cells: list[list[str]], found: list[str]) -> list[Entry]:
    return [
        (at, column, text[:200], f"a cell of {len(text):,} characters, more than a spreadsheet cell can hold", "clear or shorten the cell", Issue.UNREAD)
        for column, texts in zip(found, cells, strict=True)
        if max(map(len, texts), default=0) > LONGEST_CELL
        for at, text in enumerate(texts)
        if len(text) > LONGEST_CELL
    ]  # fmt: skip


def _examples(body: list[Sequence[str]], cells: list[list[str]]) -> list[Entry]:
    told = "the example row, not a record", "nothing to do, or delete it", Issue.NO_RECORD
    within = {at for texts in cells if EXAMPLE in texts for at, text in enumerate(texts) if text == EXAMPLE}
    beyond = {at for at, row in enumerate(body) if len(row) > len(cells) and is_example(row)}
    return [(at, "", "|".join(body[at])[:200], *told) for at in sorted(within | beyond)]


def _voided(cells: list[list[str]], found: list[str]) -> pd.DataFrame:
    """Notes on rows that say, under whatever heading, that they are void."""
    told = (
        "says that the row stands for nothing, but it is read",
        "cross the row out or delete it; nothing to do if the unit went out",
        Issue.VOID,
    )
    of_column = (
        (at, head, text[:200], *told)
        for head, texts in zip(found, cells, strict=False)
        for at, text in enumerate(texts)
        if _VOID.match(text)
    )
    return entries_of(list(of_column))


def _totals(cells: list[list[str]], dates: list[int], rows: int) -> list[Entry]:
    result: list[Entry] = []
    undated = np.ones(rows, bool)
    for dated in dates:
        undated &= _objects(cells[dated]) == ""
    rest = list(range(rows))
    for texts in cells:  # down the columns, following the rows that were blank so far
        for at in rest:
            match = _TOTALS_ROW.match(texts[at])
            if match and (undated[at] or _TOTALS_ONLY.match(texts[at])):
                told = "a totals row, not a record", "nothing to do", Issue.NO_RECORD
                result.append((at, "", texts[at][:200], *told))
        rest = [at for at in rest if not texts[at]]
        if not rest:
            break
    return result


def _headings_again(body: list[Sequence[str]], cells: list[list[str]], found: list[str]) -> list[Entry]:
    same = np.zeros(len(body), np.int64)
    for head, texts in zip(found, cells, strict=True):
        if head:
            same += _objects(texts) == head
    heads = sum(map(bool, found))
    again = np.flatnonzero((same >= 2) & (same >= heads // 2)).tolist()
    told = "the headings again, not a record", "nothing to do", Issue.NO_RECORD
    return [(at, "", "|".join(body[at])[:200], *told) for at in again]
