"""Rows of a workbook are as tall as their text: not every program that opens one sees to it."""

from __future__ import annotations

import re
import zipfile

import pandas as pd

from analytics.report.files import write_book


def test_a_row_is_as_tall_as_its_broken_text(tmp_path):
    told = ["short", "words " * 30, "x" * 5000]
    frame = pd.DataFrame({"what": told, "expected_loss": [1.0, 2.0, 3.0]})
    write_book(tmp_path / "x.xlsx", "review", "x", {"To do": frame}, "$")
    with zipfile.ZipFile(tmp_path / "x.xlsx") as book:
        sheet = book.read("xl/worksheets/sheet2.xml").decode()
    rows = re.findall(r'<row r="(\d+)"[^>]*?(?: ht="([\d.]+)")?(?: customHeight="1")?>', sheet)
    tall = {int(r): float(h or 15) for r, h in rows}
    assert tall[2] == 15
    assert 3 * 15 <= tall[3] <= 4 * 15
    assert 408 < tall[4] <= 409  # the most a row can be
