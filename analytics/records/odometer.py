"""Odometer figures of each unit, put in order: miles since it went into service.

A new odometer starts a new stretch; miles that run backwards or faster than any truck drives are not believed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.measures import DAYS_A_YEAR
from analytics.records.own_units import own_distance
from analytics.records.shop import Units

KM = 1.609344
#: gaps shorter than this are judged as if they were this long, so that two readings a week apart are not doubted
_SHORTEST_GAP_DAYS = 30

#: columns of the figures handed in, one row each
FIGURES = ["unit", "day", "odometer", "miles_in_service", "replaced", "old_final", "sheet", "at"]


def miles_in_service(
    figures: pd.DataFrame, at_install: np.ndarray, in_service: np.ndarray, miles_per_year_max: float, units: Units
) -> pd.DataFrame:
    """Miles since in service at each figure, and why a figure is not believed.

    figures: FIGURES columns, any order; at_install: odometer at install per unit (NaN unknown), shape (units,);
    in_service: datetime64 per unit; units: what distances are said in. Returns the figures in order of unit and day with ``miles`` (NaN where it cannot be
    told), ``short`` (miles were driven that are not in it), ``problem`` ("" where believed), ``remedy`` and ``kind``, and
    ``noted`` (an Issue of a figure that is believed, or None), ``note`` and ``note_remedy``.
    miles_per_year_max: the most that is believed.
    """
    # the new odometer of a day comes after the old one's figure of that day
    frame = figures.sort_values(
        ["unit", "day", "replaced", "odometer", "sheet", "at"], kind="stable", ignore_index=True
    )
    unit = frame["unit"].to_numpy(int)
    direct, odometer = frame["miles_in_service"].to_numpy(float), frame["odometer"].to_numpy(float)
    days = (frame["day"].to_numpy() - in_service[unit]) / np.timedelta64(1, "D")
    frame["days"] = days
    frame["miles"] = np.where(np.isnan(direct), odometer - at_install[unit], direct)
    frame["short"] = False
    for column in ("problem", "remedy", "note", "note_remedy"):
        frame[column] = ""
    unknown = np.isnan(at_install[unit]) & ~np.isnan(odometer) & np.isnan(direct)
    frame["kind"] = Issue.UNREAD
    frame["noted"] = None
    frame.loc[unknown, "noted"] = Issue.NO_START
    odd = frame["replaced"].to_numpy(bool).copy()
    for value, first in ((frame["miles"].to_numpy(), 0.0), (np.where(unknown, odometer, np.nan), np.nan)):
        odd |= _odd(unit, value, days, first, miles_per_year_max)
    for u in np.unique(unit[odd]):
        rows = np.arange(*np.searchsorted(unit, [u, u + 1]))
        _mend(frame, rows, at_install[u], miles_per_year_max, units)
    return frame


def _odd(unit: np.ndarray, value: np.ndarray, days: np.ndarray, first: float, a_year: float) -> np.ndarray:
    """Figures below the unit's figure before, or further above it than can be driven; ``first``: value when new."""
    at = np.flatnonzero(~np.isnan(value))
    odd = np.zeros(len(unit), bool)
    if len(at):
        same = np.r_[False, unit[at][1:] == unit[at][:-1]]
        before = np.where(same, np.r_[np.nan, value[at][:-1]], first)
        gap = days[at] - np.where(same, np.r_[np.nan, days[at][:-1]], 0.0)
        step = value[at] - before
        odd[at] = (step < 0) | (step > _most(gap, a_year))
    return odd


def _most(gap: np.ndarray | float, a_year: float) -> np.ndarray | float:
    return a_year * np.maximum(gap, _SHORTEST_GAP_DAYS) / DAYS_A_YEAR


@dataclass(slots=True)
class _Reached:
    """The last believed figure of a unit."""

    miles: float
    day: float
    short: bool = False


def _mend(frame: pd.DataFrame, rows: np.ndarray, start: float, a_year: float, units: Units) -> None:
    """Put one unit's figures in order, in place: ``rows`` in order of time, ``start`` its odometer at install."""
    odometer, direct = frame["odometer"].to_numpy(float)[rows], frame["miles_in_service"].to_numpy(float)[rows]
    final, days = frame["old_final"].to_numpy(float)[rows], frame["days"].to_numpy(float)[rows]
    replaced = frame["replaced"].to_numpy(bool)[rows]
    base, reached = -start, _Reached(0.0, 0.0)
    miles, short = np.full(len(rows), np.nan), np.zeros(len(rows), bool)
    cuts = [0, *np.flatnonzero(replaced), len(rows)]
    for number, (begin, stop) in enumerate(itertools.pairwise(cuts)):
        if number:
            base = _new_odometer(frame, rows[begin], base, final[begin], days[begin], reached, a_year)
        here = np.arange(begin, stop)
        if number and not np.isnan(base) and np.isnan(odometer[begin]) and np.isnan(direct[begin]):
            odometer[begin] = 0.0  # the day of the change, on the new odometer
        told = np.where(np.isnan(direct[here]), odometer[here] + base, direct[here])
        known = here[~np.isnan(told)]
        kept = known[longest_credible(told[known - begin], days[known], reached.miles, reached.day, a_year)]
        miles[kept] = told[kept - begin]
        for at in np.setdiff1d(known, kept):
            before = _before(at, kept, told[kept - begin], days, reached)
            in_km = odometer[at] / KM + base if np.isnan(direct[at]) else direct[at] / KM
            _refuse(frame, rows[at], told[at - begin], in_km, days[at], before, a_year, units)
        if len(kept):
            reached.miles, reached.day = miles[kept[-1]], days[kept[-1]]
        short[kept] = reached.short
        if np.isnan(base):  # without a start the odometer can still be seen to run backwards
            blind = here[~np.isnan(odometer[here]) & np.isnan(direct[here])]
            seen = blind[longest_credible(odometer[blind], days[blind], np.nan, np.nan, a_year)]
            for at in np.setdiff1d(blind, seen):
                before = _before(at, seen, odometer[seen], days, _Reached(np.nan, np.nan))
                _refuse(frame, rows[at], odometer[at], odometer[at] / KM, days[at], before, a_year, units)
    frame.loc[rows, "miles"], frame.loc[rows, "short"] = miles, short


