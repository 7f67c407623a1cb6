"""What if: a limit were moved, or the promise, the reporting share or the wheel-to-crank loss were other than assumed.

Moving a limit changes which part some trucks get. How many a year, how often those come back before the target life, and
what it costs, from the shop's own mix of builds and the fit of the part; nothing here changes a limit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.lifetimes.opened import found_when_opened, still_driving
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.models.distributions import survival_of
from analytics.models.lifedata import ANY_WEIGHT, LifeData
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import rate_part
from analytics.ratings.demonstration import SHAPES, exposures, needed
from analytics.ratings.options import Options
from analytics.ratings.pooling import options_of
from analytics.ratings.predict import PartFit, PartLives, fit_lives
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Flag, Reason, Refused, Unfitted, brief, reason
from analytics.records.cover import over, up_to
from analytics.records.flags import has_flag
from analytics.records.load import Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.records.shop import Shop

NAN = float("nan")
#: of the intervals of a moved limit
LEVEL = 0.9


# ---- the trucks concerned --------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class BuildMix:
    """Builds in a span of power and weight. frame: power_hp, weight_lb, use, part, count; one row per build with both known.

    years: looked at. basis: "last years", "all years" (none in the last ones) or "none". scale: what each row stands for,
    above 1 where builds of unknown power or weight are shared out in proportion.
    """

    frame: pd.DataFrame
    years: float
    basis: str
    scale: float

    def __repr__(self) -> str:
        return brief(self, "built", "years", "basis")

    @property
    def built(self) -> float:
        return float(self.frame["count"].sum())

    @property
    def a_year(self) -> float:
        return self.built * self.scale / self.years if self.years > 0 else 0.0


def build_mix(
    lifetimes: Lifetimes,
    component: str,
    low_hp: float,
    high_hp: float,
    weight_from: float = 0.0,
    weight_up_to: float = np.inf,
    years: float = 3.0,
) -> BuildMix:
    """Builds in ``lifetimes`` with that component, any part, above ``low_hp`` up to ``high_hp``, above ``weight_from``
    up to ``weight_up_to`` lb, of the last ``years``, or of all where those hold none. Raises AnalyticsError where the
    component is not on record."""
    table = lifetimes.table
    first = table[(table["component"] == component) & (table["spell"] == 1) & (table["segment"] == 1)]
    if first.empty:
        known = ", ".join(sorted(set(table["component"])))
        raise AnalyticsError(f"no builds with component {component!r}; there are {known}")
    weightless = not (first["weight_lb"] > 0).any()
    on_record = (lifetimes.as_of - first["begun_on"].min()).days / DAYS_A_YEAR
    for basis, span in (("last years", min(years, on_record)), ("all years", on_record)):
        since = lifetimes.as_of - pd.Timedelta(days=round(span * DAYS_A_YEAR))
        recent = first[first["begun_on"] >= since]
        power, weight = recent["power_hp"].to_numpy(float), recent["weight_lb"].to_numpy(float)
        count = recent["count"].to_numpy(float)
        if weightless:
            weight = np.full(len(weight), ANY_WEIGHT)
        in_power, in_weight = (
            (power > low_hp) & (power <= high_hp),
            # a truck without a weight stands at a weight of its own, under no edge
            np.full(len(weight), True) if weightless else over(weight, weight_from) & up_to(weight, weight_up_to),
        )
        inside = in_power & in_weight
        if inside.any():
            known = count[~np.isnan(power) & ~np.isnan(weight)].sum()
            frame = (
                recent.assign(weight_lb=weight)
                .loc[inside, ["power_hp", "weight_lb", "use", "part", "count"]]
                .reset_index(drop=True)
            )
            return BuildMix(frame, max(span, 1 / DAYS_A_YEAR), basis, float(count.sum() / known))
    return BuildMix(first.iloc[:0][["power_hp", "weight_lb", "use", "part", "count"]], on_record, "none", 1.0)


def failing_by(
    fit: PartFit, power_hp: np.ndarray, weight_lb: np.ndarray, use: Sequence[str], miles: float
) -> np.ndarray:
    """Chance (B, n) that new trucks of ``power_hp`` (n,), ``weight_lb`` (n,) and ``use`` have failed by ``miles``, one
    row per draw of the fit. A use not on record for the part is taken as its most common one."""
    model, _ = fit.fitted()
    names = model.data.use_names
    common = int(np.argmax(np.bincount(model.data.use, model.data.weight)))
    x = np.array(
        [
            np.concatenate([[1.0], model.covariates(np.log(p), np.log(w), names.index(u) if u in names else common)])
            for p, w, u in zip(power_hp, weight_lb, use, strict=True)
        ]
    )
    z = np.exp(fit.theta[:, :1]) * np.log(miles / model.life_miles) - fit.theta[:, model.layout.gamma] @ x.T
    fails = 1 - survival_of(z, model.distribution)
    if fit.early.fired:
        new = (model.data.entry == 0) & (model.data.days.entry == 0)
        fails = 1 - (1 - fails) * (
            1 - fit.early.seen / model.data.weight[new].sum() * min(miles / fit.early.miles, 1.0)
        )
    return fails


def reported(fit: PartFit) -> np.ndarray:
    """Reporting share (B,) of each draw of the ``fit``."""
    lay = fit.fitted()[0].layout
    at = lay.place("share")
    return np.full(len(fit.theta), lay.fixed_share) if at is None else 1 / (1 + np.exp(-fit.theta[:, at]))


# ---- moving a limit --------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class LimitSpan:
    """A published limit of ``part`` moved from one power to another (hp), for trucks above ``weight_from`` up to
    ``weight_up_to`` lb; builds of the last ``years`` are its mix. Raises AnalyticsError where nothing lies between."""

    component: str
    part: str
    from_hp: float
    to_hp: float
    weight_from: float = 0.0
    weight_up_to: float = np.inf
    years: float = 3.0

    def __post_init__(self) -> None:
        a, b, low, high = self.from_hp, self.to_hp, self.weight_from, self.weight_up_to
        if not (a > 0 and b > 0) or a == b or not high > low >= 0:
            raise AnalyticsError(f"from {a:g} to {b:g} hp, weights {low:g} to {high:g} lb: there is no span between")

    @property
    def low_hp(self) -> float:
        """The lower of the two powers."""
        return min(self.from_hp, self.to_hp)

    @property
    def high_hp(self) -> float:
        """The higher of the two powers."""
        return max(self.from_hp, self.to_hp)

    @property
    def sign(self) -> float:
        """1 where the limit rises, -1 where it falls."""
        return 1.0 if self.to_hp > self.from_hp else -1.0


@dataclass(frozen=True, slots=True)
class Comebacks:
    """Extra reported comebacks of one year's units that change part, less those of the part they get now where that is named.

    expected with [lower, upper] at the level; NaN where ``reason`` says why. most: upper limit on the share that fails, where the
    part never has. instead: comebacks of the other part; instead_reason: why they are not known. fit: of the part.
    """

    expected: float = NAN
    lower: float = NAN
    upper: float = NAN
    most: float = NAN
    instead: float = NAN
    reason: Reason | None = None
    instead_reason: Reason | None = None
    fit: PartFit | None = None

    @property
    def fitted(self) -> PartFit:
        """The fit that the comebacks are reckoned from, where they are known."""
        assert self.fit is not None
        return self.fit


@dataclass(frozen=True, slots=True)
class Bill:
    """Money a year in the shop's currency, NaN where it is not stated or not known. comebacks with its limits; price_step: of
    the other part over this one; parts_saved: price step times units. currency: its sign."""

    each: float
    comebacks: float
    lower: float
    upper: float
    price_step: float
    parts_saved: float
    currency: str = "$"

    @property
    def net(self) -> tuple[float, float, float]:
        """Comebacks less what the parts save, with its limits."""
        return self.comebacks - self.parts_saved, self.lower - self.parts_saved, self.upper - self.parts_saved


@dataclass(frozen=True, slots=True, repr=False)
class LimitMove:
    """A limit moved. every: the builds in its span; mix: those that change part: where the limit rises those that now get
    another, where it falls those that get this one. miles: by which a comeback counts. highest_hp: of the part on record."""

    span: LimitSpan
    instead: str
    every: BuildMix
    mix: BuildMix
    miles: float
    level: float
    highest_hp: float
    found: int
    comebacks: Comebacks
    bill: Bill
    settings: RatingSettings

    def __repr__(self) -> str:
        s = self.span
        return brief(self, part=s.part, from_hp=s.from_hp, to_hp=s.to_hp, comebacks=self.comebacks.expected)

    @property
    def units_a_year(self) -> float:
        """More units that get the part (fewer: negative); NaN where nothing was built there."""
        return NAN if self.mix.basis == "none" else self.span.sign * self.mix.a_year

    @property
    def beyond(self) -> bool:
        """The span reaches above the highest power the part has on record."""
        return self.span.high_hp > self.highest_hp


def move_limit(
    lifetimes: Lifetimes,
    span: LimitSpan,
    instead: str | None = None,
    options: Options | None = None,
    cost_per_comeback: float | None = None,
    price_step: float | None = None,
    draws: int = 512,
    fits: dict[str, PartFit] | None = None,
) -> LimitMove:
    """What moving a published limit as ``span`` says brings a year to the shop of ``lifetimes``, at a level of 0.9.

    instead: the part those trucks get otherwise. options: promise and settings, the shop's own by default; a comeback
    counts by the promised life. cost_per_comeback and price_step (the other part's price less this one's), money, come
    from shop.toml [costs] unless given. draws: from each fit. fits: a dict that keeps the fit of each part between
    calls. Raises AnalyticsError where the component or part is not on record.
    """
    o, shop = options_of(lifetimes, options), lifetimes.shop
    every = build_mix(
        lifetimes, span.component, span.low_hp, span.high_hp, span.weight_from, span.weight_up_to, span.years
    )
    has_it = every.frame["part"].eq(span.part)
    mix = replace(every, frame=every.frame[~has_it if span.sign > 0 else has_it].reset_index(drop=True))
    weighing = _Weighing(lifetimes, span, o, every, mix, draws, {} if fits is None else fits)
    _, highest = weighing.fit_of(span.part)
    found = weighing.comebacks(instead)
    if cost_per_comeback is None:
        cost_per_comeback = shop.cost_of("comeback")
    if price_step is None and instead is not None:
        price_step = _price_step(shop, span.part, instead)
    return LimitMove(
        span=span,
        instead=instead or "",
        every=every,
        mix=mix,
        miles=o.promise.life_miles,
        level=LEVEL,
        highest_hp=highest,
        found=found_when_opened(lifetimes.opened, span.component, span.part),
        comebacks=found,
        bill=replace(_bill(span, mix, found, cost_per_comeback, price_step), currency=shop.currency),
        settings=o.settings,
    )


def _stopped(lifetimes: Lifetimes, component: str, part: str) -> PartLives:
    """The lives of a part by what brings its truck in: damage found while the unit was open for something else is no comeback."""
    return part_lives(lifetimes, component, part, still_driving(lifetimes.table, lifetimes.shop.names.looked_at))


class _Weighing:
    """Comebacks of the builds that change part."""

    def __init__(
        self,
        lifetimes: Lifetimes,
        span: LimitSpan,
        options: Options,
        every: BuildMix,
        mix: BuildMix,
        draws: int,
        fits: dict[str, PartFit],
    ):
        self.lifetimes, self.span, self.options, self.every, self.mix = lifetimes, span, options, every, mix
        self.draws, self.fits = draws, fits

    def fit_of(self, part: str) -> tuple[PartFit, float]:
        """The fit of a part, made once, and the highest power it has on record."""
        lives, o = _stopped(self.lifetimes, self.span.component, part), self.options
        if part not in self.fits:
            self.fits[part] = fit_lives(
                lives.data, o.promise.life_miles, o.settings.of(self.span.component, part), self.draws, o.seed
            )
        return self.fits[part], float(np.exp(lives.data.log_power.max()))

    def comebacks(self, instead: str | None) -> Comebacks:
        """Of one year's such units, by the promised life."""
        fit, _ = self.fit_of(self.span.part)
        if not self.mix.built:
            return Comebacks(0.0, 0.0, 0.0, fit=fit) if self.every.built else Comebacks(fit=fit)
        if fit.model is None:
            return self._without_fit(fit)
        rng = np.random.default_rng(self.options.seed)
        gross, told = _a_year(fit, self.mix, self.options.promise.life_miles, rng)
        other, spare, why = NAN, np.zeros(len(told)), None
        if instead is not None:
            now, why = self._now(instead)
            if now is not None:
                other, spare = _a_year(now, self.mix, self.options.promise.life_miles, rng)
        sign, tail = self.span.sign, (1 - LEVEL) / 2
        ends = sign * np.quantile(told - spare, [tail, 1 - tail], method="inverted_cdf")
        return Comebacks(
            expected=sign * (gross - (0.0 if np.isnan(other) else other)),
            lower=float(ends.min()),
            upper=float(ends.max()),
            instead=other,
            instead_reason=why,
            fit=fit,
        )

    def _now(self, instead: str) -> tuple[PartFit | None, Reason | None]:
        """The fit of the part they get now, or why there is none."""
        try:
            now, _ = self.fit_of(instead)
        except AnalyticsError as error:
            return None, reason(Refused.BECAUSE, why=str(error))
        return (now, None) if now.model is not None else (None, now.reason)

    def _without_fit(self, fit: PartFit) -> Comebacks:
        found = Comebacks(reason=fit.reason, fit=fit)
        if fit.why_not.code is not Unfitted.NO_FAILURE:
            return found
        span, o = self.span, self.options
        life = o.promise.life_miles
        most = _most_without_failure(self.lifetimes, span.component, span.part, span.low_hp, life, o.settings)
        if np.isnan(most):
            return found
        ends = sorted((0.0, span.sign * self.mix.a_year * most))
        return replace(found, most=most, lower=ends[0], upper=ends[1])


