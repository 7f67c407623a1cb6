"""The four shops whose outputs are compared, each made anew from a fixed seed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from studies.simulate.demo import write_demo

ROOT = Path(__file__).parents[2]
SMALL = """[shop]
name = "{name} (invented)"
as_of = "2024-12-31"
[components]
"input shaft" = "input_shaft"
"converter" = "converter"
[units]
power = "{power}"
weight = "{weight}"
[targets]
miles = 50000
reliability = 0.9
confidence = 0.9
[costs]
comeback = 3000
[costs.parts]
"SH-1" = 400
"SH-2" = 900
{more}
"""


def _demo(folder: Path) -> None:
    shutil.copytree(ROOT / "data" / "demo", folder)


def _large(folder: Path) -> None:
    write_demo(folder, units=5_000, seed=77)


def _tiny(folder: Path) -> None:
    """Ten trucks, three failures, odometers, one published limit, one measured part."""
    days = pd.date_range("2021-02-01", periods=10, freq="73D").strftime("%Y-%m-%d")
    builds = [
        {
            "serial": f"Q-{101 + k}",
            "built_on": day,
            "odometer_at_install": 12_000 + 3_137 * k,
            "power": 480 + 35 * k,
            "weight": 6_100 + 290 * k,
            "use": ("towing", "street")[k % 2],
            "input_shaft": "SH-1" if k < 6 else "SH-2",
            "converter": "CV-1",
        }
        for k, day in enumerate(days)
    ]
    failed = ((5, 21_400, "2024-03-04", "input shaft"), (2, 38_900, "2024-08-19", "input shaft"))
    failed += ((8, 9_300, "2024-10-02", "converter"),)
    returns = [
        {
            "serial": builds[k]["serial"],
            "failed_on": day,
            "odometer": builds[k]["odometer_at_install"] + miles,
            "component": component,
            "finding": "broken",
            "cause": "part",
            "replaced_with": "CV-1" if component == "converter" else "SH-2",
            "cost": 2_900,
        }
        for k, miles, day, component in failed
    ]
    readings = [
        {"serial": b["serial"], "read_on": "2024-12-01", "odometer": b["odometer_at_install"] + 31_000 - 2_000 * k}
        for k, b in enumerate(builds)
        if k not in (5, 2, 8)
    ]
    parts = [{"component": "input shaft", "part": "SH-1", "outside_diameter": "1.22 in", "hardness": "40 HRC"}]
    sheets = {"builds": builds, "returns": returns, "readings": readings, "limits": _limits("700"), "parts": parts}
    _write(folder, SMALL.format(name="Tiny", power="hp", weight="lb", more=""), sheets)


def _no_odometer(folder: Path) -> None:
    """150 trucks of a shop in kW and kg that reads no odometers: ages in days alone, 17 failures."""
    rng = np.random.default_rng(20)
    days = pd.to_datetime("2020-01-01") + pd.to_timedelta(np.sort(rng.integers(0, 1_500, 150)), unit="D")
    power, weight = rng.uniform(250, 620, 150).round(), rng.uniform(2_700, 4_400, 150).round(-1)
    strong = power > 430
    life = 5_200 * (power / 450) ** -3 * rng.weibull(2.0, 150)
    end = pd.Timestamp("2024-12-31")
    builds = [
        {
            "serial": f"N-{k + 201}",
            "built_on": day.date(),
            "power": power[k],
            "weight": weight[k],
            "use": ("towing", "street", "street", "drag")[k % 4],
            "input_shaft": "SH-2" if strong[k] and k % 3 else "SH-1",
            "converter": "CV-1",
        }
        for k, day in enumerate(days)
    ]
    returns = [
        {
            "serial": builds[k]["serial"],
            "failed_on": (day + pd.Timedelta(days=life[k])).date(),
            "component": "converter" if k % 7 == 0 else "input shaft",
            "finding": ("broken", "twisted")[k % 2],
            "cause": "part",
            "replaced_with": "" if k % 3 else "CV-1" if k % 7 == 0 else "SH-2",
        }
        for k, day in enumerate(days)
        if day + pd.Timedelta(days=life[k]) < end
    ]
    # the full calibration is compared on the demo; here a short one keeps the quick set quick
    toml = SMALL.format(name="No odometers", power="kW", weight="kg", more="[ratings]\nreplicates = 20")
    _write(folder, toml, {"builds": builds, "returns": returns, "limits": _limits("450")})


def _limits(power: str) -> list[dict]:
    line = {"component": "input shaft", "part": "SH-1", "weight_up_to": "", "use": "", "power_limit": power}
    return [line | {"effective_on": "2020-01-01", "reason": "first guess"}]


def _write(folder: Path, toml: str, sheets: dict[str, list[dict]]) -> None:
    folder.mkdir(parents=True)
    (folder / "shop.toml").write_text(toml, encoding="utf-8")
    for name, rows in sheets.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


MAKERS: dict[str, Callable[[Path], None]] = {
    "tiny": _tiny,
    "no_odometer": _no_odometer,
    "demo": _demo,
    "large": _large,
}
