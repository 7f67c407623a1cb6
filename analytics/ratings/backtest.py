"""Past quarters replayed: what the records of that day would have said, and what came after.

Each quarter end is looked at with the records as they stood (`load_records(folder, as_of)`), rated and predicted; the records
a quarter later tell what came back. Powers and weights are on the sheets without a date, so one that was only written down
when the unit came back is known too early here: the replay is that much kinder to the past than the past was.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cores import each
from analytics.errors import AnalyticsError
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.later import came_later
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import rate_weights
from analytics.ratings.options import Options, for_component, options_for
from analytics.ratings.pooling import options_of
from analytics.ratings.predict import PartLives, fit_lives, predict_failures
from analytics.ratings.sheet import class_weights
from analytics.reasons import brief
from analytics.records.load import NOT_RECORDED, AsTyped, as_typed, load_records
from analytics.records.shop import Shop

NAN = float("nan")
#: simulated fleets per bound, where the shop's own settings ask for more: fewer than a rating published today would have
REPLICATES = 40


@dataclass(frozen=True, slots=True, repr=False)
class Backtest:
    """Quarters replayed. table: one row per quarter end and part with enough failures by then:

    quarter_end, next_end, component, part, units (watched, in the fit), failures (by then), "bound_hp <class>" per weight
    class, expected, lower, upper, came_back (on record as failed by next_end, as running at quarter_end), inside,
    failed_in_quarter (of those, the day they failed lies in the quarter), units_within, expected_within and
    came_back_within (units at or under the bound of their class), left_out and left_out_came_back (units in no fit, for want
    of power, weight or age), law, reporting_share, prediction (the `Prediction`).
    covered: share of rows inside; rows: those with a prediction. min_failures: a part had to show by then.
    """

    table: pd.DataFrame
    rows: int
    covered: float
    expected: float
    came_back: float
    level: float
    min_failures: int
    first_end: pd.Timestamp
    last_end: pd.Timestamp

    def __repr__(self) -> str:
        return brief(self, "rows", "came_back", "expected", "covered", "level")


def quick_options(shop: Shop) -> Options:
    """The shop's own promise and settings, with no more than REPLICATES simulated fleets a bound."""
    own = options_for(shop)
    few = min(own.settings.replicates, REPLICATES)
    return replace(own, settings=replace(own.settings, explain=False, draws=0, replicates=few))


def quarter_ends(as_of: pd.Timestamp, quarters: int) -> list[pd.Timestamp]:
    """The last ``quarters`` + 1 quarter ends up to the cut-off ``as_of``, oldest first."""
    last = as_of.to_period("Q")
    if as_of != last.end_time.normalize():
        last -= 1
    return [(last - back).end_time.normalize() for back in range(quarters, -1, -1)]


@dataclass(frozen=True, slots=True)
class Replay:
    """What is replayed of each quarter.

    parts: (component, part) pairs, None for all. min_failures: failures a part must show by the quarter's start, None for
    failures_to_fit of shop.toml. rate: the ratings too, which take most of the time. level: of the interval; draws, seed: of its fit.
    """

    parts: Collection[tuple[str, str]] | None = None
    min_failures: int | None = None
    rate: bool = True
    level: float = 0.9
    draws: int = 256
    seed: int = 1


def backtest(
    folder: str | Path,
    quarters: int = 8,
    what: Replay = Replay(),
    options: Options | None = None,
    as_of: str | None = None,
    progress: Callable[[str], None] | None = None,
) -> Backtest:
    """Replay the last ``quarters`` whole quarters of the shop in ``folder``; what: is replayed of each.

    options: `quick_options` by default. as_of: the last day known of, the records' own by default. progress: called
    with a line of text for each quarter. Raises AnalyticsError for fewer than one quarter.
    """
    if quarters < 1:
        raise AnalyticsError(f"quarters is {quarters}: give at least 1")
    say = progress or (lambda _: None)
    typed = as_typed(folder)
    newest = load_records(typed, as_of)
    o = quick_options(newest.shop) if options is None else options
    ends = quarter_ends(newest.as_of, quarters)
    first = newest.builds["begun_on"].min()
    ends = [e for e in ends if e > first]
    if len(ends) < 2:
        raise AnalyticsError(
            f"the records of {folder} hold no whole quarter to replay: the first build is of {first:%Y-%m-%d}, the "
            f"cut-off {newest.as_of:%Y-%m-%d}"
        )
    need = newest.shop.checks.failures_to_fit if what.min_failures is None else what.min_failures
    what = replace(what, min_failures=need)
    rows: list[dict] = []
    stood = list(each(_lifetimes_at, [(typed, end) for end in ends], keep=True))
    asked = [(a, b, what, o) for a, b in pairwise(stood)]
    for before, found in zip(stood, each(_replay, asked, keep=True), strict=False):
        rows += found
        say(f"{before.as_of:%Y-%m-%d}: {len(found)} parts")
    table = pd.DataFrame(rows)
    told = table[table["expected"].notna()] if len(table) else table
    covered = float(told["inside"].mean()) if len(told) else NAN
    expected, came = (float(told[c].sum()) if len(told) else NAN for c in ("expected", "came_back"))
    return Backtest(
        table=table,
        rows=len(told),
        covered=covered,
        expected=expected,
        came_back=came,
        level=what.level,
        min_failures=need,
        first_end=ends[0],
        last_end=ends[-1],
    )


