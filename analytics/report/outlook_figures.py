"""Pictures of the outlook: what was foreseen and what came, lots, months in service, earlier forecasts."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.report.figures import _colours, _figure, _plt, _quarters, _tidy
from analytics.review.months_in_service import STEP
from analytics.words.review import pictures as words
from analytics.words.review import promises

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analytics.review.outlook import Outlook

_LOTS_SHOWN = 15


def expected_figure(outlook: Outlook) -> tuple[Figure, str] | None:
    """Expected with its interval, and what came, per component and part. outlook: what comes next."""
    table = outlook.expected.table
    if table.empty:
        return None
    own = table[table["side"].isin(["component", "part"])]
    own = own.sort_values(["component", "side", "group"], kind="stable").iloc[::-1].reset_index(drop=True)
    figure = _figure(0.25 * len(own) + 1.2, "ranges")
    ax = figure.subplots()
    blue, orange = _colours(2)
    whole = (own["side"] == "component").to_numpy()
    for at, row in enumerate(own.itertuples()):
        ax.barh(
            at, row.upper - row.lower, left=row.lower, height=0.62, color="0.8" if whole[at] else "0.9", linewidth=0
        )
    y = np.arange(len(own))
    ax.plot(own["expected"], y, "|", color=blue, markersize=13, markeredgewidth=2.2, label="expected")
    out = (own["came"] > own["upper"]).to_numpy()
    ax.plot(own["came"], y, "o", color="black", markersize=6, label="came back", linestyle="none")
    if out.any():
        ax.plot(
            own["came"][out],
            y[out],
            "o",
            markerfacecolor="none",
            markeredgecolor=orange,
            clip_on=False,
            markersize=13,
            markeredgewidth=2,
        )
    names = [r.component if r.side == "component" else f"    {r.group}" for r in own.itertuples()]
    ax.set_yticks(y, names, fontsize=9)
    for label, bold in zip(ax.get_yticklabels(), whole, strict=True):
        label.set_fontweight("bold" if bold else "normal")
    _tidy(ax)
    ax.grid(axis="y", visible=False)
    ax.grid(axis="x", color="0.88", linewidth=0.8)
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.set_xlim(-0.4, None)
    ax.set_xlabel("failures in the quarter (grey: nine quarters in ten)")
    ax.legend(frameon=False, fontsize=9, loc="lower right")
    return figure, words.expected(len(own), int(out.sum()))


def lots_figure(outlook: Outlook) -> tuple[Figure, str] | None:
    """The lots that rank worst, with limits. outlook: what comes next."""
    table = outlook.lots.table
    # lots that differ no more than chance have no interval of their own: nothing to see
    table = table[table["upper"] > table["lower"]] if len(table) else table
    if table.empty:
        return None
    told = table[table["came"] > 0]
    own = (told if len(told) else table).head(_LOTS_SHOWN).iloc[::-1].reset_index(drop=True)
    figure = _figure(0.25 * len(own) + 1.1, "ranges")
    ax = figure.subplots()
    colour = _colours(1)[0]
    y = np.arange(len(own))
    low = np.maximum(own["lower"], 0.02)
    ax.hlines(y, low, own["upper"], color="0.55", linewidth=2)
    ax.plot(own["times_the_usual"], y, "o", color=colour, markersize=7)
    for k, row in enumerate(own.itertuples()):
        ax.text(row.upper * 1.12, k, f"{row.came} of {row.units}", va="center", fontsize=8.5, color="0.25")
    ax.axvline(1, color="black", linewidth=1, linestyle="--")
    ax.set_yticks(y, own["lot"], fontsize=9)
    ax.set_xscale("log")
    ax.set_xlim(0.05, float(own["upper"].max()) * 2.4)
    ticks = [t for t in (0.1, 0.3, 1, 3, 10, 30, 100) if t <= own["upper"].max() * 2]
    ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
    ax.minorticks_off()
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.set_xlabel("times the usual of its part (drawn together, limits 90%)")
    top = table.iloc[0]
    return figure, words.lots(int((table["lower"] > 1).sum()), len(table), top["lot"], top["times_the_usual"])


def months_figure(outlook: Outlook) -> tuple[Figure, str] | None:
    """Time in service across, build month down, the shade a rate. outlook: what comes next."""
    table = outlook.months_table
    if table.empty or not table["came"].sum():
        return None
    months = pd.period_range(table["built"].min(), table["built"].max(), freq="M").astype(str).tolist()
    steps = sorted(table["month_from"].unique())
    row = {m: i for i, m in enumerate(months)}
    column = {s: i for i, s in enumerate(steps)}
    shade = _shade(table, row, column)
    figure = _figure(0.13 * len(months) + 1.2, "months")
    ax = figure.subplots()
    top = max(float(np.nanquantile(shade[shade > 0], 0.95)), 1e-9)
    ax.set_facecolor("0.93")
    image = ax.imshow(shade, aspect="auto", cmap=_plt().get_cmap("Greys"), vmin=0, vmax=top, interpolation="nearest")
    for r in table[table["came"] > 0].itertuples():
        at = row[r.built], column[r.month_from]
        look = {"ha": "center", "va": "center", "color": "white" if shade[at] > 0.55 * top else "black"}
        ax.text(at[1], at[0], f"{r.came}", fontsize=7.5, **look)
    starts = [i for i, m in enumerate(months) if m.endswith("-01") or i == 0]
    ax.set_yticks(starts, [months[i] for i in starts], fontsize=9)
    ax.set_xticks(np.arange(0, len(steps), 4) - 0.5, [f"{s}" for s in steps[::4]], fontsize=9)
    ax.set_ylabel("month built")
    ax.set_xlabel("months in service")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    bar = figure.colorbar(image, ax=ax, location="top", shrink=0.7, pad=0.015, aspect=30)
    bar.set_label("came back, per hundred units", fontsize=9)
    early = table[table["month_from"] == 0].groupby("built")["came"].sum()
    worst = early.idxmax()
    return figure, words.months(worst, int(early[worst]), STEP)


def _shade(table: pd.DataFrame, row: Mapping[str, int], column: Mapping[int, int]) -> np.ndarray:
    """Came back per hundred units, at the ``row`` of the month built and the ``column`` of the months in service."""
    shade = np.full((len(row), len(column)), np.nan)
    for r in table.itertuples():
        shade[row[r.built], column[r.month_from]] = 100 * r.came / max(r.units, 1)
    return shade


def kept_figure(outlook: Outlook) -> tuple[Figure, str] | None:
    """Earlier forecasts of the next quarter with what came, and the next one. outlook: what comes next."""
    table = outlook.kept.table
    if table.empty:
        return None
    own = table[(table["component"] == "all") & (table["span"] == "quarter")].reset_index(drop=True)
    ahead = outlook.forecasts.counts
    following = ahead[(ahead["component"] == "") & (ahead["span"] == "quarter")].iloc[0]
    made = [f"{(d + pd.Timedelta(days=1)).to_period('Q')}".replace("Q", " Q") for d in own["made_on"]]
    names = [*_quarters(made, [True] * len(made)), "next\n3 months"]
    figure = _figure(3.2, "ranges")
    ax = figure.subplots()
    blue, orange = _colours(2)
    x = np.arange(len(own) + 1)
    low, high = np.r_[own["lower"], following["lower"]], np.r_[own["upper"], following["upper"]]
    ax.bar(
        x,
        high - low,
        bottom=low,
        width=0.55,
        color=["0.85"] * len(own) + ["0.95"],
        edgecolor=["0.85"] * len(own) + ["0.4"],
        linewidth=1,
    )
    ax.plot(
        x,
        np.r_[own["expected"], following["expected"]],
        "_",
        color=blue,
        markersize=22,
        markeredgewidth=2.2,
        label="expected",
    )
    ax.plot(x[:-1], own["came"], "o", color="black", markersize=6, label="came back", clip_on=False, zorder=3)
    missed = ~own["inside"].to_numpy(bool)
    if missed.any():
        ax.plot(
            x[:-1][missed],
            own["came"][missed],
            "o",
            markerfacecolor="none",
            markeredgecolor=orange,
            clip_on=False,
            markersize=13,
            markeredgewidth=2,
        )
    _tidy(ax)
    ax.set_xticks(x, names, fontsize=9)
    ax.set_ylim(0, None)
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_ylabel("components")
    ax.legend(frameon=False, fontsize=9, loc="upper left")
    return figure, words.kept(int((~missed).sum()), len(own))


def promise_words(folder: str | Path) -> tuple[str, ...]:
    """What simulation says of the forecasts, where its tables are at hand in ``folder``."""
    lines = []
    path = Path(folder) / "prediction.csv"
    if path.is_file():
        table = pd.read_csv(path)
        lines.append(promises.one_part(table[(table["days"] == 365) & (table["settings"] == "defaults")].iloc[0]))
    path = Path(folder) / "watch.csv"
    if path.is_file():
        lines.append(promises.whole_shop(pd.read_csv(path).set_index("shop").loc["quiet"]))
    path = Path(folder) / "quarter.csv"
    if path.is_file():
        lines.append(promises.at_the_door(pd.read_csv(path)))
    return tuple(lines)


def alarm_promise(folder: str | Path) -> tuple[str, ...]:
    """How often the watch cried wolf, and found what was there, in simulated shops. folder: of the tables of the evidence."""
    lines = []
    path = Path(folder) / "watch.csv"
    if path.is_file():
        table = pd.read_csv(path).set_index("shop")
        lines.append(promises.alarms(table.loc["quiet"], table.loc["demo"]))
    path = Path(folder) / "quarter.csv"
    if path.is_file():
        table = pd.read_csv(path)
        lines.append(promises.worst_claims(table[table["span"] == "quarter"]))
    return tuple(lines)
