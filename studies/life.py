"""A fitted life read in every way that others print: quantiles and reliabilities with profile and Wald limits, a known shape, and both
life distributions. The review reads the shape of a Weibull alone."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, ndtri

from analytics.errors import AnalyticsError, NotEnoughData
from analytics.models import weibull
from analytics.models.nonparametric import (
    Floats,
    check_column,
    check_count,
    check_entry,
    check_failed,
    number,
    two_sided_z,
)
from analytics.models.weibull import _standard_survival

Method = Literal["profile", "wald"]


def _standard_quantile(p: float, distribution: str) -> float:
    return math.log(-math.log1p(-p)) if distribution == "weibull" else float(ndtri(p))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its limits. NaN, with a note, where a limit does not exist.

    level: two-sided. extrapolated: the number rests on ages past the largest in the records.
    """

    quantity: str
    at: float
    value: float
    lower: float
    upper: float
    level: float
    method: str
    extrapolated: bool
    notes: tuple[str, ...]


def _missing(low: float, high: float, quantity: str) -> list[str]:
    """What to say of limits that are not there; low and high ends as the quantity was profiled."""
    none = {
        "quantile": ("no lower limit above zero", "no finite upper limit"),
        "reliability": ("no upper limit below 1", "no lower limit above 0"),
        "beta": ("no upper limit of the shape", "no lower limit of the shape above 0"),
    }[quantity]
    notes = [f"{words}: too few failures" for words, end in zip(none, (low, high), strict=True) if math.isinf(end)]
    return notes + ["a limit was not found: the records leave the fit too free; see method='wald'"] * (
        math.isnan(low) or math.isnan(high)
    )


class LifeFit(weibull.LifeFit):
    """The fit of `analytics.models.weibull` with what the review does not ask of it."""

    __slots__ = ()

    @property
    def largest_time(self) -> float:
        """Age of the oldest unit; beyond it numbers are extrapolated."""
        return float(np.where(np.isfinite(self.sample.upper), self.sample.upper, self.sample.lower).max())

    @property
    def aic(self) -> float:
        """Akaike's criterion; compare fits to the same units only."""
        return 4 - 2 * self.log_likelihood

    def _extrapolated(self, t: float) -> tuple[bool, list[str]]:
        past = t > self.largest_time
        return past, [f"past the largest age in the records, {number(self.largest_time)}"] if past else []

    def _through(self, log_t: float, z: float) -> Callable[[float], tuple[Floats, Floats, Floats]]:
        """The line of all fits that put log time log_t at standard quantile z, by log sigma."""

        def path(u: float) -> tuple[Floats, Floats, Floats]:
            bend = -math.exp(u) * z
            return np.array([log_t + bend, u]), np.array([bend, 1.0]), np.array([bend, 0.0])

        return path

    def _limits(
        self,
        estimate: float,
        std_err: float,
        level: float,
        method: str,
        profile: Callable[[], tuple[float, float]],
    ) -> tuple[float, float]:
        z = two_sided_z(level)
        if method == "wald":
            return estimate - z * std_err, estimate + z * std_err
        if method == "profile":
            return profile()
        raise AnalyticsError(f"method is {method!r}: give 'profile' or 'wald'.")

    def quantile(self, p: float, level: float = 0.95, method: Method = "profile") -> Estimate:
        """Age by which a share p has failed (p = 0.1: B10), with limits made on its logarithm.

        "profile": likelihood ratio, to be trusted with few failures; "wald": exp(log estimate -/+ z s.e.).
        """
        if not 0 < p < 1:
            raise AnalyticsError(f"p is {p!r}: give the share failed, between 0 and 1.")
        q = _standard_quantile(p, self.distribution)
        log_t = self.mu + self.sigma * q
        g = np.array([1.0, self.sigma * q])
        std_err = math.sqrt(float(g @ self.covariance @ g))
        low, high = self._limits(
            log_t,
            std_err,
            level,
            method,
            lambda: self._profile(log_t, std_err, level, lambda x: self._through(x, q), math.log(self.sigma)),
        )
        past, notes = self._extrapolated(math.exp(log_t))
        notes += _missing(low, high, "quantile")
        lower, upper = (math.exp(v) if math.isfinite(v) else math.nan for v in (low, high))
        return Estimate("quantile", p, math.exp(log_t), lower, upper, level, method, past, tuple(notes))

    def reliability(self, t: float, level: float = 0.95, method: Method = "profile") -> Estimate:
        """Share surviving to age t, with limits made on z = (log t - mu)/sigma: they stay in 0 to 1."""
        if not (math.isfinite(t) and t > 0):
            raise AnalyticsError(f"t is {t!r}: give an age above 0.")
        z = (math.log(t) - self.mu) / self.sigma
        g = np.array([-1 / self.sigma, -z])
        std_err = math.sqrt(float(g @ self.covariance @ g))
        low, high = self._limits(
            z,
            std_err,
            level,
            method,
            lambda: self._profile(z, std_err, level, lambda x: self._through(math.log(t), x), math.log(self.sigma)),
        )
        past, notes = self._extrapolated(t)
        notes += _missing(low, high, "reliability")
        value, upper, lower = (float(_standard_survival(v, self.distribution)) for v in (z, low, high))
        return Estimate("reliability", t, value, lower, upper, level, method, past, tuple(notes))

    def shape_by(self, level: float = 0.95, method: Method = "profile") -> Estimate:
        """The Weibull shape beta with limits made on its logarithm. Raises for a log-normal."""
        value, log_sigma, std_err = self.beta, math.log(self.sigma), math.sqrt(self.covariance[1, 1])
        ends = self._limits(log_sigma, std_err, level, method, lambda: self.log_sigma_limits(level))
        low, high = (math.exp(v) if math.isfinite(v) else math.nan for v in ends)
        return Estimate(
            "beta", math.nan, value, 1 / high, 1 / low, level, method, False, tuple(_missing(*ends, "beta"))
        )

    def scale(self, level: float = 0.95, method: Method = "profile") -> Estimate:
        """exp(mu) with limits made on its logarithm: the Weibull eta, or the log-normal median."""
        p = 1 - math.exp(-1) if self.distribution == "weibull" else 0.5
        e = self.quantile(p, level, method)
        return Estimate("eta", math.nan, self.eta, e.lower, e.upper, level, method, e.extrapolated, e.notes)


