"""What a review rests on, as a table for the reader."""

from __future__ import annotations

import platform
from importlib.metadata import version

import pandas as pd

from analytics.review.quarterly import Review
from analytics.words.units import bare_distance, in_units


def settings_of(review: Review) -> pd.DataFrame:
    """What the review rests on: dates, settings in force, versions."""
    shop, records = review.records.shop, review.records
    rows = [
        ("shop", shop.name),
        ("as of", f"{records.as_of:%Y-%m-%d}"),
        ("quarter", review.span.name),
        ("quarter is over", "yes" if review.span.whole else "no"),
        ("records start", str(shop.dates.records_start or "not stated: every unit is taken as followed from new")),
        ("power where the cell names no unit", shop.units.power),
        ("power where nobody says where it was measured", shop.power.measured_at),
        ("loss from crank to wheels", f"{100 * shop.power.driveline_loss:g}%"),
        ("weight where the cell names no unit", shop.units.weight),
        ("distance where the cell names no unit", shop.units.distance),
        ("date order", shop.dates.order or "not stated: settled by the order of events, else set aside"),
        (in_units("power bands, hp"), ", ".join(shop.band_labels())),
        (in_units("weight classes, lb"), ", ".join(shop.class_labels())),
        (in_units("miles a year not believed above"), bare_distance(shop.checks.miles_per_year_max)),
        ("failures needed for a fit", str(shop.checks.failures_to_fit)),
        ("curves stop below, at risk", str(shop.checks.at_risk_to_show)),
        *((f"rows of {name} dated later, not looked at", f"{n:,}") for name, n in records.books.later.items() if n),
        *((f"columns of {name} not used", ", ".join(c)) for name, c in records.books.unused_columns.items() if c),
        *((f"version of {name}", version(name)) for name in ("analytics", "pandas", "lifelines", "scipy")),
        ("version of Python", ".".join(platform.python_version_tuple()[:2])),
    ]
    return pd.DataFrame(rows, columns=["setting", "value"])
