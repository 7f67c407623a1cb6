"""Sheets as they are kept: on several pages, several on one, and what only the eye sees of a workbook."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import xlsxwriter

from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.reasons import Counted
from analytics.records.decimals import mark_of, with_points
from analytics.records.load import load_records
from analytics.review.to_fix import counted
from analytics.words.listing import check_listing
from tests.records.sheets import aside, back, build, checks, load, to_csv, write_shop

DAY = "2024-12-31"


def book(path: Path, pages: dict[str, list[list[object]]], struck: str = "", hidden: int = 0) -> None:
    """A workbook; texts that begin with ``struck`` are crossed out, the last ``hidden`` rows of each page hidden."""
    made = xlsxwriter.Workbook(str(path), {"strings_to_formulas": False})
    line, km = made.add_format({"font_strikeout": True}), made.add_format({"num_format": '#,##0" km"'})
    for name, rows in pages.items():
        page = made.add_worksheet(name)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, str) and cell.startswith("=ERR "):
                    page.write_formula(r, c, "=1/0", None, cell[5:])
                elif isinstance(cell, str) and struck and cell.startswith(struck):
                    page.write(r, c, cell.removeprefix(struck), line)
                elif isinstance(cell, tuple):
                    page.write_number(r, c, cell[0], km)
                else:
                    page.write(r, c, cell)
            if r >= len(rows) - hidden:
                page.set_row(r, None, None, {"hidden": True})
    made.close()


def grid(*rows: dict[str, str]) -> list[list[object]]:
    heads = list(dict.fromkeys(h for row in rows for h in row))
    return [list(heads), *([row.get(h, "") for h in heads] for row in rows)]


def shop(folder: Path, toml: str, pages: dict[str, list[list[object]]], **marks: object) -> Path:
    write_shop(folder, toml, returns=[back()])
    book(folder / "orders.xlsx", pages, **marks)
    return folder


def test_builds_on_two_pages_are_read_under_each_other(tmp_path):
    """Before, shop.toml could name one page, and three tabs had to be pasted into one."""
    pages = {"2021-22": grid(build()), "2023-24": grid(build(serial="T-200"), build()), "Notes": [["phone", "Bob"]]}
    toml = '[sheets.builds]\nfile = "orders.xlsx"\nsheet = ["2021-22", "2023-24"]\n'
    found = load_records(shop(tmp_path, toml, pages), as_of=DAY)
    assert list(found.builds["serial"]) == ["T-100", "T-200"]
    assert aside(found) == [("2023-24", 3, "serial", "the same build is entered in row 2 of 2021-22")]
    assert list(found.books.counts.query("sheet == 'builds'").iloc[0]) == ["builds", 3, 2, 1]
    assert found.books.files_passed_over() == ["Files and pages nothing was read from: orders.xlsx, sheet 'Notes'."]


def test_pages_and_files_by_a_pattern(tmp_path):
    toml = '[sheets.builds]\nfile = "orders.xlsx"\nsheet = "20*"\n[sheets.returns]\nfile = "back 20*.csv"\n'
    folder = shop(tmp_path, toml, {"2021": grid(build()), "2022": grid(build(serial="T-200")), "x": []})
    (folder / "returns.csv").unlink()
    (folder / "back 2022.csv").write_text(to_csv([back()]), encoding="utf-8")
    (folder / "back 2023.csv").write_text(to_csv([back(serial="T-200"), back(serial="T-999")]), encoding="utf-8")
    found = load_records(folder, as_of=DAY)
    assert len(found.builds) == len(found.returns) == 2
    assert list(found.books.set_aside["file"]) == ["back 2023.csv"]
    assert list(found.books.set_aside["row"]) == [3]


def test_a_pattern_that_nothing_fits_is_an_error(tmp_path):
    toml = '[sheets.builds]\nfile = "orders.xlsx"\nsheet = "19*"\n'
    with pytest.raises(RecordsError, match="no sheet '19\\*'"):
        load_records(shop(tmp_path, toml, {"2021": grid(build()), "2022": []}), as_of=DAY)


def test_pages_that_look_like_a_sheet_are_named_with_it(tmp_path):
    """75 builds on a page beside the one read went unmentioned."""
    toml = '[sheets.builds]\nfile = "orders.xlsx"\nsheet = "2021"\n'
    more = [build(serial=f"T-{n}") for n in range(300, 375)]
    found = load_records(shop(tmp_path, toml, {"2021": grid(build()), "2022": grid(*more)}), as_of=DAY)
    assert found.books.files_passed_over() == [
        "orders.xlsx, sheet '2022' was not read. Its headings are those of builds, and it has 75 rows: if they belong there, "
        'add "2022" to sheet under [sheets.builds] in shop.toml.'
    ]


def test_pages_nothing_was_read_from_are_named_to_the_owner(tmp_path):
    """Where he looks: under check, and beside the counts of the review."""
    toml = '[sheets.builds]\nfile = "orders.xlsx"\nsheet = "2021"\n'
    pages = {
        "2021": grid(build()),
        "2022": grid(build(serial="T-300"), build(serial="T-301")),
        "Phones": [["Bob", "5551234"]],
        "Empty": [],
    }
    found = load_records(shop(tmp_path, toml, pages), as_of=DAY)
    told = [
        "orders.xlsx, sheet '2022' was not read. Its headings are those of builds, and it has 2 rows: if they belong there, "
        'add "2022" to sheet under [sheets.builds] in shop.toml.',
        "Files and pages nothing was read from: orders.xlsx, sheet 'Phones'.",
    ]
    assert found.books.files_passed_over() == told
    listing = check_listing(found, make_lifetimes(found))
    assert all(line in listing.splitlines() for line in told)
    assert [said.values["told"] for said in counted(found).said if said.code is Counted.FILE_PASSED_OVER] == told


def test_one_page_holds_two_sheets_told_apart_by_a_column(tmp_path):
    rows = [
        {"Type": "Build"} | build(),
        {"Type": "Comeback"} | back(),
        {"Type": "Quote"} | build(serial="T-9"),
        {"Type": "build"} | build(serial="T-200"),
    ]
    toml = (
        '[sheets.builds]\nfile = "all.csv"\nrows = { Type = "build" }\n[sheets.returns]\nfile = "all.csv"\n'
        'rows = { Type = ["comeback"] }\n'
    )
    write_shop(tmp_path, toml)
    (tmp_path / "returns.csv").unlink()
    (tmp_path / "all.csv").write_text(to_csv(rows), encoding="utf-8")
    found = load_records(tmp_path, as_of=DAY)
    assert (len(found.builds), len(found.returns)) == (2, 1)
    assert found.builds["row"].tolist() == [2, 5]
    assert found.books.files_passed_over() == [
        "1 row of all.csv has 'Quote' under 'Type' and belongs to no sheet: add the word to rows under its [sheets] in "
        "shop.toml, if it is a record."
    ]


def test_crossed_out_rows_are_set_aside_and_crossed_out_cells_told(tmp_path):
    crossed = {h: f"~{text}" if text else "" for h, text in build(serial="T-200").items()}
    toml = '[sheets.builds]\nfile = "orders.xlsx"\n'
    pages = {"builds": grid(build(weight="~8200"), crossed)}
    found = load_records(shop(tmp_path, toml, pages, struck="~"), as_of=DAY)
    assert list(found.builds["serial"]) == ["T-100"]
    assert aside(found) == [("builds", 3, "", "the row is crossed out")]
    assert ("builds", 2, "weight", "crossed out, but read") in checks(found)
    keep = load_records(shop(tmp_path, toml + 'crossed_out = "read"\n', pages, struck="~"), as_of=DAY)
    assert len(keep.builds) == 2


@pytest.mark.parametrize(("day", "failed"), [("2022-06-03", 1), ("2022-06-15", 1), ("2022-06-16", 0)])
def test_a_return_crossed_out_and_written_anew_leaves_nothing_unknown(tmp_path, day, failed):
    """The line that holds stood under the one crossed out, and its failure was lost with it; further apart they may be two."""
    struck = {h: f"~{text}" if text else "" for h, text in back(failed_on="", returned_on="2022-06-01").items()}
    write_shop(tmp_path, builds=[build()])
    book(tmp_path / "orders.xlsx", {"returns": grid(struck, back(failed_on="", returned_on=day))}, struck="~")
    (tmp_path / "returns.csv").unlink()
    with (tmp_path / "shop.toml").open("a", encoding="utf-8") as toml:
        toml.write('[sheets.returns]\nfile = "orders.xlsx"\n')
    found = load_records(tmp_path, as_of=DAY)
    assert aside(found) == [("returns", 2, "", "the row is crossed out")]
    lives = make_lifetimes(found).table
    assert (lives["ended"] == "failed").sum() == failed


def test_a_change_crossed_out_and_written_anew_is_known(tmp_path):
    rows = [{"serial": "T-100", "changed_on": "2022-06-01", "power": p} for p in ("900", "800")]
    struck = {h: f"~{text}" for h, text in rows[0].items()}
    write_shop(tmp_path, builds=[build()], returns=[])
    book(tmp_path / "changes.xlsx", {"changes": grid(struck, rows[1])}, struck="~")
    assert make_lifetimes(load_records(tmp_path, as_of=DAY)).table["power_hp"].tolist()[-1] == 800


def test_errors_of_formulas_in_a_workbook_are_told(tmp_path):
    """#N/A came out of a workbook as a blank, and a blank is no doubt."""
    pages = {"builds": grid(build(power="=ERR #N/A", shaft="=ERR #REF!", use="=ERR #N/A"))}
    found = load_records(shop(tmp_path, '[sheets.builds]\nfile = "orders.xlsx"\n', pages), as_of=DAY)
    assert checks(found) == [
        ("builds", 2, "power", "a spreadsheet error, not a value: taken as unknown"),
        ("builds", 2, "shaft", "a spreadsheet error, not a value: taken as blank"),
        ("builds", 2, "use", "a spreadsheet error, not a value: taken as blank"),
    ]
    assert found.builds["input shaft"][0] == "not recorded"


