"""What every figure about a rating stands on: sheet, what-if, load, back-test, unknowns and how sure all take it from here.

The lives of a part with the shop's own columns of builds ([extra_columns]) in them, and the shop's own settings ([ratings])
and promise ([targets]), unless the caller was told other ones. The forecasts of the review fit without the own columns.
"""

from __future__ import annotations

import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.ratings.options import Options, options_for
from analytics.ratings.predict import PartLives, lives_of


def part_lives(
    lifetimes: Lifetimes,
    component: str,
    part: str | None,
    table: pd.DataFrame | None = None,
    strength: str = "power_hp",
) -> PartLives:
    """The lives a rating of the part (None: of all parts of the component) is made of. ``strength``: the column that stands
    for power. ``table``: that of the lifetimes, read otherwise in places; the rows of the
    result are positions in it. Raises AnalyticsError where there are none."""
    rows = lifetimes.table if table is None else table
    extra = tuple(lifetimes.shop.extra_columns)
    return lives_of(rows, component, part, lifetimes.as_of, extra=extra, strength=strength)


def options_of(lifetimes: Lifetimes, options: Options | None) -> Options:
    """The promise and settings to go by: the given ones, else the shop's own."""
    return options_for(lifetimes.shop) if options is None else options
