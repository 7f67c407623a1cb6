"""What was put into the demo comes out of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.failures import counts_as_failure
from analytics.models.exact import poisson_limits
from analytics.reasons import Flag, Wear
from analytics.review.quarter import unit_years
from tests.reviewed import make_review

DEMO = Path(__file__).parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def review():
    return make_review(DEMO)


@pytest.fixture(scope="module")
def truth():
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


def test_set_aside_and_linked_rows_are_those_planted(review):
    planted = pd.read_csv(DEMO / "planted.csv", dtype=str)
    aside = set(
        zip(review.records.books.set_aside["file"], review.records.books.set_aside["row"].astype(str), strict=True)
    )
    wanted = planted[planted["expected"] == "set aside"]
    assert aside == set(zip(wanted["file"], wanted["row"], strict=True))
    doubts = set(
        zip(review.records.books.to_check["file"], review.records.books.to_check["row"].astype(str), strict=True)
    )
    noted = planted[planted["expected"].isin(["linked", "to check"])]
    assert set(zip(noted["file"], noted["row"], strict=True)) <= doubts


def test_every_reported_failure_is_found_less_those_set_aside(review, truth):
    """Failures per part: those drawn, less the returns that could not be used, or whose lives ended before the records. What
    was written down without saying which broke first counts as a failure too, though some of it was dragged along."""
    table = review.lifetimes.table
    own = table[counts_as_failure(table) & ~table["flags"].str.contains(Flag.AT_TEARDOWN.name)]
    ours, unclear = (t.groupby(["component", "part"])["count"].sum() for t in (own, own[own["order"] == "unclear"]))
    lost = len(review.records.books.set_aside[review.records.books.set_aside["file"] == "returns.csv"])
    told = {(r["component"], r["part"]): r["failures"] for r in truth["failures_by_part"]}
    gap = {key: n - int(ours.get(key, 0)) for key, n in told.items()}
    assert all(g >= -unclear.get(key, 0) for key, g in gap.items()), gap
    assert sum(gap.values()) <= lost + truth["units_that_failed_before_the_records"] + 5
    assert ours.sum() >= 0.9 * sum(told.values())


def test_the_part_that_never_failed_is_said_so(review, truth):
    part = truth["to_be_found"]["no failure at all"]
    row = review.wear.table.set_index(["component", "part"]).loc[(part["component"], part["part"])]
    assert row["failures"] == 0
    assert row["in_words"].code is Wear.NONE_BACK


def test_the_bad_lot_stands_out(review, truth):
    bad = truth["to_be_found"]["bad lot"]
    own = review.lifetimes.table[review.lifetimes.table["component"] == bad["component"]]
    counts = {
        lot: (int(g.loc[counts_as_failure(g), "count"].sum()), float(unit_years(g).sum()))
        for lot, g in own.groupby("lot")
        if lot
    }
    failures, years = counts[bad["lot"].upper()]
    others = [counts[k] for k in counts if k != bad["lot"].upper()]
    elsewhere = sum(f for f, _ in others) / sum(y for _, y in others)
    assert poisson_limits(failures, years, 0.9).lower > 3 * elsewhere


def test_the_improved_revision_fails_less(review, truth):
    revision = truth["to_be_found"]["improved revision"]
    own = review.lifetimes.table[review.lifetimes.table["component"] == revision["component"]]
    rate = {
        p: own[(own["part"] == p) & counts_as_failure(own)]["count"].sum() / unit_years(own[own["part"] == p]).sum()
        for p in (revision["old"], revision["new"])
    }
    assert rate[revision["new"]] < 0.5 * rate[revision["old"]]


def test_install_errors_are_no_strength_failures(review, truth):
    month = truth["to_be_found"]["month of install errors"]
    table = review.lifetimes.table
    install = table[(table["cause"] == "install") & (table["component"] == month["component"])]
    built = install["built_on"].dt.strftime("%Y-%m").value_counts()
    assert built.index[0] == month["month"]
    assert not counts_as_failure(install).any()


def test_uses_drive_as_drawn(review, truth):
    """Median miles a day by use, from units read by chance (not at a return), within 30% of the truth."""
    units = review.lifetimes.units
    quiet = units[(units["returned"] == 0) & (units["miles_days"] > 180)]
    for use in truth["truth"]["uses"]:
        own = quiet[quiet["use"] == use["use"]]
        if len(own) < 15:
            continue
        median = np.exp(np.log(own["miles"] / own["miles_days"]).mean())
        assert median == pytest.approx(use["miles_per_day"], rel=0.3), use["use"]


def test_true_survival_lies_inside_the_limits(review, truth):
    """At 30,000 miles nothing is certain from few odometers, so the truth is asked of days: every failure is known there.

    Without reporting gaps the Kaplan-Meier curve on days of the whole fleet has no truth in closed form; the count of
    failures per unit-year of each part must lie inside exact 99% limits of the count drawn.
    """
    table = review.lifetimes.table
    for row in truth["failures_by_part"]:
        own = table[(table["component"] == row["component"]) & (table["part"] == row["part"])]
        years = float(unit_years(own).sum())
        seen = int(own.loc[counts_as_failure(own) & ~own["flags"].str.contains(Flag.AT_TEARDOWN.name), "count"].sum())
        limits = poisson_limits(row["failures"], years, 0.99)
        assert limits.lower <= seen / years <= limits.upper
