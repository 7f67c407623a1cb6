"""Notebooks, evidence and the demo are found beside the package in a checkout, and inside it once installed."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from analytics import places
from analytics.errors import AnalyticsError

ROOT = Path(__file__).parents[1]


def test_a_checkout_has_them_beside_the_package():
    assert places.notebooks_folder() == ROOT / "notebooks"
    assert places.evidence_folder() == ROOT / "data" / "evidence"
    assert places.demo_folder("demo_load") == ROOT / "data" / "demo_load"


def test_an_installed_package_has_them_inside(monkeypatch, tmp_path):
    for name in ("notebooks", "evidence", "demo"):
        (tmp_path / "shipped" / name).mkdir(parents=True)
    monkeypatch.setattr(places, "_SHIPPED", tmp_path / "shipped")
    assert places.notebooks_folder() == tmp_path / "shipped" / "notebooks"
    assert places.evidence_folder() == tmp_path / "shipped" / "evidence"
    assert places.demo_folder("demo") == tmp_path / "shipped" / "demo"


def test_nowhere_is_said(monkeypatch, tmp_path):
    monkeypatch.setattr(places, "_PACKAGE", tmp_path / "analytics")
    with pytest.raises(AnalyticsError, match="Install the package again"):
        places.notebooks_folder()


def test_every_package_is_built(monkeypatch):
    """Whatever folder of the package holds code goes into the wheel, and what lies beside it too (.ci/wheel runs it)."""
    pytest.importorskip("setuptools")
    told = {}
    monkeypatch.setattr("setuptools.setup", told.update)
    monkeypatch.chdir(ROOT)
    runpy.run_path(str(ROOT / "setup.py"))
    code = {".".join(p.parent.relative_to(ROOT).parts) for p in (ROOT / "analytics").rglob("*.py")}
    assert code | set(told["package_dir"]) == set(told["packages"])
    for name, folder in told["package_dir"].items():
        assert name.startswith("analytics.shipped.")
        assert (ROOT / folder).is_dir()
