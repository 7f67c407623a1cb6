"""Whom to call: above the limit, worth asking, at random; and that the list stays in the shop."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings
from analytics.reasons import Above, Limits
from analytics.records.load import load_records
from analytics.report.rating_files import customer_sheet
from analytics.review.calls import (
    above_limit,
    chance_to_find,
    chances_ahead,
    follow_up,
    odometers_to_ask,
    random_calls,
    silent_share,
)
from analytics.review.quarter import quarter_of
from analytics.review.snapshot import snapshot_of
from analytics.review.this_quarter import limits_spoken_to
from analytics.words.answers import worded
from tests.small_shop import build, rateable_shop, returned, write_shop


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """60 trucks of 450 to 1,040 hp, 8 shafts failed, the first 50 read on the last day but one; a limit of 700 hp on the shaft."""
    folder = rateable_shop(tmp_path_factory.mktemp("calls") / "shop")
    pd.DataFrame(
        [{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2019-01-01"},
         {"component": "converter", "part": "C", "power_limit": 1000, "effective_on": "2019-01-01"}]
    ).to_csv(folder / "limits.csv", index=False)  # fmt: skip
    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    return records, lifetimes, snapshot_of(records, lifetimes)


def test_all_that_run_above_a_limit_and_no_others(shop):
    records, _, snapshot = shop
    told = above_limit(records, snapshot)
    # the eight strongest lost their shaft, and what went in is not recorded: only their converter has a limit
    assert set(told.table["serial"]) == {f"T-{k:03d}XY" for k in (*range(26, 52), *range(56, 60))}
    own = worded(told).table.set_index("serial")
    assert own.loc["T-059XY", "above"] == "converter C (1,000 hp)"
    assert own.loc["T-051XY", "above"] == "input shaft A (700 hp)"
    assert own.loc["T-051XY", "over_by"] == pytest.approx(960 / 700 - 1)
    assert worded(told).sentences[0] == (
        "30 of 60 trucks in service run a part above what is published for it: input shaft A 26 and converter C 4."
    )


def test_the_likeliest_to_fail_comes_first(shop):
    records, _, snapshot = shop
    table = above_limit(records, snapshot).table
    known = table["in_a_year"].dropna()
    assert (np.diff(known) <= 0).all()
    assert known.between(0, 1).all()
    ahead = chances_ahead(snapshot)
    assert len(ahead) == int(
        ((snapshot.table["ended"] == "running") & (snapshot.table["ended_on"] >= snapshot.as_of)).sum()
    )
    # no converter has failed: no chance, rather than nought
    part = snapshot.lifetimes.table["part"].iloc[ahead["position"]].to_numpy()
    assert ahead.loc[part == "C", "in_a_year"].isna().all()
    assert ahead.loc[part == "A", "in_miles"].between(0, 1).all()


def _proposed(weight_up_to: list[float], hp: list[float], use: str = "") -> pd.DataFrame:
    """A sheet of ratings of the shaft."""
    return pd.DataFrame(
        {"component": "input shaft", "part": "A", "use": use, "weight_up_to": weight_up_to, "supported_hp": hp}
    )


def test_a_proposed_limit_counts_instead_where_it_is_given(shop):
    records, _, snapshot = shop
    told = above_limit(records, snapshot, _proposed([7000.0, 9000.0], [950.0, 600.0]))
    own = records.builds.set_index("serial").head(52)
    above = own["power_hp"] > np.where(own["weight_lb"] <= 7000, 950, 600)
    assert set(told.table["serial"]) == set(own.index[above])
    assert "above what is supported by the records" in worded(told).sentences[0]


def test_nothing_to_hold_against(tmp_path):
    records = load_records(write_shop(tmp_path, builds=[build("T-111"), build("T-112", power="")]))
    snapshot = snapshot_of(records)
    assert worded(above_limit(records, snapshot)).sentences == ("No limit is published, so no truck can be above one.",)
    limits = [{"component": "input shaft", "part": "A", "power_limit": 900, "effective_on": "2019-01-01"}]
    records = load_records(write_shop(tmp_path / "b", builds=[build("T-111"), build("T-112", power="")], limits=limits))
    told = " ".join(worded(above_limit(records, snapshot_of(records))).sentences)
    assert "None of 1 trucks" in told
    assert "1 more truck with a limited part has no power on record" in told


def test_forty_calls_and_a_hundred_at_seventy_per_cent_reported():
    """500 units, four in five of them silent, 20 failures reported: 8.6 silent ones among 409. Reckoned before: .57 and .88."""
    silent = silent_share(20, 0.7, 400 + 20 * 0.3 / 0.7)
    assert chance_to_find(40, silent) == pytest.approx(0.57, abs=0.005)
    assert chance_to_find(100, silent) == pytest.approx(0.88, abs=0.005)
    assert chance_to_find(0, silent) == 0
    assert chance_to_find(3, 1.0) == 1
    assert silent_share(20, 1.0, 400) == 0
    with pytest.raises(AnalyticsError, match="reporting share 0"):
        silent_share(20, 0, 400)


def test_the_chance_is_what_drawing_gives():
    """20,000 draws of 40 out of 409 with 9 silent (seed 3); without putting back it is a little higher."""
    rng = np.random.default_rng(3)
    found = (rng.hypergeometric(9, 400, 40, 20_000) > 0).mean()
    promised = chance_to_find(40, 9 / 409)
    assert promised <= found + 0.01
    assert promised == pytest.approx(found, abs=0.05)


def test_the_random_sample_is_random_among_the_silent_and_the_same_each_time(shop):
    records, lifetimes, _ = shop
    found = follow_up(records, lifetimes, calls=8)
    silent = {f"T-{k:03d}XY" for k in range(50, 60)} - set(_heard_lately(records))
    assert set(found.drawn) <= silent
    assert found.silent == len(silent)
    assert found.drawn == follow_up(records, lifetimes, calls=8).drawn
    assert found.drawn != follow_up(records, lifetimes, calls=8, seed=2).drawn
    counts = pd.Series([s for seed in range(300) for s in follow_up(records, lifetimes, 3, seed).drawn]).value_counts()
    assert len(counts) == len(silent)
    assert counts.max() / counts.min() < 2.2
    told = random_calls(records, lifetimes)
    assert "Phone these" in worded(told).sentences[0]


def test_a_silent_row_of_many_units_is_one_call(tmp_path):
    """25 alike in one row make 25 units and one number to phone: fewer calls than any share is worked out for."""
    builds = [build("LOT-25", "2020-01-01", count=25), build("T-1", "2020-01-01")]
    records = load_records(write_shop(tmp_path, builds=builds, returns=[returned("T-1", "2023-12-01")]))
    told = random_calls(records, make_lifetimes(records))
    assert told.table["serial"].tolist() == ["LOT-25"]
    assert "25 units" in worded(told).sentences[0]


def test_a_part_fitted_lately_is_news_of_the_unit(tmp_path):
    fitted = [{"serial": "T-1", "component": "converter", "part": "C2", "fitted_on": "2024-01-15"}]
    records = load_records(write_shop(tmp_path, builds=[build("T-1", "2020-01-01")], fitted=fitted))
    assert follow_up(records, make_lifetimes(records)).drawn == ()


def _heard_lately(records):
    late = records.returns[records.returns["day"] > records.as_of - pd.Timedelta(days=365)]
    return records.builds["serial"].iloc[late["unit"]].tolist()


def test_customers_never_see_the_lists(shop):
    records, lifetimes, snapshot = shop
    listed = (
        set(above_limit(records, snapshot).table["serial"])
        | set(random_calls(records, lifetimes).table["serial"])
        | set(odometers_to_ask(lifetimes).table.get("serial", []))
    )
    assert len(listed) > 30
    page = customer_sheet(make_ratings(records, lifetimes, options_for(records.shop)))
    assert not [serial for serial in listed if serial in page]
    for answer in (above_limit(records, snapshot), random_calls(records, lifetimes)):
        assert any("stays in the shop" in line for line in worded(answer).sentences)


@pytest.mark.parametrize("heavy", [False, True])
def test_trucks_on_what_nothing_supports_come_first(shop, heavy):
    """No power is proven for the lighter trucks, or for the heavier: each of them stands first, whatever its power."""
    records, _, snapshot = shop
    told = above_limit(records, snapshot, _proposed([7000.0, 9000.0], [600.0, np.nan] if heavy else [np.nan, 600.0]))
    own = records.builds.set_index("serial").head(52)
    unproven = (own["weight_lb"] > 7000) == heavy
    bare, over = set(own.index[unproven]), set(own.index[~unproven & (own["power_hp"] > 600)])
    assert len(bare) > 5
    assert len(over) > 5
    assert set(told.table["serial"].head(len(bare))) == bare
    assert set(told.table["serial"].iloc[len(bare) :]) == over
    assert worded(told).table["above"].head(len(bare)).eq("input shaft A (no power supported)").all()
    first = f"{len(bare)} of them stand first: the records support no power at all for input shaft A ({len(bare)})"
    assert first in worded(told).sentences[1]


def test_what_has_no_row_or_none_of_its_use_is_supported_by_nothing(shop):
    records, _, snapshot = shop
    own = records.builds.set_index("serial").head(52)
    # nothing proven at all is no reason to say that none is above
    nothing = above_limit(records, snapshot, _proposed([6800.0, 7000.0], [np.nan, np.nan]))
    assert set(nothing.table["serial"]) == set(own.index)
    assert not any("can be above one" in line for line in worded(nothing).sentences)
    # the heaviest class has no row: what is heavier is supported by nothing, though the class below has a power
    light = above_limit(records, snapshot, _proposed([6800.0], [600.0]))
    assert set(own.index[own["weight_lb"] > 6802]) <= set(light.table["serial"])
    # a row of their own counts before the one for any use
    street = pd.concat([_proposed([9000.0], [5000.0]), _proposed([9000.0], [np.nan], "street")])
    assert set(above_limit(records, snapshot, street).table["serial"]) == set(own.index)


def test_a_truck_of_unknown_weight_is_held_against_the_lightest_class_and_one_of_unknown_power_against_nothing_proven(
    tmp_path,
):
    folder = rateable_shop(tmp_path)
    builds = pd.read_csv(folder / "builds.csv", dtype=str)
    more = [
        build("T-901XY", power=1000, weight=""),
        build("T-902XY", power=900, weight=""),
        build("T-903XY", power="", weight=8000),
    ]
    pd.concat([builds, pd.DataFrame(more)]).to_csv(folder / "builds.csv", index=False)
    records = load_records(folder)
    snapshot = snapshot_of(records, make_lifetimes(records))
    told = above_limit(records, snapshot, _proposed([7000.0, 9000.0], [950.0, np.nan]))
    assert {"T-901XY", "T-902XY", "T-903XY"} & set(told.table["serial"]) == {"T-901XY", "T-903XY"}
    own = told.table.set_index("serial")["over_by"]
    assert own["T-901XY"] == pytest.approx(1000 / 950 - 1)
    assert np.isnan(own["T-903XY"])
    # it stands on the list, so it is not among those that may be above one and nobody knows
    assert not any("no power on record" in line for line in worded(told).sentences)
    light = above_limit(records, snapshot, _proposed([9000.0], [950.0]))
    assert Above.NO_POWER in {said.code for said in light.said}


def test_a_failure_at_an_unknown_power_had_no_limit_that_applied(tmp_path):
    builds = [build(f"T-{k:03d}XY", power=power) for k, power in enumerate((650, "", 750))]
    back = [returned(b["serial"], "2024-02-01") for b in builds]
    limits = [{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2019-01-01"}]
    records = load_records(write_shop(tmp_path, builds=builds, returns=back, limits=limits))
    told = limits_spoken_to(records, make_lifetimes(records), quarter_of(records.as_of))
    assert told.table[["failed_within", "failed_above"]].to_numpy().tolist() == [[1, 1]]
    assert {said.code: said.values for said in told.said}[Limits.NO_LIMIT_APPLIED] == {"failures": 1}


def test_a_tune_of_today_counts_today(tmp_path):
    """Its life until today ran at the power before, and above the limit it runs from now on."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=600, weight=7000) for k in range(3)]
    tuned = [{"serial": "T-001XY", "changed_on": "2024-03-31", "power": 900}]
    limits = [{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2019-01-01"}]
    records = load_records(write_shop(tmp_path / "shop", builds=builds, changes=tuned, limits=limits))
    found = above_limit(records, snapshot_of(records)).table
    assert list(found["serial"]) == ["T-001XY"]
    assert found["power_hp"].iat[0] == 900
