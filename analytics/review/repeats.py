"""Repeated returns: how often a unit comes back again, by build year, and whether a rebuilt unit lasts like a new one."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm, poisson

from analytics.errors import NotEnoughData
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.sight import ages_in_sight, returns_in_sight
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import failures_with_age, repeated_events, repeated_failures, trend_of_events
from analytics.models.exact import RateComparison, compare_rates
from analytics.models.nonparametric import SurvivalCurve, kaplan_meier
from analytics.models.recurrence import MeanCumulativeFunction, PowerLaw
from analytics.reasons import Again, BuildYears, Family, Question, Reason, Rebuilt, reason, reason_if
from analytics.records.load import Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.budget import BUDGET, FALSE_ALARM

# ---- coming back again -----------------------------------------------------------------------------------------------
_COLUMNS = [
    "component", "units", "failures", "units_once", "units_more_than_once", "mean_failures", "by_years", "lower", "upper",
    "second_year_to_first", "second_year_from", "second_year_to",
]  # fmt: skip


def again(lifetimes: Lifetimes) -> Answer:
    """How many units of ``lifetimes`` came back more than once, and the mean number of failures per unit, replacements
    included."""
    table, units, shop = lifetimes.table, lifetimes.units, lifetimes.shop
    two_years = int(units.loc[units["days"] >= 2 * DAYS_A_YEAR, "count"].sum()) >= shop.checks.at_risk_to_show
    times = units["returned"].value_counts().sort_index(ascending=True)
    rows = []
    for component, own in table.groupby("component", sort=True):
        try:
            mean = repeated_failures(own, units, lifetimes.sight)
        except NotEnoughData:
            continue
        failed = own[counts_as_failure(own)].groupby("unit")["count"].sum()
        last = mean.to_frame().iloc[-1]
        rows.append(
            [
                component,
                mean.units,
                mean.total_events,
                int((failed == 1).sum()),
                int((failed > 1).sum()),
                last["mean"],
                last["time"] / DAYS_A_YEAR,
                last["lower"],
                last["upper"],
                *(_second_year(own, lifetimes) if two_years else (math.nan,) * 3),
            ]
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    back = times[times.index > 0]
    question = reason(Question.AGAIN)
    if back.empty:
        return nothing(question, Again.NONE_BACK, frame)
    more = times[times.index > 1]
    said = [
        reason(
            Again.BACK_ONCE_AND_MORE,
            units=int(back.sum()),
            units_more_than_once=int(more.sum()),
            most_times=int(more.index[-1]) if len(more) else 1,
        )
    ]
    for row in frame[frame["units_more_than_once"] > 0].itertuples():
        said.append(
            reason(
                Again.LOST_TWICE,
                component=row.component,
                units=row.units_more_than_once,
                mean_failures=row.mean_failures,
                by_years=row.by_years,
            )
        )
    for row in frame.itertuples():
        said += reason_if(
            Again.MORE_OFTEN_WITH_AGE if row.second_year_from > 1 else Again.LESS_OFTEN_WITH_AGE,
            row.second_year_from > 1 or row.second_year_to < 1,
            component=row.component,
            ratio=row.second_year_to_first,
            lower=row.second_year_from,
            upper=row.second_year_to,
        )
    return Answer(question, tuple(said), frame)


def _second_year(own: pd.DataFrame, lifetimes: Lifetimes) -> tuple[float, float, float]:
    """Expected failures in a unit's second year over those in its first, with 95% limits; NaN with too few to fit."""
    least = lifetimes.shop.checks.failures_to_fit
    try:
        process = failures_with_age(own, lifetimes.units, lifetimes.sight)
    except NotEnoughData:
        return math.nan, math.nan, math.nan
    if process.events < least:
        return math.nan, math.nan, math.nan
    return 2**process.b - 1, 2**process.b_lower - 1, 2**process.b_upper - 1


# ---- by build year ---------------------------------------------------------------------------------------------------
#: ages in years at which build years are compared, and the edges of the ages within which new and rebuilt are
_AGES = (1.0, 2.0, 3.0)
_EDGES = (0.0, 0.25, 1.0, 2.0, 3.0)
_LEVEL = 0.95
#: a share of units sent out this large must have been watched at an age before it is compared there
FEWEST_AT_RISK = 20
_FEWEST_EXPECTED = 1.0


