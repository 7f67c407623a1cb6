"""Cells that name several things at once: several components in one row, several parts in one column of builds."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from itertools import chain, filterfalse

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.cells import is_blank
from analytics.records.headings import heading_key
from analytics.records.names import fold
from analytics.records.parts import component_words, no_name
from analytics.records.shop import Shop
from analytics.records.source import Entry, RawSheet, entries_of

#: what stands between components; and between parts, whose names hold some of it: the first that a cell has is meant
_BETWEEN = re.compile(r"\s*(?:[,;/|&+\n]|\band\b)\s*", re.IGNORECASE)
_SEPARATORS = ("\n", ";", "|", ",", " / ", " + ", " & ", " and ", "/")
#: words of a row that may be listed in the order of its components
_LISTED = ("finding", "cause", "order")
_PARTS = ("part", "replaced_with", "lot")


class Known:
    """Parts, however written, and the components that each is known of."""

    def __init__(self) -> None:
        self._of: defaultdict[str, set[str]] = defaultdict(set)

    def add(self, component: str, names: Iterable[str]) -> None:
        """Parts of a ``component`` by their ``names``; a name that lists several is none."""
        for name in filter(lambda name: len(pieces(name)) == 1, names):
            self._of[fold(name)].add(component)

    def of(self, name: str, among: Collection[str] | None = None) -> set[str]:
        """The components, ``among`` some of them, that have a part of that ``name``."""
        found = self._of.get(fold(name), set()) if fold(name) else set()
        return found if among is None else found & set(among)


def each_by_itself(sheets: Mapping[str, RawSheet], shop: Shop) -> dict[str, RawSheet]:
    """The ``sheets`` with a row for each component that one row names, and for each component of builds its own part, where one column
    holds the parts of several; ``shop``: whose components and parts they are. What was done is noted."""
    known, groups = _told(sheets, shop), _sharing(shop)
    for (component,) in filter(lambda group: len(group) == 1, groups):
        known.add(component, pd.unique(sheets["builds"].table[f"component:{component}"]))
    builds = _parts_of_builds(sheets["builds"], groups, known)
    named = filter(lambda name: "component" in sheets[name].table, sheets.keys() & {"returns", "fitted"})
    by_part = {name: _by_its_part(sheets[name], known, shop) for name in named}
    return {**sheets, "builds": builds, **{name: _rows_of(raw, known, shop) for name, raw in by_part.items()}}


def pieces(text: str) -> list[str]:
    """The names in a ``text`` that lists several; itself where it lists none."""
    between = next(filter(text.__contains__, _SEPARATORS), "\n")
    return list(filterfalse(is_blank, map(str.strip, text.split(between))))


def _told(sheets: Mapping[str, RawSheet], shop: Shop) -> Known:
    """Parts by the settings and by the rows of sheets that name a component and a part."""
    known, words = Known(), component_words(shop)
    for component, parts in shop.names.parts.items():
        for name in chain(parts, *parts.values()):
            known._of[fold(name)].add(component)  # the owner's word, whatever it holds
    for raw in filter(lambda raw: {"component", "part"} <= set(raw.table), sheets.values()):
        for typed, part in set(zip(raw.table["component"], raw.table["part"], strict=True)):
            ours = words.get(heading_key(typed), "")
            known.add(ours, [] if not ours or no_name(part, ours) else [part])
    return known


# ---- parts of builds -----------------------------------------------------------------------------------------------


def _parts_of_builds(builds: RawSheet, groups: list[tuple[str, ...]], known: Known) -> RawSheet:
    """Builds with the part of each component alone in its column."""
    for group in groups:
        codes, texts = pd.factorize(builds.table[f"component:{group[0]}"])
        if len(group) > 1 or max(map(len, map(pieces, texts)), default=0) > 1:
            picked = [_allot(text, group, known) for text in texts]
            columns = {f"component:{c}": _picked(picked, c, codes) for c in group}
            notes = _notes(builds, group, codes, [why for _, why in picked])
            builds = replace(builds, table=builds.table.assign(**columns), notes=_with(builds.notes, notes))
    return builds


def _picked(picked: list[tuple[dict[str, str], list[str]]], component: str, codes: np.ndarray) -> np.ndarray:
    return np.array([*(taken.get(component, "") for taken, _ in picked), ""], object)[codes]


def _notes(builds: RawSheet, group: tuple[str, ...], codes: np.ndarray, why: list[list[str]]) -> list[Entry]:
    """What is to be said of a column of builds, once per cause with the number of rows. why: of each distinct cell."""
    column = f"component:{group[0]}"
    entries: list[Entry] = []
    for reason in dict.fromkeys(chain.from_iterable(why)):
        rows = np.flatnonzero(np.array([reason in of_text for of_text in why])[codes])
        among = f", in {len(rows)} rows" if len(rows) > 1 else ""
        raw = builds.table[column].iat[rows[0]]
        entry = (int(rows[0]), builds.typed[column], raw, reason + among, _remedy(group), Issue.SEVERAL_NAMES)
        entries.append(entry)
    return entries


def _sharing(shop: Shop) -> list[tuple[str, ...]]:
    """Components by the column of builds that holds their parts."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for component, heading in shop.components.items():
        groups.setdefault(tuple(map(heading_key, shop.headings_of("builds", heading))), []).append(component)
    return list(map(tuple, groups.values()))


