"""The lives at each position of a unit: which part, from when, until when, and how it ended."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.records.load import NOT_RECORDED, Records

#: a part entered in ``fitted`` this soon after a return is the one that return put in
_SAME_REPLACEMENT_DAYS = 60

COLUMNS = ["unit", "component", "part", "lot", "spell", "copy", "count", "started_on", "counted_from", "ended_on", "ended",
           "cause", "finding", "order", "at_teardown", "last_good", "flags"]


def make_spells(records: Records, units: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Lives of all parts (COLUMNS) and notes on what was left out.

    ``counted_from`` is the day whose odometer the part starts from (the day its predecessor failed), ``started_on`` the
    day it went to work. ``copy`` numbers the single units taken out of a row that stands for several.
    """
    shop = records.shop
    active = units.index[(units["start"] <= units["stop"])].to_numpy()
    first = _first_parts(records, units)
    notes: list[str] = []
    frames, busy_keys = [], []
    for component in shop.components:
        later = first[component]["later"]
        busy = np.union1d(records.returns.loc[records.returns["component"] == component, "unit"].to_numpy(), later["unit"].to_numpy()).astype(int)
        parts = first[component]["parts"]
        quiet = np.setdiff1d(active, busy)
        quiet = quiet[parts["part"].to_numpy()[quiet] != ""]
        frames.append(
            pd.DataFrame(
                {"unit": quiet, "component": component, "part": parts["part"].to_numpy()[quiet], "lot": parts["lot"].to_numpy()[quiet],
                 "spell": 1, "copy": 0, "count": units["count"].to_numpy()[quiet], "started_on": units["start"].to_numpy()[quiet],
                 "counted_from": units["start"].to_numpy()[quiet], "ended_on": units["stop"].to_numpy()[quiet], "ended": "running",
                 "cause": "", "finding": "", "order": "", "at_teardown": False, "last_good": pd.NaT, "flags": _end_flags(units["end"].to_numpy()[quiet])}
            )
        )
        busy_keys += [(u, component) for u in busy if u in set(active)]
    told = []
    returns = {k: g for k, g in records.returns.sort_values(["day", "row"], kind="stable").groupby(["unit", "component"])} if len(records.returns) else {}
    seen = _seen_days(records)
    for unit, component in busy_keys:
        parts = first[component]["parts"]
        life = _Position(
            unit, component, units.loc[unit], parts["part"].iat[unit], parts["lot"].iat[unit],
            returns.get((unit, component)), first[component]["later_by_unit"].get(unit), seen.get(unit, np.array([], "datetime64[ns]")),
        )
        told += life.spells()
    frames.append(pd.DataFrame(told, columns=COLUMNS))
    spells = pd.concat([f for f in frames if len(f)], ignore_index=True) if any(len(f) for f in frames) else pd.DataFrame(columns=COLUMNS)
    for column in ("started_on", "counted_from", "ended_on", "last_good"):
        spells[column] = pd.to_datetime(spells[column]).astype("datetime64[ns]")
    spells = spells.astype({"unit": int, "spell": int, "copy": int, "count": int, "at_teardown": bool})
    shelf = len(units) - len(active)
    if shelf:
        notes.append(f"{shelf} unit{'s were' if shelf > 1 else ' was'} not yet in service.")
    unknown = int((spells["part"] == NOT_RECORDED).sum())
    if unknown:
        notes.append(f"{unknown} part lives have no part recorded; they count in the fleet but speak for no part.")
    return spells, notes


def _end_flags(end: np.ndarray) -> np.ndarray:
    words = {"in use": "", "sold": "sold on: followed to the last contact", "lost": "lost: followed to the last contact",
             "scrapped": "scrapped", "no": "reported not running, no return: a failure may hide here"}
    return np.array([words[e] for e in end], dtype=object)


def _first_parts(records: Records, units: pd.DataFrame) -> dict[str, dict]:
    """Per component: the part and lot at the build, and parts fitted later (from ``fitted``)."""
    result = {}
    fitted = records.fitted
    start = units["start"].to_numpy()
    for component in records.shop.components:
        parts = pd.DataFrame({"part": records.builds[component].to_numpy(), "lot": ""}, index=units.index)
        own = fitted[fitted["component"] == component].sort_values(["unit", "fitted_on", "row"], kind="stable", na_position="first")
        initial = own["fitted_on"].isna() | (own["fitted_on"].to_numpy() <= start[own["unit"].to_numpy(int)])
        at_build = own[initial].drop_duplicates("unit", keep="last").set_index("unit")
        parts.loc[at_build.index, ["part", "lot"]] = at_build[["part", "lot"]]
        later = own[~initial]
        result[component] = {"parts": parts, "later": later, "later_by_unit": {u: g for u, g in later.groupby("unit")}}
    return result


