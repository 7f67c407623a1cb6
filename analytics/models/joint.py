"""Life and miles per day of one part, fitted together, and fleets simulated from the fit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from analytics.errors import AnalyticsError
from analytics.models.distributions import standard_quantile
from analytics.models.lifedata import (
    ALIKE,
    FITTED,
    NOTHING,
    LifeData,
    Reading,
    before_reading,
    build_rows,
    fill_failures,
    plain_lives,
    seen_alive,
    split_days,
)
from analytics.models.likelihood import Constraint, Layout
from analytics.models.newton import Optimum, maximise
from analytics.models.priors import Priors
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.models.rows import Block, Points, Rates, Rows, Stacked, stack
from analytics.records.measures import DAYS_A_YEAR

LOG_WEIGHT = "log weight"
OTHER_PRIOR = (0.0, 0.7)
#: of when a part was fitted, by standard deviation: a life of .6 from half way on is -0.25. At 0.3 its doubt alone took half of a bound where life
#: follows power little; at 0.2 it holds a change back that 80 failures show (50 and 100 fleets, see LEANS in ratings/fits.py)
FITTED_PRIOR = (0.0, 0.25)
SLAB = 120_000  # unit rows of simulated fleets handled at once: some tens of megabytes


@dataclass(frozen=True, slots=True, repr=False)
class JointModel:
    """One part's data made ready: columns centred at the failures, rows, free parameters, priors.

    data: after identical units were kept as weights. columns: names of gamma. centre: (q - 1,). log_scale: log of the
    target miles M. uses_of_design: use code of each use column. nodes: for the unknown miles.
    """

    data: LifeData
    rows: Rows
    x: np.ndarray
    columns: tuple[str, ...]
    centre: np.ndarray
    layout: Layout
    distribution: str
    priors: Priors
    life_miles: float
    change_days: float
    nodes: tuple[np.ndarray, np.ndarray]

    def __repr__(self) -> str:
        return f"JointModel({self.distribution}, {self.data!r}, columns {', '.join(self.columns)})"

    def covariates(
        self, log_power: float, log_weight: float, use: int = 0, extra: np.ndarray | None = None
    ) -> np.ndarray:
        """Centred covariates (q - 1,) of a vehicle; further columns at their centre unless given."""
        out = np.zeros(len(self.centre))
        for j, name in enumerate(self.columns[1:]):
            if name == "log power":
                out[j] = log_power - self.centre[j]
            elif name == LOG_WEIGHT:
                out[j] = log_weight - self.centre[j]
            elif name.startswith("use "):
                out[j] = float(name[4:] == self.data.use_names[use]) - self.centre[j]
            elif extra is not None:
                out[j] = extra[self.data.extra_names.index(name)] - self.centre[j]
        return out

    def columns_of(self, data: LifeData) -> np.ndarray:
        """The columns (n, q) of other lives with the same uses and extra columns, intercept first, centred as this model's."""

        def raw(name: str) -> np.ndarray:
            if name in ("log power", LOG_WEIGHT):
                return data.log_power if name == "log power" else data.log_weight
            if name.startswith("use "):
                return (data.use == data.use_names.index(name[4:])).astype(float)
            return data.extra[:, data.extra_names.index(name)]

        named = zip(self.columns[1:], self.centre, strict=True)
        return np.column_stack([np.ones(len(data.use)), *(raw(name) - middle for name, middle in named)])


@dataclass(frozen=True, slots=True)
class Terms:
    """What a joint model holds beside life on power and weight.

    decline: miles per day may change past ``change_days``. selection: readings may come mainly from those who drive more (or less).
    share: the reporting share where it is known, or None for one with a prior. use_terms: an effect of each use.
    """

    decline: bool = False
    change_days: float = 1096.0
    selection: bool = False
    share: float | None = 1.0
    use_terms: bool = True


NO_TERMS = Terms()