def _price_step(shop: Shop, part: str, instead: str) -> float | None:
    prices = shop.costs.get("parts", {})
    if isinstance(prices, dict) and part in prices and instead in prices:
        return float(prices[instead]) - float(prices[part])
    return None


def _bill(
    span: LimitSpan, mix: BuildMix, found: Comebacks, cost_per_comeback: float | None, price_step: float | None
) -> Bill:
    each = NAN if cost_per_comeback is None else float(cost_per_comeback)
    counted = np.isfinite(found.expected) and bool(mix.built)
    step = NAN if price_step is None else float(price_step)
    return Bill(
        each=each,
        comebacks=each * found.expected if counted else NAN,
        lower=each * found.lower if counted else NAN,
        upper=each * found.upper if counted else NAN,
        price_step=step,
        parts_saved=step * span.sign * mix.a_year if mix.built else NAN,
    )


def _most_without_failure(
    lifetimes: Lifetimes, component: str, part: str, low_hp: float, miles: float, s: RatingSettings
) -> float:
    """Upper limit on the share failed by ``miles`` from the units above ``low_hp`` that ran without a failure (Nelson, J.
    Quality Technology 17 (1985) 140-146), under the least favourable life shape; NaN where there are none."""
    data = _stopped(lifetimes, component, part).data
    own = data.log_power > np.log(low_hp)
    driving = s.driving(data) if np.isnan(data.lower).any() else None
    # expected failures were each unit to fail by the target with chance 1 - 1/e
    most = [
        needed(0, LEVEL)
        / max(float((data.weight * exposures(data, miles, np.exp(-1.0), k, driving))[own].sum()), 1e-300)
        for k in SHAPES
    ]
    return -float(np.expm1(-max(most))) if own.any() else NAN


