"""The rating for all damage: what stops a truck, and what only a teardown shows, as two causes of a part's end.

Given the load the two are independent, so that each has a likelihood of its own: that of the hidden damage is of the parts looked at alone. A share R lasts
without either at the power where the two cumulative hazards at the promised life add up to -log R. How far that lies under the rating for what
stops a truck alone is worked out from draws of both posteriors, and the calibrated bound is moved by as much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.models.distributions import log_survival, standard_quantile
from analytics.models.joint import fit_joint, log_power_at
from analytics.models.lifedata import LifeData
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import FAR_BEHIND, FitRating, Fitted, drawn

#: draws of each posterior, and pairs made of them: of a bound that is published, and of one to compare with others. By the second the demo's part
#: moves with the seed by a standard deviation of .5 to .9%, by the first by half of that (8 seeds)
_PUBLISHED, _COMPARED, _SEED = (4096, 8192), (1024, 4096), 1
#: log powers between which the rating lies
_LOWEST, _HIGHEST = 0.0, float(np.log(1e6))
_WEIBULL = "weibull"


@dataclass(frozen=True, slots=True, repr=False)
class HiddenDamage:
    """fitted: the life until damage that only a teardown shows, from the parts looked at. opened: their number, of which found were damaged and
    the others clean."""

    fitted: Fitted
    opened: float
    found: float

    def __repr__(self) -> str:
        return f"HiddenDamage({self.opened:g} opened, {self.found:g} damaged)"


def fit_hidden(opened: LifeData, life_miles: float, settings: RatingSettings) -> HiddenDamage | None:
    """The life until hidden damage of parts ``opened``; None where the fit does not converge. life_miles: the target life. ``settings``: but for those of
    who reports and who is read, as whoever opens a unit sees it."""
    plain = replace(settings, share=1.0, selection=False)
    model, top = fit_joint(plain.model(opened, life_miles, _WEIBULL))
    if not top.converged[0]:
        return None
    lives = np.unique(np.column_stack([opened.unit, opened.days.start]), axis=0)
    return HiddenDamage(Fitted(model, top), float(len(lives)), opened.failures)


def for_all_damage(
    own: FitRating,
    fitted: Fitted,
    hidden: HiddenDamage,
    weight_lb: float,
    use: str,
    promise: Promise,
    settings: RatingSettings,
) -> FitRating:
    """The rating ``own`` of one distribution (``fitted``) for what stops a truck, moved to all damage by what is ``hidden``: at weight_lb, a ``use`` by its name and
    the ``promise``. ``settings``: of the rating; without a second opinion it is to be compared with others, and made of fewer draws."""
    at = float(np.log(weight_lb)), use
    one, other = _line(fitted, fitted.top.theta, *at), _line(hidden.fitted, hidden.fitted.top.theta, *at)
    estimate = float(_power_of_both(one, other, fitted.model.distribution, promise.reliability)[0])
    if fitted.behind >= FAR_BEHIND:  # rules nothing out
        return replace(own, estimate=estimate, upper=min(own.upper, estimate), stopping=own)
    down, upper = _limits(fitted, hidden, at, promise, _PUBLISHED if settings.draws else _COMPARED)
    moved = {name: getattr(own, name) - down for name in ("first_order", "calibrated", "opinion")}
    return replace(own, estimate=estimate, upper=min(own.upper, upper), stopping=own, **moved)


def all_for_all_damage(
    alone: list[FitRating],
    fits: tuple[Fitted, ...],
    hidden: HiddenDamage | None,
    weight_lb: float,
    use: str,
    promise: Promise,
    settings: RatingSettings,
) -> list[FitRating]:
    """The ratings ``alone`` of the ``fits``, each moved to all damage as by `for_all_damage` at weight_lb, a ``use`` by its name and the ``promise``, under the ``settings``;
    as they are where nothing is ``hidden``."""
    if hidden is None:
        return alone
    return [for_all_damage(r, f, hidden, weight_lb, use, promise, settings) for r, f in zip(alone, fits, strict=True)]


def _limits(
    fitted: Fitted, hidden: HiddenDamage, at: tuple[float, str], promise: Promise, size: tuple[int, int]
) -> tuple[float, float]:
    """How far the lower limit of the log rating goes down when hidden damage counts too, and its upper limit then, by the posteriors of both. size: draws of each, and
    pairs of them."""
    z, order = (
        standard_quantile(promise.reliability, fitted.model.distribution),
        np.random.default_rng(_SEED).permutation(size[1]),
    )
    theta, beside = _even_draws(fitted, *size), _even_draws(hidden.fitted, *size)[order]
    code = fitted.model.data.use_names.index(at[1]) if at[1] else 0
    alone = log_power_at(fitted.model, theta, z, at[0], code)
    lines = _line(fitted, theta, *at), _line(hidden.fitted, beside, *at)
    both = _power_of_both(*lines, fitted.model.distribution, promise.reliability)
    doubt = 1 - promise.confidence
    return float(np.quantile(alone, doubt) - np.quantile(both, doubt)), float(np.quantile(both, promise.confidence))


def _even_draws(fitted: Fitted, draws: int, pairs: int) -> np.ndarray:
    """(pairs, p) of so many ``draws`` of a posterior, as many of each as its weight is worth."""
    theta, weight = drawn(fitted, draws, _SEED)
    at = np.searchsorted(np.cumsum(weight), (np.arange(pairs) + 0.5) / pairs)
    return theta[at.clip(max=len(theta) - 1)]


def _line(fitted: Fitted, theta: np.ndarray, log_weight: float, use: str) -> tuple[np.ndarray, np.ndarray]:
    """z at the promised life as a + b log power at theta (B, p), (B,) each."""
    model = fitted.model
    gamma = np.atleast_2d(theta)[:, model.layout.gamma]
    at = model.covariates(0.0, log_weight, model.data.use_names.index(use) if use else 0)
    return -(gamma[:, 0] + gamma[:, 1:] @ at), -gamma[:, 1]


def _power_of_both(
    one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray], distribution: str, reliability: float
) -> np.ndarray:
    """Log power (B,) at which the hazards of ``one`` line, under a ``distribution``, and of the ``other``, a Weibull one, leave the ``reliability``."""
    low, high = np.full(len(one[0]), _LOWEST), np.full(len(one[0]), _HIGHEST)
    for _ in range(50):
        middle = (low + high) / 2
        total = _hazard(one[0] + one[1] * middle, distribution) + _hazard(other[0] + other[1] * middle, _WEIBULL)
        over = total > -np.log(reliability)
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return (low + high) / 2


def _hazard(z: np.ndarray, distribution: str) -> np.ndarray:
    """-log S(z) of a ``distribution``."""
    return -log_survival(z, distribution)[0]
