"""The sheet of parts and what was measured: units, ranges, slips, and that every row is used or set aside."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.records.load import load_records
from tests.records.sheets import aside, back, build, checks, load, write_shop

SHAFT = {"component": "input shaft", "part": "IS-A", "outside_diameter": "1.25", "hardness": "48-52 HRC"}


def parts(tmp_path, *rows, toml=""):
    return load(tmp_path, toml, builds=[build()], parts=list(rows))


def test_amounts_keep_their_unit_and_their_range(tmp_path):
    rows = [SHAFT | {"bore": "6.35 mm", "tensile_yield": "1,720 MPa", "spline_teeth": "31", "price": "$1,450"}]
    rows += [{"component": "converter", "part": "TC-1", "piston_area": "93.5 sq cm", "apply_pressure": "12.4 bar"}]
    table = parts(tmp_path, *rows).parts
    assert table[["component", "part", "kind"]].to_numpy().tolist() == [
        ["input shaft", "IS-A", "input shaft"],
        ["converter", "TC-1", "converter"],
    ]
    shaft, converter = table.iloc[0], table.iloc[1]
    assert shaft["bore_in"] == pytest.approx(0.25)
    assert (shaft["hardness_hrc_low"], shaft["hardness_hrc"], shaft["hardness_hrc_high"]) == (48, 50, 52)
    assert shaft["tensile_yield_ksi"] == pytest.approx(249.46, abs=0.01)
    assert shaft["price"] == 1450
    assert converter["piston_area_sqin"] == pytest.approx(14.4925, abs=1e-3)
    assert converter["piston_sides"] != converter["piston_sides"]  # nobody says: one
    assert converter["apply_pressure_psi"] == pytest.approx(179.85, abs=0.01)
    assert pd.isna(converter["outside_diameter_in"])


def test_oil_on_both_sides_of_a_piston_pushes_on_twice_the_area(tmp_path):
    """Force is pressure times all the area it acts on; by one side alone a pack of two would look half as strong."""
    pack = {"component": "converter", "part": "TC-1", "piston_area": "17-18 sq in"}
    columns = ["piston_area_sqin_low", "piston_area_sqin", "piston_area_sqin_high"]
    one, both = (parts(tmp_path / n, pack | {"piston_sides": n}).parts[columns].iloc[0] for n in ("1", "2"))
    assert both.tolist() == [2 * area for area in one]
    assert one["piston_area_sqin_high"] == pytest.approx(18)


@pytest.mark.parametrize(
    ("cell", "inches"), [('1.25"', 1.25), ("1.25 in", 1.25), ("31.75 mm", 1.25), ("3.175 cm", 1.25)]
)
def test_a_length_in_any_unit(tmp_path, cell, inches):
    table = parts(tmp_path, SHAFT | {"outside_diameter": cell.replace('"', '"')}).parts
    assert table["outside_diameter_in"].iat[0] == pytest.approx(inches)


def test_a_bare_number_means_what_shop_toml_says(tmp_path):
    toml = '[units]\nlength = "mm"\npressure = "bar"\ntorque = "N m"\n'
    records = load(
        tmp_path,
        toml,
        builds=[build(torque="1000", line_pressure="13.8", tyre_diameter="800")],
        parts=[SHAFT | {"outside_diameter": "31.75", "piston_area": "9350"}],
    )
    assert records.parts["outside_diameter_in"].iat[0] == pytest.approx(1.25)
    assert records.parts["piston_area_sqin"].iat[0] == pytest.approx(14.4925, abs=1e-3)
    row = records.conditions.iloc[0]
    assert row["torque_lbft"] == pytest.approx(737.56, abs=0.01)
    assert row["line_pressure_psi"] == pytest.approx(200.15, abs=0.01)
    assert row["tyre_diameter_in"] == pytest.approx(31.496, abs=1e-3)


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ({"component": "input shaft", "part": ""}, "part", "no part named"),
        ({"component": "gizmo", "part": "X"}, "component", "not one of the components"),
        (SHAFT | {"bore": "1.3"}, "bore", "the bore is not below the outside diameter"),
        (SHAFT | {"lining_outside_diameter": "5", "lining_inside_diameter": "6"}, "lining_inside_diameter", "lining"),
    ],
)
def test_rows_that_cannot_be_are_set_aside(tmp_path, row, column, reason):
    records = parts(tmp_path, row, SHAFT | {"part": "IS-B"})
    [(sheet, number, where, why)] = aside(records)
    assert (sheet, number, where) == ("parts", 2, column)
    assert reason in why
    assert records.parts["part"].tolist() == ["IS-B"]


def test_twice_is_once_and_two_ways_is_none(tmp_path):
    records = parts(tmp_path, SHAFT, SHAFT, SHAFT | {"part": "IS-B"}, SHAFT | {"part": "is-b", "hardness": "40 HRC"})
    assert [(n, why) for _, n, _, why in aside(records)] == [
        (3, "the same part is entered twice"),
        (4, "another row describes this part otherwise"),
        (5, "another row describes this part otherwise"),
    ]
    assert records.parts["part"].tolist() == ["IS-A"]
    counts = records.books.counts.set_index("sheet").loc["parts"]
    assert (counts["read"], counts["used"], counts["set_aside"]) == (4, 1, 3)


def test_cells_that_cannot_be_read_are_listed_and_unknown(tmp_path):
    records = parts(tmp_path, SHAFT | {"hardness": "very hard", "kind": "sprocket", "faces": "twelve", "price": "lots"})
    told = {column: reason for sheet, _, column, reason in checks(records) if sheet == "parts"}
    assert set(told) == {"hardness", "kind", "faces", "price"}
    assert "cannot be read as a hardness" in told["hardness"]
    remedies = records.books.to_check.set_index("column")["remedy"]
    assert remedies["faces"] == "write a plain number from 1 to 100"
    row = records.parts.iloc[0]
    assert row[["hardness_hrc", "faces", "price"]].isna().all()
    assert row["kind"] == "input shaft"  # by the component's name


def test_measures_beside_builds_and_returns_and_in_their_own_sheet(tmp_path):
    records = load(
        tmp_path,
        builds=[build(converter_pressure="165 psi", axle_ratio="3.73")],
        returns=[back(component="converter", part="TC-1", converter_pressure="13 bar")],
        conditions=[
            {"serial": "T-100", "measured_on": "2021-06-01", "torque": "1,630 N m", "rpm": "2,900 rpm"},
            {"serial": "T-100", "measured_on": "2021-07-01", "torque": "?"},
            {"serial": "T-999", "measured_on": "2021-06-01", "torque": "900"},
            {"serial": "T-100", "measured_on": "", "torque": "900"},
        ],
    )
    table = records.conditions
    assert table["sheet"].tolist() == ["builds", "conditions", "returns"]
    assert table["day"].dt.strftime("%Y-%m-%d").tolist() == ["2021-01-20", "2021-06-01", "2022-03-05"]
    assert table["converter_pressure_psi"].round().tolist()[::2] == [165, 189]
    assert table["torque_lbft"].iat[1] == pytest.approx(1202.2, abs=0.1)
    assert [(n, why) for sheet, n, _, why in aside(records) if sheet == "conditions"] == [
        (3, "nothing measured that could be read"),
        (4, "no build with this serial"),
        (5, "no date"),
    ]


def test_what_is_measured_later_is_not_seen_from_before(tmp_path):
    sheets = {
        "builds": [build()],
        "conditions": [{"serial": "T-100", "measured_on": "2023-06-01", "converter_pressure": "190"}],
        "parts": [SHAFT],
    }
    folder = write_shop(tmp_path, **sheets)
    assert load_records(folder, as_of="2023-01-01").conditions.empty
    assert len(load_records(folder, as_of="2023-12-31").conditions) == 1
    # a sheet of things has no days
    assert len(load_records(folder, as_of="2023-01-01").parts) == 1


def test_without_these_sheets_nothing_is_missing(tmp_path):
    records = load(tmp_path, builds=[build()])
    assert records.parts.empty
    assert records.conditions.empty
    assert "outside_diameter_in" in records.parts


def test_a_slip_in_units_is_refused(tmp_path):
    with pytest.raises(RecordsError, match=r"\[units\] length = 'cubit'"):
        load(tmp_path, '[units]\nlength = "cubit"\n', builds=[build()])


def test_a_unit_shipped_again_brings_its_own_measures(tmp_path):
    again = build(built_on="2022-04-01", in_service_on="2022-04-10", converter_pressure="190")
    records = load(tmp_path, builds=[build(converter_pressure="165"), again], returns=[back()])
    table = records.conditions
    assert table["converter_pressure_psi"].tolist() == [165, 190]
    assert table["day"].dt.strftime("%Y-%m-%d").tolist() == ["2021-01-20", "2022-04-10"]
    assert table["unit"].tolist() == [0, 0]


def test_a_truck_may_be_measured_before_its_unit_is_in_service(tmp_path):
    rows = [{"serial": "T-100", "measured_on": "2021-01-12", "torque": "900"}]
    records = load(tmp_path, builds=[build()], conditions=rows)
    assert len(records.conditions) == 1
    assert records.books.set_aside.empty
