"""What one truck should be built with, in codes and figures."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.advice.chance import Chance
from analytics.advice.truck import Truck
from analytics.ratings.promise import Promise
from analytics.ratings.stood import Stood
from analytics.reasons import Advised, Reason
from analytics.records.load import Records


@dataclass(frozen=True, slots=True)
class Published:
    """The limit the shop publishes for a part in such a truck, hp, and what it was set on, as the shop wrote it and when."""

    power_hp: float
    why: str
    since: str


@dataclass(frozen=True, slots=True)
class Margin:
    """What the engine brings to a part in this truck, and what the part stands: torque in lb ft at its low, middle and high end, margin likewise: of
    a clutch capacity over load, of a shaft strength over load at its worst notch in a shock. body: of a shaft its plain body's, the best of it
    with what the tyres may spare it; of a clutch the same as the margin: under 1 the part gives. limited: whether the tyres hold less than the engine brings ("no", "in some gears", "in every gear", "not known"). of: Advised.SHAFT_YIELDS or CLUTCH_SLIPS, what happens under 1. use: it was reckoned
    for, the harshest on the part. stood: how parts fared at the low end of the margin or less."""

    of: Advised
    torque_lbft: tuple[float, float, float]
    low: float
    middle: float
    high: float
    body: tuple[float, float, float]
    limited: str
    use: str
    stood: Stood | None = None

    @property
    def doubtful(self) -> bool:
        """It may give at the worst of it."""
        return self.body[0] < 1


@dataclass(frozen=True, slots=True)
class Seen:
    """What stands behind a part: units with it, failures and miles; of them like the truck (use, power and weight within a sixth)."""

    units: float
    failures: float
    miles: float
    like: float
    like_failures: float


@dataclass(frozen=True, slots=True)
class Choice:
    """One part for one truck. records: what the records say of it (SUPPORTED, NOT_SUPPORTED, or why nothing); rules: what forbids it.
    governs: the use, of several, that it was answered for. price: NaN where none is stated. lowest_hp: of the part on record. any_power: its life
    hardly follows power, and it is answered for every power as one. shown_miles: that a part without a failure is shown to last, where that
    is less than asked for; NaN else. hidden: failures that only a teardown showed, of a part that the shop looks at for them."""

    component: str
    part: str
    price: float
    records: Advised
    rules: tuple[Reason, ...]
    chance: Chance | None
    governs: str
    seen: Seen
    published: Published | None
    margin: Margin | None
    lowest_hp: float
    any_power: bool = False
    shown_miles: float = float("nan")
    hidden: int = 0

    @property
    def supported(self) -> bool:
        """By the records."""
        return self.records is Advised.SUPPORTED

    @property
    def advisable(self) -> bool:
        """Supported by the records, and against no rule."""
        return self.supported and not self.rules

    @property
    def over_limit_alone(self) -> bool:
        """Supported by the records, and against no rule but the shop's own limit."""
        return self.supported and [r.code for r in self.rules] == [Advised.OVER_PUBLISHED]

    @property
    def open(self) -> bool:
        """Against no rule, and not shown by the records that do speak of it."""
        return not self.rules and self.records in (Advised.NOT_SUPPORTED, Advised.NOTHING_SHOWN)

    @property
    def stands(self) -> bool:
        """Its limit covers the truck and none of it failed, though it ran too little to show that it lasts: nothing speaks against the shop's habit."""
        return self.open and not self.chance and self.published is not None and not self.seen.failures

    def cost(self, comeback: float) -> float:
        """Its price and the comebacks to expect of it, at so much a ``comeback``; NaN where one of them is not known."""
        return self.price + comeback * self.chance.estimate if self.chance else float("nan")

    @property
    def record(self) -> tuple[float, float, float]:
        """How good a record it has: lower is better."""
        at_most = self.chance.high if self.chance else 1.0
        return at_most, (self.seen.failures + 0.5) / max(self.seen.miles, 1.0), self.price


