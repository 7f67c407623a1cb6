"""The lives at each position of a unit: which part, from when, until when, and how it ended."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

import numpy as np
import pandas as pd

from analytics.reasons import Flag, LeftOut, Reason, reason
from analytics.records.flags import flag, join
from analytics.records.load import NOT_RECORDED, Records

#: a part entered in ``fitted`` this soon after a return is the one that return put in (common practice, no source)
_SAME_REPLACEMENT_DAYS = 60

COLUMNS = [
    "unit", "component", "part", "lot", "spell", "count", "started_on", "counted_from", "ended_on", "ended",
    "cause", "finding", "order", "at_teardown", "last_good", "flags",
]  # fmt: skip
_DAYS = ("started_on", "counted_from", "ended_on", "last_good")
_END_FLAGS = {
    "in use": "",
    "sold": flag(Flag.SOLD),
    "lost": flag(Flag.LOST),
    "scrapped": flag(Flag.SCRAPPED),
    "no": flag(Flag.MAYBE_FAILED),
}


def make_spells(records: Records, units: pd.DataFrame) -> tuple[pd.DataFrame, list[Reason]]:
    """Lives of all parts (COLUMNS) of the ``records``' ``units`` (make_units), and notes on what was left out.

    ``started_on`` is the day the part went to work, ``counted_from`` the day whose odometer it starts from (the day its
    predecessor failed). ``last_good``: the last day a part found damaged at a teardown was known to be good (NaT: when
    it was fitted).
    """
    active = (units["start"] <= units["stop"]).to_numpy()
    end_flags = units["end"].map(_END_FLAGS).to_numpy()
    opened = _opened(records)
    told: list[list] = []
    frames: list[pd.DataFrame] = []
    left_out: Counter[LeftOut] = Counter()
    own_units = {c: units[c].to_numpy() for c in ("start", "stop", "end", "count", "of_several")}
    for component in records.shop.components:
        part, lot, later = _first_parts(records, component, own_units["start"])
        events = _events(records, component, later)
        quiet = active & (part != "")
        quiet[list(events)] = False
        at = np.flatnonzero(quiet)
        frames.append(
            pd.DataFrame(
                {
                    "unit": at, "component": component, "part": part[at], "lot": lot[at], "spell": 1,
                    "count": own_units["count"][at], "started_on": own_units["start"][at],
                    "counted_from": own_units["start"][at], "ended_on": own_units["stop"][at], "ended": "running",
                    "cause": "", "finding": "", "order": "", "at_teardown": False, "last_good": pd.NaT,
                    "flags": end_flags[at],
                }
            )
        )  # fmt: skip
        for unit in sorted(u for u in events if active[u]):
            own = {k: v[unit] for k, v in own_units.items()}
            own |= {"start": pd.Timestamp(own["start"]), "stop": pd.Timestamp(own["stop"])}
            first = part[unit], lot[unit]
            position = _Position(unit, component, own, first, events[unit], opened.get(unit, []), left_out)
            told += position.lives()
    frames.append(pd.DataFrame(told, columns=COLUMNS))
    filled = [f.astype(dict.fromkeys(_DAYS, "datetime64[ns]")) for f in frames if len(f)]
    spells = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COLUMNS)
    kinds = {"unit": int, "spell": int, "count": int, "at_teardown": bool}
    spells = spells.astype(kinds | dict.fromkeys(_DAYS, "datetime64[ns]"))
    return spells, _notes(records, units, spells, left_out)


def _notes(records: Records, units: pd.DataFrame, spells: pd.DataFrame, left_out: Counter[LeftOut]) -> list[Reason]:
    counts = {
        LeftOut.NOT_IN_SERVICE: int((units["start"] > units["stop"]).sum()),
        LeftOut.NO_PART: int((spells["part"] == NOT_RECORDED).sum()),
        LeftOut.RETURNS_SET_ASIDE: len(records.books.returns_left_out),
        **{code: left_out[code] for code in sorted(left_out)},
    }
    return [reason(code, number=n) for code, n in counts.items() if n]


def _first_parts(records: Records, component: str, start: np.ndarray) -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Part and lot of each unit at the build, and the parts fitted later (from ``fitted``)."""
    part = records.builds[component].to_numpy(dtype=object).copy()
    lot = np.full(len(part), "", dtype=object)
    own = records.fitted[records.fitted["component"] == component]
    own = own.sort_values(["unit", "fitted_on"], kind="stable", na_position="first")
    initial = own["fitted_on"].isna().to_numpy() | (own["fitted_on"].to_numpy() <= start[own["unit"].to_numpy(int)])
    at_build = own[initial].drop_duplicates("unit", keep="last")
    at = at_build["unit"].to_numpy(int)
    part[at], lot[at] = at_build["part"].to_numpy(), at_build["lot"].to_numpy()
    return part, lot, own[~initial]


