"""What a command says on the terminal when it is done, or when it could not be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analytics.ratings.ledger import Entry

DOES = "Field-return analytics for a shop that builds performance transmissions."
NO_MEMORY = "not enough memory. Close other programs, or split the sheets."
STOPPED = "stopped. Nothing half-written was left under a file's own name."


def disk(why: str, file: str | None) -> str:
    """What a file or the disk refused, and ``why``. file: its path, where there is one."""
    where = f" ({Path(file).name})" if file else ""
    return f"{why}{where}. Check that files can be read, folders written and that the disk is not full."


def whole_lists(folder: Path) -> str:
    """That the lists of a check lie in the ``folder``."""
    return f"\nWhole lists: {folder}/set_aside.csv, to_check.csv, counts.csv"


def review(page: Path) -> str:
    """Where the ``page`` of the review lies, and what lies beside it."""
    return (
        f"The quarter on one sheet: {page.with_name('sheet.html')}\nThe review behind it: {page}\nBeside them: review.xlsx, and as CSV the tables, among "
        "them limits, calls and random_calls (whom to call), forecast (what comes next), set_aside and to_check (what to mend)"
    )


def ratings(page: Path, rows: int, seconds: float) -> str:
    """Where the ``page`` of the ratings lies, what lies beside it, and how many ``seconds`` its ``rows`` took."""
    told = f"The ratings: {page}\nBeside it: ratings.csv, ratings.xlsx, customer_sheet.html, above_supported.csv"
    return f"{told}\n{rows} rows, page and files in {seconds:.0f} s: {seconds / rows:.1f} s a row." if rows else told


def cutoff(page: Path) -> str:
    """Where the ``page`` about a boundary lies, and its brief."""
    brief = page.with_name("brief.html")
    return f"The brief: {brief}\nThe whole argument: {page}\nBeside them: cutoff.csv, overlap.csv, and with a boundary by money cost_curve.csv and sensitivity.csv"


def advised(page: Path) -> str:
    """Where half a page with the answer for a truck lies."""
    return f"Half a page to print or send: {page}"


def kept(path: Path) -> str:
    """Where what was advised is written down: ``path``."""
    return f"Added to {path}: the review holds it against what comes."


def advised_all(path: Path, trucks: int, asked: int) -> str:
    """Where the answers for a sheet of ``trucks`` lie (``path``), and of how many a question was ``asked`` back."""
    return f"{trucks:,} trucks answered, {asked:,} with a question back: {path}"


def closed(path: Path) -> str:
    """Where an alarm was closed: ``path``."""
    return f"Closed: added to {path}. The next review shows it as a line; two more failures open it again."


def said(path: Path) -> str:
    """Where what the review said is kept: ``path``."""
    return f"What it says is kept in {path.name}, and held against what comes."


def load(page: Path) -> str:
    """Where the ``page`` of the loads lies, and what lies beside it."""
    return f"The loads: {page}\nBeside it: loads.csv, load_ratings.csv, suspects.csv, load.xlsx"


def accepted(entry: Entry) -> str:
    """The ``entry`` that was added to the limits."""
    what = f"{entry.component} {entry.part}, {entry.weights}, {entry.power_limit}"
    return f"Added to limits: {what} from {entry.effective_on}.\n{entry.reason}"


def backtest(table: Path) -> str:
    """Where the table of the quarters replayed lies."""
    return f"Quarter by quarter: {table}"


def demo(folder: Path) -> str:
    """What to do with the ``folder`` of invented sheets."""
    return f"An invented shop's sheets are in {folder}. Look at them with: python -m analytics review {folder}"


#: titles of the pages, after the name of the shop
REVIEW_TITLE, RATINGS_TITLE, LOAD_TITLE = "quarterly review", "power ratings", "the load behind the horsepower"


def cutoff_title(below: str, above: str) -> str:
    """Title of the page of the boundary between the parts ``below`` and ``above``, after the name of the shop."""
    return f"where {below} ends and {above} begins"
