"""A fleet drawn from a known truth: units, miles, failures, and what a careful shop would write down.

Life of a part, per way it can fail (a finding):

    log T = log(life_miles) + power_slope log(p / 600 hp) + weight_slope log(w / 7,000 lb)
            + use + lot + e / shape

with e standard smallest-extreme-value (Weibull life) or normal (log-normal life). The findings of one part
compete; the first one ends it. When power or weight changes during a life, the hazard at each mile is the
one of the load at that mile: H(t) = H_before(c) + H_after(t) - H_after(c) for a change at c miles. That is
what a likelihood with the life split at the change and delayed entry assumes; cumulative damage would be
another law.

Miles per day are log-normal by use and constant for one unit (optionally slower after an age). Time is in
whole days since 1970-01-01 where a name ends in `_day`; miles count from the day the unit went in service.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError

REFERENCE_HP = 600.0
REFERENCE_LB = 7000.0
NEVER = math.inf

# 23 letters (no I, O, Q): a prime number of them makes the two check letters a code of distance three.
CHECK_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
_LAWS = ("weibull", "log-normal")
_INSTALL = -1  # in place of a finding's index: the part failed through its installation


@dataclass(frozen=True, slots=True)
class FindingTruth:
    """One way a part fails.

    life_miles: 63.2% life (Weibull) or median (log-normal) at 600 hp and 7,000 lb, without the use's effect.
    """

    finding: str
    life_miles: float
    shape: float
    power_slope: float
    weight_slope: float = 0.0
    law: str = "weibull"
    step_above_hp: float = NEVER  # above it `step_log_life` is added: a real step
    step_log_life: float = 0.0
    knee_hp: float = NEVER  # above it `slope_beyond_knee` is added to the slope: a bend, no step
    slope_beyond_knee: float = 0.0
    use_log_life: Mapping[str, float] = field(default_factory=dict)  # on top of the use's own
    drags: Mapping[str, float] = field(default_factory=dict)  # component -> chance that it is damaged along
    at_teardown: bool = False  # does not stop the truck; seen when the unit is next apart

    def __post_init__(self) -> None:
        if self.law not in _LAWS:
            raise AnalyticsError(f"finding {self.finding!r}: law is {self.law!r}; use one of {', '.join(_LAWS)}.")
        if not (self.life_miles > 0 and self.shape > 0):
            raise AnalyticsError(f"finding {self.finding!r}: life_miles and shape must be above 0.")

    @property
    def straight(self) -> bool:
        """A Weibull life whose log falls straight with log power."""
        return self.law == "weibull" and not self.step_log_life and not self.slope_beyond_knee

    def log_life(self, power_hp: Any, weight_lb: Any, use: str = "") -> np.ndarray:
        """Location of log life without the use's common effect; arrays broadcast."""
        power = np.asarray(power_hp, float)
        out = (
            math.log(self.life_miles)
            + self.power_slope * np.log(power / REFERENCE_HP)
            + self.weight_slope * np.log(np.asarray(weight_lb, float) / REFERENCE_LB)
            + self.use_log_life.get(use, 0.0)
        )
        if self.step_log_life:
            out = out + np.where(power > self.step_above_hp, self.step_log_life, 0.0)
        if self.slope_beyond_knee:
            out = out + self.slope_beyond_knee * np.log(np.maximum(power / self.knee_hp, 1.0))
        return out

    def hazard_to(self, miles: Any, log_life: Any) -> np.ndarray:
        """Cumulative hazard at `miles` for a location of log life; arrays broadcast."""
        from scipy.special import log_ndtr

        with np.errstate(divide="ignore"):
            z = self.shape * (np.log(np.asarray(miles, float)) - log_life)
        return np.exp(z) if self.law == "weibull" else -log_ndtr(-z)

    def miles_at(self, hazard: Any, log_life: Any) -> np.ndarray:
        """The inverse of `hazard_to`."""
        from scipy.special import ndtri_exp

        h = np.asarray(hazard, float)
        z = np.log(h) if self.law == "weibull" else -ndtri_exp(-h)
        return np.exp(log_life + z / self.shape)


@dataclass(frozen=True, slots=True)
class LimitTruth:
    """A limit the shop has published, right or wrong."""

    power_limit_hp: float
    effective_on: str
    reason: str
    weight_up_to_lb: float = NEVER


@dataclass(frozen=True, slots=True)
class PartTruth:
    part: str
    findings: tuple[FindingTruth, ...]
    limits: tuple[LimitTruth, ...] = ()
    superseded_by: str = ""
    superseded_on: str = ""


@dataclass(frozen=True, slots=True)
class ComponentTruth:
    """A position in the unit, and how the shop chooses its part.

    parts: weakest first. cuts_hp: the power from which the shop takes the next one (`NEVER`: not by power).
    cut_spread: standard deviation, in log power, of where it draws the line that day; 0 is a strict rule.
    install_share: share of installations that go wrong; install_months: other shares in named months
    ("2022-09").
    """

    component: str
    parts: tuple[PartTruth, ...]
    cuts_hp: tuple[float, ...] = ()
    cut_spread: float = 0.0
    install_share: float = 0.0
    install_days: float = 35.0  # mean days to such a failure, exponential
    install_finding: str = "fitted wrong"
    install_months: Mapping[str, float] = field(default_factory=dict)
    upgrade_share: float = 0.0  # of repairs that fit the next stronger part
    lot_days: int = 0  # a new lot every so many days; 0: lots are not kept
    bad_lots: Mapping[str, float] = field(default_factory=dict)  # lot -> addition to log life

    def part(self, name: str) -> PartTruth:
        for p in self.parts:
            if p.part == name:
                return p
        raise AnalyticsError(f"{self.component}: no part {name!r}; it has {', '.join(p.part for p in self.parts)}.")


@dataclass(frozen=True, slots=True)
class UseTruth:
    """A use: share of units; median and log-sd of miles a day, power, weight; what it adds to every log
    life.
    """

    use: str
    share: float
    miles_per_day: float
    miles_log_sd: float
    power_hp: float
    power_log_sd: float
    weight_lb: float
    weight_log_sd: float
    log_life: float = 0.0
    runs_per_mile: float = 0.0


