"""The quarter on one sheet, as HTML: the first screen of the review, and a page of its own."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from analytics.ratings.sheet import Ratings
from analytics.report.page import filled_page
from analytics.report.tables import unbroken
from analytics.review.one_sheet import Sheet
from analytics.whole import whole_file
from analytics.words.cautions import CAUTIONS
from analytics.words.review import one_sheet as words
from analytics.words.saying import say_all
from analytics.words.units import speaking_as

#: between what stands one above the other where a page's style is known, and side by side in a notebook
_DOT = '<span class="dot"> · </span>'


def write_sheet(sheet: Sheet, path: Path, review: str) -> Path:
    """The sheet as a page of one A4, its links into the page ``review`` beside it. Returns its path."""
    title = f"<h1>{html.escape(words.title(sheet))}</h1>"
    cautions = f'<p class="small">{html.escape(" ".join(CAUTIONS[:2]))}</p>'
    with whole_file(path) as part:
        part.write_text(
            filled_page(words.title(sheet), [title, sheet_html(sheet, review), cautions], one=True), encoding="utf-8"
        )
    return path


def sheet_html(sheet: Sheet, page: str = "") -> str:
    """The sheet without its title, in the units of its shop. page: that its links lead into ("": the one it stands on)."""
    with speaking_as(sheet.ratings.records.shop):
        return _sheet_html(sheet, page)


def _sheet_html(sheet: Sheet, page: str) -> str:
    aside = _part(words.CHANGED, _items(say_all(sheet.changed))), _part(words.MEND, _items(words.to_mend(sheet)))
    rows = words.rows_of(sheet.ratings, sheet.limits)
    parts = [
        f"<p>{html.escape(words.as_of(sheet))}</p>",
        _part(words.TO_DO, f"<ol>{''.join(_line(told, page) for told in words.to_do(sheet))}</ol>"),
        _part(words.LIMITS, limits_table(sheet.ratings, rows[: words.PARTS]) + _small(words.limits_note(sheet)))
        if rows
        else "",
        _part(words.CALLS, _calls(sheet)),
        _part(words.NUMBERS, plain_table(words.numbers_table(sheet), words.CAPTION["numbers"], "numbers")),
        f'<div class="beside">{"".join(aside)}</div>',
    ]
    return f'<div class="sheet">{"".join(parts)}</div>'


def _part(title: str, inside: str) -> str:
    return f"<section><h2>{html.escape(title)}</h2>{inside}</section>" if inside else ""


def _items(lines: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{unbroken(line)}</li>" for line in lines) + "</ul>" if lines else ""


def _small(*lines: str) -> str:
    return "".join(f'<p class="small">{unbroken(line)}</p>' for line in lines if line)


def _line(told: words.Told, page: str) -> str:
    evidence = html.escape(words.EVIDENCE[told.section])
    where = (
        f'<a href="{page}#{told.section}">{evidence}</a>'
        if page
        else f'<span hidden data-section="{told.section}">{evidence}</span>'  # a link where its page is made; in a notebook there is nothing to lead to
    )
    stake = f'<span class="stake">{html.escape(told.at_stake)}</span> ' if told.at_stake else ""
    return f"<li><b>{html.escape(told.who)}</b> {unbroken(told.what)} {stake}{where}</li>"


def limits_table(ratings: Ratings, rows: list[words.Row]) -> str:
    """The ``rows`` of ``ratings`` as a table by weight class, the verdict first."""
    heads, rows = words.filled_classes(ratings, rows)
    body = "".join(
        f'<tr><th scope="row">{unbroken(row.part)}{_DOT}<span>{html.escape(row.component)}</span></th>'
        + "".join(_cell(cell, head) for cell, head in zip(row.cells, heads[1:], strict=True))
        + "</tr>"
        for row in rows
    )
    return f'<div class="sheet">{_table(words.CAPTION["limits"], heads, body, "limits stack")}</div>'


def _cell(cell: words.Cell, head: str) -> str:
    if not cell.verdict:
        return "<td></td>"
    verdict = html.escape(cell.verdict)
    verdict = f"<b>{verdict}</b>" if cell.code in ("lower", "raise") else verdict
    return f'<td data-head="{html.escape(head)}">{verdict}{_DOT}<span>{html.escape(cell.supported)}</span></td>'


def plain_table(frame: pd.DataFrame, caption: str, kind: str = "") -> str:
    """The ``frame`` of texts as a small table of a ``kind``, named ``caption``, the first column its rows' headings; on a phone each row is a block."""
    heads = [str(c) for c in frame.columns]
    body = "".join(
        f'<tr><th scope="row">{unbroken(str(row[0]))}</th>'
        + "".join(f'<td data-head="{html.escape(h)}">{unbroken(str(v))}</td>' for h, v in zip(heads[1:], row[1:], strict=True))
        + "</tr>"
        for row in frame.itertuples(index=False, name=None)
    )  # fmt: skip
    return _table(caption, heads, body, f"stack {kind}".strip())


def _table(caption: str, heads: list[str], body: str, kind: str) -> str:
    head = "".join(f'<th scope="col">{html.escape(h)}</th>' if h else "<td></td>" for h in heads)
    return f'<table class="{kind}" aria-label="{html.escape(caption)}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _calls(sheet: Sheet) -> str:
    table = words.calls_table(sheet).head(words.TRUCKS)
    shown = plain_table(table, words.CAPTION["calls"], "calls") if len(table) else ""
    return _small(words.calls_note(sheet)) + shown + _small(words.random_note(sheet))
