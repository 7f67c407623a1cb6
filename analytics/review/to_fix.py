"""What in the records to mend, worst first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from analytics.lifetimes.table import Lifetimes
from analytics.reasons import Counted, Faults, Harm, Issue, Mend, Question, Reason, ToFix, reason, reason_if
from analytics.records.load import NOT_RECORDED, Records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.answer import Answer, nothing
from analytics.review.fleet import units_back

_COLUMNS = ["rank", "what", "how_many", "why_it_matters", "what_to_do"]
#: a gap in recording this large, and surer than this p-value, is called a bias
_GAP, _SURE = 0.10, 0.01
_SILENT_YEARS = 2
#: as many of the silent or the missing are asked for as one person can phone
_ASKED = 40
#: how loud rows set aside are, by sheet
_SHEETS = {
    "returns": (90, Harm.COMEBACKS_MISSING),
    "builds": (50, Harm.UNITS_MISSING),
    "readings": (15, Harm.MILES_MISSING),
    "changes": (25, Harm.CHANGE_MISSED),
}
#: rows set aside that take nothing away: they said nothing, or said it twice
NO_LOSS = [Issue.NO_RECORD, Issue.REPEATED, Issue.DENIED, Issue.CROSSED_OUT]

#: doubts that a whole column hangs on, and how loud they are
WHOLE_COLUMN, _WHOLE = [Issue.TOO_SLOW], 95


@dataclass(frozen=True, slots=True)
class _Fault:
    """A fault of the records: ``weight``: how far it can bend the numbers; ``rank``: its place among faults of one weight."""

    weight: float
    what: Reason
    how_many: int
    harm: Harm
    mend: Reason
    rank: object = ""


def _recorded_for_whom(lifetimes: Lifetimes) -> pd.DataFrame:
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
    """Faults of ``records`` and their ``lifetimes`` ranked by the harm they do to every number above."""
    question = reason(Question.TO_FIX)
    found = [
        *_not_known(lifetimes),
        *_set_aside(records),
        *_not_heard_of(lifetimes.units),
        *_left_unsaid(records, lifetimes),
        *_doubted(records),
    ]
    found.sort(key=lambda f: (-f.weight, f.what.code, f.rank))
    rows = [[i, f.what, f.how_many, f.harm, f.mend] for i, f in enumerate(found, 1)]
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    if frame.empty:
        return nothing(question, Faults.NONE, frame)
    said = [reason(Faults.FAULT, rank=i, what=f.what, harm=f.harm, mend=f.mend) for i, f in enumerate(found[:3], 1)]
    said += reason_if(Faults.MORE, len(frame) > 3, faults=len(frame) - 3)
    return Answer(question, tuple(said), frame)


def _not_known(lifetimes: Lifetimes) -> Iterator[_Fault]:
    """Particulars that are missing, and those recorded for the units that came back rather than for the others."""
    for row in _recorded_for_whom(lifetimes).itertuples():
        if not row.returned + row.others:
            continue
        of_back, of_others = row.known_of_returned / max(row.returned, 1), row.known_of_others / max(row.others, 1)
        missing = row.others - row.known_of_others
        lost = missing + row.returned - row.known_of_returned
        share = lost / (row.returned + row.others)
        if row.p_value < _SURE and of_back - of_others > _GAP:
            loud = row.what in ("power", "weight")
            what = reason(ToFix.KNOWN_FOR_WHOM, what=row.what, of_returned=of_back, of_others=of_others)
            asked = {"some": min(_ASKED, missing)}
            mend = (
                reason(Mend.PHONE_FOR_ODOMETERS, **asked)
                if row.what == "odometer"
                else reason(Mend.ASK_AT_EVERY_BUILD, what=row.what, missing=missing, **asked)
            )
            harm = Harm.RATES_BIASED if loud else Harm.LEANS_ON_RETURNS
            yield _Fault((100 if loud else 60) + 10 * (of_back - of_others), what, missing, harm, mend, row.what)
        elif lost and share > 0.02:
            what = reason(ToFix.NOT_KNOWN, what=row.what, units=lost, share=share)
            mend = reason(Mend.ASK_FOR, what=row.what)
            yield _Fault(20 + 10 * share, what, lost, Harm.SAYS_NOTHING_BY_IT, mend, row.what)


def _set_aside(records: Records) -> Iterator[_Fault]:
    """Rows of a sheet that are set aside, with the first of the most frequent kind as the example."""
    aside = records.books.set_aside[~records.books.set_aside["kind"].isin(NO_LOSS)]
    for sheet, (weight, harm) in _SHEETS.items():
        own = aside[aside["of"] == sheet]
        if own.empty:
            continue
        alike = own.groupby(["kind", "column"], sort=False)["row"].transform("size")
        first = own.loc[alike.idxmax()]
        share = len(own) / max(int(records.books.counts.set_index("sheet").at[sheet, "read"]), 1)
        what = reason(ToFix.ROWS_SET_ASIDE, rows=len(own), sheet=sheet, why=first["reason"])
        mend = reason(Mend.SEE_SET_ASIDE, row=first["row"], remedy=first["remedy"])
        yield _Fault(weight * min(1.0, 0.3 + 5 * share), what, len(own), harm, mend, sheet)


def _not_heard_of(units: pd.DataFrame) -> Iterator[_Fault]:
    """Units nobody heard of since they went out, and those said not to run without a return."""
    silent = units[
        (units["end"] == "in use")
        & ~(units["miles_days"] > 0)
        & (units["returned"] == 0)
        & (units["days"] > _SILENT_YEARS * DAYS_A_YEAR)
    ]
    if n := len(silent):
        what = reason(ToFix.SILENT, units=n, years=_SILENT_YEARS)
        mend = reason(Mend.PHONE_SOME, some=min(_ASKED, n))
        yield _Fault(40 * n / len(units), what, n, Harm.TAKEN_AS_RUNNING, mend)
    if n := int((units["end"] == "no").sum()):
        mend = reason(Mend.FIND_OUT_WHAT_BROKE)
        yield _Fault(45, reason(ToFix.NOT_RUNNING, units=n), n, Harm.FAILURE_HIDDEN, mend)


def _left_unsaid(records: Records, lifetimes: Lifetimes) -> Iterator[_Fault]:
    """Causes, orders and parts that nobody wrote down."""
    returns = max(len(records.returns), 1)
    if n := int((~records.returns["cause_stated"]).sum()):
        mend = reason(Mend.WRITE_THE_CAUSE)
        yield _Fault(30 * n / returns, reason(ToFix.NO_CAUSE, components=n), n, Harm.WHOSE_FAULT, mend)
    if n := int((records.returns["order"] == "unclear").sum()):
        mend = reason(Mend.WRITE_THE_ORDER)
        yield _Fault(20 * n / returns, reason(ToFix.ORDER_UNCLEAR, components=n), n, Harm.EACH_COUNTS, mend)
    if n := int((lifetimes.table["part"] == NOT_RECORDED).sum()):
        mend = reason(Mend.FILL_IN_THE_PART)
        yield _Fault(10, reason(ToFix.NO_PART, lives=n), n, Harm.SPEAK_FOR_NO_PART, mend)


def _doubted(records: Records) -> Iterator[_Fault]:
    """Cells read on an assumption or left unread, by the kind of the doubt."""
    for kind, group in records.books.to_check.groupby("kind", sort=True):
        first, n = group.iloc[0], len(group)
        mend = reason(Mend.SEE_TO_CHECK, sheet=first["sheet"], row=first["row"], remedy=first["remedy"])
        what = reason(ToFix.CELLS, cells=n, kind=kind)
        yield _Fault(
            _WHOLE if kind in WHOLE_COLUMN else 5 + min(n, 50) / 10, what, n, Harm.ASSUMED_OR_UNREAD, mend, kind
        )


def counted(records: Records) -> Answer:
    """Rows of ``records`` read, used and set aside, sheet by sheet."""
    counts = records.books.counts
    sums = {c: int(counts[c].sum()) for c in ("read", "used", "set_aside")}
    said = [reason(Counted.ROWS, **sums)]
    later = sum(records.books.later.values())
    said += reason_if(Counted.LATER, later, rows=later, as_of=records.as_of)
    said += reason_if(Counted.TO_CHECK, len(records.books.to_check), cells=len(records.books.to_check))
    unused = {name: columns for name, columns in records.books.unused_columns.items() if columns}
    said += reason_if(Counted.UNUSED_COLUMNS, unused, columns=unused)
    said += [reason(Counted.FILE_PASSED_OVER, told=line) for line in records.books.files_passed_over()]
    return Answer(reason(Question.COUNTED), tuple(said), counts)
