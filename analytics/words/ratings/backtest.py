"""How good past quarters' ratings and forecasts were."""

from __future__ import annotations

import pandas as pd
from scipy.stats import binomtest

from analytics.ratings.backtest import Backtest
from analytics.words.ratings.predict import prediction_words


def backtest_words(done: Backtest) -> tuple[str, ...]:
    """How often the intervals held, how many came back, and what the replay cannot know. done: the replay."""
    span = f"{done.first_end:%Y-%m-%d} to {done.last_end:%Y-%m-%d}"
    if not done.rows:
        return (
            f"No part had {done.min_failures} failures at any quarter end from {span}: there is nothing to check yet.",
        )
    told = done.table[done.table["expected"].notna()]
    within = int(told["inside"].sum())
    lines = [
        f"From {span}, {len(told)} predictions of a part's next quarter were made; {within} of them ({done.covered:.0%}) held "
        f"what came back, where {done.level:.0%} were promised.",
        f"In all {told['came_back'].sum():.0f} came back where {told['expected'].sum():.1f} were expected.",
    ]
    high, low = int((told["came_back"] > told["upper"]).sum()), int((told["came_back"] < told["lower"]).sum())
    if high or low:
        lines.append(f"{high} had more comebacks than the interval allows, {low} fewer.")
    if binomtest(within, len(told), done.level, alternative="less").pvalue < 0.05:
        lines.append("That is fewer inside than chance explains: the predictions have been too sure.")
    if told["left_out"].sum():
        left = told["left_out_came_back"].sum()
        lines.append(f"{left:.0f} more came back among units in no fit, for want of a power, a weight or an age.")
    if "units_within" in told:
        lines.append(
            f"Of units at or under the bound of their day, {told['came_back_within'].sum():.0f} came back where "
            f"{told['expected_within'].sum():.1f} were expected."
        )
    lines.append(
        "Powers and weights carry no date on the sheets: one first written down at a later return is known too early here."
    )
    return tuple(lines)


def backtest_table(done: Backtest) -> pd.DataFrame:
    """One row per quarter and part, unrounded, each prediction in words. done: the replay."""
    if done.table.empty:
        return done.table.copy()
    said = [" ".join(prediction_words(found)) for found in done.table["prediction"]]
    return done.table.drop(columns="prediction").assign(words=said)