def test_hidden_rows_and_merged_cells_are_told_and_units_of_formats_read(tmp_path):
    rows = grid(build(), build(serial="T-200", odometer_at_install=(16093.44,)))
    folder = shop(tmp_path, '[sheets.builds]\nfile = "orders.xlsx"\n', {"builds": rows}, hidden=1)
    found = load_records(folder, as_of=DAY)
    assert found.builds["odometer_at_install"].tolist() == pytest.approx([10_000, 10_000])
    assert checks(found) == [
        ("builds", 3, "", "1 rows of this page are hidden or filtered away; they are read like the others")
    ]


def test_a_merged_cell_carries_its_value_down(tmp_path):
    write_shop(tmp_path, '[sheets.builds]\nfile = "orders.xlsx"\n', returns=[back()])
    made = xlsxwriter.Workbook(str(tmp_path / "orders.xlsx"))
    page = made.add_worksheet("builds")
    for r, row in enumerate(grid(build(), build(serial="T-200"), build(serial="T-300"))):
        page.write_row(r, 0, row)
    at = list(build()).index("use")
    page.merge_range(1, at, 3, at, "drag")
    made.close()
    found = load_records(tmp_path, as_of=DAY)
    assert list(found.builds["use"]) == ["drag"] * 3
    assert [c[1:3] for c in checks(found)] == [(3, "use"), (4, "use")]


