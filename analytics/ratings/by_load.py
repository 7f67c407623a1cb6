"""A rating that runs on torque or on margin instead of power, and which of them explains the returns."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum, auto
from operator import attrgetter

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.driveline.assumptions import Span
from analytics.driveline.load import FROM_THE_START, Loads, load_at, make_loads
from analytics.driveline.suspects import Suspects
from analytics.driveline.units import HP, LBFT, RPM
from analytics.errors import AnalyticsError
from analytics.models.joint import fit_joint, joint_model
from analytics.models.lifedata import LifeData
from analytics.models.likelihood import log_likelihood
from analytics.models.priors import Priors
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import RatingBound, rate_part
from analytics.ratings.limit_evidence import Beside, LimitEvidence, evidence_from_figures, rounded_down
from analytics.ratings.options import STRENGTHS, Options
from analytics.ratings.published import published_hp
from analytics.ratings.reporting import heeding_calls
from analytics.ratings.sheet import spared
from analytics.ratings.verdict import NOT_SHOWN, Judgement, judge
from analytics.reasons import ByLoad, Reason, Refused, Rests, reason
from analytics.records.load import NOT_RECORDED

FEWEST_FAILURES = 5
#: what may explain the returns: what a rating may run on, and the heat of a shift for a clutch pack
COVARIATES = STRENGTHS | {"heat": "shift_heat_jmm2"}
_LOOSE = Priors(
    shape=(float(np.log(2)), 2.0)
)  # the records decide the slope; the shape alone is held from running away


@dataclass(frozen=True, slots=True)
class LoadRating:
    """A rating run on ``strength`` ("power", "torque", "margin") at a weight and use.

    bound, estimate: in its own unit (hp, lb ft at the part, share of strength used). engine_lbft: the torque of the engine that brings the bound (NaN on
    power): what a customer can be asked for. bound_hp, estimate_hp, upper_hp (upper limit): the power that brings that
    load in a truck of no special make at this weight and use whose engine makes it at the slow end of those on record, so with the most
    torque; NaN where ``reason`` says why. capped: at least so much. failures, units: it rests on. reason: what limits it, if anything does.
    """

    strength: str
    weight_lb: float
    use: str
    bound: float
    estimate: float
    engine_lbft: float
    bound_hp: float
    estimate_hp: float
    upper_hp: float
    capped: bool
    demonstrated_only: bool
    failures: float
    units: float
    reason: Reason | None


@dataclass(frozen=True, slots=True)
class Explained:
    """How well one column explains the lives of a part (or of all parts of a component): a Weibull regression on it.

    with_weight: beside the weight; loglik; parameters; aic; exponent: life falls as strength^-exponent, with its standard error;
    weight_exponent (NaN: weight left out); lives and failures it was fitted to, alike for all compared.
    """

    strength: str
    with_weight: bool
    loglik: float
    parameters: int
    aic: float
    exponent: float
    exponent_se: float
    weight_exponent: float
    lives: float
    failures: float
    converged: bool


# ---- the lives ---------------------------------------------------------------------------------------------------------
def _load_data(
    loads: Loads, component: str, part: str | None, strength: str, rows: np.ndarray | None = None
) -> tuple[LifeData, tuple[Reason, ...]]:
    """LifeData of a part with ``strength`` in place of power. rows: (n,) bool, the rows of loads.table to take."""
    table = loads.table if rows is None else loads.table[rows]
    lives = part_lives(loads.lifetimes, component, part, table, COVARIATES[strength])
    return lives.data, lives.notes


def known_rows(loads: Loads, component: str, part: str | None, strengths: tuple[str, ...]) -> np.ndarray:
    """(n,) bool: rows of ``loads.table`` that are of the component's ``part`` (None: of the whole ``component``) and
    where all of ``strengths`` and the weight are known, so that fits see the same lives."""
    table = loads.table
    mask = (table["component"] == component).to_numpy()
    if part is not None:
        mask = mask & (table["part"] == part).to_numpy()
    for column in (*(COVARIATES[s] for s in strengths), "weight_lb"):
        mask = mask & (table[column] > 0).to_numpy() & np.isfinite(table[column].to_numpy(float))
    return mask


def _strengths_of(loads: Loads, component: str, part: str | None) -> tuple[str, ...]:
    """What may explain the returns of this part: margin only where its make is on record, and the heat of a shift of a clutch pack's."""
    for found in (("power", "torque", "margin", "heat"), ("power", "torque", "margin")):
        if known_rows(loads, component, part, found).any():
            return found
    return "power", "torque"


