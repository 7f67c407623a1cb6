"""The power a part may be published at: the calibrated lower bound, and in words what it rests on.

The rating is the power p at which a share R survives to M miles, at a weight and a use. The signed root of the
likelihood ratio, r(p), is re-centred and re-scaled by simulation at the first-order bound (a Bartlett-like correction
by parametric bootstrap; Lee and Young, Statistics & Probability Letters 71 (2005) 143-153, for the idea), because with
few failures log p is biased upward and the first-order bound is too high.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import ndtri
from scipy.stats import chi2, norm, poisson

from analytics.errors import AnalyticsError
from analytics.models.distributions import standard_quantile
from analytics.models.joint import (
    SLAB,
    JointModel,
    constrained_layout,
    fit_at,
    fit_joint,
    free_theta,
    joint_model,
    log_power_at,
    rating_constraint,
    simulate,
    step_limits,
)
from analytics.models.lifedata import LifeData, rated_weight, weight_words
from analytics.models.mileage import fit_driving
from analytics.models.newton import Optimum, maximise
from analytics.models.posterior import posterior_quantile
from analytics.models.priors import Priors
from analytics.models.quadrature import rate_nodes
from analytics.models.regression import objective
from analytics.ratings.demonstration import demonstrate, rough_miles
from analytics.records.cover import class_of
from analytics.words.saying import say

NAN = float("nan")
#: signed root by which a calibration may move a bound at the most (a judgement)
_CALIBRATION_MOST = 1.5
FAR_BEHIND = 4.0  # log-likelihood by which a life law must lose to be left out altogether


@dataclass(frozen=True, slots=True)
class RatingSettings:
    """How a rating is made. Each default can be switched off; the result says what each one changed.

    both_laws: Weibull and log-normal life both count, as far as the records leave both open. selection: readings may
    come mainly from those who drive more (or less). decline: miles per day may change past ``change_days``. share:
    reporting share, None for one with a prior, 1 for "every failure was reported". early: the early-failure test, under
    ``early_miles``. use_terms: a rating per recorded use; one
    with fewer than use_failures is left out of the harshest. replicates: simulated fleets of the calibration; below 20 the
    first-order bound is published. draws: of the second opinion. cap_rank, cap_weight: the cap is the cap_rank-th
    highest power among units at cap_weight x the weight or more. explain: work out what each default costs (about as
    long again).
    """

    both_laws: bool = True
    selection: bool = True
    decline: bool = True
    change_days: float = 1096.0
    share: float | None = None
    early: bool = True
    early_miles: float = 2000.0
    early_level: float = 0.01
    early_confidence: float = 0.7
    use_terms: bool = True
    use_failures: int = 3
    replicates: int = 100
    draws: int = 512
    cap_rank: int = 5
    cap_weight: float = 0.86
    weight_edges: tuple[float, ...] = (7500.0, 9000.0)
    priors: Priors = field(default_factory=Priors)
    explain: bool = True


PLAIN = RatingSettings(both_laws=False, selection=False, decline=False, share=1.0, early=False)


@dataclass(frozen=True, slots=True)
class LawRating:
    """One life law: log powers of the estimate, first-order, calibrated and second-opinion bounds; what made them.

    tried: fleets simulated for the calibration; 0 where it was left out on purpose. fleets: those that could be fitted.
    """

    law: str
    estimate: float
    first_order: float
    calibrated: float
    opinion: float
    effective_draws: float
    root_mean: float
    root_sd: float
    tried: int
    fleets: int
    loglik: float
    shape: float
    power_exponent: float
    weight_exponent: float
    decline: float
    slope: float
    share: float
    converged: bool


@dataclass(frozen=True, slots=True, repr=False)
class RatingBound:
    """The rating of one part at one weight and use. Powers in hp at the crank; NaN where the reasons say why.

    rated_use: the use the number is for: ``use`` itself, or the harshest with enough on record where none is stated.
    bound_hp is what may be published. capped: bound_hp is the highest power with experience, so read "at least".
    demonstrated_only: no failure, so not modelled. checks: what fired. costs: what each default took off, in words.
    """

    weight_lb: float
    use: str
    rated_use: str
    life_miles: float
    reliability: float
    confidence: float
    estimate_hp: float
    bound_hp: float
    first_order_hp: float
    demonstrated_hp: float
    second_opinion_hp: float
    cap_hp: float
    capped: bool
    demonstrated_only: bool
    law: str
    units: float
    failures: float
    miles: float
    highest_power_hp: float
    lowest_power_hp: float
    early_share: float
    reasons: tuple[str, ...]
    checks: tuple[str, ...]
    costs: tuple[str, ...]
    laws: tuple[LawRating, ...]
    seed: int

    def __repr__(self) -> str:
        where = weight_words(self.weight_lb) + (f", {self.use}" if self.use else "")
        return (
            f"RatingBound({where}: {'at least ' if self.capped else ''}{self.bound_hp:,.0f} hp, estimate "
            f"{self.estimate_hp:,.0f}, demonstrated {self.demonstrated_hp:,.0f}; {self.failures:g} failures in "
            f"{self.units:,.0f} units)"
        )

    @property
    def reason(self) -> str:
        """The reasons as one sentence."""
        return "; ".join(self.reasons)


# ---- the signed root -------------------------------------------------------------------------------------------
class SignedRoot:
    """r(log p) of one fit, each constrained fit started from the nearest one already made."""

    def __init__(self, model: JointModel, top: Optimum, reliability: float, log_weight: float, use: int):
        self.model, self.top = model, top
        self.reliability, self.log_weight, self.use = reliability, log_weight, use
        z = standard_quantile(reliability, model.law)
        self.estimate = float(log_power_at(model, top.theta, z, log_weight, use)[0])
        self.fits: dict[float, tuple[Optimum, float]] = {}

    def constraint(self, log_power: float):
        return rating_constraint(self.model, log_power, self.reliability, self.log_weight, self.use)

    def __call__(self, log_power: float) -> float:
        if log_power not in self.fits:
            near = min(self.fits, key=lambda q: abs(q - log_power)) if self.fits else None
            start = self.fits[near][0].theta[0] if near is not None else np.delete(self.top.theta[0], 1)
            fit = fit_at(self.model, self.constraint(log_power), start)
            gap = 2 * max(float(self.top.value[0] - fit.value[0]), 0.0)
            self.fits[log_power] = fit, float(np.sign(self.estimate - log_power) * np.sqrt(gap))
        return self.fits[log_power][1]

    def solve(self, target: float, guess: float | None = None, reach: float = 6.0) -> float:
        """log p at which r equals ``target``; r falls as p rises. -inf or inf when it is not reached within ``reach``."""
        if target == 0:
            return self.estimate
        step = self.spread() * target
        a, ra = self.estimate, 0.0
        b = guess if guess is not None and guess != a else a - step
        side = np.sign(target)
        for _ in range(40):
            rb = self(b)
            if side * (rb - target) >= 0:
                break
            a, ra = b, rb
            b = b - side * max(abs(step), 0.02)
            step *= 1.6
            if abs(b - self.estimate) > reach:
                return -np.inf if side > 0 else np.inf
        else:
            return -np.inf if side > 0 else np.inf
        for _ in range(60):
            if abs(rb - target) < 1e-7 or abs(b - a) < 1e-10:
                return b
            if abs(ra - target) < 1e-7:
                return a
            c = a + (target - ra) * (b - a) / (rb - ra)
            if not min(a, b) < c < max(a, b):
                c = 0.5 * (a + b)
            rc = self(c)
            if abs(rc - target) < 1e-7:
                return c
            # regula falsi with the Illinois rule, kept inside the bracket
            if (rc - target) * (rb - target) < 0:
                a, ra = b, rb
            else:
                ra = target + 0.5 * (ra - target)
            b, rb = c, rc
        return b

    def spread(self) -> float:
        """Standard error of the log rating by the delta method: only to start the search."""
        lay, theta = self.model.layout, self.top.theta[0]
        x0 = self.model.covariates(self.estimate, self.log_weight, self.use)
        g = np.zeros(lay.size)
        g[lay.gamma] = -np.concatenate([[1.0], x0]) / theta[lay.gamma][1]
        try:
            var = g @ np.linalg.solve(-self.top.hess[0], g)
        except np.linalg.LinAlgError:
            var = NAN
        return float(np.clip(np.sqrt(var), 0.005, 1.0)) if var > 0 else 0.2


def calibrate(root: SignedRoot, log_power: float, replicates: int, seed: int) -> tuple[float, float, int]:
    """Mean and sd of r at ``log_power`` over fleets simulated from the constrained fit there, and how many converged.

    Each fleet has its own stream of random numbers, so that how many are held in memory at once moves no figure.
    """
    model = root.model
    root(log_power)
    start = root.fits[log_power][0].theta
    constraint = root.constraint(log_power)
    free_start = free_theta(start, constraint)
    lay, small = model.layout, constrained_layout(model.layout)
    units = int(model.data.weight.sum())
    slab = int(np.clip(SLAB // max(units, 1), 1, replicates))
    steep = float(np.exp(start[0, 0] + start[0, small.tau])) if lay.uses else 1.0
    nodes = rate_nodes(steep, fine=False)
    streams = np.random.default_rng(seed).spawn(replicates)
    z = standard_quantile(root.reliability, model.law)
    signed = model.priors.power is not None
    out = []
    for i in range(0, replicates, slab):
        own = streams[i : i + slab]
        rows = simulate(model, free_start[0], own)
        held = maximise(
            objective(rows, small, model.law, model.priors, nodes, constraint),
            np.repeat(start, len(own), 0),
            negative=1 if signed else None,
            limits=step_limits(small),
            tolerance=1e-4,
            rounds=30,
        )
        free = maximise(
            objective(rows, lay, model.law, model.priors, nodes),
            free_theta(held.theta, constraint),
            negative=2 if signed else None,
            limits=step_limits(lay),
            tolerance=1e-4,
            rounds=30,
        )
        side = log_power_at(model, free.theta, z, root.log_weight, root.use) - log_power
        r = np.sign(side) * np.sqrt(2 * np.maximum(free.value - held.value, 0))
        out.append(r[held.converged & free.converged])
    r = np.concatenate(out)
    return (float(r.mean()), float(r.std(ddof=1)), len(r)) if len(r) > 2 else (NAN, NAN, len(r))


def profile_limits(root: SignedRoot, level: float = 0.95) -> tuple[float, float]:
    """Two-sided first-order profile limits of the log rating."""
    k = float(ndtri(0.5 + level / 2))
    return root.solve(k), root.solve(-k)


# ---- one law -----------------------------------------------------------------------------------------------------
def _model(data: LifeData, life_miles: float, law: str, s: RatingSettings) -> JointModel:
    return joint_model(data, life_miles, law, s.priors, s.decline, s.change_days, s.selection, s.share, s.use_terms)


def rate_law(
    model: JointModel,
    top: Optimum,
    weight_lb: float,
    use: int,
    reliability: float,
    confidence: float,
    settings: RatingSettings,
    seed: int,
    full: bool = True,
    behind: float = 0.0,
) -> LawRating:
    """Estimate and bounds under one law. full=False stops at the first-order bound.

    ``behind``: how far this law's best log-likelihood lies below the other's. The law counts as one more parameter of
    the profile: a power is ruled out once the best law's likelihood there has dropped by target^2/2, so a law that is
    behind already has only the rest to go; one further behind than that rules nothing out (infinite bounds).
    """
    lw = float(np.log(weight_lb))
    root = SignedRoot(model, top, reliability, lw, use)
    zc = float(ndtri(confidence))

    def left(target: float) -> float:
        return float(np.sqrt(max(target**2 - 2 * behind, 0.0)))

    own = root.solve(zc)
    first = own if behind == 0 else root.solve(left(zc)) if left(zc) > 0 else np.inf
    calibrated, opinion, ess, mean, sd, tried, fleets = first, NAN, NAN, NAN, NAN, 0, 0
    if full and np.isfinite(own) and behind < FAR_BEHIND:
        if settings.replicates >= 20:
            tried = settings.replicates
            mean, sd, fleets = calibrate(root, own, settings.replicates, seed)
            target = max(mean, 0.0) + zc * max(sd, 1.0)
            if target > zc and left(target) > 0:
                calibrated = min(first, root.solve(left(target), own - root.spread() * (left(target) - zc)))
        if settings.draws:
            z = standard_quantile(reliability, model.law)
            opinion, ess = posterior_quantile(model, top, z, lw, use, confidence, settings.draws, seed)
    theta, lay = top.theta[0], model.layout
    beta = float(np.exp(theta[0]))
    gamma = theta[lay.gamma]
    weight_exponent = gamma[model.columns.index("log weight")] / beta if "log weight" in model.columns else NAN

    def of(name, default):
        at = lay.place(name)
        return float(theta[at]) if at is not None else default

    share = of("share", NAN)
    return LawRating(
        model.law,
        root.estimate,
        first,
        calibrated,
        opinion,
        ess,
        mean,
        sd,
        tried,
        fleets,
        float(top.value[0]),
        beta,
        float(gamma[1] / beta),
        float(weight_exponent),
        of("decline", lay.fixed_decline),
        of("slope", 0.0),
        1 / (1 + np.exp(-share)) if np.isfinite(share) else lay.fixed_share,
        bool(top.converged[0]),
    )


# ---- early failures ------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class EarlyCheck:
    """seen failures under ``miles``, expected of wear, p-value; fired; share of units taken as early failures."""

    seen: float
    expected: float
    p_value: float
    fired: bool
    share: float
    miles: float


def early_check(data: LifeData, life_miles: float, settings: RatingSettings) -> tuple[EarlyCheck, LifeData]:
    """Are there more failures under ``early_miles`` than wear explains? If so, the data with those taken out as
    failures (the life ends there, unfailed), to be rated at R/(1 - share)."""
    limit = settings.early_miles
    early = data.failed & (np.where(np.isfinite(data.upper), data.upper, np.inf) <= limit)
    seen = float(data.weight[early].sum())
    if seen < 2 or seen == data.failures:
        return EarlyCheck(seen, NAN, NAN, False, 0.0, limit), data
    cleaned = replace(
        data,
        lower=np.where(early, np.maximum(data.upper, 1.0), data.lower),
        upper=np.where(early, np.inf, data.upper),
        lower_days=np.where(early, data.upper_days, data.lower_days),
        upper_days=np.where(early, np.inf, data.upper_days),
        known_alive=data.known_alive | early,
    )
    model, top = fit_joint(_model(cleaned, life_miles, "weibull", replace(settings, share=settings.share or 1.0)))
    theta = top.theta[0]
    z = np.exp(theta[0]) * np.log(limit / life_miles) - model.x @ theta[model.layout.gamma]
    new = (data.entry == 0) & (data.entry_days == 0)
    expected = float((data.weight * -np.expm1(-np.exp(z)))[new].sum())
    p_value = float(poisson.sf(seen - 1, expected))
    if not (p_value < settings.early_level):
        return EarlyCheck(seen, expected, p_value, False, 0.0, limit), data
    # the share itself is uncertain: an upper limit of it, not its estimate
    share = float(chi2.ppf(settings.early_confidence, 2 * seen + 2) / 2 / data.weight[new].sum())
    return EarlyCheck(seen, expected, p_value, True, share, limit), cleaned


# ---- the rating ------------------------------------------------------------------------------------------------------
def cap_power(data: LifeData, weight_lb: float, settings: RatingSettings) -> float:
    """The cap_rank-th highest power among vehicles at cap_weight x the weight or more; NaN when there are fewer."""
    near = data.log_weight >= np.log(settings.cap_weight * weight_lb) - 1e-12
    best: dict[int, tuple[float, float]] = {}
    for unit, power, count in zip(data.unit[near], data.log_power[near], data.weight[near], strict=True):
        if power > best.get(int(unit), (-np.inf, 0))[0]:
            best[int(unit)] = (float(power), float(count))
    left = settings.cap_rank
    for power, count in sorted(best.values(), reverse=True):
        left -= count
        if left <= 0:
            return float(np.exp(power))
    return NAN


def rate_part(
    data: LifeData,
    weight_lb: float,
    use: str | None,
    life_miles: float,
    reliability: float = 0.9,
    confidence: float = 0.9,
    settings: RatingSettings | None = None,
    seed: int = 1,
) -> RatingBound:
    """The rating of one part at one weight (inf: any, where the lives have none). ``use`` None: the harshest use on record. Raises AnalyticsError on settings
    that make no sense; data that cannot carry a number come back as NaN with the reason."""
    s = RatingSettings() if settings is None else settings
    if not (0 < reliability < 1 and 0 < confidence < 1 and life_miles > 0 and weight_lb > 0):
        raise AnalyticsError(
            f"reliability {reliability}, confidence {confidence}, life {life_miles} miles, weight "
            f"{weight_lb} lb: shares must lie between 0 and 1, life and weight above 0"
        )
    if s.share is not None and not 0 < s.share <= 1:
        raise AnalyticsError(f"reporting share {s.share}: give a number above 0 and at most 1, or none for a prior")
    if use is not None and s.use_terms and use not in data.use_names:
        raise AnalyticsError(f"use {use!r} is not on record; there are {', '.join(data.use_names)}")
    asked_lb, weight_lb = weight_lb, rated_weight(weight_lb)
    reasons: list[str] = []
    checks: list[str] = []
    costs: list[str] = []
    cap = cap_power(data, weight_lb, s)
    powers = np.exp(data.log_power)
    uses = [data.use_names.index(use)] if use is not None and s.use_terms else list(range(len(data.use_names)))
    if not s.use_terms:
        uses = [0]
    several = use is None and s.use_terms and len(data.use_names) > 1
    driving = None
    if data.unknown.any() or np.isnan(data.lower).any():
        driving = fit_driving(data, s.priors, s.decline, s.change_days)
        if driving.known == 0:
            reasons.append("no odometer is known: miles per day are an assumption (median 30 a day)")

    def finish(estimate=NAN, bound=NAN, first=NAN, opinion=NAN, only=False, law="", laws=(), early=0.0, picked=None):
        target = reliability / (1 - early)
        demos = [
            demonstrate(
                data,
                weight_lb,
                life_miles,
                target,
                confidence,
                driving,
                s.share or _share_mean(s),
                use=k if s.use_terms and len(data.use_names) > 1 and (picked is not None or not several) else None,
            )
            for k in ([picked] if picked is not None else uses)
        ]
        demo = min(demos, key=lambda d: d.power_hp if np.isfinite(d.power_hp) else -1)
        capped = False
        if only:
            bound = demo.power_hp
            reasons.append(
                f"demonstrated, not modelled: {say(demo.reason)}" if np.isfinite(bound) else say(demo.reason)
            )
            if several and np.isfinite(bound):
                reasons.append("holds for the mix of uses those miles were run in")
            if s.share is None:
                reasons.append(f"counts on {_share_mean(s):.0%} of failures being reported")
        if np.isfinite(bound) and not np.isfinite(cap):
            reasons.append(
                f"fewer than {s.cap_rank} units on record: no rating"
                if np.isinf(asked_lb)
                else f"fewer than {s.cap_rank} units at {s.cap_weight * weight_lb:,.0f} lb or more: no rating at this weight"
            )
            bound = NAN
        elif np.isfinite(bound) and bound > cap:
            capped, bound = True, cap
            reasons.append(
                f"at least {cap:,.0f} hp: the part is not proven to be weaker than any power with experience"
            )
        if not only and np.isfinite(bound) and bound < powers.min():
            reasons.append(
                f"no rating demonstrable: the bound of {bound:,.0f} hp lies below the lowest power on record, "
                f"{powers.min():,.0f} hp"
                + (f"; {say(demo.reason)} is all that is shown" if np.isfinite(demo.power_hp) else "")
            )
            bound = NAN
        if s.share == 1.0:
            reasons.append("assumes every failure was reported")
        apart = len(data.use_names) > 1 and s.use_terms and (picked is not None or not several)
        name = data.use_names[picked if picked is not None else uses[0]] if apart else use or ""
        return RatingBound(
            asked_lb,
            name,
            name,
            life_miles,
            reliability,
            confidence,
            estimate,
            bound,
            first,
            demo.power_hp,
            opinion,
            cap,
            capped,
            only,
            law,
            data.units,
            data.failures,
            float((data.weight * rough_miles(data, driving)).sum()),
            float(powers.max()),
            float(powers.min()),
            early,
            tuple(reasons),
            tuple(checks),
            tuple(costs),
            tuple(laws),
            seed,
        )

    if data.failures == 0:
        return finish(only=True)

    early, rated = EarlyCheck(0, NAN, NAN, False, 0.0, s.early_miles), data
    if s.early:
        early, rated = early_check(data, life_miles, s)
        if early.fired:
            checks.append(
                f"{early.seen:g} failures under {early.miles:,.0f} miles where wear explains {early.expected:.1f}: "
                f"taken as early failures, {early.share:.1%} of units, and the rest rated at a survival of "
                f"{reliability / (1 - early.share):.1%}"
            )
    target = reliability / (1 - early.share)
    if target > 0.999:
        reasons.append(f"early failures alone take {early.share:.1%} of units: no power can give {reliability:.0%}")
        return finish(early=min(early.share, 1 - reliability))

    fits = []
    for law in ("weibull", "lognormal") if s.both_laws else ("weibull",):
        model, top = fit_joint(_model(rated, life_miles, law, s))
        if top.converged[0]:
            fits.append((model, top))
        else:
            checks.append(f"the {law} fit did not converge (decrement {float(top.decrement[0]):.1g})")
    if not fits:
        reasons.append("no fit converged: the records cannot carry a rating")
        return finish(early=early.share)
    _describe(rated, fits, weight_lb, s, checks)

    best = max(float(t.value[0]) for _, t in fits)
    behind = [best - float(t.value[0]) for _, t in fits]
    if several:
        uses = _uses_to_rate(rated, s, reasons)

    def rated_for(k: int, sure: float = confidence, full: bool = True) -> list[LawRating]:
        return [
            rate_law(m, t, weight_lb, k, target, sure, s, seed, full, d) for (m, t), d in zip(fits, behind, strict=True)
        ]

    picked, laws = _harshest(uses, rated_for, confidence, s.replicates)
    if several and len(uses) > 1:
        reasons.append(f"use not stated: rated for {data.use_names[picked]}, the harshest with enough on record")
    chosen = min(laws, key=lambda r: r.calibrated)
    estimate = max(laws, key=lambda r: r.loglik).estimate
    opinion = min([r.opinion for r in laws if np.isfinite(r.opinion)], default=NAN)
    bound = chosen.calibrated
    few, where = data.failures - (early.seen if early.fired else 0), ""
    if s.use_terms and len(data.use_names) > 1:
        few = float(rated.weight[rated.failed & (rated.use == picked)].sum())
        where = f" in {data.use_names[picked]} use"
    if few < 3:
        reasons.append(f"rests on assumptions: only {few:g} failure{'' if few == 1 else 's'}{where}")
        if np.isfinite(opinion):
            bound = min(bound, opinion)
    for r in laws:
        name = "Weibull" if r.law == "weibull" else "log-normal"
        gap = best - r.loglik
        if r.fleets < 0.9 * r.tried:
            checks.append(f"{r.tried - r.fleets} of {r.tried} simulated fleets could not be fitted ({r.law})")
        elif s.replicates >= 20 and not r.tried and gap >= FAR_BEHIND:
            checks.append(
                f"{name} life was left out of the calibration on purpose: its log-likelihood is {gap:.1f} lower, so the "
                "records speak against it"
            )
        elif s.replicates >= 20 and not r.tried:
            checks.append(f"{name} life was left out of the calibration: under it the records rule out no power")
        if np.isfinite(r.effective_draws) and r.effective_draws < 50:
            checks.append(
                f"the second opinion rests on {r.effective_draws:.0f} effective draws ({r.law}): too few to trust"
            )
    if np.isfinite(opinion) and np.isfinite(bound) and abs(opinion - bound) > 0.1:
        checks.append(
            f"the second opinion ({np.exp(opinion):,.0f} hp) is more than 10 % from the bound ({np.exp(bound):,.0f} hp)"
        )
    own = [n for n in fits[0][0].columns if n in data.extra_names]
    if own:
        reasons.append(f"for a truck with average {' and '.join(own)}")
    if not np.isfinite(bound):
        reasons.append("no rating demonstrable: the records do not rule out any power, however low")
    if s.explain:
        costs += _costs(data, weight_lb, picked, life_miles, reliability, confidence, s, seed, early)
    hp = float(np.exp(bound)) if np.isfinite(bound) else NAN
    first = min(r.first_order for r in laws)
    return finish(
        float(np.exp(estimate)),
        hp,
        float(np.exp(first)) if np.isfinite(first) else NAN,
        float(np.exp(opinion)) if np.isfinite(opinion) else NAN,
        False,
        chosen.law,
        laws,
        early.share,
        picked,
    )


def _harshest(
    uses: list[int], rated_for: Callable[..., list[LawRating]], confidence: float, replicates: int
) -> tuple[int, list[LawRating]]:
    """The use whose calibrated bound is the lowest, and its ratings. rated_for(use, confidence, full) rates one.

    Uses are calibrated from the lowest first-order bound up; one is passed over where even a far stricter first-order bound than any
    calibration asks for lies above the lowest found.
    """
    if len(uses) == 1:
        return uses[0], rated_for(uses[0])
    firsts = {k: min(r.first_order for r in rated_for(k, full=False)) for k in uses}
    strictest = float(norm.cdf(ndtri(confidence) + _CALIBRATION_MOST))
    picked, laws, lowest = uses[0], [], np.inf
    for k in sorted(uses, key=firsts.__getitem__):
        if laws and (replicates < 20 or min(r.first_order for r in rated_for(k, strictest, False)) >= lowest):
            continue
        own = rated_for(k)
        bound = min(r.calibrated for r in own)
        if not laws or bound < lowest:
            picked, laws, lowest = k, own, bound
    return picked, laws


def _uses_to_rate(data: LifeData, s: RatingSettings, reasons: list[str]) -> list[int]:
    """Uses with enough failures for a rating of their own; says which are left out."""
    units = np.bincount(data.use, data.weight, len(data.use_names))
    failures = np.bincount(data.use, data.weight * data.failed, len(data.use_names))
    # uses are never thrown together: harsh ones run few miles, so that mild ones would vouch for them at high miles
    enough = [k for k in range(len(units)) if failures[k] >= s.use_failures] or list(
        np.flatnonzero(failures == failures.max())
    )
    left = [
        f"{data.use_names[k] or 'no use stated'} ({units[k]:,.0f} {'life' if units[k] == 1 else 'lives'}, {failures[k]:g} {'failure' if failures[k] == 1 else 'failures'})"
        for k in range(len(units))
        if k not in enough
    ]
    if left:
        reasons.append(
            f"holds for {', '.join(data.use_names[k] or 'no use stated' for k in enough)}; too few failures for a "
            "rating of their own: " + ", ".join(left)
        )
    return enough


def _share_mean(s: RatingSettings) -> float:
    return 1.0 if s.priors.share is None else float(1 / (1 + np.exp(-s.priors.share[0])))


def _describe(data: LifeData, fits, weight_lb: float, s: RatingSettings, checks: list[str]) -> None:
    """Checks of the data and the fit, in words."""
    model, top = fits[0]
    free = replace(s.priors, power=None, others=())
    loose = replace(model, priors=replace(free, others=model.priors.others))
    one_power = np.ptp(data.log_power) < 1e-6
    if one_power:
        checks.append("every vehicle has the same power: how life falls with power rests on its prior")
    _, open_top = fit_joint(loose, top.theta[0]) if not one_power else (model, top)
    if not open_top.converged[0]:
        checks.append(
            "how life falls with power cannot be told from the records alone (the fit without its prior does not settle): "
            "the slope is held up by its prior"
        )
    elif not one_power:
        theta = open_top.theta[0]
        slope = theta[2] / np.exp(theta[0])
        var = np.linalg.pinv(-open_top.hess[0])[2, 2]
        p = float(norm.cdf(theta[2] / np.sqrt(var))) if var > 0 else NAN
        if not (p < 0.1):
            checks.append(
                f"the records alone do not show that more power means less life (exponent {slope:+.1f}, "
                f"p = {p:.2f}): the slope is held up by its prior"
            )
    if data.rates_alike:
        checks.append(
            "every odometer on record gives about the same miles a day: were they read, or written down by a rule?"
        )
    se = np.sqrt(np.maximum(np.diag(np.linalg.pinv(-top.hess[0])), 0))[model.layout.gamma]
    for name in (n for n in model.columns if n in data.extra_names):
        g = top.theta[0][model.layout.gamma][model.columns.index(name)]
        p = float(2 * norm.sf(abs(g) / max(se[model.columns.index(name)], 1e-12)))
        checks.append(
            f"{name}: one standard deviation more goes with {np.exp(g / np.exp(top.theta[0][0])):.2f} times the life "
            f"(p = {p:.2g})"
        )
    columns = model.x[:, 1:]
    if columns.shape[1] > 1:
        others = np.column_stack([np.ones(len(columns)), columns[:, 1:]])
        w = np.sqrt(data.weight)
        fit = np.linalg.lstsq(others * w[:, None], columns[:, 0] * w, rcond=None)[0]
        left = (data.weight * (columns[:, 0] - others @ fit) ** 2).sum()
        mean = np.average(columns[:, 0], weights=data.weight)
        total = (data.weight * (columns[:, 0] - mean) ** 2).sum()
        vif = total / max(left, 1e-300)
        if vif > 5:
            checks.append(
                f"power and the other columns move together (variance inflation {vif:.1f}): their effects cannot "
                "be told apart, and no vehicle outside the mix seen is rated"
            )
    classes = class_of(np.exp(data.log_weight), s.weight_edges)
    hit = np.unique(classes[data.failed])
    here = int(class_of(weight_lb, s.weight_edges))
    if len(hit) == 1 and len(np.unique(classes)) > 1 and here != hit[0]:
        checks.append(
            "all failures are in one weight class, and it is not this one: the step between classes rests on its prior"
        )
    if len(fits) == 2:
        gap = float(fits[1][1].value[0] - fits[0][1].value[0])
        if abs(gap) > 2:
            checks.append(
                f"{'log-normal' if gap > 0 else 'Weibull'} life fits better (log-likelihood {abs(gap):.1f} higher)"
            )
    lay, theta = model.layout, top.theta[0]
    cov = np.linalg.pinv(-top.hess[0])
    for name, threshold, text in (
        ("slope", 1.64, "odometers are known mainly for those who drive {0} (selection slope {1:+.1f})"),
        ("decline", 1.64, "trucks drive {0} as they age ({1:+.0%} a day past the change)"),
    ):
        at = lay.place(name)
        if at is None:
            continue
        value, se = theta[at], np.sqrt(max(cov[at, at], 1e-12))
        if abs(value) > threshold * se:
            shown = value if name == "slope" else np.expm1(value)
            checks.append(text.format("more" if value > 0 else "less", shown))


def _costs(data, weight_lb, use, life_miles, reliability, confidence, s, seed, early) -> list[str]:
    """What each default takes off the first-order bound, in words: the bound with it against the bound without."""

    def bound(settings: RatingSettings) -> float:
        check, rated = early_check(data, life_miles, settings) if settings.early else (None, data)
        r = reliability / (1 - (check.share if check is not None else 0.0))
        fits = [
            fit_joint(_model(rated, life_miles, law, settings))
            for law in (("weibull", "lognormal") if settings.both_laws else ("weibull",))
        ]
        fits = [(m, t) for m, t in fits if t.converged[0]]
        best = max((float(t.value[0]) for _, t in fits), default=NAN)
        return min(
            (
                rate_law(
                    m, t, weight_lb, use, r, confidence, settings, seed, False, best - float(t.value[0])
                ).first_order
                for m, t in fits
            ),
            default=NAN,
        )

    here = bound(s)
    if not np.isfinite(here):
        return []
    offers = []
    if s.both_laws:
        offers.append(("allowing for Weibull or log-normal life", replace(s, both_laws=False)))
    if s.selection:
        offers.append(("allowing for who gets an odometer reading", replace(s, selection=False)))
    if s.decline:
        offers.append(("allowing for fewer miles with age", replace(s, decline=False)))
    if s.share is None:
        offers.append(("allowing for failures never reported", replace(s, share=1.0)))
    if s.early and early.fired:
        offers.append(("taking early failures apart", replace(s, early=False)))
    out = []
    for words, other in offers:
        off = bound(other)
        if np.isfinite(off):
            change = np.expm1(here - off)
            out.append(f"{words}: {change:+.1%}" if abs(change) >= 0.0005 else f"{words}: no change")
    return out


def rate_weights(
    data: LifeData,
    weights_lb: tuple[float, ...],
    use: str | None,
    life_miles: float,
    reliability: float = 0.9,
    confidence: float = 0.9,
    settings: RatingSettings | None = None,
    seed: int = 1,
) -> tuple[RatingBound, ...]:
    """Ratings at several weights, lightest first, made non-increasing in weight: a heavier truck is never published
    higher. What each default costs is worked out at the lightest weight alone and stands on every row."""
    s = RatingSettings() if settings is None else settings
    out: list[RatingBound] = []
    for i, weight in enumerate(sorted(weights_lb)):
        r = rate_part(
            data, weight, use, life_miles, reliability, confidence, s if i == 0 else replace(s, explain=False), seed
        )
        if i:
            r = replace(r, costs=out[0].costs)
        lighter = [q.bound_hp for q in out]
        if np.isfinite(r.bound_hp) and np.isnan(lighter).any():
            r = replace(
                r,
                bound_hp=NAN,
                capped=False,
                reasons=(*r.reasons, "a lighter class has no rating, so this one has none"),
            )
        if lighter and np.isfinite(r.bound_hp) and r.bound_hp > min(lighter):
            r = replace(
                r,
                bound_hp=min(lighter),
                capped=False,
                reasons=(*r.reasons, f"held at the {min(lighter):,.0f} hp of the lighter class"),
            )
        out.append(r)
    return tuple(out)


def sensitivity(
    data: LifeData,
    weight_lb: float,
    use: str | None,
    life_miles: float,
    reliability: float = 0.9,
    confidence: float = 0.9,
    settings: RatingSettings | None = None,
    seed: int = 1,
    shares: tuple[float, ...] = (1.0, 0.85, 0.7, 0.5),
) -> dict[str, float]:
    """The bound in hp were the reporting share known to be each of ``shares``, and under each life law alone."""
    s = replace(RatingSettings() if settings is None else settings, explain=False, draws=0)
    out = {}
    for share in shares:
        out[f"{share:.0%} of failures reported"] = rate_part(
            data, weight_lb, use, life_miles, reliability, confidence, replace(s, share=share), seed
        ).bound_hp
    base = rate_part(data, weight_lb, use, life_miles, reliability, confidence, s, seed)
    for law in base.laws:
        out[f"{law.law} life alone"] = float(np.exp(law.calibrated))
    return out
