"""The quarter on one sheet: what to do, the limits, whom to call, the numbers, what changed, what to mend. All in codes and figures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.lifetimes.sight import stretch_of
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.sheet import Ratings
from analytics.reasons import Alarms, CameSince, Do, Family, InNumbers, RandomCalls, Reason, Since, Who, brief, reason
from analytics.records.cover import over
from analytics.records.load import NOT_RECORDED
from analytics.review.alarms import OVER as PUT_BY
from analytics.review.call_list import LOUD, Calls, call_list
from analytics.review.calls import trucks_of
from analytics.review.fleet_view import FleetView
from analytics.review.outlook import Outlook
from analytics.review.quarter import Span, quarter_before
from analytics.review.quarterly import Review
from analytics.review.this_quarter import comebacks
from analytics.review.watch import INSTALL

#: lines of what to do, limits to lower with a line of their own, and lines of what changed
MOST_LINES, _LOWERED, MOST_CHANGES = 7, 3, 5
#: an alarm that has been judged so is over
OVER = frozenset({CameSince.RUN_ITS_COURSE, CameSince.NOT_BORNE_OUT, CameSince.NO_LONGER_LOOKED_AT})
_KEY = ["component", "part", "use", "weight_up_to"]
_BEFORE = ["published_hp", "supported_hp", "verdict"]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to do. section: of the page of the review, where its evidence stands. loss: a year, in the shop's money or, where
    that is not stated, in comebacks (NaN: not to be told). danger: before any money."""

    who: Who
    what: Reason
    section: str
    loss: float = math.nan
    danger: bool = False


@dataclass(frozen=True, slots=True, repr=False)
class Sheet:
    """The quarter on one sheet.

    to_do: most urgent first. limits: a row per component, part, weight class and use: published_hp, supported_hp, proposed_hp, verdict,
    and the first, second and last of these as they stood at the last review (before_...; NaN and "" where there was none).
    comeback: cost of one (NaN: not stated). calls: the trucks to call. random: serials in the order they must be called in, of so many silent units. numbers: a row per code of
    `InNumbers`, with value, lower, upper and missing (rows without a figure) for each of ``spans``. changed: since the review of
    ``before`` (None: there was none). mend: what in the records to mend first.
    """

    span: Span
    before: Span | None
    comeback: float
    to_do: tuple[Line, ...]
    limits: pd.DataFrame
    calls: Calls
    random: tuple[str, ...]
    silent: int
    numbers: pd.DataFrame
    spans: tuple[str, ...]
    changed: tuple[Reason, ...]
    mend: tuple[Reason, ...]
    ratings: Ratings

    @property
    def currency(self) -> str:
        """The sign of the shop's money."""
        return self.ratings.records.shop.currency

    @property
    def priced(self) -> bool:
        """Whether the shop states what a comeback costs."""
        return self.comeback == self.comeback

    def __repr__(self) -> str:
        return brief(self, quarter=self.span.name, to_do=len(self.to_do), to_call=len(self.calls.table))


def make_sheet(review: Review, outlook: Outlook, fleet: FleetView, ratings: Ratings, earlier: Ratings | None) -> Sheet:
    """The sheet of a ``review`` with its ``outlook`` and ``fleet``. ratings: of the day; earlier: of the last review's day, from the records as they stood then."""
    shop, span = review.records.shop, review.span
    stated = shop.cost_of("comeback")
    alarms = standing_alarms(outlook)
    lots = [(a.component, a.group) for a in alarms.itertuples() if a.family is Family.LOT_LIFE]
    asked = fleet.odometers.table["serial"].tolist() if len(fleet.odometers.table) else []
    calls = call_list(outlook.snapshot, ratings.table, lots, asked, math.nan if stated is None else stated)
    limits = limits_table(ratings, earlier)
    order = fleet.random_calls.table
    spans = (span, quarter_before(span), quarter_before(span, 4))
    before = None if earlier is None else Span(
        quarter_before(span).name, quarter_before(span).start, earlier.records.as_of, True
    )  # fmt: skip
    return Sheet(
        span=span,
        before=before,
        comeback=math.nan if stated is None else stated,
        to_do=_ordered(_to_do(alarms, outlook, fleet, limits, calls, 1.0 if stated is None else stated)),
        limits=limits,
        calls=calls,
        random=tuple(order["serial"]) if "serial" in order else (),
        silent=next((r.values["units"] for r in fleet.random_calls.said if r.code is RandomCalls.SILENT), 0),
        numbers=numbers(review, outlook, spans),
        spans=tuple(s.name for s in spans),
        changed=changed(outlook, limits, earlier is not None)[:MOST_CHANGES],
        mend=review.to_fix.said[:3],
        ratings=ratings,
    )


