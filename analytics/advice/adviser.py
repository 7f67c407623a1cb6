"""From the records to the answer for one truck. What does not hang on the truck is worked out once and kept, so that the next is quick."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from operator import attrgetter

import numpy as np
import pandas as pd

from analytics.advice.answer import Advice, Choice, ComponentAdvice, Published, Seen
from analytics.advice.build import by_money, next_up, over_cheaper, whole_build
from analytics.advice.chance import Chance, PartBasis, Roots, chance_of, shown_life
from analytics.advice.margins import broken_rules, decided_by, margin_of, needs_of, strained, trailer_of
from analytics.advice.nearest import like, nearest, outside_of
from analytics.advice.together import always_together
from analytics.advice.truck import Truck, Wish, truck_of
from analytics.driveline.load import Loads, make_loads
from analytics.errors import AnalyticsError
from analytics.lifetimes.opened import found_when_opened
from analytics.lifetimes.table import Lifetimes
from analytics.models.lifedata import ANY_WEIGHT
from analytics.ratings.basis import part_lives
from analytics.ratings.demonstration import units_needed
from analytics.ratings.options import Options, for_use
from analytics.ratings.pooling import options_of
from analytics.ratings.promise import Promise
from analytics.ratings.stood import stood_at
from analytics.reasons import Advised, Reason, reason
from analytics.records.limits import limit_for
from analytics.records.load import NOT_RECORDED, Records

NAN = float("nan")
_ADVISABLE, _OVER_LIMIT, _OPEN, _RECORD, _PRICE = map(
    attrgetter, ("advisable", "over_limit_alone", "open", "record", "price")
)


class Adviser:
    """Answers for one shop. records, lifetimes: of it. options: the promise and settings, the shop's own by default. progress: called with a
    line of text where something takes seconds."""

    def __init__(
        self,
        records: Records,
        lifetimes: Lifetimes,
        options: Options | None = None,
        progress: Callable[[str], None] | None = None,
    ):
        self.records, self.lifetimes = records, lifetimes
        self.options = options_of(lifetimes, options)
        self.say = progress or (lambda _: None)
        self.bases: dict[tuple[str, str, float, str | None], PartBasis | None] = {}
        self.roots: dict[str, Roots] = {}

    # ---- made once -------------------------------------------------------------------------------------------------
    @property
    def comeback(self) -> float:
        """What one costs the shop; NaN where it is not stated."""
        return self.records.shop.cost_of("comeback") or NAN

    @cached_property
    def loads(self) -> Loads:
        """The driveline's assumptions, kinds and parts of the shop."""
        return make_loads(self.records, self.lifetimes)

    @cached_property
    def parts(self) -> dict[str, list[str]]:
        """Parts the shop fits today, by component: those on record that no other has taken the place of, cheapest first."""
        table = self.lifetimes.table
        gone = {
            (s.component, s.old)
            for s in self.records.shop.names.supersessions
            if pd.Timestamp(s.effective_on) <= self.records.as_of
        }
        found = {}
        for component in self.records.shop.components:
            own = sorted(set(table.loc[table["component"] == component, "part"]) - {NOT_RECORDED, ""})
            own = [part for part in own if (component, part) not in gone]
            found[component] = sorted(own, key=lambda part: (self.price(component, part), part))
        return found

    def price(self, component: str, part: str) -> float:
        """What a part costs, as [costs.parts] or the parts sheet states it; NaN where neither does."""
        stated = self.records.shop.costs.get("parts", {})
        value = stated.get(part) if isinstance(stated, dict) else None
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
        made = self.loads.made(component, part)
        return NAN if made is None else float(made["price"])

    def options_for(self, use: str | None) -> Options:
        """The options a use is answered under: its own where it has a target of its own."""
        target = self.records.shop.targets.uses.get(use or "")
        return self.options if target is None else for_use(self.options, target)

    def basis(self, component: str, part: str, life: float, apart: str | None = None) -> PartBasis | None:
        """A part ready to be asked to a life; None where it has no lives to go by. apart: a use with a target of its own, its lives alone."""
        key = (component, part, life, apart)
        if key not in self.bases:
            settings = replace(self.options_for(apart).settings.of(component, "" if apart else part), explain=False)
            try:
                data = part_lives(self.lifetimes, component, part, use=apart).data
                self.bases[key] = PartBasis(component, part, data, life, settings).by_miles
            except AnalyticsError:
                self.bases[key] = None
        return self.bases[key]

    def calibration(self, component: str, part: str, use: str | None, apart: str | None = None) -> Roots:
        """Of a part and use, at the shop's own promise and the middle weight of its trucks; made once, and kept.
        apart: as in `basis`."""
        key = " | ".join((component, part, use or apart or ""))
        if key not in self.roots:
            promise = self.options_for(apart).promise
            basis = self.basis(component, part, promise.life, apart)
            assert basis is not None
            code = basis.use_code(use)
            if not basis.data.failures or code == -1:
                return {}
            own = basis.data.log_weight[basis.data.use == code] if code is not None else basis.data.log_weight
            weight = float(np.exp(np.median(own)))
            self.roots[key] = basis.calibrated(code, weight, promise, lambda: self.say(f"simulating fleets {key}"))
        return self.roots[key]

    # ---- asked of each truck ---------------------------------------------------------------------------------------
    def ask(self, wish: Wish) -> Advice:
        """The answer to a ``wish``. Raises AnalyticsError with the question to ask where something is missing or cannot be."""
        return self.advise(truck_of(wish, self.records.shop, self.lifetimes))

    def advise(self, truck: Truck) -> Advice:
        """What to build a ``truck`` with."""
        promise = self.options_for(truck.apart[0][0] if math.isnan(truck.life_miles) else None).promise
        promise = replace(promise, life=truck.life_said[0] if math.isnan(truck.life_miles) else truck.life_miles)
        limits = self._published(truck)
        components = tuple(self._component(name, truck, promise, limits) for name in self.parts if self.parts[name])
        outside = outside_of(self.lifetimes, truck, self.options.settings.cap)
        return Advice(
            records=self.records,
            truck=truck,
            promise=promise,
            comeback=self.comeback,
            components=components,
            whole=whole_build(components),
            outside=outside,
            nearest=nearest(self.lifetimes, truck),
            refuse=_refusals(components),
            doubts=tuple(_doubts(components, truck, self.loads)),
            strained=tuple(_strained(components, truck, self.loads)),
            needs=tuple(_needs(components, truck, self.loads)),
            together=always_together(self.lifetimes, components),
            settles=units_needed(promise.reliability, promise.confidence),
            trailer_lb=trailer_of(self.loads.assumptions, truck)[1:],
        )

    def _component(
        self, name: str, truck: Truck, promise: Promise, limits: dict[tuple[str, str], Published]
    ) -> ComponentAdvice:
        choices = tuple(self._choice(name, part, truck, promise, limits.get((name, part))) for part in self.parts[name])
        pick = next(filter(_ADVISABLE, choices), None)
        cheaper = next(filter(_OVER_LIMIT, choices), None)
        if pick and cheaper and cheaper.price >= pick.price:
            cheaper = None
        money = by_money(choices, self.comeback)
        instead = _in_its_place(choices, pick or cheaper, money, promise, lambda part: self._bears(part, truck))
        up = (*(() if instead else over_cheaper(pick, choices)), *next_up(instead or pick or cheaper, choices))
        return ComponentAdvice(name, choices, pick, instead, cheaper, up, money)

    def _bears(self, part: Choice, truck: Truck) -> bool:
        """Whether neither the margin nor a rule speaks against a part with what is not known of the truck at its middle."""
        weak = part.margin is not None and part.margin.body[1] < 1
        return not weak and not strained(self.loads, part.component, part.part, truck)

    def _choice(self, component: str, part: str, truck: Truck, promise: Promise, published: Published | None) -> Choice:
        governs, found, basis = self._governing(component, part, truck, promise)
        margins = [margin_of(self.loads, component, part, truck, use) for use in truck.uses or ("",)]
        margin = min(filter(None, margins), key=attrgetter("low"), default=None)
        if margin is not None:
            margin = replace(margin, stood=stood_at(self.loads, component, part, margin.low, promise))
        return Choice(
            component=component,
            part=part,
            price=self.price(component, part),
            records=_verdict(found, promise),
            rules=(*broken_rules(self.loads, component, margin, truck), *_over(published, truck)),
            chance=found if isinstance(found, Chance) else None,
            governs=governs,
            seen=_seen(basis, truck),
            published=published,
            margin=margin,
            lowest_hp=basis.lowest_hp if basis and not basis.any_power else NAN,
            any_power=basis is not None and basis.any_power,
            hidden=found_when_opened(self.lifetimes.opened, component, part),
            shown_miles=self._shown(basis, truck, governs, promise) if found is Advised.NOTHING_SHOWN else NAN,
        )

    def _shown(self, basis: PartBasis | None, truck: Truck, use: str, promise: Promise) -> float:
        """Miles that a part without a failure is shown to last, where that is less than asked for; NaN where the use is not counted in miles."""
        assert basis is not None
        if truck.apart or math.isnan(truck.life_miles):
            return NAN
        return shown_life(basis, truck.power_hp, truck.weight_lb, self._as_kept(basis, use or None), promise)

    def _governing(
        self, component: str, part: str, truck: Truck, promise: Promise
    ) -> tuple[str, Chance | Advised, PartBasis | None]:
        """Of several uses the harsher governs: one without an answer before any, then the higher supported side."""
        said = [self._said(component, part, truck, use, promise) for use in truck.uses or (None,)]
        return max(said, key=lambda one: one[1].high if isinstance(one[1], Chance) else math.inf)

    def _said(
        self, component: str, part: str, truck: Truck, use: str | None, promise: Promise
    ) -> tuple[str, Chance | Advised, PartBasis | None]:
        """The use, what the records say of the part in it, and by which lives."""
        apart = use if use in dict(truck.apart) else None
        basis = self.basis(component, part, dict(truck.apart).get(use or "", truck.life_miles), apart)
        if basis is None:
            return use or "", Advised.NO_SUCH_USE if apart else Advised.NO_LIVES, None
        own = None if apart else self._as_kept(basis, use)
        roots = self.calibration(component, part, own, apart) if basis.data.failures else {}
        return use or "", chance_of(basis, truck.power_hp, truck.weight_lb, own, promise, roots), basis

    @staticmethod
    def _as_kept(basis: PartBasis, use: str | None) -> str | None:
        """A use as the lives know it; "?" where they know another alone."""
        alone = len(basis.data.use_names) < 2 and use not in (None, *basis.data.use_names)
        return "?" if alone else use

    def _published(self, truck: Truck) -> dict[tuple[str, str], Published]:
        """The limit that holds for each part in the truck, the lowest over its uses."""
        limits = self.records.limits
        trucks = pd.DataFrame(
            [(c, p, use, truck.weight_lb) for c, p in self._pairs for use in truck.uses or ("",)],
            columns=["component", "part", "use", "weight_lb"],
        ).assign(day=self.records.as_of)
        trucks["at"] = limit_for(limits, trucks)
        held = trucks[trucks["at"] >= 0].assign(hp=lambda t: limits["power_limit_hp"].to_numpy()[t["at"]])
        lowest = held.sort_values("hp", kind="stable").drop_duplicates(["component", "part"])
        return {(r.component, r.part): _as_published(limits.iloc[r.at]) for r in lowest.itertuples()}

    @property
    def _pairs(self) -> list[tuple[str, str]]:
        return [(component, part) for component, parts in self.parts.items() for part in parts]


