"""Invented fleets scaled to so many failures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from analytics.errors import AnalyticsError
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