@dataclass(frozen=True, slots=True)
class ChangesTruth:
    """Units whose tune is changed once, at a random day of their life."""

    share: float = 0.0
    log_power: tuple[float, float] = (0.15, 0.05)  # mean and sd of the log of the new over the old power
    weight_share: float = 0.0  # of the changes also alter the weight
    told_share: float = 1.0  # of the changes the shop hears of


@dataclass(frozen=True, slots=True)
class ComebacksTruth:
    """What becomes of a failure: when it comes back, whether at all, and what is written down of it."""

    lag_days: float = 0.0  # mean days from failed to returned; the truck stands still
    scrap_share: float = 0.0  # of returns after which the unit is scrapped
    reporting_share: float = 1.0  # of failures; an unreported one ends the unit's history unseen
    no_fault_per_year: float = 0.0  # returns of one unit in which nothing was wrong
    odometer_share: float = 1.0
    unclear_order_share: float = 0.0
    unclear_cause_share: float = 0.0
    over_limit_named_share: float = 1.0  # of failures above the published limit that the shop calls so


@dataclass(frozen=True, slots=True)
class ReadingsTruth:
    """Odometers read between."""

    share: float = 0.2  # units of which one was ever read
    selection: float = 0.0  # probit slope of being read on the standardised log rate
    more: float = 0.5  # mean number beyond the first


@dataclass(frozen=True, slots=True)
class HiddenTruth:
    """What nobody writes down and no model is told."""

    slow_after_days: float = NEVER  # age at which a unit's miles a day change by `slow_factor`
    slow_factor: float = 1.0
    power_error_log_sd: float = 0.0  # recorded against true power
    frailty_log_sd: float = 0.0  # between units, on log life of all components
    use_share: float = 0.0  # units with a use nobody recorded
    use_log_life: float = 0.0


@dataclass(frozen=True, slots=True)
class FleetTruth:
    """Everything the draw depends on besides units and seed. Shares lie in 0 to 1; defaults are a quiet
    world."""

    components: tuple[ComponentTruth, ...]
    uses: tuple[UseTruth, ...]
    first_built: str = "2019-01-01"
    last_built: str = "2024-12-31"
    as_of: str = "2024-12-31"
    records_start: str = ""  # units that failed before it are not in the builds: late entry of the others
    power_range_hp: tuple[float, float] = (250.0, 2500.0)
    weight_range_lb: tuple[float, float] = (3500.0, 26000.0)
    builders: tuple[str, ...] = ("A",)
    to_service_days: float = 0.0  # mean days from built to in service
    leave_per_year: float = 0.0  # rate at which units are sold, lost or scrapped
    changes: ChangesTruth = ChangesTruth()
    comebacks: ComebacksTruth = ComebacksTruth()
    readings: ReadingsTruth = ReadingsTruth()
    hidden: HiddenTruth = HiddenTruth()

    def __post_init__(self) -> None:
        if abs(sum(u.share for u in self.uses) - 1) > 1e-9:
            raise AnalyticsError(
                f"the shares of use add up to {sum(u.share for u in self.uses):g}; make them add up to 1."
            )
        for c in self.components:
            if len(c.cuts_hp) != len(c.parts) - 1:
                raise AnalyticsError(
                    f"{c.component}: {len(c.parts)} parts need {len(c.parts) - 1} cuts_hp, not {len(c.cuts_hp)}."
                )

    def component(self, name: str) -> ComponentTruth:
        for c in self.components:
            if c.component == name:
                return c
        raise AnalyticsError(f"no component {name!r}; there are {', '.join(c.component for c in self.components)}.")

    def use(self, name: str) -> UseTruth:
        for u in self.uses:
            if u.use == name:
                return u
        raise AnalyticsError(f"no use {name!r}; there are {', '.join(u.use for u in self.uses)}.")

    def survival(
        self,
        component: str,
        part: str,
        miles: Any,
        power_hp: Any,
        weight_lb: Any,
        use: str,
        *,
        findings: Sequence[str] | None = None,
    ) -> np.ndarray:
        """True chance that the part outlives `miles` under an unchanging load; arrays broadcast.

        Only `findings`, if given; damage that followed another component's never counts. Findings seen
        only at a teardown count from the mile they arose; the share fitted wrong does not. Frailty and a
        hidden use are not integrated over.
        """
        p, u = self.component(component).part(part), self.use(use)
        names = [f.finding for f in p.findings]
        unknown = set(findings or ()) - set(names)
        if unknown:
            raise AnalyticsError(f"{part}: no finding {', '.join(sorted(unknown))}; it has {', '.join(names)}.")
        hazard = np.zeros(np.broadcast(np.asarray(miles), np.asarray(power_hp), np.asarray(weight_lb)).shape)
        for f in p.findings:
            if findings is None or f.finding in findings:
                hazard = hazard + f.hazard_to(miles, f.log_life(power_hp, weight_lb, use) + u.log_life)
        return np.exp(-hazard)

    def rating(
        self,
        component: str,
        part: str,
        miles: float,
        reliability: float,
        weight_lb: float,
        use: str,
        *,
        findings: Sequence[str] | None = None,
    ) -> float:
        """True rating: the highest power at which `reliability` of the parts outlive `miles`.

        One straight Weibull finding: p = 600 exp((w_R / shape + log M - a) / power_slope), w_R =
        -log(-log R), a the location at 600 hp. Otherwise bisection on log power, as survival never rises
        with it; at a step that decides, the step's own power. Infinite (or 0) where no power between 1
        and 1e6 hp is too high (or low enough).
        """
        if not 0 < reliability < 1:
            raise AnalyticsError(f"reliability is {reliability}; it must lie between 0 and 1.")
        f_all = [f for f in self.component(component).part(part).findings if findings is None or f.finding in findings]
        if len(f_all) == 1 and f_all[0].straight:
            f = f_all[0]
            a = float(f.log_life(REFERENCE_HP, weight_lb, use)) + self.use(use).log_life
            w = -math.log(-math.log(reliability))
            if f.power_slope == 0:
                return NEVER if math.log(miles) + w / f.shape <= a else 0.0
            return REFERENCE_HP * math.exp((w / f.shape + math.log(miles) - a) / f.power_slope)

        def survives(log_power: float) -> bool:
            p = math.exp(log_power)
            return float(self.survival(component, part, miles, p, weight_lb, use, findings=findings)) >= reliability

        low, high = 0.0, math.log(1e6)
        if survives(high):
            return NEVER
        if not survives(low):
            return 0.0
        for _ in range(80):
            mid = (low + high) / 2
            low, high = (mid, high) if survives(mid) else (low, mid)
        return math.exp(low)


