"""The ratings in sentences."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from analytics.errors import AnalyticsError
from analytics.ratings.plan import plan_proof, proof_ahead
from analytics.ratings.sheet import PartRating, Ratings
from analytics.ratings.unknowns import ask_first
from analytics.ratings.whatif import change_promise, move_limit

_ORDER = ("lower", "raise", "keep", "not proven")


def opening(ratings: Ratings) -> tuple[str, ...]:
    """What a rating means, with this shop's targets."""
    options = ratings.options
    share = (
        "allowing for failures nobody reported (about one in five, itself uncertain)"
        if options.settings.share is None
        else "assuming every failure was reported"
        if options.settings.share == 1
        else f"if {options.settings.share:.0%} of failures are reported"
    )
    return (
        f"From the records as of {ratings.records.as_of.day} {ratings.records.as_of:%B %Y}. A rating is the highest power at which we can be {options.confidence:.0%} sure that {options.reliability:.0%} of the parts last {options.life_miles:,.0f} miles.",
        f"It should be right about {options.confidence * 10:.0f} times in ten, {share}, if powers are as recorded at the build and the use is the one named. Nothing in the records can show failures that were never reported: phone owners chosen at random.",
    )


def verdicts(ratings: Ratings) -> tuple[str, ...]:
    """One sentence per part and verdict, any use; the loudest first."""
    table = ratings.table[ratings.table["use"] == ""]
    lines = [] if len(table) else ["No part could be rated; the reasons are below."]
    for verdict in _ORDER:
        for (component, part), own in table[table["verdict"] == verdict].groupby(["component", "part"], sort=False):
            steps = "; ".join(_change(r.published_hp, r.proposed_hp, r.weight_up_to) for r in own.itertuples())
            lines.append(f"{_SAY[verdict]} {component} {part}: {steps}.")
    lines.append(
        "Nothing changes by itself: a person accepts a proposal, and the ledger keeps who, when and on what evidence. Until then the customers' sheet is a draft that shows the lower figures."
    )
    return tuple(lines)


_SAY = {
    "lower": "Lower",
    "raise": "Could go up, or be published for the first time:",
    "keep": "Keep",
    "not proven": "Not proven either way:",
}


def _change(published: float, proposed: float, weight: float) -> str:
    there, proven = published == published, proposed == proposed
    if there and proven:
        what = f"{published:,.0f} published, {proposed:,.0f} hp proven"
    elif there:
        what = f"{published:,.0f} published, no power proven"
    else:
        what = f"none published, {proposed:,.0f} hp proven" if proven else "none published, none proven"
    return f"{what} up to {weight:,.0f} lb"


def short_table(ratings: Ratings) -> pd.DataFrame:
    """The sheet without the columns that are the same in every row."""
    return ratings.table.drop(columns=["life_miles", "reliability", "confidence"])


def part_words(ratings: Ratings, part: PartRating) -> tuple[str, ...]:
    """Each weight class in its sentence, then what was left out that bends the rating."""
    table = ratings.table
    own = table[(table["component"] == part.component) & (table["part"] == part.part)]
    lines = [
        f"Up to {r.weight_up_to:,.0f} lb{', ' + r.use if r.use else ''}: {r.verdict}. {r.reason[0].upper()}{r.reason[1:]}"
        for r in own[own["use"] == ""].itertuples()
    ]
    lines += [f"{note[0].upper()}{note[1:]}." for note in part.notes if "rating" in note]
    return tuple(lines)


def part_checks(part: PartRating) -> pd.DataFrame:
    """Checks that fired, costs of the defaults, and notes, of the lightest class."""
    bound = part.bounds[0]
    rows = (
        [("check", c) for c in bound.checks]
        + [("cost of a default", c) for c in bound.costs]
        + [("left out or assumed", n) for n in part.notes]
    )
    return pd.DataFrame(rows or [("check", "none fired")], columns=["what", "in_words"])


