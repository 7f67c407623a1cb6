"""An answer in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from analytics.reasons import Code, Reason
from analytics.review.answer import Answer
from analytics.words.saying import asked, method_of, say, say_all

#: in the last row of a sheet that is full
CUT_HERE = "cut here: the whole table is in the CSV file"


#: what stands one click below an answer
TABLE, METHOD = "The figures", "How it is worked out"


def drawn_for(question: str, shape: str, panel: str = "") -> str:
    """What a picture is, for who cannot see it; what it shows is told beside it. question: that it answers; shape: of what is drawn; panel: what
    this one of several is of."""
    of, drawn = f" ({panel})" * bool(panel), f" Drawn are {shape}." * bool(shape)
    return f"Chart{of}: “{question}”{drawn} Its finding is told beside it."


@dataclass(frozen=True, slots=True)
class Wording:
    """``sentences``: the answer. ``table``: its codes said. ``method``: how it is worked out, and the source."""

    question: str
    sentences: tuple[str, ...]
    table: pd.DataFrame = field(compare=False)
    method: str = ""
    notes: tuple[str, ...] = ()


def worded(answer: Answer) -> Wording:
    """The answer to a question in words."""
    method = method_of(answer.question) if answer.reckoned else ""
    return Wording(asked(answer.question), say_all(answer.said), readable(answer.table), method, say_all(answer.notes))


def told_table(answers: Iterable[Answer]) -> pd.DataFrame:
    """question, answer: a row per sentence of the ``answers``."""
    told = [(words.question, line) for words in map(worded, answers) for line in words.sentences]
    return pd.DataFrame(told, columns=["question", "answer"])


def more_rows(number: int) -> str:
    """Below a table that is cut: the ``number`` of rows left out."""
    return f"{number:,} more rows are in the workbook."


def readable(table: pd.DataFrame) -> pd.DataFrame:
    """The table with every code and reason in it said."""
    texts = [c for c in table.columns if table[c].dtype == object]
    coded = [c for c in texts if any(isinstance(v, Code | Reason) for v in table[c].array)]
    return table.assign(**{c: [say(v) if isinstance(v, Code | Reason) else v for v in table[c]] for c in coded})
