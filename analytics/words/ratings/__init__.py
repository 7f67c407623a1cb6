"""The ratings in sentences."""

from analytics.words.ratings import demonstration, plan, predict, unknowns  # noqa: F401
