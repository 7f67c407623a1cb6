"""Whom to call: trucks above a limit, odometers worth asking for, and a random sample to find failures nobody reported."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.predict import chances, with_early
from analytics.ratings.unknowns import ask_first
from analytics.reasons import Above, AskFirst, Question, RandomCalls, Reason, reason, reason_if
from analytics.records.cover import weights_of
from analytics.records.limits import limit_for
from analytics.records.load import Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.snapshot import Snapshot, carried

#: miles ahead of which a chance is given, calls of the follow-up, and the days after which a unit counts as silent
AHEAD_MILES = 10_000.0
CALLS = 40
#: a chance within a year from which a truck is worth a call by itself (a judgement)
_LOUD = 0.10
_SILENT_DAYS = 365
_SHARES = (0.85, 0.7, 0.5)
_SEED = 1


def chances_ahead(snapshot: Snapshot) -> pd.DataFrame:
    """Chance that each running life fails, reported or not, in its next year and its next AHEAD_MILES; one row per life:
    position (its row in the table of the snapshot), in_a_year, in_miles. NaN where nothing of the part could be fitted."""
    frames = []
    for own in snapshot.parts.values():
        data = own.lives.data
        which = np.flatnonzero(own.lives.watched & ~data.failed & ~data.known_alive)
        if not len(which):
            continue
        found = {"position": own.lives.rows[which], "in_a_year": np.nan, "in_miles": np.nan}
        if own.fit.model is not None:
            model = carried(own.fit.model, data)
            for name, days, miles in (("in_a_year", DAYS_A_YEAR, None), ("in_miles", None, AHEAD_MILES)):
                _, fails = chances(model, own.theta, which, days, miles)
                if own.fit.early.fired:
                    fails = with_early(own.fit, data, which, fails, days, miles)
                found[name] = fails.mean(0)
        frames.append(pd.DataFrame(found))
    return (
        pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=["position", "in_a_year", "in_miles"])
    )


def lives_ahead(snapshot: Snapshot) -> pd.DataFrame:
    """The lives running on the day of a ``snapshot``, as in the table of lifetimes but with the load their units carry from now on, with what
    `chances_ahead` gives of each, and ``day``: today."""
    watched = chances_ahead(snapshot)
    running = snapshot.lifetimes.table.iloc[watched["position"].to_numpy(int)]
    now = snapshot.lifetimes.units.loc[running["unit"]]
    return running.assign(
        power_hp=now["power_now_hp"].to_numpy(float),
        weight_lb=now["weight_now_lb"].to_numpy(float),
        use=now["use_now"].to_numpy(object),
        in_a_year=watched["in_a_year"].to_numpy(float),
        in_miles=watched["in_miles"].to_numpy(float),
        day=snapshot.as_of,
    )


_PART = ["component", "part"]
_ABOVE = [
    "serial", "above", "over_by", "in_a_year", "in_miles", "power_hp", "weight_lb", "use", "years_out", "odometer_known",
]  # fmt: skip


def _likeliest(known: pd.DataFrame) -> list[Reason]:
    """What is said of the units whose chance is ``known``, the likeliest first."""
    expected, ten, first = known["in_a_year"] * known["count"], known.head(10), known.iloc[0]
    values = {"serial": first.serial, "power_hp": first.power_hp, "limits": first.above, "chance": first.in_a_year}
    loud = {"loud": int(known.loc[known["in_a_year"] >= _LOUD, "count"].sum()), "loud_from": _LOUD}
    likeliest = {"serials": ten["serial"].tolist(), "their_share": expected.head(10).sum() / expected.sum()}
    return [reason(Above.FIRST, **values), reason(Above.EXPECTED, expected=float(expected.sum()), **loud, **likeliest)]


def above_limit(records: Records, snapshot: Snapshot, proposed: pd.DataFrame | None = None) -> Answer:
    """Units in service with a part above its limit in ``records``, the likeliest to fail there within a year by the
    fits of the ``snapshot`` first; one row per unit.

    proposed: a ratings sheet (component, part, weight_up_to, use, supported_hp): what it supports counts instead of the
    published limits, and trucks with a part for which no power is supported at their weight and use stand first:
    nothing supports what they run. A truck of unknown weight is held against the limit of the lightest class only.
    """
    question = reason(Question.ABOVE, proven=proposed is not None, ahead_miles=AHEAD_MILES)
    edges = snapshot.lifetimes.shop.weight.classes
    limits = records.limits if proposed is None else _as_limits(proposed, edges, snapshot.as_of)
    empty = pd.DataFrame(columns=_ABOVE)
    if limits.empty and proposed is None:
        return nothing(question, Above.NO_LIMIT, empty)
    trucks = lives_ahead(snapshot)
    # above the limit of the lightest class is above any
    asked = trucks if proposed is None else trucks.assign(weight_lb=trucks["weight_lb"].fillna(0.0))
    at = limit_for(limits, asked)
    found = np.append(limits["power_limit_hp"].to_numpy(float), np.nan)
    trucks["limit_hp"] = found[at]  # -1: no limit, the last
    if proposed is not None:  # a class without a row has nothing supported either
        named = pd.MultiIndex.from_frame(trucks[_PART]).isin(pd.MultiIndex.from_frame(limits[_PART]))
        trucks.loc[(at < 0) & named, "limit_hp"] = 0.0
    limited = trucks[trucks["limit_hp"].notna()]
    unproven = limited["limit_hp"] == 0
    held = trucks_of(limited[limited["power_hp"].notna() | unproven])
    bare = trucks_of(limited[limited["power_hp"].isna() & ~unproven])
    tail = [reason(Above.NO_POWER, trucks=bare)] if bare else []
    over = limited[(limited["power_hp"] > limited["limit_hp"]) | unproven]
    if not held or over.empty:
        none = reason(Above.NONE_ABOVE, trucks=held) if held else reason(Above.NONE_HELD)
        return Answer(question, (none, *tail), empty, reckoned=False)
    frame = _per_unit(over, snapshot.lifetimes.units)
    said = [
        reason(
            Above.COUNT, above=trucks_of(over), trucks=held, parts=_trucks_by_part(over), proven=proposed is not None
        )
    ]
    unsupported = over[over["limit_hp"] == 0]
    if len(unsupported):
        parts = _trucks_by_part(unsupported)
        said.append(reason(Above.NOTHING_PROVEN, trucks=trucks_of(unsupported), parts=parts))
    known = frame[frame["in_a_year"].notna()].sort_values("in_a_year", ascending=False, kind="stable")
    said += _likeliest(known) if len(known) else []
    quiet = int(frame.loc[frame["in_a_year"].isna(), "count"].sum())
    said += reason_if(Above.NO_CHANCE, quiet, trucks=quiet)
    limited = over[over["limit_hp"] > 0]
    mean = limited.groupby(_PART)["in_a_year"].mean()
    timid = sorted(part for part, n in _trucks_by_part(limited).items() if n > 0.3 * held and mean[part] < 0.01)
    said += reason_if(Above.LOOK_AT_THE_LIMIT, timid, parts=timid)
    return Answer(question, (*said, *tail, reason(Above.TELL_THE_OWNER)), frame[_ABOVE])


def trucks_of(lives: pd.DataFrame) -> int:
    """Trucks that rows of the table of ``lives`` are of; a row of builds can stand for several."""
    return int(lives.drop_duplicates("unit")["count"].sum())


def _trucks_by_part(over: pd.DataFrame) -> dict[tuple[str, str], int]:
    """Trucks per component and part, most first."""
    own = over.drop_duplicates([*_PART, "unit"]).groupby(_PART)["count"].sum().astype(int)
    return own.sort_values(ascending=False, kind="stable").to_dict()


def _per_unit(over: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """One row per unit, the likeliest first, with the trucks it stands for (count); chances of several parts are taken as independent."""
    over = over.assign(
        over_by=over["power_hp"] / over["limit_hp"].where(over["limit_hp"] > 0) - 1,
        nothing=over["limit_hp"] == 0,
        above=list(zip(over["component"], over["part"], over["limit_hp"], strict=True)),
        use=over["use"].replace("", "not recorded"),
        years_out=units["days"].reindex(over["unit"]).to_numpy() / DAYS_A_YEAR,
        odometer_known=(units["miles_days"].reindex(over["unit"]) > 0).to_numpy(),
        known=over["in_a_year"].notna(),
    ).sort_values(["unit", "in_a_year", "over_by"], ascending=[True, False, False], kind="stable", na_position="last")
    for name in ("in_a_year", "in_miles"):
        over[name] = np.log1p(-over[name].clip(upper=1 - 1e-12))
    own = over.groupby("unit", sort=True)
    frame = own.agg(
        serial=("serial", "first"), above=("above", list), over_by=("over_by", "max"), in_a_year=("in_a_year", "sum"),
        in_miles=("in_miles", "sum"), power_hp=("power_hp", "first"), weight_lb=("weight_lb", "first"), use=("use", "first"),
        years_out=("years_out", "first"), odometer_known=("odometer_known", "first"), known=("known", "any"), nothing=("nothing", "any"),
        count=("count", "first"),
    )  # fmt: skip
    for name in ("in_a_year", "in_miles"):
        frame[name] = (-np.expm1(frame[name])).where(frame["known"])
    frame["above"] = [reason(Above.LIMITS, limits=limits) for limits in frame["above"]]
    return frame.sort_values(
        ["nothing", "in_a_year", "over_by", "serial"],
        ascending=[False, False, False, True],
        kind="stable",
        na_position="last",
        ignore_index=True,
    )


def _as_limits(proposed: pd.DataFrame, edges_lb: tuple[float, ...], day: pd.Timestamp) -> pd.DataFrame:
    """The sheet's rows as limits; 0 hp where no power is supported."""
    held = [weights_of(w, edges_lb) for w in proposed["weight_up_to"]]
    return pd.DataFrame(
        {
            "component": proposed["component"], "part": proposed["part"], "use": proposed["use"], "power_limit_hp": proposed["supported_hp"].fillna(0.0),
            "weight_up_to_lb": [w.up_to_lb for w in held], "weight_over_lb": [w.over_lb for w in held], "effective_on": day,
        }
    ).reset_index(drop=True)  # fmt: skip


