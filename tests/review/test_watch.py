"""The numbers of the watch: exact tails, thresholds, shrunken rates, and what it can see."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, binomtest, hypergeom, nbinom, poisson

from analytics.reasons import CameSince, Family, Power
from analytics.review.alarms import _power_in_a_quarter
from analytics.review.budget import BUDGET, FALSE_ALARM
from analytics.review.expected import Stakes
from analytics.review.forecast import alarms_kept
from analytics.review.snapshot import DRAWS
from analytics.review.watch import (
    Watched,
    _judged,
    alarm_count,
    chance_of_alarm,
    joint_thresholds,
    life_tests,
    peeled,
    share_tails,
    shrink,
    threshold_of,
)
from studies.textbook import proportion_chart
from studies.watch import fleet


def test_a_lot_of_twenty():
    """Calculated by hand from the Poisson law: a lot of 20 with 4% usual, an alarm at 4 or more, is falsely accused 0.9% of
    the time; one that truly fails 20% is caught 57%."""
    assert alarm_count(20 * 0.04, 0.01) == 4
    by_hand = 1 - np.exp(-0.8) * (1 + 0.8 + 0.8**2 / 2 + 0.8**3 / 6)
    assert chance_of_alarm(4, 0.8) == pytest.approx(by_hand, rel=1e-12)
    assert chance_of_alarm(4, 0.8) == pytest.approx(0.009, abs=5e-4)
    assert chance_of_alarm(4, 0.8, 5) == pytest.approx(0.57, abs=5e-3)
    # never more than the chance asked for, and one fewer would be
    for expected in (0.01, 0.4, 3.0, 20.0):
        for chance in (0.05, 1e-3, 1e-6):
            n = alarm_count(expected, chance)
            assert poisson.sf(n - 1, expected) <= chance < poisson.sf(n - 2, expected)


def test_tails_agree_with_exact_limits(reference):
    """D17, Garwood 1936: at the upper limit of k failures, k or fewer have a chance of the tail."""
    rows = reference("D17")
    limits = rows[rows["quantity"].str.contains("poisson_upper") & rows["quantity"].str.contains("two_sided")]
    assert len(limits)
    for row in limits.itertuples():
        tail = (1 - float(row.quantity.split("upper")[1].split("_")[0]) / 100) / 2
        assert 1 - chance_of_alarm(int(row.at) + 1, row.value) == pytest.approx(tail, rel=1e-6)


def test_shares_are_binomial():
    """One part: the test of Przyborowski and Wilenski 1940, as scipy's binomtest has it."""
    more, fewer, least = share_tails([5], [12], [0.2])
    assert more == pytest.approx(binomtest(5, 12, 0.2, alternative="greater").pvalue, rel=1e-10)
    assert fewer == pytest.approx(binomtest(5, 12, 0.2, alternative="less").pvalue, rel=1e-10)
    assert least == pytest.approx(0.2**12, rel=1e-10)
    # two parts: every way to get there, counted out
    shares, totals = (0.1, 0.3), (4, 3)
    brute = sum(
        poisson_binomial_term(i, totals[0], shares[0]) * poisson_binomial_term(j, totals[1], shares[1])
        for i in range(5)
        for j in range(4)
        if i + j >= 3
    )
    assert share_tails([1, 2], totals, shares)[0] == pytest.approx(brute, rel=1e-10)


def poisson_binomial_term(k: int, n: int, share: float) -> float:
    from math import comb

    return comb(n, k) * share**k * (1 - share) ** (n - k)


