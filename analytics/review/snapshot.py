"""The shop as it stood at a quarter's end: its lives, and the models fitted to them. Nothing later is looked at."""

from __future__ import annotations

import zlib
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.lifetimes.failures import counts_as_failure, failed_by_install
from analytics.lifetimes.opened import still_driving
from analytics.lifetimes.table import Lifetimes, make_lifetimes, one_row_a_truck
from analytics.models.joint import JointModel
from analytics.models.lifedata import NOTHING, LifeData, Reading, from_lifetimes
from analytics.models.mileage import change_with_age
from analytics.models.nonparametric import mean_right_truncated
from analytics.ratings.options import options_for
from analytics.ratings.predict import PartFit, PartLives, chances, fit_lives, lives_of, with_early
from analytics.ratings.settings import CHANGE_DAYS, RatingSettings
from analytics.reasons import Reason, Unfitted, reason
from analytics.records.load import NOT_RECORDED, AsTyped, Records, load_records
from analytics.records.shop import Shop

#: draws from what the records leave open, for every chance of the quarter
DRAWS = 100
SEED = 1
#: draws of a fit that must count, in effect; with fewer its posterior is not covered, and many more are drawn before it is given up
FEWEST_DRAWS = 20.0
_DRAWN, _DRAWN_MORE = 256, 4096
#: failures that the level common to all parts is worth: parts, drivers and reporting err together, which the fits, taken one by
#: one, do not know. Chosen among none, 20 and 40 on simulated shops (data/evidence)
LEVEL_WORTH = 20.0
#: failures that the middle of that level is worth against what came for what was foretold before. In the first quarters, with few failures, too many
#: are foretold: with 20 this took a tenth off all years after. Chosen among 20 to 500 on invented shops (none of those in data/evidence)
RECORD_WORTH = 100.0
#: failures' worth of trust that a part without a fit of its own fails as its component does. Chosen among 0.5, 1 and 2 on
#: simulated shops (data/evidence)
POOLED_WORTH = 2.0
#: how the hazard of a component without a fit grows: as the prior of every fit has it, days to this power
AGEING = 2.0
#: a level for whoever asks only how a hazard is shared out
ANY_LEVEL = (1.0, 1e9)


@dataclass(frozen=True, slots=True, repr=False)
class PartSnapshot:
    """One part: its lives (positions in the table), its fit, and equal-weight draws (DRAWS, p) of the fit's parameters.

    pooled: the part has no fit of its own, and the fit is that of its whole component, brought to its level.
    """

    lives: PartLives
    fit: PartFit
    theta: np.ndarray
    pooled: bool = False


@dataclass(frozen=True, slots=True, repr=False)
class Snapshot:
    """The shop on a day. table: that of the lifetimes, with unknown powers and weights filled in (``filled`` rows of
    ``of`` had one missing) and the columns of `marked`, by what brings a truck in."""

    as_of: pd.Timestamp
    records: Records
    lifetimes: Lifetimes
    table: pd.DataFrame
    parts: dict[tuple[str, str], PartSnapshot]
    settings: RatingSettings
    filled: int
    of: int
    wait_days: float = 0.0  # mean from a failure to the door
    foretold: tuple[tuple[float, float], ...] = ()  # quarters foretold before: expected, and came
    pools: dict[str, PartSnapshot | None] = field(default_factory=dict)  # components as one part, fitted once asked for
    doors: dict[str, Any] = field(default_factory=dict)  # what all lives share (review.door), made once asked for

    def __repr__(self) -> str:
        return f"Snapshot({self.lifetimes.shop.name!r}, {self.as_of:%Y-%m-%d}: {len(self.parts)} parts)"


