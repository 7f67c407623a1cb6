"""Lives of one part as plain arrays, and their translation into the rows of the likelihood."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypedDict, Unpack

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.failures import COUNTED_CAUSES, counts_as_failure, ended_by_failure
from analytics.models.rows import Block, Points, Rates, Rows
from analytics.reasons import Lives, Reason, brief, reason, reason_if
from analytics.records.measures import DAYS_A_YEAR

ANY_WEIGHT = 1.0  # lb, given to every life where the shop keeps no weights: no weight effect, and none to rate at
ALIKE = 0.05  # log-sd of miles a day below which drivers cannot be told apart
FITTED = "fitted"  # the column of when a part was fitted, where a model has one
STALE_DAYS = 30.0  # a running unit read longer before the cut-off is carried on at its own miles a day
NOTHING = 1e-3  # miles and days that stand for "from new" where a logarithm is needed


@dataclass(frozen=True, slots=True)
class Days:
    """Lives on the clock of days, (n,) each.

    entry, lower, upper: as the miles of `LifeData`, in days on the part; NaN only where miles are known. start: age of the unit when the part
    was fitted. cutoff: days on the part by the cut-off, had it not failed.
    """

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    start: np.ndarray
    cutoff: np.ndarray


@dataclass(frozen=True, slots=True)
class Reading:
    """The last odometer of each life's unit (at the return, if it failed), (n,) each: miles and the unit's age in days, NaN where there is none;
    counts: True on one row per unit, so that a driver is not counted twice."""

    miles: np.ndarray
    days: np.ndarray
    counts: np.ndarray


@dataclass(frozen=True, slots=True, repr=False)
class LifeData:
    """Lives of one part, one row per part fitted (and per stretch where power, weight or use changed). All (n,) arrays.

    entry, lower, upper: miles on the part when it came under observation, when last known good, and by when it had
    failed (inf: not failed; lower == upper: failed then). NaN where the odometer is unknown; then the ``days`` hold.
    known_alive: taken out or changed over while good, so its survival does not hang on what owners report.
    log_power, log_weight: of hp at the crank and lb. use: codes into use_names. extra: (n, q) further columns.
    unit: codes. weight: identical units. fitted: when the part was fitted, in years before the latest of these (0 at most).
    """

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    days: Days
    known_alive: np.ndarray
    log_power: np.ndarray
    log_weight: np.ndarray
    use: np.ndarray
    use_names: tuple[str, ...]
    extra: np.ndarray
    extra_names: tuple[str, ...]
    reading: Reading
    unit: np.ndarray
    weight: np.ndarray
    fitted: np.ndarray

    def __repr__(self) -> str:
        return brief(self, "units", "failures", rows=len(self.lower))

    @property
    def failed(self) -> np.ndarray:
        """(n,) bool."""
        return np.isfinite(self.upper) | (np.isnan(self.upper) & np.isfinite(self.days.upper))

    @property
    def has_rate(self) -> np.ndarray:
        """(n,) bool: miles per day known."""
        return (self.reading.miles > 0) & (self.reading.days > 0)

    def code_of(self, use: str) -> int:
        """Code of a use; raises AnalyticsError where it is not on record."""
        if use not in self.use_names:
            raise AnalyticsError(f"use {use!r} is not on record; there are {', '.join(self.use_names)}")
        return self.use_names.index(use)

    @property
    def unknown(self) -> np.ndarray:
        """(n,) bool: neither the part's miles nor the unit's miles per day are known."""
        return np.isnan(self.lower) & ~self.has_rate

    @property
    def rates_alike(self) -> bool:
        """Every known odometer gives nearly the same miles a day within its use: written down by a rule, not read."""
        on = self.reading.counts
        if on.sum() < 3:
            return False
        y = np.log(self.reading.miles[on] / self.reading.days[on])
        mean = np.bincount(self.use[on], y) / np.maximum(np.bincount(self.use[on]), 1)
        return bool((y - mean[self.use[on]]).std() < ALIKE)

    @property
    def failures(self) -> float:
        return float(self.weight[self.failed].sum())

    @property
    def units(self) -> float:
        """Vehicles, counting identical ones."""
        first = np.unique(self.unit, return_index=True)[1]
        return float(self.weight[first].sum())

    def take(self, mask: np.ndarray) -> LifeData:
        """The rows in ``mask`` (n,)."""
        return _taken(self, mask)


@dataclass(frozen=True, slots=True, repr=False)
class LivesLookedAt(LifeData):
    """Lives by what stops a truck alone. opened: those of parts looked at when their units were apart, by damage that only a teardown shows."""

    opened: LifeData


def opened_of(data: LifeData) -> LifeData | None:
    """The lives of the parts looked at beside these (``data``); None where hidden damage is among the failures here, or there is none."""
    return data.opened if isinstance(data, LivesLookedAt) else None


def looked_at(data: LifeData, opened: LifeData) -> LivesLookedAt:
    """The lives ``data`` with those of the parts looked at (``opened``) beside them."""
    return LivesLookedAt(**{name: getattr(data, name) for name in LifeData.__dataclass_fields__}, opened=opened)


def plain_lives(data: LifeData) -> LifeData:
    """The lives ``data`` without those of the parts looked at."""
    return LifeData(**{name: getattr(data, name) for name in LifeData.__dataclass_fields__})


def _taken(columns, mask: np.ndarray):
    """A dataclass of arrays, or of others like it, with the rows in ``mask`` (n,) of each."""
    kept: dict[str, Any] = {k: getattr(columns, k) for k in columns.__dataclass_fields__}
    for name, value in kept.items():
        if isinstance(value, Days | Reading):
            kept[name] = _taken(value, mask)
        elif isinstance(value, np.ndarray):
            kept[name] = value[mask]
    return type(columns)(**kept)


class LifeColumns(TypedDict, total=False):
    """What `life_data` may be told beside miles, power and weight; (n,) each, or None for the default."""

    entry: ArrayLike | None  # miles; 0: from new
    entry_days: ArrayLike | None  # 0
    lower_days: ArrayLike | None  # not known
    upper_days: ArrayLike | None  # not known
    start_days: ArrayLike | None  # 0: fitted as the unit was new
    cutoff_days: ArrayLike | None  # the end
    known_alive: ArrayLike | None  # False
    use: ArrayLike | None  # names; one for all
    extra: ArrayLike | None  # (n, q); none
    extra_names: tuple[str, ...]
    rate_miles: ArrayLike | None  # of the unit's last odometer; unread
    rate_days: ArrayLike | None  # the unit's age then
    unit: ArrayLike | None  # names; each row its own
    weight: ArrayLike | None  # identical units; 1
    fitted: ArrayLike | None  # years, from any day; as long ago as the cut-off is


def _must_be_above_0(**columns: np.ndarray) -> None:
    for name, value in columns.items():
        bad = np.flatnonzero(~(value > 0) | ~np.isfinite(value))
        if len(bad):
            raise AnalyticsError(
                f"row {bad[0]}: {name} is {value[bad[0]]:g}; it must be a number above 0: give it, or set the row aside"
            )


def _must_be_in_order(kind: str, entry: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> None:
    bad = np.flatnonzero((upper < lower) | (entry > lower) | (lower < 0) | (entry < 0))
    if len(bad):
        i = bad[0]
        raise AnalyticsError(
            f"row {i}: entry {entry[i]:g}, lower {lower[i]:g}, upper {upper[i]:g} {kind} are out of order"
        )


def life_data(
    lower: ArrayLike, upper: ArrayLike, power_hp: ArrayLike, weight_lb: ArrayLike, **more: Unpack[LifeColumns]
) -> LifeData:
    """LifeData from arrays (n,), checked; what is left out takes its plain default.

    lower, upper: miles, as in `LifeData`. power_hp, weight_lb: at the crank, of the truck. more: the columns of `LifeColumns`.

    Raises AnalyticsError on a power or weight that is not positive, on a life out of order, and on a row with neither
    miles nor days.
    """
    unknown = more.keys() - LifeColumns.__annotations__.keys()
    if unknown:
        raise TypeError(f"life_data() has no column {', '.join(sorted(unknown))}")
    lower, upper = np.asarray(lower, float), np.asarray(upper, float)
    n = len(lower)

    def column(name: str, default: float) -> np.ndarray:
        value = more.get(name)
        return np.full(n, default, float) if value is None else np.asarray(value, float).reshape(n)

    lower_days, upper_days = column("lower_days", np.nan), column("upper_days", np.nan)
    upper_days = np.where(np.isnan(upper_days) & np.isinf(upper), np.inf, upper_days)
    power, mass = (np.asarray(value, float).reshape(n) for value in (power_hp, weight_lb))
    count = column("weight", 1.0)
    entry, entry_days = column("entry", 0.0), column("entry_days", 0.0)
    _must_be_above_0(power_hp=power, weight_lb=mass, count=count)
    blind = np.flatnonzero(np.isnan(lower) & ~(lower_days > 0) & ~(np.isfinite(upper_days) & (upper_days > 0)))
    if len(blind):
        raise AnalyticsError(f"row {blind[0]}: neither miles nor days in service are known; set the row aside")
    _must_be_in_order("miles", entry, lower, upper)
    _must_be_in_order("days", entry_days, lower_days, upper_days)
    unit, use, fitted, extra = (more.get(k) for k in ("unit", "use", "fitted", "extra"))
    units = np.arange(n) if unit is None else np.unique(np.asarray(unit), return_inverse=True)[1]
    labels = np.full(n, "") if use is None else np.asarray(use, dtype=object).astype(str)
    use_names, codes = np.unique(labels, return_inverse=True)
    rate_miles, rate_days = column("rate_miles", np.nan), column("rate_days", np.nan)
    failed = np.isfinite(upper) | (np.isnan(upper) & np.isfinite(upper_days))
    cutoff = column("cutoff_days", np.nan)
    cutoff = np.where(np.isnan(cutoff), np.where(failed, upper_days, lower_days), cutoff)
    since = -cutoff / DAYS_A_YEAR if fitted is None else np.asarray(fitted, float).reshape(n)
    since = np.nan_to_num(since - np.nanmax(since)) if n and np.isfinite(since).any() else np.zeros(n)
    # one row per unit carries its driving rate: a failed one if there is one (its odometer was read because it failed)
    has = (rate_miles > 0) & (rate_days > 0)
    order = np.lexsort((np.arange(n), ~failed, ~has))
    counts = np.zeros(n, bool)
    counts[order[np.unique(units[order], return_index=True)[1]]] = True
    names, known_alive = tuple(more.get("extra_names", ())), more.get("known_alive")
    return LifeData(
        entry=entry,
        lower=lower,
        upper=upper,
        days=Days(entry=entry_days, lower=lower_days, upper=upper_days, start=column("start_days", 0.0), cutoff=cutoff),
        known_alive=np.zeros(n, bool) if known_alive is None else np.asarray(known_alive, bool),
        log_power=np.log(power),
        log_weight=np.log(mass),
        use=codes.reshape(n),
        use_names=tuple(map(str, use_names)),
        extra=np.zeros((n, 0)) if extra is None else np.asarray(extra, float).reshape(n, -1 if n else len(names)),
        extra_names=names,
        reading=Reading(miles=rate_miles, days=rate_days, counts=counts & has),
        unit=units,
        weight=count,
        fitted=since,
    )


def from_lifetimes(
    table: pd.DataFrame,
    component: str,
    part: str | None = None,
    as_of: pd.Timestamp | None = None,
    causes: tuple[str, ...] = COUNTED_CAUSES,
    strength: str = "power_hp",
    extra: tuple[str, ...] = (),
    soon: float = 100.0,
) -> tuple[LifeData, tuple[Reason, ...]]:
    """LifeData of one component (and part) from the lifetimes table, and what was left out or assumed.

    as_of: the cut-off, by default the last day of the table. extra: further columns of it. A failure counts when its
    cause is in ``causes``; another cause ends the life there without a failure. A running unit last read more than
    STALE_DAYS before the cut-off is carried on at its own miles per day. A failure at 0 miles becomes "failed within
    the first ``soon`` miles". ``strength`` names the column that stands for power. Raises AnalyticsError where the
    table has no such part, NotEnoughData where no life of it can be used.
    """
    rows = table[table["component"] == component]
    if part is not None:
        rows = rows[rows["part"] == part]
    if rows.empty:
        raise AnalyticsError(f"no lifetimes for component {component!r}" + (f", part {part!r}" if part else ""))
    on_record = len(rows)
    rows, notes = _with_particulars(rows, strength)
    lower = rows["lower_miles"].to_numpy(float)
    upper = rows["upper_miles"].to_numpy(float)
    entry = np.nan_to_num(rows["entry_miles"].to_numpy(float), nan=0.0)
    days = {k: rows[f"{k}_days"].to_numpy(float) for k in ("entry", "lower", "upper")}
    entry_unknown = rows["entry_miles"].isna().to_numpy()
    ended = rows["ended"].astype(str).to_numpy()
    failed = counts_as_failure(rows, causes)
    other = ended_by_failure(rows) & ~failed
    notes += reason_if(Lives.OTHER_CAUSES, other.any(), failures=int(other.sum()))
    blind = np.isnan(lower) & ~(days["lower"] > 0) & ~(failed & (days["upper"] > 0))
    notes += reason_if(Lives.NO_MILES_OR_DAYS, blind.any(), rows=int(blind.sum()))
    keep = ~blind
    if not keep.any():
        raise NotEnoughData(
            f"none of its {on_record} lives has power, weight and an age on record, so there is nothing to rate it by"
        )
    rows, lower, upper, entry = rows[keep], lower[keep], upper[keep], entry[keep]
    entry_unknown, failed, ended = entry_unknown[keep], failed[keep], ended[keep]
    days = {k: v[keep] for k, v in days.items()}
    upper = np.where(failed, upper, np.inf)
    days["upper"] = np.where(failed, days["upper"], np.inf)
    zero = failed & (upper < min(soon, 1.0))
    if zero.any():
        notes.append(reason(Lives.FAILED_AT_ZERO, failures=int(zero.sum()), soon=soon))
        lower, upper = np.where(zero, 0.0, lower), np.where(zero, soon, upper)
    days["lower"] = np.where(failed & (days["upper"] < 1), 0.5, days["lower"])
    days["upper"] = np.where(failed & (days["upper"] < 1), 0.5, days["upper"])
    # after the table, the clock of days may lag: never let it run backwards
    days["entry"] = np.minimum(np.nan_to_num(days["entry"], nan=0.0), np.nan_to_num(days["lower"], nan=np.inf))
    share = np.clip(days["entry"] / np.maximum(days["lower"], 1), 0, 1)
    entry = np.where(entry_unknown & (days["entry"] > 0) & np.isfinite(lower), lower * share, entry)
    entry = np.minimum(entry, np.nan_to_num(lower, nan=np.inf))
    read_miles = rows["read_miles"].to_numpy(float)
    read_days = rows["read_days"].to_numpy(float)
    stop = pd.Timestamp(as_of) if as_of is not None else pd.to_datetime(table["ended_on"]).max()
    start_days, to_stop = _ages(rows, stop)
    end_days = np.where(failed, np.nan_to_num(days["upper"], nan=0.0), np.nan_to_num(days["lower"], nan=0.0))
    cutoff = np.fmax(to_stop, end_days)
    running = ended == "running"
    read_on = rows["miles_days"].to_numpy(float) if "miles_days" in rows else read_days - start_days
    still = np.isin(ended, ["running", "removed"])
    stale = still & np.isfinite(lower) & (read_miles > 0) & (read_days > 0) & (days["lower"] - read_on > STALE_DAYS)
    if stale.any():
        notes.append(reason(Lives.CARRIED_ON, lives=int(stale.sum()), days=STALE_DAYS))
        lower = np.where(stale, np.nan, lower)
    # an unknown odometer at the entry of a stretch: its days hold
    entry = np.where(np.isnan(lower), np.nan_to_num(entry, nan=0.0) * 0, entry)
    data = life_data(
        lower,
        upper,
        rows[strength].to_numpy(float),
        rows["weight_lb"].to_numpy(float),
        entry=entry,
        entry_days=days["entry"],
        lower_days=days["lower"],
        upper_days=days["upper"],
        start_days=start_days,
        cutoff_days=np.where(failed, cutoff, end_days),
        known_alive=~failed & ~running,
        use=rows["use"].fillna("").astype(str).to_numpy(),
        extra=rows[list(extra)].to_numpy(float) if extra else None,
        extra_names=extra,
        rate_miles=read_miles,
        rate_days=read_days,
        unit=rows["serial"].astype(str).to_numpy(),
        weight=rows["count"].to_numpy(float),
        fitted=-to_stop / DAYS_A_YEAR,
    )
    return data, tuple(notes)


def _with_particulars(rows: pd.DataFrame, strength: str) -> tuple[pd.DataFrame, list[Reason]]:
    """Those of the ``rows`` of lifetimes whose ``strength`` and weight are known, and what that leaves out; no weight at all is any weight."""
    notes = []
    if not (rows["weight_lb"] > 0).any():
        rows = rows.assign(weight_lb=ANY_WEIGHT)
        notes.append(reason(Lives.NO_WEIGHT))
    missing = ~(rows[strength] > 0) | ~(rows["weight_lb"] > 0)
    if missing.any():
        lost = int((missing & (rows["ended"] == "failed")).sum())
        notes.append(reason(Lives.NO_POWER_OR_WEIGHT, rows=int(missing.sum()), of=len(rows), failures=lost))
    return rows[~missing], notes


def _ages(rows: pd.DataFrame, stop: pd.Timestamp) -> tuple[np.ndarray, np.ndarray]:
    """Age of the unit in days when the part was fitted, and days on the part by the cut-off ``stop``, (n,) each."""
    fitted = pd.to_datetime(
        rows["fitted_on"] if "fitted_on" in rows else rows["started_on"] - pd.to_timedelta(rows["entry_days"], unit="D")
    )
    start_days = np.maximum(np.nan_to_num((fitted - rows["unit_from"]).dt.days.to_numpy(float), nan=0.0), 0.0)
    return start_days, (stop - fitted).dt.days.to_numpy(float)


def seen_alive(read: np.ndarray, entry: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Days on the part when it was last seen running, (n,) or wider: at its reading (``read``), or where that was before it came under
    observation (``entry``: tuned after the reading), then; never after the ``end``."""
    return np.clip(np.minimum(np.maximum(read, entry), end), NOTHING, None)


