"""When a used part is worth renewing: by hand, against a known truth, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.reasons import Renew
from analytics.records.load import load_records
from analytics.review.renew import MILES, pays_from, renew_at_rebuild
from analytics.review.snapshot import snapshot_of
from analytics.words.answers import worded
from tests.small_shop import TOML, build, returned, write_shop


def test_pays_from_by_hand():
    chance = np.tile(np.linspace(0.1, 0.7, len(MILES)), (2, 1))
    chance[1] = 0.3
    found = pays_from(chance, 0.1)
    assert found[0] == MILES[np.argmax(chance[0] - 0.1 >= 0.1)]
    assert np.isinf(found[1])  # a constant rate: a used one is as good as new


def shop(folder, shape, prices='[costs]\ncomeback = 4000\n[costs.parts]\n"A" = 400\n'):
    """700 trucks of one kind, life 60,000 miles by a Weibull law of that shape, 25,000 to 95,000 miles driven (seed 6)."""
    rng = np.random.default_rng(6)
    builds, back, readings = [], [], []
    for k in range(700):
        builds.append(build(f"N-{k:04d}", "2020-01-01", power=int(600 + rng.integers(-100, 100)), weight=7000))
        fails, run = 60_000 * rng.weibull(shape), rng.uniform(25_000, 95_000)
        day = pd.Timestamp("2020-01-01") + pd.Timedelta(days=int(1500 * min(fails, run) / run) + 1)
        if fails < run:
            back.append(
                returned(f"N-{k:04d}", f"{day:%Y-%m-%d}", miles_in_service=round(fails), replaced_with="scrapped")
            )
        else:
            readings.append({"serial": f"N-{k:04d}", "read_on": "2024-03-30", "odometer": round(run)})
    toml = (
        TOML
        + "[ratings]\nreporting_share = 1.0\nboth_laws = false\nselection = false\n[targets]\nmiles = 20000\n"
        + prices
    )
    return snapshot_of(load_records(write_shop(folder, toml, builds=builds, returns=back, readings=readings)))


def test_a_part_that_wears_is_worth_renewing_where_the_truth_says(tmp_path):
    own = renew_at_rebuild(shop(tmp_path, 3.0)).table.set_index("part").loc["A"]

    def ahead(m):
        return 1 - np.exp((m / 60_000) ** 3 - ((m + 20_000) / 60_000) ** 3)

    truth = MILES[np.argmax([ahead(m) - ahead(0) >= 0.1 for m in MILES])]
    # on a grid of 2,500 miles, over 100 draws
    assert own["lower"] - 2_500 <= truth <= own["upper"] + 2_500
    assert own["renew_from_miles"] == pytest.approx(truth, abs=2_500)
    assert own["new_fails"] == pytest.approx(ahead(0), abs=0.015)
    assert own["in_words"].code is Renew.FROM_MILES


def test_a_part_that_fails_by_chance_is_left_in(tmp_path):
    own = renew_at_rebuild(shop(tmp_path, 1.0)).table.set_index("part").loc["A"]
    assert np.isnan(own["renew_from_miles"])
    assert own["in_words"].code is Renew.LEAVE_IN


def test_refusals(tmp_path):
    told = renew_at_rebuild(shop(tmp_path / "a", 2.0, ""))
    assert "It takes what a comeback costs" in worded(told).sentences[0]
    snapshot = snapshot_of(
        load_records(
            write_shop(tmp_path / "b", TOML + '[costs]\ncomeback = 1\n[costs.parts]\n"A" = 1\n', builds=[build("T-1")])
        )
    )
    assert "Too few failures to tell" in worded(renew_at_rebuild(snapshot)).sentences[0]
