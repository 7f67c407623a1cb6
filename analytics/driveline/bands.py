"""A quantity known only to lie between two ends, for every row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

ENDS = ("low", "", "high")
OPPOSITE = {"low": "high", "": "", "high": "low"}
#: of a column that holds an end
SUFFIX = {"low": "_low", "": "", "high": "_high"}


@dataclass(frozen=True, slots=True)
class Band:
    """A quantity for every row: ``low``, ``middle`` and ``high``, each (n,); NaN where not known. ``assumed``: (n,) bool."""

    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    assumed: np.ndarray

    def at(self, end: str) -> np.ndarray:
        """The figure at one end ("low", "", "high")."""
        return {"low": self.low, "": self.middle, "high": self.high}[end]

    @classmethod
    def of(cls, figure: Callable[[str], np.ndarray], assumed: np.ndarray) -> Band:
        """From its figure (n,) at each end and ``assumed`` (n,)."""
        low, middle, high = map(figure, ENDS)
        return cls(low=low, middle=middle, high=high, assumed=assumed)
