"""Comebacks written beside their build, in the same row: 'Came back', 'What broke', and again further right for the next one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from analytics.records.files import Grid

#: headings of returns that are of the row as a whole
_OF_ROW = ("serial", "notes")


def comebacks_beside(grid: Grid, start: int, columns: Mapping[str, Sequence[int]]) -> list[Grid]:
    """A page of builds as pages of returns: the first comebacks of its rows, the second ones, and so on; rows without one are left out.

    start: the place of the row of headings; columns: our heading of returns -> the places of the columns headed so.
    """
    own = {heading: places for heading, places in columns.items() if heading not in _OF_ROW}
    whole = {places[0] for heading, places in columns.items() if heading in _OF_ROW}
    most = max(map(len, own.values()), default=0)
    return [
        _of_turn(grid, start, {places[turn] for places in own.values() if turn < len(places)}, whole)
        for turn in range(most)
    ]


def _of_turn(grid: Grid, start: int, told: set[int], whole: set[int]) -> Grid:
    """The page with the columns told and those of the whole row alone, and with the rows alone that have something told."""
    rows: list[Sequence[str]] = [_alone(row, told | whole) for row in grid.rows]
    kept: list[Sequence[str]] = [
        row if at <= start or any(row[c] for c in told if c < len(row)) else [] for at, row in enumerate(rows)
    ]
    return replace(grid, rows=kept)


def _alone(row: Sequence[str], columns: set[int]) -> list[str]:
    return [cell.strip() if at in columns else "" for at, cell in enumerate(row)]
