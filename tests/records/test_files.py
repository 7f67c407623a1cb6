"""Every way a sheet can be kept gives the same records; what cannot be read says why and what to do."""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from analytics.errors import RecordsError
from analytics.records.load import Records, load_records
from tests.records.sheets import BUILD, RETURN, aside, back, build, load, to_csv, write_shop

BUILDS = [build(), build(serial="T-101", power="1,050 whp", weight="3,9 t", builder="Jürgen")]
RETURNS = [back(notes='said "it let go"; ½ gone'), back(serial="T-101", returned_on="2022-04-01")]


def replace(folder: Path, **files: bytes) -> Records:
    """A shop with some files swapped for others: builds_xlsx=... stands for builds.xlsx."""
    write_shop(folder, builds=BUILDS, returns=RETURNS)
    for name, data in files.items():
        stem, ending = name.rsplit("_", 1)
        (folder / f"{stem}.csv").unlink(missing_ok=True)
        (folder / f"{stem}.{ending}").write_bytes(data)
    return load_records(folder, as_of="2024-12-31")


def same(one: Records, other: Records) -> None:
    for table in ("builds", "returns", "odometer"):
        drop = [c for c in ("row", "power_raw", "weight_raw") if c in getattr(one, table)]
        pd.testing.assert_frame_equal(getattr(one, table).drop(columns=drop), getattr(other, table).drop(columns=drop))


@pytest.fixture
def plain(tmp_path) -> Records:
    return load(tmp_path / "plain", builds=BUILDS, returns=RETURNS)


def test_the_shop_itself(plain):
    assert list(plain.builds["builder"]) == ["", "jürgen"]
    assert plain.builds["power_hp"].tolist() == pytest.approx([650, 1050 / 0.82])
    assert plain.returns["notes"][0] == 'said "it let go"; ½ gone'
    assert list(plain.books.counts["used"]) == [2, 2]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings(tmp_path, plain, encoding):
    found = replace(
        tmp_path / "x", builds_csv=to_csv(BUILDS).encode(encoding), returns_csv=to_csv(RETURNS).encode(encoding)
    )
    same(found, plain)


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_what_separates_the_columns(tmp_path, plain, mark):
    def other(rows: list[dict[str, str]], heads: dict) -> bytes:
        heads = list(dict.fromkeys(h for row in rows for h in row))
        lines = [mark.join(heads)] + [
            mark.join(f'"{row.get(h, "").replace(chr(34), chr(34) * 2)}"' for h in heads) for row in rows
        ]
        return "\r\n".join(lines).encode()

    same(replace(tmp_path / "x", builds_csv=other(BUILDS, BUILD), returns_csv=other(RETURNS, RETURN)), plain)


def test_decimal_commas_do_not_make_it_comma_separated(tmp_path):
    text = "serial;built_on;weight;shaft;conv\nT-1;2021-01-01;3,9 t;A;C\nT-2;2021-01-01;4,1 t;A;C\n"
    found = load(tmp_path, builds=text)
    assert found.builds["weight_lb"].tolist() == pytest.approx([8598.028, 9038.952], abs=1e-3)


@pytest.mark.parametrize("ends", ["\r\n", "\n", "\r"])
def test_line_ends(tmp_path, plain, ends):
    same(replace(tmp_path / "x", builds_csv=to_csv(BUILDS).replace("\n", ends).encode()), plain)


def workbook(path: Path, sheets: dict[str, list[list[object]]], **options: object) -> bytes:
    book = xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, **options})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    for name, rows in sheets.items():
        page = book.add_worksheet(name)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, dt.date):
                    page.write_datetime(r, c, dt.datetime(cell.year, cell.month, cell.day), day)
                elif cell != "":
                    page.write(r, c, cell)
    book.close()
    return path.read_bytes()


def typed(rows: list[dict[str, str]]) -> list[list[object]]:
    """Rows as a workbook holds them: true dates and numbers."""

    def cell(heading: str, text: str) -> object:
        if heading.endswith("_on"):
            return dt.date.fromisoformat(text) if text else ""
        return float(text) if text.isdigit() else text

    heads = list(dict.fromkeys(h for row in rows for h in row))
    return [heads, *([cell(h, row.get(h, "")) for h in heads] for row in rows)]


@pytest.mark.parametrize("epoch", [{}, {"date_1904": True}])
def test_workbook_with_true_dates_in_both_epochs(tmp_path, plain, epoch):
    data = workbook(tmp_path / "b.xlsx", {"Builds": typed(BUILDS), "notes": [["x"]]}, **epoch)
    same(replace(tmp_path / "x", builds_xlsx=data), plain)


