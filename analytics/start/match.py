"""Which sheet each page is, and which of its columns stands under which heading of ours."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from itertools import chain, filterfalse

import pandas as pd

from analytics.records.decimals import FIGURES
from analytics.records.headings import HEADINGS, OF_NO_UNIT, heading_key
from analytics.records.serials import serial_keys
from analytics.records.together import listed
from analytics.start.pages import AMOUNTS, Column, Page, in_full, put_together
from analytics.start.vocabulary import (
    BESIDE_A_COMPONENT,
    BUILD_KINDS,
    COMPONENT_WORDS,
    FINDING_WORDS,
    HEADING_WORDS,
    KIND_HEADINGS,
    MEASURED_AT,
    POWER_UNITS,
    RETURN_KINDS,
    SHEET_WORDS,
    USE_WORDS,
)

#: words in a sentence from which on a column is free text
TEXT_WORDS = 3.0
#: headings whose cells are words
_WORDED = (
    "component",
    "part",
    "finding",
    "cause",
    "use",
    "builder",
    "paid_by",
    "replaced_with",
    "order",
    "still_running",
)
_NAMING = ("part", "replaced_with")
#: a page is taken for a sheet from this score on: about a serial, a date and one thing more
_ENOUGH = 2.2
#: headings taken only from so sure on: miles of another day under it would be a wrong figure in every life
_SURELY = {"odometer_at_install": 5.0}
#: so many headings known, and a page is nearly a sheet
_MISSED = 3
#: so many names with figures are serials, on a page that might list limits or parts
_MANY_UNITS = 8
#: lines of a part each that builds have to a unit, at least
_SEVERAL = 1.5
#: kinds of rows that one page holds, at most
_MOST_KINDS = 12
#: single words that components are called by
_COMPONENT_TOKENS = frozenset(chain.from_iterable(n.split() for names in COMPONENT_WORDS.values() for n in names))
#: headings that returns alone have, and those under which their free text may stand
_OF_RETURNS = frozenset({"failed_on", "finding", "cause", "replaced_with", "component"})
_MAY_BE_TEXT = frozenset({"notes", "finding", "part", "cause"})


@dataclass(frozen=True, slots=True)
class Match:
    """A page as one of our sheets: our heading -> its column. rows: where the page holds several sheets, the column and the words
    that mark this one's rows. more: our heading -> further columns of it, of a second and third comeback beside its build. text: the column of free text that tells what came back, where no column names the component."""

    page: Page
    sheet: str
    columns: dict[str, Column]
    score: float
    rows: tuple[str, tuple[str, ...]] | None = None
    text: Column | None = None
    more: Mapping[str, tuple[Column, ...]] = field(default_factory=dict)

    def spare(self) -> list[Column]:
        """Columns that stand under no heading."""
        taken = set(map(Column.place, self.columns.values()))
        return list(filter(lambda c: c.at not in taken, self.page.columns))


class Found(dict[str, tuple[Match, ...]]):
    """Sheet -> the pages it is kept on, the surest match of them deciding."""

    def every(self) -> list[Match]:
        """All pages of all sheets."""
        return list(chain.from_iterable(self.values()))

    def columns(self, sheet: str, heading: str) -> list[Column]:
        """The columns that stand under a heading, of all pages of a sheet that have it."""
        own = ((m.columns.get(heading), *m.more.get(heading, ())) for m in self.get(sheet, ()))
        return list(filter(None, chain.from_iterable(own)))

    def anywhere(self, heading: str) -> list[Column]:
        """The columns that stand under a heading on any sheet."""
        return list(chain.from_iterable(self.columns(sheet, heading) for sheet in self))

    def pairs(self, sheet: str, one: str, other: str) -> Iterator[tuple[str, str]]:
        """The cells of two headings row by row, of the pages of a sheet that have both."""
        for m in self.get(sheet, ()):
            if one in m.columns and other in m.columns:
                yield from zip(m.columns[one].texts, m.columns[other].texts, strict=True)