# ---- which explains the returns? ----------------------------------------------------------------------------------------
#: AIC this much apart is more than chance (Burnham and Anderson, Model Selection, 2002: 2 to 4 little, above 10 decisive)
APART = 4.0


class Taken(Enum):
    """One way to take what is not on record, at an end of every assumption that matters."""

    MIDDLE = auto()
    SLOW_ENGINE = auto()
    FAST_ENGINE = auto()
    TWO_WHEELS = auto()
    FOUR_WHEELS = auto()


def taken_otherwise(loads: Loads) -> dict[Taken, pd.DataFrame]:
    """The loads' table with the columns of COVARIATES but power made anew at each end: the engine slow (the stall ratio high, a shift long) or
    fast; the tyres slipping as they do with two driven wheels, little grip and no overdrive, or with four, much grip and the tallest."""
    a = loads.assumptions
    every = loads.table["power_hp"].to_numpy(float)
    gasoline = np.full(len(every), a.fuel == "gasoline")
    slow, fast = a.speed(every, gasoline)
    assumed = loads.assumed["engine_rpm"].to_numpy()
    stall = loads.assumed["stall_ratio"].to_numpy()
    middle = np.sqrt(slow * fast)
    of_stall = a.stall_ratio.high / a.stall_ratio.middle, a.stall_ratio.low / a.stall_ratio.middle
    out = {Taken.MIDDLE: loads.table}
    long = a.shift.shift_time
    of_shift = long.high / long.middle, long.low / long.middle
    shift = loads.assumed["shift_time"].to_numpy()
    ends = zip((Taken.SLOW_ENGINE, Taken.FAST_ENGINE), (slow, fast), of_stall, of_shift, strict=True)
    for taken, speed, more, longer in ends:
        factor = np.where(assumed, middle / speed, 1.0) * np.where(stall, more, 1.0)
        torque = loads.table["torque_at_shaft_lbft"] * factor
        out[taken] = _carrying(loads.table, torque, factor, np.where(shift, longer, 1.0))
    wheels, friction = a.by_use["driven_wheels"], a.by_use["friction"]
    for taken, end in ((Taken.TWO_WHEELS, "low"), (Taken.FOUR_WHEELS, "high")):
        gears = a.gear_ratios[:-1] if end == "low" and len(a.gear_ratios) > 1 else a.gear_ratios
        held = {
            "driven_wheels": {u: Span(2, 2) if end == "low" else Span(4, 4) for u in wheels},
            "friction": {u: Span(getattr(f, end), getattr(f, end)) for u, f in friction.items()},
        }
        made = make_loads(loads.records, loads.lifetimes, replace(a, gear_ratios=gears, by_use=a.by_use | held)).table
        share = made["torque_capped_lbft"] / made["torque_at_shaft_lbft"]
        out[taken] = _carrying(loads.table, made["torque_capped_lbft"], share, 1.0)
    return out


def _carrying(
    table: pd.DataFrame, torque: pd.Series, share: pd.Series | np.ndarray, longer: np.ndarray | float
) -> pd.DataFrame:
    """The ``table`` with another ``torque``, a ``share`` of its own, and shifts so many times ``longer``: their heat is (T t + I Δω) Δω/2."""
    slowing = table["shift_torque_lbft"]
    heat = (torque * longer + slowing) / (table["torque_at_shaft_lbft"] + slowing)
    return table.assign(
        torque_at_shaft_lbft=torque,
        load_share=table["load_share"] * share,
        shift_heat_jmm2=table["shift_heat_jmm2"] * heat,
    )


