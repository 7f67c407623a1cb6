"""Pictures of the ratings."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from analytics.ratings.at_once import Risk
from analytics.ratings.bound import RatingBound
from analytics.ratings.ledger import history
from analytics.ratings.model_checks import ModelChecks
from analytics.ratings.sheet import PartRating, Ratings
from analytics.reasons import Verdict
from analytics.report.figures import _figure, _panels, _tidy, in_own_units
from analytics.words.phrases import edge_words, weight_class
from analytics.words.ratings import pictures as words
from analytics.words.units import bare_power, distance, in_units, name_of, power_band
from analytics.words.units import power as power_said

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def rating_figure(
    ratings: Ratings, rated: PartRating, bound: RatingBound, frame: pd.DataFrame
) -> tuple[Figure, str] | None:
    """Reliability against power at the target life, with band, bound, published limit, and units and failures as a rug; None without a curve.

    frame: the curve of ``bound`` (`reliability_curve`).
    ratings: of the shop; rated: the part.
    """
    if frame.empty:
        return None
    options = ratings.options
    row = _row(ratings, rated, bound)
    figure = _figure(3.9, "band")
    ax = figure.subplots()
    data = rated.data
    power = np.exp(data.log_power)
    low, high = float(power.min()), float(power.max())
    keep = frame[frame["estimate_hp"].between(low * 0.6, high * 1.3)]
    ax.plot(keep["estimate_hp"], keep["reliability"], color="0.15", linewidth=2, label="best estimate")
    band = frame.dropna(subset=["bound_hp"])
    grid = (
        np.linspace(max(low * 0.6, band["bound_hp"].min()), min(high * 1.3, frame["estimate_hp"].max()), 200)
        if len(band) > 1
        else np.array([])
    )
    if len(grid):
        upper = np.interp(grid, frame["estimate_hp"][::-1], frame["reliability"][::-1])
        lower = np.interp(grid, band["bound_hp"][::-1], band["reliability"][::-1], right=np.nan)
        look = {"color": "0.55", "alpha": 0.25, "linewidth": 0}
        lower = np.where(np.isnan(lower), 0.5, lower)
        ax.fill_between(grid, lower, upper, label=f"down to what is {options.promise.confidence:.0%} sure", **look)
    ax.axhline(options.promise.reliability, color="0.5", linewidth=0.8, linestyle=":")
    level = options.promise.reliability
    ax.text(
        0.995,
        level + 0.006,
        f"{level:.0%}",
        fontsize=9,
        color="0.35",
        ha="right",
        transform=ax.get_yaxis_transform(),
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
        zorder=4,
    )
    if math.isfinite(row["supported_hp"]) and row["why"].code is not Verdict.ANY_POWER:
        ax.axvline(
            row["supported_hp"], color="#0072b2", linewidth=2, label=f"supported: {power_said(row['supported_hp'])}"
        )
    if math.isfinite(row["published_hp"]):
        look = {"color": "#d55e00", "linewidth": 2, "linestyle": "--"}
        ax.axvline(row["published_hp"], label=f"published: {power_said(row['published_hp'])}", **look)
    ax.set_ylim(0.44, 1.005)
    ok = ~data.failed
    ax.plot(power[ok], np.full(ok.sum(), 0.463), "|", color="0.45", markersize=7, alpha=0.5)
    ax.plot(power[data.failed], np.full(data.failed.sum(), 0.482), "x", color="black", markersize=6, label="failed")
    ax.plot([], [], "|", color="0.45", label="did not fail")
    _tidy(ax)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}%")
    ax.set_xlabel(in_units("power at the crank, hp"))
    in_own_units(ax.xaxis, "power")
    ax.set_ylabel(f"last {distance(options.promise.life_miles)}")
    marks = [v for v in (row["supported_hp"], row["published_hp"]) if math.isfinite(v)]
    ax.set_xlim(min([low, *marks]) * 0.93, max([high, *marks]) * 1.05)
    figure.legend(loc="outside upper center", ncols=2, frameon=False, fontsize=9)
    return figure, words.curve_caption(bound, row)


def _row(ratings: Ratings, rated: PartRating, bound: RatingBound) -> pd.Series:
    table = ratings.table
    own = table[
        (table["component"] == rated.component)
        & (table["part"] == rated.part)
        & (table["weight_up_to"] == bound.weight_lb)
        & (table["use"] == bound.use)
    ]
    return own.iloc[0]


def sheet_figure(ratings: Ratings) -> tuple[Figure, str] | None:
    """Every part's supported power, best estimate and published limit, lightest class, any use; without parts that no power is offered for,
    since none is shown to matter. ratings: of the shop."""
    marks = ["supported_hp", "estimate_hp", "published_hp"]
    offered = ratings.table["why"].map(lambda why: why.code is not Verdict.ANY_POWER).astype(bool)
    table = ratings.table[(ratings.table["use"] == "") & offered]
    first = (
        table.sort_values("weight_up_to", kind="stable")
        .drop_duplicates(["component", "part"], keep="first")
        .sort_index()
        .dropna(subset=marks, how="all")
    )
    if first.empty:
        return None
    figure = _figure(0.36 * len(first) + 1.3, "ranges")
    ax = figure.subplots()
    y = np.arange(len(first))[::-1]
    told = first[marks].to_numpy(float)
    far = 1.1 * float(max(told[np.isfinite(told)], default=1.0))
    for place, row in zip(y, first.itertuples(), strict=True):
        ends = [v for v in (row.supported_hp, row.estimate_hp) if math.isfinite(v)]
        if len(ends) == 2:
            ax.plot(ends, [place, place], color="0.7", linewidth=4, solid_capstyle="round", zorder=1)
        if math.isfinite(row.estimate_hp):
            ax.plot([row.estimate_hp, min(row.upper_hp, far)], [place, place], color="0.7", linewidth=1.5, zorder=1)
    ax.plot(first["estimate_hp"], y, "o", mfc="white", mec="0.2", label="best estimate", zorder=2)
    ax.plot(first["supported_hp"], y, "s", color="#0072b2", label="supported", zorder=3)
    ax.plot(first["published_hp"], y, "D", color="#d55e00", label="published", zorder=3)
    ax.set_yticks(y, [f"{r.component} {r.part}" for r in first.itertuples()], fontsize=9)
    ax.set_ylim(-0.7, len(first) - 0.3)
    ax.grid(axis="x", color="0.88")
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.tick_params(axis="y", length=0)
    in_own_units(ax.xaxis, "power")
    ax.set_xlabel(
        f"{name_of('power')}, {weight_class(first['weight_up_to'].iat[0])}, harshest use with enough on record"
    )
    figure.legend(loc="outside upper center", ncols=3, frameon=False, fontsize=9)
    return figure, words.sheet_caption(table)


def history_figure(ratings: Ratings, component: str, part: str) -> tuple[Figure, str] | None:
    """The limits published for a part over the years, a step line per weight edge; None where nothing ever changed.
    ratings: of the shop; component: its name."""
    past = history(ratings.records.limits, component, part)
    figures = past.groupby(["weight_up_to_lb", "weight_over_lb", "use"], dropna=False)["power_limit_hp"].nunique()
    if not (figures > 1).any():
        return None
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    figure = _figure(2.5, "steps")
    ax = figure.subplots()
    end = ratings.records.as_of
    for i, ((edge, above, use), own) in enumerate(
        past.groupby([past["weight_up_to_lb"].fillna(np.inf), past["weight_over_lb"].fillna(-np.inf), "use"], sort=True)
    ):
        name = edge_words(edge, above) + (f", {use}" if use else "")
        days, limits = [*own["effective_on"], end], [*own["power_limit_hp"], own["power_limit_hp"].iat[-1]]
        ax.step(days, limits, where="post", linewidth=2, linestyle=["-", "--", "-.", ":"][i % 4], label=name)
    _tidy(ax)
    ax.xaxis.set_major_locator(dates := AutoDateLocator())
    ax.xaxis.set_major_formatter(ConciseDateFormatter(dates, show_offset=False))
    ax.set_ylabel(in_units("published, hp"))
    in_own_units(ax.yaxis, "power")
    ax.set_ylim(0, past["power_limit_hp"].max() * 1.15)
    ax.legend(frameon=False, fontsize=9, loc="lower right")
    return figure, words.history_caption(past)


def check_figure(checks: ModelChecks) -> tuple[Figure, str, str] | None:
    """First survival seen and fitted, per power band; then failures seen against those the fit expects, as a line that
    should follow the diagonal; the answer; and the verdict in a few words. None where nothing could be checked.

    The second is left out where every failure came after nearly all others had left, as in the strongest trucks alone. checks: of the fit."""
    if checks.reason is not None or checks.curves.empty:
        return None
    both = len(checks.residuals) > 0
    figure = _figure(3.5, "fit", 1 + both)
    panels = _panels(figure)
    ax = panels[0].subplots()
    shades = ("#0072b2", "#d55e00", "#009e73", "#000000")
    marks = ("o", "s", "^", "D")
    least = 1.0
    for k, (band, own) in enumerate(checks.curves.groupby("power_band", sort=False)):
        colour, end = shades[k % len(shades)], len(own) - 1
        look = {"color": colour, "linewidth": 1.8, "marker": marks[k % len(marks)], "markersize": 5}
        ax.step(own["miles"], own["survival"], where="post", markevery=[end], label=power_band(band), **look)
        ax.plot(own["miles"], own["fitted"], color=colour, linewidth=1.3, linestyle=(0, (4, 2)))
        least = min(least, own["survival"].min(), own["fitted"].min())
    ax.plot([], [], color="0.3", linewidth=1.8, label="records")
    ax.plot([], [], color="0.3", linewidth=1.3, linestyle=(0, (4, 2)), label="fit")
    ax.set_ylim(max(0.0, math.floor(least * 10 - 0.5) / 10), 1.01)
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:g}%")
    ax.set_xlim(left=0)
    in_own_units(ax.xaxis, "distance")
    ax.locator_params(axis="x", nbins=4)
    ax.set_xlabel(in_units("miles on the part"))
    ax.set_ylabel("still good")
    _tidy(ax)
    panels[0].legend(loc="outside upper center", ncols=3, frameon=False, fontsize=9)
    if both:
        _draw_residuals(panels[1].subplots(), checks.residuals)
    return figure, words.check_caption(checks), words.check_verdict(checks)


def _draw_residuals(ax: Axes, residuals: pd.DataFrame) -> None:
    top = float(max(residuals["expected"].max(), residuals["seen"].max(), 1e-3)) * 1.05
    ax.plot([0, top], [0, top], color="0.6", linewidth=1, linestyle=":")
    ax.step(residuals["expected"], residuals["seen"], where="post", color="0.1", linewidth=1.8)
    ax.set_xlim(0, top)
    ax.set_ylim(0, top)
    ax.set_xlabel("hazard the fit gives each life")
    ax.set_ylabel("hazard seen there")
    _tidy(ax)


class RiskPicture:
    """The share that comes back against power, drawn again with every move: one figure, its lines moved."""

    _LOOK: ClassVar[dict[str, tuple[str, str]]] = {
        "published": ("#d55e00", "--"), "proposed": ("#009e73", "-."), "supported": ("#0072b2", "-"), "asked": ("black", "-"),
    }  # fmt: skip

    def __init__(self) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.canvas = FigureCanvasAgg(Figure(figsize=(7.2, 3.4), dpi=96))
        self.ax = self.canvas.figure.add_axes((0.1, 0.17, 0.87, 0.68))

    def png(self, risk: Risk, marks: Mapping[str, float]) -> bytes:
        """The picture of a ``risk`` as a PNG, with a line at each of the ``marks`` (name: hp, NaN for none)."""
        ax = self.ax
        ax.clear()
        ax.fill_between(risk.power_hp, 100 * risk.lower, 100 * risk.upper, color="0.85", linewidth=0)
        ax.plot(risk.power_hp, 100 * risk.share, color="0.15", linewidth=2)
        top = max(2.0, min(100.0, 120 * float(risk.upper.max())))
        for name, value in marks.items():
            if math.isfinite(value) and risk.power_hp[0] <= value <= risk.power_hp[-1]:
                colour, style = self._LOOK[name]
                ax.axvline(value, color=colour, linestyle=style, linewidth=1.6)
                place = {"published": 1.02, "proposed": 1.09, "supported": 1.16, "asked": 0.93}[name]
                ax.text(
                    value,
                    place,
                    f"{name} {bare_power(value)}",
                    color=colour,
                    fontsize=9,
                    ha="left",
                    transform=ax.get_xaxis_transform(),
                )
        ax.set_xlim(risk.power_hp[0], risk.power_hp[-1])
        ax.set_ylim(0, top)
        in_own_units(ax.xaxis, "power")
        ax.set_xlabel(in_units("power at the crank, hp"))
        ax.set_ylabel("come back, %")
        for side in ("top", "right"):
            ax.spines[side].set_visible(False)
        out = io.BytesIO()
        self.canvas.print_png(out)
        return out.getvalue()