def boldest_move(ratings: Ratings) -> tuple[str, ...]:
    """What following the proposal furthest from its published limit would bring a year."""
    table = ratings.table[
        (ratings.table["use"] == "") & ratings.table["published_hp"].notna() & ratings.table["proposed_hp"].notna()
    ]
    table = table[table["published_hp"] != table["proposed_hp"]]
    if table.empty:
        return ("No proposal differs from a published limit, so there is no move to weigh.",)
    # the part with the most failures on record: its figures are the firmest
    row = table.sort_values(["failures", "weight_up_to"], ascending=[False, True], kind="stable").iloc[0]
    others = [p.part for p in ratings.parts if p.component == row["component"] and p.part != row["part"]]
    lighter = [w for w in ratings.records.shop.weight_classes if w < row["weight_up_to"]]
    moved = move_limit(
        ratings.lifetimes,
        row["component"],
        row["part"],
        row["published_hp"],
        row["proposed_hp"],
        max(lighter, default=0.0),
        row["weight_up_to"],
        instead=others[0] if others else None,
        miles=ratings.options.life_miles,
        settings=ratings.options.settings,
        seed=ratings.options.seed,
    )
    return (
        f"{row['component'].capitalize()} {row['part']} up to {row['weight_up_to']:,.0f} lb, from {row['published_hp']:,.0f} to {row['proposed_hp']:,.0f} hp:",
        *moved.words,
    )


def sensitivity(ratings: Ratings) -> tuple[str, ...]:
    """The firmest rating under other reporting shares and losses from crank to wheels."""
    rated = [
        (p, b)
        for p in ratings.parts
        for b in p.bounds
        if not b.use and math.isfinite(b.bound_hp) and not b.demonstrated_only
    ]
    if not rated:
        return ("No rating is modelled, so there is nothing to vary.",)
    part, bound = max(rated, key=lambda item: (item[1].failures, -item[1].weight_lb))
    changed = change_promise(
        ratings.records,
        part.component,
        part.part,
        bound.weight_lb,
        None,
        share=(1.0, 0.85, 0.7, 0.5),
        driveline_loss=(0.15, 0.20),
        settings=ratings.options.settings,
        lifetimes=ratings.lifetimes,
        seed=ratings.options.seed,
    )
    return changed.words


def proofs(ratings: Ratings) -> tuple[str, ...]:
    """How to prove a limit, and what the parts that never failed will prove by themselves."""
    options, lines = ratings.options, []
    table = ratings.table
    unproven = table[(table["use"] == "") & (table["verdict"] == "not proven") & table["published_hp"].notna()]
    for (component, part), own in unproven.groupby(["component", "part"], sort=False):
        row = own.iloc[0]
        lines.append(f"To prove {component} {part} at its published {row['published_hp']:,.0f} hp:")
        lines += plan_proof(row["published_hp"], options.life_miles, options.reliability, options.confidence).words
        rated = ratings.part(component, part)
        lines += proof_ahead(
            rated.data,
            row["weight_up_to"],
            None,
            options.life_miles,
            options.reliability,
            options.confidence,
            options.settings,
            published_hp=row["published_hp"],
            seed=options.seed,
        ).words
    if not lines:
        lines = [
            "No published limit stands unproven. For a limit of your own, use plan_proof in analytics.ratings.plan:",
            *plan_proof(1000.0, options.life_miles, options.reliability, options.confidence).words,
        ]
    return tuple(lines)


def whom_to_ask(ratings: Ratings) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Which odometers, powers and weights to ask for first, and the random sample beside them."""
    try:
        table, sample, words = ask_first(
            ratings.lifetimes, settings=replace(ratings.options.settings, explain=False), seed=ratings.options.seed
        )
    except AnalyticsError as err:
        return pd.DataFrame(), (f"Nothing to rank by: {err}.",)
    picked = ", ".join(sample) if len(sample) else "nobody left to ask"
    return table.head(15), (*words, f"Picked at random: {picked}.")


__all__ = [
    "boldest_move",
    "opening",
    "part_checks",
    "part_words",
    "proofs",
    "sensitivity",
    "short_table",
    "verdicts",
    "whom_to_ask",
]
