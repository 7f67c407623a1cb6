"""Are two parts comparable: do they live in trucks of the same power, weight and use? Compared only where they do.

Parts are given by power, so the stronger one lives in stronger trucks: confounding by indication. Within the powers that both
have, each life is weighted by the chance of having got the other part (overlap weights: Li, Morgan and Zaslavsky, J. Am. Stat.
Assoc. 113 (2018) 390-400), and, by regression, power, weight and use are allowed for.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from analytics.cutoffs.fits import PartsData, fails_within, fit_parts, parts_data
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.plan import plan_proof
from analytics.ratings.whatif import build_mix
from analytics.words.ratings.plan import plan_words

NAN = float("nan")
RANK = 5  # the band starts at the fifth lowest power of each part and ends at the fifth highest
FEWEST_LIVES = 10
FEWEST_FAILURES = 5


# ---- Cox regression ------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class HazardRatio:
    """Hazard of the second part over the first, each end of its interval at ``confidence``; failures of each; reason: why there
    is none."""

    ratio: float
    lower: float
    upper: float
    confidence: float
    failures: tuple[int, int]
    reason: str


def cox_fit(
    frame: pd.DataFrame,
    columns: Sequence[str],
    strata: Sequence[str] = (),
    weights: str | None = None,
    cluster: str | None = None,
):
    """Cox regression with late entry (Efron's ties), by lifelines. frame: time, failed, entry, the columns, strata, weights, and
    with ``cluster`` standard errors that take rows of one unit for one. Raises NotEnoughData where it does not converge."""
    from lifelines import CoxPHFitter
    from lifelines.exceptions import ConvergenceError, ConvergenceWarning

    used = [
        "time",
        "failed",
        "entry",
        *columns,
        *strata,
        *([weights] if weights else []),
        *([cluster] if cluster else []),
    ]
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


@dataclass(frozen=True, slots=True, repr=False)
class Comparable:
    """Whether two parts can be compared, and where. ok: they can; reason: why not, in words.

    low_hp, high_hp: powers that both have (NaN: none). lives, failures: of each part in all; band_lives, band_failures: within
    the band. effective: units' worth of each part left by the weights. spread: one row per quantity and part: low, middle and high
    (5th, 50th, 95th percentile), or the share of a use. chance: (n,) of having got the second part, got (n,), for the lives of the
    band. crude: hazard ratio of all lives with nothing allowed for; weighted and regressed: within the band. boundary_hp: the power
    that best divides the parts.
    """

    component: str
    parts: tuple[str, str]
    ok: bool
    reason: str
    low_hp: float
    high_hp: float
    lives: tuple[float, float]
    failures: tuple[float, float]
    band_lives: tuple[float, float]
    band_failures: tuple[float, float]
    effective: tuple[float, float]
    spread: pd.DataFrame
    chance: np.ndarray
    got: np.ndarray
    crude: HazardRatio
    weighted: HazardRatio
    regressed: HazardRatio
    boundary_hp: float
    data: PartsData

    def __repr__(self) -> str:
        where = f"{self.low_hp:,.0f} to {self.high_hp:,.0f} hp" if np.isfinite(self.low_hp) else "nowhere"
        return f"Comparable({self.component} {' / '.join(self.parts)}: {'yes' if self.ok else 'no'}, {where})"


def _rank_power(power: np.ndarray, weight: np.ndarray, highest: bool) -> float:
    """The RANK-th lowest (or highest) power, counting identical units; the extreme one where there are fewer."""
    order = np.argsort(-power if highest else power, kind="stable")
    at = np.searchsorted(np.cumsum(weight[order]), RANK - 1e-9)
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
    failed = d.failed
    time = np.where(failed, d.upper_days, d.lower_days)
    frame = pd.DataFrame(
        {
            "time": time,
            "failed": failed.astype(float),
            "entry": d.entry_days,
            "part": (parts.at == 1).astype(float),
            "log_power": d.log_power,
            "log_weight": d.log_weight,
            "use": np.array(d.use_names, dtype=object)[d.use],
            "unit": d.unit,
            "count": d.weight,
        }
    )
    return frame[(frame["time"] > frame["entry"]) & np.isfinite(frame["time"])]


def _ratio(
    frame: pd.DataFrame, columns: Sequence[str], strata: Sequence[str], weights: str, confidence: float
) -> HazardRatio:
    counts = tuple(int(frame.loc[(frame["part"] == k) & (frame["failed"] > 0), "count"].sum()) for k in (0.0, 1.0))
    if min(counts) == 0:
        return HazardRatio(NAN, NAN, NAN, confidence, counts, "one of the parts has no failure there")
    try:
        fit = cox_fit(frame, columns, strata, weights, "unit")
    except NotEnoughData as error:
        return HazardRatio(NAN, NAN, NAN, confidence, counts, str(error))
    b, se = float(fit.params_["part"]), float(fit.standard_errors_["part"])
    z = float(ndtri(confidence))
    return HazardRatio(*(float(np.exp(v)) for v in (b, b - z * se, b + z * se)), confidence, counts, "")


def _boundary(parts: PartsData) -> float:
    from analytics.cutoffs.cost import cost_by_cut

    d = parts.data
    second = (parts.at == 1).astype(float)
    cuts, wrong = cost_by_cut(parts.power_hp, d.weight, second, 1 - second)
    return float(cuts[wrong.argmin()])


def _spread(parts: PartsData) -> pd.DataFrame:
    d, rows = parts.data, []
    for k, name in enumerate(parts.parts[:2]):
        own = parts.at == k
        for what, values in (("power, hp", parts.power_hp), ("weight, lb", np.exp(d.log_weight))):
            rows.append(
                (what, name, *np.quantile(np.repeat(values[own], d.weight[own].astype(int)), [0.05, 0.5, 0.95]))
            )
        for u, use in enumerate(d.use_names):
            share = float(d.weight[own & (d.use == u)].sum() / d.weight[own].sum())
            rows.append((f"share in {use or 'a use not on record'}, %", name, NAN, 100 * share, NAN))
    return pd.DataFrame(rows, columns=["quantity", "part", "low", "middle", "high"])


def compare_lives(parts: PartsData, confidence: float = 0.9) -> Comparable:
    """Overlap and adjusted comparison of the first two parts of ``parts``."""
    low, high = band_of(parts)
    power = parts.power_hp
    inside = (power >= low) & (power <= high) if np.isfinite(low) else np.zeros(len(power), bool)
    band = parts.take(inside)
    lives, failures = parts.lives()[:2], parts.failures()[:2]
    band_lives = tuple(float(v) for v in band.lives()[:2]) if inside.any() else (0.0, 0.0)
    band_failures = tuple(float(v) for v in band.failures()[:2]) if inside.any() else (0.0, 0.0)
    a, b = parts.parts[:2]
    highest, lowest = (float(f(power[parts.at == k])) for f, k in ((np.max, 0), (np.min, 1)))
    crude = _ratio(_frame(parts), ["part"], (), "count", confidence)
    none = HazardRatio(NAN, NAN, NAN, confidence, tuple(int(v) for v in band_failures), "not compared")
    reason = ""
    if not inside.any():
        reason = (
            f"every {a} lives in a truck of {highest:,.0f} hp or less and every {b} in one of {lowest:,.0f} hp or more: no power has "
            "had both, so whatever differs between them may be the trucks"
            if highest < lowest
            else f"fewer than {RANK} units of {a} and {b} share any span of power"
        )
    elif min(band_lives) < FEWEST_LIVES:
        reason = f"only {band_lives[0]:,.0f} {a} and {band_lives[1]:,.0f} {b} live between {low:,.0f} and {high:,.0f} hp, where both occur"
    elif sum(band_failures) < FEWEST_FAILURES:
        reason = (
            f"between {low:,.0f} and {high:,.0f} hp, where both occur, only {sum(band_failures):,.0f} "
            f"failure{'' if sum(band_failures) == 1 else 's'} came in: too few to compare by"
        )
    chance, got, effective = np.zeros(0), np.zeros(0, bool), (0.0, 0.0)
    weighted = regressed = none
    if inside.any() and min(band_lives) > 0:
        x = np.column_stack(
            [band.data.log_power, band.data.log_power**2, band.data.log_weight]
            + [(band.data.use == u).astype(float) for u in range(1, len(band.data.use_names))]
        )
        got = band.at == 1
        chance = chance_of_part(x, got, band.data.weight)
        pull = np.where(got, 1 - chance, chance)
        effective = tuple(
            float((band.data.weight * pull)[m].sum() ** 2 / (band.data.weight * pull**2)[m].sum()) for m in (~got, got)
        )
        if not reason and min(effective) < FEWEST_LIVES:
            reason = (
                f"where both occur the trucks differ so much in power, weight or use that they weigh no more than "
                f"{min(effective):.1f} comparable trucks of one part"
            )
        if not reason:
            frame = _frame(band)
            frame["pull"] = frame["count"] * pull[frame.index]
            weighted = _ratio(frame, ["part"], ("use",), "pull", confidence)
            regressed = _ratio(frame, ["part", "log_power", "log_weight"], ("use",), "count", confidence)
    return Comparable(
        parts.component, (a, b), not reason, reason, low, high, lives, failures, band_lives, band_failures, effective,
        _spread(parts), chance, got, crude, weighted, regressed, _boundary(parts), parts,
    )  # fmt: skip


def comparable(lifetimes: Lifetimes, component: str, a: str, b: str, confidence: float = 0.9) -> Comparable:
    """Whether parts a and b of the shop can be compared. Raises AnalyticsError where one is not on record."""
    if a == b:
        raise AnalyticsError(f"{a} against itself: name two parts")
    return compare_lives(parts_data(lifetimes, component, (a, b)), confidence)


# ---- the trial that would settle it -------------------------------------------------------------------------------------
def failures_to_decide(
    hazard_ratio: float, power: float = 0.8, error: float = 0.05, sides: int = 1, share: float = 0.5
) -> float:
    """Failures, of both parts together, at which a true hazard ratio is told from 1 with that power and error: Schoenfeld,
    Biometrics 39 (1983) 499-503. share: of the units that have the second part. inf at a ratio of 1."""
    if not (hazard_ratio > 0 and 0 < power < 1 and 0 < error < 1 and 0 < share < 1 and sides in (1, 2)):
        raise AnalyticsError(
            f"hazard ratio {hazard_ratio:g}, power {power:g}, error {error:g}, share {share:g}: the ratio must be above 0, the rest "
            "between 0 and 1"
        )
    if hazard_ratio == 1:
        return np.inf
    z = ndtri(1 - error / sides) + ndtri(power)
    return float(z**2 / (share * (1 - share) * np.log(hazard_ratio) ** 2))


@dataclass(frozen=True, slots=True, repr=False)
class TrialPlan:
    """A deliberate trial: in a span of power where both parts are allowed, every other truck gets the stronger part.

    table: one row per life ratio to be found and years watched: life_ratio, hazard_ratio, failures, years, trucks (of both
    parts), years_to_build them at the shop's pace. words: how to run it.
    """

    component: str
    parts: tuple[str, str]
    from_hp: float
    to_hp: float
    a_year: float
    shape: float
    table: pd.DataFrame
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return f"TrialPlan({self.component} {' / '.join(self.parts)}, {self.from_hp:,.0f} to {self.to_hp:,.0f} hp)"


def plan_trial(
    lifetimes: Lifetimes,
    found: Comparable,
    ratios: Sequence[float] = (1.25, 1.5, 2.0),
    years: Sequence[float] = (3.0, 5.0),
    width: float = 0.15,
) -> TrialPlan:
    """The trial that would tell whether the second part lives longer. It runs just below the present boundary, where the
    first part is allowed already and the second, being the stronger, can do no harm. Raises NotEnoughData where the first part has
    too few failures to say how often it fails there."""
    a, b = found.parts
    top = found.boundary_hp if found.boundary_hp > 0 else float(np.median(found.data.power_hp))
    low = (1 - width) * top
    one = parts_data(lifetimes, found.component, (a,))
    fit = fit_parts(one, lifetimes.shop.target_miles)
    mix = build_mix(lifetimes, found.component, low, top)
    if mix.basis == "none":
        raise NotEnoughData(
            f"no truck between {low:,.0f} and {top:,.0f} hp was built: there is nobody to take the trial"
        )
    frame = mix.frame
    count = frame["count"].to_numpy(float)
    a_year = float(count.sum() * mix.scale / mix.years)
    rows = []
    for ratio in ratios:
        hr = ratio**-fit.shape
        needed = failures_to_decide(hr)
        for span in years:
            first = np.average(
                fails_within(
                    fit,
                    0,
                    frame["power_hp"].to_numpy(float),
                    frame["weight_lb"].to_numpy(float),
                    list(frame["use"].astype(str)),
                    span,
                ),
                weights=count,
            )
            second = 1 - (1 - first) ** hr
            trucks = needed / (0.5 * (first + second))
            rows.append((ratio, hr, np.ceil(needed), span, np.ceil(trucks), trucks / a_year))
    table = pd.DataFrame(rows, columns=["life_ratio", "hazard_ratio", "failures", "years", "trucks", "years_to_build"])
    pick = table[(table["life_ratio"] == ratios[min(1, len(ratios) - 1)]) & (table["years"] == years[-1])].iloc[0]
    proof = plan_proof(
        top,
        lifetimes.shop.target_miles,
        lifetimes.shop.reliability,
        lifetimes.shop.confidence,
        failures=(0,),
        truths=(),
    )
    words = [
        f"From {low:,.0f} to {top:,.0f} hp give every other truck {b} in place of {a}, by the serial number and not by judgement, tell the "
        f"owner, write down power, weight and use at the build, and read every odometer each year.",
        f"To find a life {pick.life_ratio:g} times as long (four times in five, one-sided error 5 %) takes {pick.failures:,.0f} failures in "
        f"all, that is about {pick.trucks:,.0f} trucks watched {pick.years:g} years each; the shop builds {a_year:,.0f} such trucks a year"
        + (
            f", so {pick.years_to_build:,.1f} years of building."
            if pick.years_to_build < 20
            else ": out of reach for it, so such a difference will stay undecided."
        ),
        "It runs below the boundary, where the weaker part is allowed already; nobody gets a weaker part than today.",
        f"To prove {b} by itself instead: {plan_words(proof)[0]}",
    ]
    return TrialPlan(found.component, (a, b), low, top, a_year, fit.shape, table, tuple(words))
