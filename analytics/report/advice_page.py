"""The answer for one truck as half a page to print or send: no other customer is named, the cautions stand open."""

from __future__ import annotations

import html
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path

import pandas as pd

from analytics.advice.answer import Advice
from analytics.report.one_sheet import plain_table
from analytics.report.tables import unbroken
from analytics.whole import whole_file
from analytics.words import advice as words


def advice_html(advice: Advice) -> str:
    """The ``advice`` as a piece of HTML: what has to be said first, the table, the next money, the whole, the cautions."""
    first = words.first_words(advice)
    warned = f'<div class="first">{_paragraphs(first)}</div>' if first else ""
    cautions = "".join(f"<li>{html.escape(line)}</li>" for line in words.CAUTIONS_SHORT)
    return (
        f'<div class="answer"><h1>{html.escape(words.title(advice))}</h1>{_paragraphs([words.truck_words(advice)])}{warned}'
        f"{_captioned(words.page_rows(advice), words.page_caption(advice))}"
        f"{_paragraphs([*words.more_words(advice), *words.whole_words(advice)])}"
        f'<p class="basis">{html.escape(" ".join(words.basis_words(advice)))}</p><ul class="cautions">{cautions}</ul></div>'
    )


def write_advice(advice: Advice, path: str | Path) -> Path:
    """Write the ``advice`` as a page that needs nothing else. Returns the ``path``. Raises AnalyticsError where it cannot be written."""
    from jinja2 import Environment

    template = files("analytics.report").joinpath("template/advice.html.j2").read_text(encoding="utf-8")
    page = Environment(autoescape=False, keep_trailing_newline=True).from_string(template)
    with whole_file(Path(path)) as part:
        part.write_text(page.render(title=html.escape(words.title(advice)), body=advice_html(advice)), encoding="utf-8")
    return Path(path)


def _captioned(rows: pd.DataFrame, caption: str) -> str:
    """The ``rows`` as a table under the words that say what it holds."""
    return plain_table(rows, caption).replace("<thead>", f"<caption>{html.escape(caption)}</caption><thead>", 1)


def _paragraphs(lines: Iterable[str]) -> str:
    return "".join(f"<p>{unbroken(line)}</p>" for line in lines)