def numbered_as_built(found: Found) -> None:
    """Where the serials of a ``found`` sheet are none of those built and another of its columns holds such, that column is taken: a number of the
    row's own stood under the likelier heading."""
    built = _keys(chain.from_iterable(c.counts for c in found.columns("builds", "serial")))
    for sheet in filter(lambda name: name not in OF_NO_UNIT and name != "builds" and built, list(found)):
        found[sheet] = tuple(_numbered(m, built) for m in found[sheet])


def _numbered(found: Match, built: Collection[str]) -> Match:
    held = {c.at: len(_keys(c.counts) & set(built)) for c in found.page.columns}
    own = found.columns.get("serial")
    best = max(found.spare(), key=lambda c: held[c.at], default=None)
    if own is None or best is None or 10 * held[own.at] >= own.filled or 2 * held[best.at] <= len(best.counts):
        return found
    return replace(found, columns=found.columns | {"serial": best})


def _keys(texts: Iterable[str]) -> set[str]:
    return set(serial_keys(pd.Series(list(texts), dtype=object))) - {""}


def near_miss(page: Page) -> tuple[str, tuple[str, ...]]:
    """Of a page that is like no sheet: builds or returns, whichever it is more like, and the headings of it that were not found; fitted where it has
    several rows a unit; ("", ()) where it is like none."""
    if _has_lines(page):
        return "fitted", ()
    return max(map(partial(_missed, page), ("builds", "returns")), key=lambda m: m[0])[1:]


def _has_lines(page: Page) -> bool:
    """Whether a page has several rows for each serial, as one of parts or of invoice lines has."""
    placed = assigned(page, "fitted")
    return {"serial", "part"} <= placed.keys() and _SEVERAL * len(placed["serial"][1].counts) <= page.rows


def _missed(page: Page, sheet: str) -> tuple[float, str, tuple[str, ...]]:
    placed = {heading: column for heading, (_, column) in assigned(page, sheet).items()}
    lacking = tuple(group[-1] for group in _lacking(sheet, placed))
    parts = (sheet == "builds") * sum(map(bool, map(component_named, map(_heading_of, page.columns))))
    likeness = len(placed) + parts + _name_bonus(page, sheet)
    return (likeness, sheet, lacking) if likeness >= _MISSED and lacking else (0.0, "", ())


def _heading_of(column: Column) -> str:
    return column.heading


def match(page: Page) -> list[Match]:
    """The sheet a page is; two where its rows are told apart by a column; none where it is like no sheet."""
    found = list(filter(None, (_as_sheet(page, sheet) for sheet in HEADINGS)))
    best = max(found, key=lambda m: m.score, default=None)
    return _both(page, {m.sheet: m for m in found}) or list(filter(None, (best,)))


def in_units(found: list[Match]) -> list[Match]:
    """The matches ``found``; a page of builds without a column of parts, or where there is none one that reads like parts fitted on a day, is put
    together where it has a row for each part."""
    sheet = "builds" if any(m.sheet == "builds" for m in found) else "fitted"
    return [_in_units(m) or m if m.sheet == sheet and m.rows is None else m for m in found]


def _in_units(lines: Match) -> Match | None:
    """The builds of a page whose ``lines`` tell a part each; None where they do not, or each unit has one alone."""
    placed = {heading: column for heading, (_, column) in assigned(lines.page, "fitted").items()}
    serial, component, part = map(placed.get, ("serial", "component", "part"))
    if serial is None or component is None or part is None or any(component_named(c.heading) for c in lines.spare()):
        return None
    if _SEVERAL * len(serial.counts) > lines.page.rows:
        return None
    made = next((m for m in match(put_together(lines.page, serial, component, part)) if m.sheet == "builds"), None)
    # a number on a line is that of the part
    return made and replace(made, columns={h: c for h, c in made.columns.items() if h != "count"})


