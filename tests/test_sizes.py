"""Small functions, narrow results, short calls, without exception.

Complexity is branches + 1, as McCabe, IEEE Trans. Softw. Eng. SE-2 (1976) 308-320, counts it (from memory), with a branch for each
comprehension, condition in one and further operand of and/or; a lambda is a function like any other. The bounds are ours: common practice, no source.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import analytics

PACKAGE = Path(analytics.__file__).parent
MOST_COMPLEX, MOST_FIELDS, MOST_PARAMETERS, MEAN_COMPLEXITY = 20, 15, 8, 3.30

_BRANCH = (
    ast.If, ast.For, ast.While, ast.IfExp, ast.ExceptHandler, ast.Assert, ast.comprehension, ast.match_case,
)  # fmt: skip
_FUNCTION = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)


def complexity(function: ast.AST) -> int:
    """Branches + 1, without those of functions inside it."""
    total, todo = 1, list(ast.iter_child_nodes(function))
    while todo:
        node = todo.pop()
        if isinstance(node, _FUNCTION):
            continue
        total += isinstance(node, _BRANCH)
        total += len(node.values) - 1 if isinstance(node, ast.BoolOp) else 0
        total += len(node.ifs) if isinstance(node, ast.comprehension) else 0
        todo += ast.iter_child_nodes(node)
    return total


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) -> int:
    """How many it names, itself included where it is a method."""
    return len(function.args.posonlyargs) + len(function.args.args) + len(function.args.kwonlyargs)


def fields(node: ast.ClassDef) -> int:
    """Fields of a dataclass; 0 of any other class."""
    if not any("dataclass" in ast.dump(d) for d in node.decorator_list):
        return 0
    return sum(isinstance(inner, ast.AnnAssign) for inner in node.body)


@cache
def _nodes() -> tuple[tuple[str, ast.AST], ...]:
    """Functions and classes of the package, each with its place: file:name, the class before a method."""

    def inside(node: ast.AST, place: str) -> Iterator[tuple[str, ast.AST]]:
        for inner in ast.iter_child_nodes(node):
            named = isinstance(inner, (*_FUNCTION, ast.ClassDef))
            own = f"{place}{'.' if place[-1] != ':' else ''}{getattr(inner, 'name', 'lambda')}" if named else place
            if named:
                yield own, inner
            yield from inside(inner, own)

    return tuple(
        found
        for path in sorted(PACKAGE.rglob("*.py"))
        for found in inside(ast.parse(path.read_text(encoding="utf-8")), f"{path.relative_to(PACKAGE).as_posix()}:")
    )


def _functions() -> Iterator[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda]]:
    return ((place, node) for place, node in _nodes() if isinstance(node, _FUNCTION))


def test_nothing_is_over_a_bound():
    over = [place for place, node in _functions() if complexity(node) > MOST_COMPLEX]
    over += [place for place, node in _nodes() if isinstance(node, ast.ClassDef) and fields(node) > MOST_FIELDS]
    over += [place for place, node in _functions() if parameters(node) > MOST_PARAMETERS]
    assert over == [], "split it"


def test_the_mean_complexity():
    found = [complexity(node) for _, node in _functions()]
    assert sum(found) / len(found) <= MEAN_COMPLEXITY


def test_the_counts_bite():
    """By hand: a loop, a condition with two operands more, a comprehension with a condition, one and an assertion, and 1."""
    source = """
def f(a, /, b, *, c):
    for x in a:
        if x and b or c:
            assert x
    def inner(y):
        return y if y else 0
    return [x for x in a if x]

@dataclass(frozen=True)
class R:
    a: int
    b: int = 1

class S:
    a: int
"""
    function, result, plain = ast.parse(source).body
    assert isinstance(function, ast.FunctionDef)
    assert isinstance(result, ast.ClassDef)
    assert isinstance(plain, ast.ClassDef)
    assert complexity(function) == 1 + 1 + 1 + 2 + 1 + 2
    assert parameters(function) == 3
    assert (fields(result), fields(plain)) == (2, 0)
