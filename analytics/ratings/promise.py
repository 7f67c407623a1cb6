"""What a rating promises."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analytics.errors import AnalyticsError
from analytics.records.shop import COUNTED


@dataclass(frozen=True, slots=True)
class Promise:
    """A share ``reliability`` of the parts reaches a ``life`` of so many of what it is ``counted`` in, and we are ``confidence`` sure
    of it (one-sided).

    Raises AnalyticsError on shares outside 0 to 1, on a life that is not above 0 and on one counted in anything but COUNTED.
    """

    life: float
    reliability: float = 0.9
    confidence: float = 0.9
    counted: str = "miles"

    def __post_init__(self) -> None:
        if not (0 < self.reliability < 1 and 0 < self.confidence < 1 and self.life > 0 and self.counted in COUNTED):
            raise AnalyticsError(
                f"reliability {self.reliability}, confidence {self.confidence}, life {self.life} {self.counted}: shares must lie "
                "between 0 and 1, the life above 0"
            )

    @property
    def life_miles(self) -> float:
        """The life in miles; NaN where it is counted otherwise."""
        return self.life if self.counted == "miles" else float("nan")

    def without(self, early_share: float) -> Promise:
        """The promise for the rest, where a share of the units is lost early; its reliability may reach no further than 1."""
        return replace(self, reliability=min(self.reliability / (1 - early_share), 1 - 1e-12))
