"""What could be right by itself and is unlike all beside it is told, with what it may have been meant as, and used as it stands.

The slips are of the kinds of studies/slips.py, each of which moved a published figure without a word.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.reasons import Issue, ToFix
from analytics.records.load import Records, load_records
from analytics.records.unlike import _quantile_of_others
from analytics.review.to_fix import to_fix
from analytics.words.listing import verdict
from tests.records.sheets import back, build, load, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
START = dt.date(2021, 1, 4)
#: miles a day of the trucks below
A_DAY = (28, 30, 31, 33, 35, 37, 38, 40, 42, 44)


def day(n: int) -> str:
    return f"{START + dt.timedelta(days=n):%Y-%m-%d}"


def builds(n: int = 40, **cells: str) -> list[dict[str, str]]:
    """Builds a week apart, powers in steps of 5 from 550 to 745 hp, weights in steps of 20 lb."""
    return [
        build(serial=f"T-{k:03d}XY", built_on=day(7 * k), in_service_on="", power=str(550 + 5 * k), weight=str(7000 + 20 * k)) | cells
        for k in range(n)
    ]  # fmt: skip


def readings(n: int = 40, after: int = 700) -> list[dict[str, str]]:
    """A reading of each truck, in the order they were taken."""
    return [
        {"serial": f"T-{k:03d}XY", "read_on": day(7 * k + after), "odometer": str(10_000 + A_DAY[k % 10] * after)}
        for k in range(n)
    ]


def told(records: Records, kind: Issue) -> list[tuple[str, int, str, str, str]]:
    found = records.books.to_check[lambda t: t["kind"] == kind]
    return list(found[["of", "row", "column", "reason", "remedy"]].itertuples(index=False, name=None))


def test_rows_typed_rightly_are_not_doubted(tmp_path):
    assert load(tmp_path, builds=builds(), readings=readings()).books.to_check.empty


def test_few_rows_of_the_demo_are_doubted():
    """1 in 100 rows at most is unlike all beside it, in sheets as mixed as a shop's own."""
    found = load_records(DEMO)
    unlike = [Issue.OFF_ORDER, Issue.LATER, Issue.ODD_RATE, Issue.LONE_PART, Issue.FAR, Issue.NEAR_NAME]
    assert 0 < found.books.to_check["kind"].isin(unlike).sum() <= 0.01 * found.books.counts["read"].sum()


# ---- days ----------------------------------------------------------------------------------------------------------


def test_a_day_of_another_year_is_out_of_the_order_of_its_page(tmp_path):
    rows = builds()
    rows[20] = rows[20] | {"built_on": "2020-05-24"}
    found = load(tmp_path, builds=rows)
    assert told(found, Issue.OFF_ORDER) == [
        ("builds", 22, "built_on", "far from the days of the rows around it (17 May 2021 to 31 May 2021)",
         "check day, month and year: 24 May 2021 would fit; nothing to do if it is right")
    ]  # fmt: skip
    assert f"{found.builds['built_on'][20]:%Y-%m-%d}" == "2020-05-24"  # told, and used as it stands


def test_day_and_month_exchanged_are_named(tmp_path):
    rows = builds()
    assert rows[10]["built_on"] == "2021-03-15"
    rows[9] = rows[9] | {"built_on": "2021-08-03"}  # for 8 March
    found = load(tmp_path, builds=rows)
    assert [remedy.split(";")[0] for *_, remedy in told(found, Issue.OFF_ORDER)] == [
        "check day, month and year: 8 Mar 2021 would fit"
    ]


def test_a_page_in_no_order_of_days_is_left_alone(tmp_path):
    rows = [build(serial=f"T-{k:03d}XY", built_on=day(37 * k % 400), in_service_on="") for k in range(60)]
    assert not told(load(tmp_path, builds=rows), Issue.OFF_ORDER)


def test_days_near_each_other_and_one_far_from_all(tmp_path):
    """Readings of one winter, listed by serial, and one of the winter before."""
    rows = [row | {"read_on": day(900 + 29 * k % 80)} for k, row in enumerate(readings())]
    rows[17] = rows[17] | {"read_on": day(560)}
    found = load(tmp_path, builds=builds(), readings=rows)
    assert [t[:3] for t in told(found, Issue.OFF_ORDER)] == [("readings", 19, "read_on")]


def test_a_row_after_the_day_that_few_others_are_is_told_unless_the_day_was_asked_for(tmp_path):
    rows = readings()
    rows[39] = rows[39] | {"read_on": "2025-09-03"}
    folder = write_shop(tmp_path, '[shop]\nname = "S"\nas_of = "2024-12-31"\n', builds=builds(), readings=rows)
    [(sheet, row, column, reason, remedy)] = told(load_records(folder), Issue.LATER)
    assert (sheet, row, column) == ("readings", 41, "read_on")
    assert reason == "after the day the records are looked at from (31 Dec 2024): the row is not looked at"
    assert remedy == "check the year; if it is right, move as_of in shop.toml"
    assert load_records(folder, as_of="2024-12-31").books.to_check.empty
    many = [row | {"read_on": "2025-09-03"} for row in rows]
    assert not told(load_records(write_shop(tmp_path / "b", '[shop]\nname = "S"\nas_of = "2024-12-31"\n', builds=builds(), readings=many)), Issue.LATER)  # fmt: skip


