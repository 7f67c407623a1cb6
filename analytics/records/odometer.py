"""Odometer figures of each unit, put in order: miles since it went into service.

A new odometer starts a new stretch; miles that run backwards or faster than any truck drives are not believed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

YEAR = 365.25
KM = 1.609344
#: gaps shorter than this are judged as if they were this long, so that two readings a week apart are not doubted
_SHORTEST_GAP_DAYS = 30

#: columns of the figures handed in, one row each
FIGURES = ["unit", "day", "odometer", "miles_in_service", "replaced", "old_final", "sheet", "at"]


def miles_in_service(figures: pd.DataFrame, at_install: np.ndarray, in_service: np.ndarray, miles_per_year_max: float) -> pd.DataFrame:
    """Miles since in service at each figure, and why a figure is not believed.

    figures: FIGURES columns, any order; at_install: odometer at install per unit (NaN unknown), shape (units,);
    in_service: datetime64 per unit. Returns the figures in order of unit and day with ``miles`` (NaN where it cannot be
    told), ``problem`` ("" where believed), ``remedy`` and ``note``.
    """
    frame = figures.sort_values(["unit", "day", "odometer", "sheet", "at"], kind="stable").reset_index(drop=True)
    unit = frame["unit"].to_numpy(int)
    start = at_install[unit]
    direct = frame["miles_in_service"].to_numpy(float)
    odometer = frame["odometer"].to_numpy(float)
    frame["miles"] = np.where(np.isnan(direct), odometer - start, direct)
    for column in ("problem", "remedy", "note"):
        frame[column] = ""
    unknown_start = np.isnan(frame["miles"].to_numpy()) & ~np.isnan(odometer)
    frame.loc[unknown_start, "note"] = "odometer at install not recorded"

    days = (frame["day"].to_numpy() - in_service[unit]) / np.timedelta64(1, "D")
    frame["days"] = days
    miles = frame["miles"].to_numpy()
    same = np.r_[False, unit[1:] == unit[:-1]] if len(unit) else np.zeros(0, bool)
    before_miles = np.where(same, np.r_[np.nan, miles[:-1]], 0.0)
    before_days = np.where(same, np.r_[np.nan, days[:-1]], 0.0)
    step, gap = miles - before_miles, days - before_days
    odd = (step < 0) | (step > miles_per_year_max * np.maximum(gap, _SHORTEST_GAP_DAYS) / YEAR) | frame["replaced"].to_numpy(bool)
    # a unit without odometer_at_install can still be seen to run backwards
    odd |= same & unknown_start & (odometer < np.r_[np.nan, odometer[:-1]])
    for u in np.unique(unit[odd]):
        rows = slice(*np.searchsorted(unit, [u, u + 1]))
        _mend(frame, range(rows.start, rows.stop), at_install[u], miles_per_year_max)
    return frame


def _mend(frame: pd.DataFrame, rows: range, start: float, miles_per_year_max: float) -> None:
    """Put one unit's figures in order, in place."""
    odometer = frame["odometer"].to_numpy(float)
    direct = frame["miles_in_service"].to_numpy(float)
    stretches: list[list[int]] = [[]]
    for at in rows:
        if frame["replaced"].iat[at]:
            stretches.append([])
        stretches[-1].append(at)

    base, known_start, reached = (-start, True, 0.0) if not np.isnan(start) else (0.0, False, np.nan)
    last_day = 0.0
    for number, stretch in enumerate(stretches):
        if number:
            first = stretch[0]
            final = frame["old_final"].iat[first]
            if np.isnan(final):
                base = reached
                frame.loc[first, "note"] = "odometer replaced: miles between the last reading and the change are not counted"
            else:
                base = final + base
                frame.loc[first, "note"] = "odometer replaced: counted on from the old one's last figure"
        low = start if not number and known_start else 0.0
        keep = set(_rising([low, *odometer[stretch]]))
        keep.add(0)
        previous = np.nan if number or not known_start else low
        for position, at in enumerate(stretch, 1):
            if np.isnan(odometer[at]):
                miles = direct[at]
            else:
                miles = odometer[at] + base if known_start or number and not np.isnan(reached) else np.nan
            if position not in keep or not np.isnan(miles) and miles < reached:
                _refuse(frame, at, f"the miles run backwards (after {_shown(previous if not np.isnan(previous) else reached)})",
                        "check both readings; if the odometer was replaced, say so in odometer_replaced")
                continue
            days = frame["days"].iat[at]
            most = miles_per_year_max * max(days - last_day, _SHORTEST_GAP_DAYS) / YEAR
            if not np.isnan(miles) and not np.isnan(reached) and miles - reached > most:
                a_year = (miles - reached) / max(days - last_day, _SHORTEST_GAP_DAYS) * YEAR
                in_km = not np.isnan(odometer[at]) and 0 <= odometer[at] / KM + base - reached <= most
                _refuse(frame, at, f"implies {a_year:,.0f} miles a year",
                        "if it is in km, write km in the cell" if in_km else "check the figure: a digit too many, or tenths read as miles?")
                continue
            frame.loc[at, "miles"] = miles
            previous = odometer[at]
            if not np.isnan(miles):
                reached, last_day = miles, days


def _shown(value: float) -> str:
    return f"{value:,.0f}" if not np.isnan(value) else "an earlier reading"


def _refuse(frame: pd.DataFrame, at: int, problem: str, remedy: str) -> None:
    frame.loc[at, ["miles", "problem", "remedy"]] = [np.nan, problem, remedy]


def _rising(values: list[float]) -> list[int]:
    """Positions of a longest run of values that never falls; NaN always belongs. Ties keep the earlier values."""
    given = [(v, at) for at, v in enumerate(values) if not np.isnan(v)]
    best: list[list[int]] = []
    for i, (v, at) in enumerate(given):
        chains = [best[j] for j in range(i) if given[j][0] <= v]
        best.append([*max(chains, key=len, default=[]), at])
    chain = max(best, key=len, default=[])
    return sorted([*chain, *(i for i, v in enumerate(values) if np.isnan(v))])


def runs_in_service(figures: pd.DataFrame) -> pd.DataFrame:
    """Runs counted since the unit went into service, one row per count (unit, day, runs, sheet, at); falls are refused."""
    frame = figures.sort_values(["unit", "day", "runs", "sheet", "at"], kind="stable").reset_index(drop=True)
    highest = frame.groupby("unit")["runs"].cummax()
    frame["problem"] = np.where(frame["runs"] < highest, "the count of runs goes down", "")
    return frame