# ---- alarms ----------------------------------------------------------------------------------------------------------
def standing_alarms(outlook: Outlook) -> pd.DataFrame:
    """Alarms of the day of an ``outlook``, but for those that what came since has shown to be over."""
    if not outlook.watched:
        return pd.DataFrame(columns=["family", "component", "group", "units", "expected", "came"])
    alarms, kept = outlook.watched[-1].alarms, outlook.alarms_kept
    judged = {(k.family, k.component, k.group): k.verdict for k in kept.itertuples()}
    state = {(k.family, k.component, k.group): k.state for k in kept.itertuples()}
    keys = [(a.family, a.component, a.group) for a in alarms.itertuples()]
    over_now = [judged.get(key) in OVER or state.get(key) in PUT_BY for key in keys]
    return alarms[~np.array(over_now, bool)]


# ---- limits ----------------------------------------------------------------------------------------------------------
def limits_table(ratings: Ratings, earlier: Ratings | None) -> pd.DataFrame:
    """Each row of the sheet of ``ratings`` with how it stood in the ``earlier`` one (None: there was none); the open class is one class, whatever weight it was
    rated at."""
    columns = [*_KEY, "published_hp", "supported_hp", "proposed_hp", "trial_hp", "verdict", "why"]
    now = ratings.table[columns].assign(open=_open(ratings))
    if earlier is None or earlier.table.empty:
        return now.assign(before_published_hp=np.nan, before_supported_hp=np.nan, before_verdict="")
    then = earlier.table[[*_KEY, *_BEFORE]].assign(open=_open(earlier))
    keyed = [f.assign(at=f["weight_up_to"].where(~f["open"], math.inf)) for f in (now, then)]
    named = keyed[1].rename(columns={c: f"before_{c}" for c in _BEFORE}).drop(columns=["weight_up_to", "open"])
    both = keyed[0].merge(named, on=["component", "part", "use", "at"], how="left").drop(columns="at")
    return both.assign(before_verdict=both["before_verdict"].fillna(""))


def _open(ratings: Ratings) -> np.ndarray:
    edges = ratings.records.shop.weight.classes
    return np.asarray(over(ratings.table["weight_up_to"].to_numpy(float), edges[-1] if edges else math.inf), bool)


# ---- what to do ------------------------------------------------------------------------------------------------------
def _ordered(lines: Iterator[Line]) -> tuple[Line, ...]:
    """Danger first, then money; what no money can be told of comes last, in the order it is found."""
    every = sorted(lines, key=lambda line: (not line.danger, -line.loss if line.loss == line.loss else math.inf))
    return tuple(every[:MOST_LINES]) or (Line(Who.OWNER, reason(Do.NOTHING), "worse"),)


def _to_do(
    alarms: pd.DataFrame, outlook: Outlook, fleet: FleetView, limits: pd.DataFrame, calls: Calls, comeback: float
) -> Iterator[Line]:
    for alarm in alarms.itertuples():
        yield _of_alarm(alarm, outlook)
    yield from _to_lower(limits, calls, comeback)
    if calls.loud:
        what = reason(Do.CALL, trucks=calls.loud, from_chance=LOUD, expected=calls.loud_expected)
        yield Line(Who.PHONE, what, "call", calls.loud_expected * comeback)
    general = limits[(limits["use"] == "") & (limits["verdict"] == "raise")]
    raised = [(c, p, _moves(own, limits)) for (c, p), own in general.groupby(["component", "part"], sort=False)]
    if raised:
        yield Line(Who.OWNER, reason(Do.RAISE, parts=raised), "limits")
    if len(order := fleet.random_calls.table):
        yield Line(Who.PHONE, reason(Do.RANDOM, calls=len(order)), "call")
    stock = outlook.forecasts.stock
    if len(stock) and len(own := stock[(stock["keep"] > 0) & (stock["part"] != NOT_RECORDED)]):
        own = own.sort_values(["keep", "part"], ascending=[False, True], kind="stable")
        yield Line(
            Who.PARTS, reason(Do.STOCK, parts=[*own[["part", "keep"]].itertuples(index=False, name=None)]), "ahead"
        )


