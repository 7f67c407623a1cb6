"""What comes in at the door: the wait, a truck's own history, the season, the record of what was foretold, and ranges; by hand and
against known truths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma, poisson

from analytics.models.mileage import change_with_age
from analytics.models.nonparametric import mean_right_truncated
from analytics.ratings.settings import RatingSettings
from analytics.records.load import as_typed, load_records
from analytics.records.shop import load_shop
from analytics.review import door
from analytics.review.door import (
    broken_outside,
    calendar_level,
    door_of,
    level_of,
    range_of,
    running_chances,
    told_by_driving,
    with_history,
    with_record,
)
from analytics.review.expected import at_stake, expected_answer, expected_table
from analytics.review.forecast import forecast, forecast_answer, forecasts_kept, stock_answer
from analytics.review.guarantee import _came_and_expected
from analytics.review.said import keep_said, said_held, said_now
from analytics.review.snapshot import (
    DRAWS,
    LEVEL_WORTH,
    POOLED_WORTH,
    RECORD_WORTH,
    days_to_door,
    door_settings,
    past_of,
    snapshot_at,
    snapshot_of,
)
from analytics.words.answers import worded
from tests.small_shop import TOML, build, rateable_shop, returned, write_shop


# ---- from failing to the door --------------------------------------------------------------------------------------
def test_the_mean_wait_allows_for_those_not_yet_in():
    """Waits of 60 days on average among failures that grow in number (seed 3): those on record are the short ones."""
    rng = np.random.default_rng(3)
    seen_for = 1500 * (1 - np.sqrt(rng.random(4000)))  # most failed lately
    wait = rng.exponential(60, 4000)
    known = wait <= seen_for
    assert wait[known].mean() < 56
    assert mean_right_truncated(wait[known], seen_for[known]) == pytest.approx(60, abs=2.5)
    assert mean_right_truncated(np.full(5, 7.0), np.full(5, 400.0)) == 7.0


def test_a_return_without_a_day_of_failure_has_no_wait():
    day = pd.Timestamp("2024-01-01")
    rows = pd.DataFrame(
        {
            "cause": "part",
            "at_teardown": False,
            "returned_on": [day, day],
            "failed_on": [day - pd.Timedelta(days=40), pd.NaT],
        }
    )
    assert days_to_door(rows, pd.Timestamp("2026-01-01")) == pytest.approx(20)
    assert days_to_door(rows.iloc[1:], day) == 0


def waiting_shop(folder, days: int):
    """60 trucks built in 2020, one failure a month from 2022 on, each in ``days`` later."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight=6500 + 15 * k) for k in range(60)]
    back = []
    for k in range(20):
        failed = pd.Timestamp("2022-01-15") + pd.DateOffset(months=k)
        seen = failed + pd.Timedelta(days=days)
        back.append(returned(builds[59 - k]["serial"], f"{failed:%Y-%m-%d}") | {"returned_on": f"{seen:%Y-%m-%d}"})
    return write_shop(
        folder,
        builds=builds,
        returns=back,
        readings=[{"serial": "T-000XY", "read_on": "2024-03-20", "odometer": 30_000}],
    )


def test_the_last_days_of_those_out_are_not_yet_seen(tmp_path):
    late, soon = (snapshot_of(load_records(waiting_shop(tmp_path / str(d), d))) for d in (60, 0))
    assert (late.wait_days, soon.wait_days) == (60, 0)
    own = late.table[late.table["followed"] & (late.table["component"] == "input shaft")].set_index("serial")
    assert own.loc["T-001XY", "waited"] == 60
    assert own.loc["T-000XY", "waited"] == 11  # its odometer was read on 20 March
    assert (late.table.loc[~late.table["followed"], "waited"] == 0).all()
    assert broken_outside(soon) == 0
    # about one a month is failing: two months' worth are out there
    assert 0.5 < broken_outside(late) < 6
    assert any("not in yet" in line for line in said(late))
    assert not any("not in yet" in line for line in said(soon))


def said(snapshot) -> list[str]:
    return list(worded(forecast_answer(forecast(snapshot), 0, 1)).sentences)


def test_the_share_unreported_plays_no_part(tmp_path):
    folder = rateable_shop(tmp_path / "shop")
    told = forecast(snapshot_of(load_records(folder))).counts
    toml = (folder / "shop.toml").read_text(encoding="utf-8").replace("reporting_share = 1.0", "reporting_share = 0.4")
    (folder / "shop.toml").write_text(toml, encoding="utf-8")
    pd.testing.assert_frame_equal(forecast(snapshot_of(load_records(folder))).counts, told)


