"""Pictures. Each band has its own line style and marker beside its colour, so that they read in grey."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analytics.models.nonparametric import SurvivalCurve
from analytics.records.load import NOT_RECORDED
from analytics.records.measures import DAYS_A_YEAR
from analytics.records.own_units import Kind
from analytics.review.curves import Curves, FindingShares
from analytics.review.fleet import darkest
from analytics.review.quarter import quarter_before
from analytics.words.review import pictures as words
from analytics.words.review.pictures import Shape
from analytics.words.units import ours

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from analytics.review.quarterly import Review

_STYLES = ["-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1))]
_MARKERS = ["o", "s", "^", "D", "v", "P"]
_HATCHES = ["", "////", "....", "xxxx", "\\\\\\\\", "oo"]
#: of every picture, in inches: its text reads where it is shown as wide as a phone
WIDTH = 5.2
#: a curve in a picture: its name, itself if there is one, the age it is drawn to, and its pen (colour, style, marker)
Line = tuple[str, "SurvivalCurve | None", float, tuple]


def _plt():
    import matplotlib

    matplotlib.use("agg", force=False)
    import matplotlib.pyplot as plt

    plt.rcParams["text.parse_math"] = False  # a shop's own names may hold dollar signs
    return plt


def _colours(n: int) -> list:
    import seaborn as sns

    return sns.color_palette("colorblind", max(n, 3))[:n]


def _tidy(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.grid(axis="y", color="0.88", linewidth=0.8)
    ax.set_axisbelow(True)


def in_own_units(axis: Axis, kind: Kind) -> None:
    """Round ticks in the owner's unit along an ``axis`` on which figures of a ``kind`` in ours are drawn, written as the tables write them."""
    from matplotlib.ticker import FuncFormatter

    unit = ours(1, kind)
    if unit != 1:
        axis.set_major_locator(_own_ticks(unit))
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{round(v / unit, 9):,.9g}"))


def _own_ticks(unit: float) -> Any:
    """Places of ticks that are round in a ``unit`` of so many of ours."""
    from matplotlib.ticker import MaxNLocator

    class OwnTicks(MaxNLocator):
        def tick_values(self, vmin: float, vmax: float) -> Any:
            return unit * np.asarray(super().tick_values(vmin / unit, vmax / unit))

    return OwnTicks(nbins=7, steps=[1, 2, 2.5, 5, 10])


def _figure(height: float, shape: Shape, panels: int = 1) -> Any:
    """An empty figure, so narrow that it reads on a phone. height: of each of its ``panels`` in inches, one below the other, which a page shows as
    pictures of their own; shape: of what is drawn, for who cannot see it."""
    figure = _plt().figure(figsize=(WIDTH, height * panels), layout="constrained")
    figure.set_label(words.SHAPES[shape])
    if panels > 1:
        figure.subfigures(panels, 1)
    return figure


def _panels(figure: Figure) -> list[Any]:
    """What a ``figure`` is made of, from above."""
    return [*figure.subfigs] or [figure]


def curves_figure(curves: Curves) -> tuple[Figure, str]:
    """Share not come back against age, a panel per first name of a cell in which anything came back, a line per second, numbers at risk
    below in its colour; and the answer in words. curves: by panel and line."""
    cells, drawn, clock, least = curves.cells, curves.drawn, curves.clock, curves.least
    lines = list(dict.fromkeys(line for _, line in cells))
    unit = {"days": DAYS_A_YEAR, "miles": 1000 * ours(1, "distance"), "runs": 1.0}[clock]
    ends = {key: line.reliable_until(least) for key, line in drawn.items()}
    named = list(dict.fromkeys(panel for panel, _ in cells if any(key[0] == panel for key in drawn)))
    fallen = [p for p in named if _fell(p, drawn, ends)]
    panels, flat = fallen or named, [p for p in named if fallen and p not in fallen]
    right = max(ends.values()) / unit
    figure = _figure(3.1 + 0.22 * len(lines), "curves", len(panels))
    pens = _pens(lines)
    low, axes = 1.0, list[Any]()
    for name, panel in zip(panels, _panels(figure), strict=True):
        shown = [(line, drawn.get((name, line)), ends.get((name, line), 0.0), pens[line]) for line in lines]
        ax, lowest = _survival_panel(panel, shown, unit, right, words.age(clock), clock == "days")
        ax.set_title(name, fontsize=10.5, loc="left")
        low, axes = min(low, lowest), [*axes, ax]
    for ax in axes:
        ax.set_ylim(max(0.0, min(low - 0.04, 0.9)), 1.01)
    lowest_of = _lowest(drawn, ends, DAYS_A_YEAR if clock == "days" else 1.0)
    left_out = curves.left_out, curves.left_out_failed
    return figure, words.survival(curves.component, least, clock, lowest_of, left_out, flat)


