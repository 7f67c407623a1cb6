"""How often "the new part carries X times the power (a to b)" is right: fleets of two parts whose true ratio is known.

Invented fleets of three uses, late entry, one survivor in five read, as in the study of the cut-off; the shop takes the second part
from about 650 hp on, so that both occur over a span of powers. Life falls with power alike for both, so the ratio of powers that give
the same life is the ratio of lives to the power of one over the exponent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cutoffs.against import MARGIN, compare_found, life_ratio_profile
from analytics.cutoffs.comparable import compare_lives
from analytics.cutoffs.fits import PartsData
from analytics.whole import whole_file
from studies.cutoff import SHAPE, START, lives_of_fleet
from studies.resumable import KEY, block_row, pieces_of, resume
from studies.scaled import scaled_to_failures
from studies.simulate.fleet import (
    ComponentTruth,
    FindingTruth,
    FleetTruth,
    PartTruth,
    UseTruth,
    draw_fleet,
)

CONFIDENCE = 0.9
LIFE_MILES = 50_000.0
PARTS = ("P-1", "P-2")
_COMPONENT = "input shaft"


@dataclass(frozen=True, slots=True)
class Cell:
    """One truth. slope: exponent of life in power, of both parts. ratio: life of the second over that of the first. failures: of the first, expected."""

    name: str
    slope: float
    ratio: float
    failures: float
    units: int

    @property
    def power_ratio(self) -> float:
        """True ratio of the powers at which the two live alike."""
        return float(self.ratio ** (-1 / self.slope))


CELLS = {
    c.name: c
    for c in (
        Cell("alike, slope -4, 40 failures", -4.0, 1.0, 40, 900),
        Cell("twice the life, slope -4, 25 failures", -4.0, 2.0, 25, 700),
        Cell("twice the life, slope -4, 100 failures", -4.0, 2.0, 100, 1800),
        Cell("three times the life, slope -2.5, 60 failures", -2.5, 3.0, 60, 1200),
    )
}


@cache
def truth_of(cell: Cell) -> FleetTruth:
    """The world of a cell, the first part's life scaled to its failures."""
    finding = FindingTruth("broken", 150_000.0, SHAPE, cell.slope, -1.0)
    component = ComponentTruth(
        _COMPONENT, tuple(PartTruth(p, (finding,)) for p in PARTS), cuts_hp=(650,), cut_spread=0.25
    )
    uses = (
        UseTruth("street", 0.55, 22, 0.5, 600, 0.22, 6700, 0.10),
        UseTruth("towing", 0.33, 33, 0.45, 560, 0.20, 8300, 0.13),
        UseTruth("drag", 0.12, 4, 0.55, 800, 0.25, 5400, 0.09, log_life=-0.9),
    )
    world = FleetTruth((component,), uses, records_start=START, leave_per_year=0.03, to_service_days=15)
    world = scaled_to_failures(world, _COMPONENT, PARTS[0], cell.units, cell.failures)
    first, second = world.components[0].parts
    longer = replace(first.findings[0], life_miles=first.findings[0].life_miles * cell.ratio)
    return replace(world, components=(replace(component, parts=(first, replace(second, findings=(longer,)))),))


def _by_life(lives: pd.DataFrame, ratio: float) -> float:
    """A ratio of lives as one of powers, at the exponent fitted with it. lives: the profile of that ratio."""
    if not 0 < ratio < np.inf:
        return ratio
    return float(ratio ** (-1 / np.interp(np.log(ratio), lives["log_ratio"], lives["exponent"])))