def _of_alarm(alarm, outlook: Outlook) -> Line:
    what = reason(Alarms.TEST, family=alarm.family, component=alarm.component, group=alarm.group)
    counts = {"what": what, "came": int(alarm.came), "units": int(alarm.units), "expected": float(alarm.expected)}
    if alarm.family is Family.LOT_LIFE:
        table = outlook.snapshot.table
        own = (table["component"] == alarm.component) & (table["lot"] == alarm.group) & table["followed"]
        running = trucks_of(table[own])
        return Line(Who.PARTS, reason(Do.STOP_LOT, lot=alarm.group, running=running, **counts), "worse", danger=True)
    if alarm.family in INSTALL:
        return Line(Who.BENCH, reason(Do.ASK_BENCH, **counts), "worse", danger=True)
    return Line(Who.OWNER, reason(Do.LOOK_AT, **counts), "worse", danger=bool(alarm.came > alarm.expected))


def _moves(own: pd.DataFrame, limits: pd.DataFrame) -> list[tuple[float, float, float, float]]:
    """Of the limits of a part that are to move (``own``, among all ``limits``), class by class: the weight it is rated at, what is published, what is
    proposed, and the weight up to which a lighter class stays (0: none does)."""
    part, rated = own[["component", "part"]].iloc[0], own["weight_up_to"].tolist()
    every = limits[
        (limits["use"] == "") & (limits["component"] == part["component"]) & (limits["part"] == part["part"])
    ]
    stay = [w for w in every["weight_up_to"] if w not in rated]
    figures = own[["weight_up_to", "published_hp", "proposed_hp"]].itertuples(index=False, name=None)
    return [(*found, max((w for w in stay if w < found[0]), default=0.0)) for found in figures]


def _to_lower(limits: pd.DataFrame, calls: Calls, comeback: float) -> Iterator[Line]:
    """The dearest limits to lower in a line each, the others in one."""
    own = limits[(limits["use"] == "") & (limits["verdict"] == "lower")]
    lines = []
    for (component, part), rows in own.groupby(["component", "part"], sort=False):
        found = calls.by_part[(calls.by_part["component"] == component) & (calls.by_part["part"] == part)]
        trucks, expected = int(found["trucks"].sum()), float(found["expected"].sum())
        lines.append((expected, component, part, trucks, _moves(rows, limits)))
    lines.sort(key=lambda line: -line[0])
    single = lines if len(lines) <= _LOWERED else lines[: _LOWERED - 1]
    for expected, component, part, trucks, moves in single:
        what = reason(Do.LOWER, component=component, part=part, moves=moves, trucks=trucks, expected=expected)
        yield Line(Who.OWNER, what, "limits", expected * comeback)
    if rest := lines[len(single) :]:
        what = reason(Do.LOWER_TOO, parts=[line[1:4] for line in rest])
        yield Line(Who.OWNER, what, "limits", sum(line[0] for line in rest) * comeback)


# ---- the quarter in numbers ------------------------------------------------------------------------------------------
def numbers(review: Review, outlook: Outlook, spans: tuple[Span, ...]) -> pd.DataFrame:
    """what (`InNumbers`), quarter, value, lower, upper, missing, basis (of a cost): each figure of each of ``spans`` of a ``review``, and of the quarter ahead ("")
    as its ``outlook`` has it."""
    back = comebacks(review.records, review.lifetimes)
    returns = review.records.returns[review.records.returns["cause"] != "no fault"]
    kept = outlook.kept.table
    rows: list[list[object]] = []
    for span in spans:
        came, out = int(span.covers(back["seen_on"]).sum()), in_service(review.lifetimes, span.end)
        own = returns[span.covers(returns["day"])].groupby("event")["cost"]
        costs = own.sum(min_count=1)
        rows += [
            [InNumbers.CAME_BACK, span.name, came, np.nan, np.nan, 0],
            [InNumbers.IN_SERVICE, span.name, out, np.nan, np.nan, 0],
            [InNumbers.PER_HUNDRED, span.name, 100 * came / out if out else np.nan, np.nan, np.nan, 0],
            [InNumbers.COST, span.name, costs.sum() if len(costs) else 0.0, np.nan, np.nan, int(costs.isna().sum())],
        ]
        made = kept[(kept["span"] == "quarter") & (kept["component"] == "all")] if len(kept) else kept
        made = made[made["made_on"] == quarter_before(span).end] if len(made) else made
        for row in made.itertuples():
            rows.append([InNumbers.EXPECTED, span.name, row.expected, row.lower, row.upper, 0])
    rows = [[*row, "recorded"] for row in rows] + _ahead(outlook)
    return pd.DataFrame(rows, columns=["what", "quarter", "value", "lower", "upper", "missing", "basis"])