def _new_odometer(
    frame: pd.DataFrame, row: int, base: float, final: float, day: float, reached: _Reached, a_year: float
) -> float:
    """Miles to add to the new odometer's figures."""
    at_change = final + base
    remedy = "write the old odometer's last figure in place of yes, if it is known"
    fits = 0 <= at_change - reached.miles <= _most(day - reached.day, a_year)
    if np.isnan(base):
        note = "odometer replaced, and the odometer at install is not recorded: no miles from here on"
    elif fits:
        note = "odometer replaced: counted on from the old one's last figure"
        remedy = "nothing to do, if it was replaced then"
    elif np.isnan(final):
        note = "odometer replaced: miles between the last reading and the change are not counted"
    else:
        note = f"odometer replaced: its last figure ({final:,.0f}) does not fit the readings before, taken as not known"
    frame.loc[row, ["noted", "note", "note_remedy"]] = [Issue.ODOMETER_REPLACED, note, remedy]
    if np.isnan(base) or fits:
        return at_change
    reached.short = True
    return reached.miles


def _before(at: int, kept: np.ndarray, values: np.ndarray, days: np.ndarray, reached: _Reached) -> _Reached:
    """The last believed figure before a position."""
    earlier = np.flatnonzero(kept < at)
    return _Reached(values[earlier[-1]], days[kept[earlier[-1]]]) if len(earlier) else reached


def _refuse(
    frame: pd.DataFrame, row: int, value: float, in_km: float, day: float, before: _Reached, a_year: float, units: Units
) -> None:
    """Say why a figure is not believed, given the believed one before it."""
    gap = max(day - before.day, _SHORTEST_GAP_DAYS)
    if value < before.miles:
        problem, kind = "the miles run backwards", Issue.BACKWARDS
        remedy = "check both readings; if the odometer was replaced, say so in odometer_replaced"
    elif value - before.miles > _most(gap, a_year):
        problem, kind = (
            f"implies {own_distance((value - before.miles) / gap * DAYS_A_YEAR, units):,.0f} {units.distance} a year",
            Issue.TOO_FAST,
        )
        fits = 0 <= in_km - before.miles <= _most(gap, a_year)
        remedy = "if it is in km, write km in the cell" if fits else "check the figure: a digit too many, or tenths?"
    else:
        problem, remedy, kind = "a later reading is lower", "check both readings", Issue.UNREAD
    frame.loc[row, ["problem", "remedy"]] = [problem, remedy]
    frame.at[row, "kind"] = kind


def longest_credible(values: np.ndarray, days: np.ndarray, first: float, first_day: float, a_year: float) -> np.ndarray:
    """Positions of the most figures that can all be true: none below the one before, none too far above it.

    values, days: shape (n,), in order of time. first, first_day: where the count starts (NaN: anywhere). Of equals the
    chain whose figures come earlier.
    a_year: the most that is believed in one.
    """
    n = len(values)
    length, link = np.zeros(n, np.int64), np.full(n, -1, np.int64)
    for i in range(n):
        start_ok = np.isnan(first) or 0 <= values[i] - first <= _most(days[i] - first_day, a_year)
        length[i] = int(start_ok)
        step = values[i] - values[:i]
        good = (length[:i] > 0) & (step >= 0) & (step <= _most(days[i] - days[:i], a_year))
        if good.any():
            best = int(np.argmax(np.where(good, length[:i], 0)))
            length[i], link[i] = length[best] + 1, best
    if not length.any():
        return np.zeros(0, np.int64)
    chain = [int(np.argmax(length))]
    while link[chain[-1]] >= 0:
        chain.append(int(link[chain[-1]]))
    return np.array(chain[::-1], np.int64)


def runs_in_service(figures: pd.DataFrame) -> pd.DataFrame:
    """Counts of runs since the unit went into service (unit, day, runs, sheet, at), in order, with ``problem``.

    figures: unit, day, runs, sheet, at.
    """
    frame = figures.sort_values(["unit", "day", "runs", "sheet", "at"], kind="stable", ignore_index=True)
    frame["problem"] = ""
    unit, runs = frame["unit"].to_numpy(int), frame["runs"].to_numpy(float)
    falls = np.r_[False, (unit[1:] == unit[:-1]) & (runs[1:] < runs[:-1])] if len(unit) else np.zeros(0, bool)
    for u in np.unique(unit[falls]):
        rows = np.arange(*np.searchsorted(unit, [u, u + 1]))
        kept = longest_credible(runs[rows], np.zeros(len(rows)), 0.0, 0.0, np.inf)
        frame.loc[np.delete(rows, kept), "problem"] = "the count of runs does not fit the others: it goes down"
    return frame
