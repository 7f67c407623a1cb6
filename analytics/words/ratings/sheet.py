"""A rating and its verdict in a sentence; the sheet as the owner reads it."""

from __future__ import annotations

import pandas as pd

from analytics.ratings.bound import RatingBound
from analytics.ratings.options import Options
from analytics.ratings.sheet import PartRating, Ratings, qualifiers
from analytics.reasons import Reason, Verdict
from analytics.words.saying import say, say_all, texts


def _said(words):
    def said(estimate_hp: float, proposed_hp: float, published_hp: float, margin_hp: float, at_least: bool) -> str:
        return words.format(
            estimate=f"{estimate_hp:,.0f}",
            proposed=f"{'at least ' if at_least else ''}{proposed_hp:,.0f}",
            only=f"{proposed_hp:,.0f}",
            published=f"{published_hp:,.0f}",
            margin=f"{margin_hp:,.0f}",
        )

    return said


texts(
    {
        Verdict.LOWER_NOTHING_PROVEN: _said(
            "no power can be proven, and the best estimate, {estimate} hp, lies under the {published} hp published: take the "
            "limit back until there is a rating"
        ),
        Verdict.NOTHING_PROVEN: _said("no power can be proven"),
        Verdict.NEITHER_PROVEN: _said("nothing proves the {published} hp published, or contradicts it"),
        Verdict.RAISE_FIRST: _said("nothing is published yet; {proposed} hp could be"),
        Verdict.RAISE: _said(
            "{proposed} hp can be proven, more than {margin} over the {published} published; a person decides"
        ),
        Verdict.KEEP: _said("{proposed} hp can be proven, within {margin} of the {published} published"),
        Verdict.LOWER: _said(
            "only {only} hp can be proven, and the best estimate, {estimate} hp, lies under the {published} published"
        ),
        Verdict.BETWEEN: _said(
            "{proposed} hp is proven; the records neither prove nor contradict the {published} hp published"
        ),
    }
)


def _miles(miles: float) -> str:
    """Miles as a person says them: three figures once there are millions, since most of those are reckoned from days."""
    return f"{miles:,.0f}" if miles < 1e6 else f"{float(f'{miles:.3g}'):,.0f}"


def came_back(failures: float, units: float, miles: float) -> str:
    """How many of so many came back in how many miles."""
    return f"{f'{failures:,.0f}' if failures else 'none'} of {units:,.0f} came back in {_miles(miles)} miles"


def seen_words(bound: RatingBound) -> str:
    """How many lives of the part stand behind a rating, all weights together, and how many failed."""
    return came_back(bound.failures, bound.units, bound.seen.miles)


def sentence(rated: PartRating, bound: RatingBound, why: Reason, options: Options) -> str:
    """The rating in one plain sentence."""
    rest = say_all(qualifiers(rated, bound, options))
    return f"{seen_words(bound)}: {say(why)}" + (f" ({'; '.join(rest)})" if rest else "") + "."


def sheet_table(ratings: Ratings) -> pd.DataFrame:
    """The table of the ratings with the reason of each row in words."""
    said = []
    for rated in ratings.parts:
        own = ratings.table[(ratings.table["component"] == rated.component) & (ratings.table["part"] == rated.part)]
        said += [
            sentence(rated, bound, why, ratings.options) for bound, why in zip(rated.bounds, own["why"], strict=True)
        ]
    return ratings.table.drop(columns="why").assign(reason=pd.Series(said, index=ratings.table.index, dtype=object))
