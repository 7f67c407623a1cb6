"""Repeated returns: by build year, with age, and new against rebuilt."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import make_lifetimes
from analytics.models.cells import repeated_failures
from analytics.reasons import Rebuilt, reason
from analytics.records.load import load_records
from analytics.records.measures import DAYS_A_YEAR
from analytics.review.months_in_service import months_table
from analytics.review.quarter import quarter_of
from analytics.review.repeats import (
    _as_new,
    _at_risk,
    _chance_to_tell,
    _out_of_sight,
    _stretches,
    _unit_trend,
    by_build_year,
    comebacks,
    mean_comebacks,
    rebuilt,
)
from analytics.review.snapshot import snapshot_of
from analytics.review.this_quarter import change
from analytics.words.answers import worded
from analytics.words.saying import say
from tests.published import shops
from tests.small_shop import TOML, build, returned, write_shop


def load(folder, **sheets):
    records = load_records(write_shop(folder, **sheets))
    return records, make_lifetimes(records)


def test_ten_repairs_of_one_system_equal_the_handbook(tmp_path):
    """NIST/SEMATECH e-Handbook of Statistical Methods, data 8.2.2.3, results 8.4.5.2; hours stand where a truck has days."""
    hours = (5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478)
    records = load_records(shops.one_system(hours, 1500, tmp_path))
    process = _unit_trend(records, make_lifetimes(records))
    assert process.events == 10
    assert process.b * 9 / 10 == pytest.approx(0.483506, abs=1e-6)  # less its small-sample bias
    assert process.b == pytest.approx(0.537228866, rel=1e-6)
    assert process.p_value == pytest.approx(2 * norm.sf(1.326949183), rel=1e-6)


def test_valve_seats_come_back_faster_with_age(tmp_path, reference, reference_data):
    """Nelson and Doganaksoy 1989 through a typed shop; two seats of one day are one comeback of the engine."""
    records = load_records(shops.valve_seats(reference_data("valve_seat"), tmp_path))
    lifetimes = make_lifetimes(records)
    mean = mean_comebacks(records, lifetimes)
    assert mean.total_events == 46
    seats = reference("D07", "mcf")
    early = seats[seats["at"].astype(float) < 300]  # before the first double replacement
    d = reference_data("valve_seat")
    twice = d[d["status"] == 1].groupby(["id", "time"]).size()
    first_double = twice[twice == 2].reset_index()["time"].min()
    early = early[early["at"].astype(float) < first_double]
    assert len(early)
    np.testing.assert_allclose(mean.mean_at(early["at"].astype(float))["mean"], early["value"], rtol=1e-6)
    assert _unit_trend(records, lifetimes).b > 1
    told = by_build_year(records, lifetimes)
    assert any("As a unit ages its comebacks come closer together" in line for line in worded(told).sentences)


def test_stretches_start_anew_after_each_comeback(tmp_path):
    builds = [
        build("T-A", "2020-01-01"),
        build("T-B", "2020-01-01"),
        build("T-C", "2020-01-01"),
        build("LOT", "2020-01-01", count=3),
    ]
    back = [
        returned("T-A", "2021-01-01"),
        returned("T-A", "2022-01-01", "converter"),
        returned("T-A", "2022-06-01", cause="no fault"),
        returned("T-B", "2021-01-01", replaced_with="scrapped"),
        returned("LOT", "2021-01-01"),
        returned("LOT", "2021-07-01"),
    ]
    frame = _stretches(*load(tmp_path, builds=builds, returns=back))
    own = dict(list(frame.groupby("unit")))
    assert own[0][["rebuilds", "time", "failed"]].to_numpy().tolist() == [
        [0, 366, True],
        [1, 365, True],
        [2, 820, False],
    ]
    assert own[1][["rebuilds", "failed"]].to_numpy().tolist() == [[0, True]]  # scrapped: nothing is rebuilt
    assert own[2][["rebuilds", "failed"]].to_numpy().tolist() == [[0, False]]
    # of the three in a row each return is of another, and the third never came back
    assert own[3][["rebuilds", "failed", "count"]].to_numpy().tolist() == [[0, False, 1]]
    assert [own[k][["rebuilds", "failed"]].to_numpy().tolist() for k in (4, 5)] == [[[0, True], [1, False]]] * 2


def frame_of(rng, units, rate, rebuilds):
    time = rng.exponential(1 / rate, units) * DAYS_A_YEAR
    end = rng.uniform(0.5, 4, units) * DAYS_A_YEAR
    return pd.DataFrame(
        {"unit": np.arange(units) + 10_000 * rebuilds, "rebuilds": rebuilds, "entry": 0.0, "time": np.minimum(time, end).round(),
         "failed": time <= end, "count": 1, "power_band": rng.choice(["low", "high"], units), "use": "street"}
    )  # fmt: skip


def test_the_interval_holds_the_truth_as_often_as_it_says_and_the_power_is_as_stated():
    """120 fleets drawn alike (seed 5): new and rebuilt at one rate, then the rebuilt at twice it."""
    rng = np.random.default_rng(5)
    held, told, promised = 0, 0, []
    for _ in range(120):
        new, again, double = (
            frame_of(rng, n, rate, k) for n, rate, k in ((500, 0.06, 0), (80, 0.06, 1), (80, 0.12, 1))
        )
        test = _as_new(1, again, new)
        held += test.lower <= 1 <= test.upper
        told += _as_new(1, double, new).lower > 1
        promised.append(test.sees_double)
    assert held / 120 >= 0.94  # exact limits are never short
    assert told / 120 == pytest.approx(np.mean(promised), abs=0.1)


def test_strata_are_compared_like_with_like():
    """Rebuilt trucks that are all of the bad stratum look no worse than the new ones of it."""
    rng = np.random.default_rng(8)
    good, bad = (
        frame_of(rng, 2000, 0.02, 0).assign(power_band="low"),
        frame_of(rng, 2000, 0.3, 0).assign(power_band="high"),
    )
    again = frame_of(rng, 200, 0.3, 1).assign(power_band="high")
    test = _as_new(1, again, pd.concat([good, bad]))
    assert test.lower < 1 < test.upper
    raw = _as_new(1, again, pd.concat([good, bad]), by=("use",))
    assert raw.lower > 1.5


def test_too_little_to_compare_is_said(tmp_path):
    builds = [build(f"T-{k:02d}", "2020-01-01") for k in range(30)]
    told = rebuilt(*load(tmp_path / "few", builds=builds, returns=[returned("T-01", "2023-06-01")]))
    assert "Too little has been expected so far" in worded(told).sentences[0]
    none = rebuilt(*load(tmp_path / "none", builds=builds))
    assert worded(none).sentences == ("No unit has been rebuilt after a comeback yet.",)
    assert worded(by_build_year(*load(tmp_path / "none", builds=builds))).sentences == (
        "No unit has come back damaged yet.",
    )


def test_chance_to_tell_grows_with_ratio_and_data():
    assert _chance_to_tell(2, 10, 1000) < _chance_to_tell(3, 10, 1000) < 1
    assert _chance_to_tell(2, 10, 1000) < _chance_to_tell(2, 40, 1000)
    assert _chance_to_tell(1, 20, 10_000) <= 0.025  # a false alarm on the upper side


def test_a_worse_year_is_told_from_the_others(tmp_path):
    builds = [build(f"Q-{k:03d}", "2020-02-01") for k in range(150)] + [
        build(f"R-{k:03d}", "2022-02-01") for k in range(150)
    ]
    back = [returned(f"Q-{k:03d}", "2021-01-05") for k in range(3)] + [
        returned(f"R-{k:03d}", "2023-01-05") for k in range(30)
    ]
    told = by_build_year(*load(tmp_path, builds=builds, returns=back))
    line = next(line for line in worded(told).sentences if line.startswith("Built 2022 against all before"))
    assert "18 more per hundred units" in line
    assert "more than chance" in line


def test_a_year_too_thin_to_compare_keeps_its_row_and_its_comebacks(tmp_path):
    builds = [build(f"Q-{k:03d}", "2020-02-01") for k in range(40)] + [build(f"R-{k}", "2022-02-01") for k in range(5)]
    back = [returned(f"Q-{k:03d}", "2021-01-05") for k in range(3)] + [returned("R-1", "2023-01-05")]
    told = by_build_year(*load(tmp_path, builds=builds, returns=back))
    once = told.table.drop_duplicates("built_in")
    assert once[["built_in", "units", "comebacks"]].to_numpy().tolist() == [["2020", 40, 3], ["2022", 5, 1]]
    assert any("built in 2022 (1 comeback of 5 units)" in line for line in worded(told).sentences)


def test_comebacks_without_new_units_alike_are_counted_and_named():
    """18 rebuilt comebacks at a use that new units have, one at a use that none has."""
    rng = np.random.default_rng(3)
    new = frame_of(rng, 400, 0.1, 0)
    again = frame_of(rng, 60, 0.1, 1).assign(failed=np.arange(60) < 18, time=200.0)
    alone = again.iloc[:1].assign(use="sled", unit=99_999, failed=True)
    test = _as_new(1, pd.concat([again, alone]), new)
    assert (test.comebacks, test.compared) == (19, 18)
    assert test.years == pytest.approx(test.compared_years + 200 / DAYS_A_YEAR)
    assert test.ratio == pytest.approx(18 / test.expected)
    assert "19 comebacks (1 of them in 0.5 unit-years" in say(reason(Rebuilt.NO_DIFFERENCE, test=test))


def test_units_gone_and_back_with_a_failure_are_counted_by_the_rule_of_the_lives(tmp_path):
    """40 trucks, 25 sold after a year; 6 of those come back broken a year later, 2 that were never sold do too. Only the
    latter count: of sold trucks none but the broken are heard of again."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01") for k in range(40)]
    sold = [{"serial": b["serial"], "read_on": "2021-01-01", "still_running": "sold"} for b in builds[:25]]
    back = [returned(b["serial"], "2022-01-01") for b in [*builds[:6], *builds[30:32]]]
    records, lifetimes = load(tmp_path, builds=builds, returns=back, readings=sold)
    mean = mean_comebacks(records, lifetimes)
    assert (mean.total_events, mean.units) == (2, 40)
    assert mean.at_risk.tolist() == [15]
    assert mean.mean[-1] == pytest.approx(2 / 15)
    assert int((lifetimes.table["ended"] == "failed").sum()) == 2
    # in sight: 25 for 366 days, 6 of them from the day after their return to 31 March 2024, 15 all along
    assert mean.exposure == 25 * 366 + 6 * 820 + 15 * 1551
    frame = by_build_year(records, lifetimes).table
    assert frame["comebacks"].unique().tolist() == [2]
    assert _stretches(records, lifetimes).query("failed")["count"].sum() == 2
    assert _unit_trend(records, lifetimes).events == 2


