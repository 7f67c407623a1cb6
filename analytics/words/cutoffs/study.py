"""The study of the verdicts on a step."""

from __future__ import annotations

import pandas as pd


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
        f"the set for its place, promised at 90%, holds it in {jump['place_holds'].min():.1%} to {jump['place_holds'].max():.1%}, among those "
        f"called a step in {jump['place_holds_called'].min():.1%} to {jump['place_holds_called'].max():.1%}.",
        f"Without any effect the search's p lies at or below 0.10 in {none['p_below'].min():.1%} to {none['p_below'].max():.1%} (a test of its being "
        f"uniform: p from {none['p_uniform'].min():.2f} up); the p of the best cut taken as if it had not been searched for, in "
        f"{none['naive_below'].min():.0%} to {none['naive_below'].max():.0%}.",
    ]
    slopes, log_normal = smooth[smooth["kind"] == "slope"], study[other & (study["kind"] == "slope")]
    for cells, told in ((slopes, "Of smooth slopes"), (log_normal, "Where lives are log-normal, of smooth slopes")):
        if len(cells):
            worst = cells.loc[cells["said_step"].idxmax()]
            share = (cells["said_step"] * cells["fleets"]).sum() / cells["fleets"].sum()
            out.append(
                f"{told} a step is said in {share:.1%} of {cells['fleets'].sum():,} fleets, at most in {worst['said_step']:.1%} of the {worst['fleets']} of a setting "
                f"(standard error {worst['wrong_se']:.1%}; “{worst['cell']}”)."
            )
    if len(read):
        out.append(
            f"On miles, with only the lives whose odometer is known, the same search cries wolf in {read['miles_below'].iat[0]:.0%} where mainly strong "
            f"trucks are read; on days in {read['p_below'].iat[0]:.0%}."
        )
    out.append(
        f"The range printed beside the size of a jump, meant at 90%, holds the true one in {jump['jump_holds'].min():.1%} to {jump['jump_holds'].max():.1%}; least "
        f"in the setting “{jump.loc[jump['jump_holds'].idxmin(), 'cell']}”."
    )
    return tuple(out)


def power_ratio_words(table: pd.DataFrame) -> tuple[str, ...]:
    """How often the ends of "carries X times the power (a to b)" were right. table: of the study."""
    cells, every = table[table["cell"] != "all"], table[table["cell"] == "all"].iloc[0]
    ends = cells[["lower_holds", "upper_holds"]]
    return (
        f"How many times the power the dearer part carries: in {every['compared']:,.0f} simulated shops (seed {every['seed']}; {every['versions']}), in "
        f"{len(cells)} settings, the lower end lay at or below the truth in {every['lower_holds']:.3f}, the upper at or above it in {every['upper_holds']:.3f} "
        f"(standard errors {every['lower_se']:.3f} and {every['upper_se']:.3f}; setting by setting {ends.min().min():.2f} to {ends.max().max():.2f}), where "
        f"{every['level']:.2f} each is meant. Carried over from the ratio of lives, with how fast life falls with power taken as known, they would have "
        f"been right in {every['by_life_lower_holds']:.3f} and {every['by_life_upper_holds']:.3f}. The ends of the ratio of lives itself were right in "
        f"{every['life_lower_holds']:.3f} and {every['life_upper_holds']:.3f}.",
    )


def study_table(study: pd.DataFrame) -> pd.DataFrame:
    """The table of the study as it is shown."""
    columns = (
        "cell fleets mean_failures said_step said_slope said_neither wrong wrong_se p_below naive_below miles_below p_uniform "
        "place_holds place_width"
    ).split()
    return (
        study[columns]
        .assign(mean_failures=study["mean_failures"].round(0))
        .rename(columns={"mean_failures": "failures"})
    )
