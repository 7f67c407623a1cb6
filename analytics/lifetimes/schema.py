"""What the table of lifetimes must hold: the last gate before anything is computed from it."""

from __future__ import annotations

import pandas as pd

from analytics.errors import AnalyticsError

CLOCKS = ("miles", "days", "runs")
ENDS = ("failed", "removed", "running", "changed")
CAUSES = ("part", "install", "over limit", "unclear", "")


def _schema():
    import pandera.pandas as pa

    number = lambda: pa.Column(float, nullable=True)
    text = lambda *allowed: pa.Column(object, pa.Check.isin(allowed) if allowed else None)
    ordered = [
        pa.Check(lambda d, c=clock: ~(d[f"lower_{c}"] > d[f"upper_{c}"]), error=f"lower_{clock} above upper_{clock}")
        for clock in CLOCKS
    ]
    entered = [
        pa.Check(lambda d, c=clock: ~(d[f"entry_{c}"] > d[f"lower_{c}"]), error=f"entry_{clock} above lower_{clock}")
        for clock in CLOCKS
    ]
    failed = pa.Check(
        lambda d: (d["ended"] == "failed") == (d["cause"] != ""),
        error="a failure without a cause, or a cause without a failure",
    )
    return pa.DataFrameSchema(
        {
            **{c: text() for c in ("serial", "component", "part", "lot", "finding", "use", "builder", "flags")},
            "ended": text(*ENDS),
            "cause": text(*CAUSES),
            "order": text("first", "followed", "unclear", ""),
            "miles_from": text("return", "reading", "interpolated", "none"),
            "spell": pa.Column(int, pa.Check.ge(1)),
            "segment": pa.Column(int, pa.Check.ge(1)),
            "count": pa.Column(int, pa.Check.ge(1)),
            **{f"{side}_{clock}": number() for clock in CLOCKS for side in ("entry", "lower", "upper")},
            "entry_days": pa.Column(float, pa.Check.ge(0)),
            "lower_days": pa.Column(float, pa.Check.ge(0)),
            "power_hp": pa.Column(float, pa.Check.gt(0), nullable=True),
            "weight_lb": pa.Column(float, pa.Check.gt(0), nullable=True),
        },
        checks=[*ordered, *entered, failed],
    )


def check_lifetimes(table: pd.DataFrame) -> None:
    """Raise AnalyticsError, naming rows and rule, where the table breaks what it promises."""
    import pandera.errors

    try:
        _schema().validate(table, lazy=True)
    except pandera.errors.SchemaErrors as err:
        cases = err.failure_cases[["column", "check", "failure_case", "index"]].head(5)
        raise AnalyticsError(
            f"the table of lifetimes breaks its own rules; this is a fault of the program, report it:\n{cases.to_string(index=False)}"
        ) from err