def _when_read(data: LifeData) -> tuple[np.ndarray, np.ndarray]:
    """Shares of their ages at which the running trucks of ``data`` that were read were so, lowest first, and the weights of these trucks."""
    read = data.reading.counts & data.has_rate & ~data.failed & ~data.known_alive
    age = (data.days.start + np.maximum(data.days.cutoff, 0.5))[read]
    known = np.isfinite(age)
    share = np.clip(data.reading.days[read][known] / age[known], 0.01, 1.0)
    order = np.argsort(share, kind="stable")
    return share[order], data.weight[read][known][order]


def before_reading(data: LifeData, of: LifeData | None = None) -> np.ndarray:
    """How much (n,) of each life in ``data``, from entry to end, lies before a reading: failed unsaid in that time, its truck could not be read any
    more. The mean over readings at those shares of the age at which the trucks read ``of`` all (these, if not told) were; 1 where none was."""
    share, weight = _when_read(data if of is None else of)
    if not len(share):
        return np.ones(len(data.lower))
    mass, moment = (np.append(0.0, np.cumsum(each)) / weight.sum() for each in (weight, weight * share))
    start, entry, end = data.days.start, data.days.entry, np.maximum(data.days.cutoff, 0.5)

    def before(days: np.ndarray) -> np.ndarray:
        """Mean over the readings of how much of the truck's first ``days`` (n,) lies before them."""
        at = np.searchsorted(share, days / (start + end))
        return (start + end) * moment[at] + days * (1 - mass[at])

    return np.clip((before(start + end) - before(start + entry)) / np.maximum(end - entry, NOTHING), 0.0, 1.0)


