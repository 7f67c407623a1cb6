"""What reviews said, kept by quarter and held against what came by the date it was said; and the alarms a person has closed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.kept import once
from analytics.lifetimes.later import came_later
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.ratings.grown import CLOSED, SAID
from analytics.reasons import AlarmIs, Family
from analytics.records.load import AsTyped, load_records
from analytics.records.shop import Shop
from analytics.review.forecast import SPANS, Forecast
from analytics.review.snapshot import marked
from analytics.review.watch import THIS_QUARTER, Watched

#: quarters without another failure after which an alarm is history
QUIET_QUARTERS = 4
#: failures after an alarm was closed that open it again
_OPENS_AGAIN = 2
#: forecasts said that are held against what came, the latest
_HELD = 12
_HELD_COLUMNS = [*SAID.columns, "ended_on", "inside"]


# ---- alarms --------------------------------------------------------------------------------------------------------
def closings(shop: Shop, as_of: pd.Timestamp) -> pd.DataFrame:
    """Alarms of a ``shop`` that a person had closed by ``as_of`` (ratings.grown.CLOSED)."""
    if shop.sheets.grids is not None:
        return pd.DataFrame(columns=[*CLOSED.columns])
    told = CLOSED.read(shop.folder)
    return told[pd.to_datetime(told["closed_on"]) <= as_of].reset_index(drop=True)


def close_alarm(shop: Shop, alarm: tuple[Family, str, str], by: str, why: str, on: dt.date) -> Path:
    """Add a line to the ``shop``'s alarms.csv: the ``alarm`` (family, component, group) is closed ``by`` a person, with the reason ``why``, from a
    day ``on``. Raises AnalyticsError without a name or a reason, or where no review has said that alarm by then."""
    if not by.strip() or not why.strip():
        raise AnalyticsError("an alarm is closed by a person for a reason: give --by NAME and --why REASON.")
    family, component, group = alarm
    said = said_alarms(shop)
    own = said[(said["what"] == family.name) & (said["component"] == component) & (said["group"] == group)]
    if own.empty or own["as_of"].min() > pd.Timestamp(on):
        raise AnalyticsError(
            f"no review had said that alarm by {on}: run review first, then list the alarms with: alarms FOLDER."
        )
    line = [on.isoformat(), family.name, component, group, " ".join(by.split()), " ".join(why.split())]
    return CLOSED.add(shop.folder, pd.DataFrame([line], columns=[*CLOSED.columns]))


def said_alarms(shop: Shop) -> pd.DataFrame:
    """Alarms of a ``shop`` that reviews have said (ratings.grown.SAID), each as it was last said."""
    said = SAID.read(shop.folder)
    said = said[said["kind"] == "alarm"].sort_values("as_of", kind="stable")
    return said.drop_duplicates(["what", "component", "group"], keep="last").reset_index(drop=True)


def alarm_states(kept: pd.DataFrame, watched: Sequence[Watched], closed: pd.DataFrame) -> list[AlarmIs]:
    """How each alarm of ``kept`` (review.forecast.alarms_kept) stands on the day of the last quarter ``watched``, given the ``closed`` ones."""
    return [_state(alarm, watched, closed) for alarm in kept.itertuples()]


def _state(alarm, watched: Sequence[Watched], closed: pd.DataFrame) -> AlarmIs:
    last = watched[-1]
    if alarm.family in THIS_QUARTER or not alarm.standing:
        return AlarmIs.NEW if alarm.first_raised == last.end else AlarmIs.GONE
    came = {quarter.end: _came(quarter, alarm) for quarter in watched}
    now, ends = came[last.end], [*came]
    own = closed[
        (closed["family"] == alarm.family.name)
        & (closed["component"] == alarm.component)
        & (closed["group"] == alarm.group)
    ]
    if len(own):
        before = [came[end] for end in ends if end <= own["closed_on"].max()]
        return AlarmIs.CLOSED if now - (before[-1] if before else came[ends[0]]) < _OPENS_AGAIN else AlarmIs.GROWING
    if alarm.first_raised == last.end:
        return AlarmIs.NEW
    if len(ends) > 1 and now > came[ends[-2]]:
        return AlarmIs.GROWING
    long_ago = ends[-1 - QUIET_QUARTERS] if len(ends) > QUIET_QUARTERS else None
    quiet = long_ago is not None and alarm.first_raised <= long_ago and now == came[long_ago]
    return AlarmIs.QUIET if quiet else AlarmIs.RUNNING


def _came(quarter: Watched, alarm) -> int:
    own = quarter.tests
    own = own[(own["family"] == alarm.family) & (own["component"] == alarm.component) & (own["group"] == alarm.group)]
    return int(own["came"].iloc[0]) if len(own) else 0


# ---- what is said --------------------------------------------------------------------------------------------------
def said_now(found: Forecast, alarms: pd.DataFrame, limits: pd.DataFrame | None = None) -> pd.DataFrame:
    """What a review says (ratings.grown.SAID): the forecast ``found``, the ``alarms`` that stand (tests of the watch), and the table of
    ``limits`` with its verdicts, where there is one."""
    rows = [
        ["forecast", r.span, r.component, "", r.units, r.expected, r.lower, r.upper, np.nan]
        for r in found.counts.itertuples()
    ]
    rows += [
        ["alarm", a.family.name, a.component, a.group, a.units, a.expected, np.nan, np.nan, a.came]
        for a in alarms.itertuples()
    ]
    for r in () if limits is None else limits.itertuples():
        group = f"{r.part} | {r.weight_up_to:g} | {r.use}"
        rows.append(
            ["limit", str(r.verdict), r.component, group, np.nan, r.supported_hp, r.published_hp, r.proposed_hp, np.nan]
        )
    frame = pd.DataFrame(rows, columns=[*SAID.columns[1:]])
    return frame.assign(as_of=found.as_of.date().isoformat())[[*SAID.columns]]


def keep_said(shop: Shop, said: pd.DataFrame) -> bool:
    """Add what a review ``said`` to the ``shop``'s said.csv; what was said of that day before stands, and nothing is added. Returns whether
    lines were added."""
    before = SAID.read(shop.folder)
    if (pd.to_datetime(before["as_of"]) == pd.Timestamp(said["as_of"].iloc[0])).any():
        return False
    SAID.add(shop.folder, said)
    return True


def said_held(typed: AsTyped, now: Lifetimes) -> pd.DataFrame:
    """Forecasts said by the shop whose sheets are ``typed`` whose time is over on the day of ``now``: as said, with what came in by their end (came), and whether it was
    inside. Counted in the records as they stood on both days."""
    shop = typed.shop
    if shop.sheets.grids is not None:
        return pd.DataFrame(columns=_HELD_COLUMNS)
    said = SAID.read(shop.folder)
    said = said[said["kind"] == "forecast"]
    ended = pd.to_datetime(said["as_of"]) + pd.to_timedelta(said["what"].map(SPANS).astype(float), unit="D")
    said = said.assign(ended_on=ended)[ended <= now.as_of].sort_values("as_of", kind="stable")
    days = said["as_of"].drop_duplicates().iloc[-_HELD:]
    rows = []
    for day, own in said[said["as_of"].isin(days)].groupby("as_of"):
        before = once(_table, (typed, day))
        running = before[before["followed"]]
        for end, told in own.groupby("ended_on"):
            later = once(_table, (typed, end))
            came = came_later(running, before, later[later["stopped"]])
            for row in told.itertuples(index=False):
                n = came[(running["component"] == row.component).to_numpy() | (row.component == "")].sum()
                rows.append([*row[:-2], int(n), end, bool(row.lower <= n <= row.upper)])
    return pd.DataFrame(rows, columns=_HELD_COLUMNS)


def _table(typed: AsTyped, day: pd.Timestamp) -> pd.DataFrame:
    return marked(make_lifetimes(load_records(typed, day.date())).table, typed.shop.names.looked_at)
