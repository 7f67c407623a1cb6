"""What it takes to prove a limit: how many trucks, at what power and miles; and what time alone will prove.

Success runs and their extension to a few failures are exact binomial (see analytics.ratings.demonstration). Where the miles
or the power of the trial differ from those of the promise, a life shape and a power exponent have to be assumed: the least
favourable of a range is taken, since which one that is depends on which side of the promise the trial lies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.models.lifedata import LifeData, rated_weight
from analytics.ratings.demonstration import SHAPES, chance_of_passing, demonstrate, units_needed
from analytics.ratings.predict import PartFit, age_lives, chances, fit_lives, rows_to_predict
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import brief

NAN = float("nan")
EXPONENTS = (
    3.0,
    8.0,
)  # power exponents of life tried where the trial is not run at the limit itself; physics: S-N slopes
TRUTHS = (0.92, 0.95, 0.97, 0.98, 0.99)


@dataclass(frozen=True, slots=True, repr=False)
class ProofPlan:
    """Units that prove a limit. table: one row per number of failures allowed: failures, units (NaN: cannot be proven
    so), shape and exponent assumed (NaN where they do not matter), and one column "passes if R" per true reliability in
    truths. shapes, exponents: those tried, where the trial is not run at the promise itself, else empty.
    """

    power_hp: float
    run_power_hp: float
    miles_each: float
    promise: Promise
    truths: tuple[float, ...]
    shapes: tuple[float, ...]
    exponents: tuple[float, ...]
    table: pd.DataFrame

    def __repr__(self) -> str:
        return brief(self, "power_hp", "promise", "miles_each", **dict(self.table.iloc[0][["units", "failures"]]))


def plan_proof(
    power_hp: float,
    promise: Promise,
    miles_each: float | None = None,
    run_power_hp: float | None = None,
    failures: Sequence[int] = (0, 1, 2),
    truths: Sequence[float] = TRUTHS,
    shapes: Sequence[float] = SHAPES,
    exponents: Sequence[float] = EXPONENTS,
) -> ProofPlan:
    """Units that must each run ``miles_each`` (the life itself by default) at ``run_power_hp`` (the limit itself,
    ``power_hp``, by default), with at most so many ``failures``, to prove the promise; and the chance that a part truly
    at each of ``truths`` passes. shapes, exponents: of life and of life in power, tried where miles or power are not
    the promise's own; the pair that asks most units counts. Raises AnalyticsError on truths outside 0 to 1 and on
    powers or miles that are not positive."""
    miles = promise.life_miles if miles_each is None else miles_each
    run = power_hp if run_power_hp is None else run_power_hp
    _check_plan({"power_hp": power_hp, "miles_each": miles, "run_power_hp": run}, truths, failures)
    ratio, push = miles / promise.life_miles, run / power_hp
    shapes, exponents = shapes if ratio != 1 or push != 1 else (), exponents if push != 1 else ()
    assumed = [(k, m) for k in shapes or (1.0,) for m in exponents or (1.0,)]

    def row(allowed: int) -> dict[str, Any]:
        n, shape, exponent = _most_units(promise, allowed, ratio, push, assumed)

        def passes(truth: float) -> float:
            return chance_of_passing(int(n), allowed, truth, ratio, shape, push, exponent) if np.isfinite(n) else NAN

        return {
            "failures": allowed,
            "units": n if np.isfinite(n) else NAN,
            "shape": shape if len(assumed) > 1 else NAN,
            "exponent": exponent if push != 1 else NAN,
            **{f"passes if {truth:g}": passes(truth) for truth in truths},
        }

    return ProofPlan(
        power_hp=float(power_hp),
        run_power_hp=float(run),
        miles_each=float(miles),
        promise=promise,
        truths=tuple(truths),
        shapes=tuple(shapes),
        exponents=tuple(exponents),
        table=pd.DataFrame([row(int(allowed)) for allowed in failures]),
    )


def _check_plan(above_0: dict[str, float], truths: Sequence[float], failures: Sequence[int]) -> None:
    for name, value in above_0.items():
        if not (np.isfinite(value) and value > 0):
            raise AnalyticsError(f"{name} is {value:g}: give a number above 0")
    for value in truths:
        if not 0 < value < 1:
            raise AnalyticsError(f"truths holds {value:g}: give shares between 0 and 1")
    if not len(failures):
        raise AnalyticsError("no number of failures to allow: give at least one, such as 0")


def _most_units(
    promise: Promise, allowed: int, ratio: float, push: float, assumed: Sequence[tuple[float, float]]
) -> tuple[float, float, float]:
    """The most units that any (shape, exponent) of ``assumed`` asks for, inf for no number, and which asks for them."""
    best: tuple[float, float, float] = (0.0, NAN, NAN)
    for shape, exponent in assumed:
        try:
            n = float(units_needed(promise.reliability, promise.confidence, allowed, ratio, shape, push, exponent))
        except AnalyticsError:
            n = np.inf
        if n > best[0]:
            best = (n, shape, exponent)
    return best


# ---- what time alone proves -----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class ProofAhead:
    """The demonstration bound now and later, should none of today's running units fail.

    table: one row per number of days: days, demonstrated_hp (NaN: nothing proven), units, failures, miles, shape,
    chance_none: that indeed none of the running units that bear on it fails by then (NaN where nothing could be fitted), reason. share: of failures taken to be reported. running: running lives still
    followed; timeless: those of them known in miles alone, which are not aged.
    """

    weight_lb: float
    use: str
    promise: Promise
    published_hp: float | None
    share: float
    running: int
    timeless: int
    table: pd.DataFrame

    def __repr__(self) -> str:
        steps = ", ".join(f"{r.days:g} d {r.demonstrated_hp:,.0f} hp" for r in self.table.itertuples())
        return f"ProofAhead({self.weight_lb:,.0f} lb{', ' + self.use if self.use else ''}: {steps})"


def proof_ahead(
    data: LifeData,
    weight_lb: float,
    use: str | None,
    promise: Promise,
    settings: RatingSettings | None = None,
    watched: np.ndarray | None = None,
    published_hp: float | None = None,
    days: Sequence[float] = (91.0, 182.0, 365.0),
) -> ProofAhead:
    """What the miles run so far in ``data`` demonstrate at ``weight_lb`` and ``use`` (None: all) of the ``promise``,
    and what they will once today's running units are ``days`` older.

    settings: the defaults where None. watched: (n,) bool, the running lives still followed; all of them by default.
    published_hp: the limit to be proven, carried along. Raises AnalyticsError for a use that is not on record.
    """
    s = RatingSettings() if settings is None else settings
    asked = data.code_of(use) if use is not None and s.use_terms else None
    code = asked if len(data.use_names) > 1 else None
    which = rows_to_predict(data, watched)
    driving = s.driving(data) if np.isnan(data.lower).any() else None
    share = s.usual_share
    fit = fit_lives(data, promise.life_miles, s, 256, 1) if data.failures else None
    rows: list[dict[str, Any]] = []
    for ahead in (0.0, *(float(d) for d in days)):
        aged = age_lives(data, which, ahead, driving) if ahead else data
        demo = demonstrate(aged, weight_lb, promise, driving, share, use=code)
        rows.append(
            {
                "days": ahead,
                "demonstrated_hp": demo.power_hp,
                "units": demo.units,
                "failures": demo.failures,
                "miles": demo.miles,
                "shape": demo.shape,
                "chance_none": _chance_none(fit, data, which, ahead, demo.power_hp, weight_lb, code),
                "reason": demo.reason,
            }
        )
    return ProofAhead(
        weight_lb=weight_lb,
        use=use or "",
        promise=promise,
        published_hp=published_hp,
        share=share,
        running=len(which),
        timeless=int((~np.isfinite(data.days.lower[which])).sum()),
        table=pd.DataFrame(rows),
    )


def _chance_none(
    fit: PartFit | None,
    data: LifeData,
    which: np.ndarray,
    days: float,
    power_hp: float,
    weight_lb: float,
    use: int | None,
) -> float:
    """Chance that no running unit at that power and weight or more comes back within ``days``."""
    if days == 0:
        return 1.0
    if fit is None or fit.model is None:
        return NAN
    bears = data.log_weight[which] >= np.log(rated_weight(weight_lb)) - 1e-9
    if use is not None:
        bears &= data.use[which] == use
    if np.isfinite(power_hp):
        bears &= data.log_power[which] >= np.log(power_hp) - 1e-9
    part = which[bears & np.isfinite(data.days.lower[which])]
    if not len(part):
        return NAN
    told, _ = chances(fit.model, fit.theta, part, days, None)
    return float(fit.weight @ np.exp((np.log1p(-np.minimum(told, 1 - 1e-12)) * data.weight[part]).sum(1)))
