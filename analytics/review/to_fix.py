"""What in the records to mend, worst first."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.records.load import NOT_RECORDED, Records
from analytics.review.answer import Answer, percent, plural
from analytics.review.fleet import units_back

_COLUMNS = ["rank", "what", "how_many", "why_it_matters", "what_to_do"]
#: a gap in recording this large, and surer than this p-value, is called a bias
_GAP, _SURE = 0.10, 0.01
_SILENT_YEARS = 2


def recorded_for_whom(lifetimes: Lifetimes) -> pd.DataFrame:
    """How often each particular is known for units that came back and for those that never did, with Fisher's exact p."""
    from scipy.stats import fisher_exact

    units = lifetimes.units
    back = units_back(units)
    others = units["count"] - back
    rows = []
    for what, known in {
        "power": units["power_hp"].notna(),
        "weight": units["weight_lb"].notna(),
        "use": units["use"] != "",
        "odometer": units["miles_days"] > 0,
    }.items():
        of_back, of_others = int(back[known].sum()), int(others[known].sum())
        returned, rest = int(back.sum()), int(others.sum())
        both = returned and rest
        p = (
            float(fisher_exact([[of_back, returned - of_back], [of_others, rest - of_others]]).pvalue)
            if both
            else float("nan")
        )
        rows.append(
            {
                "what": what,
                "known_of_returned": of_back,
                "returned": returned,
                "known_of_others": of_others,
                "others": rest,
                "p_value": p,
            }
        )
    return pd.DataFrame(rows)


def to_fix(records: Records, lifetimes: Lifetimes) -> Answer:
    """Faults of the records ranked by the harm they do to every number above."""
    found: list[tuple[float, str, int, str, str]] = []
    for row in recorded_for_whom(lifetimes).itertuples():
        if not row.returned + row.others:
            continue
        of_back, of_others = row.known_of_returned / max(row.returned, 1), row.known_of_others / max(row.others, 1)
        missing = row.others - row.known_of_others
        if row.p_value < _SURE and of_back - of_others > _GAP:
            loud = 100 if row.what in ("power", "weight") else 60
            found.append(
                (
                    loud + 10 * (of_back - of_others),
                    f"{row.what} is known for {percent(of_back)} of the units that came back but {percent(of_others)} of those that never did",
                    missing,
                    "failures look more common than they are at every power and weight: any rate or rating that needs it is biased"
                    if loud == 100
                    else "what is computed from it leans on the units that came back",
                    f"ask for {row.what} at every build; start with a random {min(40, missing)} of the {missing:,} missing"
                    if row.what != "odometer"
                    else f"phone owners picked at random for an odometer reading; start with {min(40, missing)}",
                )
            )
        elif missing + row.returned - row.known_of_returned:
            lost = missing + row.returned - row.known_of_returned
            share = lost / (row.returned + row.others)
            if share > 0.02:
                found.append(
                    (
                        20 + 10 * share,
                        f"{row.what} is not known for {plural(lost, 'unit')} ({percent(share)})",
                        lost,
                        "they count in the fleet but say nothing by power, weight, use or miles",
                        f"ask for {row.what}",
                    )
                )
    aside = records.set_aside
    for sheet, weight, why in (
        ("returns", 90, "comebacks that are set aside make every part look better than it is"),
        ("builds", 50, "units that are set aside are missing from the fleet, and their returns with them"),
        ("readings", 15, "miles that could be known are not"),
        ("changes", 25, "a change of power or weight is not followed"),
    ):
        own = aside[_of_sheet(records, aside, sheet)]
        own = own[~own["reason"].str.contains("totals row|headings again|entered in row|entered twice|is entered")]
        if len(own):
            top = own["reason"].str.replace(r"[\d,.]+", "#", regex=True).value_counts()
            first = own[own["reason"].str.replace(r"[\d,.]+", "#", regex=True) == top.index[0]].iloc[0]
            share = len(own) / max(int(records.counts.set_index("sheet").at[sheet, "read"]), 1)
            found.append(
                (
                    weight * min(1.0, 0.3 + 5 * share),
                    f"{plural(len(own), 'row')} of {sheet} set aside, most often: {first['reason']}",
                    len(own),
                    why,
                    f"see set_aside.csv; for example row {first['row']}: {first['remedy']}",
                )
            )
    units = lifetimes.units
    silent = units[
        (units["end"] == "in use")
        & ~(units["miles_days"] > 0)
        & (units["returned"] == 0)
        & (units["days"] > _SILENT_YEARS * 365.25)
    ]
    if len(silent):
        found.append(
            (
                40 * len(silent) / len(units),
                f"{plural(len(silent), 'unit')} not heard of since {'it' if len(silent) == 1 else 'they'} went out, more than {_SILENT_YEARS} years ago",
                len(silent),
                "they are taken as still running; if some broke and went elsewhere, every part looks better than it is",
                f"phone {min(40, len(silent))} of them, picked at random",
            )
        )
    down = units[units["end"] == "no"]
    if len(down):
        found.append(
            (
                45,
                f"{plural(len(down), 'unit')} reported not running, with no return on file",
                len(down),
                "a failure may hide there",
                "find out what broke, and enter it as a return",
            )
        )
    unstated = int((~records.returns["cause_stated"]).sum())
    if unstated:
        found.append(
            (
                30 * unstated / max(len(records.returns), 1),
                f"no cause written down for {plural(unstated, 'returned component')}",
                unstated,
                "nobody can tell the part's fault from the install's",
                "write the cause at the teardown",
            )
        )
    unclear = int((records.returns["order"] == "unclear").sum())
    if unclear:
        found.append(
            (
                20 * unclear / max(len(records.returns), 1),
                f"which part broke first is not clear for {plural(unclear, 'component')}",
                unclear,
                "each is counted as failed, so each part looks worse than it is",
                "write first or followed at the teardown",
            )
        )
    parts = int((lifetimes.table["part"] == NOT_RECORDED).sum())
    if parts:
        found.append(
            (
                10,
                f"{plural(parts, 'part life', 'part lives')} with no part name",
                parts,
                "they speak for no part",
                "fill in the part at the build",
            )
        )
    for what, group in records.to_check.groupby(records.to_check["reason"].map(_kind), sort=True):
        found.append(
            (
                5 + min(len(group), 50) / 10,
                f"{plural(len(group), 'cell')}: {what}",
                len(group),
                "read on an assumption, or left unread",
                f"see to_check.csv; for example {group.iloc[0]['sheet']} row {group.iloc[0]['row']}: {group.iloc[0]['remedy']}",
            )
        )
    found.sort(key=lambda f: (-f[0], f[1]))
    frame = pd.DataFrame([[i, *f[1:]] for i, f in enumerate(found, 1)], columns=_COLUMNS)
    if frame.empty:
        return Answer("What in the records should be mended first?", ("Nothing was found to mend.",), frame)
    lines = [
        f"{i}. {w[0].upper()}{w[1:]}: {why}. {do[0].upper()}{do[1:]}."
        for i, w, why, do in frame[["rank", "what", "why_it_matters", "what_to_do"]].head(3).itertuples(index=False)
    ]
    if len(frame) > 3:
        lines.append(f"{len(frame) - 3} more, less urgent, are in the table.")
    return Answer(
        "What in the records should be mended first?",
        tuple(lines),
        frame,
        "Ranked by how far a fault can bend the numbers, a judgement. Recorded-for-whom: Fisher's exact test, called a bias at a gap over ten points with p under 0.01.",
    )


