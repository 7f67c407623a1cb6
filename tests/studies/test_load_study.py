"""The study of the load page: what it claims of the tables kept, and that a row is made again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.words.evidence import loaded
from studies.load import (
    AT_LBFT,
    EXPONENT,
    LIFE_MILES,
    SCALE,
    SHAPE,
    TABLES,
    accused,
    explained,
    held_in_hp,
    hp_apart,
    run,
    trucks,
)
from studies.simulate.load_demo import load_demo_files
from tests.simulate.test_load_demo import findings, told, truth_of

EVIDENCE = Path(__file__).parents[2] / "data" / "evidence"


def kept(name: str) -> pd.DataFrame:
    return pd.read_csv(EVIDENCE / f"{name}.csv")


def test_rules_are_found_where_they_matter_and_seldom_accused_where_not():
    table = kept("load_rules")
    nothing, planted = table[table["times"] == 1], table[table["times"] > 1]
    assert len(nothing) == len(planted) == 6
    assert planted["accused"].min() >= 0.8
    assert nothing["accused"].mean() <= 0.06
    assert nothing["accused"].max() <= 0.10
    assert table["others_accused"].mean() <= 0.07


def test_what_explains_the_returns_is_seldom_told_wrong():
    table = kept("load_explained")
    assert table["wrong"].max() <= 0.05
    told = table.set_index(["truth", "recorded"])["right"]
    assert told["torque", 1.0] >= 0.9
    assert (table[["right", "cannot_be_told", "wrong"]].sum(axis=1) - 1).abs().max() < 1e-3


def test_horsepower_of_a_rating_on_torque_holds_for_the_slowest_engines():
    """It held four times in ten for customers between 2,300 and 3,500 rpm."""
    table = kept("load_hp").set_index("recorded")
    assert (table["held_slowest"] >= 0.88).all()
    assert (table["held_middle"] >= table["held_slowest"]).all()
    assert table.loc[1.0, "median_ratio"] > 0.9


def test_the_words_say_the_tables_and_why_the_horsepower_is_low():
    told = loaded(EVIDENCE)[1]
    hp, apart = (kept(name).set_index("recorded") for name in ("load_hp", "load_hp_apart"))
    assert f"{hp.loc[0.0, 'held_slowest']:.0%} where no torque is on record" in told[1]
    assert apart.loc[0.0, "speed"] < 0.95 < apart.loc[0.2, "speed"], (
        "an engine speed slower than any is taken where none is on record"
    )
    assert f"{1 - apart.loc[0.0, 'speed']:.0%} slower" in told[2]
    assert apart["hp_sd"].max() < 0.03
    assert "python -m studies load" in loaded(EVIDENCE / "nowhere")[1][0]


def test_the_truth_is_the_one_stated():
    """At the torque of the truth nine of ten last the life."""
    scale = SCALE * 1.0**-EXPONENT
    world = trucks(1.0, 0)
    assert np.allclose(world.torque_lbft * world.speed_rpm / 5252.113, world.power_hp)
    lbft = AT_LBFT * (LIFE_MILES / (-np.log(0.9)) ** (1 / SHAPE) / SCALE) ** (-1 / EXPONENT)
    life = scale * (lbft / AT_LBFT) ** -EXPONENT
    assert np.exp(-((LIFE_MILES / life) ** SHAPE)) == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("row", "cell"), [(accused, ("hub", 5.0)), (explained, ("torque", 1.0)), (held_in_hp, (1.0,)), (hp_apart, (1.0,))]
)
def test_a_row_again(row, cell):
    one, other = row(*cell, 2, 3), row(*cell, 2, 3)
    assert one == other
    assert one["fleets"] == 2


def test_a_rerun_keeps_what_is_there(tmp_path, monkeypatch):
    calls = []

    def row(cell, fleets, seed):
        calls.append(cell)
        return {"cell": cell, "fleets": fleets}

    monkeypatch.setitem(TABLES, "load_rules", (row, [("a",), ("b",)]))
    for name in ("load_explained", "load_hp", "load_hp_apart"):
        monkeypatch.setitem(TABLES, name, (row, []))
    run(tmp_path, 3)
    run(tmp_path, 3)
    assert calls == ["a", "b"]
    run(tmp_path, 4)
    assert calls == ["a", "b", "a", "b"]


@pytest.mark.parametrize("seed", range(1, 9))
def test_no_finding_of_the_load_demo_is_wrong(tmp_path, seed):
    """Drawn anew: right, or "cannot be told"."""
    for name, content in load_demo_files(seed).items():
        (tmp_path / name).write_bytes(content)
    truth = truth_of(tmp_path)
    assert all(told(found) in ("", truth[c]) for c, found in findings(tmp_path).items())