def _fell(panel: str, drawn: Mapping[tuple[str, str], SurvivalCurve], ends: Mapping[tuple[str, str], float]) -> bool:
    """Whether anything came back in a ``panel`` as far as its curves are drawn."""
    return any(drawn[key].survival_at(ends[key]).survival[0] < 1 for key in drawn if key[0] == panel)


def _pens(lines: Sequence[str]) -> dict[str, tuple]:
    """Colour, style and marker of each of ``lines``."""
    colours = _colours(len(lines))
    return {line: (colours[j], _STYLES[j % 6], _MARKERS[j % 6]) for j, line in enumerate(lines)}


def _survival_panel(
    figure: Any, lines: Sequence[Line], unit: float, right: float, age: str, years: bool
) -> tuple[Axes, float]:
    """The curves of ``lines`` and under each its numbers at risk; ages in units of ``unit`` up to ``right``, called ``age``, in whole
    ``years`` where they are a few. Returns the axes and the lowest value drawn."""
    ax, under = figure.subplots(2, 1, height_ratios=[2.6, 0.22 * len(lines) + 0.05])
    lowest = [_draw(ax, curve, end, unit, pen, name) for name, curve, end, pen in lines if curve]
    ax.set_xlim(-0.01 * right, right * 1.04)
    ticks = (
        list(range(int(right) + 1))
        if years and 2 < right < 12
        else [t for t in ax.get_xticks() if 0 <= t <= right * 1.02]
    )
    ax.set_xticks(ticks)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}%")
    ax.set_ylabel("not come back")
    ax.set_xlabel(age)
    _tidy(ax)
    _at_risk(under, lines, ticks, unit, ax.get_xlim())
    return ax, min([1.0, *lowest])


def _draw(ax: Axes, line: SurvivalCurve, end: float, unit: float, pen: tuple, label: str) -> float:
    """Draw one curve up to ``end``, its band beside it, a tick where a part left unbroken; pen: colour, style and marker. Returns the lowest value
    drawn."""
    colour, style, marker = pen
    keep = line.time <= end
    x = np.r_[0.0, line.time[keep], end] / unit
    y = np.r_[1.0, line.survival[keep], line.survival[keep][-1] if keep.any() else 1.0]
    ax.step(x, y, where="post", color=colour, linestyle=style, linewidth=2, label=label)
    ax.plot(x[-1], y[-1], marker=marker, color=colour, markersize=6, clip_on=False)
    left = keep & (line.censored > 0)
    ax.plot(line.time[left] / unit, line.survival[left], "|", color=_ink(colour), markersize=5, markeredgewidth=0.6)
    lower, upper = line.lower[keep], line.upper[keep]
    if not np.isfinite(lower).any():
        return float(y.min())
    band = np.r_[lower, lower[-1]], np.r_[upper, upper[-1]]
    ax.fill_between(x[1:], *band, step="post", color=colour, alpha=0.13, linewidth=0)
    return float(min(y.min(), np.nanmin(lower)))