def comebacks(records: Records, lifetimes: Lifetimes) -> pd.DataFrame:
    """One row per unit and return in ``records`` with damage that counts by the ``lifetimes`` (see lifetimes/sight.py):
    unit, day. Two that count on one day, the last in sight before both, are one."""
    back = returns_in_sight(records.returns, lifetimes.units, lifetimes.sight)
    by_event = back.groupby("event", as_index=False).agg(unit=("unit", "first"), day=("seen_on", "min"))
    return by_event[["unit", "day"]].drop_duplicates(ignore_index=True)


def _out_of_sight(records: Records, lifetimes: Lifetimes) -> int:
    """Returns with damage of units that were out of sight when they broke, so count nowhere."""
    back = records.returns[
        (records.returns["cause"] != "no fault") & records.returns["unit"].isin(lifetimes.units.index)
    ]
    seen = returns_in_sight(back, lifetimes.units, lifetimes.sight)
    return back["event"].nunique() - seen["event"].nunique()


def mean_comebacks(records: Records, lifetimes: Lifetimes, own: np.ndarray | None = None) -> MeanCumulativeFunction:
    """Mean comebacks in ``records`` per unit of ``lifetimes`` by age in days, of all units or those of the mask ``own``
    (n,). Raises NotEnoughData."""
    units, events = lifetimes.units, comebacks(records, lifetimes)
    return repeated_events(units if own is None else units[own], lifetimes.sight, events["unit"], events["day"])


# ---- by build year ---------------------------------------------------------------------------------------------------
def by_build_year(records: Records, lifetimes: Lifetimes) -> Answer:
    """Mean comebacks in ``records`` per unit of ``lifetimes`` at one, two and three years, by the year built, and
    whether the newest differ."""
    question = reason(Question.BUILD_YEARS, fewest_at_risk=FEWEST_AT_RISK)
    columns = ["built_in", "units", "comebacks", "age_years", "at_risk", "mean_comebacks", "lower", "upper"]
    years = lifetimes.units["begun_on"].dt.year
    events = comebacks(records, lifetimes)
    rows, curves, young = [], {}, []
    for year in sorted(years.dropna().unique()):
        own = (years == year).to_numpy()
        units = lifetimes.units[own]
        n, k = int(units["count"].sum()), int(events["unit"].isin(units.index).sum())
        try:
            curves[int(year)] = mean_comebacks(records, lifetimes, own)
        except NotEnoughData:
            rows.append([str(int(year)), n, k, np.nan, n, np.nan, np.nan, np.nan])
            continue
        mean, before = curves[int(year)], len(rows)
        for age in _AGES:
            followed = _at_risk(records, lifetimes, own, age * DAYS_A_YEAR)
            if followed < FEWEST_AT_RISK or age * DAYS_A_YEAR > mean.last_time:
                continue
            at = mean.mean_at(age * DAYS_A_YEAR).iloc[0]
            rows.append([str(int(year)), n, k, age, followed, at["mean"], at["lower"], at["upper"]])
        if len(rows) == before:
            young.append((int(year), k, n))
            rows.append([str(int(year)), n, k, np.nan, n, np.nan, np.nan, np.nan])
    frame = pd.DataFrame(rows, columns=columns)
    unseen = _out_of_sight(records, lifetimes)
    said = [reason(BuildYears.OUT_OF_SIGHT, comebacks=unseen)] if unseen else []
    if not curves:
        return Answer(question, tuple(said) or (reason(BuildYears.NONE_BACK),), frame, reckoned=False)
    overall = mean_comebacks(records, lifetimes)
    for age in _AGES:
        own = frame[frame["age_years"] == age]
        if len(own) >= 2:
            means = own.set_index("built_in")["mean_comebacks"].to_dict()
            said.append(reason(BuildYears.MEANS, age_years=age, means=means))
    said += reason_if(BuildYears.TOO_YOUNG, young, fewest_at_risk=FEWEST_AT_RISK, years=young)
    said += _year_against_rest(records, lifetimes, frame, years)
    said += _trend(records, lifetimes)
    limits = {"lower": overall.lower[-1], "upper": overall.upper[-1]}
    said.append(reason(BuildYears.OVERALL, mean=overall.mean[-1], by_years=overall.time[-1] / DAYS_A_YEAR, **limits))
    return Answer(question, tuple(said), frame)


