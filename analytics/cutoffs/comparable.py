"""Are two parts comparable: do they live in trucks of the same power, weight and use? Compared only where they do.

Parts are given by power, so the stronger one lives in stronger trucks: confounding by indication. Within the powers that both
have, each life is weighted by the chance of having got the other part (overlap weights: Li, Morgan and Zaslavsky, J. Am. Stat.
Assoc. 113 (2018) 390-400), and, by regression, power, weight and use are allowed for.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from analytics.cutoffs.cost import habit_cut
from analytics.cutoffs.fits import PartsData, parts_data
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.reasons import Overlap, Reason, Refused, reason

NAN = float("nan")
RANK = 5  # the band starts at the fifth lowest power of each part and ends at the fifth highest
FEWEST_LIVES = 10
FEWEST_FAILURES = 5


# ---- Cox regression ------------------------------------------------------------------------------------------------
def cox_fit(
    frame: pd.DataFrame,
    columns: Sequence[str],
    strata: Sequence[str] = (),
    weights: str | None = None,
    cluster: str | None = None,
):
    """Cox regression with late entry (Efron's ties), by lifelines. frame: time, failed, entry, the columns, strata, weights, and
    with ``cluster`` (a column) standard errors that take rows of one unit for one. Returns lifelines' fitter. Raises NotEnoughData where it does not converge."""
    from lifelines import CoxPHFitter
    from lifelines.exceptions import ConvergenceError, ConvergenceWarning

    used = ["time", "failed", "entry", *columns, *strata, *(c for c in (weights, cluster) if c)]
    with warnings.catch_warnings():
        warnings.simplefilter("error", ConvergenceWarning)
        warnings.simplefilter("ignore", FutureWarning)
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        try:
            return CoxPHFitter().fit(
                frame[used],
                "time",
                "failed",
                entry_col="entry" if (frame["entry"] > 0).any() else None,
                strata=list(strata) or None,
                weights_col=weights,
                cluster_col=cluster,
                robust=bool(weights or cluster),
                formula=" + ".join(f"`{c}`" if not c.isidentifier() else c for c in columns),
            )
        except (ConvergenceError, ConvergenceWarning, np.linalg.LinAlgError, ZeroDivisionError) as error:
            _runs_off(columns, error)


def _runs_off(columns: Sequence[str], error: Exception | None = None) -> NoReturn:
    raise NotEnoughData(f"the regression on {', '.join(columns)} did not converge") from error


# ---- who gets which part ---------------------------------------------------------------------------------------------
def chance_of_part(x: np.ndarray, got: np.ndarray, weight: np.ndarray, ridge: float = 0.1) -> np.ndarray:
    """Fitted chance (n,) of having got the second part: logistic regression on x (n, q), standardised, with a slight ridge
    penalty so that a clean split cannot run off. got: (n,) bool; weight: (n,) units."""
    mean = np.average(x, axis=0, weights=weight)
    sd = np.sqrt(np.average((x - mean) ** 2, axis=0, weights=weight))
    z = np.column_stack([np.ones(len(x)), (x - mean) / np.where(sd > 0, sd, 1.0)])
    b = np.zeros(z.shape[1])
    hold = np.diag([0.0] + [ridge] * (z.shape[1] - 1))
    for _ in range(100):
        p = expit(z @ b)
        gradient = z.T @ (weight * (got - p)) - hold @ b
        step = np.linalg.solve(z.T @ (z * (weight * np.maximum(p * (1 - p), 1e-9))[:, None]) + hold, gradient)
        b += np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-9:
            break
    return expit(z @ b)


@dataclass(frozen=True, slots=True)
class HazardRatio:
    """Hazard of the second part over the first, each end of its interval at ``confidence``; refused: why there is none."""

    confidence: float
    ratio: float = NAN
    lower: float = NAN
    upper: float = NAN
    refused: Reason | None = None


@dataclass(frozen=True, slots=True)
class SharedPowers:
    """Powers that both parts have (NaN: none): lives and failures of each there; effective: units' worth of each left by the weights."""

    low_hp: float
    high_hp: float
    lives: tuple[float, ...]
    failures: tuple[float, ...]
    effective: tuple[float, ...] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, repr=False)
