"""What openings tell of damage that stops no truck: each part looked at while its unit was apart, found damaged or clean.

A truck nobody opened tells nothing of such damage (current status data: Sun, *The Statistical Analysis of Interval-censored Failure Time
Data*, 2006, ch. 1), and what stops trucks tells nothing either. So the lives here are those of parts that were looked at, alone: damaged
by the day they were found so, good on the last day they were seen whole.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from analytics.lifetimes.schema import CLOCKS
from analytics.records.load import Records


def opened_lives(records: Records, spells: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """The lives among ``spells`` (make_spells) of the ``records`` of parts looked at, as the openings alone have them: ended on the last of these, by failure where
    damage was found. Of components that the shop looks at ([findings.looked_at]) and at which a teardown has found any. units: make_units; of a
    row of several it is not known which was opened."""
    returns = records.returns
    damaged = returns.loc[returns["cause"] != "no fault", ["unit", "component", "day"]]
    alone = spells[~spells["unit"].map(units["of_several"]).to_numpy(bool)]
    found = [
        _as_opened(own, damaged.loc[damaged["component"].isin(by), ["unit", "day"]])
        for component, by in records.shop.names.looked_at.items()
        if (own := alone[alone["component"] == component])["at_teardown"].any()
    ]
    return pd.concat(found, ignore_index=True) if found else spells.iloc[:0]


def _as_opened(own: pd.DataFrame, openings: pd.DataFrame) -> pd.DataFrame:
    """The lives ``own`` of one component by the ``openings`` (unit, day) at which it is looked at. At one that ends a life otherwise nobody
    says whether it had such damage too."""
    own = own.reset_index(drop=True)
    pairs = own[["unit", "started_on", "ended_on", "ended"]].reset_index().merge(openings, on="unit")
    before = (pairs["day"] < pairs["ended_on"]) | (pairs["day"] == pairs["ended_on"]) & (pairs["ended"] == "running")
    whole = pairs[before & (pairs["day"] > pairs["started_on"])].groupby("index")["day"].max().reindex(own.index)
    clean = ~own["at_teardown"] & whole.notna()
    rows = own.assign(last_good=whole.mask(clean), ended_on=own["ended_on"].mask(clean, whole))
    rows.loc[clean, ["cause", "finding", "order", "flags"]] = ""
    rows.loc[clean, "ended"] = "removed"
    return rows[clean | rows["at_teardown"]]


def found_damaged(table: pd.DataFrame) -> pd.Series:
    """Rows (n,) of a ``table`` of lifetimes that ended by damage found when the unit was opened for something else."""
    return table["ended"].eq("failed") & (table["lower_days"] < table["upper_days"])


def found_when_opened(opened: pd.DataFrame, component: str, part: str) -> int:
    """Of a ``component``'s part how many were found damaged, among the lives of the parts looked at (`Lifetimes.opened`)."""
    own = opened[(opened["component"] == component) & (opened["part"] == part)]
    return int(own.loc[found_damaged(own), "count"].sum())


def still_driving(table: pd.DataFrame, of: Collection[str] | None = None) -> pd.DataFrame:
    """The ``table`` of lifetimes by what stops a truck alone: a part found damaged had not stopped it by then. ``of``: of these components alone, those
    a shop looks at; of another nobody says what else a truck was opened for, so that the damage may have brought it in."""
    found = found_damaged(table)
    if of is not None:
        found &= table["component"].isin(list(of))
    clocks = {}
    for clock in CLOCKS:
        upper = table[f"upper_{clock}"]
        clocks[f"lower_{clock}"] = table[f"lower_{clock}"].mask(found, upper)
        clocks[f"upper_{clock}"] = upper.mask(found & upper.notna(), np.inf)
    blank = {column: table[column].mask(found, "") for column in ("cause", "finding", "order")}
    return table.assign(ended=table["ended"].mask(found, "removed"), **blank, **clocks)
