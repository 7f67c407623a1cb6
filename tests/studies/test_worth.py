"""What following the sheet is worth: the invented shop, its owners, and the table that is kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.words.evidence import WORTH_OWNERS, worth
from studies.worth import (
    BLOCKS,
    LIFE_MILES,
    OF_HABIT,
    OWNERS,
    QUARTER_DAYS,
    QUARTERS,
    TABLE,
    Owner,
    habit,
    invent,
    of_habit,
    of_the_best_odds,
    sheets_of,
    summarise,
    unchanged,
)

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


def test_the_limits_of_the_truth_let_one_in_ten_fail():
    """By brute force over many shops: of the trucks near their limit in the harsher use, one in ten fails within the life."""
    failed, near = 0, 0
    for seed in range(40):
        shop = invent(seed)
        for part in range(2):
            at = (np.abs(np.log(shop.power_hp / shop.truth_hp[part, 0])) < 0.05) & (shop.use == 1)
            at &= np.abs(np.log(shop.weight_lb / 7500)) < 0.1
            failed, near = failed + int((shop.life_miles[part, at] < LIFE_MILES).sum()), near + int(at.sum())
    assert near > 500
    assert failed / near == pytest.approx(0.1, abs=0.03)


def test_who_knows_the_truth_pays_least_and_the_habit_refuses_most():
    cost = {}
    for seed in range(3):
        shop = invent(seed)
        for name, owner in (
            ("never", unchanged(shop, 1.35)),
            ("habit", habit(shop, 1.35)),
            ("truth", unchanged(shop, 1.0)),
        ):
            found = owner.score()
            cost[name] = cost.get(name, 0) + 10 * found["comebacks"] + found["refused"]
    assert cost["truth"] < cost["habit"] < cost["never"]


def test_the_sheets_hold_what_the_shop_could_know():
    shop = invent(2)
    owner = Owner(shop, 1.35)
    for quarter in range(16):
        owner.build(quarter)
    sheets = sheets_of(owner, 16 * QUARTER_DAYS)
    built = (owner.fitted >= 0) & (owner.fitted < 2)
    assert len(sheets["builds"]) == built.sum()
    told = sum(int(owner.failed(part, 16 * QUARTER_DAYS)[1].sum()) for part in range(2))
    serials = sheets["returns"]["serial"].str.strip().str.upper()
    assert serials[serials != "U-99999"].nunique() == told > 20
    assert shop.day.max() <= QUARTERS * QUARTER_DAYS


def test_the_table_kept_is_the_summary_of_its_runs():
    runs = pd.read_csv(EVIDENCE / BLOCKS)
    assert not runs.duplicated(["seed", "start", "owner"]).any()
    kept = pd.read_csv(EVIDENCE / TABLE)
    pd.testing.assert_frame_equal(kept, summarise(runs), check_dtype=False)
    assert kept["shops"].min() >= 25
    assert OWNERS == WORTH_OWNERS


def test_what_the_sheet_is_worth_of_the_habit_is_that_of_its_runs():
    kept = pd.read_csv(EVIDENCE / OF_HABIT)
    pd.testing.assert_frame_equal(kept, of_habit(pd.read_csv(EVIDENCE / BLOCKS)), check_dtype=False)
    cost = pd.read_csv(EVIDENCE / TABLE).set_index(["start", "owner"])["cost_10"]
    share = kept.set_index(["start", "owner", "measure"])["share"]
    assert share["all", OWNERS[2], "cost_10"] == pytest.approx(
        cost["all", OWNERS[2]] / cost["all", OWNERS[1]], abs=6e-7
    )


def test_a_share_of_the_habit_has_the_standard_error_of_a_ratio():
    """Two shops of one start, by hand: 3 and 1 comebacks where the habit has 2 and 2. The sheet lowers one of the two right limits of the first."""
    row = {"start": 1.0, "refused": 10, "wrong_lower": 0, "replicates": 7}
    runs = [row | {"seed": s, "owner": o, "comebacks": 2} for s in (1, 2) for o in OWNERS[1:4]]
    runs[1] |= {"comebacks": 3, "wrong_lower": 1}
    runs[4] |= {"comebacks": 1}
    table = of_habit(pd.DataFrame(runs)).set_index(["start", "owner", "measure"])
    told = table.loc["all", OWNERS[2], "comebacks"]
    assert (told["share"], told["se"], told["replicates"]) == (1.0, 0.5, 7)  # sqrt(2/1 (1 + 1)) / 4
    assert table.loc["all", OWNERS[2], "cost_10"]["se"] == pytest.approx(
        1 / 3, abs=6e-7
    )  # 30 each of the habit: sqrt(2 (100 + 100)) / 60
    lowered = table.loc["1 of the truth", OWNERS[2], "lowered"]
    assert (lowered["share"], lowered["se"]) == (0.25, 0.25)
    assert table.loc["all", OWNERS[3], "comebacks"]["se"] == 0.0


def test_a_run_of_the_table_can_be_made_again():
    runs = pd.read_csv(EVIDENCE / BLOCKS)
    own = runs[(runs["seed"] == runs["seed"].min()) & (runs["start"] == 1.35)].set_index("owner")
    shop = invent(int(runs["seed"].min()))
    for name, owner in (
        (OWNERS[0], unchanged(shop, 1.35)),
        (OWNERS[1], habit(shop, 1.35)),
        (OWNERS[4], of_the_best_odds(shop, 1.35, int(runs["seed"].min()))[0]),
        (OWNERS[5], unchanged(shop, 1.0)),
    ):
        assert owner.score() == {"comebacks": own.loc[name, "comebacks"], "refused": own.loc[name, "refused"]}


def test_the_words_say_what_the_table_says():
    table, told = worth(EVIDENCE)
    sheet, usual = (table[(table["start"] == "all") & (table["owner"] == OWNERS[k])].iloc[0] for k in (2, 1))
    assert f"{1 - sheet['cost_10'] / usual['cost_10']:.0%} less" in told[0]
    assert "goal of 20% less than the habit is not reached" in told[-1]
    odds = table[(table["start"] == "all") & (table["owner"] == OWNERS[4])].iloc[0]
    tries = table[(table["start"] == "all") & (table["owner"] == OWNERS[3])].iloc[0]
    assert f"may be tried pays {1 - tries['cost_10'] / usual['cost_10']:.0%} less" in told[2]
    assert f"would pay {1 - odds['cost_10'] / usual['cost_10']:.0%} less" in told[-1]
    assert 1 - sheet["cost_10"] / usual["cost_10"] < 0.2
    assert "run python -m studies worth" in worth(EVIDENCE / "nowhere")[1][0]
