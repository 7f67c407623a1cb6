"""How often the rule is right for a fleet like the owner's, row by row of the sheet."""

from __future__ import annotations

from analytics.ratings.own_fleets import HeldRow, OwnCoverage
from analytics.words.evidence import GOAL
from analytics.words.phrases import weight_class
from analytics.words.units import power


def row_words(row: HeldRow) -> str:
    """The row as it stands on the sheet, and what was found for it; or the part, and why nothing was drawn."""
    name = f"{row.component} {row.part}"
    if row.bound is None or row.found is None:
        return f"{name}: {row.refused}."
    b = row.bound
    use = b.use or (f"any use (the harshest, {b.rated_use})" if b.rated_use else "any use")
    return f"{name}, {weight_class(b.weight_lb)}, {use}, {power(b.bound_hp)} on the sheet: {found_words(row.found)}."


def found_words(found: OwnCoverage) -> str:
    """How often the bound was right, and a caution where that is short of the promise. found: how often the rule was right on such fleets."""
    if not found.rated:
        return f"drawn {found.fleets} times from its own fit, a fleet like this was never rated: too little to go by"
    short = found.covered < GOAL
    return (
        f"drawn {found.fleets} times from its own fit, a fleet like this was rated {found.rated} times; the bound was at "
        f"or below the truth in {found.covered:.0%} (standard error {found.se:.0%}), half of the time below "
        f"{found.median_ratio:.0%} of it"
        + (f". That is short of the {found.confidence:.0%} promised: publish with a margin" if short else "")
    )
