"""Which published limits the quarter's returns speak to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import is_failure
from analytics.reasons import Limits, Question, reason
from analytics.records.limits import limit_for
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import Span

_LIMIT = "component part weight_up_to_lb weight_over_lb use power_limit_hp effective_on".split()
_COUNTS = "parts_within failed_within parts_above failed_above failed_within_quarter failed_above_quarter".split()


def _once(life: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(n,) bool: the first of ``rows`` of each life, so that a part counts once on every side of a limit it has run on."""
    out = np.zeros(len(rows), bool)
    at = np.flatnonzero(rows)
    out[at[np.unique(life[at], return_index=True)[1]]] = True
    return out


def limits_spoken_to(records: Records, lifetimes: Lifetimes, span: Span) -> Answer:
    """Failures within and above each published limit, this quarter and ever, among the parts that have run there.

    A part whose truck was tuned past the limit has run on both sides of it and stands in both counts."""
    question = reason(Question.LIMITS)
    limits = records.limits
    if limits.empty:
        return nothing(question, Limits.NONE_ON_FILE, pd.DataFrame(columns=[*_LIMIT, *_COUNTS]))
    table = lifetimes.table
    at = limit_for(limits, table.assign(day=table["begun_on"]))
    failed = is_failure(table)
    now = failed & span.covers(table["ended_on"])
    life = (table["segment"] == 1).cumsum().to_numpy()  # the table is in order of lives
    count, power = table["count"].to_numpy(), table["power_hp"].to_numpy()
    rows = []
    for i, limit in enumerate(limits.itertuples()):
        own = (at == i) & ~np.isnan(power)
        within, above = own & (power <= limit.power_limit_hp), own & (power > limit.power_limit_hp)
        sides = (_once(life, within), within & failed, _once(life, above), above & failed, within & now, above & now)
        rows.append([getattr(limit, c) for c in _LIMIT] + [int(count[m].sum()) for m in sides])
    frame = pd.DataFrame(rows, columns=[*_LIMIT, *_COUNTS])
    again = frame.duplicated(["component", "part", "weight_up_to_lb", "weight_over_lb", "use"], keep=False)
    spoken = frame.assign(several=again)[frame["failed_within_quarter"] + frame["failed_above_quarter"] > 0]
    spoken = spoken.sort_values(["failed_within_quarter", "failed_above_quarter"], ascending=False, kind="stable")
    said = [reason(Limits.SPOKEN_TO, **row) for row in spoken.to_dict("records")]
    said.append(reason(Limits.WHAT_THEY_SAY if said else Limits.NONE_FAILED))
    over = int(frame["parts_above"].sum())
    if over:
        said.append(reason(Limits.RUN_ABOVE, parts=over))
    unknown = int(count[now & ((at < 0) | np.isnan(power))].sum())
    if unknown:
        said.append(reason(Limits.NO_LIMIT_APPLIED, failures=unknown))
    return Answer(question, tuple(said), frame)
