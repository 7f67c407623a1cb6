"""What is asked of the ratings once they stand: the move worth weighing, what if the assumptions were wrong, what would prove more."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.models.checks import ModelTest
from analytics.ratings.curve import reliability_curve
from analytics.ratings.driving import PowerAndDriving, driving_by_power, driving_by_use
from analytics.ratings.model_checks import ModelChecks, check_model, check_shapes
from analytics.ratings.plan import ProofAhead, ProofPlan, plan_proof, proof_ahead
from analytics.ratings.sheet import Ratings
from analytics.ratings.unknowns import AskFirst, ask_first
from analytics.ratings.verdict import NOT_SHOWN
from analytics.ratings.whatif import Assumed, LimitMove, LimitSpan, RatingChanges, build_mix, change_promise, move_limit
from analytics.reasons import Reason, Refused, reason
from analytics.records.load import NOT_RECORDED

#: reporting shares and losses from crank to wheels that are tried on the firmest rating
SHARES, LOSSES = (1.0, 0.85, 0.7, 0.5), (0.15, 0.20)


@dataclass(frozen=True, slots=True)
class BoldestMove:
    """The move weighed, of the class up to ``weight_up_to`` lb. unproven: the part fitted instead is not supported at ``power_hp`` in
    every class either; best_hp: the most it is supported to (NaN: nothing)."""

    weight_up_to: float
    moved: LimitMove
    unproven: bool
    power_hp: float
    best_hp: float


def boldest_move(ratings: Ratings) -> BoldestMove | None:
    """What following the proposal of ``ratings`` furthest from its published limit would bring a year; None where no
    proposal differs."""
    table = ratings.table[
        (ratings.table["use"] == "") & ratings.table["published_hp"].notna() & ratings.table["proposed_hp"].notna()
    ]
    table = table[table["published_hp"] != table["proposed_hp"]]
    if table.empty:
        return None
    # a low bound that contradicts nothing proposes no move, unless there is nothing else to weigh
    table = table[moves] if (moves := table["verdict"].isin(["lower", "raise"])).any() else table
    # by ratio; of several as far, the one with most failures: its figures are the firmest
    far = np.abs(np.log(table["proposed_hp"] / table["published_hp"]))
    row = (
        table.assign(far=far)
        .sort_values(["far", "failures", "weight_up_to"], ascending=[False, False, True], kind="stable")
        .iloc[0]
    )
    lighter = [w for w in ratings.records.shop.weight.classes if w < row["weight_up_to"] < math.inf]
    above = max(lighter, default=0.0)
    instead = _instead(ratings, row, above)
    span = LimitSpan(
        row["component"],
        row["part"],
        float(row["published_hp"]),
        float(row["proposed_hp"]),
        float(above),
        float(row["weight_up_to"]),
    )
    own = ratings.table
    own = own[(own["component"] == row["component"]) & (own["part"] == (instead or "")) & (own["use"] == "")]
    return BoldestMove(
        weight_up_to=row["weight_up_to"],
        moved=move_limit(ratings.lifetimes, span, instead, ratings.options),
        unproven=bool(instead) and not (own["supported_hp"] >= span.high_hp).all(),
        power_hp=span.high_hp,
        best_hp=own["supported_hp"].max(),
    )


def _instead(ratings: Ratings, row: pd.Series, above_lb: float) -> str | None:
    """The part the trucks between the two limits get where they don't get this one. Where the limit rises: the one most of them
    have been built with. Where it falls: the weakest still fitted whose own limit reaches them all; None where none does."""
    component, part, shop = row["component"], row["part"], ratings.records.shop
    low, high = sorted((row["published_hp"], row["proposed_hp"]))
    gone = {s.old for s in shop.names.supersessions if s.component == component}
    if row["proposed_hp"] > row["published_hp"]:
        built = build_mix(ratings.lifetimes, component, low, high, above_lb, row["weight_up_to"]).frame
        others = built[~built["part"].isin([part, NOT_RECORDED, "", *gone])].groupby("part")["count"].sum()
        if len(others):
            return str(others.idxmax())
    table = ratings.table
    own = table[(table["component"] == component) & (table["use"] == "") & ~table["part"].isin([part, *gone])]
    # the open class is rated at another weight for each part
    last = max(shop.weight.classes, default=0.0)
    own = own[
        (own["weight_up_to"] == row["weight_up_to"]) | ((own["weight_up_to"] > last) & (row["weight_up_to"] > last))
    ]
    reach = own["published_hp"].fillna(own["proposed_hp"])
    able = own.assign(reach=reach)[reach >= high].sort_values(["reach", "part"], kind="stable")
    return str(able["part"].iloc[0]) if len(able) else None


def varying_begun(ratings: Ratings) -> Callable[[], RatingChanges | None]:
    """What gives, when called, the firmest of ``ratings`` under other reporting shares and losses from crank to wheels; None where none is
    modelled. Other processes are at it meanwhile (analytics.cores)."""
    rated = [
        (p, b)
        for p in ratings.parts
        for b in p.bounds
        if not b.use and math.isfinite(b.bound_hp) and not b.demonstrated_only
    ]
    if not rated:
        return lambda: None
    part, bound = max(rated, key=lambda item: (item[1].failures, -item[1].weight_lb))
    return change_promise(
        ratings.records,
        part.component,
        part.part,
        bound.weight_lb,
        None,
        Assumed(share=SHARES, driveline_loss=LOSSES),
        ratings.options,
        ratings.lifetimes,
    )


@dataclass(frozen=True, slots=True)
class Proof:
    """What would prove the published limit of a part, and what time alone will."""

    component: str
    part: str
    plan: ProofPlan
    ahead: ProofAhead


def proofs_of(ratings: Ratings) -> tuple[Proof, ...]:
    """One for each published limit in ``ratings`` that stands unproven."""
    options, table = ratings.options, ratings.table
    unproven = table[(table["use"] == "") & (table["verdict"] == NOT_SHOWN) & table["published_hp"].notna()]
    found = []
    for (component, part), own in unproven.groupby(["component", "part"], sort=False):
        row, rated = own.iloc[0], ratings.part(component, part)
        ahead = proof_ahead(
            rated.data,
            row["weight_up_to"],
            None,
            options.promise,
            options.settings.of(component, part),
            ratings.lifetimes.table["followed"].to_numpy()[rated.rows],
            published_hp=row["published_hp"],
        )
        found.append(Proof(component, part, plan_proof(row["published_hp"], options.promise), ahead))
    return tuple(found)


@dataclass(frozen=True)
class FollowUp:
    """All that is asked of ratings once they stand. Each answer is worked out when it is first asked for, and kept."""

    ratings: Ratings

    def begin(self) -> None:
        """Set the other cores to what takes longest: of whoever asks for all of it."""
        _ = self._curves, self._checks, self._varied

    @cached_property
    def _curves(self) -> Iterator[pd.DataFrame]:
        parts, options = self.ratings.parts, self.ratings.options
        return each(reliability_curve, [(p, p.bounds[0], options) for p in parts], keep=True)

    @cached_property
    def _checks(self) -> Iterator[ModelChecks]:
        bare = replace(self.ratings, parts=(), apart=(), table=self.ratings.table.iloc[:0])
        return each(check_model, [(bare, part) for part in self.ratings.parts], keep=True)

    @cached_property
    def _varied(self) -> Callable[[], RatingChanges | None]:
        return varying_begun(self.ratings)

    @cached_property
    def curves(self) -> dict[tuple[str, str], pd.DataFrame]:
        """Reliability against power of each part, of its first bound (`reliability_curve`)."""
        return {(p.component, p.part): curve for p, curve in zip(self.ratings.parts, self._curves, strict=True)}

    @cached_property
    def checks(self) -> tuple[ModelChecks, ...]:
        """Of the fit behind each part's rating."""
        return tuple(self._checks)

    @cached_property
    def shapes(self) -> tuple[tuple[str, ModelTest], ...]:
        """Component, and whether its parts wear out in the same way."""
        return check_shapes(self.ratings)

    @cached_property
    def driving(self) -> pd.DataFrame:
        """How far the customers drive, by use (`driving_by_use`)."""
        firmest = max(self.ratings.parts, key=lambda p: (p.data.failures, p.part), default=None)
        return driving_by_use(self.ratings.lifetimes, firmest, self.ratings.options)

    @cached_property
    def power_and_driving(self) -> PowerAndDriving:
        """How miles go with power within a use."""
        return driving_by_power(self.ratings.lifetimes)

    @cached_property
    def move(self) -> BoldestMove | None:
        """The proposal furthest from its limit, weighed."""
        return boldest_move(self.ratings)

    @cached_property
    def varied(self) -> RatingChanges | None:
        """The firmest rating under other assumptions."""
        return self._varied()

    @cached_property
    def proofs(self) -> tuple[Proof, ...]:
        """What would prove each limit that stands unproven."""
        return proofs_of(self.ratings)

    @cached_property
    def ask(self) -> AskFirst | Reason:
        """Whom to ask first, or why nothing ranks them."""
        try:
            return ask_first(self.ratings.lifetimes, options=self.ratings.options, seed=self.ratings.options.seed)
        except AnalyticsError as err:
            return reason(Refused.BECAUSE, why=str(err))