def _both(page: Page, of: Mapping[str, Match]) -> list[Match]:
    """Builds and returns on one page, told apart by a column of kinds."""
    if not {"builds", "returns"} <= of.keys():
        return []
    for column in filter(_tells_kinds, page.columns):
        builds, returns = (_of_kind(column, words) for words in (BUILD_KINDS, RETURN_KINDS))
        if builds and returns:
            return [_own(of["builds"], column.heading, builds), _own(of["returns"], column.heading, returns)]
    return []


def _tells_kinds(column: Column) -> bool:
    return column.key in KIND_HEADINGS and len(column.counts) <= _MOST_KINDS


def _of_kind(column: Column, words: Collection[str]) -> tuple[str, ...]:
    return tuple(filter(lambda t: heading_key(t) in words, column.counts))


def _own(whole: Match, heading: str, words: tuple[str, ...]) -> Match:
    """A match whose rows are those with the words in a column."""
    page = whole.page.only(heading, words)
    at = {c.at: c for c in page.columns}
    columns = {h: at[c.at] for h, c in whole.columns.items()}
    return Match(page, whole.sheet, columns, whole.score, (heading, words), at[whole.text.at] if whole.text else None)


def _as_sheet(page: Page, sheet: str) -> Match | None:
    """A page taken as that sheet, or None where it lacks what the sheet cannot do without."""
    columns = assigned(page, sheet)
    placed = {heading: column for heading, (_, column) in columns.items()}
    text = _free_text(page, placed) if sheet == "returns" and "component" not in placed else None
    sure = sum(points for points, _ in columns.values()) / 10
    score = sure + _name_bonus(page, sheet) + _telling(page, sheet, placed, text)
    complete = not _lacking(sheet, {*placed, *(("component",) if text else ())}) and not _speaks_against(page, sheet)
    return Match(page, sheet, placed, score, None, text) if complete and score >= _ENOUGH else None


def _speaks_against(page: Page, sheet: str) -> bool:
    """Whether a page cannot be that sheet: limits and parts name no units; a page called returns is one of them, or of builds with a component."""
    if sheet in OF_NO_UNIT:
        return any(_points("builds", "serial", c.heading, c.key) >= 5.0 and _numbers_units(c) for c in page.columns)
    parts = any(component_named(c.heading) for c in page.columns)
    called = _name_bonus(page, "returns") > _name_bonus(page, sheet)
    return called and sheet != "returns" and not (sheet == "builds" and parts)


def _numbers_units(column: Column) -> bool:
    """Whether a column holds many names with a figure in them, as serials are."""
    return len(column.counts) >= _MANY_UNITS and column.share(any(map(str.isdigit, t)) for t in column.some) >= 0.9


def _lacking(sheet: str, there: Collection[str]) -> list[tuple[str, ...]]:
    """Groups of headings of which a sheet needs one, and none is there."""
    groups = [*((heading,) for heading in HEADINGS[sheet].required), *HEADINGS[sheet].one_of]
    return list(filter(lambda group: not set(group) & set(there), groups))


def _telling(page: Page, sheet: str, placed: dict[str, Column], text: Column | None) -> float:
    """What speaks for one sheet and not for its likes."""
    if sheet == "builds":
        return _like_builds(page, placed)
    if sheet == "returns":
        told = len(placed.keys() & _OF_RETURNS)
        return 0.4 * told + 0.8 * (text is not None) - 0.5 * (told == 0 and text is None)
    if sheet == "readings":
        return 0.3 * ("odometer" in placed) - 0.3 * max(len(page.columns) - 5, 0)
    return -0.3 * max(len(page.columns) - len(placed), 0)


def _like_builds(page: Page, placed: dict[str, Column]) -> float:
    """Columns of parts, and serials that come once."""
    taken = set(map(Column.place, placed.values()))
    parts = list(filter(lambda c: component_named(c.heading) and c.at not in taken, page.columns))
    serials = placed.get("serial")
    once = serials is not None and len(serials.counts) > 0.9 * serials.filled
    return 0.5 * len(parts) + 0.4 * once - 1.0 * ("component" in set(map(Column.name, page.columns)))