def test_two_returns_that_count_on_one_day_are_one_comeback(tmp_path):
    """One that scrapped the truck, and one that broke before and came in after: both are dated to its last day in sight."""
    back = [
        returned("T-001XY", "2022-06-01", replaced_with="scrapped"),
        returned("T-001XY", "2022-05-01", component="converter", returned_on="2022-07-01"),
    ]
    records, lifetimes = load(tmp_path, builds=[build("T-001XY", "2022-01-01")], returns=back)
    assert records.returns["event"].nunique() == 2
    assert comebacks(records, lifetimes)["day"].tolist() == [pd.Timestamp("2022-06-01")]
    assert _out_of_sight(records, lifetimes) == 0
    assert _stretches(records, lifetimes)["rebuilds"].tolist() == [0]


def test_trucks_that_were_sold_and_came_back_broken_count_nowhere(tmp_path):
    """25 sold after a year, 6 of them back with a failure later, 15 still there: the sold ones that hold are never heard of."""
    builds = [build(f"T-{k:03d}XY", "2021-01-01") for k in range(40)]
    readings = [
        {"serial": b["serial"], "read_on": "2022-01-01", "odometer": 9000, "still_running": "sold"} for b in builds[:25]
    ]
    back = [returned(b["serial"], "2024-02-01") for b in builds[:6]]
    records, lifetimes = load(tmp_path, builds=builds, returns=back, readings=readings)
    assert not (lifetimes.table["ended"] == "failed").any()
    assert comebacks(records, lifetimes).empty
    with pytest.raises(NotEnoughData):
        mean_comebacks(records, lifetimes)
    with pytest.raises(NotEnoughData):
        _unit_trend(records, lifetimes)
    with pytest.raises(NotEnoughData):
        repeated_failures(lifetimes.table, lifetimes.units, lifetimes.sight)
    told = " ".join(worded(by_build_year(records, lifetimes)).sentences)
    assert "6 comebacks of units that had been reported sold" in told
    assert "wear" not in told
    frame = _stretches(records, lifetimes)
    assert not frame["failed"].any()
    # the six are in sight again from the day they came back, rebuilt nobody knows how often
    since, again = (records.as_of - pd.to_datetime(["2021-01-01", "2024-02-01"])).days
    days = 15 * since + 25 * 365 + 6 * again
    assert (frame["time"] - frame["entry"]).sum() == days - 6 * again
    months = months_table(snapshot_of(records, lifetimes))
    assert months["came"].sum() == 0
    assert months["unit_years"].sum() == pytest.approx(days / 365.25)
    changed = change(records, lifetimes, quarter_of(records.as_of))
    assert changed.table["comebacks"].tolist() == [0, 0]
    assert "6 more broke out of sight" in " ".join(worded(changed).sentences)


