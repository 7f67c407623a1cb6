"""Lives of an earlier table of lifetimes found again in a later one."""

from __future__ import annotations

import numpy as np
import pandas as pd

#: what names a life, whatever day the records are looked at
LIFE = ["serial", "component", "spell"]


def life_keys(later: pd.DataFrame, *earlier: pd.DataFrame) -> pd.MultiIndex:
    """Names (LIFE) of the rows of a later table as the earlier tables know them, shape (len(later),).

    A truck that has since come out of a row of several units is, to tables that do not know it, a unit of that row.
    """
    own = pd.MultiIndex.from_frame(later[LIFE])
    known = np.any([own.isin(pd.MultiIndex.from_frame(table[LIFE])) for table in earlier], axis=0)
    serial = later["serial"].where(known, later["row_serial"])
    return pd.MultiIndex.from_arrays([serial, later["component"], later["spell"]], names=LIFE)


def came_later(rows: pd.DataFrame, before: pd.DataFrame, failures: pd.DataFrame) -> np.ndarray:
    """Units of each life in ``rows`` that are among the ``failures`` of a later table, shape (len(rows),).

    before: the whole table of the earlier day: what had failed by then is of none of the units that ran on. A life of several rows counts on the first of them; never more than the units of the row.
    """
    came = (
        pd.Series(failures["count"].to_numpy(float), index=life_keys(failures, before, rows)).groupby(level=LIFE).sum()
    )
    found = came.reindex(pd.MultiIndex.from_frame(rows[LIFE])).fillna(0).to_numpy(float, copy=True)
    found[rows.duplicated(LIFE).to_numpy()] = 0
    return np.minimum(found, rows["count"].to_numpy(float))
