"""Bad inputs, one function of a folder each: what a shop's own sheets, a slip of the mouse or ill will can hold."""

from __future__ import annotations

import io
import os
import sqlite3
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tests.records.sheets import BUILD, COMPONENTS, back, build, to_csv, write_shop

AS_OF = "2024-12-31"


@dataclass(frozen=True, slots=True)
class Case:
    """One bad input. ``make`` writes it into an empty folder; ``argv``, where given, is the command that gets it."""

    kind: str
    name: str
    make: Callable[[Path], object]
    argv: tuple[str, ...] = ()


CASES: list[Case] = []


def case(kind: str, name: str, make: Callable[[Path], object], *argv: str) -> None:
    CASES.append(Case(kind, name, make, argv))


def toml(text: str, components: bool = True) -> Callable[[Path], object]:
    """A sound shop with this shop.toml."""

    def make(folder: Path) -> None:
        write_shop(folder, builds=[build()])
        (folder / "shop.toml").write_text((COMPONENTS if components else "") + text, encoding="utf-8")

    return make


def builds(**cells: str) -> Callable[[Path], object]:
    return lambda folder: write_shop(folder, builds=[build(**cells), build(serial="T-555")])


def returns(**cells: str) -> Callable[[Path], object]:
    return lambda folder: write_shop(folder, builds=[build(), build(serial="T-555")], returns=[back(**cells)])


def sheet(name: str, **cells: str) -> Callable[[Path], object]:
    return lambda folder: write_shop(folder, builds=[build()], returns=[back()], **{name: [cells]})


def data(name: str, content: bytes) -> Callable[[Path], object]:
    """A sound shop with one file of these bytes more, or instead."""

    def make(folder: Path) -> None:
        write_shop(folder, builds=[build()], returns=[back()])
        stem = name.split(".")[0]
        if stem in ("builds", "returns"):
            (folder / f"{stem}.csv").unlink()
        (folder / name).write_bytes(content)

    return make


def workbook(sheets: dict[str, pd.DataFrame]) -> bytes:
    out = io.BytesIO()
    with pd.ExcelWriter(out, engine="xlsxwriter") as book:
        for name, frame in sheets.items():
            frame.to_excel(book, sheet_name=name, index=False)
    return out.getvalue()


def far_cell() -> bytes:
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        page = book.add_worksheet("builds")
        for column, (heading, value) in enumerate(BUILD.items()):
            page.write_string(0, column, heading)
            page.write_string(1, column, value)
        page.write_string(1_048_575, 16_383, "x")
    return out.getvalue()


ONE, FAR, FAR_QUOTED = 'r="A1"', 'r="XFD1048576"', "r='XFD1048576'"
CELL = '<c {} t="inlineStr"><is><t>x</t></is></c>'


MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def raw_workbook(
    rows: str, sheet: str = "worksheets/sheet1.xml", merged: str = "", more: dict[str, str] | None = None
) -> bytes:
    """A workbook as small as can be, its rows and merged cells as written, its one sheet under a name of choice, with ``more`` files."""
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006/relationships"
    files = {
        "_rels/.rels": f'<Relationships xmlns="{package}"><Relationship Id="a" Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{office}"><sheets><sheet name="builds" sheetId="1" r:id="a"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}"><Relationship Id="a" Type="{office}/worksheet" Target="{sheet}"/></Relationships>',
        f"xl/{sheet}": f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData>{merged}</worksheet>',
    }
    return _zipped(files | (more or {}))


SHARED = '<c t="s"><v>0</v></c>'


