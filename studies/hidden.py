"""Damage that only a teardown shows, on invented shops: the bound for all damage of a part that is looked at whenever its unit is apart, against the truth."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import LifeData
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import rate_part
from analytics.ratings.options import Options, for_component, options_for
from analytics.ratings.pooling import options_of
from analytics.records.load import load_records
from analytics.whole import whole_file
from studies.demo_shops import UNITS, mix_of, true_rating
from studies.resumable import resume, versions_used
from studies.simulate.demo import demo_files, demo_truth
from studies.simulate.fleet import FleetTruth

BLOCKS, TABLE = "hidden_shops.csv", "hidden.csv"
FIRST_SEED = 6001
COMPONENT, PART = "output shaft", "OS-A"
#: so many times the hidden damage of the demo
TIMES = (0.5, 1.0, 2.0)
#: what is told of a part at the lightest class: hidden damage apart, by the openings; among the failures, where the shop does not say that it looks
HOW = ("by openings", "among failures")


def truth_of(times: float) -> FleetTruth:
    """The demo's truth with so many ``times`` the hazard of damage that only a teardown shows."""
    truth = demo_truth()
    components = []
    for component in truth.components:
        parts = [
            replace(
                part,
                findings=tuple(
                    replace(f, life_miles=f.life_miles * times ** (-1 / f.shape)) if f.at_teardown else f
                    for f in part.findings
                ),
            )
            for part in component.parts
        ]
        components.append(replace(component, parts=tuple(parts)))
    return replace(truth, components=tuple(components))


def one_shop(seed: int, times: float, units: int = UNITS) -> pd.DataFrame:
    """A row for each of HOW: failures of the part that stopped a truck (or all, among failures), opened, found, the use the number is for, estimate_hp,
    bound_hp, upper_hp, cap_hp, and true_hp for all damage in all trucks."""
    truth = truth_of(times)
    files, _ = demo_files(units, seed, truth)
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        records = load_records(folder)
    lifetimes = make_lifetimes(records)
    options = for_component(options_of(lifetimes, options_for(records.shop)), COMPONENT, PART)
    weight = records.shop.weight.classes[0]
    rows = []
    for how, apart in zip(HOW, (True, False), strict=True):
        data = part_lives(lifetimes, COMPONENT, PART, hidden_apart=apart).data
        rows.append({"seed": seed, "times": times, "how": how} | _rated(data, weight, options, truth))
    return pd.DataFrame(rows).round(3).assign(versions=versions_used())


def _rated(data: LifeData, weight_lb: float, options: Options, truth: FleetTruth) -> dict[str, object]:
    settings = replace(options.settings, explain=False)
    bound = rate_part(data, weight_lb, None, options.promise, settings, options.seed)
    told = next((r.values for r in bound.reasons if "alone_hp" in r.values), {})
    promise, mix = options.promise, mix_of(data, bound.rated_use)
    return {
        "failures": bound.failures,
        "opened": told.get("opened", np.nan),
        "found": told.get("found", np.nan),
        "use": bound.rated_use,
        "alone_hp": told.get("alone_hp", np.nan),
        "estimate_hp": bound.estimate_hp,
        "bound_hp": bound.bound_hp,
        "upper_hp": bound.upper_hp,
        "cap_hp": bound.seen.cap_hp,
        "true_hp": true_rating(truth, COMPONENT, PART, promise.life_miles, promise.reliability, weight_lb, mix),
    }


def run(out: str | Path, shops: int = 40, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """``shops`` shops for each of TIMES, those in hidden_shops.csv of ``out`` not again; writes that file and the table of `summarise`, hidden.csv."""
    path = Path(out) / BLOCKS
    pieces = [(seed, times) for seed in range(FIRST_SEED, FIRST_SEED + shops) for times in TIMES]
    resume(path, ["seed", "times"], pieces, one_shop, progress=progress, blank="nan")
    table = summarise(pd.read_csv(path, keep_default_na=False, na_values=["nan"]))
    with whole_file(path.with_name(TABLE)) as part:
        table.round(4).to_csv(part, index=False)
    return table


def summarise(shops: pd.DataFrame) -> pd.DataFrame:
    """Per times (0: all of them) and way: shops, bounds given, parts opened and found damaged, share of bounds at or below the truth with its standard
    error, share of upper limits at or above it, median and lowest tenth of bound over truth."""
    rows = []
    for times, some in [*shops.groupby("times", sort=True), (0.0, shops)]:
        for how, own in some.groupby("how", sort=True):
            given = own[own["bound_hp"].notna()]
            held, ratio = (given["bound_hp"] <= given["true_hp"]).mean(), given["bound_hp"] / given["true_hp"]
            rows.append(
                {
                    "times": times,
                    "how": how,
                    "shops": len(own),
                    "bounds": len(given),
                    "opened": own["opened"].mean(),
                    "found": own["found"].mean(),
                    "held": held,
                    "se": np.sqrt(held * (1 - held) / len(given)),
                    "upper_held": (given["upper_hp"] >= given["true_hp"]).mean(),
                    "median_ratio": ratio.median(),
                    "p10_ratio": ratio.quantile(0.1),
                }
            )
    return pd.DataFrame(rows)
