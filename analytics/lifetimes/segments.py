"""Lives cut where power, weight or use changed, and to the time in which the unit was in sight."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
import pandas as pd

from analytics.reasons import Flag, LeftOut, Reason, reason_if
from analytics.records.flags import POWER, WEIGHT, add_flag, flag, join_columns, only
from analytics.records.load import Records

_LOAD = ["power_hp", "weight_lb", "use"]
_LOST = flag(Flag.LOAD_NOT_KNOWN)
#: which flags speak of which figure; of neither
_SPOKEN = {"power": POWER, "weight": WEIGHT, "": frozenset(Flag) - POWER - WEIGHT}


def make_states(records: Records, units: pd.DataFrame) -> pd.DataFrame:
    """Power, weight, use and flags of each of ``units`` (make_units) from ``since`` until ``until`` (NaT: to the end), in order, as the
    ``records`` have them."""
    columns = [*_LOAD, "flags"]
    base = records.builds[columns].assign(unit=units.index, since=units["start"], lost="")
    changes = _changes(records, units)
    if changes.empty:
        return base.assign(until=pd.NaT)
    touched = base["unit"].isin(changes["unit"])
    of_changes = changes[[*columns, "unit", "since", "lost"]]
    states = pd.concat([base[touched].assign(changed=False), of_changes.assign(changed=True)])
    # what the build says comes first, whatever changed on its first day
    states = states.sort_values(["unit", "since", "changed", *_LOAD, "lost"], kind="stable", ignore_index=True)
    first = ~states.duplicated("unit")
    states["use"] = states["use"].replace("", None)
    # a flag stays with the figure it speaks of: a new power or weight drops the old one's
    for word, column in (("power", "power_hp"), ("weight", "weight_lb"), ("", "")):
        own = states["flags"].map(lambda text, kinds=_SPOKEN[word]: only(text, kinds))
        states[f"flags_{word}"] = own.where(states[column].notna() | first if column else first)
    keep = [*_LOAD, "flags_power", "flags_weight", "flags_"]
    states[keep] = states.groupby("unit")[keep].ffill()
    for column in ("power_hp", "weight_lb"):
        states[column] = states[column].where(np.isfinite(states[column]))
    states["use"] = states["use"].fillna("").replace(_UNKNOWN_USE, "")
    states["flags"] = join_columns(*(states[c].fillna("") for c in ("flags_power", "flags_weight", "flags_", "lost")))
    # several changes of one day are one
    states = states[~states.duplicated(["unit", "since"], keep="last")].reset_index(drop=True)
    states["until"] = states.groupby("unit")["since"].shift(-1)
    kept = ["unit", "since", "until", *columns]
    return pd.concat([base[~touched].assign(until=pd.NaT)[kept], states[kept]], ignore_index=True)


_UNKNOWN_USE = "\0"


def _changes(records: Records, units: pd.DataFrame) -> pd.DataFrame:
    """Changes of load, with infinity and a mark for "not known from here on"."""
    changes = records.changes.rename(columns={"changed_on": "since"})
    for heading, column in (("power", "power_hp"), ("weight", "weight_lb")):
        changes[column] = changes[column].mask(changes[f"{heading}_lost"].astype(bool), np.inf)
    changes["lost"] = np.where(np.isinf(changes["power_hp"]) | np.isinf(changes["weight_lb"]), _LOST, "")
    aside = records.books.changes_left_out
    if len(aside):
        unknown = pd.DataFrame(
            {
                "unit": aside["unit"],
                "since": aside["day"],
                "power_hp": np.where(aside["power"].astype(bool), np.inf, np.nan),
                "weight_lb": np.where(aside["weight"].astype(bool), np.inf, np.nan),
                "use": np.where(aside["use"].astype(bool), _UNKNOWN_USE, ""),
                "flags": "",
                "lost": _LOST,
            }
        )
        changes = pd.concat([changes, unknown]) if len(changes) else unknown
    start = units["start"].reindex(changes["unit"]).to_numpy()
    changes["since"] = np.fmax(changes["since"].to_numpy(dtype="datetime64[ns]"), start)
    return changes


def cut_at_changes(spells: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    """Cut the lives ``spells`` where the unit's load in ``states`` changed: from_day and to_day of each piece. Only the last ends as the life does.

    A part found damaged at a teardown may have been so since it was last known to be good, so a change after that day
    is no proof that it was whole then: the piece from that day on is left in one, with the load it had at the end.
    """
    changed = states["unit"].duplicated(keep=False)
    single = states[~changed].set_index("unit")
    several = spells["unit"].isin(states.loc[changed, "unit"])
    rows = spells[~several].copy()
    at = single.index.get_indexer(rows["unit"])
    for column in _LOAD:
        rows[column] = single[column].to_numpy()[at]
    rows["flags"] = join_columns(single["flags"].to_numpy()[at], rows["flags"])
    rows["from_day"], rows["to_day"] = rows["started_on"], rows["ended_on"]
    if not several.any():
        return rows.reset_index(drop=True)
    many = spells[several].merge(states[changed], on="unit", how="left", suffixes=("", "_state"))
    started, ended = many["started_on"], many["ended_on"]
    many.loc[many["since"] < started, "since"] = started
    many["until"] = many["until"].fillna(pd.Timestamp.max)
    many = many[
        (many["until"] > many["since"]) & (many["since"] < ended)
        | (many["since"] == started) & (many["until"] > started)
    ]
    many = _one_piece_to_teardown(many)
    cut = many["until"] < many["ended_on"]
    many["from_day"], many["to_day"] = many["since"], many["until"].where(cut, many["ended_on"])
    many.loc[cut, ["cause", "finding", "order"]] = ""
    many.loc[cut, "ended"], many.loc[cut, "at_teardown"] = "changed", False
    many["flags"] = join_columns(many["flags_state"], many["flags"].mask(cut, ""))
    return pd.concat([rows, many[rows.columns]]).reset_index(drop=True)


def _one_piece_to_teardown(many: pd.DataFrame) -> pd.DataFrame:
    good = many["last_good"].fillna(many["started_on"])
    hidden = many["at_teardown"] & (many["until"] > good)  # pieces that reach past the last day known to be good
    last = many["until"] >= many["ended_on"]
    joined = hidden & last & (many["since"] > good)
    many.loc[joined, "since"] = good
    many["flags"] = add_flag(many["flags"], joined, Flag.LOAD_AT_THE_END)
    many.loc[hidden & ~last, "until"] = good
    return many[many["until"] > many["since"]]


def cut_to_sight(
    rows: pd.DataFrame, sight: pd.DataFrame, gone: Collection[int], records_start: pd.Timestamp
) -> tuple[pd.DataFrame, list[Reason]]:
    """The pieces of lives ``rows`` cut to the stretches their units were in ``sight`` (see sight.py), and notes on what was lost by it.

    records_start: NaT where every unit was followed from new. gone: units that were out of sight between; only theirs can be cut in two.
    """
    notes = []
    early = np.zeros(len(rows), bool)
    if not pd.isna(records_start):
        early = (rows["to_day"] <= records_start).to_numpy() & (rows["from_day"] < records_start).to_numpy()
    # one sold or lost whose next news is that it was scrapped at a return has lives past its last day in sight, if it has any
    past = ~(rows["to_day"] <= rows["unit"].map(sight.groupby("unit")["to_day"].max())).to_numpy()
    touched = (rows["unit"].isin(gone).to_numpy() | past) & ~early
    pieces, dropped = _in_pieces(rows[touched], sight)
    whole = rows[~touched & ~early].copy()
    if not pd.isna(records_start):
        whole["from_day"] = whole["from_day"].clip(lower=records_start)
    notes += reason_if(LeftOut.FAILED_OUT_OF_SIGHT, dropped, number=dropped)
    ended = int(rows.loc[early & (rows["ended"] != "changed").to_numpy(), "count"].sum())
    notes += reason_if(LeftOut.BEFORE_RECORDS, ended, number=ended, records_start=records_start)
    return pd.concat([whole, pieces]).reset_index(drop=True) if touched.any() else whole.reset_index(drop=True), notes


def _inside(row: dict, stretches: pd.DataFrame | None) -> list[tuple[Any, Any]]:
    """The days of a life from which to which its unit was seen."""
    pieces = []
    for window in stretches.itertuples() if stretches is not None else ():
        start, stop = max(row["from_day"], window.from_day), min(row["to_day"], window.to_day)
        # a life that only touches the day of news carries nothing there
        instant = row["from_day"] == row["to_day"] == start == stop and (window.new or start > window.from_day)
        if start < stop or instant:
            pieces.append((start, stop))
    return pieces


def _in_pieces(rows: pd.DataFrame, sight: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Pieces of lives inside the stretches of their units, and the number of failures outside."""
    done = []
    stretches = dict(list(sight[sight["unit"].isin(rows["unit"])].groupby("unit")))
    dropped = 0
    for row in rows.to_dict("records"):
        pieces = _inside(row, stretches.get(row["unit"]))
        whole = bool(pieces) and pieces[-1][1] == row["to_day"]
        if not whole:
            dropped += int(row["count"]) if row["ended"] == "failed" else 0
        for number, (start, stop) in enumerate(pieces, 1):
            piece = row | {"from_day": start, "to_day": stop}
            if number < len(pieces) or not whole:
                piece |= {"ended": "changed", "cause": "", "finding": "", "order": "", "at_teardown": False}
                piece["flags"] = flag(Flag.OUT_OF_SIGHT)
                # one that ends in a change goes on after it: the change is the news that brought the unit back
                if not whole and number == len(pieces) and row["ended"] != "changed":
                    piece["ended"] = "running"
            done.append(piece)
    return pd.DataFrame(done, columns=rows.columns).astype(rows.dtypes), dropped


def number_segments(rows: pd.DataFrame) -> pd.DataFrame:
    """Order the pieces ``rows`` and number them within each life, from 1."""
    life = ["unit", "component", "spell"]
    rows = rows.sort_values([*life, "from_day", "to_day"], kind="stable", ignore_index=True)
    rows["segment"] = 1
    again = rows.duplicated(life, keep=False)
    if again.any():
        rows.loc[again, "segment"] = rows[again].groupby(life).cumcount() + 1
    # a change ends a piece only where another follows in sight
    last = ~rows.duplicated(life, keep="last")
    rows.loc[last & (rows["ended"] == "changed"), "ended"] = "running"
    return rows
