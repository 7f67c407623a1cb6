"""The quarter's outlook: past quarters replayed, this one watched, the next foreseen."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.kept import begun, once
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.backtest import quarter_ends
from analytics.reasons import Expected
from analytics.records.load import AsTyped, Records, as_typed
from analytics.records.shop import Shop
from analytics.review.alarms import alarms_answer, lot_counts, lots_answer, power_answer, revision_answer
from analytics.review.answer import Answer, nothing
from analytics.review.door import running_chances, with_record
from analytics.review.expected import at_stake, days_between, expected_answer, expected_question
from analytics.review.forecast import (
    BACK,
    Forecast,
    alarms_kept,
    forecast,
    forecast_answer,
    forecasts_kept,
    kept_answer,
    stock_answer,
    units_answer,
)
from analytics.review.months_in_service import months_answer, months_table
from analytics.review.quarterly import Review
from analytics.review.said import alarm_states, closings, said_held
from analytics.review.snapshot import Snapshot, snapshot_at, snapshot_of
from analytics.review.watch import Watched, watch

#: quarters replayed: long enough for a year's forecast to have had its year
QUARTERS = 8


@dataclass(frozen=True, slots=True, repr=False)
class Outlook:
    """Answers about what stands out, what comes next and what was said before; with the tables behind them.

    watched: the quarters replayed, oldest first, this one last. months: by build month and time in service. snapshots: the
    lives and fits of the last quarter's end, where there is one, and of the day.
    """

    watched: list[Watched]
    expected: Answer
    alarms: Answer
    lots: Answer
    power: Answer
    revision: Answer
    months: Answer
    forecast: Answer
    stock: Answer
    units: Answer
    kept: Answer
    months_table: pd.DataFrame
    forecasts: Forecast
    alarms_kept: pd.DataFrame
    snapshots: tuple[Snapshot, ...]

    @property
    def snapshot(self) -> Snapshot:
        """The lives and fits of the day."""
        return self.snapshots[-1]

    @property
    def before(self) -> Snapshot | None:
        """Those of the last quarter's end, from the records as they stood then."""
        return self.snapshots[0] if len(self.snapshots) > 1 else None

    @property
    def as_of(self) -> pd.Timestamp:
        """The day of the records."""
        return self.snapshot.as_of

    def __repr__(self) -> str:
        return f"Outlook({self.as_of:%Y-%m-%d}: {len(self.watched)} quarters watched, {self.forecasts!r})"

    def answers(self) -> list[Answer]:
        """All answers in the order they are read."""
        return [
            self.alarms, self.expected, self.lots, self.revision, self.power, self.months, self.forecast, self.stock, self.units, self.kept,
        ]  # fmt: skip


#: what was seen of each past quarter end, as `_looked_at` gives it
_Looks = Iterable[tuple[Snapshot, dict[pd.Timestamp, tuple[pd.DataFrame, np.ndarray]]]]


@dataclass(frozen=True, slots=True, repr=False)
class Replay:
    """Quarters replayed: snapshots (one more than quarters watched), watched, chances of the running ones by (snapshot, span)."""

    snapshots: list[Snapshot]
    watched: list[Watched]
    running: dict


def replay(
    folder: str | Path | Shop | AsTyped,
    now: Snapshot,
    quarters: int = QUARTERS,
    progress: Callable[[str], None] | None = None,
) -> Replay:
    """Every one of the last ``quarters`` ends up to ``now`` looked at with the records of ``folder`` as they stood, and
    every quarter watched.

    A quarter end before the first unit went out is left out; ``now`` comes last, whether its quarter is over or not.
    The sheets are read once. progress: called with a line of text for each quarter.
    """
    typed = folder if isinstance(folder, AsTyped) else as_typed(folder)
    return _replayed(_looks_begun(typed, now, quarters), now, progress)


def _replayed(looks: _Looks, now: Snapshot, progress: Callable[[str], None] | None) -> Replay:
    say = progress or (lambda _: None)
    plain, running = _looked(looks, now)
    snapshots = plain[:1]
    for i, snapshot in enumerate(plain[1:]):
        snapshots.append(with_record(snapshot, snapshots[i], running[i, "quarter"]))
    asked = [(snapshots[i], later, running[i, "quarter"]) for i, later in enumerate(snapshots[1:])]
    watched = []
    for quarter in each(_watched, asked):
        watched.append(quarter)
        say(f"quarter to {quarter.end.date()}")
    return Replay(snapshots, watched, running)


def _looks_begun(typed: AsTyped, now: Snapshot, quarters: int) -> _Looks:
    """The last ``quarters`` ends before ``now`` looked at by `_looked_at`: other processes are at it from now on."""
    first = now.lifetimes.units["in_service_on"].min()
    days = [*(e for e in quarter_ends(now.as_of, quarters) if first < e < now.as_of), now.as_of]
    ahead = [[days[i + back] for back in BACK.values() if i + back < len(days)] for i in range(len(days) - 1)]
    # all that the review tells of the past waits for these
    return each(_looked_at, [(typed, day, until) for day, until in zip(days, ahead, strict=False)], ahead=True)


