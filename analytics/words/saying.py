"""From a code to its sentence."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from importlib import import_module

from analytics.reasons import Code, Reason

#: a text with {named} values, or a function of them
Said = str | Callable[..., str]
_SAID: dict[Code, Said] = {}
_METHODS: dict[Code, str] = {}


def says(code: Code) -> Callable[[Callable[..., str]], Callable[..., str]]:
    """Name the function that puts ``code`` in words; its arguments are the values of the reason, by name."""

    def named(words: Callable[..., str]) -> Callable[..., str]:
        texts({code: words})
        return words

    return named


def texts(said: dict[Code, Said]) -> None:
    """Name the texts of several codes."""
    twice = said.keys() & _SAID.keys()
    assert not twice, f"said twice: {twice}"
    _SAID.update(said)


def asks(question: Code, text: Said, method: str = "") -> None:
    """Name the text of a question, and how its answer was reckoned."""
    texts({question: text})
    _METHODS[question] = method


def method_of(question: Code) -> str:
    """How the answer to a question was reckoned, and the source."""
    if question not in _METHODS:
        import_module("analytics.words.vocabulary")
    return _METHODS[question]


def say(reason: Reason) -> str:
    """The sentence, or the part of one, that a code stands for."""
    if reason.code not in _SAID:
        import_module("analytics.words.vocabulary")
    words = _SAID[reason.code]
    return words.format(**reason.values) if isinstance(words, str) else words(**reason.values)


def say_all(reasons: Iterable[Reason]) -> tuple[str, ...]:
    """Each in words, in their order."""
    return tuple(say(r) for r in reasons)


def has_words() -> frozenset[Code]:
    """Codes that have words."""
    return frozenset(_SAID)
