"""Field-return analytics for a small shop that builds performance transmissions for trucks."""

from analytics.errors import AnalyticsError, NotEnoughData, RecordsError
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.records.load import Records, load_records
from analytics.review.quarterly import Review, make_review

__all__ = [
    "AnalyticsError",
    "Lifetimes",
    "NotEnoughData",
    "Records",
    "RecordsError",
    "Review",
    "load_records",
    "make_lifetimes",
    "make_review",
]
