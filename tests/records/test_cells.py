"""Cells with units, ranges and doubts.

Factors: scipy.constants (CODATA and exact definitions), and the rounded ones of NIST SP 811, appendix B, from memory:
horsepower (550 ft lbf/s) 745.6999 W, metric horsepower 735.4988 W, pound 0.4535924 kg, mile 1.609344 km.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from analytics.records import cells


def value(text: str, kind: cells.Quantity, unit: str) -> float:
    return cells.parse_quantity(text, kind, unit)[0]


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("1 kW", cells.POWER, 1000 / constants.hp),
        ("1 PS", cells.POWER, 75 * constants.g / constants.hp),  # 75 kgf m/s, its definition
        ("1 t", cells.WEIGHT, 1000 / constants.pound),
        ("1 kg", cells.WEIGHT, 1 / constants.pound),
        ("1 km", cells.DISTANCE, constants.kilo / constants.mile),
    ],
)
def test_factors_are_those_of_scipy(text, kind, expected):
    factor = kind.units[text.split()[1].casefold()]
    assert factor == pytest.approx(expected, rel=1e-12)


def test_factors_are_those_printed():
    assert 1000 / cells.POWER.units["kw"] == pytest.approx(745.6999, abs=5e-5)
    assert 745.6999 * cells.POWER.units["ps"] == pytest.approx(735.4988, abs=1e-4)
    assert 1 / cells.WEIGHT.units["kg"] == pytest.approx(0.4535924, abs=5e-8)
    assert 1 / cells.DISTANCE.units["km"] == pytest.approx(1.609344, abs=5e-7)


@pytest.mark.parametrize(
    ("text", "hp"),
    [
        ("1,050", 1050), ("1050", 1050), ("1 050", 1050), ("1'050", 1050), ("1,050 whp", 1050), ("650HP", 650),
        ("650 hp", 650), ("650 bhp", 650), ("620 kW", 831.434), ("710 PS", 700.286), ("710ps", 700.286),
        ("600-650", 625), ("600 to 650", 625), ("600 – 650 hp", 625), ("600hp-650hp", 625), ("approx 700", 700),
        ("~700", 700), ("about 700 hp", 700), ("700 hp approx", 700), ("700ish", 700), ("700?", 700), ("700+", 700),
        ("700 hp (est)", 700), ("650.5", 650.5), ("650,5 hp", 650.5),
    ],
)  # fmt: skip
def test_power(text, hp):
    # 620 / 0.745699872 = 831.434; 710 x 735.49875 / 745.699872 = 700.287
    assert value(text, cells.POWER, "hp") == pytest.approx(hp, abs=2e-3)


@pytest.mark.parametrize(
    ("text", "lb"),
    [
        ("3.9 t", 8598.028),
        ("3,9 t", 8598.028),
        ("3900 kg", 8598.028),
        ("3,900 kg", 8598.028),
        ("8,200", 8200),
        ("9,900 GVWR", 9900),
        ("8200 lbs", 8200),
        ("8200#", 8200),
        ("8200 lb scale ticket", 8200),
    ],
)
def test_weight(text, lb):
    assert value(text, cells.WEIGHT, "lb") == pytest.approx(lb, abs=1e-3)  # 3,900 / 0.45359237 = 8,598.028


@pytest.mark.parametrize(
    ("text", "miles"),
    [
        ("88k km", 54680.664),
        ("88k", 88_000),
        ("12,400 mi", 12_400),
        ("88,000 km", 54680.664),
        ("0", 0),
        ("12 400 miles", 12_400),
        ("12k-13k", 12_500),
        ("12-13k", 12_500),
        ("88.5k km", 54991.350),
    ],
)
def test_distance(text, miles):
    assert value(text, cells.DISTANCE, "miles") == pytest.approx(miles, abs=1e-3)  # 88,000 / 1.609344 = 54,680.665


def test_default_units_are_those_of_the_shop():
    assert value("620", cells.POWER, "kW") == pytest.approx(831.434, abs=1e-3)
    assert value("620 hp", cells.POWER, "kW") == 620
    assert value("3.9", cells.WEIGHT, "t") == pytest.approx(8598.028, abs=1e-3)
    assert value("100", cells.DISTANCE, "km") == pytest.approx(62.137, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "kind", "qualifier"),
    [
        ("1,050 whp", cells.POWER, "wheels"), ("650 rwhp", cells.POWER, "wheels"), ("650 hp at the wheels", cells.POWER, "wheels"),
        ("650 bhp", cells.POWER, "crank"), ("650 hp @ crank", cells.POWER, "crank"), ("650", cells.POWER, ""),
        ("9,900 GVWR", cells.WEIGHT, "rating plate"), ("9900 lb curb", cells.WEIGHT, "curb"),
        ("9900 as raced", cells.WEIGHT, "as raced"), ("19000 with trailer", cells.WEIGHT, "combined"),
    ],
)  # fmt: skip
def test_words_beside_the_number(text, kind, qualifier):
    assert cells.parse_quantity(text, kind, kind.unit)[3] == qualifier


@pytest.mark.parametrize("text", ["approx 700", "~700", "700 hp approx", "c. 700", "700?", "est. 700", "700 est"])
def test_about_is_noted(text):
    assert cells.parse_quantity(text, cells.POWER, "hp")[4]
    assert not cells.parse_quantity("700", cells.POWER, "hp")[4]


def test_a_range_keeps_both_ends():
    assert cells.parse_quantity("600-650 whp", cells.POWER, "hp")[:4] == (625, 600, 650, "wheels")


@pytest.mark.parametrize("text", ["", " ", "?", "n/a", "unknown", "-", "none", "TBD", "not recorded"])
def test_blanks_are_no_doubt(text):
    parsed = cells.parse_quantity(text, cells.POWER, "hp")
    assert np.isnan(parsed[0])
    assert parsed[5] == ""


@pytest.mark.parametrize(
    ("text", "kind", "problem"),
    [
        ("abc", cells.POWER, "cannot be read as a power"),
        ("650 60", cells.POWER, "cannot be read as a power"),
        ("650 dyno", cells.POWER, "unit or word 'dyno' is not known for a power"),
        ("600 kW - 650 hp", cells.POWER, "unit or word 'kW' is not known for a power"),
        ("5", cells.POWER, "outside 20 to 5,000 hp"),
        ("-650", cells.POWER, "outside 20 to 5,000 hp"),
        ("1e308", cells.POWER, "outside 20 to 5,000 hp"),
        ("1e400", cells.POWER, "cannot be read as a power"),
        ("9" * 400, cells.POWER, "cannot be read as a power"),
        ("inf", cells.POWER, "cannot be read as a power"),
        ("6\x0050", cells.POWER, "cannot be read as a power"),
        ("300-900", cells.POWER, "the range from 300 to 900 hp is too wide to use"),
        ("0-900", cells.DISTANCE, "the range from 0 to 900 miles is too wide to use"),
        ("#REF!", cells.POWER, "a spreadsheet error, not a value"),
        ("-5 km", cells.DISTANCE, "outside 0 to 2,000,000 miles"),
        ("12.400", cells.DISTANCE, "could be 12.4 or 12,400"),  # a dot for thousands, or a decimal point
        ("2021-03-04", cells.DISTANCE, "cannot be read as a distance"),
        ("3,9 stone", cells.WEIGHT, "unit or word 'stone' is not known for a weight"),
        ("+150", cells.POWER, "says how much more, not how much"),
        ("25,00", cells.DISTANCE, "could be 25.00, or a digit is missing"),
    ],
)
def test_what_cannot_be_is_refused_with_a_remedy(text, kind, problem):
    parsed = cells.parse_quantity(text, kind, kind.unit)
    assert np.isnan(parsed[0])
    assert parsed[5] == problem
    assert parsed[6]


def test_a_unit_problem_names_the_units():
    assert (
        cells.parse_quantity("3.9 stone", cells.WEIGHT, "lb")[6]
        == "use one of lb, kg, t, or take the word out of the cell"
    )


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1,050", 1050),
        ("1.050,5", 1050.5),
        ("1.050.000", 1_050_000),
        ("1,2,3", None),
        ("1,0500", None),
        (".5", 0.5),
        ("3,9", 3.9),
        ("1e3", 1000),
        ("--5", None),
        ("", None),
        ("+7", 7),
    ],
)
def test_plain_numbers(text, number):
    assert cells.parse_number(text) == number


def test_counts_and_money():
    assert cells.parse_plain("$1,830.50", 0, 1e6, False, "cost")[0] == 1830.5
    assert cells.parse_plain("95 passes", 0, 1e6, False, "runs")[0] == 95
    assert cells.parse_plain("1.5", 1, 10, True, "count")[1] == "count must be a whole number from 1 to 10"
    assert cells.parse_plain("lots", 1, 10, True, "count")[1] == "not a number for count"