def test_serial_days_as_plain_numbers_follow_the_epoch_of_shop_toml(tmp_path):
    rows = [build(built_on="42794", in_service_on="")]  # 2021-03-01 in the 1904 epoch
    found = load(tmp_path, "[dates]\nepoch = 1904\n", builds=rows)
    assert found.builds["built_on"][0] == pd.Timestamp("2021-03-01")


def test_title_blank_row_group_row_and_merged_cells_above_the_headings(tmp_path, plain):
    rows = typed(BUILDS)
    group = ["Unit", "", "", "", "Power", "Weight", "", "Parts"]  # a merged cell keeps its text in the first
    data = workbook(tmp_path / "b.xlsx", {"builds": [["Example shop"], [], group, *rows]})
    found = replace(tmp_path / "x", builds_xlsx=data)
    same(found, plain)
    assert list(found.builds["row"]) == [5, 6]  # as the spreadsheet numbers them


def test_skip_rows_and_sheet_name(tmp_path, plain):
    data = workbook(tmp_path / "b.xlsx", {"2020": [["old"]], "2021": [["serial", "power"], *typed(BUILDS)]})
    folder = write_shop(
        tmp_path / "x",
        '[sheets.builds]\nfile = "my trucks.xlsx"\nsheet = "2021"\nskip_rows = 1\n',
        builds=BUILDS,
        returns=RETURNS,
    )
    (folder / "builds.csv").unlink()
    (folder / "my trucks.xlsx").write_bytes(data)
    same(load_records(folder, as_of="2024-12-31"), plain)


def test_parquet_with_types_and_an_index(tmp_path, plain):
    frame = pd.DataFrame(BUILDS).fillna("")
    frame["built_on"] = pd.to_datetime(frame["built_on"])
    frame["odometer_at_install"] = [10000, 10000]
    frame["rpm"] = [float("nan"), 3000.0]
    frame.set_index("serial").to_parquet(tmp_path / "b.parquet")
    found = replace(tmp_path / "x", builds_parquet=(tmp_path / "b.parquet").read_bytes())
    assert found.builds["rpm"].tolist()[1] == 3000
    same(found, load(tmp_path / "y", builds=[BUILDS[0], BUILDS[1] | {"rpm": "3000"}], returns=RETURNS))


def test_one_sqlite_file_with_all_sheets(tmp_path, plain):
    folder = write_shop(tmp_path / "x", builds=BUILDS, returns=RETURNS)
    for name in ("builds", "returns"):
        (folder / f"{name}.csv").unlink()
    with closing(sqlite3.connect(folder / "shop.db")) as base:
        pd.DataFrame(BUILDS).to_sql("Builds", base, index=False)  # capitals do not matter
        pd.DataFrame(RETURNS).to_sql("returns", base, index=False)
        base.commit()
    found = load_records(folder, as_of="2024-12-31")
    same(found, plain)
    assert list(found.builds["row"]) == [1, 2]


def test_other_files_that_end_in_db_are_passed_over(tmp_path, plain):
    folder = write_shop(tmp_path / "x", builds=BUILDS, returns=RETURNS)
    (folder / "Thumbs.db").write_bytes(b"pictures of trucks")
    same(load_records(folder, as_of="2024-12-31"), plain)


def test_names_of_files_in_capitals(tmp_path, plain):
    folder = write_shop(tmp_path / "x", builds=BUILDS, returns=RETURNS)
    (folder / "builds.csv").rename(folder / "Builds.CSV")
    same(load_records(folder, as_of="2024-12-31"), plain)


def test_the_shops_own_headings(tmp_path, plain):
    text = (
        to_csv(BUILDS)
        .replace("serial", "Serial  No.", 1)
        .replace("built_on", "Ship Date", 1)
        .replace("shaft", "INPUT", 1)
    )
    toml = '[headings.builds]\nserial = "serial no"\nbuilt_on = "ship date"\nshaft = "Input"\n'
    same(load(tmp_path, toml, builds=text, returns=RETURNS), plain)


# ---- rows that are no records --------------------------------------------------------------------------------------


def test_totals_blank_rows_and_repeated_headings_are_no_records(tmp_path):
    text = to_csv([build(), build(serial="T-101"), build(serial="Total-7")])
    head, *rows = text.splitlines()
    body = [head, rows[0], "", ",,,,,,,,", head, rows[1], rows[2], "Total,,,,3,,,,", "Grand totals 2021,,,,3,,,,"]
    found = load(tmp_path, builds="\n".join(body))
    assert list(found.builds["serial"]) == ["T-100", "T-101", "Total-7"]  # a serial with dates is no totals row
    assert list(found.builds["row"]) == [2, 6, 7]
    assert aside(found) == [
        ("builds", 5, "", "the headings again, not a record"),
        ("builds", 8, "", "a totals row, not a record"),
        ("builds", 9, "", "a totals row, not a record"),
    ]
    assert found.books.counts.iloc[0].tolist() == ["builds", 6, 3, 3]