def _name_bonus(page: Page, sheet: str) -> float:
    """How surely the name of a page or file says the sheet."""
    name = heading_key(page.stem)
    if name == heading_key(sheet):
        return 3.0
    inside = list(filter(lambda w: f" {w} " in f" {name} ", SHEET_WORDS[sheet]))
    at_end = any(name.startswith(w) or name.endswith(w) for w in inside)
    return 1.5 * at_end or 0.8 * bool(inside)


def assigned(page: Page, sheet: str) -> dict[str, tuple[float, Column]]:
    """Our heading -> how surely, and the column: the surest pairs first, each heading and column of the ``page`` once. sheet: as which it is read."""
    pairs = ((h, c) for h in HEADINGS[sheet].known for c in page.columns)
    rated = [(_points(sheet, h, c.heading, c.key), h, c) for h, c in pairs]
    likely = filter(lambda r: r[0] >= _SURELY.get(r[1], 1.0) and _can_be(r[1], sheet, r[2]), rated)
    found: dict[str, tuple[float, Column]] = {}
    taken: set[int] = set()
    for points, heading, column in sorted(likely, key=lambda r: -r[0]):  # of equals in the order of our headings
        if heading not in found and column.at not in taken:
            found[heading] = (points, column)
            taken.add(column.at)
    last = _only_date, _only_component, _only_use
    return found | dict(chain.from_iterable(only(page, sheet, set(found), taken).items() for only in last))


def _only_date(
    page: Page, sheet: str, found: Collection[str], taken: Collection[int]
) -> dict[str, tuple[float, Column]]:
    """Where a sheet needs a date and none is headed like it: the only column of dates left, as the last date that will do."""
    needed = list(filter(lambda h: h in HEADINGS[sheet].dates, chain.from_iterable(_lacking(sheet, found))))
    spare = list(filter(lambda c: c.at not in taken and c.dated() >= 0.9, page.columns))
    return {needed[-1]: (2.0, spare[0])} if needed and len(spare) == 1 else {}


def _only_component(
    page: Page, sheet: str, found: Collection[str], taken: Collection[int]
) -> dict[str, tuple[float, Column]]:
    """Where a sheet needs a component and no column is headed like it: the only one left whose words are components."""
    spare = filter(lambda c: c.at not in taken and c.share(map(_names_components, c.some)) >= 0.6, page.columns)
    told = list(spare) if ("component",) in _lacking(sheet, found) else []
    return {"component": (2.0, told[0])} if len(told) == 1 else {}


def _only_use(
    page: Page, sheet: str, found: Collection[str], taken: Collection[int]
) -> dict[str, tuple[float, Column]]:
    """Where no column of builds is headed as the use: the only one left whose words are uses."""
    spare = filter(
        lambda c: c.at not in taken and c.share(bool(uses_named(text)) for text in c.some) >= 0.6, page.columns
    )
    told = list(spare) if sheet == "builds" and "use" not in found else []
    return {"use": (1.0, told[0])} if len(told) == 1 and _can_be("use", sheet, told[0]) else {}


def names_some(column: Column) -> bool:
    """Whether half the texts of a column name a component, beside other words or alone."""
    return column.share(any(t in _COMPONENT_TOKENS for t in heading_key(text).split()) for text in column.some) >= 0.5


def uses_named(text: str) -> list[str]:
    """The uses, by our words, that a ``text`` names."""
    words = f" {heading_key(text)} "
    return list(filter(lambda use: any(f" {name} " in words for name in USE_WORDS[use]), USE_WORDS))


def _names_components(text: str) -> bool:
    words = [heading_key(name).split() for name in listed(text)]
    return all(len(own) < TEXT_WORDS and not _COMPONENT_TOKENS.isdisjoint(own) for own in words)


def _is_component_word(text: str) -> bool:
    return _names_components(text) and not any(map(str.isdigit, text))


