"""Everything the load page rests on, worked out once: loads, suspects, ratings on each strength, what explains the returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.driveline.load import ENDS, SHAFTS, Loads, by_gear, load_at, make_loads, truck_facts
from analytics.driveline.part_facts import part_facts
from analytics.driveline.suspects import Suspects, find_suspects
from analytics.driveline.units import LBFT
from analytics.errors import AnalyticsError
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.by_load import (
    Explained,
    LoadRating,
    NotRated,
    Reading,
    explain,
    loaded_parts,
    rate_parts,
    without_suspects,
)
from analytics.ratings.options import STRENGTHS, Options
from analytics.reasons import Reason, Refused, reason
from analytics.records.load import Records


@dataclass(frozen=True, slots=True, repr=False)
class LoadReview:
    """ratings: rated on options.strength, calibrated. compared: the first-order bounds on every strength, alike, for the
    comparison. explained: (component, part) or (component, "") for all its parts under one lifetime distribution -> fits, best first,
    or the reason why there are none. without: per part with suspects, the rating as recorded and without them. left: what could
    not be rated.
    """

    records: Records
    lifetimes: Lifetimes
    loads: Loads
    options: Options
    suspects: Suspects
    parts: tuple[tuple[str, str], ...]
    ratings: pd.DataFrame
    compared: pd.DataFrame
    explained: dict[tuple[str, str], tuple[Explained, ...] | Reason]
    without: dict[tuple[str, str], dict[Reading, LoadRating | Reason]]
    left: tuple[NotRated, ...]

    def __repr__(self) -> str:
        return f"LoadReview({self.records.shop.name!r}: {len(self.parts)} parts, {len(self.suspects.table)} suspects)"


def make_load_review(
    records: Records, lifetimes: Lifetimes, options: Options, progress: Callable[[str], None] | None = None
) -> LoadReview:
    """Loads, suspects and ratings of every part whose kind is known."""
    say = progress or (lambda _: None)
    say("working out the loads")
    loads = make_loads(records, lifetimes)
    suspects = find_suspects(loads)
    parts = loaded_parts(loads)
    quick = replace(options, settings=replace(options.settings, replicates=0, draws=0, explain=False))
    ratings, left = rate_parts(loads, options, options.strength, say)
    compared = []
    for strength in STRENGTHS:
        table, more = rate_parts(loads, quick, strength, say)
        compared.append(table)
        left = (*left, *(one for one in more if one not in left))
    explained: dict[tuple[str, str], tuple[Explained, ...] | Reason] = {}
    for component in dict.fromkeys(c for c, _ in parts):
        own = [p for c, p in parts if c == component]
        for part in [*own, *([""] if len(own) > 1 else [])]:
            say(f"what explains returns of {component} {part or 'as a whole'}")
            try:
                explained[component, part] = explain(loads, component, part or None, options)
            except AnalyticsError as err:
                explained[component, part] = reason(Refused.BECAUSE, why=str(err))
    without = {}
    marked = suspects.table.groupby(["component", "part"]).size()
    lightest = records.shop.weight.classes[0]
    for component, part in parts:
        if (component, part) in marked.index:
            say(f"{component} {part} without its suspects")
            without[component, part] = without_suspects(loads, suspects, component, part, lightest, None, quick)
    return LoadReview(
        records=records,
        lifetimes=lifetimes,
        loads=loads,
        options=options,
        suspects=suspects,
        parts=tuple(parts),
        ratings=ratings,
        compared=pd.concat([t for t in compared if len(t)] or compared[:1], ignore_index=True),
        explained=explained,
        without=without,
        left=left,
    )


# ---- one part as an example -------------------------------------------------------------------------------------------------
def usual_use(review: LoadReview, component: str, part: str) -> str:
    """The use most lives of a part are in; "" where none is written down."""
    own = review.loads.of(component, part)
    counted = own.groupby("use")["count"].sum()
    return str(counted.sort_index().idxmax()) if len(counted) else ""


def reference_power(review: LoadReview, component: str, part: str) -> float:
    """The power, hp, taken as example: the published limit of the lightest class, else the upper quartile on record."""
    own = review.ratings[(review.ratings["component"] == component) & (review.ratings["part"] == part)]
    published = own["published_hp"].dropna()
    if len(published):
        return float(published.iloc[0])
    powers = review.loads.of(component, part)["power_hp"].dropna()
    return float(np.round(powers.quantile(0.75), -1)) if len(powers) else 500.0


def example_weights(review: LoadReview) -> list[float]:
    """The edges of the weight classes, lb, and a truck a third heavier than the last."""
    edges = review.records.shop.weight.classes
    return [*edges, round(edges[-1] * 4 / 3, -2)]


@dataclass(frozen=True, slots=True)
class TorqueByGear:
    """What the engine brings and the tyres hold at a part, lb ft, in each gear: brought (gears,), held (gears, weights), by end ("low", "", "high")."""

    power_hp: float
    use: str
    weights_lb: list[float]
    gears: tuple[float, ...]
    brought: dict[str, np.ndarray]
    held: dict[str, np.ndarray]


def torque_by_gear(review: LoadReview, component: str, part: str) -> TorqueByGear:
    """At the part's reference power and usual use, for the example weights."""
    a, kind = review.loads.assumptions, review.loads.kinds[component]
    use, power, weights = (
        usual_use(review, component, part),
        reference_power(review, component, part),
        example_weights(review),
    )
    brought, held = {}, {}
    for end in ENDS:
        facts = truck_facts(np.full(len(weights), power), np.array(weights), [use] * len(weights), a)
        engine, tyres = by_gear(facts, a, end, kind == "output shaft")
        if kind == "converter":
            engine = np.broadcast_to(facts["engine"].at(end), engine.shape)
        brought[end], held[end] = engine[:, 0] / LBFT, tyres / LBFT
    return TorqueByGear(power, use, weights, a.gear_ratios, brought, held)


