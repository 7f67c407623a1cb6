"""How what was advised fared."""

from __future__ import annotations

from analytics.reasons import AdviceKept, Question
from analytics.words.phrases import numbered, plural
from analytics.words.saying import asks, says, texts

asks(
    Question.ADVISED,
    "Of the builds advised, how many lasted?",
    "Each line of advised.csv with a serial, against the first part fitted to that unit. A part that fails is decided sooner than one that lasts, so early on the failed "
    "look too many: the expected count takes of each promise the share of its miles that was run.",
)
texts(
    {
        AdviceKept.NONE: "Nothing advised is on file with a serial (advise ... --keep SERIAL writes it down).",
        AdviceKept.COUNTS: lambda failed, lasted, under_way, parts: (
            f"Of {plural(parts, 'part')} advised and fitted, {lasted:,} lasted as long as was asked, {failed:,} failed before that, and {under_way:,} "
            f"{'is' if under_way == 1 else 'are'} under way."
        ),
        AdviceKept.OTHERWISE: lambda parts: (
            f"{plural(parts, 'unit was', 'units were')} built with another part than was advised."
        ),
    }
)


@says(AdviceKept.EXPECTED)
def _expected(failed: int, expected: float) -> str:
    return f"By what was told of them about {numbered(expected)} should have failed by now; {failed:,} did."
