"""What can be read two ways without being wrong by itself: zeros for unknown, parts against builds, names spelt two ways, settings of nothing."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import chain, product

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.book import Sheet
from analytics.records.cells import is_blank
from analytics.records.headings import heading_key
from analytics.records.names import Alike, alike
from analytics.records.ordering import in_service
from analytics.records.own_units import own_distance
from analytics.records.parts import NOT_RECORDED, no_name, part_columns
from analytics.records.shop import Shop, Units

#: a unit in service longer than this has been driven (common practice, no source)
_DRIVEN_DAYS = 7
#: miles since the install and the odometer may differ by as much: a share of the miles, and miles (common practice, no source)
_SHARE_APART, _MILES_APART = 0.1, 200.0
#: where parts stand: see parts.part_columns
Column = tuple[pd.DataFrame, str, np.ndarray, Sheet]
_DAY_OF = {"readings": "read_on", "returns": "failed_on", "changes": "changed_on"}
_ZERO = "0 or 1 after {days} days in service may stand for unknown"
_ZERO_REMEDY = "leave the cell blank if nobody knows; if the truck never ran, write 0 mi"


# ---- figures -------------------------------------------------------------------------------------------------------


def drop_zeros(sheets: Mapping[str, Sheet]) -> None:
    """Odometers and miles of a bare 0 or 1 long after a unit went into service are not believed: people type them for unknown.

    sheets: by name, with their figures read.
    """
    start = in_service(sheets["builds"]).to_numpy().copy()
    if "readings" in sheets:  # a new odometer begins at nought
        told = sheets["readings"].values
        start[told.loc[told["replaced"] & (told["build"] >= 0), "build"].unique()] = np.datetime64("NaT")
    for name in filter(sheets.__contains__, _DAY_OF):
        for heading in filter(sheets[name].values.__contains__, ("odometer", "miles_in_service")):
            _drop_zeros(sheets[name], heading, start)


def _drop_zeros(sheet: Sheet, heading: str, start: np.ndarray) -> None:
    values, day = sheet.values, _DAY_OF[sheet.name]
    on = values[day].fillna(values["returned_on"]) if sheet.name == "returns" else values[day]
    build = values["build"].to_numpy()
    days = (on.to_numpy() - _of_build(start, build, np.datetime64("NaT"))) / np.timedelta64(1, "D")
    zero = sheet.text(heading).isin(["0", "1", "0.0", "00", "000", "0000"]).to_numpy() & (days > _DRIVEN_DAYS)
    if sheet.name == "readings":
        others = values["runs"].notna() | ~values["still_running"].isin(["", "yes"])
        reason = _say_days(zero, days)
        sheet.set_aside(zero & ~others.to_numpy(), heading, reason, _ZERO_REMEDY, Issue.ZERO)
    sheet.doubt(zero, heading, _say_days(zero, days) + ": the figure is not used", _ZERO_REMEDY, Issue.ZERO)
    values.loc[zero, heading] = np.nan


def _of_build(values: np.ndarray, build: np.ndarray, unknown: np.datetime64 | float) -> np.ndarray:
    """What the build of each row says, by its position; ``unknown`` where it has none (-1)."""
    return np.append(values, np.array([unknown], values.dtype))[build]  # the last one stands where -1 points


def _say_days(mask: np.ndarray, days: np.ndarray) -> np.ndarray:
    reason = np.full(len(mask), "", dtype=object)
    reason[mask] = [_ZERO.format(days=int(d)) for d in days[mask]]
    return reason


def doubt_two_figures(returns: Sheet, builds: Sheet, units: Units) -> None:
    """List ``returns`` whose miles since the install and odometer (of ``builds`` at the install) do not agree; the miles are taken.
    units: what distances are said in."""
    values, build = returns.values, returns.values["build"].to_numpy()
    start = _of_build(builds.values["odometer_at_install"].to_numpy(float), build, np.nan)
    since, direct = values["odometer"].to_numpy(float) - start, values["miles_in_service"].to_numpy(float)
    apart = np.abs(since - direct) > np.maximum(_MILES_APART, _SHARE_APART * np.abs(direct))
    reason = np.full(len(apart), "", dtype=object)
    pairs = zip(own_distance(direct[apart], units), own_distance(since[apart], units), strict=True)
    reason[apart] = [
        f"{d:,.0f} {units.distance} since the install, and {s:,.0f} by the odometers: the first is taken"
        for d, s in pairs
    ]
    remedy = "correct the one that is wrong, here or at the install"
    returns.doubt(apart, "miles_in_service", reason, remedy, Issue.TWO_FIGURES)


# ---- parts ---------------------------------------------------------------------------------------------------------


def doubt_part_of_build(returns: Sheet, sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """List ``returns`` of a part that neither the build nor anything put in since names, in whichever of the ``sheets``; components: of ``shop``."""
    builds = sheets["builds"]
    values, build = returns.values, returns.values["build"].to_numpy()
    had = _parts_had(sheets)
    for component in shop.components:
        named = values["part"].isin(["", NOT_RECORDED]).to_numpy()
        own = np.flatnonzero((values["component"] == component).to_numpy() & (build >= 0) & ~named & returns.in_use)
        reason = np.full(len(build), "", dtype=object)
        for at in own:
            built = builds.values[f"component:{component}"].iat[build[at]]
            known = {built.casefold(), *map(str.casefold, had.get((build[at], component), ()))}
            if built not in ("", NOT_RECORDED) and values["part"].iat[at].casefold() not in known:
                reason[at] = _other_part(values["part"].iat[at], built)
        remedy = "correct the part, here or in builds, or enter the part put in between"
        returns.doubt(reason != "", "part", reason, remedy, Issue.OTHER_PART)


def _other_part(part: str, built: str) -> str:
    return f"names {part}, but the unit went out with {built} and no {part} was put in: counted against what it had"


def _parts_had(sheets: Mapping[str, Sheet]) -> dict[tuple[int, str], set[str]]:
    """(build, component) -> parts that were put in after the build."""
    had: dict[tuple[int, str], set[str]] = {}
    for name, heading in (("returns", "replaced_with"), ("fitted", "part")):
        if name in sheets:
            values = sheets[name].values[sheets[name].in_use]
            for build, component, part in zip(values["build"], values["component"], values[heading], strict=True):
                had.setdefault((build, component), set()).add(part)
    return had


def drop_no_names(sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """Words in returns that say what was done, or that the part is new, are no part; it is then not recorded which.

    sheets: by name. shop: whose [parts] can list such a word as a part.
    """
    returns = sheets["returns"]
    for component in shop.components:
        built = sheets["builds"].values[f"component:{component}"].unique()
        known = {"", NOT_RECORDED, *map(str.casefold, (*built, *shop.names.parts.get(component, {})))}
        own = (returns.values["component"] == component).to_numpy()
        for heading, nothing in (("part", NOT_RECORDED), ("replaced_with", "")):
            named = returns.values[heading]
            no_names = [t for t in named.unique() if no_name(t, component) and t.casefold() not in known]
            words = own & named.isin(no_names).to_numpy()
            reason = "says what was done, not which part it is: taken as not recorded"
            remedy = "write the name of the part; if it is one, list it under [parts] in shop.toml"
            returns.doubt(words, heading, reason, remedy, Issue.NO_PART_NAME)
            returns.values.loc[words, heading] = nothing


def one_part(sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """Names of parts that differ in what the eye passes over are read as the one met most, and listed; those one slip apart are listed.

    sheets: by name. shop: whose [parts] can tell them apart.
    """
    for component in shop.components:
        columns = part_columns(sheets, component)
        met = Counter(chain.from_iterable(values.loc[live, heading] for values, heading, live, _ in columns))
        stated = set(map(str.casefold, shop.names.parts.get(component, {})))
        described = {p.casefold() for v, h, live, sheet in columns if sheet.name == "parts" for p in v.loc[live, h]}
        del met[""], met[NOT_RECORDED]
        for group in alike(met, component):
            _say_alike(group, columns, stated if group.sure else stated | described)


def _say_alike(group: Alike, columns: Iterable[Column], stated: set[str]) -> None:
    """Bring together, where that is sure, and list the names of a group that are not ``stated`` as parts of their own."""
    others = filter(lambda other: other.casefold() not in stated, group.others)
    for name, column in product(others, list(columns)):
        _say_one(group, name, column)


def _say_one(group: Alike, name: str, column: Column) -> None:
    values, heading, live, sheet = column
    rows = np.flatnonzero(live & (values[heading] == name).to_numpy())
    among = f", in {len(rows)} rows" if len(rows) > 1 else ""
    told = f"may be {group.name}, misspelt or cut short{among}: counted as another part"
    if group.sure:
        told = f"read as {group.name}: the same but for spaces, points or look-alike letters{among}"
        values.iloc[rows, values.columns.get_loc(heading)] = group.name
    remedy = 'confirm it, or tell them apart, under [parts] in shop.toml: "{0}" = ["{1}"], or "{1}" = [] if it is another part'
    first = np.isin(np.arange(len(values)), rows[:1])
    sheet.doubt(first, heading, told, remedy.format(group.name, name), Issue.NEAR_NAME)


# ---- settings ------------------------------------------------------------------------------------------------------

#: headings whose words are the shop's own, with those that settings know by themselves
_FREE = {"use": {"street", "towing", "drag", "sled", "other"}, "finding": set[str](), "builder": set[str]()}
#: where the words of [words.*] stand
_WORD_PLACES = {
    "use": ("builds", "changes", "limits"),
    "cause": ("returns", "judged_again"),
    "finding": ("returns", "judged_again"),
    "builder": ("builds",),
    "component": ("returns", "fitted", "limits", "parts", "judged_again"),
}


def rare_words(sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """List words of the shop's own that are one slip from one met far more often; each counts as a word of its own.

    sheets: by name. shop: whose [words] can tell them apart.
    """
    for heading, known in _FREE.items():
        places = [s for n in _WORD_PLACES[heading] if (s := sheets.get(n)) and heading in s.values]
        met = Counter(chain.from_iterable(s.values.loc[s.in_use, heading] for s in places))
        del met[""]
        stated = known | set(shop.names.words.get(heading, {}))
        for group in alike(met):
            for name, sheet in product(set(group.others) - stated, places):
                its = ((sheet.values[heading] == name) & sheet.in_use).to_numpy()
                told = f"may be {group.name}, misspelt: counted as another {heading}"
                remedy = f'correct it, or list it under [words.{heading}] in shop.toml: "{group.name}" = ["{name}"], or "{name}" = []'
                sheet.doubt(its & (its.cumsum() == 1), heading, told, remedy, Issue.NEAR_NAME)


def limits_of_no_truck(sheets: Mapping[str, Sheet]) -> None:
    """List uses of limits that no truck has, as 'not towing': a limit for one holds for none.

    sheets: by name, their words read.
    """
    if (limits := sheets.get("limits")) is None:
        return
    uses = limits.values["use"]
    had = _FREE["use"].union(*(sheets[n].values["use"] for n in ("builds", "changes") if n in sheets), {""})
    first = ~uses.isin(had) & limits.in_use & ~uses.where(limits.in_use).duplicated()
    remedy = "write the use as builds has it; a blank holds for every use"
    limits.doubt(first, "use", "no truck on record has this use: the limit holds for none", remedy)


def settings_of_nothing(sheets: Mapping[str, Sheet], shop: Shop) -> pd.DataFrame:
    """Names in the settings that no sheet holds, with the nearest that one does; as rows to check: row, column, raw, reason, remedy.

    sheets: by name. shop: the settings.
    """
    parts = {c: _typed_parts(sheets, c) for c in shop.components}
    every = set(chain.from_iterable(parts.values()))
    found = [(f'parts."{c}"', _never(names, parts[c])) for c, names in shop.names.parts.items()]
    costs = shop.costs.get("parts", {})
    prices = {name: _aliases(shop, name) for name in costs} if isinstance(costs, dict) else {}
    found.append(("costs.parts", _never(prices, every)))
    for heading, words in shop.names.words.items():
        typed = _typed_words(sheets, heading)
        found.append((f"words.{heading}", _never(words, typed)))
        if heading in _FREE:
            found.append(
                (
                    f"words.{heading}",
                    [(w, typed | _FREE[heading]) for w in _like_another(words, typed | _FREE[heading])],
                )
            )
    rows = [(section, name, typed) for section, names in found for name, typed in names]
    entries = pd.DataFrame([_entry(*row, shop) for row in rows], columns=["row", "column", "raw", "reason", "remedy"])
    return entries.drop_duplicates(["column", "raw"])


def _like_another(words: Mapping[str, list[str]], typed: set[str]) -> list[str]:
    """Our words that no sheet holds, and that are nearly one that a sheet does."""
    new = filter(lambda word: word not in typed, words)
    return [word for word in new if difflib.get_close_matches(word, typed - set(words[word]), n=1, cutoff=0.85)]


def _aliases(shop: Shop, name: str) -> list[str]:
    return list(chain.from_iterable(p.get(name, ()) for p in shop.names.parts.values()))


def _never(names: Mapping[str, Iterable[str]], typed: set[str]) -> list[tuple[str, set[str]]]:
    """Names of which neither they nor their other names are in a sheet that says anything."""
    keys = set(map(heading_key, typed))
    return [
        (name, typed)
        for name, others in names.items()
        if typed and not {heading_key(n) for n in (name, *others)} & keys
    ]


def _entry(section: str, name: str, typed: set[str], shop: Shop) -> tuple[int, str, str, str, str]:
    near = difflib.get_close_matches(name, sorted(typed), n=1, cutoff=0.7)
    remedy = f'did you mean "{near[0]}"?' if near else "correct it, or take it out"
    return _line_of(shop, section, name), f"[{section}]", name, "no sheet holds this name", remedy


def _line_of(shop: Shop, section: str, name: str) -> int:
    """The line of shop.toml where a name is set in a section; 0 where it is not found."""
    path = shop.folder / "shop.toml"
    lines = list(map(str.strip, path.read_text(encoding="utf-8-sig").splitlines())) if path.is_file() else []
    begins = next(filter(lambda k: lines[k].startswith(f"[{section}]"), range(len(lines))), len(lines))
    return next(filter(lambda k: lines[k].strip('"').startswith(name), range(begins, len(lines))), -1) + 1


def _typed_parts(sheets: Mapping[str, Sheet], component: str) -> set[str]:
    texts = [sheets["builds"].text(f"component:{component}")]
    texts += [v.loc[live, h] for v, h, live, _ in part_columns(sheets, component)]
    typed = set(chain.from_iterable(text.unique() for text in texts))
    return {" ".join(t.split()) for t in typed if not is_blank(t) and t != NOT_RECORDED}


def _typed_words(sheets: Mapping[str, Sheet], heading: str) -> set[str]:
    own = (sheets[name].text(heading) for name in _WORD_PLACES.get(heading, ()) if name in sheets)
    typed = set(chain.from_iterable(text.unique() for text in own))
    return {" ".join(t.split()).casefold() for t in typed if not is_blank(t)}
