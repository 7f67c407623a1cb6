"""Everything the load page rests on, worked out once: loads, suspects, ratings on each strength, what explains the returns."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.driveline.load import Loads, load_at, make_loads
from analytics.driveline.part_facts import part_facts
from analytics.driveline.suspects import Suspects, find_suspects
from analytics.errors import AnalyticsError
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.models.exact import binomial_limits
from analytics.ratings.by_load import (
    RATING_COLUMNS,
    Compared,
    Explained,
    Judged,
    LoadRating,
    NotRated,
    Reading,
    Taken,
    explain,
    loaded_parts,
    rating_begun,
    taken_otherwise,
    without_failure,
    without_suspects,
)
from analytics.ratings.options import STRENGTHS, Options
from analytics.ratings.sheet import Ratings, ratings_begun
from analytics.ratings.stood import Stood, margin_column, stood_at
from analytics.reasons import ByLoad, Reason, Refused, reason
from analytics.records.load import Records


@dataclass(frozen=True, slots=True, repr=False)
class LoadReview:
    """ratings: rated on options.strength, calibrated. compared: the first-order bounds on every strength, alike, for the
    comparison. explained: (component, part) or (component, "") for all its parts under one lifetime distribution -> what explains the
    returns, or the reason why that cannot be told. without: per part with suspects, the rating as recorded and without them. left: what could
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
    explained: dict[tuple[str, str], Compared | Reason]
    without: dict[tuple[str, str], dict[Reading, LoadRating | Reason]]
    left: tuple[NotRated, ...]

    def __repr__(self) -> str:
        return f"LoadReview({self.records.shop.name!r}: {len(self.parts)} parts, {self.suspects.failures} suspects)"


def _of_the_sheet(loads: Loads, options: Options, say: Callable[[str], None]) -> Judged:
    """`rating_begun` on power, as the sheet of ratings has it: one figure is supported, whatever page tells it."""
    quick = replace(options, settings=replace(options.settings, explain=False))
    begun = ratings_begun(loads.records, loads.lifetimes, quick, say, only=loaded_parts(loads), own_uses=False)
    return lambda *_: _as_rated(loads, begun())


def _as_rated(loads: Loads, made: Ratings) -> tuple[pd.DataFrame, tuple[NotRated, ...]]:
    """What the sheet of ratings ``made`` of the parts, as `rate_parts` gives it."""
    classes, rows = loads.records.shop.weight.classes, []
    bounds = [bound for rated in made.parts for bound in rated.bounds]
    for row, bound in zip(made.table.itertuples(), bounds, strict=True):
        none = without_failure(bound) if math.isfinite(row.supported_hp) else ByLoad.NOTHING_PROVEN
        for weight in classes if math.isinf(row.weight_up_to) else [w for w in classes if w == row.weight_up_to]:
            found = [
                row.component,
                row.part,
                weight,
                "power",
                bound.rated_use,
                row.supported_hp,
                math.nan,
                row.supported_hp,
                bound.capped,
            ]
            found += [
                row.estimate_hp,
                row.failures,
                row.units,
                row.published_hp,
                math.nan,
                "",
                reason(ByLoad.JUDGED_ON_POWER),
            ]
            rows.append([*found, None if none is None else reason(none)])
    left = tuple(
        NotRated(r.values["component"], r.values["part"], "power", reason(Refused.BECAUSE, why=r.values["why"]))
        for r in made.left_out
    )
    return pd.DataFrame(rows, columns=RATING_COLUMNS), left


def make_load_review(
    records: Records, lifetimes: Lifetimes, options: Options, progress: Callable[[str], None] | None = None
) -> LoadReview:
    """Loads, suspects and ratings, under the ``options``, of every part in ``records`` and its ``lifetimes`` whose kind
    is known. progress: called with a line of text at each stage."""
    say = progress or (lambda _: None)
    say("working out the loads")
    loads = make_loads(records, lifetimes)
    suspects = find_suspects(loads)
    parts = loaded_parts(loads)
    quick = replace(options, settings=replace(options.settings, replicates=0, draws=0, explain=False))
    asked = (
        _of_the_sheet(loads, options, say)
        if options.strength == "power"
        else rating_begun(loads, options, options.strength)
    )
    every = _explained(loads, parts, options)
    beside = [rating_begun(loads, quick, strength) for strength in STRENGTHS]
    without = _without(loads, suspects, parts, quick)
    explained: dict[tuple[str, str], Compared | Reason] = {}
    for (component, part), found in every:
        say(f"what explains returns of {component} {part or 'as a whole'}")
        explained[component, part] = found
    decided = {place: found.decided for place, found in explained.items() if isinstance(found, Compared)}
    ratings, left = asked(decided, say)
    compared = []
    for judged in beside:
        table, more = judged(decided, say)
        compared.append(table)
        left = (*left, *(one for one in more if one not in left))
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
        without=dict(without),
        left=left,
    )


