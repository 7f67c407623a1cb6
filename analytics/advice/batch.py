"""Many trucks at once: a sheet of trucks in, an answer or a question for each."""

from __future__ import annotations

from dataclasses import fields
from math import isfinite
from pathlib import Path

import pandas as pd

from analytics.advice.adviser import Adviser
from analytics.advice.answer import Advice
from analytics.advice.truck import OWN, Wish, in_ours, wish_of
from analytics.errors import AnalyticsError, RecordsError
from analytics.ratings.grown import ADVISED
from analytics.records.files import all_pages, open_page
from analytics.records.headings import heading_key
from analytics.records.shop import Units

_NUMBERS = ("life", "passes", "months", *OWN)
#: headings understood: those of a wish, and the truck's own figures
HEADINGS = (*(f.name for f in fields(Wish) if f.name != "own"), *OWN)


def read_trucks(path: Path) -> pd.DataFrame:
    """The sheet of trucks at ``path`` (its first page): a row per truck, every cell the text typed, headings as typed. Raises RecordsError where it cannot
    be read, has no truck, or lacks a power."""
    if not path.is_file():
        raise RecordsError(
            f"{path}: there is no such file. Give a sheet with a row per truck and the headings {', '.join(HEADINGS[:3])}."
        )
    pages = all_pages(path)
    rows = [row for row in open_page(path, "trucks", pages[0] if pages else "", HEADINGS).rows if any(row)]
    heads = [*map(str, rows[0])] if rows else []
    if "power" not in map(_name, heads) or len(rows) < 2:
        raise RecordsError(
            f"{path.name}: a sheet of trucks has a row of headings, {', '.join(HEADINGS[:3])} among them, and a row per truck under it."
        )
    return pd.DataFrame([[*row, *[""] * len(heads)][: len(heads)] for row in rows[1:]], columns=heads)


def _name(heading: str) -> str:
    return heading_key(heading).replace(" ", "_")


def ask_all(adviser: Adviser, trucks: pd.DataFrame) -> list[Advice | AnalyticsError]:
    """What the ``adviser`` answers of each row of ``trucks``, as `read_trucks` reads them: the advice, or the question that comes back."""
    known = trucks.rename(columns=_name)
    known = known.loc[:, ~known.columns.duplicated() & known.columns.isin(HEADINGS)]
    return [_ask(adviser, row) for row in known.to_dict("records")]


def _ask(adviser: Adviser, row: dict[str, str]) -> Advice | AnalyticsError:
    told = {name: text.strip() for name, text in row.items() if text.strip()}
    try:
        figures = {name: _figure(name, text, adviser.records.shop.units) for name, text in told.items()}
        own = {name: figures.pop(name) for name in set(OWN) & set(figures)}
        return adviser.ask(wish_of(**({"power": "", "weight": ""} | figures), own=own))
    except AnalyticsError as question:
        return question


def _figure(name: str, text: str, units: Units) -> str | float:
    """What is kept as text stays so; what is a plain number, in the ``units`` of the shop, becomes one in ours."""
    if name not in _NUMBERS:
        return text
    try:
        return in_ours(name, float(text.replace(",", "")), units)
    except ValueError:
        raise AnalyticsError(f"{name} is {text!r}: write a plain number.") from None


def lines_of(advice: Advice, serial: str) -> pd.DataFrame:
    """The lines of advised.csv for the parts advised in an ``advice``, to be built into the unit ``serial``."""
    truck = advice.truck
    rows = [
        (
            advice.records.as_of.date().isoformat(),
            serial.strip(),
            c.component,
            c.part,
            round(truck.power_hp),
            round(truck.weight_lb),
            " and ".join(truck.uses),
            round(truck.life_miles) if isfinite(truck.life_miles) else "",
            round(1 - c.chance.estimate, 4),
            round(1 - c.chance.high, 4),
        )
        for c in (one.advised for one in advice.components)
        if c is not None and c.chance is not None
    ]
    if not serial.strip():
        raise AnalyticsError("To keep what was advised, give the serial of the unit it is for.")
    if not rows:
        raise AnalyticsError("No part is advised for this truck, so there is nothing to keep.")
    return pd.DataFrame(rows, columns=[*ADVISED.columns])
