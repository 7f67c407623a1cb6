"""Published field data, typed into sheets as a shop would keep them."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd

AS_OF = dt.date(2024, 12, 31)


def _write(folder: Path, component: str, **sheets: list[dict]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(
        f'[shop]\nname = "Published data"\nas_of = "{AS_OF}"\n[components]\n"{component}" = "{component}"\n'
    )
    for name, rows in sheets.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
    return folder


def _ago(days: float) -> dt.date:
    return AS_OF - dt.timedelta(days=int(days))


def shock_absorbers(data: pd.DataFrame, folder: Path) -> Path:
    """O'Connor 1985: 38 vehicle shock absorbers, km to failure by two findings, or to the last look."""
    builds, returns, readings = [], [], []
    for i, row in enumerate(data.itertuples(), 1):
        serial, days = f"SA-{i:03d}", row.km / 40  # about 15,000 km a year
        builds.append(
            {"serial": serial, "built_on": _ago(1000), "odometer_at_install": 0, "shock absorber": "as built"}
        )
        day, km = _ago(1000 - days), f"{row.km:,} km"
        if row.mode:
            returns.append(
                {
                    "serial": serial,
                    "failed_on": day,
                    "miles_in_service": km,
                    "component": "Shock absorber",
                    "finding": f"mode {row.mode}",
                    "cause": "part",
                }
            )
        else:
            readings.append({"serial": serial, "read_on": day, "odometer": km})
    return _write(folder, "shock absorber", builds=builds, returns=returns, readings=readings)


def vehicle_miles(data: pd.DataFrame, folder: Path) -> Path:
    """Krivtsov and Case 1999: 31 vehicles, miles to failure or to the last look."""
    builds, returns, readings = [], [], []
    for i, row in enumerate(data.itertuples(), 1):
        serial, day = f"V{i:02d}-CAR", _ago(4000 - row.miles / 40)
        builds.append({"serial": serial, "built_on": _ago(4000), "odometer_at_install": "12 mi", "part": "as built"})
        if row.failed:
            returns.append(
                {
                    "serial": serial,
                    "returned_on": day,
                    "odometer": f"{row.miles + 12:,}",
                    "component": "part",
                    "cause": "part",
                }
            )
        else:
            readings.append({"serial": serial, "read_on": day, "odometer": row.miles + 12})
    return _write(folder, "part", builds=builds, returns=returns, readings=readings)


def bearing_cages(data: pd.DataFrame, folder: Path) -> Path:
    """Abernethy et al. 1983: 1,703 units, 6 failures, hours with counts (the hours stand where a truck has miles)."""
    builds, returns, readings = [], [], []
    for i, row in enumerate(data.itertuples(), 1):
        serial, day = f"LOT {i:03d}", _ago(3000 - row.hours)
        builds.append(
            {"serial": serial, "built_on": _ago(3000), "odometer_at_install": 0, "count": row.count, "cage": "as built"}
        )
        if row.failed:
            returns.append(
                {
                    "serial": serial,
                    "failed_on": day,
                    "miles_in_service": row.hours,
                    "component": "cage",
                    "cause": "part",
                }
            )
        else:
            readings.append({"serial": serial, "read_on": day, "odometer": row.hours})
    return _write(folder, "cage", builds=builds, returns=returns, readings=readings)


def valve_seats(data: pd.DataFrame, folder: Path) -> Path:
    """Nelson and Doganaksoy 1989: 41 engines, 48 replacements of valve seats, ages in days."""
    builds, returns = [], []
    for engine, own in data.groupby("id", sort=True):
        age = own.loc[own["status"] == 0, "time"].iat[0]
        builds.append({"serial": f"ENGINE {engine}", "built_on": _ago(age), "valve seat": "seat"})
        for k, row in enumerate(own[own["status"] == 1].itertuples(), 1):
            returns.append(
                {
                    "serial": f"engine-{engine}",
                    "failed_on": _ago(age - row.time),
                    "component": "valve seat",
                    "cause": "part",
                    "replaced_with": "seat",
                    "notes": f"seat number {k} of this engine",
                }
            )
    return _write(folder, "valve seat", builds=builds, returns=returns)


def one_system(ages: tuple[int, ...], end: int, folder: Path) -> Path:
    """NIST/SEMATECH e-Handbook 8.2.2.3: repairs of one system, ages in hours that stand where a truck has days."""
    returns = [
        {
            "serial": "SYSTEM 1",
            "failed_on": _ago(end - age),
            "component": "pump",
            "cause": "part",
            "notes": f"repair {k}",
        }
        for k, age in enumerate(ages, 1)
    ]
    return _write(
        folder, "pump", builds=[{"serial": "SYSTEM 1", "built_on": _ago(end), "pump": "as built"}], returns=returns
    )


def liver_trial(data: pd.DataFrame, folder: Path) -> Path:
    """Fleming and Harrington 1991: 418 persons, days to transplant (1) or death (2); they stand where trucks and findings are."""
    builds, returns, readings = [], [], []
    for i, row in enumerate(data.itertuples(), 1):
        serial = f"P-{i:03d}"
        builds.append({"serial": serial, "built_on": _ago(6000), "liver": "as born"})
        day = _ago(6000 - row.time)
        if row.status:
            returns.append(
                {"serial": serial, "failed_on": day, "component": "liver", "cause": "part", "finding": f"end {row.status}",
                 "replaced_with": "scrapped"}
            )  # fmt: skip
        else:
            readings.append({"serial": serial, "read_on": day, "still_running": "lost"})
    return _write(folder, "liver", builds=builds, returns=returns, readings=readings)