def test_ragged_rows(tmp_path):
    text = "serial,built_on,shaft,conv\nT-1,2021-01-01,A,C,,\nT-2,2021-01-01\nT-3,2021-01-01,A,C,x\n"
    found = load(tmp_path, builds=text)
    assert list(found.builds["converter"]) == ["C", "not recorded"]  # blank cells over the end say nothing
    (row,) = found.books.set_aside.to_dict("records")
    assert (row["row"], row["raw"]) == (4, "T-3|2021-01-01|A|C|x")
    assert row["reason"] == "the row has 5 cells under 4 headings: a comma inside a cell without quotes?"
    assert row["remedy"] == "put quotes around the cell that holds the comma, or save the sheet as .xlsx"


def test_a_cell_gone_wrong(tmp_path):
    found = load(tmp_path, builds=[build(), build(serial="T-101", use="x" * 40_000)])
    assert aside(found) == [("builds", 3, "use", "a cell of 40,000 characters, more than a spreadsheet cell can hold")]


def test_notes_of_several_lines_stay_one_row(tmp_path):
    found = load(
        tmp_path,
        builds=[build()],
        returns=[back(notes="first, second\nthird, fourth"), back(returned_on="2023-01-01", failed_on="")],
    )
    assert list(found.returns["row"]) == [2, 3]
    assert found.returns["notes"][0] == "first, second\nthird, fourth"


def test_nul_bytes_do_no_harm(tmp_path):
    found = load(tmp_path, builds=[build(), build(serial="T-\x00101", power="6\x0050")])
    assert list(found.books.counts["used"]) == [2, 0]
    assert found.books.to_check["reason"].tolist() == ["cannot be read as a power: taken as unknown"]


@pytest.mark.parametrize("text", ["", "\n\n", " , ,\n", to_csv([], list(RETURN))])
def test_empty_returns_are_no_returns(tmp_path, text):
    found = load(tmp_path, builds=[build()], returns=text, readings="")
    assert found.books.counts.to_numpy().tolist() == [["builds", 1, 1, 0], ["returns", 0, 0, 0], ["readings", 0, 0, 0]]


def test_builds_with_headings_only(tmp_path):
    found = load(tmp_path, builds=to_csv([], list(BUILD)), returns=[back()])
    assert len(found.builds) == 0
    assert aside(found) == [("returns", 2, "serial", "no build with this serial")]
    with pytest.raises(RecordsError, match="no row of any sheet has a date"):
        load(tmp_path, as_of=None, builds=to_csv([], list(BUILD)))


# ---- messages ------------------------------------------------------------------------------------------------------


def message(folder: Path, toml: str = "", **sheets: object) -> str:
    with pytest.raises(RecordsError) as err:
        load(folder, toml, **sheets)
    return str(err.value)


def test_a_missing_heading_names_it_and_the_line_to_add(tmp_path):
    text = (
        to_csv([build()])
        .replace("serial", "Serial No", 1)
        .replace("built_on", "Shipped", 1)
        .replace("in_service_on", "x", 1)
    )
    assert message(tmp_path, builds=text) == (
        "builds: builds.csv lacks the headings 'serial', 'built_on'. Say in shop.toml what your sheet calls it:\n"
        '[headings.builds]\nserial = "Serial No"\nbuilt_on = "one of these columns"\n'
        "Row 1 was read as the row of headings; its columns, each with an example, are 'Serial No' (T-100), "
        "'Shipped' (2021-01-10), 'x' (2021-01-20), 'odometer_at_install' (10000), 'power' (650), 'weight' (8200), "
        "'use' (towing), 'shaft' (IS-A), 'conv' (TC-1)."
    )


def test_a_missing_component_names_the_line_to_change(tmp_path):
    text = to_csv([build()]).replace("conv", "Converter", 1)
    assert 'what your sheet calls it:\n[components]\nconverter = "Converter"\n' in message(tmp_path, builds=text)


def test_a_missing_sheet(tmp_path):
    folder = write_shop(tmp_path, builds=[build()])
    (folder / "returns.csv").unlink()
    with pytest.raises(
        RecordsError, match=r"no sheet 'returns'. Found: builds.csv, shop.toml. Name the file returns.csv"
    ):
        load_records(folder)


def test_a_sheet_that_is_there_twice(tmp_path):
    folder = write_shop(tmp_path, builds=[build()])
    (folder / "builds.parquet").write_bytes(b"")
    with pytest.raises(RecordsError, match=r"builds: found more than once \(builds.csv, builds.parquet\). Keep one"):
        load_records(folder)


