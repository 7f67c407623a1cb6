"""Did we keep our word? Earlier forecasts and alarms, as the records of their day would have given them, against what came."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binomtest, poisson

from analytics.lifetimes.later import came_later
from analytics.reasons import CameSince, Kept, Question, reason
from analytics.review.answer import Answer, nothing
from analytics.review.expected import LEVEL
from analytics.review.forecast import count_forecast
from analytics.review.stands import Stand, leveled
from analytics.review.watch import INSTALL, THIS_QUARTER, Watched

#: quarters from a forecast to the day it is held against
BACK = {"quarter": 1, "year": 4}
_COLUMNS = "made_on span component units expected lower upper came inside".split()
_ALARM_COLUMNS = (
    "first_raised family component group units came_then expected_then threshold standing came_since expected_since verdict"
).split()


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
            inside = bool(row.lower <= mine <= row.upper)
            foretold = [row.component, row.units, row.expected, row.lower, row.upper]
            rows.append([stands[i].as_of, span, *foretold, int(mine), inside])
    return pd.DataFrame(rows, columns=_COLUMNS)


def alarms_kept(watched: list[Watched]) -> pd.DataFrame:
    """Every alarm of the quarters replayed, once, with what came of it after: first_raised, family, component, group, units,
    came_then, expected_then, came_since, expected_since (had it been like the others), verdict (CameSince)."""
    rows: dict[tuple, dict] = {}
    for i, quarter in enumerate(watched):
        for alarm in quarter.alarms.itertuples():
            key = (alarm.family, alarm.component, alarm.group)
            single = alarm.family in THIS_QUARTER
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
    return pd.DataFrame(list(rows.values()), columns=_ALARM_COLUMNS)


def _row(quarter: Watched, alarm):
    looks = quarter.looks
    own = looks[
        (looks["family"] == alarm.family) & (looks["component"] == alarm.component) & (looks["group"] == alarm.group)
    ]
    return next(own.itertuples(), None)


def _since(alarm, later: list[Watched], single: bool) -> dict:
    none = {"came_since": np.nan, "expected_since": np.nan, "verdict": CameSince.RAISED_NOW}
    if not later:
        return none
    then = _row(later[0] if single else later[-1], alarm)
    if then is None:
        return none | {"verdict": CameSince.NO_LONGER_LOOKED_AT}
    came = then.came - (0 if single else alarm.came)
    expected = max(then.expected - (0 if single else alarm.expected), 1e-9)
    if came <= 0 and alarm.family in INSTALL:
        verdict = CameSince.RUN_ITS_COURSE
    elif poisson.sf(came - 1, expected) <= 0.05:
        verdict = CameSince.BORNE_OUT
    elif expected * 2 < 3:  # three expected at twice the rate: none would be a surprise
        verdict = CameSince.TOO_EARLY
    else:
        verdict = CameSince.NOT_BORNE_OUT
    return {"came_since": int(came), "expected_since": float(expected), "verdict": verdict}


def kept_answer(forecasts: pd.DataFrame, alarms: pd.DataFrame, first: pd.Timestamp | None) -> Answer:
    """Hits, misses, coverage so far."""
    question = reason(Question.KEPT, first=first)
    if forecasts.empty:
        return nothing(question, Kept.NO_QUARTER_BEFORE, forecasts)
    said = []
    whole = forecasts[forecasts["component"] == ""]
    for span, code in (("quarter", Kept.QUARTERS), ("year", Kept.YEARS)):
        own = whole[whole["span"] == span]
        if len(own):
            sums = {
                "inside": int(own["inside"].sum()),
                "came": int(own["came"].sum()),
                "expected": own["expected"].sum(),
            }
            said.append(reason(code, forecasts=len(own), level=LEVEL, **sums))
    parts = forecasts[(forecasts["component"] != "") & (forecasts["span"] == "quarter")]
    if len(parts):
        within = int(parts["inside"].sum())
        too_sure = bool(binomtest(within, len(parts), LEVEL, alternative="less").pvalue < 0.05)
        said.append(reason(Kept.COMPONENTS, inside=within, forecasts=len(parts), too_sure=too_sure))
    missed = whole.loc[~whole["inside"], ["span", "made_on", "came", "lower", "upper"]]
    said += [reason(Kept.MISSED, **row) for row in missed.to_dict("records")]
    old = alarms[alarms["came_since"].notna()]
    if len(old):
        said.append(reason(Kept.ALARMS, verdicts=old["verdict"].value_counts().sort_index().to_dict()))
    else:
        said.append(reason(Kept.NO_ALARM_YET))
    return Answer(question, tuple(said), forecasts.replace({"component": {"": "all"}}))
