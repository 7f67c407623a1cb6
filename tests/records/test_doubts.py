"""What can be read two ways is said: each of these changed a figure, or hid one, without a word."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from tests.records.sheets import aside, back, build, checks, load

#: enough builds for a column to have a pattern, and a returned truck among them
BUILDS = [build(serial=f"T-{n}", built_on=f"2021-01-{n - 90:02d}", in_service_on="") for n in range(100, 121)]


def reading(**cells: str) -> dict[str, str]:
    return {"serial": "T-100", "read_on": "2022-01-01", "odometer": "20000", "still_running": ""} | cells


# ---- dates ---------------------------------------------------------------------------------------------------------


def test_year_first_dates_are_known_by_the_number_that_stays(tmp_path):
    """22-03-15 was read as 22 March 2015: fifty readings and four of five failures vanished as later."""
    rows = [reading(serial=f"T-{100 + n}", read_on=f"22-{1 + n:02d}-{3 * n + 2:02d}") for n in range(8)]
    found = load(tmp_path, builds=BUILDS, readings=rows)
    assert found.readings["read_on"].tolist() == [pd.Timestamp(2022, 1 + n, 3 * n + 2) for n in range(8)]
    assert checks(found)[-1] == (
        "readings",
        2,
        "read_on",
        "dates of this column are read year first: in all 8 the first number hardly changes",
    )


def test_a_few_dates_that_may_be_year_first_are_settled_by_events_or_set_aside(tmp_path):
    rows = [
        back(failed_on="22-03-15", returned_on="2022-03-20"),
        back(failed_on="22-03-15", returned_on="", component="converter"),
    ]
    found = load(tmp_path, builds=[build(built_on="2010-01-01", in_service_on="2010-02-01")], returns=rows)
    assert found.returns["failed_on"].tolist() == [pd.Timestamp(2022, 3, 15)] or len(found.books.set_aside) == 2
    late = load(tmp_path / "late", builds=[build()], returns=[back(failed_on="22-03-15", returned_on="")])
    assert late.returns["failed_on"].tolist() == [pd.Timestamp(2022, 3, 15)]  # 22 March 2015 is before the build


def test_a_column_settles_its_two_way_dates_where_events_do_not(tmp_path):
    rows = [reading(serial=f"T-{100 + n}", read_on=f"{13 + n}/02/2022") for n in range(8)]
    rows += [reading(serial="T-110", read_on="03/04/2022")]
    found = load(tmp_path, builds=BUILDS, readings=rows)
    assert found.readings["read_on"].tolist()[-1] == pd.Timestamp(2022, 4, 3)
    assert checks(found)[-1][3] == (
        "read as 3 Apr 2022: all 8 dates of its column that can be read one way only, such as 13/02/2022, are day first"
    )
    one_other = load(tmp_path / "b", builds=BUILDS, readings=[*rows, reading(serial="T-111", read_on="02/25/2022")])
    assert [a[1] for a in aside(one_other)] == [10]
    few = load(tmp_path / "c", builds=BUILDS, readings=rows[1:])
    assert len(aside(few)) == 1


# ---- names of parts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["IS A", "ISA", "IS_A", "IS\u200b-A", "IS-\u0410", "is.a"])
def test_spellings_of_one_part_are_one_and_listed_for_confirmation(tmp_path, typed):
    builds = [*BUILDS, build(serial="T-200", shaft=typed), build(serial="T-201", shaft=typed)]
    found = load(tmp_path, builds=builds)
    assert set(found.builds["input shaft"]) == {"IS-A"}
    told = "read as IS-A: the same but for spaces, points or look-alike letters, in 2 rows"
    assert checks(found) == [("builds", 23, "shaft", told)]  # once, not once a row


def test_a_slip_in_a_long_name_is_listed_and_not_guessed(tmp_path):
    builds = [build(serial=f"T-{n}", shaft="Billet") for n in range(100, 110)] + [build(serial="T-300", shaft="Bilet")]
    found = load(tmp_path, builds=builds)
    assert checks(found) == [("builds", 12, "shaft", "may be Billet, misspelt or cut short: counted as another part")]
    assert set(found.builds["input shaft"]) == {"Billet", "Bilet"}
    stated = '[parts."input shaft"]\n"Billet" = []\n"Bilet" = []\n'
    assert not checks(load(tmp_path / "stated", stated, builds=builds))


def test_parts_listed_as_two_stay_two(tmp_path):
    toml = '[parts."input shaft"]\n"IS-A" = []\n"ISA" = []\n'
    found = load(tmp_path, toml, builds=[*BUILDS, build(serial="T-200", shaft="ISA")])
    assert set(found.builds["input shaft"]) == {"IS-A", "ISA"}
    assert not checks(found)


@pytest.mark.parametrize(
    "word", ["freshened", "new converter", "Rebuilt", "same one", "new", "a used one", "converter"]
)
def test_what_was_done_is_no_part(tmp_path, word):
    """Such words became parts, and reached the customers' sheet."""
    rows = [back(component="converter", part="TC-1", replaced_with=word)]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert found.returns["replaced_with"].tolist() == [""]
    assert checks(found) == [
        ("returns", 2, "replaced_with", "says what was done, not which part it is: taken as not recorded")
    ]
    assert set(make_lifetimes(found).table["part"]) == {"IS-A", "TC-1", "not recorded"}


