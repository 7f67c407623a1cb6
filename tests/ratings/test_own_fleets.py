"""How often the rule is right for fleets like the owner's, and in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics.errors import NotEnoughData
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings import own_fleets as module
from analytics.ratings.options import Options
from analytics.ratings.own_fleets import own_fleets, sheet_rows
from analytics.ratings.promise import Promise
from analytics.ratings.settings import PLAIN
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.words.ratings.own_fleets import found_words, row_words
from studies.coverage import Cell, draw_fleet
from tests.small_shop import rateable_shop


def test_a_fleet_like_the_owners():
    data = draw_fleet(Cell("own", 200, 25.0), np.random.default_rng(1))
    options = Options(Promise(50_000, 0.9, 0.9), seed=2, settings=replace(PLAIN, replicates=20, draws=0))
    (got,) = own_fleets(data, (7500,), None, None, options, replicates=12)
    assert got.rated >= 10
    assert 0.4 < got.covered <= 1
    assert (got,) == own_fleets(data, (7500,), None, None, options, replicates=12)
    with pytest.raises(NotEnoughData, match="at least 3"):
        own_fleets(data.take(~data.failed), (7500,), None, None, options)


def test_the_words_caution_below_the_goal():
    found = module._counted(np.array([0.8, 0.9, 1.1, 1.2]), 7500.0, "", 700.0, 5, 0.9)
    assert (found.covered, found.rated, found.median_ratio) == (0.5, 4, 1.0)
    assert found.se == pytest.approx(0.25)
    assert found_words(found) == (
        "drawn 5 times from its own fit, a fleet like this was rated 4 times; the bound was at or below the truth in 50% "
        "(standard error 25%), half of the time below 100% of it. That is short of the 90% promised: publish with a margin"
    )
    assert "short" not in found_words(replace(found, covered=0.88))
    never = module._counted(np.array([]), 7500.0, "", 700.0, 5, 0.9)
    assert found_words(never).endswith("was never rated: too little to go by")


def test_the_rows_of_the_sheet_are_held_with_their_own_bound_and_use(tmp_path, monkeypatch):
    """Drag comes first in the alphabet and hardly runs; the sheet rates towing. Those rows are held, in every class, by name."""
    folder = rateable_shop(tmp_path)
    builds = pd.read_csv(folder / "builds.csv")
    builds["use"] = ["drag" if k < 6 else "towing" for k in range(len(builds))]
    builds.to_csv(folder / "builds.csv", index=False)
    records = load_records(folder)
    ratings = make_ratings(records, make_lifetimes(records))
    part = ratings.part("input shaft", "A")
    told = dict(row_words(row).removesuffix(".").split(": ", 1) for row in sheet_rows(ratings, 3))
    shaft = {k: v for k, v in told.items() if k.startswith("input shaft A")}
    rated = [b for b in part.bounds if np.isfinite(b.bound_hp)]
    assert len(shaft) == len(rated) >= 2
    for b in rated:
        name = next(k for k in shaft if f"{b.weight_lb:,.0f} lb" in k)
        assert "any use (the harshest, towing)" in name or ", towing," in name
        assert f"{b.bound_hp:,.0f} hp on the sheet" in name
    assert all(v.startswith("drawn 3 times from its own fit") for v in shaft.values())
    assert told["converter C"] == "0 failures: a fleet to draw from needs at least 3"
    # fleets that are the records themselves give the sheet's own bound, over the true power of its use
    monkeypatch.setattr(module, "simulate_lives", lambda model, theta, rng: part.data)
    weights = tuple(b.weight_lb for b in part.bounds if not b.use)
    same = own_fleets(part.data, weights, None, "towing", ratings.options, replicates=1)
    for found, b in zip(same, [b for b in part.bounds if not b.use], strict=True):
        assert found.use == "towing"
        assert found.median_ratio * found.truth_hp == pytest.approx(b.bound_hp, nan_ok=True)
