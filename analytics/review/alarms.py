"""The watch in words: what stands out, how lots rank, what the watch can and cannot see, whether a revision helped."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binom

from analytics.models.exact import binomial_limits
from analytics.review.answer import Answer, listed, many, numbered, percent
from analytics.review.stands import (
    ANY_LEVEL,
    PartStand,
    Stand,
    chance_of,
    equal_draws,
    from_entry,
    past_of,
    pooled_lives,
)
from analytics.review.watch import (
    BUDGET,
    FALSE_ALARM,
    Watched,
    alarm_count,
    chance_of_alarm,
    shrink,
    threshold_of,
    watched_lives,
)

_KIND = {"lot": "lot", "month": "build month", "builder": "builder"}
#: a revision is called better (or not) at this chance of being wrong, look by look
SURE = 0.05


def _what(family: str, component: str, group: str) -> str:
    if family.endswith("this quarter"):
        side = family.split(",")[0]
        return f"the {component} this quarter" if side == "component" else f"{component}, {side} {group}, this quarter"
    if family.startswith("revision"):
        return f"{component} {group}"
    kind = family.split(",")[0]
    return f"{kind} {group}, {component}" + (", install errors" if "install" in family else "")


def alarms_answer(now_stand: Stand, watched: list[Watched], kept: pd.DataFrame) -> Answer:
    """What stands out now, and what was raised before and still stands."""
    question = "Is anything getting worse: a lot, a part, a builder, a month?"
    if not watched:
        return Answer(
            question,
            ("There is no earlier quarter end with anything running, so there is nothing to compare with.",),
            pd.DataFrame(),
        )
    now = watched[-1]
    rows = []
    for alarm in now.alarms.itertuples():
        mine = kept[
            (kept["family"] == alarm.family) & (kept["component"] == alarm.component) & (kept["group"] == alarm.group)
        ]
        raised = mine["first_raised"].min() if len(mine) else now.end
        new = raised == now.end and len(watched) > 1
        oldest = raised == watched[0].end and len(watched) > 1
        rows.append(
            {
                "what": _what(alarm.family, alarm.component, alarm.group),
                "raised": "this quarter"
                if new
                else (f"by {raised:%Y-%m-%d}, or before" if oldest else f"at the quarter to {raised:%Y-%m-%d}"),
                "units": alarm.units,
                "expected": alarm.expected,
                "came": alarm.came,
                "p_value": alarm.p_value,
                "threshold": alarm.threshold,
            }
        )
    columns = ["what", "raised", "units", "expected", "came", "p_value", "threshold"]
    table = pd.DataFrame(rows, columns=columns)
    lines = []
    for row in table.itertuples():
        chance = (
            f"one time in {numbered(1 / row.p_value, 1)}" if row.p_value > 1e-9 else "less than one time in a billion"
        )
        lines.append(
            f"{row.what[0].upper()}{row.what[1:]} ({row.raised}): {row.came} of {row.units} came back where {_few(row.expected)} would be usual. Chance alone would do that {chance}."
        )
    for alarm in now.alarms.itertuples():
        if alarm.family.startswith("lot"):
            own = now_stand.table
            own = own[(own["component"] == alarm.component) & (own["lot"] == alarm.group) & own["running"]]
            still = sorted(own["serial"].unique())
            lines.append(
                f"On Monday: fit no more of {alarm.group} and hold one against the drawing. "
                + (f"Call those who still run with it: {listed(still, 30)}." if still else "None still runs with it.")
            )
    months = [a for a in now.alarms.itertuples() if "install" in a.family]
    if months:
        lines.append(
            "On Monday: ask who built "
            + listed(
                [
                    f"{a.component} in {a.group}"
                    if a.family.startswith("build month")
                    else f"{a.component} ({a.group})"
                    for a in months
                ]
            )
            + ", and what was different on the bench."
        )
    if not rows:
        lines.append("Nothing stands out by more than chance.")
    gone = kept[(~kept["standing"]) & (kept["first_raised"] < now.end)] if len(kept) else kept
    if len(gone):
        lines.append(
            "Raised in the quarters replayed and not standing today: "
            + listed(
                [
                    f"{_what(r.family, r.component, r.group)} ({r.first_raised:%Y-%m-%d}; {r.verdict})"
                    for r in gone.itertuples()
                ]
            )
            + "."
        )
    rest = now.looks[~now.looks["alarm"]].head(2)
    if len(rest):
        lines.append(
            "Next in line, and no more than chance would do among so many looks: "
            + listed(
                [
                    f"{_what(r.family, r.component, r.group)} ({r.came} where {_few(r.expected)} usual)"
                    for r in rest.itertuples()
                ]
            )
            + "."
        )
    every = round(1 / FALSE_ALARM)
    lines.append(
        f"{len(now.looks):,} looks were taken. If nothing at all were wrong, there would be a false alarm in at most one quarter of {every}."
    )
    budget = ", ".join(f"{f} {FALSE_ALARM * share:.4g}" for f, share in BUDGET.items())
    return Answer(
        question,
        tuple(lines),
        table,
        "Lots, build months and builders are looked at over their whole lives, since a small lot shows itself slowly: of all failures of the part, the number that fell on the group is "
        "binomial with the group's share of the hazard, which the models of the last quarter's end give for its units' power, weight, use, age and miles. Install errors are "
        "shared out by time in service. The quarter's own counts are held against the models of its start. The chance of a false alarm per quarter "
        f"({FALSE_ALARM:g}) is shared out beforehand (as Wu and Meeker, Technometrics 44 (2002) 237-251, do among months in service): {budget}; within a family evenly among the looks that could be loud "
        "at all (Tarone 1990). When one is loud its lives are set aside and the rest is looked at again, so that a bad lot does not blacken the months it was fitted in. "
        "An alarm stays on this list as long as the whole life says so, whenever it was first raised; power bands and weight classes are looked at for the quarter only.",
    )


def _few(value: float) -> str:
    return "fewer than 0.1" if value < 0.1 else numbered(value)


def lots_answer(before: Stand, now: Stand) -> Answer:
    """Lots ranked by rates drawn together."""
    question = "Which build lots came back more than they should?"
    lives = watched_lives(before, now)
    lives = lives[lives["lot"] != ""]
    if lives.empty:
        return Answer(
            question, ("No lots are on record (sheet fitted, column lot), so none can be ranked.",), pd.DataFrame()
        )
    frames = []
    words = []
    for (component, part), own in lives.groupby(["component", "part"], sort=True):
        n = (own["failure"] * own["count"]).groupby(own["lot"]).sum()
        if not n.sum() or len(n) < 2:
            continue
        sums = own.groupby("lot")[["hazard", "count"]].sum()
        expected = sums["hazard"] * n.sum() / sums["hazard"].sum()
        mean, lower, upper, spread = shrink(n.to_numpy(), expected.to_numpy())
        frames.append(
            pd.DataFrame(
                {
                    "component": component, "part": part, "lot": n.index, "units": sums["count"].to_numpy(),
                    "came": n.to_numpy(int), "expected": expected.to_numpy(),
                    "times_the_usual": mean, "lower": lower, "upper": upper,
                }
            )
        )  # fmt: skip
        if spread == 0:
            words.append(
                f"The lots of {part} differ no more than chance would have them, so none ranks before another."
            )
    if not frames:
        return Answer(question, ("No part with lots on record has failed yet.",), pd.DataFrame())
    table = pd.concat(frames).sort_values(
        ["times_the_usual", "lot"], ascending=[False, True], kind="stable", ignore_index=True
    )
    top = table[table["lower"] > 1]
    lines = [
        f"{r.lot}: {r.came} of {r.units} came back, {numbered(r.times_the_usual)} times what its part makes usual ({numbered(r.lower)} to {numbered(r.upper)})."
        for r in top.head(5).itertuples()
    ] or ["No lot can be said to be worse than the others of its part."]
    return Answer(
        question,
        (*lines, *words),
        table,
        "Rates of the lots of a part are drawn together, the more the fewer the failures that speak for a lot (gamma-Poisson, spread by maximum likelihood: Clayton and Kaldor 1987); "
        "limits 90 %. Expected: the part's failures shared out by each lot's hazard, given power, weight, use, age and miles.",
    )


def power_answer(now: Stand, watched: list[Watched], size: int = 20) -> Answer:
    """What the watch would catch."""
    question = f"How good is the watch: would a bad lot of {size} be caught?"
    looks = watched[-1].looks if watched else pd.DataFrame(columns=["family"])
    own = looks[looks["family"].str.startswith("lot")] if len(looks) else looks
    threshold = (
        float(own["threshold"].iloc[0])
        if len(own)
        else threshold_of(np.zeros(size), FALSE_ALARM * BUDGET["lot, whole life"])
    )
    best = _most_common(now, lots=len(own) > 0)
    if best is None:
        return Answer(
            question,
            ("No part has failed often enough for a fit, so what the watch would catch cannot be told.",),
            pd.DataFrame(),
        )
    (component, part), stand = best
    begun, _ = from_entry(stand.lives.data)
    new = np.flatnonzero(stand.lives.data.entry_days == 0)
    rows = []
    for years in (0.5, 1.0, 2.0, 3.0):
        usual = float(chance_of(stand, past_of(now, component, part), begun, new, 365.25 * years, draws=False).mean())
        expected = size * usual
        count = alarm_count(expected, threshold)
        row = {
            "years_in_service": years,
            "usual": expected,
            "alarm_at": count,
            "false_alarm": chance_of_alarm(count, expected),
        }
        rows.append(row | {f"caught_{k}_times_worse": chance_of_alarm(count, expected, k) for k in (2, 5, 10, 20)})
    table = pd.DataFrame(rows)
    last = table.iloc[-1]
    first = table.iloc[1]
    lines = [
        f"A lot of {size} {part} ({many(component)}) has {_few(last['usual'])} failures to be expected by {last['years_in_service']:g} years, and {int(last['alarm_at'])} are an alarm. "
        f"If the lot is truly five times worse it is caught by then {percent(last['caught_5_times_worse'])} of the time, ten times worse {percent(last['caught_10_times_worse'])}, twenty times {percent(last['caught_20_times_worse'])}.",
        f"After one year in service the same lot is caught {percent(first['caught_5_times_worse'])}, {percent(first['caught_10_times_worse'])} and {percent(first['caught_20_times_worse'])} of the time: silence about a young lot proves little.",
    ]
    return Answer(
        question,
        tuple(lines),
        table,
        f"Exact Poisson chances at the threshold of this quarter's lots ({threshold:.2g}), for a lot of average power, weight, use and miles of the part that has most units out. "
        "A single look; the lot is looked at again every quarter, which adds a little.",
    )


def _most_common(now: Stand, lots: bool) -> tuple[tuple[str, str], PartStand] | None:
    with_lots = set(zip(*(now.table.loc[now.table["lot"] != "", c] for c in ("component", "part")), strict=True))
    fitted = {
        k: p
        for k, p in now.parts.items()
        if p.fit.model is not None and not p.borrowed and p.lives.data.failures >= 3 and (not lots or k in with_lots)
    }
    if not fitted:
        return None
    return min(fitted.items(), key=lambda item: (-item[1].lives.data.weight.sum(), item[0]))


# ---- revisions -------------------------------------------------------------------------------------------------------
def revision_answer(before: Stand, now: Stand, looks: pd.DataFrame, quarters: int = 20) -> Answer:
    """Did the new revision fix it, and how long until we know?"""
    question = "Did the new revision fix it, and how long until we know?"
    own = looks[looks["family"] == "revision, whole life"] if len(looks) else looks
    if own.empty:
        return Answer(
            question,
            ("No part that followed another ([[supersessions]] in shop.toml) has been out long enough to compare.",),
            pd.DataFrame(),
        )
    rows, lines = [], []
    for look in own.itertuples():
        limits = binomial_limits(look.came, int(look.total), 0.9)
        odds = look.share / (1 - look.share)
        low, high = (q / (1 - q) / odds if q < 1 else np.inf for q in (limits.lower, limits.upper))
        row = {
            "component": look.component, "old": look.old, "new": look.new, "units": look.units, "came": look.came,
            "expected": look.expected, "ratio": look.ratio, "lower": low, "upper": high, "p_better": look.p_fewer, "p_worse": look.p_value,
        }  # fmt: skip
        told = f"{look.new}: {look.came} of {look.units} came back, where {_few(look.expected)} would have if they were like {look.old} at the same power, weight, use, age and miles"
        if look.p_fewer <= SURE:
            verdict = f"{look.new} is better"
            lines.append(f"{told}. It is better: at most {numbered(high)} times as often (95 % sure).")
        elif look.p_value <= look.threshold:
            verdict = f"{look.new} is worse"
            lines.append(f"{told}. It is worse, at least {numbered(low)} times as often (95 % sure).")
        else:
            when, truth = _known_by(before, now, look, quarters)
            verdict = "not known yet"
            fewer = "looks better, but" if look.ratio < 1 else "no better so far, and"
            lines.append(
                f"{told}. It {fewer} chance could do it (one time in {numbered(1 / look.p_fewer, 1)}): not known yet. "
                if look.ratio < 1
                else f"{told}: no better so far."
            )
            lines.append(
                f"If it truly fails {numbered(truth)} times as often, four times out of five it will be proven by {when}."
                if when
                else f"If it truly fails {numbered(truth)} times as often, even {quarters // 4} more years of the units now running would rather not prove it; those still to be built help."
            )
        rows.append(row | {"in_words": verdict})
    return Answer(
        question,
        tuple(lines),
        pd.DataFrame(rows),
        "Both revisions are fitted as if one part; of all its failures the number that fell on the new one is binomial with its share of the hazard, if nothing was changed. "
        f"Called better at a chance of {SURE:g}, look by look; limits 90 %. How long: the shares grow as the units now running do.",
    )


def _known_by(before: Stand, now: Stand, look, quarters: int) -> tuple[str, float]:
    """The first quarter end by which a revision that is as good as it looks is proven four times out of five, and how good that is."""
    from analytics.ratings.predict import fit_lives
    from analytics.review.stands import SEED

    truth = min((look.came + 0.5) / (look.expected + 0.5), 0.9)
    data, code = pooled_lives(now, look.component, (look.old, look.new))
    fit = fit_lives(data, now.lifetimes.shop.target_miles, now.settings, 32, SEED)
    if fit.model is None:
        return "", truth
    stand = PartStand(now.parts[look.component, look.old].lives, fit, equal_draws(fit, SEED))
    begun, days = from_entry(data)
    running = np.flatnonzero(~data.failed & ~data.known_alive)
    past = -np.log1p(-chance_of(stand, ANY_LEVEL, begun, np.arange(len(days)), days, draws=False)[0]) * data.weight
    new = code == 1
    for ahead in range(1, quarters + 1):
        more = chance_of(stand, ANY_LEVEL, data, running, 91.3 * ahead, draws=False)[0] * data.weight[running]
        h_new, h_old = past[new].sum() + more[new[running]].sum(), past[~new].sum() + more[~new[running]].sum()
        share = h_new / (h_new + h_old)
        total_old = look.total - look.came + more[~new[running]].sum()
        expected_new = look.came + truth * more[new[running]].sum()
        # number that will have fallen on the new one, given the total it makes
        total = round(total_old + expected_new)
        q = truth * share / (truth * share + 1 - share)
        k = np.arange(total + 1)
        proven = binom.cdf(k, total, share) <= SURE
        if binom.pmf(k, total, q)[proven].sum() >= 0.8:
            end = (now.as_of + pd.Timedelta(days=91.3 * ahead)).to_period("Q")
            return f"{end.year} Q{end.quarter}", truth
    return "", truth