def _as_published(limit: pd.Series) -> Published:
    since = limit["effective_on"].date().isoformat()
    return Published(float(limit["power_limit_hp"]), str(limit["reason"] or ""), since)


_KEPT_OPEN: list[Adviser] = []


def adviser_of(records: Records, lifetimes: Lifetimes, progress: Callable[[str], None] | None = None) -> Adviser:
    """The adviser of a shop that was read (``records``, ``lifetimes``), the last one asked kept open, so that a form answers while a slider
    moves. progress: called with a line of text where something takes seconds."""
    if not _KEPT_OPEN or _KEPT_OPEN[0].lifetimes is not lifetimes:
        _KEPT_OPEN[:] = [Adviser(records, lifetimes, progress=progress)]
    return _KEPT_OPEN[0]


def _verdict(found: Chance | Advised, promise: Promise) -> Advised:
    if isinstance(found, Advised):
        return found
    return Advised.SUPPORTED if found.high <= 1 - promise.reliability else Advised.NOT_SUPPORTED


def _in_its_place(
    choices: Sequence[Choice],
    shown: Choice | None,
    money: Choice | None,
    promise: Promise,
    bears: Callable[[Choice], bool],
) -> Choice | None:
    """In place of a part ``shown`` to last: what price and expected comebacks make cheapest, if the best estimate of it keeps the promise and it costs less.
    Where none is shown, the cheaper of that and one that `stands`, else what has the best record; None where a rule forbids all. That none has
    failed yet is never set against what is shown to last. bears: whether the driveline's formulas let a part be taken for likely."""
    likely = money
    if not (
        money and money.open and money.chance and money.chance.estimate <= 1 - promise.reliability and bears(money)
    ):
        likely = None
    if shown is not None:
        return likely if likely and not shown.rules and likely.price < shown.price else None
    found = min((c for c in choices if c.stands or c is likely), key=_PRICE, default=None)
    return found or min(filter(_OPEN, choices), key=_RECORD, default=None)


