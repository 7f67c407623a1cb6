"""The argument about a boundary in words and tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.cutoffs.argument import Argument, jump_range, step_words
from analytics.cutoffs.step import StepResult
from analytics.errors import AnalyticsError
from analytics.models.lifedata import class_words


def opening(argument: Argument) -> tuple[str, ...]:
    """Which question, from which records."""
    return (
        f"Where should {argument.below} end and {argument.above} begin ({argument.component})? From the records as of "
        f"{argument.records.as_of.day} {argument.records.as_of:%B %Y}.",
    )


def shapes_table(step: StepResult) -> pd.DataFrame:
    """The rival shapes: log-likelihood above no effect, AIC, what they say."""
    names = {
        "none": "no effect",
        "slope": "smooth power law",
        "stick": "bend (broken stick)",
        "step": "lone jump",
        "both": "jump on a power law",
    }
    rejected = {"slope": step.p_smooth, "step": step.p_step, "stick": step.p_bend, "none": step.p_value}
    return pd.DataFrame(
        [
            {
                "shape": names[k],
                "log-likelihood gained": step.loglik[k],
                "AIC, none = 0": step.aic[k],
                "chance of such records if this were all": rejected.get(k, np.nan),
            }
            for k in names
            if k in step.loglik
        ]
    )


def step_method(step: StepResult) -> tuple[str, ...]:
    """How the verdict was made, for one click below."""
    alpha = 1 - step.confidence
    return (
        "Clock: days since the part was fitted, known for every life; trucks are compared within their own use and weight class only, those "
        "seen late from then on. On miles, the survivors nobody read would drop out while every failure stays in.",
        f"The search tries every power that leaves a tenth of the lives on either side; its p comes from {step.draws:,} drawings of who failed "
        "among those at risk, each searched again: (1 + those as extreme)/(1 + drawings). Rival shapes are compared by log-likelihood and AIC, and "
        "each is put to the test by drawing fleets from the life law fitted with that shape on miles, unknown odometers integrated out.",
        f"Promised: a part that truly loses life smoothly, or not at all, is called a step at most {alpha:.0%} of the time; a part with a lone jump "
        f"is called a slope at most {alpha:.0%} of the time. That is for Weibull lives; what was measured in simulated fleets, and where lives are of another law: the notebook of evidence.",
        *step.notes,
    )


def axes_words(argument: Argument) -> tuple[str, ...]:
    """The verdicts on weight, on power with weight, and on their working together."""
    return (
        step_words(argument.weight, argument.below),
        step_words(argument.load, argument.below),
        argument.interaction.words,
    )


def numbers_table(argument: Argument) -> pd.DataFrame:
    """The numbers of the brief."""
    step, money, against = argument.step, argument.money, argument.against
    rows: list[tuple[str, str]] = [
        (f"lives of {argument.below} looked at, failures", f"{step.lives:,}, {step.failures:,}"),
    ]
    if np.isfinite(step.p_value):
        rows += [
            (
                "best cut of the search; chance alone would offer one so good",
                f"{step.cut:,.0f} hp; p = {step.p_value:.2g}",
            ),
            ("a smooth power law alone would look so jumpy", f"p = {step.p_smooth:.2g}"),
            ("a lone jump alone would look so sloped", f"p = {step.p_step:.2g}"),
        ]
    if step.verdict == "step":
        rows.append(
            (
                "failures just above for each just below, less what searching adds",
                f"about {step.shrunk:.1f} ({jump_range(step)})",
            )
        )
    for row in argument.safety.itertuples():
        rows.append(
            (
                f"by safety, {class_words(row.weight_up_to)}",
                f"{row.proposed_hp:,.0f} hp" if np.isfinite(row.proposed_hp) else "no power proven",
            )
        )
    if money is not None:
        span = (
            f"{money.cut_hp:,.0f} hp ({money.low:,.0f} to {money.high:,.0f})"
            if not money.edge
            else f"the dearer part {'pays for all' if money.edge == 'always' else 'pays for none'}"
        )
        rows += [
            ("by money", span),
            ("price step; one comeback, all in", f"{money.price_step:,.0f}; {money.costs.each:,.0f}"),
            ("trucks a year; years counted", f"{money.trucks:,.0f}; {money.costs.years:g}"),
        ]
    if np.isfinite(against.life_lower) or np.isfinite(against.life_ratio):
        rows.append(
            (
                f"life of {against.new} over that of {against.old}",
                f"{against.life_ratio:.2f} ({against.life_lower:.2f} to {against.life_upper:.2f})",
            )
        )
    return pd.DataFrame(rows, columns=["what", "figure"])


def sensitivity_table(argument: Argument) -> pd.DataFrame:
    """The boundary by money under other inputs."""
    if argument.money is None:
        return pd.DataFrame()
    table = argument.money.sensitivity
    shown = ["never pays" if np.isinf(v) else "always pays" if v == 0 else f"{v:,.0f} hp" for v in table["cut_hp"]]
    return table.assign(boundary=shown).drop(columns="cut_hp")


def not_in(lines: tuple[str, ...], drawn: tuple | None) -> list[str]:
    """The sentences that the caption of a figure (figure, caption) does not say already."""
    return [line for line in lines if drawn is None or line not in drawn[1]]


def safety_table(argument: Argument) -> pd.DataFrame:
    """The ratings of the lower part, weight class by weight class."""

    def told(column: str) -> pd.Series:
        return argument.safety[column].map(lambda v: f"{v:,.0f}" if np.isfinite(v) else "none")

    return pd.DataFrame(
        {
            "trucks": argument.safety["weight_up_to"].map(class_words), "may be published, hp": told("proposed_hp"), "published now, hp": told("published_hp"),
            "verdict": argument.safety["verdict"], "why": argument.safety["reason"],
        }
    )  # fmt: skip


def by_use_table(argument: Argument) -> pd.DataFrame:
    """From which power the dearer part pays in each use."""
    if argument.money is None:
        return pd.DataFrame()

    def told(v: float) -> str:
        return "not on record" if np.isinf(v) else "all" if v == 0 else f"{v:,.0f}"

    t = argument.money.by_use
    return pd.DataFrame(
        {
            "use": t["use"].where(t["use"] != "", "not recorded"),
            "at weight, lb": t["weight_lb"].map("{:,.0f}".format),
            "pays from, hp": t["pays_from_hp"].map(told),
            "low": t["lower"].map(told),
            "high": t["upper"].map(told),
            "trucks a year": t["trucks_a_year"].map("{:,.0f}".format),
        }
    )


def spread_table(argument: Argument) -> pd.DataFrame:
    """Power, weight and use of the trucks of each part."""
    return argument.comparable.spread.rename(
        columns={"low": "5th percentile", "middle": "median or share", "high": "95th percentile"}
    )


def comparable_words(argument: Argument) -> tuple[str, ...]:
    """Overlap and the adjusted comparisons."""
    found = argument.comparable
    out = []
    if not found.ok:
        out.append(f"{found.parts[1]} and {found.parts[0]} cannot be compared: {found.reason}.")
        if np.isfinite(found.crude.ratio):
            out.append(
                f"Compared without regard to that, {found.parts[1]} would seem to fail {found.crude.ratio:.2f} times as often: a figure about the "
                "trucks as much as about the parts, and not to be used."
            )
        return tuple(out)
    out.append(
        f"Both occur between {found.low_hp:,.0f} and {found.high_hp:,.0f} hp. Weighted by the chance of having got the other part, the "
        f"{found.band_lives[0]:,.0f} and {found.band_lives[1]:,.0f} lives there are worth {found.effective[0]:,.0f} and {found.effective[1]:,.0f} "
        "comparable ones."
    )
    for name, r in (("weighting", found.weighted), ("regression on power and weight within each use", found.regressed)):
        if np.isfinite(r.ratio):
            out.append(
                f"By {name}, {found.parts[1]} fails {r.ratio:.2f} times as often as {found.parts[0]} ({r.lower:.2f} to {r.upper:.2f}, each end "
                f"{r.confidence:.0%} sure; days)."
            )
        else:
            out.append(f"By {name} there is no figure: {r.reason}.")
    if np.isfinite(found.crude.ratio):
        out.append(
            f"Nothing allowed for, it would seem to be {found.crude.ratio:.2f} times: that is the trucks speaking."
        )
    return tuple(out)


def middle_words(argument: Argument) -> tuple[str, ...]:
    """Does a middle tier earn its place."""
    if argument.middle is None:
        return (f"Not asked here: {argument.refused['middle']}.",)
    return argument.middle.words


def trial_words(argument: Argument) -> tuple[str, ...]:
    """The trial that would settle what is open."""
    if argument.trial is None:
        return (f"None is called for: {argument.refused['trial']}.",)
    return argument.trial.words


# ---- the study of the verdicts ------------------------------------------------------------------------------------------
def read_cutoff_study(folder: str | Path) -> pd.DataFrame:
    """The table of the study; raises AnalyticsError where there is none."""
    path = Path(folder) / "cutoff.csv"
    if not path.is_file():
        raise AnalyticsError(
            f"no {path.name} in {Path(folder).name}: make it with python -m analytics coverage --cutoffs."
        )
    return pd.read_csv(path)


def study_words(study: pd.DataFrame) -> tuple[str, ...]:
    """What the study of the verdicts found, every figure from its table."""
    other = study["cell"].str.contains("log-normal")
    smooth = study[study["kind"].isin(["none", "slope"]) & ~other]
    jump = study[study["kind"].isin(["step", "both"])]
    bend, none = study[study["kind"] == "bend"], study[study["kind"] == "none"]
    read = study[study["cell"].str.contains("strong trucks read")]
    out = [
        f"{study['fleets'].sum():,} fleets in {len(study)} settings, at least {study['fleets'].min()} in each (seed {study['seed'].iat[0]}; "
        f"{study['versions'].iat[0]}). A verdict of step or slope should be wrong in at most one fleet of ten.",
        f"No effect, or a smooth slope: called a step in {smooth['said_step'].min():.1%} to {smooth['said_step'].max():.1%}. A true jump: called a "
        f"slope in {jump['said_slope'].min():.1%} to {jump['said_slope'].max():.1%}. A bend, of which nothing is promised: called a step in "
        f"{bend['said_step'].min():.1%} to {bend['said_step'].max():.1%}.",
        f"A true jump is found in {jump['said_step'].min():.0%} of the fleets (the smallest jump, fewest failures) to {jump['said_step'].max():.0%}; "
        f"the set for its place, promised at 90 %, holds it in {jump['place_holds'].min():.1%} to {jump['place_holds'].max():.1%}, among those "
        f"called a step in {jump['place_holds_called'].min():.1%} to {jump['place_holds_called'].max():.1%}.",
        f"Without any effect the search's p lies at or below 0.10 in {none['p_below'].min():.1%} to {none['p_below'].max():.1%} (a test of its being "
        f"uniform: p from {none['p_uniform'].min():.2f} up); the p of the best cut taken as if it had not been searched for, in "
        f"{none['naive_below'].min():.0%} to {none['naive_below'].max():.0%}.",
    ]
    if len(unlike := study[other & (study["kind"] == "slope")]):
        out.append(
            f"The fleets redrawn have Weibull lives. Where lives are log-normal instead, a smooth slope is called a step in {unlike['wrong'].max():.1%} "
            f"(standard error {unlike['wrong_se'].max():.1%})."
        )
    if len(read):
        out.append(
            f"On miles, with only the lives whose odometer is known, the same search cries wolf in {read['miles_below'].iat[0]:.0%} where mainly strong "
            f"trucks are read; on days in {read['p_below'].iat[0]:.0%}."
        )
    out.append(
        f"The range printed beside the size of a jump, meant at 90 %, holds the true one in {jump['jump_holds'].min():.1%} to {jump['jump_holds'].max():.1%}; least "
        f"in the setting “{jump.loc[jump['jump_holds'].idxmin(), 'cell']}”."
    )
    return tuple(out)


def study_table(study: pd.DataFrame) -> pd.DataFrame:
    """The table of the study as it is shown."""
    columns = [
        "cell",
        "fleets",
        "mean_failures",
        "said_step",
        "said_slope",
        "said_neither",
        "wrong",
        "wrong_se",
        "p_below",
        "naive_below",
    ]
    columns += ["miles_below", "p_uniform", "place_holds", "place_width"]
    return (
        study[columns]
        .assign(mean_failures=study["mean_failures"].round(0))
        .rename(columns={"mean_failures": "failures"})
    )
