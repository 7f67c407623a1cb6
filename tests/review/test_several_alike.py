"""A row of builds that stands for several trucks counts as so many, as if each had a row of its own."""

from __future__ import annotations

import math
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest

from analytics.cutoffs.fits import with_usual_weight
from analytics.reasons import Above
from analytics.records.load import load_records
from analytics.review import calls, renew
from analytics.review.call_list import call_list
from analytics.review.snapshot import fill_unknown, snapshot_of
from tests.small_shop import build, write_shop

LIMIT = {"component": "input shaft", "part": "A", "power_limit": 600, "effective_on": "2020-01-01"}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """25 trucks at 700 hp in one row and one at 650, above a limit of 600; one at 500 under it."""
    builds = [
        build("T-111", count=25, weight=8800, use="towing"),
        build("T-112", power=650, weight=7000, use="towing"),
        build("T-113", power=500, weight=7200, use="towing"),
        build("T-114", power="", weight="", use="towing"),
    ]
    return snapshot_of(load_records(write_shop(tmp_path_factory.mktemp("alike"), builds=builds, limits=[LIMIT])))


def ahead(snapshot):
    """A chance of .2 within a year for every life."""
    at = np.flatnonzero((snapshot.table["component"] == "input shaft").to_numpy())
    return pd.DataFrame({"position": at, "in_a_year": 0.2, "in_miles": 0.2})


def test_trucks_above_a_limit_and_the_failures_expected_of_them(fleet):
    with patch.object(calls, "chances_ahead", ahead):
        answer = calls.above_limit(fleet.records, fleet)
    said = {told.code: told.values for told in answer.said}
    assert (said[Above.COUNT]["above"], said[Above.COUNT]["trucks"]) == (26, 27)
    assert said[Above.COUNT]["parts"] == {("input shaft", "A"): 26}
    assert said[Above.NO_POWER]["trucks"] == 1
    assert (said[Above.EXPECTED]["expected"], said[Above.EXPECTED]["loud"]) == (pytest.approx(5.2), 26)
    assert len(answer.table) == 2  # one call each


def test_trucks_to_call_and_what_not_calling_costs(fleet):
    rated = pd.DataFrame(
        [{"component": "input shaft", "part": "A", "use": "", "weight_up_to": math.inf, "verdict": "keep",
          "supported_hp": 600.0, "published_hp": 600.0, "proposed_hp": math.nan}]
    )  # fmt: skip
    with patch.object(calls, "chances_ahead", ahead):
        found = call_list(fleet, rated, (), (), 1000.0)
    assert found.by_part[["trucks", "expected"]].values.tolist() == [[26, pytest.approx(5.2)]]
    assert dict(zip(found.table["serial"].str[:5], found.table["loss"], strict=True)) == pytest.approx(
        {"T-111": 5000.0, "T-112": 200.0, "T-114": 200.0} | {"T-113": 200.0}
    )
    assert found.loud == 28
    assert found.loud_expected == pytest.approx(5.6)


def test_what_is_not_on_record_is_that_of_the_middle_truck(fleet):
    table = fleet.lifetimes.table
    filled, _ = fill_unknown(table)
    last = filled["serial"] == "T-114"
    assert filled.loc[last, ["power_hp", "weight_lb"]].drop_duplicates().values.tolist() == [[700, 8800]]
    assert set(with_usual_weight(table[table["serial"] == "T-114"], table)) == {8800}


def test_lives_seen_so_far_are_counted_one_by_one_and_a_life_in_pieces_once(monkeypatch):
    rows = pd.DataFrame(
        {
            "unit": [1, 1, 2, 3],
            "component": "c",
            "spell": 1,
            "count": [1, 1, 4, 1],
            "lower_miles": [9e3, 3e4, 2e4, np.nan],
        }
    )
    for fewest, miles in ((1, 3e4), (2, 2e4), (5, 2e4), (6, 0.0)):
        monkeypatch.setattr(renew, "_FEWEST_SEEN", fewest)
        assert renew._seen_miles(rows) == miles
