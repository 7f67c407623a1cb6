"""Every notebook is kept clean, and runs on the demo."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest

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
