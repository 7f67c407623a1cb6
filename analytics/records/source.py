"""Grids of text to sheets with our headings. Every cell stays the text the shop typed, with its file, sheet and row."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import RecordsError
from analytics.reasons import Issue
from analytics.records.files import HEADING_SEARCH, Grid, find_grid
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.shop import SheetPlace, Shop

#: what a spreadsheet cell can hold; a longer one is a file gone wrong
LONGEST_CELL = 32_767
_TOTAL = r"^\W*(?:(?:grand|sub)[\s-]*)?(?:totals?|sum)\b"
_TOTALS_ROW = re.compile(_TOTAL, re.IGNORECASE)
_TOTALS_ONLY = re.compile(_TOTAL + r"\W*$", re.IGNORECASE)


@dataclass(slots=True)
class RawSheet:
    """One sheet as text, blank rows left out.

    ``table`` has one object column of text per heading of ours that was found ("" where blank); ``row`` is the row a
    person sees in the file, shape (rows,). ``structure``: rows that are no records, columns at (position in ``table``),
    column, raw, reason, remedy.
    """

    name: str
    file: str
    sheet: str
    table: pd.DataFrame
    row: np.ndarray
    structure: pd.DataFrame
    unused_columns: tuple[str, ...]
    #: our heading -> the heading in the file
    typed: dict[str, str]


def read_sheets(shop: Shop) -> dict[str, RawSheet]:
    """Read every sheet the folder holds.

    Raises RecordsError where builds or returns is missing, a file cannot be read, is there twice, or lacks a required
    heading.
    """
    sheets = {}
    for name in HEADINGS:
        wanted = _wanted(name, shop)
        grid = find_grid(name, shop, wanted.keys())
        if grid is not None:
            sheets[name] = _to_sheet(name, grid, wanted, shop)
    for name in ("builds", "returns"):
        if name not in sheets:
            there = ", ".join(sorted(p.name for p in shop.folder.iterdir() if p.is_file())) or "nothing"
            raise RecordsError(
                f"{shop.folder.name}: no sheet '{name}'. Found: {there}. Name the file {name}.csv (or .xlsx, .parquet), "
                f'or say where it is in shop.toml:\n[sheets.{name}]\nfile = "your file.xlsx"\nsheet = "its sheet"'
            )
    return sheets


def _wanted(name: str, shop: Shop) -> dict[str, str]:
    """Key of the heading in the file -> our heading."""
    mapped = shop.headings.get(name, {})
    pairs = [(mapped.get(h, h), h) for h in HEADINGS[name].known]
    if name == "builds":
        pairs += [(mapped.get(h, h), f"component:{c}") for c, h in shop.components.items()]
        pairs += [(mapped.get(h, h), f"extra:{c}") for c, h in shop.extra_columns.items()]
    wanted: dict[str, str] = {}
    for theirs, ours in pairs:
        other = wanted.setdefault(heading_key(theirs), ours)
        if other != ours:
            one, two = (o.removeprefix("component:").removeprefix("extra:") for o in (other, ours))
            raise RecordsError(
                f"{name}: shop.toml gives the heading {theirs!r} to both {one!r} and {two!r}. Give each its own."
            )
    return wanted


def _to_sheet(name: str, grid: Grid, wanted: dict[str, str], shop: Shop) -> RawSheet:
    rows = grid.rows
    if name != "builds" and not any(cell.strip() for row in rows for cell in row):
        return _empty(name, grid)
    start = _heading_row(name, grid, wanted, shop)
    found = [cell.strip() for cell in rows[start]]
    columns = _columns(name, grid, found, wanted)
    _require(name, grid, start + grid.first_row, found, columns, shop)
    width = len(found)
    while width and not found[width - 1]:
        width -= 1
    body, number, lengths = _filled_rows(rows[start + 1 :], start + 1 + grid.first_row, width)
    cells = [[text.strip() for text in column] for column in zip(*body, strict=False)][:width] or [[]] * width
    dates = [columns[h] for h in HEADINGS[name].dates if h in columns]
    structure = _structure(body, cells, lengths, found[:width], dates)
    table = pd.DataFrame(
        {ours: _objects(cells[at]) for ours, at in columns.items()}, index=pd.RangeIndex(len(body)), dtype=object
    )
    unused = tuple(c for at, c in enumerate(found) if c and at not in columns.values())
    return RawSheet(
        name, grid.file, grid.sheet, table, number, structure, unused, {ours: found[at] for ours, at in columns.items()}
    )


def _heading_row(name: str, grid: Grid, wanted: dict[str, str], shop: Shop) -> int:
    """The row stated, else the first of those with most known headings; counted from 0."""
    rows = grid.rows
    start = shop.places.get(name, SheetPlace()).skip_rows
    if start is None:
        scores = [len({heading_key(c) for c in row} & wanted.keys()) for row in rows[:HEADING_SEARCH]]
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
    """Rows that hold anything, no narrower than ``width``; their numbers, counted from ``first``; their lengths as typed."""
    filled = np.fromiter((bool("".join(row).strip()) for row in rows), bool, len(rows))
    body = [row for row, some in zip(rows, filled, strict=True) if some]
    lengths = np.fromiter(map(len, body), np.int64, len(body))
    for at in np.flatnonzero(lengths < width):
        body[at] = [*body[at], *[""] * (width - len(body[at]))]
    return body, np.flatnonzero(filled) + first, lengths


def _empty(name: str, grid: Grid) -> RawSheet:
    table = pd.DataFrame(index=pd.RangeIndex(0))
    return RawSheet(
        name, grid.file, grid.sheet, table, np.zeros(0, np.int64), _structure([], [], np.zeros(0), [], []), (), {}
    )


def _objects(cells: list[str]) -> np.ndarray:
    array = np.empty(len(cells), dtype=object)
    array[:] = cells
    return array


def _columns(name: str, grid: Grid, found: list[str], wanted: dict[str, str]) -> dict[str, int]:
    """Our heading -> position of its column."""
    columns: dict[str, int] = {}
    for at, cell in enumerate(found):
        ours = wanted.get(heading_key(cell))
        if ours in columns:
            raise RecordsError(
                f"{name}: {grid.where} has two columns headed {cell!r} ({columns[ours] + 1} and {at + 1}). "
                "Rename the one that is not meant."
            )
        if ours is not None:
            columns[ours] = at
    return columns


def _require(name: str, grid: Grid, row: int, found: list[str], columns: dict[str, int], shop: Shop) -> None:
    """Raise, with the lines to add to shop.toml, where a heading is missing that cannot be done without."""
    asked = _lacking(name, columns, shop)
    if not asked:
        return
    free = {heading_key(h): h for at, h in enumerate(found) if h and at not in columns.values()}
    lines: dict[str, list[str]] = {}
    for section, ours, looked_for in asked:
        near = difflib.get_close_matches(heading_key(looked_for), list(free), n=1, cutoff=0.4)
        guess = free.pop(near[0]) if near else "the heading in your sheet"
        key = ours if re.fullmatch(r"[\w-]+", ours) else f'"{ours}"'
        lines.setdefault(section, [f"[{section}]"]).append(f'{key} = "{guess}"')
    text = ", ".join(repr(looked_for) for _, _, looked_for in asked)
    shown = ", ".join(repr(h) for h in [h for h in found if h][:30]) or "no headings"
    remedy = "\n".join(line for section in lines.values() for line in section)
    taken = f"Row {row} was read as the row of headings and holds" if row >= 0 else "Its columns are"
    raise RecordsError(
        f"{name}: {grid.where} lacks the heading{'s' if len(asked) > 1 else ''} {text}. {taken} {shown}. Say in shop.toml what your sheet calls it:\n{remedy}"
    )


def _lacking(name: str, columns: dict[str, int], shop: Shop) -> list[tuple[str, str, str]]:
    """Headings that are needed and not there: the section of shop.toml that names them, our name, the heading looked for."""
    spec, mapped = HEADINGS[name], shop.headings.get(name, {})
    missing = [h for h in spec.required if h not in columns]
    missing += [group[0] for group in spec.one_of if not any(h in columns for h in group)]
    asked = [(f"headings.{name}", h, mapped.get(h, h)) for h in missing]
    if name != "builds":
        return asked
    for section, kind, named in (
        ("components", "component", shop.components),
        ("extra_columns", "extra", shop.extra_columns),
    ):
        asked += [(section, c, mapped.get(h, h)) for c, h in named.items() if f"{kind}:{c}" not in columns]
    return asked


def _structure(
    body: list[Sequence[str]], cells: list[list[str]], lengths: np.ndarray, found: list[str], dates: list[int]
) -> pd.DataFrame:
    """Rows that are no record: cells run over, cells too long, totals, the headings again. One entry a row."""
    width = len(found)
    result: list[tuple[int, str, str, str, str, Issue]] = []
    for at in np.flatnonzero(lengths > width).tolist():
        if "".join(body[at][width:]).strip():
            reason = f"the row has {lengths[at]} cells under {width} headings: a comma inside a cell without quotes?"
            remedy = "put quotes around the cell that holds the comma, or save the sheet as .xlsx"
            result.append((at, "", "|".join(body[at])[:200], reason, remedy, Issue.UNREAD))
    for column, texts in zip(found, cells, strict=True):
        if max(map(len, texts), default=0) > LONGEST_CELL:
            for position, text in enumerate(texts):
                if len(text) > LONGEST_CELL:
                    reason = f"a cell of {len(text):,} characters, more than a spreadsheet cell can hold"
                    remedy = "clear or shorten the cell"
                    result.append((position, column, text[:200], reason, remedy, Issue.UNREAD))
    undated = np.ones(len(body), bool)
    for dated in dates:
        undated &= _objects(cells[dated]) == ""
    rest = list(range(len(body)))
    for texts in cells:  # down the columns, following the rows that were blank so far
        for at in rest:
            match = _TOTALS_ROW.match(texts[at])
            if match and (undated[at] or _TOTALS_ONLY.match(texts[at])):
                told = "a totals row, not a record", "nothing to do", Issue.NO_RECORD
                result.append((at, "", texts[at][:200], *told))
        rest = [at for at in rest if not texts[at]]
        if not rest:
            break
    same = np.zeros(len(body), np.int64)
    for head, texts in zip(found, cells, strict=True):
        if head:
            same += _objects(texts) == head
    heads = sum(map(bool, found))
    for at in np.flatnonzero((same >= 2) & (same >= heads // 2)).tolist():
        told = "the headings again, not a record", "nothing to do", Issue.NO_RECORD
        result.append((at, "", "|".join(body[at])[:200], *told))
    frame = pd.DataFrame(result, columns=["at", "column", "raw", "reason", "remedy", "kind"])
    return frame.astype({"at": np.int64}).drop_duplicates("at").reset_index(drop=True)
