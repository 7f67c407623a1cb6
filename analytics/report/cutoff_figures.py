"""Pictures of the argument about a boundary between two parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.cutoffs.argument import Argument
from analytics.cutoffs.step import UNITS, StepResult
from analytics.errors import NotEnoughData
from analytics.models.nonparametric import SurvivalCurve, kaplan_meier
from analytics.report.figures import _at_risk, _draw, _plt, _tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

YEAR = 365.25
_DARK, _LIGHT = "#1f4e79", "#d97b0f"


def cut_shown(argument: Argument) -> tuple[float, str]:
    """The power at which the survival picture divides the trucks, and what it is."""
    step, money = argument.step, argument.money
    if step.verdict == "step":
        return step.cut, "the step found"
    if money is not None and not money.edge:
        return money.cut_hp, "the boundary by money"
    if np.isfinite(step.cut):
        return step.cut, "the best cut of the search, which need not be real"
    return argument.comparable.boundary_hp, "the present boundary"


def survival_halves(argument: Argument) -> tuple[dict[str, SurvivalCurve], float, str]:
    """Curves below and above the cut shown, on the clock of days; the cut, and what it is."""
    cut, what = cut_shown(argument)
    lives = argument.lives
    above = lives.x > cut * (1 + 1e-9)
    curves = {}
    for name, own in ((f"up to {cut:,.0f} hp", ~above), (f"above {cut:,.0f} hp", above)):
        if own.any():
            curves[name] = kaplan_meier(lives.time[own], lives.failed[own], lives.entry[own], lives.count[own])
    return curves, cut, what


def halves_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Share not come back against years, below and above the cut, with numbers at risk; None where nothing can be drawn."""
    try:
        curves, cut, what = survival_halves(argument)
    except NotEnoughData:
        return None
    fewest = argument.records.shop.at_risk_to_show
    ends, thin = {}, []
    for name, curve in curves.items():
        try:
            ends[name] = curve.reliable_until(fewest)
        except NotEnoughData:
            thin.append(f"{name}: too few parts to draw a curve")
    curves = {k: c for k, c in curves.items() if ends.get(k, 0) > 0}
    if not curves:
        return None
    plt = _plt()
    figure = plt.figure(figsize=(7.4, 4.3), layout="constrained")
    grid = figure.add_gridspec(2, 1, height_ratios=[4.2, 0.9])
    ax = figure.add_subplot(grid[0])
    low = 1.0
    for (name, curve), colour, style, marker in zip(curves.items(), (_DARK, _LIGHT), ("-", "--"), "os", strict=False):
        low = min(low, _draw(ax, curve, ends[name], YEAR, colour, style, marker, name))
    right = max(ends.values()) / YEAR
    ax.set_xlim(0, right * 1.04)
    ax.set_ylim(max(0.0, min(low - 0.04, 0.9)), 1.01)
    ticks = list(range(int(right) + 1))
    ax.set_xticks(ticks)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f} %")
    ax.set_ylabel("not come back")
    ax.legend(loc="lower left", frameon=False, fontsize=10)
    _tidy(ax)
    _at_risk(figure.add_subplot(grid[1]), list(curves.items()), ticks, YEAR, ax.get_xlim(), first=True)
    figure.supxlabel("years since the part was fitted   (below: parts still followed at that age)", fontsize=10)
    told = thin
    for name, curve in curves.items():
        at = min(5.0, ends[name] / YEAR)
        value = curve.survival_at(at * YEAR)
        told.append(
            f"{name}: {100 * (1 - float(value.survival[0])):.0f} % came back within {at:.1f} years ({curve.failures} in all)"
        )
    return figure, f"Divided at {cut:,.0f} hp, {what}. " + "; ".join(
        told
    ) + ". All uses together; the verdict compares like with like."


