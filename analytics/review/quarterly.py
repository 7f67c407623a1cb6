"""The quarterly review, whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from analytics.kept import once
from analytics.lifetimes.schema import CLOCKS
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import failing_steps, survival_table
from analytics.records.load import Records
from analytics.review.answer import Answer
from analytics.review.curves import Lines, lines_of
from analytics.review.fleet import by_cell, clocks, fleet, units_in_use, wear
from analytics.review.quarter import Span, quarter_of
from analytics.review.repeats import again
from analytics.review.this_quarter import came_back, change, limits_spoken_to
from analytics.review.to_fix import counted, to_fix


@dataclass(frozen=True, slots=True)
class Review:
    """Answers of one quarter. ``components``: one Answer per component; ``survival``: every curve (models.cells), the steps at which something failed and its end, ``lines`` those that
    pictures show."""

    span: Span
    records: Records
    lifetimes: Lifetimes
    came_back: Answer
    fleet: Answer
    clocks: Answer
    components: dict[str, Answer]
    wear: Answer
    again: Answer
    change: Answer
    limits: Answer
    to_fix: Answer
    counted: Answer
    survival: pd.DataFrame
    lines: Lines

    def __repr__(self) -> str:
        return f"Review({self.records.shop.name!r}, {self.span.name}, as of {self.span.end:%Y-%m-%d})"

    def answers(self) -> list[Answer]:
        """All answers in the order they are read."""
        told = self.came_back, self.fleet, self.clocks, *self.components.values(), self.wear, self.again
        return [*told, self.change, self.limits, self.to_fix, self.counted]


def review_of(records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None = None) -> Review:
    """Review the calendar quarter that the as-of date of the records lies in. lifetimes: of these records. progress:
    called with a line of text at each stage. What came of it is kept."""
    return once(_reviewed, (records, lifetimes), progress)


def _reviewed(records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None) -> Review:
    say = progress or (lambda _: None)
    span = quarter_of(records.as_of)
    say("survival")
    present = set(lifetimes.table["component"])
    survival = failing_steps(survival_table(lifetimes.table, min_at_risk=records.shop.checks.at_risk_to_show))
    say("answers")
    answers = {c: by_cell(lifetimes, c) for c in records.shop.components if c in present}
    return Review(
        span=span,
        records=records,
        lifetimes=lifetimes,
        came_back=came_back(records, span, units_in_use(lifetimes)),
        fleet=fleet(lifetimes),
        clocks=clocks(lifetimes),
        components=answers,
        wear=wear(lifetimes),
        again=again(lifetimes),
        change=change(records, lifetimes, span),
        limits=limits_spoken_to(records, lifetimes, span),
        to_fix=to_fix(records, lifetimes),
        counted=counted(records),
        survival=survival,
        lines=lines_of(lifetimes, answers, CLOCKS),
    )
