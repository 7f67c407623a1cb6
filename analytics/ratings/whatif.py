"""What if: a limit were moved, or the promise, the reporting share or the wheel-to-crank loss were other than assumed.

Moving a limit changes which part some trucks get. How many a year, how often those come back before the target life, and
what it costs, from the shop's own mix of builds and the fit of the part; nothing here changes a limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.models.distributions import survival_of
from analytics.models.lifedata import ANY_WEIGHT, weight_words
from analytics.models.mileage import fit_driving
from analytics.ratings.basis import options_of, part_lives
from analytics.ratings.bound import RatingBound, RatingSettings, rate_part
from analytics.ratings.demonstration import SHAPES, exposures, needed
from analytics.ratings.options import Options
from analytics.ratings.predict import PartFit, fit_lives
from analytics.reasons import Unfitted
from analytics.records.cover import over, up_to
from analytics.records.load import Records
from analytics.words.ratings.predict import law_words
from analytics.words.saying import say

NAN = float("nan")
YEAR_DAYS = 365.25


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
        return f"BuildMix({self.built:,.0f} builds in {self.years:.1f} years, {self.basis})"

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
    """Builds with that component, any part, above ``low_hp`` up to ``high_hp``, above ``weight_from`` up to ``weight_up_to``."""
    table = lifetimes.table
    first = table[(table["component"] == component) & (table["spell"] == 1) & (table["segment"] == 1)]
    if first.empty:
        known = ", ".join(sorted(set(table["component"])))
        raise AnalyticsError(f"no builds with component {component!r}; there are {known}")
    weightless = not (first["weight_lb"] > 0).any()
    on_record = (lifetimes.as_of - first["begun_on"].min()).days / YEAR_DAYS
    for basis, span in (("last years", min(years, on_record)), ("all years", on_record)):
        since = lifetimes.as_of - pd.Timedelta(days=round(span * YEAR_DAYS))
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
            return BuildMix(frame, max(span, 1 / YEAR_DAYS), basis, float(count.sum() / known))
    return BuildMix(first.iloc[:0][["power_hp", "weight_lb", "use", "part", "count"]], on_record, "none", 1.0)


def failing_by(
    fit: PartFit, power_hp: np.ndarray, weight_lb: np.ndarray, use: Sequence[str], miles: float
) -> np.ndarray:
    """Chance (B, n) that new trucks have failed by ``miles``, one row per draw of the fit. A use not on record for the part
    is taken as its most common one."""
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
    fails = 1 - survival_of(z, model.law)
    if fit.early.fired:
        new = (model.data.entry == 0) & (model.data.entry_days == 0)
        fails = 1 - (1 - fails) * (
            1 - fit.early.seen / model.data.weight[new].sum() * min(miles / fit.early.miles, 1.0)
        )
    return fails


def reported(fit: PartFit) -> np.ndarray:
    """Reporting share (B,) of each draw."""
    lay = fit.fitted()[0].layout
    at = lay.place("share")
    return np.full(len(fit.theta), lay.fixed_share) if at is None else 1 / (1 + np.exp(-fit.theta[:, at]))


# ---- moving a limit --------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, repr=False)
class LimitMove:
    """A limit moved from ``from_hp`` to ``to_hp``. Money in the shop's currency; NaN where the words say why.

    units_a_year: more units that get the part (fewer: negative): of the builds in the span, those that now get another part
    where the limit rises, those that get this one where it falls. comebacks_a_year: extra reported comebacks of one year's such
    units by ``miles`` each, less those of the part they get now where ``instead`` names it; [lower, upper] at ``level``.
    comeback_cost: of those. parts_saved: price step x units. net_cost = comeback_cost -
    parts_saved, with its limits. beyond: the span lies
    above the highest power the part has on record. mix: the builds counted.
    """

    component: str
    part: str
    from_hp: float
    to_hp: float
    weight_from: float
    weight_up_to: float
    years: float
    basis: str
    built: float
    units_a_year: float
    miles: float
    comebacks_a_year: float
    lower: float
    upper: float
    level: float
    instead: str
    comebacks_instead: float
    cost_per_comeback: float
    comeback_cost: float
    comeback_cost_lower: float
    comeback_cost_upper: float
    price_step: float
    parts_saved: float
    net_cost: float
    net_cost_lower: float
    net_cost_upper: float
    law: str
    reporting_share: float
    beyond: bool
    seed: int
    mix: pd.DataFrame
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return (
            f"LimitMove({self.component} {self.part}: {self.from_hp:,.0f} to {self.to_hp:,.0f} hp, {self.units_a_year:+.1f} units "
            f"and {self.comebacks_a_year:+.2f} comebacks a year)"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row, unrounded."""
        row = {k: getattr(self, k) for k in self.__slots__ if k not in ("mix", "words")}
        return pd.DataFrame([{**row, "words": " ".join(self.words)}])


