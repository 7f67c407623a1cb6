"""Can two parts be compared, does one live longer, and which trial would tell?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.cutoffs.against import Against, RatioVerdict
from analytics.cutoffs.comparable import Comparable
from analytics.cutoffs.trial import TrialPlan
from analytics.reasons import Overlap
from analytics.records.own_units import Kind
from analytics.words.ratings.plan import plan_words
from analytics.words.saying import say, says, texts
from analytics.words.units import bare_power, name_of, own, power

#: ways of setting one part's lives against the other's
COMPARED = {
    "life": "whole lives, like for like",
    "weighted": "weighted, in days",
    "regressed": "regression, in days",
    "crude": "all trucks, nothing allowed for",
}
VERDICTS = {
    RatioVerdict.BETTER: "better",
    RatioVerdict.WORSE: "worse",
    RatioVerdict.EQUIVALENT: "equivalent",
    RatioVerdict.NOT_WORSE: "not worse by more than the margin",
    RatioVerdict.UNDECIDED: "undecided",
    RatioVerdict.NOT_COMPARABLE: "not comparable",
}

texts(
    {
        Overlap.NO_COMMON_POWER: "every {first} lives in a truck of {highest_hp:power} or less and every {second} in one of {lowest_hp:power} or more: no power has "
        "had both, so whatever differs between them may be the trucks",
        Overlap.FEW_SHARE_POWER: "fewer than {least} units of {first} and {second} share any span of power",
        Overlap.FEW_LIVES: "only {lives[0]:,.0f} {first} and {lives[1]:,.0f} {second} live between {low_hp:bare_power} and {high_hp:power}, where both occur",
        Overlap.UNLIKE_TRUCKS: "where both occur the trucks differ so much in power, weight or use that they weigh no more than "
        "{effective:.1f} comparable trucks of one part",
        Overlap.ONE_NEVER_FAILED: "one of the parts has no failure there",
    }
)


@says(Overlap.FEW_FAILURES)
def _few_failures(failures: float, low_hp: float, high_hp: float) -> str:
    return (
        f"between {bare_power(low_hp)} and {power(high_hp)}, where both occur, only {failures:,.0f} "
        f"failure{'' if failures == 1 else 's'} came in: too few to compare by"
    )


# ---- comparable ---------------------------------------------------------------------------------------------------------
def comparable_words(found: Comparable) -> tuple[str, ...]:
    """Overlap and the adjusted comparisons. found: the comparison of the parts."""
    (first, second), crude, band = found.parts, found.crude, found.band
    out = []
    if found.refused is not None:
        out.append(f"No: {say(found.refused)}.")
        if np.isfinite(crude.ratio):
            out.append(
                f"Compared without regard to that, {second} would seem to fail {crude.ratio:.2f} times as often: a figure about the "
                "trucks as much as about the parts, and not to be used."
            )
        return tuple(out)
    out.append(
        f"Both occur between {bare_power(band.low_hp)} and {power(band.high_hp)}. Weighted by the chance of having got the other part, the "
        f"{band.lives[0]:,.0f} and {band.lives[1]:,.0f} lives there are worth {band.effective[0]:,.0f} and {band.effective[1]:,.0f} "
        "comparable ones."
    )
    for name, r in (("weighting", found.weighted), ("regression on power and weight within each use", found.regressed)):
        if r.refused is not None:
            out.append(f"By {name} there is no figure: {say(r.refused)}.")
        else:
            out.append(
                f"By {name}, {second} fails {r.ratio:.2f} times as often as {first} ({r.lower:.2f} to {r.upper:.2f}, each end "
                f"{r.confidence:.0%} sure; days)."
            )
    if np.isfinite(crude.ratio):
        out.append(f"Nothing allowed for, it would seem to be {crude.ratio:.2f} times: that is the trucks speaking.")
    return tuple(out)


#: how often the upper end of the ratio of lives was right where 90% was meant: data/evidence/power_ratio.csv, 200 shops
LIFE_UPPER_HELD = 0.82


def overlap_question(found: Comparable) -> str:
    """The question over the picture of the powers. found: the comparison of the parts."""
    return f"Do {found.parts[0]} and {found.parts[1]} live in the same trucks?"


def overlap_caption(found: Comparable) -> str:
    """What the picture of the powers says. found: the comparison of the parts."""
    if found.refused is not None:
        return ""  # said above
    (first, second), band = found.parts, found.band
    return (
        f"Yes, between {bare_power(band.low_hp)} and {power(band.high_hp)}: {band.lives[0]:,.0f} lives of {first} with "
        f"{band.failures[0]:,.0f} failures, {band.lives[1]:,.0f} of {second} with {band.failures[1]:,.0f}.\n"
        "They are compared there only."
    )


def spread_frame(found: Comparable) -> pd.DataFrame:
    """Power, weight and use of the trucks of each part: quantity, part, low, middle, high; shares in percent. found: the comparison of the parts."""
    kinds: dict[str, Kind] = {"power_hp": "power", "weight_lb": "weight"}
    t, share = found.spread.copy(), found.spread["quantity"] == "share"
    for quantity, kind in kinds.items():
        rows = t["quantity"] == quantity
        t.loc[rows, ["low", "middle", "high"]] = own(t.loc[rows, ["low", "middle", "high"]].astype(float), kind)
    names = {quantity: f"{kind}, {name_of(kind)}" for quantity, kind in kinds.items()}
    used = [names.get(q, f"share in {use or 'a use not on record'}, %") for q, use in zip(t["quantity"], t["use"])]
    return t.assign(quantity=used, middle=t["middle"].where(~share, 100 * t["middle"])).drop(columns="use")


def spread_table(found: Comparable) -> pd.DataFrame:
    """The same as the page shows it. found: the comparison of the parts."""
    return spread_frame(found).rename(
        columns={"low": "5th percentile", "middle": "median or share", "high": "95th percentile"}
    )


# ---- part against part ------------------------------------------------------------------------------------------------
def _range(lower: float, upper: float) -> str:
    if np.isinf(upper):
        return f"at least {lower:.2f}"
    return f"{lower:.2f} to {upper:.2f}" if lower > 0.005 else f"at most {upper:.2f}"


def ratio_question(found: Against) -> str:
    """The question over the picture of the ratios. found: the comparison of the parts."""
    return f"How many times as long does {found.new} live as {found.old}?"


def against_words(found: Against) -> tuple[str, ...]:
    """Which part lives longer, by how much, and what would decide it. found: the comparison of the parts."""
    old, new, margin, band, life, by_power = (
        found.old, found.new, found.margin, found.band, found.life, found.power,
    )  # fmt: skip
    if found.refused is not None:
        return (f"{new} and {old} cannot be compared: {say(found.refused)}.",)
    verdict = {
        RatioVerdict.BETTER: f"{new} lives longer than {old}",
        RatioVerdict.WORSE: f"{new} lives less long than {old}",
        RatioVerdict.EQUIVALENT: f"{new} and {old} live alike, within {margin:g} to {1 / margin:.2f} times",
        RatioVerdict.NOT_WORSE: f"{new} does not live less than {margin:g} times as long as {old}",
        RatioVerdict.UNDECIDED: f"whether {new} lives longer or less long than {old} is undecided",
    }[found.verdict]
    estimate = (
        f"by the best estimate {life.estimate:.2f} times as long ({_range(life.lower, life.upper)}"
        if _found(life.estimate)
        else f"how much cannot be told, none of it having failed ({_range(life.lower, life.upper)} times as long"
    )
    words = [
        f"Between {bare_power(band.low_hp)} and {power(band.high_hp)}, where both occur, {verdict}: {estimate}, {_meant(found, life.upper)}), from {band.failures[0]:,.0f} failures of "
        f"{band.lives[0]:,.0f} {old} and {band.failures[1]:,.0f} of {band.lives[1]:,.0f} {new}."
    ]
    if _found(by_power.estimate):
        words.append(
            f"For the same life it carries {by_power.estimate:.2f} times the power ({_range(by_power.lower, by_power.upper)}, each end "
            f"{found.confidence:.0%} sure)."
        )
    if found.open:
        words.append(
            f"About {found.failures_needed:,.0f} failures of both together would decide it (four times in five), where "
            f"{sum(band.failures):,.0f} are on record."
        )
    if _found(found.undone_by):
        easier, times = (new, found.undone_by) if found.verdict is RatioVerdict.BETTER else (old, found.undone_by)
        words.append(
            f"What nobody wrote down could undo this: if those with {easier} drive so much more gently that any part lasts {times:.2f} times as long there, "
            "nothing need be left of it. Giving every other truck the other part rules that out."
        )
    words.append(
        "Ages are allowed for, and power, weight and use; what else changed between the two (the years they were fitted in, fluid, "
        "tunes) is not."
    )
    return tuple(words)


def _meant(found: Against, upper: float) -> str:
    """How sure the ends of the ratio of lives ``found`` are, the ``upper`` one as measured."""
    if np.isinf(upper):
        return f"{found.confidence:.0%} sure"
    return f"each end meant {found.confidence:.0%} sure, the upper one right in {LIFE_UPPER_HELD:.0%} of invented shops"


def _found(ratio: float) -> bool:
    return 0 < ratio < np.inf


# ---- the trial ------------------------------------------------------------------------------------------------------------
def trial_words(plan: TrialPlan) -> tuple[str, ...]:
    """How to run the trial, and what it takes. plan: of the proof."""
    (weaker, stronger), row = plan.parts, plan.table.iloc[plan.told]
    years = (
        f", so {row.years_to_build:,.1f} years of building."
        if row.years_to_build < 20
        else ": out of reach for it, so such a difference will stay undecided."
    )
    return (
        f"From {bare_power(plan.from_hp)} to {power(plan.to_hp)} give every other truck {stronger} in place of {weaker}, by the serial number and not by judgement, tell the "
        f"owner, write down power, weight and use at the build, and read every odometer each year.",
        f"To find a life {row.life_ratio:g} times as long (four times in five, one-sided error 5%) takes {row.failures:,.0f} failures in "
        f"all, that is about {row.trucks:,.0f} trucks watched {row.years:g} years each; the shop builds {plan.a_year:,.0f} such trucks a year{years}",
        "It runs below the boundary, where the weaker part is allowed already; nobody gets a weaker part than today.",
        f"To prove {stronger} by itself instead: {plan_words(plan.proof)[0]}",
    )