def margin_column(review: LoadReview, component: str) -> str:
    """The margin that a component's kind has."""
    return "stress_margin" if review.loads.kinds[component] in SHAFTS else "clutch_margin"


def margin_at(review: LoadReview, component: str, part: str, power_hp: np.ndarray, weight_lb: float) -> pd.DataFrame:
    """Margin of a part in its usual use: low, middle, high, a row per power (n,)."""
    name = margin_column(review, component)
    at = load_at(review.loads, component, part, power_hp, weight_lb, usual_use(review, component, part))
    return pd.DataFrame({"low": at[f"{name}_low"], "middle": at[name], "high": at[f"{name}_high"]})


def has_margin(review: LoadReview, component: str, part: str) -> bool:
    """Whether the part's make is on record, and a power to reckon with."""
    own = review.loads.of(component, part)
    return bool(own[margin_column(review, component)].notna().any() and own["power_hp"].notna().any())


def lives_by_torque(review: LoadReview, component: str, part: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lives with torque and miles on record, torque_at_shaft_lbft and miles: those that failed, and the others."""
    own = review.loads.of(component, part)
    own = own[own["torque_at_shaft_lbft"].notna()]
    failed = counts_as_failure(own)
    hit, others = own[failed], own[~failed & (own["lower_miles"] > 0)]
    hit = hit.assign(miles=hit["upper_miles"].where(np.isfinite(hit["upper_miles"]), hit["lower_miles"]))
    return hit[hit["miles"] > 0], others.assign(miles=others["lower_miles"])


def best_on_torque(review: LoadReview, component: str, part: str) -> Explained | None:
    """The best fit of the part's lives on torque, if there is one."""
    fits = review.explained.get((component, part))
    return next((e for e in fits if e.strength == "torque"), None) if isinstance(fits, tuple) else None


def facts_of(review: LoadReview, component: str, part: str) -> pd.DataFrame:
    """Every figure of the part (see `part_facts`) at its reference power and usual use in the lightest class."""
    weight = review.records.shop.weight.classes[0]
    use, power = usual_use(review, component, part), reference_power(review, component, part)
    return part_facts(review.loads, component, part, power, weight, use)
