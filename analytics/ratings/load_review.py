"""Everything the load page rests on, worked out once: loads, suspects, ratings on each strength, what explains the returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd

from analytics.driveline.load import Loads, make_loads
from analytics.driveline.suspects import Suspects, find_suspects
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import Lifetimes
from analytics.ratings.by_load import (
    Explained,
    LoadRating,
    explain,
    loaded_parts,
    rate_parts,
    without_suspects,
)
from analytics.ratings.options import STRENGTHS, Options
from analytics.records.load import Records


@dataclass(frozen=True, slots=True, repr=False)
class LoadReview:
    """ratings: rated on options.strength, calibrated. compared: the first-order bounds on every strength, alike, for the
    comparison. explained: (component, part) or (component, "") for all its parts under one law -> fits, best first, or the
    reason why there are none. without: per part with suspects, the rating as recorded and without them. left: words on what
    could not be rated.
    """

    records: Records
    lifetimes: Lifetimes
    loads: Loads
    options: Options
    suspects: Suspects
    parts: tuple[tuple[str, str], ...]
    ratings: pd.DataFrame
    compared: pd.DataFrame
    explained: dict[tuple[str, str], tuple[Explained, ...] | str]
    without: dict[tuple[str, str], dict[str, LoadRating | str]]
    left: tuple[str, ...]

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
        left = tuple(dict.fromkeys((*left, *more)))
    explained: dict[tuple[str, str], tuple[Explained, ...] | str] = {}
    for component in dict.fromkeys(c for c, _ in parts):
        own = [p for c, p in parts if c == component]
        for part in [*own, *([""] if len(own) > 1 else [])]:
            say(f"what explains the returns of {component} {part or 'as a whole'}")
            try:
                explained[component, part] = explain(loads, component, part or None, options)
            except AnalyticsError as err:
                explained[component, part] = str(err)
    without = {}
    marked = suspects.table.groupby(["component", "part"]).size()
    lightest = records.shop.weight_classes[0]
    for component, part in parts:
        if (component, part) in marked.index:
            say(f"{component} {part} without its suspects")
            without[component, part] = without_suspects(loads, suspects, component, part, lightest, None, quick)
    return LoadReview(
        records,
        lifetimes,
        loads,
        options,
        suspects,
        tuple(parts),
        ratings,
        pd.concat([t for t in compared if len(t)] or compared[:1], ignore_index=True),
        explained,
        without,
        left,
    )
