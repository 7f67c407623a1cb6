"""The whole argument about one boundary of the range: step, comparison, safety, money, and what to claim."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.cutoffs.against import MARGIN, Against, compare_parts
from analytics.cutoffs.comparable import Comparable, TrialPlan, comparable, cox_fit, plan_trial
from analytics.cutoffs.cost import MiddleTier, MoneyCut, costs_of, middle_tier, money_cut
from analytics.cutoffs.step import CutLives, StepResult, cut_lives, judge_step
from analytics.errors import AnalyticsError, NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.lifedata import class_words
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings, qualifiers
from analytics.records.load import Records

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Interaction:
    """Does power matter more in heavy trucks? p of a product term beside power and weight; words."""

    p_value: float
    words: str


@dataclass(frozen=True, slots=True, repr=False)
class Argument:
    """All of it for the boundary between ``below`` and ``above``. money, middle, trial: None with the reason in refused.

    safety: the ratings of the lower part, a use not stated: weight_up_to, proposed_hp (NaN: none), bound_hp, demonstrated_hp,
    published_hp, verdict, reason; hangs_on: what they hang on, in words. claim: the sentences to defend; changes: what would
    change them.
    """

    records: Records
    lifetimes: Lifetimes
    component: str
    below: str
    above: str
    lives: CutLives
    step: StepResult
    weight: StepResult
    load: StepResult
    interaction: Interaction
    comparable: Comparable
    against: Against
    money: MoneyCut | None
    middle: MiddleTier | None
    trial: TrialPlan | None
    safety: pd.DataFrame
    hangs_on: tuple[str, ...]
    refused: dict[str, str]
    claim: tuple[str, ...]
    changes: tuple[str, ...]
    seed: int

    def __repr__(self) -> str:
        return f"Argument({self.component} {self.below}/{self.above}: {self.step.verdict}; {self.against.verdict})"


def interaction(lives: CutLives) -> Interaction:
    """Likelihood-ratio test of log power x log weight in a Cox regression on days, strata by use."""
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
    if frame["failed"].sum() < 10:
        return Interaction(
            NAN,
            f"With {frame['failed'].sum():.0f} failures it can't be told whether power matters more in heavy trucks.",
        )
    try:
        base = cox_fit(frame, ["log_power", "log_weight"], ["use"])
        more = cox_fit(frame, ["log_power", "log_weight", "product"], ["use"])
    except NotEnoughData as error:
        return Interaction(NAN, f"Whether power matters more in heavy trucks can't be told: {error}.")
    p = float(chdtrc(1, 2 * max(more.log_likelihood_ - base.log_likelihood_, 0.0)))
    if p > 0.1:
        return Interaction(
            p,
            f"Nothing says that power matters more, or less, in heavy trucks (p = {p:.2g}): one limit curve serves all weights.",
        )
    way = "more" if float(more.params_["product"]) > 0 else "less"
    return Interaction(
        p, f"Power matters {way} in heavy trucks (p = {p:.2g}): a limit for each weight class is called for."
    )


def make_argument(
    records: Records,
    lifetimes: Lifetimes,
    component: str,
    below: str,
    above: str,
    margin: float = MARGIN,
    finding: str | None = None,
    draws: int = 999,
    refits: int = 200,
    seed: int = 1,
    progress: Callable[[str], None] | None = None,
) -> Argument:
    """Work it all out. Raises AnalyticsError where component or parts are not on record, RecordsError where a cost is not
    stated; what the records cannot carry comes back with its reason."""
    say = progress or (lambda _: None)
    shop = records.shop
    costs_of(shop, (below, above))
    confidence = shop.confidence
    refused: dict[str, str] = {}
    say("are the parts comparable")
    found = comparable(lifetimes, component, below, above, confidence)
    say("is there a step")
    lives = cut_lives(lifetimes, component, below, "power", finding)
    step = judge_step(lives, confidence, draws, seed)
    weight, load = (
        judge_step(cut_lives(lifetimes, component, below, axis, finding), confidence, draws, seed)
        for axis in ("weight", "power x weight")
    )
    say("part against part")
    against = compare_parts(lifetimes, component, below, above, margin, confidence, found)
    money, trial, middle = None, None, None
    say("money")
    if not found.ok:
        refused["money"] = f"what {above} would have spared is not known: {found.reason}"
    else:
        try:
            money = money_cut(lifetimes, component, below, above, 2 * confidence - 1, refits, seed)
        except NotEnoughData as error:
            refused["money"] = str(error)
    replaced = any(s.component == component and s.old == below and s.new == above for s in shop.supersessions)
    if replaced:
        refused["trial"] = f"{above} has taken the place of {below}: no trial, the coming years will tell"
    elif found.ok and against.verdict in ("better", "worse", "equivalent"):
        refused["trial"] = "the records have settled it"
    else:
        try:
            trial = plan_trial(lifetimes, found)
        except NotEnoughData as error:
            refused["trial"] = str(error)
    tiers = _tiers(lifetimes, component)
    if len(tiers) == 3 and below in tiers and above in tiers:
        try:
            middle = middle_tier(lifetimes, component, tiers, 2 * confidence - 1, refits, seed)
        except AnalyticsError as error:
            refused["middle"] = str(error)
    else:
        refused["middle"] = (
            f"the range of {component}s has {len(tiers)} priced part{'' if len(tiers) == 1 else 's'}, so no middle tier"
        )
    say("safety")
    safety, hangs_on, left_out = _safety(records, lifetimes, component, below)
    if safety.empty:
        refused["safety"] = "; ".join(left_out) or "no rating could be made"
    claim = _claim(component, below, above, step, found, against, money, safety, refused)
    changes = _changes(below, above, step, found, against, money, trial, confidence)
    return Argument(
        records, lifetimes, component, below, above, lives, step, weight, load, interaction(lives), found, against, money, middle,
        trial, safety, hangs_on, refused, claim, changes, seed,
    )  # fmt: skip


def _tiers(lifetimes: Lifetimes, component: str) -> list[str]:
    """Parts of the component that are still built and priced, from weak to strong by the median power they are given."""
    shop = lifetimes.shop
    prices = shop.costs.get("parts", {})
    old = {s.old for s in shop.supersessions if s.component == component}
    own = lifetimes.table[lifetimes.table["component"] == component]
    middle = own.groupby("part")["power_hp"].median().sort_values(kind="stable")
    return [p for p in middle.index if isinstance(prices, dict) and p in prices and p not in old]


def jump_range(step: StepResult) -> str:
    """Between which sizes the jump lies."""
    sure = f"{step.confidence:.0%} sure"
    if np.isinf(step.shrunk_high):
        return f"at least {step.shrunk_low:.1f}, without a limit upward, {sure}"
    return f"{step.shrunk_low:.1f} to {step.shrunk_high:.{0 if step.shrunk_high >= 10 else 1}f}, {sure}"


def step_words(step: StepResult, part: str) -> str:
    """The verdict on the step as one sentence."""
    unit = "lb" if step.axis == "weight" else "hp"
    what = {"power": "power", "weight": "weight", "power x weight": "power and weight together"}[step.axis]
    if step.verdict == "step":
        return (
            f"{part} has a step in {what}: just above {step.cut:,.0f} {unit} (between {step.place_low:,.0f} and {step.place_high:,.0f}, "
            f"{step.confidence:.0%} sure) it fails about {step.shrunk:.1f} times as often as just below ({jump_range(step)})."
        )
    if step.verdict == "slope":
        return (
            f"{part} has no step in {what} that the records show: it loses life gradually, all the way up, so no {what} is a natural "
            "boundary and the tier must end by safety or by money."
        )
    return f"Whether {part} has a step in {what} or loses life gradually can't be told. {step.why[0]}"


def _safety(
    records: Records, lifetimes: Lifetimes, component: str, part: str
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[str, ...]]:
    """Ratings of a part for a use not stated; what they hang on, said once (what does not hold in every class with the class); why
    there is none."""
    options = options_for(lifetimes.shop)
    ratings = make_ratings(records, lifetimes, options, only=(component, part))
    columns = ["weight_up_to", "proposed_hp", "bound_hp", "demonstrated_hp", "published_hp", "verdict", "reason"]
    table = ratings.table[ratings.table["use"] == ""][columns].reset_index(drop=True)
    hangs_on: list[str] = []
    for rated in ratings.parts:
        bounds = [b for b in rated.bounds if b.use == ""]
        each = [qualifiers(rated, b, options) for b in bounds]
        for row, (bound, rest) in enumerate(zip(bounds, each, strict=True)):
            table.loc[row, "reason"] = table.loc[row, "reason"].replace(f" ({'; '.join(rest)})", "")
            up_to = class_words(bound.weight_lb)
            for reason in rest:
                told = reason if all(reason in other for other in each) else f"{up_to}: {reason}"
                hangs_on.append(f"{told[0].upper()}{told[1:]}.")
    return table, tuple(dict.fromkeys(hangs_on)), ratings.left_out


def _claim(component, below, above, step, found, against, money, safety, refused) -> tuple[str, ...]:
    out = [step_words(step, below)]
    if safety["proposed_hp"].notna().any():
        row = safety[safety["proposed_hp"].notna()].iloc[0]
        out.append(
            f"By safety {below} may be published to {row['proposed_hp']:,.0f} hp ({class_words(row['weight_up_to'])}): that much its own "
            "records bear out."
        )
    else:
        why = (refused.get("safety") or safety["reason"].iloc[0]).rstrip(".")
        out.append(f"By safety no power can be named for {below}: {why}.")
    if money is not None:
        out.append(_money_sentence(money))
    else:
        out.append(f"By money no boundary can be named: {refused['money']}.")
    if against.verdict == "not comparable":
        out.append(f"Whether {above} is the better part the records cannot say: {against.reason}.")
    else:
        out.append(against.words[0])
    return tuple(out)


def _money_sentence(money: MoneyCut) -> str:
    if money.edge == "never":
        return f"By money {money.above} does not pay for any truck the shop builds; safety decides."
    if money.edge == "always":
        return f"By money {money.above} pays for every truck built with either part."
    if not np.isfinite(money.high) or money.high >= money.curve["cut_hp"].iloc[-1]:
        span = f"from {money.low:,.0f} hp, and the records do not rule out that it never pays"
    else:
        span = f"{money.low:,.0f} to {money.high:,.0f} hp, each end {(1 + money.level) / 2:.0%} sure"
    return f"By money {money.above} pays above {money.cut_hp:,.0f} hp ({span})."


def _changes(below, above, step, found, against, money, trial, confidence) -> tuple[str, ...]:
    out = []
    if step.verdict == "step":
        out.append(
            f"A year of trucks just above {step.cut:,.0f} hp that come back no more often than those just below: the search would then no "
            "longer pay for itself."
        )
    elif step.verdict == "slope":
        big = f"more than {step.excluded:.0f} times" if np.isfinite(step.excluded) else "many times"
        out.append(f"Failures bunching right above one power: a jump to {big} the failures is ruled out so far, a smaller one is not." if np.isfinite(step.excluded) else
                   "Failures bunching right above one power: a jump that many failures would show is not ruled out everywhere yet.")  # fmt: skip
    else:
        more = 60 if step.failures < 60 else 2 * step.failures
        out.append(
            f"More failures: with {step.failures} the shape of the loss can't be named; in simulated fleets a jump to 10 times the failures is "
            f"found most of the time from about 20 on, one to 4 times from about {more}."
        )
    if against.verdict in ("undecided", "not worse by more than the margin"):
        out.append(
            f"About {against.failures_needed:,.0f} failures of both parts together, where {sum(against.failures):,.0f} are on record."
        )
    if trial is not None:
        out.append("A trial: " + trial.words[0])
        out.append(trial.words[1])
    if money is not None:
        table = money.sensitivity
        rest = table[(table["input"] != "as stated") & np.isfinite(table["cut_hp"])]
        if len(rest):
            out.append(
                f"Other stated inputs: over half to twice the cost of a comeback or the price step, and other years counted, the boundary by "
                f"money goes from {rest['cut_hp'].min():,.0f} to {rest['cut_hp'].max():,.0f} hp"
                + (", or to no truck at all." if np.isinf(table["cut_hp"]).any() else ".")
            )
    out.append("Silent failures: trucks that broke and were repaired elsewhere. Phone owners chosen at random and ask.")
    return tuple(out)
