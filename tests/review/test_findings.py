"""Findings, causes, and whether two people would say the same."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.review.quarter import quarter_of
from analytics.review.teardown import causes_by_year, finding_shares, judged_alike
from analytics.words.answers import worded
from tests.small_shop import build, returned, write_shop


def records_of(folder, **sheets):
    return load_records(write_shop(folder, **sheets))


@pytest.fixture
def two_findings(tmp_path):
    builds = [build(f"T-{k:03d}X", "2020-01-01") for k in range(40)]
    back = [
        returned(builds[k]["serial"], f"2021-{k + 1:02d}-10", finding="broken" if k % 2 else "twisted", cause=cause)
        for k, cause in enumerate(["part", "part", "over limit", "part", "install", "part", "part", "unclear"])
    ]
    return records_of(tmp_path, builds=builds, returns=back)


def test_shares_of_all_findings_add_up_to_what_came_back(two_findings):
    lifetimes = make_lifetimes(two_findings)
    told = finding_shares(lifetimes)
    own = told.table[told.table["component"] == "input shaft"]
    assert own["failed"].sum() == 7  # the install error is no failure of the part
    assert own["share_back"].sum() == pytest.approx(own["all_findings"].iloc[0])
    assert (own["as_if_alone"] > own["share_back"]).all()
    assert own["all_as_if_alone"].iloc[0] > own["all_findings"].iloc[0]
    top = own.iloc[0]
    assert f"most for “{top['finding']}”" in worded(told).sentences[0]
    assert "Converter" not in " ".join(worded(told).sentences)  # none came back


def test_causes_are_counted_by_year_without_what_followed(two_findings):
    told = causes_by_year(two_findings, quarter_of(two_findings.as_of))
    assert told.table.loc[0, ["part", "install", "over limit", "unclear", "all"]].tolist() == [5, 1, 1, 1, 8]
    assert "the part itself 5 (62%)" in worded(told).sentences[0]


def test_a_change_of_causes_is_called_only_beyond_chance(tmp_path):
    builds = [build(f"T-{k:03d}X", "2019-01-01") for k in range(60)]
    early = [returned(builds[k]["serial"], "2021-06-01") for k in range(20)]
    late = [returned(builds[20 + k]["serial"], "2024-01-15", cause="install" if k < 12 else "part") for k in range(15)]
    found = records_of(tmp_path, builds=builds, returns=early + late)
    told = " ".join(worded(causes_by_year(found, quarter_of(found.as_of))).sentences)
    assert "In the last twelve months our install made up 12 of 15" in told
    calm = records_of(tmp_path / "calm", builds=builds, returns=early + [r | {"cause": "part"} for r in late])
    assert "no other mix" in " ".join(worded(causes_by_year(calm, quarter_of(calm.as_of))).sentences)


def test_agreement_is_a_number_only_with_pairs_enough(tmp_path):
    builds = [build(f"T-{k:03d}X", "2020-01-01") for k in range(30)]
    back = [returned(b["serial"], "2021-06-01", cause="part" if k % 2 else "install") for k, b in enumerate(builds)]

    def second(k, **words):
        return {"serial": builds[k]["serial"], "component": "input shaft", "judged_on": "2021-07-01"} | words

    cause = ["part" if k % 2 else "install" for k in range(30)]
    few = records_of(
        tmp_path / "few", builds=builds, returns=back, judged_again=[second(k, cause=cause[k]) for k in range(9)]
    )
    told = judged_alike(few)
    assert told.table.empty
    assert "only 9 components were judged twice: too few" in " ".join(worded(told).sentences)
    rows = [second(k, cause=cause[k] if k > 5 else "part", finding="broken") for k in range(30)]
    told = judged_alike(records_of(tmp_path / "many", builds=builds, returns=back, judged_again=rows))
    own = told.table.set_index("what")
    assert own.loc["cause", ["pairs", "alike"]].tolist() == [30, 27]
    assert own.loc["cause", "kappa"] == pytest.approx(0.8)  # 27 of 30 alike, half by chance
    assert np.isnan(own.loc["finding", "kappa"])
    assert "both used one word only" in " ".join(worded(told).sentences)
    assert "Most often mixed up: “install” and “part” (3 of 3)" in " ".join(worded(told).sentences)
    nobody = records_of(tmp_path / "none", builds=builds, returns=back)
    assert "No return was judged a second time" in worded(judged_alike(nobody)).sentences[0]
