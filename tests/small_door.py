"""Shops that the tests and the examples of the door ask."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pandas as pd

from tests.small_shop import TOML, build, returned, write_shop

COSTS = (
    '[costs]\ncomeback = 4000\n[costs.parts]\n"A" = 400\n"B" = 800\n[ratings]\nreplicates = 0\nreporting_share = 1.0\n'
)


def two_parts(folder: Path) -> Path:
    """80 trucks with shaft A or B, 14 shafts come back, 60 odometers read; a shaft's measures, costs, quick settings."""
    builds = [
        build(
            f"T-{k:03d}XY",
            f"{2020 + k % 3}-0{1 + k % 9}-05",
            power=450 + 8 * k,
            weight=6500 + 37 * (k * 7 % 80),
            input_shaft="AB"[k % 2],
        )
        for k in range(80)
    ]
    back = [
        returned(builds[79 - 2 * k]["serial"], f"2023-{1 + k % 12:02d}-15", miles_in_service=22_000 + 900 * k)
        for k in range(5)
    ] + [
        returned(builds[78 - 2 * k]["serial"], f"2023-{1 + k % 12:02d}-20", miles_in_service=18_000 + 900 * k)
        for k in range(9)
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 52_000} for b in builds[:60]]
    parts = [
        {"component": "input shaft", "part": part, "outside_diameter": size, "hardness": "40 HRC"}
        for part, size in (("A", "1.2 in"), ("B", "1.35 in"))
    ]
    return write_shop(folder, TOML + COSTS, builds=builds, returns=back, readings=readings, parts=parts)


def frames_of(folder: Path) -> tuple[dict[str, pd.DataFrame], dict]:
    """The sheets of a folder of CSV files as frames, every cell the text that was typed; and its settings."""
    frames = {p.stem: pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted(folder.glob("*.csv"))}
    return frames, tomllib.loads((folder / "shop.toml").read_text(encoding="utf-8"))
