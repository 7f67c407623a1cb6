"""A bad lot in money: against reckoning by hand, and against the chances of its trucks one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma, norm

from analytics.reasons import Alarms, Family, LotChoice
from analytics.records.load import load_records
from analytics.review import lot_choice
from analytics.review.alarms import alarms_answer, lot_counts
from analytics.review.forecast import alarms_kept
from analytics.review.lot_choice import OPENED, LotMoney, lot_money, lot_reasons, renewed
from analytics.review.said import alarm_states
from analytics.review.snapshot import DRAWS, Snapshot, chance_of, past_of, snapshot_of
from analytics.review.watch import ratios_drawn, shrink
from analytics.words.answers import worded
from analytics.words.saying import say_all
from tests.review.test_said import NONE_CLOSED, quarters
from tests.small_shop import TOML, build, returned, write_shop

COSTS = '[costs]\ncomeback = 4000\ncall_in = 900\nyears = 3\n[costs.parts]\n"A" = 420\n'


def shop_with_lots(folder, costs: str = COSTS) -> Snapshot:
    """60 trucks in three lots, eight shafts failed, seven of them of the third."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * (k * 7 % 60)) for k in range(60)]
    back = [
        returned(builds[k]["serial"], f"2022-{1 + n:02d}-15", miles_in_service=30_000 + 1500 * n)
        for n, k in enumerate((2, *range(40, 47)))
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds[10:50]]
    fitted = [
        {"serial": b["serial"], "component": "input shaft", "part": "A", "lot": f"L{1 + k // 20}"}
        for k, b in enumerate(builds)
    ]
    toml = TOML + "[ratings]\nreplicates = 0\nreporting_share = 1.0\n" + costs
    folder = write_shop(folder, toml, builds=builds, returns=back, readings=readings, fitted=fitted)
    return snapshot_of(load_records(folder))


def weighed(now: Snapshot) -> LotMoney | None:
    counts = lot_counts(now, now)
    return lot_money(now, "input shaft", "L3", {part: lots for (_, part), lots in counts.items()})


# ---- by hand -------------------------------------------------------------------------------------------------------
def choices(rates: list[float], trucks: int = 10, swap: float = 1000.0) -> tuple[dict, LotChoice, float]:
    """Trucks that fail with a chance of a fifth at the usual rate, a new part with one in twenty; a comeback costs 4,000."""
    times = np.repeat(np.resize(rates, DRAWS)[:, None], trucks, axis=1)
    alike = np.ones((DRAWS, trucks))
    table, cheapest, calls = lot_choice._options(0.2 * alike, 0.05 * alike, times, np.ones(trucks), swap, 4000.0)
    return table.set_index("choice")["expected"].to_dict(), cheapest, calls


def test_each_choice_costs_what_it_does_by_hand():
    cost, cheapest, calls = choices([1.0, 5.0])
    assert cost[LotChoice.WAIT] == pytest.approx(4000 * 10 * (0.2 + (1 - 0.8**5)) / 2)
    assert cost[LotChoice.CALL] == pytest.approx(10 * 1000 + 4000 * 10 * 0.05)
    # three opened and renewed; of the other seven, left alone (8,000 for ten) where the lot is like others, else called in
    assert cost[LotChoice.OPEN] == pytest.approx(0.3 * 12_000 + 0.7 * (8_000 + 12_000) / 2)
    assert (cheapest, calls) == (LotChoice.OPEN, 0.5)


@pytest.mark.parametrize(
    ("rates", "swap", "cheapest", "calls"),
    [([1.0], 1000.0, LotChoice.WAIT, 0.0), ([9.0], 1000.0, LotChoice.CALL, 1.0), ([9.0], 3500.0, LotChoice.WAIT, 0.0)],
)
def test_what_is_sure_needs_no_truck_opened(rates, swap, cheapest, calls):
    assert choices(rates, swap=swap)[1:] == (cheapest, calls)


def test_a_handful_is_not_opened_first():
    assert LotChoice.OPEN not in choices([1.0, 5.0], trucks=OPENED)[0]
    assert LotChoice.OPEN in choices([1.0, 5.0], trucks=OPENED + 1)[0]


def test_the_ranges_hold_what_comes():
    """Ten trucks of a chance of a fifth: 0 to 4 come back nine times in ten (binomial; 5th percentile 0, 95th 4)."""
    table, _, _ = lot_choice._options(
        np.full((DRAWS, 10), 0.2), np.full((DRAWS, 10), 0.05), np.ones((DRAWS, 10)), np.ones(10), 1000.0, 4000.0
    )
    told = table.set_index("choice")
    assert told.loc[LotChoice.WAIT, ["lower", "upper"]].tolist() == [0, 16_000]
    assert told.loc[LotChoice.CALL, ["lower", "upper"]].tolist() == [10_000, 18_000]


