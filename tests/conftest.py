"""Outside values: figures computed in R or printed in a book, kept in tests/reference with their sources."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import settings

# the same examples on every run; `pytest --hypothesis-profile=explore` looks for new ones
settings.register_profile("repeatable", derandomize=True, print_blob=False)
settings.register_profile("explore", max_examples=500)
settings.load_profile("repeatable")

# the tests themselves run side by side: what they test stays in their process, but for the test of that
os.environ.setdefault("ANALYTICS_JOBS", "1")
# and work everything out anew, but for the tests of what is kept
os.environ["ANALYTICS_CACHE"] = "off"

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference() -> Callable[..., pd.DataFrame]:
    """reference(case, quantity=None, group=None): expected rows, columns case, quantity, group, at, value."""
    table = pd.read_csv(REFERENCE / "expected.csv", dtype={"group": str, "at": str}, keep_default_na=False)

    def rows(case: str, quantity: str | None = None, group: str | None = None) -> pd.DataFrame:
        chosen = table[table["case"] == case]
        if quantity is not None:
            chosen = chosen[chosen["quantity"] == quantity]
        if group is not None:
            chosen = chosen[chosen["group"] == group]
        assert len(chosen), f"no expected value for {case} {quantity} {group}"
        return chosen.reset_index(drop=True)

    return rows


@pytest.fixture(scope="session")
def published() -> Callable[..., pd.DataFrame]:
    """published(case, quantity=None): figures as printed, with tolerance, source and how they are known."""
    table = pd.read_csv(REFERENCE / "published.csv", dtype={"group": str, "at": str}, keep_default_na=False)

    def rows(case: str, quantity: str | None = None) -> pd.DataFrame:
        chosen = table[(table["case"] == case) & ((quantity is None) | (table["quantity"] == quantity))]
        assert len(chosen), f"no published value for {case} {quantity}"
        return chosen.reset_index(drop=True)

    return rows


@pytest.fixture(scope="session")
def reference_data() -> Callable[[str], pd.DataFrame]:
    """reference_data(name): the published data set of that name."""

    def load(name: str) -> pd.DataFrame:
        return pd.read_csv(REFERENCE / f"data_{name}.csv")

    return load