def joint_model(
    data: LifeData,
    life_miles: float,
    distribution: str = "weibull",
    priors: Priors | None = None,
    terms: Terms = NO_TERMS,
) -> JointModel:
    """Prepare the lives of one part (data) under a ``distribution`` (one of DISTRIBUTIONS), with the ``terms`` asked for as far as the
    records can speak of them. life_miles: the target life, a unit of scale. priors: on the scale of a Weibull, by
    default those of `Priors`. Raises AnalyticsError where there is no row at all."""
    if not len(data.lower):
        raise AnalyticsError("no lives of this part")
    data, _ = fill_failures(data)
    names, raw, others = _covariates(data, terms.use_terms)
    x, centre = _centred(data, names, raw)
    rows = build_rows(data, x, life_miles, terms.change_days)
    layout = _layout(data, rows, x.shape[1], terms)
    priors = _priors(Priors() if priors is None else priors, names, others, distribution, data.rates_alike)
    return JointModel(
        data,
        rows,
        x,
        ("intercept", *names),
        centre,
        layout,
        distribution,
        priors.lent_for(layout, data.use_names, data.rates_alike),
        life_miles,
        terms.change_days,
        rate_nodes(1.2),
    )


def _covariates(data: LifeData, use_terms: bool) -> tuple[list[str], np.ndarray, list[tuple[float, float] | None]]:
    """Names of the columns, the columns (n, q - 1), and the prior of each after the power (None: as `Priors` says). A column that is the same in all
    rows is left out."""
    found: list[tuple[str, np.ndarray, tuple[float, float] | None]] = [("log power", data.log_power, None)]
    if np.ptp(data.log_weight) > 1e-6:
        found.append((LOG_WEIGHT, data.log_weight, None))
    if use_terms and len(data.use_names) > 1:
        # the most common use is the one the others are measured against
        common = int(np.argmax(np.bincount(data.use, data.weight)))
        uses = [(f"use {name}", (data.use == k).astype(float)) for k, name in enumerate(data.use_names) if k != common]
        found += [(name, column, OTHER_PRIOR) for name, column in uses]
    extra = zip(data.extra_names, data.extra.T, strict=True)
    found += [
        (name, column, FITTED_PRIOR if name == FITTED else OTHER_PRIOR)
        for name, column in extra
        if np.ptp(column) > 1e-9
    ]
    names, columns, priors = zip(*found, strict=True)
    return list(names), np.column_stack(columns), list(priors[1:])


