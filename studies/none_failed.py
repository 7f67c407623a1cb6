"""How often the figure of a part without a failure lies at or below its true rating, where its siblings lend it shape, slope and weight effect.

Invented fleets as in the study of coverage: siblings that have failed, and a part fitted to trucks half as strong again, of which so many failures are
expected as a draw says. Only those of which none came back are rated, as a shop would meet them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.models.lifedata import LifeData
from analytics.ratings.bound import rate_part
from analytics.ratings.pooling import priors_after, said_of
from analytics.whole import whole_file
from studies.coverage import LIFE_MILES, PROMISE, SETTINGS, draw_fleet, true_rating
from studies.coverage import Cell as FleetCell
from studies.resumable import KEY, block_row, pieces_of, resume

BLOCKS, TABLE = "none_failed_blocks.csv", "none_failed.csv"
#: failures expected of the part, each as likely
EXPECTED = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
#: the part's trucks against its siblings'
STRONGER = 1.5


@dataclass(frozen=True, slots=True)
class Cell:
    """One truth. siblings: the fleets of the others, by the failures expected of each; sibling, own: how their fleets differ from the usual one of the study of
    coverage. units: trucks with the part."""

    name: str
    own: tuple[tuple[str, Any], ...] = ()
    sibling: tuple[tuple[str, Any], ...] = ()
    siblings: tuple[float, ...] = (20.0,)
    units: int = 150


def _cells() -> dict[str, Cell]:
    shallow, steep = (("b1", -2.0),), (("b1", -6.0),)
    return {
        c.name: c
        for c in (
            Cell("as its sibling"),
            Cell("as its two siblings", siblings=(20.0, 20.0)),
            Cell("as its sibling of 4 failures", siblings=(4.0,)),
            Cell("as its sibling, 500 units", units=500),
            Cell("slope -2, sibling's -6", own=shallow, sibling=steep),
            Cell("slope -2, two siblings' -6", own=shallow, sibling=steep, siblings=(20.0, 20.0)),
            Cell("slope -6, sibling's -2", own=steep, sibling=shallow),
            Cell("shape 1.2, sibling's 2.5", own=(("shape", 1.2),), sibling=(("shape", 2.5),)),
            Cell("shape 3.5, sibling's 1.8", own=(("shape", 3.5),), sibling=(("shape", 1.8),)),
            Cell("70% of failures reported", own=(("reported", 0.7),), sibling=(("reported", 0.7),)),
            Cell("rated at 10,000 lb", own=(("weight_lb", 10_000.0),)),
        )
    }


CELLS = _cells()


def _lives(cell: Cell, failures: float, rng: np.random.Generator) -> tuple[LifeData, float]:
    """The part's lives and its true rating in hp, with so many ``failures`` expected."""
    own = FleetCell(cell.name, cell.units, failures, **dict(cell.own))
    data = draw_fleet(own, rng)
    return replace(data, log_power=data.log_power + np.log(STRONGER)), STRONGER * true_rating(own)


def one_replicate(cell: Cell, seed: int) -> dict[str, float]:
    """The figure of one part over its truth, drawn anew until none has failed (``drawn``: how often); NaN where there is none."""
    rng, drawn = np.random.default_rng(seed), 0
    while True:
        drawn += 1
        expected = float(rng.choice(EXPECTED))
        data, truth = _lives(cell, expected, rng)
        if not data.failures:
            break
    settings = SETTINGS["defaults"]
    fleets = [draw_fleet(FleetCell(cell.name, failures=n, **dict(cell.sibling)), rng) for n in cell.siblings]
    said = {str(i): said_of(lives, LIFE_MILES, settings) for i, lives in enumerate(fleets)}
    lent = priors_after("shaft", "own", settings, {name: word for name, word in said.items() if word is not None})
    settings = replace(settings, priors=replace(settings.priors, own=(lent,))).of("shaft", "own")
    weight_lb = dict(cell.own).get("weight_lb", 7500.0)
    found = rate_part(data, weight_lb, None, PROMISE, settings)
    return {
        "ratio": found.bound_hp / truth,
        "demonstrated": found.demonstrated_hp / truth,
        "expected": expected,
        "drawn": float(drawn),
    }


def run_block(name: str, block: int, size: int, seed: int) -> pd.DataFrame:
    """One row: ``size`` parts of a cell, in full."""
    return block_row(name, block, size, seed, partial(one_replicate, CELLS[name]), ".4f")


def run(
    out: str | Path,
    replicates: int = 200,
    jobs: int = 1,
    cells: Iterable[str] | None = None,
    block: int = 20,
    seed: int = 20_261_127,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """The study, resumable: blocks and table into the folder ``out``. Returns the table."""
    path = Path(out) / BLOCKS
    resume(path, KEY, pieces_of(CELLS, cells, replicates, block, seed, __name__), run_block, jobs, progress)
    table = summarise(pd.read_csv(path))
    with whole_file(path.with_name(TABLE)) as part:
        table.round(4).to_csv(part, index=False)
    return table


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per cell: parts without a failure, of how many drawn; share of them with a figure; share of the figures at or below the truth
    (``held``), with its standard error; the same over every part drawn, those that failed counted as held (``held_of_all``); the median of figure
    over truth; and the share that their own miles demonstrate anything for."""
    rows = []
    for name, part in blocks.groupby("cell", sort=False):
        ratio, shown, drawn = (
            np.array([float(v) for text in part[column] for v in str(text).split()])
            for column in ("ratio", "demonstrated", "drawn")
        )
        given = np.isfinite(ratio)
        held = float((ratio[given] <= 1).mean())
        rows.append(
            {
                "cell": name,
                "parts": len(ratio),
                "drawn": int(drawn.sum()),
                "given": float(given.mean()),
                "held": held,
                "se": float(np.sqrt(max(held * (1 - held), 1e-9) / given.sum())),
                "held_of_all": 1 - float((ratio[given] > 1).sum() / drawn.sum()),
                "median_ratio": float(np.median(ratio[given])),
                "demonstrated": float(np.isfinite(shown).mean()),
                "seed": int(part["seed"].iloc[0]),
                "versions": part["versions"].iloc[0],
            }
        )
    return pd.DataFrame(rows)