@dataclass(frozen=True, slots=True)
class Compared:
    """What explains the returns of a part. fits: every fit with what is not on record taken at its middle, the lowest AIC first.
    best: per way of taking it, the strength of the best fit and by how much AIC power and load (torque, margin or heat) are apart. heat: per
    way by how much the AIC of the heat of a shift is below that of torque and margin; none but for a clutch pack."""

    fits: tuple[Explained, ...]
    best: dict[Taken, tuple[str, float]]
    heat: tuple[float, ...] = ()

    @property
    def decided(self) -> str:
        """ "power", "load" or, of loads, "heat" where that explains the returns however the rest is taken, by more than chance; else ""."""
        sides = {("power" if strength == "power" else "load") for strength, _ in self.best.values()}
        clear = all(gap > APART for _, gap in self.best.values())
        side = sides.pop() if len(sides) == 1 and clear else ""
        return "heat" if side == "load" and self.heat and min(self.heat) > APART else side

    @property
    def rather(self) -> str:
        """Of a load that explains the returns: "torque" where the heat of a shift does not, "either" where it may as well, "" where it was not asked."""
        return "" if not self.heat else "torque" if max(self.heat) < -APART else "either"


def explain(
    loads: Loads, component: str, part: str | None, options: Options, otherwise: dict[Taken, pd.DataFrame] | None = None
) -> Compared:
    """Fit each covariate, with and without weight, to the same lives of ``loads``, however what is not on record is
    taken.

    part None: all parts of the component under one distribution, which only a margin can make alike. otherwise: as
    taken_otherwise makes it. options: the promised life and the terms of the fit; priors are left so loose that the
    records decide. Raises AnalyticsError with fewer than FEWEST_FAILURES failures, and where no life has both power and
    weight on record.
    """
    strengths = _strengths_of(loads, component, part)
    ways = taken_otherwise(loads) if otherwise is None else otherwise
    rows = known_rows(loads, component, part, strengths)
    # a tyre limit needs the same lives
    for table in ways.values():
        rows &= np.isfinite(table["torque_at_shaft_lbft"].to_numpy(float))
    if not rows.any():
        raise AnalyticsError(f"{component} {part or 'all parts'}: no life has both power and weight on record")
    fits: dict[Taken, list[Explained]] = {}
    for taken, table in ways.items():
        own = replace(loads, table=table)
        asked = [s for s in strengths if s != "power" or taken == Taken.MIDDLE]
        fits[taken] = [fit for strength in asked for fit in _fits(own, component, part, strength, rows, options)]
    power = [f for f in fits[Taken.MIDDLE] if f.strength == "power"]
    best = {}
    for taken, found in fits.items():
        sides = power, [f for f in found if f.strength != "power"]
        if all(sides):
            one, other = (min(side, key=_AIC) for side in sides)
            best[taken] = (min(one, other, key=_AIC).strength, abs(one.aic - other.aic))
    heat = tuple(map(_heat_below, fits.values())) if "heat" in strengths else ()
    return Compared(tuple(sorted(fits[Taken.MIDDLE], key=_AIC)), best, heat)


_AIC = attrgetter("aic")


def _heat_below(found: list[Explained]) -> float:
    """By how much the AIC of the heat of a shift is below that of torque and margin; NaN where not both converged."""
    sides = [[f.aic for f in found if f.strength in side] for side in (("torque", "margin"), ("heat",))]
    return min(sides[0]) - min(sides[1]) if all(sides) else math.nan


