"""Every code has words, every word has a code, and nothing is said of what no code names."""

from __future__ import annotations

import ast
import inspect
import re
import string
from pathlib import Path

import pandas as pd
import pytest

import analytics
import analytics.words.answers
from analytics.reasons import Assumption, CameSince, Code, ReadAs, reason
from analytics.words import saying
from analytics.words.answers import readable
from analytics.words.saying import say
from analytics.words.units import p_words

PACKAGE = Path(analytics.__file__).parent
saying.name_every_text()
NAN = float("nan")
CODES = [code for room in Code.__subclasses__() for code in room]


def asked(code: Code) -> set[str] | None:
    """Names of the values that the words of a code ask for, those of a question for its method too; None: any."""
    named: set[str] = set()
    for words in (saying._SAID[code], saying._METHODS.get(code, "")):
        if isinstance(words, str):
            named |= {re.split(r"[.\[]", name)[0] for _, name, _, _ in string.Formatter().parse(words) if name}
            continue
        parameters = inspect.signature(words).parameters.values()
        if any(p.kind is p.VAR_KEYWORD for p in parameters):
            return None
        named |= {p.name for p in parameters}
    return named


def given() -> list[tuple[str, Code, set[str]]]:
    """Where a reason is made with its code written out: place, code, names of the values it is given."""
    rooms = {room.__name__: room for room in Code.__subclasses__()}
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and getattr(node.func, "id", "") in ("reason", "reason_if", "flag")
                and node.args
            ):
                code = node.args[0]
                if isinstance(code, ast.Attribute) and getattr(code.value, "id", "") in rooms:
                    if any(k.arg is None for k in node.keywords):
                        continue
                    place = f"{path.relative_to(PACKAGE).as_posix()}:{node.lineno}"
                    found.append((place, rooms[code.value.id][code.attr], {k.arg for k in node.keywords}))
    return found


def test_every_code_has_words_and_all_words_a_code():
    assert set(CODES) == set(saying._SAID)


def test_every_code_is_used():
    sources = {p: p.read_text(encoding="utf-8") for p in sorted(PACKAGE.rglob("*.py")) if "words" not in p.parts}
    text = "\n".join(s for p, s in sources.items() if p.name != "reasons.py")
    unused = [f"{type(c).__name__}.{c.name}" for c in CODES if f"{type(c).__name__}.{c.name}" not in text]
    assert not unused


@pytest.mark.parametrize(("place", "code", "names"), given(), ids=lambda value: value if isinstance(value, str) else "")
def test_a_reason_is_given_what_its_words_ask_for(place, code, names):
    wanted = asked(code)
    assert wanted is None or names == wanted, f"{place}: {code} is given {names}, its words ask for {wanted}"


def test_codes_of_two_rooms_are_never_one():
    first, second = Code.__subclasses__()[1:3]
    assert len({*first, *second}) == len(first) + len(second)


def test_an_unknown_value_is_an_error():
    with pytest.raises(TypeError):
        saying.say(reason(next(c for c in CODES if callable(saying._SAID[c])), nonsense=1))


def test_codes_in_a_table_are_said_and_the_rest_is_left_alone():
    frame = pd.DataFrame(
        {"verdict": [CameSince.BORNE_OUT, ""], "share": [reason(ReadAs.REPORTED, share=0.5), None], "n": [1, 2]}
    )
    told = readable(frame)
    assert told["verdict"].tolist() == ["confirmed by what came since", ""]
    assert told["share"].tolist() == ["50% of failures reported", None]
    assert told["n"].equals(frame["n"])


@pytest.mark.parametrize(
    ("p", "told"),
    [(0.0131, "p = 0.013"), (0.9, "p = 0.9"), (4e-5, "p under 0.0001"), (0.0, "p under 0.0001"), (NAN, "p not known"),
     (0.994, "p = 0.99"), (0.996, "p over 0.99"), (1.0, "p = 1")],
)  # fmt: skip
def test_a_p_value_is_never_0_nor_1_where_it_is_not(p, told):
    assert p_words(p) == told
    assert told in say(reason(Assumption.POWER_LAW_BENDS, p_value=p))


def test_a_p_value_is_said_in_one_way():
    """Nobody but `p_words` writes 'p = ' before a figure."""
    for path in sorted((PACKAGE / "words").rglob("*.py")):
        told = re.findall(r"\bp ?= ?\{.*?\}", path.read_text(encoding="utf-8"))
        assert told == (["p = {p:.2g}"] if path.name == "units.py" else []), path