# ---- odometers -------------------------------------------------------------------------------------------------------
def odometers_to_ask(lifetimes: Lifetimes) -> Answer:
    """Unknowns in ``lifetimes`` whose knowledge would tighten the ratings most, one row per unit and thing unknown."""
    question = reason(Question.ASK_FIRST)
    columns = ["serial", "ask", "parts", "drop"]
    try:
        found = ask_first(lifetimes, sample=0, seed=_SEED)
    except AnalyticsError as err:
        return nothing(question, AskFirst.NOTHING, pd.DataFrame(columns=columns), why=err)
    table = found.table
    first = table["serial"].tolist()[:8]
    said = (
        reason(AskFirst.COUNT, unknowns=len(table), parts=found.parts, serial=first[0], ask=table["ask"].iloc[0]),
        reason(AskFirst.FIRST, serials=first),
    )
    return Answer(question, said, table[columns])


# ---- the random sample -----------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class FollowUp:
    """drawn: serials in the order to call. silent: units in service nobody has heard of for long enough. failures: reported
    so far. table: share reported, failures that would be silent, chance that so many calls find one."""

    drawn: tuple[str, ...]
    silent: int
    failures: int
    table: pd.DataFrame


def silent_share(failures: float, share: float, silent_units: float) -> float:
    """Share of ``silent_units`` that failed without a word, were only ``share`` of failures reported: (1 - share)/share
    silent ones go with each of the ``failures`` on record. At most 1."""
    if not 0 < share <= 1:
        raise AnalyticsError(f"reporting share {share:g}: give a number above 0 and at most 1.")
    return min(failures * (1 - share) / share / silent_units, 1.0) if silent_units > 0 else 0.0


