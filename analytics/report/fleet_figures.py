"""Pictures of the whole fleet: causes over time, repeats by build year, new against rebuilt, readings, guarantees."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.reasons import ReadAs
from analytics.records.measures import DAYS_A_YEAR
from analytics.report.figures import (
    _HATCHES,
    _MARKERS,
    _STYLES,
    _colours,
    _figure,
    _survival_panel,
    _tidy,
    in_own_units,
)
from analytics.review.guarantee import LEVEL, MONTHS, OWN_FAILURES, allowed_costs, longest
from analytics.review.repeats import FEWEST_AT_RISK
from analytics.review.teardown import CAUSES
from analytics.words.phrases import money
from analytics.words.review import pictures as words
from analytics.words.review import promises
from analytics.words.review.teardown import CAUSE
from analytics.words.units import in_units, power_band

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analytics.review.fleet_view import FleetView
    from analytics.review.quarterly import Review


def causes_figure(review: Review, view: FleetView) -> tuple[Figure, str] | None:
    """Components come back per calendar year, by cause. review: of the quarter; view: the fleet."""
    table = view.causes.table
    if len(table) < 2:
        return None
    shown = [c for c in CAUSES if table[c].sum()]
    figure = _figure(3.7, "bars")
    ax = figure.subplots()
    base = np.zeros(len(table))
    for i, (cause, colour) in enumerate(zip(shown, _colours(len(shown)), strict=True)):
        ax.bar(
            table["year"].astype(str), table[cause], bottom=base, color=colour, hatch=_HATCHES[i % 6], edgecolor="white",
            linewidth=0.6, label=CAUSE[cause], width=0.7,
        )  # fmt: skip
        base += table[cause].to_numpy()
    _tidy(ax)
    ax.set_ylabel("components come back")
    ax.yaxis.get_major_locator().set_params(integer=True)
    figure.legend(frameon=False, fontsize=9, loc="outside upper center", ncols=3)
    last = table.iloc[-1]
    lead = max(shown, key=lambda c: last[c])
    year_over = review.span.whole and review.span.name.endswith("Q4")
    return figure, words.causes(last, table.iloc[-2], lead, year_over)


def repeats_figure(_: Review, view: FleetView) -> tuple[Figure, str] | None:
    """Mean comebacks per hundred units against age, a line per build year. view: the fleet; _: not looked at."""
    lines = view.lines.by_build_year
    if len(lines) < 2:
        return None
    figure = _figure(3.6, "rising")
    ax = figure.subplots()
    for i, ((year, mean), colour) in enumerate(zip(lines.items(), _colours(len(lines)), strict=True)):
        keep = mean.at_risk >= FEWEST_AT_RISK
        x, y = np.r_[0, mean.time[keep]] / DAYS_A_YEAR, 100 * np.r_[0, mean.mean[keep]]
        ax.step(x, y, where="post", color=colour, linestyle=_STYLES[i % 6], linewidth=2, label=f"built {year}")
        ax.plot(x[-1], y[-1], marker=_MARKERS[i % 6], color=colour, markersize=6)
        if i in (0, len(lines) - 1):
            lower, upper = 100 * mean.lower[keep], 100 * mean.upper[keep]
            ax.fill_between(x[1:], lower, upper, step="post", color=colour, alpha=0.13, linewidth=0)
    _tidy(ax)
    ax.set_xlim(0)
    ax.set_ylim(0, min(ax.get_ylim()[1], 2.2 * max(100 * m.mean[-1] for m in lines.values())))
    ax.set_xlabel("years since the unit went out")
    ax.set_ylabel("comebacks per 100 units, repeats included")
    ax.legend(frameon=False, fontsize=9, loc="upper left")
    return figure, words.repeats(FEWEST_AT_RISK)


def rebuilt_figure(_: Review, view: FleetView) -> tuple[Figure, str] | None:
    """Share not come back (again) against time since new or rebuilt. view: the fleet; _: not looked at."""
    lines = view.lines.by_rebuilds
    if len(lines) < 2:
        return None
    figure = _figure(3.8, "curves")
    colours = _colours(3)
    told = [
        (words.rebuilds(n, units), line, end, (colours[n], _STYLES[n], _MARKERS[n]))
        for n, (units, line, end) in lines.items()
    ]
    right = max(end for _, _, end, _ in told) / DAYS_A_YEAR
    ax, low = _survival_panel(figure, told, DAYS_A_YEAR, right, words.SINCE_NEW, years=True)
    ax.set_ylim(max(0.0, low - 0.04), 1.01)
    ax.set_ylabel("not come back (again)")
    return figure, words.REBUILT


def how_sure_figure(view: FleetView) -> tuple[Figure, str] | None:
    """Best estimate of the power of each limited part under every reading, with the published limit. view: the fleet."""
    table = view.how_sure.table
    table = table[(table["verdict"] != "") & table["value"].notna()]
    if table.empty:
        return None
    names = list(dict.fromkeys(table["what"]))
    kinds = {
        "as it stands": (ReadAs.IT_STANDS,),
        "other shares reported": (ReadAs.REPORTED,),
        "unclear failures out": (ReadAs.UNCLEAR_OUT,),
        "other wheel loss": (ReadAs.WHEEL_LOSS,),
        "unknown figures otherwise": (ReadAs.FILLED, ReadAs.LIKE_THE_READ),
    }
    figure = _figure(0.45 * len(names) + 1.6, "ranges")
    ax = figure.subplots()
    colours = dict(zip(kinds, _colours(len(kinds)), strict=True))
    for k, name in enumerate(names):
        own = table[table["what"] == name]
        ax.plot([own["value"].min(), own["value"].max()], [k, k], color="0.6", linewidth=1.2, zorder=1)
        for i, (kind, codes) in enumerate(kinds.items()):
            values = own.loc[[how.code in codes for how in own["reading"]], "value"]
            ax.scatter(
                values,
                [k] * len(values),
                marker=_MARKERS[i % 6],
                color=colours[kind],
                s=48 if i else 70,
                zorder=len(kinds) - i + 2,
                label=kind if not k else None,
            )
        ax.plot(
            [own["published_hp"].iloc[0]],
            [k],
            marker="|",
            color="black",
            markersize=18,
            markeredgewidth=2.2,
            linestyle="",
            label="published limit" if not k else None,
        )
    _tidy(ax)
    ax.grid(axis="x", color="0.88", linewidth=0.8)
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.5, -0.5)
    in_own_units(ax.xaxis, "power")
    ax.set_xlabel(in_units("best estimate of the power it can take, hp"))
    figure.legend(loc="outside lower center", frameon=False, fontsize=8.5, ncols=2)
    turned = table.loc[~table["same_as_stands"], "what"].nunique()
    return figure, words.how_sure(len(names), turned)


def guarantee_figure(review: Review, view: FleetView) -> tuple[Figure, str] | None:
    """Expected cost per unit against the length of the guarantee, a line per power band. review: of the quarter; view: the fleet."""
    shop, costs = review.records.shop, [c for c in view.costs if c.told]
    comeback = shop.cost_of("comeback")
    allowed = allowed_costs(shop)
    if not comeback or not costs:
        return None
    middle = allowed[(len(allowed) - 1) // 2]
    figure = _figure(3.6, "band")
    ax = figure.subplots()
    far = 0.0
    for i, (cost, colour) in enumerate(zip(costs, _colours(len(costs)), strict=True)):
        keep = np.max([(cost.seen_months >= MONTHS).sum(), 2])
        y = comeback * cost.months[:, :keep]
        x = MONTHS[:keep]
        ax.plot(x, y.mean(0), color=colour, linestyle=_STYLES[i % 6], linewidth=2, label=power_band(cost.band))
        ax.plot(x[-1], y.mean(0)[-1], marker=_MARKERS[i % 6], color=colour, markersize=6)
        tail = (1 - LEVEL) / 2
        ax.fill_between(x, *np.quantile(y, [tail, 1 - tail], axis=0), color=colour, alpha=0.13, linewidth=0)
        far = max(far, float(longest(cost.months.mean(0), MONTHS, 1.6 * max(allowed) / comeback)[0]))
    for amount in allowed:
        ax.axhline(amount, color="0.35", linewidth=1, linestyle=(0, (4, 3)))
        label = ax.text(
            1.0,
            amount,
            f"{money(amount, shop.currency)} a unit",
            transform=ax.get_yaxis_transform(),
            ha="right",
            va="bottom",
        )
        label.set(fontsize=8.5, color="0.25", in_layout=False)
    _tidy(ax)
    ax.set_xlim(0, min(far, MONTHS[-1], max(c.seen_months for c in costs)))
    ax.set_ylim(0, 1.6 * max(allowed))
    ax.set_xlabel("months of guarantee")
    ax.set_ylabel("expected cost per unit")
    ax.yaxis.set_major_formatter(lambda v, _: money(v, shop.currency))
    ax.legend(frameon=False, fontsize=9, loc="upper left")
    table: pd.DataFrame = view.guarantee.table
    own = table[(table["allowed_per_unit"] == middle) & table["power_band"].isin([c.band for c in costs])]
    months = own.set_index("power_band")["guarantee_months"].to_dict()
    return figure, words.guarantee(middle, shop.currency, months, LEVEL, OWN_FAILURES)


def guarantee_promise(folder: str | Path) -> tuple[str, ...]:
    """How often the limits of a guarantee's cost held the truth in simulated shops, where the table is at hand.
    folder: of the tables of the evidence."""
    path = Path(folder) / "guarantee.csv"
    if not path.is_file():
        return ()
    table = pd.read_csv(path)
    return (promises.guarantees(table[table["band"] == "all"]),)