def _at_risk(ax: Axes, lines: Sequence[Line], ticks: Sequence[float], unit: float, limits: tuple[float, float]) -> None:
    """A row of numbers at risk for each of ``lines``, in its colour, its name and a piece of it before them."""
    ax.set_xlim(*limits)
    ax.set_ylim(-len(lines) + 0.4, 0.6)
    ax.axis("off")
    left, right = limits
    for row, (name, line, _, (colour, style, marker)) in enumerate(lines):
        ink, wide = _ink(colour), right - left
        ax.plot([left - 0.18 * wide, left - 0.125 * wide, left - 0.07 * wide], [-row] * 3, color=colour, linestyle=style, linewidth=2, marker=marker,
                markevery=[1], markersize=5, clip_on=False)  # fmt: skip
        ax.text(left - 0.2 * wide, -row, name, ha="right", va="center", fontsize=9, color=ink)
        for tick in ticks:
            n = _number_at_risk(line, tick * unit)
            said, shade = (f"{n}", ink) if n else ("–", "0.45")
            ax.text(tick, -row, said, ha="center", va="center", fontsize=9, color=shade)


def _ink(colour: Any) -> tuple[float, float, float]:
    """A colour, dark enough to be read as text."""
    from matplotlib.colors import to_rgb

    red, green, blue = to_rgb(colour)
    return 0.65 * red, 0.65 * green, 0.65 * blue


def _number_at_risk(line: SurvivalCurve | None, age: float) -> int:
    if line is None or age > line.last_time:
        return 0
    return int(line.at_risk[0] if age == 0 else line.survival_at(age).at_risk[0])


def _lowest(drawn: dict, ends: dict, unit: float) -> tuple[str, str, float, float] | None:
    """Line, panel, share not come back and age of the lowest curve of those with failures."""
    shares = {k: float(v.survival_at(ends[k]).survival[0]) for k, v in drawn.items() if v.failures}
    if not shares:
        return None
    panel, line = min(shares, key=lambda k: shares[k])
    return line, panel, shares[panel, line], ends[panel, line] / unit


def cells_figure(review: Review) -> tuple[Figure, str] | None:
    """Comebacks by power band and weight class, a panel per component, darker where it can be said to be worse. review: of the quarter."""
    import seaborn as sns

    shop = review.records.shop
    frames = {
        c: a.table[(a.table["power_band"] != NOT_RECORDED) & (a.table["weight_class"] != NOT_RECORDED)]
        for c, a in review.components.items()
    }
    frames = {c: f for c, f in frames.items() if len(f)}
    if not frames:
        return None
    figure = _figure(1.9, "cells", len(frames))
    top = max(float(f["lower"].max()) if f["lower"].notna().any() else 0.0 for f in frames.values()) or 1.0
    bands, classes = shop.band_labels(), shop.class_labels()
    for panel, (component, frame) in zip(_panels(figure), frames.items(), strict=True):
        ax = panel.subplots()
        cells = frame.set_index(["weight_class", "power_band"])
        shade = pd.DataFrame(np.nan, index=classes, columns=bands)
        counts = pd.DataFrame("", index=classes, columns=bands, dtype=object)
        for (weight, band), row in cells.iterrows():
            shade.loc[weight, band] = 0.0 if np.isnan(row["lower"]) else row["lower"]
            counts.loc[weight, band] = f"{row['failures']} of {row['parts']}"
        look = {"cmap": "Greys", "cbar": False, "linewidths": 0.8, "linecolor": "0.75", "annot_kws": {"fontsize": 9.5}}
        sns.heatmap(shade, ax=ax, annot=counts, fmt="", vmin=0, vmax=top * 1.3, **look)
        ax.set_title(component, fontsize=10.5, loc="left")
        ax.tick_params(labelsize=9, length=0)
        ax.set_xticklabels(ax.get_xticklabels(), rotation=0)
        ax.set_yticklabels(ax.get_yticklabels(), rotation=0)
        ax.set_xlabel("")
        ax.set_ylabel("")
    return figure, words.cells(darkest([*frames.values()]))


