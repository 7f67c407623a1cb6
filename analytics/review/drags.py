"""When several parts are broken: which went first, which were dragged along, and what that does to the counts."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from analytics.models.exact import binomial_limits
from analytics.models.masked import first_shares
from analytics.records.load import Records
from analytics.review.answer import Answer, article, listed, percent, plural

_DRAG_COLUMNS = [
    "first", "finding", "damaged", "first_failures", "dragged", "may_be_dragged", "share", "lower", "upper", "upper_if_all",
    "mean_cost", "mean_cost_alone",
]  # fmt: skip
_FIRST_COLUMNS = ["component", "damaged", "first_for_sure", "followed", "one_of_several", "expected_first"]


def damaged_together(records: Records) -> pd.DataFrame:
    """One row per damaged component returned, no-fault ones left out; ``alone``: nothing else was damaged in that return."""
    back = records.returns[records.returns["cause"] != "no fault"]
    several = records.builds["of_several"].to_numpy()[back["unit"].to_numpy(int)]
    back = back.assign(alone=back.groupby("event")["component"].transform("nunique") == 1)
    # of a row that stands for several units two returns of one day may be two trucks
    return back[~(several & ~back["alone"].to_numpy())].reset_index(drop=True)


def first_or_followed(records: Records) -> Answer:
    """How often each component was first, followed another, or was one of several of which any may have been first."""
    question = "When several parts are broken, which killed the others?"
    back = damaged_together(records)
    sure: Counter[str] = Counter()
    sets: Counter[frozenset[str]] = Counter()
    rows = {c: [0, 0, 0, 0] for c in records.shop.components}
    for _, own in back.groupby("event", sort=True):
        known = own.drop_duplicates("component").set_index("component")["order"]
        first, open_ = known.index[known == "first"], known.index[known == "unclear"]
        for component, order in known.items():
            rows[component][0] += 1
            rows[component][1] += order == "first"
            rows[component][2] += order == "followed"
            rows[component][3] += order == "unclear"
        # with a stated first one the unclear others can only have followed, or broken for themselves
        if len(first):
            sure.update(first)
        elif len(open_) == 1:
            sure.update(open_)
        elif len(open_) > 1:
            sets[frozenset(open_)] += 1
    expected = first_shares(sure, sets) if sure or sets else {}
    frame = pd.DataFrame(
        [[c, *(int(v) for v in counts), expected.get(c, 0.0)] for c, counts in rows.items() if counts[0]],
        columns=_FIRST_COLUMNS,
    )
    if frame.empty:
        return Answer(question, ("Nothing has come back damaged yet.",), frame)
    events, together = back["event"].nunique(), back.loc[~back["alone"], "event"].nunique()
    lines = [
        f"{plural(int(frame['damaged'].sum()), 'component')} {'was' if frame['damaged'].sum() == 1 else 'were'} found damaged in {plural(events, 'return')}; in "
        f"{together or 'none'} of these more than one was."
        + (
            f" Counting every broken part would count {int(frame['damaged'].sum()) - events} too many."
            if together
            else ""
        )
    ]
    followed = frame[frame["followed"] > 0]
    if len(followed):
        lines.append(
            "Broken because another went first: "
            + listed([f"{r.component} {r.followed} of {r.damaged}" for r in followed.itertuples()])
            + "; they do not count against their own part."
        )
    masked = sum(sets.values())
    if masked:
        names = sorted({n for s in sets for n in s})
        told = frame.set_index("component").loc[names, "expected_first"]
        lines.append(
            f"In {plural(masked, 'return')} nobody could tell which was first. Shared out by how often each is first elsewhere, the first "
            f"ones come to {listed([f'{v:.1f} of {n}' for n, v in told.items()])}."
        )
    beside = int(sum(_unclear_beside_first(own) for _, own in back.groupby("event", sort=True)))
    if beside:
        lines.append(
            f"{plural(beside, 'more component')} stood beside a stated first one with nobody saying whether {'it' if beside == 1 else 'they'} followed: "
            f"{'it counts' if beside == 1 else 'they count'} as {'a failure' if beside == 1 else 'failures'} of {'its' if beside == 1 else 'their'} own until "
            "that is written down, so that part looks worse than it may be."
        )
    return Answer(
        question,
        tuple(lines),
        frame,
        "A return is one unit on one day. Returns without a stated first one are candidate sets, shared out by maximum likelihood "
        "(Usher and Hodgson 1988, from memory): it takes for granted that which part was first does not decide whether that can be "
        "told. The survival curves do not use it: there each unclear one counts as failed.",
    )


def _unclear_beside_first(own: pd.DataFrame) -> int:
    return int((own["order"] == "unclear").sum()) if (own["order"] == "first").any() else 0


def which_drags_which(records: Records) -> Answer:
    """Of the failures of each finding that came first: how many damaged which other component."""
    question = "Which failures drag others with them?"
    back = damaged_together(records)
    rows = []
    firsts = back[back["order"] == "first"].drop_duplicates(["event", "component"])
    alone = back[back["alone"]]
    cost = back.groupby("event")["cost"].sum(min_count=1)
    for (component, finding), own in firsts.groupby(["component", "finding"], sort=True):
        events = set(own["event"])
        others = back[back["event"].isin(events) & (back["component"] != component)].drop_duplicates(
            ["event", "component"]
        )
        single = alone[(alone["component"] == component) & (alone["finding"] == finding)]["event"]
        for damaged, hit in others.groupby("component", sort=True):
            dragged = int((hit["order"] == "followed").sum())
            maybe = int((hit["order"] == "unclear").sum())
            share = binomial_limits(dragged, len(events))
            most = binomial_limits(dragged + maybe, len(events))
            if dragged + maybe:
                rows.append(
                    [component, finding or "not stated", damaged, len(events), dragged, maybe, dragged / len(events), share.lower,
                     share.upper, most.upper, cost.reindex(hit["event"]).mean(), cost.reindex(single).mean()]
                )  # fmt: skip
    frame = pd.DataFrame(rows, columns=_DRAG_COLUMNS)
    frame = frame.sort_values(
        ["dragged", "may_be_dragged", "first"], ascending=[False, False, True], kind="stable", ignore_index=True
    )
    if frame.empty:
        return Answer(question, ("No failure is on record as having damaged another part.",), frame)
    lines = []
    for row in frame[frame["dragged"] > 0].itertuples():
        dearer = (
            f", and such a return cost {row.mean_cost:,.0f} against {row.mean_cost_alone:,.0f} for the same alone"
            if np.isfinite(row.mean_cost) and np.isfinite(row.mean_cost_alone)
            else ""
        )
        lines.append(
            f"{article(row.first).capitalize()} with “{row.finding}” took the {row.damaged} with it in {row.dragged} of {row.first_failures} "
            f"({percent(row.lower)} to {percent(row.upper)}){dearer}."
        )
    for row in frame[(frame["may_be_dragged"] > 0)].itertuples():
        lines.append(
            f"{article(row.first).capitalize()} with “{row.finding}” may have damaged the {row.damaged} in {row.may_be_dragged} of {row.first_failures}: "
            "nobody wrote down whether it followed."
        )
    quiet = [c for c in records.shop.components if c in set(firsts["component"]) and c not in set(frame["first"])]
    if quiet:
        lines.append(f"No other damage is on record with {listed(quiet)}.")
    return Answer(
        question,
        tuple(lines),
        frame,
        "Among returns in which that component was written down as first. Shares with exact limits (Clopper and Pearson 1934), 95 %; "
        "upper if all: were every unclear one dragged too.",
    )
