"""The pages of the review's workbook: their names, and the tables made for it."""

from __future__ import annotations

import pandas as pd

from analytics.review.one_sheet import Sheet
from analytics.review.outlook import Outlook
from analytics.words.review import one_sheet

TO_DO, LIMITS, CALLS, RANDOM = "To do", "Limits", "Trucks to call", "Random calls"
QUARTERS, AHEAD, RETURNS = "Quarter by quarter", "What comes next", "Returns of the quarter"
MEND, LIVES, ANSWERS, SETTINGS = "Rows to mend", "Every part followed", "Every answer", "Settings and cautions"


def to_do(sheet: Sheet) -> pd.DataFrame:
    """The lines of the ``sheet``."""
    told = [(line.who, line.what, line.at_stake) for line in one_sheet.to_do(sheet)]
    return pd.DataFrame(told, columns=["who", "what", "at_stake"])


def by_quarter(outlook: Outlook) -> pd.DataFrame:
    """A row per part and quarter of those an ``outlook`` replays, the last first."""
    frames = []
    for watched in reversed(outlook.watched):
        own = watched.expected[watched.expected["side"] == "part"]
        quarter = f"{watched.end.year} Q{watched.end.quarter}"
        frames.append(own.rename(columns={"group": "part"}).assign(quarter=quarter))
    columns = ["component", "part", "quarter", "units", "expected", "lower", "upper", "came"]
    return pd.concat(frames, ignore_index=True)[columns] if frames else pd.DataFrame(columns=columns)


def ahead(outlook: Outlook) -> pd.DataFrame:
    """What an ``outlook`` expects by component, and by part what to keep for the quarter."""
    spans, parts = outlook.forecast.table, outlook.stock.table.assign(span="quarter")
    columns = dict.fromkeys(["span", "component", "part", *spans.columns, *parts.columns])
    rows = [*spans.to_dict("records"), *parts.to_dict("records")]
    return pd.DataFrame(rows, columns=list(columns))


def to_mend(set_aside: pd.DataFrame, to_check: pd.DataFrame) -> pd.DataFrame:
    """Rows ``set_aside`` and cells ``to_check``, one under the other."""
    both = [set_aside.assign(list="not used"), to_check.assign(list="to check")]
    frame = pd.concat(both, ignore_index=True)
    return frame[["list", *(c for c in frame.columns if c != "list")]]
