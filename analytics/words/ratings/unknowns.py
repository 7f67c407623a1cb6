"""Whom to ask first."""

from __future__ import annotations

from analytics.ratings.unknowns import AskFirst
from analytics.reasons import Unfitted
from analytics.words.phrases import plural
from analytics.words.saying import texts

texts({Unfitted.EVERYTHING_KNOWN: "odometer, power and weight are known of every one on record"})


def ask_words(found: AskFirst) -> tuple[str, ...]:
    """How many unknowns there are, which comes first, and why the random sample is kept apart. found: whom to ask, and what it would tell."""
    first = found.table.iloc[0]
    lines = [
        f"{plural(len(found.table), 'unknown')} over {plural(found.parts, 'part')}; first {first['serial']} ({first['ask']})."
    ]
    if found.sample:
        lines.append(
            "Ask the random sample as well, and keep it apart: a ranking picks old and strong trucks, so by itself it tells "
            "little of how the others drive or whether they still run."
        )
    return tuple(lines)
