"""From a code to its sentence."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Iterator, Mapping

from analytics.reasons import Code, Reason
from analytics.words.units import filled, prose

#: a text with {named} values, or a function of them
Said = str | Callable[..., str]
_SAID: dict[Code, Said] = {}
_METHODS: dict[Code, Said] = {}


def says(code: Code) -> Callable[[Callable[..., str]], Callable[..., str]]:
    """Name the function that puts ``code`` in words; its arguments are the values of the reason, by name."""

    def named(words: Callable[..., str]) -> Callable[..., str]:
        texts({code: words})
        return words

    return named


def texts(said: Mapping[Code, Said]) -> None:
    """Name the texts of several codes. said: per code a sentence or what makes one."""
    twice = said.keys() & _SAID.keys()
    assert not twice, f"said twice: {twice}"
    _SAID.update(said)


def _vocabulary() -> Iterator[None]:
    """Loads the modules that put codes in words one after the other, those that load little first; they need this one, so it can't load them
    from the start."""
    yield
    import analytics.words.lifetimes

    yield
    import analytics.words.models

    yield
    import analytics.words.to_fix

    yield
    import analytics.words.start

    yield
    import analytics.words.review

    yield
    import analytics.words.ratings

    yield
    import analytics.words.load

    yield
    import analytics.words.cutoffs

    yield
    import analytics.words.advice  # noqa: F401

    yield


def name_every_text() -> None:
    """Load every module that puts codes in words."""
    for _ in _vocabulary():
        pass


def asks(question: Code, text: Said, method: Said = "") -> None:
    """Name the text of a question, and how its answer is worked out; both take from the values of the question what they name.
    method: how the question is answered."""
    texts({question: text})
    _METHODS[question] = method


def method_of(question: Reason) -> str:
    """How the answer to a question is worked out, and the source."""
    return _filled(_words(_METHODS, question.code), question)


def asked(question: Reason) -> str:
    """The text of a question."""
    return _filled(_words(_SAID, question.code), question)


def _filled(words: Said, question: Reason) -> str:
    if isinstance(words, str):
        return prose(filled(words, **question.values))
    return prose(words(**{name: question.values[name] for name in inspect.signature(words).parameters}))


def _words(texts_of: dict[Code, Said], code: Code) -> Said:
    if code not in texts_of:
        any(code in texts_of for _ in _vocabulary())
    return texts_of[code]


def say(reason: Reason | Code) -> str:
    """The sentence, or the part of one, that a code stands for. reason: a code with its figures."""
    if isinstance(reason, Code):
        reason = Reason(reason)
    words = _words(_SAID, reason.code)
    return prose(filled(words, **reason.values) if isinstance(words, str) else words(**reason.values))


def say_all(reasons: Iterable[Reason]) -> tuple[str, ...]:
    """Each in words, in their order. reasons: in order."""
    return tuple(say(r) for r in reasons)