def _ahead(outlook: Outlook) -> list[list[object]]:
    """The quarter ahead; its cost as the quarters before are told, at what returns have cost, where enough have one."""
    found = outlook.forecasts
    counts = found.counts[(found.counts["span"] == "quarter") & (found.counts["component"] == "")]
    money = found.money[found.money["span"] == "quarter"] if len(found.money) else found.money
    rows = [[InNumbers.EXPECTED, "", r.expected, r.lower, r.upper, 0, ""] for r in counts.itertuples()]
    whole = money[money["payer"] == ""].sort_values("basis", kind="stable") if len(money) else money  # recorded, stated
    return rows + [[InNumbers.COST, "", r.expected, r.lower, r.upper, 0, r.basis] for r in whole.head(1).itertuples()]


def in_service(lifetimes: Lifetimes, day: pd.Timestamp) -> int:
    """Units of the ``lifetimes`` in service on a ``day``, as far as the records tell today."""
    units, sight = lifetimes.units, lifetimes.sight
    at = stretch_of(sight, units.index.to_numpy(), np.full(len(units), day.to_datetime64()))
    # one known of up to that day, and said to be gone since, was gone by it
    goes_on = (
        np.append(sight["to_day"].to_numpy() > day.to_datetime64(), False)[at] | (units["end"] == "in use").to_numpy()
    )
    return int(units.loc[(at >= 0) & goes_on, "count"].sum())


# ---- what changed ----------------------------------------------------------------------------------------------------
def changed(outlook: Outlook, limits: pd.DataFrame, compared: bool) -> tuple[Reason, ...]:
    """What the ``outlook`` and the table of ``limits`` say otherwise than at the last review, from the records as they stood then; compared: whether there was one."""
    if not compared:
        return (reason(Since.NO_REVIEW_BEFORE),)
    said = [*_alarms_changed(outlook), *_limits_changed(limits)]
    return tuple(said) or (reason(Since.NOTHING),)


def alarming(frame: pd.DataFrame) -> dict[tuple, Reason]:
    """What each alarm of the ``frame`` looked at, by family, component and group."""
    keys = zip(frame["family"], frame["component"], frame["group"], strict=True)
    return {key: reason(Alarms.TEST, family=key[0], component=key[1], group=key[2]) for key in keys}


def _alarms_changed(outlook: Outlook) -> list[Reason]:
    now = alarming(standing_alarms(outlook))
    then = alarming(outlook.watched[-2].alarms) if len(outlook.watched) > 1 else {}
    judged = {(k.family, k.component, k.group): k.verdict for k in outlook.alarms_kept.itertuples()}
    new = [reason(Since.ALARM_NEW, what=test) for key, test in now.items() if key not in then]
    over_now = [
        reason(Since.ALARM_OVER, what=test, verdict=judged[key])
        for key, test in then.items()
        if key not in now and key in judged
    ]
    return [*new, *over_now]


def _limits_changed(limits: pd.DataFrame) -> list[Reason]:
    """Verdicts that turned, the classes of a part in one; what is supported stands in the table of limits beside what was."""
    own = limits[(limits["use"] == "") & (limits["before_verdict"] != "")]
    turned = own[own["verdict"] != own["before_verdict"]]
    said = [
        reason(
            Since.VERDICT,
            component=c,
            part=p,
            was=was,
            now=now,
            weights=rows["weight_up_to"].tolist(),
            published=bool(rows["published_hp"].notna().any()),
        )
        for (c, p, was, now), rows in turned.groupby(["component", "part", "before_verdict", "verdict"], sort=False)
    ]
    fresh = limits[(limits["use"] == "") & (limits["before_verdict"] == "")]
    parts = [*fresh[["component", "part"]].drop_duplicates().itertuples(index=False, name=None)]
    return [*said, reason(Since.RATED_NOW, parts=parts)] if parts else said
