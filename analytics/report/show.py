"""Answers and figures in a notebook and, through it, on the page."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from analytics.report.tables import html_table
from analytics.review.answer import Answer
from analytics.words.answers import more_rows, readable, worded

if TYPE_CHECKING:
    from matplotlib.figure import Figure


_ROWS_SHOWN = 60


def show(answer: Answer, table: bool = True, rows: int = _ROWS_SHOWN) -> None:
    """Display an answer: the words first, the table under them, the method one click below."""
    _display(answer_html(answer, table, rows))


def answer_html(answer: Answer, table: bool = True, rows: int = _ROWS_SHOWN) -> str:
    """An answer as HTML: the words first, the table under them, the method one click below."""
    words = worded(answer)
    parts = ["".join(f"<p>{html.escape(line)}</p>" for line in words.sentences)]
    if table and len(words.table):
        parts.append(_folded("The figures", html_table(words.table.head(rows)) + _more(words.table, rows)))
    if words.method or words.notes:
        parts.append(
            _folded(
                "How it was reckoned", "".join(f"<p>{html.escape(t)}</p>" for t in (words.method, *words.notes) if t)
            )
        )
    return "".join(parts)


def show_table(frame: pd.DataFrame, rows: int = _ROWS_SHOWN, folded: str = "") -> None:
    """Display a table by itself, or one click below the words ``folded``."""
    if frame.empty:
        return
    table = html_table(readable(frame.head(rows))) + _more(frame, rows)
    _display(_folded(html.escape(folded), table) if folded else table)


def show_html(markup: str) -> None:
    """Display ``markup``: HTML made elsewhere in the room, escaped already."""
    _display(markup)


def show_heading(title: str, *lines: str) -> None:
    """Display a title of the first level and the sentences under it."""
    _display(f"<h1>{html.escape(title)}</h1>" + "".join(f"<p>{html.escape(line)}</p>" for line in lines))


def show_words(*lines: str, level: int = 0, new_page: bool = False) -> None:
    """Display sentences, or a heading of that level; ``new_page``: on a new page when printed."""
    tag = f"h{level}" if level else "p"
    start = f'<{tag} class="new-page">' if new_page else f"<{tag}>"
    _display("".join(f"{start}{html.escape(line)}</{tag}>" for line in lines))


def show_question(answer: Answer) -> None:
    """Display the question of an answer as a heading of the third level."""
    show_words(worded(answer).question, level=3)


def show_list(lines: Sequence[str]) -> None:
    """Display a list of sentences."""
    _display('<ul class="cautions">' + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>")


def show_folded(title: str, lines: Sequence[str]) -> None:
    """Display sentences one click below their title."""
    _display(_folded(html.escape(title), "".join(f"<p>{html.escape(line)}</p>" for line in lines)))


def show_figure(figure: Figure, question: str, answer: str, folded: str = "") -> None:
    """Display a figure under its question, with the answer as caption (and as text for who cannot see it); one click below
    the words ``folded``, if any."""
    picture = figure_html(figure, question, answer)
    _display(_folded(html.escape(folded), picture) if folded else picture)


def figure_html(figure: Figure, question: str, answer: str) -> str:
    """A figure as one piece of HTML, the picture inside it. The figure is closed."""
    import matplotlib.pyplot as plt

    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=150, metadata={"Software": None})
    width = round(figure.get_figwidth() * 96)
    plt.close(figure)
    picture = base64.b64encode(data.getvalue()).decode("ascii")
    q, a = html.escape(question), html.escape(answer)
    return (
        f'<figure><p class="question">{q}</p><img width="{width}" alt="{q} {a}" src="data:image/png;base64,{picture}">'
        f"<figcaption>{a}</figcaption></figure>"
    )


def _folded(title: str, inside: str) -> str:
    return f"<details><summary>{title}</summary>{inside}</details>"


def _more(frame: pd.DataFrame, rows: int) -> str:
    return f"<p>{more_rows(len(frame) - rows)}</p>" if len(frame) > rows else ""


def _display(markup: str) -> None:
    from IPython.display import HTML, display

    display(HTML(f'<div class="answer">{markup}</div>'))
