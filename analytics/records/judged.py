"""Second judgements: a returned component looked at again by somebody else, to see whether two people say the same."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.loads import words
from analytics.records.ordering import known_on, say
from analytics.records.parts import name_components
from analytics.records.shop import Shop
from analytics.records.words import CAUSES, ORDERS, choose

JUDGED = ("finding", "order", "cause")


def read_judged(judged: Sheet, shop: Shop) -> None:
    """Component and the words of the second judgement. A word that is not understood counts as not judged.

    shop: its settings.
    """
    values = judged.values
    name_components(judged, shop)
    for heading, known in (("cause", CAUSES), ("order", ORDERS)):
        chosen = choose(judged.text(heading), known, shop.names.words.get(heading, {}))
        remedy = f"correct it, or add the word under [words.{heading}] in shop.toml"
        judged.doubt(chosen["problem"] != "", heading, chosen["problem"] + ": taken as not judged", remedy)
        values[heading] = chosen["value"]
    values["finding"] = words(judged, "finding", shop)
    values["judged_by"] = cells.tidy(judged.text("judged_by"))
    nothing = np.logical_and.reduce([values[h] == "" for h in JUDGED])
    judged.set_aside(nothing, "finding", "no finding, order or cause that could be read", "say what was judged")


def _of_the_day(own: list[int], day: pd.Series, told: pd.Timestamp, until: pd.Timestamp) -> list[int]:
    """Those of its ``own`` returns that came in on the day ``told``, or without one on the last day ``until`` then."""
    fits = [at for at in own if (day[at] <= until if pd.isna(told) else day[at] == told)]
    last = max((day[at] for at in fits), default=None)
    return [at for at in fits if day[at] == last]


def match_returns(judged: Sheet, returns: Sheet) -> None:
    """Give each second judgement the words of the return it is about (``first_finding`` and so on).

    It is the return of that unit and component on ``returned_on``, or without one the last before ``judged_on``. A row
    that fits no return in use, several of one day, or one already judged again is set aside.
    returns: the sheet, read.
    """
    values, source = judged.values, returns.values
    day = known_on(returns)
    index: dict[tuple[int, str], list[int]] = {}
    for at in np.flatnonzero(returns.in_use).tolist():
        index.setdefault((source["build"].iat[at], source["component"].iat[at]), []).append(at)
    n = len(judged.alive)
    match, reason = np.full(n, -1), np.full(n, "", dtype=object)
    taken: dict[int, int] = {}
    # the first of them counts; of one day the first by its words, whatever the order of the rows
    in_order = values.sort_values(["judged_on", *JUDGED, "judged_by"], kind="stable").index.to_numpy(int)
    for row in in_order[judged.in_use[in_order]]:
        own = index.get((values["build"].iat[row], values["component"].iat[row]), [])
        told, until = values["returned_on"].iat[row], values["judged_on"].iat[row]
        fits = _of_the_day(own, day, told, until)
        if len(fits) == 1 and fits[0] not in taken:
            match[row], taken[fits[0]] = fits[0], row
        elif len(fits) == 1:
            reason[row] = f"the return is already judged again in {judged.named(taken[fits[0]])}"
        elif fits:
            reason[row] = (
                f"{len(fits)} returns of this component came in on {say(day[fits[0]])}: which one is not known"
            )
        else:
            when = f"up to {say(until)}" if pd.isna(told) else f"on {say(told)}"
            reason[row] = f"no return of this unit and component {when}"
    remedy = "check serial, component and returned_on; one second judgement per return"
    judged.set_aside(match < 0, "serial", reason, remedy)
    for heading in JUDGED:
        first = np.full(n, "", dtype=object)
        first[match >= 0] = source[heading].to_numpy()[match[match >= 0]]
        values[f"first_{heading}"] = first