def test_the_same_lots_stand_out_as_on_a_published_chart(reference, reference_data):
    """D18, NIST/SEMATECH e-Handbook 6.3.3.2: against three-sigma limits lots 15 and 23 stand out, and no others. Each lot against
    all the others by its share of the wafers, at the chance three sigmas leave above, accuses the same two."""
    lots = reference_data("p_chart")
    failures = (lots["fraction"] * lots["n"]).round().astype(int)
    chart = proportion_chart(failures, lots["n"])
    high = {int(lot) for lot, out in zip(lots["lot"], chart.outside, strict=True) if out}
    assert high == set(reference("D18", "lot_outside_fraction")["at"].astype(int)) == {15, 23}
    chances = [
        hypergeom.sf(k - 1, lots["n"].sum(), failures.sum(), n) for k, n in zip(failures, lots["n"], strict=True)
    ]
    assert {lot for lot, p in zip(lots["lot"], chances, strict=True) if p <= 0.00135} == high
    # rare failures, as ours are: the binomial share is the same thing in the limit, and never the bolder of the two
    ours = [
        share_tails([k], [failures.sum()], [n / lots["n"].sum()])[0] for k, n in zip(failures, lots["n"], strict=True)
    ]
    assert all(a >= b for a, b in zip(ours, chances, strict=True) if b < 0.2)
    assert set(lots["lot"].to_numpy()[np.argsort(ours)[:2]]) == high


def test_thresholds_leave_out_looks_that_cannot_be_loud():
    assert threshold_of([0.0] * 10, 0.05) == pytest.approx(0.005)
    # eight of ten could never go below 0.2: two looks share the budget (Tarone 1990)
    assert threshold_of([0.2] * 8 + [1e-6] * 2, 0.05) == pytest.approx(0.025)
    assert threshold_of([0.2] * 8, 0.05) == pytest.approx(0.05)
    assert threshold_of([], 0.05) == pytest.approx(0.05)


def test_budget_is_all_of_it():
    assert sum(BUDGET.values()) == pytest.approx(1.0)
    assert FALSE_ALARM == 0.10


def test_a_family_keeps_its_budget_where_nothing_is_wrong():
    """2,000 quarters of 48 lots, 12 failures falling where the hazard is (seed 4): any alarm in at most the budgeted share."""
    rng = np.random.default_rng(4)
    hazard = rng.gamma(2.0, size=48)
    share = hazard / hazard.sum()
    loud = 0
    threshold = threshold_of(share**12, 0.03)
    tails = {k: [share_tails([k], [12], [s])[0] for s in share] for k in range(13)}
    for _ in range(2000):
        came = rng.multinomial(12, share)
        loud += any(tails[k][i] <= threshold for i, k in enumerate(came))
    assert loud / 2000 <= 0.03 + 2 * np.sqrt(0.03 * 0.97 / 2000)
    assert loud > 0


def test_shrunken_rates():
    """Their marginal law is negative binomial: scipy's nbinom, maximised over the same spread, finds the same; the truth of each group (gamma
    with variance 1/4, seed 2) lies in its range about nine times in ten."""
    rng = np.random.default_rng(2)
    expected = rng.uniform(0.5, 6, 60)
    truth = rng.gamma(4, 1 / 4, 60)
    came = rng.poisson(expected * truth)
    mean, lower, upper, spread = shrink(came, expected)
    grid = np.linspace(0.025, 3.0, 120)
    told = [nbinom.logpmf(came, 1 / s**2, 1 / (1 + expected * s**2)).sum() for s in grid]
    assert spread == pytest.approx(grid[int(np.argmax(told))])
    assert (lower < mean).all()
    assert (mean < upper).all()
    assert ((lower <= truth) & (truth <= upper)).mean() == pytest.approx(0.9, abs=0.08)
    # drawn towards one, the more the less is expected
    raw = came / expected
    assert (np.abs(mean - 1) <= np.abs(raw - 1) + 0.02).all()
    # from memory: with the spread known, the mean is (a + came) / (a + expected); left open, it lies beside it
    a = 1 / spread**2
    assert mean == pytest.approx((a + came) / (a + expected), rel=0.12)


