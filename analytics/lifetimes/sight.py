"""Who is under observation when: the one rule that lives, comebacks, exposures and counts all keep to.

A unit is in sight from the day it went into service, or from the day the shop's records start if that is later, to the
last day it is known of, but for the time it was gone: reported sold, lost or scrapped, and then heard of again. Had it
broken while it was gone and never come back, nobody would know; so what broke then is not counted either, and the news
that brings a unit back into sight is itself no event. Each stretch in sight is (from_day, to_day]: what befell a unit on
the last day counts, what befell it on the first does not, unless it is the day the unit went into service.

A failure lies on the day it happened, ``failed_on``; the day of return where that is not written.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

SIGHT_COLUMNS = ["unit", "from_day", "to_day", "new"]


def make_sight(units: pd.DataFrame, gaps: pd.DataFrame, records_start: pd.Timestamp) -> pd.DataFrame:
    """The stretches in which each unit was in sight (SIGHT_COLUMNS), in order of unit and day; they do not overlap.

    units: start, stop (see make_units). gaps: unit, since, until (see units.gaps). records_start: NaT for none. new: the
    stretch begins as the unit goes into service. A unit that was never in sight has none; one that only its first day is
    known of has a stretch of no length.
    """
    there = units[units["start"] <= units["stop"]]
    begin = pd.DataFrame({"unit": there.index, "from_day": there["start"], "to_day": there["stop"]})
    own = gaps[gaps["unit"].isin(there.index)]
    sight = _around(begin, own) if len(own) else begin
    start = there["start"].reindex(sight["unit"]).to_numpy()
    # what was heard of a unit before it went into service tells nothing of its service
    sight["from_day"] = sight["from_day"].clip(lower=pd.Series(start, index=sight.index))
    if not pd.isna(records_start):
        sight["from_day"] = sight["from_day"].clip(lower=records_start)
    sight["new"] = sight["from_day"].to_numpy() == start
    kept = (sight["from_day"] < sight["to_day"]) | (sight["new"] & (sight["from_day"] == sight["to_day"]))
    return sight.loc[kept, SIGHT_COLUMNS].reset_index(drop=True)


def _around(begin: pd.DataFrame, gaps: pd.DataFrame) -> pd.DataFrame:
    """A gap ends one stretch and begins the next."""
    ends = pd.concat([gaps[["unit", "since"]].rename(columns={"since": "to_day"}), begin[["unit", "to_day"]]])
    begins = pd.concat([begin[["unit", "from_day"]], gaps[["unit"]].assign(from_day=gaps["until"])])
    ends = ends.sort_values(["unit", "to_day"], kind="stable", ignore_index=True)
    begins = begins.sort_values(["unit", "from_day"], kind="stable", ignore_index=True)
    return begins.assign(to_day=ends["to_day"])


def stretch_of(sight: pd.DataFrame, unit: pd.Series | np.ndarray, day: pd.Series | np.ndarray) -> np.ndarray:
    """Position in ``sight`` of the stretch each (unit, day) pair lies in, shape (n,); -1 where the unit was out of sight."""
    asked = pd.DataFrame({"unit": np.asarray(unit, np.int64), "day": np.asarray(day, "datetime64[ns]")})
    asked["at"] = np.arange(len(asked))
    pairs = asked.merge(sight.assign(stretch=np.arange(len(sight))), on="unit")
    inside = (pairs["day"] > pairs["from_day"]) | (pairs["new"] & (pairs["day"] == pairs["from_day"]))
    pairs = pairs[inside & (pairs["day"] <= pairs["to_day"])]
    found = np.full(len(asked), -1)
    found[pairs["at"].to_numpy()] = pairs["stretch"].to_numpy()
    return found


def in_sight(sight: pd.DataFrame, unit: pd.Series | np.ndarray, day: pd.Series | np.ndarray) -> np.ndarray:
    """Whether each unit was in sight on its day, shape (n,)."""
    return stretch_of(sight, unit, day) >= 0


def returns_in_sight(returns: pd.DataFrame, units: pd.DataFrame, sight: pd.DataFrame) -> pd.DataFrame:
    """The damaged components that count: rows of ``Records.returns`` whose failure lies in sight, with ``seen_on``.

    units: of ``Lifetimes``. seen_on: the day of return, which is the day a comeback is dated; where its unit went out of
    sight between failure and return, the last day it was in sight.
    """
    damaged = returns[(returns["cause"] != "no fault") & returns["unit"].isin(units.index)]
    start = units["in_service_on"].reindex(damaged["unit"]).to_numpy()
    failed = np.fmax(damaged["failed_on"].fillna(damaged["day"]).to_numpy("datetime64[ns]"), start)
    at = stretch_of(sight, damaged["unit"].to_numpy(), failed)
    counted = damaged[at >= 0]
    last = sight["to_day"].to_numpy()[at[at >= 0]]
    return counted.assign(seen_on=np.fmin(counted["day"].to_numpy("datetime64[ns]"), last))


def ages_in_sight(units: pd.DataFrame, sight: pd.DataFrame) -> pd.DataFrame:
    """The stretches ``sight`` of ``units`` (both of ``Lifetimes``) as ages: unit, begin, end (days in service), new, count."""
    own = sight[sight["unit"].isin(units.index)].reset_index(drop=True)
    start = units["in_service_on"].reindex(own["unit"]).to_numpy()
    begin, end = ((own[c] - start).dt.days.astype(float) for c in ("from_day", "to_day"))
    count = units["count"].reindex(own["unit"]).to_numpy(np.int64)
    return pd.DataFrame({"unit": own["unit"], "begin": begin, "end": end, "new": own["new"], "count": count})