# ---- decimal marks -------------------------------------------------------------------------------------------------

COMMA = (
    "serial;built_on;odometer_at_install;power;weight;shaft;conv\n"
    "T-1;2021-01-01;12.500;485;3.402,5;A;C\nT-2;2021-01-01;61.250;512,5;2.950;A;C\n"
)
METRIC = '[units]\npower = "kW"\nweight = "kg"\ndistance = "km"\n'


def test_a_page_with_decimal_commas_is_read_as_such_and_says_so(tmp_path):
    """Odometers of an accounting program's export were never usable, 1.250 of money became 1.25."""
    returns = (
        "serial;failed_on;component;miles_in_service;runs;cost\nT-1;2022-01-01;input shaft;40.250;1.200;1.250\n"
        "T-2;2022-01-01;input shaft;8.000;12;980,50\n"
    )
    found = load(tmp_path, METRIC, builds=COMMA, returns=returns)
    assert found.builds["odometer_at_install"].tolist() == pytest.approx([12_500 / 1.609344, 61_250 / 1.609344])
    assert found.builds["weight_lb"].tolist() == pytest.approx([3402.5 / 0.45359237, 2950 / 0.45359237])
    assert found.returns["cost"].tolist() == [1250, 980.5]
    assert found.returns["runs"].tolist() == [1200, 12]
    assert found.returns["miles"].tolist() == pytest.approx([40_250 / 1.609344, 8_000 / 1.609344])
    told = [reason for _, _, _, reason in checks(found)]
    assert told == [
        "figures of this page are read with a decimal comma, 3 of them by that alone: '3.402,5' leaves no other way",
        "figures of this page are read with a decimal comma, 4 of them by that alone: '980,50' leaves no other way",
    ]


def test_a_page_that_does_not_tell_its_decimal_mark_takes_that_of_the_others(tmp_path):
    """Whole odometers alone, 40.250 and 8.000, were unknown beside builds that leave no doubt."""
    head = "serial;failed_on;component;miles_in_service\n"
    plain = head + "T-1;2022-01-01;input shaft;40.250\nT-2;2022-01-01;input shaft;8.000\n"
    found = load(tmp_path / "a", METRIC, builds=COMMA, returns=plain)
    assert found.returns["miles"].tolist() == pytest.approx([40_250 / 1.609344, 8_000 / 1.609344])
    assert checks(found)[-1][-1] == (
        "figures of this page are read with a decimal comma, 2 of them by that alone: '3.402,5' leaves no other way"
    )
    other = "serial;read_on;odometer\nT-1;2021-06-01;13,100.5\n"  # one that says otherwise, and nothing is guessed
    found = load(tmp_path / "b", METRIC, builds=COMMA, returns=plain, readings=other)
    assert found.returns["miles"].isna().all()
    both = plain + "T-2;2022-03-01;input shaft;9,5\nT-2;2022-04-01;input shaft;9.5\n"
    found = load(tmp_path / "c", METRIC, builds=COMMA, returns=both)
    assert found.returns["miles"].head(2).isna().all()