def snapshot_of(records: Records, lifetimes: Lifetimes | None = None) -> Snapshot:
    """Lives and fits from the records of a day. lifetimes: of these records, if already made."""
    lifetimes = make_lifetimes(records) if lifetimes is None else lifetimes
    table, filled = fill_unknown(lifetimes.table)
    wait = days_to_door(records.returns, lifetimes.as_of)
    table = not_yet_in(marked(table, lifetimes.shop.names.looked_at), wait)
    settings = door_settings(options_for(lifetimes.shop).settings, records)
    parts = {}
    for component, part in sorted(set(zip(table["component"], table["part"], strict=True))):
        try:
            lives = lives_of(table, component, part, lifetimes.as_of)
        except AnalyticsError:
            continue  # no age on record: such a part has nothing to tell
        parts[component, part] = _fitted(lives, lifetimes.shop.targets.miles, settings.of(component))
    snapshot = Snapshot(lifetimes.as_of, records, lifetimes, table, parts, settings, filled, len(table), wait)
    for (component, part), own in parts.items():
        if own.fit.model is None:
            parts[component, part] = _pooled(snapshot, component, own)
    return snapshot


def _fitted(lives: PartLives, life_miles: float, settings: RatingSettings) -> PartSnapshot:
    fit = fit_lives(lives.data, life_miles, settings, _DRAWN, SEED)
    if fit.model is not None and fit.effective_draws < FEWEST_DRAWS:
        fit = fit_lives(lives.data, life_miles, settings, _DRAWN_MORE, SEED)
    if fit.model is not None and fit.effective_draws < FEWEST_DRAWS:
        why = reason(Unfitted.FEW_DRAWS, effective_draws=fit.effective_draws, needed=FEWEST_DRAWS)
        fit = _unfitted(fit, why)
    if fit.model is not None and not fit.model.layout.uses:
        fit = _unfitted(fit, reason(Unfitted.NO_MILES_A_DAY))
    return PartSnapshot(lives, fit, equal_draws(fit, SEED))


def _unfitted(fit: PartFit, why: Reason) -> PartFit:
    return replace(fit, model=None, top=None, theta=np.zeros((0, 0)), weight=np.zeros(0), reason=why)


def pool_of(snapshot: Snapshot, component: str) -> PartSnapshot | None:
    """A component's lives in the ``snapshot`` fitted as if all its parts were one, by a Weibull distribution; None where it
    never failed or no fit can be trusted."""
    if component not in snapshot.pools:
        names = tuple(sorted(p for c, p in snapshot.parts if c == component))
        data, _ = pooled_lives(snapshot, component, names)
        plain = replace(snapshot.settings.of(component), early=False, both_laws=False)
        none = np.zeros(0, int)
        lives = PartLives(component, "", data, none, none.astype(bool), none, ())
        pool = _fitted(lives, snapshot.lifetimes.shop.targets.miles, plain)
        snapshot.pools[component] = None if pool.fit.model is None else pool
    return snapshot.pools[component]


def _pooled(snapshot: Snapshot, component: str, own: PartSnapshot) -> PartSnapshot:
    """The part with its component's fit, brought to the part's own level: its hazard is a gamma multiple of the component's,
    mean 1 and worth POOLED_WORTH failures beforehand, given the part's failures against those the component's fit expects."""
    from scipy.stats import gamma

    pool = pool_of(snapshot, component)
    if pool is None:
        return own
    data = own.lives.data
    begun, days = from_entry(data)
    came = POOLED_WORTH + float(data.weight[data.failed].sum())

    def weighed(draws: bool) -> np.ndarray:
        chance = chance_of(pool, ANY_LEVEL, begun, np.arange(len(days)), days, draws)
        return POOLED_WORTH - np.log1p(-np.minimum(chance, 1 - 1e-12)) @ data.weight

    model, top = pool.fit.fitted()
    level = model.layout.gamma.start
    # an order of its own for every part: their levels are open one by one
    order = np.random.default_rng([SEED, zlib.crc32(f"{component} {own.lives.part}".encode())]).permutation(DRAWS)
    at = (order + 0.5) / DRAWS
    theta, best = pool.theta.copy(), top.theta.copy()
    theta[:, level] -= np.log(gamma.ppf(at, came) / weighed(True))
    best[:, level] -= np.log(came / weighed(False)[0])
    fit = replace(pool.fit, top=replace(top, theta=best))
    return replace(own, fit=fit, theta=theta, pooled=True)


