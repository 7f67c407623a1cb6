"""What a page of ours may hold: read with a parser, so that nothing hides in odd spelling."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import analytics.report

#: the one script a page may hold, which puts its tables in order, and the line of the policy that lets it alone run
SORTS = (Path(analytics.report.__file__).parent / "template" / "sort.js").read_text(encoding="utf-8")
ALLOWED = f"script-src 'sha256-{base64.b64encode(hashlib.sha256(SORTS.encode()).digest()).decode()}'"
TAGS = frozenset(
    [
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "h1",
        "h2",
        "h3",
        "h4",
        "p",
        "nav",
        "ol",
        "ul",
        "li",
        "a",
        "div",
        "figure",
        "figcaption",
        "img",
        "details",
        "summary",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "pre",
        "code",
        "em",
        "strong",
        "blockquote",
        "hr",
        "br",
        "span",
        "section",
        "b",
    ]
)
ATTRIBUTES = frozenset(
    [
        "lang",
        "charset",
        "name",
        "content",
        "http-equiv",
        "class",
        "id",
        "href",
        "width",
        "alt",
        "src",
        "scope",
        "aria-label",
        "open",
        "role",
        "tabindex",
        "data-head",
        "colspan",
    ]
)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self.texts: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in TAGS and (tag != "script" or attrs):
            self.found.append(f"tag {tag}")
        given = dict(attrs)
        self.found += [f"attribute {name} of {tag}" for name in given if name not in ATTRIBUTES]
        if not (given.get("src") or "data:image/png;base64,").startswith("data:image/png;base64,"):
            self.found.append(f"source {given['src']}")
        if not re.fullmatch(r"(review\.html)?#[^:]*", given.get("href") or "#"):
            self.found.append(f"link {given['href']}")
        if given.get("http-equiv") not in (None, "Content-Security-Policy"):
            self.found.append(f"meta {given['http-equiv']}")
        self.open.append(tag)

    handle_startendtag = handle_starttag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script" and data != SORTS:
            self.found.append("tag script")
        self.texts.append(data)
        if self.open and self.open[-1] == "style" and re.search(r"url\(|@import|expression", data):
            self.found.append("style that fetches")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("style", "script"):
            self.open.append("")


def offences(page: str) -> list[str]:
    """Everything in a page that could run, fetch or lead away; [] where there is none."""
    reader = _Reader()
    reader.feed(page)
    if "default-src 'none'" not in page:
        reader.found.append("no policy that forbids to fetch")
    if "script-src" in page and (page.count("script-src") > 1 or ALLOWED not in page):
        reader.found.append("a policy that lets other scripts run")
    return sorted(set(reader.found))


def texts(page: str) -> str:
    """The words a person reads."""
    reader = _Reader()
    reader.feed(page)
    return " ".join(reader.texts)
