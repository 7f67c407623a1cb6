"""The ratings in sentences."""

from analytics.words.ratings import bound, demonstration, plan, predict, sheet  # noqa: F401