def search_figure(step: StepResult, part: str) -> tuple[Figure, str] | None:
    """How sharply each cut divides the failures, with the set for the place, and the hazard of the rival shapes below."""
    if not len(step.cuts):
        return None
    plt = _plt()
    figure, (top, low) = plt.subplots(
        2, 1, figsize=(7.4, 5.2), sharex=True, layout="constrained", height_ratios=[1, 1.1]
    )
    tried = np.isfinite(step.z)
    top.plot(step.cuts[tried], np.abs(step.z[tried]), color="0.2", linewidth=1.6, drawstyle="steps-post")
    best = int(np.nanargmax(np.abs(step.z)))
    top.plot(step.cuts[best], abs(step.z[best]), "o", color=_LIGHT, markersize=8)
    top.annotate(
        f"{step.cuts[best]:,.0f}",
        (step.cuts[best], abs(step.z[best])),
        xytext=(8, -3),
        textcoords="offset points",
        fontsize=9,
    )
    top.set_ylim(0, None)
    top.set_ylabel("difference above/below\n(standard errors)")
    _tidy(top)
    if not step.whole:
        for ax in (top, low):
            ax.axvspan(
                step.place_low,
                step.place_high,
                color="0.85",
                zorder=0,
                label="where a jump may lie" if ax is low else None,
            )
    lines = {
        "slope": ("smooth slope", "-", _DARK),
        "step": ("lone jump", "--", _LIGHT),
        "both": ("jump on a slope", ":", "0.25"),
    }
    middle = int(np.argmin(np.abs(np.log(step.centre) - np.log(step.centre).mean())))
    for key, (name, style, colour) in lines.items():
        h = step.hazards[key]
        low.plot(
            step.centre,
            np.exp(h - h[middle]),
            style,
            color=colour,
            linewidth=2,
            label=f"{name} (AIC {step.aic[key]:.1f})",
        )
    low.set_yscale("log")
    low.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
    low.set_ylabel("failures, relative to\na truck in the middle")
    low.set_xlabel({"power": "power, hp", "weight": "weight, lb"}.get(step.axis, f"power x weight, {UNITS[step.axis]}"))
    low.legend(frameon=False, fontsize=9, loc="upper left")
    _tidy(low)
    words = f"Verdict for {part}: {step.verdict}. The search's best cut is {step.cuts[best]:,.0f}"
    words += (
        f" (p = {step.p_value:.2g} after paying for the search, {step.naive_p:.2g} if it had not been searched for). "
    )
    words += (
        "A jump, if there is one, may lie anywhere searched."
        if step.whole
        else f"A jump, if there is one, lies between {step.place_low:,.0f} and {step.place_high:,.0f} ({step.confidence:.0%} sure)."
    )
    return figure, words


def overlap_figure(argument: Argument) -> tuple[Figure, str]:
    """Powers of the trucks of each part, one above the line and one below, with the span that both have."""
    found = argument.comparable
    power, w, at = found.data.power_hp, found.data.data.weight, found.data.at
    plt = _plt()
    figure, ax = plt.subplots(figsize=(7.4, 3.4), layout="constrained")
    low, high = np.quantile(power, [0.002, 0.998])
    edges = np.arange(np.floor(low / 50) * 50, high + 50, 50.0)
    for k, sign, colour, hatch in ((0, 1, _DARK, ""), (1, -1, _LIGHT, "////")):
        tally = np.histogram(np.clip(power[at == k], edges[0], edges[-1]), edges, weights=w[at == k])[0]
        ax.bar(
            edges[:-1], sign * tally, width=np.diff(edges), align="edge", color=colour, alpha=0.85, hatch=hatch,
            edgecolor="white", linewidth=0.6, label=found.parts[k],
        )  # fmt: skip
    if np.isfinite(found.low_hp):
        ax.axvspan(found.low_hp, found.high_hp, color="0.85", zorder=0, label="both occur")
    ax.axhline(0, color="0.2", linewidth=1)
    ax.yaxis.set_major_formatter(lambda v, _: f"{abs(v):.0f}")
    ax.set_ylabel("lives")
    ax.set_xlabel("power, hp")
    ax.legend(frameon=False, fontsize=9.5, loc="upper right")
    _tidy(ax)
    if found.ok:
        words = (
            f"Yes, between {found.low_hp:,.0f} and {found.high_hp:,.0f} hp: {found.band_lives[0]:,.0f} lives of {found.parts[0]} with "
            f"{found.band_failures[0]:,.0f} failures, {found.band_lives[1]:,.0f} of {found.parts[1]} with {found.band_failures[1]:,.0f}. "
            "They are compared there only."
        )
    else:
        words = f"No: {found.reason}."
    return figure, words


