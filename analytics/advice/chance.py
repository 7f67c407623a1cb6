"""How many of a part fail by a life, in one truck: the rating turned round.

A rating says the power at which a share R survives. Here power, weight and use are given and the share is asked for, with the
same fits, the same signed root of the likelihood ratio and the same calibration (`analytics.ratings.signed_root`), so that a
part is supported at a power exactly where its calibrated bound reaches it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri

from analytics.kept import once
from analytics.models.distributions import survival_of
from analytics.models.joint import JointModel, fit_at, rating_constraint
from analytics.models.lifedata import LifeData, rated_weight
from analytics.models.mileage import DrivingFit
from analytics.models.newton import Optimum
from analytics.models.posterior import posterior_draws
from analytics.models.priors import Priors
from analytics.ratings.bound import cap_power
from analytics.ratings.demonstration import SHAPES, exposures, needed, rough_miles
from analytics.ratings.fits import PartFits, fit_part
from analytics.ratings.lasting import POWER_NOT_SHOWN, hardly_by_power
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import FAR_BEHIND, Fitted, rate_fit
from analytics.reasons import Advised

NAN = float("nan")
#: mean and spread of the signed root over simulated fleets, by life distribution
Roots = dict[str, tuple[float, float]]
#: an upper limit from which on nothing is ruled out that helps anybody
_NOTHING_LEFT = 0.95
_NEAR = 0.01  # of the signed root: a hundredth of a standard error


@dataclass(frozen=True, slots=True)
class Chance:
    """Share of such trucks whose part fails within the life, whether they come back or not. low, high: each end as sure as the promise
    asks; high is the supported side. failures: of the part, in that use where uses stand apart."""

    estimate: float
    low: float
    high: float
    failures: float


@dataclass(frozen=True, eq=False)
class PartBasis:
    """One part, ready to be asked. data: its lives, of one use alone where that is counted by itself; life: asked for, in miles or what they are
    counted in. any_power: every power is taken as one."""

    component: str
    part: str
    data: LifeData
    life: float
    settings: RatingSettings
    any_power: bool = False

    @property
    def power_shown(self) -> bool:
        """Whether its failures show by themselves that more power means less life."""
        return self.fits is not None and POWER_NOT_SHOWN.isdisjoint({c.code for c in self.fits.checks})

    @property
    def by_miles(self) -> PartBasis:
        """The same, every power taken as one, where life hardly follows power in parts of this kind and the records do not show that it does here."""
        if not hardly_by_power(self.component) or self.power_shown:
            return self
        middle = np.average(self.data.log_power, weights=self.data.weight)
        data = replace(self.data, log_power=np.full(len(self.data.log_power), middle))
        held = self.settings.priors
        held = replace(held, power=held.power or Priors().power)  # of one power no slope can be told
        return replace(self, data=data, settings=replace(self.settings, priors=held), any_power=True)

    @cached_property
    def fits(self) -> PartFits | None:
        """Of its lives; None where nothing failed."""
        return fit_part(self.data, self.life, self.settings) if self.data.failures else None

    @cached_property
    def lowest_hp(self) -> float:
        """The lowest power it has on record: below that it is answered as there; of one that goes by miles every power."""
        return float(np.exp(self.data.log_power.min()))

    def answered_hp(self, power_hp: float) -> float:
        """The power a truck of ``power_hp`` is answered at."""
        return self.lowest_hp if self.any_power else max(power_hp, self.lowest_hp)

    @cached_property
    def draws(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """Draws from the posterior by life distribution, and their weights."""
        fits = self.fits.fits if self.fits else ()
        return {f.model.distribution: posterior_draws(f.model, f.top, self.settings.draws, 1) for f in fits}

    @cached_property
    def driving(self) -> DrivingFit | None:
        """How its trucks drive, where some miles are unknown."""
        return self.settings.driving(self.data) if np.isnan(self.data.lower).any() else None

    @cached_property
    def miles(self) -> float:
        """Run by all of them, in part reckoned from days."""
        return float((self.data.weight * rough_miles(self.data, self.driving)).sum())

    @cached_property
    def unit_exposures(self) -> np.ndarray:
        """(shapes, n): what each row demonstrates at a tenth lost by the life asked for, by shape."""
        return self.exposed(self.life, 0.9)

    def exposed(self, life: float, reliability: float) -> np.ndarray:
        """(shapes, n): what each row demonstrates of a ``reliability`` at a ``life``, by shape."""
        return np.array([self.data.weight * exposures(self.data, life, reliability, k, self.driving) for k in SHAPES])

    def use_code(self, use: str | None) -> int | None:
        """Code of a use where uses stand apart; -1 for one that this part never saw, None where they do not."""
        if use is None or not self.settings.use_terms:
            return None
        return self.data.use_names.index(use) if use in self.data.use_names else -1

    def calibrated(
        self, use: int | None, weight_lb: float, promise: Promise, say: Callable[[], None] = lambda: None
    ) -> Roots:
        """The calibration at a use and weight by simulated fleets: takes seconds, so it is kept (`analytics.kept`). say: called before it is worked out.
        None where every power is taken as one: there the posterior stands beside the limit."""
        if not self.fits or self.any_power:
            return {}
        return once(_calibrated, (self.fits, use, weight_lb, promise, self.settings.replicates), say)


def _calibrated(
    fits: PartFits, use: int | None, weight_lb: float, promise: Promise, replicates: int, say: Callable[[], None]
) -> Roots:
    say()
    rest, found = promise.without(fits.early.share), Roots()
    bare = RatingSettings(replicates=replicates, draws=0)
    for fitted in fits.fits if rest.reliability <= 0.999 else ():
        made = rate_fit(fitted, rated_weight(weight_lb), max(use or 0, 0), rest, bare, 1)
        found[fitted.model.distribution] = (made.root_mean, made.root_sd)
    return found


def chance_of(
    basis: PartBasis, power_hp: float, weight_lb: float, use: str | None, promise: Promise, roots: Roots
) -> Chance | Advised:
    """What the records say of a part (``basis``) at ``power_hp``, ``weight_lb`` and ``use`` (None: uses are not kept), limits as sure as the
    ``promise``; or why they say nothing. roots: the calibration, as `PartBasis.calibrated` gives it."""
    code = basis.use_code(use)
    if code == -1:
        return Advised.NO_SUCH_USE
    cap = cap_power(basis.data, rated_weight(weight_lb), basis.settings)
    if np.isnan(cap):
        return Advised.FEW_SO_HEAVY
    power = basis.answered_hp(power_hp)
    if power > cap * (1 + 1e-9):
        return Advised.BEYOND
    if not basis.data.failures:
        return _without_failure(basis, power, weight_lb, code, promise)
    return _modelled(basis, power, weight_lb, code, promise, roots)


def _without_failure(
    basis: PartBasis, power_hp: float, weight_lb: float, use: int | None, promise: Promise
) -> Chance | Advised:
    """From the miles run without a failure in such trucks or harder-worked ones, as a rating is demonstrated: where they do not show that the
    part lasts, no figure. The estimate is the share that is as likely too high as too low."""
    bears = _bears(basis, power_hp, weight_lb, use)
    shown = basis.settings.usual_share * basis.unit_exposures[:, bears].sum(1).min()
    if not shown > 0:
        return Advised.NOTHING_SHOWN
    middle, high = (float(-np.expm1(np.log(0.9) * needed(0, c) / shown)) for c in (0.5, promise.confidence))
    return Chance(middle, 0.0, high, 0.0) if high <= 1 - promise.reliability else Advised.NOTHING_SHOWN


def _bears(basis: PartBasis, power_hp: float, weight_lb: float, use: int | None) -> np.ndarray:
    """(n,) bool: lives in such trucks or harder-worked ones."""
    data = basis.data
    bears = data.log_power >= np.log(power_hp) - 1e-9
    bears &= data.log_weight >= np.log(rated_weight(weight_lb)) - 1e-9
    return bears & (data.use == use) if use is not None and len(data.use_names) > 1 else bears


def shown_life(basis: PartBasis, power_hp: float, weight_lb: float, use: str | None, promise: Promise) -> float:
    """The longest life that a part without a failure (``basis``) is shown to last in such trucks, as the ``promise`` asks, where that is shorter than the one
    asked for; NaN where hardly a hundredth of that is shown. power_hp, weight_lb, use: as in `chance_of`."""
    bears = _bears(basis, basis.answered_hp(power_hp), weight_lb, basis.use_code(use))
    share, enough = basis.settings.usual_share, float(needed(0, promise.confidence))

    def over(log_life: float) -> float:
        each = basis.exposed(float(np.exp(log_life)), promise.reliability)[:, bears]
        return share * float(each.sum(1).min()) - enough

    halves = np.log(basis.life) - np.log(2) * np.arange(8)
    below = next((i for i, at in enumerate(halves) if over(float(at)) >= 0), 0)
    return float(np.exp(brentq(over, halves[below], halves[below - 1], xtol=1e-3))) if below else NAN


def _modelled(
    basis: PartBasis, power_hp: float, weight_lb: float, use: int | None, promise: Promise, roots: Roots
) -> Chance | Advised:
    fits = basis.fits
    if fits is None or not fits.fits:
        return Advised.NO_FIT
    at = np.log(power_hp), np.log(rated_weight(weight_lb)), max(use or 0, 0)
    zc = float(ndtri(promise.confidence))
    ends = [_ends(f, at, zc, roots.get(f.model.distribution, (NAN, NAN))) for f in fits.fits]
    best = max(fits.fits, key=lambda f: float(f.top.value[0]))
    estimate = _Root(best, *at).share(0.0)
    failures = _own_failures(basis, fits, use)
    high = max(
        estimate,
        *(e[1] for e in ends),
        *(_opinions(basis, fits, at, promise.confidence) if failures < 3 or basis.any_power else ()),
    )
    middle, low, high = (1 - (1 - fits.early.share) * (1 - q) for q in (estimate, min(e[0] for e in ends), high))
    return Chance(middle, low, high, failures) if high < _NOTHING_LEFT else Advised.NOTHING_RULED_OUT


def _own_failures(basis: PartBasis, fits: PartFits, use: int | None) -> float:
    """Failures that are no early ones, in the use where uses stand apart."""
    apart = use is not None and len(basis.data.use_names) > 1
    own = fits.rated.failed & (fits.rated.use == use if apart else True)
    return float(fits.rated.weight[own].sum())


def _opinions(basis: PartBasis, fits: PartFits, at: tuple[float, float, int], confidence: float) -> list[float]:
    return [_opinion(basis, f, at, confidence) for f in fits.fits if f.behind < FAR_BEHIND]


def _opinion(basis: PartBasis, fitted: Fitted, at: tuple[float, float, int], confidence: float) -> float:
    """The share not exceeded with ``confidence`` under the posterior: where the failures are fewer than three, and where nothing is calibrated, the higher
    of both counts."""
    model = fitted.model
    theta, weight = basis.draws[model.distribution]
    z = -theta[:, model.layout.gamma] @ np.concatenate([[1.0], model.covariates(*at)])
    order = np.argsort(z)
    below = np.cumsum(weight[order]) - 0.5 * weight[order]
    return float(1 - survival_of(np.interp(confidence, below, z[order]), model.distribution))


def _ends(fitted: Fitted, at: tuple[float, float, int], zc: float, root: tuple[float, float]) -> tuple[float, float]:
    """Lower and upper limit of the share under one distribution; (1, 0) where it rules nothing out, so that it does not count."""
    mean, sd = (0.0, 1.0) if np.isnan(root[0]) else root
    found = _Root(fitted, *at)
    ends = []
    for side, target in ((-1.0, max(-mean, 0.0) + zc * max(sd, 1.0)), (1.0, max(mean, 0.0) + zc * max(sd, 1.0))):
        left = target**2 - 2 * fitted.behind
        ends.append(found.share(side * np.sqrt(left)) if left > 0 else (1.0 if side < 0 else 0.0))
    return ends[0], ends[1]


class _Root:
    """The signed root of the likelihood ratio of the share lost at one truck, as a function of z, where the share is 1 - S(z)."""

    def __init__(self, fitted: Fitted, log_power: float, log_weight: float, use: int):
        self.model: JointModel = fitted.model
        self.top: Optimum = fitted.top
        self.at = (log_power, log_weight, use)
        x = np.concatenate([[1.0], self.model.covariates(*self.at)])
        lay, theta = self.model.layout, self.top.theta[0]
        self.middle = float(-theta[lay.gamma] @ x)
        g = np.zeros(lay.size)
        g[lay.gamma] = -x
        var = float(g @ np.linalg.lstsq(-self.top.hess[0], g, rcond=None)[0])
        self.spread = float(np.clip(np.sqrt(var), 0.05, 3.0)) if var > 0 else 0.5
        self.start = np.delete(theta, 1)

    def share(self, target: float) -> float:
        """The share lost at which the root equals ``target`` (0: the estimate); it rises with the share."""
        return float(1 - survival_of(np.array(self._solve(target)), self.model.distribution))

    def _solve(self, target: float) -> float:
        if target == 0:
            return self.middle
        z, before, r_before = self.middle + target * self.spread, self.middle, 0.0
        for _ in range(12):
            r = self._root(z)
            if abs(r - target) < _NEAR or r == r_before:
                break
            step = (target - r) * (z - before) / (r - r_before)
            before, r_before = z, r
            z += float(np.clip(step, -4 * self.spread, 4 * self.spread))
        return z

    def _root(self, z: float) -> float:
        log_power, log_weight, use = self.at
        reliability = float(np.clip(survival_of(np.array(z), self.model.distribution), 1e-12, 1 - 1e-12))
        held = fit_at(
            self.model, rating_constraint(self.model, log_power, reliability, log_weight, use), self.start, 1e-5
        )
        self.start = held.theta[0]
        return float(np.sign(z - self.middle) * np.sqrt(2 * max(float(self.top.value[0] - held.value[0]), 0.0)))
