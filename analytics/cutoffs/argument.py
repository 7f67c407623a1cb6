"""The whole argument about one boundary of the range: step, comparison, safety, money, and the trial that would settle it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.cutoffs.against import MARGIN, SETTLED, Against, compare_parts
from analytics.cutoffs.comparable import Comparable, comparable, cox_fit
from analytics.cutoffs.cost import MiddleTier, MoneyCut, Pays, costs_of, middle_tier, money_cut
from analytics.cutoffs.step import AXES, CutLives, StepResult, StepVerdict, cut_lives, judge_step
from analytics.cutoffs.trial import TrialPlan, plan_trial
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes, with_rows
from analytics.models.lifedata import ANY_WEIGHT
from analytics.models.nonparametric import SurvivalCurve, kaplan_meier
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings, qualifiers
from analytics.reasons import Boundary, Heavy, Reason, Refused, Verdict, reason
from analytics.records.load import Records

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Asked:
    """The boundary asked about: up to it the part ``below``, above it ``above``. margin: the least share of the old life that counts as no worse;
    finding: the one way of failing searched for a step; draws: redrawn fleets for each p-value; refits: for each interval of money."""

    component: str
    below: str
    above: str
    margin: float = MARGIN
    finding: str | None = None
    draws: int = 999
    refits: int = 200
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Interaction:
    """Does power matter more in heavy trucks? p of a product term beside power and weight (NaN: not tested)."""

    p_value: float
    found: Reason


class Dividing(Enum):
    """What the power is at which the survival picture divides the trucks."""

    STEP = auto()
    MONEY = auto()
    BEST_CUT = auto()
    HABIT = auto()


@dataclass(frozen=True, slots=True)
class Half:
    """Survival on the clock of days. until: the last day on which enough are followed to draw it, NaN where there is none."""

    curve: SurvivalCurve
    until: float


@dataclass(frozen=True, slots=True)
class Halves:
    """The trucks up to ``cut_hp`` and those above it; None where there are none."""

    cut_hp: float
    cut_by: Dividing
    below: Half | None
    above: Half | None


@dataclass(frozen=True, slots=True)
class Safety:
    """The ratings of the lower part, a use not stated. table: weight_up_to, supported_hp (NaN: none), bound_hp, demonstrated_hp,
    published_hp, verdict, units, failures, miles, why. hangs_on: what they hang on, with the weight in lb where it does not
    hold in every class, else None. left_out: why there are none."""

    table: pd.DataFrame
    hangs_on: tuple[tuple[float | None, Reason], ...]
    left_out: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Argument:
    """All of it for the boundary asked about. steps: by axis ("power", "weight", "power x weight"; power alone without a weight on record). money, middle, trial: None with the reason in
    ``refused``, under that name; halves: None where no curve can be drawn."""

    records: Records
    asked: Asked
    steps: dict[str, StepResult]
    interaction: Interaction
    comparable: Comparable
    against: Against
    money: MoneyCut | None
    middle: MiddleTier | None
    trial: TrialPlan | None
    safety: Safety
    halves: Halves | None
    refused: dict[str, Reason]

    @property
    def component(self) -> str:
        return self.asked.component

    @property
    def below(self) -> str:
        return self.asked.below

    @property
    def above(self) -> str:
        return self.asked.above

    @property
    def step(self) -> StepResult:
        return self.steps["power"]

    def __repr__(self) -> str:
        return f"Argument({self.component} {self.below}/{self.above}: {self.step.verdict}; {self.against.verdict.name})"


def interaction(lives: CutLives) -> Interaction:
    """Likelihood-ratio test of log power x log weight in a Cox regression of the ``lives`` on days, strata by use."""
    from scipy.special import chdtrc

    frame = pd.DataFrame(
        {
            "time": lives.time,
            "failed": lives.failed.astype(float),
            "entry": lives.entry,
            "log_power": lives.log_power - lives.log_power.mean(),
            "log_weight": lives.log_weight - lives.log_weight.mean(),
            "use": lives.use,
            "count": lives.count.astype(float),
        }
    )
    frame["product"] = frame["log_power"] * frame["log_weight"]
    frame = frame.loc[frame.index.repeat(lives.count)].reset_index(drop=True)
    failures = int(frame["failed"].sum())
    if (np.exp(lives.log_weight) == ANY_WEIGHT).all():
        return Interaction(NAN, reason(Heavy.NO_WEIGHT))
    if failures < 10:
        return Interaction(NAN, reason(Heavy.FEW_FAILURES, failures=failures))
    try:
        base = cox_fit(frame, ["log_power", "log_weight"], ["use"])
        more = cox_fit(frame, ["log_power", "log_weight", "product"], ["use"])
    except NotEnoughData as error:
        return Interaction(NAN, reason(Heavy.UNTOLD, why=str(error)))
    p = float(chdtrc(1, 2 * max(more.log_likelihood_ - base.log_likelihood_, 0.0)))
    way = Heavy.MORE if float(more.params_["product"]) > 0 else Heavy.LESS
    return Interaction(p, reason(Heavy.ALIKE if p > 0.1 else way, p_value=p))


def make_argument(
    records: Records, lifetimes: Lifetimes, asked: Asked, progress: Callable[[str], None] | None = None
) -> Argument:
    """Work out what is ``asked`` from the records and the ``lifetimes`` made of them; ``progress`` is told each stage. Raises AnalyticsError where component or parts are not on record, RecordsError where a
    cost is not stated; what the records cannot carry comes back with its reason."""
    say = progress or (lambda _: None)
    component, below, above = asked.component, asked.below, asked.above
    costs_of(records.shop, (below, above))
    confidence = records.shop.targets.confidence
    say("are the parts comparable")
    found = comparable(lifetimes, component, below, above, confidence)
    # other processes are at these from now on
    its = with_rows(lifetimes, lifetimes.table[lifetimes.table["component"] == component])
    begun = each(
        _called, [(_safety, records, lifetimes, component, below), (_money, its, asked, found), (_middle, its, asked)]
    )
    say("is there a step")
    # without a weight on record by power alone, as the ratings do
    own = lifetimes.table[(lifetimes.table["component"] == component) & (lifetimes.table["part"] == below)]
    axes = tuple(AXES) if (own["weight_lb"] > 0).any() else ("power",)
    lives = {axis: cut_lives(lifetimes, component, below, axis, asked.finding) for axis in axes}
    steps = {axis: judge_step(own, confidence, asked.draws, asked.seed) for axis, own in lives.items()}
    say("part against part")
    against = compare_parts(lifetimes, component, below, above, asked.margin, confidence, found)
    trial = _trial(lifetimes, found, against)
    say("safety and money")
    safety, money, middle = begun
    told = {"money": money, "trial": trial, "middle": middle}
    made = {name: None if isinstance(one, Reason) else one for name, one in told.items()}
    return Argument(
        records=records,
        asked=asked,
        steps=steps,
        interaction=interaction(lives["power"]),
        comparable=found,
        against=against,
        **made,
        safety=safety,
        halves=_halves(lives["power"], steps["power"], made["money"], found, records.shop.checks.at_risk_to_show),
        refused={name: one for name, one in told.items() if isinstance(one, Reason)},
    )


def _called(function: Callable[..., Any], *of: Any) -> Any:
    """One of the pieces that other processes make, each in its own way."""
    return function(*of)


def _money(lifetimes: Lifetimes, asked: Asked, found: Comparable) -> MoneyCut | Reason:
    if found.refused is not None:
        return reason(Boundary.SPARED_UNKNOWN, above=asked.above, why=found.refused)
    level = 2 * lifetimes.shop.targets.confidence - 1
    try:
        return money_cut(lifetimes, asked.component, asked.below, asked.above, level, asked.refits, asked.seed)
    except NotEnoughData as error:
        return reason(Refused.BECAUSE, why=str(error))


def _trial(lifetimes: Lifetimes, found: Comparable, against: Against) -> TrialPlan | Reason:
    below, above = found.parts
    replaced = [(s.component, s.old, s.new) for s in lifetimes.shop.names.supersessions]
    if (found.component, below, above) in replaced:
        return reason(Boundary.REPLACED, above=above, below=below)
    if against.verdict in SETTLED:
        return reason(Boundary.SETTLED)
    try:
        return plan_trial(lifetimes, found)
    except NotEnoughData as error:
        return reason(Refused.BECAUSE, why=str(error))


def _middle(lifetimes: Lifetimes, asked: Asked) -> MiddleTier | Reason:
    tiers, level = _tiers(lifetimes, asked.component), 2 * lifetimes.shop.targets.confidence - 1
    if len(tiers) != 3 or not {asked.below, asked.above} <= set(tiers):
        return reason(Boundary.NO_MIDDLE_TIER, component=asked.component, priced=len(tiers))
    try:
        return middle_tier(lifetimes, asked.component, tiers, level, asked.refits, asked.seed)
    except AnalyticsError as error:
        return reason(Refused.BECAUSE, why=str(error))


def _tiers(lifetimes: Lifetimes, component: str) -> list[str]:
    """Parts of the component that are still built and priced, from weak to strong by the median power they are given."""
    shop = lifetimes.shop
    prices = shop.costs.get("parts", {})
    old = {s.old for s in shop.names.supersessions if s.component == component}
    own = lifetimes.table[lifetimes.table["component"] == component]
    middle = own.groupby("part")["power_hp"].median().sort_values(kind="stable")
    return [p for p in middle.index if isinstance(prices, dict) and p in prices and p not in old]


def _halves(lives: CutLives, step: StepResult, money: MoneyCut | None, found: Comparable, fewest: int) -> Halves | None:
    """fewest: parts followed without which no curve is drawn."""
    if step.verdict == StepVerdict.STEP:
        cut, cut_by = step.cut, Dividing.STEP
    elif money is not None and money.least.pays == Pays.ABOVE_CUT:
        cut, cut_by = money.least.cut_hp, Dividing.MONEY
    elif np.isfinite(step.cut):
        cut, cut_by = step.cut, Dividing.BEST_CUT
    else:
        cut, cut_by = found.boundary_hp, Dividing.HABIT
    above = lives.x > cut * (1 + 1e-9)
    try:
        return Halves(cut, cut_by, _half(lives, ~above, fewest), _half(lives, above, fewest))
    except NotEnoughData:
        return None


def _half(lives: CutLives, own: np.ndarray, fewest: int) -> Half | None:
    if not own.any():
        return None
    curve = kaplan_meier(lives.time[own], lives.failed[own], lives.entry[own], lives.count[own])
    try:
        return Half(curve, curve.reliable_until(fewest))
    except NotEnoughData:
        return Half(curve, NAN)


def _safety(records: Records, lifetimes: Lifetimes, component: str, part: str) -> Safety:
    """What the ratings hang on is said once (what does not hold in every class with the class)."""
    options = options_for(lifetimes.shop)
    ratings = make_ratings(records, lifetimes, options, only=[(component, part)])
    columns = [
        "weight_up_to", "supported_hp", "bound_hp", "demonstrated_hp", "published_hp", "verdict", "units", "failures", "miles", "why",
    ]  # fmt: skip
    table = ratings.table[ratings.table["use"] == ""][columns].reset_index(drop=True)
    # where no power is shown to matter none is published
    table["supported_hp"] = table["supported_hp"].mask([why.code is Verdict.ANY_POWER for why in table["why"]])
    hangs_on: list[tuple[float | None, Reason]] = []
    for rated in ratings.parts:
        bounds = [b for b in rated.bounds if b.use == ""]
        each = [qualifiers(rated, b, options, why) for b, why in zip(bounds, table["why"], strict=True)]
        for bound, rest in zip(bounds, each, strict=True):
            hangs_on += [(None if all(one in other for other in each) else bound.weight_lb, one) for one in rest]
    return Safety(table, tuple(hangs_on), ratings.left_out)
