"""A notebook that was run, as one page that needs nothing else: no network, and of scripts only the one that puts tables in order."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from importlib.resources import files
from typing import Any

#: words that lead to a section, where the page has it
_SECTION = re.compile(r'<span hidden data-section="(\w+)">(.*?)</span>')
#: a heading of the page, not of the sheet within it
_HEADING = re.compile(r'<h2[^>]* id="([^"]+)"[^>]*>(.*?)</h2>')


def page_html(notebook: Any, title: str) -> str:
    """Render a run notebook (an nbformat node): its texts and outputs in order, the code left out.

    Everything stands inside the page; a content security policy forbids it to ask for more. Cells tagged ``hidden``
    and streams (progress, warnings) are left out. Contents are made from the second-level headings.
    title: of the page.
    """
    text = [re.sub(r'<a class="anchor-link"[^>]*>.*?</a>', "", b) for b in _blocks(notebook)]
    headings = [(m[1], m[2]) for b in text for m in _HEADING.finditer(b)]
    text = _linked(text, {anchor for anchor, _ in headings})
    if headings:
        items = "".join(f'<li><a href="#{anchor}">{words}</a></li>' for anchor, words in headings)
        at = next(i for i, b in enumerate(text) if _HEADING.search(b))
        back = '<a class="top" href="#contents">Contents</a>'
        text.insert(at, f'<nav id="contents" aria-label="Contents"><ol>{items}</ol>{back}</nav>')
    return filled_page(title, text)


def _blocks(notebook: Any) -> list[str]:
    """What the cells of a notebook say, one after the other; a heading goes by the name of the section under it, and is left out over nothing."""
    from nbconvert.filters.markdown_mistune import markdown2html_mistune

    blocks: list[str] = []
    for cell in notebook.cells:
        if "hidden" in cell.metadata.get("tags", []):
            continue
        if cell.cell_type == "markdown":
            blocks.append(markdown2html_mistune(cell.source))
            continue
        told = [block for output in cell.get("outputs", []) for block in _output(output)]
        if blocks and (shown := re.search(r'\.show\("(\w+)"', cell.source)):
            blocks[-1] = re.sub(r'(<h2[^>]*) id="[^"]*"', rf'\1 id="{shown[1]}"', blocks[-1])
        if cell.cell_type == "code" and not told and blocks and _HEADING.search(blocks[-1]):
            blocks.pop()  # a question that these records say nothing to
        blocks += told
    return blocks


def _linked(text: list[str], there: set[str]) -> list[str]:
    """The blocks of ``text``, words that name a section led to those that are ``there``."""
    return [_SECTION.sub(lambda m: f'<a href="#{m[1]}">{m[2]}</a>' if m[1] in there else "", b) for b in text]


def filled_page(title: str, blocks: list[str], one: bool = False) -> str:
    """A page of these ``blocks`` of HTML under the ``title``, in the look of every page. one: to be printed on one A4, without a table to put
    in order."""
    from jinja2 import Environment

    template, script = (_template(name) for name in ("page.html.j2", "sort.js"))
    # no other script runs than this one, letter by letter
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    return (
        Environment(autoescape=False, keep_trailing_newline=True)
        .from_string(template)
        .render(
            title=html.escape(title),
            blocks=blocks,
            kind=' class="one"' if one else "",
            script="" if one else script,
            policy="" if one else f"; script-src 'sha256-{digest}'",
        )
    )


def _template(name: str) -> str:
    return files("analytics.report").joinpath(f"template/{name}").read_text(encoding="utf-8")


def _output(output: Any) -> list[str]:
    if output.output_type not in ("display_data", "execute_result"):
        return []
    data = output.data
    if "text/html" in data:
        return [data["text/html"]]
    if "text/plain" in data:
        return [f"<pre>{html.escape(data['text/plain'])}</pre>"]
    return []
