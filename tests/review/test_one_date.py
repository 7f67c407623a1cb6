"""The day a unit began: a shop that writes one date only gets the same figures, whichever of the two it is."""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.driveline.load import make_loads
from analytics.driveline.suspects import find_suspects
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.backtest import Replay, backtest
from analytics.ratings.whatif import build_mix
from analytics.records.load import load_records
from analytics.review.guarantee import band_cost
from analytics.review.months_in_service import months_table
from analytics.review.quarter import quarter_of
from analytics.review.repeats import by_build_year
from analytics.review.snapshot import snapshot_of
from analytics.review.this_quarter import limits_spoken_to
from analytics.words.ratings.backtest import backtest_table
from tests.small_shop import rateable_shop

LIMIT = "component,part,power_limit,effective_on\ninput shaft,A,700,2019-06-01\n"


def shop(folder, heading: str):
    """60 trucks of 450 to 1,040 hp, 30 of them of 2020 and 30 of March 2021, eight shafts broken in 2022."""
    rateable_shop(folder)
    builds = pd.read_csv(folder / "builds.csv").rename(columns={"built_on": heading})
    builds.loc[30:, heading] = "2021-03-31"
    builds.to_csv(folder / "builds.csv", index=False)
    (folder / "limits.csv").write_text(LIMIT)
    return folder


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    return [shop(tmp_path_factory.mktemp(heading), heading) for heading in ("built_on", "in_service_on")]


@pytest.fixture(scope="module")
def lives(both):
    return [(records, make_lifetimes(records)) for records in map(load_records, both)]


def test_limits_build_years_mix_and_suspects(lives):
    told = [limits_spoken_to(r, t, quarter_of(r.as_of)).table for r, t in lives]
    pd.testing.assert_frame_equal(*told)
    assert told[1]["parts_within"].tolist() == [26]  # 450 to 700 hp in tens
    years = [by_build_year(r, t).table for r, t in lives]
    pd.testing.assert_frame_equal(*years)
    assert sorted(set(years[1]["built_in"])) == ["2020", "2021"]
    mixes = [build_mix(t, "input shaft", 0.0, 2000.0) for _, t in lives]
    assert [mix.built for mix in mixes] == [30, 30]  # of the last three years
    assert mixes[0].a_year == mixes[1].a_year
    above = [find_suspects(make_loads(r, t)).over_limit for r, t in lives]
    assert above[1]["failed_over"].sum()  # those that broke above the limit
    pd.testing.assert_frame_equal(*above)


def test_guarantees_and_months_in_service(lives):
    snapshots = [snapshot_of(records, lifetimes) for records, lifetimes in lives]
    one, two = (band_cost(snapshot, "600 to 1,000") for snapshot in snapshots)
    assert one is not None
    assert two is not None
    assert (two.built, two.a_year) == (one.built, one.a_year) == (25, one.a_year)
    pd.testing.assert_frame_equal(*(months_table(snapshot) for snapshot in snapshots))
    assert snapshots[0].table["month"].equals(snapshots[1].table["month"])


def test_the_back_test_runs(both):
    told = [backtest_table(backtest(folder, 4, Replay(min_failures=3, rate=False, draws=32))) for folder in both]
    assert len(told[1])
    pd.testing.assert_frame_equal(*told)
