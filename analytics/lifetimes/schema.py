"""What the table of lifetimes must hold: the last gate before anything is computed from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError

Clock = Literal["miles", "days", "runs"]
CLOCKS: tuple[Clock, ...] = ("miles", "days", "runs")
ENDS = ("failed", "removed", "running", "changed")
CAUSES = ("part", "install", "over limit", "unclear", "")


@dataclass(frozen=True, slots=True)
class _Column:
    """What one column holds. kind: its type; allowed: its words, where few (None: any); least: its lowest figure, or that it lies
    ``above``; blanks: whether a figure may be missing."""

    kind: str
    allowed: tuple[str, ...] | None = None
    least: float = -np.inf
    above: bool = False
    blanks: bool = False

    def broken(self, values: pd.Series) -> np.ndarray:
        """Rows (n,) bool that break it."""
        missing = values.isna().to_numpy()
        if self.allowed is not None:
            return ~values.isin(self.allowed).to_numpy()
        if self.kind == "object":
            return missing
        figures = values.to_numpy()
        low = figures <= self.least if self.above else figures < self.least
        return low if self.blanks else low | missing


_TEXT, _WHOLE, _FIGURE = _Column("object"), _Column("int64", least=1), _Column("float64", blanks=True)
_COLUMNS = {
    **dict.fromkeys(("serial", "component", "part", "lot", "finding", "use", "builder", "flags"), _TEXT),
    "ended": _Column("object", ENDS),
    "cause": _Column("object", CAUSES),
    "order": _Column("object", ("first", "followed", "unclear", "")),
    "miles_from": _Column("object", ("return", "reading", "interpolated", "none")),
    **dict.fromkeys(("spell", "segment", "count"), _WHOLE),
    **{f"{side}_{clock}": _FIGURE for clock in CLOCKS for side in ("entry", "lower", "upper")},
    **dict.fromkeys(("entry_days", "lower_days", "upper_days"), _Column("float64", least=0)),
    **dict.fromkeys(("power_hp", "weight_lb"), _Column("float64", least=0, above=True, blanks=True)),
}


def check_lifetimes(table: pd.DataFrame) -> None:
    """Raise AnalyticsError, naming rows and rule, where the table breaks what it promises."""
    _check_columns(table)
    _check_between(table)


def _check_columns(table: pd.DataFrame) -> None:
    """Raises where a column is missing or holds what it may not."""
    for name, column in _COLUMNS.items():
        if name not in table or table[name].dtype != column.kind:
            found = table[name].dtype if name in table else "missing"
            raise _fault(pd.DataFrame({"column": [name], "should be": [column.kind], "is": [str(found)]}))
        if (broken := column.broken(table[name])).any():
            raise _fault(_rows(table, broken, name), f" {name}:")


def _check_between(table: pd.DataFrame) -> None:
    """Raises where columns contradict each other."""
    failed = (table["ended"] == "failed").to_numpy()
    broken = failed != (table["cause"] != "").to_numpy()
    if broken.any():
        raise _fault(_rows(table, broken), " a failure without a cause, or a cause without a failure:")
    for clock in CLOCKS:
        entry, lower, upper = (table[f"{side}_{clock}"].to_numpy() for side in ("entry", "lower", "upper"))
        if (broken := (entry > lower) | (entry < 0)).any():
            raise _fault(_rows(table, broken), f" entry_{clock} below 0 or above lower_{clock}:")
        if (broken := lower > upper).any():
            raise _fault(_rows(table, broken), f" lower_{clock} above upper_{clock}:")
        if (broken := ~failed & np.isfinite(upper)).any():
            raise _fault(_rows(table, broken), f" upper_{clock} of a part that did not fail:")


def _rows(table: pd.DataFrame, broken: np.ndarray, *more: str) -> pd.DataFrame:
    shown = dict.fromkeys(("serial", "component", "spell", "segment", *more))
    return table.loc[broken, list(shown)].head(5)


def _fault(cases: pd.DataFrame, rule: str = "") -> AnalyticsError:
    return AnalyticsError(
        f"the table of lifetimes breaks its own rules; this is a fault of the program, report it:{rule}\n{cases.to_string(index=False)}"
    )