def _fits(
    loads: Loads, component: str, part: str | None, strength: str, rows: np.ndarray, options: Options
) -> list[Explained]:
    data, _ = _load_data(loads, component, part, strength, rows)
    if data.failures < FEWEST_FAILURES:
        raise AnalyticsError(
            f"{component} {part or 'all parts'}: {data.failures:g} failed with power and weight on record, and it takes "
            f"{FEWEST_FAILURES}"
        )
    if np.ptp(data.log_power) < 1e-6:
        return []
    alone = replace(data, log_weight=np.full(len(data.lower), np.log(7000.0)))
    fits = (_fit_covariate(own, strength, own is data, options) for own in (data, alone))
    return [f for f in fits if f.converged]


def _fit_covariate(data: LifeData, strength: str, weighted: bool, options: Options) -> Explained:
    """One Weibull regression on the column that stands for power in ``data``: its likelihood, AIC and exponents."""
    s = options.settings
    terms = replace(s.terms, selection=False, share=1.0)
    model = joint_model(data, options.promise.life_miles, "weibull", _LOOSE, terms)
    # a use without a failure would run away
    model = replace(model, priors=replace(model.priors, others=((0.0, 5.0),) * (len(model.columns) - 2)))
    model, top = fit_joint(model)
    theta, lay = top.theta[0], model.layout
    value = float(log_likelihood(theta[None], model.rows, lay, "weibull", model.nodes, order=0)[0][0])
    beta, slope = float(np.exp(theta[0])), float(theta[lay.gamma][1])
    # delta method for -slope/beta
    cov = np.linalg.pinv(-top.hess[0])
    at = np.arange(lay.size)[lay.gamma][1]
    grad = np.zeros(lay.size)
    grad[at], grad[0] = -1 / beta, slope / beta
    weight = theta[lay.gamma][model.columns.index("log weight")] / beta if "log weight" in model.columns else np.nan
    return Explained(
        strength=strength,
        with_weight=weighted,
        loglik=value,
        parameters=lay.size,
        aic=2 * lay.size - 2 * value,
        exponent=-slope / beta,
        exponent_se=float(np.sqrt(max(float(grad @ cov @ grad), 0.0))),
        weight_exponent=float(weight),
        lives=data.units,
        failures=data.failures,
        converged=bool(top.converged[0]),
    )


# ---- the rating ---------------------------------------------------------------------------------------------------------
def rate_on(
    loads: Loads,
    component: str,
    part: str,
    strength: str,
    weight_lb: float,
    use: str | None,
    options: Options,
    rows: np.ndarray | None = None,
) -> LoadRating:
    """Rate a part of a ``component`` on a ``strength`` (power, torque or margin) at ``weight_lb`` and use (None: the
    harshest), and say the power it comes to.

    rows: (n,) bool, the rows of loads.table to take; of these, but for power, those whose torque is on record from the start: with it taken by power a
    torque told would be that of an engine as fast as is assumed, and too high for a shop whose engines are faster. Uses options.settings. Raises
    AnalyticsError where there is nothing to rate by.
    """
    if strength not in STRENGTHS:
        raise AnalyticsError(f"strength {strength!r}: a rating runs on one of {', '.join(STRENGTHS)}.")
    if strength != "power":
        _engine_speeds(loads, component, part)
        told = _with_torque(loads, component, part)
        rows = told if rows is None else told & rows
    data, _ = _load_data(loads, component, part, strength, rows)
    settings = replace(heeding_calls(options, loads.lifetimes).settings.of(component), explain=False)
    bound = rate_part(data, weight_lb, use, options.promise, settings, options.seed)
    return _as_power(loads, component, part, strength, bound, data)


def without_failure(bound: RatingBound) -> ByLoad | None:
    """What the ``bound`` of a part that never failed rests on; None of one that did."""
    if not bound.demonstrated_only:
        return None
    return ByLoad.AS_SIBLINGS if bound.has(Rests.AS_SIBLINGS) else ByLoad.DEMONSTRATED


