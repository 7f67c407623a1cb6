"""The coverage study: its truths are exact, its fleets are as said, it resumes, and what it claims is in its table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from analytics.ratings.settings import PLAIN
from studies import coverage
from studies.__main__ import main
from studies.coverage import (
    CELLS,
    LIFE_MILES,
    constant_of,
    draw_fleet,
    run,
    summarise,
    true_rating,
)

TABLE = Path(__file__).parents[2] / "data" / "evidence"


@pytest.mark.parametrize(
    "name",
    [
        "500 units, 20 failures",
        "log-normal life",
        "3% installation failures",
        "power misrecorded by 10%",
        "15% retuned up 20%",
        "harsh use not on record",
        "harsh use on record",
        "frailty 0.4",
        "steeper above the median power",
        "three at once",
    ],
)
def test_the_truth_is_what_a_million_vehicles_show(name):
    """Survival to the target among simulated vehicles recorded at the true rating is 90%, by brute force."""
    cell = CELLS[name]
    rng = np.random.default_rng(1)
    n = 400_000
    recorded = np.log(true_rating(cell))
    power = np.full(n, recorded)
    if cell.power_error:
        keep = 0.3**2 / (0.3**2 + cell.power_error**2)
        power = (
            np.log(700) + keep * (recorded - np.log(700)) + np.sqrt(keep) * cell.power_error * rng.standard_normal(n)
        )
    power = power + np.where(rng.random(n) < cell.retuned, np.log(1.2), 0.0)
    lp = power - np.log(700)
    centre = constant_of(cell) + cell.b1 * lp + cell.bend * np.maximum(lp, 0) + cell.b2 * np.log(cell.weight_lb / 7500)
    harsh = np.ones(n, bool) if cell.harsh_recorded else rng.random(n) < cell.harsh
    centre = centre + np.where(harsh, np.log(0.6), 0.0) + cell.frailty * rng.standard_normal(n)
    e = np.log(rng.exponential(size=n)) if cell.law == "weibull" else rng.standard_normal(n)
    survive = (centre + e / cell.shape > np.log(LIFE_MILES)) & (rng.random(n) >= cell.early)
    assert survive.mean() == pytest.approx(0.9, abs=4 * np.sqrt(0.09 / n))


def test_fleets_show_the_failures_they_should():
    for name in ("500 units, 20 failures", "70% of failures reported", "five at once"):
        cell = CELLS[name]
        counts = [draw_fleet(cell, np.random.default_rng(i)).failures for i in range(60)]
        assert np.mean(counts) == pytest.approx(cell.failures, abs=4 * np.sqrt(cell.failures / 60))
    data = draw_fleet(CELLS["500 units, 20 failures"], np.random.default_rng(0))
    assert (data.has_rate & ~data.failed).sum() / (~data.failed).sum() == pytest.approx(0.2, abs=0.06)
    # readings from high mileage: those read drive more
    data = draw_fleet(CELLS["readings from high mileage"], np.random.default_rng(0))
    read = data.has_rate & ~data.failed
    assert np.log(data.reading.miles[read] / data.reading.days[read]).mean() > np.log(30) + 0.2


def test_the_study_resumes_and_repeats(tmp_path, monkeypatch):
    monkeypatch.setitem(coverage.SETTINGS, "plain", replace(PLAIN, explain=False, draws=0, replicates=20))
    names = ["150 units, 8 failures, plain"]
    first = run(tmp_path / "a", 4, 1, names, block=2, seed=3)
    assert pd.read_csv(tmp_path / "a" / "coverage.csv")["covered"].item() == pytest.approx(
        first["covered"].item(), abs=1e-4
    )
    run(tmp_path / "b.csv", 2, 1, names, block=2, seed=3)
    seen = []
    again = run(tmp_path / "b.csv", 4, 1, names, block=2, seed=3, progress=seen.append)
    assert len(seen) == 1  # the first block was not run again
    pd.testing.assert_frame_equal(first, again)
    assert first["fleets"].item() == 4
    with pytest.raises(AnalyticsError, match="cell 'nothing' is not one"):
        run(tmp_path / "c.csv", 2, 1, ["nothing"])


def test_the_summary_counts_right():
    text = {
        "calibrated": "0.9000 1.1000 nan 0.8000",
        "first_order": "0.9 1.2 1.3 0.8",
        "capped": "0 0 0 1",
        "early_fired": "0 0 0 0",
        "true_power": "0.9 1.1 nan 0.8",
        "demonstrated": "nan nan nan nan",
        "failures": "8 9 7 8",
        "naive survivor": "1.5 1.5 1.5 1.5",
        "naive first failure": "0.5 0.6 0.7 1.4",
        "naive average miles": "nan 1.2 0.9 0.8",
    }
    row = {
        "cell": "500 units, 8 failures",
        "block": 0,
        "replicates": 4,
        "seed": 1,
        "truth_hp": 1000.0,
        "versions": "x",
        **text,
    }
    got = summarise(pd.DataFrame([row])).iloc[0]
    assert (got["fleets"], got["rated"]) == (4, 3)
    assert got["covered"] == pytest.approx(2 / 3)
    assert got["first_order_covered"] == 0.5
    assert got["naive_survivor_covered"] == 0
    assert got["naive_first_failure_covered"] == 0.75
    assert got["naive_average_miles_covered"] == pytest.approx(2 / 3)
    assert got["median_ratio"] == pytest.approx(0.9)


def test_the_table_kept_is_the_summary_of_its_blocks():
    """data/evidence: every figure of the table follows from the rows beside it, and no block is there twice."""
    blocks = pd.read_csv(TABLE / "coverage_blocks.csv")
    assert not blocks.duplicated(["cell", "block", "seed"]).any()
    assert set(blocks["cell"]) <= set(CELLS)
    kept = pd.read_csv(TABLE / "coverage.csv")
    pd.testing.assert_frame_equal(kept, summarise(blocks).round(4), check_dtype=False)
    assert set(kept["cell"]) == set(CELLS)
    assert kept.groupby("settings")["fleets"].min().to_dict() == {"defaults": 80, "known share": 20, "plain": 20}
    assert kept["seed"].nunique() == 1


def test_a_block_of_the_table_can_be_made_again():
    """One fleet of the kept study, drawn and rated anew from its seed, gives the ratio on file."""
    blocks = pd.read_csv(TABLE / "coverage_blocks.csv")
    row = blocks[(blocks["cell"] == "500 units, 20 failures, share known") & (blocks["block"] == 0)].iloc[0]
    again = coverage.run_block(row["cell"], 0, 2, int(row["seed"])).iloc[0]
    for column in ("calibrated", "first_order", "naive average miles"):
        old = [float(v) for v in str(row[column]).split()[:2]]
        assert [float(v) for v in again[column].split()] == pytest.approx(old, abs=2e-4)


def test_a_cell_that_is_not_known_is_refused(tmp_path, capsys):
    assert main(["coverage", "--replicates", "1", "--cells", "no such cell", "--out", str(tmp_path)]) == 2
    assert "cell 'no such cell' is not one of the study's; see studies.coverage.CELLS" in capsys.readouterr().err