def test_the_range_of_a_bad_lot_holds_how_bad_it_is():
    """Thirty lots, one ten times as bad as the others (seed 5): where it is loud enough for an alarm its ratio to the common rate lies in its range about
    nine times in ten, and in the middle near the truth. Drawn to the others like any lot, it lay there in one of five."""
    rng, held, off = np.random.default_rng(5), [], []
    usual = np.full(30, 0.67)
    for _ in range(60):
        came = rng.poisson(usual * np.r_[10.0, np.ones(29)])
        if poisson.sf(came[0] - 1, 0.67) > 0.0022:
            continue
        scale = came.sum() / usual.sum()
        mean, lower, upper, _ = shrink(came, usual * scale)
        held.append(lower[0] <= 10 / scale <= upper[0])
        off.append(mean[0] * scale / 10)
        assert (mean[1:] < mean[0]).all()
    assert len(held) > 30
    assert np.mean(held) == pytest.approx(0.9, abs=0.1)
    assert np.mean(off) == pytest.approx(0.9, abs=0.15)


def test_lots_that_differ_no_more_than_chance_are_not_certain_to_be_alike():
    mean, lower, upper, spread = shrink(np.array([2, 2, 2, 2]), np.array([2.0, 2.0, 2.0, 2.0]))
    assert spread == 0
    assert mean == pytest.approx(1, abs=0.01)
    assert (lower < 0.9).all()
    assert (upper > 1.1).all()
    # so few tell less than so many
    _, low, high, _ = shrink(np.full(40, 20), np.full(40, 20.0))
    assert (low > lower[0]).all()
    assert (high < upper[0]).all()


def lives(n: int = 200) -> pd.DataFrame:
    """Ten lots of one part, each fitted in a month of its own, one unit of hazard a life over all."""
    lot = np.arange(n) % 10
    return pd.DataFrame(
        {
            "component": "shaft", "part": "A", "lot": [f"L{k}" for k in lot], "month": [f"2022-{k + 1:02d}" for k in lot],
            "builder": "", "count": 1, "hazard": 0.05, "install_risk": 1.0, "failure": False, "install": False,
            "serial": np.arange(n), "spell": 1, "told_failure": True, "told_install": True,
        }
    )  # fmt: skip


def test_one_bad_lot_is_one_alarm_not_two():
    """The month it was fitted in is as loud, until the lot is set aside."""
    table = lives()
    table.loc[table.index[table["lot"] == "L3"][:9], "failure"] = True
    table.loc[[1, 2], "failure"] = True
    looks, left = peeled(table)
    loud = looks[looks["alarm"]]
    assert len(loud) == 1
    assert loud["group"].iat[0] in ("L3", "2022-04")
    assert loud["came"].iat[0] == 9
    assert not left.loc[left["lot"] == "L3", "told_failure"].any()
    assert left["told_install"].all()


def test_an_expected_count_is_that_of_the_others():
    table = lives()
    table.loc[table.index[table["lot"] != "L3"][:18], "failure"] = True
    looks, _ = peeled(table)
    own = looks[(looks["family"] == Family.LOT_LIFE) & (looks["group"] == "L3")].iloc[0]
    # 18 failures in 180 lives like its own 20
    assert own["expected"] == pytest.approx(2.0)
    assert own["came"] == 0
    assert not looks["alarm"].any()


def quarter(end: str, came: int, expected: float, alarm: bool, family: Family = Family.LOT_LIFE) -> Watched:
    row = {
        "family": family, "component": "shaft", "group": "L3", "units": 20, "expected": expected, "came": came,
        "ratio": came / expected, "p_value": 1e-5, "threshold": 1e-3, "alarm": alarm, "least": 0.0,
    }  # fmt: skip
    return Watched(pd.Timestamp(end), pd.Timestamp(end), None, pd.DataFrame(), pd.DataFrame([row]))


