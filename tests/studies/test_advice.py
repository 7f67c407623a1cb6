"""How good the answer for one truck is: the truth it is held against, and the table that is kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.words.evidence import advised
from studies import worth
from studies.advice import BLOCKS, TABLE, one_shop, summarise

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


def test_the_share_truly_lost_is_that_of_the_lives_drawn():
    """By brute force: of all trucks of 30 shops, as many lives end within the target as the truth says, part by part; and one in ten at the limit."""
    for part in range(2):
        lost, drawn, n = 0.0, 0, 0
        for seed in range(30):
            shop = worth.invent(seed)
            lost += shop.truth.lost(shop.power_hp, shop.weight_lb, shop.use, worth.LIFE_MILES)[part].sum()
            drawn += int((shop.life_miles[part] < worth.LIFE_MILES).sum())
            n += len(shop.day)
        assert drawn == pytest.approx(lost, abs=3 * np.sqrt(n * 0.25))
    at = shop.truth.lost(shop.truth_hp[:, 0], np.full(2, 7500.0), np.ones(2), worth.LIFE_MILES)
    assert np.diag(at) == pytest.approx([0.1, 0.1])


def test_the_table_kept_is_the_summary_of_its_trucks():
    trucks = pd.read_csv(EVIDENCE / BLOCKS)
    assert not trucks.duplicated(["seed", "kind", "power_hp", "weight_lb"]).any()
    assert (trucks.groupby("seed").size() == 56).all()
    kept = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(kept, summarise(trucks), check_dtype=False)
    assert kept["shops"].iloc[0] >= 20


def test_the_goals_that_are_met_are_met_and_the_words_say_the_table():
    table, told = advised(EVIDENCE)
    value = table.set_index("measure")["value"]
    assert value["told: shops with at least .90 lasting"] >= 0.9
    assert value["outside: recognised"] >= 0.95
    assert f"{value['told: true share that lasts']:.1%} truly do" in told[0]
    assert "run python -m studies advice" in advised(EVIDENCE / "nowhere")[1][0]
    strange = pd.read_csv(EVIDENCE / BLOCKS)
    strange = strange[(strange["kind"] != "as they come") & (strange["told"] >= 0)]
    assert set(strange["kind"]) <= {"too weak", "too light"}


def test_a_shop_asked_again_gives_rows_that_say_what_they_mean():
    rows = one_shop(0, worth.FIRST_SEED)
    given = rows[rows["told"] >= 0]
    assert (given["high"] <= 0.1).all()
    assert (rows["cost_truth"] <= rows["cost_habit"] + 1e-9).mean() > 0.9
    answered = rows[(rows["kind"] == "as they come") & (rows["told"] < 0)]
    assert np.allclose(answered["cost_told"], answered["cost_habit"])
