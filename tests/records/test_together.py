"""Cells that name several things: each component its own row, each part its own component, and the counts add up."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.reasons import Issue
from analytics.records.load import Records, load_records
from analytics.records.together import Known, _of_each
from tests.records.sheets import aside, back, build, checks, load, to_csv

BUILDS = [build(), build(serial="T-200"), build(serial="T-300", shaft="IS-B", conv="TC-2")]
SHARED = '[components]\n"input shaft" = "parts"\nconverter = "parts"\n'
PARTS = '[parts."input shaft"]\nIS-A = []\nIS-B = []\n[parts.converter]\nTC-1 = []\n'


def told(records: Records) -> list[list[object]]:
    return records.returns[["component", "part", "finding", "replaced_with", "cost"]].fillna(-1).values.tolist()


def noted(records: Records) -> list[tuple[str, int, str]]:
    own = records.books.to_check[records.books.to_check["kind"] == Issue.SEVERAL_NAMES]
    return list(own[["of", "row", "reason"]].itertuples(index=False, name=None))


def balanced(records: Records) -> None:
    counts = records.books.counts
    assert (counts["read"] == counts["used"] + counts["set_aside"]).all()


@pytest.mark.parametrize(
    "typed",
    ["shaft, conv", "Input shaft / Converter", "shaft & conv", "shaft and conv", "shaft\nconv", "shaft,conv,shaft"],
)
def test_each_component_of_a_cell_has_a_return_of_its_own(tmp_path, typed):
    rows = [back(component=typed, part="", replaced_with="", cost="1200"), back(serial="T-300", part="IS-B")]
    found = load(tmp_path, builds=BUILDS, returns=rows)
    assert told(found)[:2] == [
        ["input shaft", "not recorded", "broken", "", 1200],
        ["converter", "not recorded", "broken", "", -1],
    ]
    assert found.returns["row"].tolist() == [2, 2, 3]
    assert found.returns["miles"].tolist() == [30_000] * 3
    assert found.books.counts.set_index("sheet").loc["returns", ["read", "used"]].tolist() == [3, 3]
    why = "names 2 components: read as a row for each (input shaft, converter); the cost stands with the first"
    assert noted(found) == [("returns", 2, why)]
    assert found.books.to_check["raw"].tolist() == [typed]
    failed = make_lifetimes(found).table.query("ended == 'failed'")
    assert sorted(zip(failed["component"], failed["part"], strict=True)) == [
        ("converter", "TC-1"), ("input shaft", "IS-A"), ("input shaft", "IS-B"),
    ]  # fmt: skip
    balanced(found)


def test_parts_and_findings_of_a_listing_row_go_to_whom_they_belong(tmp_path):
    rows = [
        back(component="conv, shaft", part="IS-A, TC-1", finding="burnt, broken", replaced_with="IS-B", order="first")
    ]
    found = load(tmp_path, builds=BUILDS, returns=rows)
    assert told(found) == [["converter", "TC-1", "burnt", "", -1], ["input shaft", "IS-A", "broken", "IS-B", -1]]
    assert set(found.returns["order"]) == {"unclear"}  # both cannot have been first


def test_a_part_of_which_nobody_can_tell_whose_it_is(tmp_path):
    found = load(tmp_path, builds=BUILDS, returns=[back(component="conv, shaft", part="X-9", replaced_with="none")])
    assert [row[1] for row in told(found)] == ["not recorded", "not recorded"]
    assert found.returns["not_replaced"].all()
    assert "whose 'X-9' is cannot be told and is taken as not recorded" in noted(found)[0][2]


def test_of_a_listing_with_a_stranger_the_known_component_counts_and_the_stranger_is_set_aside(tmp_path):
    found = load(tmp_path, builds=BUILDS, returns=[back(component="shaft, tailhousing")])
    assert found.returns["component"].tolist() == ["input shaft"]
    assert aside(found) == [("returns", 2, "component", "not one of the components (input shaft, converter)")]
    balanced(found)


def test_a_component_whose_name_holds_an_and_is_one(tmp_path):
    toml = '[words.component]\nconverter = ["tc and shaft"]\n'
    found = load(tmp_path, toml, builds=BUILDS, returns=[back(component="TC and shaft", part="")])
    assert found.returns["component"].tolist() == ["converter"]
    assert noted(found) == []


def test_parts_fitted_in_one_row(tmp_path):
    rows = [{"serial": "T-100", "component": "shaft, conv", "part": "IS-B, TC-2", "fitted_on": "2022-06-01"}]
    found = load(tmp_path, builds=BUILDS, fitted=rows)
    assert found.fitted[["component", "part"]].values.tolist() == [["input shaft", "IS-B"], ["converter", "TC-2"]]


def test_several_parts_in_the_column_of_one_component(tmp_path):
    more = [build(serial="T-400", shaft="IS-A / TC-1"), build(serial="T-500", shaft="IS-A / IS-B")]
    found = load(tmp_path, builds=[*BUILDS, *more, build(serial="T-600", shaft="IS-A, polished")])
    assert found.builds["input shaft"].tolist() == ["IS-A", "IS-A", "IS-B", "IS-A", "not recorded", "IS-A, polished"]
    assert noted(found) == [
        ("builds", 5, "'IS-A / TC-1' names several parts: read as IS-A"),
        ("builds", 6, "'IS-A / IS-B' names several parts: which of them the unit had is taken as not recorded"),
    ]


def test_a_listing_that_is_the_name_of_a_part_is_one(tmp_path):
    toml = '[parts."input shaft"]\n"IS-A / IS-B" = []\n'
    found = load(tmp_path, toml, builds=[*BUILDS, build(serial="T-500", shaft="IS-A / IS-B")])
    assert found.builds["input shaft"].tolist()[-1] == "IS-A / IS-B"
    assert noted(found) == []


def shared(folder, cells: list[str], toml: str, returns: list[dict[str, str]] | None = None) -> Records:
    rows = [{"serial": f"T-{k}00", "built_on": "2021-01-10", "parts": text} for k, text in enumerate(cells, 1)]
    (folder / "shop.toml").write_text(SHARED + toml, encoding="utf-8")
    (folder / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (folder / "returns.csv").write_text(to_csv(returns or [back(component="converter", part="TC-1")]), encoding="utf-8")
    return load_records(folder, as_of="2024-12-31")


def test_one_column_holds_the_parts_of_several_components(tmp_path):
    cells = ["IS-A / TC-1", "TC-1, IS-B", "is-a", "IS-A + TC-9", "IS-A/IS-B/TC-1", "", "IS-B; ?"]
    found = shared(tmp_path, cells, PARTS)
    none = "not recorded"
    assert found.builds[["input shaft", "converter"]].values.tolist() == [
        ["IS-A", "TC-1"], ["IS-B", "TC-1"], ["IS-A", none], ["IS-A", none], [none, "TC-1"], [none, none], ["IS-B", none],
    ]  # fmt: skip
    assert noted(found) == [
        ("builds", 5, "'TC-9' is known as no part of input shaft or converter: taken as not recorded"),
        ("builds", 6, "IS-A and IS-B are parts of one input shaft: taken as not recorded"),
    ]
    lives = make_lifetimes(found).table
    assert np.unique(lives["component"], return_counts=True)[1].tolist()[0] >= 7


def test_parts_of_a_shared_column_are_known_by_the_returns_too_and_unknown_ones_are_told_once(tmp_path):
    found = shared(tmp_path, ["IS-A / TC-1", "IS-A / TC-1"], "")
    assert found.builds["converter"].tolist() == ["TC-1", "TC-1"]
    why = "'IS-A' is known as no part of input shaft or converter: taken as not recorded, in 2 rows"
    assert noted(found) == [("builds", 2, why)]


def test_a_part_known_of_two_components_is_told_apart_by_its_place_alone():
    known = Known()
    known.add("input shaft", ["X9"])
    known.add("clutch pack", ["X9", "CP-1"])
    assert _of_each("X9 / CP-1", ["input shaft", "clutch pack"], known) == ["X9", "CP-1"]
    assert _of_each("CP-1 / X9", ["input shaft", "clutch pack"], known) is None


def test_a_part_in_place_of_its_component_is_read_as_that_component(tmp_path):
    """A part of one component alone; a word that is none stays set aside."""
    rows = [back(component="TC-1", part=""), back(component="sump", part="", returned_on="2022-04-05")]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert found.returns[["component", "part"]].values.tolist() == [["converter", "TC-1"]]
    assert [c[3] for c in checks(found) if c[2] == "component"] == ["is a part of converter: read as that component"]
    assert [(row, column) for _, row, column, _ in aside(found)] == [(3, "component")]