def sharing(letters: int, cells: int) -> bytes:
    """One text of so many letters that so many cells share."""
    texts = f'<sst xmlns="{MAIN}"><si><t>{"x" * letters}</t></si></sst>'
    return raw_workbook(f"<row>{SHARED * 10}</row>" * (cells // 10), more={"xl/sharedStrings.xml": texts})


def claiming(size: int, letters: int) -> bytes:
    """A workbook with a file of so many letters that is said to be of another size."""
    made = bytearray(raw_workbook(f"<row>{CELL.format('')}</row>", more={"xl/more.xml": "x" * letters}))
    at = made.rindex(b"PK\x01\x02") + 24  # the length before packing, in the last entry of the list of files
    made[at : at + 4] = size.to_bytes(4, "little")
    return bytes(made)


def ods_repeating(rows: int, columns: int, text: str) -> bytes:
    """One cell that says it stands so many times a row, and the row so many times."""
    names = " ".join(f'xmlns:{k}="urn:oasis:names:tc:opendocument:xmlns:{k}:1.0"' for k in ("office", "table", "text"))
    cell = f'<table:table-cell office:value-type="string" table:number-columns-repeated="{columns}"><text:p>{text}</text:p></table:table-cell>'
    row = f'<table:table-row table:number-rows-repeated="{rows}">{cell}</table:table-row>'
    body = f'<office:body><office:spreadsheet><table:table table:name="builds">{row}</table:table></office:spreadsheet></office:body>'
    return _zipped(
        {
            "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
            "META-INF/manifest.xml": '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
            "content.xml": f"<office:document-content {names}>{body}</office:document-content>",
        }
    )


def _zipped(files: dict[str, str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(zipfile.ZipInfo(name), text, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def parquet(frame: pd.DataFrame) -> bytes:
    out = io.BytesIO()
    frame.to_parquet(out)
    return out.getvalue()


def endless_parquet() -> bytes:
    """Two hundred million blanks in a few kilobytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    out = io.BytesIO()
    part = pa.table({"serial": pa.nulls(5_000_000, pa.string())})
    with pq.ParquetWriter(out, part.schema, compression="zstd") as writer:
        for _ in range(40):
            writer.write_table(part)
    return out.getvalue()


def database(*statements: str) -> Callable[[Path], object]:
    def make(folder: Path) -> None:
        write_shop(folder, builds=[build()], returns=[back()])
        base = sqlite3.connect(folder / "shop.db")
        for statement in statements:
            base.execute(statement)
        base.commit()
        base.close()

    return make


def damaged_database(folder: Path) -> None:
    """Letters of its description overwritten, so that what the library says of it is no text."""
    database("CREATE TABLE readings (serial, read_on, odometer)")(folder)
    file = folder / "shop.db"
    file.write_bytes(file.read_bytes().replace(b"CREATE TABLE readings", b"CREATE T\xff\xfe\xfdE readings"))


def damaged_page(folder: Path) -> None:
    """Sound at its beginning, so that its tables have their names; the rows are overwritten."""
    database(
        "CREATE TABLE readings (serial, read_on, odometer)",
        "INSERT INTO readings VALUES ('T-100', '2022-01-01', 15000)",
    )(folder)
    file = folder / "shop.db"
    content = file.read_bytes()
    file.write_bytes(content[:4096] + b"\xff" * (len(content) - 4096))


def beside(make: Callable[[Path], object]) -> Callable[[Path], object]:
    """A sound shop, and in the place of its sheet of readings something that is not a file."""

    def both(folder: Path) -> None:
        write_shop(folder, builds=[build()], returns=[back()])
        make(folder / "readings.csv")

    return both


def link_outside(folder: Path) -> None:
    toml('[sheets.readings]\nfile = "inside.csv"\n')(folder)
    (folder.parent / "outside.csv").write_text("serial,read_on,odometer\nT-100,2022-01-01,1\n")
    os.symlink(folder.parent / "outside.csv", folder / "inside.csv")


BUILDS_CSV = to_csv([build()])
READING = {"serial": "T-100", "read_on": "2022-01-01", "odometer": "15000"}
LIMIT = {
    "component": "converter",
    "part": "TC-1",
    "power_limit": "650",
    "effective_on": "2021-01-01",
    "weight_up_to": "",
}
CHANGE = {"serial": "T-100", "changed_on": "2022-09-09", "power": "800", "weight": "", "use": "", "odometer": ""}
FITTED = {"serial": "T-100", "component": "converter", "part": "TC-2", "fitted_on": "2023-02-01"}
SOUND = write_shop

# ---- settings ------------------------------------------------------------------------------------------------------
case("settings", "no folder", lambda folder: folder.rmdir())
case("settings", "the folder is a file", lambda folder: (folder.rmdir(), folder.write_text("x")))
case("settings", "no shop.toml", lambda folder: (folder / "builds.csv").write_text(BUILDS_CSV))
case("settings", "not TOML", toml("[shop\n"))
case(
    "settings",
    "not UTF-8",
    lambda folder: (
        write_shop(folder, builds=[build()]),
        (folder / "shop.toml").write_bytes(b'[components]\n"\xfcber" = "x"\n'),
    ),
)
case("settings", "brackets in brackets in brackets", toml("deep = " + "[" * 5_000 + "]" * 5_000 + "\n"))
case("settings", "a name of ten thousand points", toml("shop" + ".a" * 10_000 + " = 1\n"))
case("settings", "nothing in it", toml("", components=False))
case("settings", "a section misspelt", toml("[untis]\n"))
case("settings", "a key misspelt", toml('[units]\npwoer = "hp"\n'))
case("settings", "a number where a text belongs", toml("[shop]\nname = 5\n"))
case("settings", "components is no table", toml("components = 3\n", components=False))
case("settings", "a component without a heading", toml('[components]\n"shaft" = 3\n', components=False))
case("settings", "two components in one column", toml('[components]\n"a" = "x"\n"b" = "X"\n', components=False))
case("settings", "a component called like a column", toml('[components]\n"serial" = "x"\n', components=False))
case("settings", "a unit nobody knows", toml('[units]\npower = "cv"\n'))
case("settings", "the epoch of 1899", toml("[dates]\nepoch = 1899\n"))
case("settings", "a loss of nine tenths", toml("[power]\ndriveline_loss = 0.9\n"))
case("settings", "a share in percent", toml("[targets]\nreliability = 90\n"))
case("settings", "not a number", toml("[targets]\nmiles = nan\n"))
case("settings", "a target of nought miles", toml("[targets]\nmiles = 0\n"))
case("settings", "edges that fall", toml("[power]\nbands = [600, 400]\n"))
case("settings", "edges that are texts", toml('[weight]\nclasses = ["heavy"]\n'))
case("settings", "an edge without end", toml("[power]\nbands = [400, inf]\n"))
case("settings", "a day that is none", toml('[shop]\nas_of = "soon"\n'))
case("settings", "rows to pass over, fewer than none", toml("[sheets.builds]\nskip_rows = -1\n"))
case("settings", "rows to pass over, all of them", toml("[sheets.builds]\nskip_rows = 500\n"))
case("settings", "a heading of ours misspelt", toml('[headings.builds]\nserail = "No"\n'))
case("settings", "one heading for two of ours", toml('[headings.builds]\nserial = "No"\npower = "no"\n'))
case(
    "settings",
    "parts that follow each other in a circle",
    toml(
        '[[supersessions]]\ncomponent = "converter"\nold = "A"\nnew = "B"\n[[supersessions]]\ncomponent = "converter"\nold = "B"\nnew = "A"\n'
    ),
)
case(
    "settings", "a part that follows itself", toml('[[supersessions]]\ncomponent = "converter"\nold = "A"\nnew = "A"\n')
)
case("settings", "a part that follows nothing", toml('[[supersessions]]\ncomponent = "converter"\nold = "A"\n'))
case("settings", "one name for two parts", toml('[parts.converter]\n"A" = ["x"]\n"B" = ["X"]\n'))
case("settings", "parts of a component that is none", toml('[parts.gearbox]\n"A" = ["x"]\n'))
case("settings", "one word for two causes", toml('[words.cause]\npart = ["bad"]\ninstall = ["bad"]\n'))
case("settings", "teardown findings as one text", toml('[findings]\nfound_at_teardown = "worn"\n'))
case("settings", "a cost in words", toml('[costs]\ncomeback = "a lot"\n'))

# ---- paths ---------------------------------------------------------------------------------------------------------
case("paths", "a file above the folder", toml('[sheets.readings]\nfile = "../outside.csv"\n'))
case("paths", "a file anywhere", toml('[sheets.readings]\nfile = "/etc/passwd"\n'))
case("paths", "a link that leads outside", link_outside)
case(
    "paths",
    "a file that is a folder",
    lambda folder: (toml('[sheets.readings]\nfile = "sub"\n')(folder), (folder / "sub").mkdir()),
)
case("paths", "a file that is not there", toml('[sheets.readings]\nfile = "readings of may.csv"\n'))
case("paths", "an address on the network", toml('[sheets.readings]\nfile = "https://example.org/readings.csv"\n'))
case("paths", "an optional sheet that is a folder", beside(lambda path: path.mkdir()))
case("paths", "an optional sheet that is a pipe", beside(os.mkfifo))
case("paths", "an optional sheet that is a link to nothing", beside(lambda path: path.symlink_to("nowhere.csv")))
case("paths", "a name with a null in it", toml('[sheets.readings]\nfile = "a\\u0000b.csv"\n'))

# ---- files ---------------------------------------------------------------------------------------------------------
case("files", "no builds", lambda folder: (write_shop(folder), None))
case("files", "no returns", lambda folder: (write_shop(folder, builds=[build()]), (folder / "returns.csv").unlink()))
case(
    "files",
    "builds twice",
    lambda folder: (
        write_shop(folder, builds=[build()]),
        (folder / "builds.xlsx").write_bytes(workbook({"builds": pd.DataFrame([build()])})),
    ),
)
case("files", "an empty file", data("builds.csv", b""))
case("files", "headings alone", data("builds.csv", BUILDS_CSV.split("\n")[0].encode()))
case("files", "a picture called .csv", data("builds.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8))
case("files", "a text called .xlsx", data("builds.xlsx", BUILDS_CSV.encode()))
case("files", "a workbook cut off", data("builds.xlsx", workbook({"builds": pd.DataFrame([build()])})[:3000]))
case("files", "a workbook with a password", data("builds.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 5000))
case(
    "files",
    "a workbook without the page",
    data("builds.xlsx", workbook({"one": pd.DataFrame([build()]), "two": pd.DataFrame([{"a": 1}])})),
)
case("files", "a stray cell in the far corner", data("builds.xlsx", far_cell()))
case(
    "files",
    "a far cell between single quotes",
    data("builds.xlsx", raw_workbook(f"<row>{CELL.format(ONE)}</row><row>{CELL.format(FAR_QUOTED)}</row>")),
)
case(
    "files",
    "a far cell on a sheet kept elsewhere",
    data("builds.xlsx", raw_workbook(f"<row>{CELL.format(ONE)}{CELL.format(FAR)}</row>", "a/b.dat")),
)
case(
    "files",
    "a far row of many cells that do not say where they are",
    data("builds.xlsx", raw_workbook(f'<row>{CELL.format("")}</row><row r="1048576">{CELL.format("") * 200}</row>')),
)
case(
    "files",
    "a far cell after a slip in the markup",
    data("builds.xlsx", raw_workbook(f"<row><q></row><row>{CELL.format(FAR_QUOTED)}</row>")),
)
case(
    "files",
    "a cell repeated a thousand million times",
    lambda folder: (
        toml('[sheets.builds]\nfile = "units.ods"\n')(folder),
        (folder / "units.ods").write_bytes(ods_repeating(1_000_000, 1000, "x")),
    ),
)
case(
    "files",
    "a long text repeated in a thousand cells",
    lambda folder: (
        toml('[sheets.builds]\nfile = "units.ods"\n')(folder),
        (folder / "units.ods").write_bytes(ods_repeating(100, 10, "x" * 600_000)),
    ),
)
case("files", "a long text that a thousand cells share", data("builds.xlsx", sharing(600_000, 1000)))
case("files", "a workbook that says it unpacks to four gigabytes", data("builds.xlsx", claiming(2**32 - 2, 9)))
case("files", "a workbook that unpacks to more than it says", data("builds.xlsx", claiming(9, 5_000_000)))
case(
    "files",
    "a workbook of thirty megabytes of styles",
    data(
        "builds.xlsx",
        raw_workbook("", more={"xl/styles.xml": f'<styleSheet xmlns="{MAIN}">{"<xf/>" * 6_000_000}</styleSheet>'}),
    ),
)
case(
    "files",
    "cells merged over each other a thousand times",
    data(
        "builds.xlsx",
        raw_workbook(
            f"<row>{CELL.format('')}</row>" * 1000,
            merged="<mergeCells>" + '<mergeCell ref="A1:A1000"/>' * 1000 + "</mergeCells>",
        ),
    ),
)
case("files", "a web page called .xlsx", data("builds.xlsx", b"<html><table><tr><td>serial</td></tr></table></html>"))
case("files", "a parquet file cut off", data("builds.parquet", parquet(pd.DataFrame([build()]))[:200]))
case("files", "a parquet file of lists", data("builds.parquet", parquet(pd.DataFrame([{**build(), "power": [1, 2]}]))))
case("files", "two hundred million blanks in a small file", data("builds.parquet", endless_parquet()))
case("files", "a database that is none", data("shop.db", b"SQLite format 3\0" + b"\xff" * 3000))
case("files", "a database with damaged letters", damaged_database)
case("files", "a database with a damaged page", damaged_page)
case(
    "files",
    "a view that never ends",
    database(
        "CREATE VIEW readings AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT count(*) AS serial FROM c"
    ),
)
case(
    "files",
    "a view of a cell without end",
    database("CREATE VIEW readings AS SELECT hex(zeroblob(400000000)) AS serial"),
)
case(
    "files",
    "a view of long texts that go on",
    database(
        "CREATE VIEW readings AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c LIMIT 200) "
        "SELECT hex(zeroblob(2000000)) AS serial FROM c"
    ),
)
case("files", "a view that calls for code", database("CREATE VIEW readings AS SELECT load_extension('x.so') AS serial"))
case("files", "a table without rows", database("CREATE TABLE readings (serial, read_on, odometer)"))
case("files", "UTF-16 with a byte lost", data("builds.csv", BUILDS_CSV.encode("utf-16")[:-1]))
case(
    "files",
    "bytes that are no letters",
    data("builds.csv", BUILDS_CSV.replace("towing", "t\x00").encode() + b"\x81\x8d\n"),
)
case("files", "a quote left open", data("builds.csv", BUILDS_CSV.replace("towing", '"towing').encode()))
case("files", "a heading twice", data("builds.csv", BUILDS_CSV.replace("weight", "power").encode()))
case(
    "files",
    "the headings in another tongue",
    data(
        "builds.csv",
        BUILDS_CSV.replace("serial", "Nummer").replace("built_on", "gebaut").replace("in_service_on", "los").encode(),
    ),
)
case("files", "a component's column missing", data("builds.csv", BUILDS_CSV.replace("shaft", "axle").encode()))
case("files", "an optional sheet misspelt", lambda folder: write_shop(folder, builds=[build()], reading=[READING]))
case(
    "files",
    "a page nobody reads",
    lambda folder: data(
        "builds.xlsx", workbook({"builds": pd.DataFrame([build()]), "Readings": pd.DataFrame([READING])})
    )(folder),
)
case(
    "files",
    "a file of another kind",
    lambda folder: (
        toml('[sheets.readings]\nfile = "readings.pages"\n')(folder),
        (folder / "readings.pages").write_text("x"),
    ),
)

# ---- rows ----------------------------------------------------------------------------------------------------------
case(
    "rows",
    "a totals row",
    lambda folder: write_shop(folder, builds=[build(), dict.fromkeys(BUILD, "") | {"serial": "Total", "power": "650"}]),
)
case("rows", "the headings again", lambda folder: write_shop(folder, builds=[build(), {k: k for k in BUILD}]))
case(
    "rows",
    "a comma without quotes",
    data("builds.csv", (BUILDS_CSV + BUILDS_CSV.split("\n")[1].replace("T-100", "T-2,00") + "\n").encode()),
)
case("rows", "a row cut short", data("builds.csv", (BUILDS_CSV + "T-222\n").encode()))
case("rows", "a cell of forty thousand letters", builds(use="x" * 40_000))
case("rows", "the same build twice", lambda folder: write_shop(folder, builds=[build(), build()]))
case("rows", "the same return twice", lambda folder: write_shop(folder, builds=[build()], returns=[back(), back()]))
case("rows", "a return of no build", returns(serial="Z-999"))
case("rows", "a serial one letter off", returns(serial="T-1O0"))
case("rows", "no serial", builds(serial=""))
case("rows", "a serial of blanks nobody sees", builds(serial="\u200b\u00a0"))
case("rows", "a component nobody named", returns(component="gearbox"))
case("rows", "a count of nought", builds(count="0"))
case("rows", "fewer than none", builds(count="-3"))
case("rows", "half a unit", builds(count="2.5"))
case("rows", "a thousand million units", builds(count="1000000000"))

# ---- numbers -------------------------------------------------------------------------------------------------------
for _cell, _name in {
    "-650": "negative power",
    "0": "no power",
    "1e308": "a power past all bounds",
    "nan": "a power that is no number",
    "inf": "a power without end",
    "9" * 400: "a power of four hundred digits",
    "#REF!": "a spreadsheet's own error",
    "650 lb": "a power in pounds",
    "6,50": "a comma in an odd place",
    "six hundred": "a power in words",
    "700-600": "a range that runs backwards",
    "=1+1": "a formula",
}.items():  # fmt: skip
    case("numbers", _name, builds(power=_cell))
case("numbers", "negative weight", builds(weight="-8200"))
case("numbers", "a weight of a hundred tons", builds(weight="100 t"))
case("numbers", "a weight in horsepower", builds(weight="650 hp"))
case("numbers", "a negative odometer", returns(odometer="-40000"))
case("numbers", "an odometer of nine thousand million", returns(odometer="9000000000"))
case("numbers", "an odometer that runs backwards", returns(odometer="9000"))
case("numbers", "a cost in words", returns(cost="a lot"))
case("numbers", "negative runs", returns(runs="-4"))
case("numbers", "a limit of nought", sheet("limits", **LIMIT | {"power_limit": "0"}))
case("numbers", "a limit for a weight below nought", sheet("limits", **LIMIT | {"weight_up_to": "-7500"}))
case("numbers", "a limit from a weight up", sheet("limits", **LIMIT | {"weight_up_to": "7500+"}))
case("numbers", "a change by so much more", sheet("changes", **CHANGE | {"power": "+100"}))
case("numbers", "a change without a figure", sheet("changes", **CHANGE | {"power": ""}))
case("numbers", "a change to a power past all bounds", sheet("changes", **CHANGE | {"power": "1e300"}))

# ---- dates ---------------------------------------------------------------------------------------------------------
for _cell, _name in {
    "2022-02-30": "a day that is not in the calendar",
    "13/13/2022": "a thirteenth month",
    "0": "the spreadsheet's day nought",
    "60": "the spreadsheet's 29 February 1900",
    "44621": "a bare day number, 1900 kind",
    "43159": "a bare day number, 1904 kind",
    "1e308": "a day number past all bounds",
    "-44621": "a day number below nought",
    "2099-01-01": "a day to come",
    "1949-01-01": "before there were such trucks",
    "Mar-22": "a month without a day",
    "03/04/2022": "a day that could be two",
    "2022-03-01T25:61": "an hour that is none",
    "yesterday": "a day in words",
}.items():  # fmt: skip
    case("dates", _name, returns(failed_on=_cell, returned_on="2022-04-20"))
case("dates", "broken before it was built", returns(failed_on="2020-01-01"))
case("dates", "back before it broke", returns(returned_on="2022-01-01"))
case("dates", "no date", returns(failed_on="", returned_on=""))
case("dates", "in service before it was built", builds(in_service_on="2019-01-01"))
case("dates", "a reading before the build", sheet("readings", **READING | {"read_on": "2019-01-01"}))
case("dates", "a part fitted before the build", sheet("fitted", **FITTED | {"fitted_on": "2019-01-01"}))
case("dates", "a limit without a day", sheet("limits", **LIMIT | {"effective_on": ""}))

# ---- texts that want to be code --------------------------------------------------------------------------------------
case("texts", "a script in a note", returns(notes="<script>alert(1)</script>"))
case("texts", "a script as a finding", returns(finding="<img src=x onerror=alert(1)>"))
case("texts", "a script as a part", builds(shaft="<svg onload=alert(1)>"))
case("texts", "a formula as a builder", builds(builder='=HYPERLINK("http://x","y")'))
case("texts", "a command as a serial", builds(serial="=cmd|' /C calc'!A0"))
case("texts", "writing that turns round", builds(use="\u202egnitar"))
case("texts", "an order to the terminal", returns(finding="\x1b[2J\x1b[31m"))
case("texts", "a sentence for a part", returns(replaced_with="Scrapped by the customer."))
case("texts", "a limit for a use that is none", sheet("limits", **LIMIT | {"use": "not towing"}))
case("texts", "a cause nobody knows", returns(cause="gremlins"))

# ---- commands --------------------------------------------------------------------------------------------------------
case("commands", "a day that is none", builds(), "check", "{folder}", "--as-of", "soon")
case("commands", "a day before every record", builds(), "check", "{folder}", "--as-of", "1990-01-01")
case("commands", "a target of no share", builds(), "ratings", "{folder}", "--reliability", "0")
case("commands", "a share in percent", builds(), "ratings", "{folder}", "--confidence", "90")
case("commands", "a life of less than nothing", builds(), "ratings", "{folder}", "--life", "-1")
case("commands", "a life without end", builds(), "ratings", "{folder}", "--life", "inf")
case("commands", "a share that is no number", builds(), "ratings", "{folder}", "--reliability", "nan")
case(
    "commands",
    "out is a file",
    lambda folder: (builds()(folder), (folder / "out").write_text("x")),
    "check",
    "{folder}",
    "--out",
    "{folder}/out",
)
case("commands", "a demo in a folder with other things", builds(), "demo", "{folder}")
case(
    "commands",
    "no such part to accept",
    builds(),
    "accept",
    "{folder}",
    "--component",
    "converter",
    "--part",
    "nothing",
    "--weight-up-to",
    "7500",
    "--power",
    "600",
    "--by",
    "me",
)
case("commands", "a replay of no quarters", builds(), "backtest", "{folder}", "--quarters", "0")
