"""The power a part may be published at: the calibrated lower bound, and what it rests on.

The rating is the power p at which a share R survives to M miles, at a weight and a use.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.models.lifedata import LifeData, opened_of, rated_weight
from analytics.models.mileage import DrivingFit
from analytics.ratings.all_damage import all_for_all_damage
from analytics.ratings.costs import costs_of_defaults
from analytics.ratings.demonstration import Demonstration, demonstrate, rough_miles
from analytics.ratings.fit_checks import check_class, check_ratings
from analytics.ratings.fits import PartFits, fit_part
from analytics.ratings.none_failed import NoneFailed
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.signed_root import FitRating, Fitted, estimate_at, rate_fit
from analytics.reasons import Checked, Reason, Rests, brief, reason, reason_if

NAN = float("nan")
#: what is left of a promise after early failures cannot be asked for above this
MOST_RELIABLE = 0.999


@dataclass(frozen=True, slots=True)
class Seen:
    """What stands behind a rating, all weights and uses: units, failures among them, miles run (partly reckoned from days),
    and the powers on record in hp. cap_hp: the highest power with experience at the weight (NaN: too few units)."""

    units: float
    failures: float
    miles: float
    lowest_power_hp: float
    highest_power_hp: float
    cap_hp: float


@dataclass(frozen=True, slots=True, repr=False)
class RatingBound:
    """The rating of one part at one weight and use. Powers in hp at the crank; NaN where the reasons say why.

    rated_use: the use the number is for: ``use`` itself, or the harshest with enough on record where none is stated.
    bound_hp is what may be published. capped: bound_hp is the highest power with experience, so read "at least".
    demonstrated_only: no failure, so not modelled by its own. early_share: of units lost early. reasons: what the number rests on, or why
    there is none. checks: what fired. costs: what each default took off.
    """

    weight_lb: float
    use: str
    rated_use: str
    promise: Promise
    estimate_hp: float
    bound_hp: float
    posterior_hp: float
    demonstrated_hp: float
    capped: bool
    seen: Seen
    early_share: float
    reasons: tuple[Reason, ...]
    checks: tuple[Reason, ...] = ()
    costs: tuple[Reason, ...] = ()
    by_distribution: tuple[FitRating, ...] = ()

    def __repr__(self) -> str:
        return brief(self, "weight_lb", "use", "bound_hp", "capped", "estimate_hp", "demonstrated_hp", "failures")

    @property
    def units(self) -> float:
        """Vehicles with the part, counting identical ones."""
        return self.seen.units

    @property
    def failures(self) -> float:
        """Failures among them."""
        return self.seen.failures

    @property
    def first_order_hp(self) -> float:
        """The bound before it was calibrated."""
        return as_hp(min((r.first_order for r in self.by_distribution), default=NAN))

    @property
    def upper_hp(self) -> float:
        """Upper limit of the rating at the same confidence, from the records alone; NaN where there is no model."""
        return as_hp(max((r.upper for r in self.by_distribution if not np.isnan(r.upper)), default=NAN))

    @property
    def demonstrated_only(self) -> bool:
        """Nothing has failed, so that there is no model."""
        return self.seen.failures == 0

    def has(self, *codes: Rests | Checked) -> bool:
        """Whether one of these is among the reasons or checks."""
        return any(r.code in codes for r in (*self.reasons, *self.checks))


def with_enough(counts: np.ndarray, least: float) -> list[int]:
    """Codes of the uses whose ``counts`` (of failures, or of lives) reach the ``least``; where none does, those with the most. Uses are never thrown
    together: harsh ones run few miles, so that mild ones would vouch for them at high miles."""
    return [*np.flatnonzero(counts >= least)] or [*np.flatnonzero(counts == counts.max())]


def cap_power(data: LifeData, weight_lb: float, settings: RatingSettings) -> float:
    """The power, hp, that `Cap` of the ``settings`` names, among vehicles of ``data`` at its share of ``weight_lb`` or
    more; NaN when there are fewer."""
    near = data.log_weight >= np.log(settings.cap.weight * weight_lb) - 1e-12
    best: dict[int, tuple[float, float]] = {}
    for unit, power, count in zip(data.unit[near], data.log_power[near], data.weight[near], strict=True):
        if power > best.get(int(unit), (-np.inf, 0))[0]:
            best[int(unit)] = (float(power), float(count))
    left = float(settings.cap.rank)
    for power, count in sorted(best.values(), reverse=True):
        left -= count
        if left <= 0:
            return float(np.exp(power))
    return NAN


def as_siblings_hp(
    data: LifeData, weight_lb: float, promise: Promise, settings: RatingSettings, use: int | None = None
) -> float:
    """What lives without a failure (``data``, of a ``use`` by its code or of all) show at ``weight_lb`` under a ``promise`` with the shape, slope and weight effect that
    siblings lend in the ``settings``, in hp; NaN where none lends, or nothing is shown."""
    its = data if use is None else data.take(data.use == use)
    if not settings.priors.lenders or not len(its.lower):
        return NAN
    return float(
        np.exp(NoneFailed(its, weight_lb, promise, settings, driving_of(data, settings)).limit(promise.confidence))
    )


def driving_of(data: LifeData, settings: RatingSettings) -> DrivingFit | None:
    """How the trucks of the lives (``data``) are driven, under the ``settings``; None where all their miles are known."""
    return settings.driving(data) if data.unknown.any() or np.isnan(data.lower).any() else None


def rate_part(
    data: LifeData,
    weight_lb: float,
    use: str | None,
    promise: Promise,
    settings: RatingSettings | None = None,
    seed: int = 1,
    fits: PartFits | None = None,
    full: bool = True,
) -> RatingBound:
    """The rating of one part at one ``weight_lb`` (inf: any, where the lives have none) under a ``promise``. ``use``
    None: the harshest use on record. settings: the defaults where None. seed: of the simulated fleets and the draws.
    fits: of the same ``data``, target life and settings, if already made. full=False: the first-order bound, and no upper limit.

    Raises AnalyticsError on a weight that is not above 0 or a use not on record; data that cannot carry a number come
    back as NaN with the reason.
    """
    s = RatingSettings() if settings is None else settings
    if not weight_lb > 0:
        raise AnalyticsError(f"weight {weight_lb} lb: give a weight above 0")
    part = _Part(data, weight_lb, use, promise, s, seed)
    if data.failures == 0:
        return part.demonstrated()
    made = fit_part(data, promise.life, s) if fits is None else fits
    early, rest, checks = made.early, promise.without(made.early.share), []
    if early.fired:
        found = {"seen": early.seen, "miles": early.miles, "expected": early.expected, "share": early.share}
        checks.append(reason(Checked.EARLY_FAILURES, **found, rest_reliability=rest.reliability))
    if rest.reliability > MOST_RELIABLE:
        why = reason(Rests.EARLY_TAKE_ALL, share=early.share, reliability=promise.reliability)
        return part.unrated(why, checks, min(early.share, 1 - promise.reliability))
    checks += made.checks
    if not made.fits or (made.hidden is None and opened_of(data) is not None):
        return part.unrated(reason(Rests.NO_FIT_CONVERGED), checks, early.share)
    checks += [*check_class(made.rated, part.weight_lb, s), *made.later_checks]
    return part.modelled(made, checks, full)


class _Part:
    """One part at one weight and use, on its way to a rating."""

    def __init__(
        self,
        data: LifeData,
        weight_lb: float,
        use: str | None,
        promise: Promise,
        settings: RatingSettings,
        seed: int,
    ):
        self.data, self.asked_lb, self.promise, self.settings, self.seed = data, weight_lb, promise, settings, seed
        self.weight_lb = rated_weight(weight_lb)
        self.asked_use = use
        #: uses stand apart, and none is named
        self.by_use = settings.use_terms and len(data.use_names) > 1
        self.several = use is None and self.by_use
        self.uses = [0]
        if settings.use_terms:
            self.uses = [*range(len(data.use_names))] if use is None else [data.code_of(use)]
        self._named_use = self.uses[0] if self.by_use and not self.several else None
        self.reasons: list[Reason] = []
        self.driving = driving_of(data, settings)
        if self.driving is not None:
            self.reasons += reason_if(Rests.NO_ODOMETER, self.driving.known == 0, counted=promise.counted)
        powers = np.exp(data.log_power)
        self.seen = Seen(
            units=data.units,
            failures=data.failures,
            miles=float((data.weight * rough_miles(data, self.driving)).sum()),
            lowest_power_hp=float(powers.min()),
            highest_power_hp=float(powers.max()),
            cap_hp=cap_power(data, self.weight_lb, settings),
        )

    def demonstrated(self) -> RatingBound:
        """Nothing has failed: what the miles run demonstrate is all there is, by themselves or with what siblings lend."""
        demo = self._demonstrate(None, 0.0)
        lent = as_siblings_hp(self.data, self.weight_lb, self.promise, self.settings, self._named_use)
        bound = float(np.fmax(demo.power_hp, lent))
        if lent == bound:
            self.reasons.append(reason(Rests.AS_SIBLINGS, lenders=self.settings.priors.lenders))
        elif np.isfinite(bound):
            self.reasons.append(reason(Rests.DEMONSTRATED, shown=demo.reason))
        else:
            self.reasons.append(demo.reason)
        self.reasons += reason_if(Rests.MIX_OF_USES, self.several and np.isfinite(bound))
        self.reasons += reason_if(Rests.SHARE_TAKEN, self.settings.share is None, share=self.settings.usual_share)
        return self._assembled(demo, bound)

    def unrated(self, why: Reason, checks: list[Reason], early_share: float) -> RatingBound:
        """Failures, but no model of them."""
        self.reasons.append(why)
        made = self._assembled(self._demonstrate(None, early_share), NAN)
        return replace(made, early_share=early_share, checks=tuple(checks))

    def modelled(self, made: PartFits, checks: list[Reason], full: bool) -> RatingBound:
        """The bound from the fits, one per distribution that converged."""
        s, data, rated, fits, early = self.settings, self.data, made.rated, made.fits, made.early
        rest = self.promise.without(early.share)
        uses = self._with_enough(rated) if self.several else self.uses

        # the use with the lowest estimate: the lowest of several noisy bounds would be that of the thinnest records
        best = max(fits, key=lambda f: float(f.top.value[0]))
        estimates = {k: estimate_at(best, self.weight_lb, k, rest.reliability) for k in uses}
        picked = min(uses, key=estimates.__getitem__)
        alone = [rate_fit(f, self.weight_lb, picked, rest, s, self.seed, full) for f in fits]
        each = self._all_damage(alone, fits, made, picked, rest)
        if self.several and len(uses) > 1:
            self.reasons.append(reason(Rests.USE_NOT_STATED, use=data.use_names[picked]))
        opinion = min([r.opinion for r in each if np.isfinite(r.opinion)], default=NAN)
        bound = min(r.calibrated for r in each)
        if self._few_failures(made, picked) and np.isfinite(opinion):
            bound = min(bound, opinion)
        bound = self._of_parts_made_now(made, each, picked, bound)
        checks = checks + check_ratings(each, bound, opinion, s)
        own = [n for n in fits[0].model.columns if n in data.extra_names]
        self.reasons += reason_if(Rests.AVERAGE_COLUMNS, own, columns=tuple(own))
        self.reasons += reason_if(Rests.NOTHING_RULED_OUT, not np.isfinite(bound))
        if made.hidden is not None:
            alone_hp, looked = as_hp(min(r.calibrated for r in alone)), made.hidden
            self.reasons.append(reason(Rests.HIDDEN_COUNTED, opened=looked.opened, found=looked.found))
            self.reasons += reason_if(Rests.STOPPED_ALONE, np.isfinite(alone_hp), alone_hp=alone_hp)
        costs = costs_of_defaults(data, made, self.weight_lb, picked, self.promise, s) if s.explain else []
        found = self._assembled(self._demonstrate(picked, early.share), as_hp(bound), picked)
        return replace(
            found,
            estimate_hp=float(np.exp(max(each, key=lambda r: r.loglik).estimate)),
            posterior_hp=as_hp(opinion),
            early_share=early.share,
            checks=tuple(checks),
            costs=tuple(costs),
            by_distribution=tuple(each),
        )

    def _all_damage(
        self, alone: list[FitRating], fits: tuple[Fitted, ...], made: PartFits, picked: int, rest: Promise
    ) -> list[FitRating]:
        """The ratings ``alone`` of what stops a truck, moved to all damage where it stands apart."""
        use = self.data.use_names[picked] if self.settings.use_terms else ""
        return all_for_all_damage(alone, fits, made.hidden, self.weight_lb, use, rest, self.settings)

    def _few_failures(self, made: PartFits, picked: int) -> bool:
        """Whether fewer than 3 failures stand behind a rating of the use; says so."""
        few = self.data.failures - (made.early.seen if made.early.fired else 0)
        if self.by_use:
            few = float(made.rated.weight[made.rated.failed & (made.rated.use == picked)].sum())
        if few < 3:
            use = self.data.use_names[picked] if self.by_use else None
            self.reasons.append(reason(Rests.FEW_FAILURES, failures=few, use=use))
        return few < 3

    def _of_parts_made_now(self, made: PartFits, each: list[FitRating], picked: int, bound: float) -> float:
        """The ``bound`` (log power), or that of parts fitted lately where the records lean to their failing sooner and it is lower: its
        first-order bound, moved by the calibration of the other."""
        if not made.lately or not np.isfinite(bound):
            return bound
        rest = self.promise.without(made.early.share)
        alone = [rate_fit(f, self.weight_lb, picked, rest, self.settings, self.seed, full=False) for f in made.lately]
        now = min(r.first_order for r in self._all_damage(alone, made.lately, made, picked, rest))
        now += min(r.calibrated for r in each) - min(r.first_order for r in each)
        if not now < bound:
            return bound
        self.reasons.append(reason(Rests.FITTED_LATELY, z=made.lately_z, shown=bool(np.isfinite(now))))
        self.reasons.append(reason(Rests.AS_BEFORE, otherwise_hp=as_hp(bound)))
        return now

    def _with_enough(self, rated: LifeData) -> list[int]:
        """Uses with enough failures for a rating of their own; says which are left out."""
        units = np.bincount(rated.use, rated.weight, len(rated.use_names))
        failures = np.bincount(rated.use, rated.weight * rated.failed, len(rated.use_names))
        enough = with_enough(failures, self.settings.use_failures)
        left = tuple(
            (rated.use_names[k], float(units[k]), float(failures[k])) for k in range(len(units)) if k not in enough
        )
        if left:
            self.reasons.append(reason(Rests.USES_HELD, uses=tuple(rated.use_names[k] for k in enough), left=left))
        return enough

    def _demonstrate(self, picked: int | None, early_share: float) -> Demonstration:
        """The demonstration bound for the use picked, else the lowest over the uses asked for."""
        apart = self.by_use and (picked is not None or not self.several)
        found = [
            demonstrate(
                self.data,
                self.weight_lb,
                self.promise.without(early_share),
                self.driving,
                self.settings.usual_share,
                use=k if apart else None,
            )
            for k in ([picked] if picked is not None else self.uses)
        ]
        least = min(found, key=lambda d: d.power_hp if np.isfinite(d.power_hp) else -1)
        # miles of trucks never opened show nothing of damage that stops none
        return least if opened_of(self.data) is None else replace(least, power_hp=NAN)

    def _assembled(self, demo: Demonstration, bound: float, picked: int | None = None) -> RatingBound:
        """The bound held to the powers and weights on record."""
        s, cap = self.settings, self.seen.cap_hp
        capped = False
        if np.isfinite(bound) and not np.isfinite(cap):
            heavy = None if np.isinf(self.asked_lb) else s.cap.weight * self.weight_lb
            self.reasons.append(reason(Rests.FEW_UNITS, units=s.cap.rank, weight_lb=heavy))
            bound = NAN
        elif np.isfinite(bound) and bound > cap:
            capped, bound = True, cap
            self.reasons.append(reason(Rests.AT_LEAST, power_hp=cap))
        if np.isfinite(bound) and bound < self.seen.lowest_power_hp:
            bound = self._below_powers(demo, bound)
        self.reasons += reason_if(Rests.ALL_REPORTED, s.share == 1.0)
        apart = self.by_use and (picked is not None or not self.several)
        name = self.data.use_names[self.uses[0] if picked is None else picked] if apart else self.asked_use or ""
        return RatingBound(
            weight_lb=self.asked_lb,
            use=name,
            rated_use=name,
            promise=self.promise,
            estimate_hp=NAN,
            bound_hp=bound,
            posterior_hp=NAN,
            demonstrated_hp=demo.power_hp,
            capped=capped,
            seen=self.seen,
            early_share=0.0,
            reasons=tuple(self.reasons),
        )

    def _below_powers(self, demo: Demonstration, bound: float) -> float:
        """A ``bound`` under every power on record: itself where it is not far under, else none; says which."""
        lowest = self.seen.lowest_power_hp
        if bound >= self.settings.cap.below * lowest:
            self.reasons.append(reason(Rests.UNDER_POWERS, lowest_hp=lowest))
            return bound
        shown = demo.reason if np.isfinite(demo.power_hp) else None
        self.reasons.append(reason(Rests.BELOW_POWERS, bound_hp=bound, lowest_hp=lowest, shown=shown))
        return NAN


def as_hp(log_power: float) -> float:
    """Power in hp of its logarithm ``log_power``; NaN where there is none."""
    return float(np.exp(log_power)) if np.isfinite(log_power) else NAN


def rate_weights(
    data: LifeData,
    weights_lb: tuple[float, ...],
    use: str | None,
    promise: Promise,
    settings: RatingSettings | None = None,
    seed: int = 1,
    fits: PartFits | None = None,
    full: bool = True,
) -> tuple[RatingBound, ...]:
    """Ratings at several ``weights_lb``, lightest first, made non-increasing in weight: a heavier truck is never
    published higher. What each default costs is worked out at the lightest weight alone and stands on every row. data,
    use, promise, settings, seed, fits, full: as in `rate_part`, whose errors it raises."""
    s = RatingSettings() if settings is None else settings
    if fits is None and data.failures:
        fits = fit_part(data, promise.life, s)
    out: list[RatingBound] = []
    rest = replace(s, explain=False)
    asked = [(data, w, use, promise, rest if i else s, seed, fits, full) for i, w in enumerate(sorted(weights_lb))]
    for i, r in enumerate(each(rate_part, asked)):
        if i:
            r = replace(r, costs=out[0].costs)
        lighter = [q.bound_hp for q in out]
        if np.isfinite(r.bound_hp) and np.isnan(lighter).any():
            why = reason(Rests.LIGHTER_UNRATED)
            r = replace(r, bound_hp=NAN, capped=False, reasons=(*r.reasons, why))
        if lighter and np.isfinite(r.bound_hp) and r.bound_hp > min(lighter):
            held = reason(Rests.HELD_AT_LIGHTER, power_hp=min(lighter))
            r = replace(r, bound_hp=min(lighter), capped=False, reasons=(*r.reasons, held))
        out.append(r)
    return tuple(out)
