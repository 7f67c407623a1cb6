"""Invented fleets scaled to so many failures, and the demo's sheets to so many rows."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from analytics.errors import AnalyticsError
from studies.simulate.demo import DEFAULT_SEED, FEWEST_UNITS, _csv, demo_files, demo_truth
from studies.simulate.dirt import soil
from studies.simulate.fleet import ComponentTruth, FleetTruth, PartTruth, draw_fleet


def scaled_to_failures(
    truth: FleetTruth, component: str, part: str, units: int, failures: float, *, draws: int = 20_000
) -> FleetTruth:
    """The same truth with the part's lives all longer or shorter, so that `units` of fleet give so many
    first failures of it.

    Expected value over `draws` units of a fleet drawn with seed 0, by their true chance of failing before
    the cut-off; installation, departures and competing components are left out. Raises when not
    reachable.
    """
    base = draw_fleet(truth, draws, 0)
    u = base.units[base.units[f"part:{component}"] == part]
    miles = u["end_miles"].to_numpy() if len(u) else np.zeros(0)
    target = failures / units * draws
    if target >= len(u):
        raise AnalyticsError(
            f"{failures:g} failures in {units} units: only {len(u) / draws:.0%} of the units carry {part}."
        )

    def expected(shift: float) -> float:
        total, shifted = 0.0, _shift_life(truth, component, part, shift)
        for use, g in u.assign(miles=miles).groupby("use"):
            reached, power, weight = (g[c].to_numpy() for c in ("miles", "power_hp", "weight_lb"))
            s = shifted.survival(component, part, reached, power, weight, str(use))
            total += float((1 - s).sum())
        return total

    shift = brentq(lambda x: expected(x) - target, -15.0, 15.0, xtol=1e-6)
    return _shift_life(truth, component, part, shift)


def _shift_life(truth: FleetTruth, component: str, part: str, shift: float) -> FleetTruth:
    def parts(c: ComponentTruth) -> tuple[PartTruth, ...]:
        return tuple(
            replace(p, findings=tuple(replace(f, life_miles=f.life_miles * math.exp(shift)) for f in p.findings))
            if p.part == part
            else p
            for p in c.parts
        )

    return replace(
        truth,
        components=tuple(replace(c, parts=parts(c)) if c.component == component else c for c in truth.components),
    )


#: sheets of the demo by serial, with how they are written; the returns are copied for fewer trucks
_BY_SERIAL = {"fitted.csv": "utf-8", "changes.csv": "utf-8", "readings.csv": "utf-16", "conditions.csv": "utf-8"}


def tiled_demo(folder: str | Path, builds: int, returns: int, every: bool, units: int = 900) -> int:
    """Sheets of at least so many ``builds`` and ``returns`` in ``folder``: a demo of so many ``units`` copied again and again with other serials, so that every kind of dirt keeps its
    share. every: with all its sheets, else builds, returns, limits and shop.toml alone. Returns the rows of builds."""
    files, _ = demo_files(max(units, FEWEST_UNITS), DEFAULT_SEED)
    sheet = soil(draw_fleet(demo_truth(), units, DEFAULT_SEED), DEFAULT_SEED).sheets["builds"]
    text = {"builds.csv": _csv(sheet), "returns.csv": files["returns.csv"].decode("cp1252")}
    text |= {name: files[name].decode(code) for name, code in _BY_SERIAL.items() if every}
    copies, number, numbered = 1, 0, re.compile(r"\d")
    for name, whole in text.items():
        heading, *rows = csv.reader(io.StringIO(whole))
        if name == "builds.csv":
            copies = -(-builds // len(rows))
        times = -(-returns // len(rows)) if name == "returns.csv" else copies
        with (Path(folder) / name).open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow(heading)
            for copy in range(times):
                writer.writerows(
                    [[f"{copy:04d}-{row[0]}", *row[1:]] if numbered.search("".join(row[:1])) else row for row in rows]
                )
        if name == "builds.csv":
            number = copies * len(rows)
    told = files["shop.toml"].decode().replace('file = "builds.xlsx"', 'file = "builds.csv"')
    told = "\n".join(line for line in told.splitlines() if not line.startswith('sheet = "Builds"'))
    (Path(folder) / "shop.toml").write_text(told + "\n", encoding="utf-8")
    (Path(folder) / "limits.csv").write_bytes(files["limits.csv"])
    return number
