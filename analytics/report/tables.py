"""Tables as HTML."""

from __future__ import annotations

import html
import re
from importlib.resources import files

import pandas as pd

from analytics.words.columns import heading, in_own_units, shown

#: tables longer than this are grouped by part, where a part has so many rows or more on average
_GROUPED_FROM, _ROWS_A_PART = 12, 1.5
#: a table of more columns than this is set smaller, and says in figures what its sentences say: they would stand off the page
_MANY, _SENTENCES = 8, ["in_words", "reason"]
#: texts longer than this are broken into lines; dates, serials and names stand whole
_LONG = 32
#: and in a table of many columns texts longer than this
_SOME = 16
#: a table of more columns than this stands on a phone as a block for each row, every cell named
_FITS = 2
_NUMBER = ' class="number"'
#: a date, a serial, the name of a part; a number with its unit
_WHOLE = re.compile(r"[\w/]*\w(?:-[\w/]+)*-[A-Z\d][\w/]*|\d[\d,.]* (?:hp|kW|PS|lb|N m|kg|t|km)\b")


#: in a notebook texts in a table would stand to the right, as figures do
IN_NOTEBOOK = files("analytics.report").joinpath("template/notebook.html").read_text(encoding="utf-8")


def unbroken(text: str) -> str:
    """A ``text`` as HTML, its markup escaped, in which no date, serial or name of a part is broken between two lines, nor a number from its unit."""
    return _WHOLE.sub(r'<span class="w">\g<0></span>', html.escape(text))


def html_table(frame: pd.DataFrame, caption: str = "") -> str:
    """A ``frame`` as a table of HTML named ``caption``; every text of the data is escaped. Numbers stand to the right; in a long table that
    begins with component and part these stand once, over their own rows. It scrolls sideways where it is wider than the page."""
    frame = _without_needless(in_own_units(frame))
    named = f' aria-label="{html.escape(caption)}"' if caption else ' aria-label="table"'
    told = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    groups = [*frame.columns[:2]] == ["component", "part"] and len(frame) > _GROUPED_FROM
    groups = groups and len(frame) >= _ROWS_A_PART * len(frame[["component", "part"]].drop_duplicates())
    many = frame.shape[1] > _MANY
    inner = _grouped(frame, many) if groups else f"<tbody>{_rows(frame, many)}</tbody>"
    kind = f' class="{"wide " * many}blocks"' if frame.shape[1] > _FITS else ""
    head = "".join(
        f'<th scope="col"{_side(right)}>{html.escape(heading(c))}</th>'
        for c, right in zip(frame.columns, _numbers(frame), strict=True)
        if not (groups and c in ("component", "part"))
    )
    return f'<div class="table" tabindex="0" role="region"{named}><table{kind}>{told}<thead><tr>{head}</tr></thead>{inner}</table></div>'


def _without_needless(frame: pd.DataFrame) -> pd.DataFrame:
    """The ``frame`` without columns in which no row says anything, and where there are many without its sentences."""
    said = frame.notna() & (frame.astype(object) != "")
    kept = frame.loc[:, said.any().to_numpy() | frame.empty]
    return kept.drop(columns=_SENTENCES, errors="ignore") if kept.shape[1] > _MANY else kept


def _grouped(frame: pd.DataFrame, wide: bool) -> str:
    """A body for each component and part, in the order they first stand in the ``frame``."""
    rest, out = frame.drop(columns=["component", "part"]), []
    for (component, part), at in frame.groupby(
        ["component", "part"], sort=False, observed=True, dropna=False
    ).indices.items():
        name = html.escape(" ".join(str(n) for n in (component, part) if n == n and n))
        out.append(
            f'<tbody><tr><th scope="rowgroup" colspan="{rest.shape[1]}">{name}</th></tr>{_rows(rest.iloc[at], wide)}</tbody>'
        )
    return "".join(out)


def _rows(frame: pd.DataFrame, wide: bool) -> str:
    text = shown(frame)
    kinds = [_kind(text[c], right, wide) for c, right in zip(text.columns, _numbers(frame), strict=True)]
    opened = [f"<td{kind}{name}>" for kind, name in zip(kinds, _names(frame), strict=True)]
    return "".join(
        "<tr>"
        + "".join(
            f"{cell}{html.escape(v) if k in ('', _NUMBER) else unbroken(v)}</td>"
            for v, k, cell in zip(row, kinds, opened, strict=True)
        )
        + "</tr>"
        for row in text.itertuples(index=False, name=None)
    )


def _names(frame: pd.DataFrame) -> list[str]:
    """What names each cell of a row where it is a block; a text that stands first names the row, and needs none."""
    if frame.shape[1] <= _FITS:
        return [""] * frame.shape[1]
    bare = [k == 0 and not number for k, number in enumerate(_numbers(frame))]
    return ["" if b else f' data-head="{html.escape(heading(c))}"' for b, c in zip(bare, frame.columns, strict=True)]


def _kind(texts: pd.Series, number: bool, wide: bool) -> str:
    """How the cells of a column are set: numbers to the right, long ``texts`` in lines, and in a ``wide`` table those of some words too."""
    longest = texts.str.len().max()
    if number or longest <= (_SOME if wide else _LONG):
        return _NUMBER if number else ""
    return ' class="long"' if longest > _LONG else ' class="some"'


def _numbers(frame: pd.DataFrame) -> list[bool]:
    """Whether each column of the ``frame`` holds numbers."""
    kinds = [frame[c].dtype for c in frame.columns]
    return [pd.api.types.is_numeric_dtype(k) and not pd.api.types.is_bool_dtype(k) for k in kinds]


def _side(right: bool) -> str:
    return ' class="number"' if right else ""