def _centred(data: LifeData, names: list[str], raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The columns (n, q) about their mean over the failures, intercept first, and that mean (q - 1,)."""
    middle = data.failed if data.failed.any() else np.ones(len(data.lower), bool)
    centre = np.average(raw[middle], axis=0, weights=data.weight[middle])
    # the rating of a truck that is average in the owner's own columns
    own = np.isin(names, data.extra_names)
    centre[own] = np.average(raw[:, own], axis=0, weights=data.weight)
    # and of a part as it is made now
    centre[np.isin(names, FITTED)] = 0.0
    return np.column_stack([np.ones(len(raw)), raw - centre]), centre


def _layout(data: LifeData, rows: Rows, columns: int, terms: Terms) -> Layout:
    """Which parameters the records can speak of."""
    selection, share = terms.selection, terms.share
    unread = any(b.kind == "unread" for b in rows.blocks)
    read = rows.rates is not None and bool((rows.rates.read > 0).any())
    from_rate = np.isnan(data.lower).any() or (rows.rates is not None and rows.rates.w.size)
    partial = share is None or share < 1
    return Layout(
        columns,
        rows.uses,
        decline=terms.decline and bool(from_rate) and rows.uses > 0,
        level=(selection and read and unread) or (partial and read and unread),
        slope=selection and read and unread,
        share=share is None and (unread or any(b.other is not None for b in rows.blocks if b.kind == "running")),
        fixed_share=1.0 if share is None else share,
    )


def _priors(
    priors: Priors, names: list[str], others: list[tuple[float, float] | None], distribution: str, rates_alike: bool
) -> Priors:
    """The priors with one for each column, on the scale of the distribution. others: of the columns after the power, ``names[1:]``."""
    if not priors.others and (priors.power is not None or priors.weight is not None):
        own = zip(names[1:], others, strict=True)
        priors = replace(priors, others=tuple(priors.weight if name == LOG_WEIGHT else prior for name, prior in own))
    if rates_alike:
        # without spread the likelihood of log tau has no top
        priors = replace(priors, spread=(float(np.log(ALIKE)), 0.02))
    if distribution == "lognormal" and priors.shape is not None:
        # the same spread of log life: pi/sqrt(6) is the standard deviation of Weibull's e, 1 that of the normal's
        priors = replace(priors, shape=(priors.shape[0] - np.log(np.pi / np.sqrt(6)), priors.shape[1]))
    return priors


def _rate_of_the_read(data: LifeData, usual: float) -> tuple[float, float]:
    """Mean and spread of the log miles a day of those that were read; the mean is the ``usual`` one where none was."""
    has = data.reading.counts & data.has_rate
    if not has.any():
        return usual, 0.6
    log_rate = np.log(data.reading.miles[has] / data.reading.days[has])
    return np.average(log_rate, weights=data.weight[has]), log_rate.std() if len(log_rate) > 4 else 0.6


def _starting_point(model: JointModel) -> np.ndarray:
    """A rough theta (p,): priors where they speak, the intercept from the number of failures."""
    lay, data, pri = model.layout, model.data, model.priors
    theta = np.zeros(lay.size)
    theta[0] = (pri.shape or (np.log(1.5), 1))[0]
    beta = np.exp(theta[0])
    gamma = np.zeros(lay.columns)
    if pri.power is not None:
        gamma[1] = -beta * np.exp(pri.power[0])
    for j, prior in enumerate(pri.others):
        if prior is not None:
            gamma[2 + j] = beta * prior[0]
    mean = np.log(30.0) if pri.rate is None else pri.rate[0]
    if lay.uses:
        mean, spread = _rate_of_the_read(data, mean)
        theta[lay.mu], theta[lay.tau] = mean, np.log(np.clip(spread, 0.2, 1.5))
    miles = np.where(np.isfinite(data.upper), data.upper, np.nan_to_num(data.lower, nan=0.0))
    guess = np.isnan(data.lower)
    rate = np.where(data.has_rate, data.reading.miles / np.maximum(data.reading.days, NOTHING), np.exp(mean))
    miles = np.where(guess, rate * np.nan_to_num(data.days.lower, nan=1.0), miles)
    z = beta * np.log(np.maximum(miles, 1.0) / model.life_miles) - model.x[:, 1:] @ gamma[1:]
    r = max(data.failures, 0.5)
    gamma[0] = np.log((data.weight * np.exp(np.minimum(z, 50))).sum() / r)
    if model.distribution == "lognormal":
        gamma[0] = float(np.average(z, weights=data.weight)) - ndtri(min(0.5, r / data.weight.sum()))
    theta[lay.gamma] = gamma
    for name, default in (("decline", -0.2), ("level", 0.0), ("slope", 0.0), ("share", 1.4)):
        at, prior = lay.place(name), getattr(pri, name)
        if at is not None:
            theta[at] = prior[0] if prior is not None else default
    at = lay.place("level")
    if at is not None and model.rows.rates is not None:
        read = model.rows.rates.read.sum()
        unread = sum(b.w.sum() for b in model.rows.blocks if b.kind == "unread")
        theta[at] = ndtri(np.clip(read / (read + unread), 0.02, 0.98))
    return theta


def step_limits(layout: Layout) -> np.ndarray:
    """Longest Newton step per parameter (p,) of a ``layout``."""
    out = np.full(layout.size, 1.0)
    out[layout.gamma] = 8.0
    return out


def fit_joint(model: JointModel, start: np.ndarray | None = None) -> tuple[JointModel, Optimum]:
    """The free fit, from ``start`` (p,) where given. The nodes follow shape x spread, so the model comes back with
    those it ended on."""
    theta = _starting_point(model) if start is None else start
    negative = 2 if model.priors.power is not None else None
    limits = step_limits(model.layout)
    rows = stack(model.rows, model.layout.uses)
    for _ in range(3):
        fun = objective(rows, model.layout, model.distribution, model.priors, model.nodes)
        top = maximise(fun, theta, negative=negative, limits=limits)
        theta = top.theta[0]
        steep = float(np.exp(theta[0] + theta[model.layout.tau])) if model.layout.uses else 1.0
        nodes = rate_nodes(steep * 1.1)
        if not model.layout.uses or abs(len(nodes[0]) - len(model.nodes[0])) <= 2:
            break
        model = replace(model, nodes=nodes)
    return model, top


@dataclass(frozen=True, slots=True)
class Driving:
    """Miles a year of one use as fitted jointly with the life: median and its two-sided Wald limits, and the 5th and 95th
    percentile of drivers; of trucks before the age at which driving may change."""

    use: str
    median: float
    lower: float
    upper: float
    low: float
    high: float


def driving_of(model: JointModel, top: Optimum, level: float = 0.95) -> tuple[Driving, ...]:
    """What customers of each use really drive, unread and returned ones accounted for, with limits at ``level``; model,
    top: of `fit_joint`. Empty when all miles are known."""
    lay = model.layout
    if not lay.uses:
        return ()
    theta = top.theta[0]
    se = np.sqrt(np.maximum(np.diag(np.linalg.pinv(-top.hess[0])), 0))
    k, wide = float(ndtri(0.5 + level / 2)), float(ndtri(0.95)) * np.exp(theta[lay.tau])
    year = np.log(DAYS_A_YEAR)
    out = []
    for i, name in enumerate(model.data.use_names):
        m, half = theta[lay.mu][i] + year, k * se[lay.mu][i]
        out.append(Driving(name, *(float(np.exp(v)) for v in (m, m - half, m + half, m - wide, m + wide))))
    return tuple(out)


def constrained_layout(layout: Layout) -> Layout:
    """The ``layout`` under a constraint: gamma without the intercept, which the constraint gives."""
    return replace(layout, columns=layout.columns - 1)


def fit_at(
    model: JointModel,
    constraint: Constraint,
    start: np.ndarray,
    tolerance: float = 1e-8,
    rows: Stacked | None = None,
) -> Optimum:
    """The fit of a ``model`` under which survival at the target is exactly R at the constraint's vehicle.
    start: (p - 1,); tolerance: as for `maximise`; rows: those of the model in one list, if already made."""
    lay = constrained_layout(model.layout)
    fun = objective(rows or model.rows, lay, model.distribution, model.priors, model.nodes, constraint)
    return maximise(
        fun, start, negative=1 if model.priors.power is not None else None, limits=step_limits(lay), tolerance=tolerance
    )


def free_theta(theta: np.ndarray, constraint: Constraint) -> np.ndarray:
    """Constrained theta (B, p - 1) as a free one (B, p): the intercept put back by the ``constraint``."""
    theta = np.atleast_2d(theta)
    intercept = -constraint.z - theta[:, 1 : 1 + len(constraint.x0)] @ constraint.x0
    return np.insert(theta, 1, intercept, axis=1)


def log_power_at(model: JointModel, theta: np.ndarray, z: float, log_weight: float, use: int) -> np.ndarray:
    """Log power (B,) at which the life of a vehicle of log_weight (log lb) and ``use`` (its code) sits at z at the
    target miles of the ``model``; theta (B, p) free."""
    theta = np.atleast_2d(theta)
    gamma = theta[:, model.layout.gamma]
    x0 = model.covariates(model.centre[0], log_weight, use)
    return model.centre[0] - (z + gamma[:, 0] + gamma[:, 1:] @ x0) / gamma[:, 1]


# ---- simulated fleets -------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class _Draw:
    """Drawn fleets, arrays (fleets, n) or (n,): what happened to each vehicle, logs of miles over the target miles.

    at: row of the data each vehicle is a copy of. reported: failed, and that is known. read_running: read, and no failure reported.
    recorded: age of the unit at that reading. log_rate None: miles known, no driving rates.
    """

    at: np.ndarray
    log_life: np.ndarray
    log_end: np.ndarray
    log_entry: np.ndarray
    log_rate: np.ndarray | None
    dies: np.ndarray
    reported: np.ndarray
    read_running: np.ndarray
    recorded: np.ndarray
    read: np.ndarray
    later: float

    @property
    def shape(self) -> tuple[int, int]:
        return self.log_life.shape


#: draws from each stream, one under another
_Each = Callable[[Callable[[np.random.Generator], np.ndarray]], np.ndarray]
#: log miles at the end, the entry and the reading; log rate (None: not drawn); who was read; the age at the reading
_Watch = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None, np.ndarray, np.ndarray]


def _free(layout: Layout, theta: np.ndarray, name: str) -> float | None:
    """A parameter by its name; None where it is not free."""
    at = layout.place(name)
    return None if at is None else theta[at]


def _watched_on_days(model: JointModel, theta: np.ndarray, at: np.ndarray, later: float, each: _Each) -> _Watch:
    """How far each vehicle is watched, its driving rate drawn anew."""
    lay, data, n = model.layout, model.data, len(at)
    failed, use = data.failed[at], data.use[at] if lay.uses > 1 else np.zeros(n, int)
    read_flag = (data.has_rate & data.reading.counts)[at] & ~failed
    start, entry = data.days.start[at], data.days.entry[at]
    length = np.maximum(data.days.cutoff[at], 0.5)
    level, slope = (_free(lay, theta, name) for name in ("level", "slope"))
    s = each(lambda rng: rng.standard_normal(n))
    chance = each(lambda rng: rng.random(n))
    unit_days = start + length
    with np.errstate(invalid="ignore"):
        fraction = np.where(read_flag, np.clip(data.reading.days[at] / unit_days, 0.01, 1.0), np.nan)
    donors = fraction[read_flag]
    spare: np.ndarray | float = 1.0
    if level is None:
        # a failed unit would have been read as often as the others
        often = read_flag[~failed].mean() if (~failed).any() else 0.0
        read = np.where(failed, chance < often, read_flag)
    else:
        # who is read is part of the model here, so it is drawn too: keeping the flags would leave the level and
        # slope of the reading no room to vary, and bias them among those that fail
        read = chance < ndtr(level + (slope or 0.0) * s)
        spare = each(lambda rng: rng.choice(donors, n)) if len(donors) else 1.0
    recorded = np.where(np.isfinite(fraction), fraction, spare) * unit_days
    log_rate = theta[lay.mu][use] + np.exp(theta[lay.tau]) * s
    scale_log = np.log(model.life_miles)

    def reach(days):
        before, after = split_days(start, days, model.change_days)
        return log_rate + np.log(np.maximum(before + later * after, NOTHING)) - scale_log

    # seen running at a reading, which a silent failure before it would have prevented
    log_seen = reach(seen_alive(recorded - start, entry, length))
    return reach(length), np.where(entry > 0, reach(entry), -np.inf), log_seen, log_rate, read, recorded


def _watched_on_miles(model: JointModel, at: np.ndarray, each: _Each, shape: tuple[int, int]) -> _Watch:
    """How far each vehicle is watched, every mile known; a failed one as long as one of those still running past it."""
    data = model.data
    miles, failed, e = data.lower[at], data.failed[at], data.entry[at]
    running = miles[~failed]
    end = np.tile(miles, (shape[0], 1))
    rank = each(lambda rng: rng.random(shape[1]))
    for i in np.flatnonzero(failed):
        longer = running[running > miles[i]]
        end[:, i] = longer[(rank[:, i] * len(longer)).astype(int)] if len(longer) else np.inf
    log_end = np.log(np.maximum(end, NOTHING) / model.life_miles)
    log_entry = np.broadcast_to(np.where(e > 0, np.log(np.maximum(e, NOTHING) / model.life_miles), -np.inf), shape)
    read = np.ones(shape, bool)
    return log_end, log_entry, log_end, None, read, read


def _draw(model: JointModel, theta: np.ndarray, rngs: Sequence[np.random.Generator]) -> _Draw:
    """One fleet from each stream, so that a fleet is the same whichever others are drawn beside it."""
    lay, data = model.layout, model.data
    copies = np.round(data.weight).astype(int)
    if (copies != data.weight).any():
        raise AnalyticsError("counts of identical units must be whole numbers")
    at = np.repeat(np.arange(len(copies)), copies)
    n = len(at)
    shape = (len(rngs), n)

    def each(draw: Callable[[np.random.Generator], np.ndarray]) -> np.ndarray:
        return np.stack([draw(rng) for rng in rngs])

    beta = np.exp(theta[0])
    eta = model.x[at] @ theta[lay.gamma]
    decline, logit = (_free(lay, theta, name) for name in ("decline", "share"))
    later = float(np.exp(lay.fixed_decline if decline is None else decline))
    share = lay.fixed_share if logit is None else 1 / (1 + np.exp(-logit))
    on_days = lay.uses and np.isfinite(data.days.cutoff).all()
    watched = _watched_on_days(model, theta, at, later, each) if on_days else _watched_on_miles(model, at, each, shape)
    log_end, log_entry, log_seen, log_rate, read, recorded = watched
    alive = data.known_alive[at]
    # life beyond the entry
    z0 = np.where(np.isfinite(log_entry), beta * np.where(np.isfinite(log_entry), log_entry, 0) - eta, -np.inf)
    if model.distribution == "weibull":
        z = np.log(np.exp(z0) + each(lambda rng: rng.exponential(size=n)))
    else:
        z = -ndtri(np.clip(ndtr(-z0) * each(lambda rng: rng.random(n)), 1e-300, 1))
    log_life = (z + eta) / beta
    dies = log_life < log_end
    reported = dies & ((each(lambda rng: rng.random(n)) < share) | alive) if share < 1 else dies
    read_running = read & (log_life > log_seen) & ~reported
    return _Draw(at, log_life, log_end, log_entry, log_rate, dies, reported, read_running, recorded, read, later)


def _failure_days(model: JointModel, draw: _Draw) -> np.ndarray:
    """Days on the part (fleets, n) at which its miles reached its life."""
    start = model.data.days.start[draw.at]
    days = np.exp(draw.log_life + np.log(model.life_miles) - draw.log_rate)
    first = np.clip(model.change_days - start, 0, None)
    return np.where(days <= first, days, first + (days - first) / draw.later)


def simulate_lives(model: JointModel, theta: np.ndarray, rng: np.random.Generator) -> LifeData:
    """One fleet of a ``model`` drawn by ``rng`` at theta (p,) free, as the shop would have it on record: every row its
    own vehicle."""
    draw = _draw(model, theta, [rng])
    data = plain_lives(model.data.take(draw.at))  # what stops a truck is drawn
    n = len(draw.at)
    reported, read_running = draw.reported[0], draw.read_running[0]
    life = np.exp(draw.log_life[0]) * model.life_miles
    upper = np.where(reported, life, np.inf)
    data = replace(data, unit=np.arange(n), weight=np.ones(n), upper=upper)
    if draw.log_rate is None:
        end = np.exp(np.where(np.isfinite(draw.log_end[0]), draw.log_end[0], draw.log_life[0])) * model.life_miles
        return replace(
            data, lower=np.where(reported, life, end), reading=replace(data.reading, counts=np.zeros(n, bool))
        )
    days = _failure_days(model, draw)[0]
    ended = np.where(reported, days, data.days.cutoff)
    age = np.where(reported, data.days.start + days, np.broadcast_to(draw.recorded, draw.shape)[0])
    before, after = split_days(np.zeros(n), age, model.change_days)
    miles = np.exp(draw.log_rate[0]) * (before + draw.later * after)
    seen = reported | read_running
    entry = np.where(np.isfinite(draw.log_entry[0]) & reported, np.exp(draw.log_entry[0]) * model.life_miles, 0.0)
    return replace(
        data,
        lower=np.where(reported, life, np.nan),
        entry=entry,
        days=replace(data.days, lower=ended, upper=np.where(reported, days, np.inf)),
        reading=Reading(miles=np.where(seen, miles, np.nan), days=np.where(seen, age, np.nan), counts=seen),
    )


def simulate(model: JointModel, theta: np.ndarray, rngs: Sequence[np.random.Generator]) -> Rows:
    """Rows of one fleet of a ``model`` from each of the ``rngs``, drawn at theta (p,) free: same powers, weights, uses
    and ages at the cut-off; driving rates, lives and reports drawn anew, and who is read where that is modelled, else
    the same units. Identical units are drawn one by one; raises AnalyticsError where their count is no whole number."""
    lay, data = model.layout, model.data
    draw = _draw(model, theta, rngs)
    fleets = len(rngs)
    at, shape = draw.at, draw.shape
    log_life, log_end, log_entry, log_rate = draw.log_life, draw.log_end, draw.log_entry, draw.log_rate
    dies, reported, read, read_running, later = draw.dies, draw.reported, draw.read, draw.read_running, draw.later
    x, alive = model.x[at], data.known_alive[at]
    use = data.use[at] if lay.uses > 1 else np.zeros(len(at), int)
    before_read = before_reading(data)[at]
    blocks: list[Block] = []

    def gather(mask):
        m = int(mask.sum(1).max()) if mask.size else 0
        if not m:
            return None, None
        idx = np.argsort(~mask, axis=1, kind="stable")[:, :m]
        return idx, np.take_along_axis(mask, idx, 1).astype(float)

    def cut(a, idx):
        return np.take_along_axis(np.broadcast_to(a, shape), idx, 1)

    def add(kind, mask, points, others=None):
        idx, w = gather(mask)
        if idx is not None:
            before = before_read[idx] if kind == "unread" else None
            blocks.append(Block(kind, x[idx], w, points(idx), None if others is None else others(idx), before))

    def ending(log_miles):
        return lambda idx: Points(cut(np.where(np.isfinite(log_miles), log_miles, 0), idx))

    failures = reported.sum(1).astype(float)
    add("exact", reported, lambda idx: Points(cut(log_life, idx)))
    lives = ~dies
    if log_rate is None:
        add("running", lives & np.isfinite(log_end), ending(log_end))
        add("entry", np.isfinite(log_entry), ending(log_entry))
        return Rows(tuple(blocks), None, lay.columns, 0, failures, np.zeros(fleets))

    start, entry = data.days.start[at], data.days.entry[at]
    length = np.maximum(data.days.cutoff[at], 0.5)
    recorded = draw.recorded
    scale_log = np.log(model.life_miles)
    zeros = np.zeros(len(at))

    def pair(begin, days, idx):
        before, after = split_days(begin, days, model.change_days)
        return cut(np.maximum(before, NOTHING), idx), cut(after, idx)

    def by_reading(days):
        def points(idx):
            den = pair(zeros, recorded, idx)
            y = cut(log_rate, idx) + np.log(den[0] + later * den[1]) - scale_log
            return Points(y, None, pair(start, days, idx), den)

        return points

    def by_use(days):
        return lambda idx: Points(np.full(idx.shape, -scale_log), use[idx], pair(start, days, idx))

    seen = seen_alive(recorded - start, entry, length)
    read_share = lay.share or lay.fixed_share < 1
    add("running", read_running & ~alive, by_reading(length), by_reading(seen) if read_share else None)
    add("running", lives & alive & read, by_reading(length))
    late, blind, unread = entry > 0, ~read_running & ~reported & ~alive, lives & alive & ~read
    add("unread", blind & ~late, by_use(length))
    add("unread_alive", unread & ~late, by_use(length))
    add("unread", blind & late, by_use(length), by_use(entry))
    add("unread_alive", unread & late, by_use(length))
    add("unread_entry", unread & late, by_use(entry))
    add("entry", late & (reported | read_running), ending(log_entry))
    # driving rates: of the failed at their failure, of the read at their reading
    mask = reported | read_running
    idx, w = gather(mask)
    if idx is None:
        idx, w = np.zeros((fleets, 1), int), np.zeros((fleets, 1))
    fail = cut(reported, idx)
    days = cut(_failure_days(model, draw), idx)
    age = np.where(fail, cut(start, idx) + days, cut(recorded, idx))
    before, after = split_days(np.zeros_like(age), age, model.change_days)
    before = np.maximum(before, NOTHING)
    log_miles = cut(log_rate, idx) + np.log(before + later * after)
    rates = Rates(log_miles, (before, after), use[idx], w, w * (~fail & ~alive[idx]), w * fail)
    return Rows(tuple(blocks), rates, lay.columns, lay.uses, failures, np.zeros(fleets))


def rating_constraint(
    model: JointModel, log_power: float, reliability: float, log_weight: float, use: int
) -> Constraint:
    """Survival at the target of the ``model`` is ``reliability`` at log_power (log hp), log_weight (log lb) and ``use``
    (its code)."""
    return Constraint(model.covariates(log_power, log_weight, use), standard_quantile(reliability, model.distribution))
