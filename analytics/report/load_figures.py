"""The page of one part in four pictures: margin by power, failures by margin, life by load, rating by what it runs on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analytics.driveline.load import SHAFTS
from analytics.ratings.load_review import (
    LoadReview,
    best_on_torque,
    failed_by_margin,
    has_margin,
    lives_by_torque,
    margin_at,
    rated_on,
)
from analytics.ratings.options import STRENGTHS
from analytics.ratings.stood import margin_column
from analytics.report.figures import _figure, _panels, _tidy, in_own_units
from analytics.words import load_captions as captions
from analytics.words.load import span
from analytics.words.units import in_units, name_of, own
from analytics.words.units import weight as weight_said

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_GREYS = ("#cfe3f1", "#8fbbd9", "#4a86b8", "#1d4f7c")
_BLUE, _RED, _GREEN = "#0072b2", "#d55e00", "#009e73"


def part_figure(review: LoadReview, component: str, part: str) -> tuple[Figure, str] | None:
    """Load, margin, life and rating of a part, each where there is something to see, and the answers as a caption; None without any.
    review: of the loads; component: its name."""
    own = rated_on(review, component, part)
    seen = {
        _margins: has_margin(review, component, part),
        _by_margin: bool(failed_by_margin(review, component, part).bands["failed"].sum()),
        _lives: not lives_by_torque(review, component, part)[0].empty,
        _ratings: bool(own[["bound_hp", "estimate_hp"]].notna().any(axis=None)),
    }
    draws = [draw for draw, is_seen in seen.items() if is_seen]
    if not draws:
        return None
    figure = _figure(3.7, "fit", len(draws))
    for panel, draw in zip(_panels(figure), draws, strict=True):
        draw(panel.subplots(), review, component, part)
    return figure, captions.part_caption(review, component, part)


def _margins(ax: Axes, review: LoadReview, component: str, part: str) -> None:
    """Weakest margin against power: for all the engine brings, and for what the tyres of each weight would leave of it."""
    own, name = review.loads.of(component, part), margin_column(review.loads, component)
    shaft, weights = name == "stress_margin", review.records.shop.weight.classes
    ax.set_title(captions.margin_question(part), fontsize=10.5, loc="left")
    powers = own["power_hp"].dropna()
    grid = np.linspace(powers.min(), powers.max(), 60)
    curves = [margin_at(review, component, part, grid, weight) for weight in weights]
    whole = curves[0]
    ax.fill_between(grid, whole["whole"], whole["whole_middle"], color="0.5", alpha=0.2, linewidth=0,
                    label="up to all that is not known at its middle")  # fmt: skip
    ax.plot(grid, whole["whole"], color="black", linewidth=2, label="all the engine brings")
    for j, (weight, curve) in enumerate(zip(weights, curves, strict=True)):
        ax.plot(grid, curve["capped"], color=_GREYS[-1 - j % 4], linestyle=["--", "-.", ":"][j % 3],
                linewidth=1.5, label=f"if the tyres of {weight_said(weight)} slip")  # fmt: skip
    ax.axhline(1, color=_RED, linewidth=1.5)
    ax.text(float(grid[-1]), 1, captions.at_one(shaft), color=_RED, fontsize=8, va="bottom", ha="right")
    ax.set_ylim(0, max(1.15, float(np.nanmax(whole["whole_middle"])) * 1.25))
    in_own_units(ax.xaxis, "power")
    ax.set_xlabel(in_units("power at the crank, hp"))
    ax.set_ylabel("weakest margin")
    ax.legend(frameon=False, fontsize=8)
    _tidy(ax)


def _by_margin(ax: Axes, review: LoadReview, component: str, part: str) -> None:
    """Share of the lives that failed, by band of their weakest margin."""
    ax.set_title(captions.BY_MARGIN_QUESTION, fontsize=10.5, loc="left")
    bands = failed_by_margin(review, component, part).bands
    share, ends = bands["failed"] / bands["lives"].clip(lower=1), bands[["lower", "upper"]].to_numpy().T
    place = list(range(len(bands)))
    ax.bar(place, 100 * share, 0.7, color=_GREYS[1], edgecolor="0.3", linewidth=0.6)
    ax.errorbar(place, 100 * share, 100 * np.abs(ends - share.to_numpy()), fmt="none", ecolor="0.2", capsize=3)
    for x, value, row in zip(place, ends[1], bands.itertuples(), strict=True):
        ax.text(x, 100 * value, f"{row.failed} of {row.lives}", fontsize=8, ha="center", va="bottom")
    ax.set_xticks(place, [captions.band(row.low, row.high) for row in bands.itertuples()], fontsize=8)
    ax.set_ylim(0, 100 * float(ends[1].max()) * 1.15)
    ax.set_xlabel("weakest margin, all the engine brings")
    ax.set_ylabel("failed, % of lives")
    _tidy(ax)


def _lives(ax: Axes, review: LoadReview, component: str, part: str) -> None:
    """Miles against torque, failed and not, with the slope measured and the slopes the part should have."""
    ax.set_title(captions.LIVES_QUESTION, fontsize=10.5, loc="left")
    hit, others = lives_by_torque(review, component, part)
    hit, others = (
        t.assign(torque=own(t["torque_at_shaft_lbft"], "torque"), miles=own(t["miles"], "distance"))
        for t in (hit, others)
    )
    loaded = own(review.loads.of(component, part)["torque_at_shaft_lbft"], "torque")
    low, high = loaded.min(), loaded.max()
    ax.plot(others["torque"], others["miles"], "|", color="0.4", markersize=5, label="has not failed")
    ax.plot(hit["torque"], hit["miles"], "x", color="black", markersize=6, label="failed")
    best, expected = best_on_torque(review, component, part), review.loads.assumptions.sn_exponent
    if best is not None and review.loads.kinds[component] in SHAFTS:
        middle_t, middle_m = np.exp(np.log(hit["torque"]).mean()), np.exp(np.log(hit["miles"]).mean())
        grid = np.geomspace(low, high, 30)
        lines = [middle_m * (grid / middle_t) ** -k for k in (expected.low, expected.high)]
        ax.fill_between(grid, *lines, color=_GREEN, alpha=0.18, linewidth=0, label=f"slope {span(expected)} expected")
        ax.plot(grid, middle_m * (grid / middle_t) ** -best.exponent, color=_BLUE, linewidth=2,
                label=f"slope {best.exponent:.1f} measured")  # fmt: skip
    miles = np.r_[hit["miles"], others["miles"]]
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(max(np.quantile(miles, 0.02) / 2, 50), miles.max() * 3)
    ticks = [t for t in (100, 200, 300, 500, 700, 1000, 1500, 2000, 3000, 5000) if low * 0.95 <= t <= high * 1.05]
    ax.set_xticks(ticks, [f"{t:,}" for t in ticks])
    ax.set_xticks([], minor=True)
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:,.0f}")
    ax.set_xlabel(in_units("torque the engine brings, lb ft"))
    ax.set_ylabel(in_units("miles on the part"))
    ax.legend(frameon=False, fontsize=8, loc="lower left")
    _tidy(ax)


def _ratings(ax: Axes, review: LoadReview, component: str, part: str) -> None:
    """The bound in hp on power, torque and margin at each weight class, and what is published."""
    own = rated_on(review, component, part)
    ax.set_title(captions.RATED_QUESTION, fontsize=10.5, loc="left")
    weights = sorted(own["weight_up_to"].unique())
    for j, strength in enumerate(STRENGTHS):
        rows = own[own["strength"] == strength].set_index("weight_up_to")
        if rows.empty:
            continue
        at = np.arange(len(weights)) + 0.22 * (j - 1)
        bound = rows["bound_hp"].reindex(weights)
        ax.bar(at, bound, 0.2, color=_GREYS[j + 1], edgecolor="0.25", linewidth=0.6, hatch=["", "///", "..."][j],
               label=f"before calibration, on {strength}")  # fmt: skip
        ax.plot(at, rows["estimate_hp"].reindex(weights), "o", mfc="white", mec="0.2",
                label="best estimate" if j == 0 else None)  # fmt: skip
        for x, value in zip(at, bound, strict=True):
            if not math.isfinite(value):
                ax.text(x, 0, "none", rotation=90, fontsize=8, ha="center", va="bottom", color="0.3")
    published = own.drop_duplicates("weight_up_to").set_index("weight_up_to")["published_hp"].reindex(weights)
    for i, value in enumerate(published):
        if math.isfinite(value):
            ax.plot([i - 0.4, i + 0.4], [value] * 2, color=_RED, linewidth=2, linestyle="--",
                    label="published" if i == 0 else None)  # fmt: skip
    ax.set_xticks(range(len(weights)), [f"up to {weight_said(w)}" for w in weights])
    in_own_units(ax.yaxis, "power")
    ax.set_ylabel(name_of("power"))
    ax.set_ylim(0, float(np.nanmax([own["bound_hp"], own["estimate_hp"], own["published_hp"]])) * 1.45)
    ax.legend(frameon=False, fontsize=8, ncols=2, loc="upper left")
    _tidy(ax)
