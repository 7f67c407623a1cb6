"""What the pictures of the ratings ask and say."""

from __future__ import annotations

import pandas as pd

from analytics.ratings.bound import RatingBound
from analytics.ratings.model_checks import OFF, ModelChecks
from analytics.reasons import Verdict
from analytics.words.phrases import capital, listed, plural
from analytics.words.ratings.sheet import seen_words
from analytics.words.saying import say
from analytics.words.units import power, power_band, weight

_HELD = (Verdict.HIDDEN_DAMAGE, Verdict.FEW_KNOWN, Verdict.HELD_BY_MARGIN)
SHEET_QUESTION = "What is supported, and what is published?"


def last_question(part: str, weight_lb: float | None = None) -> str:
    """The question over the curve of one part; weight_lb: the class it is drawn for."""
    return f"How likely is {part} to last, by power" + ("?" if weight_lb is None else f" (up to {weight(weight_lb)})?")


def history_question(part: str) -> str:
    """The question over the limits published for a ``part`` over the years."""
    return f"What has been published for {part}?"


def check_question(part: str) -> str:
    """The question over the fit of a ``part`` beside the records."""
    return f"Does the fit agree with what {part} did, band by band?"


def curve_caption(bound: RatingBound, row: pd.Series) -> str:
    """What was seen of the part, and the verdict on its ``bound``. row: of the sheet of ratings."""
    return f"{capital(say(row['why']))}.\n{capital(seen_words(bound))}, all weights and uses together."


def sheet_caption(table: pd.DataFrame) -> str:
    """Which limits stand above what the records support, in any class. table: the ratings for any use."""
    over = table[table["published_hp"].notna() & ~(table["published_hp"] <= table["supported_hp"])]
    bare = list(dict.fromkeys(over.loc[over["supported_hp"].isna(), "part"]))
    named = [part for part in dict.fromkeys(over["part"]) if part not in bare]
    told = f"Published above what the records support: {listed(named, len(named))}." if named else ""
    told += (
        f"{' ' * bool(told)}Published, with no power supported in one weight class or more: {listed(bare, len(bare))}."
        if bare
        else ""
    )
    told = told or "No limit is published above that."
    held = dict.fromkeys(table.loc[table["why"].map(lambda why: why.code in _HELD), "part"])
    if held:
        told += f" Supported above what is published, and yet not raised, for what the sheet says beside it: {listed(list(held), len(held))}."
    return (
        told
        + "\nThe line goes from what is supported to the upper limit; a square far left of its circle means thin records, not a weak part."
    )


def history_caption(past: pd.DataFrame) -> str:
    """How many limits are on file, and the last. past: of one part, in order of time."""
    last = past.iloc[-1]
    return (
        f"{plural(len(past), 'limit')} on file; the last, {power(last['power_limit_hp'])} from {last['effective_on']:%Y-%m-%d}: "
        f"{last['reason'] or 'no reason written down'}.\n"
    )


def check_verdict(checks: ModelChecks) -> str:
    """Whether the fit agrees with the records in every band of the ``checks``."""
    off = checks.bands[checks.bands["p_value"] < OFF]
    if not len(off):
        return "The fit agrees with the records in every band"
    missed = ", ".join(power_band(b) for b in off["power_band"])
    return f"The fit misses at {missed}: do not lean on its rating there"


def check_caption(checks: ModelChecks) -> str:
    """The verdict of the ``checks``, the failures of each band beside those expected, and how to read the failures one by one."""
    told = "; ".join(
        f"{power_band(r.power_band)}: {r.failures:,.0f} failed, {r.expected:.1f} expected"
        for r in checks.bands.itertuples()
        if r.failures or r.expected >= 1
    )
    beside = (
        "On the right, the closer to the dotted line the better."
        if len(checks.residuals)
        else "Failure by failure it cannot be checked: beside each failure too few lives were as worn."
    )
    return f"{check_verdict(checks)} ({told}).\n{beside}"
