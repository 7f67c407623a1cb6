"""Returns: their cells, the same return entered twice, events, and what set-aside returns leave unknown."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.dates import AT_TEARDOWN
from analytics.records.loads import plain, quantity, words
from analytics.records.names import slip_between
from analytics.records.ordering import SAME_ROW_DAYS, known_on, written_anew
from analytics.records.parts import NO_DAMAGE, NOT_RECORDED, name_components, name_parts
from analytics.records.shop import Shop
from analytics.records.words import CAUSES, ORDERS, choose

_UNIT_GONE = ("scrapped", "scrap", "refunded", "refund", "written off")
_NOT_REPLACED = ("none", "no", "not replaced", "nothing")


def read_return_words(returns: Sheet, shop: Shop) -> None:
    """Component, cause, order and finding: what linking and the order of events need.

    returns: the sheet. shop: its words.
    """
    values = returns.values
    _unconfirmed(returns)
    name_components(returns, shop)
    for heading, known in (("cause", CAUSES), ("order", ORDERS)):
        chosen = choose(returns.text(heading), known, shop.names.words.get(heading, {}))
        remedy = f"correct it, or add the word under [words.{heading}] in shop.toml"
        returns.doubt(chosen["problem"] != "", heading, chosen["problem"] + ": taken as unclear", remedy)
        values[heading] = chosen["value"].where(chosen["problem"] == "", "unclear")
    values["finding"] = words(returns, "finding", shop)
    teardown = _says(returns.text("failed_on"), AT_TEARDOWN)
    values["at_teardown"] = teardown | values["finding"].isin(shop.names.found_at_teardown)
    undated = teardown & values["returned_on"].isna()
    returns.set_aside(undated, "returned_on", "found at teardown, but no date of the teardown", "fill in returned_on")


def _unconfirmed(returns: Sheet) -> None:
    """Rows that were recognised in a sentence count when the owner has said yes to them; ``denied``: said no, or that nothing broke."""
    denied, whole = _says(returns.text("confirmed"), _NO), _says(returns.text("component"), NO_DAMAGE)
    returns.values["denied"] = denied | whole
    returns.set_aside(whole, "component", _DENIED, "nothing to do", Issue.DENIED)
    if "confirmed" not in returns.raw.table:
        return
    returns.set_aside(denied, "confirmed", _DENIED, "nothing to do", Issue.DENIED)
    open_ = ~_says(returns.text("confirmed"), _YES)
    remedy = "write yes or no under confirmed, after correcting component, part and finding"
    returns.set_aside(open_, "confirmed", "recognised in a sentence, not confirmed", remedy, Issue.UNCONFIRMED)


_DENIED = "said to be no damage of this component"
_YES, _NO = ("yes", "y", "true", "ok", "1", "x"), ("no", "n", "false", "0")


def _says(text: pd.Series, wanted: tuple[str, ...] | frozenset[str]) -> pd.Series:
    return cells.by_distinct(text, lambda t: (" ".join(t.split()).casefold() in wanted,), ["x"])["x"].astype(bool)


def read_return_cells(returns: Sheet, shop: Shop) -> None:
    """Parts, miles, runs, cost and the rest. returns: the sheet. shop: its settings."""
    values, put_in = returns.values, returns.text("replaced_with")
    name_parts(returns, "part", shop)
    name_parts(returns, "replaced_with", shop)
    values["unit_gone"], values["not_replaced"] = _says(put_in, _UNIT_GONE), _says(put_in, _NOT_REPLACED)
    _read_in_words(returns, put_in)
    no_part = values["unit_gone"] | values["not_replaced"] | (values["replaced_with"] == NOT_RECORDED)
    values["replaced_with"] = values["replaced_with"].mask(no_part, "")
    cost = plain(returns, "cost", 0, 1_000_000)
    returns.doubt(cost["problem"] != "", "cost", cost["problem"] + ": taken as unknown", cost["remedy"])
    values["paid_by"] = cells.tidy(returns.text("paid_by"))
    values["notes"] = returns.text("notes")
    for heading in ("odometer", "miles_in_service"):
        quantity(returns, heading, cells.DISTANCE, shop.units.distance, heading)
    runs = plain(returns, "runs", 0, 1_000_000, whole=True)
    returns.doubt(runs["problem"] != "", "runs", runs["problem"] + ": taken as unknown", runs["remedy"])


#: more words than the sheet asks for ("customer scrapped truck"), but none that turns them round
_GONE = re.compile(r"(?!.*\b(?:not|never|no)\b).*\b(?:scrapped|refunded|written off)\b.*", re.IGNORECASE)
_WAITS = re.compile(r".*\bnot (?:yet )?replaced\b.*", re.IGNORECASE)


def _read_in_words(returns: Sheet, put_in: pd.Series) -> None:
    """Whether sentences under replaced_with say that the unit is gone, or that nothing was put in; listed, since a part might go by such a name."""
    known = returns.values["replaced_with"].isin(returns.values["part"])
    for heading, wanted, told in (("unit_gone", _GONE, "scrapped"), ("not_replaced", _WAITS, "not replaced")):
        said = put_in.str.fullmatch(wanted.pattern, flags=wanted.flags) & ~returns.values[heading] & ~known
        returns.values[heading] |= said
        returns.doubt(said, "replaced_with", f"read as {told}", f"write {told}, or the part alone")


_STATED = ["odometer", "miles_in_service", "runs", "cost", "part", "replaced_with", "finding", "order", "cause"]


def drop_same_return(returns: Sheet, builds: Sheet) -> np.ndarray:
    """Set aside an entry of a return that agrees with another one in all that both state; a mask of those rows.

    Returns of one day that differ in anything stated are two. So are returns to a row of builds that stands for several
    units. Entries that agree but lie days apart, or differ in their notes only, are listed and counted.
    """
    values, n = returns.values, len(returns.alive)
    day = known_on(returns)
    keys = ["build", "component", "day"]
    frame = pd.DataFrame({"build": values["build"], "component": values["component"], "day": day, "at": np.arange(n)})
    frame = frame[returns.in_use]
    frame = frame[frame.duplicated(["build", "component"], keep=False)].copy()
    stated = values.loc[frame["at"], _STATED].astype(object)
    for heading in ("part", "replaced_with"):
        stated[heading] = stated[heading].str.casefold()
    stated = stated.mask(stated.isna() | stated.isin(["", NOT_RECORDED]), None)
    stated["notes"] = cells.tidy(returns.text("notes").iloc[frame["at"]]).replace("", None)
    frame["blank"] = stated.isna().sum(axis=1).to_numpy()
    frame["typed"] = ["|".join(map(str, row)) for row in stated.itertuples(index=False)]
    frame = frame.sort_values([*keys, "blank", "typed", "at"], kind="stable")
    told = dict(zip(stated.index, stated.to_dict("records"), strict=True))
    failed = values["failed_on"].to_numpy()
    reason = np.full(n, "", dtype=object)
    twice, maybe = np.zeros(n, bool), np.zeros(n, bool)
    for (build, _), group in frame.groupby(["build", "component"], sort=False):
        several = builds.values["count"].iat[build] > 1
        kept: list[int] = []
        for at in group["at"]:
            verdict, other = _compare(at, kept, day, failed, told)
            reason[at] = f"the same return is entered in {returns.named(other)}" if verdict == "same" else ""
            if verdict == "same" and not several:
                twice[at] = True
                continue
            if verdict:
                maybe[at] = True
                reason[at] = f"may be the return of {returns.named(other)} again: counted as another"
            kept.append(at)
    returns.doubt(maybe, "serial", reason, "delete it if it is the same", Issue.MAYBE_TWICE)
    remedy = "nothing to do, or write down what differs if it was another return"
    returns.set_aside(twice, "serial", reason, remedy, Issue.REPEATED)
    return twice


def _alike(one: dict, two: dict, gap: int, apart: float) -> str:
    """What `_compare` says of two returns, so many days from each other as they came in (gap) and as they failed (apart)."""
    differing = [h for h in _STATED if one[h] is not None and two[h] is not None and one[h] != two[h]]
    if gap > SAME_ROW_DAYS or apart > SAME_ROW_DAYS or differing:
        near = gap <= SAME_ROW_DAYS and _one_slip_apart(one, two, differing)
        return "maybe" if (gap > 0 and _not_driven(one, two)) or near else ""
    same_notes = one["notes"] is None or two["notes"] is None or one["notes"] == two["notes"]
    same_odometer = one["odometer"] is not None and one["odometer"] == two["odometer"]
    return "same" if (gap == 0 and same_notes) or same_odometer else "maybe"


def _compare(at: int, kept: list[int], day: pd.Series, failed: np.ndarray, told: dict) -> tuple[str, int]:
    """Whether a return is the same as one of those kept, may be, or neither ("")."""
    verdict, like = "", -1
    for other in kept:
        gap = abs((day[at] - day[other]).days)
        apart = abs(failed[at] - failed[other]) / np.timedelta64(1, "D")
        found = _alike(told[at], told[other], gap, apart)
        if found == "same":
            return found, other
        verdict, like = (found, other) if found else (verdict, like)
    return verdict, like


def _not_driven(one: dict, two: dict) -> bool:
    """Whether two returns state the same miles: what was put in at the first has not been driven."""
    return any(one[h] is not None and one[h] == two[h] and one[h] > 0 for h in ("odometer", "miles_in_service"))


def _one_slip_apart(one: dict, two: dict, differing: list[str]) -> bool:
    """Whether all that two returns state is alike but for one slip in one of it, and they state a figure alike or nearly so."""
    figures = [h for h in ("odometer", "miles_in_service", "cost", "runs") if one[h] is not None and two[h] is not None]
    return (
        len(differing) == 1 and bool(figures) and slip_between(*(_as_typed(told[differing[0]]) for told in (one, two)))
    )


def _as_typed(value: object) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def number_events(returns: pd.DataFrame) -> pd.DataFrame:
    """Add day and event (rows of one unit on one day are one event); a component damaged alone was damaged first.

    returns: those in use.
    """
    returns = returns.copy()
    day = returns["returned_on"].fillna(returns["failed_on"])
    returns["day"] = day
    damaged = returns["cause"] != "no fault"
    parts = returns[damaged].groupby([returns["unit"], day])["component"].transform("nunique")
    parts = parts.reindex(returns.index, fill_value=0)
    blank = returns["order"] == ""
    returns.loc[blank & damaged, "order"] = np.where(parts[blank & damaged] > 1, "unclear", "first")
    returns.loc[~damaged, "order"] = ""
    returns["cause_stated"] = returns["cause"] != ""
    returns["cause"] = returns["cause"].mask(returns["cause"] == "", "unclear")
    returns["event"] = returns.groupby([returns["unit"], day], sort=True).ngroup()
    return returns


def returns_left_out(returns: Sheet, builds: Sheet, twice: np.ndarray, position: pd.Series) -> pd.DataFrame:
    """Set-aside returns of known units that may speak of a failure: unit, component, day, row. One crossed out and written anew does not.

    component is "" where it is not known which; day is the earliest its dates can mean, NaT where they mean none.
    returns, builds: the sheets. twice: mask of rows entered twice. position: of a unit by the row of builds.
    """
    values = returns.values
    at = values["build"].to_numpy()
    lost = (
        ~returns.alive
        & ~returns.later
        & ~twice
        & ~written_anew(returns)
        & ~values["denied"].to_numpy()
        & (at >= 0)
        & (values["cause"] != "no fault").to_numpy()
    )
    lost[lost] = builds.in_use[at[lost]]
    word = cells.tidy(returns.text("component"))
    lost &= ((values["component"] != "") | (word == "")).to_numpy()  # other components than ours do not matter
    days = values.loc[lost, ["failed_on", "returned_on"]].min(axis=1)
    return pd.DataFrame(
        {
            "unit": position.reindex(at[lost]).to_numpy(int),
            "component": values.loc[lost, "component"].to_numpy(),
            "day": days.to_numpy(dtype="datetime64[ns]"),
            "row": returns.raw.row[lost],
        }
    )