def test_a_part_of_the_builds_is_a_part_whatever_it_is_called(tmp_path):
    found = load(
        tmp_path,
        builds=[build(conv="Rebuilt")],
        returns=[back(component="converter", part="", replaced_with="Rebuilt")],
    )
    assert found.returns["replaced_with"].tolist() == ["Rebuilt"]


def test_a_return_of_another_part_than_the_build_names_is_told(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(part="IS-Z")])
    told = "names IS-Z, but the unit went out with IS-A and no IS-Z was put in: counted against what it had"
    assert checks(found) == [("returns", 2, "part", told)]
    again = [back(), back(failed_on="2023-01-01", returned_on="", part="IS-B", odometer="60000")]
    assert not checks(load(tmp_path / "b", builds=[build()], returns=again))  # IS-B was put in


# ---- figures -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["0", "1"])
def test_nought_for_unknown_miles_is_no_failure_at_nought(tmp_path, typed):
    """A bound of 914 hp became 889."""
    rows = [back(odometer="", miles_in_service=typed)]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert found.returns["miles"].isna().all()
    told = "0 or 1 after 405 days in service may stand for unknown: the figure is not used"
    assert checks(found) == [("returns", 2, "miles_in_service", told)]
    new = load(tmp_path / "new", builds=[build(odometer_at_install="0")], returns=[back(odometer=typed)])
    assert new.returns["miles"].isna().all()


def test_nought_is_believed_in_the_first_days_or_with_its_unit(tmp_path):
    first = load(tmp_path, builds=[build()], returns=[back(failed_on="2021-01-22", odometer="", miles_in_service="0")])
    assert first.returns["miles"].tolist() == [0]
    stated = load(tmp_path / "b", builds=[build()], returns=[back(odometer="", miles_in_service="0 mi")])
    assert stated.returns["miles"].tolist() == [0]


def test_a_reading_of_nought_alone_is_set_aside(tmp_path):
    builds = [build(odometer_at_install="0")]
    found = load(tmp_path, builds=builds, readings=[reading(odometer="0"), reading(odometer="0", still_running="sold")])
    assert aside(found) == [("readings", 2, "odometer", "0 or 1 after 346 days in service may stand for unknown")]
    assert found.readings["still_running"].tolist() == ["sold"]


def test_a_new_odometer_begins_at_nought(tmp_path):
    rows = [reading(odometer="", odometer_replaced="20000"), reading(read_on="2022-01-20", odometer="1")]
    found = load(tmp_path, builds=[build()], readings=rows)
    assert len(found.readings) == 2
    assert not aside(found)


def test_miles_and_odometer_that_do_not_agree(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(miles_in_service="12000")])
    told = "12,000 miles since the install, and 30,000 by the odometers: the first is taken"
    assert checks(found) == [("returns", 2, "miles_in_service", told)]
    assert not checks(load(tmp_path / "b", builds=[build()], returns=[back(miles_in_service="30100")]))


