"""Two outputs side by side, in words: pages without their markup, tables as they are, workbooks cell by cell."""

from __future__ import annotations

import difflib
import hashlib
import io
from contextlib import closing
from html.parser import HTMLParser

_BLOCKS = {"p", "li", "tr", "h1", "h2", "h3", "h4", "div", "section", "summary", "figcaption", "details", "table"}


class _Words(HTMLParser):
    """The words of a page, a block a line; the pictures by a digest of their bytes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.lines, self.pictures, self._now, self._hidden = [], [], [], 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in ("style", "script")
        told = dict(attrs)
        if tag == "img":
            source = told.get("src") or ""
            digest = hashlib.sha256(source.encode()).hexdigest()[:12]
            self.pictures.append(f"[picture {len(self.pictures) + 1}, {len(source)} characters, {digest}]")
            self.lines.append(f"[picture: {told.get('alt', '')}]")
        if tag in _BLOCKS:
            self._close()

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "script")
        if tag in _BLOCKS:
            self._close()
        elif tag in ("td", "th"):
            self._now.append("|")

    def handle_data(self, data: str) -> None:
        if not self._hidden and data.strip():
            self._now.append(" ".join(data.split()))

    def _close(self) -> None:
        if self._now:
            self.lines.append(" ".join(self._now))
        self._now = []


def _page(content: bytes) -> tuple[list[str], list[str]]:
    words = _Words()
    words.feed(content.decode("utf-8", "replace"))
    words._close()
    return words.lines, words.pictures


def _book(content: bytes) -> list[str]:
    from python_calamine import CalamineWorkbook

    with closing(CalamineWorkbook.from_filelike(io.BytesIO(content))) as book:
        return [
            f"{name} {number}: " + " | ".join(map(str, row))
            for name in book.sheet_names
            for number, row in enumerate(book.get_sheet_by_name(name).to_python(skip_empty_area=False), 1)
        ]


def difference(name: str, before: bytes | None, after: bytes | None, most: int = 40) -> list[str]:
    """Lines that say how a file changed, at most ``most`` and one; none where the bytes agree. None: not there."""
    if before == after:
        return []
    if before is None or after is None:
        return [f"only {'after' if before is None else 'before'} ({len(after if before is None else before):,} bytes)"]
    sizes = f"{len(before):,} bytes before, {len(after):,} after"
    if name.endswith(".html"):
        (old, old_pictures), (new, new_pictures) = _page(before), _page(after)
        lines = _unified(old, new) + _unified(old_pictures, new_pictures)
        lines = lines or [f"the same words and pictures: the markup differs ({sizes})"]
    elif name.endswith(".xlsx"):
        lines = _unified(_book(before), _book(after)) or [f"the same cells: the workbook differs otherwise ({sizes})"]
    else:
        try:
            lines = _unified(before.decode().splitlines(), after.decode().splitlines())
            lines = lines or [f"the same lines: their ends differ ({sizes})"]
        except UnicodeDecodeError:
            lines = [f"other bytes ({sizes})"]
    return lines if len(lines) <= most else [*lines[:most], f"... and {len(lines) - most:,} lines more"]


def _unified(old: list[str], new: list[str]) -> list[str]:
    return list(difflib.unified_diff(old, new, "before", "after", n=1, lineterm=""))[2:]


def in_order(names: set[str]) -> list[str]:
    """What a person would look at first: what was printed, pages, tables, then the rest."""
    rank = {"html": 1, "csv": 2, "xlsx": 3}
    return sorted(names, key=lambda n: (rank.get(n.rsplit(".", 1)[-1], 4) if "." in n else 0, n))
