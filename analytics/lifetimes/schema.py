"""What the table of lifetimes must hold: the last gate before anything is computed from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError

if TYPE_CHECKING:
    import pandera.pandas as pa

CLOCKS = ("miles", "days", "runs")
ENDS = ("failed", "removed", "running", "changed")
CAUSES = ("part", "install", "over limit", "unclear", "")
_FAULT = "the table of lifetimes breaks its own rules; this is a fault of the program, report it"


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
        raise AnalyticsError(f"{_FAULT}:\n{cases.to_string(index=False)}") from err
    failed = (table["ended"] == "failed").to_numpy()
    rules = {"a failure without a cause, or a cause without a failure": failed != (table["cause"] != "").to_numpy()}
    for clock in CLOCKS:
        entry, lower, upper = (table[f"{side}_{clock}"].to_numpy() for side in ("entry", "lower", "upper"))
        rules[f"entry_{clock} below 0 or above lower_{clock}"] = (entry > lower) | (entry < 0)
        rules[f"lower_{clock} above upper_{clock}"] = lower > upper
        rules[f"upper_{clock} of a part that did not fail"] = ~failed & np.isfinite(upper)
    for rule, broken in rules.items():
        if broken.any():
            cases = table.loc[broken, ["serial", "component", "spell", "segment"]].head(5)
            raise AnalyticsError(f"{_FAULT}: {rule}:\n{cases.to_string(index=False)}")
