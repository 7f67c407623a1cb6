"""Rows of the other sheets to their builds; a mistyped serial only where one unit fits in time and part."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.book import Sheet
from analytics.records.headings import HEADINGS
from analytics.records.ordering import in_service
from analytics.records.parts import NOT_RECORDED, part_names
from analytics.records.serials import one_slip_away
from analytics.records.shop import Shop

_SHORTEST_SERIAL_TO_GUESS = 3
_MEND = "mend the row of builds first"


def link(linked: list[Sheet], builds: Sheet, first_rows: np.ndarray, shop: Shop) -> None:
    """Give every row of the linked sheets the position of its build (``build``, -1 where there is none).

    first_rows: positions of the rows of builds that stand for a unit each.
    shop: its settings, for near serials.
    """
    index = pd.Series(first_rows, index=builds.values["key"].to_numpy()[first_rows])
    for sheet in linked:
        found = index.index.get_indexer(sheet.values["key"])
        at = np.full(len(found), -1, np.int64)
        at[found >= 0] = first_rows[found[found >= 0]]
        sheet.values["build"] = at
    if not any(((s.values["build"] < 0) & s.in_use).any() for s in linked):
        return
    fitted_later = _parts_fitted_later(linked, shop)
    refused = builds.values["key"][~builds.alive & ~builds.later]
    aside = dict(zip(refused[::-1], map(builds.named, refused.index[::-1]), strict=True))
    hidden = set(builds.values["key"][builds.later]) - set(index.index)
    known = index.to_dict()

    @cache
    def near(key: str) -> list[int]:
        return [known[k] for k in one_slip_away(key, known)] if len(key) >= _SHORTEST_SERIAL_TO_GUESS else []

    for sheet in linked:
        _link_slips(sheet, builds, near, aside, hidden, fitted_later, shop)


def _link_slips(sheet: Sheet, builds: Sheet, near, aside: dict, hidden: set, fitted_later: dict, shop: Shop) -> None:
    at, keys = sheet.values["build"].to_numpy().copy(), sheet.values["key"].to_numpy()
    n = len(at)
    reason, remedy, kind = np.full(n, "", dtype=object), np.full(n, "", dtype=object), np.full(n, Issue.NO_BUILD)
    linked, refused = np.zeros(n, bool), np.zeros(n, bool)
    latest, start = _latest(sheet), in_service(builds).to_numpy()
    serials = builds.text("serial").to_numpy()
    parts = _named_parts(sheet, "part", shop)
    for row in np.flatnonzero((at < 0) & sheet.in_use):
        key = keys[row]
        if sheet.name == "fitted" and key in hidden:
            sheet.later[row] = True  # nobody could know of the part before the build it went into
            continue
        fits = [b for b in near(key) if not latest[row] < start[b] and _part_fits(parts[row], builds, b, fitted_later)]
        if len(fits) == 1:
            at[row], linked[row] = fits[0], True
            reason[row] = (
                f"no such serial; linked to {serials[fits[0]]}, the only unit one slip away that fits in time and part"
            )
            continue
        refused[row] = True
        if key in aside:
            reason[row], remedy[row] = f"its build ({aside[key]} of builds) is set aside", _MEND
            kind[row] = Issue.BUILD_SET_ASIDE
        elif fits:
            names = ", ".join(sorted(serials[b] for b in fits)[:5])
            reason[row] = f"no build with this serial; {len(fits)} units are one slip away ({names})"
            remedy[row], kind[row] = "find out which unit it was and correct the serial", Issue.SEVERAL_FIT
        else:
            reason[row], remedy[row] = "no build with this serial", "add the build, or correct the serial"
    sheet.doubt(linked, "serial", reason, "confirm the unit and correct the serial", Issue.LINKED)
    sheet.set_aside(refused, "serial", reason, remedy, kind)
    sheet.values["build"] = at


def _latest(sheet: Sheet) -> np.ndarray:
    """The latest day a row can speak of; NaT for parts, which may lie on the shelf before the build."""
    latest = pd.Series(pd.NaT, index=sheet.values.index, dtype="datetime64[ns]")
    for heading in HEADINGS[sheet.name].dates if sheet.name != "fitted" else ():
        day = sheet.values[f"{heading}:second"].fillna(sheet.values[heading])
        latest = latest.where(~(day > latest) & latest.notna(), day)
    return latest.to_numpy()


def _named_parts(sheet: Sheet, heading: str, shop: Shop) -> list[tuple[str, str]]:
    """Component and part each row names, the part in small letters; blank where it names none."""
    if "component" not in sheet.values:
        return [("", "")] * len(sheet.values)
    component = sheet.values["component"]
    part = pd.Series("", index=component.index, dtype=object)
    for name in shop.components:
        mask = component == name
        part[mask] = part_names(sheet.text(heading)[mask], name, shop)
    part = part.where(part != NOT_RECORDED, "").str.casefold()
    return list(zip(component, part, strict=True))


def _parts_fitted_later(linked: list[Sheet], shop: Shop) -> dict[tuple[int, str], set[str]]:
    """Parts that came into a unit after the build, of the rows whose serial is right: (build, component) -> parts."""
    result: dict[tuple[int, str], set[str]] = {}
    for sheet in linked:
        heading = {"fitted": "part", "returns": "replaced_with"}.get(sheet.name)
        if heading is None:
            continue
        live = (sheet.values["build"].to_numpy() >= 0) & sheet.in_use
        named = zip(sheet.values["build"], _named_parts(sheet, heading, shop), live, strict=True)
        for build, (component, part), use in named:
            if use and part:
                result.setdefault((build, component), set()).add(part)
    return result


def _part_fits(stated: tuple[str, str], builds: Sheet, build: int, fitted_later: dict) -> bool:
    component, part = stated
    if not part or not component:
        return True
    at_build = builds.values[f"component:{component}"].iat[build]
    return at_build == NOT_RECORDED or part == at_build.casefold() or part in fitted_later.get((build, component), ())


def drop_orphans(linked: list[Sheet], builds: Sheet) -> None:
    """Rows whose build fell out while its dates were settled: set aside, or unknown as yet where it is later.

    linked: the sheets; builds: theirs.
    """
    for sheet in linked:
        at = sheet.values["build"].to_numpy()
        linked_to = np.where(at >= 0, at, 0)
        if not len(builds.alive):
            continue
        later = (at >= 0) & builds.later[linked_to]
        if sheet.name == "fitted":
            sheet.later |= later
        remedy = "add the build, or correct the serial"
        sheet.set_aside(later, "serial", "no build with this serial", remedy, Issue.NO_BUILD)
        lost = (at >= 0) & ~builds.in_use[linked_to]
        reason = np.full(len(at), "", dtype=object)
        for row in np.flatnonzero(lost):
            reason[row] = f"its build ({builds.named(at[row])} of builds) is set aside"
        sheet.set_aside(lost, "serial", reason, _MEND, Issue.BUILD_SET_ASIDE)
