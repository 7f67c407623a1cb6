"""Who is under observation when: every case worked out by hand."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.lifetimes.sight import in_sight, make_sight, returns_in_sight
from analytics.lifetimes.table import make_lifetimes
from tests.lifetimes.test_lifetimes import reading
from tests.records.sheets import back, build, load

DAY = pd.Timestamp


def stretches(
    start: str, stop: str, gaps: list[tuple[str, str]] = (), records_start: str | None = None
) -> pd.DataFrame:
    units = pd.DataFrame({"start": [DAY(start)], "stop": [DAY(stop)]})
    gone = pd.DataFrame([(0, DAY(a), DAY(b)) for a, b in gaps], columns=["unit", "since", "until"])
    gone = gone.astype({"unit": int, "since": "datetime64[ns]", "until": "datetime64[ns]"})
    return make_sight(units, gone, DAY(records_start) if records_start else pd.NaT)


def told(sight: pd.DataFrame) -> list[tuple[str, str, bool]]:
    return [(f"{r.from_day:%Y-%m-%d}", f"{r.to_day:%Y-%m-%d}", bool(r.new)) for r in sight.itertuples()]


def test_from_service_to_the_last_day_known():
    assert told(stretches("2021-01-20", "2024-12-31")) == [("2021-01-20", "2024-12-31", True)]


def test_the_time_it_was_gone_is_left_out():
    sight = stretches("2021-01-20", "2024-12-31", [("2022-01-01", "2022-03-01"), ("2023-01-01", "2023-02-01")])
    assert told(sight) == [
        ("2021-01-20", "2022-01-01", True),
        ("2022-03-01", "2023-01-01", False),
        ("2023-02-01", "2024-12-31", False),
    ]


@pytest.mark.parametrize(
    ("start", "stop", "gaps", "records_start", "expected"),
    [
        ("2021-01-20", "2024-12-31", [], "2022-01-01", [("2022-01-01", "2024-12-31", False)]),
        ("2021-01-20", "2024-12-31", [], "2021-01-20", [("2021-01-20", "2024-12-31", True)]),
        ("2021-01-20", "2022-01-01", [], "2022-01-01", []),
        ("2021-01-20", "2024-12-31", [("2021-05-01", "2021-06-01")], "2022-01-01", [("2022-01-01", "2024-12-31", False)]),
        ("2021-01-20", "2024-12-31", [("2021-05-01", "2022-06-01")], "2022-01-01", [("2022-06-01", "2024-12-31", False)]),
        ("2021-01-20", "2021-01-20", [], None, [("2021-01-20", "2021-01-20", True)]),
        ("2021-01-20", "2021-01-10", [], None, []),
        ("2021-01-20", "2021-01-10", [("2020-11-01", "2021-01-05")], None, []),
        ("2021-01-20", "2024-12-31", [("2020-11-01", "2020-12-01"), ("2021-01-01", "2021-02-01"), ("2022-01-01", "2022-03-01")], None, [("2021-02-01", "2022-01-01", False), ("2022-03-01", "2024-12-31", False)]),
    ],
    ids=["late start", "start that day", "gone before", "gap before", "gap across", "first day only", "never", "never, with news", "news from before"],
)  # fmt: skip
def test_records_that_start_later_and_first_days(start, stop, gaps, records_start, expected):
    assert told(stretches(start, stop, gaps, records_start)) == expected


def test_the_last_day_of_a_stretch_counts_and_its_first_does_not_unless_the_unit_is_new():
    sight = stretches("2021-01-20", "2024-12-31", [("2022-01-01", "2022-03-01")])
    days = [
        "2021-01-19",
        "2021-01-20",
        "2022-01-01",
        "2022-01-02",
        "2022-03-01",
        "2022-03-02",
        "2024-12-31",
        "2025-01-01",
    ]
    seen = in_sight(sight, [0] * len(days), pd.to_datetime(days))
    assert seen.tolist() == [False, True, True, False, False, True, True, False]
    assert in_sight(sight, [1], pd.to_datetime(["2022-01-01"])).tolist() == [False]  # a unit that was never in sight


@pytest.mark.parametrize(
    ("failed", "came", "seen_on"),
    [
        ("2022-03-01", "2022-03-05", None),  # it failed while it was gone
        ("2022-01-10", "2022-03-05", "2022-01-20"),  # it failed before it was sold: its last day in sight
        ("", "2022-03-05", None),
    ],
)
def test_what_came_back_from_out_of_sight_is_counted_as_the_lives_count_it(tmp_path, failed, came, seen_on):
    records = load(
        tmp_path,
        builds=[build()],
        returns=[back(failed_on=failed, returned_on=came, odometer="")],
        readings=[reading("2022-01-20", still_running="sold")],
    )
    found = make_lifetimes(records)
    counted = returns_in_sight(records.returns, found.units, found.sight)
    assert [f"{d:%Y-%m-%d}" for d in counted["seen_on"]] == ([seen_on] if seen_on else [])
    failures = (found.table["ended"] == "failed").sum()
    assert failures == len(counted)


def test_a_failure_before_the_records_start_is_not_counted_though_it_came_back_after(tmp_path):
    records = load(tmp_path, "[shop]\nrecords_start = 2022-03-03\n", builds=[build()], returns=[back()])
    found = make_lifetimes(records)  # failed 1 March, came back 5 March
    assert returns_in_sight(records.returns, found.units, found.sight).empty
    assert (found.table["ended"] == "failed").sum() == 0


@pytest.mark.parametrize(("records_start", "counted"), [("2022-02-28", 1), ("2022-03-01", 0)])
def test_a_failure_on_the_day_the_records_start_is_not_counted(tmp_path, records_start, counted):
    """The first day of a stretch in sight carries nothing, unless the unit went into service then."""
    table = make_lifetimes(
        load(tmp_path, f"[shop]\nrecords_start = {records_start}\n", builds=[build()], returns=[back()])
    ).table
    assert (table["ended"] == "failed").sum() == counted


def test_a_change_that_brings_a_unit_back_ends_no_life(tmp_path):
    """Tuned while it was thought sold: the part goes on after the change, so the piece before has ended by a change too."""
    sold = {"serial": "AA-1", "read_on": "2022-01-01", "still_running": "sold"}
    changed = {"serial": "AA-1", "changed_on": "2022-06-01", "power": "900 hp"}
    records = load(tmp_path, builds=[build(serial="AA-1", built_on="2021-01-01")], readings=[sold], changes=[changed])
    table = make_lifetimes(records).table
    own = table[table["component"] == "input shaft"]
    assert own["ended"].tolist() == ["changed", "running"]


def test_a_lost_unit_that_comes_back_to_be_scrapped_is_not_counted(tmp_path):
    lost = {"serial": "AA-1", "read_on": "2022-01-01", "still_running": "lost"}
    end = back(serial="AA-1", failed_on="2022-10-25", returned_on="2022-10-26", replaced_with="scrapped")
    records = load(tmp_path, builds=[build(serial="AA-1", built_on="2021-01-01")], readings=[lost], returns=[end])
    table = make_lifetimes(records).table
    assert set(table["ended"]) == {"running"}
    assert set(table["ended_on"]) == {DAY("2022-01-01")}


def test_what_breaks_after_a_truck_was_scrapped_before_the_records_start_is_not_counted(tmp_path):
    gone = [reading("2021-02-01", still_running="scrapped")]
    returns = [back(failed_on="2022-03-01", returned_on="", replaced_with="scrapped")]
    toml = '[shop]\nrecords_start = "2021-03-01"\n'
    table = make_lifetimes(load(tmp_path, toml, builds=[build()], readings=gone, returns=returns)).table
    assert not (table["ended"] == "failed").any()


def test_a_failure_on_the_day_the_records_start_counts_where_the_truck_went_to_work_that_day(tmp_path):
    toml = "[shop]\nrecords_start = 2021-01-20\n"
    broke = back(failed_on="2021-01-20", returned_on="2021-01-20", odometer="")
    table = make_lifetimes(load(tmp_path, toml, builds=[build()], returns=[broke])).table
    assert (table["ended"] == "failed").sum() == 1
