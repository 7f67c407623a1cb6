"""What the columns themselves say of units, of the order of dates, and of words that are one."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import median

from analytics.records.cells import parse_number
from analytics.records.dates import ColumnOrder, column_order
from analytics.records.decimals import with_points
from analytics.records.headings import HEADINGS, heading_key
from analytics.records.names import fold
from analytics.start.languages import KILOMETRES
from analytics.start.match import Found
from analytics.start.pages import Column

_NAMES = {
    "power": {"kw": "kW", "ps": "PS", "hp": "hp", "bhp": "hp", "whp": "hp", "rwhp": "hp"},
    "weight": {"kg": "kg", "kgs": "kg", "t": "t", "lb": "lb", "lbs": "lb"},
    "distance": {"km": "km", "kms": "km", "mi": "miles", "miles": "miles", **dict.fromkeys(KILOMETRES, "km")},
}
_HEADINGS = {
    "power": ("power", "power_limit"),
    "weight": ("weight", "weight_up_to"),
    "distance": ("odometer_at_install", "odometer", "miles_in_service"),
}
METRIC = {"power": "kW", "weight": "kg", "distance": "km"}
OURS = {"power": "hp", "weight": "lb", "distance": "miles"}
#: weights of trucks in kg lie below, in lb above (common practice, no source)
_LIGHTEST_LB = 5000.0
_OF_CELL = re.compile(r"\d\s*([^\W\d_]+)\W*$")
_BARE = re.compile(r"\d[\d.,' ]*")


@dataclass(frozen=True, slots=True)
class Unit:
    """What bare numbers of a kind mean. by: "heading", "cells" (that name it, with an example), "size" (with the middle one), "others" (the other units are
    metric) or ""."""

    unit: str
    by: str
    heading: str = ""
    middle: float = 0.0
    cells: int = 0


def units_of(found: Found) -> dict[str, Unit]:
    """Power, weight and distance as bare numbers mean them, for those that were found."""
    columns = {kind: list(chain.from_iterable(map(found.anywhere, heads))) for kind, heads in _HEADINGS.items()}
    told = {kind: _by_heading(kind, own) for kind, own in columns.items()}
    metric = any(unit is not None and unit.unit == METRIC[kind] for kind, unit in told.items())
    told["weight"] = told["weight"] or _by_size(columns["weight"], metric or date_order(found).order == "day first")
    other = {kind: Unit(METRIC[kind], "others") if metric else Unit(OURS[kind], "") for kind in columns}
    return {kind: told[kind] or _by_cells(kind, own, other[kind]) for kind, own in columns.items() if own}


def _by_heading(kind: str, columns: Sequence[Column]) -> Unit | None:
    """The unit that a heading names at its end, or else anywhere."""
    ends = ((_NAMES[kind].get(c.unit, ""), c.heading) for c in columns)
    inside = ((_NAMES[kind].get(word, ""), c.heading) for c in columns for word in heading_key(c.heading).split())
    unit, heading = next(filter(lambda named: named[0], chain(ends, inside)), ("", ""))
    return Unit(unit, "heading", heading) if unit else None


def _by_cells(kind: str, columns: Sequence[Column], usual: Unit) -> Unit:
    """The ``usual`` unit, which cells that name one may confirm; where they name another, they are the exceptions."""
    texts = filter(_OF_CELL.search, chain.from_iterable(c.some for c in columns))
    named = {text: _NAMES[kind].get(_OF_CELL.findall(text)[0].casefold(), "") for text in texts}
    told = {text: unit for text, unit in named.items() if unit}
    return Unit(usual.unit, "cells", next(iter(told)), cells=len(told)) if {*told.values()} == {usual.unit} else usual


def _by_size(columns: Sequence[Column], metric: bool) -> Unit | None:
    """Pounds, unless they are few and other things speak for kilograms: a light truck for the strip weighs as many pounds as a
    heavy one kilograms."""
    bare = filter(_BARE.fullmatch, chain.from_iterable(c.some for c in columns))
    sizes = list(filter(None, map(_size, bare)))
    middle = float(median(sizes)) if sizes else 0.0
    return Unit("kg" if middle < _LIGHTEST_LB and metric else "lb", "size", middle=middle) if sizes else None


def _size(text: str) -> float:
    """A bare weight, tonnes in kg; 0 where it is none."""
    value = parse_number(with_points(text)) or 0.0
    return value * 1000 if value < 20 else value


def date_order(found: Found) -> ColumnOrder:
    """The order that the dates of all sheets found agree on, by their columns; "" where none says so, or two say
    otherwise."""
    heads = set(chain.from_iterable(HEADINGS[sheet].dates for sheet in found))
    columns = chain.from_iterable(map(found.anywhere, sorted(heads)))
    told = list(filter(lambda t: t.order, (column_order(c.counts) for c in columns)))
    if len({t.order for t in told}) != 1:
        return ColumnOrder()
    return ColumnOrder(told[0].order, sum(t.only for t in told), told[0].example)


def same_words(counts: Mapping[str, int], known: Mapping[str, Sequence[str]]) -> dict[str, list[str]]:
    """Words of a column (counts: how often each was met) brought together under those known (ours -> others for it),
    and under the spelling met most: ours -> theirs."""
    leads = {fold(w): ours for ours, words in known.items() for w in (ours, *words)}
    groups: dict[str, list[str]] = {}
    for text in sorted(counts, key=lambda t: (-counts[t], t)):
        lead = leads.setdefault(fold(text), text)
        groups.setdefault(lead, []).append(text)
    others = {ours: list(filter(lambda t: t != ours, texts)) for ours, texts in groups.items()}
    return {ours: theirs for ours, theirs in others.items() if theirs}