@dataclass(frozen=True, slots=True, repr=False)
class Fleet:
    """What was drawn. units: one row per unit built, with what nobody wrote down. lives: one row per part
    fitted and spell, as it truly went. returns, readings, changes: what reached the shop. Days are whole
    days since 1970-01-01.
    """

    truth: FleetTruth
    seed: int
    units: pd.DataFrame
    lives: pd.DataFrame
    events: pd.DataFrame
    readings: pd.DataFrame
    changes: pd.DataFrame

    def __repr__(self) -> str:
        return f"Fleet({len(self.units)} units, {len(self.events)} damaged parts, seed {self.seed})"

    def sheets(self) -> dict[str, pd.DataFrame]:
        """The shop's sheets as they would be without a slip of the pen: builds, fitted, returns,
        readings, changes, limits."""
        return _sheets(self)


def serial_numbers(units: int, start: int = 101, step: int = 1) -> np.ndarray:
    """Serials of so many ``units``, such as "T-0137-HK", from the number ``start`` on by ``step``. Any two differ in three places or more, so one wrong character points
    to one unit.

    The letters are sum d_i and sum i d_i of the digits d_i, modulo 23: a code of minimum distance 3.
    """
    number = start + step * np.arange(units)
    width = max(4, len(str(int(number[-1])))) if units else 4
    digits = number[:, None] // 10 ** np.arange(width - 1, -1, -1) % 10
    letters = np.array(list(CHECK_LETTERS))
    first = letters[digits.sum(1) % 23]
    second = letters[(digits * np.arange(1, width + 1)).sum(1) % 23]
    return np.array(
        [f"T-{n:0{width}d}-{a}{b}" for n, a, b in zip(number.tolist(), first, second, strict=True)], dtype=object
    )


def day_number(iso: str) -> int:
    """Whole days from 1970-01-01 to a date, written as ``iso``."""
    return int(np.datetime64(iso, "D").astype(int))


def as_dates(days: Any) -> np.ndarray:
    """datetime64[s] of whole days since 1970-01-01; NaN becomes NaT."""
    d = np.asarray(days, float)
    out = np.full(d.shape, np.datetime64("NaT", "D"), dtype="datetime64[D]")
    ok = np.isfinite(d)
    out[ok] = np.floor(d[ok]).astype("int64").astype("datetime64[D]")
    return out.astype("datetime64[s]")


def draw_fleet(truth: FleetTruth, units: int, seed: int) -> Fleet:
    """Draw a fleet. The same truth, units and seed give the same fleet.

    Works in rounds over all units at once, one return of each unit per round: the part that fails first
    ends its life, what it drags along and what the teardown shows are replaced with it, the other parts
    go on.
    """
    if units < 1:
        raise AnalyticsError(f"units is {units}; a fleet needs at least 1.")
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(5)]
    state = _units(truth, units, streams[0])
    lives, events, rounds = _lives(truth, state, streams[1], streams[2])
    changes = _changes(state, rounds)
    no_fault = _no_fault(truth, state, rounds, streams[3])
    events = pd.concat([events, no_fault], ignore_index=True) if len(no_fault) else events
    readings = _readings(truth, state, rounds, changes, streams[4])
    return Fleet(truth, seed, _unit_table(truth, state), lives, events, readings, changes)


class _State:
    """Arrays of one draw, indexed by unit (n) or by unit and component (n, c)."""


def _normal_clip(
    rng: np.random.Generator, median: np.ndarray, sd: np.ndarray, limits: tuple[float, float], step: float
) -> np.ndarray:
    raw = np.exp(np.log(median) + sd * rng.standard_normal(median.size))
    return np.clip(np.round(raw / step) * step, *limits)


def _units(truth: FleetTruth, n: int, rng: np.random.Generator) -> Any:
    s: Any = _State()
    first, last, s.as_of = (day_number(truth.first_built), day_number(truth.last_built), day_number(truth.as_of))
    s.built = np.sort(rng.integers(first, last + 1, n))
    wait = rng.exponential(max(truth.to_service_days, 1e-9), n)
    s.service = s.built + (np.ceil(wait).astype(int) if truth.to_service_days else 0)
    share = np.cumsum([u.share for u in truth.uses])
    s.use = np.minimum(np.searchsorted(share, rng.random(n), side="right"), len(truth.uses) - 1)

    def of_use(name: str) -> np.ndarray:
        return np.array([getattr(u, name) for u in truth.uses], float)[s.use]

    s.rate_z = rng.standard_normal(n)
    s.rate = of_use("miles_per_day") * np.exp(of_use("miles_log_sd") * s.rate_z)
    s.power = _normal_clip(rng, of_use("power_hp"), of_use("power_log_sd"), truth.power_range_hp, 5.0)
    s.weight = _normal_clip(rng, of_use("weight_lb"), of_use("weight_log_sd"), truth.weight_range_lb, 50.0)
    s.rpm = np.round((2600 + 500 * rng.random(n) + 400 * (s.power > 900)) / 50) * 50
    s.builder = rng.integers(0, len(truth.builders), n)
    s.odometer0 = np.round(np.exp(math.log(70_000) + 0.4 * rng.standard_normal(n)))
    s.runs_per_mile = of_use("runs_per_mile") * np.exp(0.3 * rng.standard_normal(n))
    s.recorded = s.power * np.exp(truth.hidden.power_error_log_sd * rng.standard_normal(n))
    s.frailty = truth.hidden.frailty_log_sd * rng.standard_normal(n)
    s.hidden = rng.random(n) < truth.hidden.use_share
    s.shift = of_use("log_life") + s.frailty + np.where(s.hidden, truth.hidden.use_log_life, 0.0)

    leaves = s.service + np.ceil(rng.exponential(1.0, n) / max(truth.leave_per_year, 1e-12) * 365.25)
    s.left = np.where(leaves < s.as_of, leaves, NEVER)
    s.left_how = np.array(["sold", "lost", "scrapped"], dtype=object)[np.searchsorted([0.6, 0.9], rng.random(n))]
    s.end = np.minimum(s.left, s.as_of)

    # One change at most, at a mile: the date follows from it, since a truck in the shop drives no miles.
    changed = rng.random(n) < truth.changes.share
    at = rng.random(n) * np.maximum(s.end - s.service, 0) * s.rate
    s.change_miles = np.where(changed, at, NEVER)
    mean, sd = truth.changes.log_power
    s.power2 = np.where(changed, np.round(s.power * np.exp(mean + sd * rng.standard_normal(n)) / 5) * 5, s.power)
    for comp in truth.components:
        if comp.cut_spread == 0:  # a strict rule is not broken by a later tune either
            for cut in comp.cuts_hp:
                s.power2 = np.where((s.power < cut) & (s.power2 >= cut), np.maximum(s.power, cut - 5), s.power2)
    heavier = changed & (rng.random(n) < truth.changes.weight_share)
    s.weight2 = np.where(heavier, np.round(s.weight * np.exp(0.08 + 0.05 * rng.standard_normal(n)) / 50) * 50, s.weight)
    s.change_miles[(s.power2 == s.power) & (s.weight2 == s.weight)] = NEVER
    s.told = rng.random(n) < truth.changes.told_share

    c_count = len(truth.components)
    s.part = np.zeros((n, c_count), int)
    s.lot = np.zeros((n, c_count), int)
    s.slow_after, s.slow_factor = truth.hidden.slow_after_days, truth.hidden.slow_factor
    for c, comp in enumerate(truth.components):
        line = np.log(s.power) + comp.cut_spread * rng.standard_normal(n)
        s.part[:, c] = np.searchsorted(np.log(comp.cuts_hp), line, side="right") if comp.cuts_hp else 0
        s.part[:, c] = _current_part(comp, s.part[:, c], s.built)
        s.lot[:, c] = _lot_number(comp, s.built, first)
    s.first = first
    s.first_part = s.part.copy()
    s.records_start = day_number(truth.records_start) if truth.records_start else -(10**6)
    return s


