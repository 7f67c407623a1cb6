"""What a row of builds that stands for several units is: as many units alike, each return of another one of them.

The trucks that came back become rows of their own, so that nothing later has to know of rows of several; those that did
not stay together in one row, with their number. In order of day each return is of a truck that had not come back yet;
when all have, it is again of the one that came back longest ago. What the sheets say of the row (readings, changes, what
was measured) holds for each; a return's odometer is its own truck's alone, and figures that clash with it are others'.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.reasons import Flag
from analytics.records.flags import flag, join

if TYPE_CHECKING:
    from analytics.records.load import Records

_OF_THE_ROW = ("fitted", "readings", "changes", "conditions")


def single_out(records: Records) -> Records:
    """The records with every truck that came back, of a row that stands for several, in a row of its own.

    Such trucks follow the builds as they are, named by the row's serial (``row_serial``) and their number; ``of_several``
    marks them and the row they came from.
    """
    builds = records.builds.assign(of_several=records.builds["count"] > 1, row_serial=records.builds["serial"])
    trips = _trips(records, np.flatnonzero(builds["of_several"]))
    if trips.empty:
        return replace(records, builds=builds)
    trucks = _trucks(trips, builds)
    copied = trucks[trucks["unit"] != trucks["row_unit"]]
    trips = trips.merge(trucks, on=["row_unit", "truck"])
    own_tables = {name: getattr(records, name) for name in _OF_THE_ROW}
    tables = {name: _for_each(table, copied) for name, table in own_tables.items() if "unit" in table}
    returns, aside = records.returns.copy(), records.books.returns_left_out.copy()
    for table, own in ((returns, trips[trips["known"]]), (aside, trips[~trips["known"]])):
        table.loc[own["at"].to_numpy(), "unit"] = own["unit"].to_numpy()
    returns["event"] = returns.groupby([returns["unit"], returns["day"]], sort=True).ngroup()
    first = trips[trips["known"] & (trips["visit"] == 1)]
    for name, column in (("odometer", "miles"), ("runs", "runs")):
        tables[name] = _figures(getattr(records, name), column, trucks, copied, returns.loc[first["at"]])
    changes_aside = _for_each(records.books.changes_left_out, copied)
    books = replace(records.books, returns_left_out=aside, changes_left_out=changes_aside)
    return replace(records, builds=_builds(builds, trucks, copied), returns=returns, books=books, **tables)


def _trips(records: Records, several: np.ndarray) -> pd.DataFrame:
    """Rows of returns, used (known) and set aside, of rows of several: row_unit, at (position), truck, visit, gone."""
    back, aside = records.returns, records.books.returns_left_out
    back = back[back["unit"].isin(several)].assign(known=True)
    frames = [back.assign(at=back.index)]
    if len(aside):
        lost = aside[aside["unit"].isin(several)].assign(known=False, unit_gone=False)
        frames.append(lost.assign(at=lost.index, day=lost["day"].fillna(pd.Timestamp.min)))
    keep = ["unit", "day", "component", "known", "unit_gone", "at"]
    # two of one component on one day are two trucks; the odometer tells which components came in one
    told = ["odometer", "finding", "cause", "part", "row"]
    trips = pd.concat([f.reindex(columns=[*keep, *told]) for f in frames if len(f)] or frames)
    trips = trips.sort_values(["unit", "day", "component", *told], kind="stable", ignore_index=True)
    trips["nth"] = trips.groupby(["unit", "day", "component"]).cumcount()
    trips["gone"] = trips.groupby(["unit", "day", "nth"])["unit_gone"].transform("any").astype(bool)
    trips = trips.rename(columns={"unit": "row_unit"})[["row_unit", "day", "nth", "known", "gone", "at"]]
    events = trips.drop_duplicates(["row_unit", "day", "nth"]).sort_values(["row_unit", "day", "nth"], kind="stable")
    truck, visit = [], []
    for unit, own in events.groupby("row_unit"):
        waiting = deque(range(int(records.builds["count"].iat[unit])))
        out: deque[int] = deque()
        times: Counter[int] = Counter()
        for gone in own["gone"]:
            which = (waiting or out).popleft()
            (out if gone else waiting).append(which)
            times[which] += 1
            truck.append(which)
            visit.append(times[which])
    events = events.assign(truck=truck, visit=visit)
    return trips.merge(events[["row_unit", "day", "nth", "truck", "visit"]], on=["row_unit", "day", "nth"])


def _trucks(trips: pd.DataFrame, builds: pd.DataFrame) -> pd.DataFrame:
    """Trucks that came back: row_unit, truck, unit (position among the builds to be). A row of which all did is its first."""
    trucks = trips[["row_unit", "truck"]].drop_duplicates().sort_values(["row_unit", "truck"], ignore_index=True)
    all_back = trucks.groupby("row_unit")["truck"].transform("size") == builds["count"].to_numpy()[trucks["row_unit"]]
    stays = all_back & (trucks["truck"] == 0)
    unit = trucks["row_unit"].where(stays, 0).to_numpy(copy=True)
    unit[~stays] = len(builds) + np.arange(int((~stays).sum()))
    return trucks.assign(unit=unit)


def _builds(builds: pd.DataFrame, trucks: pd.DataFrame, copied: pd.DataFrame) -> pd.DataFrame:
    out = pd.concat([builds, builds.iloc[copied["row_unit"]]], ignore_index=True)
    count = builds["count"].to_numpy()[trucks["row_unit"]]
    name = builds["serial"].to_numpy()[trucks["row_unit"]]
    at = trucks["unit"].to_numpy()
    left = builds["count"] - trucks["row_unit"].value_counts().reindex(builds.index, fill_value=0)
    out.loc[builds.index, "count"] = left
    out.loc[at, "count"] = 1
    out.loc[at, "serial"] = [f"{s} ({k + 1} of {n})" for s, k, n in zip(name, trucks["truck"], count, strict=True)]
    out.loc[at, "flags"] = [join(flags, flag(Flag.ONE_OF_SEVERAL)) for flags in out.loc[at, "flags"]]
    return out.astype(builds.dtypes)


def _for_each(table: pd.DataFrame, copied: pd.DataFrame) -> pd.DataFrame:
    """The table with the rows of a row of several repeated for each truck taken out of it."""
    own = table[table["unit"].isin(copied["row_unit"])]
    if own.empty:
        return table
    more = own.rename(columns={"unit": "row_unit"}).merge(copied[["row_unit", "unit"]], on="row_unit")[table.columns]
    return pd.concat([table, more.astype(table.dtypes)], ignore_index=True)


def _figures(
    table: pd.DataFrame, column: str, trucks: pd.DataFrame, copied: pd.DataFrame, returns: pd.DataFrame
) -> pd.DataFrame:
    """Figures of each truck: those of its row that agree with what its own return says, and that."""
    table = _for_each(table, copied)
    own = returns[returns[column].notna()]
    own = pd.DataFrame({"unit": own["unit"], "day": own["failed_on"].fillna(own["day"]), column: own[column]})
    own = own.groupby(["unit", "day"], as_index=False)[column].max().sort_values(["unit", "day"])
    own = own[own[column] >= own.groupby("unit")[column].cummax()]
    if own.empty:
        return table.sort_values(["unit", "day"], kind="stable", ignore_index=True)
    ours = table.reset_index(names="at").merge(own, on="unit", suffixes=("", "_own"))
    gap = (ours["day"] - ours["day_own"]).dt.days
    clash = (gap == 0) | (gap * (ours[column] - ours[f"{column}_own"]) < 0)
    table = table.drop(index=ours.loc[clash, "at"].unique())
    if "source" in table:
        own = own.assign(source="return", short=False)
    both = pd.concat([table, own[table.columns]]).astype(table.dtypes)
    return both.sort_values(["unit", "day"], kind="stable", ignore_index=True)
