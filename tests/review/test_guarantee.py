"""How long a guarantee a band could carry: by hand, against a known truth, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.reasons import Guarantee, reason
from analytics.records.load import NOT_RECORDED, load_records
from analytics.review import guarantee as guarantees
from analytics.review.guarantee import (
    MONTHS,
    _band_factor,
    _came_and_expected,
    _install,
    allowed_costs,
    band_costs,
    guarantee,
    longest,
)
from analytics.review.snapshot import snapshot_of
from analytics.words.answers import worded
from analytics.words.saying import say
from tests.small_shop import TOML, build, returned, write_shop


def test_longest_by_hand():
    grid = np.array([1.0, 2.0, 3.0, 4.0])
    cost = np.array([[0.1, 0.2, 0.4, 0.8], [0.1, 0.2, 0.3, 0.35], [0.5, 0.6, 0.7, 0.8]])
    assert longest(cost, grid, 0.4).tolist() == [3.0, np.inf, 0.0]
    assert longest(cost[0], grid, 0.3)[0] == pytest.approx(2.5)
    assert longest(cost[0], grid, 0.05)[0] == 0


LIFE = {True: 24.0, False: 8.0}  # years, weak and strong band


def shop(folder, costs, seed=4, units=400):
    """Trucks of two bands with a Weibull life of shape 2, a third as long in the strong band: 24 and 8 years."""
    rng = np.random.default_rng(seed)
    builds, back, readings = [], [], []
    for k in range(units):
        power = 500 if k % 2 else 800
        day = pd.Timestamp("2019-01-01") + pd.Timedelta(days=int(rng.integers(0, 1800)))
        builds.append(build(f"G-{k:04d}", f"{day:%Y-%m-%d}", power=int(power + rng.integers(-60, 60)), weight=7000))
        fails = day + pd.Timedelta(days=1 + int(365.25 * LIFE[bool(k % 2)] * rng.weibull(2)))
        if fails < pd.Timestamp("2024-03-31"):
            miles = round((fails - day).days * 30)
            back.append(returned(f"G-{k:04d}", f"{fails:%Y-%m-%d}", replaced_with="scrapped", miles_in_service=miles))
        else:
            readings.append(
                {
                    "serial": f"G-{k:04d}",
                    "read_on": "2024-03-30",
                    "odometer": (pd.Timestamp("2024-03-30") - day).days * 30,
                }
            )
    toml = TOML + "[ratings]\nreporting_share = 1.0\nboth_laws = false\n[power]\nbands = [650]\n[costs]\n" + costs
    return snapshot_of(load_records(write_shop(folder, toml, builds=builds, returns=back, readings=readings)))


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory):
    return shop(tmp_path_factory.mktemp("guarantee"), "comeback = 4000\nguarantee_per_unit = 200\n")


def test_the_truth_lies_within_the_limits(snapshot):
    costs = {c.band: c for c in band_costs(snapshot)}
    for band, weak in (("under 650", True), ("650 and over", False)):
        for months in (24, 36, 48):
            own = costs[band].months[:, np.flatnonzero(months == MONTHS)[0]]
            low, high = np.quantile(own, [0.025, 0.975])
            assert low < 1 - np.exp(-((months / 12 / LIFE[weak]) ** 2)) + 0.001 < high, (band, months)


def test_a_stated_cost_buys_the_weak_band_a_longer_guarantee(snapshot):
    costs = band_costs(snapshot)
    told = guarantee(snapshot, costs)
    own = told.table.set_index("power_band")
    assert own["allowed_per_unit"].tolist() == [200, 200]
    assert own.loc["under 650", "guarantee_months"] > 2 * own.loc["650 and over", "guarantee_months"] > 0
    for band, weak in (("under 650", True), ("650 and over", False)):
        # 200 of 4,000: where 5% have failed
        truth = 12 * LIFE[weak] * np.sqrt(-np.log(0.95))
        assert own.loc[band, "months_lower"] < truth < own.loc[band, "months_upper"]
    assert (own["guarantee_months"] <= own["months_lower"]).all()
    for cost in costs:
        assert (np.diff(cost.months, axis=1) >= 0).all()
        assert (np.diff(cost.miles, axis=1) >= 0).all()
    assert "as stated in shop.toml" in worded(told).sentences[0]


def test_no_longer_than_it_was_seen(snapshot):
    costs = tuple(replace(c, seen_months=4.0, seen_miles=2000.0) for c in band_costs(snapshot))
    table = worded(guarantee(snapshot, costs)).table
    assert (table["guarantee_months"] <= 4).all()
    assert (table["guarantee_miles"] <= 2000).all()
    assert table["in_words"].str.contains("as far as enough have been followed").any()


def test_what_a_guarantee_may_cost_comes_from_the_shop(tmp_path):
    def shop_of(costs):
        return load_records(write_shop(tmp_path, TOML + costs, builds=[build("T-1")])).shop

    assert allowed_costs(shop_of("")) == []
    assert allowed_costs(shop_of("[costs]\ncomeback = 1000\n")) == [20, 50, 100]
    assert allowed_costs(shop_of("[costs]\ncomeback = 1000\nguarantee_per_unit = 90\n")) == [90]
    basis = reason(
        Guarantee.COSTS, comeback=1000, allowed=[20, 50, 100], stated=False, shares=(0.02, 0.05, 0.1), currency="$"
    )
    assert "A comeback costs $1,000 all in" in say(basis)
    assert "2%, 5% and 10% of what a comeback costs, for want of an amount of your own" in say(basis)
    for wrong in ("-5", '"much"', "[30, 90]"):
        with pytest.raises(RecordsError, match="guarantee_per_unit"):
            shop_of(f"[costs]\nguarantee_per_unit = {wrong}\n")


def test_refusals(tmp_path):
    snapshot = snapshot_of(load_records(write_shop(tmp_path / "a", TOML, builds=[build("T-1")])))
    assert "What a comeback costs is not stated" in worded(guarantee(snapshot, band_costs(snapshot))).sentences[0]
    snapshot = snapshot_of(
        load_records(write_shop(tmp_path / "b", TOML + "[costs]\ncomeback = 1000\n", builds=[build("T-1")]))
    )
    told = guarantee(snapshot, band_costs(snapshot))
    assert told.table.empty
    assert worded(told).sentences == (
        "Only 0 failures on record: too few to say what a guarantee would cost (at least 5 are needed).",
    )


def test_a_band_of_few_failures_is_told_nothing(snapshot):
    few = tuple(replace(c, failures=2) if c.band == "under 650" else c for c in band_costs(snapshot))
    own = worded(guarantee(snapshot, few)).table.set_index("power_band")
    assert own.loc["under 650", ["guarantee_months", "months", "back_in_12_months", "back_upper"]].isna().all()
    assert "2 failures of its own on record, at least 3 are needed" in own.loc["under 650", "in_words"]
    assert own.loc["650 and over", "guarantee_months"] > 0


def test_install_errors_are_not_made_up_where_no_unit_was_followed_from_its_first_day(tmp_path):
    """60 units built half a year before the records start, none with an install error: at most a few in a hundred, not the bare prior."""
    builds = [build(f"T-{k:03d}XY", "2021-06-01", power=450 + 10 * k) for k in range(60)]
    back = [returned(builds[59 - k]["serial"], f"2022-{3 + k:02d}-15") for k in range(8)]
    toml = TOML.replace("[shop]\n", '[shop]\nrecords_start = "2022-01-01"\n') + "[ratings]\nreporting_share = 1.0\n"
    snapshot = snapshot_of(load_records(write_shop(tmp_path / "late", toml, builds=builds, returns=back)))
    assert _install(snapshot, 100).mean() < 0.02


def test_parts_not_recorded_count_as_their_component_does(tmp_path, monkeypatch):
    """Shafts whose name nobody wrote down take the fit of all shafts; only converters, none of which failed, go without."""
    builds = [build(f"T-{k:03d}XY", "2022-01-01", power=450 + 10 * k, weight=6500 + 15 * k) for k in range(60)]
    builds += [
        build(f"N-{k:03d}XY", "2022-01-01", power=450 + 15 * k, weight=6500 + 15 * k, input_shaft="") for k in range(40)
    ]
    back = [returned(builds[59 - k]["serial"], f"2023-{1 + k:02d}-15") for k in range(8)]
    toml = TOML + "[ratings]\nreporting_share = 1.0\n[power]\nbands = [650]\n"
    snapshot = snapshot_of(load_records(write_shop(tmp_path / "shop", toml, builds=builds, returns=back)))
    assert snapshot.parts["input shaft", NOT_RECORDED].pooled
    plain, without = guarantees._without_fit, []

    def spied(snapshot, component, part, per_day):
        without.append((component, part))
        return plain(snapshot, component, part, per_day)

    monkeypatch.setattr(guarantees, "_without_fit", spied)
    assert len(band_costs(snapshot)) == 2
    assert set(without) == {("converter", "C")}


def test_a_band_of_few_builds_is_promised_nothing(snapshot):
    weak = tuple(c for c in band_costs(snapshot) if c.band == "under 650")
    assert any("650 hp and over: fewer than 10 units" in line for line in worded(guarantee(snapshot, weak)).sentences)


def test_a_band_follows_its_own_record_as_far_as_it_goes():
    expected = np.full(20_000, 10.0)
    assert _band_factor(10, expected).mean() == pytest.approx(1, abs=0.01)
    few, many = _band_factor(2, np.full(20_000, 1.0)).mean(), _band_factor(200, np.full(20_000, 100.0)).mean()
    assert 1 < few < 1.6 < 1.9 < many < 2  # drawn towards 1 where there is little


def test_the_level_of_a_band_and_install_errors_are_in_its_cost(snapshot, monkeypatch):
    """With every level twice as high comebacks are twice as many, and one install error in a hundred adds .01 from the first day."""

    def costs(level: float, install: float) -> np.ndarray:
        monkeypatch.setattr(guarantees, "_band_factor", lambda _, expected: np.full_like(expected, level))
        monkeypatch.setattr(guarantees, "common_level", np.ones)
        monkeypatch.setattr(guarantees, "_install", lambda _, draws: np.full(draws, install))
        return np.concatenate([np.hstack([c.months, c.miles]) for c in band_costs(snapshot)])

    usual = costs(1.0, 0.0)
    np.testing.assert_allclose(costs(2.0, 0.0), 2 * usual)
    np.testing.assert_allclose(costs(1.0, 0.01), usual + 0.01)


def test_what_came_equals_what_was_expected_where_the_fit_is_right(snapshot):
    units = snapshot.lifetimes.units.index.to_numpy()
    came, expected = _came_and_expected(snapshot, units)
    assert came == snapshot.table["failure"].sum()
    assert expected.mean() == pytest.approx(came, rel=0.15)
