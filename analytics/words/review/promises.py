"""What simulation says of the promises of a review, beside what the review promises."""

from __future__ import annotations

import pandas as pd

from analytics.review.budget import FALSE_ALARM
from analytics.words.phrases import numbered, percent


def one_part(row: pd.Series) -> str:
    """``row``: the year's forecast of one part in data/evidence/prediction.csv."""
    return (
        f"Measured: in {row['fleets']:,} invented fleets the year's interval of one part held what came in {100 * row['covered']:.1f}%, "
        f"where {100 * row['level']:.0f}% are promised."
    )


def whole_shop(quiet: pd.Series) -> str:
    """``quiet``: the shops with nothing wrong in data/evidence/watch.csv."""
    return (
        f"In {quiet['fleets']:.0f} invented shops with nothing wrong, sheets as dirty as these, {quiet['quarters']:.0f} quarters were replayed: the whole shop's interval held "
        f"{100 * quiet['quarter_covered']:.0f}% of the quarters and {100 * quiet['year_covered']:.0f}% of the years that followed."
    )


def at_the_door(kinds: pd.DataFrame) -> str:
    """``kinds``: of data/evidence/quarter.csv, where the range held least and most of all kinds of shop, for quarter and year."""
    held = kinds.pivot(index="kind", columns="span", values="held")
    least, most = held.min(), held.max()
    return (
        f"In shops of {len(held)} other kinds (a season, a long wait to the door, no odometers, months unlike each other) the range held {_percents(least['quarter'], most['quarter'])} of the quarters and "
        f"{_percents(least['year'], most['year'])} of the years, by kind; least of the quarters in the kind “{held['quarter'].idxmin()}”, of the years in “{held['year'].idxmin()}”."
    )


def _percents(low: float, high: float) -> str:
    return f"{100 * low:.0f} to {100 * high:.0f}%"


def worst_claims(kinds: pd.DataFrame) -> str:
    """``kinds``: quarters of data/evidence/quarter.csv."""
    most = kinds.loc[kinds["false_claims"].idxmax()]
    over = f", more than the {percent(FALSE_ALARM)} meant" if most["false_claims"] > FALSE_ALARM else ""
    return (
        f"In shops of {len(kinds)} other kinds a false claim came in {_percents(kinds['false_claims'].min(), most['false_claims'])} of the quarters, by kind; "
        f"most in the kind “{most['kind']}”, {most['forecasts']:.0f} quarters{over}."
    )


def alarms(quiet: pd.Series, planted: pd.Series) -> str:
    """``quiet``, ``planted``: the shops with nothing wrong and those with a bad lot and month in data/evidence/watch.csv."""
    rate = quiet["quarters_with_alarm"] / quiet["quarters"]
    one_in = f", one in {numbered(1 / rate)}" if rate else ""
    others = planted["alarms"] - planted["fleets"] * (planted["bad lot found"] + planted["bad month found"])
    return (
        f"Measured: in {quiet['fleets']:.0f} invented shops with nothing wrong, {int(quiet['quarters_with_alarm'])} of {quiet['quarters']:.0f} quarters raised a false alarm{one_in}."
        f" In {planted['fleets']:.0f} shops with a bad lot and a month of install errors like the demo's, the lot was found in {percent(planted['bad lot found'])} and the month in {percent(planted['bad month found'])}, "
        f"and {numbered(others)} other alarms were raised in {planted['quarters']:.0f} quarters."
    )


def guarantees(own: pd.DataFrame) -> str:
    """``own``: rows of all bands together in data/evidence/guarantee.csv."""
    return (
        f"Measured: in {own['shops'].iat[0]} invented shops the limits held the true number of comebacks per unit in {100 * own['covered'].min():.0f} to "
        f"{100 * own['covered'].max():.0f}%, where {100 * own['level'].iat[0]:.0f}% are promised; it lay above them in at most {100 * own['too_low'].max():.0f}%."
    )
