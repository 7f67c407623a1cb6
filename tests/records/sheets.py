"""Small shops written for a test: sheets as lists of rows, one CSV file each, invented parts."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from analytics.records.load import Records, load_records

COMPONENTS = '[components]\n"input shaft" = "shaft"\n"converter" = "conv"\n'
BUILD = {"serial": "T-100", "built_on": "2021-01-10", "in_service_on": "2021-01-20", "odometer_at_install": "10000"}
BUILD |= {"power": "650", "weight": "8200", "use": "towing", "shaft": "IS-A", "conv": "TC-1"}
RETURN = {"serial": "T-100", "failed_on": "2022-03-01", "returned_on": "2022-03-05", "component": "input shaft"}
RETURN |= {"odometer": "40000", "part": "IS-A", "finding": "broken", "cause": "part", "replaced_with": "IS-B"}


def build(**cells: str) -> dict[str, str]:
    """A row of builds, with what differs from BUILD."""
    return BUILD | cells


def back(**cells: str) -> dict[str, str]:
    """A row of returns, with what differs from RETURN."""
    return RETURN | cells


def to_csv(rows: list[dict[str, str]], headings: list[str] | None = None) -> str:
    """Rows as CSV text; the headings are all that any row has, in order of appearance."""
    heads = headings or list(dict.fromkeys(h for row in rows for h in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, heads, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def write_shop(folder: Path, toml: str = "", **sheets: list[dict[str, str]] | str) -> Path:
    """A shop's folder. A sheet is a list of rows, or the text of its CSV file; returns may be left out."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(COMPONENTS + toml, encoding="utf-8")
    sheets.setdefault("returns", to_csv([], list(RETURN)))
    for name, rows in sheets.items():
        text = rows if isinstance(rows, str) else to_csv(rows)
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def load(
    folder: Path, toml: str = "", as_of: str | None = "2024-12-31", **sheets: list[dict[str, str]] | str
) -> Records:
    """Write a shop and read it back."""
    return load_records(write_shop(folder, toml, **sheets), as_of=as_of)


def aside(records: Records) -> list[tuple[str, int, str, str]]:
    """Set-aside rows as (sheet, row, column, reason)."""
    return list(records.books.set_aside[["sheet", "row", "column", "reason"]].itertuples(index=False, name=None))


def checks(records: Records) -> list[tuple[str, int, str, str]]:
    """Cells to check as (sheet, row, column, reason)."""
    return list(records.books.to_check[["sheet", "row", "column", "reason"]].itertuples(index=False, name=None))
