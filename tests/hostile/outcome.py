"""What becomes of a bad input, in the package's own words; and the catalogue of all of them."""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import tempfile
from pathlib import Path

import pandas as pd

from analytics.__main__ import main
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from tests.hostile.cases import AS_OF, CASES, Case

CATALOGUE = Path(__file__).with_name("catalogue.csv")
COLUMNS = ["kind", "case", "becomes", "message"]


def outcome(case: Case, folder: Path) -> tuple[str, str]:
    """What becomes of it (refused, set aside, to check, said, read) and the words for it; no path of this machine.

    Anything but a result or an AnalyticsError is let through: that is the fault looked for.
    """
    case.make(folder)
    if case.argv:
        told = io.StringIO()
        with contextlib.redirect_stderr(told), contextlib.redirect_stdout(io.StringIO()) as said:
            code = main([a.replace("{folder}", str(folder)) for a in case.argv])
        words, kind = (told.getvalue(), "refused") if code == 2 else (said.getvalue(), "read")
        return kind, _tidy(words.removeprefix("error: "), folder)
    try:
        records = load_records(folder, as_of=AS_OF)
        lifetimes = make_lifetimes(records)
    except AnalyticsError as err:
        return "refused", _tidy(str(err), folder)
    counts = records.books.counts
    assert (counts["read"] == counts["used"] + counts["set_aside"]).all()
    assert len(records.books.set_aside) == counts["set_aside"].sum()
    assert len(lifetimes.table) >= 0
    lines = []
    for kind, frame in (("set aside", records.books.set_aside), ("to check", records.books.to_check)):
        if len(frame):
            lines += [
                f"{r.file}, row {r.row}{f', {r.column}' if r.column else ''}: {r.reason}. {r.remedy}."
                for r in frame.itertuples()
            ]
            return kind, _tidy(" | ".join(lines), folder)
    if records.books.unused_files:
        return "said", _tidy(" ".join(records.books.files_passed_over()), folder)
    unread = [f"columns of {name} not used: {', '.join(c)}" for name, c in records.books.unused_columns.items() if c]
    return "read", _tidy("; ".join(unread) or "text like any other", folder)


def _tidy(words: str, folder: Path) -> str:
    words = words.replace(str(folder), "FOLDER").replace(str(folder.parent), "ABOVE")
    # the readers' own words change with their versions
    words = re.sub(r"cannot be read(?: as an SQLite file)?(?: \(.*\)|: .*?)\. (?=[A-Z])", "cannot be read (…). ", words)
    line = " ".join("".join(c if c.isprintable() or c in "\n\t" else f"\\x{ord(c):02x}" for c in words).split())
    return line if len(line) <= 300 else line[:297] + "…"


def catalogue() -> pd.DataFrame:
    """Every case with what becomes of it."""
    rows = []
    for case in CASES:
        above = Path(tempfile.mkdtemp())
        folder = above / "shop"
        folder.mkdir()
        try:
            rows.append([case.kind, case.name, *outcome(case, folder)])
        finally:
            shutil.rmtree(above, ignore_errors=True)
    return pd.DataFrame(rows, columns=COLUMNS)
