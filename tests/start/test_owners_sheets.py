"""Sheets as owners head them: what start takes each for, and what it must not take them for."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.records.load import Records, load_records
from analytics.report.start import start
from analytics.words.listing import check_listing
from tests.records.sheets import to_csv

BUILT = ("2021-01-10", "2021-02-10", "2021-03-10", "2021-04-10")


def rows(n: int = 12) -> list[dict[str, str]]:
    """Builds by headings of an owner's own; {serial} and {power} are his words for them."""
    return [
        {"{serial}": str(101 + k), "Ship date": BUILT[k % 4], "{power}": str(600 + 5 * k), "Truck wt": "8200", "Used for": "towing",
         "Input shaft": ("IS-A", "IS-B")[k % 2], "Converter": "TC-1"}
        for k in range(n)
    ]  # fmt: skip


def backs(serial: str, n: int = 3) -> list[dict[str, str]]:
    return [
        {serial: str(101 + k), "Came in": "2022-03-05", "Miles on it": "21000", "What broke": "input shaft"}
        for k in range(n)
    ]


def write(folder: Path, serial: str = "Serial", power: str = "HP", **sheets: list[dict[str, str]]) -> str:
    words = {"{serial}": serial, "{power}": power}
    sheets = {"work orders": rows(), "comebacks": backs(serial)} | sheets
    for name, own in sheets.items():
        text = to_csv([{words.get(h, h): cell for h, cell in row.items()} for row in own])
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return start(folder)


@pytest.mark.parametrize(
    "serial",
    ["Trans #", "Trans", "No.", "RO #", "WO Number", "Ticket", "Repair order", "Build #", "Order #", "Stamp", "Case #"],
)
def test_what_the_number_of_a_unit_is_called(tmp_path, serial):
    said = write(tmp_path, serial)
    assert "Next, type:" in said
    assert len(load_records(tmp_path).returns) == 3


@pytest.mark.parametrize(
    ("power", "hp"), [("RWHP", 600 / 0.82), ("WHP", 600 / 0.82), ("Crank HP", 600), ("Horsepower (at the crank)", 600)]
)
def test_a_heading_says_where_the_power_is_measured(tmp_path, power, hp):
    write(tmp_path, power=power)
    assert load_records(tmp_path).builds["power_hp"].min() == pytest.approx(hp)


@pytest.mark.parametrize("power", ["HP (est)", "Est. HP", "hp claimed by customer", "Approx BHP"])
def test_a_power_with_words_beside_its_unit_is_found(tmp_path, power):
    write(tmp_path, power=power)
    assert load_records(tmp_path).builds["power_hp"].min() == 600


def test_a_shop_whose_power_is_not_found_is_told_that_nothing_can_be_rated(tmp_path):
    said = write(tmp_path, power="Grunt")
    assert "No row of the builds has the engine's power: no part can be rated." in said
    assert 'power = "its heading"' in check_listing(*both(tmp_path))
    (tmp_path / "shop.toml").write_text(
        (tmp_path / "shop.toml")
        .read_text(encoding="utf-8")
        .replace("[headings.builds]", '[headings.builds]\npower = "Grunt"'),
        encoding="utf-8",
    )
    assert "can be rated" not in start(tmp_path)


def test_a_shop_whose_weight_is_not_found_is_told_what_is_lost(tmp_path):
    said = write(tmp_path, **{"work orders": [{h: cell for h, cell in r.items() if h != "Truck wt"} for r in rows()]})
    assert "No row of the builds has a truck's weight: heavy trucks and light ones are rated as one." in said
    assert "can be rated" not in said


def test_nothing_found_is_no_failure(tmp_path):
    write(tmp_path, comebacks=[*backs("Serial"), {**backs("Serial", 4)[3], "What broke": "Nothing found"}])
    records = load_records(tmp_path)
    assert len(records.returns) == 3
    assert "said to be no damage of this component" in set(records.books.set_aside["reason"])


def both(folder: Path) -> tuple[Records, Lifetimes]:
    records = load_records(folder)
    return records, make_lifetimes(records)


def test_who_it_was_built_for_is_no_component_though_returns_say_customer(tmp_path):
    told = [r | {"Customer": ("Smith", "Jones")[k % 2]} for k, r in enumerate(rows())]
    broke = [{**backs("Serial", 1)[0], "What broke": "customer complaint"}]
    said = write(tmp_path, **{"work orders": told, "comebacks": [*backs("Serial"), *broke]})
    assert "customer complaint (column" not in said
    assert set(load_records(tmp_path).shop.components) == {"input shaft", "converter"}


