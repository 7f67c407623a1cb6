"""Marks that repeat the cell above are read as it, and told once a column."""

from __future__ import annotations

import pytest

from analytics.records.dittos import repeated
from tests.records.sheets import aside, back, build, checks, load, to_csv


@pytest.mark.parametrize(
    "mark", ['"', "''", '" "', "”", "〃", "ditto", "Do.", '-"-', "same", "Same as above", "as above"]
)
def test_a_mark_is_what_stands_above(tmp_path, mark):
    rows = [
        build(),
        build(serial="T-101", use=mark, power=mark, shaft=mark, weight=mark),
        build(serial="T-102", use=mark, shaft="IS-B", power="700"),
    ]
    found = load(tmp_path, builds=rows)
    assert found.builds["use"].tolist() == ["towing"] * 3
    assert found.builds["power_hp"].tolist() == [650, 650, 700]
    assert found.builds["weight_lb"].tolist() == [8200] * 3
    assert found.builds["input shaft"].tolist() == ["IS-A", "IS-A", "IS-B"]
    told = {(column, reason) for _, row, column, reason in checks(found) if row == 3}
    assert ("use", "marks of this column (2) repeat the cell above: read as it, here as 'towing'") in told
    assert ("power", "marks of this column (1) repeat the cell above: read as it, here as '650'") in told
    assert found.books.to_check["raw"].eq(mark).all()


def test_totals_are_not_repeated_and_nothing_above_is_blank(tmp_path):
    rows = [build(use='"'), build(serial="T-101", power="700"), {"serial": "Total", "power": "1350"}]
    found = load(tmp_path, builds=to_csv([*rows, build(serial="T-102", power="do")]))
    assert found.builds["power_hp"].tolist() == [650, 700, 700]
    assert found.builds["use"].tolist() == ["", "towing", "towing"]
    assert len(aside(found)) == 1


def test_same_put_in_again_is_no_mark_and_words_that_hold_one_stay():
    assert repeated("replaced_with", ["IS-A", "same", '"'])[0] == ["IS-A", "same", "same"]
    words = ["input", "dot", "do it", "same day", "-", "", "12"]
    assert repeated("use", words) == (words, [])
    assert repeated("serial", ["T-1", '"']) == (["T-1", '"'], [])


def test_a_return_of_the_same_day_for_the_same_reason(tmp_path):
    rows = [back(), back(serial="T-101", returned_on='"', failed_on='"', finding='"')]
    found = load(tmp_path, builds=[build(), build(serial="T-101")], returns=rows)
    assert found.returns["finding"].tolist() == ["broken"] * 2
    assert found.returns["failed_on"].nunique() == 1
