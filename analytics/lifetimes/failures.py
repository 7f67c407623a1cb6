"""What counts as a failure of a part: the one place that says so."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.schema import CAUSES

INSTALL = "install"
#: a part that failed for its own sake, for over-limit use, or unclear why; install errors are the shop's and shown apart
COUNTED_CAUSES = tuple(cause for cause in CAUSES if cause != INSTALL)


def ended_by_failure(table: pd.DataFrame) -> np.ndarray:
    """Rows (n,) of the table of lifetimes that ended in a failure, whatever its cause."""
    return (table["ended"] == "failed").to_numpy()


def counts_as_failure(table: pd.DataFrame, causes: tuple[str, ...] = COUNTED_CAUSES) -> np.ndarray:
    """Rows (n,) of the table of lifetimes that count as failures of the part: those of the ``causes``."""
    return ended_by_failure(table) & table["cause"].fillna("").isin(causes).to_numpy()


def failed_by_install(table: pd.DataFrame) -> np.ndarray:
    """Rows (n,) of the table of lifetimes that ended by an install error."""
    return counts_as_failure(table, (INSTALL,))