def _as_power(loads: Loads, component: str, part: str, strength: str, bound: RatingBound, data: LifeData) -> LoadRating:
    def power(load: float) -> float:
        if not math.isfinite(load) or strength == "power":
            return load
        return _power_at_load(loads, component, part, strength, load, bound.weight_lb, bound.use)

    hp, estimate, upper = power(bound.bound_hp), power(bound.estimate_hp), power(bound.upper_hp)
    unfailed = without_failure(bound)
    why = None if unfailed is None else reason(unfailed)
    if not math.isfinite(bound.bound_hp):
        why = reason(ByLoad.NOTHING_PROVEN)
    elif not math.isfinite(hp):
        why = reason(ByLoad.BELOW_ANY_POWER)
    if strength != "power":
        hp, estimate, upper = (v if math.isfinite(v) else math.nan for v in (hp, estimate, upper))
    return LoadRating(
        strength=strength,
        weight_lb=bound.weight_lb,
        use=bound.use,
        bound=bound.bound_hp,
        estimate=bound.estimate_hp,
        engine_lbft=_engine(loads, component, part, strength, bound),
        bound_hp=hp,
        estimate_hp=estimate,
        upper_hp=upper,
        capped=bound.capped,
        demonstrated_only=bound.demonstrated_only,
        failures=data.failures,
        units=data.units,
        reason=why,
    )


def _engine(loads: Loads, component: str, part: str, strength: str, bound: RatingBound) -> float:
    if strength == "power" or not math.isfinite(bound.bound_hp):
        return math.nan
    return engine_at_load(loads, component, part, strength, bound.bound_hp, bound.weight_lb, bound.use)


def engine_at_load(
    loads: Loads, component: str, part: str, strength: str, load: float, weight_lb: float, use: str
) -> float:
    """Torque of the engine, lb ft, that brings a ``load`` (strength: of torque or margin) on a part (loads, component, part) at weight_lb and a use,
    through the converter and the part's own ratio, all else at its middle as in the fit, so that what is assumed for every truck alike falls out again."""
    a = replace(loads.assumptions, engine_rpm=Span(1000, 1000))
    at = load_at(replace(loads, assumptions=a), component, part, np.ones(1), weight_lb, use)
    # the load goes with the torque, and the truck's is that of 1 hp at 1,000 rpm
    return load / float(at[STRENGTHS[strength]].iat[0]) * HP / (1000 * RPM) / LBFT


def _power_at_load(
    loads: Loads, component: str, part: str, strength: str, load: float, weight_lb: float, use: str
) -> float:
    """Power, hp, whose load on a part is no more than ``load`` with an engine as slow as the slow end of those on record, all else as in engine_at_load;
    NaN where that is no power of a truck."""
    # of one more engine like them, this share is slower (a tolerance limit without a distribution)
    slow = float(np.quantile(_engine_speeds(loads, component, part), SLOW_SHARE, method="weibull"))
    hp = engine_at_load(loads, component, part, strength, load, weight_lb, use) * LBFT * slow * RPM / HP
    return hp if hp >= _LEAST_HP else math.nan


#: the slow end of the engine speeds on record: this share is slower; of how many trucks torque must be on record for it to be an end; and
#: the least power, hp, that is told
SLOW_SHARE, ENOUGH_SPEEDS, _LEAST_HP = 0.05, 20, 100.0


def _with_torque(loads: Loads, component: str, part: str) -> np.ndarray:
    """Rows (n,) of a part in loads.table of which torque is on record from the start."""
    own = (loads.table["component"] == component) & (loads.table["part"] == part)
    return own.to_numpy() & loads.from_the_start


def _engine_speeds(loads: Loads, component: str, part: str) -> np.ndarray:
    """Engine speeds on record from the start of a part's trucks, rpm (k,), each truck's once: power over torque. Raises AnalyticsError where there are fewer
    than ENOUGH_SPEEDS."""
    own = np.flatnonzero(_with_torque(loads, component, part))
    mine = own[~loads.table["unit"].iloc[own].duplicated().to_numpy()]
    if len(mine) < ENOUGH_SPEEDS:
        raise AnalyticsError(
            f"{component} {part}: torque is on record within {FROM_THE_START} days of the start in {len(mine)} trucks, and it takes {ENOUGH_SPEEDS}; "
            "ask at the sale what torque the tune makes, and at what engine speed"
        )
    return loads.table["power_hp"].to_numpy(float)[mine] * HP / (loads.engine_lbft[mine] * LBFT) / RPM