def _a_year(
    fit: PartFit, mix: BuildMix, miles: float, rng: np.random.Generator, size: int = 4000
) -> tuple[float, np.ndarray]:
    """Expected reported comebacks of one year's units, and ``size`` draws of their number: the fit from its posterior, the
    yearly number of builds from a gamma with the builds seen (Jeffreys), the comebacks Poisson."""
    f = mix.frame
    fails = failing_by(
        fit, f["power_hp"].to_numpy(float), f["weight_lb"].to_numpy(float), f["use"].astype(str).tolist(), miles
    )
    count = f["count"].to_numpy(float)
    chance = (fails @ count) / count.sum() * reported(fit)
    expected = float(fit.weight @ chance) * mix.a_year
    pick = rng.choice(len(chance), size, p=fit.weight)
    flow = rng.gamma(mix.built + 0.5, mix.scale / mix.years, size)
    return expected, rng.poisson(flow * chance[pick]).astype(float)


# ---- the promise changed ---------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Assumed:
    """What is tried in place of what stands, one at a time: target lives in miles, reliabilities, confidences, reporting shares
    (None: open, with its prior), losses from crank to wheels."""

    life_miles: Sequence[float] = ()
    reliability: Sequence[float] = ()
    confidence: Sequence[float] = ()
    share: Sequence[float | None] = ()
    driveline_loss: Sequence[float] = ()


