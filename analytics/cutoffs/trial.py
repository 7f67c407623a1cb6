"""The trial that would settle which of two parts lives longer, and the failures it takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analytics.cutoffs.comparable import Comparable
from analytics.cutoffs.fits import fails_within, fit_parts, parts_data
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.plan import ProofPlan, plan_proof
from analytics.ratings.promise import Promise
from analytics.ratings.whatif import build_mix


def failures_to_decide(
    hazard_ratio: float, power: float = 0.8, error: float = 0.05, sides: int = 1, share: float = 0.5
) -> float:
    """Failures, of both parts together, at which a true ``hazard_ratio`` is told from 1 with that power and error (on one or two ``sides``):
    Schoenfeld, Biometrics 39 (1983) 499-503. share: of the units that have the second part. inf at a ratio of 1."""
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

    a_year: such trucks built. table: one row per life ratio to be found and years watched: life_ratio, hazard_ratio, failures, years,
    trucks (of both parts), years_to_build them at the shop's pace. told: the row told first. proof: what proves the second by itself.
    """

    component: str
    parts: tuple[str, str]
    from_hp: float
    to_hp: float
    a_year: float
    table: pd.DataFrame
    told: int
    proof: ProofPlan

    def __repr__(self) -> str:
        return f"TrialPlan({self.component} {' / '.join(self.parts)}, {self.from_hp:g} to {self.to_hp:g} hp)"


def plan_trial(
    lifetimes: Lifetimes,
    found: Comparable,
    ratios: Sequence[float] = (1.25, 1.5, 2.0),
    years: Sequence[float] = (3.0, 5.0),
    width: float = 0.15,
) -> TrialPlan:
    """The trial that would tell whether the second part lives longer. It runs just below the present boundary, where the
    first part is allowed already and the second, being the stronger, can do no harm.

    lifetimes: of the shop; found: its comparison of the two; ratios: of lives to be found; years: watched; width: share of the boundary's power that the span is wide. Raises NotEnoughData where
    the first part has too few failures to say how often it fails there, or nobody is built there.
    """
    shop = lifetimes.shop
    top = found.boundary_hp if found.boundary_hp > 0 else float(np.median(found.data.power_hp))
    low = (1 - width) * top
    fit = fit_parts(parts_data(lifetimes, found.component, found.parts[:1]), shop.targets.miles)
    mix = build_mix(lifetimes, found.component, low, top)
    if mix.basis == "none":
        raise NotEnoughData(
            f"no truck between {low:,.0f} and {top:,.0f} hp was built: there is nobody to take the trial"
        )
    frame = mix.frame
    count, power, weight = (frame[k].to_numpy(float) for k in ("count", "power_hp", "weight_lb"))
    a_year = float(count.sum() * mix.scale / mix.years)
    use = list(frame["use"].astype(str))
    fails = {span: np.average(fails_within(fit, 0, power, weight, use, span), weights=count) for span in years}
    rows = []
    for ratio in ratios:
        hazard = ratio**-fit.shape
        needed = failures_to_decide(hazard)
        for span, first in fails.items():
            second = 1 - (1 - first) ** hazard
            trucks = needed / (0.5 * (first + second))
            rows.append((ratio, hazard, np.ceil(needed), span, np.ceil(trucks), trucks / a_year))
    return TrialPlan(
        component=found.component,
        parts=found.parts,
        from_hp=low,
        to_hp=top,
        a_year=a_year,
        table=pd.DataFrame(
            rows, columns=["life_ratio", "hazard_ratio", "failures", "years", "trucks", "years_to_build"]
        ),
        told=(min(1, len(ratios) - 1) + 1) * len(years) - 1,
        proof=plan_proof(
            top,
            Promise(shop.targets.miles, shop.targets.reliability, shop.targets.confidence),
            failures=(0,),
            truths=(),
        ),
    )
