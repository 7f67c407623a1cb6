"""Every notebook is kept clean, and runs on the demo."""

from __future__ import annotations

import ast
import html
import importlib
import re
from pathlib import Path

import nbformat
import pytest

from tests.test_promises import WRITTEN

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_is_kept_clean(path):
    notebook = nbformat.read(path, as_version=4)
    assert notebook.metadata.kernelspec.name == "python3"
    assert any("parameters" in cell.metadata.get("tags", []) for cell in notebook.cells)
    for cell in notebook.cells:
        assert not cell.get("outputs"), "commit notebooks without outputs"
        assert cell.get("execution_count") is None


def test_the_evidence_notebook_runs(tmp_path):
    from analytics.report.run import run_notebook

    page = run_notebook("evidence", {"folder": str(ROOT / "data" / "evidence")}, tmp_path / "evidence.html", "Evidence")
    text = page.read_text(encoding="utf-8")
    assert "How often are the ratings right?" in text
    assert "Traceback" not in text
    # every promise that the README of the evidence has stands on the page, in the same words, with what was measured
    rows = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in re.findall(r"<tr>(.*?)</tr>", text, re.DOTALL)]
    shown = [[html.unescape(re.sub(r"<[^>]+>", "", cell)) for cell in row] for row in rows]
    assert [[name, *cells] for name, cells in WRITTEN.items() if [name, *cells] not in shown] == []


def test_every_notebook_is_run_by_a_test():
    """evidence, start, advise and open run here, the others through the command line (tests/test_main.py)."""
    assert {p.stem for p in NOTEBOOKS} == {
        "quarterly_review",
        "power_ratings",
        "driveline_load",
        "tier_cutoff",
        "evidence",
        "start",
        "advise",
        "open",
    }


def test_the_start_notebook_runs_and_writes_nothing(tmp_path):
    from analytics.report.run import run_notebook
    from tests.start.shops import workbook_shop

    workbook_shop(tmp_path / "shop")
    page = run_notebook("start", {"folder": str(tmp_path / "shop")}, tmp_path / "start.html", "Start")
    text = page.read_text(encoding="utf-8")
    assert "Lines proposed for shop.toml" in text
    assert "Traceback" not in text
    assert [p.name for p in (tmp_path / "shop").iterdir()] == ["Shop book.xlsx"]


def test_the_advise_notebook_runs(tmp_path):
    from analytics.report.run import run_notebook
    from tests.advice.test_adviser import shop_of

    shop_of(tmp_path / "shop")
    page = run_notebook("advise", {"folder": str(tmp_path / "shop")}, tmp_path / "advise.html", "Advise")
    text = page.read_text(encoding="utf-8")
    assert "What to build it with: 488 hp, 7,000 lb, street" in text
    assert "A driveline part can burst at speed" in text
    assert "Traceback" not in text


def test_the_notebook_that_opens_a_shop_runs(tmp_path):
    from analytics.report.run import run_notebook
    from tests.small_shop import write_shop

    write_shop(tmp_path / "shop")
    page = run_notebook("open", {"folder": str(tmp_path / "shop")}, tmp_path / "open.html", "Open")
    assert "Traceback" not in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_uses_the_door_alone(path):
    """Questions and calls: what works them out, in words and pictures, is none of the reader's business."""
    cells = [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    trees = [ast.parse(source) for source in cells]
    imported = [
        name
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names])
    ]
    assert imported == ["analytics"]
    assert max(len(source.splitlines()) for source in cells) <= 12


@pytest.mark.parametrize(
    "path", [p for p in NOTEBOOKS if p.stem not in ("start", "advise", "open")], ids=lambda p: p.stem
)
def test_a_notebook_shows_every_section_of_its_page(path):
    page = {
        "quarterly_review": "review_page",
        "power_ratings": "ratings_page",
        "driveline_load": "load_page",
        "tier_cutoff": "cutoff_page",
        "evidence": "evidence_page",
    }[path.stem]
    sections = importlib.import_module(f"analytics.report.{page}").SECTIONS
    cells = [c.source for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    assert re.findall(r'\.show\("(\w+)"\)', "\n".join(cells)) == list(sections)
