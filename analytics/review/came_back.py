"""What came back, and why."""

from __future__ import annotations

import pandas as pd

from analytics.records.load import Records
from analytics.review.answer import Answer, listed, plural
from analytics.review.quarter import Span

_WHY = {
    "part": "the part itself",
    "install": "our install",
    "over limit": "power over the limit",
    "unclear": "cause unclear",
    "no fault": "no fault found",
}


def returns_in(records: Records, span: Span) -> pd.DataFrame:
    """Returned components of a span, one row each, with the unit's serial, part fitted, power and weight at the build."""
    rows = records.returns[span.covers(records.returns["day"])]
    builds = records.builds
    unit = rows["unit"].to_numpy(int)
    own = [builds[c].iat[u] if c in builds else "" for u, c in zip(unit, rows["component"], strict=True)]
    shown = rows.assign(
        serial=builds["serial"].to_numpy()[unit],
        fitted_part=own,
        of_several=builds["count"].to_numpy()[unit] > 1,
        power_hp=builds["power_hp"].to_numpy()[unit],
        weight_lb=builds["weight_lb"].to_numpy()[unit],
        use=builds["use"].to_numpy()[unit],
    )
    shown["days"] = (shown["day"] - builds["in_service_on"].to_numpy()[unit]).dt.days
    return shown.sort_values(["day", "serial", "component"], kind="stable").reset_index(drop=True)


def came_back(records: Records, span: Span, units_out: int) -> Answer:
    """What came back in the quarter and why, counted by component."""
    rows = returns_in(records, span)
    question = f"What came back in {span.name}, and why?"
    so_far = "" if span.whole else f" (the quarter is seen up to {span.end.day} {span.end:%b})"
    if rows.empty:
        return Answer(
            question,
            (f"Nothing came back in {span.name}{so_far}, with {plural(units_out, 'unit')} in service.",),
            _table(rows),
        )
    events = rows["event"].nunique()
    # of a row that stands for several units each return is another one's
    several = rows["of_several"]
    units = rows.loc[~several, "unit"].nunique() + rows.loc[several, "event"].nunique()
    damaged = rows[rows["cause"] != "no fault"]
    no_fault = rows[rows["cause"] == "no fault"]["event"].nunique()
    lines = [
        f"{plural(units, 'unit')} came back in {plural(events, 'return')}{so_far}, with {plural(units_out, 'unit')} in service. "
        f"{plural(len(damaged), 'component')} {'was' if len(damaged) == 1 else 'were'} damaged"
        + (f"; {plural(no_fault, 'return')} showed no fault." if no_fault else ".")
    ]
    first = damaged[damaged["order"] != "followed"]
    by_component = first.groupby("component", sort=False).size().sort_values(ascending=False, kind="stable")
    for component, n in by_component.items():
        own = first[first["component"] == component]
        why = own["cause"].value_counts().sort_index().sort_values(ascending=False, kind="stable")
        reasons = listed([f"{_WHY[c]} in {k}" if len(why) > 1 else _WHY[c] for c, k in why.items()])
        found = (
            own["finding"]
            .replace("", "finding not written down")
            .value_counts()
            .sort_index()
            .sort_values(ascending=False, kind="stable")
        )
        lines.append(
            f"{component.capitalize()}: {n}. Why: {reasons}. Found: {listed([f'{f} {k}' if len(found) > 1 else f for f, k in found.items()], 4)}."
        )
    followed = damaged[damaged["order"] == "followed"]
    if len(followed):
        lines.append(
            f"{plural(len(followed), 'more component')} broke because another part went first; they don't count against their own part."
        )
    unclear = damaged[damaged["order"] == "unclear"]
    if len(unclear):
        lines.append(
            f"For {plural(len(unclear), 'component')} nobody wrote down which broke first: each is counted as a failure until that is known."
        )
    unstated = int((~rows["cause_stated"]).sum())
    if unstated:
        lines.append(f"No cause was written down for {unstated} of {len(rows)}: they stand as unclear.")
    return Answer(
        question, tuple(lines), _table(rows), "One line per component returned; a return is one unit on one day."
    )


def _table(rows: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "day",
        "serial",
        "component",
        "fitted_part",
        "finding",
        "order",
        "cause",
        "power_hp",
        "weight_lb",
        "use",
        "days",
        "odometer",
        "cost",
    ]
    return rows[columns].rename(
        columns={
            "day": "returned_on",
            "fitted_part": "part_at_build",
            "power_hp": "power_at_build_hp",
            "weight_lb": "weight_at_build_lb",
            "days": "unit_days_in_service",
        }
    )