@dataclass(frozen=True, slots=True)
class NextUp:
    """What a dearer part buys. price: more than the part advised. spared: failures in a hundred, best estimate and both ends. each: what one
    spared costs."""

    component: str
    part: str
    instead_of: str
    price: float
    spared: float
    low: float
    high: float

    @property
    def each(self) -> float:
        return self.price / self.spared * 100 if self.spared > 0 else float("inf")

    @property
    def shown(self) -> bool:
        """The records can tell that it spares any."""
        return self.low > 0


@dataclass(frozen=True, slots=True)
class ComponentAdvice:
    """choices: cheapest first. pick: the cheapest that is shown to last and that no rule forbids. cheaper: one the records support, under the price of the pick or where there
    is none, that the published limit alone forbids: for a person to decide. by_money: of those no rule forbids the one whose price and expected comebacks come to least, whether it is shown to last or not.
    instead: what is fitted in place of a pick, the cheaper of two: by_money, if the best estimate of it keeps the promise, and a part that `stands`; where there is
    neither pick nor cheaper else the one with the best record. up: what the pick buys over cheaper parts the records speak against, and dearer parts over what is fitted."""

    component: str
    choices: tuple[Choice, ...]
    pick: Choice | None
    instead: Choice | None
    cheaper: Choice | None
    up: tuple[NextUp, ...]
    by_money: Choice | None

    @property
    def fitted(self) -> Choice | None:
        """The pick, or what stands in its place."""
        return self.instead or self.pick or self.cheaper

    @property
    def advised(self) -> Choice | None:
        """What is fitted, where some part is shown to last; None where none is."""
        return self.fitted if self.pick else None


@dataclass(frozen=True, slots=True)
class WholeBuild:
    """price: of the parts that have one. lasts: chance that nothing fails within the life, best estimate and both ends, over the components
    that have an answer. unknown: those that have none. weakest: the component likeliest to fail. best: the dearer part that spares most for its
    price, of those the records can tell."""

    price: float
    lasts: tuple[float, float, float]
    unknown: tuple[str, ...]
    weakest: str
    best: NextUp | None


@dataclass(frozen=True, slots=True)
class Near:
    """A truck on record near the one asked about; no name of its owner. came_back: components that failed in it, "" none."""

    power_hp: float
    weight_lb: float
    use: str
    months: float
    miles: float
    came_back: str


@dataclass(frozen=True, slots=True, repr=False)
class Advice:
    """The answer for one truck. outside: in what it lies outside the records; nearest: trucks on record. refuse: why the shop should not build it as
    asked, by component. doubts: parts fitted whose margin may be under 1, and the assumption that decides it. strained: rules that mark a suspect and that parts fitted break. needs: pressures, passages and grades of the clutches fitted. together: parts that always go together. trailer_lb: what is told of its trailer's weight, or taken by its uses, lowest and highest; 0: none. settles: trucks that must each run the life without a failure to show a part."""

    records: Records
    truck: Truck
    promise: Promise
    comeback: float
    components: tuple[ComponentAdvice, ...]
    whole: WholeBuild
    outside: tuple[Reason, ...]
    nearest: tuple[Near, ...]
    refuse: tuple[tuple[str, Reason], ...]
    doubts: tuple[tuple[Choice, str], ...]
    strained: tuple[Reason, ...]
    needs: tuple[Reason, ...]
    together: tuple[Reason, ...]
    settles: int
    trailer_lb: tuple[float, float]

    def __repr__(self) -> str:
        parts = ", ".join(c.advised.part if c.advised else "no answer" for c in self.components)
        return f"Advice({self.truck.said_hp:.0f} hp, {self.truck.weight_lb:.0f} lb: {parts})"

    @property
    def fitted(self) -> tuple[Choice, ...]:
        """What stands for each component that has something to fit."""
        return tuple(c.fitted for c in self.components if c.fitted is not None)
