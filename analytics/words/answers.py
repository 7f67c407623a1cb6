"""An answer in words."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.review.answer import Answer, CodedAnswer
from analytics.words.saying import method_of, say, say_all


@dataclass(frozen=True, slots=True)
class Wording:
    """``sentences``: the answer. ``method``: how it was reckoned, and the source."""

    question: str
    sentences: tuple[str, ...]
    method: str = ""
    notes: tuple[str, ...] = ()


def worded(answer: CodedAnswer | Answer) -> Wording:
    """The answer to a question in words."""
    if isinstance(answer, Answer):  # goes when the last module of review gives codes
        return Wording(answer.question, answer.answer, answer.method, answer.notes)
    return Wording(say(answer.question), say_all(answer.said), method_of(answer.question.code), say_all(answer.notes))
