"""The study of the prediction interval: fleets and their futures, a small run, and the table that is kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.errors import AnalyticsError
from studies.coverage import CELLS, draw_fleet
from studies.prediction import STUDY, fleet_and_future, one_prediction, prediction_coverage

TABLE = Path(__file__).parents[2] / "data" / "evidence" / "prediction.csv"


def test_the_futures_fit_the_fleets():
    """Failures seen are as many as the cell states, those to come grow with the days, and silent ones are not counted."""
    cell = CELLS["500 units, 20 failures"]
    got = [fleet_and_future(cell, np.random.default_rng(i), 365.0) for i in range(60)]
    seen = np.mean([d.failures for d, _ in got])
    assert seen == pytest.approx(20, abs=4 * np.sqrt(20 / 60))
    short = np.mean([fleet_and_future(cell, np.random.default_rng(i), 91.0)[1] for i in range(60)])
    long = np.mean([n for _, n in got])
    assert 2.5 < long / short < 7
    silent = CELLS["70% of failures reported"]
    assert np.mean([fleet_and_future(silent, np.random.default_rng(i), 1e6)[1] for i in range(10)]) == pytest.approx(
        0.7 * (500 - 20 / 0.7), rel=0.05
    )
    other = draw_fleet(cell, np.random.default_rng(1))
    mine = got[1][0]
    assert mine.log_power == pytest.approx(other.log_power)
    assert (mine.failed == other.failed).all()


def test_a_small_run_repeats_and_is_written(tmp_path):
    study = (("150 units, 8 failures", 91.0),)
    first = prediction_coverage(3, 7, study, draws=64, out=tmp_path / "a.csv")
    again = prediction_coverage(3, 7, study, draws=64)
    assert first.equals(again)
    assert pd.read_csv(tmp_path / "a.csv").loc[0, "fleets"] == 3
    one = one_prediction(CELLS["500 units, 20 failures"], 91.0, 3, draws=64)
    assert one["inside"] == float(one["lower"] <= one["came_back"] <= one["upper"])


def test_cells_that_cannot_be_followed_are_refused():
    with pytest.raises(AnalyticsError, match="frailty"):
        fleet_and_future(CELLS["frailty 0.4"], np.random.default_rng(1), 91.0)
    with pytest.raises(AnalyticsError, match="not one of the study's"):
        prediction_coverage(1, study=(("nothing of the kind", 91.0),))


def test_the_table_kept_holds_what_is_claimed():
    """At 0.90 nominal: at least 0.88 inside in every cell, over 400 fleets each; a whole-number interval covers more where few come."""
    kept = pd.read_csv(TABLE)
    assert list(zip(kept["cell"], kept["days"], strict=True)) == list(STUDY)
    assert (kept["fleets"] >= 200).all()
    assert (kept["predicted"] == kept["fleets"]).all()
    assert (kept["covered"] > 0.88).all()
    assert (kept["covered"] >= kept["plug_in_covered"] - 0.01).all()
    assert kept["seed"].nunique() == 1
    # the same fleets again, a few of them: the table was made by this code
    name, days = STUDY[3]
    row = kept.iloc[3]
    few = prediction_coverage(10, int(row["seed"]), ((name, days),), draws=int(row["draws"]))
    spread = np.sqrt(row["covered"] * (1 - row["covered"]) / 10)
    assert abs(few["covered"].iloc[0] - row["covered"]) < 4 * spread + 0.02