def _seen_days(records: Records) -> dict[int, np.ndarray]:
    """Days on which each returned unit was seen: figures of its odometer and earlier returns."""
    back = set(records.returns["unit"])
    days = pd.concat([records.odometer[["unit", "day"]], records.returns[["unit", "day"]], records.readings[["unit", "read_on"]].rename(columns={"read_on": "day"})])
    days = days[days["unit"].isin(back)]
    return {u: np.unique(g.to_numpy()) for u, g in days.groupby("unit")["day"]}


class _Position:
    """One component of one unit, walked through its returns and replacements in order of time."""

    def __init__(self, unit, component, own, part, lot, returns, fitted, seen) -> None:
        self.unit, self.component, self.own, self.seen = unit, component, own, seen
        self.part, self.lot = part, lot
        self.returns = list(returns.itertuples()) if returns is not None else []
        self.fitted = list(fitted.itertuples()) if fitted is not None else []
        self.out: list[list] = []

    def spells(self) -> list[list]:
        if self.own["count"] > 1:
            return self._of_several()
        events = [(r.day, 0, r.row, "return", r) for r in self.returns] + [(f.fitted_on, 1, f.row, "fitted", f) for f in self.fitted]
        events.sort(key=lambda e: e[:3])
        stop = self.own["stop"]
        day = counted = self.own["start"]
        part, lot, spell = self.part, self.lot, 1
        open_, flags = part != "", ""
        last_return = None
        for when, _, _, kind, event in events:
            if when > stop:
                continue
            if kind == "fitted":
                if last_return is not None and (when - last_return).days <= _SAME_REPLACEMENT_DAYS:
                    part, lot, open_, last_return = event.part, event.lot, True, None
                    flags = ""
                    continue
                if open_:
                    self._add(part, lot, spell, 0, 1, day, counted, when, "removed", flags=flags)
                    spell += 1
                part, lot, day, counted, open_, flags = event.part, event.lot, when, when, True, ""
                continue
            failed = event.failed_on if not pd.isna(event.failed_on) else event.day
            how = _ending(event)
            if how is None:
                continue
            if not open_:
                # it came back again, so something was put in after the last return
                stated = event.part if event.part not in ("", NOT_RECORDED) else ""
                part = stated or part or NOT_RECORDED
                flags = "" if stated else "replacement not recorded: taken as the same part again"
            note = flags
            if event.part not in ("", NOT_RECORDED, part) and part != NOT_RECORDED:
                note = _and(note, f"the return names {event.part}, the build {part}")
            elif part in ("", NOT_RECORDED) and event.part not in ("", NOT_RECORDED):
                part, note = event.part, _and(note, "part known from the return only")
            if pd.isna(event.failed_on) and not event.at_teardown and how == "failed":
                note = _and(note, "day of failure not recorded: taken as the day of return")
            failed = max(failed, day)
            self._add(part, lot, spell, 0, 1, day, counted, failed, how, event, note)
            spell += 1
            day, counted, last_return = event.day, failed, event.day
            part_next = event.replaced_with
            open_, flags, lot = bool(part_next), "", ""
            part = part_next or part
        if open_ and day <= stop:
            self._add(part, lot, spell, 0, 1, day, counted, stop, "running", flags=_and(flags, str(_end_flags(np.array([self.own["end"]]))[0])))
        return self.out

    def _of_several(self) -> list[list]:
        """A row that stands for several units: each return is of another one of them."""
        start, stop, count = self.own["start"], self.own["stop"], int(self.own["count"])
        copy = 0
        for event in self.returns:
            how = _ending(event)
            if how is None or copy >= count:
                continue
            copy += 1
            failed = event.failed_on if not pd.isna(event.failed_on) else event.day
            self._add(self.part, self.lot, 1, copy, 1, start, start, failed, how, event, "one of several alike")
        if count > copy:
            self._add(self.part, self.lot, 1, 0, count - copy, start, start, stop, "running", flags=str(_end_flags(np.array([self.own["end"]]))[0]))
        return self.out

    def _add(self, part, lot, spell, copy, count, day, counted, end, how, event=None, flags="") -> None:
        failed = how == "failed"
        teardown = bool(failed and event.at_teardown)
        good = pd.NaT
        if teardown:
            before = self.seen[(self.seen < np.datetime64(end)) & (self.seen >= np.datetime64(day))]
            good = pd.Timestamp(before[-1]) if len(before) else pd.NaT
            flags = _and(flags, "found at teardown")
        self.out.append(
            [self.unit, self.component, part, lot, spell, copy, count, day, counted, end, how, event.cause if failed else "",
             event.finding if event is not None else "", event.order if event is not None else "", teardown, good, flags]
        )


def _ending(event) -> str | None:
    """How a return ends the part's life: failed, removed (taken out undamaged, or broken by another part), or not at all."""
    if event.cause == "no fault":
        return "removed" if event.replaced_with else None
    return "removed" if event.order == "followed" else "failed"


def _and(flags: str, more: str) -> str:
    return "; ".join(f for f in (flags, more) if f)


__all__ = ["COLUMNS", "make_spells"]
