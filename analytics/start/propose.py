"""From what a folder holds to a proposed shop.toml: every setting with its value and why, and what was found beside."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial, reduce
from itertools import chain, filterfalse, product
from operator import attrgetter
from pathlib import Path

from analytics.reasons import Guess, Reason, reason
from analytics.records.cells import is_blank
from analytics.records.files import TEXT_FILE
from analytics.records.headings import HEADINGS, heading_key, unit_of
from analytics.records.names import Alike, alike, fold
from analytics.records.parts import no_name
from analytics.records.together import listed, pieces
from analytics.records.words import CAUSES
from analytics.start.beside import with_comebacks
from analytics.start.infer import Unit, date_order, same_words, units_of
from analytics.start.match import (
    Found,
    Match,
    component_named,
    in_units,
    match,
    near_miss,
    numbered_as_built,
    uses_named,
)
from analytics.start.pages import Column, Looked, Page, look
from analytics.start.sentences import Sentence, sentences
from analytics.start.text import Lexicon, lexicon
from analytics.start.vocabulary import COMPONENT_WORDS, MEASURED_AT, NO_COMPONENT, USE_WORDS

#: asked with two names and how often each was met: whether they are one
Ask = Callable[[str, Alike], bool]
#: columns whose words are counted; and where other sheets name parts
_WORDED = ("use", "finding", "cause", "component")
_PART_PLACES = {"fitted": ("part",), "returns": ("part", "replaced_with"), "limits": ("part",)}
#: a column of parts holds no more names, or a quarter of its cells; so large a share of the cells of one that lists several do
_MOST_PARTS, _STEADY = 15, 0.8
_FILES, _BASES = (".csv", ".xlsx", ".parquet"), (".sqlite", ".sqlite3", ".db")


@dataclass(frozen=True, slots=True)
class Setting:
    """One line of shop.toml. value: what the line sets; why: the guess behind it, None where there is none; sure: False where the
    owner should look at it; remark: the line is proposed as a remark alone."""

    section: str
    key: str
    value: object
    why: Reason | None = None
    sure: bool = True
    remark: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """What was found in a folder and what is proposed of it.

    matches: sheet -> its pages, the surest first. others: pages that are like no sheet, each with the sheet it is nearly and the headings it lacks. components: name -> the column of builds.
    parts: component -> part -> how often met. groups: names that may be one: component, the names, whether they were taken as one.
    words: heading -> word -> how often met. sentences: what was recognised in free text. unknown: components that returns name and builds
    have no column for, with counts.
    """

    folder: Path
    looked: Looked
    matches: Found
    others: tuple[tuple[Page, tuple[str, tuple[str, ...]]], ...]
    settings: tuple[Setting, ...]
    components: Mapping[str, Column]
    parts: Mapping[str, Counter[str]]
    groups: tuple[tuple[str, Alike, bool], ...]
    words: Mapping[str, Counter[str]]
    sentences: tuple[Sentence, ...]
    unknown: Mapping[str, int]


def propose(
    folder: Path, ask: Ask | None = None, own: Mapping[str, str] | None = None, known: Collection[str] = ()
) -> Proposal:
    """Look through a folder and propose its settings.

    ask: says whether names are one (None: nobody can be asked; those that differ by a slip then stay apart). own: the owner's list
    of components, name -> heading, which is taken as it is. known: the owner's other words for components.
    """
    looked = look(folder, leave=(TEXT_FILE,))
    own_pages = in_units(list(chain.from_iterable(map(match, looked.pages))))
    found = _by_sheet(list(chain.from_iterable(map(with_comebacks, own_pages))))
    numbered_as_built(found)
    used = {m.page.name for m in found.every()}
    components = _listed(found, own) if own else _components(found)
    parts = {name: _parts_of(name, column, found) for name, column in components.items()}
    groups = _groups(parts, ask or (lambda component, group: group.sure))
    whole = {heading_key(c.heading) for c in components.values()}
    words = {
        heading: _words_met(found.anywhere(heading), whole if heading == "component" else None) for heading in _WORDED
    }
    theirs = {_tidy(part) for met in parts.values() for part in met}
    unknown = _unknown(words["component"], components, {*map(_tidy, known), *theirs})
    told = sentences(found.get("returns", ()), _lexicon(components, parts), _not_theirs(components))
    return Proposal(
        folder=folder,
        looked=looked,
        matches=found,
        others=tuple((page, near_miss(page)) for page in looked.pages if page.name not in used),
        settings=(
            Setting("shop", "name", folder.resolve().name, reason(Guess.NAME)),
            *_first_day(found),
            *map(_component, components, components.values(), parts.values()),
            *_places(found, bool(told)),
            *_headings(found, bool(told)),
            *_dates(found),
            *_units(found),
            *_measured_at(found),
            *_spellings(groups, ask is not None),
            *_parts_listed(components, parts, groups),
            *_same_words(words),
            *_component_words(words["component"], components, unknown),
        ),
        components=components,
        parts=parts,
        groups=groups,
        words=words,
        sentences=tuple(told),
        unknown=unknown,
    )


def _by_sheet(found: Sequence[Match]) -> Found:
    """The pages of each sheet: the surest, and those headed like it, in order of file and page."""
    result = Found()
    for sheet in HEADINGS:
        own = list(filter(lambda m: m.sheet == sheet, found))
        if own:
            best = max(own, key=lambda m: m.score)
            result[sheet] = tuple(filter(lambda m: _headed_alike(best, m), own))
    return result


def _headed_alike(one: Match, other: Match) -> bool:
    """Whether two pages can be one sheet: the same headings of ours found, most of them at least."""
    kinds = [(m.text is None, m.rows is None) for m in (one, other)]
    a, b = set(one.columns), set(other.columns)
    return kinds[0] == kinds[1] and 2 * len(a & b) >= len(a | b)


# ---- components and parts ------------------------------------------------------------------------------------------


def _components(found: Found) -> dict[str, Column]:
    """Columns of builds that hold parts, by the name of the component: what returns call it, else what the heading says."""
    pages, told = found.get("builds", ()), _told_parts(found)
    whole = [_over_pages(column, pages) for m in pages[:1] for column in m.spare()]
    named = {_component_name(column, told): column for column in reversed(whole)}
    named.pop("", None)
    listing = list(filter(None, map(_parts_by_place, whole)))
    return dict(reversed(named.items())) | dict(chain.from_iterable(_named(c, told).items() for c in listing))


def _listed(found: Found, own: Mapping[str, str]) -> dict[str, Column]:
    """The columns of the components that the owner lists; those that are not there are left out."""
    pages = found.get("builds", ())
    columns = {heading_key(c.heading): c for m in reversed(pages) for c in m.page.columns}
    there = {name: columns.get(heading_key(heading)) for name, heading in own.items()}
    whole = {name: _over_pages(column, pages) for name, column in there.items() if column is not None}
    for at in set(map(Column.place, whole.values())):
        names = list(filter(lambda name: whole[name].at == at, whole))
        whole |= _named(_parts_by_place(whole[names[0]]), _told_parts(found), names) if len(names) > 1 else {}
    return whole


def _named(columns: Sequence[Column], told: Mapping[str, set[str]], own: Sequence[str] = ()) -> dict[str, Column]:
    """The columns of one that holds the parts of several components, by component: as other sheets tell by the parts, else the one left,
    else in the order of the owner's ``own`` list, else numbered."""
    names = [_voted(column, told) for column in columns]
    left = list(filterfalse(names.__contains__, own or told))
    if own or len(left) == names.count("") == 1:
        spare = iter(left)
        names = [name if name in (own or told) else next(spare, "") for name in names]
    numbered = [f"{heading_key(column.heading)} {at}" for at, column in enumerate(columns, 1)]
    return dict(zip(map(lambda name, number: name or number, names, numbered), columns, strict=True))


