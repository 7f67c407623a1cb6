"""Each kind of mess in a shop's records, what becomes of it, and what the shop is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.words.advice import assumed_miles
from tests.records.sheets import aside, back, build, checks, load

CONFIRM = "the only unit one slip away that fits in time and part"


# ---- dates ---------------------------------------------------------------------------------------------------------


def test_an_ambiguous_date_settled_by_the_row(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(failed_on="03/04/2022", returned_on="2022-03-20")])
    assert found.returns["failed_on"][0] == pd.Timestamp("2022-03-04")  # 3 April is after it came back
    assert checks(found) == [("returns", 2, "failed_on", "read as 4 Mar 2022 by the order of events")]


def test_an_ambiguous_date_settled_by_the_build(tmp_path):
    found = load(
        tmp_path,
        builds=[build(in_service_on="2022-03-10")],
        returns=[back(failed_on="", returned_on="03/04/2022")],
        readings=[{"serial": "T-100", "read_on": "04/03/2022", "odometer": "11000"}],
    )
    assert found.returns["returned_on"][0] == pd.Timestamp("2022-04-03")
    assert found.readings["read_on"][0] == pd.Timestamp("2022-04-03")


def test_an_ambiguous_build_settled_by_what_came_after(tmp_path):
    found = load(
        tmp_path, builds=[build(built_on="05/11/2021", in_service_on="")], returns=[back(failed_on="2021-06-01")]
    )
    assert found.builds["built_on"][0] == pd.Timestamp("2021-05-11")
    assert checks(found)[0] == ("builds", 2, "built_on", "read as 11 May 2021 by the order of events")


def test_an_ambiguous_date_that_nothing_settles_is_set_aside(tmp_path):
    found = load(
        tmp_path, builds=[build()], returns=[back(failed_on="03/04/2022")], changes=[change(changed_on="05/06/2022")]
    )
    reason = "could be 6 May 2022 or 5 Jun 2022; the order of events does not tell"
    assert aside(found) == [("changes", 2, "changed_on", reason)]
    assert found.returns["failed_on"][0] == pd.Timestamp("2022-03-04")  # it came back on 5 March


def change(**cells: str) -> dict[str, str]:
    return (
        {"serial": "T-100", "changed_on": "2022-06-01", "power": "", "weight": "", "use": ""} | {"power": "800"} | cells
    )


def test_rows_of_a_build_with_an_unsettled_date_go_with_it(tmp_path):
    found = load(tmp_path, builds=[build(built_on="05/11/2021", in_service_on="")], returns=[back()])
    assert aside(found) == [
        ("builds", 2, "built_on", "could be 11 May 2021 or 5 Nov 2021; the order of events does not tell"),
        ("returns", 2, "serial", "its build (row 2 of builds) is set aside"),
    ]
    assert found.books.set_aside["remedy"][0] == (
        'write the date as 2024-03-31, or state in shop.toml: [dates] order = "month first" (or "day first")'
    )


def test_the_order_stated_in_shop_toml_settles_all(tmp_path):
    found = load(
        tmp_path, '[dates]\norder = "day first"\n', builds=[build()], changes=[change(changed_on="05/06/2022")]
    )
    assert found.changes["changed_on"][0] == pd.Timestamp("2022-06-05")
    assert not checks(found)


@pytest.mark.parametrize(
    ("cells", "column", "reason"),
    [
        ({"failed_on": "2020-06-01"}, "failed_on", "failed 1 Jun 2020, before the unit was in service (20 Jan 2021)"),
        ({"returned_on": "2022-02-01"}, "returned_on", "returned 1 Feb 2022, before it failed (1 Mar 2022)"),
        ({"failed_on": "2022-02-30"}, "failed_on", "there is no such day"),
        ({"failed_on": "", "returned_on": ""}, "returned_on", "no date"),
        ({"failed_on": "Jan-22"}, "failed_on", "a month without a day"),
    ],
)
def test_dates_that_cannot_be(tmp_path, cells, column, reason):
    found = load(tmp_path, builds=[build()], returns=[back(**cells)])
    assert aside(found) == [("returns", 2, column, reason)]


def test_in_service_before_it_was_built(tmp_path):
    found = load(tmp_path, builds=[build(in_service_on="2020-01-20")])
    assert aside(found) == [("builds", 2, "in_service_on", "in service 20 Jan 2020, before it was built (10 Jan 2021)")]


def test_a_lone_date_far_ahead_does_not_move_the_day_looked_from(tmp_path):
    builds = [build(serial=f"T-{n}") for n in range(100, 130)]
    found = load(tmp_path, as_of=None, builds=builds, returns=[back(returned_on="2052-03-05")])
    assert found.as_of == pd.Timestamp("2021-01-10")
    assert aside(found) == [
        ("returns", 2, "returned_on", "long after every other date (the one before is 10 Jan 2021)")
    ]


# ---- serials -------------------------------------------------------------------------------------------------------


def test_serials_are_alike_however_written(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(serial="t 100")])
    assert len(found.returns) == 1
    assert not checks(found)


@pytest.mark.parametrize("typed", ["00107", "107", " 107 ", "107.0", "Job 0107"])
@pytest.mark.parametrize("built", ["00107", "107", "107.0"])
def test_figures_a_spreadsheet_rewrote_are_one_serial(tmp_path, typed, built):
    others = [build(serial=s) for s in ("1070", "10700", "10", "7")]
    found = load(tmp_path, builds=[*others, build(serial=built)], returns=[back(serial=typed)])
    assert list(found.returns["unit"]) == [4]
    assert not checks(found)


@pytest.mark.parametrize("typed", ["T-1O0", "T-010", "T-10", "T-1000", "X-100"])
def test_a_slip_with_one_candidate_is_linked_and_listed(tmp_path, typed):
    found = load(tmp_path, builds=[build(), build(serial="T-555")], returns=[back(serial=typed)])
    assert list(found.returns["unit"]) == [0]
    assert checks(found) == [("returns", 2, "serial", f"no such serial; linked to T-100, {CONFIRM}")]
    assert found.books.to_check["remedy"][0] == "confirm the unit and correct the serial"


def test_a_slip_with_two_candidates_is_set_aside(tmp_path):
    found = load(tmp_path, builds=[build(), build(serial="T-101")], returns=[back(serial="T-10X")])
    reason = "no build with this serial; 2 units are one slip away (T-100, T-101)"
    assert aside(found) == [("returns", 2, "serial", reason)]


def test_time_and_part_decide_between_candidates(tmp_path):
    late = build(serial="T-101", built_on="2023-01-01", in_service_on="")
    found = load(tmp_path / "a", builds=[build(), late], returns=[back(serial="T-10X")])
    assert list(found.returns["unit"]) == [0]
    found = load(tmp_path / "b", builds=[build(), build(serial="T-101", shaft="IS-C")], returns=[back(serial="T-10X")])
    assert list(found.returns["unit"]) == [0]


def test_a_part_fitted_later_fits_as_well(tmp_path):
    # T-101 left with IS-C, but came back and got IS-A: both units can be meant
    other = back(serial="T-101", part="IS-C", failed_on="2021-06-01", returned_on="2021-06-02", replaced_with="IS-A")
    found = load(tmp_path, builds=[build(), build(serial="T-101", shaft="IS-C")], returns=[other, back(serial="T-10X")])
    assert "2 units are one slip away" in found.books.set_aside["reason"][0]


def test_two_slips_are_too_many_and_short_serials_are_not_guessed(tmp_path):
    found = load(tmp_path, builds=[build(), build(serial="7")], returns=[back(serial="T-1XX"), back(serial="8")])
    assert [a[3] for a in aside(found)] == ["no build with this serial"] * 2


def test_a_return_with_no_build(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(serial="Z-999"), back(serial="?")])
    assert aside(found) == [
        ("returns", 2, "serial", "no build with this serial"),
        ("returns", 3, "serial", "no serial: the row belongs to no unit"),
    ]
    assert found.books.set_aside["remedy"][0] == "add the build, or correct the serial"


# ---- entered twice -------------------------------------------------------------------------------------------------


def test_the_same_return_entered_twice(tmp_path):
    # written otherwise the second time: the values count, not the letters
    again = back(odometer="40,000 mi", failed_on="1 Mar 2022", part="is-a", cause="")
    found = load(tmp_path, builds=[build()], returns=[back(), again])
    assert aside(found) == [("returns", 3, "serial", "the same return is entered in row 2")]
    assert len(found.returns) == 1


def test_the_entry_that_says_more_is_kept(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(cause="", finding=""), back()])
    assert list(found.returns["row"]) == [3]


def test_two_returns_of_one_day_with_different_findings_are_two(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(), back(finding="twisted")])
    assert len(found.returns) == 2
    assert not aside(found)
    assert not checks(found)


def test_returns_alike_but_days_apart_are_counted_and_listed(tmp_path):
    second = back(returned_on="2022-03-09", failed_on="2022-03-02", odometer="")
    found = load(tmp_path, builds=[build()], returns=[back(odometer=""), second])
    assert checks(found) == [("returns", 3, "serial", "may be the return of row 2 again: counted as another")]
    assert len(found.returns) == 2


def test_two_alike_of_a_row_of_several_units_are_counted_and_listed(tmp_path):
    found = load(tmp_path, builds=[build(count="5")], returns=[back(), back()])
    assert len(found.returns) == 2
    assert checks(found) == [("returns", 3, "serial", "may be the return of row 2 again: counted as another")]


def test_a_build_entered_twice(tmp_path):
    found = load(tmp_path, builds=[build(), build(serial="t100", weight=""), build(serial="T-101")])
    assert aside(found) == [("builds", 3, "serial", "the same build is entered in row 2")]


def test_a_serial_built_twice_without_coming_back(tmp_path):
    found = load(tmp_path, builds=[build(), build(built_on="2022-05-01", in_service_on="2022-05-09", power="900")])
    reason = "the serial is already built in row 2, with another built_on, in_service_on, power, and did not come back between"
    assert aside(found) == [("builds", 3, "serial", reason)]


def test_a_unit_shipped_again_after_a_return_goes_on(tmp_path):
    again = build(
        built_on="2022-03-20", in_service_on="2022-03-25", power="900", shaft="IS-B", odometer_at_install="40,100"
    )
    found = load(tmp_path, builds=[build(), again, again], returns=[back(replaced_with="")])
    assert len(found.builds) == 1
    assert found.fitted[["component", "part"]].to_numpy().tolist() == [["input shaft", "IS-B"]]
    assert found.changes[["power_hp", "changed_on"]].to_numpy().tolist() == [[900, pd.Timestamp("2022-03-20")]]
    assert found.odometer["miles"].tolist() == [30_000, 30_100]
    assert aside(found) == [("builds", 4, "serial", "the same build is entered in row 3")]
    assert "shipped again after a return (first build in row 2)" in checks(found)[0][3]


def test_the_order_of_the_file_does_not_choose_between_entries(tmp_path):
    rows = [build(weight=""), build(), build(weight="", use="")]
    kept = {load(tmp_path / str(n), builds=rows[n:] + rows[:n]).builds["weight_lb"][0] for n in range(3)}
    assert kept == {8200}


# ---- miles ---------------------------------------------------------------------------------------------------------


def reading(day: str, odometer: str, **cells: str) -> dict[str, str]:
    return {
        "serial": "T-100",
        "read_on": day,
        "odometer": odometer,
        "odometer_replaced": "",
        "still_running": "",
    } | cells


def miles(found) -> list[float]:
    return found.odometer["miles"].tolist()


def test_miles_that_run_backwards(tmp_path):
    days = ["2021-07-01", "2022-01-01", "2022-07-01", "2023-01-01"]
    figures = ["20000", "30000", "5000", "40000"]
    found = load(tmp_path, builds=[build()], readings=list(map(reading, days, figures)))
    assert miles(found) == [10_000, 20_000, 30_000]
    assert aside(found) == [("readings", 4, "odometer", "the miles run backwards")]
    assert found.books.set_aside["remedy"][0].endswith("if the odometer was replaced, say so in odometer_replaced")


def test_one_wild_figure_does_not_take_the_good_ones_with_it(tmp_path):
    # 500,000 typed for 50,000: the readings after it are lower, and right
    days = ["2021-07-01", "2022-01-01", "2022-07-01"]
    found = load(tmp_path, builds=[build()], readings=list(map(reading, days, ["20000", "300000", "35000"])))
    assert miles(found) == [10_000, 25_000]
    # 280,000 miles in the 184 days between
    assert aside(found) == [("readings", 3, "odometer", "implies 555,815 miles a year")]


def test_a_figure_above_a_later_one_loses_to_the_majority(tmp_path):
    days = ["2021-07-01", "2022-01-01", "2022-02-01", "2022-07-01"]
    found = load(tmp_path, builds=[build()], readings=list(map(reading, days, ["20000", "36000", "30000", "35000"])))
    assert miles(found) == [10_000, 20_000, 25_000]
    assert aside(found) == [("readings", 3, "odometer", "a later reading is lower")]


def test_km_in_a_column_of_miles(tmp_path):
    # 10,000 miles at install, 150,000 km = 93,206 miles a year and a half later; read as miles 140,000 in 528 days
    found = load(tmp_path, builds=[build()], readings=[reading("2022-07-02", "150000")])
    assert aside(found) == [("readings", 2, "odometer", "implies 96,847 miles a year")]
    assert found.books.set_aside["remedy"][0] == "if it is in km, write km in the cell"
    found = load(tmp_path, builds=[build()], readings=[reading("2022-07-02", "150,000 km")])
    assert miles(found) == pytest.approx([150_000 / 1.609344 - 10_000])


def test_a_wrong_figure_of_a_row_with_other_news_leaves_the_row(tmp_path):
    found = load(
        tmp_path,
        builds=[build()],
        returns=[back(odometer="4000")],
        readings=[reading("2023-01-01", "3", still_running="sold")],
    )
    assert len(found.returns) == len(found.readings) == 1
    assert np.isnan(found.returns["odometer"][0])
    assert [c[3] for c in checks(found)] == ["the miles run backwards: the figure is not used"] * 2


def test_an_odometer_replaced_with_its_last_figure(tmp_path):
    rows = [
        reading("2022-01-01", "30000"),
        reading("2022-07-01", "500", odometer_replaced="36,000"),
        reading("2023-01-01", "9000"),
    ]
    found = load(tmp_path, builds=[build()], readings=rows)
    # 36,000 - 10,000 on the old one; 500 and 9,000 on the new
    assert miles(found) == [20_000, 26_500, 35_000]
    assert not found.odometer["short"].any()
    assert checks(found) == [
        ("readings", 3, "odometer_replaced", "odometer replaced: counted on from the old one's last figure")
    ]


def test_an_odometer_replaced_at_a_figure_nobody_wrote_down(tmp_path):
    rows = [
        reading("2022-01-01", "30000"),
        reading("2022-07-01", "500", odometer_replaced="yes"),
        reading("2023-01-01", "9000"),
    ]
    found = load(tmp_path, builds=[build()], readings=rows)
    assert miles(found) == [20_000, 20_500, 29_000]
    assert found.odometer["short"].tolist() == [False, True, True]
    reason = "odometer replaced: miles between the last reading and the change are not counted"
    assert checks(found) == [("readings", 3, "odometer_replaced", reason)]


def test_a_replaced_odometer_without_a_figure_of_the_new_one(tmp_path):
    rows = [reading("2022-07-01", "", odometer_replaced="36000"), reading("2023-01-01", "9000")]
    found = load(tmp_path, builds=[build()], readings=rows)
    assert miles(found) == [26_000, 35_000]


def test_a_last_figure_that_does_not_fit(tmp_path):
    rows = [reading("2022-01-01", "30000"), reading("2022-07-01", "500", odometer_replaced="20000")]
    found = load(tmp_path, builds=[build()], readings=rows)
    assert miles(found) == [20_000, 20_500]
    assert checks(found)[0][3].startswith(
        "odometer replaced: its last figure (20,000) does not fit the readings before"
    )


def test_an_odometer_given_as_a_range(tmp_path):
    found = load(tmp_path, builds=[build()], readings=[reading("2022-01-01", "30k-31k mi")])
    assert miles(found) == [20_500]
    assert checks(found) == [("readings", 2, "odometer", "a range: its middle is taken")]


def test_odometer_at_install_not_recorded(tmp_path):
    unknown = build(odometer_at_install="?")
    rows = [reading("2022-01-01", "30000"), reading("2022-07-01", "36000")]
    found = load(tmp_path, builds=[unknown], readings=rows)
    assert miles(found) == []
    reason = "odometer at install not recorded: 2 later figures cannot be turned into miles on the part"
    assert checks(found) == [("builds", 2, "odometer_at_install", reason)]
    # miles in service need no start; and without one the odometer can still be seen to run backwards
    returns = [back(odometer="", miles_in_service="25,000")]
    rows = [reading("2022-01-01", "30000"), reading("2022-07-01", "3000"), reading("2022-08-01", "36500")]
    found = load(tmp_path, builds=[unknown], returns=returns, readings=rows)
    assert miles(found) == [25_000]
    assert aside(found) == [("readings", 3, "odometer", "the miles run backwards")]


def test_returns_to_a_row_of_several_do_not_contradict_each_other(tmp_path):
    returns = [
        back(odometer="70000", failed_on="2022-03-01"),
        back(odometer="20000", failed_on="2022-06-01", returned_on="2022-06-02"),
    ]
    found = load(tmp_path, builds=[build(count="40")], returns=returns)
    assert found.returns["miles"].tolist() == [60_000, 10_000]
    # each is its own truck's: they say nothing of the other 38
    assert found.odometer[["unit", "miles"]].to_numpy().tolist() == [[1, 60_000], [2, 10_000]]
    assert found.builds[["serial", "count"]].to_numpy().tolist() == [
        ["T-100", 38],
        ["T-100 (1 of 40)", 1],
        ["T-100 (2 of 40)", 1],
    ]
    assert not checks(found)


def test_counts_of_runs_that_go_down(tmp_path):
    rows = [reading("2022-01-01", "", runs="40"), reading("2022-07-01", "", runs="400"), reading("2023-01-01", "", runs="55"),
            reading("2023-07-01", "", runs="60")]  # fmt: skip
    found = load(tmp_path, builds=[build()], readings=rows)
    assert found.runs["runs"].tolist() == [40, 55, 60]
    assert aside(found) == [("readings", 3, "runs", "the count of runs does not fit the others: it goes down")]


# ---- power and weight ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "hp", "flags"),
    [
        ({"power": "820 whp"}, 1000, "POWER_AT_WHEELS"),
        ({"power": "820", "power_measured_at": "Wheels"}, 1000, "POWER_AT_WHEELS"),
        ({"power": "820 bhp", "power_measured_at": "wheels"}, 820, ""),  # the cell is nearer than the column
        ({"power": "approx 820"}, 820, "POWER_ABOUT"),
        ({"power": "800-840"}, 820, "POWER_RANGE"),
        ({"power": "?"}, np.nan, ""),
    ],
)
def test_wheel_against_crank_power(tmp_path, cells, hp, flags):
    found = load(tmp_path, builds=[build(**cells)])  # driveline loss 18%: 820 / 0.82 = 1,000
    assert found.builds["power_hp"][0] == pytest.approx(hp, nan_ok=True)
    assert found.builds["flags"][0] == flags
    assert found.builds["power_raw"][0] == cells["power"]


def test_power_at_the_wheels_for_the_whole_shop(tmp_path):
    found = load(tmp_path, '[power]\nmeasured_at = "wheels"\ndriveline_loss = 0.2\n', builds=[build(power="800")])
    assert found.builds["power_hp"][0] == 1000


@pytest.mark.parametrize(
    ("cells", "lb", "kind", "flags"),
    [
        ({"weight": "9,900 GVWR"}, 9900, "rating plate", "WEIGHT_OF_PLATE"),
        (
            {"weight": "9900", "weight_kind": "plate"},
            9900,
            "rating plate",
            "WEIGHT_OF_PLATE",
        ),
        ({"weight": "6100", "weight_kind": "as raced"}, 6100, "as raced", ""),
        ({"weight": "6100"}, 6100, "as driven", ""),
        ({"weight": "19000", "weight_kind": "combined"}, np.nan, "", ""),
        (
            {"weight": "19000", "weight_kind": "combined", "trailer_weight": "11000 lb"},
            8000,
            "combined",
            "WEIGHT_ABOUT",
        ),
        (
            {"weight": "19000 with trailer", "trailer_weight": "4990 kg"},
            19000 - 4990 / 0.45359237,
            "combined",
            "WEIGHT_ABOUT",
        ),
        ({"weight": "19000", "weight_kind": "combined", "trailer_weight": "19500"}, np.nan, "", ""),
        ({"weight": "19000", "weight_kind": "combined", "trailer_weight": "big"}, np.nan, "", ""),
        ({"weight": "8000", "trailer_weight": "11000"}, 8000, "as driven", ""),
    ],
)
def test_rating_plate_against_as_raced_weight(tmp_path, cells, lb, kind, flags):
    found = load(tmp_path, builds=[build(**cells)])
    assert found.builds["weight_lb"][0] == pytest.approx(lb, nan_ok=True)
    assert found.builds[["weight_kind", "flags"]].iloc[0].tolist() == [kind, flags]


def test_what_cannot_be_read_is_unknown_and_listed(tmp_path):
    cells = {
        "power": "fast",
        "weight": "1 ton",
        "weight_kind": "guess",
        "power_measured_at": "hub",
        "rpm": "9",
        "odometer_at_install": "x",
    }
    found = load(tmp_path, builds=[build(**cells)])
    assert [c[2:] for c in checks(found)] == [
        ("odometer_at_install", "cannot be read as a distance: taken as unknown"),
        ("power", "cannot be read as a power: taken as unknown"),
        ("power_measured_at", "the word is not one of crank, wheels: taken as crank"),
        ("rpm", "rpm must be from 500 to 15,000: taken as unknown"),
        ("weight", "unit or word 'ton' is not known for a weight: taken as unknown"),
        (
            "weight_kind",
            "the word is not one of rating plate, curb, as driven, as raced, combined, scale ticket: taken as as driven",
        ),
    ]
    assert found.books.counts["used"][0] == 1


def test_a_count_that_is_none_is_not_guessed(tmp_path):
    found = load(
        tmp_path, builds=[build(count="many"), build(serial="T-101", count="0"), build(serial="T-102", count="12")]
    )
    assert [a[3] for a in aside(found)] == [
        "not a number for count",
        "count must be a whole number from 1 to 1,000,000",
    ]
    assert found.builds["count"].tolist() == [12]


# ---- parts, causes, findings ---------------------------------------------------------------------------------------


def test_a_part_by_any_of_its_names(tmp_path):
    toml = '[parts."input shaft"]\n"IS-A" = ["old shaft", "ISA"]\n'
    builds = [
        build(shaft="isa"),
        build(serial="T-101", shaft="Old  Shaft"),
        build(serial="T-102", shaft="none"),
        build(serial="T-103", shaft="?"),
    ]
    found = load(tmp_path, toml, builds=builds, returns=[back(part="ISA", replaced_with="old shaft")])
    assert found.builds["input shaft"].tolist() == ["IS-A", "IS-A", "", "not recorded"]
    assert found.returns[["part", "replaced_with"]].iloc[0].tolist() == ["IS-A", "IS-A"]


def test_a_part_has_one_spelling_over_all_sheets(tmp_path):
    builds = [build(shaft="is-a"), build(serial="T-101", shaft="IS-A"), build(serial="T-102", shaft="IS-A")]
    limit = {"component": "input shaft", "part": "Is-A", "power_limit": "700", "effective_on": "2021-01-01"}
    found = load(tmp_path, builds=builds, returns=[back(part="is-A")], limits=[limit])
    assert {*found.builds["input shaft"], *found.returns["part"], *found.limits["part"]} == {"IS-A"}


def test_a_part_superseded(tmp_path):
    toml = '[[supersessions]]\ncomponent = "converter"\nold = "TC-1"\nnew = "TC-2"\neffective_on = 2021-06-01\n'
    late = {"built_on": "2021-06-01", "in_service_on": ""}
    builds = [
        build(),
        build(serial="T-101", conv="TC-2"),
        build(serial="T-102", **late),
        build(serial="T-103", conv="TC-2", **late),
    ]
    found = load(tmp_path, toml, builds=builds)
    assert checks(found) == [
        ("builds", 3, "conv", "TC-2 superseded TC-1 on 1 Jun 2021, after this build"),
        ("builds", 4, "conv", "TC-2 superseded TC-1 on 1 Jun 2021, before this build"),
    ]
    assert found.builds["converter"].tolist() == ["TC-1", "TC-2", "TC-1", "TC-2"]  # never pooled by the name alone


def test_a_component_by_its_name_or_its_heading(tmp_path):
    returns = [
        back(component="Input_Shaft"),
        back(component="conv", finding="x"),
        back(component="radiator"),
        back(component=""),
    ]
    found = load(tmp_path, builds=[build()], returns=returns)
    assert found.returns["component"].tolist() == ["input shaft", "converter"]
    assert aside(found) == [
        ("returns", 4, "component", "not one of the components (input shaft, converter)"),
        ("returns", 5, "component", "no component named"),
    ]


def test_causes_orders_and_their_words(tmp_path):
    toml = '[words.cause]\n"over limit" = ["drag strip"]\n[words.finding]\nbroken = ["snapped"]\n'
    rows = [
        back(cause="Our fault", order="1st", finding="Snapped"),
        back(cause="drag strip", component="converter", order="2nd", part="", odometer=""),
    ]
    rows += [back(cause="nff", returned_on="2022-09-01", failed_on="", odometer="", replaced_with="")]
    rows += [back(cause="gremlins", returned_on="2023-09-01", failed_on="", odometer="")]
    found = load(tmp_path, toml, builds=[build()], returns=rows)
    assert found.returns["cause"].tolist() == ["install", "over limit", "no fault", "unclear"]
    assert found.returns["order"].tolist() == ["first", "followed", "", "first"]
    assert found.returns["finding"][0] == "broken"
    reason = "the word is not one of part, install, over limit, no fault, unclear: taken as unclear"
    assert checks(found) == [("returns", 5, "cause", reason)]


def test_several_parts_of_one_event(tmp_path):
    rows = [back(order=""), back(component="converter", part="", order="", odometer="")]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert found.returns["order"].tolist() == ["unclear", "unclear"]
    assert found.returns["event"].nunique() == 1


def test_damage_found_at_a_teardown(tmp_path):
    rows = [back(failed_on="teardown"), back(failed_on="At Teardown", returned_on="", finding="x")]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert found.returns["at_teardown"].tolist() == [True]
    assert aside(found) == [("returns", 3, "returned_on", "failed_on gives no day, so the day it came in is needed")]
    found = load(
        tmp_path,
        '[findings]\nfound_at_teardown = ["Hairline crack"]\n',
        builds=[build()],
        returns=[back(finding="hairline  CRACK")],
    )
    assert found.returns["at_teardown"].tolist() == [True]


# ---- the other sheets ----------------------------------------------------------------------------------------------


def test_readings_that_say_nothing_or_nonsense(tmp_path):
    rows = [reading("2022-01-01", ""), reading("2022-02-01", "far"), reading("2022-03-01", "20000", still_running="maybe"),
            reading("2022-04-01", "100", odometer_replaced="perhaps")]  # fmt: skip
    found = load(tmp_path, builds=[build()], readings=rows)
    nothing = "no odometer, runs or word on whether it still runs that could be read"
    assert aside(found) == [("readings", 2, "odometer", nothing), ("readings", 3, "odometer", nothing)]
    assert checks(found)[0] == (
        "readings",
        4,
        "still_running",
        "the word is not one of yes, no, sold, lost, scrapped: not used",
    )
    assert checks(found)[1][3] == "neither yes nor the old odometer's last figure: taken as yes"


def test_changes_that_say_nothing_or_contradict(tmp_path):
    rows = [
        change(power="fast"),
        change(changed_on="2022-07-01"),
        change(changed_on="2022-07-01", power="900"),
        change(changed_on="2023-01-01"),
    ]
    rows += [change(changed_on="2023-01-01", power="800 hp")]
    found = load(tmp_path, builds=[build()], changes=rows)
    assert [a[3] for a in aside(found)] == [
        "no power, weight or use that could be read",
        "another change of the same day says otherwise",
        "another change of the same day says otherwise",
        "the same change is entered twice",
    ]
    assert found.changes["changed_on"].tolist() == [pd.Timestamp("2023-01-01")]
    assert found.books.changes_left_out["row"].tolist() == [2, 3, 4]  # what is only entered twice is known


def fitted(**cells: str) -> dict[str, str]:
    return {
        "serial": "T-100",
        "component": "converter",
        "part": "TC-2",
        "lot": "l 7",
        "fitted_on": "",
        "odometer": "",
    } | cells


def test_parts_fitted_and_their_lots(tmp_path):
    rows = [
        fitted(),
        fitted(),
        fitted(fitted_on="2022-01-01", part=""),
        fitted(fitted_on="2022-02-02"),
        fitted(fitted_on="2022-02-02", lot="8"),
    ]
    found = load(tmp_path, builds=[build()], fitted=rows)
    assert found.fitted[["part", "lot"]].to_numpy().tolist() == [["TC-2", "L 7"]]
    clash = "another part or lot is entered for this position on this day"
    assert [a[3] for a in aside(found)] == ["the same part is entered twice", "no part named", clash, clash]
    assert checks(found) == [("fitted", 2, "part", "builds names TC-1: the part of this row is taken")]


def limit(**cells: str) -> dict[str, str]:
    row = {"component": "input shaft", "part": "IS-A", "weight_up_to": "7500", "use": "", "power_limit": "650 hp"}
    return row | {"effective_on": "2021-01-01", "reason": "first guess"} | cells


def test_limits(tmp_path):
    rows = [limit(), limit(power_limit="533 whp", effective_on="2022-01-01"), limit(weight_up_to="light"), limit(power_limit=""), limit(effective_on="03/04/2021"),
            limit(effective_on=""), limit(part="?")]  # fmt: skip
    found = load(tmp_path, builds=[build()], limits=rows)
    assert found.limits["power_limit_hp"].tolist() == pytest.approx([650, 650])
    assert {a[1]: a[3] for a in aside(found)} == {
        4: "cannot be read as a weight",
        5: "no power limit that could be read",
        6: "could be two days",
        7: "no date",
        8: "no part named",
    }


def test_missing_optional_columns_and_sheets(tmp_path):
    found = load(
        tmp_path,
        builds="serial,built_on,shaft,conv\nT-1,2021-01-01,A,C\n",
        returns="serial,failed_on,component\nT-1,2021-05-01,conv\n",
    )
    assert not aside(found)
    assert not checks(found)
    assert found.builds[["power_hp", "weight_lb", "odometer_at_install"]].isna().all().all()
    assert found.returns["cause"].tolist() == ["unclear"]
    assert not found.returns["cause_stated"][0]
    for table in (found.readings, found.changes, found.fitted, found.limits):
        assert len(table) == 0


def test_unused_columns_are_named(tmp_path):
    found = load(tmp_path, builds=[build(colour="red")])
    assert found.books.unused_columns["builds"] == ("colour",)


# ---- what set-aside rows leave unknown -----------------------------------------------------------------------------


def test_returns_set_aside_are_remembered_by_unit_and_earliest_day(tmp_path):
    rows = [
        back(failed_on="03/04/2021", returned_on="2021-06-01"),
        back(failed_on="x", component="converter"),
        back(component="", returned_on="2023-01-01"),
    ]
    rows += [back(component="radiator"), back(serial="Z-9"), back(cause="no fault", failed_on="Jan-22")]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert len(found.returns) == 0
    assert found.books.returns_left_out.astype({"day": str}).to_numpy().tolist() == [
        [0, "input shaft", "2021-03-04", 2],
        [0, "converter", "2022-03-05", 3],
        [0, "", "2022-03-01", 4],
    ]


def test_a_row_that_says_it_is_void_under_any_heading_is_told_and_a_row_of_averages_is_none(tmp_path):
    rows = [
        build(Notes="VOID - never picked up"),
        build(serial="T-200", Notes="voided the warranty"),
        {"serial": "avg", "power": "588"},
    ]
    found = load(tmp_path, builds=rows)
    assert [c[1:3] for c in checks(found) if "stands for nothing" in c[3]] == [(2, "Notes")]
    assert [(row, reason) for _, row, _, reason in aside(found)] == [(4, "a totals row, not a record")]


def test_a_row_without_a_date_names_the_owners_heading(tmp_path):
    rows = [build(), {"serial": "T-200", "Left shop": "", "power": "500"}]
    rows[0] = {("Left shop" if h == "built_on" else h): c for h, c in rows[0].items() if h != "in_service_on"}
    found = load(tmp_path, '[headings.builds]\nbuilt_on = "Left shop"\n', builds=rows)
    assert found.books.set_aside["remedy"].tolist() == ["fill in Left shop"]


@pytest.mark.parametrize(
    ("odometers", "counted", "said"), [(False, "miles", 1), (True, "miles", 0), (False, "passes", 0)]
)
def test_an_answer_in_miles_says_that_no_odometer_is_on_record(tmp_path, odometers, counted, said):
    own = ({}, {}) if odometers else ({"odometer_at_install": ""}, {"odometer": ""})
    found = load(tmp_path, builds=[build(**own[0])], returns=[back(**own[1])])
    assert len(assumed_miles(found, counted)) == said
