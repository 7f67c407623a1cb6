"""Part against part: how many times as long does one live, and what power could it carry for the same life?

The ratio of lives is one coefficient of a common lifetime distribution over power, weight and use, its interval from the profile
likelihood. Better, equivalent, not worse by more than a margin fixed beforehand: by where the interval lies. Each end of it is as
sure as the confidence says, as a rating is, so each claim is wrong at most that seldom. The ratio of powers for the same life is
profiled by itself, since it hangs on how fast life falls with power as well, which is no better known.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.cutoffs.comparable import Comparable, SharedPowers, comparable
from analytics.cutoffs.fits import OPEN, PartsData, PartsFit, fit_parts, prepare
from analytics.cutoffs.trial import failures_to_decide
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.joint import fit_joint
from analytics.reasons import Reason, Refused, reason

NAN = float("nan")
MARGIN = 0.8
_GRID = np.arange(-3.0, 5.01, 0.2)


class RatioVerdict(Enum):
    BETTER = auto()
    WORSE = auto()
    EQUIVALENT = auto()
    NOT_WORSE = auto()  # by more than the margin
    UNDECIDED = auto()
    NOT_COMPARABLE = auto()


SETTLED = frozenset({RatioVerdict.BETTER, RatioVerdict.WORSE, RatioVerdict.EQUIVALENT})


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio with its limits: 0 or inf where nothing limits it, NaN where there is none."""

    estimate: float = NAN
    lower: float = NAN
    upper: float = NAN

    @classmethod
    def of_logs(cls, logs: tuple[float, float, float]) -> Ratio:
        """From the logs of estimate and limits."""
        return cls(*(float(np.exp(v)) for v in logs))


@dataclass(frozen=True, slots=True, repr=False)
class Against:
    """New against old, within the powers that both have (band). refused: why they are not compared. life: of the new over that of the old, each end
    of its interval at ``confidence``; power: carried for the same life, likewise. margin: a life of less than this share of the old one counts as
    worse. shape: of the lifetime distribution. failures_needed: of both together, at which the ratio seen would be told from 1 (or, seen as 1, a
    loss to the margin ruled out)."""

    component: str
    old: str
    new: str
    verdict: RatioVerdict
    refused: Reason | None
    confidence: float
    margin: float
    band: SharedPowers
    life: Ratio = Ratio()
    power: Ratio = Ratio()
    shape: float = NAN
    failures_needed: float = NAN

    @property
    def open(self) -> bool:
        """More failures could tell more."""
        return self.verdict in (RatioVerdict.UNDECIDED, RatioVerdict.NOT_WORSE)

    @property
    def undone_by(self) -> float:
        """A difference between drivers that nobody wrote down, as a ratio of lives in the trucks of the two parts whatever the part, that would leave
        nothing of the verdict: the nearer end of the interval; NaN where there is no difference to undo. After the bias that explains away of
        VanderWeele and Ding, Ann. Intern. Med. 167 (2017) 268-274 (from memory), with the driver tied to the part as tightly as can be."""
        if self.verdict is RatioVerdict.BETTER:
            return self.life.lower
        return 1 / self.life.upper if self.verdict is RatioVerdict.WORSE else NAN

    def __repr__(self) -> str:
        life = self.life
        return (
            f"Against({self.component} {self.new} / {self.old}: {self.verdict.name}; life x {life.estimate:g} "
            f"({life.lower:g} to {life.upper:g}))"
        )


def _grid_about(centre: float, scale: float) -> np.ndarray:
    """_GRID times ``scale``, four times as fine within a step of ``centre``, since the top of the likelihood is found among those points."""
    step, coarse = 0.2 * scale, _GRID * scale
    fine = centre + step * np.arange(-4, 5) / 4
    return np.sort(np.concatenate([coarse[np.abs(coarse - centre) > 1.2 * step], fine]))


