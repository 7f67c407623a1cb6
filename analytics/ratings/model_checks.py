"""Does the model behind a rating hold up on this part's own records? What the owner can look at before believing it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import poisson

from analytics.errors import NotEnoughData
from analytics.models.checks import (
    ModelTest,
    SpreadLives,
    common_shape_test,
    curvature_test,
    fitted_survival,
    influence,
    spread_curve,
    spread_lives,
)
from analytics.models.joint import JointModel, fit_joint
from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.newton import Optimum
from analytics.ratings.early import early_check
from analytics.ratings.fits import fit_distributions
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import PartRating, Ratings
from analytics.reasons import Reason, Refused, Unchecked, reason

#: a power band is drawn from this many lives and failures on
BAND_LIVES, BAND_FAILURES = 10, 1
AT_RISK = 5.0
#: Poisson tail under which a band counts as off
OFF = 0.05


@dataclass(frozen=True, slots=True, repr=False)
class ModelChecks:
    """What was checked for one part.

    bands: power_band, lives, failures, expected, p_value (two-sided Poisson tail). curves: power_band, miles, survival,
    fitted, at_risk. residuals: expected (the fitted cumulative hazard), seen (the one observed at it). tests: what was tested of the model.
    distributions: distribution, loglik, bound_hp. influence: serial, failed, power_hp, weight_lb, rating_change; largest first. rated at
    the lightest class. reason: why nothing could be checked, else None.
    """

    component: str
    part: str
    distribution: str
    bands: pd.DataFrame
    curves: pd.DataFrame
    residuals: pd.DataFrame
    tests: tuple[ModelTest, ...]
    distributions: pd.DataFrame
    influence: pd.DataFrame
    reason: Reason | None

    def __repr__(self) -> str:
        return f"ModelChecks({self.component} {self.part}: {self.reason or f'{len(self.bands)} bands, {self.distribution}'})"


def check_model(ratings: Ratings, rated: PartRating) -> ModelChecks:
    """Check the fit behind the rating of one part (``rated``, one of ``ratings``): fitted against observed survival per
    power band, residuals, whether life is a straight power law, both distributions, and the units that move the rating
    most.

    The fit checked counts reported failures as all there are, since curves drawn from the records do too.
    """
    options, data = ratings.options, rated.data
    blank = pd.DataFrame()
    nothing = ModelChecks(rated.component, rated.part, "", blank, blank, blank, (), blank, blank, None)
    if data.failures < 3:
        return replace(nothing, reason=reason(Unchecked.FEW_FAILURES, failures=data.failures))
    settings = replace(options.settings.of(rated.component, rated.part), share=1.0)
    data = early_check(data, options.promise.life_miles, settings)[1]
    fits = [(m, t) for m, t in fit_distributions(data, options.promise.life_miles, settings) if t.converged[0]]
    if not fits:
        return replace(nothing, reason=reason(Unchecked.NO_FIT))
    model, top = max(fits, key=lambda f: float(f[1].value[0]))
    spread = spread_lives(model, top)
    bands, curves = _bands(model, top, spread, ratings.records.shop.power.bands, ratings.records.shop.band_labels())
    miles, survival, _ = spread_curve(spread, 2 * AT_RISK, "hazard")
    residuals = pd.DataFrame({"expected": miles, "seen": -np.log(np.maximum(survival, 1e-12))})
    tests = []
    try:
        tests.append(
            curvature_test(data, options.promise.life_miles, model.distribution, settings.priors, settings.terms)
        )
    except NotEnoughData as err:
        tests.append(ModelTest(math.nan, 1, math.nan, reason(Refused.BECAUSE, why=str(err))))
    first = rated.bounds[0]
    distributions = pd.DataFrame(
        {
            "distribution": [r.distribution for r in first.by_distribution],
            "loglik": [r.loglik for r in first.by_distribution],
            "bound_hp": [
                math.exp(r.calibrated) if math.isfinite(r.calibrated) else math.nan for r in first.by_distribution
            ],
        }
    )
    return ModelChecks(
        rated.component,
        rated.part,
        model.distribution,
        bands,
        curves,
        residuals,
        tuple(tests),
        distributions,
        _influence(ratings, rated, model, top, settings),
        None,
    )


def _bands(
    model: JointModel, top: Optimum, spread: SpreadLives, edges: tuple[float, ...], labels: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    data = model.data
    band = np.digitize(np.exp(data.log_power), edges)
    rows, curves = [], []
    for k, label in enumerate(labels):
        here = band == k
        lives, failures = float(data.weight[here].sum()), float(data.weight[here & data.failed].sum())
        if not lives:
            continue
        own = spread.of(here)
        expected = float(own.weight @ own.hazard)
        p = min(1.0, 2 * min(poisson.sf(failures - 1, expected), poisson.cdf(failures, expected)))
        rows.append((label, lives, failures, expected, float(p)))
        if lives < BAND_LIVES or failures < BAND_FAILURES:
            continue
        at, survival, at_risk = spread_curve(own, AT_RISK)
        # drawn as far as enough lives go, past the last failure
        miles = np.unique(np.concatenate([at, np.linspace(0, _last_with(own, AT_RISK), 31)]))
        step = np.concatenate([[1.0], survival])[np.searchsorted(at, miles, side="right")]
        risk = np.concatenate([at_risk, [np.nan]])[np.searchsorted(at, miles, side="left")]
        fit = fitted_survival(model, top, np.maximum(miles, 1e-3), here)
        curves.append(
            pd.DataFrame({"power_band": label, "miles": miles, "survival": step, "fitted": fit, "at_risk": risk})
        )
    named = ["power_band", "lives", "failures", "expected", "p_value"]
    columns = ["power_band", "miles", "survival", "fitted", "at_risk"]
    return pd.DataFrame(rows, columns=named), pd.concat(curves) if curves else pd.DataFrame(columns=columns)


def _last_with(spread: SpreadLives, least: float) -> float:
    """Miles up to which at least ``least`` lives are expected to run."""
    order = np.argsort(-spread.end, kind="stable")
    reached = int(np.searchsorted(np.cumsum(spread.weight[order]), least))
    return float(spread.end[order][min(reached, len(order) - 1)])


def _influence(
    ratings: Ratings, rated: PartRating, model: JointModel, top: Optimum, settings: RatingSettings
) -> pd.DataFrame:
    first, promise = rated.bounds[0], ratings.options.promise
    use = model.data.use_names.index(first.rated_use) if first.rated_use in model.data.use_names else 0

    def refit(data: LifeData) -> tuple[JointModel, Optimum]:
        return fit_joint(settings.model(data, promise.life_miles, model.distribution))

    found = influence(model, top, refit, rated_weight(first.weight_lb), promise.reliability, use)
    columns = ["serial", "failed", "power_hp", "weight_lb", "rating_change"]
    rows = ratings.lifetimes.table.iloc[[rated.rows[q.row] for q in found]]
    return pd.DataFrame(
        {
            "serial": rows["serial"].astype(str).to_numpy(),
            "failed": [q.failed for q in found],
            "power_hp": rows["power_hp"].to_numpy(float),
            "weight_lb": rows["weight_lb"].to_numpy(float),
            "rating_change": [q.ratio - 1 for q in found],
        },
        columns=columns,
    )


def check_shapes(ratings: Ratings) -> tuple[tuple[str, ModelTest], ...]:
    """Per component of ``ratings`` with two parts or more that failed at least three times: do they share one shape?"""
    out = []
    for component in dict.fromkeys(p.component for p in ratings.parts):
        parts = {p.part: p.data for p in ratings.parts if p.component == component}
        try:
            out.append((component, common_shape_test(parts, ratings.options.promise.life_miles)))
        except NotEnoughData:
            continue
    return tuple(out)
