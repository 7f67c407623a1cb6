"""When a used part is worth renewing: by hand, against a known truth, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.reasons import Renew, reason
from analytics.records.load import load_records
from analytics.review.renew import MILES, _otherwise, pays_from, renew_at_rebuild
from analytics.review.snapshot import snapshot_of
from analytics.words.answers import worded
from analytics.words.saying import say
from tests.small_shop import TOML, build, returned, write_shop


def test_pays_from_by_hand():
    chance = np.tile(np.linspace(0.1, 0.7, len(MILES)), (2, 1))
    chance[1] = 0.3
    found = pays_from(chance, np.tile(chance[:, :1], len(MILES)), 0.1)
    assert found[0] == MILES[np.argmax(chance[0] - 0.1 >= 0.1)]
    assert np.isinf(found[1])  # a constant rate: a used one is as good as new


PRICES = '[costs]\ncomeback = 4000\n[costs.parts]\n"A" = 400\n'


def shop(folder, shape, prices=PRICES, slope=0.0, spread=100, drag=0):
    """700 trucks, life 60,000 miles at 600 hp by a Weibull law of that shape, falling with power to the ``slope``, 25,000 to 95,000 miles
    driven (seed 6); the first so many (``drag``) are dragged, a tenth of the miles."""
    rng = np.random.default_rng(6)
    builds, back, readings = [], [], []
    for k in range(700):
        power = int(600 + rng.integers(-spread, spread))
        builds.append(build(f"N-{k:04d}", "2020-01-01", power=power, weight=7000, use="drag" if k < drag else "street"))
        fails, run = 60_000 * (power / 600) ** slope * rng.weibull(shape), rng.uniform(25_000, 95_000)
        run /= 10 if k < drag else 1
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
    own = renew_at_rebuild(shop(tmp_path, 3.0)).table.set_index("part").loc["A"].iloc[0]

    def ahead(m):
        return 1 - np.exp((m / 60_000) ** 3 - ((m + 20_000) / 60_000) ** 3)

    truth = MILES[np.argmax([ahead(m) - ahead(0) >= 0.1 for m in MILES])]
    # on a grid of 2,500 miles, over 100 draws
    assert own["lower"] - 2_500 <= truth <= own["upper"] + 2_500
    assert own["renew_from_miles"] == pytest.approx(truth, abs=2_500)
    assert own["new_fails"] == pytest.approx(ahead(0), abs=0.015)
    assert own["in_words"].code is Renew.FROM_MILES


def test_a_part_that_fails_by_chance_is_left_in(tmp_path):
    own = renew_at_rebuild(shop(tmp_path, 1.0)).table.set_index("part").loc["A"].iloc[0]
    assert np.isnan(own["renew_from_miles"])
    assert own["in_words"].code is Renew.LEAVE_IN


def test_used_and_new_are_held_against_each_other_in_the_same_trucks(tmp_path):
    """Lives fall with the fourth power of 400 to 800 hp: the strong trucks have lost their first part long before 60,000 miles, so a new one
    in all trucks would fail far more often than in those whose used one is still in. The truth by its law, truck by truck."""
    snapshot = shop(tmp_path, 2.0, slope=-4.0, spread=200)
    rows = renew_at_rebuild(snapshot).table.set_index("part").loc[["A"]]
    whole = rows[rows["power_band"] == ""].iloc[0]
    eta = (
        60_000
        * (snapshot.table.query("component == 'input shaft' and segment == 1")["power_hp"].to_numpy() / 600) ** -4.0
    )
    m = whole["used_at"]
    alive = np.exp(-((m / eta) ** 2))
    used = (alive - np.exp(-(((m + 20_000) / eta) ** 2))).sum() / alive.sum()
    new = (alive * (1 - np.exp(-((20_000 / eta) ** 2)))).sum() / alive.sum()
    everywhere = (1 - np.exp(-((20_000 / eta) ** 2))).mean()
    assert whole["new_fails"] == pytest.approx(new, abs=0.02)
    assert whole["used_fails"] == pytest.approx(used, abs=0.06)
    assert everywhere > new + 0.08  # what a new part in all trucks would be told


def test_each_use_and_power_has_its_own_answer(tmp_path):
    rows = renew_at_rebuild(shop(tmp_path, 2.0, slope=-4.0, spread=200)).table
    bands = rows[(rows["part"] == "A") & (rows["power_band"] != "")].set_index("power_band")
    assert len(bands) > 1
    assert (bands["use"] == "street").all()
    adds = bands["used_fails"] - bands["new_fails"]
    assert adds.iloc[-1] > adds.iloc[0]  # the stronger the truck, the more a used part adds


def test_refusals(tmp_path):
    told = renew_at_rebuild(shop(tmp_path / "a", 2.0, ""))
    assert "It takes what a comeback costs" in worded(told).sentences[0]
    snapshot = snapshot_of(
        load_records(
            write_shop(tmp_path / "b", TOML + '[costs]\ncomeback = 1\n[costs.parts]\n"A" = 1\n', builds=[build("T-1")])
        )
    )
    assert "Too few failures to tell" in worded(renew_at_rebuild(snapshot)).sentences[0]


def test_a_kind_of_truck_is_read_no_further_than_it_has_run_itself(tmp_path):
    """The same law for all, dragged trucks driven a tenth of the others' miles: of them nothing is said at the miles of the others."""
    snapshot = shop(tmp_path, 3.0, drag=200)
    rows = renew_at_rebuild(snapshot).table
    told = rows[(rows["part"] == "A") & (rows["use"] != "")].groupby("use")["seen_miles"].max()
    assert told["drag"] < 10_000 < 70_000 < told["street"]
    drag = rows[(rows["part"] == "A") & (rows["use"] == "drag")]
    lives = snapshot.table[(snapshot.table["use"] == "drag") & (snapshot.table["component"] == "input shaft")]
    for row in drag.itertuples():
        own = lives[lives["power_band"].astype(str) == row.power_band]["lower_miles"]
        assert row.seen_miles == own.nlargest(10).iloc[-1]
    assert drag["renew_from_miles"].isna().all()
    assert (drag["used_at"] < 10_000).all()


