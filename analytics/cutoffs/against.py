"""Part against part: how many times as long does one live, and what power could it carry for the same life?

The ratio of lives is one coefficient of a common life law over power, weight and use, its interval from the profile
likelihood. Better, equivalent, not worse by more than a margin fixed beforehand: by where the interval lies. Each end of it is as
sure as the confidence says, as a rating is, so each claim is wrong at most that seldom.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.cutoffs.comparable import Comparable, comparable, failures_to_decide
from analytics.cutoffs.fits import OPEN, PartsData, PartsFit, fit_parts, prepare
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.joint import fit_joint

NAN = float("nan")
MARGIN = 0.8
VERDICTS = ("better", "worse", "equivalent", "not worse by more than the margin", "undecided", "not comparable")
_GRID = np.arange(-3.0, 5.01, 0.2)


@dataclass(frozen=True, slots=True, repr=False)
class Against:
    """New against old. life_*: life of the new over that of the old, each end of its interval at ``confidence``; rating_*: power
    carried for the same life, likewise; inf where nothing limits it. margin: a life of less than this share of the old one counts as
    worse. failures_needed: of both together, at which the ratio seen would be told from 1 (or, seen as 1, a loss to the margin
    ruled out); low_hp, high_hp: powers compared. profile: log ratio, drop of the log-likelihood."""

    component: str
    old: str
    new: str
    verdict: str
    reason: str
    confidence: float
    margin: float
    life_ratio: float
    life_lower: float
    life_upper: float
    rating_ratio: float
    rating_lower: float
    rating_upper: float
    lives: tuple[float, float]
    failures: tuple[float, float]
    low_hp: float
    high_hp: float
    shape: float
    exponent: float
    failures_needed: float
    profile: pd.DataFrame
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return (
            f"Against({self.component} {self.new} / {self.old}: {self.verdict}; life x {self.life_ratio:.2f} "
            f"({self.life_lower:.2f} to {self.life_upper:.2f}))"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        row = {k: getattr(self, k) for k in self.__slots__ if k not in ("profile", "words", "lives", "failures")}
        row |= {"lives_old": self.lives[0], "lives_new": self.lives[1]}
        row |= {"failures_old": self.failures[0], "failures_new": self.failures[1]}
        return pd.DataFrame([{**row, "words": " ".join(self.words)}])


def life_ratio_profile(parts: PartsData, life_miles: float) -> tuple[PartsFit, pd.DataFrame]:
    """Log-likelihood over the log ratio of lives of the second part to the first: log_ratio, drop, exponent. The other terms
    keep their usual weak priors; the ratio has none."""
    fit = fit_parts(parts, life_miles)
    name = f"part {parts.parts[1]}"
    base = prepare(parts, life_miles, {name: OPEN})
    if name not in base.columns:
        raise NotEnoughData(f"all lives compared are of one part, {parts.parts[0]} or {parts.parts[1]}")
    base = replace(base, nodes=fit.model.nodes)
    at = base.columns.index(name)
    rows = []
    centre = float(np.clip(fit.log_ratio(), _GRID[0], _GRID[-1]))
    start = fit.theta
    # outward from the estimate, each fit begun at its neighbour's
    for side in (_GRID[centre <= _GRID], _GRID[centre > _GRID][::-1]):
        theta = start.copy()
        for v in side:
            others = list(base.priors.others)
            others[at - 2] = (float(v), 1e-3)
            theta = theta.copy()
            theta[base.layout.gamma.start + at] = v * np.exp(theta[0])
            model, top = fit_joint(replace(base, priors=replace(base.priors, others=tuple(others))), theta)
            if not top.converged[0]:
                continue
            theta = top.theta[0]
            r = (theta[model.layout.gamma][at] / np.exp(theta[0]) - v) / 1e-3
            rows.append((v, float(top.value[0]) + 0.5 * r * r, float(theta[model.layout.gamma][1] / np.exp(theta[0]))))
    if len(rows) < 10:
        raise NotEnoughData(f"the life law of {parts.parts[0]} and {parts.parts[1]} did not converge")
    profile = pd.DataFrame(sorted(rows), columns=["log_ratio", "loglik", "exponent"])
    profile["drop"] = profile["loglik"].max() - profile["loglik"]
    return fit, profile.drop(columns="loglik")


def limits_of(profile: pd.DataFrame, confidence: float) -> tuple[float, float, float]:
    """Estimate and limits of the log ratio, each one-sided at ``confidence``; infinite where the likelihood never drops that far on a side."""
    x, drop = profile["log_ratio"].to_numpy(), profile["drop"].to_numpy()
    k = int(drop.argmin())
    if 0 < k < len(x) - 1:
        # top of the parabola through the three best points
        a, b, c = -drop[k - 1 : k + 2]
        shift = 0.5 * (a - c) / (a - 2 * b + c)
        best, peak = x[k] + shift * (x[k + 1] - x[k]), b - 0.25 * (a - c) * shift
    else:
        best, peak = (np.inf if k else -np.inf), -drop[k]
    limit = 0.5 * float(ndtri(confidence)) ** 2
    root = np.sqrt(np.maximum(2 * (drop + peak), 0))  # about straight in x, so interpolate it
    goal = np.sqrt(2 * limit)

    def side(order) -> float:
        for i, j in itertools.pairwise(order):
            if root[j] >= goal > root[i]:
                return float(x[i] + (goal - root[i]) / (root[j] - root[i]) * (x[j] - x[i]))
        return np.inf if order[-1] > order[0] else -np.inf

    lower = side(list(range(k, -1, -1))) if k > 0 else -np.inf
    upper = side(list(range(k, len(x)))) if k < len(x) - 1 else np.inf
    return float(best), float(lower), float(upper)


def judge_ratio(lower: float, upper: float, margin: float) -> str:
    """The verdict on a ratio of lives by its interval."""
    if lower > 1:
        return "better"
    if upper < 1:
        return "worse"
    if lower > margin and upper < 1 / margin:
        return "equivalent"
    if lower > margin:
        return "not worse by more than the margin"
    return "undecided"


def compare_parts(
    lifetimes: Lifetimes,
    component: str,
    old: str,
    new: str,
    margin: float = MARGIN,
    confidence: float | None = None,
    found: Comparable | None = None,
) -> Against:
    """New part against old, within the powers that both have. Parts that share none come back "not comparable" with the
    reason. confidence: the shop's own by default. Raises AnalyticsError on a margin outside 0 to 1 and on parts not on record."""
    if not 0 < margin < 1:
        raise AnalyticsError(
            f"margin {margin:g}: give the least share of the old life that still counts as no worse, such as 0.8"
        )
    confidence = lifetimes.shop.confidence if confidence is None else confidence
    found = comparable(lifetimes, component, old, new, confidence) if found is None else found
    if not found.ok:
        return _refused(found, margin, confidence, found.reason)
    power = found.data.power_hp
    band = found.data.take((power >= found.low_hp) & (power <= found.high_hp))
    try:
        fit, profile = life_ratio_profile(band, lifetimes.shop.target_miles)
    except NotEnoughData as error:
        return _refused(found, margin, confidence, str(error))
    best, lower, upper = limits_of(profile, confidence)

    def carry(log_ratio: float) -> float:
        """Log ratio of powers at the same life, at the exponent fitted with that ratio of lives."""
        return log_ratio / -float(np.interp(log_ratio, profile["log_ratio"], profile["exponent"]))

    verdict = judge_ratio(np.exp(lower), np.exp(upper), margin)
    share = found.band_lives[1] / sum(found.band_lives)
    seen = best if np.isfinite(best) and abs(best) > abs(np.log(margin)) else np.log(margin)
    # one-sided, as the verdict is
    needed = failures_to_decide(
        float(np.exp(-fit.shape * seen)), error=1 - confidence, share=min(max(share, 0.05), 0.95)
    )
    words = _words(found, verdict, best, lower, upper, carry, margin, confidence, needed)
    return Against(
        component, old, new, verdict, "", confidence, margin, *(float(np.exp(v)) for v in (best, lower, upper)),
        *(float(np.exp(carry(v))) for v in (best, lower, upper)), found.band_lives, found.band_failures, found.low_hp, found.high_hp,
        fit.shape, fit.exponent, needed, profile, words,
    )  # fmt: skip