def _at_risk(records: Records, lifetimes: Lifetimes, own: np.ndarray, age: float) -> int:
    watched = ages_in_sight(lifetimes.units[own], lifetimes.sight)
    return int(watched.loc[(watched["end"] >= age) & (watched["begin"] < age), "count"].sum())


def _year_against_rest(records: Records, lifetimes: Lifetimes, frame: pd.DataFrame, years: pd.Series) -> list[Reason]:
    """The latest build year that can be compared, against all earlier ones, at the oldest age it has reached."""
    told = frame[frame["age_years"].notna()]
    if told["built_in"].nunique() < 2:
        return [reason(BuildYears.TOO_FEW_YEARS)]
    last = told.iloc[-1]
    before = (years < int(last["built_in"])).to_numpy()
    try:
        rest = mean_comebacks(records, lifetimes, before).mean_at(last["age_years"] * DAYS_A_YEAR).iloc[0]
        mine = mean_comebacks(records, lifetimes, (years == int(last["built_in"])).to_numpy())
    except NotEnoughData:
        return []
    mine = mine.mean_at(last["age_years"] * DAYS_A_YEAR).iloc[0]
    gap, error = mine["mean"] - rest["mean"], float(np.hypot(mine["std_err"], rest["std_err"]))
    z = norm.ppf(0.5 + _LEVEL / 2)
    low, high = gap - z * error, gap + z * error
    code = BuildYears.DIFFER if low > 0 or high < 0 else BuildYears.ALIKE
    values = {"built_in": last["built_in"], "age_years": last["age_years"]}
    return [reason(code, gap=gap, lower=low, upper=high, **values)]


def _unit_trend(records: Records, lifetimes: Lifetimes) -> PowerLaw:
    """Whether comebacks of a unit come closer together with its age, from units watched from new. Raises NotEnoughData."""
    events = comebacks(records, lifetimes)
    return trend_of_events(lifetimes.units, lifetimes.sight, events["unit"], events["day"], _LEVEL)


def _trend(records: Records, lifetimes: Lifetimes) -> list[Reason]:
    """What age does to a unit's comebacks; nothing where there is no trend, since a component alone may still have one."""
    try:
        found = _unit_trend(records, lifetimes)
    except NotEnoughData as err:
        return [reason(BuildYears.TREND_UNTESTED, why=err)]
    values = {"growth": found.b, "lower": found.b_lower, "upper": found.b_upper}
    if found.b_lower > 1:
        return [reason(BuildYears.CLOSER_TOGETHER, **values)]
    return [reason(BuildYears.FURTHER_APART, **values)] if found.b_upper < 1 else []


# ---- new against rebuilt ---------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class AsNew:
    """Comebacks of units after their nth rebuild against those expected of new units alike. ``ratio`` with exact limits at
    ``level`` that allow for how well the expectation is known; NaN where too little is expected. sees_double: chance that
    units truly twice as bad would have been told from new ones. compared_years, compared: of all their years and comebacks,
    those where there are new units alike; expected and ratio are of these."""

    rebuilds: int
    units: int
    years: float
    comebacks: int
    compared_years: float
    compared: int
    expected: float
    expected_error: float
    ratio: float
    lower: float
    upper: float
    sees_double: float
    level: float


