"""Calendar quarters, and what happened in a span of days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.records.measures import DAYS_A_YEAR


@dataclass(frozen=True, slots=True)
class Span:
    """Days from ``start`` to ``end``, both included. ``whole`` is False where a quarter is still running."""

    name: str
    start: pd.Timestamp
    end: pd.Timestamp
    whole: bool

    def covers(self, days: pd.Series) -> np.ndarray:
        return days.between(self.start, self.end).to_numpy()


def quarter_of(day: pd.Timestamp) -> Span:
    """The calendar quarter a day lies in, up to that day."""
    period = day.to_period("Q")
    last = period.end_time.normalize()
    return Span(f"{period.year} Q{period.quarter}", period.start_time.normalize(), day, day == last)


def quarter_before(span: Span, back: int = 1) -> Span:
    """A whole quarter, ``back`` quarters earlier than that of ``span``."""
    period = span.start.to_period("Q") - back
    return Span(f"{period.year} Q{period.quarter}", period.start_time.normalize(), period.end_time.normalize(), True)


def unit_years(table: pd.DataFrame, span: Span | None = None) -> pd.Series:
    """Years each row of the lifetimes' ``table`` was in use, within a ``span`` of days if given; a row of several units
    counts each."""
    # a part found damaged at a teardown was in use up to then, whatever is known of when it broke
    start, end = table["started_on"], table["ended_on"]
    if span is not None:
        start, end = start.clip(lower=span.start), end.clip(upper=span.end + pd.Timedelta(days=1))
    return ((end - start) / pd.Timedelta(days=1)).clip(lower=0) * table["count"] / DAYS_A_YEAR