class Comparable:
    """Whether two parts can be compared, and where. refused: why not, None where they can.

    spread: one row per quantity ("power_hp", "weight_lb", "share" of a ``use``) and part: low, middle and high (5th, 50th, 95th
    percentile), a share as middle alone. crude: hazard ratio of all lives with nothing allowed for; weighted and regressed: within the
    band. boundary_hp: the power that best divides the parts.
    """

    component: str
    parts: tuple[str, str]
    refused: Reason | None
    band: SharedPowers
    spread: pd.DataFrame
    crude: HazardRatio
    weighted: HazardRatio
    regressed: HazardRatio
    boundary_hp: float
    data: PartsData

    @property
    def ok(self) -> bool:
        return self.refused is None

    def __repr__(self) -> str:
        where = f"{self.band.low_hp:g} to {self.band.high_hp:g} hp" if np.isfinite(self.band.low_hp) else "nowhere"
        return f"Comparable({self.component} {' / '.join(self.parts)}: {'yes' if self.ok else 'no'}, {where})"


def _rank_power(power: np.ndarray, weight: np.ndarray, highest: bool) -> float:
    """The RANK-th lowest (or highest) power, counting identical units; the extreme one where there are fewer."""
    order = np.argsort(-power if highest else power, kind="stable")
    at = int(np.searchsorted(np.cumsum(weight[order]), RANK - 1e-9))
    return float(power[order][min(at, len(order) - 1)])


def band_of(parts: PartsData) -> tuple[float, float]:
    """Powers that both of the first two parts have: from the higher of their fifth lowest to the lower of their fifth highest."""
    p, w = parts.power_hp, parts.data.weight
    low = max(_rank_power(p[parts.at == k], w[parts.at == k], False) for k in (0, 1))
    high = min(_rank_power(p[parts.at == k], w[parts.at == k], True) for k in (0, 1))
    return (low, high) if low <= high else (NAN, NAN)


def _frame(parts: PartsData) -> pd.DataFrame:
    """Lives on the clock of days, for Cox."""
    d = parts.data
    frame = pd.DataFrame(
        {
            "time": np.where(d.failed, d.days.upper, d.days.lower),
            "failed": d.failed.astype(float),
            "entry": d.days.entry,
            "part": (parts.at == 1).astype(float),
            "log_power": d.log_power,
            "log_weight": d.log_weight,
            "use": np.array(d.use_names, dtype=object)[d.use],
            "unit": d.unit,
            "count": d.weight,
        }
    )
    return frame[(frame["time"] > frame["entry"]) & np.isfinite(frame["time"])]


#: log of a ratio that no record tells: where failures hardly overlap, the regression ends far out instead of nowhere
_OFF = 10.0


def _ratio(
    frame: pd.DataFrame,
    confidence: float,
    columns: Sequence[str] = (),
    strata: Sequence[str] = (),
    weights: str = "count",
) -> HazardRatio:
    """By a Cox regression on the part and ``columns`` of the frame."""
    if frame.loc[frame["failed"] > 0, "part"].nunique() < 2:
        return HazardRatio(confidence, refused=reason(Overlap.ONE_NEVER_FAILED))
    z = float(ndtri(confidence))
    try:
        fit = cox_fit(frame, ["part", *columns], strata, weights, "unit")
        b, se = float(fit.params_["part"]), float(fit.standard_errors_["part"])
        if not abs(b) + z * se < _OFF:
            _runs_off(["part", *columns])
    except NotEnoughData as error:
        return HazardRatio(confidence, refused=reason(Refused.BECAUSE, why=str(error)))
    ratio, lower, upper = (float(np.exp(v)) for v in (b, b - z * se, b + z * se))
    return HazardRatio(confidence, ratio, lower, upper)


