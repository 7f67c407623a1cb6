"""Pictures of the studies of the methods."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.report.figures import _figure
from analytics.words.evidence import GOAL, by_coverage, coverage_caption, outside_caption, with_gaps

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def coverage_figure(study: pd.DataFrame) -> tuple[Figure, str]:
    """Coverage of the published bound per setting, with two standard errors, against 0.90. study: the table of the study."""
    own = by_coverage(study)
    figure = _figure(0.19 * len(own) + 1.2, "ranges")
    ax = figure.subplots()
    y = np.arange(len(own))
    ax.hlines(
        y,
        (own["covered"] - 2 * own["se"]).clip(lower=0),
        (own["covered"] + 2 * own["se"]).clip(upper=1),
        color="0.6",
        linewidth=2,
    )
    good = own["covered"] >= GOAL
    ax.plot(own["covered"][good], y[good], "o", color="#0072b2", label=f"{GOAL:.2f} or more")
    ax.plot(own["covered"][~good], y[~good], "X", color="#d55e00", markersize=8, label=f"under {GOAL:.2f}")
    ax.axvline(0.90, color="0.2", linewidth=1, linestyle="--")
    ax.set_yticks(y, [f"{r.cell} ({r.rated})" for r in own.itertuples()], fontsize=7.5)
    ax.set_ylim(-0.8, len(own) - 0.2)
    ax.set_xlim(min(0.6, float((own["covered"] - 2 * own["se"]).min()) - 0.02), 1.02)
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.set_xlabel("bound at or below the truth")
    figure.legend(loc="outside upper right", ncols=2, frameon=False, fontsize=9)
    return figure, coverage_caption(study)


def outside_figure(table: pd.DataFrame) -> tuple[Figure, str]:
    """Relative difference of every check, by problem. table: of the values compared."""
    own = with_gaps(table)
    cases = sorted(own["case"].unique(), reverse=True)
    figure = _figure(0.22 * len(cases) + 1.5, "ranges")
    ax = figure.subplots()
    for kind, mark, colour, up in (("computed in R", "o", "#0072b2", -0.15), ("printed", "^", "#d55e00", 0.15)):
        part = own[own["kind"] == kind]
        ax.plot(
            part["gap"], part["case"].map(cases.index) + up, mark, color=colour, markersize=4.5, alpha=0.5, label=kind
        )
    ax.set_xscale("log")
    ax.set_xticks([1e-11, 1e-9, 1e-7, 1e-5, 1e-3, 1e-2], ["none", "1e-9", "1e-7", "1e-5", "0.1%", "1%"])
    ax.minorticks_off()
    ax.set_yticks(range(len(cases)), cases, fontsize=9)
    ax.set_ylim(-0.7, len(cases) - 0.3)
    ax.set_xlabel("difference as a share of the outside value")
    ax.grid(axis="both", color="0.9")
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    figure.legend(loc="outside upper right", ncols=2, frameon=False, fontsize=9)
    return figure, outside_caption(table)
