"""How long they had been out when they came back, by the month they were built."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd

from analytics.models.exact import compare_rates, poisson_limits
from analytics.reasons import Family, Months, Question, Reason, Service, reason, reason_if
from analytics.records.measures import DAYS_A_MONTH, DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.snapshot import Snapshot

#: months in service of one step of the table
STEP = 3
EARLY_MONTHS = 3


def months_table(snapshot: Snapshot, step: int = STEP) -> pd.DataFrame:
    """One row per build month of the ``snapshot`` and stretch of service seen, ``step`` months long: built, month_from,
    month_to, units (seen in it), unit_years, came (components damaged for their own sake, install errors included),
    install_errors, per_100_unit_years."""
    units, sight, table = snapshot.lifetimes.units, snapshot.lifetimes.sight, snapshot.table
    sight = sight[sight["unit"].isin(units.index)]
    since = units["in_service_on"]
    begun = since.reindex(sight["unit"]).to_numpy()
    young, old = ((sight[c] - begun).dt.days.to_numpy(float) for c in ("from_day", "to_day"))
    built = units["begun_on"].dt.to_period("M")
    failed = table[table["failure"] | table["install"]]
    failed = failed[failed["unit"].isin(units.index)]
    age = (failed["ended_on"] - since.reindex(failed["unit"]).to_numpy()).dt.days.to_numpy(float)
    span = step * DAYS_A_MONTH
    # the last day of a stretch belongs to it, the first day of service to the first stretch. A failure on the first day has
    # no time beside it, and came all the same
    pieces = [
        pd.DataFrame(
            {
                "unit": failed["unit"].to_numpy(),
                "step": np.maximum(np.ceil(age / span) - 1, 0),
                "came": failed["count"].to_numpy(),
                "install_errors": np.where(failed["install"], failed["count"], 0),
            }
        )
    ]
    for k in range(int(np.nanmax(old, initial=0.0) // span) + 1):
        days = np.clip(np.minimum(old, (k + 1) * span) - np.maximum(young, k * span), 0, None)
        pieces.append(pd.DataFrame({"unit": sight["unit"], "step": float(k), "days": days})[days > 0])
    by_unit = pd.concat(pieces).groupby(["unit", "step"])[["days", "came", "install_errors"]].sum().reset_index()
    own = units["count"].reindex(by_unit["unit"]).to_numpy()
    by_unit = by_unit.assign(
        built=built.reindex(by_unit["unit"]).to_numpy(), units=own, days=by_unit["days"].to_numpy() * own
    )
    both = by_unit.groupby(["built", "step"])[["units", "days", "came", "install_errors"]].sum().reset_index()
    years = both["days"] / DAYS_A_YEAR
    return pd.DataFrame(
        {
            "built": both["built"].astype(str),
            "month_from": (both["step"] * step).astype(int),
            "month_to": (both["step"] * step).astype(int) + step,
            "units": both["units"].astype(int),
            "unit_years": years,
            "came": both["came"].astype(int),
            "install_errors": both["install_errors"].astype(int),
            "per_100_unit_years": (100 * both["came"] / years).where(years > 0),
        }
    )


def _by_service(table: pd.DataFrame) -> pd.DataFrame:
    """All build months together, by time in service: the first months, then year by year."""
    edges = [0, EARLY_MONTHS, 12, 24, 36, 48, 60, 10_000]
    rows = []
    for low, high in pairwise(edges):
        own = table[(table["month_from"] >= low) & (table["month_to"] <= high)]
        years = float(own["unit_years"].sum())
        n = int(own["came"].sum())
        if own.empty:
            continue
        rates = [math.nan] * 3
        if years > 0:
            limits = poisson_limits(n, years, 0.9)
            rates = [100 * n / years, 100 * limits.lower, 100 * limits.upper]
        stretch = reason(Service.MONTHS, first=low, last=high) if high < 10_000 else reason(Service.PAST, month=low)
        rows.append([stretch, years, n, int(own["install_errors"].sum()), *rates])
    columns = ["in_service", "unit_years", "came", "install_errors", "per_100_unit_years", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def months_answer(table: pd.DataFrame, alarms: pd.DataFrame) -> Answer:
    """Early failures, bad months, ageing. table: of `months_table`; alarms: of the last quarter watched."""
    question = reason(Question.MONTHS)
    service = _by_service(table)
    if not table["came"].sum():
        return nothing(question, Months.NONE_BACK, service)
    said = _pace(table)
    bad = alarms[alarms["family"].isin([Family.MONTH_INSTALL, Family.MONTH_LIFE])]
    for r in bad.itertuples():
        code = Months.BAD_INSTALLS if r.family is Family.MONTH_INSTALL else Months.BAD
        said.append(
            reason(code, month=r.group, component=r.component, units=int(r.units), came=r.came, expected=r.expected)
        )
    said += reason_if(Months.NONE_BAD, bad.empty)
    worst = table.groupby("built")[["came", "unit_years"]].sum()
    top = worst.sort_values(["came", "unit_years"], ascending=[False, True], kind="stable").index[:3].tolist()
    said.append(reason(Months.MOST, months={m: int(n) for m, n in worst.loc[top, "came"].items()}))
    return Answer(question, tuple(said), service)


def _pace(table: pd.DataFrame) -> list[Reason]:
    """The first months, and the time past two years, against what lies between."""
    spans = (
        table["month_to"] <= EARLY_MONTHS,
        (table["month_from"] >= EARLY_MONTHS) & (table["month_to"] <= 24),
        table["month_from"] >= 24,
    )
    (n0, y0), (n1, y1), (n2, y2) = (
        (int(table.loc[own, "came"].sum()), float(table.loc[own, "unit_years"].sum())) for own in spans
    )
    said = []
    if y0 > 0 and y1 > 0 and n0 + n1:
        test = compare_rates(n0, y0, n1, y1, 0.9)
        more = Months.EARLY_MORE if test.p_value < 0.05 else Months.EARLY_CHANCE
        code = more if test.ratio > 1 else Months.EARLY_NO_WORSE
        said.append(reason(code, months=EARLY_MONTHS, came=n0, rate=n0 / y0, rate_after=n1 / y1))
    if y1 > 0 and y2 > 0 and n1 + n2:
        test = compare_rates(n2, y2, n1, y1, 0.9)
        if test.p_value >= 0.05 or test.ratio <= 1:
            said.append(reason(Months.NO_AGEING, rate=n2 / y2))
        elif n1:
            said.append(reason(Months.AGEING, rate=n2 / y2, ratio=test.ratio, lower=test.lower, upper=test.upper))
        else:
            said.append(reason(Months.AGEING_FROM_NONE, rate=n2 / y2))
    return said