@pytest.mark.parametrize("heading", ["Failed part", "Part failed", "What went", "What let go", "Broken"])
def test_a_column_of_what_broke_is_found_by_its_words(tmp_path, heading):
    write(
        tmp_path,
        comebacks=[{heading if h == "What broke" else h: cell for h, cell in r.items()} for r in backs("Serial")],
    )
    assert set(load_records(tmp_path).returns["component"]) == {"input shaft"}


@pytest.mark.parametrize("heading", ["Miles on build", "Miles on trans", "Miles lasted", "Mileage on unit"])
def test_miles_on_the_unit_are_no_odometer(tmp_path, heading):
    """Read as the odometer of that day they would be a wrong life, or run backwards."""
    write(
        tmp_path,
        comebacks=[{heading if h == "Miles on it" else h: cell for h, cell in r.items()} for r in backs("Serial")],
    )
    assert set(load_records(tmp_path).returns["miles_in_service"]) == {21_000}


@pytest.mark.parametrize("heading", ["Miles in", "Mileage out", "Odometer in"])
def test_miles_written_at_the_counter_are_the_odometer_of_that_day(tmp_path, heading):
    built = [r | {heading: "52,000"} for r in rows()]
    write(tmp_path, **{"work orders": built})
    assert set(load_records(tmp_path).builds["odometer_at_install"]) == {52_000}


def test_the_power_at_the_wheels_in_words_is_set_for_the_shop(tmp_path):
    said = write(tmp_path, power="Wheel HP")
    assert 'measured_at = "wheels"' in (tmp_path / "shop.toml").read_text(encoding="utf-8")
    assert "power measured_at: wheels" in said
    assert load_records(tmp_path).builds["power_hp"].min() == pytest.approx(600 / 0.82)


def test_a_number_of_the_row_is_no_serial_where_another_column_holds_those_built(tmp_path):
    base = sqlite3.connect(tmp_path / "shop.db")
    base.execute("create table jobs (job_no, ship_date, hp, input_shaft, converter)")
    base.executemany(
        "insert into jobs values (?,?,?,?,?)", [(r["{serial}"], r["Ship date"], 600, "IS-A", "TC-1") for r in rows()]
    )
    base.execute("create table warranty (id, for_job, date_in, miles, failed_component)")
    base.executemany(
        "insert into warranty values (?,?,?,?,?)", [(k, 100 + k, "2022-03-05", 9000, "converter") for k in (1, 2, 3)]
    )
    base.commit()
    base.close()
    assert "for_job = serial" in start(tmp_path)
    assert len(load_records(tmp_path).returns) == 3


def test_a_page_of_comebacks_is_no_page_of_builds(tmp_path):
    """Its heading for what broke is a word nobody knows; by serial and date alone it would pass as builds."""
    unlike = [{"Serial": r["Serial"], "Date": r["Came in"], "Odometer": "21000", "HP": "600", "Gremlin": "gone"} for r in backs("Serial", 9)]  # fmt: skip
    said = write(tmp_path, comebacks=unlike)
    assert "builds: work orders.csv (12 rows)" in said
    assert "comebacks.csv (9 rows) is like no sheet: of returns it lacks the column with what broke" in said
    assert "no page is taken for the comebacks. Such a page has one row for each part that broke" in said


@pytest.mark.parametrize("more", [{"Truck wt": "8200", "Used for": "towing"}, {}])
def test_builds_of_a_row_for_each_part_are_read_together(tmp_path, more):
    """As invoices have them: the price differs from line to line, how many of the part went in is no number of units, and a gasket is no component."""
    lines = [
        {"Serial": r["{serial}"], "Ship date": r["Ship date"], "Item": item, "Part No": r.get(item, "GK-1"), "Qty": "2", "Price": f"{90 + at}", "HP": "600"} | more
        for r in rows()
        for at, item in enumerate(("Input shaft", "Converter", "Gasket"))
    ]  # fmt: skip
    said = write(tmp_path, **{"work orders": lines})
    assert "builds: work orders.csv (12 rows)" in said
    assert 'lines = ["Item", "Part No"]' in (tmp_path / "shop.toml").read_text(encoding="utf-8")
    found = load_records(tmp_path)
    assert found.builds["input shaft"].tolist() == ["IS-A", "IS-B"] * 6
    assert found.builds["converter"].tolist() == ["TC-1"] * 12
    assert found.builds["count"].tolist() == [1] * 12
    assert len(found.returns) == 3
    assert "Next, type:" in start(tmp_path)  # the same again


def test_parts_fitted_later_beside_builds_of_a_row_for_each_unit_stay_that(tmp_path):
    own = [{"Serial": r["{serial}"], "Fitted on": "2022-05-05", "Component": c, "Part": "X-1"} for r in rows() for c in ("Input shaft", "Converter")]  # fmt: skip
    assert "lines =" not in write(tmp_path, fitted=own)
    assert len(load_records(tmp_path).builds) == 12


