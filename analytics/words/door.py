"""What the results of the door say of themselves in a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analytics.ratings.promise import Promise
    from analytics.records.load import Records

#: what a row of a result's table is
CAPTIONS = {
    "FirstLook": "Lines proposed for shop.toml",
    "ShopRecords": "Parts followed, by component",
    "CheckResult": "Rows of each sheet: every one is used or set aside",
    "RatingResult": "Power ratings by part, weight class and use",
    "ReviewResult": "The owner's questions and their answers",
    "ForecastResult": "Comebacks to expect, by span and component",
    "AdviceResult": "Every part that could be fitted, cheapest first",
    "LoadResult": "Ratings on load, by part and weight class",
    "MeasuredResult": "Settings of the study, and how often the published bound lay at or below the truth",
}
#: why there is no picture
NOT_DRAWN = {
    "review": "nothing came back, or the records hold one quarter",
    "cutoff": "too few {part} are followed on either side, or none of them failed",
    "load": "of {part} neither the make nor a failure is on record",
    "part": "too few {part} failed for a curve",
    "rating": "nothing could be rated",
}
#: of the form of one truck
FORM = {
    "power": "power, hp",
    "where": "measured at",
    "weight": "truck alone, lb",
    "use": "used for",
    "life": "to last, miles",
    "page": "half a page",
    "write": "write it",
}
#: of the form that opens a shop
OPEN = {
    "folder": "your folder",
    "inside": "folders in it",
    "up": ".. (the one above)",
    "day": "as of (or blank)",
    "check": "Check the records",
    "review": "Quarterly review",
    "ratings": "Power ratings",
    "load": "Load",
    "advise": "One truck",
}
SHOP_HERE = "This folder has its shop.toml: pick a day, or none, and ask."
NO_SHOP_HERE = (
    "No shop.toml here. Go on to the folder of your shop; where it has none yet, the notebook start proposes one."
)
#: of the sliders
NOTHING_RATED = "No part could be rated, so there is nothing to move."


def whose(records: Records) -> str:
    """Whose records, and as of when."""
    return f"{records.shop.name}, as of {records.as_of:%Y-%m-%d}"


def no_folder(folder: str) -> str:
    """Where there is no such ``folder``, or it may not be read."""
    return f"{folder}: there is no such folder, or it may not be read."


def whole_page(question: str, folder: str) -> str:
    """Where the rest of a page stands: what is asked for a ``question`` on the ``folder`` elsewhere."""
    return f'The whole page: python -m analytics {question} "{folder}", or the notebook of the same question with this folder.'


def stage(words: str, left_s: float) -> str:
    """A stage in ``words``, with the time left, left_s seconds (NaN: not known)."""
    if left_s != left_s:
        return f"{words} …"
    minutes = round(left_s / 60)
    return f"{words} … about {f'{minutes} min' if minutes >= 2 else f'{max(round(left_s, -1), 10):.0f} s'} left"


def rows(number: int) -> str:
    """How long a table is: the ``number`` of its rows."""
    return f"{number:,} rows"


def more_rows(number: int) -> str:
    """Below a table that is cut: the ``number`` of rows left out."""
    return f"{number:,} more rows in the table."


def parts_followed(units: int, parts: int, failed: int) -> str:
    """What a shop's records hold: ``units``, ``parts`` followed, and of these ``failed``."""
    return f"{units:,} units, {parts:,} parts followed, {failed:,} failed"


def books(read: int, aside: int, doubted: int) -> str:
    """Rows ``read`` and put ``aside``, and cells ``doubted``."""
    return f"{read:,} rows read, {aside:,} set aside, {doubted:,} cells to check"


def survival_caption(clock: str, by: Iterable[str]) -> str:
    """What a row of the table of curves is. clock: days, miles or runs; by: columns of a group."""
    told = ", ".join(column.replace("_", " ") for column in by)
    return f"Share not come back, at the end of each curve, on {clock}" + (f", by {told}" if told else "")


def survival_question(clock: str) -> str:
    """Over the curves on a ``clock``."""
    return f"How many have not come back, on {clock}?"


def failed(failures: int, parts: int) -> str:
    """How many ``failures`` there are among ``parts``."""
    return f"{failures:,} of {parts:,} failed"


def promised(promise: Promise) -> str:
    """The ``promise`` of a rating."""
    from analytics.words.units import distance  # the door loads nothing heavy

    return f"{distance(promise.life_miles)}, reliability {promise.reliability:g}, confidence {promise.confidence:g}"


def next_up(spans: Iterable[Any]) -> str:
    """What comes back next. spans: rows with span, expected, lower and upper."""
    return "next " + ", ".join(f"{r.span} {r.expected:.1f} ({r.lower} to {r.upper})" for r in spans)


def loads(parts: int, suspects: int) -> str:
    """How many parts have a load, and suspects among their failures."""
    return f"{parts} parts, {suspects:,} suspects"


def fleets(number: int, settings: int) -> str:
    """How much was simulated: the ``number`` of fleets, and their ``settings``."""
    return f"{number:,} simulated fleets in {settings} settings"