@pytest.mark.parametrize("ending", ["xlsx", "parquet", "db"])
def test_a_broken_file(tmp_path, ending):
    folder = write_shop(tmp_path, f'[sheets.builds]\nfile = "b.{ending}"\n', builds=[build()])
    (folder / f"b.{ending}").write_bytes(b"SQLite format 3\0 nonsense")
    with pytest.raises(RecordsError, match=rf"b\.{ending} (?:cannot be read|is no whole workbook)"):
        load_records(folder)


def test_a_kind_of_file_not_read(tmp_path):
    folder = write_shop(tmp_path, '[sheets.builds]\nfile = "b.pdf"\n', builds=[build()])
    (folder / "b.pdf").write_bytes(b"x")
    with pytest.raises(
        RecordsError, match=r"b.pdf is not a kind of file read here. Save it as .csv, .xlsx or .parquet"
    ):
        load_records(folder)


def test_bytes_that_are_no_text(tmp_path):
    folder = write_shop(tmp_path, builds=[build()])
    (folder / "builds.csv").write_bytes(b"serial\x81\xff\n")
    with pytest.raises(RecordsError, match="not text in UTF-8, UTF-16 or Windows-1252"):
        load_records(folder)


def test_a_file_named_but_not_there(tmp_path):
    assert "names the file 'b.csv', which is not in the folder" in message(
        tmp_path, '[sheets.builds]\nfile = "b.csv"\n', builds=[build()]
    )


def test_a_workbook_without_the_sheet(tmp_path):
    folder = write_shop(tmp_path, builds=[build()])
    (folder / "builds.csv").unlink()
    workbook(folder / "builds.xlsx", {"2020": [["x"]], "2021": [["x"]]})
    with pytest.raises(RecordsError, match=r"has no sheet 'builds' \(it has 2020, 2021\). Say which in shop.toml"):
        load_records(folder)


def test_a_database_without_the_table(tmp_path):
    folder = write_shop(tmp_path, '[sheets.builds]\nfile = "shop.db"\nsheet = "units"\n', builds=[build()])
    with closing(sqlite3.connect(folder / "shop.db")) as base:
        base.execute("CREATE TABLE trucks (x)")
    with pytest.raises(RecordsError, match=r"shop.db has no table 'units' \(it has trucks\)"):
        load_records(folder)


def test_two_columns_of_one_heading(tmp_path):
    text = to_csv([build()]).replace("use", "Power", 1)
    assert "has two columns headed 'Power' (5 and 7). Rename the one that is not meant." in message(
        tmp_path, builds=text
    )


def test_one_heading_for_two_columns_of_ours(tmp_path):
    toml = '[headings.builds]\npower = "weight"\n'
    assert "gives the heading 'weight' to both 'power' and 'weight'" in message(tmp_path, toml, builds=[build()])


@pytest.mark.parametrize(
    "text",
    [
        'serial,built_on,shaft,conv\nT-1,2021-01-01,"A,C\nT-2,2021-01-01,A,C\n',  # open to the end of the file
        'serial,built_on,shaft,conv\nT-1,2021-01-01,A,"C\nT-2,2021-01-01,A,C\nT-3,2021-01-01,"A",C\n',  # to a later quote
    ],
)
def test_a_quote_left_open_would_swallow_rows(tmp_path, text):
    said = message(tmp_path, builds=text)
    assert said.startswith('builds: builds.csv, row 2: a quote (") is opened and not closed')
    assert said.endswith("Close or remove the quote in that row, or export the sheet as .xlsx.")


def test_skipping_more_rows_than_there_are(tmp_path):
    said = message(tmp_path, "[sheets.builds]\nskip_rows = 9\n", builds=[build()])
    assert "skip_rows = 9 passes over all of its 2 rows" in said


def test_builds_without_a_row(tmp_path):
    assert "has no row of headings: the file is empty" in message(tmp_path, builds="")


def test_a_wrong_line_is_never_proposed(tmp_path):
    """``serial = "Customer"`` was, beside a column "Tag #"."""
    text = to_csv([build()]).replace("serial", "Tag #", 1).replace("use", "Customer", 1)
    said = message(tmp_path, builds=text)
    assert "'Tag #' (T-100)" in said
    assert '[headings.builds]\nserial = "one of these columns"\n' in said


def test_a_workbook_of_the_old_kind_is_named_with_what_to_do(tmp_path):
    """Each of its pages may ask for 65,536 rows of 256 columns, whatever its length."""
    from analytics.records.files import all_pages, open_page

    path = tmp_path / "builds.xls"
    path.write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(4096))
    for ask in (lambda: all_pages(path), lambda: open_page(path, "builds", "Builds", ())):
        with pytest.raises(RecordsError, match=r"builds\.xls is a workbook of the old kind.*save it as \.xlsx"):
            ask()
