"""A small shop with parts and measures, written for a test."""

from __future__ import annotations

from analytics.driveline.load import Loads, make_loads
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from tests.small_shop import TOML, build, write_shop

SHAFT = {"component": "input shaft", "part": "A", "outside_diameter": "1.22 in", "hardness": "40 HRC"}
SHAFT |= {"spline_root_diameter": "1.16 in", "length": "15 in", "stress_concentration": "2-3"}
LOCKUP = {"component": "converter", "part": "C", "faces": 2, "piston_area": "78 sq in"}
LOCKUP |= {"lining_outside_diameter": "11 in", "lining_inside_diameter": "9.4 in"}


def loads_of(folder, toml: str = "", **sheets) -> Loads:
    """Loads of a shop of sheets as lists of rows; a truck of 700 hp and 8,000 lb where none is given."""
    sheets.setdefault("builds", [build("T-111")])
    records = load_records(write_shop(folder, TOML + toml, **sheets))
    return make_loads(records, make_lifetimes(records))
