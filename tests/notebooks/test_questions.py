"""The table of the owner's questions names only what is there."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "notebooks" / "questions.md").read_text(encoding="utf-8")
ROWS = [
    [cell.strip() for cell in line.strip("| ").split(" | ")] for line in TEXT.splitlines() if re.match(r"\| \d", line)
]
SECTIONS = sorted(set(re.findall(r"\[(\w+)\]\((\w+)\.ipynb\) › \*([^*]+)\*", TEXT)))
COMMANDS = sorted(set(re.findall(r"`python -m analytics (\w+)", TEXT)))
FUNCTIONS = sorted(set(re.findall(r"`(analytics(?:\.\w+)+)`", TEXT)))


def headings(name: str) -> set[str]:
    notebook = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    lines = [line for cell in notebook.cells if cell.cell_type == "markdown" for line in cell.source.splitlines()]
    return {line.lstrip("# ").strip() for line in lines if line.startswith("## ")}


def test_every_question_has_a_place_or_a_reason():
    assert [int(row[0]) for row in ROWS] == list(range(1, 39))
    for number, question, where, answer in ROWS:
        assert question.endswith("?"), number
        assert "›" in where or "`python -m analytics" in where, number
        assert len(answer) > 20, number


@pytest.mark.parametrize(("name", "file", "section"), SECTIONS, ids=lambda value: value)
def test_the_section_is_in_the_notebook(name, file, section):
    assert name == file
    assert section in headings(name)


def test_the_commands_are_there():
    told = subprocess.run(
        [sys.executable, "-m", "analytics", "--help"], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    listed = set(re.search(r"\{([\w,]+)\}", told)[1].split(","))
    assert set(COMMANDS) <= listed
    assert {"check", "ratings", "backtest"} <= set(COMMANDS)


@pytest.mark.parametrize("path", FUNCTIONS)
def test_the_functions_are_there(path):
    module, name = path.rsplit(".", 1)
    assert callable(getattr(importlib.import_module(module), name))


def test_the_readme_leads_there():
    assert "(notebooks/questions.md)" in (ROOT / "README.md").read_text(encoding="utf-8")