def chance_to_find(calls: int, silent: float) -> float:
    """Chance that ``calls`` random calls meet at least one silent failure, where that share of the units called is one."""
    return float(-np.expm1(calls * np.log1p(-silent))) if silent < 1 else float(calls > 0)


def follow_up(records: Records, lifetimes: Lifetimes, calls: int = CALLS, seed: int = _SEED) -> FollowUp:
    """Draw ``calls`` units at random (``seed``) among those in service that neither ``records`` nor ``lifetimes`` tell
    of for a year or more, each as likely as the others."""
    units, last = lifetimes.units, _last_heard(records, lifetimes)
    quiet = units[(units["end"] == "in use") & ((lifetimes.as_of - last).dt.days >= _SILENT_DAYS)].sort_values(
        "serial", kind="stable"
    )
    failed = lifetimes.table[(lifetimes.table["ended"] == "failed")]
    failures, silent = int(failed["count"].sum()), int(quiet["count"].sum())
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(quiet))[:calls]
    rows = [
        [share, failures * (1 - share) / share, n, chance_to_find(n, silent_share(failures, share, silent))]
        for share in _SHARES
        for n in (calls // 2, calls, 100)
        if n <= silent
    ]
    table = pd.DataFrame(rows, columns=["reported_share", "silent_failures", "calls", "finds_one"])
    return FollowUp(tuple(quiet["serial"].astype(str).iloc[order]), silent, failures, table)


def _last_heard(records: Records, lifetimes: Lifetimes) -> pd.Series:
    """The last day anything was heard of each unit; in service, if nothing was."""
    heard = [
        records.readings.groupby("unit")["read_on"].max(),
        records.returns.groupby("unit")["day"].max(),
        records.changes.groupby("unit")["changed_on"].max(),
        records.fitted.groupby("unit")["fitted_on"].max(),
    ]
    last = lifetimes.units["in_service_on"].copy()
    for days in heard:
        later = days.reindex(last.index)
        last = last.where(~(later > last), later)
    return last


def random_calls(records: Records, lifetimes: Lifetimes) -> Answer:
    """The random follow-up from ``records`` and their ``lifetimes``: whom, why, and how likely it is to find a failure
    nobody reported."""
    question = reason(Question.RANDOM_CALLS)
    f = follow_up(records, lifetimes)
    details = lifetimes.units.assign(serial=lifetimes.units["serial"].astype(str)).set_index("serial")
    order = details.loc[list(f.drawn), ["in_service_on", "use"]].reset_index()
    order.insert(0, "call", range(1, len(order) + 1))
    if not f.silent:
        return nothing(question, RandomCalls.NOBODY_SILENT, order)
    said = [reason(RandomCalls.SILENT, units=f.silent, calls=len(f.drawn))]
    # a row of several units is one call, so there may be fewer calls to make than units
    within = f.table[f.table["calls"] <= len(f.drawn)]
    if f.failures and len(within):
        n = int(within["calls"].max())
        own = within[within["calls"] == n]
        finds = own.set_index("reported_share")["finds_one"].to_dict()
        said.append(reason(RandomCalls.WOULD_FIND, calls=n, chances=finds, failures=f.failures))
        said.append(reason(RandomCalls.NO_PROOF))
    said.append(reason(RandomCalls.ASK_EACH))
    notes = tuple(reason(RandomCalls.CHANCE, **row) for row in f.table.to_dict("records"))
    return Answer(question, tuple(said), order, notes)
