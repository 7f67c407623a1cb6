"""Sheets handed over as data frames: read by the same rules as files, cell by cell as text."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from analytics.errors import RecordsError
from analytics.records.files import MOST_CELLS, MOST_ROWS, Grid, as_text, too_large
from analytics.records.headings import HEADINGS
from analytics.records.shop import Shop, shop_from


def shop_of_frames(frames: Mapping[str, pd.DataFrame], settings: Mapping[str, object]) -> Shop:
    """Settings whose sheets are ``frames`` (name of the sheet -> frame), for load_records.

    settings: as shop.toml, parsed; [sheets], which says where files are, is passed over. Raises RecordsError where the
    settings are not understood, or a frame is none, has headings or an index that would go unread, or is too large.
    """
    if not isinstance(settings, Mapping):
        raise RecordsError(
            f"settings is a {type(settings).__name__}: give what shop.toml holds as a dict, at least the components, such as\n"
            '{"components": {"input shaft": "input_shaft"}}    # component: its column in builds'
        )
    for name in frames:
        if name not in HEADINGS:
            raise RecordsError(f"there is no sheet {name!r}: give frames for {', '.join(HEADINGS)}.")
    told = {key: copy.deepcopy(value) for key, value in settings.items() if key != "sheets"}
    shop = shop_from(told, Path("data frames"))
    grids = {name: frame_grid(name, frame) for name, frame in frames.items()}
    return replace(shop, sheets=replace(shop.sheets, grids=grids))


def frame_grid(name: str, frame: pd.DataFrame) -> Grid:
    """The cells of a frame as text under its headings. A row's number is its place as ``frame.iloc`` counts, from 0.

    name: what messages call it.
    """
    if not isinstance(frame, pd.DataFrame):
        raise RecordsError(
            f"{name} is a {type(frame).__name__}: give a pandas DataFrame, one row per row of the sheet."
        )
    if frame.columns.nlevels > 1:
        raise RecordsError(f"{name}: the frame has headings on {frame.columns.nlevels} levels. Join them into one.")
    named = [str(level) for level in frame.index.names if level is not None]
    if named:
        raise RecordsError(
            f"{name}: {', '.join(map(repr, named))} stands in the index of the frame, which is not read. "
            "Call reset_index() on it first."
        )
    if len(frame) > MOST_ROWS or frame.size > MOST_CELLS:
        raise too_large(name, "the frame", f"{len(frame):,} rows of {frame.shape[1]:,} columns")
    columns = [list(map(as_text, frame.iloc[:, k].tolist())) for k in range(frame.shape[1])]
    heads = list(map(as_text, frame.columns))
    return Grid(f"{name} (data frame)", "", [heads, *map(list, zip(*columns, strict=True))], -1)
