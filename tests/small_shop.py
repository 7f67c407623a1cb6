"""A small shop for tests, written with a few lines."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

TOML = '[shop]\nname = "Small"\nas_of = "2024-03-31"\n[components]\n"input shaft" = "input_shaft"\n"converter" = "converter"\n'


def write_shop(folder: Path, toml: str = TOML, **sheets: list[dict]) -> Path:
    """Sheets as CSV beside a shop.toml. builds and returns are written even when empty."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(toml, encoding="utf-8")
    empty = {
        "builds": ["serial", "built_on", "input_shaft", "converter"],
        "returns": ["serial", "failed_on", "component"],
    }
    for name in {**empty, **sheets}:
        rows = sheets.get(name, [])
        frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=empty.get(name, ["serial"]))
        frame.to_csv(folder / f"{name}.csv", index=False)
    return folder


def build(serial: str, day: str = "2022-01-01", power: object = 700, weight: object = 8000, **more: object) -> dict:
    return {
        "serial": serial,
        "built_on": day,
        "odometer_at_install": 0,
        "power": power,
        "weight": weight,
        "use": "street",
        "input_shaft": "A",
        "converter": "C",
        **more,
    }


def returned(serial: str, day: str, component: str = "input shaft", cause: str = "part", **more: object) -> dict:
    return {
        "serial": serial,
        "failed_on": day,
        "returned_on": day,
        "component": component,
        "cause": cause,
        "finding": "broken",
        **more,
    }


def rateable_shop(folder: Path) -> Path:
    """60 trucks, 8 shafts failed at known miles, 50 odometers read; quick settings for the ratings."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight=6500 + 15 * k) for k in range(60)]
    back = [
        returned(builds[59 - k]["serial"], f"2022-{1 + k:02d}-15", miles_in_service=30_000 + 1500 * k) for k in range(8)
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds[:50]]
    toml = TOML + "[ratings]\nreplicates = 0\nreporting_share = 1.0\n"
    return write_shop(folder, toml, builds=builds, returns=back, readings=readings)