# ---- every part ---------------------------------------------------------------------------------------------------------
RATING_COLUMNS = [
    "component", "part", "weight_up_to", "strength", "use", "bound", "engine_lbft", "bound_hp", "at_least", "estimate_hp", "failures",
    "units", "published_hp", "proposed_hp", "verdict", "why", "reason",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class NotRated:
    component: str
    part: str
    strength: str
    why: Reason


def loaded_parts(loads: Loads) -> list[tuple[str, str]]:
    """(component, part) of every part in ``loads`` whose kind is known, so that a load can be named."""
    table = loads.table
    named = table[~table["part"].isin([NOT_RECORDED, ""])]
    return [
        (c, p)
        for c in loads.records.shop.components
        if loads.kinds.get(c)
        for p in sorted(named.loc[named["component"] == c, "part"].unique())
    ]


#: given what explains the returns of each (component, part) (Compared.decided), and where to say how far it is: as `rate_parts`
Judged = Callable[[dict[tuple[str, str], str], Callable[[str], object]], tuple[pd.DataFrame, tuple[NotRated, ...]]]


def rate_parts(
    loads: Loads,
    options: Options,
    strength: str,
    decided: dict[tuple[str, str], str] | None = None,
    progress: Callable[[str], object] | None = None,
) -> tuple[pd.DataFrame, tuple[NotRated, ...]]:
    """RATING_COLUMNS, one row per part of ``loads`` and weight class, rated on ``strength`` under the ``options``; and
    the parts that could not be. why: of the verdict; reason: what limits the rating (a Reason, or None). decided: by
    component and part what explains its returns (Compared.decided): a limit is judged on torque or margin, and only
    where that is "load"; on power the sheet of ratings judges it. progress: called with a line of text for each part.

    A heavier class is never rated above a lighter one, and has no rating where that has none.
    """
    return rating_begun(loads, options, strength)(decided or {}, progress or (lambda _: None))


def rating_begun(loads: Loads, options: Options, strength: str) -> Judged:
    """What judges when called: other processes are at the ratings meanwhile (analytics.cores). loads, options, strength: as for `rate_parts`."""
    asked, heeding = loaded_parts(loads), heeding_calls(options, loads.lifetimes)
    own = {component: loads.of_component(component) for component, _ in asked}
    every = each(_classes_rated, [(own[c], c, p, strength, heeding) for c, p in asked])

    def judged(
        decided: dict[tuple[str, str], str], say: Callable[[str], object]
    ) -> tuple[pd.DataFrame, tuple[NotRated, ...]]:
        rows: list[list[object]] = []
        left: list[NotRated] = []
        for (component, part), (rated, lacking) in zip(asked, every, strict=True):
            say(f"rated {component} {part} on {strength}")
            left += [NotRated(component, part, strength, why) for why in lacking]
            by_load = decided.get((component, part)) == "load"
            rows += _judged_rows(loads, component, part, rated, by_load, options)
        return pd.DataFrame(rows, columns=RATING_COLUMNS), tuple(left)

    return judged


def _classes_rated(
    loads: Loads, component: str, part: str, strength: str, options: Options
) -> tuple[list[LoadRating], list[Reason]]:
    """The rating of a component's part in each weight class, the lightest first, up to one that has none, and the reason of that."""
    found: list[LoadRating] = []
    for weight in loads.records.shop.weight.classes:
        try:
            found.append(rate_on(loads, component, part, strength, weight, None, options))
        except AnalyticsError as err:
            return found, [reason(Refused.BECAUSE, why=str(err))]
    return found, []


def _judged_rows(
    loads: Loads, component: str, part: str, rated: list[LoadRating], by_load: bool, options: Options
) -> list[list[object]]:
    """RATING_COLUMNS of what is ``rated`` of a part by weight class, the lightest first. by_load: whether a load explains its returns."""
    rows: list[list[object]] = []
    lightest, lightest_lbft = math.inf, math.nan
    for one, weight in zip(rated, loads.records.shop.weight.classes, strict=False):
        bound, limited, engine = one.bound_hp, one.reason, one.engine_lbft
        if not math.isfinite(lightest) and lightest != math.inf:
            bound, limited, engine = math.nan, reason(ByLoad.LIGHTER_HAS_NONE), math.nan
        elif bound > lightest:
            bound, limited, engine = lightest, reason(ByLoad.HELD_AT_LIGHTER, hp=lightest), lightest_lbft
        lightest, lightest_lbft = bound, engine
        published = _published(loads, component, part, weight)
        if one.strength == "power":  # one verdict, that of the sheet of ratings
            found = Judgement("", reason(ByLoad.JUDGED_ON_POWER), math.nan)
        elif not by_load:
            found = Judgement(NOT_SHOWN, reason(ByLoad.NOT_DECIDED), math.nan)
        else:
            found = judge(_evidence(one, bound, published, options), published, options)
        own = [one.use, one.bound, engine, bound, one.capped, one.estimate_hp, one.failures, one.units]
        verdict = [published, found.proposed_hp, found.verdict, found.why, limited]
        rows.append([component, part, weight, one.strength, *own, *verdict])
    return rows


def _evidence(rated: LoadRating, bound_hp: float, limit_hp: float, options: Options) -> LimitEvidence:
    beside = Beside(rounded_down(bound_hp, options.step_hp), limit_hp, options.step_hp, 1 - options.promise.reliability)
    return evidence_from_figures(
        rated.estimate_hp,
        bound_hp,
        rated.upper_hp,
        options.promise.confidence,
        beside,
        rated.failures,
        rated.capped or rated.demonstrated_only,
    )


def _published(loads: Loads, component: str, part: str, weight: float) -> float:
    """The limit that holds today for any use, hp; NaN where there is none."""
    truck = {"component": [component], "part": [part], "use": [""], "weight_lb": [weight], "day": [loads.records.as_of]}
    return float(published_hp(loads.records.limits, pd.DataFrame(truck))[0])


# ---- suspects -----------------------------------------------------------------------------------------------------------
class Reading(Enum):
    """How the failures of suspects are read."""

    AS_RECORDED = auto()
    NOT_COUNTED = auto()
    RULES_KEPT = auto()


def without_suspects(
    loads: Loads, suspects: Suspects, component: str, part: str, weight_lb: float, use: str | None, options: Options
) -> dict[Reading, LoadRating | Reason]:
    """The rating of a component's part on power, at ``weight_lb`` and ``use`` (None: the harshest) under the
    ``options``: of ``loads`` as recorded; with the failures of the ``suspects`` not counted against the part (each life
    ends there, good); and with only the lives that are not known to have broken a rule, failed or not. The reason where
    one cannot be made.

    The second drops the failed misuse alone and so comes out too high; the third drops misuse that held as well. Truth
    about parts used within the rules lies nearer the third, as far as conditions are as often on record for both.
    """
    table = loads.table
    mine = (table["component"] == component).to_numpy() & (table["part"] == part).to_numpy()
    marked = table["ended"].eq("failed") & suspects.any & mine
    out: dict[Reading, LoadRating | Reason] = {}
    for reading, rows, read in (
        (Reading.AS_RECORDED, None, loads),
        (Reading.NOT_COUNTED, None, replace(loads, table=spared(table, marked))),
        (Reading.RULES_KEPT, ~suspects.any, loads),
    ):
        try:
            out[reading] = rate_on(read, component, part, "power", weight_lb, use, options, rows)
        except AnalyticsError as err:
            out[reading] = reason(Refused.BECAUSE, why=str(err))
    return out
