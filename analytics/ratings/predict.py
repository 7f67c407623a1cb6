"""How many come back next: each running life's chance, and the total with an interval.

A unit that runs now fails in the days ahead with chance (S(t) - S(t + ahead)) / S(t), averaged over its unknown miles and
over what the records leave open about the fit. The total is Poisson-binomial given the fit. The plug-in interval, which
takes the fit for the truth, is too narrow at any size (Tian, Meng and Meeker, arXiv 2007.08648), so the fit is drawn from
its posterior. For the within-sample prediction itself: Escobar and Meeker, Technometrics 41 (1999) 113-124.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import binom

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.failures import COUNTED_CAUSES
from analytics.models.distributions import averaged, log_survival, survival_of
from analytics.models.joint import JointModel
from analytics.models.lifedata import NOTHING, LifeData, before_reading, from_lifetimes, seen_alive, split_days
from analytics.models.mileage import DrivingFit
from analytics.models.newton import Optimum
from analytics.models.posterior import posterior_draws
from analytics.ratings.demonstration import SHAPES, exposures
from analytics.ratings.early import EarlyCheck, early_check
from analytics.ratings.fits import fit_distributions
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Lives, Reason, Unfitted, brief, reason

NAN = float("nan")


def rows_to_predict(data: LifeData, watched: np.ndarray | None) -> np.ndarray:
    """Positions of the running lives in ``data`` that a prediction is made for; watched: (n,) bool of the lives still
    followed."""
    running = ~data.failed & ~data.known_alive
    return np.flatnonzero(running if watched is None else running & np.asarray(watched, bool))


# ---- the lives of one part, with the way back to the table --------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class PartLives:
    """Lives of one part and where they stand in the table of lifetimes.

    data: (n,) rows. rows: (n,) positions in the table. watched: (n,) running and still followed at the cut-off (not
    sold, lost or scrapped). left_out: positions of watched rows that have no power, weight or age, so are in no fit.
    """

    component: str
    part: str
    data: LifeData
    rows: np.ndarray
    watched: np.ndarray
    left_out: np.ndarray
    notes: tuple[Reason, ...]

    def __repr__(self) -> str:
        return f"PartLives({self.component} {self.part}: {self.data!r}, {int(self.watched.sum())} watched)"


def lives_of(
    table: pd.DataFrame,
    component: str,
    part: str | None,
    as_of: pd.Timestamp,
    causes: tuple[str, ...] = COUNTED_CAUSES,
    extra: tuple[str, ...] = (),
    strength: str = "power_hp",
    soon: float = 100.0,
) -> PartLives:
    """Lives of one part (None: of all of the component) from the table of lifetimes, as they stood on the day
    ``as_of``. ``causes``: of failures that count. ``strength``: the column that stands for power. ``extra``: the shop's
    own columns to take along, standardised over these lives, unknown ones at the average. ``soon``: a failure at 0
    miles was one within so many. Raises AnalyticsError where there are none."""
    own = ((table["component"] == component) & ((table["part"] == part) | (part is None))).to_numpy()
    at = table[own].assign(_at=np.flatnonzero(own).astype(float))
    data, notes = from_lifetimes(
        at, component, part, as_of, causes, strength, ("_at", *(f"extra_{name}" for name in extra)), soon=soon
    )
    rows = data.extra[:, 0].astype(int)
    columns, more = _standardised(data.extra[:, 1:], data.weight, extra)
    data = replace(data, extra=columns, extra_names=extra)
    notes = (*notes, *more)
    followed = table["followed"].to_numpy()
    left_out = np.setdiff1d(np.flatnonzero(followed & own), rows)
    return PartLives(component, part or "", data, rows, followed[rows], left_out, notes)


def _standardised(values: np.ndarray, weight: np.ndarray, names: tuple[str, ...]) -> tuple[np.ndarray, list[Reason]]:
    """Columns in standard deviations from their mean, and what was unknown."""
    out, notes = np.zeros(values.shape), []
    for j, name in enumerate(names):
        known = np.isfinite(values[:, j])
        if not known.any():
            notes.append(reason(Lives.EXTRA_UNKNOWN, column=name))
            continue
        if not known.all():
            notes.append(reason(Lives.EXTRA_PARTLY_UNKNOWN, column=name, share=weight[~known].sum() / weight.sum()))
        mean = np.average(values[known, j], weights=weight[known])
        spread = np.sqrt(np.average((values[known, j] - mean) ** 2, weights=weight[known]))
        if spread > 1e-9 * max(abs(mean), 1.0):
            out[known, j] = (values[known, j] - mean) / spread
    return out, notes


# ---- each unit's chance --------------------------------------------------------------------------------------------
class _Ahead:
    """Running lives ``which`` (n,) at draws of theta (B, p), and what lies ahead of them: days (n,) or miles.

    A method for each way in which a life is known takes positions m in ``which`` and gives the chance (B, m) of failing.
    """

    def __init__(
        self,
        model: JointModel,
        theta: np.ndarray,
        which: np.ndarray,
        days: float | np.ndarray | None,
        miles: float | None,
    ):
        lay = model.layout
        self.model, self.data, self.which, self.theta = model, model.data, which, theta
        self.beta = np.exp(theta[:, :1])
        at_d, at_l = lay.place("decline"), lay.place("share")
        fixed = np.full((len(theta), 1), np.exp(lay.fixed_decline))
        self.later = np.exp(theta[:, at_d, None]) if at_d is not None else fixed
        known_share = np.full((len(theta), 1), lay.fixed_share)
        self.share = 1 / (1 + np.exp(-theta[:, at_l, None])) if at_l is not None else known_share
        self.eta = theta[:, lay.gamma] @ model.x[which].T
        self.lower = self.data.lower[which]
        self.by_days, self.miles = days is not None, miles or 0.0
        self.span = np.broadcast_to(np.asarray(0.0 if days is None else days, float), len(which))

    def exposure(self, i: np.ndarray, length: np.ndarray) -> np.ndarray:
        """Days (B, m) weighted by driving, of rows i (m,) over ``length`` (m,) days from new."""
        before, after = split_days(self.data.days.start[i], length, self.model.change_days)
        return np.maximum(before + self.later * after, NOTHING)

    def survive(self, miles: np.ndarray, m: np.ndarray) -> np.ndarray:
        """log survival (B, m) to ``miles``."""
        z = self.beta * np.log(miles / self.model.life_miles) - self.eta[:, m]
        return log_survival(z, self.model.distribution)[0]

    def per_day(self, i: np.ndarray) -> np.ndarray:
        """Miles (B, m) a day at first, from the last reading."""
        before, after = split_days(np.zeros(len(i)), self.data.reading.days[i], self.model.change_days)
        return self.data.reading.miles[i] / np.maximum(before + self.later * after, NOTHING)

    def mean_rate(self, i: np.ndarray) -> np.ndarray:
        """Mean log miles (B, m) a day of each one's use."""
        lay = self.model.layout
        return self.theta[:, lay.mu][:, self.data.use[i] if lay.uses > 1 else np.zeros(len(i), int)]

    def without_rate(self, m: np.ndarray) -> np.ndarray:
        """Known miles, but no reading to drive on from: over the rates of the use."""
        i, (s, weight), beta = self.which[m], self.model.nodes, self.beta
        mu = self.mean_rate(i)
        so_far = np.nan_to_num(self.data.days.lower[i])
        gained = np.maximum(self.exposure(i, so_far + self.span[m]) - self.exposure(i, so_far), NOTHING)
        ahead = gained[..., None] * np.exp(
            mu[..., None] + np.exp(self.theta[:, self.model.layout.tau])[:, None, None] * s
        )
        run = np.maximum(self.lower[m], NOTHING)
        now = self.survive(run, m)
        z = beta[..., None] * np.log((run[:, None] + ahead) / self.model.life_miles) - self.eta[:, m, None]
        return 1 - (np.exp(np.minimum(log_survival(z, self.model.distribution)[0] - now[..., None], 0.0)) @ weight)

    def with_miles(self, m: np.ndarray, read: bool) -> np.ndarray:
        """Known miles, driven on at the unit's own rate where that was ``read``, else at its average so far."""
        i, data = self.which[m], self.data
        ahead = np.full((len(self.theta), len(m)), self.miles)
        if self.by_days:
            so_far = np.where(
                np.isfinite(data.days.lower[i]), data.days.lower[i], data.reading.days[i] - data.days.start[i]
            )
            per_day = self.per_day(i) if read else self.lower[m] / self.exposure(i, so_far)
            ahead = per_day * np.maximum(self.exposure(i, so_far + self.span[m]) - self.exposure(i, so_far), 0.0)
        now = self.survive(np.maximum(self.lower[m], NOTHING), m)
        then = self.survive(np.maximum(self.lower[m] + ahead, NOTHING), m)
        return -np.expm1(np.minimum(then - now, 0.0))

    def with_rate(self, m: np.ndarray) -> np.ndarray:
        """Unknown miles of a known rate."""
        i, data = self.which[m], self.data
        per_day = self.per_day(i)
        at = per_day * self.exposure(i, data.days.lower[i])
        end = per_day * self.exposure(i, data.days.lower[i] + self.span[m]) if self.by_days else at + self.miles
        seen = seen_alive(data.reading.days[i] - data.days.start[i], data.days.entry[i], data.days.lower[i])
        now, then, last = (self.survive(q, m) for q in (at, end, per_day * self.exposure(i, seen)))
        # running when read; since then it runs, or failed and nobody said so
        q = np.maximum(
            np.exp(np.minimum(now - last, 0.0)), 1e-300
        )  # 0 would tell nothing where every failure is reported
        return -np.expm1(np.minimum(then - now, 0.0)) * q / (1 - self.share + self.share * q)

    def unread(self, m: np.ndarray) -> np.ndarray:
        """Neither miles nor rate known: over the rates of the use, given that nobody read it. In slabs that fit the memory."""
        s, _ = self.model.nodes
        step = max(1, 400_000 // max(1, len(self.theta) * len(s)))
        keep = self._not_read()
        return np.concatenate([self._unread(m[k : k + step], keep) for k in range(0, len(m), step)], axis=1)

    def _not_read(self) -> np.ndarray:
        """Chance (B, 1, J) of never having been read, at each rate."""
        s, lay, theta = self.model.nodes[0], self.model.layout, self.theta
        at_a, at_c = lay.place("level"), lay.place("slope")
        if at_a is None:
            return np.ones((len(theta), 1, len(s)))
        c = theta[:, at_c, None] if at_c is not None else 0.0
        return ndtr(-(theta[:, at_a, None] + c * s))[:, None, :]

    def _unread(self, m: np.ndarray, keep: np.ndarray) -> np.ndarray:
        i, data, model, (s, weight) = self.which[m], self.data, self.model, self.model.nodes
        tau = np.exp(self.theta[:, model.layout.tau])
        mu, eta = self.mean_rate(i), self.eta[:, m]
        every = np.broadcast_to(weight, keep.shape)
        f = before_reading(data)[i]

        def log_miles(length: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
            return mu[:, rows] + np.log(self.exposure(i[rows], length) / model.life_miles)

        def average(length: np.ndarray, *weights: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
            u = self.beta * log_miles(length, rows) - eta[:, rows]
            return averaged(u, self.beta[:, 0] * tau, s, [np.concatenate(weights, axis=1)], model.distribution)[0]

        now, alive = np.swapaxes(average(data.days.lower[i], keep * weight, every), 0, 1)
        if self.by_days:
            then = average(data.days.lower[i] + self.span[m], keep * weight)[:, 0]
        else:
            y = log_miles(data.days.lower[i])[..., None] + tau[:, None, None] * s
            y = np.logaddexp(y, np.log(self.miles / model.life_miles))
            survival = survival_of(self.beta[..., None] * y - eta[..., None], model.distribution)
            then = (survival * (keep * weight)).sum(-1)
        kept0, base = np.repeat(keep @ weight, len(i), axis=1), np.ones_like(now)
        late = data.days.entry[i] > 0
        if late.any():
            entry = np.maximum(data.days.entry[i][late], NOTHING)
            kept0[:, late], base[:, late] = np.swapaxes(average(entry, keep * weight, every, rows=late), 0, 1)
        silent = (1 - f) * (kept0 - now) + f * (base - alive)
        total = now + (1 - self.share) * np.maximum(silent, 0.0)
        return np.maximum(now - then, 0.0) / np.maximum(total, 1e-300)


def chances(
    model: JointModel, theta: np.ndarray, which: np.ndarray, days: float | np.ndarray | None, miles: float | None
) -> tuple[np.ndarray, np.ndarray]:
    """Chance (B, n) that a running life fails within ``days`` (or ``miles``) and is reported, and that it fails at all.

    theta: (B, p) free. which: (n,) rows of the model's data. days: one figure, or (n,) of each life's own; exactly one of days
    and miles is None. A silent life may have failed already without a word; the
    chance is that of one not yet reported, as the likelihood has it. Raises AnalyticsError where a life known in miles
    alone is asked for days.
    """
    ahead, data = _Ahead(model, np.atleast_2d(theta), which, days, miles), model.data
    known, rate = np.isfinite(ahead.lower), data.has_rate[which]
    # known miles, but no reading to drive on from: the rates of the use, else its own average
    spread = known & ~rate & ahead.by_days & bool(model.layout.uses)
    timeless = known & ~rate & ~spread & ~(data.days.lower[which] > 0)
    if ahead.by_days and timeless.any():
        raise AnalyticsError(
            f"{int(timeless.sum())} running lives are known in miles alone, the first in row "
            f"{which[timeless][0]}: ask for the failures in the next miles instead of days"
        )
    fails = np.empty((len(ahead.theta), len(which)))
    for mask, chance in (
        (spread, ahead.without_rate),
        (known & rate, partial(ahead.with_miles, read=True)),
        (known & ~rate & ~spread, partial(ahead.with_miles, read=False)),
        (~known & rate, ahead.with_rate),
        (~known & ~rate, ahead.unread),
    ):
        m = np.flatnonzero(mask)
        if len(m):
            fails[:, m] = chance(m)
    return ahead.share * fails, fails


def count_chances(chance: np.ndarray, count: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Distribution (K,) of the number that fail: Poisson-binomial over units, mixed over draws.

    chance: (B, n). count: (n,) identical units. weight: (B,) summing to 1. The last entry holds K - 1 or more.
    """
    chance = np.repeat(chance, np.round(count).astype(int), axis=1)
    mean = np.sort(chance.sum(1))[::-1]
    order = np.argsort(-chance.sum(1))
    # the heaviest thousandth of the draws may spill into the last entry
    top = mean[min(int(np.searchsorted(np.cumsum(weight[order]), 1e-3)), len(mean) - 1)]
    size = int(min(chance.shape[1], np.ceil(top + 7 * np.sqrt(top) + 10))) + 1
    return weight @ _counted(chance, size)


def _counted(chance: np.ndarray, size: int) -> np.ndarray:
    """Distributions (B, size) of the number of successes of chances (B, n); the last entry holds size - 1 or more."""
    # draws stand next to each other: each step is then one long run of memory
    pmf, up = np.zeros((size, len(chance))), np.empty((size, len(chance)))
    pmf[0] = 1.0
    comes = np.ascontiguousarray(chance.T)
    for k, (p, stays) in enumerate(zip(comes, 1 - comes, strict=True)):
        n = min(k + 1, size)
        np.multiply(pmf[:n], p, out=up[:n])
        pmf[:n] *= stays
        pmf[1 : n + 1] += up[: min(n, size - 1)]
        if n == size:
            pmf[-1] += up[-1]
    return np.ascontiguousarray(pmf.T)


def interval_of(pmf: np.ndarray, level: float) -> tuple[int, int]:
    """Narrowest equal-tailed whole numbers with at most (1 - level)/2 of ``pmf`` below and above; pmf: (k,) chances of
    0 to k - 1."""
    tail = (1 - level) / 2
    below = np.cumsum(pmf)
    lower = int(np.searchsorted(below, tail, side="right"))
    upper = int(np.searchsorted(below, 1 - tail - 1e-12, side="left"))
    return min(lower, len(pmf) - 1), min(upper, len(pmf) - 1)


# ---- fit, and what it is called ------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class PartFit:
    """The likelier of the two distributions with draws from its posterior. ahead: by how much its log-likelihood leads, NaN where
    only one was fitted. model None: nothing could be fitted; reason: why. early: the early-failure test."""

    model: JointModel | None
    top: Optimum | None
    theta: np.ndarray
    weight: np.ndarray
    ahead: float
    early: EarlyCheck
    reason: Reason | None

    def fitted(self) -> tuple[JointModel, Optimum]:
        """Model and fit; raises NotEnoughData with the reason where nothing could be fitted."""
        if self.model is None or self.top is None:
            raise NotEnoughData("no fit: no failure on record, or no fit that converged")
        return self.model, self.top

    @property
    def why_not(self) -> Reason:
        """Why nothing could be fitted, where nothing was."""
        assert self.reason is not None
        return self.reason

    @property
    def distribution(self) -> str:
        return "" if self.model is None else self.model.distribution

    @property
    def effective_draws(self) -> float:
        return 0.0 if self.model is None else float(1 / (self.weight**2).sum())

    @property
    def share(self) -> float:
        """Mean reporting share."""
        if self.model is None:
            return NAN
        at = self.model.layout.place("share")
        return (
            self.model.layout.fixed_share if at is None else float(self.weight @ (1 / (1 + np.exp(-self.theta[:, at]))))
        )


def fit_lives(data: LifeData, life_miles: float, settings: RatingSettings, draws: int, seed: int) -> PartFit:
    """Fit ``data`` under the settings of the rating: the lifetime distribution with the higher likelihood, and draws from it
    (``seed``). life_miles: the target life. No failure, or no fit that converged, comes back without a model and with
    the reason."""
    early, rated = early_check(data, life_miles, settings)
    none = np.zeros((0, 0)), np.zeros(0)
    if data.failures == 0:
        return PartFit(None, None, *none, NAN, early, reason(Unfitted.NO_FAILURE))
    fits = [f for f in fit_distributions(rated, life_miles, settings) if f[1].converged[0]]
    if not fits:
        return PartFit(None, None, *none, NAN, early, reason(Unfitted.NOT_CONVERGED))
    fits.sort(key=lambda f: -float(f[1].value[0]))
    ahead = float(fits[0][1].value[0] - fits[1][1].value[0]) if len(fits) > 1 else NAN
    theta, weight = posterior_draws(*fits[0], draws, seed)
    return PartFit(*fits[0], theta, weight, ahead, early, None)


# ---- the prediction ------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class Prediction:
    """Reported failures among the units now running, within ``days`` or ``miles`` (the other is NaN).

    expected with its prediction interval [lower, upper] at ``level``; NaN where ``fit`` is None or says why. expected_all
    counts those nobody reports too. units: running; lives, failures: on record, of units with the part. rows: (n,) rows of
    the data predicted; chance: (n,) that each fails and is reported. shape: the Weibull shape that gave the upper limit
    where nothing has failed yet, else NaN. silent: some failures may go unreported.
    """

    days: float
    miles: float
    expected: float
    lower: float
    upper: float
    level: float
    expected_all: float
    units: float
    lives: float
    failures: float
    shape: float
    silent: bool
    rows: np.ndarray
    chance: np.ndarray
    fit: PartFit | None

    def __repr__(self) -> str:
        return brief(self, "days", "miles", "expected", "lower", "upper", "level", "units")

    @property
    def distribution(self) -> str:
        return "" if self.fit is None else self.fit.distribution

    @property
    def reporting_share(self) -> float:
        return NAN if self.fit is None else self.fit.share

    @property
    def effective_draws(self) -> float:
        return 0.0 if self.fit is None else self.fit.effective_draws


def predict_failures(
    data: LifeData,
    fit: PartFit,
    settings: RatingSettings,
    days: float | None = None,
    miles: float | None = None,
    watched: np.ndarray | None = None,
    level: float = 0.9,
) -> Prediction:
    """Failures of the running lives in the next ``days`` (at each unit's own driving), or in the next ``miles`` each.

    fit: by `fit_lives` from the same data and settings. watched: (n,) bool, the running lives still followed; all running ones by
    default. level: of the prediction interval. Units not yet built, and parts put in after a failure, are not counted. Raises
    AnalyticsError on a span or level that makes no sense.
    """
    if (days is None) == (miles is None) or not ((days or miles or 0) > 0):
        raise AnalyticsError(f"days {days}, miles {miles}: give one of them, above 0")
    if not 0 < level < 1:
        raise AnalyticsError(f"level {level}: give a number between 0 and 1")
    which = rows_to_predict(data, watched)
    count = data.weight[which]
    nothing = Prediction(
        days=NAN if days is None else float(days),
        miles=NAN if miles is None else float(miles),
        expected=NAN,
        lower=NAN,
        upper=NAN,
        level=level,
        expected_all=NAN,
        units=float(count.sum()),
        lives=data.units,
        failures=data.failures,
        shape=NAN,
        silent=settings.share is None or settings.share < 1,
        rows=which,
        chance=np.full(len(which), NAN),
        fit=fit,
    )
    if not len(which):
        return replace(nothing, expected=0.0, lower=0.0, upper=0.0, expected_all=0.0, fit=None)
    if data.failures == 0:
        upper, shape = _upper_without_failure(data, which, days, miles, settings, level)
        return replace(nothing, lower=0.0, upper=upper, shape=shape, fit=None)
    if fit.model is None:
        return nothing
    told, any_ = chances(fit.model, fit.theta, which, days, miles)
    if fit.early.fired:
        told, any_ = (with_early(fit, data, which, p, days, miles) for p in (told, any_))
    chance = fit.weight @ told
    lower, upper = interval_of(count_chances(told, count, fit.weight), level)
    return replace(
        nothing,
        expected=float(chance @ count),
        lower=float(lower),
        upper=float(upper),
        expected_all=float((fit.weight @ any_) @ count),
        chance=chance,
    )


def with_early(
    fit: PartFit,
    data: LifeData,
    which: np.ndarray,
    chance: np.ndarray,
    days: float | np.ndarray | None,
    miles: float | None,
) -> np.ndarray:
    """Adds to ``chance`` (B, n) the risk of an early failure that the ``fit`` found, even over the first miles, for the
    rows ``which`` (n,) of ``data`` still short of them, over the next ``days`` (one, or (n,)); None: over the next
    ``miles``."""
    new = (data.entry == 0) & (data.days.entry == 0)
    share = fit.early.seen / data.weight[new].sum()
    per_day = np.where(
        data.has_rate[which], data.reading.miles[which] / np.maximum(data.reading.days[which], NOTHING), NAN
    )
    if np.isnan(per_day).any():
        has = data.reading.counts & data.has_rate
        usual = np.exp(np.log(data.reading.miles[has] / data.reading.days[has]).mean()) if has.any() else 30.0
        per_day = np.where(np.isnan(per_day), usual, per_day)
    now = np.where(np.isfinite(data.lower[which]), data.lower[which], per_day * np.nan_to_num(data.days.lower[which]))
    then = now + (per_day * days if days is not None else miles or 0.0)
    part = (np.minimum(then, fit.early.miles) - np.minimum(now, fit.early.miles)) / fit.early.miles
    return 1 - (1 - chance) * (1 - share * part)


# ---- without a failure ---------------------------------------------------------------------------------------------
def age_lives(data: LifeData, which: np.ndarray, days: float, driving: DrivingFit | None) -> LifeData:
    """The data as they would stand ``days`` later had none of the rows ``which`` (m,) failed: known miles grow at the
    unit's own rate, else at its average so far, or its use's median by the fit of ``driving``; unknown ones by their
    days. A life known in miles alone stays as it is."""
    later = np.exp(driving.decline) if driving is not None else 1.0
    change = driving.change_days if driving is not None else 1e9

    def exposure(start, length):
        before, after = split_days(start, length, change)
        return np.maximum(before + later * after, NOTHING)

    m = np.zeros(len(data.lower), bool)
    m[which] = True
    moves = m & np.isfinite(data.days.lower)
    so_far = np.nan_to_num(data.days.lower)
    gained = exposure(data.days.start, so_far + days) - exposure(data.days.start, so_far)
    with np.errstate(invalid="ignore", divide="ignore"):
        own = data.reading.miles / exposure(np.zeros(len(m)), data.reading.days)
        average = data.lower / exposure(data.days.start, so_far)
    if driving is not None:
        # too short a look for an average of its own
        average = np.where(
            (data.lower > 0) & (so_far >= 30), average, np.exp(driving.mu)[np.minimum(data.use, len(driving.mu) - 1)]
        )
    rate = np.where(data.has_rate, own, average)
    grow = moves & np.isfinite(data.lower)
    lower = np.where(grow, data.lower + np.nan_to_num(rate) * gained, data.lower)
    on = replace(
        data.days,
        lower=np.where(moves, data.days.lower + days, data.days.lower),
        cutoff=np.where(moves, data.days.cutoff + days, data.days.cutoff),
    )
    return replace(data, lower=lower, days=on)


def _upper_without_failure(data, which, days, miles, s: RatingSettings, level: float) -> tuple[float, float]:
    """Upper prediction limit after no failure, and the shape that gave it: the coming failures are binomial given all of
    them, with the share of the exposure still to come (Nelson, Applied Life Data Analysis, Wiley 1982, ch. 6; from memory)."""
    driving = None
    if np.isnan(data.lower).any():
        driving = s.driving(data)
    if miles is not None:
        aged = data
        if np.isnan(data.lower[which]).any():
            raise AnalyticsError("miles are unknown in some rows and none has failed: ask for the next days instead")
        lower = data.lower.copy()
        lower[which] += miles
        aged = replace(data, lower=lower)
    else:
        aged = age_lives(data, which, days, driving)
    worst, at = 0.0, NAN
    for shape in SHAPES:
        past = data.weight * exposures(data, 50_000.0, 0.9, shape, driving)
        ahead = data.weight * exposures(aged, 50_000.0, 0.9, shape, driving) - past
        ratio = float(ahead.sum() / max(past.sum(), 1e-300))
        k = 0
        # no failure among k + 1 exchangeable ones, all of them still to come
        while binom.pmf(0, k + 1, 1 / (1 + ratio)) > 1 - level and k < data.weight[which].sum():
            k += 1
        if k >= worst:
            worst, at = float(k), shape
    return worst, at