def _events(records: Records, component: str, later: pd.DataFrame) -> dict[int, list[tuple]]:
    """What happened at a position, per unit: (day, rank, words, kind, row), in order of time.

    On one day a return comes before the part that was put in; the words keep the file's order out of it.
    """
    events: dict[int, list[tuple]] = defaultdict(list)
    returns = records.returns[records.returns["component"] == component]
    for row in returns.itertuples(index=False):
        words = (_ending(row) != "failed", row.finding, row.cause, row.part, row.replaced_with, row.notes)
        events[row.unit].append((row.day, 0, words, "return", row))
    aside = records.books.returns_left_out
    for row in aside[aside["component"].isin([component, ""])].itertuples(index=False) if len(aside) else ():
        day = row.day if not pd.isna(row.day) else pd.Timestamp.min
        events[row.unit].append((day, 1, (row.row,), "left out", row))
    for row in later.itertuples(index=False):
        events[row.unit].append((row.fitted_on, 2, (row.part, row.lot), "fitted", row))
    for own in events.values():
        own.sort(key=lambda event: event[:3])
    return events


def _opened(records: Records) -> dict[int, list[pd.Timestamp]]:
    """Days on which units with hidden damage had been opened before: returns that found any damage."""
    returns = records.returns
    hidden = set(returns.loc[returns["at_teardown"], "unit"])
    own = returns[returns["unit"].isin(hidden) & (returns["cause"] != "no fault")]
    return {unit: sorted(days) for unit, days in own.groupby("unit")["day"]}


def _ending(event: Any) -> str | None:
    """How a return ends the part's life: failed, removed (taken out undamaged, or broken by another part), or not at all."""
    if event.cause == "no fault":
        return "removed" if event.replaced_with else None
    return "removed" if event.order == "followed" else "failed"


