"""The page of one part in four pictures: load by gear, margin by power, life by load, rating by what it runs on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analytics.driveline.load import ENDS, SHAFTS, by_gear, load_at, truck_facts
from analytics.driveline.units import LBFT
from analytics.models.cells import is_failure
from analytics.ratings.load_review import LoadReview
from analytics.report.figures import _plt, _tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARKERS = ("o", "s", "^", "D", "v", "P")
_GREYS = ("#cfe3f1", "#8fbbd9", "#4a86b8", "#1d4f7c")
_BLUE, _RED, _GREEN = "#0072b2", "#d55e00", "#009e73"
_NAMES = ("power", "torque", "margin")


def usual_use(review: LoadReview, component: str, part: str) -> str:
    """The use most lives of a part are in; "" where none is written down."""
    own = review.loads.of(component, part)
    counted = own.groupby("use")["count"].sum()
    return str(counted.sort_index().idxmax()) if len(counted) else ""


def reference_power(review: LoadReview, component: str, part: str) -> float:
    """The power the pictures take as example: the published limit of the lightest class, else the upper quartile on record."""
    own = review.ratings[(review.ratings["component"] == component) & (review.ratings["part"] == part)]
    published = own["published_hp"].dropna()
    if len(published):
        return float(published.iloc[0])
    powers = review.loads.of(component, part)["power_hp"].dropna()
    return float(np.round(powers.quantile(0.75), -1)) if len(powers) else 500.0


def part_figure(review: LoadReview, component: str, part: str) -> tuple[Figure, str]:
    """Load, margin, life and rating of a part, and the answers as a caption."""
    plt = _plt()
    figure, axes = plt.subplots(2, 2, figsize=(10.4, 7.5), layout="constrained")
    figure.get_layout_engine().set(hspace=0.08, wspace=0.06)
    said = [
        _gears(axes[0, 0], review, component, part),
        _margins(axes[0, 1], review, component, part),
        _lives(axes[1, 0], review, component, part),
        _ratings(axes[1, 1], review, component, part),
    ]
    return figure, " ".join(s for s in said if s)


def _weights(review: LoadReview) -> list[float]:
    edges = review.records.shop.weight_classes
    return [*edges, round(edges[-1] * 4 / 3, -2)]


def _gears(ax: Axes, review: LoadReview, component: str, part: str) -> str:
    """Torque the engine brings in each gear, and what the tyres of each weight hold."""
    a, kind = review.loads.assumptions, review.loads.kinds[component]
    use, power = usual_use(review, component, part), reference_power(review, component, part)
    output, weights, gears = kind == "output shaft", _weights(review), a.gear_ratios
    ends = {}
    for end in ENDS:
        facts = truck_facts(np.full(len(weights), power), np.array(weights), [use] * len(weights), a)
        brought, held = by_gear(facts, a, end, output)
        if kind == "converter":
            brought = np.broadcast_to(facts["engine"].at(end), brought.shape)
        ends[end] = brought[:, 0] / LBFT, held / LBFT
    place = np.arange(len(gears))
    width = 0.8 / len(weights)
    for j, weight in enumerate(weights):
        low, middle, high = (ends[e][1][:, j] for e in ENDS)
        at = place - 0.4 + width * (j + 0.5)
        ax.bar(at, middle, width * 0.92, color=_GREYS[j % 4], edgecolor="0.3", linewidth=0.6, label=f"{weight:,.0f} lb")
        ax.errorbar(at, middle, [middle - low, high - middle], fmt="none", ecolor="0.25", elinewidth=1, capsize=2)
    low, middle, high = (ends[e][0] for e in ENDS)
    for i in place:
        ax.fill_between([i - 0.45, i + 0.45], low[i], high[i], color=_RED, alpha=0.25, linewidth=0)
        ax.plot([i - 0.45, i + 0.45], [middle[i]] * 2, color=_RED, linewidth=2, label="engine" if i == 0 else None)
    ax.set_xticks(place, [f"ratio {g:g}" for g in gears])
    ax.set_ylim(0, max(high.max() * 1.5, float(ends[""][1].max()) * 0.75) * 1.1)
    place_of = {"output shaft": "output shaft", "converter": "lock-up clutch"}.get(kind, "input shaft")
    ax.set_ylabel(f"torque at the {place_of}, lb ft")
    ax.set_title(f"Engine or tyres: what limits the torque at {power:,.0f} hp?", fontsize=10.5, loc="left")
    ax.legend(frameon=False, fontsize=8, ncols=2, loc="upper left")
    _tidy(ax)
    light, heavy = weights[0], weights[-1]
    told = []
    for j, weight in ((0, light), (len(weights) - 1, heavy)):
        slips = [f"{g:g}" for i, g in enumerate(gears) if ends[""][1][i, j] < middle[i]]
        told.append(
            f"the tyres of a {weight:,.0f} lb truck slip first in {_ratios(slips, len(gears))}"
            if slips
            else f"a {weight:,.0f} lb truck puts all of the engine's torque on it in every gear"
        )
    where = f" in {use} use" if use else ""
    return f"At {power:,.0f} hp{where} {told[0]}; {told[1]}."


def _ratios(slips: list[str], gears: int) -> str:
    if len(slips) == gears > 1:
        return "every gear"
    return f"ratio{'s' if len(slips) > 1 else ''} {_and(slips)}"


def _and(items: list[str]) -> str:
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def _margins(ax: Axes, review: LoadReview, component: str, part: str) -> str:
    """Margin against power at each weight, with its range."""
    loads, kind = review.loads, review.loads.kinds[component]
    name = "stress_margin" if kind in SHAFTS else "clutch_margin"
    own, use = loads.of(component, part), usual_use(review, component, part)
    ax.set_title(f"How much does {part} have in hand?", fontsize=10.5, loc="left")
    powers = own["power_hp"].dropna()
    if not own[name].notna().any() or powers.empty:
        _empty(ax, "its make is not on record:\nadd it to the sheet of parts")
        return "Its make is not on record, so there is no margin."
    grid = np.linspace(powers.min(), powers.max(), 60)
    for j, weight in enumerate(_weights(review)):
        curve = load_at(loads, component, part, grid, weight, use)
        ax.plot(grid, curve[name], color=_GREYS[-1 - j % 4] if j else "black", linestyle=["-", "--", "-.", ":"][j % 4],
                linewidth=1.8, label=f"{weight:,.0f} lb")  # fmt: skip
        if j == 0:
            ax.fill_between(grid, curve[f"{name}_low"], curve[f"{name}_high"], color="0.5", alpha=0.2, linewidth=0)
    failed = own[is_failure(own) & own[name].notna()]
    if len(failed):
        ax.plot(failed["power_hp"], failed[name], "x", color="black", markersize=5, label="failed")
    ax.axhline(1, color=_RED, linewidth=1.5)
    ax.text(grid[-1], 1, "yields " if kind in SHAFTS else "slips ", color=_RED, fontsize=8, va="bottom", ha="right")
    top = float(np.nanmax(load_at(loads, component, part, grid, _weights(review)[0], use)[f"{name}_high"]))
    ax.set_ylim(0, min(top, float(np.nanmax(own[name])) * 2) * 1.05)
    ax.set_xlabel("power at the crank, hp")
    ax.set_ylabel("shear yield / nominal shear" if kind in SHAFTS else "capacity / torque")
    ax.legend(frameon=False, fontsize=8)
    _tidy(ax)
    power = reference_power(review, component, part)
    here = load_at(loads, component, part, np.array([power]), _weights(review)[0], use).iloc[0]
    return (
        f"At {power:,.0f} hp and {_weights(review)[0]:,.0f} lb its margin is {here[name]:.1f} "
        f"({here[f'{name}_low']:.1f} to {here[f'{name}_high']:.1f} with what is not known)."
    )


def _lives(ax: Axes, review: LoadReview, component: str, part: str) -> str:
    """Miles against torque, failed and not, with the slope measured and the slopes the part should have."""
    own = review.loads.of(component, part)
    own = own[own["torque_at_shaft_lbft"].notna()]
    ax.set_title("Does life fall with torque as it should?", fontsize=10.5, loc="left")
    failed = is_failure(own)
    hit, others = own[failed], own[~failed & (own["lower_miles"] > 0)]
    hit = hit.assign(miles=hit["upper_miles"].where(np.isfinite(hit["upper_miles"]), hit["lower_miles"]))
    hit = hit[hit["miles"] > 0]
    if own.empty or (hit.empty and others.empty):
        _empty(ax, "no life with power, weight\nand miles on record")
        return ""
    ax.plot(
        others["torque_at_shaft_lbft"], others["lower_miles"], "|", color="0.4", markersize=5, label="has not failed"
    )
    if len(hit):
        ax.plot(hit["torque_at_shaft_lbft"], hit["miles"], "x", color="black", markersize=6, label="failed")
    said = ""
    fits = review.explained.get((component, part))
    best = next((e for e in fits if e.strength == "torque"), None) if isinstance(fits, tuple) else None
    span = review.loads.assumptions.sn_exponent
    if len(hit) and best is not None:
        middle_t, middle_m = np.exp(np.log(hit["torque_at_shaft_lbft"]).mean()), np.exp(np.log(hit["miles"]).mean())
        grid = np.geomspace(own["torque_at_shaft_lbft"].min(), own["torque_at_shaft_lbft"].max(), 30)
        lines = [middle_m * (grid / middle_t) ** -k for k in (span.low, span.high)]
        ax.fill_between(grid, *lines, color=_GREEN, alpha=0.18, linewidth=0, label=f"slope {span} expected")
        ax.plot(grid, middle_m * (grid / middle_t) ** -best.exponent, color=_BLUE, linewidth=2,
                label=f"slope {best.exponent:.1f} measured")  # fmt: skip
        said = f"Life falls as torque to the power {best.exponent:.1f} ± {best.exponent_se:.1f}; {span} is expected of such a part."
    miles = np.r_[hit["miles"], others["lower_miles"]]
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(max(np.quantile(miles, 0.02) / 2, 50), miles.max() * 3)
    low, high = own["torque_at_shaft_lbft"].min(), own["torque_at_shaft_lbft"].max()
    ticks = [t for t in (100, 200, 300, 500, 700, 1000, 1500, 2000, 3000, 5000) if low * 0.95 <= t <= high * 1.05]
    ax.set_xticks(ticks, [f"{t:,}" for t in ticks])
    ax.set_xticks([], minor=True)
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:,.0f}")
    ax.set_xlabel("torque it carries, lb ft")
    ax.set_ylabel("miles on the part")
    ax.legend(frameon=False, fontsize=8, loc="lower left")
    _tidy(ax)
    return said


def _ratings(ax: Axes, review: LoadReview, component: str, part: str) -> str:
    """The bound in hp on power, torque and margin at each weight class, and what is published."""
    table = review.compared
    own = table[(table["component"] == component) & (table["part"] == part)]
    ax.set_title("What may it be rated at?", fontsize=10.5, loc="left")
    if own.empty or not (own["bound_hp"].notna().any() or own["estimate_hp"].notna().any()):
        _empty(ax, "nothing can be proven")
        return "No power can be proven on any of them."
    weights = sorted(own["weight_up_to"].unique())
    for j, strength in enumerate(_NAMES):
        rows = own[own["strength"] == strength].set_index("weight_up_to")
        if rows.empty:
            continue
        at = np.arange(len(weights)) + 0.22 * (j - 1)
        bound = rows["bound_hp"].reindex(weights)
        ax.bar(at, bound, 0.2, color=_GREYS[j + 1], edgecolor="0.25", linewidth=0.6, hatch=["", "///", "..."][j],
               label=f"proven, on {strength}")  # fmt: skip
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
    ax.set_xticks(range(len(weights)), [f"up to {w:,.0f} lb" for w in weights])
    ax.set_ylabel("hp")
    ax.set_ylim(0, float(np.nanmax([own["bound_hp"], own["estimate_hp"], own["published_hp"]])) * 1.45)
    ax.legend(frameon=False, fontsize=8, ncols=2, loc="upper left")
    _tidy(ax)
    first = own[own["weight_up_to"] == weights[0]].set_index("strength")
    said = [
        f"{'at least ' if first.at[s, 'at_least'] else ''}{first.at[s, 'bound_hp']:,.0f} hp on {s}"
        for s in _NAMES
        if s in first.index and math.isfinite(first.at[s, "bound_hp"])
    ]
    slip = [
        s
        for s in _NAMES
        if s in first.index and "tyres slip" in first.at[s, "reason"] and math.isnan(first.at[s, "bound_hp"])
    ]
    words = f"Up to {weights[0]:,.0f} lb proven, before calibration: {_and(said)}." if said else "Nothing is proven."
    return words + (
        f" On {_and(slip)} no power can be named: the tyres slip before the part carries so much." if slip else ""
    )


def _empty(ax: Axes, words: str) -> None:
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", color="0.35", fontsize=10)
    ax.set_xticks([])
    ax.set_yticks([])
    for side in ("top", "right", "left", "bottom"):
        ax.spines[side].set_visible(False)