def test_a_later_day_out_of_its_pages_order_is_told(tmp_path):
    rows = [
        back(serial=f"T-{k:03d}XY", failed_on=day(400 + 7 * k), returned_on=day(405 + 7 * k), odometer="")
        for k in range(40)
    ]
    rows[5] = rows[5] | {"returned_on": "2042-01-11"}
    folder = write_shop(tmp_path, '[shop]\nname = "S"\nas_of = "2024-12-31"\n', builds=builds(), returns=rows)
    found = load_records(folder)
    assert len(found.returns) == 39
    assert ("returns", 7, "returned_on") in [t[:3] for t in told(found, Issue.OFF_ORDER)]
    assert not told(load_records(folder, as_of="2024-12-31"), Issue.OFF_ORDER)


def test_one_row_that_moves_the_day_looked_from_is_told(tmp_path):
    rows = readings()
    rows[39] = rows[39] | {"read_on": "2024-10-05"}
    found = load(tmp_path, as_of=None, builds=builds(), readings=rows)
    assert [t[:4] for t in told(found, Issue.LATER)] == [
        ("readings", 41, "read_on", "the records are looked at from this day, long after every other (28 Aug 2023)")
    ]


# ---- figures -------------------------------------------------------------------------------------------------------


def test_a_power_off_the_steps_of_its_column_is_told_with_the_unit_it_may_be_in(tmp_path):
    rows = builds()
    rows[30] = rows[30] | {"power": "522"}  # 700 hp in kW
    found = load(tmp_path, builds=rows)
    [(_, row, column, reason, remedy)] = told(found, Issue.FAR)
    assert (row, column, reason) == (32, "power", "no multiple of 5, as all but 1 of the 40 figures of its column are")
    assert remedy == "check the figure and its unit (in kW it would fit); nothing to do if it is right"
    assert found.builds["power_hp"][30] == 522
    free = [row | {"power": str(551 + 7 * k)} for k, row in enumerate(builds())]
    assert not told(load(tmp_path / "b", builds=free), Issue.FAR)


def test_a_power_alone_beyond_a_gap_is_told(tmp_path):
    rows = builds()
    rows[30] = rows[30] | {"power": "950"}
    assert [t[3] for t in told(load(tmp_path, builds=rows), Issue.FAR)] == ["1.5 times the middle power of its use"]


def test_a_part_much_too_weak_for_the_truck_is_told(tmp_path):
    """Light shafts up to 650 hp and strong ones above, and a light one in a truck of 745 hp."""
    rows = [row | {"shaft": "IS-A" if int(row["power"]) <= 645 else "IS-B"} for row in builds(60)]
    rows[-1] = rows[-1] | {"shaft": "IS-A"}
    assert [t[3] for t in told(load(tmp_path, builds=rows), Issue.FAR)] == ["1.4 times the middle power with IS-A"]


@pytest.mark.parametrize(
    ("cells", "fits"),
    [
        ({"odometer": f"{(10_000 + 35 * 700) * 1.609344:.0f}"}, "km"),
        ({"read_on": day(7 * 14 + 700 - 365)}, "a year later"),
        ({"odometer": "95000"}, ""),
    ],
)
def test_miles_a_day_that_no_other_truck_drives_are_told(tmp_path, cells, fits):
    rows = readings()
    rows[14] = rows[14] | cells
    found = load(tmp_path, builds=builds(), readings=rows)
    [(sheet, row, column, reason, remedy)] = told(found, Issue.ODD_RATE)
    assert (sheet, row, column) == ("readings", 16, "odometer")
    assert reason.endswith(" miles a day since the figure before; the middle truck of its use drives 37")
    assert fits in remedy.removeprefix("check odometer, day and unit here and at the install")
    assert ("would fit" in remedy) == bool(fits)
    assert len(found.odometer) == 40  # all are used


def test_an_odometer_at_the_install_without_its_last_digit_shows_in_the_first_reading(tmp_path):
    rows = [row | {"odometer_at_install": str(50_000 + 100 * k)} for k, row in enumerate(builds())]
    rows[7] = rows[7] | {"odometer_at_install": "5070"}
    later = [row | {"odometer": str(int(row["odometer"]) + 40_000 + 100 * k)} for k, row in enumerate(readings())]
    assert [t[:3] for t in told(load(tmp_path, builds=rows, readings=later), Issue.ODD_RATE)] == [
        ("readings", 9, "odometer")
    ]


def in_thousands(row: dict[str, str]) -> dict[str, str]:
    return row | {"odometer": f"{int(row['odometer']) / 1000:.0f}"}