def _current_part(comp: ComponentTruth, part: np.ndarray, day: np.ndarray) -> np.ndarray:
    """The part really fitted on a day: the one that supersedes it from then on."""
    out = part.copy()
    names = [p.part for p in comp.parts]
    for k, p in enumerate(comp.parts):
        if p.superseded_by:
            out[(out == k) & (day >= day_number(p.superseded_on))] = names.index(p.superseded_by)
    return out


def _lot_number(comp: ComponentTruth, day: np.ndarray, first: int) -> np.ndarray:
    return (np.asarray(day) - first).astype(int) // comp.lot_days if comp.lot_days else np.zeros(len(day), int)


def lot_name(comp: ComponentTruth, part: str, number: int) -> str:
    """Name of the lot ``number`` (from 0) of a ``part`` of ``comp``, such as "TC-1/07"; empty where lots are not kept."""
    return f"{part}/{number + 1:02d}" if comp.lot_days else ""


def _drive_days(s: Any, idx: np.ndarray, miles: np.ndarray) -> np.ndarray:
    rate = s.rate[idx]
    if not np.isfinite(s.slow_after):
        return miles / rate
    bend = rate * s.slow_after
    return np.minimum(miles, bend) / rate + np.maximum(miles - bend, 0) / (rate * s.slow_factor)


def _drive_miles(s: Any, idx: np.ndarray, days: np.ndarray) -> np.ndarray:
    rate = s.rate[idx]
    if not np.isfinite(s.slow_after):
        return rate * days
    return rate * (np.minimum(days, s.slow_after) + s.slow_factor * np.maximum(days - s.slow_after, 0))


