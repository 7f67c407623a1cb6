"""Invented shops rated from their sheets, held against their truth: the truth itself, one small run, and the table that is kept."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from studies.demo_shops import BLOCKS, FIRST_SEED, NO_POWER, SHARE, TABLE, WITHIN, run, summarise, true_rating
from studies.simulate.demo import demo_truth

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


def test_the_truth_of_a_mix_lies_between_its_uses_and_solves_its_survival():
    truth = demo_truth()
    args = ("input shaft", "IS-B", 50_000.0, 0.9, 8000.0)
    street, drag = (true_rating(truth, *args, {use: 1.0}) for use in ("street", "drag"))
    mix = true_rating(truth, *args, {"street": 0.7, "drag": 0.3})
    assert drag < mix < street
    assert street == pytest.approx(truth.rating(*args, "street"))

    def survive(log_power):
        power = math.exp(log_power)
        return sum(
            s * float(truth.survival("input shaft", "IS-B", 50_000.0, power, 8000.0, u))
            for u, s in (("street", 0.7), ("drag", 0.3))
        )

    assert mix == pytest.approx(math.exp(brentq(lambda v: survive(v) - 0.9, 5, 8)), rel=1e-9)


def test_the_summary_counts():
    rows = pd.DataFrame(
        {
            "seed": [1, 1, 2, 2],
            "component": "c",
            "part": ["A", "B", "A", "B"],
            "weight_lb": 7500.0,
            "bound_hp": [500.0, 700.0, 510.0, np.nan],
            "proposed_hp": [500.0, 600.0, 500.0, np.nan],
            "cap_hp": [600.0, 610.0, 600.0, 610.0],
            "true_hp": [520.0, 650.0, 505.0, 600.0],
            "true_all_hp": [520.0, 600.0, 505.0, 600.0],
            "how": ["modelled", "capped", "modelled", "none"],
            "share_least": [np.nan, 0.8, np.nan, 0.85],
            "share_true": [np.nan, 0.7, np.nan, 0.9],
        }
    )
    table = summarise(rows)
    whole = table.iloc[0]
    assert (whole["shops"], whole["bounds"], whole["without"]) == (2, 3, 1)
    assert whole["held"] == pytest.approx(1 / 3)
    assert whole["proposed_held"] == 1.0
    by_kind = table.set_index(["part", "kind"])["held"]
    assert by_kind["c A", "any"] == 0.5
    within = table[table["kind"] == WITHIN].iloc[0]  # B's true 600 hp lie within, all damage counted
    assert (within["bounds"], within["held"]) == (3, pytest.approx(1 / 3))
    assert (by_kind["c A", WITHIN], by_kind["c B", WITHIN]) == (0.5, 0.0)
    left = summarise(rows.assign(how=["modelled", "capped", "modelled", NO_POWER])).iloc[0]
    assert (left["bounds"], left["without"]) == (3, 0)
    told = summarise(rows.assign(how=["modelled", "capped", "modelled", "share"])).set_index("part").loc[SHARE]
    assert told["kind"].tolist() == ["beside a power", "in its place", "beside a power, of c", "in its place, of c"]
    assert told["held"].tolist() == [0.0, 1.0, 0.0, 1.0]
    none_lasts = rows.assign(share_least=[0.0, 0.8, np.nan, 0.85], share_true=[0.0, 0.7, np.nan, 0.9])
    assert summarise(none_lasts).set_index("part").loc[SHARE, "held"].iat[0] == pytest.approx(2 / 3)
    unseen = table[table["kind"].str.startswith("damage in trucks never opened")].iloc[0]
    assert (unseen["bounds"], unseen["held"]) == (1, 0)
    assert unseen["median_ratio"] == pytest.approx(700 / 600)  # over the truth it is held against
    assert within["p95_ratio"] == pytest.approx(np.quantile([500 / 520, 700 / 600, 510 / 505], 0.95))


def test_a_run_goes_on_where_it_stopped(tmp_path, monkeypatch):
    """Shops already rated are not rated again."""
    from studies import demo_shops

    kept = pd.read_csv(EVIDENCE / BLOCKS, keep_default_na=False, na_values=["nan"])
    asked = []

    def rated(seed, units):
        asked.append(seed)
        return kept[kept["seed"] == seed].drop(columns=["seed", "versions"])

    monkeypatch.setattr(demo_shops, "one_shop", rated)
    first = run(tmp_path, 2)
    again = run(tmp_path, 3)
    assert asked == [FIRST_SEED, FIRST_SEED + 1, FIRST_SEED + 2]
    assert first["shops"].iat[0] == 2
    assert again.equals(summarise(kept[kept["seed"] < FIRST_SEED + 3]))


def test_the_table_kept_is_made_of_its_shops_and_holds_what_is_claimed():
    """Forty shops; every bound on their sheets at or below the truth about nine times in ten or more."""
    kept = pd.read_csv(EVIDENCE / BLOCKS, keep_default_na=False, na_values=["nan"])
    table = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(table, summarise(kept))
    assert sorted(kept["seed"].unique()) == list(range(FIRST_SEED, FIRST_SEED + 40))
    whole = table.iloc[0]
    assert whole["bounds"] > 600
    assert whole["held"] > 0.9
    within = table[table["kind"] == WITHIN].iloc[0]
    assert 0.88 < within["held"] < 0.96
    assert (kept.loc[kept["how"] == NO_POWER, "component"] == "valve body").all()
    assert whole["without"] == kept["how"].isin(["none", "share"]).sum()
