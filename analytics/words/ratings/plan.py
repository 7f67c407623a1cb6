"""What would prove a limit, and what time alone will."""

from __future__ import annotations

from math import isfinite

import numpy as np
import pandas as pd

from analytics.ratings.plan import ProofAhead, ProofPlan
from analytics.words.phrases import weight
from analytics.words.saying import say
from analytics.words.units import distance, power


def plan_words(plan: ProofPlan, at: str = "") -> tuple[str, ...]:
    """One sentence per number of failures allowed; last, what had to be assumed. plan: of the proof; at: what to call the power, else its figure."""
    lines = [_trial(plan, row, at) for _, row in plan.table.iterrows()]
    if plan.shapes:
        power = bool(plan.exponents)
        lines.append(
            "The trial is not run at the promise itself, so a life shape"
            + (" and a power exponent" if power else "")
            + f" had to be assumed: the least favourable of {min(plan.shapes):g} to {max(plan.shapes):g}"
            + (f" and {min(plan.exponents):g} to {max(plan.exponents):g}" if power else "")
            + "."
        )
    return tuple(lines)


def _trial(plan: ProofPlan, row: pd.Series, at: str) -> str:
    allowed = int(row["failures"])
    what = "none fails" if allowed == 0 else f"at most {allowed} fail{'s' if allowed == 1 else ''}"
    if np.isnan(row["units"]):
        return f"With {distance(plan.miles_each)} each it cannot be proven by fewer than a million trucks if {what}."
    odds = ", ".join(f"{row[f'passes if {t:g}']:.0%} if {t:.0%} truly survive" for t in plan.truths)
    return (
        f"{row['units']:,.0f} trucks of {at or power(plan.run_power_hp)} that each run {distance(plan.miles_each)} prove "
        f"{'it' if at else power(plan.power_hp)} to {distance(plan.promise.life_miles)} ({plan.promise.reliability:.0%} survive, {plan.promise.confidence:.0%} "
        f"sure) if {what}" + (f"; the chance to pass is {odds}" if odds else "") + "."
    )


def ahead_words(ahead: ProofAhead) -> tuple[str, ...]:
    """What is demonstrated today, what will be, and when the published limit is. ahead: what time alone will prove."""
    rows = list(ahead.table.itertuples())
    now, where = rows[0], weight(ahead.weight_lb)
    lines = [
        f"The miles run so far prove {power(now.demonstrated_hp)} at {where}: {say(now.reason)}."
        if isfinite(now.demonstrated_hp)
        else f"Nothing is proven yet at {where}: {say(now.reason)}."
    ]
    if ahead.running:
        lines += _later(rows[1:])
        if ahead.timeless:
            lines.append(f"{ahead.timeless} running lives are known in miles alone and were not aged.")
    else:
        lines.append("No unit with this part is running and still followed: time alone will prove nothing.")
    lines += _published(ahead, rows)
    if ahead.share < 1:
        lines.append(f"Counts {ahead.share:.0%} of failures as reported, so the same miles prove less.")
    return tuple(lines)


def _later(rows: list) -> list[str]:
    """What will be proven day by day; the days by which still nothing will be are one line."""
    bare = [row.days for row in rows if not isfinite(row.demonstrated_hp)]
    lines = (
        [f"In {bare[-1]:g} days still nothing will be proven, even if none of the running units fails."] if bare else []
    )
    for row in rows:
        if isfinite(row.demonstrated_hp):
            odds = f" (chance {row.chance_none:.0%})" if isfinite(row.chance_none) else ""
            lines.append(
                f"In {row.days:g} days {power(row.demonstrated_hp)} will be proven, if none of the running units that bear on it fails{odds}."
            )
    return lines


def _published(ahead: ProofAhead, rows: list) -> list[str]:
    limit = ahead.published_hp
    if limit is None:
        return []
    met = [r.days for r in rows if isfinite(r.demonstrated_hp) and r.demonstrated_hp >= limit]
    if met and met[0] == 0:
        return [f"The published {power(limit)} are proven already."]
    if met:
        return [f"The published {power(limit)} will be proven within {met[0]:g} days."]
    if ahead.running:
        return [f"The published {power(limit)} will not be proven within {rows[-1].days:g} days."]
    return []