def _draw_spell(
    truth: FleetTruth, s: Any, idx: np.ndarray, c: int, start: np.ndarray, day: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """For parts fitted at unit miles `start`: unit miles at failure and its finding, then the same for
    what only a teardown shows."""
    comp = truth.components[c]
    fail = np.full(idx.size, NEVER)
    found = np.full(idx.size, -2)
    hid = np.full(idx.size, NEVER)
    hid_found = np.full(idx.size, -2)
    change = np.maximum(s.change_miles[idx] - start, 0.0)
    has_change = np.isfinite(change)
    for k, part in enumerate(comp.parts):
        of_part = s.part[idx, c] == k
        for u, use in enumerate(truth.uses):
            sel = np.flatnonzero(of_part & (s.use[idx] == u))
            if not sel.size:
                continue
            unit = idx[sel]
            shift = s.shift[unit]
            if comp.bad_lots:
                names = [lot_name(comp, part.part, int(v)) for v in s.lot[unit, c]]
                shift = shift + np.array([comp.bad_lots.get(v, 0.0) for v in names])
            for j, f in enumerate(part.findings):
                h = rng.exponential(size=sel.size)
                before = f.log_life(s.power[unit], s.weight[unit], use.use) + shift
                life = f.miles_at(h, before)
                moved = np.flatnonzero(has_change[sel])
                if moved.size:
                    m, at = unit[moved], change[sel][moved]
                    after = f.log_life(s.power2[m], s.weight2[m], use.use) + shift[moved]
                    used = f.hazard_to(at, before[moved])
                    rest = np.maximum(h[moved] - used + f.hazard_to(at, after), 1e-300)
                    life[moved] = np.where(h[moved] < used, life[moved], f.miles_at(rest, after))
                at_miles = start[sel] + life
                miles, code = (hid, hid_found) if f.at_teardown else (fail, found)
                sooner = at_miles < miles[sel]
                miles[sel[sooner]] = at_miles[sooner]
                code[sel[sooner]] = j
    if comp.install_share or comp.install_months:
        share = np.full(idx.size, comp.install_share)
        if comp.install_months:
            month = np.datetime_as_string(np.floor(day).astype("int64").astype("datetime64[D]"), unit="M")
            for name, value in comp.install_months.items():
                share[month == name] = value
        wrong = np.flatnonzero(rng.random(idx.size) < share)
        at_miles = start[wrong] + _drive_miles(s, idx[wrong], rng.exponential(comp.install_days, wrong.size))
        sooner = at_miles < fail[wrong]
        fail[wrong[sooner]] = at_miles[sooner]
        found[wrong[sooner]] = _INSTALL
    return fail, found, hid, hid_found


def _limit_in_force(part: PartTruth, weight: np.ndarray, day: np.ndarray) -> np.ndarray:
    out = np.full(weight.shape, NEVER)
    # Narrower weight classes and later dates come last, so that they win.
    for lim in sorted(part.limits, key=lambda v: (-v.weight_up_to_lb, v.effective_on)):
        out[(weight <= lim.weight_up_to_lb) & (day >= day_number(lim.effective_on))] = lim.power_limit_hp
    return out


def _drags(truth: FleetTruth) -> list[tuple[int, int, int, int, float]]:
    """Places of the component, part and finding that drag another component along, that component's, and the share."""
    names = [c.component for c in truth.components]
    return [
        (c, p, j, names.index(other), share)
        for c, comp in enumerate(truth.components)
        for p, part in enumerate(comp.parts)
        for j, finding in enumerate(part.findings)
        for other, share in finding.drags.items()
    ]


def _lives(
    truth: FleetTruth, s: Any, rng: np.random.Generator, odd: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, list[np.ndarray]]]:
    n, c_count = s.part.shape
    everyone = np.arange(n)
    start = np.zeros((n, c_count))
    start_day = np.repeat(s.service[:, None].astype(float), c_count, 1)
    spell = np.ones((n, c_count), int)
    fail, found = np.full((n, c_count), NEVER), np.full((n, c_count), -2)
    hid, hid_found = np.full((n, c_count), NEVER), np.full((n, c_count), -2)
    for c in range(c_count):
        fail[:, c], found[:, c], hid[:, c], hid_found[:, c] = _draw_spell(
            truth, s, everyone, c, start[:, c], s.built, rng
        )
    idle = np.zeros(n)
    s.silent_from = np.full(n, NEVER)  # an unreported failure: from here on nothing is heard
    s.before_records = np.zeros(n, bool)
    s.scrapped_at = np.full(n, NEVER)
    rounds: dict[str, list[np.ndarray]] = {"day": [], "lag": [], "miles": []}
    ended: list[dict[str, np.ndarray]] = []
    active = everyone
    event_number = 0
    drags = _drags(truth)
    while active.size:
        c_first = fail[active].argmin(1)
        miles = fail[active, c_first]
        day = s.service[active] + idle[active] + _drive_days(s, active, np.minimum(miles, 1e9))
        ok = day < s.end[active]
        active, c_first, miles, day = active[ok], c_first[ok], miles[ok], day[ok]
        if not active.size:
            break
        k = active.size
        early = day < s.records_start
        reported = (odd.random(k) < truth.comebacks.reporting_share) & ~early
        lag = (
            np.ceil(odd.exponential(max(truth.comebacks.lag_days, 1e-9), k))
            if truth.comebacks.lag_days
            else np.zeros(k)
        )
        scrapped = odd.random(k) < truth.comebacks.scrap_share
        unclear_order = odd.random(k) < truth.comebacks.unclear_order_share
        unclear_cause = odd.random(k) < truth.comebacks.unclear_cause_share
        named = odd.random(k) < truth.comebacks.over_limit_named_share
        chance = odd.random((k, c_count))
        upgrade = odd.random((k, c_count))

        damaged = np.zeros((k, c_count), int)  # 1 first, 2 followed, 3 found at teardown
        damaged[np.arange(k), c_first] = 1
        for c, p, j, o, share in drags:
            hit = (c_first == c) & (s.part[active, c] == p) & (found[active, c] == j) & (chance[:, o] < share)
            damaged[hit, o] = 2
        damaged[(damaged == 0) & (hid[active] < miles[:, None])] = 3
        several = (damaged == 2).any(1)

        for c, comp in enumerate(truth.components):
            row = np.flatnonzero(damaged[:, c])
            if not row.size:
                continue
            unit, kind = active[row], damaged[row, c]
            part = s.part[unit, c].copy()
            over = np.full(row.size, NEVER)
            changed = miles[row] > s.change_miles[unit]
            power = np.where(changed, s.power2[unit], s.power[unit])
            weight = np.where(changed, s.weight2[unit], s.weight[unit])
            for p in range(len(comp.parts)):
                m = part == p
                over[m] = _limit_in_force(comp.parts[p], weight[m], day[row][m])
            code = np.where(kind == 1, found[unit, c], np.where(kind == 3, hid_found[unit, c], -3))
            cause = np.where(
                code == _INSTALL, "install", np.where((power > over) & named[row], "over limit", "part")
            ).astype(object)
            cause[unclear_cause[row] & (code != _INSTALL)] = "unclear"
            order = np.where(
                unclear_order[row] & several[row], "unclear", np.where(kind == 2, "followed", "first")
            ).astype(object)
            order[kind == 3] = ""  # found by chance, no link of the chain
            new_day = day[row] + lag[row]
            new_part = np.where(upgrade[row, c] < comp.upgrade_share, np.minimum(part + 1, len(comp.parts) - 1), part)
            new_part = _current_part(comp, new_part, new_day)
            ended.append(
                {
                    "event": event_number + row,
                    "unit": unit,
                    "c": np.full(row.size, c),
                    "part": part,
                    "lot": s.lot[unit, c].copy(),
                    "spell": spell[unit, c].copy(),
                    "start_miles": start[unit, c].copy(),
                    "start_day": start_day[unit, c].copy(),
                    "end_miles": miles[row],
                    "failed_day": np.floor(day[row]),
                    "returned_day": np.floor(day[row]) + lag[row],
                    "arose_miles": np.where(kind == 3, hid[unit, c], miles[row]),
                    "kind": kind,
                    "code": code,
                    "cause": cause,
                    "order": order,
                    "reported": reported[row],
                    "scrapped": scrapped[row],
                    "power_hp": power,
                    "weight_lb": weight,
                    "new_part": new_part,
                }
            )
            s.part[unit, c] = new_part
            s.lot[unit, c] = _lot_number(comp, new_day, s.first)
            spell[unit, c] += 1
            start[unit, c] = miles[row]
            start_day[unit, c] = np.floor(new_day)
            fail[unit, c], found[unit, c], hid[unit, c], hid_found[unit, c] = _draw_spell(
                truth, s, unit, c, miles[row], new_day, rng
            )
        event_number += k

        for name, value in (("day", np.floor(day)), ("lag", lag), ("miles", miles)):
            column = np.full(n, NEVER if name != "lag" else 0.0)
            column[active] = value
            rounds[name].append(column)
        idle[active] += lag
        s.before_records[active[early]] = True
        s.silent_from[active[~reported]] = np.floor(day[~reported])
        s.scrapped_at[active[scrapped & reported]] = np.floor(day[scrapped & reported])
        active = active[reported & ~scrapped]

    s.start, s.start_day, s.spell = start, start_day, spell
    s.seen_to = np.minimum(np.minimum(s.end, s.silent_from), s.scrapped_at)
    s.idle = np.where(np.isfinite(s.seen_to), _idle(rounds, everyone, s.seen_to), 0)
    s.end_miles = _drive_miles(s, everyone, np.maximum(s.seen_to - s.service - s.idle, 0))
    return _life_table(truth, s, ended), _event_table(truth, s, ended), rounds