def stand_in(snapshot: Snapshot, component: str, part: str) -> PartSnapshot | None:
    """The component's part as it stood in the ``snapshot``; one not yet seen stands as its component, its level open."""
    if (component, part) in snapshot.parts or all(c != component for c, _ in snapshot.parts):
        return snapshot.parts.get((component, part))
    pool = pool_of(snapshot, component)
    if pool is None:
        return None
    nothing = pool.lives.data.take(np.zeros(len(pool.lives.data.lower), bool))
    return _pooled(
        snapshot, component, PartSnapshot(replace(pool.lives, part=part, data=nothing), pool.fit, pool.theta)
    )


def door_settings(settings: RatingSettings, records: Records) -> RatingSettings:
    """How the fits of the quarter are made, from the ``settings`` of the ratings: of reported failures, so that the share unreported plays no part;
    driving that changes with age only where trucks read before and after show it in the ``records``, and as they do. Trucks read once say
    little of it, and what is held of it beforehand alone would foretell less."""
    read = records.odometer
    since = records.builds["in_service_on"].to_numpy()[read["unit"].to_numpy(int)]
    days = (read["day"].to_numpy() - since) / np.timedelta64(1, "D")
    change = change_with_age(read["unit"].to_numpy(), days, read["miles"].to_numpy(float), CHANGE_DAYS)
    if not settings.decline or change is None:
        return replace(settings, share=1.0, decline=False)
    return replace(settings, share=1.0, priors=replace(settings.priors, decline=change))


def days_to_door(returns: pd.DataFrame, as_of: pd.Timestamp) -> float:
    """Mean days from a failure to its return among ``returns`` with damage known by ``as_of``; 0 for one without a day of the failure, which counts from its
    return. Short waits are on record sooner: allowed for."""
    own = returns[(returns["cause"] != "no fault") & ~returns["at_teardown"]]
    known = own["failed_on"].notna() & own["returned_on"].notna()
    if not known.any():
        return 0.0
    wait = (own["returned_on"] - own["failed_on"]).dt.days[known].clip(lower=0)
    sight = (as_of - own["failed_on"]).dt.days[known]
    return float(known.mean() * mean_right_truncated(wait.to_numpy(float), sight.to_numpy(float)))


def not_yet_in(table: pd.DataFrame, wait: float) -> pd.DataFrame:
    """The table with the last ``wait`` days of running lives taken off, for what broke in them is not yet in; not before the last odometer
    reading. waited: the days taken off (n,)."""
    lower = table["lower_days"].to_numpy(float)
    least = np.fmax(np.fmax(table["entry_days"].to_numpy(float), table["miles_days"].to_numpy(float)), 0.5)
    cut = np.where(table["followed"], np.maximum(lower - wait, np.minimum(least, lower)), lower)
    return table.assign(lower_days=cut, waited=lower - cut)


def snapshot_at(folder: str | Path | Shop | AsTyped, day: pd.Timestamp) -> Snapshot:
    """The shop in ``folder`` as its records stood on ``day``."""
    return snapshot_of(load_records(folder, day.date().isoformat()))


