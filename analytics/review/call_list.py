"""One list of trucks to call: each once, with every reason, by what not calling is expected to cost."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.reasons import Call, Reason, reason
from analytics.records.cover import weights_of
from analytics.records.limits import limit_for
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.calls import lives_ahead, trucks_of
from analytics.review.snapshot import Snapshot

#: a chance within a year from which a truck is worth a call by itself (a judgement)
LOUD = 0.10
#: as many of those whose particulars tell most are on the list
_ASKED = 10
_PART = ["component", "part"]
COLUMNS = ["serial", "why", "in_a_year", "loss", "power_hp", "weight_lb", "use", "years_out"]


@dataclass(frozen=True, slots=True, repr=False)
class Calls:
    """table: COLUMNS, one row per row of builds, the dearest first; in_a_year: chance that any part of one of its trucks fails within a year
    (NaN: none has a fit), loss: failures expected within a year, times the cost of one (NaN: not stated). trucks (n,): how many each row
    stands for. by_part: per component and part the trucks above what it should be published at, and the failures expected of them there
    within a year."""

    table: pd.DataFrame
    trucks: np.ndarray
    by_part: pd.DataFrame

    @property
    def loud(self) -> int:
        """Trucks that are worth a call by themselves."""
        return int(self.trucks[self.table["in_a_year"] >= LOUD].sum())

    @property
    def loud_expected(self) -> float:
        """Those of them expected to fail within a year."""
        own = self.table["in_a_year"] >= LOUD
        return float((self.table["in_a_year"] * self.trucks)[own].sum())


def targets(rated: pd.DataFrame, edges_lb: tuple[float, ...], day: pd.Timestamp) -> pd.DataFrame:
    """What each row of the sheet of ratings, ``rated``, should be published at, by the classes ``edges_lb``, as limits in force on ``day``: what is proposed where it is
    to move, else what is published; rows that have neither are left out."""
    moves = rated["verdict"].isin(["lower", "raise"])
    stays = rated["published_hp"].where(~(rated["supported_hp"] > rated["published_hp"]), rated["supported_hp"])
    power = rated["proposed_hp"].where(moves, stays)
    held = [weights_of(w, edges_lb) for w in rated["weight_up_to"]]
    limits = rated[["component", "part", "use"]].assign(
        power_limit_hp=power,
        weight_up_to_lb=[w.up_to_lb for w in held],
        weight_over_lb=[w.over_lb for w in held],
        effective_on=day,
    )
    return limits[power.notna()].reset_index(drop=True)


def call_list(
    snapshot: Snapshot, rated: pd.DataFrame, lots: Collection[tuple[str, str]], asked: Collection[str], comeback: float
) -> Calls:
    """Trucks above what their parts should be published at, on a bad lot, likely to fail, or whose particulars tell most.

    snapshot: of the day. rated: the sheet of ratings. lots: (component, lot) that stand out. asked: serials whose particulars tell most, first the
    first. comeback: cost of one (NaN: not stated).
    """
    trucks = lives_ahead(snapshot)
    limits = targets(rated, snapshot.lifetimes.shop.weight.classes, snapshot.as_of)
    at = limit_for(limits, trucks)
    trucks["limit_hp"] = np.append(limits["power_limit_hp"].to_numpy(float), np.nan)[at]
    above = trucks["power_hp"] > trucks["limit_hp"]
    on_lot = (
        pd.MultiIndex.from_frame(trucks[["component", "lot"]]).isin(list(lots)) if lots else np.zeros(len(trucks), bool)
    )
    units = _units(trucks, comeback)
    why = [
        _reasons(trucks[on_lot], lambda own: reason(Call.LOT, lots=sorted(set(own["lot"])))),
        _reasons(trucks[above], lambda own: reason(Call.ABOVE, limits=list(zip(*(own[c] for c in (*_PART, "limit_hp")), strict=True)))),
    ]  # fmt: skip
    first = list(dict.fromkeys(asked))[:_ASKED]
    why.append(units.loc[units["serial"].isin(first), "serial"].map(lambda _: reason(Call.TELLS_MUCH)))
    told = pd.concat(why).groupby(level=0).agg(list) if any(map(len, why)) else pd.Series(dtype=object)
    likely = units.index[units["in_a_year"] >= LOUD].difference(told.index)
    worst = trucks.sort_values("in_a_year", kind="stable").drop_duplicates("unit", keep="last").set_index("unit")
    more = {unit: [reason(Call.LIKELY, component=worst.at[unit, "component"])] for unit in likely}
    told = pd.concat([told, pd.Series(more, dtype=object)])
    table = units.loc[units.index.intersection(told.index)]
    table = table.assign(why=[reason(Call.WHY, reasons=tuple(told[unit])) for unit in table.index])
    table = table.sort_values(["in_a_year", "serial"], ascending=[False, True], kind="stable", na_position="last")
    table = (
        table.sort_values("loss", ascending=False, kind="stable", na_position="last") if comeback == comeback else table
    )
    over = trucks[above].assign(expected=lambda t: t["in_a_year"] * t["count"])
    by_part = over.groupby(_PART).agg(
        trucks=("unit", lambda of: trucks_of(over.loc[of.index])), expected=("expected", "sum")
    )
    return Calls(table.reset_index(drop=True)[COLUMNS], table["count"].to_numpy(int), by_part.reset_index())


def _reasons(rows: pd.DataFrame, said: Callable[[pd.DataFrame], Reason]) -> pd.Series:
    """By unit, what ``said`` of its own rows, the likeliest part first."""
    ordered = rows.sort_values(["unit", "in_a_year"], ascending=[True, False], kind="stable")
    return pd.Series({unit: said(own) for unit, own in ordered.groupby("unit", sort=True)}, dtype=object)


def _units(trucks: pd.DataFrame, comeback: float) -> pd.DataFrame:
    """One row per unit running, with the trucks it stands for (count), whatever is wrong with it; chances of its parts are taken as independent."""
    alive = np.log1p(-trucks["in_a_year"].clip(upper=1 - 1e-12))
    own = trucks.assign(alive=alive, years_out=trucks["unit_days"] / DAYS_A_YEAR).groupby("unit", sort=True)
    frame = own.agg(
        serial=("serial", "first"), power_hp=("power_hp", "first"), weight_lb=("weight_lb", "first"), use=("use", "first"),
        years_out=("years_out", "max"), count=("count", "first"),
    )  # fmt: skip
    frame["in_a_year"] = -np.expm1(own["alive"].sum(min_count=1))
    frame["loss"] = own["in_a_year"].sum(min_count=1) * frame["count"] * comeback
    return frame