@dataclass(frozen=True, slots=True, repr=False)
class RatingChanges:
    """The bound of one part and weight under other assumptions, one at a time. table: what, value, bound_hp, estimate_hp,
    change_hp (against the first row, as it stands), reasons. at_wheels: powers on record that move with the loss; None: no loss
    was tried."""

    component: str
    part: str
    weight_lb: float
    use: str
    promise: Promise
    table: pd.DataFrame
    at_wheels: int | None

    def __repr__(self) -> str:
        return brief(
            self, "component", "part", "weight_lb", bound_hp=self.table["bound_hp"].iloc[0], changes=len(self.table) - 1
        )


def change_promise(
    records: Records,
    component: str,
    part: str,
    weight_lb: float,
    use: str | None,
    assumed: Assumed,
    options: Options | None = None,
    lifetimes: Lifetimes | None = None,
) -> Callable[[], RatingChanges]:
    """What gives, when called, the bound of a ``component``'s ``part`` at ``weight_lb`` and ``use`` (None: the harshest) as it stands, then
    under each thing ``assumed``; other processes are at it meanwhile (analytics.cores). options: the promise and settings as they stand, the
    shop's own by default. lifetimes: those of ``records`` if already made."""
    own = make_lifetimes(records) if lifetimes is None else lifetimes
    o = options_of(own, options)
    s = replace(o.settings.of(component, part), explain=False, draws=0)
    data = part_lives(own, component, part, hidden_apart=True).data

    found: list[tuple[str, float, LifeData, Promise, RatingSettings]] = [("as it stands", NAN, data, o.promise, s)]
    for name in ("life_miles", "reliability", "confidence"):
        found += [(name, float(v), data, _promising(o.promise, name, float(v)), s) for v in getattr(assumed, name)]
    for v in assumed.share:
        found.append(("reporting share", NAN if v is None else float(v), data, o.promise, replace(s, share=v)))
    at_wheels = None
    for loss in assumed.driveline_loss:
        other, at_wheels = with_loss(records, loss)
        lives = part_lives(make_lifetimes(other), component, part, hidden_apart=True).data
        found.append(("driveline loss", float(loss), lives, o.promise, s))
    asked = [(lives, weight_lb, use, promise, settings, o.seed) for _, _, lives, promise, settings in found]
    begun = each(rate_part, asked, keep=True)

    def taken() -> RatingChanges:
        rated = list(begun)
        table = pd.DataFrame(
            [
                (what, value, r.bound_hp, r.estimate_hp, r.bound_hp - rated[0].bound_hp, r.reasons)
                for (what, value, *_), r in zip(found, rated, strict=True)
            ],
            columns=["what", "value", "bound_hp", "estimate_hp", "change_hp", "reasons"],
        )
        return RatingChanges(component, part, weight_lb, use or "", o.promise, table, at_wheels)

    return taken


def _promising(promise: Promise, what: str, value: float) -> Promise:
    """The promise with another life, reliability or confidence."""
    if what == "life_miles":
        return replace(promise, life=value)
    return replace(promise, reliability=value) if what == "reliability" else replace(promise, confidence=value)


def with_loss(records: Records, loss: float) -> tuple[Records, int]:
    """The records as they would read with another wheel-to-crank loss, and how many powers that moves."""
    if not 0 <= loss < 0.5:
        raise AnalyticsError(f"driveline loss {loss:g}: give a share from 0 to under 0.5")
    factor = (1 - records.shop.power.driveline_loss) / (1 - loss)
    sheets, moved = {}, 0
    for name in ("builds", "changes"):
        sheet = getattr(records, name).copy()
        wheels = has_flag(sheet["flags"], Flag.POWER_AT_WHEELS)
        for column in ("power_hp", "power_low", "power_high"):
            sheet[column] = sheet[column].where(~wheels, sheet[column] * factor)
        sheets[name] = sheet
        moved += int(wheels.sum())
    power = replace(records.shop.power, driveline_loss=float(loss))
    return replace(records, shop=replace(records.shop, power=power), **sheets), moved