def _allot(text: str, group: tuple[str, ...], known: Known) -> tuple[dict[str, str], list[str]]:
    """Component -> its part as a cell of the column of a group names it, and what is to be said of it."""
    alone = len(group) == 1
    names = [text] if alone and known.of(text) else pieces(text)
    if alone and sum(map(bool, map(known.of, names))) < 2:
        return {group[0]: text}, []  # one part, whose name may hold a comma
    own: dict[str, list[str]] = {component: [] for component in group}
    for name in names:
        whose = known.of(name, group)
        own.get(min(whose, default=""), []).extend([name] * (len(whose) == 1))
    taken = {component: mine[0] for component, mine in own.items() if len(mine) == 1}
    return taken, [_read_alone(text, taken.get(group[0]))] if alone else _unsure(names, own, known)


def _read_alone(text: str, taken: str | None) -> str:
    what = f"read as {taken}" if taken else "which of them the unit had is taken as not recorded"
    return f"{text!r} names several parts: {what}"


def _unsure(names: list[str], own: Mapping[str, list[str]], known: Known) -> list[str]:
    """What is not known of the parts in a cell."""
    strange = filterfalse(lambda name: known.of(name, own), names)
    told = [f"{name!r} is known as no part of {' or '.join(own)}" for name in strange]
    twice = filter(lambda component: len(own[component]) > 1, own)
    told += [f"{' and '.join(own[component])} are parts of one {component}" for component in twice]
    return [f"{why}: taken as not recorded" for why in told]


def _remedy(group: tuple[str, ...]) -> str:
    listed = f'list it under [parts."{group[0]}"] in shop.toml, as "its name" = []'
    if len(group) == 1:
        return f"leave one part in the cell; if this is the name of one, {listed}"
    return f"{listed}, or under that of the component it is of; or correct the cell"


# ---- rows that name a part in place of a component -----------------------------------------------------------------


def _by_its_part(raw: RawSheet, known: Known, shop: Shop) -> RawSheet:
    """A sheet whose rows may name, under component, a part that one component alone has: that component, and the part where none is named."""
    words, typed = component_words(shop), raw.table["component"]
    owner = {t: min(known.of(t)) for t in pd.unique(typed) if heading_key(t) not in words and len(known.of(t)) == 1}
    of_part = typed.isin(owner)
    if not of_part.any():
        return raw
    part = raw.table.get("part", pd.Series("", index=typed.index, dtype=object))
    table = raw.table.assign(component=typed.map(owner).fillna(typed), part=part.mask(of_part & (part == ""), typed))
    notes = [_named_by_part(raw, typed, text, component) for text, component in owner.items()]
    return replace(raw, table=table, typed_as=raw.typed_as.assign(component=typed), notes=_with(raw.notes, notes))


def _named_by_part(raw: RawSheet, typed: pd.Series, text: str, component: str) -> Entry:
    at, told = int(np.flatnonzero(typed == text)[0]), f"is a part of {component}: read as that component"
    return at, raw.typed["component"], text, told, "nothing to do if that is right", Issue.BY_PART


# ---- rows that name several components -----------------------------------------------------------------------------


