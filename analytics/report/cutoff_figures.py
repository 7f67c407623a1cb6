"""Pictures of the argument about a boundary between two parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.cutoffs.argument import Argument
from analytics.cutoffs.cost import Pays
from analytics.cutoffs.step import StepResult
from analytics.records.measures import DAYS_A_YEAR
from analytics.report.figures import _figure, _survival_panel, _tidy, in_own_units
from analytics.review.curves import FLAT
from analytics.words.cutoffs.argument import halves_caption, named_halves
from analytics.words.cutoffs.money import cost_caption
from analytics.words.cutoffs.parts import COMPARED, against_words, overlap_caption
from analytics.words.cutoffs.step import at, axis_label, search_caption
from analytics.words.phrases import money as dressed
from analytics.words.review.pictures import AGE
from analytics.words.units import bare_power, in_units, name_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DARK, _LIGHT = "#1f4e79", "#d97b0f"


def halves_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Share not come back against years, below and above the cut, with numbers at risk; None where one side has no truck, or nothing is drawn that falls.
    argument: what one boundary rests on."""
    halves = argument.halves
    named = {} if halves is None else {k: h for k, h in named_halves(halves).items() if h.until > 0}
    if (
        halves is None
        or halves.below is None
        or halves.above is None
        or all(h.curve.survival_at(h.until).survival[0] >= FLAT for h in named.values())
    ):
        return None
    figure = _figure(3.5, "curves")
    pens = ((_DARK, "-", "o"), (_LIGHT, "--", "s"))
    lines = [(name, half.curve, half.until, pen) for (name, half), pen in zip(named.items(), pens, strict=False)]
    right = max(half.until for half in named.values()) / DAYS_A_YEAR
    ax, low = _survival_panel(figure, lines, DAYS_A_YEAR, right, AGE["days"], years=True)
    ax.set_ylim(max(0.0, min(low - 0.04, 0.9)), 1.01)
    return figure, halves_caption(halves)


def search_figure(step: StepResult, part: str) -> tuple[Figure, str] | None:
    """How sharply each cut divides the failures, with the set for the place, and the hazard of the rival shapes below.
    step: the search for a step; part: its name."""
    search, models, place = step.search, step.models, step.place
    if not len(search.cuts):
        return None
    from matplotlib.ticker import LogLocator, NullFormatter

    figure = _figure(5.0, "fit")
    top, low = figure.subplots(2, 1, sharex=True, height_ratios=[1, 1.1])
    tried = np.isfinite(search.z)
    top.plot(search.cuts[tried], np.abs(search.z[tried]), color="0.2", linewidth=1.6, drawstyle="steps-post")
    best = search.best
    top.plot(search.cuts[best], abs(search.z[best]), "o", color=_LIGHT, markersize=8)
    top.annotate(
        at(step, search.cuts[best]),
        (search.cuts[best], abs(search.z[best])),
        xytext=(8, -3),
        textcoords="offset points",
        fontsize=9,
    )
    top.set_ylim(0, None)
    top.set_ylabel("difference above/below\n(standard errors)")
    _tidy(top)
    if not place.whole:
        for ax in (top, low):
            ax.axvspan(
                place.low, place.high, color="0.85", zorder=0, label="where a jump may lie" if ax is low else None
            )
    lines = {
        "slope": ("smooth slope", "-", _DARK),
        "step": ("lone jump", "--", _LIGHT),
        "both": ("jump on a slope", ":", "0.25"),
    }
    middle = int(np.argmin(np.abs(np.log(models.centre) - np.log(models.centre).mean())))
    for key, (name, style, colour) in lines.items():
        h = models.hazards[key]
        low.plot(
            models.centre,
            np.exp(h - h[middle]),
            style,
            color=colour,
            linewidth=2,
            label=f"{name} (AIC {models.aic[key]:.1f})",
        )
    low.set_yscale("log")
    low.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    low.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
    low.yaxis.set_minor_formatter(NullFormatter())
    low.set_ylabel("failures, relative to\na truck in the middle")
    in_own_units(low.xaxis, "weight" if step.axis == "weight" else "power")
    low.set_xlabel(axis_label(step.axis))
    figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=9)
    _tidy(low)
    return figure, search_caption(step, part)