# ---- one return twice ----------------------------------------------------------------------------------------------

MAYBE = "may be the return of row 2 again: counted as another"


@pytest.mark.parametrize(
    "cells",
    [
        {"odometer": "40010"},
        {"finding": "brokn"},
        {"cost": "910"},
        {"failed_on": "2022-03-21", "returned_on": "2022-03-25"},
        {"failed_on": "2022-05-21", "returned_on": "2022-05-25", "finding": "cracked"},
    ],
)
def test_a_return_entered_twice_with_one_slip_or_at_one_odometer_is_told(tmp_path, cells):
    rows = [back(cost="900"), back(cost="900") | cells]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert checks(found) == [("returns", 3, "serial", MAYBE)]
    assert len(found.returns) == 2


@pytest.mark.parametrize(
    "cells",
    [{"cost": "45", "finding": "burnt"}, {"failed_on": "2022-06-01", "returned_on": "", "odometer": "49000"}],
)
def test_another_return_is_another(tmp_path, cells):
    rows = [back(replaced_with="IS-A"), back(replaced_with="IS-A") | cells]
    assert not checks(load(tmp_path, builds=[build()], returns=rows))


# ---- settings ------------------------------------------------------------------------------------------------------


def test_a_misspelt_cost_is_an_error(tmp_path):
    with pytest.raises(RecordsError, match=r"'comback' is not a cost .* mean 'comeback'"):
        load(tmp_path, "[costs]\ncomback = 4000\n", builds=[build()])


@pytest.mark.parametrize(
    ("toml", "name", "remedy"),
    [
        ('[costs.parts]\n"IS-AA" = 5\n', "IS-AA", 'did you mean "IS-A"?'),
        ('[parts."input shaft"]\n"Bullet" = ["bulet"]\n', "Bullet", "correct it, or take it out"),
        ('[words.use]\n"towingg" = ["tow"]\n', "towingg", 'did you mean "towing"?'),
        ('[words.use]\n"streeet" = ["towing"]\n', "streeet", 'did you mean "street"?'),
        ('[words.cause]\n"install" = ["our bad"]\n', "install", "correct it, or take it out"),
    ],
)
def test_names_in_settings_that_no_sheet_holds(tmp_path, toml, name, remedy):
    found = load(tmp_path, toml, builds=[build()], returns=[back()])
    row = found.books.to_check.iloc[0]
    lines = (tmp_path / "shop.toml").read_text(encoding="utf-8").splitlines()
    assert (row["file"], row["raw"], row["reason"], row["remedy"]) == (
        "shop.toml",
        name,
        "no sheet holds this name",
        remedy,
    )
    assert name in lines[row["row"] - 1]
    assert len(found.books.to_check) == 1


def test_a_figure_far_from_all_others_of_its_use_is_listed_and_used(tmp_path):
    """66,000 lb, 3,300 kg typed as lb and a power typed four times went by in silence; a sled truck's power is no slip."""
    rows = [build(serial=f"T-{k:03d}XY", power=str(500 + 7 * k), weight=str(7000 + 60 * k)) for k in range(30)]
    rows += [
        build(serial=f"S-{k:03d}XY", power=str(1400 + 7 * k), weight=str(5000 + 20 * k), use="sled") for k in range(25)
    ]
    rows += [
        build(serial="W-001XY", weight="66000"),
        build(serial="W-002XY", weight="3300"),
        build(serial="W-003XY", power="2360"),
    ]
    rows += [build(serial="F-001XY", power="2300", use="drag")]  # too few of its use to tell by
    found = load(tmp_path, builds=rows)
    told = [(column, reason) for _, _, column, reason in checks(found) if "times the middle" in reason]
    assert told == [
        ("weight", "8.4 times the middle weight of its use"),
        ("weight", "0.42 times the middle weight of its use"),
        ("power", "3.9 times the middle power of its use"),
    ]
    assert found.builds.set_index("serial")["weight_lb"]["W-001XY"] == 66_000


