"""The quarter in sentences."""

from analytics.words.review import again, came_back  # noqa: F401
