"""Builds with a row for each part: read together, a unit each, and nothing of them lost."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.reasons import Issue
from analytics.records.files import Grid
from analytics.records.lines import LineColumns, units_of_lines
from tests.records.sheets import aside, back, build, checks, load

TOML = '[sheets.builds]\nlines = ["Item", "Part no"]\n'
PARTS = {"shaft": "IS-A", "conv": "TC-1"}


def lines(built: dict[str, str], **but: str) -> list[dict[str, str]]:
    """A build as a row for each of its parts; what is the same in both stands in the first alone."""
    whole = {h: text for h, text in built.items() if h not in PARTS}
    first, *rest = ({"Item": name, "Part no": built[name]} for name in PARTS)
    return [whole | first, *({"serial": whole["serial"]} | but | row for row in rest)]


def test_the_same_shop_with_a_row_for_each_part_is_the_same_records(tmp_path):
    built = [build(), build(serial="T-200", power="800", shaft="IS-B"), build(serial="T-300", conv="TC-2")]
    wide = load(tmp_path / "wide", builds=built, returns=[back()])
    long = load(tmp_path / "long", TOML, builds=[row for one in built for row in lines(one)], returns=[back()])
    pd.testing.assert_frame_equal(long.builds.drop(columns="row"), wide.builds.drop(columns="row"))
    pd.testing.assert_frame_equal(long.returns, wide.returns)
    assert [c[3] for c in checks(long)] == [
        "6 rows with a part each are read as 3 units: this one from 2",
        *(c[3] for c in checks(wide)),
    ]
    assert long.books.to_check["kind"].iat[0] is Issue.SEVERAL_NAMES
    counts = long.books.counts.set_index("sheet").loc["builds"]
    assert (counts["read"], counts["used"]) == (3, 3)


def test_lines_in_any_order_and_by_any_word_for_the_component(tmp_path):
    rows = [line for one in (build(), build(serial="T-200", shaft="IS-B")) for line in lines(one)]
    rows = [
        rows[0],
        rows[2] | {"Item": "INPUT SHAFT"},
        rows[1] | {"Item": "Torque conv"},
        rows[3] | {"Item": "converter"},
    ]
    toml = TOML + '[words.component]\nconverter = ["torque conv"]\n'
    found = load(tmp_path, toml, builds=rows).builds
    assert found["input shaft"].tolist() == ["IS-A", "IS-B"]
    assert found["converter"].tolist() == ["TC-1", "TC-1"]


def test_a_line_without_a_serial_goes_on_with_the_unit_above(tmp_path):
    first, second = lines(build())
    found = load(tmp_path, TOML, builds=[first, second | {"serial": ""}, *lines(build(serial="T-200"))])
    assert found.builds["converter"].tolist() == ["TC-1", "TC-1"]


def test_a_line_that_contradicts_its_unit_is_set_aside_and_told(tmp_path):
    """Another power, and a second part of one component: neither is taken for the unit's own, neither is lost."""
    other = lines(build(serial="T-200"), power="900")
    twice = [*lines(build()), {"serial": "T-100", "Item": "shaft", "Part no": "IS-B"}]
    found = load(tmp_path, TOML, builds=[*twice, *other])
    assert found.builds["input shaft"].tolist() == ["IS-A", "IS-A"]
    assert found.builds["converter"].tolist() == ["TC-1", "not recorded"]
    assert [(row, reason.split(" in ")[0]) for _, row, _, reason in aside(found)] == [
        (4, "the serial is already built"),
        (6, "the serial is already built"),
    ]
    counts = found.books.counts.set_index("sheet").loc["builds"]
    assert (counts["read"], counts["used"]) == (4, 2)


def test_how_many_of_a_part_went_in_is_no_number_of_units(tmp_path):
    rows = [line | {"count": "4"} for line in lines(build())]
    assert load(tmp_path, TOML, builds=rows).builds["count"].tolist() == [1]


def test_a_line_crossed_out_stays_a_row_of_its_own():
    rows = [["serial", "Item", "Part no"], ["T-1", "shaft", "IS-A"], ["T-1", "conv", "TC-1"], ["T-1", "conv", "TC-2"]]
    grid = Grid("orders.xlsx", "", rows, 1, struck=frozenset({(2, 2)}))
    made, counted = units_of_lines(grid, 0, LineColumns(0, 1, 2, frozenset({0})))
    assert made.rows == [
        ["serial", "", "", "shaft", "conv"],
        ["T-1", "", "", "IS-A", "TC-2"],
        ["T-1", "", "", "", "TC-1"],
        [],
    ]
    assert counted == {1: 2, 2: 1}


def test_what_follows_a_crossed_out_or_contradicting_line_goes_to_no_other_unit():
    """A line without a serial below one crossed out is of nobody; below one that contradicts its unit it is that unit's."""
    heads, first = ["serial", "Item", "Part no"], ["T-1", "shaft", "IS-A"]
    columns = LineColumns(0, 1, 2, frozenset({0}))
    crossed = [heads, first, ["T-2", "shaft", "IS-B"], ["", "conv", "TC-2"]]
    made, _ = units_of_lines(Grid("a", "", crossed, 1, struck=frozenset({(2, 0)})), 0, columns)
    assert [row[0] for row in made.rows[1:]] == ["T-1", "T-2", ""]
    assert made.rows[1][3:] == ["IS-A", ""]
    against = [heads, first, ["T-1", "shaft", "IS-B"], ["", "conv", "TC-1"]]
    made, counted = units_of_lines(Grid("a", "", against, 1), 0, columns)
    assert made.rows[1][3:] == ["IS-A", "TC-1"]
    assert counted == {1: 2, 2: 1}


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        ('[sheets.builds]\nlines = "Item"\n', "name two headings"),
        ('[sheets.builds]\nlines = ["Item", "Number"]\n', "no column headed 'Number'"),
        ('[sheets.returns]\nlines = ["Item", "Part no"]\n', "a key of [sheets.returns]"),
    ],
)
def test_lines_that_cannot_be_found_are_refused(tmp_path, toml, says):
    with pytest.raises(RecordsError, match=says.replace("[", r"\[")):
        load(tmp_path, toml, builds=lines(build()))
