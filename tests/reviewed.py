"""A review straight from a folder."""

from __future__ import annotations

from pathlib import Path

from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.review.quarterly import Review, review_of


def make_review(folder: str | Path, as_of: str | None = None) -> Review:
    """The review of the quarter that the as-of date lies in."""
    records = load_records(folder, as_of)
    return review_of(records, make_lifetimes(records))
