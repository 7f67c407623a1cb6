"""What could be right by itself and is unlike all beside it: a day out of the order of its page, miles a day that no other truck drives,
a power, a weight or a part that stands alone. It is told and used as it stands: a doubt never changes a figure.

The limits are common practice without a source, chosen on invented shops so that about 1 in 100 rows typed rightly is told too
(studies/slips.py).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.book import Sheet
from analytics.records.headings import HEADINGS
from analytics.records.measures import COMPETITION, DAYS_A_YEAR
from analytics.records.odometer import KM
from analytics.records.ordering import begun, known_on, pages, say
from analytics.records.own_units import own_distance
from analytics.records.parts import NOT_RECORDED
from analytics.records.shop import Shop

#: what the others are like is known from so many on
_KNOWN = 20
#: so few in a hundred may stand alone, or off the steps of their column
_FEW = 0.01
#: sheets written as things happen; parts are listed and trucks measured in any order
_DATED = ("builds", "returns", "readings", "changes")
#: days out of order are told from so many on, and from so many times what 95 in 100 of the page are out of order by
_OUT_DAYS, _TIMES_OUT = 30, 3
#: the as-of day rests on one row alone where that is so many days after all others
_AFTER_ALL = 60
#: far: beyond so many robust standard deviations and so far on the log scale; alone: beyond such a gap on it
_SPREADS, _FAR = 3.0, 0.4
_GAPS = {"power": 0.2, "weight": 0.2, "part": 0.15, "miles": 0.25}
#: what a power or a weight is multiplied with to mend one slip of the pen
_MENDED = {
    "power": {"in kW": 1.341, "in hp": 1 / 1.341, "with a digit more": 10.0, "with a digit less": 0.1},
    "weight": {"in kg": 2.2046, "in lb": 1 / 2.2046, "with a digit more": 10.0, "with a digit less": 0.1},
}
#: figures are written in steps of
_STEPS = (100, 50, 25, 20, 10, 5)
_BARE = re.compile(r"\d[\d,.]*")
#: of two odometers fewer days apart little is known of miles a day
_APART_DAYS = 45
#: miles a day: far beyond so many spreads; beyond fewer, where one slip mended puts them within so many; what is near on the log scale
_RATE_SPREADS, _ON_THE_WAY, _NEAR_SPREADS, _NEAR = 2.5, 2.0, 0.7, 0.4
#: fewer miles a day in the middle of so many figures, and they may be in thousands; trucks on trailers drive as little (common practice, no source)
_SLOW, _SLOW_FIGURES = 1.0, 5
#: a part put in alone: days from the nearest other use, and how many times the mean days between two
_ALONE_DAYS, _TIMES_MEAN = 60, 8.0


# ---- days ----------------------------------------------------------------------------------------------------------


def doubt_days(sheets: Mapping[str, Sheet], shop: Shop, as_of: pd.Timestamp, asked: bool) -> None:
    """List days far out of the order in which their page was written, and rows that the as-of day leaves out or rests on alone.

    sheets: by name, their days settled. as_of: the day the records are looked at from; asked: for this day, so that later rows are as if
    they were not there. shop: which may state the day.
    """
    dated = [sheet for name, sheet in sheets.items() if name in _DATED]
    for sheet in dated:
        for heading in HEADINGS[sheet.name].dates:
            settled = sheet.values[heading].notna() & sheet.values[f"{heading}:second"].isna()
            live = settled.to_numpy() & sheet.alive & (~sheet.later | (not asked))
            for page in pages(sheet):
                rows = np.flatnonzero(live & page)
                if len(rows) >= _KNOWN:
                    _doubt_order(sheet, heading, rows)
    if not asked:
        _doubt_ends(dated, as_of, shop.dates.as_of is not None)


def _doubt_order(sheet: Sheet, heading: str, rows: np.ndarray) -> None:
    """rows: positions of the rows of one page that have a settled day, in the order of the file."""
    days = sheet.values[heading].to_numpy()[rows].astype("datetime64[D]").astype(float)
    low, high = _around(days)
    out = np.fmax(low - days, days - high)
    far = out > max(_OUT_DAYS, _TIMES_OUT * np.quantile(out, 0.95))
    alone = _far_from_all(days) & ~far
    low[alone], high[alone] = np.sort(days[~alone])[[0, -1]]
    reason, remedy = (np.full(len(sheet.alive), "", dtype=object) for _ in range(2))
    for at in np.flatnonzero(far | alone):
        ends = [d for d in (low[at], high[at]) if np.isfinite(d)]
        told = " to ".join(dict.fromkeys(say(np.datetime64(int(d), "D")) for d in ends))
        reason[rows[at]] = f"far from the days of the rows around it ({told})"
        fit = " or ".join(map(say, _fitting(days[at], min(ends) - _AFTER_ALL, max(ends) + _AFTER_ALL)))
        remedy[rows[at]] = f"check day, month and year{f': {fit} would fit' * bool(fit)}; nothing to do if it is right"
    sheet.doubt(reason != "", heading, reason, remedy, Issue.OFF_ORDER, hidden=True)


def _around(days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The days before and after each, of the most rows that stand in order (longest non-decreasing run, by patience sorting)."""
    ends: list[float] = []
    last: list[int] = []
    link = np.full(len(days), -1)
    for at, day in enumerate(days.tolist()):
        place = bisect_right(ends, day)
        ends[place : place + 1], last[place : place + 1] = [day], [at]
        link[at] = last[place - 1] if place else -1
    kept = pd.Series(np.nan, range(len(days)))
    at = last[-1]
    while at >= 0:
        kept[at], at = days[at], link[at]
    before, after = kept.ffill().fillna(-np.inf), kept.bfill().fillna(np.inf)
    return before.to_numpy(copy=True), after.to_numpy(copy=True)