def move_limit(
    lifetimes: Lifetimes,
    component: str,
    part: str,
    from_hp: float,
    to_hp: float,
    weight_from: float = 0.0,
    weight_up_to: float = np.inf,
    years: float = 3.0,
    instead: str | None = None,
    miles: float | None = None,
    options: Options | None = None,
    cost_per_comeback: float | None = None,
    price_step: float | None = None,
    level: float = 0.9,
    draws: int = 512,
    fits: dict[str, PartFit] | None = None,
) -> LimitMove:
    """What moving a published limit brings a year. ``instead``: the part those trucks get otherwise. ``miles``: by which a
    comeback counts (the life of ``options`` by default). ``options``: promise and settings, the shop's own by default. Costs come from shop.toml [costs] unless given. ``fits``: a dict that
    keeps the fit of each part between calls. Raises AnalyticsError where the limits or weights make no span.
    """
    if not (from_hp > 0 and to_hp > 0) or from_hp == to_hp or not weight_up_to > weight_from >= 0:
        raise AnalyticsError(
            f"from {from_hp:g} to {to_hp:g} hp, weights {weight_from:g} to {weight_up_to:g} lb: there is no span between"
        )
    o = options_of(lifetimes, options)
    s, seed, shop = o.settings, o.seed, lifetimes.shop
    miles = o.life_miles if miles is None else miles
    sign = 1.0 if to_hp > from_hp else -1.0
    more, extra = ("more", "extra") if sign > 0 else ("fewer", "spared")
    low, high = sorted((float(from_hp), float(to_hp)))
    every = build_mix(lifetimes, component, low, high, weight_from, weight_up_to, years)
    has_it = every.frame["part"].eq(part)
    mix = replace(every, frame=every.frame[~has_it if sign > 0 else has_it].reset_index(drop=True))
    cost = shop.cost_of("comeback") if cost_per_comeback is None else cost_per_comeback
    prices = shop.costs.get("parts", {})
    if price_step is None and instead is not None and isinstance(prices, dict) and part in prices and instead in prices:
        price_step = float(prices[instead]) - float(prices[part])
    fits = {} if fits is None else fits
    weights = _weights_words(weight_from, weight_up_to)
    words: list[str] = []

    def fit_of(name: str) -> tuple[PartFit, float]:
        lives = part_lives(lifetimes, component, name)
        if name not in fits:
            fits[name] = fit_lives(lives.data, o.life_miles, s, draws, seed)
        return fits[name], float(np.exp(lives.data.log_power.max()))

    units = sign * mix.a_year
    if mix.basis == "none":
        words.append(
            f"Nothing with {_article(component)} was built between {low:,.0f} and {high:,.0f} hp at {weights} in all the "
            f"{mix.years:.1f} years on record: there is no mix to go by, so neither units nor comebacks can be counted."
        )
    else:
        since = (
            f"the last {mix.years:.1f} years"
            if mix.basis == "last years"
            else (f"all {mix.years:.1f} years on record (none in the last {years:g})")
        )
        shared = (
            ""
            if mix.scale < 1.001
            else (f", and builds of unknown power or weight are shared out in proportion (x {mix.scale:.2f})")
        )
        words.append(
            f"{abs(units):.1f} {more} units a year would get {part}: of {every.built:,.0f} built between {low:,.0f} and "
            f"{high:,.0f} hp at {weights} in {since}, {mix.built:,.0f} {'did not get it' if sign > 0 else 'got it'}{shared}."
        )
        parts = every.frame.groupby("part")["count"].sum().sort_values(ascending=False, kind="stable")
        words.append(
            "They were built with "
            + ", ".join(f"{name or 'no part stated'} ({n:,})" for name, n in parts.items())
            + "."
        )
        if not mix.built:
            words.append(
                f"So moving the limit changes no build: {'all of them get' if sign > 0 else 'none of them gets'} {part} as it is."
            )
    fit, highest = fit_of(part)
    beyond = bool(high > highest)
    expected = lower = upper = less = NAN
    rng = np.random.default_rng(seed)
    if every.built and not mix.built:
        expected = lower = upper = 0.0
    elif mix.built and fit.model is None:
        words.append(f"How many would come back is not known: {say(fit.reason)} of {part}.")
        most = (
            _most_without_failure(lifetimes, component, part, low, miles, s, level)
            if fit.reason.code is Unfitted.NO_FAILURE
            else NAN
        )
        if np.isfinite(most):
            lower, upper = sorted((0.0, units * most))
            words.append(
                f"From the miles its units of more than {low:,.0f} hp ran without one, at {level:.0%} confidence at most "
                f"{most:.0%} fail by {miles:,.0f} miles: at most {abs(units) * most:.1f} comebacks a year."
            )
        elif fit.reason.code is Unfitted.NO_FAILURE:
            words.append(f"None of its units runs above {low:,.0f} hp, so there is no limit on it either.")
    elif mix.built:
        gross, told = _a_year(fit, mix, miles, rng)
        other, spare = 0.0, np.zeros(len(told))
        if instead is not None:
            try:
                now, _ = fit_of(instead)
                reason = now.reason
            except AnalyticsError as error:
                now, reason = None, str(error)
            if now is not None and now.model is not None:
                other, spare = _a_year(now, mix, miles, rng)
                less = other
            else:
                words.append(
                    f"What {instead} would have brought back is not known ({reason}): nothing is taken off for it."
                )
        else:
            words.append("Comebacks of the part they get now are not taken off: name it to see the difference.")
        expected = sign * (gross - other)
        extra = extra if gross >= other else "spared" if sign > 0 else "extra"
        tail = (1 - level) / 2
        lower, upper = (
            float(v) for v in sorted(sign * np.quantile(told - spare, [tail, 1 - tail], method="inverted_cdf"))
        )
        shown = (lower, upper) if extra == "extra" else (-upper, -lower)
        words.append(
            f"Of one year's such units {abs(expected):.1f} {extra} comebacks are expected by {miles:,.0f} miles each"
            f"{f' (less {other:.1f} of {instead})' if np.isfinite(less) else ''}; at {level:.0%} the number will lie between "
            f"{shown[0]:,.0f} and {shown[1]:,.0f}{', where a minus means the other way round' if shown[0] < 0 else ''}."
        )
        words.append(f"{law_words(fit)} {fit.share:.0%} of failures are taken to be reported{_share_from(s)}.")
        seen = fit.fitted()[0].data.failures + (fit.early.seen if fit.early.fired else 0)
        if seen < 3:
            words.append(f"Rests on assumptions: only {seen:g} failure{'' if seen == 1 else 's'} of {part} on record.")
    if beyond:
        words.append(
            f"No {part} on record runs above {highest:,.0f} hp: what is said of {high:,.0f} hp lies beyond the records."
        )
    bill: tuple[float, float, float] = (NAN, NAN, NAN)
    if cost is None:
        words.append("No cost of a comeback is stated (shop.toml [costs] comeback), so there is no bill.")
    elif np.isfinite(expected) and mix.built:
        bill = (cost * expected, cost * lower, cost * upper)
        words.append(
            f"At {cost:,.0f} a comeback that {'costs' if bill[0] >= 0 else 'saves'} {abs(bill[0]):,.0f} a year as expected "
            f"(in costs {bill[1]:,.0f} to {bill[2]:,.0f})."
        )
    saved = NAN
    if price_step is not None and mix.built:
        saved = price_step * units
        words.append(
            f"{part} {'is cheaper by' if price_step >= 0 else 'costs more by'} {abs(price_step):,.0f} a unit than "
            f"{instead or 'what they get now'}: {'saves' if saved >= 0 else 'costs'} {abs(saved):,.0f} a year."
        )
        if np.isfinite(bill[0]):
            net = bill[0] - saved
            words.append(
                f"All in, it {'costs' if net >= 0 else 'saves'} {abs(net):,.0f} a year as expected (in costs "
                f"{bill[1] - saved:,.0f} to {bill[2] - saved:,.0f} at {level:.0%}; a minus is a saving)."
            )
    elif mix.built and instead is not None:
        words.append(
            f"No prices of {part} and {instead} are stated (shop.toml [costs.parts]), so the price step is left out."
        )
    return LimitMove(
        component,
        part,
        float(from_hp),
        float(to_hp),
        float(weight_from),
        float(weight_up_to),
        mix.years,
        mix.basis,
        mix.built,
        units if mix.basis != "none" else NAN,
        float(miles),
        expected,
        float(lower),
        float(upper),
        level,
        instead or "",
        less,
        NAN if cost is None else float(cost),
        bill[0],
        bill[1],
        bill[2],
        NAN if price_step is None else float(price_step),
        saved,
        *(side - saved for side in bill),
        fit.law,
        fit.share,
        beyond,
        seed,
        mix.frame,
        tuple(words),
    )