def _stretches(records: Records, lifetimes: Lifetimes) -> pd.DataFrame:
    """Each unit's time from new, or from its nth comeback, to the next one or to when it was last known of.

    unit, rebuilds (comebacks so far), entry, time (days since new or rebuilt), failed, count, power_band, use. The time of
    a unit before its records start is followed from new only. A unit is followed to where it first went out of sight: what
    was done to it then is not known.
    """
    first = lifetimes.sight.drop_duplicates("unit").set_index("unit")
    units, events = lifetimes.units, comebacks(records, lifetimes)
    units = units[units.index.isin(first.index)]
    since, until_day = first["from_day"], first["to_day"]
    events = events[events["day"] <= events["unit"].map(until_day)]
    band = lifetimes.units["first_band"].astype(str)
    by_unit = {u: own.sort_values("day", kind="stable") for u, own in events.groupby("unit")}
    rows = []
    for unit in units.itertuples():
        u, begin = unit.Index, unit.in_service_on
        until = until_day[u]
        entry = max((since[u] - begin).days, 0)
        own = by_unit.get(u)
        tail = (unit.count, band[u], unit.use or "not recorded")
        n = 0
        # what befell a unit before the records start is not known, so its number of rebuilds is a guess: none
        for event in own.itertuples() if own is not None else ():
            rows.append([u, n, entry, (event.day - begin).days, True, *tail])
            begin, entry, n = event.day, 0, n + 1
        rows.append([u, n, entry, (until - begin).days, False, *tail])
    frame = pd.DataFrame(rows, columns=["unit", "rebuilds", "entry", "time", "failed", "count", "power_band", "use"])
    return frame[(frame["time"] > frame["entry"]) | ((frame["entry"] == 0) & frame["failed"])].reset_index(drop=True)


def _as_new(
    rebuilds: int,
    own: pd.DataFrame,
    new: pd.DataFrame,
    by: tuple[str, ...] = ("power_band", "use"),
    level: float = _LEVEL,
) -> AsNew:
    """Comebacks of the stretches ``own`` against those expected at the rates of ``new``, stratum by stratum.

    Strata: age since new or rebuilt, times ``by``. Strata without any new units cannot be compared: they count in the totals
    alone. The limits are those of two Poisson counts, the second being as many as would leave the expectation as uncertain as it is.
    """
    mine, theirs = _cut(own, by), _cut(new, by)
    both = mine.join(theirs, how="inner", lsuffix="", rsuffix="_new")
    both = both[both["years_new"] > 0]
    seen, expected = int(both["failed"].sum()), float((both["years"] * both["failed_new"] / both["years_new"]).sum())
    spread = float((both["years"] ** 2 * both["failed_new"] / both["years_new"] ** 2).sum())
    nan = float("nan")
    ratio = lower = upper = sees = nan
    if expected >= _FEWEST_EXPECTED and spread > 0:
        worth = max(round(expected**2 / spread), 1)
        test = _against(seen, expected, worth, level)
        ratio, lower, upper = seen / expected, test.lower, test.upper
        sees = _chance_to_tell(2.0, expected, worth, level)
    return AsNew(
        rebuilds=rebuilds,
        units=int(own.drop_duplicates("unit")["count"].sum()),
        years=float(mine["years"].sum()),
        comebacks=int(mine["failed"].sum()),
        compared_years=float(both["years"].sum()),
        compared=seen,
        expected=expected,
        expected_error=float(np.sqrt(spread)),
        ratio=ratio,
        lower=lower,
        upper=upper,
        sees_double=sees,
        level=level,
    )


def _against(seen: int, expected: float, worth: int, level: float) -> RateComparison:
    return compare_rates(seen, expected, worth, float(worth), level)


def _chance_to_tell(ratio: float, expected: float, worth: int, level: float = _LEVEL) -> float:
    """Chance that a true ``ratio`` above 1 puts the whole interval above 1, given the expectation is worth so many failures."""
    seen = int(np.ceil(expected))
    while _against(seen, expected, worth, level).lower <= 1:
        seen += 1
    return float(poisson.sf(seen - 1, ratio * expected))


def _cut(frame: pd.DataFrame, by: tuple[str, ...]) -> pd.DataFrame:
    """Years and failures per age since (re)build and stratum."""
    pieces = []
    for low, high in zip(_EDGES, (*_EDGES[1:], np.inf), strict=True):
        a, b = low * DAYS_A_YEAR, high * DAYS_A_YEAR
        years = (
            (frame["time"].clip(upper=b) - frame["entry"].clip(lower=a)).clip(lower=0) / DAYS_A_YEAR * frame["count"]
        )
        here = frame["failed"] & frame["time"].between(a, b, inclusive="left")  # no edge is a whole day, but the first
        pieces.append(frame[list(by)].assign(age=low, years=years, failed=np.where(here, frame["count"], 0)))
    return pd.concat(pieces).groupby([*by, "age"])[["years", "failed"]].sum()