def quarters_figure(review: Review, quarters: int = 12) -> tuple[Figure, str] | None:
    """Damaged components returned per quarter, by component, against the parts in service. review: of the quarter; quarters: how many."""
    back = review.records.returns
    back = back[(back["cause"] != "no fault") & (back["order"] != "followed")]
    spans = [quarter_before(review.span, k) for k in range(quarters - 1, 0, -1)] + [review.span]
    first = review.lifetimes.units["in_service_on"].min()
    spans = [s for s in spans if s.end >= first]
    if back.empty or len(spans) < 2:
        return None
    components = [c for c in review.records.shop.components if c in set(back["component"])]
    counts = pd.DataFrame(
        {c: [int((s.covers(back["day"]) & (back["component"] == c)).sum()) for s in spans] for c in components},
        index=[s.name for s in spans],
    )
    figure = _figure(3.5, "bars")
    ax = figure.subplots()
    base = np.zeros(len(counts))
    for i, (component, colour) in enumerate(zip(components, _colours(len(components)), strict=True)):
        look = {"color": colour, "hatch": _HATCHES[i % 6], "edgecolor": "white", "linewidth": 0.6}
        ax.bar(counts.index, counts[component], bottom=base, label=component, **look)
        base += counts[component].to_numpy()
    _tidy(ax)
    ax.set_ylabel("components come back")
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_xticks(range(len(spans)), _quarters([s.name for s in spans], [s.whole for s in spans]), fontsize=9)
    figure.legend(frameon=False, fontsize=9, ncols=3, loc="outside upper center")
    fleet = review.lifetimes.units
    out = [int(fleet.loc[fleet["in_service_on"] <= s.end, "count"].sum()) for s in (spans[0], spans[-1])]
    last_two = int(base[-2]), int(base[-1])
    return figure, words.quarters((spans[0].name, spans[-1].name), last_two, (out[0], out[1]), review.span.whole)


def _quarters(names: Sequence[str], whole: Sequence[bool]) -> list[str]:
    """Quarters under an axis, the year only where it begins; * beside one that is not ``whole``."""
    years = [name.split(" ")[0] for name in names]
    return [
        f"{name.split(' ')[-1]}{'' if done else '*'}\n{year if i == 0 or year != years[i - 1] else ''}"
        for i, (name, year, done) in enumerate(zip(names, years, whole, strict=True))
    ]


def findings_figure(found: FindingShares) -> tuple[Figure, str]:
    """Cumulative share come back for each finding, the others competing, on days. found: cumulative shares by finding."""
    shares, keep = found.shares, found.shares.time <= found.end
    order = np.argsort(-shares.incidence[:, keep][:, -1], kind="stable")
    figure = _figure(3.6, "stacked")
    ax = figure.subplots()
    x = np.r_[0, shares.time[keep]] / DAYS_A_YEAR
    base = np.zeros(len(x))
    for i, (k, colour) in enumerate(zip(order, _colours(len(order)), strict=True)):
        y = np.r_[0, shares.incidence[k, keep]]
        look = {"color": colour, "alpha": 0.75, "hatch": _HATCHES[i % 6], "edgecolor": "white", "linewidth": 0.4}
        limits = shares.lower[k, keep][-1], shares.upper[k, keep][-1]
        ax.fill_between(x, base, base + y, step="post", label=words.share(str(shares.causes[k]), y[-1], limits), **look)
        base = base + y
    alone = np.r_[0, shares.one_minus_km[:, keep].sum(axis=0)]
    look = {"color": "0.15", "linestyle": (0, (2, 2)), "linewidth": 1.3}
    ax.step(x, alone, where="post", label=words.AS_IF_ALONE, **look)
    _tidy(ax)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.1f}%" if ax.get_ylim()[1] < 0.05 else f"{100 * v:.0f}%")
    ax.set_xlim(0, x[-1])
    ax.set_ylim(0, alone.max() * 1.1)
    ax.set_xlabel("years since the part was fitted")
    ax.set_ylabel("come back for this")
    handles, labels = ax.get_legend_handles_labels()
    figure.legend(handles[::-1], labels[::-1], frameon=False, fontsize=9, loc="outside upper left")
    lead = order[0]
    values = float(base[-1]), str(shares.causes[lead]), float(shares.incidence[lead, keep][-1]), float(alone[-1])
    return figure, words.findings(x[-1], *values)
