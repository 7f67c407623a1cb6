"""Tables as HTML."""

from __future__ import annotations

import html

import pandas as pd

from analytics.words.columns import heading, shown


def html_table(frame: pd.DataFrame, caption: str = "") -> str:
    """A table of HTML; every text of the data is escaped. Numbers stand to the right."""
    text = shown(frame)
    right = [
        pd.api.types.is_numeric_dtype(frame[c]) and not pd.api.types.is_bool_dtype(frame[c]) for c in frame.columns
    ]
    head = "".join(
        f'<th scope="col"{_side(r)}>{html.escape(heading(c))}</th>' for c, r in zip(frame.columns, right, strict=True)
    )
    body = "".join(
        "<tr>" + "".join(f"<td{_side(r)}>{html.escape(v)}</td>" for v, r in zip(row, right, strict=True)) + "</tr>"
        for row in text.itertuples(index=False, name=None)
    )
    told = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    return f'<div class="table"><table>{told}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _side(right: bool) -> str:
    return ' class="number"' if right else ""