@cache
def _points(sheet: str, heading: str, typed: str, key: str) -> float:
    """How surely a column typed so is that heading: 0 to 10."""
    names = (heading_key(heading), *HEADING_WORDS.get(sheet, {}).get(heading, ()))
    if "#" not in typed and names[0] in (heading_key(typed), key):
        return 10.0  # 'Order #' numbers the row's order, 'Order' may be what failed first
    places = (heading_key(typed), heading_key(typed.replace("#", " no ")), key)
    rank = next((names.index(place) for place in places if place in names), 0)
    if not rank and not POWER_UNITS.isdisjoint(names) and not POWER_UNITS.isdisjoint(heading_key(typed).split()):
        return 4.0
    return 9.0 - 3.0 * rank / len(names) if rank else _loosely(names, key)


def _loosely(names: Sequence[str], key: str) -> float:
    """How surely a heading is one of the names that it is not written like."""
    tokens = set(key.split())
    if any(" " in n and set(n.split()) <= tokens for n in names):
        return 5.0
    one_word = any(len(n) > 3 and n in tokens for n in names) and len(tokens) <= 3
    return 4.0 if one_word or (len(key) > 4 and difflib.get_close_matches(key, names, n=1, cutoff=0.86)) else 0.0


def _can_be(heading: str, sheet: str, column: Column) -> bool:
    """Whether what a column holds can stand under a heading."""
    if not column.filled:
        return True
    if heading in HEADINGS[sheet].dates:
        return column.dated() >= 0.5
    if heading in AMOUNTS:
        return column.measured(AMOUNTS[heading]) >= 0.5
    if heading in FIGURES:
        return column.numeric() >= 0.5
    if heading == "serial":
        return column.dated() < 0.5 and column.words() < TEXT_WORDS
    if heading == "power_measured_at":
        return column.share(map(_says_where_measured, column.some)) >= 0.5
    return heading not in _WORDED or (_is_worded(heading, column) and not _is_anothers(heading, sheet, column))


def _is_worded(heading: str, column: Column) -> bool:
    """Whether a column holds words, or names of parts."""
    named = heading in _NAMING and column.share(map(_has_letters, column.some)) >= 0.5  # '7 plate' begins as a figure
    return column.dated() < 0.5 and (named or column.numeric() < 0.9) and column.words() < 2 * TEXT_WORDS


def _is_anothers(heading: str, sheet: str, column: Column) -> bool:
    """Whether the words under a heading are those of another: under 'Reason' what was found, under 'Failed part' the input shaft."""
    if heading == "cause":
        return column.share(map(_finds, column.some)) >= 0.4
    return heading == "part" and sheet == "returns" and column.share(map(_is_component_word, column.some)) >= 0.6


def _says_where_measured(text: str) -> bool:
    return not set(chain.from_iterable(MEASURED_AT.values())).isdisjoint(heading_key(text).split())


def _has_letters(text: str) -> bool:
    return any(map(str.isalpha, text))


def _finds(text: str) -> bool:
    words = f" {heading_key(text)} "
    return any(f" {name} " in words for name in chain.from_iterable(FINDING_WORDS.values()))


def _free_text(page: Page, placed: dict[str, Column]) -> Column | None:
    """The column with the longest sentences, where there are any; one that is placed as notes or finding counts too."""
    taken = {placed[h].at for h in placed.keys() - _MAY_BE_TEXT}
    longest = max(filter(lambda c: c.at not in taken, page.columns), key=Column.words, default=None)
    return longest if longest is not None and longest.words() >= TEXT_WORDS else None


@cache
def component_named(text: str) -> str:
    """The component that a heading or word (text) names, by what shops call it; "" for none."""
    key = in_full(heading_key(text))
    bare = " ".join(filterfalse(BESIDE_A_COMPONENT.__contains__, key.split()))
    exact = next((c for c, names in COMPONENT_WORDS.items() if key in names or bare in names), "")
    return exact or next(filter(lambda c: _inside(key, COMPONENT_WORDS[c]), COMPONENT_WORDS), "")


def _inside(key: str, names: Sequence[str]) -> bool:
    return any(len(n) > 3 and f" {n} " in f" {key} " for n in names)
