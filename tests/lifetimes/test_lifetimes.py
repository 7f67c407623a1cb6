"""Lives worked out by hand: the numbers stand in the comments."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from analytics.lifetimes.schema import check_lifetimes
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.words.lifetimes import lifetimes_table
from analytics.words.saying import say, say_all
from tests.records.sheets import back, build, load

NAN, INF = np.nan, np.inf


def lives(tmp_path, toml: str = "", as_of: str = "2024-12-31", **sheets: object) -> Lifetimes:
    sheets.setdefault("builds", [build()])
    return make_lifetimes(load(tmp_path, toml, as_of, **sheets))


def shaft(found: Lifetimes, *columns: str) -> list[list[object]]:
    rows = lifetimes_table(found.table[found.table["component"] == "input shaft"])
    return rows[list(columns)].to_numpy().tolist()


def limits(found: Lifetimes, clock: str, component: str = "input shaft") -> np.ndarray:
    rows = found.table[found.table["component"] == component]
    return rows[[f"{side}_{clock}" for side in ("entry", "lower", "upper")]].to_numpy()


def equal(found: np.ndarray, expected: list[list[float]]) -> None:
    np.testing.assert_allclose(found, np.array(expected, float), atol=1e-9)


def reading(day: str, odometer: str = "", **cells: str) -> dict[str, str]:
    row = {
        "serial": "T-100",
        "read_on": day,
        "odometer": odometer,
        "odometer_replaced": "",
        "runs": "",
        "still_running": "",
    }
    return row | cells


def change(day: str, **cells: str) -> dict[str, str]:
    return {"serial": "T-100", "changed_on": day, "power": "", "weight": "", "use": "", "odometer": ""} | cells


def fitted(day: str, part: str = "IS-C", **cells: str) -> dict[str, str]:
    row = {"serial": "T-100", "component": "input shaft", "part": part, "lot": "", "fitted_on": day, "odometer": ""}
    return row | cells


# In service 20 Jan 2021 at 10,000 miles; looked at on 31 Dec 2024, 1,441 days later.
AGE = (pd.Timestamp("2024-12-31") - pd.Timestamp("2021-01-20")).days


def test_the_age_by_hand():
    assert AGE == 345 + 365 + 365 + 366  # 20 Jan to 31 Dec 2021, 2022, 2023, 2024


# ---- running, failed, replaced -------------------------------------------------------------------------------------


def test_running_with_a_reading_is_known_to_have_survived_to_it(tmp_path):
    found = lives(tmp_path, readings=[reading("2022-01-20", "25000")])
    equal(limits(found, "miles"), [[0, 15_000, INF]])
    equal(limits(found, "days"), [[0, AGE, INF]])
    assert shaft(found, "part", "ended", "cause", "miles_from", "miles_days") == [
        ["IS-A", "running", "", "reading", 365]
    ]
    assert found.units[["days", "miles", "miles_days"]].to_numpy().tolist() == [[AGE, 15_000, 365]]


def test_running_without_a_reading_has_days_only(tmp_path):
    found = lives(tmp_path)
    equal(limits(found, "miles"), [[0, NAN, NAN]])
    equal(limits(found, "days"), [[0, AGE, INF]])
    assert shaft(found, "miles_from") == [["none"]]


def test_a_failure_and_the_life_of_the_part_put_in(tmp_path):
    # failed 1 Mar 2022 (405 days) at 40,000 - 10,000 = 30,000 miles; back on the road 5 Mar; read at 45,000 on 5 Mar 2023:
    # the new part has 45,000 - 40,000 = 5,000 miles, and 1,032 days to 31 Dec 2024. The converter goes on: 35,000 miles.
    found = lives(tmp_path, returns=[back()], readings=[reading("2023-03-05", "45000")])
    equal(limits(found, "miles"), [[0, 30_000, 30_000], [0, 5_000, INF]])
    equal(limits(found, "days"), [[0, 405, 405], [0, 1032, INF]])
    assert shaft(found, "part", "spell", "ended", "cause", "finding") == [
        ["IS-A", 1, "failed", "part", "broken"],
        ["IS-B", 2, "running", "", ""],
    ]
    equal(limits(found, "miles", "converter"), [[0, 35_000, INF]])
    assert found.units["returned"].tolist() == [1]


def test_second_and_third_return_of_one_unit(tmp_path):
    second = back(part="IS-B", failed_on="2023-03-05", returned_on="2023-03-05", odometer="52,000")
    third = {"failed_on": "2024-01-20", "returned_on": "2024-01-20", "odometer": "60000", "replaced_with": "TC-1"}
    rows = [back(), second, back(component="converter", part="TC-1", **third)]
    found = lives(tmp_path, returns=rows)
    equal(limits(found, "miles"), [[0, 30_000, 30_000], [0, 12_000, 12_000], [0, 8_000, INF]])
    equal(limits(found, "days"), [[0, 405, 405], [0, 365, 365], [0, 667, INF]])
    equal(limits(found, "miles", "converter"), [[0, 50_000, 50_000], [0, NAN, NAN]])
    assert found.units["returned"].tolist() == [3]


def test_a_failure_between_two_readings_lies_on_the_line_between(tmp_path):
    # 100 days after service at 20,000; 300 days after at 40,000; failed at 200 days: 30,000 less 10,000 at install
    rows = [reading("2021-04-30", "20000"), reading("2021-11-16", "40000")]
    found = lives(
        tmp_path, returns=[back(failed_on="2021-08-08", returned_on="2021-08-08", odometer="")], readings=rows
    )
    equal(limits(found, "miles")[:1], [[0, 20_000, 20_000]])
    assert shaft(found, "miles_from", "lower_days")[0] == ["interpolated", 200]


def test_a_failure_with_an_unknown_odometer_keeps_its_days(tmp_path):
    found = lives(tmp_path, returns=[back(odometer="?")], readings=[reading("2021-11-16", "40000")])
    equal(limits(found, "miles")[:1], [[0, NAN, NAN]])
    equal(limits(found, "days")[:1], [[0, 405, 405]])


def test_no_day_of_failure(tmp_path):
    found = lives(tmp_path, returns=[back(failed_on="")])
    equal(limits(found, "days")[:1], [[0, 409, 409]])
    assert shaft(found, "flags")[0] == ["day of failure not recorded: taken as the day of return"]


def test_the_part_put_in_is_followed_even_where_nobody_wrote_it_down(tmp_path):
    # or replaced parts would be seen only when they fail
    found = lives(tmp_path, returns=[back(replaced_with="")])
    assert shaft(found, "part", "ended") == [["IS-A", "failed"], ["not recorded", "running"]]
    assert say_all(found.notes) == ("1 part life has no part recorded: counted in the fleet, but for no part.",)


@pytest.mark.parametrize("word", ["scrapped", "not replaced"])
def test_nothing_runs_where_nothing_was_put_in(tmp_path, word):
    found = lives(tmp_path, returns=[back(replaced_with=word)])
    assert shaft(found, "ended") == [["failed"]]
    # a scrapped truck ends with it, one without its shaft for the time being does not
    converter = found.table[found.table["component"] == "converter"]
    assert converter["lower_days"].tolist() == [409 if word == "scrapped" else AGE]
    assert found.units["end"].tolist() == ["scrapped" if word == "scrapped" else "in use"]


def test_a_part_that_is_not_fitted_has_no_life(tmp_path):
    found = lives(tmp_path, builds=[build(conv="none"), build(serial="T-101", conv="?")])
    rows = found.table[found.table["component"] == "converter"]
    assert rows[["serial", "part"]].to_numpy().tolist() == [["T-101", "not recorded"]]


def test_part_names_that_disagree_are_flagged_not_changed(tmp_path):
    found = lives(tmp_path, returns=[back(part="IS-Z")])
    assert shaft(found, "part", "flags")[0] == ["IS-A", "the return names IS-Z, the records before it IS-A"]
    found = lives(tmp_path / "b", builds=[build(shaft="?")], returns=[back(part="IS-Z")])
    assert shaft(found, "part", "flags")[0] == ["IS-Z", "part known from the return only"]


# ---- causes and orders ---------------------------------------------------------------------------------------------


def test_no_fault_found_is_no_failure(tmp_path):
    found = lives(tmp_path, returns=[back(cause="no fault", replaced_with="")])
    assert shaft(found, "ended", "lower_days") == [["running", AGE]]
    assert found.units["returned"].tolist() == [0]
    # a good part taken out all the same: removed, and a new one goes in
    found = lives(tmp_path / "b", returns=[back(cause="no fault")])
    assert shaft(found, "part", "ended", "cause") == [["IS-A", "removed", ""], ["IS-B", "running", ""]]
    equal(limits(found, "miles"), [[0, 30_000, INF], [0, NAN, NAN]])


@pytest.mark.parametrize("cause", ["install", "over limit", "unclear", ""])
def test_install_errors_and_over_limit_use_keep_their_cause(tmp_path, cause):
    found = lives(tmp_path, returns=[back(cause=cause)])
    assert shaft(found, "ended", "cause")[0] == ["failed", cause or "unclear"]


def test_first_followed_unclear(tmp_path):
    rows = [back(order="first"), back(component="converter", part="TC-1", order="followed", replaced_with="TC-1")]
    found = lives(tmp_path, returns=rows)
    table = found.table[found.table["spell"] == 1]
    assert table[["component", "ended", "order", "cause"]].to_numpy().tolist() == [
        ["converter", "removed", "followed", ""],  # another part broke it: known to have lasted till then
        ["input shaft", "failed", "first", "part"],
    ]
    found = lives(tmp_path / "b", returns=[back(order=""), back(component="converter", part="TC-1", order="")])
    assert (
        found.table.loc[found.table["spell"] == 1, ["ended", "order"]].to_numpy().tolist()
        == [["failed", "unclear"]] * 2
    )


def test_two_failures_of_one_component_on_one_day_had_run_alike(tmp_path):
    # not a second part that lasted no time at all
    found = lives(tmp_path, returns=[back(), back(finding="twisted")])
    equal(limits(found, "days"), [[0, 405, 405], [0, 405, 405], [0, 1032, INF]])
    assert shaft(found, "finding", "spell")[:2] == [["broken", 1], ["twisted", 2]]


# ---- teardown ------------------------------------------------------------------------------------------------------


def test_damage_found_at_a_teardown_is_left_censored(tmp_path):
    # the truck drove: a reading is no proof that the crack was not there
    found = lives(tmp_path, returns=[back(failed_on="teardown")], readings=[reading("2021-11-16", "30000")])
    equal(limits(found, "days")[:1], [[0, 0, 409]])
    equal(limits(found, "miles")[:1], [[0, 0, 30_000]])
    assert shaft(found, "flags")[0] == ["found at teardown"]


def opened():
    """On 16 Nov 2021 (300 days, 20,000 miles) for the converter: the shaft was good then."""
    return back(
        component="converter",
        part="TC-1",
        failed_on="",
        returned_on="2021-11-16",
        odometer="30000",
        replaced_with="TC-1",
    )


def test_damage_found_at_a_teardown_is_interval_censored_after_an_earlier_one(tmp_path):
    found = lives(tmp_path, returns=[opened(), back(failed_on="teardown")])
    equal(limits(found, "days")[:1], [[0, 300, 409]])
    equal(limits(found, "miles")[:1], [[0, 20_000, 30_000]])


def test_a_change_before_a_teardown_is_no_proof_that_the_part_was_whole(tmp_path):
    found = lives(tmp_path, returns=[back(failed_on="teardown")], changes=[change("2021-11-16", power="800")])
    equal(limits(found, "days")[:1], [[0, 0, 409]])
    assert shaft(found, "power_hp", "segment")[:2] == [[800, 1], [800, 1]]
    assert "changed before the teardown: the load at the end is taken" in shaft(found, "flags")[0][0]


@pytest.mark.parametrize(
    "changed", ["2021-06-01", "2021-11-16"], ids=["before it was seen whole", "the day it was seen whole"]
)
def test_a_change_up_to_the_day_a_part_was_seen_whole_cuts_its_life(tmp_path, changed):
    # what it ran at before it was opened is known
    found = lives(tmp_path, returns=[opened(), back(failed_on="teardown")], changes=[change(changed, power="800")])
    at = (pd.Timestamp(changed) - pd.Timestamp("2021-01-20")).days
    equal(limits(found, "days")[:2], [[0, at, INF], [at, 300, 409]])
    assert shaft(found, "power_hp", "ended", "flags")[:2] == [
        [650, "changed", ""],
        [800, "failed", "found at teardown"],
    ]


# ---- changes: delayed entry ----------------------------------------------------------------------------------------


def test_a_change_of_tune_cuts_the_life(tmp_path):
    # 100 days after service: 650 to 800 hp; on the line to 40,000 at day 405 the odometer stood at 10,000 + 30,000 x 100 / 405
    found = lives(tmp_path, returns=[back()], changes=[change("2021-04-30", power="800")])
    at = 30_000 * 100 / 405
    equal(limits(found, "days")[:2], [[0, 100, INF], [100, 405, 405]])
    equal(limits(found, "miles")[:2], [[0, at, INF], [at, 30_000, 30_000]])
    assert shaft(found, "power_hp", "segment", "ended", "cause", "finding", "miles_from")[:2] == [
        [650, 1, "changed", "", "", "interpolated"],
        [800, 2, "failed", "part", "broken", "interpolated"],
    ]
    assert shaft(found, "power_band", "power_hp")[2] == ["600 to 1,000", 800]  # the new part starts under the new tune


def test_a_tune_on_the_day_of_the_failure_is_the_load_of_the_next_part(tmp_path):
    found = lives(tmp_path, returns=[back()], changes=[change("2022-03-01", power="800")])
    assert shaft(found, "power_hp", "segment", "ended", "cause", "finding") == [
        [650, 1, "failed", "part", "broken"],
        [800, 1, "running", "", ""],
    ]


def test_a_tune_on_the_day_a_part_is_put_in_leaves_it_in_one_piece(tmp_path):
    found = lives(tmp_path, returns=[back()], changes=[change("2022-03-05", power="800")])
    assert shaft(found, "power_hp", "segment", "ended") == [[650, 1, "failed"], [800, 1, "running"]]


def test_a_change_with_its_odometer(tmp_path):
    found = lives(tmp_path, returns=[back()], changes=[change("2021-04-30", weight="9500", odometer="12000")])
    equal(limits(found, "miles")[:2], [[0, 2_000, INF], [2_000, 30_000, 30_000]])
    assert shaft(found, "weight_lb", "weight_class")[:2] == [[8200, "7,500 to 9,000"], [9500, "over 9,000"]]


def test_after_a_change_without_a_later_figure_the_miles_are_not_known(tmp_path):
    rows = [reading("2021-03-31", "13000")]
    found = lives(tmp_path, readings=rows, changes=[change("2021-04-30", use="drag")])
    # known to have lasted 3,000 miles before the change; after it nothing is known but the days
    equal(limits(found, "miles"), [[0, 3_000, INF], [NAN, NAN, NAN]])
    equal(limits(found, "days"), [[0, 100, INF], [100, AGE, INF]])
    assert shaft(found, "use") == [["towing"], ["drag"]]


def test_several_changes_of_one_day_are_one(tmp_path):
    rows = [change("2021-04-30", power="800"), change("2021-04-30", weight="9500"), change("2021-01-20", use="street")]
    found = lives(tmp_path, changes=rows)
    assert shaft(found, "power_hp", "weight_lb", "use", "segment") == [
        [650, 8200, "street", 1],
        [800, 9500, "street", 2],
    ]


@pytest.mark.parametrize("power", ["550", "800"])
def test_a_change_on_the_first_day_holds_though_it_lowers_the_power(tmp_path, power):
    # the build says 650; tuned as it went into service on 20 Jan
    found = lives(tmp_path, changes=[change("2021-01-20", power=power, weight="7000", use="drag")])
    assert shaft(found, "power_hp", "weight_lb", "use", "ended") == [[float(power), 7000, "drag", "running"]]


def test_flags_stay_with_the_figure_they_speak_of(tmp_path):
    builds = [build(power="533 whp", weight="9900 GVWR")]
    found = lives(tmp_path, builds=builds, changes=[change("2021-04-30", power="800")])
    assert shaft(found, "flags") == [
        ["wheel power converted to crank; rating-plate weight, the most the truck may weigh"],
        ["rating-plate weight, the most the truck may weigh"],
    ]


def test_a_change_entered_twice_is_known_all_the_same(tmp_path):
    """The second entry is set aside, with nothing to do; it took the new power away as if nobody could read it."""
    found = lives(tmp_path, changes=[change("2021-04-30", power="800"), change("2021-04-30", power="800 hp")])
    assert shaft(found, "power_hp", "flags") == [[650, ""], [800, ""]]


@pytest.mark.parametrize("row", [change("2021-04-30", power="lots", use="drag"), change("2021-04-30", power="lots")])
def test_a_change_to_nobody_knows_what_is_not_the_old_power(tmp_path, row):
    found = lives(tmp_path, changes=[row, change("2022-04-30", power="900")])
    assert shaft(found, "power_hp", "flags") == [
        [650, ""],
        [pytest.approx(NAN, nan_ok=True), "power, weight or use changed, to what is not known"],
        [900, ""],
    ]


def test_a_change_on_nobody_knows_what_day(tmp_path):
    # 6 May or 5 Jun 2022: from the earlier day on the power is not known
    found = lives(tmp_path, changes=[change("05/06/2022", power="900")])
    assert shaft(found, "started_on", "power_hp") == [
        [pd.Timestamp("2021-01-20"), 650],
        [pd.Timestamp("2022-05-06"), pytest.approx(NAN, nan_ok=True)],
    ]


def test_torque_needs_the_engine_speed_of_the_same_tune(tmp_path):
    # 650 hp at 3,000 rpm: 650 x 33,000 / (2 pi 3,000) = 1,137.96 lb-ft
    found = lives(
        tmp_path,
        builds=[build(rpm="3000")],
        changes=[change("2021-04-30", power="800"), change("2021-02-01", weight="9000")],
    )
    torque = [t for (t,) in shaft(found, "torque_lbft")]
    assert torque == pytest.approx([1137.96, 1137.96, NAN], abs=0.01, nan_ok=True)


def test_records_that_start_after_the_first_builds(tmp_path):
    # records from 1 Jan 2022: 346 days after service. The old failure is left out: the same unit's new part is not.
    toml = "[shop]\nrecords_start = 2022-01-01\n"
    old = back(
        component="converter",
        part="TC-1",
        failed_on="2021-05-01",
        returned_on="2021-05-01",
        replaced_with="TC-1",
        odometer="",
    )
    found = lives(tmp_path, toml, returns=[old, back()])
    equal(limits(found, "days"), [[346, 405, 405], [0, 1032, INF]])
    equal(limits(found, "miles")[:1], [[30_000 * 346 / 405, 30_000, 30_000]])
    rows = found.table[found.table["component"] == "converter"]
    assert rows[["spell", "entry_days", "ended"]].to_numpy().tolist() == [[2, 245, "running"]]
    assert say_all(found.notes) == (
        "1 part lives ended before the records start (2022-01-01) and are left out: only failures would be known of them.",
    )


# ---- units sold, lost, down ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["sold", "lost", "scrapped"])
def test_units_sold_or_lost_end_at_the_last_contact(tmp_path, word):
    found = lives(
        tmp_path,
        readings=[reading("2022-01-20", "25000", still_running=word), reading("2022-02-20", still_running=word)],
    )
    equal(limits(found, "days"), [[0, 365, INF]])
    equal(limits(found, "miles"), [[0, 15_000, INF]])
    assert found.units[["end", "days"]].to_numpy().tolist() == [[word, 365]]
    assert word in shaft(found, "flags")[0][0]


def test_a_unit_heard_of_again_was_out_of_sight_between(tmp_path):
    # sold at 365 days, its new owner phones at 731 days: the year between is not watched
    found = lives(
        tmp_path, readings=[reading("2022-01-20", still_running="sold"), reading("2023-01-21", still_running="yes")]
    )
    equal(limits(found, "days"), [[0, 365, INF], [731, AGE, INF]])
    assert shaft(found, "ended") == [["changed"], ["running"]]
    assert found.units["end"].tolist() == ["in use"]


def test_a_failure_that_brings_a_sold_unit_back_is_not_counted(tmp_path):
    # of sold units only those that fail come back; the part put in is followed from then on
    found = lives(tmp_path, returns=[back()], readings=[reading("2022-01-20", still_running="sold")])
    equal(limits(found, "days"), [[0, 365, INF], [0, 1032, INF]])
    assert shaft(found, "part", "ended") == [["IS-A", "running"], ["IS-B", "running"]]
    equal(limits(found, "days", "converter"), [[0, 365, INF], [409, AGE, INF]])
    assert say(found.notes[0]).startswith(
        "1 failure came from units that had been reported sold, lost or scrapped. They are not counted"
    )


def test_a_part_fitted_after_the_sale_is_news_of_the_unit(tmp_path):
    # sold 20 Jan 2022, a new shaft put in on 1 June 2023 (497 days later): all its parts are in sight again from then on
    found = lives(tmp_path, readings=[reading("2022-01-20", still_running="sold")], fitted=[fitted("2023-06-01")])
    assert shaft(found, "part", "entry_days", "lower_days", "ended") == [
        ["IS-A", 0, 365, "running"],
        ["IS-C", 0, 579, "running"],
    ]
    equal(limits(found, "days", "converter"), [[0, 365, INF], [862, AGE, INF]])
    assert found.units["end"].tolist() == ["in use"]


def test_reported_down_and_then_returned_is_a_failure(tmp_path):
    found = lives(tmp_path, returns=[back()], readings=[reading("2022-03-02", still_running="no")])
    equal(limits(found, "days"), [[0, 405, 405], [0, 1032, INF]])


def test_reported_down_with_no_return(tmp_path):
    found = lives(tmp_path, readings=[reading("2022-01-20", still_running="no")])
    equal(limits(found, "days"), [[0, 365, INF]])
    assert shaft(found, "flags") == [["reported not running, no return: a failure may hide here"]]
    found = lives(
        tmp_path / "b", readings=[reading("2022-01-20", still_running="no"), reading("2022-02-20", still_running="yes")]
    )
    equal(limits(found, "days"), [[0, AGE, INF]])


# ---- set-aside returns ---------------------------------------------------------------------------------------------


def test_a_set_aside_return_ends_what_is_known_of_its_part(tmp_path):
    # a month without a day: set aside. Its part did come back on 5 Mar 2022; it is not running since.
    found = lives(tmp_path, returns=[back(failed_on="Mar-22")])
    equal(limits(found, "days"), [[0, 409, INF]])
    assert shaft(found, "ended", "flags") == [["running", "followed to a return that is set aside (row 2)"]]
    equal(limits(found, "days", "converter"), [[0, AGE, INF]])
    assert say_all(found.notes) == (
        "1 set-aside return may be of a failure that is not counted: the parts they speak of are followed up to them only. "
        "Survival looks better than it is until they are mended.",
    )


def test_a_set_aside_return_of_no_known_component_ends_them_all(tmp_path):
    found = lives(tmp_path, returns=[back(component="")])
    assert found.table["lower_days"].tolist() == [405, 405]


def test_after_a_set_aside_return_the_next_one_has_no_age(tmp_path):
    later = back(failed_on="2023-03-05", returned_on="2023-03-05", odometer="")
    found = lives(tmp_path, returns=[back(failed_on="Mar-22"), later])
    equal(limits(found, "days"), [[0, 409, INF], [0, 667, INF]])
    assert (
        say(found.notes[-1])
        == "1 returns came after a set-aside one of the same component: the age of the part is not known."
    )


# ---- parts fitted, units shipped again -----------------------------------------------------------------------------


def test_a_part_changed_while_good_and_its_lot(tmp_path):
    rows = [fitted("", "IS-A", lot="a1"), fitted("2022-01-20", lot="c7", odometer="25000")]
    found = lives(tmp_path, fitted=rows, readings=[reading("2022-07-20", "31000")])
    equal(limits(found, "miles"), [[0, 15_000, INF], [0, 6_000, INF]])
    assert shaft(found, "part", "lot", "ended", "miles_from") == [
        ["IS-A", "A1", "removed", "return"],
        ["IS-C", "C7", "running", "reading"],
    ]


def test_a_part_fitted_soon_after_a_return_is_the_one_put_in(tmp_path):
    found = lives(tmp_path, returns=[back(replaced_with="")], fitted=[fitted("2022-03-20", lot="7")])
    assert shaft(found, "part", "lot", "ended", "started_on")[1] == ["IS-C", "7", "running", pd.Timestamp("2022-03-20")]
    found = lives(tmp_path / "b", returns=[back()], fitted=[fitted("2022-03-20")])
    assert shaft(found, "part", "flags")[1] == ["IS-C", "the return says IS-B was put in, fitted says IS-C"]


def test_a_unit_shipped_again_goes_on(tmp_path):
    builds = [build(), build(built_on="2022-03-20", in_service_on="2022-03-25", power="900", shaft="IS-B")]
    found = lives(tmp_path, builds=builds, returns=[back()])
    assert shaft(found, "part", "spell", "power_hp", "ended", "lower_days") == [
        ["IS-A", 1, 650, "failed", 405],
        ["IS-B", 2, 650, "changed", 15],
        ["IS-B", 2, 900, "running", 1032],
    ]
    equal(limits(found, "days", "converter"), [[0, 424, INF], [424, AGE, INF]])


# ---- rows that stand for several units -----------------------------------------------------------------------------


def test_several_units_in_one_row(tmp_path):
    rows = [back(odometer="70000"), back(odometer="20000", failed_on="2022-06-01", returned_on="2022-06-02")]
    found = lives(tmp_path, builds=[build(count="40")], returns=rows, readings=[reading("2022-01-20", "25000")])
    rows = found.table[found.table["component"] == "input shaft"].sort_values(["ended", "lower_days"])
    assert rows[["count", "spell", "ended", "lower_days"]].to_numpy().tolist() == [
        [1, 1, "failed", 405],
        [1, 1, "failed", 497],
        [1, 2, "running", 943],
        [1, 2, "running", 1032],
        [38, 1, "running", AGE],
    ]
    # each failed at its own miles; the row's reading speaks of those that run on; those of the parts put in are not known
    equal(rows["lower_miles"].to_numpy(), [60_000, 10_000, NAN, NAN, 15_000])


def test_one_of_several_scrapped_leaves_the_others(tmp_path):
    found = lives(tmp_path, builds=[build(count="3")], returns=[back(replaced_with="scrapped")])
    assert sorted(shaft(found, "count", "ended", "lower_days")) == [[1, "failed", 405], [2, "running", AGE]]
    assert found.units[["serial", "end", "count"]].to_numpy().tolist() == [
        ["T-100", "in use", 2],
        ["T-100 (1 of 3)", "scrapped", 1],
    ]
    # the converter of the one scrapped ends with it
    converter = found.table[found.table["component"] == "converter"]
    assert sorted(converter[["count", "lower_days"]].to_numpy().tolist()) == [[1, 409], [2, AGE]]


def test_more_returns_than_units_come_from_the_parts_put_in(tmp_path):
    rows = [
        back(),
        back(failed_on="2022-06-01", returned_on="2022-06-02"),
        back(failed_on="2023-03-05", returned_on="2023-03-05", part="IS-B"),
    ]
    found = lives(tmp_path, builds=[build(count="2")], returns=rows)
    assert sorted(shaft(found, "spell", "part", "ended", "lower_days")) == [
        [1, "IS-A", "failed", 405],
        [1, "IS-A", "failed", 497],
        [2, "IS-B", "failed", 365],
        [2, "IS-B", "running", 943],
        [3, "IS-B", "running", 667],
    ]


# ---- runs, odometers -----------------------------------------------------------------------------------------------


def test_the_clock_of_runs(tmp_path):
    rows = [reading("2021-06-01", runs="40"), reading("2022-12-01", runs="95")]
    found = lives(tmp_path, returns=[back(runs="70", odometer="")], readings=rows)
    equal(limits(found, "runs"), [[0, 70, 70], [0, 25, INF]])


def test_an_odometer_replaced_without_its_last_figure_makes_miles_short(tmp_path):
    rows = [reading("2021-06-01", "15000"), reading("2021-09-01", "100", odometer_replaced="yes")]
    found = lives(tmp_path, readings=rows)
    equal(limits(found, "miles"), [[0, 5_100, INF]])
    assert shaft(found, "flags") == [["miles driven around an odometer change are missing"]]


# ---- the whole table -----------------------------------------------------------------------------------------------


def test_units_not_yet_in_service_are_left_out_and_said(tmp_path):
    found = lives(tmp_path, builds=[build(), build(serial="T-101", in_service_on="2025-03-01")])
    assert found.table["serial"].unique().tolist() == ["T-100"]
    assert say_all(found.notes) == ("1 unit was not yet in service.",)
    assert found.units["serial"].tolist() == ["T-100"]


def test_bands_and_classes_and_their_edges(tmp_path):
    builds = [
        build(serial=f"T-{i}", power=p, weight=w)
        for i, (p, w) in enumerate([("399", "7500"), ("400", "7502"), ("1000", "9002"), ("", "")], 100)
    ]
    found = lives(tmp_path, builds=builds)
    assert shaft(found, "power_band", "weight_class") == [
        ["under 400", "up to 7,500"],
        ["400 to 600", "7,500 to 9,000"],
        ["1,000 and over", "over 9,000"],
        ["not recorded", "not recorded"],
    ]


def test_no_units_at_all(tmp_path):
    found = lives(tmp_path, builds=[build()], as_of="2020-01-01")
    assert len(found.table) == len(found.units) == 0
    assert repr(found).endswith("rows 0, failures 0)")


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("entry_days", 500.0, "entry_days below 0 or above lower_days"),
        ("lower_miles", 40_000.0, "lower_miles above upper_miles"),
        ("cause", "", "a failure without a cause"),
        ("ended", "broken", "report it: ended:"),
        ("power_hp", -5.0, "report it: power_hp:"),
        ("upper_days", np.nan, "report it: upper_days:"),
        ("spell", 0, "report it: spell:"),
        ("entry_miles", -5.0, "entry_miles below 0"),
    ],
)
def test_the_last_gate(tmp_path, column, value, said):
    table = lives(tmp_path, returns=[back()]).table.copy()
    check_lifetimes(table)
    table.loc[(table["component"] == "input shaft") & (table["spell"] == 1), column] = value
    with pytest.raises(AnalyticsError, match="breaks its own rules") as err:
        check_lifetimes(table)
    assert said in str(err.value)
