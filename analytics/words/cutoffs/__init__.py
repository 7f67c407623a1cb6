"""Where one part should end and the next begin, in sentences."""

from analytics.words.cutoffs import argument, money, parts, step  # noqa: F401
