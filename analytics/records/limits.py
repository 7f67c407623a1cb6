"""Which published limit holds for a part in a truck."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.records.cover import edge_groups, over, up_to


def limit_for(limits: pd.DataFrame, trucks: pd.DataFrame) -> np.ndarray:
    """Row of ``limits`` (position, -1 for none) that holds for each row of ``trucks``; shape (rows,).

    limits: component, part, use, weight_up_to_lb, weight_over_lb (both NaN: any weight), effective_on. trucks: component, part,
    use, weight_lb, day (the build date, or the day asked about). Of the limits of the part in force by that day that cover the truck
    (see `cover`) the narrowest weight holds, a stated use before any use, and the latest date before an earlier one; a limit over an
    edge is narrower than one for any weight. From its day on a limit over an edge takes the place, above that edge, of every earlier
    one for the same use that names another edge above it: the open class is rated at another weight each quarter.
    """
    chosen = np.full(len(trucks), -1)
    component, part, use = (trucks[c].astype(str).to_numpy() for c in ("component", "part", "use"))
    weight, day = trucks["weight_lb"].to_numpy(float), trucks["day"].to_numpy()
    asked = np.flatnonzero(limits["component"].isin(component) & limits["part"].isin(part))
    if not len(asked):
        return chosen
    rows = list(_ranked(limits.iloc[asked].assign(at=asked)).itertuples())
    opened = [r for r in rows if not np.isnan(r.weight_over_lb)]
    # later rows overwrite earlier ones
    for row in rows:
        covers = (component == row.component) & (part == row.part) & ((row.use == "") | (use == row.use))
        covers &= day >= np.datetime64(row.effective_on)
        if not np.isnan(row.weight_up_to_lb):
            covers &= up_to(weight, row.weight_up_to_lb)
        if not np.isnan(row.weight_over_lb):
            covers &= over(weight, row.weight_over_lb)
        for other in opened:
            if _replaces(other, row):
                covers &= ~(over(weight, other.weight_over_lb) & (day >= np.datetime64(other.effective_on)))
        chosen[covers] = row.at
    return chosen


def _ranked(limits: pd.DataFrame) -> pd.DataFrame:
    """The limits, widest weight first, any use before a stated one, oldest first."""
    own = limits.assign(
        any_use=limits["use"] == "", kind=limits["weight_up_to_lb"].notna() * 2 + limits["weight_over_lb"].notna(),
        narrow=edge_groups(limits, "weight_over_lb").fillna(-edge_groups(limits, "weight_up_to_lb")).fillna(0.0),
    )  # fmt: skip
    return own.sort_values(
        ["kind", "narrow", "any_use", "effective_on"], ascending=[True, True, False, True], kind="stable"
    )


def _replaces(opened, row) -> bool:
    """Whether a limit over an edge takes the place of another one above that edge: a later one that of every other for the same use, one of
    the same day that of those up to an edge. What is wider, or ends at the edge, loses nothing by it that it held."""
    if (opened.component, opened.part, opened.use) != (row.component, row.part, row.use):
        return False
    later, same_day = opened.effective_on > row.effective_on, opened.effective_on == row.effective_on
    return later or (same_day and np.isnan(row.weight_over_lb))
