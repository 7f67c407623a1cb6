"""Did we keep our word? Earlier forecasts and alarms, as the records of their day would have given them, against what came."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binomtest, poisson

from analytics.lifetimes.later import came_later
from analytics.review.answer import Answer, listed, numbered, percent, plural
from analytics.review.expected import LEVEL
from analytics.review.forecast import count_forecast
from analytics.review.stands import Stand, leveled
from analytics.review.watch import Watched

#: quarters from a forecast to the day it is held against
BACK = {"quarter": 1, "year": 4}
_COLUMNS = ["made_on", "span", "component", "units", "expected", "lower", "upper", "came", "inside"]


def forecasts_kept(
    stands: list[Stand], running: dict[tuple[int, str], tuple[pd.DataFrame, np.ndarray]]
) -> pd.DataFrame:
    """Each earlier forecast with what came (see _COLUMNS). running: lives and chances of stand i for a span, as
    (i, "quarter") or (i, "year")."""
    rows = []
    for (i, span), (lives, chance) in sorted(running.items()):
        if not len(lives):
            continue
        now = stands[i + BACK[span]]
        came = came_later(lives, stands[i].table, now.table[now.table["failure"]])
        told = count_forecast(lives, leveled(chance))
        for row in told.itertuples():
            mine = came.sum() if row.component == "" else came[(lives["component"] == row.component).to_numpy()].sum()
            rows.append(
                [
                    stands[i].as_of,
                    span,
                    row.component,
                    row.units,
                    row.expected,
                    row.lower,
                    row.upper,
                    int(mine),
                    bool(row.lower <= mine <= row.upper),
                ]
            )
    return pd.DataFrame(rows, columns=_COLUMNS)


def alarms_kept(watched: list[Watched]) -> pd.DataFrame:
    """Every alarm of the quarters replayed, once, with what came of it after: first_raised, family, component, group, units,
    came_then, expected_then, came_since, expected_since (had it been like the others), in_words."""
    rows: dict[tuple, dict] = {}
    for i, quarter in enumerate(watched):
        for alarm in quarter.alarms.itertuples():
            key = (alarm.family, alarm.component, alarm.group)
            single = alarm.family.endswith("this quarter")
            key = (*key, quarter.end) if single else key
            if key in rows:
                continue
            rows[key] = {
                "first_raised": quarter.end,
                "family": alarm.family,
                "component": alarm.component,
                "group": alarm.group,
                "units": alarm.units,
                "came_then": alarm.came,
                "expected_then": alarm.expected,
                "threshold": alarm.threshold,
                "standing": False,
                **_since(alarm, watched[i + 1 :], single),
            }
            if watched and not single:
                last = _row(watched[-1], alarm)
                rows[key]["standing"] = bool(last is not None and last.alarm)
    columns = [
        "first_raised",
        "family",
        "component",
        "group",
        "units",
        "came_then",
        "expected_then",
        "threshold",
        "standing",
        "came_since",
        "expected_since",
        "verdict",
    ]
    return pd.DataFrame(list(rows.values()), columns=columns)


def _row(quarter: Watched, alarm):
    looks = quarter.looks
    own = looks[
        (looks["family"] == alarm.family) & (looks["component"] == alarm.component) & (looks["group"] == alarm.group)
    ]
    return next(own.itertuples(), None)


def _since(alarm, later: list[Watched], single: bool) -> dict:
    none = {"came_since": np.nan, "expected_since": np.nan, "verdict": "raised now: nothing to hold it against yet"}
    if not later:
        return none
    then = _row(later[0] if single else later[-1], alarm)
    if then is None:
        return none | {"verdict": "no longer looked at: too little is left to compare it with"}
    came = then.came - (0 if single else alarm.came)
    expected = max(then.expected - (0 if single else alarm.expected), 1e-9)
    if came <= 0 and "install" in alarm.family:
        verdict = "run its course (such errors show early, and no more have come)"
    elif poisson.sf(came - 1, expected) <= 0.05:
        verdict = "borne out"
    elif expected * 2 < 3:  # three expected at twice the rate: none would be a surprise
        verdict = "too early to say"
    else:
        verdict = "not borne out"
    return {"came_since": int(came), "expected_since": float(expected), "verdict": verdict}


def kept_answer(forecasts: pd.DataFrame, alarms: pd.DataFrame, first: pd.Timestamp | None) -> Answer:
    """Hits, misses, coverage so far."""
    question = "Did we keep our word?"
    if forecasts.empty:
        return Answer(
            question, ("No quarter before this one can be replayed, so there is no word to have kept.",), forecasts
        )
    lines = []
    whole = forecasts[forecasts["component"] == ""]
    for span, name in (("quarter", "next quarter"), ("year", "next year")):
        own = whole[whole["span"] == span]
        if own.empty:
            continue
        lines.append(
            f"Of {plural(len(own), f'forecast of the {name}', f'forecasts of the {name}')}, {own['inside'].sum()} held what came, where {percent(LEVEL)} were promised; "
            f"in all {own['came'].sum()} came back where {numbered(own['expected'].sum(), 3)} were expected"
            + (" (the years overlap)." if span == "year" and len(own) > 1 else ".")
        )
    parts = forecasts[(forecasts["component"] != "") & (forecasts["span"] == "quarter")]
    if len(parts):
        within = int(parts["inside"].sum())
        short = binomtest(within, len(parts), LEVEL, alternative="less").pvalue < 0.05
        lines.append(
            f"Component by component and quarter by quarter, {within} of {len(parts)} ({percent(within / len(parts))}) lay inside"
            + (": fewer than chance explains, the forecasts have been too sure." if short else ".")
        )
    missed = whole[~whole["inside"]]
    for row in missed.itertuples():
        lines.append(
            f"Missed: the {row.span} from {row.made_on:%Y-%m-%d}, {row.came} came where {row.lower} to {row.upper} were foretold."
        )
    old = alarms[alarms["came_since"].notna()]
    if len(old):
        counts = old["verdict"].value_counts()
        lines.append(
            f"{plural(len(old), 'alarm')} raised before, by what has come since: "
            + listed([f"{n} {v}" for v, n in counts.sort_index().items()])
            + "."
        )
    else:
        lines.append("No earlier alarm has had time to be held against what came.")
    return Answer(
        question,
        tuple(lines),
        forecasts.replace({"component": {"": "all"}}),
        f"Replayed from {first:%Y-%m-%d}: each forecast was made again from the records as they stood that day, with nothing later in sight, for the units then "
        "running. Powers and weights carry no date on the sheets: one first written down at a later return is known too early here. An alarm is borne out if, after it was "
        "raised, the group went on failing more than the others by more than chance (one in twenty).",
    )
