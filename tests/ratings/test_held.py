"""A raise that the driveline's formulas hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.cores import JOBS
from analytics.driveline.load import load_at, make_loads
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings import basis
from analytics.ratings.held import held_by_margin
from analytics.ratings.sheet import COLUMNS, make_ratings
from analytics.ratings.verdict import Judgement
from analytics.reasons import ReadAs, Verdict, reason
from analytics.records.load import load_records
from analytics.review.how_sure import how_sure
from analytics.words.ratings.pictures import sheet_caption
from analytics.words.saying import say
from tests.driveline.shops import LOCKUP, SHAFT
from tests.small_shop import TOML, build, rateable_shop, write_shop

FIGURES = {
    "estimate_hp": 800.0,
    "supported_hp": 600.0,
    "proposed_hp": 700.0,
    "published_hp": 500.0,
    "known_hp": np.nan,
    "too_high": 0.1,
    "margin_hp": 25.0,
    "at_least": False,
}


def shop(folder, *parts):
    return load_records(write_shop(folder, TOML, builds=[build("T-111")], parts=list(parts)))


def proposed(component, part, published=500.0, verdict="raise", proposed_hp=700.0):
    """A sheet of one row that would be raised."""
    row = dict.fromkeys(COLUMNS, np.nan) | {"component": component, "part": part, "weight_up_to": 7500.0, "use": ""}
    row |= {"published_hp": published, "supported_hp": 600.0, "proposed_hp": proposed_hp, "verdict": verdict}
    return pd.DataFrame([row | {"why": reason(Verdict.RAISE, **FIGURES)}], columns=COLUMNS)


def held(records, table):
    return held_by_margin(table, records, make_lifetimes(records)).iloc[0]


def test_a_shaft_that_may_give_at_the_power_proposed_is_not_raised(tmp_path):
    records = shop(tmp_path, SHAFT)
    loads = make_loads(records, make_lifetimes(records))
    own = load_at(loads, "input shaft", "A", np.array([700.0]), 7500.0, "").iloc[0]
    assert own["body_margin_low"] < 1 < own["body_margin"]
    row = held(records, proposed("input shaft", "A"))
    assert (row["verdict"], row["proposed_hp"], row["why"].code) == ("keep", 600, Verdict.HELD_BY_MARGIN)
    assert row["why"].values["weakest"] == own["body_margin_low"]
    assert f"stands {own['body_margin_low']:.2f} times the torque" in say(row["why"])
    assert held(records, proposed("input shaft", "A", published=np.nan))["verdict"] == "not shown either way"


def test_a_shaft_that_stands_it_at_the_worst_is_raised_up_to_where_it_does(tmp_path):
    records = shop(tmp_path, SHAFT | {"outside_diameter": "1.6 in", "spline_root_diameter": "1.55 in"})
    assert held(records, proposed("input shaft", "A"))["verdict"] == "raise"
    assert held(records, proposed("input shaft", "A", proposed_hp=3000.0))["verdict"] == "keep"


def test_nothing_is_tried_where_it_may_give(tmp_path):
    records = shop(tmp_path, SHAFT)
    for trial, left in ((700.0, np.nan), (300.0, 300.0)):
        row = held(records, proposed("input shaft", "A", verdict="keep").assign(trial_hp=trial))
        assert (row["verdict"], row["trial_hp"]) == ("keep", pytest.approx(left, nan_ok=True))


@pytest.mark.parametrize(("use", "tried"), [("towing", True), ("drag", False), ("sled", False)])
def test_nothing_is_tried_in_trucks_that_race_or_pull(tmp_path, monkeypatch, use, tried):
    folder = rateable_shop(tmp_path / "s")
    pd.read_csv(folder / "builds.csv", dtype=str).assign(use=use).to_csv(folder / "builds.csv", index=False)
    kept = Judgement("keep", reason(Verdict.KEEP, **FIGURES), 500.0, 600.0)
    monkeypatch.setattr("analytics.ratings.sheet.judge", lambda *_: kept)
    records = load_records(folder)
    table = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")]).table
    assert set(table["verdict"]) == {"keep"}
    assert set(table["trial_hp"].notna()) == {tried}


@pytest.mark.parametrize(
    ("more", "verdict"),
    [
        ({}, "raise"),
        ({"lining_friction": "0.10-0.15"}, "raise"),
        ({"lining_friction": "0.10-0.15", "apply_pressure": "100 psi"}, "keep"),
    ],
)
def test_of_a_clutch_its_own_friction_and_pressure_hold_a_raise_and_no_default_does(tmp_path, more, verdict):
    records = shop(tmp_path, LOCKUP | more)
    loads = make_loads(records, make_lifetimes(records))
    assert load_at(loads, "converter", "C", np.array([900.0]), 7500.0, "").iloc[0]["clutch_margin_low"] < 1
    assert held(records, proposed("converter", "C", proposed_hp=900.0))["verdict"] == verdict


def test_nothing_else_is_touched(tmp_path):
    records = shop(tmp_path, SHAFT)
    for table in (
        proposed("input shaft", "A", verdict="lower"),
        proposed("input shaft", "B"),
        proposed("converter", "C"),
    ):
        pd.testing.assert_frame_equal(held_by_margin(table, records, make_lifetimes(records)), table)


def test_the_sheet_holds_what_its_own_parts_sheet_speaks_against(tmp_path):
    """The same records with the part described and not: what would go up is held."""
    folder = rateable_shop(tmp_path / "s")
    pd.DataFrame(
        [
            {
                "component": "input shaft",
                "part": "A",
                "weight_up_to": "",
                "power_limit": "300 hp",
                "effective_on": "2018-01-01",
            }
        ]
    ).to_csv(folder / "limits.csv", index=False)
    verdicts = {}
    for name in ("plain", "described"):
        records = load_records(folder)
        table = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")]).table
        verdicts[name] = table["verdict"].tolist()
        pd.DataFrame([SHAFT]).to_csv(folder / "parts.csv", index=False)
    assert "raise" in verdicts["plain"]
    assert verdicts["described"] == ["keep" if v == "raise" else v for v in verdicts["plain"]]


def test_the_sheet_raises_nothing_on_weights_of_which_most_are_taken_from_few(tmp_path, monkeypatch):
    """The same trucks, with the weight of all that run on record, and of few."""
    monkeypatch.setattr(basis, "FEW_ALIKE", 10)
    monkeypatch.setenv(JOBS, "1")  # other processes would not know of it
    folder, told, sure = rateable_shop(tmp_path / "s"), {}, {}
    limit = {"component": "input shaft", "part": "A", "weight_up_to": "", "power_limit": "300 hp"}
    pd.DataFrame([limit | {"effective_on": "2018-01-01"}]).to_csv(folder / "limits.csv", index=False)
    for name in ("all", "few"):
        records = load_records(folder)
        lifetimes = make_lifetimes(records)
        told[name] = make_ratings(records, lifetimes, only=[("input shaft", "A")]).table
        read = how_sure(records, lifetimes).table
        sure[name] = set(read.loc[read["reading"].map(lambda how: how.code is ReadAs.IT_STANDS), "verdict"])
        builds = pd.read_csv(folder / "builds.csv", dtype=str)
        builds.loc[builds.index[:52][builds.index[:52] % 4 > 0], "weight"] = None
        builds.to_csv(folder / "builds.csv", index=False)
    assert "raise" in set(told["all"]["verdict"])
    assert "raise" not in set(told["few"]["verdict"])
    assert Verdict.FEW_KNOWN in {why.code for why in told["few"]["why"]}
    assert (told["few"]["supported_hp"] > 0).any()
    # where the page tells how sure each verdict is too
    assert "raise" in sure["all"]
    assert "raise" not in sure["few"]


def test_the_picture_of_the_sheet_says_what_is_supported_and_not_raised():
    rows = [
        ("A", Verdict.HELD_BY_MARGIN, 700.0, 500.0),
        ("B", Verdict.HIDDEN_DAMAGE, 700.0, 500.0),
        ("C", Verdict.RAISE, 700.0, 500.0),
    ]
    table = pd.DataFrame(rows, columns=["part", "why", "supported_hp", "published_hp"])
    table["why"] = [reason(code, **FIGURES) for code in table["why"]]
    assert "yet not raised, for what the sheet says beside it: A and B." in sheet_caption(table)
    assert "not raised" not in sheet_caption(table[2:])