def _explained(
    loads: Loads, parts: list[tuple[str, str]], options: Options
) -> Iterator[tuple[tuple[str, str], Compared | Reason]]:
    """What explains the returns of every part, and of each component's parts together (part ""). Begun at once."""
    otherwise = taken_otherwise(loads)
    asked, items = [], []
    for component in dict.fromkeys(c for c, _ in parts):
        own = [p for c, p in parts if c == component]
        its = loads.of_component(component)
        ways = {taken: table[table["component"] == component] for taken, table in otherwise.items()}
        for part in [*own, *([""] if len(own) > 1 else [])]:
            asked.append((component, part))
            items.append((its, component, part, options, ways))
    return zip(asked, each(_explain, items), strict=True)


def _explain(
    loads: Loads, component: str, part: str, options: Options, otherwise: dict[Taken, pd.DataFrame]
) -> Compared | Reason:
    """As `explain`, with the reason where that cannot be told."""
    try:
        return explain(loads, component, part or None, options, otherwise)
    except AnalyticsError as err:
        return reason(Refused.BECAUSE, why=str(err))


def _without(
    loads: Loads, suspects: Suspects, parts: list[tuple[str, str]], options: Options
) -> Iterator[tuple[tuple[str, str], dict[Reading, LoadRating | Reason]]]:
    """The ratings of `without_suspects` of every part that has some, in the lightest class. Begun at once."""
    marked = set(zip(suspects.table["component"], suspects.table["part"], strict=True))
    lightest, asked, items = loads.records.shop.weight.classes[0], [], []
    for component, part in parts:
        if (component, part) in marked:
            rows = loads.table["component"].eq(component).to_numpy()
            its = loads.of_component(component), replace(suspects, broken=suspects.broken[rows])
            asked.append((component, part))
            items.append((*its, component, part, lightest, None, options))
    return zip(asked, each(without_suspects, items), strict=True)


# ---- one part as an example -------------------------------------------------------------------------------------------------
def rated_on(review: LoadReview, component: str, part: str) -> pd.DataFrame:
    """Of a component's ``part`` the ratings on every strength, as the ``review`` has them for comparison."""
    return review.compared[(review.compared["component"] == component) & (review.compared["part"] == part)]


def usual_use(review: LoadReview, component: str, part: str) -> str:
    """The use most lives of a component's ``part`` are in, as the ``review`` counts them; "" where none is written
    down."""
    own = review.loads.of(component, part)
    counted = own.groupby("use")["count"].sum()
    return str(counted.sort_index().idxmax()) if len(counted) else ""


def reference_power(review: LoadReview, component: str, part: str) -> float:
    """The power, hp, taken as example for a component's ``part``: the published limit of the lightest class in the
    ``review``, else the upper quartile on record, else 500."""
    own = review.ratings[(review.ratings["component"] == component) & (review.ratings["part"] == part)]
    published = own["published_hp"].dropna()
    if len(published):
        return float(published.iloc[0])
    powers = review.loads.of(component, part)["power_hp"].dropna()
    return float(np.round(powers.quantile(0.75), -1)) if len(powers) else 500.0


def margin_at(review: LoadReview, component: str, part: str, power_hp: np.ndarray, weight_lb: float) -> pd.DataFrame:
    """Margin of a component's part in its usual use and ``weight_lb``, a row per ``power_hp`` (n,): whole, capped: for
    all the engine brings, and for what the tyres would leave of it, both at their weakest; whole_middle, whole_best:
    the first at the middle and the best of what is not known. review: holds the loads."""
    name = margin_column(review.loads, component)
    at = load_at(review.loads, component, part, power_hp, weight_lb, usual_use(review, component, part))
    kinds = {"whole": f"{name}_low", "capped": f"{name}_capped_low", "whole_middle": name, "whole_best": f"{name}_high"}
    return pd.DataFrame({told: at[column] for told, column in kinds.items()})