def test_what_is_expected_as_new_is_as_uncertain_as_the_new_units_leave_it():
    """Two bands, all within the first quarter: 10 years at 4 in 20, 5 years at 1 in 5."""
    fifth = 0.2 * DAYS_A_YEAR
    columns = ["power_band", "use", "entry", "time", "failed", "count", "unit"]
    new = pd.DataFrame(
        [["low", "", 0, fifth, True, 4, 0], ["low", "", 0, fifth, False, 96, 1], ["high", "", 0, fifth, True, 1, 2],
         ["high", "", 0, fifth, False, 24, 3]],
        columns=columns,
    )  # fmt: skip
    own = pd.DataFrame([["low", "", 0, fifth, False, 50, 4], ["high", "", 0, fifth, True, 25, 5]], columns=columns)
    told = _as_new(1, own, new)
    assert told.expected == pytest.approx(10 * 4 / 20 + 5 * 1 / 5)
    assert told.expected_error == pytest.approx(np.sqrt(10**2 * 4 / 20**2 + 5**2 * 1 / 5**2))
    assert (told.comebacks, told.compared, told.units) == (25, 25, 75)


def test_as_many_in_a_quarter_as_in_the_year_before_are_compared(tmp_path):
    builds = [build("T-111", "2020-01-01"), build("T-222", "2020-01-01")]
    back = [returned("T-111", "2024-02-01"), returned("T-222", "2023-05-01")]
    records, lifetimes = load(tmp_path, builds=builds, returns=back)
    told = change(records, lifetimes, quarter_of(records.as_of)).table.set_index("component").loc[back[0]["component"]]
    assert (told["comebacks"], told["year_before"]) == (1, 1)
    assert told["ratio"] == pytest.approx(told["year_before_unit_years"] / told["unit_years"])