def rated_weight(weight_lb: float) -> float:
    """weight_lb as reckoned with: that of lives without any for "any weight" (inf), else itself."""
    return ANY_WEIGHT if np.isinf(weight_lb) else weight_lb


def asked_weight(weight_lb: float) -> float:
    """weight_lb as asked for: "any weight" (inf) for that of lives without any, else itself."""
    return np.inf if weight_lb == ANY_WEIGHT else weight_lb


def split_days(start: np.ndarray, length: np.ndarray, change: float) -> tuple[np.ndarray, np.ndarray]:
    """Days before and after the age ``change``, at which the driving rate may change, of a stretch of ``length`` days
    from the age ``start``; arrays alike."""
    before = np.clip(np.minimum(start + length, change) - start, 0, None)
    return before, np.maximum(length - before, 0)


def with_uses(data: LifeData, names: tuple[str, ...]) -> LifeData:
    """The lives (``data``) with the uses ``names`` among theirs, on record or not."""
    every = tuple(sorted({*data.use_names, *names}))
    return replace(data, use=np.array([every.index(data.use_names[k]) for k in data.use], int), use_names=every)


def with_fitted(data: LifeData) -> LifeData | None:
    """The lives (``data``) with when the part was fitted as a further column, in standard deviations from the middle of the later half;
    None where all were fitted within a year or so."""
    spread = float(np.sqrt(np.cov(data.fitted, aweights=data.weight))) if len(data.fitted) > 1 else 0.0
    if not spread > 0.25:
        return None
    order = np.argsort(data.fitted, kind="stable")
    mass = np.cumsum(data.weight[order])
    now = data.fitted[order][np.searchsorted(mass, 0.75 * mass[-1])]
    column = (data.fitted - now) / spread
    return replace(data, extra=np.column_stack([data.extra, column]), extra_names=(*data.extra_names, FITTED))


