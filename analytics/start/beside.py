"""Comebacks that stand beside their build, in the same row of its page."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import chain, compress, count

from analytics.records.headings import HEADINGS
from analytics.start.match import Match, assigned, component_named, names_some
from analytics.start.pages import Column, Page

#: how surely a column beside builds must be one of returns; and how little such a page counts beside one of returns alone
_SURELY, _SCORE = 5.0, 1.0


def with_comebacks(built: Match) -> list[Match]:
    """A match, and where it is of builds (``built``) the comebacks in their rows: a day they came back, and what broke."""
    told = _told(built.page, _spare(built))
    days = [told[h].at for h in HEADINGS["returns"].dates if h in told]
    if days and "component" not in told:
        return _in_words(built, told)
    if not days:
        return [built]
    rest = _without_odometer_after(built, min(days))
    return _parted(built, told) if rest == built else with_comebacks(rest)


def _in_words(built: Match, told: Mapping[str, Column]) -> list[Match]:
    """The builds and the comebacks of one page, where no column names the component and one tells in words what broke."""
    days = [c for h, c in told.items() if h in HEADINGS["returns"].dates]
    back = [any(c.texts[at].strip() for c in days) for at in range(len(built.page.numbers))]
    words = next((c for c in _spare(built) if c not in days and names_some(c) and _only_where(c, back)), None)
    if words is None:
        return [built]
    builds, other = _parted(built, {**{h: c for h, c in told.items() if c.at != words.at}, "component": words})
    page = other.page.at_rows(list(compress(count(), back)))
    own = {c.at: c for c in page.columns}
    columns = {h: own[c.at] for h, c in other.columns.items() if h != "component"}
    return [builds, replace(other, page=page, columns=columns, text=own[words.at])]


def _only_where(column: Column, back: Sequence[bool]) -> bool:
    """Whether a column is filled in no other rows than those that came ``back``."""
    return not any(text.strip() and not came for text, came in zip(column.texts, back, strict=True))


def _spare(built: Match) -> list[Column]:
    """Columns beside builds that stand under no heading and hold no parts."""
    return [c for c in built.spare() if not component_named(c.heading)] * (built.sheet == "builds")


def _told(page: Page, spare: Sequence[Column]) -> dict[str, Column]:
    """Our heading of returns -> the first column of it."""
    first = {_stem(c): c for c in reversed(spare)}
    own = replace(page, columns=sorted(first.values(), key=Column.place))
    return {h: c for h, (points, c) in assigned(own, "returns").items() if points >= _SURELY and h != "serial"}


def _stem(column: Column) -> str:
    """The key of a heading without the number behind it: 'came back' of 'Came back 2'."""
    return column.key.rstrip("0123456789 ") or column.key


def _without_odometer_after(built: Match, day: int) -> Match:
    """The match without an odometer at the install right of the day it came back: that one is of the comeback."""
    is_later = ("odometer_at_install", True)
    return replace(built, columns={h: c for h, c in built.columns.items() if (h, c.at > day) != is_later})


def _parted(built: Match, told: Mapping[str, Column]) -> list[Match]:
    """The builds and the comebacks of one page."""
    more = {heading: _further(column, _spare(built)) for heading, column in told.items()}
    taken = set(map(Column.place, chain(told.values(), *more.values())))
    serial, page = built.columns["serial"], built.page
    rest = set(map(Column.place, page.columns)) - taken
    back = Match(_of(page, {*taken, serial.at}), "returns", {"serial": serial, **told}, _SCORE, more=more)
    return [replace(built, page=_of(page, rest)), back]


def _further(column: Column, spare: Sequence[Column]) -> tuple[Column, ...]:
    """Columns headed like one but for the number behind."""
    return tuple(c for c in spare if _stem(c) == _stem(column) and c.at != column.at)


def _of(page: Page, places: Collection[int]) -> Page:
    return replace(page, columns=[c for c in page.columns if c.at in places])
