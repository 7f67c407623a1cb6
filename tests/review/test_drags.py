"""Which part went first, and which others it took with it."""

from __future__ import annotations

import pytest

from analytics.records.load import load_records
from analytics.review.teardown import _damaged_together, first_or_followed, which_drags_which
from analytics.words.answers import worded
from tests.small_shop import build, returned, write_shop


@pytest.fixture
def records(tmp_path):
    builds = [build(f"T-{k:03d}X", "2020-01-01") for k in range(20)]

    def both(k, shaft, converter):
        day = f"2022-{k + 1:02d}-05"
        serial = builds[k]["serial"]
        return [
            returned(serial, day, order=shaft, finding="twisted", cost=1000),
            returned(serial, day, "converter", order=converter, finding="worn", cost=500),
        ]

    back = both(0, "first", "followed") + both(1, "first", "followed") + both(2, "first", "unclear")
    back += both(3, "unclear", "unclear") + both(4, "", "")
    back += [
        returned(builds[k]["serial"], "2022-09-01", order="first", finding="twisted", cost=800) for k in (10, 11, 12)
    ]
    back += [returned(builds[13]["serial"], "2022-09-01", "converter", finding="worn")]
    back += [returned(builds[14]["serial"], "2022-09-01", cause="no fault", finding="")]
    return load_records(write_shop(tmp_path, builds=builds, returns=back))


def test_first_followed_and_candidates(records):
    told = first_or_followed(records)
    own = told.table.set_index("component")
    assert own.loc["input shaft", ["damaged", "first_for_sure", "followed", "one_of_several"]].tolist() == [8, 6, 0, 2]
    assert own.loc["converter", ["damaged", "first_for_sure", "followed", "one_of_several"]].tolist() == [6, 1, 2, 3]
    # two returns without a stated first one, shared out 6 to 1
    assert own.loc["input shaft", "expected_first"] == pytest.approx(6 + 2 * 6 / 7)
    assert own.loc["converter", "expected_first"] == pytest.approx(1 + 2 * 1 / 7)
    text = " ".join(worded(told).sentences)
    assert "14 components were found damaged in 9 returns; in 5 of these more than one was" in text
    assert "converter 2 of 6" in text
    assert "In 2 returns nobody could tell which was first" in text
    assert "1 more component stood beside a stated first one" in text


def test_which_drags_which_with_exact_limits(records):
    told = which_drags_which(records)
    row = told.table.iloc[0]
    assert (row["first"], row["finding"], row["damaged"]) == ("input shaft", "twisted", "converter")
    assert (row["first_failures"], row["dragged"], row["may_be_dragged"]) == (6, 2, 1)
    # Clopper and Pearson, 2 of 6, 95%: 0.0433 to 0.7772; 3 of 6: 0.1181 to 0.8819 (printed tables of exact limits)
    assert (row["lower"], row["upper"], row["upper_if_all"]) == pytest.approx((0.0433, 0.7772, 0.8819), abs=5e-5)
    assert (row["mean_cost"], row["mean_cost_alone"]) == (1500, 800)
    assert "took the converter with it in 2 of 6" in worded(told).sentences[0]
    assert "may have damaged the converter in 1 of 6" in worded(told).sentences[1]


def test_no_fault_is_no_damage_and_several_units_in_a_row_are_not_one(tmp_path, records):
    assert (_damaged_together(records)["cause"] != "no fault").all()
    row = build("LOT-7", "2020-01-01", count=5)
    back = [returned("LOT-7", "2022-03-05"), returned("LOT-7", "2022-03-05", "converter")]
    several = load_records(write_shop(tmp_path / "lot", builds=[row], returns=back))
    assert _damaged_together(several).empty
    assert which_drags_which(several).table.empty


def test_nothing_damaged(tmp_path):
    quiet = load_records(write_shop(tmp_path / "quiet", builds=[build("T-1")]))
    assert worded(first_or_followed(quiet)).sentences == ("Nothing has come back damaged yet.",)
    assert which_drags_which(quiet).table.empty
