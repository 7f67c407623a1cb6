"""When several parts are broken: which went first, which were dragged along, and what that does to the counts."""

from __future__ import annotations

from collections import Counter

import pandas as pd

from analytics.models.exact import binomial_limits
from analytics.models.masked import first_shares
from analytics.reasons import Drags, First, Question, reason
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing

_DRAG_COLUMNS = (
    "first finding damaged first_failures dragged may_be_dragged share lower upper upper_if_all mean_cost mean_cost_alone"
).split()
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
    question = reason(Question.FIRST_OR_FOLLOWED)
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
        return nothing(question, First.NONE_DAMAGED, frame)
    said = [
        reason(
            First.COUNTS,
            damaged=int(frame["damaged"].sum()),
            returns=back["event"].nunique(),
            returns_with_several=back.loc[~back["alone"], "event"].nunique(),
        )
    ]
    followed = frame[frame["followed"] > 0]
    if len(followed):
        said.append(
            reason(First.FOLLOWED, components=[*followed[["component", "followed", "damaged"]].itertuples(index=False)])
        )
    masked = sum(sets.values())
    if masked:
        names = sorted({n for s in sets for n in s})
        shared = frame.set_index("component").loc[names, "expected_first"].to_dict()
        said.append(reason(First.NOT_TOLD, returns=masked, expected_first=shared))
    beside = int(sum(_unclear_beside_first(own) for _, own in back.groupby("event", sort=True)))
    if beside:
        said.append(reason(First.UNCLEAR_BESIDE, n=beside))
    return Answer(question, tuple(said), frame)


def _unclear_beside_first(own: pd.DataFrame) -> int:
    return int((own["order"] == "unclear").sum()) if (own["order"] == "first").any() else 0


def which_drags_which(records: Records) -> Answer:
    """Of the failures of each finding that came first: how many damaged which other component."""
    question = reason(Question.DRAGS)
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
        return nothing(question, Drags.NONE, frame)
    named = ["first", "finding", "damaged", "first_failures"]
    dragged = frame.loc[frame["dragged"] > 0, [*named, "dragged", "lower", "upper", "mean_cost", "mean_cost_alone"]]
    maybe = frame.loc[frame["may_be_dragged"] > 0, [*named, "may_be_dragged"]]
    said = [reason(Drags.TOOK, **row) for row in dragged.to_dict("records")]
    said += [reason(Drags.MAY_HAVE, **row) for row in maybe.to_dict("records")]
    quiet = [c for c in records.shop.components if c in set(firsts["component"]) and c not in set(frame["first"])]
    if quiet:
        said.append(reason(Drags.ALONE, components=quiet))
    return Answer(question, tuple(said), frame)
