"""Which published limit holds for a part in a truck."""

from __future__ import annotations

import numpy as np
import pandas as pd


def limit_for(limits: pd.DataFrame, trucks: pd.DataFrame) -> np.ndarray:
    """Row of ``limits`` (position, -1 for none) that holds for each row of ``trucks``; shape (rows,).

    trucks: component, part, use, weight_lb, day (the build date, or the day asked about). Of the limits of the part in
    force by that day the narrowest weight edge that covers the truck holds, a stated use before any use, and the latest
    date before an earlier one. A truck of unknown weight falls only under limits without a weight edge.
    """
    chosen = np.full(len(trucks), -1)
    if limits.empty or trucks.empty:
        return chosen
    rank = limits.assign(
        at=np.arange(len(limits)), any_use=limits["use"] == "", edge=limits["weight_up_to_lb"].fillna(np.inf)
    )
    # later rows overwrite earlier ones: widest edge first, any use before a stated one, oldest first
    rank = rank.sort_values(["edge", "any_use", "effective_on"], ascending=[False, False, True], kind="stable")
    component, part, use = (trucks[c].astype(str).to_numpy() for c in ("component", "part", "use"))
    weight, day = trucks["weight_lb"].to_numpy(float), trucks["day"].to_numpy()
    for row in rank.itertuples():
        covers = (component == row.component) & (part == row.part) & ((row.use == "") | (use == row.use))
        covers &= (day >= np.datetime64(row.effective_on)) & ((row.edge == np.inf) | (weight <= row.edge))
        chosen[covers] = row.at
    return chosen
