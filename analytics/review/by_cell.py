"""Comebacks per component by power band and weight class, and how each component wears."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import Lifetimes
from analytics.models.cells import curve, fit, is_failure, observed
from analytics.models.comparison import LogRank, log_rank
from analytics.models.exact import poisson_limits
from analytics.records.load import NOT_RECORDED
from analytics.review.answer import Answer, numbered, percent, plural
from analytics.review.quarter import YEAR_DAYS, unit_years
from analytics.words.saying import say

#: the age at which shares are compared, in years
HORIZON_YEARS = 2
_LEVEL = 0.90
_COLUMNS = [
    "component",
    "power_band",
    "weight_class",
    "parts",
    "failures",
    "install_errors",
    "unit_years",
    "per_100_unit_years",
    "lower",
    "upper",
    "back_within_2_years",
    "back_lower",
    "back_upper",
    "in_words",
]


def by_cell(lifetimes: Lifetimes, component: str) -> Answer:
    """Failures of one component by power band and weight class, all its parts together."""
    shop = lifetimes.shop
    table = lifetimes.table[lifetimes.table["component"] == component]
    # a life counts once in each cell it has run in, however often it went there
    life = table["segment"].eq(1).cumsum()
    again = table.assign(life=life).duplicated(["life", "power_band", "weight_class"])
    table = table.assign(enters=~again)
    rows = []
    for (band, weight), own in table.groupby(["power_band", "weight_class"], observed=True, sort=True):
        rows.append(
            {"component": component, "power_band": str(band), "weight_class": str(weight)}
            | _cell(own, shop.at_risk_to_show)
        )
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    differ, tests = bands_differ(table)
    return Answer(
        f"{component.capitalize()}: how often does it come back, by power and weight?",
        _in_words(frame, table, component, differ),
        frame,
        f"Failures per 100 unit-years with exact 90 % limits (Garwood 1936); where none failed, the most that 90 % confidence leaves open. "
        f"The share back within {HORIZON_YEARS} years is Kaplan-Meier on days, given only where {shop.at_risk_to_show} or more reach that age.",
        tests,
    )


def _cell(own: pd.DataFrame, at_risk: int) -> dict[str, object]:
    failures = int(own.loc[is_failure(own), "count"].sum())
    install = int(own.loc[(own["ended"] == "failed") & (own["cause"] == "install"), "count"].sum())
    parts = int(own.loc[own["enters"], "count"].sum())
    years = float(unit_years(own).sum())
    row = {
        "parts": parts,
        "failures": failures,
        "install_errors": install,
        "unit_years": years,
        "per_100_unit_years": np.nan,
        "lower": np.nan,
        "upper": np.nan,
        "back_within_2_years": np.nan,
        "back_lower": np.nan,
        "back_upper": np.nan,
    }
    if years > 0:
        limits = poisson_limits(failures, years / 100, _LEVEL if failures else 2 * _LEVEL - 1)
        row |= {"upper": limits.upper}
        if failures:
            row |= {"per_100_unit_years": limits.estimate, "lower": limits.lower}
    try:
        line = curve(own, "days")
        horizon = HORIZON_YEARS * YEAR_DAYS
        if line.reliable_until(at_risk) >= horizon and line.failures:
            at = line.survival_at(horizon)
            row |= {
                "back_within_2_years": float(1 - at.survival[0]),
                "back_lower": float(1 - at.upper[0]),
                "back_upper": float(1 - at.lower[0]),
            }
    except NotEnoughData:
        pass
    return row | {"in_words": _words(row)}


def _words(row: dict) -> str:
    lives, years = plural(row["parts"], "part"), row["unit_years"]
    if years <= 0:
        return f"{lives}, no time in service yet: nothing can be said"
    if not row["failures"]:
        if row["upper"] >= 100:
            return f"none of {row['parts']:,} came back in {numbered(years)} unit-years: too little to prove anything"
        return (
            f"none of {row['parts']:,} came back in {numbered(years)} unit-years; that proves at most {numbered(row['upper'])} "
            "a year per hundred (90 % sure)"
        )
    told = f"{row['failures']} of {row['parts']:,} came back: {numbered(row['per_100_unit_years'])} a year per hundred ({numbered(row['lower'])} to {numbered(row['upper'])})"
    if row["failures"] < 3:
        return told + f"; {plural(row['failures'], 'failure')}, too few to say more"
    return told


def _in_words(frame: pd.DataFrame, table: pd.DataFrame, component: str, differ: str) -> tuple[str, ...]:
    total, parts = int(frame["failures"].sum()), int(table.loc[table["segment"] == 1, "count"].sum())
    if not total:
        years = float(frame["unit_years"].sum())
        if years <= 0:
            return (f"No {component} has been in service yet.",)
        most = poisson_limits(0, years / 100, 2 * _LEVEL - 1).upper
        return (
            f"None of {parts:,} came back in {numbered(years, 3)} unit-years; that proves at most {numbered(most)} a year per hundred (90 % sure). It does not prove that it cannot fail.",
        )
    lines = []
    recorded = (frame["power_band"] != NOT_RECORDED) & (frame["weight_class"] != NOT_RECORDED)
    if not recorded.any():
        years = float(frame["unit_years"].sum())
        if years <= 0:
            return (f"{total} of {parts:,} came back on the day they went into service: there is no rate to state.",)
        limits = poisson_limits(total, years / 100, _LEVEL)
        return (
            f"{total} of {parts:,} came back: {numbered(limits.estimate)} a year per hundred ({numbered(limits.lower)} to {numbered(limits.upper)}). "
            "Power and weight are not on record together for any of them, so nothing can be said by power or weight.",
        )
    ranked = frame[(frame["failures"] >= 3) & (frame["unit_years"] > 0) & recorded]
    if len(ranked):
        worst = ranked.sort_values(["lower", "power_band"], ascending=[False, True], kind="stable").iloc[0]
        lines.append(
            f"{total} of {parts:,} came back. Worst where we can be sure of it: {worst['power_band']} hp, {worst['weight_class']} lb, {worst['in_words']}."
        )
    else:
        lines.append(
            f"{total} of {parts:,} came back; no single band and class has the three failures needed to be called the worst."
        )
    clean = frame[(frame["failures"] == 0) & (frame["unit_years"] > 0) & recorded].sort_values(
        "unit_years", ascending=False, kind="stable"
    )
    if len(clean):
        best = clean.iloc[0]
        lines.append(f"Cleanest: {best['power_band']} hp, {best['weight_class']} lb: {best['in_words']}.")
    lines.append(differ)
    install = int(frame["install_errors"].sum())
    if install:
        lines.append(
            f"{plural(install, 'install error')} {'is' if install == 1 else 'are'} not counted above: {'it was' if install == 1 else 'they were'} ours, not the part's."
        )
    unknown = table[(table["power_band"] == NOT_RECORDED) | (table["weight_class"] == NOT_RECORDED)]
    if len(unknown):
        lost, failed = (
            int(unknown.loc[unknown["segment"] == 1, "count"].sum()),
            int(unknown.loc[is_failure(unknown), "count"].sum()),
        )
        lines.append(
            f"Power or weight is not recorded for {lost:,} of them, {failed} of which came back: these stand in a row of their own."
        )
    return tuple(lines)


def bands_differ(table: pd.DataFrame) -> tuple[str, tuple[str, ...]]:
    """Whether the power bands fail alike within a weight class, in words, and the tests behind it: over all classes
    together (stratified), then class by class."""
    known = table[(table["power_band"] != NOT_RECORDED) & (table["weight_class"] != NOT_RECORDED)]
    seen = observed(known, "days")
    rows = known.loc[seen.rows]
    band, weight = rows["power_band"].astype(str).to_numpy(), rows["weight_class"].astype(str).to_numpy()
    own = []
    for name in [c for c in rows["weight_class"].cat.categories if (weight == c).any()]:
        at = weight == name
        try:
            test = log_rank(seen.time[at], seen.failed[at], band[at], seen.entry[at], seen.count[at])
            own.append(f"{name} lb alone: {_test(test)}.")
        except NotEnoughData as err:
            own.append(f"{name} lb alone: {err}")
    try:
        test = log_rank(seen.time, seen.failed, band, seen.entry, seen.count, strata=weight)
    except NotEnoughData as err:
        return "Whether power makes a difference can't be tested: too few came back, or all in one band.", (
            f"Log-rank test across the power bands: {err}",
            *own,
        )
    told = (
        f"Log-rank test across the power bands on days (Mantel 1966), stratified by weight class: {_test(test)}.",
        *own,
    )
    rough = " Few came back, so take this as a hint." if test.notes else ""
    if test.p_value < 0.01:
        return f"Weight class by weight class, the power bands differ by more than chance.{rough}", told
    if test.p_value < 0.10:
        return f"Weight class by weight class, the power bands may differ, but chance could still do it.{rough}", told
    return (
        "Weight class by weight class, the power bands differ no more than chance would have it. That is not proof that power does not matter.",
        told,
    )


def _test(test: LogRank) -> str:
    return (
        f"chi-square {test.statistic:.2f} on {test.df} degree{'' if test.df == 1 else 's'} of freedom, p = {_p(test.p_value)}"
        + (f"; {say(test.notes[0])}" if test.notes else "")
    )


def _p(p: float) -> str:
    return "under 0.0001" if p < 1e-4 else numbered(p)


def wear(lifetimes: Lifetimes) -> Answer:
    """Do failures come early or late: a Weibull fit per part, on days, held against Kaplan-Meier."""
    shop = lifetimes.shop
    rows = []
    named = lifetimes.table[lifetimes.table["part"] != NOT_RECORDED]
    for (component, part), own in named.groupby(["component", "part"], sort=True):
        row = {
            "component": component,
            "part": part,
            "parts": int(own.loc[own["segment"] == 1, "count"].sum()),
            "failures": int(own.loc[is_failure(own), "count"].sum()),
        }
        try:
            fitted = fit(own, "days", shop.failures_to_fit)
            shape = fitted.shape(level=_LEVEL)
            gap = fitted.largest_gap_from(curve(own, "days"), shop.at_risk_to_show)
            row |= {
                "shape": shape.value,
                "shape_lower": shape.lower,
                "shape_upper": shape.upper,
                "largest_gap": gap.gap,
                "gap_outside_limits": gap.outside,
            }
            row["in_words"] = _when(shape.lower, shape.upper) + (
                "" if not gap.outside else "; the curve does not follow this law closely, don't extrapolate it"
            )
        except NotEnoughData as err:
            row["in_words"] = (
                "none came back: no pattern to read"
                if not row["failures"]
                else str(err)
                if row["failures"] >= shop.failures_to_fit
                else f"{plural(row['failures'], 'failure')}: fewer than the {shop.failures_to_fit} needed to read a pattern"
            )
        rows.append(row)
    frame = pd.DataFrame(
        rows,
        columns=[
            "component",
            "part",
            "parts",
            "failures",
            "shape",
            "shape_lower",
            "shape_upper",
            "largest_gap",
            "gap_outside_limits",
            "in_words",
        ],
    )
    read = frame[frame["shape"].notna()]
    lines = [f"{r.component.capitalize()} {r.part}: {r.in_words}." for r in read.itertuples()]
    rest = len(frame) - len(read)
    if rest:
        lines.append(f"For {plural(rest, 'other part' if len(read) else 'part')} too few came back to read a pattern.")
    return Answer(
        "Do failures come early, by chance, or late?",
        tuple(lines) or ("No part has come back often enough to tell.",),
        frame,
        "Weibull shape on days in service with 90 % profile-likelihood limits (Meeker and Escobar 1998, ch. 8): under 1 early failures, about 1 chance, over 1 wear. "
        "Held against Kaplan-Meier where enough are at risk.",
    )


def _when(lower: float, upper: float) -> str:
    low = "" if np.isnan(lower) else f"{lower:.1f}"
    high = "" if np.isnan(upper) else f"{upper:.1f}"
    between = f"(shape {low} to {high})"
    if not np.isnan(lower) and lower > 1:
        return f"failures come with age, as wear does {between}"
    if not np.isnan(upper) and upper < 1:
        return f"failures come early: look at the build and the install {between}"
    return f"early, chance or wear can't be told apart yet {between}"


def clocks(lifetimes: Lifetimes) -> Answer:
    """What each clock leaves out."""
    rows = []
    for component, own in lifetimes.table.groupby("component", sort=True):
        for clock in ("days", "miles", "runs"):
            seen = observed(own, clock)
            if (
                clock != "runs"
                or seen.failures
                or not np.isnan(own["upper_runs"].where(own["ended"] == "failed")).all()
            ):
                rows.append(
                    {
                        "component": component,
                        "clock": clock,
                        "parts_counted": seen.units,
                        "failures_counted": seen.failures,
                        "parts_left_out": seen.left_out,
                        "failures_left_out": seen.left_out_failed,
                    }
                )
    frame = pd.DataFrame(
        rows, columns=["component", "clock", "parts_counted", "failures_counted", "parts_left_out", "failures_left_out"]
    )
    miles = frame[frame["clock"] == "miles"]
    counted, out = int(miles["parts_counted"].sum()), int(miles["parts_left_out"].sum())
    failed, failed_out = int(miles["failures_counted"].sum()), int(miles["failures_left_out"].sum())
    lines = ["The days clock counts every part, but a truck in the garage ages on it like one towing every day."]
    if counted + out:
        lines.append(
            f"The miles clock knows the odometer of only {counted:,} of {counted + out:,} parts ({percent(counted / (counted + out))})"
            + (
                f", but of {failed} of {failed + failed_out} failures ({percent(failed / (failed + failed_out))})"
                if failed + failed_out
                else ""
            )
            + "."
            + (
                " Odometers get written down when a truck comes back, so the miles curves look worse than the truth: "
                "read them for the shape, not for the level."
                if failed * (counted + out) > counted * (failed + failed_out)
                else ""
            )
        )
    return Answer("Days or miles: what does each leave out?", tuple(lines), frame)