def _refused(found: Comparable, margin: float, confidence: float, reason: str) -> Against:
    old, new = found.parts
    words = (f"{new} and {old} cannot be compared: {reason}.",)
    empty = pd.DataFrame({"log_ratio": [], "drop": [], "exponent": []})
    return Against(
        found.component, old, new, "not comparable", reason, confidence, margin, *[NAN] * 6, found.band_lives, found.band_failures,
        found.low_hp, found.high_hp, NAN, NAN, NAN, empty, words,
    )  # fmt: skip


def _range(lower: float, upper: float) -> str:
    if np.isinf(upper):
        return f"at least {lower:.2f}"
    return f"{lower:.2f} to {upper:.2f}" if lower > 0.005 else f"at most {upper:.2f}"


def _words(found: Comparable, verdict, best, lower, upper, carry, margin, confidence, needed) -> tuple[str, ...]:
    old, new = found.parts
    says = {
        "better": f"{new} lives longer than {old}",
        "worse": f"{new} lives less long than {old}",
        "equivalent": f"{new} and {old} live alike, within {margin:g} to {1 / margin:.2f} times",
        "not worse by more than the margin": f"{new} does not live less than {margin:g} times as long as {old}",
        "undecided": f"whether {new} lives longer or less long than {old} is undecided",
    }[verdict]
    estimate = (
        f"{np.exp(best):.2f} times as long"
        if np.isfinite(best)
        else "without a limit upward, none of it having failed,"
    )
    words = [
        f"Between {found.low_hp:,.0f} and {found.high_hp:,.0f} hp, where both occur, {says}: by the best estimate {estimate} "
        f"({_range(np.exp(lower), np.exp(upper))}, each end {confidence:.0%} sure), from {found.band_failures[0]:,.0f} failures of "
        f"{found.band_lives[0]:,.0f} {old} and {found.band_failures[1]:,.0f} of {found.band_lives[1]:,.0f} {new}."
    ]
    if np.isfinite(best):
        words.append(
            f"For the same life it carries {np.exp(carry(best)):.2f} times the power "
            f"({_range(np.exp(carry(lower)), np.exp(carry(upper)))})."
        )
    total = sum(found.band_failures)
    if verdict in ("undecided", "not worse by more than the margin"):
        words.append(
            f"About {needed:,.0f} failures of both together would decide it (four times in five), where {total:,.0f} are on record."
        )
    words.append(
        "Ages are allowed for, and power, weight and use; what else changed between the two (the years they were fitted in, fluid, "
        "tunes) is not."
    )
    return tuple(words)
