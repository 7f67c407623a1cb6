"""Numbers below, words above: no sentence is made, and no number is dressed for reading, below ``words``; nor above it, where pages,
pictures and files are made and the terminal is spoken to, but on the axes of a picture.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import analytics

PACKAGE = Path(analytics.__file__).parent
#: layers that hold numbers; records speaks in errors and remedies alone
NUMBERS = ("start", "lifetimes", "models", "driveline", "ratings", "cutoffs", "review", "advice")
#: layers that show what words say
SHOWING = ("report", "api")
FILES = sorted(p for layer in NUMBERS + SHOWING for p in (PACKAGE / layer).rglob("*.py"))
FILES.append(PACKAGE / "__main__.py")
#: what names an axis, a tick, a line or a place in a picture, and what an option of the command line is for
DRAWN = "set_xlabel set_ylabel supxlabel set_label set_xticks set_yticks set_major_formatter text annotate".split()
OPTIONS = ("argument", "Command")


def sentences(source: str) -> list[str]:
    """Texts of five words or more outside docstrings, errors and reprs, and formats for a reader (thousands, percent, fixed places)."""
    tree = ast.parse(source)
    quiet = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            quiet |= {id(first.value) for first in node.body[:1] if isinstance(first, ast.Expr)}
        developer = isinstance(node, ast.FunctionDef) and node.name == "__repr__"
        # an error, what a refused quantity is called in one, a line of progress, and a list of names in one string
        call = node.func if isinstance(node, ast.Call) else None
        named = (
            getattr(call, "id", "") in ("quantity", "below", "AnalyticsError", "say", *OPTIONS)
            or getattr(call, "attr", "") in ["split", *DRAWN]
            or (isinstance(node, ast.keyword) and node.arg == "label")
        )
        if isinstance(node, ast.Raise | ast.Assert) or developer or named:
            quiet |= {id(inner) for inner in ast.walk(node)}
    # pieces of an f-string count once, as the whole
    quiet |= {id(v) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for v in n.values}
    quiet |= {
        id(inner)
        for n in ast.walk(tree)
        if isinstance(n, ast.FormattedValue) and n.format_spec is not None
        for inner in ast.walk(n.format_spec)
    }
    found = []
    for node in ast.walk(tree):
        if id(node) in quiet or not isinstance(node, ast.Constant | ast.JoinedStr):
            continue
        parts = [node] if isinstance(node, ast.Constant) else node.values
        text = " ".join(p.value for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str))
        text = re.sub(r"<[^>]*>", " ", text)
        dressed = isinstance(node, ast.JoinedStr) and any(
            isinstance(p, ast.FormattedValue)
            and p.format_spec is not None
            and re.search(r"[,%]|\.\d+[fg]", ast.unparse(p.format_spec))
            for p in node.values
        )
        if len(re.findall(r"[a-z]{2,}", text)) >= 5 or dressed:
            found.append(f"{node.lineno}: {text[:70]}")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_sentence_below_words(path):
    name, found = path.relative_to(PACKAGE).as_posix(), sentences(path.read_text(encoding="utf-8"))
    assert not found, f"{name} makes sentences: {found}"


def test_the_check_sees_a_sentence_and_a_dressed_number_and_passes_over_docstrings_and_errors():
    source = '''
"""A module of many words that says what it is for."""
def f(n):
    """Words that nobody sees but who reads the code here."""
    if n < 0:
        raise ValueError(f"the number {n:,} is below nought and so cannot be used")
    a = "the records cannot carry a number here"
    return f"{n:,}", f"{n:.1%}", "power_hp", f"{n}"
'''
    assert len(sentences(source)) == 3
