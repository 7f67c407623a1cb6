"""The demo's sheets behind the load: what its parts are made like, and what was measured on its trucks. Drawn from a stream
of their own, after the fleet, so that nothing else in the demo moves."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

import numpy as np
from scipy import constants

from studies.simulate.dirt import as_date
from studies.simulate.fleet import Fleet

_STREAM = 6
_LBFT = constants.hp * 60 / (2 * np.pi) / (constants.pound_force * constants.foot)  # lb·ft per hp at 1 rpm
#: invented, made so that strength by geometry goes in the order of the truth's strength by life
PARTS: dict[str, dict[str, object]] = {
    "IS-A": {"component": "input shaft", "material": "medium-carbon alloy", "pieces": 2, "hardness": "38-42 HRC"}
    | {"outside_diameter": "1.22 in", "length": "15.5 in", "stress_concentration": "2-3.5", "spline_teeth": 31}
    | {"spline_pitch_diameter": "1.29", "spline_root_diameter": "1.16", "spline_length": "1.4"}
    | {"spline_tooth_thickness": 0.065, "spline_tooth_depth": 0.042, "spline_fit": "fixed"},
    "IS-B": {"component": "input shaft", "material": "high-toughness alloy", "pieces": 1, "hardness": "47-49 HRC"}
    | {"outside_diameter": "1.22 in", "length": "15.5 in", "stress_concentration": "2-3.5", "spline_teeth": 31}
    | {"spline_pitch_diameter": "1.29", "spline_root_diameter": "1.16", "spline_length": "1.4"}
    | {"spline_tooth_thickness": 0.065, "spline_tooth_depth": 0.042, "spline_fit": "fixed"},
    "IS-C": {"component": "input shaft", "material": "high-toughness alloy", "pieces": 1, "hardness": "50-52 HRC"}
    | {"outside_diameter": "34 mm", "length": "15.5 in", "stress_concentration": "2-3.5", "spline_teeth": 33}
    | {"spline_pitch_diameter": "1.38", "spline_root_diameter": "1.25", "spline_length": "1.6"}
    | {"spline_tooth_thickness": 0.065, "spline_tooth_depth": 0.042, "spline_fit": "fixed"},
    "OS-A": {"component": "output shaft", "material": "medium-carbon alloy", "pieces": 1, "hardness": "40 HRC"}
    | {"outside_diameter": "1.62 in", "bore": "0.25 in", "length": "13 in", "stress_concentration": "2-3.5"},
    "OS-B": {"component": "output shaft", "material": "high-toughness alloy", "pieces": 1, "hardness": "50 HRC"}
    | {"outside_diameter": "1.85 in", "bore": "0.25 in", "length": "13 in", "stress_concentration": "2-3.5"},
    "CP-4": {"component": "clutch pack", "faces": 12, "piston_area": "18 sq in", "lining_outside_diameter": "6.4 in"}
    | {"lining_inside_diameter": "5.1 in", "lining_friction": "0.11-0.13", "return_spring": "180 lbf"}
    | {"torque_ratio": 0.55},
    "CP-5": {"component": "clutch pack", "faces": 16, "piston_area": "116 sq cm", "lining_outside_diameter": "6.4 in"}
    | {"lining_inside_diameter": "5.1 in", "lining_friction": "0.12-0.14", "return_spring": "180 lbf"}
    | {"torque_ratio": 0.55},
    "TC-1": {"component": "converter", "faces": 2, "piston_area": "78 sq in", "lining_outside_diameter": "11 in"}
    | {"lining_inside_diameter": "9.4 in", "release_area": "0.05 sq in"},
    "TC-2": {"component": "converter", "faces": 6, "piston_area": "78 sq in", "lining_outside_diameter": "11 in"}
    | {"lining_inside_diameter": "9.4 in", "release_area": "0.09 sq in"},
}
_HEADINGS = (
    "component", "part", "material", "pieces", "outside_diameter", "bore", "length", "hardness", "stress_concentration",
    "spline_teeth", "spline_pitch_diameter", "spline_root_diameter", "spline_length", "spline_tooth_thickness",
    "spline_tooth_depth", "spline_fit", "faces", "piston_area", "lining_outside_diameter", "lining_inside_diameter",
    "lining_friction", "return_spring", "release_area", "torque_ratio", "price",
)  # fmt: skip
_MEASURED = (
    "serial", "measured_on", "torque", "rpm", "stall_ratio", "axle_ratio", "tyre_diameter", "line_pressure",
    "converter_pressure",
)  # fmt: skip
ABUSED = "lockup clutch burnt"
#: share of trucks measured when built, of returned converters measured, and of those above 180 psi: burnt, others
MEASURED_SHARE, MEASURED_BACK, HIGH_BURNT, HIGH_OTHER = 0.35, 0.9, 0.7, 0.06


def load_sheets(fleet: Fleet, renamed: Mapping[str, str], prices: Mapping[str, float], seed: int) -> dict[str, bytes]:
    """parts.csv and conditions.csv of a ``fleet``. renamed: serial as drawn -> as written; prices: by part; seed: of what was measured."""
    parts = [{"part": p, **what, "price": f"${prices[p]:,}"} for p, what in PARTS.items()]
    rows = _conditions(fleet, renamed, np.random.default_rng([seed, _STREAM]))
    return {"parts.csv": _csv(_HEADINGS, parts), "conditions.csv": _csv(_MEASURED, rows)}


def _conditions(fleet: Fleet, renamed: Mapping[str, str], rng: np.random.Generator) -> list[dict[str, object]]:
    units, events = fleet.units, fleet.events
    back = events[events["reported"].astype(bool) & (events["component"] == "converter")]
    back = back[back["kind"] == "failure"].sort_values(["failed_day", "unit"], kind="stable")
    burnt = set(back.loc[back["finding"] == ABUSED, "unit"].astype(int))
    rows = []
    for i, unit in enumerate(units.itertuples()):
        # every unit draws alike, listed or not, so that one more or less does not move the others
        listed, stall, high = rng.random(), rng.choice([1.7, 1.8, 2.0]), rng.random()
        axle, tyre, line = rng.choice([3.42, 3.73, 4.1]), rng.choice([31, 33, 35]), rng.normal(185, 14)
        abused, calm = rng.uniform(184, 212), rng.uniform(132, 178)
        if unit.before_records:
            continue
        pressure = abused if high < (HIGH_BURNT if i in burnt else HIGH_OTHER) else calm
        serial = renamed.get(unit.serial, unit.serial)
        torque = unit.power_hp * _LBFT / unit.rpm
        if listed < MEASURED_SHARE:
            day = as_date(unit.service_day).isoformat()
            rows.append(
                {"serial": serial, "measured_on": day, "torque": f"{torque:.0f} lb ft", "rpm": f"{unit.rpm:.0f}"}
                | {"stall_ratio": stall, "axle_ratio": axle, "tyre_diameter": f"{tyre} in"}
                | {"line_pressure": f"{line:.0f}", "converter_pressure": f"{pressure:.0f} psi"}
            )
        elif i in burnt and listed < MEASURED_BACK:
            failed = back[back["unit"] == i].iloc[0]
            day = as_date(failed.returned_day).isoformat()
            rows.append(
                {"serial": serial, "measured_on": day, "line_pressure": f"{line:.0f}"}
                | {"converter_pressure": f"{pressure * constants.psi / constants.bar:.1f} bar"}
            )
    return rows


def _csv(headings: tuple[str, ...], rows: list[dict[str, object]]) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, headings, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode("utf-8")