def test_what_broke_out_of_sight_is_told_beside_what_counts(tmp_path):
    """Of two that broke in the quarter one had been sold before."""
    sold = {"serial": "T-111", "read_on": "2024-01-01", "odometer": 9000, "still_running": "sold"}
    builds = [build("T-111", "2020-01-01"), build("T-222", "2020-01-01")]
    back = [returned("T-111", "2024-02-01"), returned("T-222", "2024-02-01")]
    records, lifetimes = load(tmp_path, builds=builds, returns=back, readings=[sold])
    assert _out_of_sight(records, lifetimes) == 1
    changed = change(records, lifetimes, quarter_of(pd.Timestamp("2024-02-01")))
    assert changed.table["comebacks"].sum() == 1
    assert "1 more broke out of sight" in " ".join(worded(changed).sentences)


def test_what_broke_before_a_truck_was_sold_is_of_that_quarter_though_it_came_back_later(tmp_path):
    """Broken and sold in December, back in February with another part broken that month: one comeback, of its last day in sight."""
    sold = {"serial": "T-111", "read_on": "2023-12-20", "odometer": 9000, "still_running": "sold"}
    heard = {"serial": "T-111", "read_on": "2024-02-01", "odometer": 9500}
    back = [
        returned("T-111", "2024-02-10") | {"failed_on": "2023-12-10"},
        returned("T-111", "2024-02-10", "converter") | {"failed_on": "2024-02-05"},
    ]
    records, lifetimes = load(tmp_path, builds=[build("T-111", "2020-01-01")], returns=back, readings=[sold, heard])
    counted = change(records, lifetimes, quarter_of(pd.Timestamp("2024-03-31"))).table.set_index("component")
    assert counted[["comebacks", "last_quarter"]].to_dict("index") == {
        "converter": {"comebacks": 1, "last_quarter": 0},
        "input shaft": {"comebacks": 0, "last_quarter": 1},
    }
    assert comebacks(records, lifetimes)["day"].tolist() == [pd.Timestamp("2023-12-20")]


