"""Rows of a workbook are as tall as their text: not every program that opens one sees to it."""

from __future__ import annotations

import math
import re
import zipfile

import pandas as pd

from analytics import kept
from analytics.records.shop import Units
from analytics.report import files
from analytics.report.files import write_book
from analytics.words.units import speaking


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


def _written(frame: pd.DataFrame, path) -> tuple[str, str]:
    write_book(path, "review", "x", {"To do": frame}, "$")
    with zipfile.ZipFile(path) as book:
        return book.read("xl/worksheets/sheet2.xml").decode(), book.read("xl/styles.xml").decode()


def test_a_text_stands_off_the_figure_before_it(tmp_path):
    """Without a side no program heeds the distance, and "1" beside "T-0208-LP" read as one."""
    _, styles = _written(pd.DataFrame({"call": [1], "serial": ["T-0208-LP"]}), tmp_path / "x.xlsx")
    assert all('horizontal="left"' in of for of in re.findall(r"<alignment[^>]*>", styles) if "indent" in of)
    assert 'indent="1"' in styles


def test_of_a_table_wider_than_paper_the_first_columns_are_printed(tmp_path):
    narrow, _ = _written(pd.DataFrame({"a": [1.0]}), tmp_path / "x.xlsx")
    wide, _ = _written(pd.DataFrame({f"a{k}": [1.5] for k in range(40)}), tmp_path / "y.xlsx")
    assert 'fitToPage="1"' in narrow
    assert "scale=" not in narrow
    assert 'fitToPage="1"' not in wide  # else it is squeezed
    assert 'scale="62"' in wide
    widths = [float(w) for w in re.findall(r'<col [^>]*width="([\d.]+)"', wide)]
    with zipfile.ZipFile(tmp_path / "y.xlsx") as book:
        [last] = re.findall(r"Print_Area\"[^>]*>'To do'!\$A\$1:\$([A-Z]+)\$2<", book.read("xl/workbook.xml").decode())
    assert 25 * int(widths[0]) <= 178 < 26 * int(widths[0])
    assert last == "Y", "the twenty-fifth"


def test_a_text_that_no_paper_shows_makes_no_row_tall(tmp_path):
    """Its row would be printed as an empty gap; one that is printed breaks over as many lines as it takes."""
    figures, text = {f"a{k}": [1.5] for k in range(40)}, {"why": ["so it is " * 40]}
    beyond, _ = _written(pd.DataFrame({**figures, **text}), tmp_path / "x.xlsx")
    within, _ = _written(pd.DataFrame({**text, **figures}), tmp_path / "y.xlsx")
    assert '<row r="2" spans="1:41">' in beyond
    assert re.search(r'<row r="2"[^>]* ht="', within)


def test_a_column_of_figures_is_as_wide_as_they_are(tmp_path):
    frame = pd.DataFrame({"n": [7, 12], "odometer": [123_456.0, 9.0], "cost": [1234.0, -20.0], "share": [1.0, 0.5]})
    sheet, _ = _written(frame.assign(weight_lb=[math.inf, 1.0]), tmp_path / "x.xlsx")
    wide = [round(float(w)) for w in re.findall(r'<col [^>]*width="([\d.]+)"', sheet)]
    assert wide == [8, 13, 10, 9, 11]  # "123,456 mi", "-$1,234", "100%", "no limit", each with room at its side


def test_counts_have_no_decimals_and_no_figure_has_all_of_them(tmp_path):
    frame = pd.DataFrame({"lower": [0.0, 5.0], "exponent": [2.80483123, 1.2], "share_of": [0.0399027, 0.2]})
    _, styles = _written(frame, tmp_path / "x.xlsx")
    _, chance = _written(pd.DataFrame({"p_value": [3e-9, 0.0004, 0.0213]}), tmp_path / "p.xlsx")
    # a spreadsheet shows them as "under 0.0001", "0.0004" and "0.021"
    assert """[&lt;0.000100]&quot;under 0.0001&quot;;[&lt;0.01]0.0000;0.000""" in chance
    assert {"#,##0", "#,##0.00", "0.0000"} == set(re.findall(r'formatCode="([^"]+)"', styles))


def test_a_book_kept_is_made_anew_where_a_cell_a_heading_or_a_unit_differs(tmp_path, monkeypatch):
    def written(frame: pd.DataFrame) -> bytes:
        write_book(tmp_path / "x.xlsx", "review", "x", {"To do": frame}, "$")
        return (tmp_path / "x.xlsx").read_bytes()

    monkeypatch.setenv(kept.CACHE, str(tmp_path / "cache"))
    frame = pd.DataFrame({"power_hp": [600.0], "why": ["so"]})
    first = written(frame)
    with monkeypatch.context() as idle:
        idle.setattr(files, "_fill", None)  # nothing is filled in again
        assert written(frame.copy()) == first
    assert written(frame.assign(why="not so")) != first
    assert written(frame.rename(columns={"why": "reason"})) != first
    with speaking(Units(power="kW")):
        assert written(frame) != first
    assert written(frame) == first