def counted(records: Records) -> Answer:
    """Rows read, used and set aside, sheet by sheet."""
    counts = records.counts
    read, aside = int(counts["read"].sum()), int(counts["set_aside"].sum())
    lines = [
        f"{read:,} rows were read: {int(counts['used'].sum()):,} are used and {aside:,} set aside, each with its reason. The counts add up, sheet by sheet."
    ]
    later = {name: n for name, n in records.later.items() if n}
    if later:
        lines.append(f"{sum(later.values()):,} rows are dated after {records.as_of:%Y-%m-%d} and were not looked at.")
    if len(records.to_check):
        lines.append(
            f"{plural(len(records.to_check), 'cell')} in the rows used {'was' if len(records.to_check) == 1 else 'were'} read on an assumption or left unread: they are listed as well (to_check.csv)."
        )
    unused = [f"{', '.join(columns)} (in {name})" for name, columns in records.unused_columns.items() if columns]
    if unused:
        lines.append(f"Columns nobody asked for were passed over: {'; '.join(unused)}.")
    lines += records.files_passed_over()
    return Answer("Was every row used?", tuple(lines), counts)


def _of_sheet(records: Records, frame: pd.DataFrame, sheet: str) -> np.ndarray:
    """Rows of one of our sheets, whatever the shop calls its file and page."""
    place = records.shop.places.get(sheet)
    pages = {sheet, place.sheet if place and place.sheet else sheet}
    stem = frame["file"].astype(str).str.replace(r"\.[^.]*$", "", regex=True)
    return (frame["sheet"].isin(pages) | (stem == sheet)).to_numpy()


def _kind(reason: str) -> str:
    """The kind of a doubt without its particulars."""
    for start, kind in (
        ("read as", "dates settled by the order of events"),
        ("no such serial", "serials linked by one slip of the pen, to be confirmed"),
        ("implies", "odometers faster than a truck drives, not used"),
        ("the miles run backwards", "odometers that run backwards, not used"),
        ("odometer at install", "odometers at install not recorded, so later readings say nothing"),
        ("odometer replaced", "odometers replaced"),
        ("may be the return", "returns that may be entered twice"),
        ("shipped again", "units shipped again after a return"),
        ("a range", "ranges, whose middle is taken"),
        ("a combined weight", "weights with the trailer, not used"),
        (" superseded ", "parts fitted before or after the day they were superseded"),
        ("builds names", "parts that two sheets name differently"),
    ):
        if reason.startswith(start) or (start == " superseded " and start in reason):
            return kind
    return "figures or words that could not be read"
