"""How often the rule is right for fleets like the owner's: drawn from the fit to the records, rated as the sheet rates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from analytics.cores import each
from analytics.errors import NotEnoughData
from analytics.models.distributions import standard_quantile
from analytics.models.joint import JointModel, fit_joint, log_power_at, simulate_lives
from analytics.models.lifedata import LifeData, rated_weight
from analytics.ratings.bound import RatingBound, rate_weights
from analytics.ratings.options import Options, for_component
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import PartRating, Ratings

#: failures below which no fleet is drawn
FEWEST = 3


@dataclass(frozen=True, slots=True)
class OwnCoverage:
    """How often the rule would have been wrong for fleets like this one, at one weight.

    use: whose true power truth_hp is; "" where it is the lowest of all. covered: share of the fleets rated whose bound was at
    or below the truth, se its standard error; median_ratio: of bound over truth; all NaN where none was rated.
    """

    weight_lb: float
    use: str
    truth_hp: float
    fleets: int
    rated: int
    covered: float
    se: float
    median_ratio: float
    confidence: float


@dataclass(frozen=True, slots=True)
class HeldRow:
    """One row of the sheet with a modelled bound, and what was found; or a part without one, and why nothing was drawn."""

    component: str
    part: str
    bound: RatingBound | None = None
    found: OwnCoverage | None = None
    refused: NotEnoughData | None = None


def own_fleets(
    data: LifeData,
    weights_lb: tuple[float, ...],
    use: str | None,
    rated_use: str | None,
    options: Options,
    replicates: int = 100,
    jobs: int = 1,
) -> tuple[OwnCoverage, ...]:
    """Fleets drawn from the fit under the ``options`` to the owner's own records, ``data`` (same trucks, ages, drivers
    as fitted), each rated as the sheet rates at several ``weights_lb`` at once, lightest first: no heavier class above
    a lighter one, and ``use`` None for the harshest it finds. rated_use: the use whose true power the bounds are held
    against (None: the lowest of all uses). replicates: fleets drawn; jobs: processes.

    The fitted lifetime distribution is taken as the truth, so nothing is said about departures from it (data/evidence holds those).
    A parametric bootstrap: Efron and Tibshirani, An Introduction to the Bootstrap, 1993, section 6.5. Raises
    NotEnoughData with fewer than 3 failures, and where the fit did not converge.
    """
    _enough(data)
    promise, s = options.promise, replace(options.settings, explain=False)
    model, top = fit_joint(s.model(data, promise.life_miles, "weibull"))
    if not top.converged[0]:
        raise NotEnoughData("the fit to these records did not converge: there is no fleet to draw from")
    z = standard_quantile(promise.reliability, "weibull")
    named = rated_use if rated_use and s.use_terms else ""
    codes = [data.use_names.index(named)] if named else range(len(data.use_names) if s.use_terms else 1)
    weights = tuple(sorted(weights_lb))
    truth = np.array(
        [
            min(float(np.exp(log_power_at(model, top.theta, z, np.log(rated_weight(w)), k)[0])) for k in codes)
            for w in weights
        ]
    )

    items = [(model, top.theta[0], weights, use, promise, s, [options.seed, i]) for i in range(replicates)]
    ratios = np.array(list(each(_rated_fleet, items, jobs))) / truth
    return tuple(
        _counted(ratio[np.isfinite(ratio)], w, named, float(t), replicates, promise.confidence)
        for w, t, ratio in zip(weights, truth, ratios.T, strict=True)
    )


def _rated_fleet(
    model: JointModel,
    theta: np.ndarray,
    weights: tuple[float, ...],
    use: str | None,
    promise: Promise,
    settings: RatingSettings,
    seed: list[int],
) -> list[float]:
    """Bounds of one fleet drawn at theta (p,)."""
    rng = np.random.default_rng(seed)
    lives = simulate_lives(model, theta, rng)
    return [r.bound_hp for r in rate_weights(lives, weights, use, promise, settings, int(rng.integers(2**31)))]


def sheet_rows(ratings: Ratings, replicates: int = 100, jobs: int = 1) -> Iterator[HeldRow]:
    """Every row of the sheet of ``ratings`` that holds a modelled bound, with how often the rule is right for fleets
    like this one; a part that cannot be drawn from, with the reason. replicates: fleets drawn for a part and use; jobs:
    processes."""
    for part in ratings.parts:
        try:
            yield from _part_rows(part, for_component(ratings.options, part.component, part.part), replicates, jobs)
        except NotEnoughData as err:
            yield HeldRow(part.component, part.part, refused=err)


def _part_rows(part: PartRating, options: Options, replicates: int, jobs: int) -> Iterator[HeldRow]:
    _enough(part.data)
    rows = [b for b in part.bounds if np.isfinite(b.bound_hp) and not b.demonstrated_only]
    if not rows:
        raise NotEnoughData("no bound on the sheet to check")
    # a class held against the lighter ones needs them all; the harshest use may differ between classes
    for use, rated in dict.fromkeys((b.use, b.rated_use) for b in rows):
        weights = tuple(b.weight_lb for b in part.bounds if b.use == use)
        found = {f.weight_lb: f for f in own_fleets(part.data, weights, use or None, rated, options, replicates, jobs)}
        for b in rows:
            if (b.use, b.rated_use) == (use, rated):
                yield HeldRow(part.component, part.part, b, found[b.weight_lb])


def _enough(data: LifeData) -> None:
    if data.failures < FEWEST:
        raise NotEnoughData(f"{data.failures:g} failures: a fleet to draw from needs at least {FEWEST}")


def _counted(
    given: np.ndarray, weight_lb: float, use: str, truth_hp: float, fleets: int, confidence: float
) -> OwnCoverage:
    """``given``: bound over truth of the fleets that were rated."""
    covered = float((given <= 1).mean()) if len(given) else np.nan
    return OwnCoverage(
        weight_lb=weight_lb,
        use=use,
        truth_hp=truth_hp,
        fleets=fleets,
        rated=len(given),
        covered=covered,
        se=float(np.sqrt(max(covered * (1 - covered), 1e-9) / len(given))) if len(given) else np.nan,
        median_ratio=float(np.median(given)) if len(given) else np.nan,
        confidence=confidence,
    )