def test_a_part_that_came_back_at_four_years_to_the_day_is_of_the_months_before(tmp_path):
    """1,461 days are 48 months: the last day of a stretch belongs to it."""
    back = [returned("T-111", "2024-01-01")]
    builds = [build("T-111", "2020-01-01"), build("T-222", "2020-01-01")]
    records, lifetimes = load(tmp_path, builds=builds, returns=back)
    table = months_table(snapshot_of(records, lifetimes)).set_index("month_from")
    assert table.loc[[45, 48], "came"].tolist() == [1, 0]


def test_a_truck_heard_of_again_is_watched_from_then_on(tmp_path):
    """In service 2020-01-01, sold at a year, heard of again at three, broken at four: at risk in years one and four alone."""
    builds = [build("T-111", "2020-01-01"), build("T-222", "2020-01-01")]
    readings = [
        {"serial": "T-111", "read_on": "2021-01-01", "odometer": 9000, "still_running": "sold"},
        {"serial": "T-111", "read_on": "2023-01-01", "odometer": 20_000, "still_running": "yes"},
    ]
    back = [returned("T-111", "2024-01-01"), returned("T-222", "2022-01-01")]
    records, lifetimes = load(tmp_path, builds=builds, returns=back, readings=readings)
    mean = mean_comebacks(records, lifetimes)
    assert mean.at_risk.tolist() == [1, 2]
    assert mean.mean.tolist() == [1.0, 1.5]
    assert mean.units == 2
    own = _stretches(records, lifetimes).query("unit == 0")
    assert own[["entry", "time", "failed"]].to_numpy().tolist() == [[0, 366, False]]
    assert [_at_risk(records, lifetimes, np.ones(2, bool), age * 365.0) for age in (1, 2, 3.5)] == [2, 1, 2]
    months = months_table(snapshot_of(records, lifetimes))
    assert months.loc[months["came"] > 0, "month_from"].tolist() == [24, 45]
    assert months.query("month_from == 15")["units"].tolist() == [1]


def test_the_band_of_a_unit_is_the_one_it_went_out_with(tmp_path):
    """A converter fitted after a tune comes first by the alphabet, and tells nothing of the truck when new."""
    builds = [build("T-1", "2020-01-01", power=700, converter="none")]
    changes = [{"serial": "T-1", "changed_on": "2021-01-01", "power": 1200}]
    fitted = [{"serial": "T-1", "component": "converter", "part": "C", "fitted_on": "2022-01-01"}]
    frame = _stretches(*load(tmp_path, builds=builds, changes=changes, fitted=fitted))
    assert frame["power_band"].tolist() == ["600 to 1,000"]


def test_the_band_of_a_unit_older_than_the_records_is_that_of_the_truck_when_new(tmp_path):
    """Built before the records start and tuned before, too: it went out at 700 hp whatever is seen of it."""
    builds = [build("T-1", "2019-01-01", power=700)]
    changes = [{"serial": "T-1", "changed_on": "2019-06-01", "power": 1200}]
    toml = TOML.replace("[components]", 'records_start = "2020-01-01"\n[components]')
    records = load_records(write_shop(tmp_path, toml, builds=builds, changes=changes))
    frame = _stretches(records, make_lifetimes(records))
    assert frame["power_band"].tolist() == ["600 to 1,000"]
