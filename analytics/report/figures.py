"""Pictures. Each band has its own line style and marker beside its colour, so that they read in grey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.models.cells import Clock
from analytics.models.nonparametric import SurvivalCurve
from analytics.records.load import NOT_RECORDED
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.curves import Curves, FindingShares
from analytics.review.quarter import quarter_before
from analytics.words.review import pictures as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analytics.review.quarterly import Review

_STYLES = ["-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1))]
_MARKERS = ["o", "s", "^", "D", "v", "P"]
_HATCHES = ["", "////", "....", "xxxx", "\\\\\\\\", "oo"]
_UNIT = {"days": DAYS_A_YEAR, "miles": 1000.0, "runs": 1.0}


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


def curves_figure(curves: Curves) -> tuple[Figure, str]:
    """Share not come back against age, a panel per first name of a cell, a line per second, numbers at risk below; and the answer in
    words."""
    cells, drawn, clock, least = curves.cells, curves.drawn, curves.clock, curves.least
    panels = list(dict.fromkeys(panel for panel, _ in cells if any(key[0] == panel for key in drawn)))
    lines = list(dict.fromkeys(line for _, line in cells))
    unit = _UNIT[clock]
    ends = {key: line.reliable_until(least) for key, line in drawn.items()}
    right = max(ends.values()) / unit
    figure, axes, below = _panels(panels, len(lines))
    colours = _colours(len(lines))
    pens = {line: (colours[j], _STYLES[j % 6], _MARKERS[j % 6]) for j, line in enumerate(lines)}
    low = 1.0
    for name, ax, under in zip(panels, axes, below, strict=True):
        shown = [(line, drawn.get((name, line))) for line in lines]
        lowest = [_draw(ax, curve, ends[name, line], unit, pens[line], line) for line, curve in shown if curve]
        low = min([low, *lowest])
        ax.set_xlim(0, right * 1.04)
        ticks = _ticks(ax, clock, right)
        ax.set_xticks(ticks)
        _at_risk(under, shown, ticks, unit, ax.get_xlim(), first=ax is axes[0])
    axes[0].set_ylim(max(0.0, min(low - 0.04, 0.9)), 1.01)
    axes[0].yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f} %")
    axes[0].set_ylabel("not come back")
    figure.supxlabel(f"{words.AGE[clock]}   (below: parts still followed at that age)", fontsize=10)
    _legend_above(figure, axes, lines)
    lowest_of = _lowest(drawn, ends, DAYS_A_YEAR if clock == "days" else 1.0)
    left_out = curves.left_out, curves.left_out_failed
    return figure, words.survival(curves.component, least, clock, lowest_of, left_out)


def _panels(names: Sequence[str], lines: int) -> tuple[Figure, list[Axes], list[Axes]]:
    """A figure with a panel for each name, side by side on one scale, and the axes below each for ``lines`` rows of numbers."""
    figure = _plt().figure(figsize=(max(3.9 * len(names), 6.0) + 0.8, 4.9), layout="constrained")
    grid = figure.add_gridspec(2, len(names), height_ratios=[4.2, 0.28 * lines + 0.35])
    axes: list[Axes] = []
    below: list[Axes] = []
    for i, name in enumerate(names):
        axes.append(figure.add_subplot(grid[0, i], sharey=axes[0] if axes else None))
        axes[i].set_title(name, fontsize=11)
        axes[i].tick_params(labelleft=i == 0)
        _tidy(axes[i])
        below.append(figure.add_subplot(grid[1, i]))
    return figure, axes, below


def _ticks(ax: Axes, clock: Clock, right: float) -> list[float]:
    """Where the ages are written: at each whole year where there are a few, else where the axis has its own, up to ``right``."""
    if clock == "days" and 2 < right < 12:
        return list(range(int(right) + 1))
    return [t for t in ax.get_xticks() if 0 <= t <= right * 1.02]


def _legend_above(figure: Figure, axes: Sequence[Axes], lines: Sequence[str]) -> None:
    """One legend for all panels, in the order of ``lines``."""
    handles = {h.get_label(): h for ax in axes for h in ax.get_legend_handles_labels()[0]}
    kept = [line for line in lines if line in handles]
    figure.legend(
        [handles[k] for k in kept], kept, loc="outside upper center", ncols=len(kept), frameon=False, fontsize=10
    )


def _draw(ax: Axes, line: SurvivalCurve, end: float, unit: float, pen: tuple, label: str) -> float:
    """Draw one curve up to ``end``, its band beside it; pen: colour, style and marker. Returns the lowest value drawn."""
    colour, style, marker = pen
    keep = line.time <= end
    x = np.r_[0.0, line.time[keep], end] / unit
    y = np.r_[1.0, line.survival[keep], line.survival[keep][-1] if keep.any() else 1.0]
    ax.step(x, y, where="post", color=colour, linestyle=style, linewidth=2, label=label)
    ax.plot(x[-1], y[-1], marker=marker, color=colour, markersize=6, clip_on=False)
    lower, upper = line.lower[keep], line.upper[keep]
    if not np.isfinite(lower).any():
        return float(y.min())
    band = np.r_[lower, lower[-1]], np.r_[upper, upper[-1]]
    ax.fill_between(x[1:], *band, step="post", color=colour, alpha=0.13, linewidth=0)
    return float(min(y.min(), np.nanmin(lower)))


def _at_risk(ax: Axes, lines: Sequence, ticks: Sequence[float], unit: float, limits, first: bool) -> None:
    """A row of numbers at risk for each of ``lines`` (its name and curve), named in the first panel."""
    ax.set_xlim(*limits)
    ax.set_ylim(-len(lines) + 0.4, 0.6)
    ax.axis("off")
    left, right = limits
    for row, (band, line) in enumerate(lines):
        if first:
            ax.text(left - 0.06 * (right - left), -row, band, ha="right", va="center", fontsize=8.5)
        for tick in ticks:
            n = _number_at_risk(line, tick * unit)
            said, colour = (f"{n}", "0.15") if n else ("–", "0.6")
            ax.text(tick, -row, said, ha="center", va="center", fontsize=8.5, color=colour)


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
    """Comebacks by power band and weight class, a panel per component, darker where it can be said to be worse."""
    import seaborn as sns

    shop = review.records.shop
    frames = {
        c: a.table[(a.table["power_band"] != NOT_RECORDED) & (a.table["weight_class"] != NOT_RECORDED)]
        for c, a in review.components.items()
    }
    frames = {c: f for c, f in frames.items() if len(f)}
    if not frames:
        return None
    plt = _plt()
    columns = min(len(frames), 2)
    rows = -(-len(frames) // columns)
    figure, axes = plt.subplots(rows, columns, figsize=(4.9 * columns, 2.4 * rows), squeeze=False, layout="constrained")
    top = max(float(f["lower"].max()) if f["lower"].notna().any() else 0.0 for f in frames.values()) or 1.0
    bands, classes = shop.band_labels(), shop.class_labels()
    for ax, (component, frame) in zip(axes.flat, frames.items(), strict=False):
        cells = frame.set_index(["weight_class", "power_band"])
        shade = pd.DataFrame(np.nan, index=classes, columns=bands)
        counts = pd.DataFrame("", index=classes, columns=bands, dtype=object)
        for (weight, band), row in cells.iterrows():
            shade.loc[weight, band] = 0.0 if np.isnan(row["lower"]) else row["lower"]
            counts.loc[weight, band] = f"{row['failures']} of {row['parts']}"
        look = {"cmap": "Greys", "cbar": False, "linewidths": 0.8, "linecolor": "0.75", "annot_kws": {"fontsize": 9.5}}
        sns.heatmap(shade, ax=ax, annot=counts, fmt="", vmin=0, vmax=top * 1.3, **look)
        ax.set_title(component, fontsize=11)
        ax.tick_params(labelsize=9, length=0)
        ax.set_xticklabels(ax.get_xticklabels(), rotation=0)
        ax.set_yticklabels(ax.get_yticklabels(), rotation=0)
        ax.set_xlabel("")
        ax.set_ylabel("")
    for ax in axes.flat[len(frames) :]:
        ax.axis("off")
    every = pd.concat(frames.values())
    sure = every[every["lower"].notna()]
    worst = sure.sort_values("lower", ascending=False, kind="stable").iloc[0] if len(sure) else None
    return figure, words.cells(worst)


def quarters_figure(review: Review, quarters: int = 12) -> tuple[Figure, str] | None:
    """Damaged components returned per quarter, by component, against the parts in service."""
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
    plt = _plt()
    figure, ax = plt.subplots(figsize=(9, 3.6), layout="constrained")
    base = np.zeros(len(counts))
    for i, (component, colour) in enumerate(zip(components, _colours(len(components)), strict=True)):
        look = {"color": colour, "hatch": _HATCHES[i % 6], "edgecolor": "white", "linewidth": 0.6}
        ax.bar(counts.index, counts[component], bottom=base, label=component, **look)
        base += counts[component].to_numpy()
    _tidy(ax)
    ax.set_ylabel("components come back")
    ax.yaxis.get_major_locator().set_params(integer=True)
    names = [s.name.replace(" ", "\n") + ("" if s.whole else "*") for s in spans]
    ax.set_xticks(range(len(names)), names, fontsize=8.5)
    ax.legend(frameon=False, fontsize=9, ncols=min(len(components), 5), loc="upper center", bbox_to_anchor=(0.5, 1.17))
    fleet = review.lifetimes.units
    out = [int(fleet.loc[fleet["in_service_on"] <= s.end, "count"].sum()) for s in (spans[0], spans[-1])]
    last_two = int(base[-2]), int(base[-1])
    return figure, words.quarters((spans[0].name, spans[-1].name), last_two, (out[0], out[1]), review.span.whole)


def findings_figure(found: FindingShares) -> tuple[Figure, str]:
    """Cumulative share come back for each finding, the others competing, on days."""
    shares, keep = found.shares, found.shares.time <= found.end
    order = np.argsort(-shares.incidence[:, keep][:, -1], kind="stable")
    plt = _plt()
    figure, ax = plt.subplots(figsize=(7.2, 3.6), layout="constrained")
    x = np.r_[0, shares.time[keep]] / DAYS_A_YEAR
    base = np.zeros(len(x))
    for i, (k, colour) in enumerate(zip(order, _colours(len(order)), strict=True)):
        y = np.r_[0, shares.incidence[k, keep]]
        look = {"color": colour, "alpha": 0.75, "hatch": _HATCHES[i % 6], "edgecolor": "white", "linewidth": 0.4}
        ax.fill_between(x, base, base + y, step="post", label=str(shares.causes[k]), **look)
        base = base + y
    alone = np.r_[0, shares.one_minus_km[:, keep].sum(axis=0)]
    look = {"color": "0.15", "linestyle": (0, (2, 2)), "linewidth": 1.3}
    ax.step(x, alone, where="post", label=words.AS_IF_ALONE, **look)
    _tidy(ax)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.1f} %" if ax.get_ylim()[1] < 0.05 else f"{100 * v:.0f} %")
    ax.set_xlim(0, x[-1])
    ax.set_ylim(0, alone.max() * 1.1)
    ax.set_xlabel("years since the part was fitted")
    ax.set_ylabel("come back for this")
    handles, labels = ax.get_legend_handles_labels()
    ax.legend(handles[::-1], labels[::-1], frameon=False, fontsize=9, loc="upper left")
    lead = order[0]
    values = float(base[-1]), str(shares.causes[lead]), float(shares.incidence[lead, keep][-1]), float(alone[-1])
    return figure, words.findings(x[-1], *values)