def _over(published: Published | None, truck: Truck) -> tuple[Reason, ...]:
    if published is None or truck.power_hp <= published.power_hp * (1 + 1e-9):
        return ()
    return (reason(Advised.OVER_PUBLISHED, published_hp=published.power_hp),)


def _refusals(components: tuple[ComponentAdvice, ...]) -> tuple[tuple[str, Reason], ...]:
    """Components for which every part breaks a rule, and the rule that the dearest breaks."""
    return tuple((one.component, one.choices[-1].rules[0]) for one in components if all(c.rules for c in one.choices))


def _doubts(components: tuple[ComponentAdvice, ...], truck: Truck, loads: Loads) -> Iterator[tuple[Choice, str]]:
    """Parts fitted, and where a rule forbids all the dearest, whose margin may be under 1, and what decides it."""
    for one in components:
        part = one.fitted or one.choices[-1]
        if part is not None and part.margin is not None and part.margin.doubtful:
            yield part, decided_by(loads, part.component, part.part, truck, part.margin)


def _strained(components: tuple[ComponentAdvice, ...], truck: Truck, loads: Loads) -> Iterator[Reason]:
    """Of the parts fitted."""
    for part in filter(None, (one.fitted for one in components)):
        yield from strained(loads, part.component, part.part, truck)


def _needs(components: tuple[ComponentAdvice, ...], truck: Truck, loads: Loads) -> Iterator[Reason]:
    for one in components:
        part = one.fitted
        if part is not None and part.margin is not None and part.margin.of is Advised.CLUTCH_SLIPS:
            yield from needs_of(loads, part.component, part.part, truck, trailer_of(loads.assumptions, truck)[0])


def _seen(basis: PartBasis | None, truck: Truck) -> Seen:
    if basis is None:
        return Seen(0, 0, 0, 0, 0)
    data = basis.data
    weight = truck.weight_lb if (data.log_weight > math.log(ANY_WEIGHT)).any() else ANY_WEIGHT
    use = np.isin(np.array(data.use_names)[data.use], truck.uses) if truck.uses else np.ones(len(data.use), bool)
    near = use & like(np.exp(data.log_weight), weight)
    if not basis.any_power:
        near &= like(np.exp(data.log_power), truck.power_hp)
    units = len(np.unique(data.unit[near])) if (data.weight == 1).all() else float(data.weight[near].sum())
    return Seen(data.units, data.failures, basis.miles, float(units), float(data.weight[near & data.failed].sum()))