def whole(fit: weibull.LifeFit) -> LifeFit:
    """The fit, to be read in every way."""
    told: dict[str, Any] = {f.name: getattr(fit, f.name) for f in fields(fit)}
    return LifeFit(**told)


def fit_life(
    lower: ArrayLike,
    upper: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    distribution: Literal["weibull", "lognormal"] = "weibull",
    min_failures: int = weibull.MIN_FAILURES,
) -> LifeFit:
    """`analytics.models.weibull.fit_life`, to be read in every way."""
    return whole(weibull.fit_life(lower, upper, entry, count, distribution, min_failures))


@dataclass(frozen=True, slots=True)
class Weibayes:
    """A Weibull life whose shape is assumed known. eta is NaN where nothing failed; eta_lower always exists.

    confidence: one-sided. exposure: sum over units of time^beta - entry^beta.
    """

    beta: float
    eta: float
    eta_lower: float
    confidence: float
    failures: int
    units: int
    exposure: float
    largest_time: float
    notes: tuple[str, ...]

    def quantile(self, p: float) -> Estimate:
        """Age by which a share p has failed, with its one-sided lower bound (level is that confidence)."""
        if not 0 < p < 1:
            raise AnalyticsError(f"p is {p!r}: give the share failed, between 0 and 1.")
        factor = (-math.log1p(-p)) ** (1 / self.beta)
        value = self.eta * factor
        past = (self.eta_lower * factor if math.isnan(value) else value) > self.largest_time
        return Estimate(
            "quantile",
            p,
            value,
            self.eta_lower * factor,
            math.nan,
            self.confidence,
            "one-sided",
            past,
            self.notes,
        )

    def reliability(self, t: float) -> Estimate:
        """Share surviving to age t, with its one-sided lower bound (level is that confidence)."""
        if not (math.isfinite(t) and t > 0):
            raise AnalyticsError(f"t is {t!r}: give an age above 0.")
        value = math.exp(-((t / self.eta) ** self.beta)) if self.failures else math.nan
        lower = math.exp(-((t / self.eta_lower) ** self.beta))
        past = t > self.largest_time
        return Estimate("reliability", t, value, lower, math.nan, self.confidence, "one-sided", past, self.notes)


def weibayes(
    time: ArrayLike,
    failed: ArrayLike,
    beta: float,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Weibayes:
    """Weibull scale for an assumed shape: eta = (sum t^beta / r)^(1/beta), lower bound by chi-square on 2r +
    2.

    time, failed, entry, count as for `kaplan_meier`. With no failure only the bound is given. The shape is an
    assumption: show the answer over a range of shapes. Exact for records ended by time (Nelson 1985).
    """
    if not (math.isfinite(beta) and beta > 0):
        raise AnalyticsError(f"beta is {beta!r}: give the assumed Weibull shape, above 0.")
    if not 0 < confidence < 1:
        raise AnalyticsError(f"confidence is {confidence!r}: give a number between 0 and 1, such as 0.95.")
    times = check_column("time", time)
    fails: NDArray[np.bool_] = check_failed(failed, len(times))
    entries = check_entry(entry, times, fails)
    counts = check_count(count, len(times))
    # Scaled by the largest age, so that no power overflows.
    top = float(times[counts > 0].max()) if (counts > 0).any() else 0.0
    share = float((counts * ((times / top) ** beta - (entries / top) ** beta)).sum()) if top > 0 else 0.0
    if share <= 0:
        raise NotEnoughData("no unit has run: there is nothing to bound a life by.")
    r = int(counts[fails].sum())
    eta = top * (share / r) ** (1 / beta) if r else math.nan
    eta_lower = top * (2 * share / float(chdtri(2 * r + 2, 1 - confidence))) ** (1 / beta)
    units = int(counts.sum())
    notes = () if r else (f"none of {units:,} failed: a lower bound only",)
    return Weibayes(float(beta), eta, eta_lower, confidence, r, units, share * top**beta, top, notes)