# ---- a lot of a shop -----------------------------------------------------------------------------------------------
def test_a_lot_is_weighed_by_its_trucks_one_by_one(tmp_path):
    now = shop_with_lots(tmp_path / "shop")
    found = weighed(now)
    own = now.parts["input shaft", "A"]
    table = now.table.iloc[own.lives.rows]
    which = np.flatnonzero((table["lot"] == "L3").to_numpy() & own.lives.watched & ~own.lives.data.failed)
    assert found.running == len(which) == 20 - 7
    past = past_of(now, "input shaft", "A")
    fresh = chance_of(own, past, renewed(own.lives.data), which, 3 * 365.25).mean(0)
    assert found.renewed_fails[0] == pytest.approx(fresh.sum())
    usual = chance_of(own, past, own.lives.data, which, 3 * 365.25)
    counts = lot_counts(now, now)["input shaft", "A"].set_index("lot")
    mean, lower, upper, _ = shrink(counts["came"].to_numpy(), counts["expected"].to_numpy())
    at = counts.index.tolist().index("L3")
    # to the figure as the lots are told
    assert found.times == pytest.approx((mean[at], lower[at], upper[at]), rel=1e-9)
    assert found.times[0] > 1.3
    assert usual.mean(0).sum() < found.fails[0] < len(which)
    assert found.fails[1] < found.fails[0] < found.fails[2]
    assert found.swap == 1320.0
    assert found.even[0] == pytest.approx(4000 * (found.fails[0] - found.renewed_fails[0]) / found.running)
    cost = found.options.set_index("choice")["expected"]
    assert cost[LotChoice.CALL] == pytest.approx(1320 * found.running + 4000 * found.renewed_fails[0])
    assert cost[LotChoice.WAIT] == pytest.approx(4000 * found.fails[0])
    assert (cost[LotChoice.CALL] < cost[LotChoice.WAIT]) == (found.swap < found.even[0])


def test_a_new_part_starts_from_nothing_at_the_trucks_own_miles_a_day(tmp_path):
    """Where driving is known, life is a law of miles alone: the chance of a new part by that law, here the log-normal."""
    now = shop_with_lots(tmp_path / "shop")
    own = now.parts["input shaft", "A"]
    data, model = own.lives.data, own.fit.model
    assert model.distribution == "lognormal"
    which = np.flatnonzero(own.lives.watched & ~data.failed & data.has_rate)
    told = chance_of(own, (1.0, 1.0), renewed(data), which, 1000.0)
    miles = data.reading.miles[which] / data.reading.days[which] * 1000.0
    eta = own.theta[:, model.layout.gamma] @ model.x[which].T
    z = np.exp(own.theta[:, :1]) * np.log(miles / model.life_miles) - eta
    assert told == pytest.approx(norm.cdf(z), rel=1e-5)


def test_the_rates_drawn_are_those_of_the_ranking():
    came, expected = np.array([0, 1, 7]), np.array([2.0, 3.0, 3.0])
    drawn = ratios_drawn(came, expected, 2, 2000)
    mean, lower, upper, _ = shrink(came, expected)
    assert drawn.mean() == pytest.approx(mean[2], rel=0.01)
    assert np.quantile(drawn, [0.05, 0.95]) == pytest.approx([lower[2], upper[2]], rel=0.02)
    # one group alone has a spread of its own only
    alone = ratios_drawn(np.array([5]), np.array([5.0]), 0, 500)
    assert gamma(5, scale=0.2).std() * 0.5 < alone.std() < gamma(5, scale=0.2).std() * 1.2


# ---- what is said --------------------------------------------------------------------------------------------------
def test_a_loud_lot_comes_with_its_choice_in_money(tmp_path):
    now = shop_with_lots(tmp_path / "shop")
    watched = quarters([3, 4])
    kept = alarms_kept(watched)
    kept = kept.assign(state=alarm_states(kept, watched, NONE_CLOSED))
    told = alarms_answer(now, watched, kept, NONE_CLOSED, lot_counts(now, now))
    codes = [s.code for s in told.said]
    assert codes[:4] == [Alarms.STANDS_OUT, Alarms.STOP_THE_LOT, Alarms.LOT_FAILS, Alarms.LOT_IN_MONEY]
    words = " ".join(worded(told).sentences)
    assert "come back within 3 years" in words
    assert "In money, with $1,320 to renew one: waiting $" in words
    assert "Where a failure can hurt somebody, call them in whatever the money says." in words
    other = quarters([3, 4], Family.MONTH_LIFE)
    kept = alarms_kept(other)
    kept = kept.assign(state=alarm_states(kept, other, NONE_CLOSED))
    assert Alarms.LOT_FAILS not in {s.code for s in alarms_answer(now, other, kept, NONE_CLOSED).said}


@pytest.mark.parametrize("missing", ['"A" = 420\n', "call_in = 900\n"])
def test_without_what_renewing_costs_the_sum_below_which_it_pays_is_said(tmp_path, missing):
    found = weighed(shop_with_lots(tmp_path / "shop", COSTS.replace(missing, "")))
    assert found.cheapest is None
    assert found.options.empty
    last = say_all(lot_reasons(found, "$"))[-1]
    assert last.startswith("By money it pays to call all in where renewing one, part and work, costs less than $")


def test_without_the_cost_of_a_comeback_there_is_no_choice_in_money(tmp_path):
    assert weighed(shop_with_lots(tmp_path / "shop", "")) is None


def test_a_lot_that_no_longer_runs_is_not_weighed(tmp_path):
    now = shop_with_lots(tmp_path / "shop")
    assert lot_money(now, "input shaft", "L9", {"A": pd.DataFrame({"lot": ["L1"]})}) is None
