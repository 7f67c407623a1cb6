"""What the teardown shows: findings, causes, whether two people say the same, and which part dragged others with it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import Lifetimes
from analytics.models.agreement import kappa
from analytics.models.cells import NO_FINDING, curve, observed
from analytics.models.competing import cumulative_incidence
from analytics.models.exact import binomial_limits
from analytics.models.masked import first_shares
from analytics.reasons import Causes, Drags, Family, Findings, First, Judged, Question, Reason, reason, reason_if
from analytics.records.load import Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.budget import BUDGET, FALSE_ALARM
from analytics.review.quarter import Span

# ---- findings and causes ---------------------------------------------------------------------------------------------
CAUSES = ("part", "install", "over limit", "unclear", "no fault")
_FINDING_COLUMNS = [
    "component", "finding", "failed", "by_years", "share_back", "share_lower", "share_upper", "as_if_alone", "all_findings",
    "all_as_if_alone",
]  # fmt: skip
#: a calendar year's cause is called changed below this, over all causes together
_FALSE_ALARM = FALSE_ALARM * BUDGET[Family.CAUSE_MIX]
_FEWEST_PAIRS = 10
#: two people's words are called unlike where their agreement beyond chance may lie below this
_ALIKE = 0.8


def finding_shares(lifetimes: Lifetimes) -> Answer:
    """Share of ``lifetimes`` come back for each finding by the age to which curves are shown, the others competing,
    beside 1 - KM."""
    question = reason(Question.FINDING_SHARES)
    rows, shop = [], lifetimes.shop
    for component in shop.components:
        table = lifetimes.table[lifetimes.table["component"] == component]
        failed = counts_as_failure(table)
        if not failed.any():
            continue
        seen = observed(table, "days")
        finding = table["finding"].replace("", NO_FINDING).where(failed, "").loc[seen.rows].to_numpy()
        try:
            shares = cumulative_incidence(seen.time, finding, seen.entry, seen.count)
            end = curve(table, "days").reliable_until(shop.checks.at_risk_to_show)
        except NotEnoughData:
            continue
        at = shares.incidence_at(min(end, shares.time[-1]))
        counts = pd.Series(seen.count[seen.failed]).groupby(finding[seen.failed]).sum()
        for row in at.itertuples():
            rows.append(
                [
                    component, row.cause, int(counts[row.cause]), end / DAYS_A_YEAR, row.incidence, row.lower, row.upper,
                    row.one_minus_km, float(at["incidence"].sum()), float(at["one_minus_km"].sum()),
                ]
            )  # fmt: skip
    frame = pd.DataFrame(rows, columns=_FINDING_COLUMNS)
    if frame.empty:
        return nothing(question, Findings.NOTHING_FAILED, frame)
    frame = frame.sort_values(["component", "share_back"], ascending=[True, False], kind="stable", ignore_index=True)
    said = []
    for component in [c for c in shop.components if c in set(frame["component"])]:
        own = frame[frame["component"] == component]
        top = own.iloc[0]
        said.append(
            reason(
                Findings.SHARES,
                component=component,
                share_back=top.all_findings,
                by_years=top.by_years,
                findings=own.set_index("finding")["share_back"].to_dict(),
                lower=top.share_lower,
                upper=top.share_upper,
            )
        )
    gap = frame.drop_duplicates("component")
    worst = gap.loc[(gap["all_as_if_alone"] - gap["all_findings"]).idxmax()]
    if worst["all_as_if_alone"] - worst["all_findings"] > 0.001:
        values = {
            "component": worst["component"],
            "as_if_alone": worst["all_as_if_alone"],
            "back": worst["all_findings"],
        }
        said.append(reason(Findings.AS_IF_ALONE, **values))
    return Answer(question, tuple(said), frame)


def causes_by_year(records: Records, span: Span) -> Answer:
    """Damaged components in ``records`` per calendar year by cause, and whether the mix of the year up to the end of
    ``span`` is another."""
    back = records.returns[records.returns["order"] != "followed"]
    table = (
        pd.crosstab(back["day"].dt.year, back["cause"])
        .reindex(columns=list(CAUSES), fill_value=0)
        .rename_axis(index="year", columns=None)
        .reset_index()
    )
    table["all"] = table[list(CAUSES)].sum(axis=1)
    counts = {cause: k for cause in CAUSES if (k := int((back["cause"] == cause).sum()))}
    question = reason(Question.CAUSES, false_alarm=_FALSE_ALARM, causes=len(counts))
    if back.empty:
        return nothing(question, Causes.NONE_BACK, table)
    counts = dict(sorted(counts.items(), key=lambda c: -c[1]))
    said = [reason(Causes.OF_ALL, counts=counts)]
    now = ((back["day"] > span.end - pd.Timedelta(days=365)) & (back["day"] <= span.end)).to_numpy()
    if now.sum() and (~now).sum():
        said += _changed(back, now)
    return Answer(question, tuple(said), table)


def _changed(back: pd.DataFrame, now: np.ndarray) -> list[Reason]:
    from scipy.stats import fisher_exact

    said, causes = [], [c for c in CAUSES if (back["cause"] == c).any()]
    of_now, of_before = int(now.sum()), int((~now).sum())
    for cause in causes:
        own = (back["cause"] == cause).to_numpy()
        a, b = int((own & now).sum()), int((own & ~now).sum())
        p = float(fisher_exact([[a, of_now - a], [b, of_before - b]]).pvalue)
        if p < _FALSE_ALARM / len(causes):
            limits = binomial_limits(a, of_now)
            values = {"cause": cause, "now": a, "of_now": of_now, "before": b, "of_before": of_before}
            said.append(reason(Causes.CHANGED, lower=limits.lower, upper=limits.upper, **values))
    return said or [reason(Causes.SAME_MIX, components=of_now)]


def judged_alike(records: Records) -> Answer:
    """Agreement of two judgements of the same returns in ``records``, per heading."""
    question = reason(Question.JUDGED_ALIKE)
    twice = records.judged_again
    columns = [
        "what", "pairs", "alike", "share_alike", "share_lower", "share_upper", "by_chance", "kappa", "kappa_lower", "kappa_upper",
        "p_value",
    ]  # fmt: skip
    if twice.empty:
        return nothing(question, Judged.NEVER_TWICE, pd.DataFrame(columns=columns))
    rows: list[dict[str, Any]] = []
    said = []
    for what in ("finding", "cause", "order"):
        first, second = twice[f"first_{what}"], twice[what]
        both = ((first != "") & (second != "")).to_numpy()
        if both.sum() < _FEWEST_PAIRS:
            said.append(reason(Judged.TOO_FEW, what=what, pairs=int(both.sum()), needed=_FEWEST_PAIRS))
            continue
        first, second = first[both], second[both]
        a = kappa(first.tolist(), second.tolist())
        rows.append(
            dict(zip(columns, [what, a.pairs, a.alike, a.observed, a.observed_lower, a.observed_upper, a.by_chance, a.kappa,
                               a.lower, a.upper, a.p_value], strict=True))
        )  # fmt: skip
        mixed = Counter(tuple(sorted(p)) for p in zip(first, second, strict=True) if p[0] != p[1])
        most = min(mixed.items(), key=lambda m: (-m[1], m[0])) if mixed else None
        said.append(reason(Judged.AGREED, what=what, agreement=a, most_mixed_up=most))
    said += [
        reason(Judged.SOFT, what=r["what"], kappa=r["kappa"])
        for r in rows
        if np.isfinite(r["kappa"]) and r["kappa_upper"] < _ALIKE
    ]
    return Answer(question, tuple(said), pd.DataFrame(rows, columns=columns))


# ---- which part dragged which ----------------------------------------------------------------------------------------
_DRAG_COLUMNS = [
    "first", "finding", "damaged", "first_failures", "dragged", "may_be_dragged", "share", "lower", "upper", "upper_if_all", "mean_cost",
    "mean_cost_alone",
]  # fmt: skip


def _damaged_together(records: Records) -> pd.DataFrame:
    """One row per damaged component returned, no-fault ones left out; ``alone``: nothing else was damaged in that return."""
    back = records.returns[records.returns["cause"] != "no fault"]
    several = records.builds["of_several"].to_numpy()[back["unit"].to_numpy(int)]
    back = back.assign(alone=back.groupby("event")["component"].transform("nunique") == 1)
    # of a row that stands for several units two returns of one day may be two trucks
    return back[~(several & ~back["alone"].to_numpy())].reset_index(drop=True)


def _which_was_first(back: pd.DataFrame) -> tuple[Counter[str], Counter[frozenset[str]]]:
    """Returns whose first damaged component is known, by it, and those of which only a set is known that holds it."""
    sure: Counter[str] = Counter()
    sets: Counter[frozenset[str]] = Counter()
    for _, own in back.groupby("event", sort=True):
        known = own.drop_duplicates("component").set_index("component")["order"]
        first, open_ = known.index[known == "first"], known.index[known == "unclear"]
        # with a stated first one the unclear others can only have followed, or broken for themselves
        if len(first) or len(open_) == 1:
            sure.update(first if len(first) else open_)
        elif len(open_) > 1:
            sets[frozenset(open_)] += 1
    return sure, sets


def _orders(back: pd.DataFrame, components: list[str]) -> pd.DataFrame:
    """How often each component was damaged, and in which order."""
    known = back.drop_duplicates(["event", "component"])
    of = {"first_for_sure": "first", "followed": "followed", "one_of_several": "unclear"}
    told = pd.DataFrame(
        {"damaged": 1} | {name: known["order"] == order for name, order in of.items()}, index=known.index
    )
    counts = told.groupby(known["component"].astype(str)).sum()
    return (
        counts.reindex([c for c in components if c in counts.index]).astype(int).rename_axis("component").reset_index()
    )


def first_or_followed(records: Records) -> Answer:
    """How often each component in ``records`` was first, followed another, or was one of several of which any may have
    been first."""
    question = reason(Question.FIRST_OR_FOLLOWED)
    back = _damaged_together(records)
    sure, sets = _which_was_first(back)
    frame = _orders(back, list(records.shop.components))
    expected = first_shares(sure, sets) if sure or sets else {}
    frame["expected_first"] = [expected.get(c, 0.0) for c in frame["component"]]
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
    said += reason_if(
        First.FOLLOWED,
        len(followed),
        components=[*followed[["component", "followed", "damaged"]].itertuples(index=False, name=None)],
    )
    masked = sum(sets.values())
    if masked:
        names = sorted({n for s in sets for n in s})
        shared = frame.set_index("component").loc[names, "expected_first"].to_dict()
        said.append(reason(First.NOT_TOLD, returns=masked, expected_first=shared))
    beside = int(sum(_unclear_beside_first(own) for _, own in back.groupby("event", sort=True)))
    said += reason_if(First.UNCLEAR_BESIDE, beside, n=beside)
    return Answer(question, tuple(said), frame)


def _unclear_beside_first(own: pd.DataFrame) -> int:
    return int((own["order"] == "unclear").sum()) if (own["order"] == "first").any() else 0


def which_drags_which(records: Records) -> Answer:
    """Of the failures of each finding in ``records`` that came first: how many damaged which other component."""
    question = reason(Question.DRAGS)
    back = _damaged_together(records)
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
    said = [
        reason(
            Drags.TOOK,
            limits=(lower, upper),
            costs=(both, alone),
            currency=records.shop.currency,
            **dict(zip((*named, "dragged"), told, strict=True)),
        )
        for *told, lower, upper, both, alone in dragged.itertuples(index=False)
    ]
    said += [reason(Drags.MAY_HAVE, **row) for row in maybe.to_dict("records")]
    quiet = [c for c in records.shop.components if c in set(firsts["component"]) and c not in set(frame["first"])]
    said += reason_if(Drags.ALONE, quiet, components=quiet)
    return Answer(question, tuple(said), frame)