def test_miles_that_may_be_in_thousands_are_told_once_and_first(tmp_path):
    """Each odometer of the shop in thousands, and no heading says so."""
    rows = list(map(in_thousands, readings()))
    found = load(tmp_path, builds=builds(odometer_at_install="10"), readings=rows)
    [(sheet, row, column, reason, remedy)] = told(found, Issue.TOO_SLOW)
    assert (sheet, row, column) == ("readings", 2, "odometer")
    assert reason == "by the 40 figures of this column, 30 to 41, the middle truck drives 0.036 miles a day"
    assert "(thousands) behind the heading" in remedy
    assert verdict(found)[1] == "  columns of miles that may be in thousands: 1 to check, first readings.csv, row 2"
    assert ToFix.CELLS is to_fix(found, make_lifetimes(found)).table["what"][0].code


def test_trucks_that_are_trailered_drive_as_little(tmp_path):
    rows = list(map(in_thousands, readings()))
    found = load(tmp_path, builds=builds(odometer_at_install="10", use="sled"), readings=rows)
    assert not told(found, Issue.TOO_SLOW)
    assert not told(load(tmp_path / "four", builds=builds(odometer_at_install="10"), readings=rows[:4]), Issue.TOO_SLOW)


def test_a_truck_is_told_once_and_in_its_own_unit(tmp_path):
    units = '[units]\ndistance = "km"\n'
    rows = [row | {"odometer": str(round((int(row["odometer"]) - 10_000) * 1.609344) + 10_000)} for row in readings()]
    rows[14] = rows[14] | {"odometer": "150000"}
    rows.append({"serial": "T-014XY", "read_on": day(7 * 14 + 1000), "odometer": "350000"})
    found = load(tmp_path, units, builds=builds(), readings=sorted(rows, key=lambda r: r["read_on"]))
    [(*_, reason, _)] = told(found, Issue.ODD_RATE)
    assert reason == "200 km a day since the figure before; the middle truck of its use drives 59.5"


# ---- names ---------------------------------------------------------------------------------------------------------


def test_a_part_long_before_its_next_use_is_told(tmp_path):
    rows = [row | {"conv": "TC-1" if k < 60 else "TC-2"} for k, row in enumerate(builds(100))]
    rows[10] = rows[10] | {"conv": "TC-2"}
    rows[95] = rows[95] | {"conv": "TC-1"}
    assert [t[1:4] for t in told(load(tmp_path, builds=rows), Issue.LONE_PART)] == [
        (12, "conv", "TC-2 350 days before its next use (28 Feb 2022)"),
        (97, "conv", "TC-1 252 days after its last other use (21 Feb 2022)"),
    ]


@pytest.mark.parametrize("typed", ["IS-AA", "IS-", "S-A", "SI-A", "IS-A1", "IS-Q"])
def test_a_short_name_one_letter_from_a_common_one_is_told_once(tmp_path, typed):
    rows = builds()
    rows[3], rows[4] = (row | {"shaft": typed} for row in rows[3:5])
    found = load(tmp_path, builds=rows)
    assert [t[:4] for t in told(found, Issue.NEAR_NAME)] == [
        ("builds", 5, "shaft", "may be IS-A, misspelt or cut short, in 2 rows: counted as another part")
    ]
    listed = load(tmp_path / "b", f'[parts."input shaft"]\n"{typed}" = []\n', builds=rows)
    assert not told(listed, Issue.NEAR_NAME)  # the line that the message offers is enough
    described = [{"component": "input shaft", "part": typed, "material": "steel"}]
    assert not told(load(tmp_path / "c", builds=rows, parts=described), Issue.NEAR_NAME)


def test_two_short_names_in_use_are_two(tmp_path):
    rows = [row | {"shaft": "IS-B" if k < 6 else "IS-A"} for k, row in enumerate(builds())]
    assert not told(load(tmp_path, builds=rows), Issue.NEAR_NAME)


def test_a_use_with_a_slip_is_told(tmp_path):
    rows = builds()
    rows[3] = rows[3] | {"use": "towin"}
    found = load(tmp_path, builds=rows)
    [(_, row, column, reason, remedy)] = told(found, Issue.NEAR_NAME)
    assert (row, column, reason) == (5, "use", "may be towing, misspelt: counted as another use")
    assert remedy.endswith('"towing" = ["towin"], or "towin" = []')
    assert not told(load(tmp_path / "b", '[words.use]\n"towin" = []\n', builds=rows), Issue.NEAR_NAME)


def test_the_quantile_of_the_others_is_that_of_the_values_without_it():
    rng = np.random.default_rng(20261127)
    for size in (1, 2, 3, 7, 40):
        values = pd.Series(rng.normal(size=size).round(1))
        for at, own in values.items():
            for share in (0.05, 0.5, 0.95):
                found = _quantile_of_others(np.sort(values.to_numpy()), own, share)
                assert found == pytest.approx(values.drop(at).quantile(share), abs=1e-12, nan_ok=True)
