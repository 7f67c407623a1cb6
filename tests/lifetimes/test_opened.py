"""What openings tell of damage that stops no truck: lives worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.lifetimes.opened import found_damaged, still_driving
from tests.lifetimes.test_lifetimes import AGE, back, build, change, equal, lives, opened, reading

INF = np.inf
#: the shaft is looked at when the converter comes back
LOOKED = '[findings]\nfound_at_teardown = ["crack"]\n[findings.looked_at]\n"input shaft" = ["converter"]\n'


def crack(serial: str = "T-100", day: str = "2022-03-05", odometer: str = "40000") -> list[dict]:
    """A cracked shaft found as the converter came back: 409 days and 30,000 miles after T-100 went into service."""
    found = back(serial=serial, failed_on="teardown", returned_on=day, odometer=odometer, finding="crack")
    return [found, opened() | {"serial": serial, "returned_on": day, "odometer": odometer}]


def seen(found, clock: str = "days") -> np.ndarray:
    return found.opened[[f"{side}_{clock}" for side in ("entry", "lower", "upper")]].to_numpy()


def test_one_never_opened_says_nothing_and_one_found_clean_is_good_up_to_then(tmp_path):
    builds = [build(), build(serial="T-101"), build(serial="T-102")]
    clean = opened() | {"serial": "T-101"}
    found = lives(tmp_path, LOOKED, builds=builds, returns=[*crack(), clean])
    assert found.opened["serial"].tolist() == ["T-100", "T-101"]
    assert found.opened["ended"].tolist() == ["failed", "removed"]
    equal(seen(found), [[0, 0, 409], [0, 300, INF]])
    equal(seen(found, "miles"), [[0, 0, 30_000], [0, 20_000, INF]])


def test_the_last_opening_counts_and_one_before_the_damage_was_found_bounds_it(tmp_path):
    later = opened() | {"returned_on": "2022-01-15", "odometer": "36000"}  # 360 days
    found = lives(tmp_path, LOOKED, returns=[opened(), later, *crack()])
    equal(seen(found), [[0, 360, 409]])
    equal(seen(found, "miles"), [[0, 26_000, 30_000]])


def test_a_return_of_a_component_it_is_not_looked_at_for_is_no_opening(tmp_path):
    other = LOOKED.replace('["converter"]', '["input shaft"]')
    found = lives(
        tmp_path, other, builds=[build(), build(serial="T-101")], returns=[*crack(), opened() | {"serial": "T-101"}]
    )
    equal(seen(found), [[0, 0, 409]])


def test_what_stopped_a_truck_tells_only_of_the_openings_before(tmp_path):
    """Of a broken shaft nobody says whether it had been cracked; it was whole at 300 days."""
    builds = [build(), build(serial="T-101")]
    broken = back(serial="T-101", failed_on="2022-06-01", returned_on="2022-06-01", odometer="50000")
    found = lives(tmp_path, LOOKED, builds=builds, returns=[*crack(), opened() | {"serial": "T-101"}, broken])
    equal(seen(found)[1:], [[0, 300, INF]])
    assert found.opened["finding"].tolist() == ["crack", ""]


def test_a_tune_before_the_opening_cuts_it(tmp_path):
    builds = [build(), build(serial="T-101")]
    tune = change("2021-04-30", power="800") | {"serial": "T-101"}
    found = lives(tmp_path, LOOKED, builds=builds, returns=[*crack(), opened() | {"serial": "T-101"}], changes=[tune])
    equal(seen(found)[1:], [[0, 100, INF], [100, 300, INF]])
    assert found.opened["power_hp"].tolist() == [650, 650, 800]


def test_it_may_have_cracked_before_the_records_start(tmp_path):
    """What came back before is on no list, but a crack stops no truck: the first day counts."""
    start = '[shop]\nrecords_start = "2021-06-01"\n'
    found = lives(tmp_path, start + LOOKED, returns=crack())
    equal(seen(found), [[0, 0, 409]])
    assert found.table.loc[found.table["component"] == "input shaft", "entry_days"].iat[0] == 132


@pytest.mark.parametrize("toml", ["", LOOKED.split("[findings.looked_at]")[0]])
def test_nothing_is_told_where_the_shop_does_not_say_that_it_looks(tmp_path, toml):
    assert lives(tmp_path, toml, returns=crack()).opened.empty


def test_nor_where_no_such_damage_was_ever_found(tmp_path):
    assert lives(tmp_path, LOOKED, returns=[opened()]).opened.empty


def test_by_what_stops_a_truck_the_cracked_one_drove_on(tmp_path):
    found = lives(tmp_path, LOOKED, returns=crack(), readings=[reading("2021-11-16", "30000")])
    shaft = found.table[found.table["component"] == "input shaft"]
    assert found_damaged(shaft).tolist() == [True, False]
    drove = still_driving(shaft)
    equal(drove[["entry_days", "lower_days", "upper_days"]].to_numpy(), [[0, 409, INF], [0, AGE - 409, INF]])
    equal(drove[["lower_miles", "upper_miles"]].to_numpy()[:1], [[30_000, INF]])
    assert drove["ended"].tolist() == ["removed", "running"]
    pd.testing.assert_frame_equal(still_driving(drove), drove)
    pd.testing.assert_frame_equal(still_driving(shaft, ["input shaft"]), drove)
    pd.testing.assert_frame_equal(still_driving(shaft, ["converter"]), shaft)


@pytest.mark.parametrize("wrong", ['"input shaft" = true', '"input shaft" = ["conv"]', '"shaft" = ["converter"]'])
def test_a_component_that_is_none_is_refused(tmp_path, wrong):
    with pytest.raises(RecordsError, match=r"\[findings.looked_at\]"):
        lives(tmp_path, f"[findings.looked_at]\n{wrong}\n")