def life_ratio_profile(parts: PartsData, life_miles: float) -> tuple[PartsFit, pd.DataFrame]:
    """Log-likelihood over the log ratio of lives of the second part to the first: log_ratio, drop, exponent. The other terms
    keep their usual weak priors; the ratio has none (profile likelihood: Meeker and Escobar 1998, ch. 8, from memory).

    parts: lives of two parts; life_miles: a unit of scale. Returns the fit and the profile, a row per ratio tried. Raises NotEnoughData where
    there is nothing to fit or too few of the fits converge."""
    fit = fit_parts(parts, life_miles)
    name = f"part {parts.parts[1]}"
    base = prepare(parts, life_miles, {name: OPEN})
    if name not in base.columns:
        raise NotEnoughData(f"all lives compared are of one part, {parts.parts[0]} or {parts.parts[1]}")
    base = replace(base, nodes=fit.model.nodes)
    at = base.columns.index(name)
    rows = []
    centre = float(np.clip(fit.log_ratio(), _GRID[0], _GRID[-1]))
    grid, start = _grid_about(centre, 1.0), fit.theta
    # outward from the estimate, each fit begun at its neighbour's
    for side in (grid[centre <= grid], grid[centre > grid][::-1]):
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
        raise NotEnoughData(f"the fit of {parts.parts[0]} and {parts.parts[1]} did not converge")
    profile = pd.DataFrame(sorted(rows), columns=["log_ratio", "loglik", "exponent"])
    profile["drop"] = profile["loglik"].max() - profile["loglik"]
    return fit, profile.drop(columns="loglik")


def power_ratio_profile(fit: PartsFit) -> pd.DataFrame:
    """Log-likelihood over the log ratio of powers at which the second part lives as long as the first: log_ratio, drop.

    At a ratio q the second part in a truck of power p lives as the first does at p/q. So every q is one fit without a term for the
    part, the powers of the second part's trucks divided by q; shape, exponent and all else are fitted anew, with their usual weak
    priors. Raises NotEnoughData where too few of these fits converge.
    """
    parts, life_miles = fit.parts, fit.model.life_miles
    data, second = parts.data, parts.at == 1
    # the span of the ratio of lives, at the exponent fitted
    centre = float(np.clip(fit.log_ratio(), _GRID[0], _GRID[-1])) / -fit.exponent
    grid, rows = _grid_about(centre, 1 / -fit.exponent), []
    for side in (grid[centre <= grid], grid[centre > grid][::-1]):
        theta = None
        for v in side:
            moved = replace(
                data, log_power=np.where(second, data.log_power - v, data.log_power), extra=data.extra[:, 1:],
                extra_names=data.extra_names[1:],
            )  # fmt: skip
            model = replace(prepare(replace(parts, data=moved), life_miles), nodes=fit.model.nodes)
            model, top = fit_joint(model, theta)
            if top.converged[0]:
                theta = top.theta[0]
                rows.append((float(v), float(top.value[0])))
    if len(rows) < 10:
        raise NotEnoughData(f"the lifetime distribution of {parts.parts[0]} and {parts.parts[1]} did not converge")
    profile = pd.DataFrame(sorted(rows), columns=["log_ratio", "loglik"])
    return profile.assign(drop=profile["loglik"].max() - profile["loglik"]).drop(columns="loglik")