def one_replicate(cell: Cell, seed: int) -> dict[str, float]:
    """One fleet: failures compared, the ratio of powers with its ends, the ends of the ratio of lives, and what those would be as powers
    at the exponent fitted with each (``by_life``); NaN where the parts could not be compared."""
    fleet = draw_fleet(truth_of(cell), cell.units, seed)
    lives, kept = lives_of_fleet(fleet)
    at = (fleet.lives["part"].to_numpy()[kept.index] == PARTS[1]).astype(int)
    data = replace(lives.data, extra=at[:, None].astype(float), extra_names=(f"part {PARTS[1]}",))
    found = compare_lives(PartsData(_COMPONENT, PARTS, data, at), CONFIDENCE)
    out = compare_found(found, LIFE_MILES, MARGIN, CONFIDENCE)
    by_life = (np.nan, np.nan)
    if out.refused is None:
        power = found.data.power_hp
        inside = found.data.take((power >= out.band.low_hp) & (power <= out.band.high_hp))
        _, profile = life_ratio_profile(inside, LIFE_MILES)
        by_life = (_by_life(profile, out.life.lower), _by_life(profile, out.life.upper))
    return {
        "failures": float(sum(out.band.failures)),
        "ratio": out.power.estimate,
        "lower": out.power.lower,
        "upper": out.power.upper,
        "by_life_lower": by_life[0],
        "by_life_upper": by_life[1],
        "life_lower": out.life.lower,
        "life_upper": out.life.upper,
    }


def run_block(name: str, block: int, size: int, seed: int) -> pd.DataFrame:
    """One row: ``size`` fleets of a cell, in full."""
    return block_row(name, block, size, seed, partial(one_replicate, CELLS[name]), ".4g")


def run(
    out: str | Path,
    replicates: int = 50,
    jobs: int = 1,
    cells: Iterable[str] | None = None,
    block: int = 10,
    seed: int = 20_260_407,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """The study: appends one row per cell and block to power_ratio_blocks.csv in ``out``, skipping those there already, and
    writes the table of `summarise` to power_ratio.csv. A rerun with the same seed goes on where it stopped."""
    path = Path(out) / "power_ratio_blocks.csv"
    resume(
        path, KEY, pieces_of(CELLS, cells, replicates, block, seed, __name__), run_block, jobs, progress, blank="nan"
    )
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name("power_ratio.csv")) as part:
        table.round(4).to_csv(part, index=False)
    return table


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per cell, and one for all: shops, those compared; share of lower and of upper ends on the right side of the truth, each
    with its standard error; the same were the ends those of the ratio of lives carried over (by_life_*), and for that ratio itself (life_*); median of the ratio, and of
    the width of its interval in logs."""
    frames = []
    for name, part in blocks.groupby("cell", sort=False):
        columns = {
            c: [float(v) for text in part[c] for v in str(text).split()]
            for c in (
                "failures",
                "ratio",
                "lower",
                "upper",
                "by_life_lower",
                "by_life_upper",
                "life_lower",
                "life_upper",
            )
        }
        cell = CELLS[name]
        frames.append(pd.DataFrame(columns).assign(cell=name, truth=cell.power_ratio, life=cell.ratio))
    every = pd.concat(frames, ignore_index=True)
    rows = []
    for name, own in [*every.groupby("cell", sort=False), ("all", every)]:
        told = own[own["ratio"].notna()]
        row: dict[str, object] = {
            "cell": name,
            "shops": len(own),
            "compared": len(told),
            "mean_failures": own["failures"].mean(),
        }
        for what, truth in (("", "truth"), ("by_life_", "truth"), ("life_", "life")):
            for end, right in (
                ("lower", told[f"{what}lower"] <= told[truth]),
                ("upper", told[f"{what}upper"] >= told[truth]),
            ):
                row |= {
                    f"{what}{end}_holds": right.mean(),
                    f"{what}{end}_se": np.sqrt(right.mean() * (1 - right.mean()) / len(right)),
                }
        width = np.log(told["upper"]) - np.log(told["lower"])
        row |= {
            "true_ratio": own["truth"].iat[0] if name != "all" else np.nan, "median_ratio": told["ratio"].median(), "median_log_width": width.median(),
            "level": CONFIDENCE, "seed": int(blocks["seed"].iat[0]), "versions": blocks["versions"].iat[0],
        }  # fmt: skip
        rows.append(row)
    return pd.DataFrame(rows)