def test_far_is_measured_by_how_widely_a_use_spreads(tmp_path):
    """Weights from 4,000 to 12,000 lb: 16,000 is one of them still, 40,000 is not."""
    rows = [build(serial=f"T-{k:03d}XY", weight=str(int(4000 * 3 ** (k / 29)))) for k in range(30)]
    rows += [build(serial="W-001XY", weight="16000"), build(serial="W-002XY", weight="40000")]
    told = [reason for _, _, column, reason in checks(load(tmp_path, builds=rows)) if column == "weight"]
    assert told == ["5.6 times the middle weight of its use"]


# ---- words that turn a row round -------------------------------------------------------------------------------------
LIMIT = {
    "component": "input shaft",
    "part": "IS-A",
    "power_limit": "600",
    "effective_on": "2021-01-01",
    "weight_up_to": "",
    "use": "",
}


@pytest.mark.parametrize(
    ("typed", "gone", "open_"),
    [
        ("scrapped", True, False),
        ("Scrapped.", True, False),
        ("customer scrapped the truck", True, False),
        ("not scrapped", False, False),
        ("refund", True, False),
        ("not replaced yet", False, True),
        ("not yet replaced", False, True),
    ],
)
def test_a_sentence_under_replaced_with_is_no_part(tmp_path, typed, gone, open_):
    """'Scrapped.' was a part that ran on, so that a dead truck passed for one that lasts."""
    found = load(tmp_path, builds=BUILDS, returns=[back(replaced_with=typed)])
    row = found.returns.iloc[0]
    assert (row["unit_gone"], row["not_replaced"]) == (gone, open_)
    told = [reason for _, _, column, reason in checks(found) if column == "replaced_with"]
    assert told == (
        []
        if typed in ("scrapped", "refund", "not scrapped")
        else ["read as scrapped" if gone else "read as not replaced"]
    )


def test_a_part_by_that_name_stays_one(tmp_path):
    found = load(
        tmp_path, builds=BUILDS, returns=[back(part="Scrapped truck shaft", replaced_with="Scrapped truck shaft")]
    )
    assert found.returns.iloc[0]["replaced_with"] == "Scrapped truck shaft"


@pytest.mark.parametrize("typed", ["7500+", "7,500 lb+"])
def test_a_limit_from_a_weight_up_is_not_one_up_to_it(tmp_path, typed):
    """It held for the light trucks, and for none of the heavy ones it was written for."""
    found = load(tmp_path, builds=BUILDS, limits=[LIMIT | {"weight_up_to": typed}])
    assert aside(found) == [("limits", 2, "weight_up_to", "7,500+ can mean what lies above it")]


@pytest.mark.parametrize("typed", ["all", "Any use", "every"])
def test_a_limit_for_all_uses_holds_for_every_use(tmp_path, typed):
    """It was a use of its own, which no truck has."""
    assert load(tmp_path, builds=BUILDS, limits=[LIMIT | {"use": typed}]).limits["use"].tolist() == [""]


def test_a_limit_for_a_use_no_truck_has_is_told_once(tmp_path):
    limits = [
        LIMIT | {"use": use, "effective_on": day}
        for use, day in (("not towing", "2021-01-01"), ("not towing", "2022-01-01"), ("sled", "2021-01-01"))
    ]
    found = load(tmp_path, builds=BUILDS, limits=limits)
    assert checks(found) == [("limits", 2, "use", "no truck on record has this use: the limit holds for none")]


@pytest.mark.parametrize("typed", ["IS-A (new)", "IS-A x2", "IS-A used"])
def test_a_part_with_a_remark_behind_it_is_told(tmp_path, typed):
    found = load(tmp_path, builds=BUILDS, returns=[back(replaced_with=typed)])
    assert ("returns", 2, "replaced_with", "may be IS-A, misspelt or cut short: counted as another part") in checks(
        found
    )


def test_a_serial_that_begins_like_a_total_is_one(tmp_path):
    """A row of AVG-65579 without a day was a totals row."""
    rows = [{"serial": "AVG-65579", "component": "input shaft", "part": "IS-A", "lot": "L1", "fitted_on": ""}]
    found = load(tmp_path, builds=[*BUILDS, build(serial="AVG-65579")], fitted=rows)
    assert (len(found.fitted), aside(found)) == (1, [])