def _share_from(s: RatingSettings) -> str:
    """Where the reporting share comes from, if it is not known."""
    if s.share is not None or s.priors.share is None:
        return ""
    prior = 1 / (1 + np.exp(-s.priors.share[0]))
    return f" (about {prior:.0%} assumed, moved a little by the records)"


def _most_without_failure(
    lifetimes: Lifetimes, component: str, part: str, low_hp: float, miles: float, s: RatingSettings, level: float
) -> float:
    """Upper limit on the share failed by ``miles`` from the units above ``low_hp`` that ran without a failure (Nelson, J.
    Quality Technology 17 (1985) 140-146), under the least favourable life shape; NaN where there are none."""
    data = part_lives(lifetimes, component, part).data
    own = data.log_power > np.log(low_hp)
    driving = fit_driving(data, s.priors, s.decline, s.change_days) if np.isnan(data.lower).any() else None
    # expected failures were each unit to fail by the target with chance 1 - 1/e
    most = [
        needed(0, level)
        / max(float((data.weight * exposures(data, miles, np.exp(-1.0), k, driving))[own].sum()), 1e-300)
        for k in SHAPES
    ]
    return -float(np.expm1(-max(most))) if own.any() else NAN


def _article(noun: str) -> str:
    return f"{'an' if noun[:1].casefold() in 'aeiou' else 'a'} {noun}"


