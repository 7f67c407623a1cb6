"""Names of parts and components: the shop's own, by any of the names they go by."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.headings import heading_key
from analytics.records.shop import Shop

NOT_RECORDED = "not recorded"
_NOT_FITTED = frozenset({"none", "n/a", "not fitted", "no", "-", "not replaced"})


#: words that say what was done to a part, or that it is new, and not which part it is
_NO_NAME = re.compile(
    r"(?:re)?(?:freshened|freshen(?: up)?|built|furbished|conditioned|paired|worked|used|newed|placed|seated|surfaced|sealed|ground)"
    r"|(?:the )?same(?: (?:part|one|again|type))?|like (?:before|for like)|as before|new|used|old|other|another"
    r"|(?:a )?(?:new|used|other|another|fresh|rebuilt|good used) (?:one|part|unit|kit|set)|upgrade[d]?|better one|yes|y|ok|done|see notes?"
    r"|scrapped|scrap|refunded|written off|none|no|not replaced|nothing",
    re.IGNORECASE,
)
_NEW_WHAT = re.compile(
    r"(?:a |the )?(?:new|used|rebuilt|fresh(?:ened)?|same|good used|reman(?:ufactured)?) +(.+)", re.IGNORECASE
)


def no_name(text: str, component: str = "") -> bool:
    """Whether the ``text`` under a part says what was done, or names the component ('new converter'), and not which part it is."""
    tidy = " ".join(text.split())
    if _NO_NAME.fullmatch(tidy):
        return True
    what = _NEW_WHAT.fullmatch(tidy)
    key = heading_key(what[1] if what else tidy)
    return bool(component) and key in {heading_key(component), *heading_key(component).split()} and bool(key)


def component_words(shop: Shop) -> dict[str, str]:
    """Component by the keys of all it goes by: its own name, the shop's words for it, and its heading where that is of it alone."""
    words = shop.names.words.get("component", {})
    known = {heading_key(w): ours for ours, others in words.items() for w in (ours, *others)}
    headings = Counter(map(heading_key, shop.components.values()))
    known |= {heading_key(h): c for c, h in shop.components.items() if headings[heading_key(h)] == 1}
    return known | {heading_key(c): c for c in shop.components}


#: under component: nothing broke
NO_DAMAGE = (
    "no damage",
    "no fault found",
    "no problem found",
    "nothing",
    "nothing broke",
    "nothing broken",
    "nothing found",
    "nothing wrong",
)


def name_components(sheet: Sheet, shop: Shop) -> None:
    """Settle which component each row speaks of, by its name or its heading in builds.

    sheet: one whose rows name them. shop: its components.
    """
    known = component_words(shop)
    text = sheet.text("component")
    named = cells.by_distinct(text, lambda t: (known.get(heading_key(t), ""),), ["c"])["c"]
    blank = cells.tidy(text) == ""
    sheet.set_aside(blank, "component", "no component named", f"say which component it was, or {NO_DAMAGE[0]!r}")
    reason = f"not one of the components ({', '.join(shop.components)})"
    remedy = "correct the word, or add it in shop.toml: under [words.component] if it is another word for one of them, else to [components], with the heading of its column in builds"
    sheet.set_aside(named == "", "component", reason, remedy)
    sheet.values["component"] = named


def part_names(text: pd.Series, component: str, shop: Shop) -> pd.Series:
    """Parts by the shop's own name; 'none' is "" (not fitted), a blank or '?' is NOT_RECORDED.

    Parts that shop.toml does not list stay as typed (see one_spelling).
    text: of the cells. component: whose they are.
    """
    names: dict[str, str] = {}
    for part, others in shop.names.parts.get(component, {}).items():
        names |= {" ".join(o.split()).casefold(): part for o in (part, *others)}

    def one(text: str) -> tuple[str]:
        tidy = " ".join(text.split())
        if tidy.casefold() in names:
            return (names[tidy.casefold()],)
        if tidy.casefold() in _NOT_FITTED:
            return ("",)
        return (NOT_RECORDED if cells.is_blank(tidy) else tidy,)

    return cells.by_distinct(text, one, ["part"])["part"]


def name_parts(sheet: Sheet, heading: str, shop: Shop) -> None:
    """The parts of a column whose rows name their component. sheet, heading: where it stands. shop: its names."""
    names = pd.Series(NOT_RECORDED, index=sheet.values.index, dtype=object)
    for component in shop.components:
        mask = sheet.values["component"] == component
        names[mask] = part_names(sheet.text(heading)[mask], component, shop)
    sheet.values[heading] = names


#: where parts are named besides builds: sheet, heading
_PLACES = (("fitted", "part"), ("returns", "part"), ("returns", "replaced_with"), ("limits", "part"), ("parts", "part"))


def part_columns(sheets: Mapping[str, Sheet], component: str) -> list[tuple[pd.DataFrame, str, np.ndarray, Sheet]]:
    """Where the parts of a component stand in the ``sheets``: the values of a sheet, the heading, the rows that speak of it, the sheet."""
    builds = sheets["builds"]
    places = [(builds.values, f"component:{component}", builds.in_use, builds)]
    for name, heading in _PLACES:
        if name in sheets and heading in sheets[name].values:
            own = (sheets[name].values["component"] == component).to_numpy() & sheets[name].in_use
            places.append((sheets[name].values, heading, own, sheets[name]))
    return places


def one_spelling(sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """Give a part written in large and small letters one name: the spelling met most, of equals the first by letter.

    sheets: by name, read. shop: its names.
    """
    for component in shop.components:
        places = part_columns(sheets, component)
        met: Counter[str] = Counter()
        for values, heading, live, _ in places:
            met.update(values.loc[live, heading].value_counts(sort=False).to_dict())
        best: dict[str, str] = {}
        for part in sorted(met, key=lambda p: (-met[p], p)):
            best.setdefault(part.casefold(), part)
        changed = {p: best[p.casefold()] for p in met if best[p.casefold()] != p}
        for values, heading, live, _ in places if changed else ():
            values.loc[live, heading] = values.loc[live, heading].replace(changed)
