"""Flags of a row: codes with their values, all in one text, so that a column of them can be compared and grouped."""

from __future__ import annotations

from urllib.parse import quote, unquote

import numpy as np
import pandas as pd

from analytics.reasons import Flag, Reason

_BETWEEN = "; "
POWER = frozenset({Flag.POWER_ABOUT, Flag.POWER_AT_WHEELS, Flag.POWER_RANGE})
WEIGHT = frozenset({Flag.WEIGHT_ABOUT, Flag.WEIGHT_OF_PLATE})


def flag(code: Flag, **values: object) -> str:
    """A code and its values as text: 'SET_ASIDE row=2'."""
    told = (f"{name}={quote(str(value), safe='', errors='surrogatepass')}" for name, value in values.items())
    return " ".join([code.name, *told])


def join(*flags: str) -> str:
    """Flags in one text, each once, in their order."""
    return _BETWEEN.join(dict.fromkeys(f for text in flags for f in text.split(_BETWEEN) if f))


def flags_of(text: str) -> tuple[Reason, ...]:
    """The flags that a text holds; their values are texts."""
    found = []
    for told in text.split(_BETWEEN) if text else ():
        name, *values = told.split(" ")
        pairs = (value.split("=", 1) for value in values)
        found.append(Reason(Flag[name], {key: unquote(value, errors="surrogatepass") for key, value in pairs}))
    return tuple(found)


def only(text: str, kinds: frozenset[Flag]) -> str:
    """Those flags of a text that are of the kinds."""
    return join(*(f for f in text.split(_BETWEEN) if f and Flag[f.split(" ")[0]] in kinds))


def has_flag(flags: pd.Series, code: Flag) -> np.ndarray:
    """Whether each row of a column of flags has the flag: bool, shape (n,). flags: the column; code: of the flag."""
    codes, distinct = pd.factorize(flags)
    return np.array([code in {f.code for f in flags_of(text)} for text in distinct], bool)[codes]


def add_flag(flags: pd.Series, mask: pd.Series | np.ndarray, code: Flag) -> pd.Series:
    """Flags with one more in the rows of the mask. flags: the column; mask: bool, (n,); code: of the flag."""
    mask = np.asarray(mask, bool)
    return flags.where(~mask, flags.where(flags == "", flags + _BETWEEN) + flag(code))


def join_columns(*columns: pd.Series | np.ndarray) -> np.ndarray:
    """Flags of several columns in one, each once."""
    joined = np.asarray(columns[0], dtype=object)
    for column in columns[1:]:
        before, old = pd.factorize(joined)
        more, new = pd.factorize(np.asarray(column, dtype=object))
        both, pairs = pd.factorize(before * max(len(new), 1) + more)
        texts = np.empty(len(pairs), dtype=object)
        for at, (one, two) in enumerate(zip(*np.divmod(pairs, max(len(new), 1)), strict=True)):
            texts[at] = join(old[one], new[two])
        joined = texts[both]
    return joined