def _voted(column: Column, told: Mapping[str, set[str]]) -> str:
    """The component that other sheets name most of a column's parts of; "" for none."""
    parts = set(map(fold, column.counts))
    best = max(told, key=lambda word: len(parts & told[word]), default="")
    return best if parts & told.get(best, set()) else ""


def _parts_by_place(column: Column) -> list[Column]:
    """A ``column`` that lists several parts in each cell, always in one order, as a column for each; none where it is not such a one."""
    cells = list(map(pieces, column.texts))
    met = Counter(chain.from_iterable(map(enumerate, cells)))
    home = {name: at for (at, name), _ in reversed(met.most_common())}
    steady = sum(met[at, name] for name, at in home.items()) >= _STEADY * met.total()
    several = sum(len(names) > 1 for names in cells) >= _STEADY * max(column.filled, 1)
    few = 0 < len(home) <= max(_MOST_PARTS, column.filled // 4)
    names = steady and several and few and column.dated() <= 0.5 and not any(map(str.isdigit, home))
    return [_at_place(column, cells, home, at) for at in sorted(set(home.values()))] if names else []


def _at_place(column: Column, cells: Sequence[Sequence[str]], home: Mapping[str, int], at: int) -> Column:
    texts = (next(filter(lambda name: home[name] == at, names), "") for names in cells)
    return Column(column.heading, column.at, list(texts))


def _over_pages(column: Column, pages: Sequence[Match]) -> Column:
    """A column of the first page with the texts of those headed alike on the others."""
    every = chain.from_iterable(m.page.columns for m in pages)
    same = filter(lambda c: heading_key(c.heading) == heading_key(column.heading), every)
    return Column(column.heading, column.at, list(chain.from_iterable(c.texts for c in same)))


def _told_parts(found: Found) -> dict[str, set[str]]:
    """Component as other sheets call it -> folded names of the parts named beside it."""
    told: dict[str, set[str]] = {}
    words = chain.from_iterable(c.counts for c in found.anywhere("component"))
    for component in chain.from_iterable(map(listed, words)):
        told.setdefault(_tidy(component), set())
    for component, part in chain.from_iterable(found.pairs(sheet, "component", "part") for sheet in found):
        if len(listed(component)) == 1:
            told.setdefault(_tidy(component), set()).add(fold(part))
    told.pop("", None)
    return told


def _tidy(text: str) -> str:
    return "" if is_blank(text) else " ".join(text.split()).casefold()


def _component_name(column: Column, told: Mapping[str, set[str]]) -> str:
    """What a column of builds is the component of; "" where it holds no parts."""
    if not _may_hold_parts(column):
        return ""
    named = component_named(column.heading)
    parts = set(map(fold, column.counts))
    votes = {word: len(parts & (names - {""})) for word, names in told.items()}
    shared = list(filter(lambda word: votes[word], votes)) or ([] if named else _like_heading(column, told))
    same = any(component_named(word) == named for word in told)
    return named if named and (same or not shared) else max(shared, key=lambda w: (votes[w], -len(w)), default="")


def _like_heading(column: Column, told: Iterable[str]) -> list[str]:
    """The one component of other sheets that a heading is a word of, or that is a word of it: 'shaft' of 'input shaft'."""
    own = set(heading_key(column.heading).split())
    if not own.isdisjoint(NO_COMPONENT):
        return []
    like = list(filter(lambda word: own <= set(word.split()) or set(word.split()) <= own, told))
    return like if len(like) == 1 else []


def _may_hold_parts(column: Column) -> bool:
    """Whether a column has few names, met often."""
    few = 0 < len(column.counts) <= max(_MOST_PARTS, column.filled // 4) and not _parts_by_place(column)
    return few and column.dated() <= 0.5 and column.words() <= 4


def _parts_of(name: str, column: Column, found: Found) -> Counter[str]:
    """Names of parts of a component over all sheets, with how often each was met."""
    places = [(s, h) for s, heads in _PART_PLACES.items() for h in heads]
    pairs = chain.from_iterable(found.pairs(sheet, "component", heading) for sheet, heading in places)
    beside = (part for component, part in pairs if _is_component(component, name, column))
    met = _spelt(Counter(map(_spaced, chain(column.counts.elements(), beside))))
    return Counter({part: n for part, n in met.items() if not is_blank(part) and not no_name(part, name)})


def _spelt(met: Counter[str]) -> Counter[str]:
    """Names with those that differ in capitals alone counted under the one met most."""
    leads: dict[str, str] = {}
    whole: Counter[str] = Counter()
    for name, times in met.most_common():
        whole[leads.setdefault(name.casefold(), name)] += times
    return whole


def _spaced(text: str) -> str:
    return " ".join(text.split())


def _is_component(text: str, name: str, column: Column) -> bool:
    key = heading_key(text)
    return (
        key in (heading_key(name), heading_key(column.heading)) or component_named(text) == component_named(name) != ""
    )


def _groups(parts: Mapping[str, Counter[str]], ask: Ask) -> tuple[tuple[str, Alike, bool], ...]:
    pairs = [(component, group) for component, met in parts.items() for group in alike(met, component)]
    return tuple((component, group, ask(component, group)) for component, group in pairs)


def _lexicon(components: Mapping[str, Column], parts: Mapping[str, Counter[str]]) -> Lexicon:
    """What can be recognised in sentences; of a part spelt several ways the name met most."""
    headings = {name: column.heading for name, column in components.items()}
    return lexicon(headings, {name: [part for part, _ in met.most_common()] for name, met in parts.items()})


def _not_theirs(components: Mapping[str, Column]) -> Lexicon:
    """The components that shops have and this one has no column of."""
    theirs = {component_named(word) for name, column in components.items() for word in (name, column.heading)}
    return lexicon({name: name for name in COMPONENT_WORDS if name not in theirs}, {})


def _component(name: str, column: Column, parts: Counter[str]) -> Setting:
    most = tuple(parts.most_common(4))
    return Setting("components", name, column.heading, reason(Guess.COMPONENT, parts=most, distinct=len(parts)))


def _parts_listed(
    components: Mapping[str, Column], parts: Mapping[str, Counter[str]], groups: Sequence[tuple[str, Alike, bool]]
) -> list[Setting]:
    """The parts of components that stand in one column, so that each is known for whose it is."""
    columns = Counter(map(Column.place, components.values()))
    spelt = set(chain.from_iterable(product([component], (g.name, *g.others)) for component, g, _ in groups))
    shared = filter(lambda name: columns[components[name].at] > 1, components)
    pairs = filterfalse(spelt.__contains__, chain.from_iterable(product([name], parts[name]) for name in shared))
    return [_part_listed(components[name].heading, name, part, parts[name][part]) for name, part in pairs]


def _part_listed(heading: str, component: str, part: str, rows: int) -> Setting:
    return Setting(f'parts."{component}"', part, [], reason(Guess.LISTED, heading=heading, rows=rows), sure=False)


def _unknown(met: Counter[str], components: Mapping[str, Column], known: Collection[str]) -> dict[str, int]:
    """Components that other sheets name, and that neither builds have a column for nor the owner's words explain."""
    new = filterfalse(known.__contains__, met)
    return {w: met[w] for w in new if not any(_is_component(w, name, c) for name, c in components.items())}


# ---- lines of shop.toml --------------------------------------------------------------------------------------------


def _first_day(found: Found) -> list[Setting]:
    """A remark on the first day that returns are on record from, which no column tells."""
    line = Setting("shop", "records_start", "2020-01-01", reason(Guess.RECORDS_START), remark=True)
    return [line] if "returns" in found else []


def _places(found: Found, from_text: bool) -> list[Setting]:
    """Where each sheet is kept, but for those that are found by their name."""
    named = {sheet: own for sheet, own in found.items() if not _found_unasked(sheet, own)}
    if from_text:
        page = named.pop("returns", found["returns"])[0].page.name
        text = Setting("sheets.returns", "file", TEXT_FILE, reason(Guess.FROM_TEXT, page=page), sure=False)
        return [text, *chain.from_iterable(map(_place, named, named.values()))]
    return list(chain.from_iterable(map(_place, named, named.values())))


def _place(sheet: str, own: Sequence[Match]) -> list[Setting]:
    """File, pages and rows of one sheet."""
    section = f"sheets.{sheet}"
    files, pages = (_each([getattr(m.page, what) for m in own]) for what in ("file", "page"))
    why = reason(Guess.PAGES, pages=tuple(m.page.name for m in own), rows=sum(m.page.rows for m in own))
    lines = [Setting(section, "file", _one_or_all(files), why)]
    lines += [Setting(section, "sheet", _one_or_all(pages))] if pages else []
    if headings := own[0].page.lines:
        lines.append(
            Setting(section, "lines", list(headings), reason(Guess.LINES, component=headings[0], part=headings[1]))
        )
    return lines + (_kinds(section, own[0].rows) if own[0].rows else [])


def _kinds(section: str, rows: tuple[str, tuple[str, ...]]) -> list[Setting]:
    heading, words = rows
    return [Setting(section, "rows", {heading: list(words)}, reason(Guess.KINDS, heading=heading, words=words))]


def _each(names: Sequence[str]) -> list[str]:
    """Names that say anything, each once."""
    return list(dict.fromkeys(filter(None, names)))


def _found_unasked(sheet: str, own: Sequence[Match]) -> bool:
    """Whether a sheet is found by its name alone."""
    page, path = own[0].page, Path(own[0].page.file)
    if len(own) > 1 or own[0].rows is not None or page.lines is not None:
        return False
    if path.suffix.casefold() in _BASES:
        return page.page == sheet
    return path.stem.casefold() == sheet and path.suffix.casefold() in _FILES and page.page in ("", sheet)


def _one_or_all(names: Sequence[str]) -> object:
    return names[0] if len(names) == 1 else list(names)


def _headings(found: Found, from_text: bool) -> list[Setting]:
    """What each sheet calls its headings, where it is not as we do."""
    sheets = filter(lambda sheet: sheet != "returns" or not from_text, found)
    pairs = [(sheet, heading) for sheet in sheets for heading in HEADINGS[sheet].known]
    return list(filter(None, (_heading(sheet, heading, found.columns(sheet, heading)) for sheet, heading in pairs)))


def _heading(sheet: str, heading: str, columns: Sequence[Column]) -> Setting | None:
    typed = list({heading_key(c.heading): c.heading for c in columns}.values())
    if not typed or heading_key(" ".join(typed)) == heading_key(heading):
        return None
    why = reason(Guess.HEADINGS, headings=tuple(typed))
    if len(typed) == 1:
        example = next(iter(columns[0].counts), "")
        why = reason(Guess.HEADING, example=example, filled=sum(c.filled for c in columns))
    return Setting(f"headings.{sheet}", heading, _one_or_all(typed), why, sure=heading_key(typed[0]) != "date")


def _dates(found: Found) -> list[Setting]:
    told = date_order(found)
    why = reason(Guess.DATES, only=told.only, example=told.example)
    return [Setting("dates", "order", told.order, why)] if told.order else []


def _units(found: Found) -> list[Setting]:
    units = units_of(found)
    return [
        Setting("units", kind, u.unit, _why_unit(u), sure=u.by in ("heading", "cells")) for kind, u in units.items()
    ]


def _measured_at(found: Found) -> list[Setting]:
    """That power is measured at the wheels, where the words of its headings say so and no unit of theirs does, by which each cell is read."""
    columns = found.columns("builds", "power")
    wheels = all(map(_at_the_wheels, columns))
    return [
        Setting("power", "measured_at", "wheels", reason(Guess.UNIT_OF_HEADING, heading=c.heading))
        for c in columns[: int(wheels)]
    ]


def _at_the_wheels(column: Column) -> bool:
    words = set(MEASURED_AT["wheels"])
    return unit_of(column.heading) not in words and not words.isdisjoint(heading_key(column.heading).split())


def _why_unit(unit: Unit) -> Reason:
    told = {
        "heading": reason(Guess.UNIT_OF_HEADING, heading=unit.heading),
        "cells": reason(Guess.UNIT_OF_CELLS, cells=unit.cells, example=unit.heading),
        "size": reason(Guess.UNIT_BY_SIZE, middle=unit.middle),
        "others": reason(Guess.UNIT_LIKE_OTHERS),
        "": reason(Guess.UNIT_USUAL),
    }
    return told[unit.by]


def _spellings(groups: Sequence[tuple[str, Alike, bool]], asked: bool) -> list[Setting]:
    """The lines of all groups of names, one line for each name: a file that sets one twice cannot be read. A remark holds the line it would
    stand in place of."""
    lines: dict[tuple[str, str], Setting] = {}
    remarks: list[Setting] = []
    for line in chain.from_iterable(_spelling(told, asked) for told in groups):
        others = list(filter(None, (lines.get((line.section, name)) for name in (line.key, *_named_by(line)))))
        whole = reduce(_joined, others, line)
        if line.remark:
            remarks.append(replace(whole, why=reason(Guess.INSTEAD)) if others else whole)
            continue
        lines = {at: own for at, own in lines.items() if at[0] != line.section or at[1] not in _named_by(line)}
        lines[line.section, line.key] = whole
    return [*lines.values(), *remarks]


def _named_by(line: Setting) -> list[str]:
    return [name for name in line.value if name != line.key] if isinstance(line.value, list) else []


def _joined(line: Setting, own: Setting) -> Setting:
    """A line with the names of another that stands for one of its own."""
    return replace(line, value=list(dict.fromkeys([*_named_by(own), *_named_by(line)])), sure=line.sure and own.sure)


def _spelling(told: tuple[str, Alike, bool], asked: bool) -> list[Setting]:
    """Names as one part; as parts of their own, where a person said so; as a remark, where nobody could be asked."""
    component, group, same = told
    section, names = f'parts."{component}"', (group.name, *group.others)
    if asked and not same:
        return [Setting(section, name, [], reason(Guess.SEPARATE)) for name in names]
    met = tuple(zip(names, group.counts, strict=True))
    why = reason(Guess.SPELLINGS, met=met) if group.sure else reason(Guess.SLIPS, met=met)
    return [Setting(section, group.name, list(group.others), why, sure=False, remark=not same)]


def _words_met(columns: Sequence[Column], whole: Collection[str] | None) -> Counter[str]:
    """Words of columns, as typed but for case and spaces, with how often each was met. whole: a cell may list more than one, but these keys
    are one; None where none lists any."""
    cells = chain.from_iterable(c.counts.elements() for c in columns)
    if whole is not None:
        cells = chain.from_iterable([cell] if heading_key(cell) in whole else listed(cell) for cell in cells)
    met = Counter(map(_tidy, cells))
    met.pop("", None)
    return met


def _same_words(words: Mapping[str, Counter[str]]) -> list[Setting]:
    """Words of uses, causes and findings that mean one; causes known by themselves are left out."""
    named = [(told[0], word) for word in words["use"] if len(told := uses_named(word)) == 1]
    uses = {ours: [*theirs, *(word for use, word in named if use == ours)] for ours, theirs in USE_WORDS.items()}
    lines = [_words_line("use", ours, theirs, words) for ours, theirs in same_words(words["use"], uses).items()]
    lines += [_words_line("finding", ours, theirs, words) for ours, theirs in same_words(words["finding"], {}).items()]
    causes = {ours: theirs for ours, theirs in same_words(words["cause"], CAUSES).items() if ours in CAUSES}
    new = {ours: list(filter(lambda w: w not in CAUSES[ours], theirs)) for ours, theirs in causes.items()}
    return lines + [_words_line("cause", ours, theirs, words) for ours, theirs in new.items() if theirs]


def _words_line(heading: str, ours: str, theirs: list[str], words: Mapping[str, Counter[str]]) -> Setting:
    why = reason(Guess.SAME_WORDS, met=tuple((w, words[heading][w]) for w in theirs))
    return Setting(f"words.{heading}", ours, theirs, why, sure=False)


def _numbered(components: Mapping[str, Column], name: str) -> bool:
    """Whether a component is called by its place in a column that lists parts."""
    heading, _, place = name.rpartition(" ")
    return place.isdigit() and heading_key(components[name].heading) == heading


def _component_words(met: Counter[str], components: Mapping[str, Column], unknown: Mapping[str, int]) -> list[Setting]:
    """Other words for components; where a column lists parts of which nobody says whose they are, the unknown ones, to choose from."""
    headings = map(attrgetter("heading"), components.values())
    known = set(map(heading_key, chain(components, headings)))
    new = list(filter(lambda word: heading_key(word) not in known, met))
    theirs = {name: list(filter(lambda w: _is_component(w, name, c), new)) for name, c in components.items()}
    named = [_words_line("component", name, own, {"component": met}) for name, own in theirs.items() if own]
    open_ = filter(partial(_numbered, components), components)
    which = list(unknown)
    line = partial(Setting, "words.component", value=which, why=reason(Guess.WHICH), sure=False, remark=True)
    return named + (list(map(line, open_)) if which else [])
