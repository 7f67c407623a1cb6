"""Every public function has a docstring, and it names its parameters; folder by folder, with the number still to write, which only shrinks."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import analytics

PACKAGE = Path(analytics.__file__).parent
#: functions of a folder whose docstring leaves out a parameter; 0 in every other
LEFT: dict[str, int] = {}


def left_out(source: str) -> list[str]:
    """Public functions of a module, each with the parameters that its docstring does not name."""
    found = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            told = ast.get_docstring(node) or ""
            names = [a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
            missing = [name for name in names if not re.search(rf"\b{name}\b", told)]
            if missing or not told:
                found.append(f"{node.name}: {', '.join(missing)}")
    return found


FOLDERS = sorted({path.relative_to(PACKAGE).parts[0] for path in PACKAGE.rglob("*.py")})


@pytest.mark.parametrize("folder", FOLDERS)
def test_docstrings_name_their_parameters(folder):
    place = PACKAGE / folder
    paths = sorted(place.rglob("*.py")) if place.is_dir() else [place]
    found = [f"{path.name} {line}" for path in paths for line in left_out(path.read_text(encoding="utf-8"))]
    assert len(found) <= LEFT.get(folder, 0), found
    assert len(found) == LEFT.get(folder, 0), f"{folder}: {len(found)} are left, put it down"


def test_the_check_sees_what_is_left_out():
    source = 'def f(a, *, b=1):\n    """Doubles ``a``."""\n\ndef g():\n    pass\n\ndef _h(c):\n    pass\n'
    assert left_out(source) == ["f: b", "g: "]
