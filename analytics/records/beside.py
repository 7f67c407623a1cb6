"""Comebacks written beside their build, in the same row: 'Came back', 'What broke', and again further right for the next one."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain, zip_longest

from analytics.records.files import Grid

#: headings of returns that are of the row as a whole
_OF_ROW = frozenset({"serial", "notes"})


def comebacks_beside(grid: Grid, start: int, columns: Mapping[str, Sequence[int]]) -> list[Grid]:
    """A page of builds as pages of returns: the first comebacks of its rows, the second ones, and so on; rows without one are left out.

    grid: the page; start: the place of its row of headings; columns: our heading of returns -> the places of the columns headed so.
    """
    whole = set(chain.from_iterable(columns[heading][:1] for heading in columns.keys() & _OF_ROW))
    own = [columns[heading] for heading in columns.keys() - _OF_ROW]
    return list(map(partial(_of_turn, grid, start, whole), zip_longest(*own)))


def _of_turn(grid: Grid, start: int, whole: set[int], turn: Sequence[int | None]) -> Grid:
    """The page with the columns of one turn and of the whole row alone, and with the rows alone that tell something under the former."""
    told = {*filter(lambda at: at is not None, turn)}
    heads, body = grid.rows[: start + 1], grid.rows[start + 1 :]
    rows = [*map(partial(_alone, whole | told), heads), *map(partial(_if_told, told, whole), body)]
    return replace(grid, rows=rows)


def _alone(columns: Collection[int | None], row: Sequence[str]) -> Sequence[str]:
    return [cell.strip() * (at in columns) for at, cell in enumerate(row)]


def _if_told(told: set[int | None], whole: set[int], row: Sequence[str]) -> Sequence[str]:
    return _alone(told | whole, row) if any(_alone(told, row)) else []
