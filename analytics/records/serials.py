"""Serials: alike however they are written, and who a mistyped one may be."""

from __future__ import annotations

import re
from collections.abc import Container

import numpy as np
import pandas as pd

from analytics.records.book import Sheet
from analytics.records.cells import is_blank

#: what a serial is called, before its figures
_CALLED = re.compile(r"^\W*(?:(?:job|unit|serial|order|trans|tag|number|no)\b[\s.:#]+)+(?=\d)", re.IGNORECASE)
#: a whole number as a program that held it as a fraction writes it
_FRACTION = re.compile(r"(\d+)\.0+")
_APART = re.compile(r"[\W_]+")
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


def read_serials(sheet: Sheet, reason: str, remedy: str) -> None:
    """The key of each row's serial; rows without one are set aside for ``reason``.

    sheet: any with serials. remedy: what to do about it.
    """
    sheet.values["key"] = serial_keys(sheet.text("serial"))
    sheet.set_aside(sheet.values["key"] == "", "serial", reason, remedy)


def serial_keys(text: pd.Series) -> pd.Series:
    """Serials without case, spaces, punctuation and what a serial is called: 't-0012' and 'T 0012' are one, '1077' and 'Job 1077'; blank where
    nothing is said. Of bare figures as spreadsheets change them too: '00123', '123' and '123.0' are one.

    text: as typed.
    """
    codes, distinct = pd.factorize(text)
    keys = np.array(["" if is_blank(t) else _key(t) for t in distinct], dtype=object)
    return pd.Series(keys[codes], text.index)


def _key(text: str) -> str:
    bare = _CALLED.sub("", text).strip()
    whole = _FRACTION.fullmatch(bare)
    key = _APART.sub("", whole[1] if whole else bare).upper()
    return (key.lstrip("0") or "0") if key.isdecimal() else key


def one_slip_away(key: str, known: Container[str]) -> list[str]:
    """Known serials that differ from ``key`` by one wrong, missing, extra or swapped character.

    One edit in the sense of Damerau, Communications of the ACM 7 (1964) 171-176 (from memory).
    known: keys on record.
    """
    near: set[str] = set()
    for at in range(len(key) + 1):
        head, tail = key[:at], key[at:]
        variants = [head + c + tail for c in _LETTERS]
        if tail:
            variants.append(head + tail[1:])
            variants += [head + c + tail[1:] for c in _LETTERS]
        if len(tail) > 1:
            variants.append(head + tail[1] + tail[0] + tail[2:])
        near.update(v for v in variants if v in known)
    return sorted(near - {key})
