"""Files that a rating leaves: ratings.csv, the workbook, and the customers' sheet."""

from __future__ import annotations

import html
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from analytics.ratings.customers import customer_lines
from analytics.ratings.sheet import Ratings
from analytics.report.files import write_book, write_csv
from analytics.report.tables import unbroken
from analytics.whole import whole_file
from analytics.words.cautions import CAUTIONS
from analytics.words.guide import with_cautions
from analytics.words.ratings import customers as words
from analytics.words.ratings.basis import basis, details
from analytics.words.ratings.sheet import offered, sheet_table
from analytics.words.units import speaking_as

#: what the owner reads first in the workbook
_FIRST = ["component", "part", "weight_up_to", "use", "verdict", "published_hp", "proposed_hp", "supported_hp", "estimate_hp", "reason"]  # fmt: skip


def write_rating_files(ratings: Ratings, out: str | Path) -> list[Path]:
    """ratings.csv, ratings.xlsx and customer_sheet.html. Returns their paths. out: the folder to write into."""
    out = Path(out)
    table = sheet_table(ratings)
    write_csv(table, out / "ratings.csv")
    write_book(
        out / "ratings.xlsx",
        "ratings",
        f"{ratings.records.shop.name}: power ratings",
        {
            "Ratings": offered(table, ratings.table["why"])[
                [*_FIRST, *(c for c in table.columns if c not in (*_FIRST, "life_miles"))]
            ],
            "What each rests on": details(ratings),
            "Published": ratings.records.limits.drop(columns="row"),
            "Settings and cautions": with_cautions(basis(ratings), CAUTIONS),
        },
        ratings.records.shop.currency,
    )
    with whole_file(out / "customer_sheet.html") as part:
        part.write_text(customer_sheet(ratings), encoding="utf-8")
    return [out / "ratings.csv", out / "ratings.xlsx", out / "customer_sheet.html"]


def customer_sheet(ratings: Ratings) -> str:
    """One printable page for customers: limits, basis, conditions, cautions. No limit above what is published. ratings: of the shop."""
    with speaking_as(ratings.records.shop):
        return _customer_sheet(ratings)


def _customer_sheet(ratings: Ratings) -> str:
    from jinja2 import Environment

    heads = words.headings(ratings)
    blocks = {
        "title": html.escape(f"{ratings.records.shop.name}: power limits"),
        "rows": "".join(f"<tr>{_row(heads, words.cells(line))}</tr>" for line in customer_lines(ratings)),
        "head": _cells('th scope="col"', heads),
        **{name: html.escape(text) for name, text in words.notes(ratings).items()},
        "cautions": _cells("li", CAUTIONS[:6]),
    }
    template = files("analytics.report").joinpath("template/customer.html.j2").read_text(encoding="utf-8")
    return Environment(autoescape=False, keep_trailing_newline=True).from_string(template).render(**blocks)


def _cells(tag: str, texts: Sequence[str]) -> str:
    return "".join(f"<{tag}>{html.escape(text)}</{tag.split()[0]}>" for text in texts)


def _row(heads: Sequence[str], texts: Sequence[str]) -> str:
    """A row whose cells name their column, for a phone, where each stands on a line of its own."""
    named = zip(heads, texts, strict=True)
    return "".join(f'<td data-head="{html.escape(head)}">{unbroken(text)}</td>' for head, text in named)
