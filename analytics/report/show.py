"""Answers and figures in a notebook and, through it, on the page."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from analytics.kept import once
from analytics.report.tables import IN_NOTEBOOK, html_table, unbroken
from analytics.review.answer import Answer
from analytics.words.answers import METHOD, TABLE, drawn_for, more_rows, readable, worded
from analytics.words.units import prose, speaking, spoken

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.figure import Figure

    from analytics.records.shop import Units

#: pixels: of each of several pictures beside one another, and in an inch of what is drawn
_BESIDE, _DPI = 470, 160


def show(answer: Answer, rows: int | None = None) -> None:
    """Display an answer: the words first, the table (cut at so many ``rows``) and the method one click below."""
    _display(answer_html(answer, rows))


def answer_html(answer: Answer, rows: int | None = None) -> str:
    """An answer as HTML: the words first, the table (cut at so many ``rows``) and the method one click below."""
    words = worded(answer)
    table = _table(words.table, rows, words.question)
    return lines_html(words.sentences) + fold(TABLE, table) + fold(METHOD, lines_html((words.method, *words.notes)))


def lead(answer: Answer, sentences: int = 1) -> str:
    """The first ``sentences`` of an ``answer`` as HTML."""
    return lines_html(worded(answer).sentences[:sentences])


def behind(answer: Answer, *pictures: str, title: str = "", after: int = 0, table: bool = True) -> str:
    """What stands behind an ``answer``, one click below its question or a ``title``: its sentences ``after`` so many, ``pictures``, the
    whole table, the method; nothing where there was nothing to go by."""
    if not answer.reckoned:
        return ""
    words = worded(answer)
    inside = [
        lines_html(words.sentences[after:]),
        *pictures,
        _table(words.table, None, words.question) if table else "",
    ]
    return fold(title or words.question, *inside, lines_html((words.method, *words.notes), "small"))


def first_then(told: Sequence[str], title: str, *inside: str, first: int = 1) -> None:
    """Display the ``first`` sentences ``told``; the others and what is ``inside`` one click below the ``title``."""
    show_html(lines_html(told[:first]), fold(title, lines_html(told[first:]), *inside))


def fold(title: str, *inside: str) -> str:
    """HTML one click below its ``title``; nothing where there is nothing ``inside``."""
    filled = "".join(inside)
    return f"<details><summary>{html.escape(prose(title))}</summary>{filled}</details>" if filled else ""


def picture(drawn: tuple[Figure, str] | None, question: str) -> str:
    """A figure with its caption, if any was ``drawn``, as HTML under its ``question``."""
    return figure_html(drawn[0], question, drawn[1]) if drawn else ""


def drawn(draw: Callable[..., tuple[Figure, str] | None], *of: object, question: str) -> str:
    """What ``draw`` makes of what it is drawn ``of``, with its ``question`` above, as `picture`; kept."""
    return once(picture_of, (draw, of, question, spoken()))


def picture_of(
    draw: Callable[..., tuple[Figure, str] | None], of: tuple[object, ...], question: str, units: Units
) -> str:
    """As `drawn`, for another process. draw: makes the figure, if any, and its caption. of: what it is given. question: stands above. units: that the shop speaks."""
    with speaking(units):
        return picture(draw(*of), question)


def show_table(frame: pd.DataFrame, folded: str = "", rows: int | None = None) -> None:
    """Display the ``frame`` by itself, or one click below the words ``folded``; cut at so many ``rows``."""
    if len(frame):
        table = _table(readable(frame), rows, folded)
        _display(fold(folded, table) if folded else table)


def table_html(frame: pd.DataFrame, name: str) -> str:
    """The whole ``frame`` as HTML, called ``name``."""
    return _table(readable(frame), None, name)


def show_html(*markup: str) -> None:
    """Display pieces of ``markup``: HTML made elsewhere in the room, escaped already."""
    if filled := "".join(markup):
        _display(filled)


def show_heading(title: str, *lines: str) -> None:
    """Display a title of the first level and the sentences under it."""
    _display(f"{IN_NOTEBOOK}<h1>{html.escape(title)}</h1>" + lines_html(lines))


def show_words(*lines: str, level: int = 0, new_page: bool = False) -> None:
    """Display sentences, or a heading of that level; ``new_page``: on a new page when printed."""
    tag = f"h{level}" if level else "p"
    start = f'<{tag} class="new-page">' if new_page else f"<{tag}>"
    _display("".join(f"{start}{html.escape(line)}</{tag}>" for line in lines))


def show_list(lines: Sequence[str]) -> None:
    """Display a list of sentences. lines: the sentences."""
    _display('<ul class="cautions">' + "".join(f"<li>{html.escape(prose(line))}</li>" for line in lines) + "</ul>")


def show_figure(figure: Figure, question: str, answer: str, folded: str = "") -> None:
    """Display a figure under its question, with the answer as caption; one click below
    the words ``folded``, if any."""
    drawn = figure_html(figure, question, answer)
    _display(fold(folded, drawn) if folded else drawn)


def figure_html(figure: Figure, question: str, answer: str) -> str:
    """A figure as one piece of HTML, each of its panels a picture inside it. The figure is closed. question: above it; answer: its caption, of which
    the finding, where a line of its own, stands above too."""
    import matplotlib.pyplot as plt

    finding, _, rest = answer.rpartition("\n")
    q = html.escape(prose(question))
    told = f'<p class="finding">{unbroken(prose(finding))}</p>' * bool(finding)
    below = f"<figcaption>{unbroken(prose(rest))}</figcaption>" * bool(rest)
    parts: list[Any] = [*figure.subfigs] or [figure]
    panels = [next((ax.get_title("left") for ax in part.axes), "") for part in parts]
    alts = [html.escape(drawn_for(prose(question), str(figure.get_label()), panel)) for panel in panels]
    pictures = _pictures(figure)
    plt.close(figure)
    kind, width = ("picture", round(figure.get_figwidth() * 108)) if len(pictures) == 1 else ("picture many", _BESIDE)
    images = "".join(
        f'<img width="{width}" alt="{alt}" src="data:image/png;base64,{data}">'
        for alt, data in zip(alts, pictures, strict=True)
    )
    return f'<figure><p class="question">{q}</p>{told}<div class="{kind}" role="group" aria-label="{q}">{images}</div>{below}</figure>'


def _pictures(figure: Figure) -> list[str]:
    """The panels of a ``figure``, each as a PNG of few colours in base64: as vectors, letters and all, eleven figures measured took 2 to 25 times
    the bytes."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    figure.set_dpi(_DPI)
    canvas.draw()
    whole = np.asarray(canvas.buffer_rgba())[..., :3]
    edges = [panel.bbox.extents for panel in figure.subfigs] or [figure.bbox.extents]
    return [
        _png(whole[max(len(whole) - high, 0) : len(whole) - low, left:right])
        for left, low, right, high in np.round(edges).astype(int)
    ]


def _png(pixels: np.ndarray) -> str:
    """The ``pixels`` (rows, columns, 3) as a PNG of few colours in base64."""
    import numpy as np
    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).quantize(64, dither=Image.Dither.NONE).save(data, "png")
    return base64.b64encode(data.getvalue()).decode("ascii")


def lines_html(lines: Sequence[str], kind: str = "") -> str:
    """Sentences as HTML, each a paragraph; those that are empty left out. lines: the sentences; kind: of paragraph."""
    start = f'<p class="{kind}">' if kind else "<p>"
    return "".join(f"{start}{unbroken(prose(line))}</p>" for line in lines if line)


def _table(frame: pd.DataFrame, rows: int | None, name: str) -> str:
    if not len(frame):
        return ""
    more = len(frame) - rows if rows is not None else 0
    shown = html_table(frame if rows is None else frame.head(rows), name)
    return shown + (f"<p>{more_rows(more)}</p>" if more > 0 else "")


def _display(markup: str) -> None:
    from IPython.display import HTML, display

    display(HTML(f'<div class="answer">{markup}</div>'))
