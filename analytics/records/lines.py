"""Builds with a row for each part, as invoices and pick lists have them: put together, a row for each unit."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace

from analytics.records.files import Grid
from analytics.records.headings import heading_key


@dataclass(frozen=True, slots=True)
class LineColumns:
    """Places of the columns that hold the ``serial``, the ``component`` and its ``part``, of all columns ``read`` beside, which lines of one
    unit must agree on, and of those ``of_a_line`` alone, which say nothing of the unit: how many of the part went in."""

    serial: int
    component: int
    part: int
    read: frozenset[int]
    of_a_line: frozenset[int] = frozenset()


@dataclass(slots=True)
class _Unit:
    """A unit as its lines tell it: at, the place of its first; cells, by column; parts, by heading."""

    at: int
    cells: dict[int, str]
    parts: dict[str, str] = field(default_factory=dict)
    lines: int = 1

    def takes(self, cells: dict[int, str], heading: str, part: str, read: Collection[int]) -> bool:
        """Whether a line may be of it: what both say is the same, and the component has no other part yet."""
        alike = all(not cells[c] or not self.cells[c] or cells[c].casefold() == self.cells[c].casefold() for c in read)
        return alike and self.parts.get(heading, part) == part

    def add(self, cells: dict[int, str], heading: str, part: str) -> None:
        self.cells = {c: self.cells[c] or text for c, text in cells.items()}
        self.parts[heading] = part


def units_of_lines(
    grid: Grid, start: int, columns: LineColumns, named: Callable[[str], str] = str
) -> tuple[Grid, dict[int, int]]:
    """A page of builds with a row for each part as one with a row for each unit: a column more for each component, headed by its name.

    A unit stands in the row of its first line, with what its other lines say where that one is blank; those are blank then. A line without a
    serial goes on with the unit above. One that contradicts its unit, or is crossed out, stays a row of its own.

    grid: the page; start: the place of its row of headings; columns: the places of those that matter; named: the heading of a component as it is typed. Returns the lines of each unit too, by the
    place of its row.
    """
    width = max(map(len, grid.rows[start:]), default=0)
    struck = {at for at, _ in grid.struck}
    units: list[_Unit] = []
    of: dict[str, _Unit] = {}
    last: _Unit | None = None
    for at, row in enumerate(grid.rows[start + 1 :], start + 1):
        texts = [cell.strip() for cell in row] + [""] * (width - len(row))
        if not any(texts):
            continue
        cells = {c: text for c, text in enumerate(texts) if c not in (columns.component, columns.part)}
        heading, part = named(texts[columns.component]), texts[columns.part]
        serial, crossed_out = heading_key(texts[columns.serial]), at in struck
        unit = of.get(serial) if serial else last
        if unit is not None and not crossed_out and unit.takes(cells, heading, part, columns.read):
            line, unit.lines = unit, unit.lines + 1
        else:
            # what it does not say is as in its unit, so that what it contradicts is all that differs
            blank = {} if unit is None or crossed_out else unit.cells
            line = _Unit(at, {c: text or blank.get(c, "") for c, text in cells.items()})
            units.append(line)
            if unit is None and not crossed_out:
                unit = of[serial] = line
        line.add(cells, heading, part)
        last = unit  # none below a first line that is crossed out; past one that contradicts its unit, that unit
    return _laid_out(grid, start, columns, units, width), {unit.at: unit.lines for unit in units}


def _laid_out(grid: Grid, start: int, columns: LineColumns, units: Sequence[_Unit], width: int) -> Grid:
    headings = list(dict.fromkeys(h for unit in units for h in unit.parts if h))
    head = [*grid.rows[start], *[""] * (width - len(grid.rows[start]))]
    for at in (columns.component, columns.part, *columns.of_a_line):
        head[at] = ""
    rows: list[Sequence[str]] = [*grid.rows[:start], [*head, *headings]]
    by_row = {unit.at: unit for unit in units}
    for at in range(start + 1, len(grid.rows)):
        unit = by_row.get(at)
        rows.append(
            []
            if unit is None
            else [unit.cells.get(c, "") for c in range(width)] + [unit.parts.get(h, "") for h in headings]
        )
    return replace(grid, rows=rows)
