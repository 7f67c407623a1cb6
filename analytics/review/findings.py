"""What is found, how often it comes, and what causes it over time; whether two people would say the same."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.agreement import kappa
from analytics.models.cells import NO_FINDING, curve, is_failure, observed
from analytics.models.competing import cumulative_incidence
from analytics.models.exact import binomial_limits
from analytics.records.load import Records
from analytics.review.answer import Answer, listed, percent, plural
from analytics.review.quarter import YEAR_DAYS, Span

CAUSES = {
    "part": "the part itself",
    "install": "our install",
    "over limit": "power over the limit",
    "unclear": "cause unclear",
    "no fault": "no fault found",
}
_FINDING_COLUMNS = [
    "component", "finding", "failed", "by_years", "share_back", "share_lower", "share_upper", "as_if_alone", "all_findings",
    "all_as_if_alone",
]  # fmt: skip
#: a calendar year's cause is called changed below this, over all causes together
_FALSE_ALARM = 0.05
_FEWEST_PAIRS = 10


def finding_shares(lifetimes: Lifetimes) -> Answer:
    """Share come back for each finding by the age to which curves are shown, the others competing, beside 1 - KM."""
    question = "What do they come back for, and how often?"
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
        return Answer(question, ("Nothing has failed yet, so there is no finding to count.",), frame)
    frame = frame.sort_values(["component", "share_back"], ascending=[True, False], kind="stable", ignore_index=True)
    lines = []
    for component in [c for c in shop.components if c in set(frame["component"])]:
        own = frame[frame["component"] == component]
        top = own.iloc[0]
        rest = [f"{r.finding} {percent(r.share_back)}" for r in own.iloc[1:].itertuples()]
        lines.append(
            f"{component.capitalize()}: {percent(top.all_findings)} back by {top.by_years:.1f} years, most for “{top.finding}”, "
            f"{percent(top.share_back)}"
            + (f" ({percent(top.share_lower)} to {percent(top.share_upper)})" if np.isfinite(top.share_lower) else "")
            + (f"; {listed(rest)}" if rest else "")
            + "."
        )
    gap = frame.drop_duplicates("component")
    worst = gap.loc[(gap["all_as_if_alone"] - gap["all_findings"]).idxmax()]
    if worst["all_as_if_alone"] - worst["all_findings"] > 0.001:
        lines.append(
            f"Each finding counted as if the others did not exist would be too many: for {worst['component']} they would add up to "
            f"{100 * worst['all_as_if_alone']:.1f} % where {100 * worst['all_findings']:.1f} % came back."
        )
    return Answer(
        question,
        tuple(lines),
        frame,
        "Cumulative incidence with the other findings competing (Aalen and Johansen 1978), limits 95 %; as if alone: one minus "
        "Kaplan-Meier per finding, which overstates. Days since the part was fitted; install errors and parts broken by "
        "another are taken out at the age they came. Read at the age up to which enough parts are followed.",
    )


def causes_by_year(records: Records, span: Span) -> Answer:
    """Damaged components per calendar year by cause, and whether the last year's mix is another."""
    question = "Whose fault is it, and is that changing?"
    back = records.returns[records.returns["order"] != "followed"]
    years = back["day"].dt.year
    table = (
        pd.crosstab(years, back["cause"])
        .reindex(columns=list(CAUSES), fill_value=0)
        .rename_axis(index="year", columns=None)
        .reset_index()
    )
    table["all"] = table[list(CAUSES)].sum(axis=1)
    if back.empty:
        return Answer(question, ("Nothing has come back yet.",), table)
    total = len(back)
    shares = [(cause, int((back["cause"] == cause).sum())) for cause in CAUSES if (back["cause"] == cause).any()]
    shares.sort(key=lambda s: -s[1])
    told = [f"{CAUSES[c]} {k} ({percent(k / total)})" for c, k in shares]
    lines = [f"Of {plural(total, 'component')} that came back over the years: {listed(told)}."]
    now = ((back["day"] > span.end - pd.Timedelta(days=365)) & (back["day"] <= span.end)).to_numpy()
    if now.sum() and (~now).sum():
        lines += _changed(back, now)
    return Answer(
        question,
        tuple(lines),
        table,
        "Components that broke because another went first are left out: they have no cause of their own. The last twelve months "
        f"against all before: Fisher's exact test per cause, called a change below {_FALSE_ALARM:g}/{len(shares)} (Bonferroni).",
    )