def told_rows(whole: float, **kinds: tuple[float, float]) -> pd.DataFrame:
    rows = [("", whole, 80_000.0), *((name, *of) for name, of in kinds.items())]
    return pd.DataFrame(rows, columns=["use", "renew_from_miles", "seen_miles"])


def test_what_kinds_of_truck_ask_for_another_answer():
    """By hand: where all together are left in, those that pay; where all are renewed from 50,000, those that do not pay and have run as far."""
    kinds = {"towing": (30_000.0, 60_000.0), "drag": (np.nan, 8_000.0), "street": (np.nan, 70_000.0)}
    assert _otherwise(told_rows(np.nan, **kinds))["use"].tolist() == ["towing"]
    assert _otherwise(told_rows(50_000.0, **kinds))["use"].tolist() == ["street"]


def test_what_is_not_sure_is_not_said_as_sure():
    kinds = [
        ("towing", "400 to 600", 30_000.0, 17_500.0, np.inf, 60_000.0),
        ("street", "", np.nan, 65_000.0, np.inf, 70_000.0),
    ]
    told = say(reason(Renew.OTHERWISE, kinds=kinds))
    assert "renew from about 30,000 miles (17,500 to more than the 60,000 miles seen)" in told
    assert "leave it in up to the 70,000 miles seen" in told
    values = {
        "at_miles": 75_000.0,
        "fewest_seen": 10,
        "used_fails": 0.11,
        "new_fails": 0.03,
        "price": 510.0,
        "currency": "$",
        "asks_for": 0.13,
    }
    assert "It is close: the limits leave open that it pays from 67,500 miles" in say(
        reason(Renew.LEAVE_IN, lower=67_500.0, **values)
    )
    assert "It is close" not in say(reason(Renew.LEAVE_IN, lower=90_000.0, **values))
