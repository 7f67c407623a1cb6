"""The second invented shop, for the load page: what the lives of each component run on is known, so each finding of the page can be right or
wrong. Every truck's torque, wheels, gears, converter and shifts are on record."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from datetime import date, timedelta

import numpy as np
from scipy import constants

from analytics.demo import WHAT_LOAD

TRUCKS, SEED = 400, 7
AS_OF, FIRST = date(2024, 12, 31), date(2019, 1, 7)
#: component -> what its lives run on, their exponent, and the scale in miles of a truck in the middle
TRUTH = {
    "input shaft": ("torque", 6.0, 500_000.0),
    "clutch pack": ("heat", 3.0, 300_000.0),
    "converter": ("power", 5.0, 300_000.0),
}
SHAPE = 2.0
PARTS = {"input shaft": "S-1", "clutch pack": "P-1", "converter": "C-1"}
_FINDING = {"input shaft": "broken at the notch", "clutch pack": "burnt", "converter": "turbine worn"}
#: what a shift slows, kg m² by rad/s, and share of the engine's torque at stall: not on record, and alike for all
_INERTIA, _DROP, _AT_STALL = 0.9, 1100 * 2 * np.pi / 60, 0.7
_LBFT = constants.pound_force * constants.foot
_TOML = f"""# The shop, its parts and every figure in these files are invented.
[shop]
name = "Example Load Works (invented)"
as_of = "{AS_OF}"
[components]
"input shaft" = "input_shaft"
"clutch pack" = "clutch_pack"
"converter" = "converter"
[weight]
classes = [7500, 9000]
[targets]
miles = 50000
reliability = 0.9
confidence = 0.9
"""
_MADE = """component,part,outside_diameter,spline_root_diameter,hardness,stress_concentration,faces,piston_area,lining_outside_diameter,lining_inside_diameter,lining_friction,return_spring,torque_ratio
input shaft,S-1,1.22 in,1.16 in,45 HRC,2-3,,,,,,,
clutch pack,P-1,,,,,16,18 sq in,6.4 in,5.1 in,0.11-0.13,180 lbf,1
converter,C-1,,,,,6,78 sq in,11 in,9.4 in,0.11-0.13,,
"""


def load_demo_files(seed: int = SEED, trucks: int = TRUCKS) -> dict[str, bytes]:
    """The files of the shop by name; same ``seed`` and ``trucks``, same bytes."""
    rng = np.random.default_rng([seed, 72])
    power = np.exp(rng.normal(np.log(620), 0.24, trucks)).round()
    rpm, shift = (
        rng.uniform(2300, 3500, trucks).round(),
        np.exp(rng.uniform(np.log(0.15), np.log(0.8), trucks)).round(2),
    )
    stall, wheels = rng.uniform(1.6, 2.2, trucks).round(2), rng.choice([2, 4], trucks)
    weight, built = rng.uniform(5500, 9500, trucks).round(-1), rng.integers(0, 1900, trucks)
    a_day = np.exp(rng.normal(np.log(40), 0.4, trucks))
    first, top = rng.choice([2.8, 3.1, 3.4], trucks), rng.choice([0.65, 0.7, 0.8], trucks)
    torque = power * constants.hp / (rpm * 2 * np.pi / 60) / _LBFT
    at_shaft = torque * np.maximum(stall * _AT_STALL, 1.0)
    heat = (torque * _LBFT * shift + _INERTIA * _DROP) * _DROP / 2
    of = {"torque": at_shaft / 1500, "heat": heat / 45_000, "power": power / 650}
    builds, back, readings = [], [], []
    for i in range(trucks):
        serial, start = f"L-{i:04d}", FIRST + timedelta(int(built[i]))
        seen = int((AS_OF - start).days * a_day[i])
        builds.append(
            {"serial": serial, "built_on": start, "odometer_at_install": 0, "power": f"{power[i]:.0f} hp"}
            | {"weight": f"{weight[i]:.0f} lb", "use": "towing" if weight[i] > 7500 else "street"}
            | {"torque": f"{torque[i]:.0f} lb ft", "stall_ratio": stall[i], "driven_wheels": wheels[i]}
            | {"first_gear": first[i], "overdrive": top[i], "shift_time": f"{shift[i]} s", "axle_ratio": 3.73}
            | {
                "tyre_diameter": "33 in",
                "launch": "rolling",
                "input_shaft": "S-1",
                "clutch_pack": "P-1",
                "converter": "C-1",
            }
        )
        for component, (runs_on, exponent, scale) in TRUTH.items():
            miles = 0.0
            while (miles := miles + scale * of[runs_on][i] ** -exponent * rng.weibull(SHAPE)) < seen:
                on = start + timedelta(int(miles / a_day[i]))
                back.append(
                    {
                        "serial": serial,
                        "failed_on": on,
                        "odometer": int(miles),
                        "component": component,
                        "part": PARTS[component],
                    }
                    | {
                        "finding": _FINDING[component],
                        "order": "first",
                        "cause": "part",
                        "replaced_with": PARTS[component],
                    }
                )
        readings.append({"serial": serial, "read_on": AS_OF, "odometer": seen})
    back.sort(key=lambda row: (row["failed_on"], row["serial"], row["component"]))
    return {
        "README.md": _readme(trucks, seed).encode(),
        "builds.csv": _csv(builds),
        "parts.csv": _MADE.encode(),
        "readings.csv": _csv(readings),
        "returns.csv": _csv(back),
        "shop.toml": _TOML.encode(),
        "truth.json": (json.dumps(_truth(trucks, seed), indent=1) + "\n").encode(),
    }


def _truth(trucks: int, seed: int) -> dict[str, object]:
    return {
        "what": WHAT_LOAD,
        "trucks": trucks,
        "seed": seed,
        "life": "Weibull, its scale falling as what it runs on to the exponent",
        "shape": SHAPE,
        "components": {c: {"runs_on": on, "exponent": k, "scale_miles": s} for c, (on, k, s) in TRUTH.items()},
    }


def _csv(rows: Iterable[dict[str, object]]) -> bytes:
    rows = list(rows)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def _readme(trucks: int, seed: int) -> str:
    told = {"torque": "torque at the notch, so at the shaft", "heat": "heat of a full-throttle shift", "power": "power"}
    rows = "\n".join(f"| {c} | {PARTS[c]} | {told[on]} | {k:g} |" for c, (on, k, _) in TRUTH.items())
    return f"""# The load demo

Everything in this folder is invented: the shop, its trucks, its parts and every figure. It was drawn by a simulator
({trucks} trucks, seed {seed}), so what the lives of each component run on is known:

| component | part | its lives run on | to the power of |
|---|---|---|---|
{rows}

`python -m analytics load data/demo_load` says what explains the returns of each: hold it against this table. Torque,
converter, wheels, gears and shift time of every truck are on record, so little is taken for granted.

To write it again, byte for byte: `python -m studies demo DIR --load --units {trucks} --seed {seed}` in a checkout.
"""