@pytest.mark.parametrize(
    ("later", "expected", "verdict"),
    [(7, 0.5, CameSince.BORNE_OUT), (3, 0.5, CameSince.TOO_EARLY), (4, 5.0, CameSince.NOT_BORNE_OUT)],
)
def test_alarms_are_held_against_what_came(later, expected, verdict):
    kept = alarms_kept(
        [quarter("2023-03-31", 3, 0.2, True), quarter("2023-06-30", later, expected, verdict is CameSince.BORNE_OUT)]
    )
    assert len(kept) == 1
    row = kept.iloc[0]
    assert row["verdict"] is verdict
    assert row["first_raised"] == pd.Timestamp("2023-03-31")
    assert row["came_since"] == later - 3
    assert row["standing"] == (verdict is CameSince.BORNE_OUT)


def test_an_alarm_of_today_has_nothing_to_be_held_against():
    kept = alarms_kept([quarter("2023-03-31", 3, 0.2, True)])
    assert kept["verdict"].iat[0] is CameSince.RAISED_NOW
    assert kept["came_since"].isna().all()


def test_looks_over_whole_lives_spend_what_they_have_and_no_more():
    """120 quarters in which nothing is wrong (seed 9): the joint thresholds are loud in nearly the budget's share, where an even share per look
    leaves most of it idle."""
    rng = np.random.default_rng(9)
    spent = idle = 0
    whole = FALSE_ALARM * sum(
        BUDGET[f]
        for f in (Family.LOT_LIFE, Family.MONTH_LIFE, Family.BUILDER_LIFE, Family.MONTH_INSTALL, Family.BUILDER_INSTALL)
    )
    table = fleet(rng, 0.05)
    for _ in range(120):
        table = table.assign(failure=rng.random(480) < -np.expm1(-table["hazard"]), install=rng.random(480) < 0.01)
        looks = life_tests(table)
        spent += _judged(looks, joint_thresholds(table))["alarm"].any()
        idle += _judged(looks)["alarm"].any()
    assert whole / 2 <= spent / 120 <= whole + 2 * np.sqrt(whole * (1 - whole) / 120)
    assert idle < spent


def test_what_a_quarter_would_show_of_a_rise_is_told_with_its_chance():
    """200 lives of one part with a chance of .05 each: ten usual. Exact binomial chances, by hand; the shop and the component are judged both ways,
    the part one way."""
    rows = pd.DataFrame({"component": "shaft", "part": "S-1", "count": np.ones(200)})
    day = pd.Timestamp("2024-01-01")
    stakes = Stakes(day, day, rows, np.full((DRAWS, 200), 0.05), np.ones(DRAWS), 0)
    of = {Family.SHOP_QUARTER: ("", ""), Family.COMPONENT_QUARTER: ("shaft", ""), Family.PART_QUARTER: ("shaft", "S-1")}
    tests = pd.DataFrame(
        [{"family": f, "component": c, "group": g, "expected": 10.0, "threshold": 0.01} for f, (c, g) in of.items()]
    )
    shop, component, parts = _power_in_a_quarter(Watched(day, day, stakes, pd.DataFrame(), tests))
    told_at = int(binom.isf(0.005, 200, 0.05)) + 1
    assert binom.sf(told_at - 1, 200, 0.05) <= 0.005 < binom.sf(told_at - 2, 200, 0.05)
    for said in (shop, component):
        assert (said.code, said.values["told_at"], said.values["expected"]) == (Power.IN_A_QUARTER, told_at, 10.0)
        by_hand = [binom.sf(told_at - 1, 200, 1 - 0.95**k) for k in (2, 3)]
        assert said.values["caught"] == pytest.approx(by_hand, rel=1e-6)
    # the part is an alarm from one failure less on: a doubling shows in half of the quarters
    assert binom.sf(binom.isf(0.01, 200, 0.05), 200, 1 - 0.95**2) > 0.5
    assert parts.values == {"parts": 1, "seen": [["S-1"], ["S-1"]]}
