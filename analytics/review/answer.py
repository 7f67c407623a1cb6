"""One question of the owner, its answer in codes and numbers, and the figures behind it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from analytics.reasons import Code, Reason, reason


@dataclass(frozen=True, slots=True)
class Answer:
    """``question``: its code, with what its words need. ``said``: what can be said, in order. ``table``: unrounded.

    ``notes``: what belongs one click below. ``reckoned``: False where there was nothing to reckon with, so that no method
    is told. The sentences are made in ``words``, those of codes in cells of the table too.
    """

    question: Reason
    said: tuple[Reason, ...]
    table: pd.DataFrame
    notes: tuple[Reason, ...] = ()
    reckoned: bool = True

    def __repr__(self) -> str:
        return f"Answer({self.question.code.name}: {len(self.said)} said, {len(self.table)} rows)"


def nothing(question: Reason, why: Code, table: pd.DataFrame | None = None, /, **values: object) -> Answer:
    """The answer to a ``question`` where there was nothing to reckon with, and ``why``, with the ``values`` its words
    need. table: empty by default."""
    return Answer(question, (reason(why, **values),), pd.DataFrame() if table is None else table, reckoned=False)
