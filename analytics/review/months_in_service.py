"""How long they had been out when they came back, by the month they were built."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd

from analytics.models.exact import compare_rates, poisson_limits
from analytics.review.answer import Answer, listed, numbered, plural
from analytics.review.stands import Stand

MONTH_DAYS = 365.25 / 12
#: months in service of one step of the table
STEP = 3
EARLY_MONTHS = 3


def months_table(stand: Stand, step: int = STEP) -> pd.DataFrame:
    """One row per build month and stretch of service seen: built, month_from, month_to, units (seen in it), unit_years, came
    (components damaged for their own sake, install errors included), install_errors, per_100_unit_years."""
    units, sight, table = stand.lifetimes.units, stand.lifetimes.sight, stand.table
    sight = sight[sight["unit"].isin(units.index)]
    since = units["in_service_on"]
    begun = since.reindex(sight["unit"]).to_numpy()
    young, old = ((sight[c] - begun).dt.days.to_numpy(float) for c in ("from_day", "to_day"))
    built = units["begun_on"].dt.to_period("M")
    failed = table[table["failure"] | table["install"]]
    failed = failed[failed["unit"].isin(units.index)]
    age = (failed["ended_on"] - since.reindex(failed["unit"]).to_numpy()).dt.days.to_numpy(float)
    span = step * MONTH_DAYS
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
    years = both["days"] / 365.25
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


def by_service(table: pd.DataFrame) -> pd.DataFrame:
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
        name = f"months {low} to {high}" if high < 10_000 else f"past month {low}"
        rows.append([name, years, n, int(own["install_errors"].sum()), *rates])
    columns = ["in_service", "unit_years", "came", "install_errors", "per_100_unit_years", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def months_answer(table: pd.DataFrame, alarms: pd.DataFrame) -> Answer:
    """Early failures, bad months, ageing."""
    question = "How long had they been out when they came back, by build month?"
    if not table["came"].sum():
        return Answer(question, ("Nothing has come back yet.",), by_service(table))
    service = by_service(table)
    lines = []
    early = table["month_to"] <= EARLY_MONTHS
    middle = (table["month_from"] >= EARLY_MONTHS) & (table["month_to"] <= 24)
    late = table["month_from"] >= 24

    def sums(where) -> tuple[int, float]:
        return int(table.loc[where, "came"].sum()), float(table.loc[where, "unit_years"].sum())

    (n0, y0), (n1, y1), (n2, y2) = sums(early), sums(middle), sums(late)
    if y0 > 0 and y1 > 0 and n0 + n1:
        test = compare_rates(n0, y0, n1, y1, 0.9)
        lines.append(
            f"In their first {EARLY_MONTHS} months {n0} came back, {numbered(100 * n0 / y0)} a year per hundred units; from then to the end of the second year {numbered(100 * n1 / y1)}. "
            + (
                "They come early more often than chance would have it: that is work on the bench, not wear."
                if test.p_value < 0.05 and test.ratio > 1
                else "The first months are no worse than what follows."
                if test.ratio <= 1
                else "The difference is no more than chance would do."
            )
        )
    if y1 > 0 and y2 > 0 and n1 + n2:
        test = compare_rates(n2, y2, n1, y1, 0.9)
        told = f"Past two years it is {numbered(100 * n2 / y2)} a year per hundred"
        grew = test.p_value < 0.05 and test.ratio > 1
        lines.append(
            f"{told}, where none came back before: they age."
            if grew and not n1
            else f"{told}, {numbered(test.ratio)} times as many ({numbered(test.lower)} to {numbered(test.upper)}): they age."
            if grew
            else f"{told}: no ageing can be told from chance."
        )
    bad = alarms[alarms["family"].str.startswith("build month")]
    if len(bad):
        lines += [
            f"Bad month: {r.group}, {r.component}, {plural(r.came, 'install error' if 'install' in r.family else 'failure')} where the other months make {numbered(r.expected)} likely."
            for r in bad.itertuples()
        ]
    else:
        lines.append("No build month stands out from the others by more than chance.")
    worst = table.groupby("built")[["came", "unit_years"]].sum()
    top = worst.sort_values(["came", "unit_years"], ascending=[False, True], kind="stable").index[:3].tolist()
    most = [f"{m} ({int(n)})" for m, n in worst.loc[top, "came"].items()]
    lines.append(f"Most comebacks by number, which says little by itself: {listed(most)}.")
    return Answer(
        question,
        tuple(lines),
        service,
        "Components damaged for their own sake, install errors included, per unit-year of service in that stretch, with exact 90 % limits (Garwood 1936). "
        "A column of the picture is a build month, so a bad month stands as a dark column, ageing as a shade growing upwards, and a bad season of driving as a diagonal. "
        "Build months are judged by the watch, each against the others of its component.",
    )
