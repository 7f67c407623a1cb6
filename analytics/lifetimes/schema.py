"""What the table of lifetimes must hold: the last gate before anything is computed from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError

if TYPE_CHECKING:
    import pandera.pandas as pa

Clock = Literal["miles", "days", "runs"]
CLOCKS: tuple[Clock, ...] = ("miles", "days", "runs")
ENDS = ("failed", "removed", "running", "changed")
CAUSES = ("part", "install", "over limit", "unclear", "")


def _schema() -> pa.DataFrameSchema:
    import pandera.pandas as pa

    def number(*checks: pa.Check) -> pa.Column:
        return pa.Column(float, list(checks), nullable=True)

    def text(*allowed: str) -> pa.Column:
        return pa.Column(object, pa.Check.isin(allowed) if allowed else None)

    whole = pa.Column(int, pa.Check.ge(1))
    columns = {c: text() for c in ("serial", "component", "part", "lot", "finding", "use", "builder", "flags")}
    columns |= {"ended": text(*ENDS), "cause": text(*CAUSES), "order": text("first", "followed", "unclear", "")}
    columns |= {"miles_from": text("return", "reading", "interpolated", "none")}
    columns |= {"spell": whole, "segment": whole, "count": whole}
    columns |= {f"{side}_{clock}": number() for clock in CLOCKS for side in ("entry", "lower", "upper")}
    columns |= {c: pa.Column(float, pa.Check.ge(0)) for c in ("entry_days", "lower_days", "upper_days")}
    columns |= {c: number(pa.Check.gt(0)) for c in ("power_hp", "weight_lb")}
    return pa.DataFrameSchema(columns)


def check_lifetimes(table: pd.DataFrame) -> None:
    """Raise AnalyticsError, naming rows and rule, where the table breaks what it promises.

    The rules between columns are checked here and not in the schema, which copies the whole table for each.
    """
    import pandera.errors

    try:
        _schema().validate(table, lazy=True)
    except pandera.errors.SchemaErrors as err:
        cases = err.failure_cases[["column", "check", "failure_case", "index"]].head(5)
        raise _fault(cases) from err
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


def _rows(table: pd.DataFrame, broken: np.ndarray) -> pd.DataFrame:
    return table.loc[broken, ["serial", "component", "spell", "segment"]].head(5)


def _fault(cases: pd.DataFrame, rule: str = "") -> AnalyticsError:
    return AnalyticsError(
        f"the table of lifetimes breaks its own rules; this is a fault of the program, report it:{rule}\n{cases.to_string(index=False)}"
    )