def _changed(back: pd.DataFrame, now: np.ndarray) -> list[str]:
    from scipy.stats import fisher_exact

    lines, causes = [], [c for c in CAUSES if (back["cause"] == c).any()]
    for cause in causes:
        own = (back["cause"] == cause).to_numpy()
        a, b = int((own & now).sum()), int((own & ~now).sum())
        p = float(fisher_exact([[a, int(now.sum()) - a], [b, int((~now).sum()) - b]]).pvalue)
        if p < _FALSE_ALARM / len(causes):
            low, high = (lambda s: (s.lower, s.upper))(binomial_limits(a, int(now.sum())))
            lines.append(
                f"In the last twelve months {CAUSES[cause]} made up {a} of {int(now.sum())} ({percent(low)} to {percent(high)}), before "
                f"that {b} of {int((~now).sum())}: more of a change than chance would do. It may be the trucks, the limits, or the habit of writing it down."
            )
    return lines or [
        f"The last twelve months ({int(now.sum())} components) show no other mix than the years before, by more than chance."
    ]


def judged_alike(records: Records) -> Answer:
    """Agreement of two judgements of the same returns, per heading."""
    question = "Would two people say the same of a broken part?"
    twice = records.judged_again
    columns = ["what", "pairs", "alike", "share_alike", "share_lower", "share_upper", "by_chance", "kappa", "kappa_lower",
               "kappa_upper", "p_value"]  # fmt: skip
    if twice.empty:
        return Answer(
            question,
            (
                "No return was judged a second time (a sheet named judged_again), so how far the causes and findings can be relied on "
                "is not known. Have somebody else look at 30 returns drawn at random, without seeing what was written.",
            ),
            pd.DataFrame(columns=columns),
        )
    rows, lines = [], []
    for what, word in (("finding", "what was found"), ("cause", "the cause"), ("order", "which broke first")):
        first, second = twice[f"first_{what}"], twice[what]
        both = ((first != "") & (second != "")).to_numpy()
        if both.sum() < _FEWEST_PAIRS:
            lines.append(
                f"For {word} only {plural(int(both.sum()), 'component')} {'was' if both.sum() == 1 else 'were'} judged twice: too few to say (at least "
                f"{_FEWEST_PAIRS} are needed)."
            )
            continue
        first, second = first[both], second[both]
        a = kappa(first.tolist(), second.tolist())
        rows.append([what, a.pairs, a.alike, a.observed, a.observed_lower, a.observed_upper, a.by_chance, a.kappa, a.lower,
                     a.upper, a.p_value])  # fmt: skip
        pairs = pd.Series(
            [" and ".join(f"“{w}”" for w in sorted(p)) for p in zip(first, second, strict=True) if p[0] != p[1]]
        )
        most = pairs.value_counts().sort_index().sort_values(ascending=False, kind="stable") if len(pairs) else pairs
        beyond = (
            f"beyond chance {percent(max(a.kappa, 0))} of what could be agreed on was ({percent(max(a.lower, 0))} to {percent(max(a.upper, 0))})"
            if np.isfinite(a.kappa)
            else "both used one word only, so nothing tells agreement from habit"
        )
        lines.append(
            f"{word[0].upper()}{word[1:]}: the two agreed on {a.alike} of {a.pairs}; {beyond}"
            + (f". Most often mixed up: {most.index[0]} ({most.iloc[0]} of {len(pairs)})" if len(most) else "")
            + "."
        )
    shaky = [r for r in rows if np.isfinite(r[7]) and r[9] < 0.8]
    lines += [
        f"Counts by {r[0]} above are softer than they look: two people differ on it too often (beyond chance {percent(max(r[7], 0))})."
        for r in shaky
    ]
    return Answer(
        question,
        tuple(lines),
        pd.DataFrame(rows, columns=columns),
        "Cohen's kappa (1960) with the large-sample error of Fleiss, Cohen and Everitt (1969), limits 95 %; the share judged alike "
        "with exact limits. Only what both wrote down is compared; the sample speaks for all returns only if it was drawn at random.",
    )
