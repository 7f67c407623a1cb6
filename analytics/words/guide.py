"""The page that guides through a workbook."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

START = "Start here"
#: what each workbook is, by the page that says the same in words and pictures
_BOOKS = {"review": "The quarter", "ratings": "The power ratings", "load": "The load at every part"}
#: what each page is for, by its name
_FOR = {
    "To do": "What to do, most urgent first: who, what, what is at stake a year.",
    "Limits": "Every part, weight class and use: what is published, supported and proposed, the verdict, and how it stood last quarter. Filter by verdict.",
    "Trucks to call": "Each truck once, with every reason, the dearest first. Customers' data: keep it in the shop.",
    "Random calls": "Whom to phone at random, in this order and no other.",
    "Quarter by quarter": "Per part and quarter what was expected and what came. Filter by component, part or quarter.",
    "What comes next": "The next quarter and year by component, with ranges; and by part what to keep on the shelf for the quarter.",
    "Returns of the quarter": "What came back in the quarter, a line per component.",
    "Rows to mend": "Rows not used, and cells read on an assumption, each with its place, reason and remedy.",
    "Every part followed": "The life of every part, as the figures use it.",
    "Every answer": "Every sentence of the review under its question.",
    "Settings and cautions": "What all of it rests on, and what its figures cannot do.",
    "Cautions": "What the figures cannot do.",
    "Ratings": "A row per part, weight class and use, the verdict first: what is published, proposed and supported, the best estimate, what it rests on. Filter by verdict.",
    "What each rests on": "Every check, note and reason behind each rating.",
    "Published": "The limits on file, with the day each holds from.",
    "On power, torque and margin": "Each rating three ways, with the power it comes to.",
    "What explains the returns": "Whether power, torque or margin explains them best, part by part.",
    "Suspects": "Failures whose formulas point at the part's make, and the rule each broke. Customers' data: keep it in the shop.",
    "Rules, failed and not": "Each rule against those that failed and those that did not.",
    "Parts": "What is on record of each part's make.",
    "Measured": "What was measured on trucks.",
    "Assumed": "What is assumed where the records are silent, what it decides, and so what to measure.",
    "Every load": "Every life with the load on its part. Customers' data: keep it in the shop.",
}


def guide(book: str, title: str, pages: Collection[str]) -> pd.DataFrame:
    """The first page of a ``book`` (review, ratings or load) with a ``title``: what each of its ``pages`` is for."""
    about = (
        f"{_BOOKS[book]} in a workbook to filter and print; the page {book}.html says the same in words and pictures. "
        "Of a table wider than a sheet of paper the first columns are printed."
    )
    rows = [(title, about), *((name, _FOR[name]) for name in pages)]
    return pd.DataFrame(rows, columns=["page", "what it is for"])


def with_cautions(table: pd.DataFrame, cautions: Collection[str]) -> pd.DataFrame:
    """A ``table`` of two columns of settings, with the ``cautions`` under it."""
    more = pd.DataFrame([("caution", line) for line in cautions], columns=table.columns)
    return pd.concat([table, more], ignore_index=True)