def _lifetimes_at(typed: AsTyped, day: pd.Timestamp) -> Lifetimes:
    return make_lifetimes(load_records(typed, day.date().isoformat()))


def _replay(before: Lifetimes, after: Lifetimes, what: Replay, o: Options) -> list[dict]:
    table, shop, o = before.table, before.shop, options_of(before, o)
    days = float((after.as_of - before.as_of).days)
    failed = after.table[counts_as_failure(after.table)]
    rows = []
    for component, part in sorted(set(zip(table["component"], table["part"], strict=True))):
        if what.parts is not None and (component, part) not in what.parts:
            continue
        try:
            lives = part_lives(before, component, part)
        except AnalyticsError:
            continue
        if lives.data.failures < (what.min_failures or 0):
            continue
        settings = o.settings.of(component, part)
        fit = fit_lives(lives.data, o.promise.life_miles, settings, what.draws, what.seed)
        found = predict_failures(lives.data, fit, settings, days, watched=lives.watched, level=what.level)
        chance = np.zeros(len(lives.rows))
        chance[found.rows] = np.nan_to_num(found.chance)
        came = came_later(table.iloc[lives.rows[found.rows]], table, failed)
        counts = replay_counts(before, lives, found.rows, failed)
        row = {
            "quarter_end": before.as_of,
            "next_end": after.as_of,
            "component": component,
            "part": part,
            "units": found.units,
            "failures": found.failures,
        }
        within = np.zeros(len(lives.rows), bool)
        if what.rate:
            bounds = _bounds(lives, shop, for_component(o, component, part))
            row |= {f"bound_hp {name}": hp for name, hp in bounds.items()}
            at = table.iloc[lives.rows]
            hp = at["weight_class"].astype(str).map(bounds).to_numpy(float)
            within = at["power_hp"].to_numpy(float) <= np.nan_to_num(hp)
        count, own = lives.data.weight[found.rows], within[found.rows]
        row |= {
            "expected": found.expected,
            "lower": found.lower,
            "upper": found.upper,
            "came_back": counts["came_back"],
            "inside": bool(found.lower <= came.sum() <= found.upper) if np.isfinite(found.expected) else None,
            "failed_in_quarter": counts["failed_in_quarter"],
        }
        if what.rate:
            row |= {
                "units_within": float(count[own].sum()),
                "expected_within": float((chance[found.rows] * count)[own].sum()),
                "came_back_within": float(came[own].sum()),
            }
        row |= {
            "left_out": counts["left_out"],
            "left_out_came_back": counts["left_out_came_back"],
            "law": found.distribution,
            "reporting_share": found.reporting_share,
            "prediction": found,
        }
        rows.append(row)
    return rows


def replay_counts(before: Lifetimes, lives: PartLives, which: np.ndarray, failed: pd.DataFrame) -> dict[str, float]:
    """Units of the running lives ``which`` (positions in ``lives``) that came back by the later day and those of them
    that failed after the earlier, the day of ``before``; units that could not be predicted, and those of them that came
    back. failed: failures of the later table."""
    table = before.table
    own, aside = table.iloc[lives.rows[which]], table.iloc[lives.left_out]
    return {
        "came_back": float(came_later(own, table, failed).sum()),
        "failed_in_quarter": float(came_later(own, table, failed[failed["ended_on"] > before.as_of]).sum()),
        "left_out": float(aside["count"].sum()),
        "left_out_came_back": float(came_later(aside, table, failed).sum()),
    }


def _bounds(lives: PartLives, shop: Shop, o: Options) -> dict[str, float]:
    """Bound in hp per weight class, as the sheet of that day would have had it (NaN: none)."""
    tops = class_weights(lives.data, shop.weight.classes, o)
    got = rate_weights(lives.data, tops, None, o.promise, o.settings, o.seed)
    labels = [NOT_RECORDED] if np.isinf(tops[0]) else shop.class_labels()
    found = [r.bound_hp for r in got]
    return dict(zip(labels, found + [NAN] * (len(labels) - len(found)), strict=True))
