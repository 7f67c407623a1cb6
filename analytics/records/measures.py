"""Sizes, areas, pressures, torques, stresses and hardness in a cell, in the trade's units."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import constants

from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.words import choose

#: a year with its share of a leap day
DAYS_A_YEAR = 365.25
DAYS_A_MONTH = DAYS_A_YEAR / 12
#: uses of trucks that race or pull, and come on trailers
COMPETITION = ("drag", "sled")
_IN, _PSI, _LBFT = constants.inch, constants.psi, constants.pound_force * constants.foot
_NOTHING: dict[str, str] = {}

LENGTH = cells.Quantity(
    "length",
    {"in": 1.0, "in.": 1.0, "inch": 1.0, "inches": 1.0, '"': 1.0, "mm": 1e-3 / _IN, "cm": 1e-2 / _IN, "m": 1 / _IN},
    "in", 0, 200, _NOTHING, "in, mm", "1.25 in or 31.75 mm",
)  # fmt: skip
AREA = cells.Quantity(
    "area",
    {"sqin": 1.0, "in²": 1.0, "sqmm": 1e-6 / _IN**2, "mm²": 1e-6 / _IN**2, "sqcm": 1e-4 / _IN**2, "cm²": 1e-4 / _IN**2},
    "sq in", 1e-4, 500, _NOTHING, "sq in, sq mm, sq cm", "14.5 sq in or 93.5 sq cm",
)  # fmt: skip
PRESSURE = cells.Quantity(
    "pressure",
    {"psi": 1.0, "bar": constants.bar / _PSI, "kpa": 1e3 / _PSI, "mpa": 1e6 / _PSI},
    "psi", 1, 2000, _NOTHING, "psi, bar, kPa", "185 psi or 12.8 bar",
)  # fmt: skip
TORQUE = cells.Quantity(
    "torque",
    {"lbft": 1.0, "nm": 1 / _LBFT},
    "lb ft", 10, 20_000, _NOTHING, "lb ft, N m", "1,200 lb ft or 1,630 N m",
)  # fmt: skip
STRESS = cells.Quantity(
    "stress",
    {"ksi": 1.0, "psi": 1e-3, "mpa": 1e6 / (1000 * _PSI), "gpa": 1e9 / (1000 * _PSI)},
    "ksi", 20, 500, _NOTHING, "ksi, MPa", "250 ksi or 1,720 MPa",
)  # fmt: skip
HARDNESS = cells.Quantity(
    "hardness", {"hrc": 1.0, "rc": 1.0}, "HRC", 5, 70, _NOTHING, "HRC", "50 HRC or 48-52 HRC"
)  # fmt: skip
FORCE = cells.Quantity(
    "force",
    {"lbf": 1.0, "lb": 1.0, "lbs": 1.0, "n": 1 / constants.pound_force, "kn": 1000 / constants.pound_force},
    "lbf", 0, 20_000, _NOTHING, "lbf, N", "150 lbf or 670 N",
)  # fmt: skip
TIME = cells.Quantity(
    "time", {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3}, "s", 0.02, 5, _NOTHING, "s, ms", "0.4 s or 400 ms"
)
TEMPERATURE = cells.Quantity(
    "temperature", {"f": 1.0}, "F", 100, 400, _NOTHING, "F, C", "200 F or 93 C"
)  # fmt: skip

_WORDS = (
    (re.compile(r"\bsq(?:uare)?\.?\s*(in|mm|cm)\b\.?", re.IGNORECASE), r"sq\1"),
    (re.compile(r"\b(?:lbs?|lbf|ft)\.?[\s·⋅*-]*(?:ft|lbs?|lbf)\b\.?", re.IGNORECASE), "lbft"),
    (re.compile(r"\bn[\s·⋅*-]*m\b", re.IGNORECASE), "nm"),
    (re.compile(r"(\d+(?:\.\d+)?)\s*°?\s*c$", re.IGNORECASE), lambda m: f"{1.8 * float(m[1]) + 32:.4f} f"),
    (re.compile(r"°\s*f$", re.IGNORECASE), "f"),
)


@dataclass(frozen=True, slots=True)
class Measure:
    """A heading that holds an amount: its kind (None: a plain number from low to high) and our name for the column.

    words: in place of an amount, words that stand for a figure each, with what else people write for them.
    """

    heading: str
    column: str
    kind: cells.Quantity | None = None
    low: float = 0.0
    high: float = 0.0
    words: Mapping[str, tuple[float, tuple[str, ...]]] | None = None


def _worded(sheet: Sheet, what: Measure, own: dict[str, list[str]]) -> None:
    """Read one column of words that stand for a figure."""
    words = what.words or {}
    said = choose(sheet.text(what.heading), {ours: others for ours, (_, others) in words.items()}, own)
    remedy = f"write one of {', '.join(words)}"
    sheet.doubt(said["problem"] != "", what.heading, said["problem"] + ": taken as unknown", remedy)
    figure = said["value"].map({ours: value for ours, (value, _) in words.items()}).astype(float)
    for end in ("", "_low", "_high"):
        sheet.values[f"{what.column}{end}"] = figure


def measure(sheet: Sheet, what: Measure, unit: str, own: dict[str, list[str]] | None = None) -> None:
    """Read one column of amounts into value, ``_low`` and ``_high``; what cannot be read is unknown and listed.

    ``unit``: what a bare number means; own: the shop's words for ours, where the column holds words. A range keeps both ends: unknowns are carried, not guessed.
    sheet: it stands in. what: is measured.
    """
    if what.heading not in sheet.raw.table:
        sheet.values[[f"{what.column}{end}" for end in ("", "_low", "_high")]] = np.nan
        return
    if what.words is not None:
        _worded(sheet, what, own or {})
        return
    kind, bare = what.kind, "".join(unit.split())
    if kind is None:
        name, example = f"number ({what.heading.replace('_', ' ')})", f"{what.low:g} to {what.high:g}"
        kind, bare = (
            cells.Quantity(name, {"": 1.0, "rpm": 1.0}, "", what.low, what.high, _NOTHING, "no unit", example),
            "",
        )

    def one(text: str) -> tuple:
        for pattern, plain in _WORDS:
            text = pattern.sub(plain, text)
        return cells.parse_quantity(text, kind, bare)

    parsed = cells.by_distinct(sheet.text(what.heading), one, cells.QUANTITY_COLUMNS)
    parsed = parsed.astype({"value": float, "low": float, "high": float})
    remedy = parsed["remedy"] if what.kind is not None else f"write a plain number from {what.low:,g} to {what.high:,g}"
    sheet.doubt(parsed["problem"] != "", what.heading, parsed["problem"] + ": taken as unknown", remedy)
    sheet.values[what.column] = parsed["value"]
    sheet.values[f"{what.column}_low"], sheet.values[f"{what.column}_high"] = parsed["low"], parsed["high"]
