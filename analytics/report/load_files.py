"""Files that the load page leaves: loads.csv, load_ratings.csv, suspects.csv and the workbook."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analytics.ratings.load_review import LoadReview
from analytics.report.files import write_book, write_csv
from analytics.words.cautions import CAUTIONS
from analytics.words.load import assumptions_table, explained_table, loads_table, ratings_table, suspects_table, title


def write_load_files(review: LoadReview, out: str | Path) -> list[Path]:
    """loads.csv (every life with its load), load_ratings.csv, suspects.csv and load.xlsx. Returns their paths.
    review: of the loads; out: the folder to write into."""
    out = Path(out)
    loads = loads_table(review.loads)
    calibrated = ratings_table(review.ratings).assign(calibrated=review.options.settings.replicates >= 20)
    both = [calibrated, ratings_table(review.compared).assign(calibrated=False)]
    ratings = pd.concat([t for t in both if len(t)] or both[:1], ignore_index=True)
    suspects = suspects_table(review)
    for name, table in (("loads", loads), ("load_ratings", ratings), ("suspects", suspects)):
        write_csv(table, out / f"{name}.csv")
    write_book(
        out / "load.xlsx",
        "load",
        title(review),
        {
            "On power, torque and margin": ratings,
            "What explains the returns": explained_table(review),
            "Suspects": suspects,
            "Rules, failed and not": review.suspects.counts,
            "Parts": review.records.parts,
            "Measured": review.records.conditions.drop(columns="unit"),
            "Assumed": assumptions_table(review),
            "Every load": loads,
            "Cautions": pd.DataFrame({"caution": CAUTIONS}),
        },
        review.records.shop.currency,
    )
    return [out / f for f in ("loads.csv", "load_ratings.csv", "suspects.csv", "load.xlsx")]
