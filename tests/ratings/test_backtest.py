"""Past quarters replayed: counts taken from the sheets by another road, nothing seen too early, and the words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.backtest import Replay, backtest, quarter_ends
from analytics.ratings.basis import part_lives
from analytics.ratings.options import Options
from analytics.ratings.pooling import options_of
from analytics.ratings.predict import fit_lives, predict_failures
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.records.load import load_records
from analytics.words.ratings.backtest import backtest_table, backtest_words
from tests.small_shop import build, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
QUICK = RatingSettings(both_laws=False, explain=False, draws=0, replicates=0)
OPTIONS = Options(Promise(50_000.0), settings=QUICK)


@pytest.fixture(scope="module")
def replay():
    return backtest(DEMO, 2, Replay(draws=128), options=OPTIONS)


def test_quarter_ends():
    day = pd.Timestamp
    assert quarter_ends(day("2024-12-31"), 2) == [day("2024-06-30"), day("2024-09-30"), day("2024-12-31")]
    assert quarter_ends(day("2024-12-30"), 1) == [day("2024-06-30"), day("2024-09-30")]


def test_what_came_back_is_what_the_sheets_say(replay):
    """Of the returns of each part: those on record (back in the shop) after the quarter's start and by its end, for the part's
    own sake (not broken by another)."""
    full = load_records(DEMO)
    back = full.returns.merge(full.builds[["serial"]], left_on="unit", right_index=True)
    back = back[~back["cause"].isin(["install", "no fault"]) & (back["order"] != "followed")]
    tables = {
        end: make_lifetimes(load_records(DEMO, f"{end:%Y-%m-%d}")).table for end in replay.table["quarter_end"].unique()
    }
    for row in replay.table.itertuples():
        known = back[
            (back["component"] == row.component)
            & (back["returned_on"] > row.quarter_end)
            & (back["returned_on"] <= row.next_end)
        ]
        before = tables[row.quarter_end]
        running = before[
            (before["component"] == row.component)
            & (before["part"] == row.part)
            & (before["ended"] == "running")
            & (before["ended_on"] == row.quarter_end)
        ]
        came = known[known["serial"].isin(running["serial"])]["serial"].nunique()
        assert row.came_back + row.left_out_came_back == came, row
        assert row.failed_in_quarter <= row.came_back
        assert row.inside == (row.lower <= row.came_back <= row.upper)
        assert row.units + row.left_out == running["count"].sum()


def test_the_prediction_is_the_one_that_day_would_have_given(replay):
    row = replay.table[(replay.table["part"] == "IS-A")].iloc[0]
    then = make_lifetimes(load_records(DEMO, f"{row['quarter_end']:%Y-%m-%d}"))
    days = float((row["next_end"] - row["quarter_end"]).days)
    lives = part_lives(then, "input shaft", "IS-A")
    settings = options_of(then, OPTIONS).settings.of("input shaft", "IS-A")
    fit = fit_lives(lives.data, then.shop.targets.miles, settings, 128, 1)
    again = predict_failures(lives.data, fit, settings, days, watched=lives.watched)
    assert (again.expected, again.lower, again.upper) == (row["expected"], row["lower"], row["upper"])
    assert again.failures == row["failures"] < 27


def test_the_frame_and_its_sums(replay):
    t = replay.table
    assert t["quarter_end"].nunique() == 2
    assert {"bound_hp up to 7,500", "bound_hp 7,500 to 9,000", "bound_hp over 9,000"} <= set(t.columns)
    assert (t["failures"] >= 5).all()
    bounds = t[["bound_hp up to 7,500", "bound_hp 7,500 to 9,000"]].dropna()
    assert len(bounds) > 5
    assert (t["units_within"] <= t["units"]).all()
    assert (t["expected_within"] <= t["expected"] + 1e-9).all()
    assert (t["came_back_within"] <= t["came_back"]).all()
    assert replay.rows == len(t)
    assert replay.covered == pytest.approx(t["inside"].astype(float).mean())
    assert replay.table["came_back"].sum() == replay.came_back
    assert f"{replay.came_back:.0f} came back where {replay.expected:.1f} were expected" in backtest_words(replay)[1]
    assert "no date on the sheets" in backtest_words(replay)[-1]
    assert len(backtest_table(replay)) == len(t)
    # the demo was drawn from the model, so its predictions must hold about as often as they promise
    assert replay.covered > 0.75


def test_a_quarter_too_bad_to_be_chance_is_said(tmp_path):
    """Ten steady failures, then thirty trucks in one quarter: outside the interval, and the words say so."""
    rows = [build(f"S{i}", f"2020-0{1 + i % 9}-01", power=500 + 3 * i, weight=7000 + 10 * i) for i in range(100)]
    back = [returned(f"S{i}", f"202{1 + i % 2}-0{1 + i % 9}-15", odometer=20_000 + 500 * i) for i in range(10)]
    back += [returned(f"S{i}", f"2024-0{1 + i % 3}-10", odometer=40_000) for i in range(20, 50)]
    folder = write_shop(tmp_path, builds=rows, returns=back)
    out = backtest(folder, 1, Replay(draws=64), options=OPTIONS)
    assert out.rows == 1
    assert out.table["came_back"].iloc[0] == 30
    assert not out.table["inside"].iloc[0]
    assert out.covered == 0
    assert any(w.startswith("1 had more comebacks than the interval allows") for w in backtest_words(out))
    # one miss of one is no proof of bad predictions at 90%, at 99.9% it is
    assert not any("too sure" in w for w in backtest_words(out))
    sure = backtest(folder, 1, Replay(draws=64, level=0.999, rate=False), options=OPTIONS)
    assert any("too sure" in w for w in backtest_words(sure))
    assert "units_within" not in sure.table


def test_nothing_to_check_yet(tmp_path):
    folder = write_shop(tmp_path / "a", builds=[build(f"S{i}") for i in range(5)])
    out = backtest(folder, 2)
    assert out.rows == 0
    assert np.isnan(out.covered)
    assert "there is nothing to check yet" in backtest_words(out)[0]
    young = write_shop(tmp_path / "b", builds=[build("S1", "2024-02-01")])
    with pytest.raises(AnalyticsError, match="no whole quarter"):
        backtest(young)
    with pytest.raises(AnalyticsError, match="at least 1"):
        backtest(folder, 0)