# ---- a truck's own history -----------------------------------------------------------------------------------------
def lives_of(variance: float, trucks: int = 3000, seed: int = 4) -> pd.DataFrame:
    """Two lives of each truck, run through on their own scale to about .35, the truck's factor gamma with that variance."""
    rng = np.random.default_rng(seed)
    factor = gamma.rvs(1 / variance, scale=variance, size=trucks, random_state=rng) if variance else np.ones(trucks)
    rows = []
    for side in ("a", "b"):
        run = rng.uniform(0.1, 0.6, trucks)
        at = rng.exponential(1 / factor)
        done = np.minimum(at, run)
        hazard = np.log1p(variance * done) / variance if variance else done
        rows.append(
            pd.DataFrame(
                {
                    "component": side,
                    "part": "P",
                    "serial": np.arange(trucks),
                    "hazard": hazard,
                    "failed": (at < run) * 1.0,
                    "count": 1.0,
                    "first": True,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


@pytest.mark.parametrize("variance", [0.0, 1.0])
def test_the_trucks_own_factors_are_as_wide_as_they_are(variance):
    chosen, _ = door._histories(lives_of(variance))
    assert door._VARIANCES[chosen].mean() == pytest.approx(variance, abs=0.2)


def test_a_truck_that_came_back_is_likelier_to_come_again():
    lives = lives_of(1.0)
    chosen, history = door._histories(lives)
    own = door.Door(1.0, chosen, np.zeros((DRAWS, 2)), np.zeros(DRAWS), history)
    every = np.arange(3000)
    chance = with_history(own, ("a", "P"), every, np.full((DRAWS, 3000), 0.05)).mean(0)
    other = lives[lives["component"] == "b"]["failed"].to_numpy() == 1
    running = lives[lives["component"] == "a"]["failed"].to_numpy() == 0
    # one failure more on a gamma factor of variance 1: twice the chance; none of either part: less than its own
    assert chance[running & other].mean() / chance[running & ~other].mean() == pytest.approx(2, abs=0.35)
    assert chance[running & ~other].mean() < 0.05
    assert chance[running].mean() == pytest.approx(0.05, rel=0.06)


def test_a_truck_of_one_life_keeps_the_chance_of_its_fit():
    lives = lives_of(1.0, 200).query("component == 'a'")
    lives = lives.assign(failed=0.0)
    chosen, history = door._histories(lives)
    own = door.Door(1.0, chosen, np.zeros((DRAWS, 2)), np.zeros(DRAWS), history)
    told = np.random.default_rng(1).uniform(0.01, 0.4, (DRAWS, 200))
    assert with_history(own, ("a", "P"), np.arange(200), told) == pytest.approx(told, rel=1e-6)


def test_what_the_fit_knows_of_a_truck_is_not_told_twice():
    """All of a factor's variance known from its miles a day: its failures say no more. Half of it known: they say half."""
    lives = lives_of(1.0)
    _, history = door._histories(lives)
    one = np.full(DRAWS, np.argmin(np.abs(door._VARIANCES - 1.0)))
    own = door.Door(1.0, one, np.zeros((DRAWS, 2)), np.zeros(DRAWS), history)
    told, every = np.full((DRAWS, 3000), 0.05), np.arange(3000)
    assert with_history(own, ("a", "P"), every, told, np.ones((DRAWS, 3000))) == pytest.approx(told, rel=1e-6)
    half = with_history(own, ("a", "P"), every, told, np.full((DRAWS, 3000), 2 / 1.5 - 1)).mean(0)
    back = lives[lives["component"] == "b"]["failed"].to_numpy() == 1
    running = lives[lives["component"] == "a"]["failed"].to_numpy() == 0
    assert half[running & back].mean() / half[running & ~back].mean() == pytest.approx(1.5, abs=0.2)


def test_driving_tells_as_much_as_the_shape_and_its_spread_make(tmp_path):
    """Log-normal miles a day to the power of the shape: variance exp((shape x spread)^2) - 1, of trucks whose odometer is known alone."""
    folder = rateable_shop(tmp_path / "shop")
    rows = pd.read_csv(folder / "returns.csv", dtype=str)
    rows.assign(odometer="", miles_in_service="").to_csv(folder / "returns.csv", index=False)
    own = snapshot_of(load_records(folder)).parts["input shaft", "A"]
    layout, every = own.fit.model.layout, np.arange(len(own.lives.data.lower))
    told = told_by_driving(own, every)
    log_sd = np.exp(own.theta[:, 0]) * np.exp(own.theta[:, layout.tau])
    known = own.lives.data.has_rate
    assert 0 < known.sum() < len(known)
    assert told[:, known] == pytest.approx(np.expm1(log_sd**2)[:, None] * np.ones(known.sum()))
    assert (told[:, ~known] == 0).all()


def test_trucks_without_records_are_not_taken_to_differ_much():
    """Nothing failed and nothing ran: the factors are as held beforehand, by an even chance below the middle of an exponential with mean 1."""
    chosen, _ = door._histories(lives_of(0.0, 2).assign(hazard=1e-9, failed=0.0))
    assert door._VARIANCES[chosen].mean() == pytest.approx(1.0, abs=0.12)


# ---- driving that changes with age ---------------------------------------------------------------------------------
def read_twice(later: float, trucks: int = 40, seed: int = 2, unlike: float = 0.4) -> tuple[np.ndarray, ...]:
    """Trucks of unlike miles a day read each year for six years, which drive ``later`` times as far past three; a third are read in their first
    three years alone, the hardest driven."""
    rng = np.random.default_rng(seed)
    rate = np.sort(30 * np.exp(0.5 * rng.standard_normal(trucks)))
    unit, days = (a.ravel() for a in np.meshgrid(np.arange(trucks), np.arange(1, 7) * 365.0, indexing="ij"))
    change = later * np.exp(unlike * rng.standard_normal(trucks))
    miles = rate[unit] * (np.minimum(days, 1096) + change[unit] * np.maximum(days - 1096, 0))
    kept = (days < 1096) | (unit < trucks * 2 // 3)
    return unit[kept], days[kept], miles[kept]


@pytest.mark.parametrize("later", [0.6, 1.0])
def test_a_change_of_driving_is_read_from_trucks_against_themselves(later):
    middle, error = change_with_age(*read_twice(later, 300))
    assert middle == pytest.approx(np.log(later), abs=0.1)
    assert 0.1 < error < 0.12  # the months before and after may be unlike for all
    few, wide = change_with_age(*read_twice(later, 24))
    assert abs(few - np.log(later)) < 2 * wide
    assert wide > error


def test_trucks_read_on_one_side_alone_say_nothing_of_a_change():
    unit, days, miles = read_twice(0.6, 300)
    early = days < 1096
    assert change_with_age(unit[early], days[early], miles[early]) is None
    assert change_with_age(unit[~early], days[~early], miles[~early]) is None
    one = unit < 9
    assert change_with_age(unit[one], days[one], miles[one]) is None


def test_the_forecast_lets_driving_change_only_where_readings_show_it(tmp_path):
    """Fifty trucks read once, past four years: none against itself. With an earlier reading at the same miles a day: no change."""
    folder = rateable_shop(tmp_path / "shop")
    usual = RatingSettings()
    told = door_settings(usual, load_records(folder))
    assert (told.decline, told.share) == (False, 1.0)
    read = pd.read_csv(folder / "readings.csv", dtype=str)
    days = (pd.Timestamp("2024-03-30") - pd.Timestamp("2020-01-01")).days
    early = read.assign(read_on="2022-01-01", odometer=f"{60_000 * 731 / days:.0f}")
    pd.concat([read, early]).to_csv(folder / "readings.csv", index=False)
    told = door_settings(usual, load_records(folder))
    assert told.decline
    assert told.priors.decline[0] == pytest.approx(0.0, abs=0.01)
    assert not door_settings(replace(usual, decline=False), load_records(folder)).decline


# ---- season, record, ranges ----------------------------------------------------------------------------------------
def test_the_season_is_read_from_the_quarters_and_told_ahead(tmp_path, monkeypatch):
    """Twenty a quarter on average, half as many again in spring (by the sine of the year): the spring to come gets more."""
    snapshot = snapshot_of(load_records(rateable_shop(tmp_path / "shop")))
    middle = np.array(
        [(pd.Timestamp("2020-02-15") + pd.Timedelta(days=91.3 * k) - pd.Timestamp(0)).days for k in range(16)], float
    )
    came = 20 * (1 + 0.5 * np.sin(2 * np.pi * middle / 365.25))
    monkeypatch.setattr(door, "by_quarter", lambda _: (came.round(), np.full(16, 20.0), middle))
    spring = calendar_level(replace(snapshot, as_of=pd.Timestamp("2024-02-14"), doors={}), 91)
    autumn = calendar_level(replace(snapshot, as_of=pd.Timestamp("2024-08-14"), doors={}), 91)
    year = calendar_level(replace(snapshot, as_of=pd.Timestamp("2024-08-14"), doors={}), 365.25)
    assert spring.mean() == pytest.approx(1.4, abs=0.15)
    assert autumn.mean() == pytest.approx(0.6, abs=0.15)
    assert year.mean() == pytest.approx(1, abs=0.03)
    monkeypatch.setattr(
        door, "by_quarter", lambda _: (np.where(np.arange(16) % 3 == 0, 45.0, 8.0), np.full(16, 20.0), middle)
    )
    uneven = calendar_level(replace(snapshot, doors={}), 91)
    assert (
        uneven.std()
        > 2
        * calendar_level(replace(snapshot, doors={"": replace(door_of(snapshot), uneven=np.zeros(DRAWS))}), 91).std()
    )


def test_what_came_before_moves_the_next(tmp_path):
    snapshot = snapshot_of(load_records(rateable_shop(tmp_path / "shop")))
    even = replace(door_of(snapshot), season=np.zeros((DRAWS, 2)), uneven=np.zeros(DRAWS))
    told = {
        came: level_of(replace(snapshot, foretold=((20.0, came),) * 4, doors={"": even}), 91) for came in (20.0, 40.0)
    }
    assert told[20.0].mean() == pytest.approx(1, abs=0.01)
    assert told[40.0].mean() == pytest.approx((RECORD_WORTH + 160) / (RECORD_WORTH + 80), rel=0.01)
    year = level_of(replace(snapshot, foretold=((20.0, 40.0),) * 4, doors={"": even}), 365.25)
    assert year.mean() - 1 == pytest.approx((told[40.0].mean() - 1) / 4, rel=0.06)
    wide = np.sqrt(1 / (LEVEL_WORTH + 160) + door._AHEAD / 4)
    assert told[40.0].std() / told[40.0].mean() == pytest.approx(wide, rel=0.08)
    assert told[20.0].std() < level_of(replace(snapshot, doors={"": even}), 91).std()


def test_the_record_is_of_what_was_foretold_before_it(tmp_path):
    folder = rateable_shop(tmp_path / "shop")
    before, now = (snapshot_at(folder, pd.Timestamp(d)) for d in ("2022-03-31", "2022-06-30"))
    marked = with_record(now, before, running_chances(before, 91.0))
    ((expected, came),) = marked.foretold
    assert came == 3
    assert expected > 0
    again = with_record(now, replace(before, foretold=((1.0, 9.0),)), running_chances(before, 91.0))
    assert again.foretold == ((1.0, 9.0), (expected, came))


def test_ranges_hold_what_they_say():
    """Poisson counts of 4 to 20, on average over them; counting edges whole they would hold 0.94."""
    k = np.arange(120)
    held = []
    for mean in np.linspace(4, 20, 60):
        low, high = range_of(poisson.pmf(k, mean), 0.9)
        held.append(poisson.cdf(high, mean) - poisson.cdf(low - 1, mean))
    assert np.mean(held) == pytest.approx(0.9, abs=0.012)
    assert range_of(np.array([0.99, 0.01]), 0.9) == (0, 0)


def test_the_money_is_parted_by_who_has_paid(tmp_path):
    """Eight returns at 1,000, six of them paid by the shop: three quarters of the whole, and a bad year beside the mean."""
    folder = rateable_shop(tmp_path / "shop")
    back = pd.read_csv(folder / "returns.csv", dtype=str)
    back.assign(cost="1000", paid_by=["shop"] * 6 + ["customer", ""]).to_csv(folder / "returns.csv", index=False)
    snapshot = snapshot_of(load_records(folder))
    money = forecast(snapshot).money
    own = money[(money["span"] == "year") & (money["basis"] == "recorded")].set_index("payer")
    assert set(own.index) == {"", "shop", "customer", "not written down"}
    assert own.loc[["shop", "customer", "not written down"], "expected"].sum() == pytest.approx(own.loc["", "expected"])
    assert own.loc["shop", "expected"] == pytest.approx(0.75 * own.loc["", "expected"], rel=0.05)
    assert (own["upper"] >= own["expected"]).all()
    assert any(line.startswith("By who has paid, as returns have it: customer") for line in said(snapshot))


# ---- damage that only a teardown shows -----------------------------------------------------------------------------
LOOKED = '[findings]\nfound_at_teardown = ["crack"]\n[findings.looked_at]\n"input shaft" = ["converter"]\n'


def cracked_shop(folder, looked_at: bool = True):
    """80 trucks; a shaft stops one a month from 2022 on; in 2023 twenty are opened for their converter, and ten have a cracked shaft."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 5 * k, weight=6500 + 15 * k) for k in range(80)]
    stops = [returned(f"T-{79 - k:03d}XY", f"{2022 + k // 12}-{1 + k % 12:02d}-15") for k in range(20)]
    opened = [returned(f"T-{k:03d}XY", "2023-09-20", "converter", odometer=30_000) for k in range(20)]
    cracks = [
        returned(f"T-{k:03d}XY", "2023-09-20", odometer=30_000) | {"failed_on": "teardown", "finding": "crack"}
        for k in range(10)
    ]
    toml = TOML + (LOOKED if looked_at else LOOKED.split("[findings.looked_at]")[0])
    readings = [{"serial": b["serial"], "read_on": "2023-06-30", "odometer": 25_000} for b in builds[:50]]
    return write_shop(folder, toml, builds=builds, returns=stops + opened + cracks, readings=readings)


def test_what_is_found_while_a_truck_is_open_for_something_else_is_not_foretold(tmp_path):
    """Trucks with cracked shafts ran on: foretold, expected and scored is what stops one. Where nobody says that the shop looks, all of it counts as before."""
    looked, not_said = (snapshot_of(load_records(cracked_shop(tmp_path / str(so), so))) for so in (True, False))
    for snapshot, stops in ((looked, 20), (not_said, 30)):
        own = snapshot.table[snapshot.table["component"] == "input shaft"]
        assert own["failure"].sum() == 30
        assert own["stopped"].sum() == stops == snapshot.parts["input shaft", "A"].lives.data.failures
        assert past_of(snapshot, "input shaft", "A")[0] == stops + POOLED_WORTH
        assert _came_and_expected(snapshot, snapshot.lifetimes.units.index.to_numpy())[0] == stops + 20
    shafts = [
        forecast(s).counts.set_index(["span", "component"]).loc[("year", "input shaft")] for s in (looked, not_said)
    ]
    assert shafts[0]["expected"] < 0.85 * shafts[1]["expected"]
    assert forecast(looked).found == (("A", 10),)
    assert forecast(not_said).found == ()
    assert any("10 A in the last year" in line for line in notes_of(looked))
    assert not any("in the last year" in line for line in notes_of(not_said))
    shelf = worded(stock_answer(forecast(looked))).sentences
    assert any("On top come parts found damaged" in line and "10 A" in line for line in shelf)


def notes_of(snapshot) -> tuple[str, ...]:
    return worded(forecast_answer(forecast(snapshot), 0, 1)).notes


def test_nor_is_a_forecast_scored_by_it(tmp_path):
    """The quarter of the cracks: two shafts stopped their trucks and ten were found; so also where a review said it."""
    folder = cracked_shop(tmp_path / "shop")
    before, now = (snapshot_at(folder, pd.Timestamp(d)) for d in ("2023-06-30", "2023-10-01"))
    foreseen = running_chances(before, 93.0)
    stakes = at_stake(before, now, foreseen)
    shaft = stakes.rows["component"] == "input shaft"
    assert (stakes.rows.loc[shaft, "came"].sum(), stakes.unforeseen, stakes.found) == (2, 0, 10)
    told = worded(expected_answer(stakes, expected_table(stakes), "the quarter", 0, 1)).sentences
    assert any(line.startswith("10 parts more were found damaged") for line in told)
    ((_, came),) = with_record(now, before, foreseen).foretold
    assert came == stakes.rows["came"].sum() == 22  # twenty converters too
    kept = forecasts_kept([before, now], {(0, "quarter"): foreseen}).set_index("component")["came"]
    assert (kept["input shaft"], kept[""]) == (2, 22)
    keep_said(load_shop(folder), said_now(forecast(before), pd.DataFrame()))
    held = said_held(as_typed(folder), now.lifetimes).set_index("component")["came"]
    assert (held["input shaft"], held[""]) == (2, 22)
