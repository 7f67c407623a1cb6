"""The empty workbook, written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from analytics.errors import RecordsError
from analytics.whole import whole_file
from analytics.words.blank import NAME, BlankColumn, blank_pages, blank_toml, blank_words, read_me
from analytics.words.start import argument_text, quoted_text

#: rows that offer the lists
_ROWS = 2000


def write_blank(folder: Path, metric: bool = False, command: str = "python -m analytics") -> str:
    """Write the empty workbook and the names that go with it into a folder; what to do then.

    metric: headings in kW, kg and km. command: how the program is called. Raises AnalyticsError where the files are there already.
    """
    folder = Path(folder)
    there = [name for name in (NAME, "shop.toml") if (folder / name).exists()]
    if there:
        raise RecordsError(f"{folder}: {' and '.join(there)} stand there already. Name a new or empty folder.")
    with whole_file(folder / NAME) as part:
        write_book(part, blank_pages(metric), command)
    with whole_file(folder / "shop.toml") as part:
        part.write_text(blank_toml(quoted_text(folder.resolve().name)), encoding="utf-8")
    return blank_words(str(folder / NAME), argument_text(str(folder)), command)


def write_book(
    path: Path,
    pages: Mapping[str, Sequence[BlankColumn]],
    command: str,
    rows: Mapping[str, Sequence[Sequence[object]]] | None = None,
) -> None:
    """The workbook with its examples, at ``path``: ``pages`` with their columns, ``command`` on the page that explains.

    rows: page -> rows of cells beneath them, in the order of the columns.
    """
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False})
    bold, grey = book.add_format({"bold": True}), book.add_format({"font_color": "#666666", "italic": True})
    first = book.add_worksheet("read me")
    first.set_column(0, 0, 110)
    for at, line in enumerate(read_me(command)):
        first.write_string(at, 0, line, bold if at == 0 else None)
    for name, columns in pages.items():
        page = book.add_worksheet(name)
        page.freeze_panes(1, 1)
        for at, column in enumerate(columns):
            _column(page, at, column, (bold, grey))
        for number, cells in enumerate((rows or {}).get(name, ()), 2):
            page.write_row(number, 0, cells)
    book.close()


def _column(page, at: int, column: BlankColumn, formats: tuple[object, object]) -> None:
    page.set_column(at, at, max(len(column.heading), len(column.example)) + 3)
    page.write_string(0, at, column.heading, formats[0])
    page.write_string(1, at, column.example, formats[1])
    if column.note:
        page.write_comment(0, at, column.note)
    if column.choices:
        page.data_validation(
            1, at, _ROWS, at, {"validate": "list", "source": list(column.choices), "error_type": "information"}
        )
