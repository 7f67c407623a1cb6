"""The three clocks of a life: days, miles, and runs (drag passes, sled pulls)."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.units import DAY

#: miles and runs are told to a millionth
_DIGITS = 6


def count_days(rows: pd.DataFrame) -> None:
    """Entry, lower and upper limits of ``rows`` (pieces of lives) in days since the part went to work, in place."""
    since = rows["started_on"].to_numpy()
    entry = (rows["from_day"].to_numpy() - since) / DAY
    upper = (rows["to_day"].to_numpy() - since) / DAY
    good = np.fmax((rows["last_good"].to_numpy() - since) / DAY, entry)
    rows["entry_days"] = entry
    rows["lower_days"] = np.where(rows["at_teardown"], good, upper)
    rows["upper_days"] = np.where(rows["ended"] == "failed", upper, np.inf)


def count_miles_or_runs(rows: pd.DataFrame, figures: pd.DataFrame, units: pd.DataFrame, clock: str) -> None:
    """Entry, lower and upper limits of ``rows`` in miles or runs since the part went to work, and where they came from, in place.

    figures: unit, day and the clock's column, in order. units: start and of_several (see make_units). A running part is known
    to have survived up to the last figure of its unit: its lower limit is that, NaN where there is none.
    """
    told, several = _History(figures, clock, units["start"].to_numpy()), units["of_several"].to_numpy()
    unit = rows["unit"].to_numpy(np.int64)
    from_day, to_day = _number(rows["from_day"].to_numpy()), _number(rows["to_day"].to_numpy())
    base, _ = told.at(unit, _number(rows["counted_from"].to_numpy()))
    entry, entry_line = told.at(unit, from_day)
    # a new part starts where the old one's odometer stood, though the truck waited for it
    fresh = (rows["from_day"] == rows["started_on"]).to_numpy()
    entry, entry_line = np.where(fresh, base, entry), entry_line & ~fresh
    end, end_line = told.at(unit, to_day)
    last, last_day = told.last(unit, to_day)
    # of a row of several units it is not known what the one had run that a part was fitted to later
    whose = (several[unit] & (rows["spell"] > 1)).to_numpy()
    base, entry = np.where(whose, np.nan, base), np.where(whose, np.nan, entry)
    ended = rows["ended"].to_numpy()
    failed = ended == "failed"
    seen = (last_day > from_day) | ((last_day >= to_day) & (to_day == from_day))
    survived = np.where(seen, last, np.nan)
    at_end = failed | ((ended == "changed") & ~np.isnan(end))
    lower = np.where(at_end, end, survived)
    teardown = rows["at_teardown"].to_numpy(bool)
    good, _ = told.last(unit, _number(rows["last_good"].fillna(rows["from_day"]).to_numpy()))
    good = np.where(np.isnan(end), np.nan, np.fmin(np.fmax(good, entry), end))
    lower = np.where(teardown, good, lower)
    unknown = np.isnan(lower - base)
    # figures typed in km that are alike differ in the last bit, and ties would split
    entry, lower, upper = (np.round(figure - base, _DIGITS) for figure in (entry, lower, end))
    rows[f"entry_{clock}"], rows[f"lower_{clock}"] = entry, lower
    rows[f"upper_{clock}"] = np.where(unknown, np.nan, np.where(failed, upper, np.inf))
    if clock != "miles":
        return
    known = ~unknown & ~np.isnan(entry)
    line = known & (entry_line | (end_line & at_end))
    at_return = known & np.isin(ended, ["failed", "removed"])
    rows["miles_from"] = np.select([line, at_return, known], ["interpolated", "return", "reading"], "none").astype(
        object
    )
    known_day = np.where(at_end, to_day, last_day)
    rows["miles_days"] = np.where(known, known_day - _number(rows["started_on"].to_numpy()), np.nan)
    rows["miles_short"] = known & told.short(unit, to_day) & ~told.short(unit, _number(rows["counted_from"].to_numpy()))


class _History:
    """Figures per unit and day, looked up for many (unit, day) pairs at once."""

    def __init__(self, figures: pd.DataFrame, clock: str, start: np.ndarray) -> None:
        self.start = _number(start)
        self.unit = figures["unit"].to_numpy(np.int64)
        self.day = _number(figures["day"].to_numpy())
        self.value = figures[clock].to_numpy(float)
        self.is_short = figures["short"].to_numpy(bool) if "short" in figures else np.zeros(len(figures), bool)
        self.key = _pack(self.unit, self.day)

    def _find(self, unit: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Position of the last figure up to a day, and whether there is one."""
        at = np.searchsorted(self.key, _pack(unit, day), side="right") - 1
        if not len(self.key):
            return at, np.zeros(len(unit), bool)
        return at, (at >= 0) & (self.unit[at] == unit)

    def last(self, unit: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Value and day number of the last figure up to a day: 0 at the unit's start, if there is none."""
        value, when = np.zeros(len(unit)), self.start[unit]
        at, ok = self._find(unit, day)
        value[ok], when[ok] = self.value[at[ok]], self.day[at[ok]]
        return value, when

    def at(self, unit: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Value on a day, by straight line between figures where there is none that day; NaN after the last figure.

        Also whether it lies on such a line.
        """
        before, before_day = self.last(unit, day)
        at, _ = self._find(unit, day)
        at = at + 1
        ok = at < len(self.key)
        ok[ok] = self.unit[at[ok]] == unit[ok]
        value = np.where(before_day >= day, before, np.nan)
        line = ok & (before_day < day)
        after, after_day = self.value[at[line]], self.day[at[line]]
        share = (day[line] - before_day[line]) / (after_day - before_day[line])
        value[line] = before[line] + (after - before[line]) * share
        return value, line

    def short(self, unit: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Whether miles are missing from the last figure up to a day."""
        at, ok = self._find(unit, day)
        result = np.zeros(len(unit), bool)
        result[ok] = self.is_short[at[ok]]
        return result


def _number(days: np.ndarray) -> np.ndarray:
    return days.astype("datetime64[D]").astype(np.int64)


def _pack(unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Unit and day in one sortable number; days lie within 1950 and 2099."""
    return (unit.astype(np.int64) << 24) + day + (1 << 22)