def _weights_words(low: float, high: float) -> str:
    if not low and not np.isfinite(high):
        return "any weight"
    if not np.isfinite(high):
        return f"over {low:,.0f} lb"
    return f"up to {high:,.0f} lb" if not low else f"{low:,.0f} to {high:,.0f} lb"


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
@dataclass(frozen=True, slots=True, repr=False)
class RatingChanges:
    """The bound of one part and weight under other assumptions, one at a time. table: what, value, bound_hp, estimate_hp,
    change_hp (against the first row, as it stands), reason."""

    component: str
    part: str
    weight_lb: float
    use: str
    table: pd.DataFrame
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return (
            f"RatingChanges({self.component} {self.part}, {weight_words(self.weight_lb)}: {self.table['bound_hp'].iloc[0]:,.0f} hp as it "
            f"stands, {len(self.table) - 1} changes)"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per assumption, unrounded."""
        return self.table.assign(component=self.component, part=self.part, weight_lb=self.weight_lb, use=self.use)


def change_promise(
    records: Records,
    component: str,
    part: str,
    weight_lb: float,
    use: str | None = None,
    life_miles: Sequence[float] = (),
    reliability: Sequence[float] = (),
    confidence: Sequence[float] = (),
    share: Sequence[float | None] = (),
    driveline_loss: Sequence[float] = (),
    options: Options | None = None,
    lifetimes: Lifetimes | None = None,
) -> RatingChanges:
    """The bound as it stands, then under each other target life, reliability, confidence, reporting share (None: open, with
    its prior) and wheel-to-crank loss. ``options``: the promise and settings as they stand, the shop's own
    by default. ``lifetimes``: those of ``records`` if already made."""
    own = make_lifetimes(records) if lifetimes is None else lifetimes
    o = options_of(own, options)
    s, seed = replace(o.settings, explain=False, draws=0), o.seed
    data = part_lives(own, component, part).data
    base = {"life_miles": o.life_miles, "reliability": o.reliability, "confidence": o.confidence}

    def rate(lives, s=s, **change) -> RatingBound:
        p = base | change
        return rate_part(lives, weight_lb, use, p["life_miles"], p["reliability"], p["confidence"], s, seed)

    found: list[tuple[str, float, RatingBound]] = [("as it stands", NAN, rate(data))]
    for name, values in (("life_miles", life_miles), ("reliability", reliability), ("confidence", confidence)):
        found += [(name, float(v), rate(data, **{name: float(v)})) for v in values]
    found += [("reporting share", NAN if v is None else float(v), rate(data, replace(s, share=v))) for v in share]
    at_wheels = 0
    for loss in driveline_loss:
        other, at_wheels = with_loss(records, loss)
        lives = part_lives(make_lifetimes(other), component, part).data
        found.append(("driveline loss", float(loss), rate(lives)))
    first = found[0][2].bound_hp
    table = pd.DataFrame(
        [
            {
                "what": what,
                "value": value,
                "bound_hp": r.bound_hp,
                "estimate_hp": r.estimate_hp,
                "change_hp": r.bound_hp - first,
                "reason": r.reason,
            }
            for what, value, r in found
        ]
    )
    where = weight_words(weight_lb) + (f", {use}" if use else "")
    words = [
        f"{part} at {where}: {first:,.0f} hp to {base['life_miles']:,.0f} miles, {base['reliability']:.0%} surviving, "
        f"{base['confidence']:.0%} sure."
        if np.isfinite(first)
        else f"{part} at {where} has no rating as it stands: {found[0][2].reason}."
    ]
    for what, value, r in found[1:]:
        name = {
            "life_miles": f"a life of {value:,.0f} miles",
            "reliability": f"{value:.1%} surviving",
            "confidence": f"{value:.0%} sure",
            "reporting share": "the reporting share left open"
            if np.isnan(value)
            else f"{value:.0%} of failures reported",
            "driveline loss": f"a loss of {value:.0%} from crank to wheels",
        }[what]
        if np.isfinite(r.bound_hp):
            step = f" ({r.bound_hp - first:+,.0f})" if np.isfinite(first) else ""
            words.append(f"With {name}: {r.bound_hp:,.0f} hp{step}.")
        else:
            words.append(f"With {name}: no rating ({r.reason}).")
    if len(driveline_loss):
        words.append(f"{at_wheels:,} powers on record were measured at the wheels; only those move with the loss.")
    return RatingChanges(component, part, weight_lb, use or "", table, tuple(words))


def with_loss(records: Records, loss: float) -> tuple[Records, int]:
    """The records as they would read with another wheel-to-crank loss, and how many powers that moves."""
    if not 0 <= loss < 0.5:
        raise AnalyticsError(f"driveline loss {loss:g}: give a share from 0 to under 0.5")
    factor = (1 - records.shop.driveline_loss) / (1 - loss)
    sheets, moved = {}, 0
    for name in ("builds", "changes"):
        sheet = getattr(records, name).copy()
        wheels = sheet["flags"].astype(str).str.contains("wheel power converted to crank", regex=False).to_numpy()
        for column in ("power_hp", "power_low", "power_high"):
            sheet[column] = sheet[column].where(~wheels, sheet[column] * factor)
        sheets[name] = sheet
        moved += int(wheels.sum())
    return replace(records, shop=replace(records.shop, driveline_loss=float(loss)), **sheets), moved
