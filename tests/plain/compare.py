"""The package's tables against those of the plain reckoning, row by row."""

from __future__ import annotations

import csv
import io
import math

import pandas as pd

RELATIVE = 1e-9


def rows_of(frame: pd.DataFrame) -> list[dict[str, str]]:
    """The rows of a table as its CSV file holds them."""
    text = io.StringIO()
    frame.to_csv(text, index=False, date_format="%Y-%m-%d")
    return list(csv.DictReader(io.StringIO(text.getvalue())))


def value(cell: object) -> object:
    """A cell for comparison: a number where it is one, "" for nothing."""
    if isinstance(cell, bool):
        return str(cell)
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return ""
    try:
        return float(cell)
    except (TypeError, ValueError):
        return str(cell)


def same(one: object, two: object, column: str = "") -> bool:
    if isinstance(one, float) and isinstance(two, float) and math.isfinite(one) and math.isfinite(two):
        whole = one == int(one) and two == int(two)
        # what ends in a five at the seventh place may be rounded to either side
        last = 1.1e-6 if column == "time" or column.endswith(("_miles", "_runs")) else 0.0
        return one == two if whole else abs(one - two) <= max(RELATIVE * max(abs(one), abs(two), 1e-3), last)
    return one == two


def _order(item: dict, keys: list[str]) -> tuple:
    told = [value(item[key]) for key in keys]
    return tuple((isinstance(t, str), round(t, 6) if isinstance(t, float) and math.isfinite(t) else t) for t in told)


def differences(got: list[dict], should: list[dict], keys: list[str], columns: list[str] | None = None) -> list[str]:
    """What differs between two tables, in words; ``keys`` put the rows in order, ``columns`` are compared (default: all)."""
    columns = columns or list(should[0] if should else got[0] if got else [])
    got, should = (sorted(rows, key=lambda row: _order(row, keys)) for rows in (got, should))
    if len(got) != len(should):
        named = [{_order(row, keys[:6]) for row in rows} for rows in (got, should)]
        return [
            f"{len(got)} rows came where there should be {len(should)}: came alone {sorted(map(str, named[0] - named[1]))}, missing {sorted(map(str, named[1] - named[0]))}"
        ]
    found = []
    for one, two in zip(got, should, strict=True):
        bad = [c for c in columns if not same(value(one[c]), value(two[c]), c)]
        if bad:
            where = ", ".join(str(two[key]) for key in keys[:6])
            found.append(f"{where}: " + "; ".join(f"{c} came {one[c]!r}, should be {two[c]!r}" for c in bad))
    return found
