"""The whole fleet in view: findings, parts that drag others, repeats, calls, what the records can carry, guarantees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

from analytics.kept import begun
from analytics.lifetimes.table import Lifetimes
from analytics.records.load import Records
from analytics.review.answer import Answer
from analytics.review.calls import above_limit, odometers_to_ask, random_calls
from analytics.review.guarantee import BandCost, band_costs, guarantee
from analytics.review.how_sure import how_sure_begun
from analytics.review.quarter import Span
from analytics.review.renew import renew_at_rebuild
from analytics.review.repeats import RepeatLines, by_build_year, rebuilt, repeat_lines
from analytics.review.snapshot import Snapshot, snapshot_of
from analytics.review.teardown import causes_by_year, finding_shares, first_or_followed, judged_alike, which_drags_which


@dataclass(frozen=True, slots=True, repr=False)
class FleetView:
    """Answers over the whole fleet. above, odometers and random_calls name customers' trucks: they stay in the shop.
    costs: what each power band would cost a guarantee. lines: how often units come back again, to be drawn."""

    finding_shares: Answer
    causes: Answer
    judged_alike: Answer
    first_or_followed: Answer
    drags: Answer
    by_build_year: Answer
    rebuilt: Answer
    renew: Answer
    above: Answer
    odometers: Answer
    random_calls: Answer
    how_sure: Answer
    guarantee: Answer
    costs: tuple[BandCost, ...]
    lines: RepeatLines

    def __repr__(self) -> str:
        return f"FleetView({len(self.answers())} answers)"

    def answers(self) -> list[Answer]:
        """All answers in the order they are read."""
        return [getattr(self, f.name) for f in fields(self) if f.name not in ("costs", "lines")]


def fleet_view(
    records: Records,
    lifetimes: Lifetimes,
    span: Span,
    snapshot: Snapshot | None = None,
    progress: Callable[[str], None] | None = None,
) -> FleetView:
    """Every answer about the fleet of ``records`` and their ``lifetimes`` as it stands at the end of ``span``.
    snapshot: that day's, if already made. progress: called with a line of text at each stage. What came of it is kept.
    """
    return fleet_view_begun(records, lifetimes, span, snapshot, progress)()


def fleet_view_begun(
    records: Records,
    lifetimes: Lifetimes,
    span: Span,
    snapshot: Snapshot | None = None,
    progress: Callable[[str], None] | None = None,
) -> Callable[[], FleetView]:
    """What gives the answers of `fleet_view` when called: other processes are at the last of them meanwhile (analytics.cores). records, lifetimes,
    span, snapshot, progress: as there."""
    # what a snapshot has worked out on the way is no part of what is asked
    bare = None if snapshot is None else replace(snapshot, pools={}, doors={})
    return begun(_viewed, (records, lifetimes, span, bare), progress)


def _viewed(
    records: Records,
    lifetimes: Lifetimes,
    span: Span,
    snapshot: Snapshot | None,
    progress: Callable[[str], None] | None,
) -> Callable[[], FleetView]:
    say = progress or (lambda _: None)
    say("lives and models")
    snapshot = snapshot_of(records, lifetimes) if snapshot is None else snapshot
    sure = how_sure_begun(records, lifetimes, progress)
    say("findings and repeats")
    told = {
        "finding_shares": finding_shares(lifetimes),
        "causes": causes_by_year(records, span),
        "judged_alike": judged_alike(records),
        "first_or_followed": first_or_followed(records),
        "drags": which_drags_which(records),
        "by_build_year": by_build_year(records, lifetimes),
        "rebuilt": rebuilt(records, lifetimes),
        "renew": renew_at_rebuild(snapshot),
    }
    say("whom to call")
    told["above"] = above_limit(records, snapshot)
    told["odometers"] = odometers_to_ask(lifetimes)
    told["random_calls"] = random_calls(records, lifetimes)
    say("guarantees")
    costs = band_costs(snapshot)
    told["guarantee"], lines = guarantee(snapshot, costs), repeat_lines(records, lifetimes)
    say("how sure")
    return lambda: FleetView(**told, how_sure=sure(), costs=costs, lines=lines)