_REBUILT = [
    "rebuilds", "units", "unit_years", "comebacks", "compared_comebacks", "expected_as_new", "ratio", "lower", "upper", "sees_double",
    "back_in_a_year", "back_lower", "back_upper",
]  # fmt: skip


def rebuilt(records: Records, lifetimes: Lifetimes) -> Answer:
    """Does a rebuilt unit last like a new one, and after the second rebuild, by ``records`` and their ``lifetimes``?"""
    # once and twice rebuilt share what is theirs of the quarter's budget
    level = 1 - FALSE_ALARM * BUDGET[Family.REBUILT] / 2
    question = reason(Question.REBUILT, level=level)
    frame = _stretches(records, lifetimes)
    new = frame[frame["rebuilds"] == 0]
    rows, tests = [], []
    for n in (0, 1, 2):
        own = frame[frame["rebuilds"] == n] if n < 2 else frame[frame["rebuilds"] >= 2]
        if own.empty:
            continue
        test = _as_new(n, own, new, level=level)
        counts = [
            (Rebuilt.NEW, Rebuilt.ONCE, Rebuilt.TWICE_OR_MORE)[n],
            test.units,
            test.years,
            test.comebacks,
            test.compared,
        ]
        against_new = [test.expected, test.ratio, test.lower, test.upper, test.sees_double] if n else [np.nan] * 5
        rows.append([*counts, *against_new, *_within_a_year(own)])
        if n:
            tests.append(test)
    table = pd.DataFrame(rows, columns=_REBUILT)
    if not tests:
        return nothing(question, Rebuilt.NONE_YET, table)
    said = [reason(_verdict(t), test=t) for t in tests]
    return Answer(question, (*said, reason(Rebuilt.NOT_ALL_ALIKE)), table)


def _within_a_year(own: pd.DataFrame) -> tuple[float, float, float]:
    line = kaplan_meier(own["time"], own["failed"], own["entry"], own["count"])
    try:
        if line.reliable_until(FEWEST_AT_RISK) < DAYS_A_YEAR:
            return (np.nan, np.nan, np.nan)
    except NotEnoughData:
        return (np.nan, np.nan, np.nan)
    at = line.survival_at(DAYS_A_YEAR)
    return 1 - float(at.survival[0]), 1 - float(at.upper[0]), 1 - float(at.lower[0])


def _verdict(test: AsNew) -> Rebuilt:
    if not np.isfinite(test.ratio):
        return Rebuilt.TOO_LITTLE_EXPECTED
    return Rebuilt.MORE if test.lower > 1 else Rebuilt.LESS if test.upper < 1 else Rebuilt.NO_DIFFERENCE


# ---- to be drawn -----------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class RepeatLines:
    """``by_build_year``: mean comebacks per unit, by year, of years that start with FEWEST_AT_RISK units or more. ``by_rebuilds``:
    units, survival in days since new or rebuilt, and the age up to which enough are at risk, by 0, 1 and 2 or more rebuilds."""

    by_build_year: dict[int, MeanCumulativeFunction]
    by_rebuilds: dict[int, tuple[int, SurvivalCurve, float]]


def repeat_lines(records: Records, lifetimes: Lifetimes) -> RepeatLines:
    """The lines of how often units come back again, those that ``records`` and their ``lifetimes`` can carry."""
    years = lifetimes.units["begun_on"].dt.year
    by_year = {}
    for year in sorted(years.dropna().unique()):
        with suppress(NotEnoughData):
            by_year[int(year)] = mean_comebacks(records, lifetimes, (years == year).to_numpy())
    frame = _stretches(records, lifetimes)
    by_rebuilds = {}
    for rebuilds, own in frame.groupby(frame["rebuilds"].clip(upper=2)):
        with suppress(NotEnoughData):
            line = kaplan_meier(own["time"], own["failed"], own["entry"], own["count"])
            units = int(own.drop_duplicates("unit")["count"].sum())
            by_rebuilds[int(rebuilds)] = units, line, line.reliable_until(records.shop.checks.at_risk_to_show)
    return RepeatLines({k: v for k, v in by_year.items() if v.at_risk[0] >= FEWEST_AT_RISK}, by_rebuilds)