def test_a_stated_mark_holds_without_a_word(tmp_path):
    toml = METRIC + '[sheets.builds]\ndecimal = "comma"\n'
    found = load(tmp_path, toml, builds=COMMA.replace("3.402,5", "3.402").replace("512,5", "512"))
    assert found.builds["weight_lb"].tolist() == pytest.approx([3402 / 0.45359237, 2950 / 0.45359237])
    assert checks(found) == []


@pytest.mark.parametrize("cells", [{"cost": "1.250"}, {"runs": "1.200"}])
def test_money_and_counts_that_may_be_thousands_are_not_believed(tmp_path, cells):
    found = load(tmp_path, builds=[build()], returns=[back(**cells)])
    (column, text), value = *cells.items(), float(*cells.values())
    assert checks(found) == [("returns", 2, column, f"could be {value:,.2f} or {value * 1000:,.0f}: taken as unknown")]
    assert found.returns[column].isna().all()
    assert text in found.books.to_check["raw"].tolist()


@pytest.mark.parametrize(
    ("typed", "cost"),
    [("980,50", 980.5), ("1.250,50", 1250.5), ("1,25", 1.25), ("1,250", 1250.0), ("1,250.50", 1250.5), ("1.250", None)],
)
def test_a_cost_with_a_decimal_comma_is_never_a_thousandth_of_itself(tmp_path, typed, cost):
    found = load(tmp_path, builds=[build()], returns=[back(cost=typed)])
    assert found.returns["cost"].tolist() == ([cost] if cost else [pytest.approx(float("nan"), nan_ok=True)])
    assert (checks(found) == []) == (cost is not None)


@pytest.mark.parametrize(
    ("texts", "mark"),
    [
        (["12,5", "1.250"], "comma"),
        (["1.234,5"], "comma"),
        (["12.5", "1.250"], "point"),
        (["1,050", "3,9"], ""),
        (["12.5", "12,5"], ""),
        (["1.250", "980"], ""),
        ([""], ""),
    ],
)
def test_the_mark_of_a_page(texts, mark):
    assert mark_of([texts]).mark == mark


def test_figures_with_points():
    assert [with_points(t) for t in ("1.234,5 kg", "61.250", "3,9 t", "12.000-14.000", "a.b")] == [
        "1234.5 kg",
        "61250",
        "3.9 t",
        "12000-14000",
        "a.b",
    ]


def test_a_database_with_tables_by_pattern(tmp_path):
    write_shop(tmp_path, '[sheets.builds]\nfile = "shop.db"\nsheet = "orders_*"\n', returns=[back()])
    base = sqlite3.connect(tmp_path / "shop.db")
    base.execute("CREATE TABLE orders_1 (serial, built_on, shaft, conv)")
    base.execute("CREATE TABLE orders_2 (serial, built_on, shaft)")
    base.execute("INSERT INTO orders_1 VALUES ('T-100', '2021-01-01', 'A', 'C')")
    base.execute("INSERT INTO orders_2 VALUES ('T-200', '2021-02-01', 'A')")
    base.commit()
    base.close()
    found = load_records(tmp_path, as_of=DAY)
    assert list(found.builds["converter"]) == ["C", "not recorded"]
    told = "this page has no column for converter: taken as not recorded in its 1 rows"
    assert ("orders_2", 1, "", told) in checks(found)


def test_a_component_that_no_page_has_is_an_error(tmp_path):
    toml = '"clutch" = "Clutch"\n[sheets.builds]\nfile = "orders.xlsx"\nsheet = "20*"\n'
    with pytest.raises(RecordsError, match="lacks the heading 'Clutch'"):
        load_records(shop(tmp_path, toml, {"2021": grid(build()), "2022": grid(build())}), as_of=DAY)


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("Odometer (thousands)", "40"),
        ("Odometer (k)", "40"),
        ("Odometer x 1,000", "40"),
        ("Odometer (000 km)", "64.37376"),
        ("Odometer, thousands of miles", "40"),
        ("Odometer (k)", "40k"),
        ("Odometer (k)", "40,000 mi"),
    ],
)
def test_a_heading_in_thousands(tmp_path, heading, cell):
    toml = f'[headings.returns]\nodometer = "{heading}"\n'
    row = {heading if h == "odometer" else h: v for h, v in back(odometer=cell).items()}
    found = load(tmp_path, toml, builds=[build()], returns=[row])
    assert found.odometer["miles"].round().tolist() == [30_000]  # on the part since 10,000
    bare = load(tmp_path / "bare", builds=[build()], returns=[row])  # and without a line in shop.toml
    assert bare.odometer["miles"].round().tolist() == [30_000]
