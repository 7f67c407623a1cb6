"""What the package raises when it cannot go on. One base class, so that a caller can catch it all."""

from __future__ import annotations


class AnalyticsError(ValueError):
    """The work cannot be done as asked. The message says what is wrong, where, and what to do."""


class RecordsError(AnalyticsError):
    """A folder, file, sheet, heading or setting that the records cannot be read from."""


class SheetMissing(RecordsError):
    """A sheet that cannot be done without is not there. ``sheet``: its name."""

    def __init__(self, sheet: str, message: str) -> None:
        super().__init__(message)
        self.sheet = sheet


class NotEnoughData(AnalyticsError):
    """The records cannot carry the number asked for: too few failures, or nothing at risk."""


def number(value: float) -> str:
    """``value`` as it stands in a message: 24,000 or 0.125."""
    return f"{value:,.10g}"
