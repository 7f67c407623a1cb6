"""What can be said of a result: a code and the values that go with it. The sentences are made in ``words``, and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto


class Code(Enum):
    """A thing that can be said. Members of two rooms are never equal, whatever their names."""


@dataclass(frozen=True, slots=True)
class Reason:
    """``values``: by name, unrounded, in the units their names say; what the words of ``code`` ask for, no more and no less."""

    code: Code
    values: Mapping[str, object] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Reason({type(self.code).__name__}.{self.code.name})"


def reason(code: Code, **values: object) -> Reason:
    """A code with its values, filled by name."""
    return Reason(code, values)


class Question(Code):
    """Questions of the owner that an ``Answer`` answers."""

    AGAIN = auto()
    CAME_BACK = auto()


class Again(Code):
    NONE_BACK = auto()
    BACK_ONCE_AND_MORE = auto()
    LOST_TWICE = auto()
    MORE_OFTEN_WITH_AGE = auto()
    LESS_OFTEN_WITH_AGE = auto()


class CameBack(Code):
    NOTHING = auto()
    COUNTS = auto()
    COMPONENT = auto()
    FOLLOWED = auto()
    ORDER_UNCLEAR = auto()
    CAUSE_UNSTATED = auto()