def limits_of(profile: pd.DataFrame, confidence: float) -> tuple[float, float, float]:
    """Estimate and limits of the log ratio of a ``profile`` (log_ratio, drop), each one-sided at ``confidence``; infinite where the likelihood never drops that far on a side."""
    x, drop = profile["log_ratio"].to_numpy(), profile["drop"].to_numpy()
    k = int(drop.argmin())
    if 0 < k < len(x) - 1:
        # top of the parabola through the three best points
        a, b, c = np.polyfit(x[k - 1 : k + 2] - x[k], -drop[k - 1 : k + 2], 2)
        best, peak = x[k] - b / (2 * a), c - b * b / (4 * a)
    else:
        best, peak = (np.inf if k else -np.inf), -drop[k]
    # signed, since it is about straight in x on both sides of the best and through it, however coarse the grid
    root = np.sign(x - best) * np.sqrt(np.maximum(2 * (drop + peak), 0))
    goal = float(ndtri(confidence))

    def side(order) -> float:
        far = np.sign(order[-1] - order[0])
        for i, j in itertools.pairwise(order):
            if far * root[j] >= goal:
                return float(x[i] + (far * goal - root[i]) / (root[j] - root[i]) * (x[j] - x[i]))
        return far * np.inf

    lower = side(list(range(k, -1, -1))) if k > 0 else -np.inf
    upper = side(list(range(k, len(x)))) if k < len(x) - 1 else np.inf
    return float(best), float(lower), float(upper)


def judge_ratio(lower: float, upper: float, margin: float) -> RatioVerdict:
    """The verdict on a ratio of lives by its interval from ``lower`` to ``upper``; ``margin``: the least ratio that counts as no worse."""
    if lower > 1:
        return RatioVerdict.BETTER
    if upper < 1:
        return RatioVerdict.WORSE
    if lower > margin:
        return RatioVerdict.EQUIVALENT if upper < 1 / margin else RatioVerdict.NOT_WORSE
    return RatioVerdict.UNDECIDED


def compare_parts(
    lifetimes: Lifetimes,
    component: str,
    old: str,
    new: str,
    margin: float = MARGIN,
    confidence: float | None = None,
    found: Comparable | None = None,
) -> Against:
    """Part ``new`` against ``old`` of a component, within the powers that both have. Parts that share none come back NOT_COMPARABLE with the
    reason. lifetimes: of the shop; margin: the least share of the old life that counts as no worse; confidence: the shop's own by default; found: whether they can be
    compared, where that is known already. Raises AnalyticsError on a margin outside 0 to 1 and on parts not on record."""
    if not 0 < margin < 1:
        raise AnalyticsError(
            f"margin {margin:g}: give the least share of the old life that still counts as no worse, such as 0.8"
        )
    confidence = lifetimes.shop.targets.confidence if confidence is None else confidence
    found = comparable(lifetimes, component, old, new, confidence) if found is None else found
    return compare_found(found, lifetimes.shop.targets.miles, margin, confidence)


def compare_found(found: Comparable, life_miles: float, margin: float, confidence: float) -> Against:
    """The two parts of ``found`` against each other (see compare_parts for margin and confidence). life_miles: a unit of scale."""
    old, new = found.parts
    named: dict[str, Any] = {
        "component": found.component,
        "old": old,
        "new": new,
        "confidence": confidence,
        "margin": margin,
    }
    band, refused = found.band, found.refused
    if refused is None:
        power = found.data.power_hp
        inside = found.data.take((power >= band.low_hp) & (power <= band.high_hp))
        try:
            fit, profile = life_ratio_profile(inside, life_miles)
            power_ratio = Ratio.of_logs(limits_of(power_ratio_profile(fit), confidence))
        except NotEnoughData as error:
            refused = reason(Refused.BECAUSE, why=str(error))
    if refused is not None:
        return Against(verdict=RatioVerdict.NOT_COMPARABLE, refused=refused, band=band, **named)
    logs = limits_of(profile, confidence)
    best = logs[0]
    life = Ratio.of_logs(logs)
    share = band.lives[1] / sum(band.lives)
    seen = best if np.isfinite(best) and abs(best) > abs(np.log(margin)) else np.log(margin)
    # one-sided, as the verdict is
    needed = failures_to_decide(
        float(np.exp(-fit.shape * seen)), error=1 - confidence, share=min(max(share, 0.05), 0.95)
    )
    return Against(
        verdict=judge_ratio(life.lower, life.upper, margin),
        refused=None,
        band=band,
        life=life,
        power=power_ratio,
        shape=fit.shape,
        failures_needed=needed,
        **named,
    )