def cost_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Cost a year against the cut, relative to the present one, with its band; safety and habit marked."""
    money = argument.money
    if money is None:
        return None
    curve = money.curve.iloc[1:]
    plt = _plt()
    figure, ax = plt.subplots(figsize=(7.4, 3.9), layout="constrained")
    right = np.quantile(argument.comparable.data.power_hp, 0.99)
    keep = curve[curve["cut_hp"] <= right]
    ax.fill_between(
        keep["cut_hp"],
        keep["low"],
        keep["high"],
        step="post",
        color="0.8",
        linewidth=0,
        label=f"{money.level:.0%} band",
    )
    ax.step(keep["cut_hp"], keep["cost"], where="post", color="0.15", linewidth=2, label="cost against today's habit")
    ax.axhline(0, color="0.5", linewidth=0.8)
    top = ax.get_ylim()[1]
    marks = []
    if not money.edge:
        marks.append((money.cut_hp, f"least cost\n{money.cut_hp:,.0f}", _LIGHT, "-"))
    if money.cut_now > 0:
        marks.append((money.cut_now, f"habit\n{money.cut_now:,.0f}", "0.35", "--"))
    bound = argument.safety["proposed_hp"].dropna() if len(argument.safety) else []
    if len(bound):
        marks.append((float(bound.iloc[0]), f"safety\n{bound.iloc[0]:,.0f}", _DARK, ":"))
    for x, _text, colour, style in marks:
        ax.axvline(x, color=colour, linestyle=style, linewidth=1.8)
    _labels(ax, marks, top)
    ax.set_xlabel(f"{money.below} up to this power, {money.above} above, hp")
    ax.set_ylabel("more (or less) a year")
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:,.0f}")
    ax.legend(frameon=False, fontsize=9.5, loc="upper right")
    _tidy(ax)
    ax.set_ylim(None, top)
    return figure, " ".join(money.words[1:3])


def _labels(ax: Axes, marks: list, top: float) -> None:
    """Names of the vertical lines along the top, pushed apart."""
    span = ax.get_xlim()[1] - ax.get_xlim()[0]
    at = -np.inf
    for x, text, colour, _ in sorted(marks):
        at = max(x, at + 0.11 * span)
        ax.text(at, top, text, ha="center", va="bottom", fontsize=9, color=colour)


def ratio_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Ratio of lives with its interval, against 1 and the margin, for each way of comparing."""
    found, against = argument.comparable, argument.against
    if not np.isfinite(against.life_ratio) and not np.isfinite(against.life_lower):
        return None
    shape = against.shape
    rows = [("life law, like for like", against.life_ratio, against.life_lower, against.life_upper)]
    for name, ratio in (
        ("weighted, in days", found.weighted),
        ("regression, in days", found.regressed),
        ("all trucks, nothing allowed for", found.crude),
    ):
        if np.isfinite(ratio.ratio):
            rows.append((name, *(v ** (-1 / shape) for v in (ratio.ratio, ratio.upper, ratio.lower))))
    plt = _plt()
    figure, ax = plt.subplots(figsize=(7.4, 0.55 * len(rows) + 1.3), layout="constrained")
    right = max(3.0, 1.3 * max(min(r[1], 8) for r in rows), min(1.05 * max(r[3] for r in rows), 8.0))
    ax.axvspan(against.margin, 1 / against.margin, color="0.9", zorder=0, label="no difference worth naming")
    ax.axvline(1, color="0.3", linewidth=1)
    for y, (_name, ratio, low, high) in enumerate(rows):
        colour = _DARK if y < len(rows) - 1 or len(rows) == 1 else "0.5"
        ax.plot([low, min(high, right)], [y, y], color=colour, linewidth=2.5, solid_capstyle="butt")
        ax.plot(min(ratio, right), y, "o", color=colour, markersize=7)
        if high > right:
            ax.plot(right, y, ">", color=colour, markersize=7)
    ax.set_yticks(range(len(rows)), [r[0] for r in rows])
    ax.invert_yaxis()
    ax.set_xlim(min(0.3, 0.8 * min(r[2] for r in rows)), right * 1.02)
    ax.set_xlabel(f"life of {against.new} / life of {against.old}")
    ax.legend(frameon=False, fontsize=9, loc="lower right")
    _tidy(ax)
    ax.grid(visible=False, axis="y")
    return figure, against.words[0]
