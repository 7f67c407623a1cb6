"""One question of the owner, its answer in codes and numbers, and the figures behind it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from analytics.reasons import Reason

# names that modules whose sentences have not moved yet still ask for here
from analytics.words.phrases import article, edge_words, listed, many, numbered, percent, plural  # noqa: F401


@dataclass(frozen=True, slots=True)
class CodedAnswer:
    """``question``: its code, with what its words need. ``said``: what can be said, in order. ``table``: unrounded.

    ``notes``: what belongs one click below. The sentences are made in ``words``.
    """

    question: Reason
    said: tuple[Reason, ...]
    table: pd.DataFrame
    notes: tuple[Reason, ...] = ()

    def __repr__(self) -> str:
        return f"Answer({self.question.code.name}: {len(self.said)} said, {len(self.table)} rows)"


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer whose sentences are still made where its numbers are: goes when the last module of review gives codes."""

    question: str
    answer: tuple[str, ...]
    table: pd.DataFrame
    method: str = ""
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return f"Answer({self.question!r}: {self.answer[0] if self.answer else ''})"
