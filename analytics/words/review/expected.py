"""Expected against actual."""

from __future__ import annotations

from collections.abc import Sequence

from analytics.reasons import Expected, Question
from analytics.words.phrases import listed, numbered, plural
from analytics.words.saying import asks, texts

asks(
    Question.EXPECTED,
    "Did more come back in {quarter} than expected?",
    "Each part's life model was fitted to the records as they stood on {start:%Y-%m-%d}; each life's chance allows for its power, "
    "weight, use, age and miles (or its use's miles a day), and for failures nobody reports. Limits hold nine in ten. Exact Poisson-binomial "
    "tails, mixed over what the fit leaves open and over a level common to all parts. Install errors are left out here and watched by themselves.",
)
texts(
    {
        Expected.NO_QUARTER_BEFORE: "There is no earlier quarter end to expect anything from.",
        Expected.ALL_WITHIN: "Every component lies within its own limits.",
        Expected.FILLED: "{filled:,} of {lives:,} lives have no power or weight on record: each is taken at the median of its use, so that every unit counts.",
    }
)


texts(
    {
        Expected.WHOLE: lambda expected, lower, upper, came: (
            f"{numbered(expected)} components were expected to fail, between {lower} and {upper} nine times in ten; {came} did."
        ),
        Expected.MORE: lambda components: _outside("More than the limits", components),
        Expected.FEWER: lambda components: _outside("Fewer than the limits", components),
        Expected.FOUND_OPENED: lambda found: (
            f"{plural(found, 'part')} more {'was' if found == 1 else 'were'} found damaged while the unit was open for something else: not counted, as {'it' if found == 1 else 'they'} brought no truck in."
        ),
        Expected.NOT_FOLLOWED: lambda failures: (
            f"{plural(failures, 'more failure')} came from units that were not being followed; nobody could expect them."
        ),
    }
)


def _outside(word: str, components: Sequence[tuple[str, int, float]]) -> str:
    told = listed([f"{component} ({came}, expected {numbered(expected)})" for component, came, expected in components])
    return f"{word}: {told}. One component in twenty lies outside on that side by chance; whether it means something is said under the alarms."


#: a group of which fewer are expected, and none came, has nothing to say
HARDLY_ONE = 0.5


def left_out(groups: int) -> str:
    """So many ``groups`` are not in the table; nothing where all are."""
    return (
        f"Not listed: {plural(groups, 'group')} of which none came back and fewer than {HARDLY_ONE:g} were expected."
        if groups
        else ""
    )
