"""Did we keep our word?"""

from __future__ import annotations

from collections.abc import Mapping

from analytics.reasons import CameSince, Kept, Question
from analytics.words.phrases import listed, numbered, percent, plural
from analytics.words.saying import asks, say, says, texts

asks(
    Question.KEPT,
    "Did we keep our word?",
    "Replayed from {first:%Y-%m-%d}: each forecast was made again from the records as they stood that day, with nothing later in sight, for the units then "
    "running. Powers and weights carry no date on the sheets: one first written down at a later return is known too early here. An alarm is borne out if, after it was "
    "raised, the group went on failing more than the others by more than chance (one in twenty).",
)
texts(
    {
        CameSince.BORNE_OUT: "borne out",
        CameSince.NO_LONGER_LOOKED_AT: "no longer looked at: too little is left to compare it with",
        CameSince.NOT_BORNE_OUT: "not borne out",
        CameSince.RAISED_NOW: "raised now: nothing to hold it against yet",
        CameSince.RUN_ITS_COURSE: "run its course (such errors show early, and no more have come)",
        CameSince.TOO_EARLY: "too early to say",
        Kept.NO_QUARTER_BEFORE: "No quarter before this one can be replayed, so there is no word to have kept.",
        Kept.MISSED: "Missed: the {span} from {made_on:%Y-%m-%d}, {came} came where {lower} to {upper} were foretold.",
        Kept.NO_ALARM_YET: "No earlier alarm has had time to be held against what came.",
    }
)


def _forecasts(span: str, overlap: bool, forecasts: int, inside: int, level: float, came: int, expected: float) -> str:
    return (
        f"Of {plural(forecasts, f'forecast of the next {span}', f'forecasts of the next {span}')}, {inside} held what came, where {percent(level)} were promised; "
        f"in all {came} came back where {numbered(expected, 3)} were expected{' (the years overlap)' if overlap else ''}."
    )


@says(Kept.QUARTERS)
def _quarters(**values: float) -> str:
    return _forecasts("quarter", False, **values)


@says(Kept.YEARS)
def _years(forecasts: int, **values: float) -> str:
    return _forecasts("year", forecasts > 1, forecasts, **values)


@says(Kept.COMPONENTS)
def _by_component(inside: int, forecasts: int, too_sure: bool) -> str:
    short = ": fewer than chance explains, the forecasts have been too sure" if too_sure else ""
    return f"Component by component and quarter by quarter, {inside} of {forecasts} ({percent(inside / forecasts)}) lay inside{short}."


@says(Kept.ALARMS)
def _alarms(verdicts: Mapping[CameSince, int]) -> str:
    told = listed([f"{n} {say(verdict)}" for verdict, n in verdicts.items()])
    return f"{plural(sum(verdicts.values()), 'alarm')} raised before, by what has come since: {told}."