def _rows_of(raw: RawSheet, known: Known, shop: Shop) -> RawSheet:
    """A row of its own for each component that a row names."""
    words = component_words(shop)
    codes, texts = pd.factorize(raw.table["component"])
    named = {text: _components_in(text, words) for text in texts}
    times = np.array([*map(len, named.values()), 1])[codes]
    listing = np.array([*(named[text] != [text] for text in texts), False])[codes] & ~_no_record(raw)
    times[~listing] = 1
    if not listing.any():
        return raw
    start = np.cumsum(times) - times
    at = np.repeat(np.arange(len(times)), times)
    table = raw.table.iloc[at].reset_index(drop=True)
    typed_as = (
        raw.typed_as.iloc[at].reset_index(drop=True) if len(raw.typed_as.columns) else pd.DataFrame(index=table.index)
    )
    typed_as["component"] = table["component"].copy()  # as typed: below it is written over
    notes: list[Entry] = []
    for row in np.flatnonzero(listing):
        names = named[raw.table["component"].iat[row]]
        ours = list(map(words.get, map(heading_key, names), names))
        cells, unsure = _cells_of(raw.table.iloc[row].to_dict(), ours, known)
        table.loc[start[row] : start[row] + len(names) - 1, list(cells)] = pd.DataFrame(
            cells | {"component": names}
        ).to_numpy()
        if len(names) > 1:
            notes.append(_of_several(raw, int(row), int(start[row]), ours, unsure))
    return replace(
        raw,
        table=table,
        typed_as=typed_as,
        **{side: getattr(raw, side)[at] for side in ("file", "sheet", "row", "decimal")},
        structure=raw.structure.assign(at=start[raw.structure["at"].to_numpy(int)]),
        notes=_with(raw.notes.assign(at=start[raw.notes["at"].to_numpy(int)]), notes),
    )


def _no_record(raw: RawSheet) -> np.ndarray:
    return np.isin(np.arange(len(raw.table)), raw.structure["at"].to_numpy(int))


def listed(text: str) -> list[str]:
    """The components in a ``text`` that lists several; itself where it lists none."""
    return list(filter(None, map(str.strip, _BETWEEN.split(text))))


def _components_in(text: str, words: Mapping[str, str]) -> list[str]:
    """The components that a cell names, each once; the cell itself where it is one by itself, or names none."""
    names = listed(text)
    if heading_key(text) in words or words.keys().isdisjoint(map(heading_key, names)):
        return [text]
    return list({words.get(heading_key(name), name): name for name in names}.values())


def _cells_of(row: Mapping[str, str], ours: list[str], known: Known) -> tuple[dict[str, list[str]], list[str]]:
    """Our heading -> its cell for each component; and the cells of which nobody can tell whose they are."""
    n = len(ours)
    cells = {"component": ours}
    for heading in filter(row.__contains__, _LISTED):
        each, alike = pieces(row[heading]), "" if heading == "order" else row[heading]  # two cannot both be first
        cells[heading] = each if len(each) == n else [alike] * n
    told = {heading: _of_each(row[heading], ours, known) for heading in filter(row.__contains__, _PARTS)}
    cells |= {heading: found or [""] * n for heading, found in told.items()}
    if "cost" in row:
        cells["cost"] = [row["cost"], *[""] * (n - 1)]
    return cells, [row[heading] for heading in told if told[heading] is None]


def _of_each(text: str, ours: list[str], known: Known) -> list[str] | None:
    """The part of each component by a cell; None where that cannot be told."""
    if is_blank(text) or no_name(text):
        return [text] * len(ours)
    names = [text] if known.of(text) else pieces(text)
    of = [known.of(name, ours) for name in names]
    if set(map(len, of)) == {1} and len(set.union(*of)) == len(names):
        owner = dict(zip(map(min, of), names, strict=True))
        return [owner.get(component, "") for component in ours]
    in_order = len(names) == len(ours) and all(map(lambda c, o: not c or o in c, of, ours))
    return names if in_order else None


def _of_several(raw: RawSheet, row: int, at: int, ours: list[str], unsure: list[str]) -> Entry:
    told = f"names {len(ours)} components: read as a row for each ({', '.join(ours)})"
    cost = "; the cost stands with the first" if raw.table.get("cost", pd.Series(dtype=object)).get(row, "") else ""
    left = f"; whose {' and '.join(map(repr, unsure))} is cannot be told and is taken as not recorded" if unsure else ""
    remedy = "write each on a row of its own where finding, part or cost differ"
    return at, raw.typed["component"], raw.table["component"].iat[row], told + cost + left, remedy, Issue.SEVERAL_NAMES


def _with(notes: pd.DataFrame, more: list[Entry]) -> pd.DataFrame:
    if not more:
        return notes
    return pd.concat([notes, entries_of(more)], ignore_index=True) if len(notes) else entries_of(more)