def _idle(rounds: dict[str, list[np.ndarray]], unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Days before `day` on which the unit stood in the shop."""
    out = np.zeros(unit.size)
    for failed, lag in zip(rounds["day"], rounds["lag"], strict=True):
        f = failed[unit]
        seen = np.isfinite(f)
        out[seen] += np.clip(day[seen] - f[seen], 0, lag[unit][seen])
    return out


def _miles_on(s: Any, rounds: dict[str, list[np.ndarray]], unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    return _drive_miles(s, unit, np.maximum(day - s.service[unit] - _idle(rounds, unit, day), 0))


def _names(truth: FleetTruth, c: np.ndarray, part: np.ndarray) -> np.ndarray:
    out = np.empty(c.size, dtype=object)
    for i, comp in enumerate(truth.components):
        for k, p in enumerate(comp.parts):
            out[(c == i) & (part == k)] = p.part
    return out


def _lots(truth: FleetTruth, c: np.ndarray, part_name: np.ndarray, lot: np.ndarray) -> np.ndarray:
    out = np.full(c.size, "", dtype=object)
    for i, comp in enumerate(truth.components):
        if comp.lot_days:
            m = np.flatnonzero(c == i)
            out[m] = [lot_name(comp, p, int(v)) for p, v in zip(part_name[m], lot[m], strict=True)]
    return out


def _joined(ended: list[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    return {k: np.concatenate([e[k] for e in ended]) for k in ended[0]}


_EVENT_COLUMNS = (
    "event unit component part lot spell start_miles end_miles arose_miles failed_day returned_day kind "
    "finding order cause reported replaced_with power_hp weight_lb"
).split()


def _event_table(truth: FleetTruth, s: Any, ended: list[dict[str, np.ndarray]]) -> pd.DataFrame:
    if not ended:
        return pd.DataFrame({k: pd.Series(dtype=object) for k in _EVENT_COLUMNS})
    e = _joined(ended)
    comps = truth.components
    finding = np.empty(e["unit"].size, dtype=object)
    for i, comp in enumerate(comps):
        finding[(e["c"] == i) & (e["code"] == _INSTALL)] = comp.install_finding
        for k, p in enumerate(comp.parts):
            at = (e["c"] == i) & (e["part"] == k)
            finding[at & (e["code"] == -3)] = p.findings[0].finding
            for j, f in enumerate(p.findings):
                finding[at & (e["code"] == j)] = f.finding
    part = _names(truth, e["c"], e["part"])
    frame = pd.DataFrame(
        {
            "event": e["event"],
            "unit": e["unit"],
            "component": np.array([c.component for c in comps], dtype=object)[e["c"]],
            "part": part,
            "lot": _lots(truth, e["c"], part, e["lot"]),
            "spell": e["spell"],
            "start_miles": e["start_miles"],
            "end_miles": e["end_miles"],
            "arose_miles": e["arose_miles"],
            "failed_day": e["failed_day"],
            "returned_day": e["returned_day"],
            "kind": np.array(["", "failure", "followed", "teardown"], dtype=object)[e["kind"]],
            "finding": finding,
            "order": e["order"],
            "cause": e["cause"],
            "reported": e["reported"] & (e["returned_day"] <= s.as_of),
            "replaced_with": np.where(e["scrapped"], "scrapped", _names(truth, e["c"], e["new_part"])),
            "power_hp": e["power_hp"],
            "weight_lb": e["weight_lb"],
        }
    )
    return frame.sort_values(["failed_day", "event", "kind", "component"], kind="stable", ignore_index=True)


def _life_table(truth: FleetTruth, s: Any, ended: list[dict[str, np.ndarray]]) -> pd.DataFrame:
    """One row per part fitted and spell. ended: failed (by itself), removed (with another), running (at
    seen_to)."""
    n, c_count = s.part.shape
    unit, c = np.repeat(np.arange(n), c_count), np.tile(np.arange(c_count), n)
    # What a last, unseen event (or one before scrapping) damaged was drawn anew from that mile on and
    # never ran.
    on = s.start[unit, c] < s.end_miles[unit]
    u, k = unit[on], c[on]
    rest = {
        "unit": u,
        "c": k,
        "part": s.part[u, k],
        "lot": s.lot[u, k],
        "spell": s.spell[u, k],
        "start_miles": s.start[u, k],
        "start_day": s.start_day[u, k],
        "end_miles": s.end_miles[u],
        "end_day": s.seen_to[u],
        "ended": np.full(u.size, "running", dtype=object),
    }
    parts = [rest]
    if ended:
        e = _joined(ended)
        parts.append(
            {name: e[name] for name in rest if name in e}
            | {"end_day": e["failed_day"], "ended": np.where(e["kind"] == 1, "failed", "removed").astype(object)}
        )
    e = {k: np.concatenate([p[k] for p in parts]) for k in rest}
    name = _names(truth, e["c"], e["part"])
    frame = pd.DataFrame(
        {
            "unit": e["unit"],
            "component": np.array([c.component for c in truth.components], dtype=object)[e["c"]],
            "part": name,
            "lot": _lots(truth, e["c"], name, e["lot"]),
            "spell": e["spell"],
            "start_miles": e["start_miles"],
            "end_miles": e["end_miles"],
            "start_day": e["start_day"],
            "end_day": e["end_day"],
            "ended": e["ended"],
        }
    )
    return frame.sort_values(["unit", "component", "spell"], kind="stable", ignore_index=True)


def _changes(s: Any, rounds: dict[str, list[np.ndarray]]) -> pd.DataFrame:
    unit = np.flatnonzero(np.isfinite(s.change_miles))
    miles = s.change_miles[unit]
    day = (
        s.service[unit] + miles / s.rate[unit]
        if not np.isfinite(s.slow_after)
        else s.service[unit] + _drive_days(s, unit, miles)
    )
    for at, lag in zip(rounds["miles"], rounds["lag"], strict=True):
        day = day + np.where(at[unit] < miles, lag[unit], 0.0)
    day = np.floor(day)
    happened = (day <= s.seen_to[unit]) & (day > s.service[unit])
    return pd.DataFrame(
        {
            "unit": unit[happened],
            "changed_day": day[happened],
            "miles": miles[happened],
            "power_hp": s.power2[unit][happened],
            "weight_lb": s.weight2[unit][happened],
            "told": s.told[unit][happened],
        }
    ).sort_values(["changed_day", "unit"], kind="stable", ignore_index=True)


def _no_fault(truth: FleetTruth, s: Any, rounds: dict[str, list[np.ndarray]], rng: np.random.Generator) -> pd.DataFrame:
    open_from = np.maximum(s.service, s.records_start)
    years = np.maximum(s.seen_to - open_from, 0) / 365.25
    count = rng.poisson(truth.comebacks.no_fault_per_year * years)
    unit = np.repeat(np.arange(count.size), count)
    day = np.floor(open_from[unit] + 1 + rng.random(unit.size) * (s.seen_to[unit] - open_from[unit] - 1))
    c = rng.integers(0, len(truth.components), unit.size)
    lag = (
        np.ceil(rng.exponential(max(truth.comebacks.lag_days, 1e-9), unit.size))
        if truth.comebacks.lag_days
        else np.zeros(unit.size)
    )
    # Only a unit without any event: otherwise the complaint might fall into its days in the shop.
    quiet = np.ones(count.size, bool)
    for failed in rounds["day"]:
        quiet &= ~np.isfinite(failed)
    keep = quiet[unit] & (day + lag <= s.as_of) & (day > s.service[unit])
    unit, day, c, lag = unit[keep], day[keep], c[keep], lag[keep]
    miles = _drive_miles(s, unit, day - s.service[unit])
    part = _names(truth, c, s.part[unit, c])
    changed = miles > s.change_miles[unit]
    return (
        pd.DataFrame(
            {
                "event": -1 - np.arange(unit.size),
                "unit": unit,
                "component": np.array([x.component for x in truth.components], dtype=object)[c],
                "part": part,
                "lot": _lots(truth, c, part, s.lot[unit, c]),
                "spell": 1,
                "start_miles": 0.0,
                "end_miles": miles,
                "arose_miles": np.nan,
                "failed_day": day,
                "returned_day": day + lag,
                "kind": "no fault",
                "finding": "nothing found",
                "order": "",
                "cause": "no fault",
                "reported": True,
                "replaced_with": "",
                "power_hp": np.where(changed, s.power2[unit], s.power[unit]),
                "weight_lb": np.where(changed, s.weight2[unit], s.weight[unit]),
            }
        )
        if unit.size
        else pd.DataFrame()
    )


def _readings(
    truth: FleetTruth, s: Any, rounds: dict[str, list[np.ndarray]], changes: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    from scipy.special import ndtr, ndtri

    def other_entry(unit: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Whether the unit stands in the shop that day, or its tune is changed: that entry holds the odometer."""
        out = np.zeros(unit.size, bool)
        for failed, lag in zip(rounds["day"], rounds["lag"], strict=True):
            out |= (failed[unit] <= day) & (day <= failed[unit] + lag[unit])
        changed = np.full(s.rate.size, NEVER)
        changed[changes["unit"].to_numpy(int)] = changes["changed_day"].to_numpy(float)
        return out | (changed[unit] == day)

    n = s.rate.size
    slope = truth.readings.selection
    if truth.readings.share <= 0:
        chance = np.zeros(n)
    elif truth.readings.share >= 1:
        chance = np.ones(n)
    else:
        chance = ndtr(ndtri(truth.readings.share) * math.hypot(1.0, slope) + slope * s.rate_z)
    count = np.where(rng.random(n) < chance, 1 + rng.poisson(truth.readings.more, n), 0)
    unit = np.repeat(np.arange(n), count)
    day = np.floor(s.service[unit] + 1 + rng.random(unit.size) * (s.seen_to[unit] - s.service[unit] - 1))
    keep = (day > s.service[unit]) & (day < s.seen_to[unit]) & ~other_entry(unit, day)
    unit, day = unit[keep], day[keep]
    first = ~pd.DataFrame({"u": unit, "d": day}).duplicated().to_numpy()
    unit, day = unit[first], day[first]
    frame = pd.DataFrame(
        {"unit": unit, "read_day": day, "miles": _miles_on(s, rounds, unit, day), "still_running": "yes"}
    )
    gone = np.flatnonzero(np.isfinite(s.left) & (s.left < s.silent_from) & (s.left < s.scrapped_at))
    gone = gone[~other_entry(gone, s.left[gone])]  # nobody parts with a truck that stands in the shop
    last = pd.DataFrame({"unit": gone, "read_day": s.left[gone], "miles": np.nan, "still_running": s.left_how[gone]})
    known = rng.random(gone.size) < 0.4
    last.loc[known, "miles"] = _miles_on(s, rounds, gone[known], s.left[gone[known]])
    frame = pd.concat([frame, last], ignore_index=True) if len(last) else frame
    frame["runs"] = np.where(
        s.runs_per_mile[frame["unit"]] > 0, np.floor(frame["miles"] * s.runs_per_mile[frame["unit"]]), np.nan
    )
    return frame.sort_values(["read_day", "unit"], kind="stable", ignore_index=True)


def _unit_table(truth: FleetTruth, s: Any) -> pd.DataFrame:
    uses = np.array([u.use for u in truth.uses], dtype=object)
    frame = pd.DataFrame(
        {
            "serial": serial_numbers(s.built.size),
            "built_day": s.built,
            "service_day": s.service,
            "use": uses[s.use],
            "miles_per_day": s.rate,
            "power_hp": s.power,
            "recorded_power_hp": s.recorded,
            "weight_lb": s.weight,
            "rpm": s.rpm,
            "builder": np.array(truth.builders, dtype=object)[s.builder],
            "odometer_at_install": s.odometer0,
            "runs_per_mile": s.runs_per_mile,
            "frailty": s.frailty,
            "hidden_use": s.hidden,
            "change_miles": s.change_miles,
            "power_after_hp": s.power2,
            "weight_after_lb": s.weight2,
            "left_day": s.left,
            "silent_from_day": s.silent_from,
            "seen_to_day": s.seen_to,
            "end_miles": s.end_miles,
            "before_records": s.before_records,
        }
    )
    for c, comp in enumerate(truth.components):
        frame[f"part:{comp.component}"] = _names(truth, np.full(s.built.size, c), s.first_part[:, c])
        if comp.lot_days:
            lots = _lot_number(comp, s.built, s.first)
            frame[f"lot:{comp.component}"] = _lots(
                truth, np.full(s.built.size, c), frame[f"part:{comp.component}"].to_numpy(), lots
            )
    return frame


def _sheets(fleet: Fleet) -> dict[str, pd.DataFrame]:
    t, units = fleet.truth, fleet.units
    shown = units[~units["before_records"]]
    serial = units["serial"].to_numpy()
    odo0 = units["odometer_at_install"].to_numpy()
    builds = pd.DataFrame(
        {
            "serial": shown["serial"],
            "built_on": as_dates(shown["built_day"]),
            # Shipped, but not on the road by the cut-off: nobody knows the day yet.
            "in_service_on": as_dates(shown["service_day"].where(shown["service_day"] <= day_number(t.as_of))),
            "odometer_at_install": shown["odometer_at_install"],
            "power": shown["recorded_power_hp"].round(1),
            "power_measured_at": "crank",
            "rpm": shown["rpm"],
            "weight": shown["weight_lb"],
            "weight_kind": "as driven",
            "use": shown["use"],
            "builder": shown["builder"],
        }
    )
    for c in t.components:
        builds[c.component.replace(" ", "_")] = shown[f"part:{c.component}"]
    e = fleet.events[fleet.events["reported"].astype(bool)]
    u = e["unit"].to_numpy(int)
    rng = np.random.default_rng(np.random.SeedSequence([fleet.seed, 1]))
    known = pd.Series(rng.random(len(units)))[u].to_numpy() < t.comebacks.odometer_share
    miles = e["end_miles"].to_numpy(float)
    per_mile = units["runs_per_mile"].to_numpy()[u]
    returns = pd.DataFrame(
        {
            "serial": serial[u],
            "failed_on": as_dates(e["failed_day"]),
            "returned_on": as_dates(e["returned_day"]),
            "odometer": np.where(known, np.round(odo0[u] + miles), np.nan),
            "runs": np.where(known & (per_mile > 0), np.floor(miles * per_mile), np.nan),
            "component": e["component"],
            "part": e["part"],
            "finding": e["finding"],
            "order": e["order"],
            "cause": e["cause"],
            "replaced_with": e["replaced_with"],
        }
    )
    returns["failed_on"] = returns["failed_on"].astype(object).where(e["kind"] != "teardown", "teardown")
    returns = returns.sort_values(["returned_on", "serial"], kind="stable")
    r = fleet.readings[~units["before_records"].to_numpy()[fleet.readings["unit"].to_numpy(int)]]
    ru = r["unit"].to_numpy(int)
    readings = pd.DataFrame(
        {
            "serial": serial[ru],
            "read_on": as_dates(r["read_day"]),
            "odometer": np.round(odo0[ru] + r["miles"].to_numpy(float)),
            "odometer_replaced": "",
            "runs": r["runs"].to_numpy(),
            "still_running": r["still_running"].to_numpy(),
            "source": "phone",
        }
    )
    ch = fleet.changes[fleet.changes["told"].astype(bool)]
    ch = ch[~units["before_records"].to_numpy()[ch["unit"].to_numpy(int)]]
    cu = ch["unit"].to_numpy(int)
    changes = pd.DataFrame(
        {
            "serial": serial[cu],
            "changed_on": as_dates(ch["changed_day"]),
            "power": ch["power_hp"].to_numpy(),
            "weight": ch["weight_lb"].to_numpy(),
            "odometer": np.round(odo0[cu] + ch["miles"].to_numpy()),
        }
    )
    limits = pd.DataFrame(
        [
            (
                c.component,
                p.part,
                v.weight_up_to_lb if np.isfinite(v.weight_up_to_lb) else np.nan,
                "",
                v.power_limit_hp,
                np.datetime64(v.effective_on, "s"),
                v.reason,
            )
            for c in t.components
            for p in c.parts
            for v in p.limits
        ],
        columns=["component", "part", "weight_up_to", "use", "power_limit", "effective_on", "reason"],
    )
    sheets = {
        "builds": builds,
        "fitted": _fitted(fleet, e),
        "returns": returns,
        "readings": readings,
        "changes": changes,
        "limits": limits,
    }
    return {k: v.reset_index(drop=True) for k, v in sheets.items()}


def _fitted(fleet: Fleet, events: pd.DataFrame) -> pd.DataFrame:
    """Where lots are kept: the parts of the build, and those a repair put in."""
    kept = [c for c in fleet.truth.components if c.lot_days]
    units, first = fleet.units, day_number(fleet.truth.first_built)
    frames = []
    for c in kept:
        shown = units[~units["before_records"]]
        frames.append(
            pd.DataFrame(
                {
                    "serial": shown["serial"],
                    "component": c.component,
                    "part": shown[f"part:{c.component}"],
                    "lot": shown[f"lot:{c.component}"],
                    "day": shown["built_day"].astype(float),
                    "odometer": shown["odometer_at_install"],
                }
            )
        )
        e = events[(events["component"] == c.component) & ~events["replaced_with"].isin(["", "scrapped"])]
        lots = _lot_number(c, e["returned_day"].to_numpy(float), first)
        u = e["unit"].to_numpy(int)
        frames.append(
            pd.DataFrame(
                {
                    "serial": units["serial"].to_numpy()[u],
                    "component": c.component,
                    "part": e["replaced_with"].to_numpy(),
                    "lot": [lot_name(c, p, int(v)) for p, v in zip(e["replaced_with"], lots, strict=True)],
                    "day": e["returned_day"].to_numpy(float),
                    "odometer": np.round(units["odometer_at_install"].to_numpy()[u] + e["end_miles"].to_numpy(float)),
                }
            )
        )
    if not frames:
        return pd.DataFrame(columns=["serial", "component", "part", "lot", "fitted_on", "odometer"])
    out = pd.concat(frames, ignore_index=True).sort_values(["day", "serial"], kind="stable")
    out["fitted_on"] = as_dates(out["day"])
    return out[["serial", "component", "part", "lot", "fitted_on", "odometer"]]
