"""The evidence a limit was accepted on, as it stands in the sheet."""

from __future__ import annotations

from importlib.metadata import version

import pandas as pd

from analytics.ratings.ledger import Acceptance, fingerprint
from analytics.ratings.sheet import Ratings
from analytics.words.units import counted_in, own


def acceptance_words(ratings: Ratings, wish: Acceptance, row: pd.Series) -> str:
    """Who accepted a limit, why, and on what: counts, target, day, data and version. row: its row of the table of ratings.
    wish: the entry asked for."""
    run, life = (own(row[what], "distance") if row["clock"] == "miles" else row[what] for what in ("miles", "life"))
    clock = counted_in(row["clock"])
    told = (
        f"{row['failures']:.0f} of {row['units']:.0f} failed, {run:.0f} {clock}, R {row['reliability']:g} "
        f"C {row['confidence']:g} at {life:.0f} {clock}, as of {ratings.records.as_of:%Y-%m-%d}, "
        f"data {fingerprint(ratings.records.shop)}, analytics {version('analytics')}"
    )
    parts = (wish.why.strip(), f"accepted by {wish.by.strip()}", f"verdict {row['verdict']}", f"evidence: {told}")
    return "; ".join(p for p in parts if p)
