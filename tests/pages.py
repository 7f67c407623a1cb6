"""Pages as their reader meets them: made without a kernel, and what stands on them open and closed."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

import nbformat
import nbformat.v4 as nb

from analytics.report import show
from analytics.report.page import page_html

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def page_of(notebook: str, sections: Mapping, result: object) -> str:
    """The page of a ``notebook``, as its kernel would make it of the ``sections`` shown of a ``result``."""
    done = nbformat.read(NOTEBOOKS / f"{notebook}.ipynb", as_version=4)
    for cell in done.cells:
        names = re.findall(r'\.show\("(\w+)"\)', cell.source) if cell.cell_type == "code" else []
        told: list[str] = []
        with mock.patch.object(show, "_display", told.append):
            for name in names:
                sections[name](result)
        if told:
            cell.outputs = [nb.new_output("display_data", {"text/html": "".join(told)})]
    return page_html(done, "A page")


def unwrapped(markup: str) -> str:
    """The ``markup`` without what keeps names and numbers whole."""
    return re.sub(r'<span class="w">(.*?)</span>', r"\1", markup)


def seen(page: str, closed: bool = True) -> str:
    """The words of a ``page``, a line to a block; of what is folded away only its name, where ``closed``."""
    text = re.sub(r"<style.*?</style>|<title>.*?</title>|<script.*?</script>", "", page, flags=re.DOTALL)
    text = unwrapped(text)
    if closed:
        inner = re.compile(
            r"<details><summary>((?:(?!</summary>).)*)</summary>(?:(?!<details>|</details>).)*</details>", re.DOTALL
        )
        while inner.search(text):
            text = inner.sub(r"<p>\1</p>", text)
    text = re.sub(r"<(?:p|h\d|li|td|th|figcaption|span|summary)\b[^>]*>", "\n", text)
    return html.unescape(re.sub(r"[ \t]+", " ", re.sub(r"<[^>]+>", " ", text)))


def words(page: str) -> int:
    """So many words stand on a ``page`` before anything is opened."""
    return len(seen(page).split())