def fill_failures(data: LifeData) -> tuple[LifeData, int]:
    """``data`` with miles = rate x days for failures without miles but with a known miles per day, and how many."""
    gap = data.failed & np.isnan(data.lower) & data.has_rate
    if not gap.any():
        return data, 0
    rate = data.reading.miles[gap] / data.reading.days[gap]
    lower, upper, entry = data.lower.copy(), data.upper.copy(), data.entry.copy()
    lower[gap], upper[gap], entry[gap] = (rate * d[gap] for d in (data.days.lower, data.days.upper, data.days.entry))
    return replace(data, lower=lower, upper=upper, entry=entry), int(gap.sum())


class _Blocks:
    """The rows of `build_rows` so far, kind by kind; ``constant``: terms free of theta. Masks m are (n,) bool."""

    def __init__(self, data: LifeData, x: np.ndarray, scale: float, change: float, of: LifeData | None):
        self.data, self.x, self.scale, self.change = data, x, scale, change
        self.blocks: list[Block] = []
        self.constant = 0.0
        self.known = np.isfinite(data.lower)
        self.before_read = before_reading(data, of)

    def add(self, kind: str, m: np.ndarray, *ends: tuple[Callable[..., Points], np.ndarray]) -> None:
        """The rows of m, where there are any; ends: how each point is made, and of which values (n,)."""
        if m.any():
            at, *rest = [make(values, m) for make, values in ends]
            before = self.before_read[m][None] if kind == "unread" else None
            other = rest[0] if rest else None
            self.blocks.append(Block(kind, self.x[m][None], self.data.weight[m][None], at, other, before))

    def split(self, start: np.ndarray, length: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Days before and after the change of the driving rate, (1, n) each."""
        before, after = split_days(start, length, self.change)
        return np.maximum(before, NOTHING)[None], after[None]

    def days(self, length: np.ndarray, m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self.split(self.data.days.start[m], length[m])

    def age(self, m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The age at the reading, split."""
        return self.split(np.zeros(m.sum()), self.data.reading.days[m])

    def miles(self, values: np.ndarray, m: np.ndarray) -> Points:
        """Known miles."""
        return Points(np.log(np.maximum(values[m], NOTHING) / self.scale)[None])

    def driven(self, length: np.ndarray, m: np.ndarray) -> Points:
        """So many days at the unit's own rate."""
        return Points(np.log(self.data.reading.miles[m] / self.scale)[None], None, self.days(length, m), self.age(m))

    def unread(self, length: np.ndarray, m: np.ndarray) -> Points:
        """So many days at a rate unknown but for the use."""
        zero = np.full(len(self.known), -np.log(self.scale))
        return Points(zero[m][None], self.data.use[m][None], self.days(length, m))

    def density(self, values: np.ndarray, m: np.ndarray) -> float:
        """What the densities of failures known to the mile or day carry that is free of theta."""
        return (self.data.weight[m] * np.log(np.maximum(values[m], NOTHING))).sum()

    def with_miles(self) -> None:
        """Known odometers."""
        data, failed, known = self.data, self.data.failed, self.known
        between = failed & known & (data.lower < data.upper)
        exact = failed & known & (data.lower == data.upper)
        self.add("exact", exact, (self.miles, data.lower))
        self.constant = -self.density(data.lower, exact)
        self.add("interval", between & (data.lower > 0), (self.miles, data.lower), (self.miles, data.upper))
        self.add("left", between & (data.lower <= 0), (self.miles, data.upper))
        self.add("running", ~failed & known & (data.lower > 0), (self.miles, data.lower))
        self.add("entry", known & (data.entry > 0), (self.miles, data.entry))

    def with_rate(self) -> None:
        """Running, odometer read at some age and carried on at its own rate."""
        data = self.data
        seen = seen_alive(data.reading.days - data.days.start, data.days.entry, data.days.lower)
        for alive in (False, True):
            m = ~data.failed & ~self.known & data.has_rate & (data.known_alive == alive)
            reading = [] if alive else [(self.driven, seen)]
            self.add("running", m, (self.driven, data.days.lower), *reading)
            self.add("entry", m & (data.days.entry > 0), (self.driven, data.days.entry))

    def without_rate(self, late: bool) -> None:
        """Odometer unknown; ``late``: came under observation after its start."""
        data, failed = self.data, self.data.failed
        base = ~self.known & ~data.has_rate & ((data.days.entry > 0) == late)
        exact = data.days.lower == data.days.upper
        began = [(self.unread, data.days.entry)] if late else []
        self.add("unread", base & ~failed & ~data.known_alive, (self.unread, data.days.lower), *began)
        m = base & failed & exact
        if m.any():
            self.constant -= self.density(data.days.upper, m)
        last = (self.unread, np.maximum(data.days.lower, NOTHING)), (self.unread, data.days.upper)
        for kind, mask, ends in (
            ("unread_alive", base & ~failed & data.known_alive, [(self.unread, data.days.lower)]),
            ("unread_exact", m, [(self.unread, data.days.upper)]),
            ("unread_interval", base & failed & ~exact, [*last]),
        ):
            self.add(kind, mask, *ends)
            if late:
                self.add("unread_entry", mask, *began)

    def rates(self) -> Rates | None:
        """Known miles per day; None where they say nothing of any row."""
        data = self.data
        m = data.reading.counts & data.has_rate
        if not m.any() and not any(b.kind.startswith("unread") for b in self.blocks):
            return None
        read = data.weight * (~data.failed & ~data.known_alive)
        # an odometer read at the failure itself, not at some later day
        at_failure = np.abs(data.reading.days - data.days.start - data.days.upper) < 1.5
        return Rates(
            log_miles=np.log(data.reading.miles[m])[None],
            age=self.age(m),
            use=data.use[m][None],
            w=data.weight[m][None],
            read=read[m][None],
            fell=(data.weight * (data.failed & at_failure))[m][None],
        )


def build_rows(data: LifeData, x: np.ndarray, scale: float, change: float, of: LifeData | None = None) -> Rows:
    """``data`` as rows for `log_likelihood` (D = 1). x: (n, q) with the intercept first; scale: the target life in
    miles; change: age in days at which the driving rate may change; of: the lives that these are some of, if they are."""
    data, _ = fill_failures(data)
    rows = _Blocks(data, x, scale, change, of)
    rows.with_miles()
    rows.with_rate()
    for late in (False, True):
        rows.without_rate(late)
    rates = rows.rates()
    uses = 0 if rates is None else len(data.use_names)
    failures = np.array([data.weight[data.failed].sum()])
    return Rows(tuple(rows.blocks), rates, x.shape[1], uses, failures, np.array([rows.constant]))