def overlap_figure(argument: Argument) -> tuple[Figure, str]:
    """Powers of the trucks of each part, one above the line and one below, with the span that both have. argument: what one boundary rests on."""
    found = argument.comparable
    power, w, at = found.data.power_hp, found.data.data.weight, found.data.at
    figure = _figure(3.2, "bars")
    ax = figure.subplots()
    low, high = np.quantile(power, [0.002, 0.998])
    edges = np.arange(np.floor(low / 50) * 50, high + 50, 50.0)
    for k, sign, colour, hatch in ((0, 1, _DARK, ""), (1, -1, _LIGHT, "////")):
        tally = np.histogram(np.clip(power[at == k], edges[0], edges[-1]), edges, weights=w[at == k])[0]
        ax.bar(
            edges[:-1], sign * tally, width=np.diff(edges), align="edge", color=colour, alpha=0.85, hatch=hatch,
            edgecolor="white", linewidth=0.6, label=found.parts[k],
        )  # fmt: skip
    if np.isfinite(found.band.low_hp):
        ax.axvspan(found.band.low_hp, found.band.high_hp, color="0.85", zorder=0, label="both occur")
    ax.axhline(0, color="0.2", linewidth=1)
    ax.yaxis.set_major_formatter(lambda v, _: f"{abs(v):.0f}")
    ax.set_ylabel("lives")
    in_own_units(ax.xaxis, "power")
    ax.set_xlabel(in_units("power, hp"))
    ax.legend(frameon=False, fontsize=9.5, loc="upper right")
    _tidy(ax)
    return figure, overlap_caption(found)


def cost_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Cost a year against the cut, relative to the present one, with its band; safety and habit marked. argument: what one boundary rests on."""
    money = argument.money
    if money is None:
        return None
    curve = money.curve.iloc[1:]
    figure = _figure(3.7, "band")
    ax = figure.subplots()
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
    least, habit = money.least, money.habit
    if least.pays == Pays.ABOVE_CUT:
        marks.append((least.cut_hp, "least cost", _LIGHT, "-"))
    if habit.cut_hp > 0:
        marks.append((habit.cut_hp, "habit", "0.35", "--"))
    bound = argument.safety.table["supported_hp"].dropna()
    if len(bound):
        marks.append((float(bound.iloc[0]), "safety", _DARK, ":"))
    for x, _name, colour, style in marks:
        ax.axvline(x, color=colour, linestyle=style, linewidth=1.8)
    _labels(ax, marks, top)
    in_own_units(ax.xaxis, "power")
    ax.set_xlabel(f"{money.below} up to this power, {money.above} above, {name_of('power')}")
    ax.set_ylabel("a year, more or less")
    ax.yaxis.set_major_formatter(lambda v, _: dressed(v, argument.records.shop.currency))
    ax.legend(frameon=False, fontsize=9.5, loc="upper right")
    _tidy(ax)
    ax.set_ylim(None, top)
    return figure, cost_caption(money)


def _labels(ax: Axes, marks: list, top: float) -> None:
    """Names of the vertical lines along the top, pushed apart."""
    span = ax.get_xlim()[1] - ax.get_xlim()[0]
    at = -np.inf
    for x, name, colour, _ in sorted(marks):
        at = max(x, at + 0.15 * span)
        ax.text(at, top, f"{name}\n{bare_power(x)}", ha="center", va="bottom", fontsize=9, color=colour)


def ratio_figure(argument: Argument) -> tuple[Figure, str] | None:
    """Ratio of lives with its interval, against 1 and the margin, for each way of comparing. argument: what one boundary rests on."""
    found, against = argument.comparable, argument.against
    if against.refused is not None:
        return None
    shape, life = against.shape, against.life
    rows = [(COMPARED["life"], life.estimate, life.lower, life.upper)]
    for name, hazard in (
        (COMPARED["weighted"], found.weighted),
        (COMPARED["regressed"], found.regressed),
        (COMPARED["crude"], found.crude),
    ):
        if np.isfinite(hazard.ratio):
            rows.append((name, *(v ** (-1 / shape) for v in (hazard.ratio, hazard.upper, hazard.lower))))
    figure = _figure(0.5 * len(rows) + 1.3, "ranges")
    ax = figure.subplots()
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
    figure.legend(frameon=False, fontsize=9, loc="outside upper right")
    _tidy(ax)
    ax.grid(visible=False, axis="y")
    return figure, f"{against_words(against)[0]}\n"