def _spread(parts: PartsData) -> pd.DataFrame:
    d, rows = parts.data, []
    # a truck counts once at each load it ran at, however often its part was replaced or it was out of sight
    _, first = np.unique(
        np.column_stack([d.unit, parts.at, d.log_power, d.log_weight, d.use]), axis=0, return_index=True
    )
    once = np.isin(np.arange(len(d.unit)), first)
    for k, name in enumerate(parts.parts[:2]):
        own = once & (parts.at == k)
        weights = () if np.ptp(d.log_weight) == 0 else (("weight_lb", np.exp(d.log_weight)),)
        for what, values in (("power_hp", parts.power_hp), *weights):
            three = np.quantile(np.repeat(values[own], d.weight[own].astype(int)), [0.05, 0.5, 0.95])
            rows.append((what, "", name, *three))
        for u, use in enumerate(d.use_names):
            share = float(d.weight[own & (d.use == u)].sum() / d.weight[own].sum())
            rows.append(("share", use, name, NAN, share, NAN))
    return pd.DataFrame(rows, columns=["quantity", "use", "part", "low", "middle", "high"])


def _too_little(parts: PartsData, band: SharedPowers) -> Reason | None:
    """Why the records do not let the parts be compared, before their trucks are weighed."""
    first, second = parts.parts[:2]
    span = {"low_hp": band.low_hp, "high_hp": band.high_hp}
    if np.isnan(band.low_hp):
        highest, lowest = (float(f(parts.power_hp[parts.at == k])) for f, k in ((np.max, 0), (np.min, 1)))
        if highest < lowest:
            return reason(Overlap.NO_COMMON_POWER, first=first, second=second, highest_hp=highest, lowest_hp=lowest)
        return reason(Overlap.FEW_SHARE_POWER, first=first, second=second, least=RANK)
    if min(band.lives) < FEWEST_LIVES:
        return reason(Overlap.FEW_LIVES, first=first, second=second, lives=band.lives, **span)
    if sum(band.failures) < FEWEST_FAILURES:
        return reason(Overlap.FEW_FAILURES, failures=sum(band.failures), **span)
    return None


def _overlap_weights(shared: PartsData) -> np.ndarray:
    """(n,): the chance of having got the other part, for a life of either."""
    d, second = shared.data, shared.at == 1
    uses = [(d.use == u).astype(float) for u in range(1, len(d.use_names))]
    chance = chance_of_part(np.column_stack([d.log_power, d.log_power**2, d.log_weight, *uses]), second, d.weight)
    return np.where(second, 1 - chance, chance)


def compare_lives(parts: PartsData, confidence: float = 0.9) -> Comparable:
    """Overlap and adjusted comparison of the first two parts of ``parts``, each end of an interval at ``confidence``."""
    low, high = band_of(parts)
    shared = parts.take((parts.power_hp >= low) & (parts.power_hp <= high))
    band = SharedPowers(low, high, shared.lives()[:2], shared.failures()[:2])
    refused = _too_little(parts, band)
    weights = np.zeros(0)
    if min(band.lives) > 0:
        weights, w = _overlap_weights(shared), shared.data.weight
        sums = [((w * weights)[m].sum() ** 2, (w * weights**2)[m].sum()) for m in (shared.at == 0, shared.at == 1)]
        band = replace(band, effective=tuple(float(a / b) for a, b in sums))
        if refused is None and min(band.effective) < FEWEST_LIVES:
            refused = reason(Overlap.UNLIKE_TRUCKS, effective=min(band.effective))
    weighted = regressed = HazardRatio(confidence, refused=refused)
    if refused is None:
        frame = _frame(shared)
        frame["pull"] = frame["count"] * weights[frame.index]
        weighted = _ratio(frame, confidence, strata=("use",), weights="pull")
        varied = tuple(c for c in ("log_power", "log_weight") if np.ptp(frame[c]) > 1e-6)
        regressed = _ratio(frame, confidence, varied, ("use",))
    return Comparable(
        component=parts.component,
        parts=(parts.parts[0], parts.parts[1]),
        refused=refused,
        band=band,
        spread=_spread(parts),
        crude=_ratio(_frame(parts), confidence),
        weighted=weighted,
        regressed=regressed,
        boundary_hp=habit_cut(parts.power_hp, parts.data.weight, parts.at == 1),
        data=parts,
    )


def comparable(lifetimes: Lifetimes, component: str, a: str, b: str, confidence: float = 0.9) -> Comparable:
    """Whether parts a and b of a component can be compared, by the shop's lifetimes; confidence: of each end of an interval. Raises AnalyticsError where one is not on record."""
    if a == b:
        raise AnalyticsError(f"{a} against itself: name two parts")
    return compare_lives(parts_data(lifetimes, component, (a, b)), confidence)