def fill_unknown(table: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """The table with unknown powers and weights taken at the median of the use, else of the fleet; and how many rows.

    Counting needs every unit: leaving out those without a weight, which are mostly those that never came back, would
    make each part look worse than it is. Each vehicle counts once in the medians.
    """
    out, missing = table.copy(), np.zeros(len(table), bool)
    once = one_row_a_truck(table)
    for column, default in (("power_hp", 600.0), ("weight_lb", 7000.0)):
        gap = ~(table[column] > 0)
        by_use = once[once[column] > 0].groupby("use")[column].median()
        overall = float(once.loc[once[column] > 0, column].median()) if (once[column] > 0).any() else default
        out[column] = table[column].where(~gap, table["use"].map(by_use).fillna(overall).astype(float))
        missing |= gap.to_numpy()
    return out, int(missing.sum())


def marked(table: pd.DataFrame, looked_at: Collection[str]) -> pd.DataFrame:
    """The ``table`` of lifetimes by what brings a truck in, with the columns month (put in), failure, stopped (a failure that brought the truck in: of the
    components ``looked_at`` for other damage not what was found so) and install, and the builder of what left with the truck."""
    # of what left with the truck; a part can be the first at its place and put in later
    first = (table["spell"] == 1) & (table["fitted_on"] == table["unit_from"])
    put_in = table["begun_on"].where(first, table["fitted_on"])
    stops = still_driving(table, looked_at)
    return stops.assign(
        month=put_in.dt.to_period("M").astype(str),
        builder=table["builder"].where(first, ""),  # who mended a unit later is not on record
        failure=counts_as_failure(table),
        stopped=counts_as_failure(stops),
        install=failed_by_install(table),
    )


def found_opened(table: pd.DataFrame, since: pd.Timestamp) -> list[tuple[str, int]]:
    """Parts, and how many of each were found damaged after ``since`` while their unit was open for something else. table: of a snapshot."""
    own = table[table["failure"] & ~table["stopped"] & (table["ended_on"] > since)]
    return [*own.groupby("part")["count"].sum().astype(int).items()]


def equal_draws(fit: PartFit, seed: int) -> np.ndarray:
    """Draws (DRAWS, p) of equal weight from those of the ``fit`` (systematic resampling, ``seed``), in an order of
    their own so that parts can be paired."""
    if fit.model is None:
        return np.zeros((0, 0))
    rng = np.random.default_rng(seed)
    edges = (np.arange(DRAWS) + rng.random()) / DRAWS
    at = np.minimum(np.searchsorted(np.cumsum(fit.weight), edges), len(fit.weight) - 1)
    return fit.theta[rng.permutation(at)]


def common_level(draws: int, came: float = 0.0, expected: float = 0.0, near: float = 1.0) -> np.ndarray:
    """Levels (draws,) common to all parts, given how many ``came`` for so many ``expected`` in quarters foretold before: gamma, as wide as LEVEL_WORTH
    failures and those leave it, about a mean that is 1 as far as RECORD_WORTH failures hold it there. near: share of the span ahead of which the
    quarters before speak."""
    from scipy.stats import gamma

    at = (np.random.default_rng([SEED, 2]).permutation(draws) + 0.5) / draws
    mean, shape = 1 + near * (came - expected) / (RECORD_WORTH + expected), LEVEL_WORTH + came
    return gamma.ppf(at, shape, scale=mean / shape)


# ---- chances from a fit --------------------------------------------------------------------------------------------
def carried(model: JointModel, data: LifeData) -> JointModel:
    """The ``model`` asked about other lives (``data``): their covariates centred as its own were. A use it has not seen
    counts as its most common one."""
    own = list(model.data.use_names)
    common = int(np.argmax(np.bincount(model.data.use, model.data.weight, minlength=len(own))))
    code = np.array([own.index(u) if u in own else common for u in data.use_names])
    use = code[data.use] if len(data.use) else data.use
    x = np.ones((len(data.lower), len(model.columns)))
    for j, name in enumerate(model.columns[1:]):
        if name == "log power":
            value = data.log_power
        elif name == "log weight":
            value = data.log_weight
        else:
            value = (use == own.index(name[4:])).astype(float)
        x[:, j + 1] = value - model.centre[j]
    data = replace(data, use=use, use_names=tuple(own))
    return replace(model, data=data, x=x)


def from_entry(data: LifeData) -> tuple[LifeData, np.ndarray]:
    """Every life of ``data`` as it stood when it came under observation, and the days (n,) it has been followed since.

    The odometer of a life that failed is known because it failed, so it is not used; that of a running one is.
    """
    failed = data.failed
    end = np.where(failed, data.days.upper, data.days.lower)
    begun = replace(
        data,
        entry=np.zeros(len(end)),
        lower=np.full(len(end), np.nan),
        upper=np.full(len(end), np.inf),
        days=replace(data.days, lower=np.maximum(data.days.entry, NOTHING), upper=np.full(len(end), np.inf)),
        known_alive=np.zeros(len(end), bool),
        reading=Reading(
            miles=np.where(failed, np.nan, data.reading.miles),
            days=np.where(failed, np.nan, data.reading.days),
            counts=data.reading.counts & ~failed,
        ),
    )
    return begun, np.maximum(end - np.maximum(data.days.entry, NOTHING), NOTHING)


def chance_of(
    part: PartSnapshot | None,
    past: tuple[float, float],
    data: LifeData,
    which: np.ndarray,
    days: float | np.ndarray,
    draws: bool = True,
) -> np.ndarray:
    """Chance (DRAWS, m) that the lives ``which`` (m,) of ``data`` fail within ``days`` (one, or (m,)) and are reported,
    by the fit of the ``part``; (1, m), of the best estimate, where not ``draws``.

    Without a fit, its own or its component's: a hazard that grows with age as AGEING says, from ``past``.
    """
    size = DRAWS if draws else 1
    if not len(which):
        return np.zeros((size, 0))
    if part is None or part.fit.model is None:
        from scipy.stats import gamma

        failures, run = past
        at = (np.random.default_rng(SEED).permutation(size) + 0.5) / size if draws else None
        rate = (gamma.ppf(at, failures) if draws else np.array([failures])) / run
        age = np.nan_to_num(data.days.lower[which])
        return -np.expm1(-rate[:, None] * ((age + days) ** AGEING - age**AGEING))
    theta = part.theta if draws else part.fit.fitted()[1].theta
    told, _ = chances(carried(part.fit.model, data), theta, which, days, None)
    if part.fit.early.fired:
        told = with_early(part.fit, data, which, told, days, None)
    return told


def past_of(snapshot: Snapshot, component: str, part: str) -> tuple[float, float]:
    """Failures in the ``snapshot`` of a part, and the days ** AGEING its lives have run through, with POOLED_WORTH
    failures added at the rate of its component; of the whole shop, where the component never failed (half a failure in
    all of it, where nothing ever did)."""
    table = snapshot.table
    of_component = (table["component"] == component).to_numpy()
    own = of_component & (table["part"] == part).to_numpy()
    end = table["upper_days"].where(table["ended"] == "failed", table["lower_days"]).to_numpy(float)
    begun, count = table["entry_days"].to_numpy(float), table["count"].to_numpy()
    run_through = np.nan_to_num(np.maximum(end, begun) ** AGEING - begun**AGEING)
    failed = table["stopped"].to_numpy(bool)

    def told(rows: np.ndarray) -> tuple[float, float]:
        return float(count[rows & failed].sum()), float(run_through[rows] @ count[rows].astype(float))

    failures, run = told(own)
    all_failures, all_run = told(of_component)
    if not all_failures:
        all_failures, all_run = told(np.ones(len(table), bool))
    rate = max(all_failures, 0.5) / max(all_run, 1.0)
    return failures + POOLED_WORTH, run + POOLED_WORTH / rate


def pooled_lives(snapshot: Snapshot, component: str, parts: tuple[str, ...]) -> tuple[LifeData, np.ndarray]:
    """Lives in the ``snapshot`` of several parts of a component as if they were one, and which part each row has (codes
    into ``parts``)."""
    own = snapshot.table[(snapshot.table["component"] == component) & snapshot.table["part"].isin(parts)]
    # in an order of its own: rounding may turn an axis of the draws about, and the answer would hang on the order of the rows
    own = own.sort_values(["serial", "part", "spell", "segment"], kind="stable")
    own = own.assign(_code=own["part"].map({p: i for i, p in enumerate(parts)}).astype(float))
    data, _ = from_lifetimes(own, component, None, snapshot.as_of, extra=("_code",))
    code = data.extra[:, 0].astype(int)
    return replace(data, extra=np.zeros((len(code), 0)), extra_names=()), code


def recorded(part: str) -> bool:
    """Whether the ``part`` is written down."""
    return part != NOT_RECORDED
