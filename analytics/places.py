"""Where the notebooks, the tables of the evidence and the demo's sheets lie: inside an installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from analytics.errors import AnalyticsError

_PACKAGE = Path(__file__).parent
#: where setup.py puts what a checkout keeps beside the package
_SHIPPED = _PACKAGE / "shipped"


def notebooks_folder() -> Path:
    """The folder of the notebooks. Raises AnalyticsError where there is none."""
    folder = _found("notebooks", "notebooks")
    if not folder.is_dir():
        raise AnalyticsError("the notebooks are neither in the package nor beside it. Install the package again.")
    return folder


def evidence_folder() -> Path:
    """The folder of the studies' tables; what reads them says so where there are none."""
    return _found("evidence", "data/evidence")


def demo_folder(name: str) -> Path:
    """The folder of an invented shop's sheets: ``name`` is demo or demo_load."""
    return _found(name, f"data/{name}")


def _found(shipped: str, beside: str) -> Path:
    inside = _SHIPPED / shipped
    return inside if inside.is_dir() else _PACKAGE.parent / beside