class _Position:
    """One component of one unit, walked through its returns and replacements in order of time."""

    def __init__(
        self,
        unit: int,
        component: str,
        own: dict,
        first: tuple[str, str],
        events: list[tuple],
        opened: list,
        left_out: Counter,
    ) -> None:
        """own: of the unit; first: part and lot it was built with."""
        self.unit, self.component, self.own, self.opened, self.left_out = unit, component, own, opened, left_out
        self.events = events
        self.out: list[list] = []
        (self.part, self.lot), self.flags = first, ""
        self.day = self.counted = own["start"]
        self.spell, self.open = 1, self.part != ""
        #: the start of this life is not known: a return before it is set aside
        self.blind = False
        self.last_return: pd.Timestamp | None = None
        self.last_life: tuple | None = None

    def lives(self) -> list[list]:
        for when, _, _, kind, event in self.events:
            if kind == "return":
                self._return(event)
            elif kind == "fitted" and self.own["of_several"]:
                self.left_out[LeftOut.FITTED_TO_SEVERAL] += 1
            elif kind == "fitted":
                self._fitted(when, event)
            else:
                self._left_out(when, event)
        stop, end = self.own["stop"], self.own["end"]
        fresh = self.day == stop and end != "in use" and self.spell > 1
        if self.open and self.day <= stop and not fresh:
            self._add(stop, "running", flags=join(self.flags, _END_FLAGS[end]))
        return self.out

    def _return(self, event: Any) -> None:
        how = _ending(event)
        if how is None:
            return
        stated = event.part if event.part not in ("", NOT_RECORDED) else ""
        if self.last_return == event.day:
            self._again_that_day(event, how)
            return
        failed = event.failed_on if not pd.isna(event.failed_on) else event.day
        if self.blind:
            self.left_out[LeftOut.NO_AGE] += 1
        else:
            self._end_by_return(event, how, failed, stated)
        self.day, self.counted, self.last_return = event.day, max(failed, self.counted), event.day
        self.lot, self.blind = "", False
        self._put_in(event)

    def _end_by_return(self, event: Any, how: str, failed: pd.Timestamp, stated: str) -> None:
        note = self.flags
        if not self.open:
            # it came back, so something had been put in
            known = stated or self.part or NOT_RECORDED
            first = self.spell == 1
            note = flag(Flag.NOT_LISTED if first else Flag.WHEN_NOT_RECORDED)
            self.part = known
        elif self.part == NOT_RECORDED and stated:
            self.part, note = stated, join(note, flag(Flag.PART_FROM_RETURN))
        elif stated and stated != self.part:
            note = join(note, flag(Flag.NAMED_OTHER, stated=stated, known=self.part))
        if pd.isna(event.failed_on) and not event.at_teardown and how == "failed":
            note = join(note, flag(Flag.DAY_OF_RETURN))
        if failed < self.day:
            note = join(note, flag(Flag.BEFORE_FITTED))
        self.last_life = (self.part, self.lot, self.day, self.counted)
        self._add(max(failed, self.day), how, event, note)
        self.spell += 1

    def _again_that_day(self, event: Any, how: str) -> None:
        """A second entry of one day: another piece of the component that had run as long."""
        if how == "failed" and self.last_life is None:
            self.left_out[LeftOut.NO_AGE] += 1
        elif how == "failed" and self.last_life is not None:
            part, lot, day, counted = self.last_life
            failed = event.failed_on if not pd.isna(event.failed_on) else event.day
            now = (self.part, self.lot, self.day, self.counted)
            self.part, self.lot, self.day, self.counted = part, lot, day, counted
            self._add(max(failed, day), how, event, flag(Flag.SEVERAL_THAT_DAY))
            self.spell += 1
            self.part, self.lot, self.day, self.counted = now
        if not self.open or self.part == NOT_RECORDED:
            self._put_in(event)

    def _put_in(self, event: Any) -> None:
        """The part a return left in the unit."""
        self.flags = ""
        if event.replaced_with:
            self.part, self.open = event.replaced_with, True
        elif event.unit_gone or event.not_replaced:
            self.part, self.open = "", False
        else:
            self.part, self.open, self.flags = NOT_RECORDED, True, flag(Flag.PUT_IN_NOT_RECORDED)

    def _fitted(self, when: pd.Timestamp, event: Any) -> None:
        same = event.part.casefold() == self.part.casefold()
        if event.shipped and self.open and same:
            return
        flags = ""
        soon = self.last_return is not None and (when - self.last_return).days <= _SAME_REPLACEMENT_DAYS
        if soon:
            if self.open and not same and self.part != NOT_RECORDED:
                flags = flag(Flag.FITTED_SAYS_OTHER, put_in=self.part, fitted=event.part)
        else:
            if self.open and not self.blind:
                self._add(when, "removed", flags=self.flags)
                self.spell += 1
            self.counted = when
        self.part, self.lot, self.day, self.open, self.flags = event.part, event.lot, when, True, flags
        self.blind, self.last_return, self.last_life = False, None, None

    def _left_out(self, when: pd.Timestamp, event: Any) -> None:
        if self.open and not self.blind:
            when = max(when, self.day)
            self._add(when, "running", flags=join(self.flags, flag(Flag.SET_ASIDE, row=event.row)))
            self.spell += 1
        self.open, self.blind, self.last_return, self.last_life = False, True, None, None

    def _add(self, end: pd.Timestamp, how: str, event: Any = None, flags: str = "") -> None:
        failed = how == "failed"
        teardown = bool(failed and event.at_teardown)
        good = pd.NaT
        if teardown:
            before = [day for day in self.opened if self.day <= day < end]
            good = before[-1] if before else pd.NaT
            flags = join(flags, flag(Flag.AT_TEARDOWN))
        cause, finding, order = (event.cause if failed else "", event.finding, event.order) if event else ("", "", "")
        life = [
            self.unit,
            self.component,
            self.part,
            self.lot,
            self.spell,
            int(self.own["count"]),
            self.day,
            self.counted,
        ]
        self.out.append([*life, end, how, cause, finding, order, teardown, good, flags])


__all__ = ["COLUMNS", "make_spells"]
