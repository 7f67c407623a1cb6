"""Marks that repeat the cell above: ", ditto, do., same as above."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

#: 'same' under what was put in says something else: the same part again
_MARK = r"(?:[\"“”„〃″]\s*)+|''|,,|do|ditto"
_DITTO = re.compile(rf"[\s\-–.]*(?:{_MARK}|same(?:\s+as\s+above)?|as\s+above)[\s\-–.]*", re.IGNORECASE)
_DITTO_PUT_IN = re.compile(rf"[\s\-–.]*(?:{_MARK}|(?:same\s+)?as\s+above)[\s\-–.]*", re.IGNORECASE)
#: what marks a repeat under headings with a rule of their own: a serial is a unit's own, notes are told as they stand
_OWN = {
    "replaced_with": _DITTO_PUT_IN,
    **dict.fromkeys(("serial", "notes", "confirmed", "from_row"), re.compile("(?!)")),
}


def repeated(heading: str, texts: Sequence[str], skipped: Collection[int] = ()) -> tuple[list[str], list[int]]:
    """A column of ``texts`` with marks that repeat the cell above written out, blank where nothing stands above; and where they stood.

    heading: ours of the column. skipped: positions of rows that are no records, which nothing repeats.
    """
    marks = set(filter(_OWN.get(heading, _DITTO).fullmatch, set(texts)))
    if not marks:
        return list(texts), []
    filled, found, above = list(texts), [], ""
    for at, text in enumerate(texts):
        if text in marks:
            filled[at] = above
            found.append(at)
        elif at not in skipped:
            above = text
    return filled, found
