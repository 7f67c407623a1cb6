"""The ratings in sentences."""

from __future__ import annotations

import pandas as pd

from analytics.ratings.sheet import PartRating, Ratings

_ORDER = ("lower", "raise", "keep", "not proven")


def opening(ratings: Ratings) -> tuple[str, ...]:
    """What a rating means, with this shop's targets."""
    options = ratings.options
    share = ("allowing for failures nobody reported (about one in five, itself uncertain)" if options.settings.share is None
             else "assuming every failure was reported" if options.settings.share == 1 else f"if {options.settings.share:.0%} of failures are reported")
    return (
        f"From the records as of {ratings.records.as_of.day} {ratings.records.as_of:%B %Y}. A rating is the highest power at which we can be {options.confidence:.0%} sure that {options.reliability:.0%} of the parts last {options.life_miles:,.0f} miles.",
        f"It should be right about {options.confidence * 10:.0f} times in ten, {share}, if powers are as recorded at the build and the use is the one named. Nothing in the records can show failures that were never reported: phone owners chosen at random.",
    )


def verdicts(ratings: Ratings) -> tuple[str, ...]:
    """One sentence per part and verdict, any use; the loudest first."""
    table = ratings.table[ratings.table["use"] == ""]
    lines = []
    for verdict in _ORDER:
        for (component, part), own in table[table["verdict"] == verdict].groupby(["component", "part"], sort=False):
            steps = "; ".join(_change(r.published_hp, r.proposed_hp, r.weight_up_to) for r in own.itertuples())
            lines.append(f"{_SAY[verdict]} {component} {part}: {steps}.")
    lines.append("Nothing changes by itself: a person accepts a proposal, and the ledger keeps who, when and on what evidence.")
    return tuple(lines)


_SAY = {"lower": "Lower", "raise": "Could go up:", "keep": "Keep", "not proven": "Not proven either way:"}


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
    lines = [f"Up to {r.weight_up_to:,.0f} lb{', ' + r.use if r.use else ''}: {r.verdict}. {r.reason[0].upper()}{r.reason[1:]}" for r in own[own["use"] == ""].itertuples()]
    lines += [f"{note[0].upper()}{note[1:]}." for note in part.notes if "rating" in note]
    return tuple(lines)


def part_checks(part: PartRating) -> pd.DataFrame:
    """Checks that fired, costs of the defaults, and notes, of the lightest class."""
    bound = part.bounds[0]
    rows = [("check", c) for c in bound.checks] + [("cost of a default", c) for c in bound.costs] + [("left out or assumed", n) for n in part.notes]
    return pd.DataFrame(rows or [("check", "none fired")], columns=["what", "in_words"])
