"""The pages of the review's workbook: their names, the page that guides, and the tables made for it."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from analytics.review.one_sheet import Sheet
from analytics.review.outlook import Outlook
from analytics.words.cautions import CAUTIONS
from analytics.words.review import one_sheet

START, TO_DO, LIMITS, CALLS, RANDOM = "Start here", "To do", "Limits", "Trucks to call", "Random calls"
QUARTERS, AHEAD, STOCK, RETURNS = "Quarter by quarter", "What comes next", "What to stock", "Returns of the quarter"
MEND, LIVES, ANSWERS, SETTINGS = "Rows to mend", "Every part followed", "Every answer", "Settings and cautions"
_FOR = {
    TO_DO: "What to do, most urgent first: who, what, what is at stake a year.",
    LIMITS: "Every part, weight class and use: what is published, supported and proposed, the verdict, and how it stood last quarter. Filter by verdict.",
    CALLS: "Each truck once, with every reason, the dearest first. Customers' data: keep it in the shop.",
    RANDOM: "Whom to phone at random, in this order and no other.",
    QUARTERS: "Per part and quarter what was expected and what came. Filter by component, part or quarter.",
    AHEAD: "The next quarter and year by component, with range.",
    STOCK: "What to keep on the shelf for the quarter's comebacks, part by part.",
    RETURNS: "What came back in the quarter, a line per component.",
    MEND: "Rows not used, and cells read on an assumption, each with its place, reason and remedy.",
    LIVES: "The life of every part, as the figures use it.",
    ANSWERS: "Every sentence of the review under its question.",
    SETTINGS: "What the review rests on, and what its figures cannot do.",
}


def guide(title: str, pages: Collection[str]) -> pd.DataFrame:
    """The first page: ``title``, and what each of the ``pages`` is for."""
    rows = [
        (
            title,
            "The quarter in a workbook to filter and print; the page review.html says the same in words and pictures.",
        )
    ]
    return pd.DataFrame([*rows, *((name, _FOR[name]) for name in pages)], columns=["page", "what it is for"])


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


def to_mend(set_aside: pd.DataFrame, to_check: pd.DataFrame) -> pd.DataFrame:
    """Rows ``set_aside`` and cells ``to_check``, one under the other."""
    both = [set_aside.assign(list="not used"), to_check.assign(list="to check")]
    frame = pd.concat(both, ignore_index=True)
    return frame[["list", *(c for c in frame.columns if c != "list")]]


def settings(table: pd.DataFrame) -> pd.DataFrame:
    """The ``table`` of settings, with the cautions under it."""
    more = pd.DataFrame([("caution", line) for line in CAUTIONS], columns=table.columns)
    return pd.concat([table, more], ignore_index=True)