def _far_from_all(days: np.ndarray) -> np.ndarray:
    """The few at either end that lie further from all the others than those lie apart."""
    order = np.sort(days)
    gaps = np.diff(order)
    early, late = (gaps > np.maximum(_OUT_DAYS, span) for span in (order[-1] - order[1:], order[:-1] - order[0]))
    return _cut_off(days, early, late)


def _cut_off(values: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Which are the few at either end behind a gap. low, high: of the gaps in order of the values, which cut off what lies below and above."""
    order, few = values.argsort(kind="stable"), max(1, int(_FEW * len(values)))
    off = np.zeros(len(values), bool)
    off[order[: max(np.flatnonzero(low[:few]) + 1, default=0)]] = True
    off[order[len(values) - max(np.flatnonzero(high[::-1][:few]) + 1, default=0) :]] = True
    return off


def _fitting(day: float, low: float, high: float) -> list[pd.Timestamp]:
    """What a day may have been meant as, with one slip mended, from low to high: another year, or day and month swapped."""
    was = pd.Timestamp(int(day), unit="D")
    may = [was + pd.DateOffset(years=by) for by in (-10, -1, 1, 10)]
    may += [was.replace(month=was.day, day=was.month)] if was.day <= 12 else []
    return [m for m in may if m != was and low <= m.timestamp() / 86_400 <= high]


def _doubt_ends(dated: list[Sheet], as_of: pd.Timestamp, stated: bool) -> None:
    """List rows after the as-of day of a sheet that has few of them, or the one row that the day rests on."""
    known = [known_on(sheet).where(sheet.alive) for sheet in dated]
    every = np.sort(pd.concat(known).dropna().to_numpy())
    rests = not stated and len(every) >= _KNOWN and (every[-1] - every[-2]) / np.timedelta64(1, "D") > _AFTER_ALL
    for sheet, days in zip(dated, known, strict=True):
        heading = HEADINGS[sheet.name].known_on[0]
        later = sheet.later & sheet.alive
        few = later & (later.sum() <= max(1, _FEW * len(later)))
        reason = f"after the day the records are looked at from ({say(as_of)}): the row is not looked at"
        sheet.doubt(
            few, heading, reason, "check the year; if it is right, move as_of in shop.toml", Issue.LATER, hidden=True
        )
        reason = (
            f"the records are looked at from this day, long after every other ({say(every[-2:][0])})" if rests else ""
        )
        remedy = "check the year; if it is right, nothing is to be done"
        sheet.doubt((days == as_of).to_numpy() & rests, heading, reason, remedy, Issue.LATER)


# ---- powers and weights --------------------------------------------------------------------------------------------


def doubt_far(builds: Sheet, shop: Shop) -> None:
    """List powers and weights of ``builds`` unlike those of the same use or, of powers, of the same part, and those that are not in the
    steps in which nearly all others of the column are written.

    Unlike: further from the middle one on the log scale than 3 robust standard deviations (1.4826 times the median absolute deviation)
    and than 0.4, or alone beyond a gap. shop: whose components have parts.
    """
    values = builds.values
    parts = [values[f"component:{c}"] for c in shop.components]
    for heading, column in (("power", "power_hp"), ("weight", "weight_lb")):
        log = np.log(values[column].where(lambda v: v > 0))[builds.in_use].dropna()
        reason, remedy = (pd.Series("", values.index, dtype=object) for _ in range(2))
        groups = [
            (values["use"], _GAPS[heading], "of its use"),
            *((part, _GAPS["part"], "") for part in parts if heading == "power"),
        ]
        for names, gap, of_use in groups:
            for name, own in log.groupby(names):
                far = (_far(own, _SPREADS) | _alone(own, gap)) if of_use else _alone(own, gap)
                middle, ordered = own.median(), np.sort(own.to_numpy())
                for at in own.index[far & (reason[own.index] == "")]:
                    reason[at] = f"{np.exp(own[at] - middle):.2g} times the middle {heading} {of_use or f'with {name}'}"
                    remedy[at] = _mended(own.get(at), ordered, _MENDED[heading])
        ordered = np.sort(log.to_numpy())
        for at, told in _off_step(builds, heading).items():
            reason[at], remedy[at] = reason[at] or told, remedy[at] or _mended(log.get(at), ordered, _MENDED[heading])
        builds.doubt((reason != "").to_numpy(), heading, reason.to_numpy(), remedy.to_numpy(), Issue.FAR)


def _far(log: pd.Series, spreads: float) -> pd.Series:
    """Which are further from the middle one than so many robust standard deviations, where enough are known."""
    off = (log - log.median()).abs()
    return (off > spreads * 1.4826 * off.median()) & (off > _FAR) & (len(log) >= _KNOWN)


def _alone(log: pd.Series, gap: float) -> pd.Series:
    """Which are the few at either end beyond a gap, where enough are known."""
    wide = np.diff(np.sort(log.to_numpy())) > gap
    return pd.Series(_cut_off(log.to_numpy(), wide, wide) & (len(log) >= _KNOWN), log.index)


def _mended(own: float | None, ordered: np.ndarray, ways: Mapping[str, float]) -> str:
    """What to do about a figure (None: it is not known), with the slips that would bring it among the middle nine in ten of the others.

    ordered: all of them, its own too.
    """
    fit = ""
    if own is not None:
        low, high = (_quantile_of_others(ordered, own, share) for share in (0.05, 0.95))
        fit = " or ".join(way for way, by in ways.items() if low <= own + np.log(by) <= high)
    return f"check the figure and its unit{f' ({fit} it would fit)' * bool(fit)}; nothing to do if it is right"


def _quantile_of_others(ordered: np.ndarray, own: float, share: float) -> float:
    """The linear quantile of the ``ordered`` values but one that is its ``own``; NaN of none."""
    out, place = np.searchsorted(ordered, own), share * (len(ordered) - 2)
    if place < 0:
        return np.nan
    at = int(place)
    low, high = (ordered[k + (k >= out)] for k in (at, min(at + 1, len(ordered) - 2)))
    return float(low + (high - low) * (place - at))


def _off_step(builds: Sheet, heading: str) -> dict[int, str]:
    """Bare figures that are no multiple of what nearly all of their column are multiples of."""
    text = builds.text(heading)[builds.in_use]
    figures = pd.to_numeric(text[text.str.fullmatch(_BARE)].str.replace(",", ""), errors="coerce").dropna()
    for step in _STEPS if len(figures) >= 2 * _KNOWN else ():
        off = figures % step != 0
        if off.sum() <= max(2, _FEW * len(figures)):
            told = f"no multiple of {step}, as all but {off.sum()} of the {len(figures):,} figures of its column are"
            return dict.fromkeys(figures.index[off], told)
    return {}


# ---- miles a day ---------------------------------------------------------------------------------------------------


def doubt_rates(told: pd.DataFrame, units: pd.DataFrame, sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """List odometers by which a truck drove far more or less a day than others of its use, from the figure before: the first of a truck.

    told: FIGURES judged (odometer.miles_in_service), units: the trucks. sheets: by name. shop: whose units are used.
    """
    good = told[(told["problem"] == "") & told["miles"].notna() & ~told["short"] & (told["unit"] < len(units))]
    good = good.sort_values(["unit", "days"], kind="stable")
    _doubt_slow(good, units, sheets, shop)
    good[["was_miles", "was_days"]] = good.groupby("unit")[["miles", "days"]].shift().fillna(0.0)
    good = good[good["days"] - good["was_days"] >= _APART_DAYS]
    use = units["use"].to_numpy()[good["unit"].to_numpy(int)]
    ways = _a_day(good)
    off = ways.sub(ways[""].groupby(use).transform("median"), axis=0)
    odd = pd.concat([pd.Series(False, good.index[:0]), *(_odd_rates(own) for _, own in off.groupby(use))])
    first = good[odd.reindex(good.index)].drop_duplicates("unit")
    for name, own in first.groupby("sheet"):
        sheet = sheets[str(name)]
        reason, remedy = (np.full(len(sheet.alive), "", dtype=object) for _ in range(2))
        for row, at in own["at"].astype(int).items():
            drove, usual = (
                own_distance(np.exp(v), shop.units) for v in (ways.at[row, ""], ways.at[row, ""] - off.at[row, ""])
            )
            unit = shop.units.distance
            reason[at] = (
                f"{drove:,.3g} {unit} a day since the figure before; the middle truck of its use drives {usual:,.3g}"
            )
            fit = " or ".join(way for way in ways if way and abs(off.at[row, way]) < _NEAR)
            remedy[at] = (
                f"check odometer, day and unit here and at the install{f' ({fit} would fit)' * bool(fit)}; nothing to do if they are right"
            )
        direct = sheet.values.get("miles_in_service", pd.Series(np.nan, sheet.values.index)).notna().to_numpy()
        heading = "odometer_at_install" if name == "builds" else "odometer"
        for column, mask in ((heading, ~direct), ("miles_in_service", direct)):
            sheet.doubt((reason != "") & mask, column, reason, remedy, Issue.ODD_RATE)


def _doubt_slow(good: pd.DataFrame, units: pd.DataFrame, sheets: Mapping[str, Sheet], shop: Shop) -> None:
    """List the first figure of a column by which the middle truck hardly drives: its figures may be in thousands."""
    street = ~units["use"].isin(COMPETITION).to_numpy()[good["unit"].to_numpy(int)]
    later = good[street & (good["sheet"] != "builds") & (good["days"] >= _APART_DAYS)]
    for (name, direct), own in later.groupby(["sheet", later["miles_in_service"].notna()]):
        a_day = float((own["miles"] / own["days"]).median())
        if len(own) < _SLOW_FIGURES or a_day >= _SLOW:
            continue
        sheet, first = sheets[str(name)], np.zeros(len(sheets[str(name)].alive), bool)
        first[int(own["at"].min())] = True
        figure = own["miles_in_service" if direct else "odometer"]
        low, high = (own_distance(v, shop.units) for v in (figure.min(), figure.max()))
        reason = (
            f"by the {len(own)} figures of this column, {low:,.0f} to {high:,.0f}, the middle truck drives "
            f"{own_distance(a_day, shop.units):.2g} {shop.units.distance} a day"
        )
        remedy = "if they are in thousands, write (thousands) behind the heading, here and at the install; nothing to do if they are right"
        sheet.doubt(first, "miles_in_service" if direct else "odometer", reason, remedy, Issue.TOO_SLOW)


def _a_day(good: pd.DataFrame) -> pd.DataFrame:
    """Log miles a day of each figure since the one before: as it stands (""), and with one slip of the pen mended."""
    figure, gap = good["miles_in_service"].fillna(good["odometer"]), good["days"] - good["was_days"]
    step = good["miles"] - good["was_miles"]
    ways = {
        "": step / gap,
        "km": (step + figure * (1 / KM - 1)) / gap,
        "miles": (step + figure * (KM - 1)) / gap,
        "a year earlier": step / (gap - DAYS_A_YEAR).where(lambda days: days > 0),
        "a year later": step / (gap + DAYS_A_YEAR),
    }
    return np.log(pd.DataFrame(ways, good.index).clip(lower=0.1))


def _odd_rates(off: pd.DataFrame) -> pd.Series:
    """Whether a figure is far from the others or alone, or on the way there and would be near the middle with one slip mended.

    off: as _a_day has them, from the middle one of the use.
    """
    spread = 1.4826 * off[""].abs().median()
    mended = (off.drop(columns="").abs() < _NEAR_SPREADS * spread).any(axis=1)
    doubtful = mended & (off[""].abs() > _ON_THE_WAY * spread) & (off[""].abs() > _FAR) & (len(off) >= _KNOWN)
    return _far(off[""], _RATE_SPREADS) | _alone(off[""], _GAPS["miles"]) | doubtful


# ---- parts ---------------------------------------------------------------------------------------------------------


def doubt_lone_parts(builds: Sheet, shop: Shop) -> None:
    """List ``builds`` with a part long before its next, or long after its last other use. shop: whose components have parts."""
    days = begun(builds)
    for component in shop.components:
        column = f"component:{component}"
        live = builds.in_use & days.notna().to_numpy() & ~builds.values[column].isin(["", NOT_RECORDED]).to_numpy()
        reason = np.full(len(live), "", dtype=object)
        for part, own in days[live].groupby(builds.values[column][live]):
            for at, told in _lone_uses(own.sort_values(kind="stable")).items():
                reason[at] = f"{part} {told}"
        remedy = "check the part and the day; nothing to do if they are right"
        builds.doubt(reason != "", column, reason, remedy, Issue.LONE_PART)


def _lone_uses(days: pd.Series) -> dict[int, str]:
    """days: of the builds with one part, in order; by index the first or the last, where it stands alone."""
    gaps = days.diff().dt.days.to_numpy()[1:]
    if len(days) < _KNOWN:
        return {}
    far = gaps > max(_ALONE_DAYS, _TIMES_MEAN * (gaps.sum() - gaps.max()) / (len(gaps) - 1))
    first = {days.index[0]: f"{gaps[0]:.0f} days before its next use ({say(days.iloc[1])})"} if far[0] else {}
    last = {days.index[-1]: f"{gaps[-1]:.0f} days after its last other use ({say(days.iloc[-2])})"} if far[-1] else {}
    return first | last