def _looked(looks: _Looks, now: Snapshot) -> tuple[list[Snapshot], dict]:
    """The snapshots of the quarters looked at (``looks``) and ``now``, but for those without lives, and their ``running`` (see Replay)."""
    some = [(snapshot, told) for snapshot, told in looks if not snapshot.table.empty]
    plain = [*(snapshot for snapshot, _ in some), *([] if now.table.empty else [now])]
    spans = [(i, span, i + back) for i in range(len(plain)) for span, back in BACK.items() if i + back < len(plain)]
    running = {}
    for i, span, later in spans:
        # where a quarter without lives lies between, the day is another than was looked ahead to
        told = some[i][1].get(plain[later].as_of)
        running[i, span] = told or running_chances(plain[i], days_between(plain[i], plain[later]))
    return plain, running


def _looked_at(
    typed: AsTyped, day: pd.Timestamp, until: list[pd.Timestamp]
) -> tuple[Snapshot, dict[pd.Timestamp, tuple[pd.DataFrame, np.ndarray]]]:
    """The snapshot of a ``day``, and `running_chances` of it up to each of the days ``until``: what all its lives share is made once for them."""
    snapshot = snapshot_at(typed, day)
    until = [] if snapshot.table.empty else until
    return snapshot, {later: running_chances(snapshot, float((later - snapshot.as_of).days)) for later in until}


@dataclass(frozen=True, slots=True, repr=False)
class Past:
    """What is left of a replay. told: the forecasts made then, with what came. snapshots: of the last quarter's end, where there is one,
    and of the day, which knows how its forecasts came out. first: the first day looked at; None where there was none."""

    watched: list[Watched]
    told: pd.DataFrame
    snapshots: tuple[Snapshot, ...]
    first: pd.Timestamp | None


def past(
    typed: AsTyped, now: Snapshot, quarters: int = QUARTERS, progress: Callable[[str], None] | None = None
) -> Past:
    """The ``quarters`` before ``now`` replayed from the sheets ``typed`` (see replay), and what came of it kept until a cell differs.
    progress: called with a line of text as quarters are done."""
    return begun(_past, (typed, now, quarters), progress)()


def _past(typed: AsTyped, now: Snapshot, quarters: int, progress: Callable[[str], None] | None) -> Callable[[], Past]:
    looks = _looks_begun(typed, now, quarters)
    return lambda: _past_seen(_replayed(looks, now, progress), now)


def _past_seen(done: Replay, now: Snapshot) -> Past:
    first = done.snapshots[0].as_of if done.snapshots else None
    before = done.snapshots[-2:]
    snapshots = (*before[:-1], before[-1] if before and before[-1].as_of == now.as_of else now)
    return Past(done.watched, forecasts_kept(done.snapshots, done.running), snapshots, first)


def _watched(before: Snapshot, now: Snapshot, running: tuple[pd.DataFrame, np.ndarray]) -> Watched:
    """The quarter from ``before`` to ``now``. running: `running_chances` of ``before`` over it."""
    return watch(before, now, at_stake(before, now, running))


def make_outlook(
    review: Review, folder: str | Path | Shop, quarters: int = QUARTERS, progress: Callable[[str], None] | None = None
) -> Outlook:
    """The outlook of a ``review``; ``folder`` is looked at again as of each of the last ``quarters`` ends. progress:
    see `replay`."""
    return outlook_begun(review.records, review.lifetimes, folder, quarters, progress)(review)


def outlook_begun(
    records: Records,
    lifetimes: Lifetimes,
    folder: str | Path | Shop,
    quarters: int = QUARTERS,
    progress: Callable[[str], None] | None = None,
) -> Callable[[Review], Outlook]:
    """What gives the outlook as `make_outlook` does when called with the review of the ``records`` and their ``lifetimes``: other processes look at
    the past ``quarters`` of the ``folder`` meanwhile (analytics.cores). progress: see `replay`."""
    typed = as_typed(folder)
    seen = begun(_past, (typed, snapshot_of(records, lifetimes), quarters), progress)
    return lambda review: _outlook(review, typed, seen())


def _outlook(review: Review, typed: AsTyped, done: Past) -> Outlook:
    now = done.snapshots[-1]
    shop = review.records.shop
    closed = closings(shop, now.as_of)
    kept = alarms_kept(done.watched)
    kept = kept.assign(state=alarm_states(kept, done.watched, closed))
    alarms = done.watched[-1].alarms if done.watched else pd.DataFrame(columns=["family"])
    months = months_table(now)
    ahead = once(forecast, (now,))
    before = done.snapshots[0]
    if done.watched:
        last = done.watched[-1]
        expected = expected_answer(last.stakes, last.expected, review.span.name, now.filled, now.of)
        counts, revision = lot_counts(before, now), revision_answer(before, now, last.tests)
    else:
        expected = nothing(expected_question(review.span.name, None), Expected.NO_QUARTER_BEFORE)
        counts, revision = lot_counts(now, now), revision_answer(now, now, pd.DataFrame())
    return Outlook(
        watched=done.watched,
        expected=expected,
        alarms=alarms_answer(now, done.watched, kept, closed, counts),
        lots=lots_answer(counts),
        power=power_answer(now, done.watched),
        revision=revision,
        months=months_answer(months, alarms),
        forecast=forecast_answer(ahead, now.filled, now.of),
        stock=stock_answer(ahead),
        units=units_answer(ahead),
        kept=kept_answer(done.told, kept, done.first, said_held(typed, review.lifetimes)),
        months_table=months,
        forecasts=ahead,
        alarms_kept=kept,
        snapshots=done.snapshots,
    )
