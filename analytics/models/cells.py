"""Survival by component, part, power band and weight class, straight from the table of lifetimes.

What counts as a failure says lifetimes/failures.py. Install errors are taken out at the age they came (shown apart),
and so are parts broken by another part or removed whole.
A part found damaged at a teardown counts as failed at the age it was found; the Weibull fits use the whole span.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.failures import counts_as_failure, ended_by_failure
from analytics.lifetimes.schema import CLOCKS, Clock
from analytics.lifetimes.sight import ages_in_sight, in_sight
from analytics.models.competing import cumulative_incidence
from analytics.models.nonparametric import SurvivalCurve, kaplan_meier, kaplan_meier_cells
from analytics.models.recurrence import MeanCumulativeFunction, PowerLaw, mean_cumulative_function, power_law
from analytics.models.weibull import LifeFit, fit_life

SURVIVAL_COLUMNS = [
    "component", "part", "finding", "power_band", "weight_class", "clock", "time", "at_risk", "failed", "censored", "survival", "lower",
    "upper",
]  # fmt: skip
NO_FINDING = "not stated"


@dataclass(frozen=True, slots=True)
class Observed:
    """Arrays of shape (n,) for one clock: time (failure, or last known), failed, entry, lower, upper, count.

    ``rows``: labels of the rows of the table they come from. left_out, left_out_failed: units (and failures among them)
    whose age on this clock is unknown. Zero-length looks carry nothing and are not counted as left out.
    """

    clock: str
    time: np.ndarray
    failed: np.ndarray
    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    count: np.ndarray
    rows: pd.Index
    units: int
    failures: int
    left_out: int
    left_out_failed: int


def observed(table: pd.DataFrame, clock: Clock) -> Observed:
    """What one clock can say of some rows of the table of lifetimes."""
    entry, lower, upper = (table[f"{side}_{clock}"].to_numpy(float) for side in ("entry", "lower", "upper"))
    failed = counts_as_failure(table)
    upper = np.where(ended_by_failure(table) & ~failed, np.inf, upper)
    known = ~np.isnan(entry) & ~np.isnan(lower) & ~np.isnan(upper)
    time = np.where(failed, upper, lower)
    # a failure at the very age of entry was not seen coming: it has no time at risk
    use = known & ((time > entry) | ((entry == 0) & failed))
    count = table["count"].to_numpy(np.int64)
    first = (table["segment"] == 1).to_numpy()
    return Observed(
        clock,
        time[use],
        failed[use],
        entry[use],
        lower[use],
        upper[use],
        count[use],
        table.index[use],
        units=int(count[use & first].sum()),
        failures=int(count[use & failed].sum()),
        left_out=int(count[~known & first].sum()),
        left_out_failed=int(count[~known & failed].sum()),
    )


def curve(table: pd.DataFrame, clock: Clock) -> SurvivalCurve:
    """Kaplan-Meier curve on a ``clock`` of some rows of the table. Raises NotEnoughData where nothing was at risk."""
    seen = observed(table, clock)
    if not len(seen.time):
        raise NotEnoughData(
            f"no part with known {clock} among {int(table['count'].sum()):,}: there is no curve on that clock."
        )
    return kaplan_meier(seen.time, seen.failed, seen.entry, seen.count)


def fit(table: pd.DataFrame, clock: Clock, min_failures: int) -> LifeFit:
    """Weibull fit of some rows of the table on a ``clock``; failures at age 0 are taken as before its first unit.

    Raises NotEnoughData with fewer than min_failures, and where `fit_life` does.
    """
    seen = observed(table, clock)
    zero = seen.failed & (seen.upper == 0)
    upper = np.where(zero, 1.0, seen.upper)
    return fit_life(seen.lower, upper, seen.entry, seen.count, min_failures=min_failures)


def survival_table(table: pd.DataFrame, clocks: Sequence[Clock] = CLOCKS, min_at_risk: int = 5) -> pd.DataFrame:
    """Curves of every cell of the ``table`` on each of the ``clocks``, in one long frame (SURVIVAL_COLUMNS).

    Cells: each component; each part of it; each part by power band and weight class. A blank part, band or class means
    all of them together, a blank finding means any. Rows with a finding (by component and by part) hold
    1 - cumulative incidence: the share that has not come back for that finding, the others competing. A curve stops
    where fewer than ``min_at_risk`` remain at risk; a cell that never has so many has no rows.
    """
    frames = []
    blank = table.assign(all_="")
    for clock in clocks:
        seen = observed(table, clock)
        rows = blank.loc[seen.rows]
        if not len(rows):
            continue
        for levels in (
            ("component", "all_", "all_", "all_"),
            ("component", "part", "all_", "all_"),
            ("component", "part", "power_band", "weight_class"),
        ):
            code, names = _cells(rows, levels)
            frame = kaplan_meier_cells(seen.time, seen.failed, seen.entry, seen.count, cell=code)
            frame = _name(frame, names, clock).assign(finding="")
            frames.append(_stop(frame, ["component", "part", "power_band", "weight_class"], min_at_risk))
        for pair in (("component", "all_"), ("component", "part")):
            frames += _by_finding(rows, seen, pair, clock, min_at_risk)
    if not frames:
        return pd.DataFrame(columns=SURVIVAL_COLUMNS)
    every = pd.concat([f for f in frames if len(f)] or [pd.DataFrame(columns=SURVIVAL_COLUMNS)], ignore_index=True)
    keys = ["clock", "component", "part", "power_band", "weight_class", "finding", "time"]
    return every.sort_values(keys, kind="stable", ignore_index=True)[SURVIVAL_COLUMNS]


def failing_steps(curves: pd.DataFrame) -> pd.DataFrame:
    """Of ``curves`` (as `survival_table` gives them) the steps at which something failed, and the end of each. censored: since the step
    before. Nothing else moves a curve, and most steps move none."""
    cell = ["clock", "component", "part", "power_band", "weight_class", "finding"]
    kept = (curves["failed"] > 0) | ~curves.duplicated(cell, keep="last")
    up_to = kept.shift(fill_value=False).cumsum()
    return curves.assign(censored=curves.groupby(up_to)["censored"].transform("sum"))[kept].reset_index(drop=True)


def _cells(rows: pd.DataFrame, levels: tuple[str, ...]) -> tuple[np.ndarray, pd.DataFrame]:
    labels = rows[list(levels)].astype(str).set_axis(["component", "part", "power_band", "weight_class"], axis=1)
    code = labels.groupby(labels.columns.tolist(), sort=True).ngroup()
    return code.to_numpy(), labels.assign(code=code).drop_duplicates("code").set_index("code")


def _name(frame: pd.DataFrame, names: pd.DataFrame, clock: str) -> pd.DataFrame:
    return frame.join(names, on="cell").assign(clock=clock)


def _stop(frame: pd.DataFrame, keys: list[str], min_at_risk: int) -> pd.DataFrame:
    """Keep each cell up to the last time with enough at risk."""
    by = [frame[k] for k in keys]
    # late entry: a failure that met too few says too much, and bends all that follows
    thin = frame["time"].where((frame["failed"] > 0) & (frame["at_risk"] < min_at_risk)).groupby(by).transform("min")
    enough = frame["time"].where((frame["at_risk"] >= min_at_risk) & ~(frame["time"] >= thin))
    last = enough.groupby(by).transform("max")
    return frame[frame["time"] <= last]


def _by_finding(
    rows: pd.DataFrame, seen: Observed, levels: tuple[str, str], clock: str, min_at_risk: int
) -> list[pd.DataFrame]:
    finding = np.where(seen.failed, rows["finding"].replace("", NO_FINDING).to_numpy(), "")
    result = []
    for (component, part), at in rows.reset_index(drop=True).groupby(list(levels), sort=True).indices.items():
        if len(np.unique(finding[at][finding[at] != ""])) < 2:
            continue  # one finding alone is the curve of any finding
        shares = cumulative_incidence(seen.time[at], finding[at], seen.entry[at], seen.count[at]).to_frame()
        shares = shares.rename(columns={"cause": "finding", "lower": "low", "upper": "high"})
        shares = shares.assign(
            survival=1 - shares["incidence"],
            lower=1 - shares["high"],
            upper=1 - shares["low"],
            component=component,
            part=part,
            power_band="",
            weight_class="",
            clock=clock,
        )
        result.append(_stop(shares, ["finding"], min_at_risk)[SURVIVAL_COLUMNS])
    return result


def repeated_failures(table: pd.DataFrame, units: pd.DataFrame, sight: pd.DataFrame) -> MeanCumulativeFunction:
    """Mean number of failures per unit by its age in days, replacements included; table (or some of its rows), units
    and sight of ``Lifetimes``.

    Raises NotEnoughData where nothing failed.
    """
    return repeated_events(units, *_failures(table, sight))


def failures_with_age(table: pd.DataFrame, units: pd.DataFrame, sight: pd.DataFrame) -> PowerLaw:
    """Do failures of a unit come faster as it ages, replacements included? table, units, sight: as for
    `repeated_failures`.

    Raises NotEnoughData with fewer than two.
    """
    return trend_of_events(units, *_failures(table, sight))


def _failures(table: pd.DataFrame, sight: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series, pd.Series]:
    """The stretches of the units in the table, from when it tells of them, and the units and days of its failures."""
    failures = table[counts_as_failure(table)].sort_values("ended_on", kind="stable")
    since = table.groupby("unit")["started_on"].min()
    own = sight[sight["unit"].isin(since.index)]
    begun = own["unit"].map(since)
    own = own.assign(from_day=own["from_day"].clip(lower=begun), new=own["new"] & (own["from_day"] >= begun))
    # a part put in on the last day has not been watched yet
    own = own[(own["from_day"] < own["to_day"]) | (own["new"] & (own["from_day"] == own["to_day"]))]
    return own.reset_index(drop=True), failures["unit"], failures["ended_on"]


def repeated_events(
    units: pd.DataFrame, sight: pd.DataFrame, event_unit: pd.Series, event_day: pd.Series
) -> MeanCumulativeFunction:
    """Mean number of events per unit by its age in days; units and sight (or some of their rows) of ``Lifetimes``.

    event_unit, event_day (m,): unit and date of each event. Events of other units, and those out of sight, are passed
    over. Raises NotEnoughData without an event.
    """
    watched, name, age = _histories(units, sight, event_unit, event_day)
    return mean_cumulative_function(watched["unit"], watched["end"], name, age, watched["begin"], watched["count"])


def trend_of_events(
    units: pd.DataFrame, sight: pd.DataFrame, event_unit: pd.Series, event_day: pd.Series, level: float = 0.95
) -> PowerLaw:
    """Do events of a unit come faster as it ages? Of units watched from new, up to where they first went out of sight.

    units, sight, event_unit, event_day: as for `repeated_events`; level: of the limits on the trend. An event on the
    first day counts as half a day old. Raises NotEnoughData with fewer than two events.
    """
    first = sight[sight["new"]]
    watched, name, age = _histories(units, first, event_unit, event_day)
    watched = watched[watched["end"] > 0].set_index("unit")
    own = pd.Index(name).isin(watched.index)
    until = watched["end"].reindex(name[own]).to_numpy()
    return power_law(watched["end"], until, np.clip(age[own], _HALF_A_DAY, until), watched["count"], level)


_HALF_A_DAY = 0.5


def _histories(
    units: pd.DataFrame, sight: pd.DataFrame, event_unit: pd.Series, event_day: pd.Series
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Ages between which units were watched (see ages_in_sight), and the units and ages of the events seen in them."""
    watched = ages_in_sight(units, sight)
    seen = event_unit.isin(watched["unit"]).to_numpy() & in_sight(sight, event_unit, event_day)
    event_unit, event_day = event_unit[seen], event_day[seen]
    age = (event_day - units["in_service_on"].reindex(event_unit).to_numpy()).dt.days.to_numpy(float)
    return watched, event_unit.to_numpy(), age
