"""What a rating promises."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analytics.errors import AnalyticsError


@dataclass(frozen=True, slots=True)
class Promise:
    """A share ``reliability`` of the parts reaches ``life_miles``, and we are ``confidence`` sure of it (one-sided).

    Raises AnalyticsError on shares outside 0 to 1 and on a life that is not above 0.
    """

    life_miles: float
    reliability: float = 0.9
    confidence: float = 0.9

    def __post_init__(self) -> None:
        if not (0 < self.reliability < 1 and 0 < self.confidence < 1 and self.life_miles > 0):
            raise AnalyticsError(
                f"reliability {self.reliability}, confidence {self.confidence}, life {self.life_miles} miles: shares must lie "
                "between 0 and 1, the life above 0"
            )

    def without(self, early_share: float) -> Promise:
        """The promise for the rest, where a share of the units is lost early; its reliability may reach no further than 1."""
        return replace(self, reliability=min(self.reliability / (1 - early_share), 1 - 1e-12))
