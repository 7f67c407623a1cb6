"""A rating and its verdict in a sentence; the sheet as the owner reads it."""

from __future__ import annotations

from math import isfinite
from typing import Any

import pandas as pd

from analytics.ratings.bound import RatingBound
from analytics.ratings.options import Options
from analytics.ratings.sheet import PartRating, Ratings, qualifiers
from analytics.reasons import Reason, Rests, Verdict
from analytics.words.saying import say, say_all, texts
from analytics.words.units import bare_power, name_of, power, run

#: the verdict where no power is shown to matter
NO_POWER = "no power to publish"
_SAID = {
    Verdict.ANY_POWER: f"{NO_POWER}, since none is shown to matter",
    Verdict.LOWER: (
        "the records contradict the {published} {hp} published (the chance that it is too high is {chance}): {proposed} {hp} costs least, "
        "{supported}"
    ),
    Verdict.LIGHTER_LOWERED: (
        "{supported}; a lighter class goes down to {proposed} {hp}, and a heavier truck is never published higher"
    ),
    Verdict.ONE_FAILURE: "{supported}; one failure speaks against the {published} {hp} published, too little to lower it on",
    Verdict.LEANS_LOW: (
        "{supported}; the estimate, {estimate} {hp}, lies under the {published} {hp} published, but what is missing from the records pulls "
        "it down: not enough to lower it on"
    ),
    Verdict.BETWEEN: "{supported}; the {published} {hp} published are neither supported nor contradicted",
    Verdict.NOTHING_CONTRADICTS: "no power is supported yet, and nothing contradicts the {published} {hp} published",
    Verdict.NOTHING_SUPPORTED: "no power is supported yet",
    Verdict.RAISE_FIRST: "nothing is published yet; {supported}",
    Verdict.RAISE: (
        "{supported}, and {proposed} {hp} at half the doubt, more than {margin} over the {published} published; a person decides, by the margin "
        "on the page of loads too"
    ),
    Verdict.RAISE_KNOWN: (
        "{supported}; with the {known} {hp} known before them {proposed} {hp}, more than {margin} over the {published} published; a person "
        "decides, by the margin on the page of loads too"
    ),
    Verdict.HIDDEN_DAMAGE: (
        "{supported}, but a teardown showed damage that stops no truck, and trucks never opened may have it: not raised over the {published} "
        "published until such parts were opened and found clean"
    ),
    Verdict.FEW_KNOWN: (
        "{supported}, but power or weight is on record of few of the trucks that run, and the rest are taken to be like them: no limit is raised on that "
        "until it is noted of more"
    ),
    Verdict.KEEP: "{supported}: within {margin} of the {published} published",
}


def _said(words: str):
    def said(
        estimate_hp: float,
        supported_hp: float,
        proposed_hp: float,
        published_hp: float,
        known_hp: float,
        too_high: float,
        margin_hp: float,
        at_least: bool,
    ) -> str:
        shown = f"{'at least ' if at_least else ''}{power(supported_hp)} is supported"
        return words.format(
            estimate=bare_power(estimate_hp),
            supported=shown if isfinite(supported_hp) else "no power is supported yet",
            proposed=bare_power(proposed_hp),
            published=bare_power(published_hp),
            known=bare_power(known_hp),
            chance="over 99%" if too_high > 0.99 else f"{too_high:.0%}",
            hp=name_of("power"),
            margin=bare_power(margin_hp),
        )

    return said


def _held(weakest: float, **figures: Any) -> str:
    return (
        _said("{supported}, and {proposed} {hp} at half the doubt, but by the driveline's formulas it may give there")(
            **figures
        )
        + f": its plain body, before any notch or shock, stands {weakest:.2f} times the torque at the worst of what is not known of the truck; torque, engine speed and stall of its trucks narrow that"
    )


texts({code: _said(words) for code, words in _SAID.items()} | {Verdict.HELD_BY_MARGIN: _held})


def came_back(failures: float, built: float, miles: float, counted: str = "miles") -> str:
    """How many of so many came back in how many miles, or what else is ``counted``. failures: that came back; built: of how many."""
    return f"{f'{failures:,.0f}' if failures else 'none'} of {built:,.0f} came back in {run(miles, counted, least=1e4)}"


def seen_words(bound: RatingBound) -> str:
    """How many lives of the part stand behind a rating, all weights together, and how many failed. bound: the rating."""
    return came_back(bound.failures, bound.units, bound.seen.miles, bound.promise.counted)


def sentence(rated: PartRating, bound: RatingBound, why: Reason, options: Options) -> str:
    """The rating in one plain sentence. rated: the part; bound: the rating; why: of the verdict; options: of the rating."""
    rest = say_all(qualifiers(rated, bound, options, why))
    return f"{seen_words(bound)}: {say(why)}" + (f" ({'; '.join(rest)})" if rest else "") + "."


def trial(power_hp: float) -> str:
    """How far a part may be tried above its limit, ``power_hp`` (NaN: not at all, so "")."""
    if not isfinite(power_hp):
        return ""
    return (
        f" It is more likely good to {power(power_hp)} than not: to learn that, try it up to there in trucks that neither race nor pull, "
        "whose owners know and agree. It is no limit to publish."
    )


def lasting(ratings: Ratings, row: Any) -> Reason | None:
    """Of a ``row`` of the ``ratings`` that offers no power, since none is shown to matter: what share lasts at any; None for another row."""
    if row.why.code is not Verdict.ANY_POWER:
        return None
    rated = (p for p in ratings.parts if (p.component, p.part) == (row.component, row.part))
    bounds = (b for p in rated for b in p.bounds if (b.weight_lb, b.use) == (row.weight_up_to, row.use))
    return next((r for b in bounds for r in b.reasons if r.code is Rests.LASTS_AT_ANY_POWER), None)


def offered(table: pd.DataFrame, why: pd.Series) -> pd.DataFrame:
    """A ``table`` of limits as it is shown: a power is proposed only where a limit is to move, and none is named where none is shown to matter,
    nor what was then. why: of each verdict."""
    move, none = table["verdict"].isin(["lower", "raise"]), why.map(lambda w: w.code is Verdict.ANY_POWER).astype(bool)
    then = table.filter(["before_supported_hp", "before_verdict"])
    return table.assign(
        **then.mask(none),
        proposed_hp=table["proposed_hp"].where(move),
        supported_hp=table["supported_hp"].mask(none),
        verdict=table["verdict"].mask(none, NO_POWER),
    )


def sheet_table(ratings: Ratings) -> pd.DataFrame:
    """The table of the ratings with the reason of each row in words."""
    said = []
    bounds = [(rated, bound) for rated in (*ratings.parts, *ratings.apart) for bound in rated.bounds]
    for (rated, bound), row in zip(bounds, ratings.table.itertuples(), strict=True):
        said.append(sentence(rated, bound, row.why, ratings.options) + trial(row.trial_hp))
    return ratings.table.drop(columns="why").assign(reason=pd.Series(said, index=ratings.table.index, dtype=object))
