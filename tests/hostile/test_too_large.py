"""Small files that ask for more memory than any shop needs: what is said many times is counted as often as the reader would hold it."""

from __future__ import annotations

import io
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.records import workbook
from analytics.records.files import open_page
from tests.hostile.cases import CELL, MAIN, ods_repeating, raw_workbook, sharing

ONE = CELL.format("")
TEXTS = f'<sst xmlns="{MAIN}"><si><t>x</t></si><si><t>{"x" * 40}</t></si></sst>'
#: each says something more than a thousand times, or holds more than a thousand letters -> the workbook, and what it is refused for
REPEATED = {
    "letters of one cell": (raw_workbook(f"<row>{ONE.replace('>x<', '>' + 'x' * 1001 + '<')}</row>"), "1,001 letters"),
    "letters of all cells": (raw_workbook(f"<row>{ONE.replace('>x<', '>xx<') * 600}</row>"), "1,200 letters"),
    "a text that cells share": (sharing(50, 20), "1,020 letters"),
    "the second of two, listed anywhere": (
        raw_workbook("<row>" + '<c t="s"><v>1</v></c>' * 30 + "</row>", more={"a/b.dat": TEXTS}),
        "1,230 letters",
    ),
    "a text named twice in a cell": (
        raw_workbook("<row>" + '<c t="s"><v>1</v><v>0</v></c>' * 30 + "</row>", more={"a/b.dat": TEXTS}),
        "1,290 letters",
    ),
    "texts without a letter": (
        raw_workbook("", more={"xl/sharedStrings.xml": f'<sst xmlns="{MAIN}">{"<si/>" * 1001}</sst>'}),
        "more than 1,000 texts",
    ),
    "cells in one place": (raw_workbook("<row>" + '<c r="A1"/>' * 1002 + "</row>"), "in a place that is taken"),
    "merged cells": (
        raw_workbook("", merged="<mergeCells>" + '<mergeCell ref="A1"/>' * 1001 + "</mergeCells>"),
        "merged",
    ),
    "rows of an .ods": (ods_repeating(101, 1, "x" * 10), "letters"),
    "columns of an .ods": (ods_repeating(1, 101, "x" * 10), "letters"),
    "spaces of an .ods": (ods_repeating(1, 1, '<text:s text:c="1001"/>'), "letters"),
    "a cell within a cell of an .ods": (
        ods_repeating(40, 1, '<table:table-cell table:number-columns-repeated="30">x</table:table-cell>'),
        "letters",
    ),
}


@pytest.mark.parametrize("repeated", REPEATED)
def test_what_a_workbook_repeats_is_counted_as_often_as_it_would_be_held(repeated, tmp_path, monkeypatch):
    content, words = REPEATED[repeated]
    path = tmp_path / f"units.{'ods' if '.ods' in repeated else 'xlsx'}"
    path.write_bytes(content)
    assert workbook.too_far(path) == ""
    workbook._scan.cache_clear()
    for most in ("MOST_ROWS", "MOST_CELLS", "MOST_LETTERS"):
        monkeypatch.setattr(workbook, most, 1000)
    assert words in workbook.too_far(path)
    workbook._scan.cache_clear()


def test_blank_cells_of_a_look_that_go_on_to_the_end_of_the_sheet_are_no_letters(tmp_path):
    """As an office program writes a page whose columns were formatted: what is typed, then a million blank rows."""
    look = 'table:style-name="ce14" table:content-validation-name="val1" table:number-columns-repeated="16384"'
    blank = f'<table:table-row table:number-rows-repeated="1048570"><table:table-cell {look}/></table:table-row>'
    content = ods_repeating(2, 3, "x")
    with zipfile.ZipFile(io.BytesIO(content)) as made, zipfile.ZipFile(tmp_path / "builds.ods", "w") as out:
        for entry in made.namelist():
            text = made.read(entry).decode()
            out.writestr(zipfile.ZipInfo(entry), text.replace("</table:table>", f"{blank}</table:table>"))
    assert workbook.too_far(tmp_path / "builds.ods") == ""


def test_a_long_text_that_the_rows_of_a_parquet_file_share_is_held_once(tmp_path, monkeypatch):
    """481 bytes asked for a hundred gigabytes."""
    told = pa.DictionaryArray.from_arrays(pa.array([0, None] * 100, pa.int32()), ["x" * 1_000_000])
    pq.write_table(pa.table({"notes": told}), tmp_path / "builds.parquet", compression="zstd", store_schema=False)
    read, held = pq.read_table, []

    def read_table(*args: object, **how: object) -> pa.Table:
        held.append(read(*args, **how))
        return held[-1]

    monkeypatch.setattr(pq, "read_table", read_table)
    rows = open_page(tmp_path / "builds.parquet", "builds", "", ()).rows
    assert held[0].nbytes < 2_000_000
    assert [len(cell) for row in rows[1:5] for cell in row] == [1_000_000, 0, 1_000_000, 0]
    assert rows[1][0] is rows[3][0]
