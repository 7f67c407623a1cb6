"""What is found, how often it comes, and what causes it over time; whether two people would say the same."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.agreement import kappa
from analytics.models.cells import NO_FINDING, curve, is_failure, observed
from analytics.models.competing import cumulative_incidence
from analytics.models.exact import binomial_limits
from analytics.reasons import Causes, Findings, Judged, Question, Reason, reason
from analytics.records.load import Records
from analytics.review.answer import Answer, nothing
from analytics.review.quarter import YEAR_DAYS, Span

CAUSES = ("part", "install", "over limit", "unclear", "no fault")
_FINDING_COLUMNS = (
    "component finding failed by_years share_back share_lower share_upper as_if_alone all_findings all_as_if_alone"
).split()
#: a calendar year's cause is called changed below this, over all causes together
_FALSE_ALARM = 0.05
_FEWEST_PAIRS = 10
#: two people's words are called unlike where their agreement beyond chance may lie below this
_ALIKE = 0.8


def finding_shares(lifetimes: Lifetimes) -> Answer:
    """Share come back for each finding by the age to which curves are shown, the others competing, beside 1 - KM."""
    question = reason(Question.FINDING_SHARES)
    rows, shop = [], lifetimes.shop
    for component in shop.components:
        table = lifetimes.table[lifetimes.table["component"] == component]
        failed = is_failure(table)
        if not failed.any():
            continue
        seen = observed(table, "days")
        finding = table["finding"].replace("", NO_FINDING).where(failed, "").loc[seen.rows].to_numpy()
        try:
            shares = cumulative_incidence(seen.time, finding, seen.entry, seen.count)
            end = curve(table, "days").reliable_until(shop.at_risk_to_show)
        except NotEnoughData:
            continue
        at = shares.incidence_at(min(end, shares.time[-1]))
        counts = pd.Series(seen.count[seen.failed]).groupby(finding[seen.failed]).sum()
        for row in at.itertuples():
            rows.append(
                [
                    component, row.cause, int(counts[row.cause]), end / YEAR_DAYS, row.incidence, row.lower, row.upper,
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
    """Damaged components per calendar year by cause, and whether the last year's mix is another."""
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
    """Agreement of two judgements of the same returns, per heading."""
    question = reason(Question.JUDGED_ALIKE)
    twice = records.judged_again
    columns = (
        "what pairs alike share_alike share_lower share_upper by_chance kappa kappa_lower kappa_upper p_value".split()
    )
    if twice.empty:
        return nothing(question, Judged.NEVER_TWICE, pd.DataFrame(columns=columns))
    rows, said = [], []
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