def test_a_shop_without_comebacks_yet_is_told_how_to_say_so(tmp_path):
    assert "save a sheet of three headings alone, serial, returned_on and component, as returns.csv" in write(
        tmp_path, comebacks=[]
    )
    (tmp_path / "returns.csv").write_text("serial,returned_on,component\n", encoding="utf-8")
    assert "Next, type:" in start(tmp_path)
    assert load_records(tmp_path).returns.empty


def test_parts_fitted_unit_by_unit_are_no_published_limits(tmp_path):
    own = [{"Unit": r["{serial}"], "Date": r["Ship date"], "HP": "600", "Weight": "8200", "Use": "towing", "Component": "input shaft", "Part": "IS-A"} for r in rows()]  # fmt: skip
    assert "limits:" not in write(tmp_path, installed=own)
    assert "limits" not in (tmp_path / "shop.toml").read_text(encoding="utf-8")


def test_miles_of_another_day_are_no_odometer_at_the_install(tmp_path):
    later = [row | {"Miles 2": "33000"} for row in rows()]
    assert "not used: Miles 2" in write(tmp_path, **{"work orders": later})


def test_questions_of_a_form_are_headings_though_its_answers_are_known_words(tmp_path):
    form = [
        {"When?": "3/14/2022 09:01:00", "Serial number of the transmission": r["Serial"], "Date it came back": "3/14/2022",
         "What failed?": "Input shaft", "Whose fault?": "Part", "Was it tested on the dyno?": "TRUE"}
        for r in backs("Serial")
    ]  # fmt: skip
    said = write(tmp_path, comebacks=form)
    assert "What failed? = component" in said
    assert load_records(tmp_path).returns["component"].tolist() == ["input shaft"] * 3


def test_where_it_was_measured_is_read_from_words_alone(tmp_path):
    dyno = [row | {"Dyno": "TRUE"} for row in rows()]
    assert "not used: Dyno" in write(tmp_path, **{"work orders": dyno})


def test_a_page_that_lacks_one_column_is_told_which(tmp_path):
    own = [{h: cell for h, cell in row.items() if h != "{serial}"} for row in rows()]
    said = write(tmp_path, **{"work orders": own})
    lacks = "of builds it lacks the column with the number each unit goes by (write Serial over it; where units have none, add such a column"
    assert f"work orders.csv (12 rows) is like no sheet: {lacks}" in said


def test_a_number_of_a_part_is_of_its_component(tmp_path):
    own = [{"TC P/N" if h == "Converter" else h: cell for h, cell in row.items()} for row in rows()]
    assert "converter (column TC P/N): TC-1 (12)" in write(tmp_path, **{"work orders": own})


def wide(miles: str) -> list[dict[str, str]]:
    """Comebacks in the row of their build: of the first truck two, of the third one."""
    beside = {"Came back": "", miles: "", "Broken part": "", "Came back 2": "", f"{miles} 2": "", "Broken part 2": ""}
    own = [row | beside for row in rows()]
    own[0] |= {"Came back": "2022-03-05", miles: "21000", "Broken part": "input shaft"}
    own[0] |= {"Came back 2": "2022-09-05", f"{miles} 2": "33000", "Broken part 2": "converter"}
    own[2] |= {"Came back": "2022-04-05", miles: "9000", "Broken part": "converter"}
    return own


@pytest.mark.parametrize("miles", ["Miles", "Miles when came back"])
def test_comebacks_in_the_row_of_their_build(tmp_path, miles):
    (tmp_path / "x").mkdir()
    text = to_csv([{"Serial" if h == "{serial}" else "HP" if h == "{power}" else h: cell for h, cell in row.items()} for row in wide(miles)])  # fmt: skip
    (tmp_path / "x" / "list.csv").write_text(text, encoding="utf-8")
    said = start(tmp_path / "x")
    assert "Next, type:" in said
    found = load_records(tmp_path / "x")
    back = found.returns.sort_values("returned_on")[["component", "unit"]].to_numpy().tolist()
    assert back == [["input shaft", 0], ["converter", 2], ["converter", 0]]
    assert found.books.counts.set_index("sheet")["read"].to_dict() == {"builds": 12, "returns": 3}
    assert not any(found.books.unused_columns["builds"])
    toml = (tmp_path / "x" / "shop.toml").read_text(encoding="utf-8")
    assert f'odometer = ["{miles}", "{miles} 2"]' in toml
    assert "odometer_at_install" not in toml
    assert found.books.set_aside.empty
