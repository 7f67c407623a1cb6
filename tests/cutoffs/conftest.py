"""The demo's records, read once."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.records.load import Records, load_records
from studies.simulate import write_demo

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="session")
def demo_records() -> Records:
    return load_records(DEMO)


@pytest.fixture(scope="session")
def demo(demo_records) -> Lifetimes:
    return make_lifetimes(demo_records)


@pytest.fixture(scope="session")
def large_demo(tmp_path_factory) -> Lifetimes:
    """The same invented world as the demo's, 4,000 units instead of 900."""
    folder = tmp_path_factory.mktemp("demo") / "shop"
    write_demo(folder, units=4000, seed=92)
    return make_lifetimes(load_records(folder))
