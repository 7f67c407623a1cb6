"""Marks that repeat the cell above: ", ditto, do., same as above."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

#: 'same' under what was put in says something else: the same part again
_MARK = r"(?:[\"“”„〃″]\s*)+|''|,,|do|ditto"
_DITTO = re.compile(rf"[\s\-–.]*(?:{_MARK}|same(?:\s+as\s+above)?|as\s+above)[\s\-–.]*", re.IGNORECASE)
_DITTO_PUT_IN = re.compile(rf"[\s\-–.]*(?:{_MARK}|(?:same\s+)?as\s+above)[\s\-–.]*", re.IGNORECASE)
#: headings whose cells are never repeated by a mark: a serial is a unit's own, notes are told as they stand
_NEVER = frozenset({"serial", "notes", "confirmed", "from_row"})


def repeated(heading: str, texts: Sequence[str], skipped: Collection[int] = ()) -> tuple[list[str], list[int]]:
    """A column of ``texts`` with marks that repeat the cell above written out, blank where nothing stands above; and where they stood.

    heading: ours of the column. skipped: positions of rows that are no records, which nothing repeats.
    """
    mark = _DITTO_PUT_IN if heading == "replaced_with" else _DITTO
    distinct = {text for text in set(texts) if mark.fullmatch(text)} if heading not in _NEVER else set()
    filled, at_marks, above = list(texts), [], ""
    for at, text in enumerate(texts if distinct else ()):
        if text in distinct:
            filled[at] = above
            at_marks.append(at)
        elif at not in skipped:
            above = text
    return filled, at_marks