def stood(review: LoadReview, component: str, part: str, margin: float) -> Stood:
    """How a component's ``part`` fared in the ``review`` at a weakest ``margin`` or less."""
    return stood_at(review.loads, component, part, margin, review.options.promise)


@dataclass(frozen=True, slots=True)
class FailedByMargin:
    """bands: a row per band of the weakest margin, as many lives in each as can be: low, high, lives, failed, lower, upper: exact 90% limits
    of the share that failed. above, failures: how many failed
    with that margin over FAR, and how many at all. p_value: of the failures having no less margin than the others
    (Mann and Whitney, one-sided; NaN without both)."""

    bands: pd.DataFrame
    above: int
    failures: int
    p_value: float


#: a margin so far above 1 explains no failure
FAR = 1.25


def failed_by_margin(review: LoadReview, component: str, part: str) -> FailedByMargin:
    """How many lives of a component's part in the ``review`` failed, by their weakest margin for all the engine brings."""
    own = review.loads.of(component, part)
    own = own[~own.duplicated(["unit", "component", "spell", "part"], keep="last")]
    margin = own[f"{margin_column(review.loads, component)}_low"].to_numpy(float)
    known = np.isfinite(margin)
    margin, failed, count = margin[known], counts_as_failure(own)[known], own["count"].to_numpy(int)[known]
    edges = np.unique(np.quantile(margin, [0, 0.25, 0.5, 0.75, 1])) if len(margin) else np.array([])
    band = np.clip(np.searchsorted(edges, margin, side="right") - 1, 0, max(len(edges) - 2, 0))
    rows = [
        [low, high, int(count[band == i].sum()), int(count[(band == i) & failed].sum())]
        for i, (low, high) in enumerate(itertools.pairwise(edges))
    ]
    return FailedByMargin(
        bands=pd.DataFrame(
            [[*row, one.lower, one.upper] for row in rows for one in [binomial_limits(row[3], max(row[2], 1), 0.9)]],
            columns=["low", "high", "lives", "failed", "lower", "upper"],
        ),
        above=int(count[failed & (margin > FAR)].sum()),
        failures=int(count[failed].sum()),
        p_value=_less(np.repeat(margin[failed], count[failed]), np.repeat(margin[~failed], count[~failed])),
    )


def _less(of_failures: np.ndarray, of_others: np.ndarray) -> float:
    from scipy.stats import mannwhitneyu

    if not len(of_failures) or not len(of_others):
        return math.nan
    return float(mannwhitneyu(of_failures, of_others, alternative="less").pvalue)


def has_margin(review: LoadReview, component: str, part: str) -> bool:
    """Whether the make of a component's ``part`` is on record in the ``review``, and a power to reckon with."""
    own = review.loads.of(component, part)
    return bool(own[margin_column(review.loads, component)].notna().any() and own["power_hp"].notna().any())


def lives_by_torque(review: LoadReview, component: str, part: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lives of a component's ``part`` in the ``review`` with torque and miles on record, torque_at_shaft_lbft and
    miles: those that failed, and the others."""
    own = review.loads.of(component, part)
    own = own[own["torque_at_shaft_lbft"].notna()]
    failed = counts_as_failure(own)
    hit, others = own[failed], own[~failed & (own["lower_miles"] > 0)]
    hit = hit.assign(miles=hit["upper_miles"].where(np.isfinite(hit["upper_miles"]), hit["lower_miles"]))
    return hit[hit["miles"] > 0], others.assign(miles=others["lower_miles"])


def best_on_torque(review: LoadReview, component: str, part: str) -> Explained | None:
    """The best fit in the ``review`` of the lives of a component's part on torque, if there is one."""
    found = review.explained.get((component, part))
    return next((e for e in found.fits if e.strength == "torque"), None) if isinstance(found, Compared) else None


def facts_of(review: LoadReview, component: str, part: str) -> pd.DataFrame:
    """Every figure in the ``review`` of a component's part (see `part_facts`) at its reference power and usual use in
    the lightest class."""
    weight = review.records.shop.weight.classes[0]
    use, power = usual_use(review, component, part), reference_power(review, component, part)
    return part_facts(review.loads, component, part, power, weight, use)
