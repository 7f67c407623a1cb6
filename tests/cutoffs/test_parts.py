"""Comparable or not, part against part, and money: against R, brute force, textbook numbers and the demo's truth."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines.datasets import load_rossi

from analytics.cutoffs.against import RatioVerdict, compare_parts, judge_ratio, limits_of
from analytics.cutoffs.comparable import _ratio, chance_of_part, comparable, cox_fit
from analytics.cutoffs.cost import (
    Costs,
    Habit,
    LeastCost,
    MiddleVerdict,
    MoneyCut,
    Pays,
    _least_cost,
    _mix,
    best_range,
    cost_by_cut,
    costs_of,
    middle_tier,
    money_cut,
)
from analytics.cutoffs.fits import with_usual_weight
from analytics.cutoffs.trial import failures_to_decide, plan_trial
from analytics.errors import AnalyticsError, RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.reasons import Overlap
from analytics.records.load import load_records
from analytics.words.cutoffs.money import by_use_table, money_claim, money_words, sensitivity_frame
from tests.small_shop import build, returned, write_shop


# ---- Cox ----------------------------------------------------------------------------------------------------------------
def test_cox_equals_r(reference, reference_data):
    """Remission of leukaemia (Freireich et al. 1963), ties by Efron; Rossi et al. 1980 (seven covariates); veterans' lung trial,
    within strata."""
    d = reference_data("remission").assign(entry=0.0)
    d = d.assign(failed=d["cens"], treated=(d["treat"] == "6-MP") * 1.0)
    fit = cox_fit(d, ["treated"])
    assert fit.params_["treated"] == pytest.approx(reference("D10", "cox_coef_trt", "efron")["value"][0], rel=1e-4)
    assert fit.standard_errors_["treated"] == pytest.approx(
        reference("D10", "cox_se_trt", "efron")["value"][0], rel=1e-3
    )
    assert fit.log_likelihood_ == pytest.approx(reference("D10", "cox_loglik", "efron")["value"][0], rel=1e-6)
    d = load_rossi().rename(columns={"week": "time", "arrest": "failed"}).assign(entry=0.0)
    names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    fit = cox_fit(d, names)
    for name in names:
        assert fit.params_[name] == pytest.approx(reference("D11", f"cox_coef_{name}")["value"][0], rel=1e-4)
        assert fit.standard_errors_[name] == pytest.approx(reference("D11", f"cox_se_{name}")["value"][0], rel=1e-3)
    d = reference_data("veteran").rename(columns={"status": "failed"}).assign(entry=0.0)
    fit = cox_fit(d, ["trt", "karno", "age"], ["celltype"])
    group = "efron stratified by cell type"
    for name in ("trt", "karno", "age"):
        assert fit.params_[name] == pytest.approx(reference("D22", f"cox_coef_{name}", group)["value"][0], rel=1e-4)


def test_cause_specific_cox_equals_r(reference, reference_data):
    """Primary biliary cirrhosis, Fleming and Harrington 1991: deaths, transplants ending the watch."""
    d = reference_data("pbc_competing")
    d = d.assign(failed=d["status"] == 2, entry=0.0, sexf=(d["sex"] == "f") * 1.0, logbili=np.log(d["bili"]))
    fit = cox_fit(d, ["sexf", "logbili"])
    for name in ("sexf", "logbili"):
        expected = reference("D14", f"cox_coef_{name}", "death alone")["value"][0]
        assert fit.params_[name] == pytest.approx(expected, rel=1e-4)


# ---- comparable ---------------------------------------------------------------------------------------------------------
def test_parts_that_share_no_power_are_refused_with_the_reason(demo):
    found = comparable(demo, "converter", "TC-1", "TC-2")
    assert not found.ok
    assert found.refused.code == Overlap.NO_COMMON_POWER
    assert found.refused.values["highest_hp"] == pytest.approx(650, abs=0.5)
    assert found.refused.values["lowest_hp"] == pytest.approx(655, abs=0.5)
    assert np.isnan(found.band.low_hp)
    assert np.isnan(found.weighted.ratio)
    against = compare_parts(demo, "converter", "TC-1", "TC-2", found=found)
    assert against.verdict == RatioVerdict.NOT_COMPARABLE
    assert against.refused == found.refused
    assert np.isnan(against.life.estimate)
    plan = plan_trial(demo, found)
    assert plan.to_hp == pytest.approx(650, abs=1)
    assert plan.from_hp < 600
    assert (plan.table.sort_values("life_ratio")["failures"].diff().dropna() <= 0).all()


def test_crude_comparison_misleads_and_the_adjusted_one_does_not(demo):
    """IS-B lives 2.3 times as long as IS-A in truth, in stronger trucks."""
    found = comparable(demo, "input shaft", "IS-A", "IS-B")
    assert found.ok
    assert found.crude.ratio > 1
    assert found.weighted.upper < 1
    assert found.regressed.upper < 1
    assert min(found.band.effective) > 50


def test_chance_of_part_recovers_a_logistic_law_and_survives_a_clean_split():
    rng = np.random.default_rng(2)
    x = rng.normal(size=(4000, 2))
    true = 1 / (1 + np.exp(-(0.3 + 1.2 * x[:, 0] - 0.5 * x[:, 1])))
    fitted = chance_of_part(x, rng.random(4000) < true, np.ones(4000))
    assert np.abs(fitted - true).mean() < 0.02
    split = chance_of_part(x, x[:, 0] > 0, np.ones(4000))
    assert np.isfinite(split).all()


def test_failures_needed_are_schoenfelds():
    """Schoenfeld 1983 with equal arms and 80% power: 65 failures for a ratio of 2, 26 for 3 (two-sided 5%)."""
    assert failures_to_decide(2, sides=2) == pytest.approx(65.35, abs=0.01)
    assert failures_to_decide(3, sides=2) == pytest.approx(26.0, abs=0.05)
    assert failures_to_decide(1 / 1.5) == pytest.approx(150.4, abs=0.1)
    assert np.isinf(failures_to_decide(1.0))
    with pytest.raises(AnalyticsError, match="above 0"):
        failures_to_decide(-1)


# ---- part against part ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("lower", "upper", "verdict"),
    [
        (1.1, 3, RatioVerdict.BETTER),
        (0.2, 0.9, RatioVerdict.WORSE),
        (0.85, 1.2, RatioVerdict.EQUIVALENT),
        (0.85, 2.0, RatioVerdict.NOT_WORSE),
        (0.5, 2.0, RatioVerdict.UNDECIDED),
    ],
)
def test_verdict_by_where_the_interval_lies(lower, upper, verdict):
    assert judge_ratio(lower, upper, 0.8) == verdict


def test_limits_of_a_parabola_and_of_a_likelihood_without_an_end():
    x = np.arange(-3, 3.01, 0.2)
    best, low, high = limits_of(pd.DataFrame({"log_ratio": x, "drop": 0.5 * ((x - 0.33) / 0.4) ** 2}), 0.9)
    assert best == pytest.approx(0.33, abs=1e-6)
    assert (low, high) == pytest.approx((0.33 - 1.28155 * 0.4, 0.33 + 1.28155 * 0.4), abs=5e-3)
    best, low, high = limits_of(pd.DataFrame({"log_ratio": x, "drop": np.exp(-x - 1)}), 0.9)
    assert np.isinf(best)
    assert np.isfinite(low)
    assert np.isinf(high)


def test_improved_revision_is_better(demo):
    """VB-2's life is 2.7 times that of VB-1 in truth: 17 failures against none, each end 95% sure."""
    found = compare_parts(demo, "valve body", "VB-1", "VB-2", confidence=0.95)
    assert found.verdict == RatioVerdict.BETTER
    assert found.life.lower < 900 / 330 < found.life.upper
    assert np.isinf(found.life.estimate)
    assert found.band.failures == (17, 0)


def test_stronger_shaft_is_better_by_about_its_true_ratio(demo):
    found = compare_parts(demo, "input shaft", "IS-A", "IS-B")
    assert found.verdict == RatioVerdict.BETTER
    assert found.life.lower < 440 / 190 < found.life.upper
    # life goes with power to the -4: a life 2.3 times as long carries 1.23 times the power
    assert found.power.lower < (440 / 190) ** 0.25 < found.power.upper
    with pytest.raises(AnalyticsError, match="margin"):
        compare_parts(demo, "input shaft", "IS-A", "IS-B", margin=1.2)


# ---- money --------------------------------------------------------------------------------------------------------------
def test_cost_by_cut_equals_adding_up():
    rng = np.random.default_rng(1)
    power, count = rng.integers(300, 320, 50).astype(float), rng.integers(1, 4, 50).astype(float)
    a, b = rng.random(50), rng.random(50)
    cuts, cost = cost_by_cut(power, count, a, b)
    for c, value in zip(cuts, cost, strict=True):
        assert value == pytest.approx((count * np.where(power <= c, a, b)).sum())


def test_best_range_equals_trying_all():
    rng = np.random.default_rng(3)
    power, count = np.arange(8.0) + 1, np.ones(8)
    cost = rng.random((3, 8))
    value, cuts = best_range(power, count, cost)
    tried = min(
        sum(cost[int(p > a) + int(p > b), i] for i, p in enumerate(power))
        for a, b in itertools.combinations_with_replacement(np.arange(9.0), 2)
    )
    assert value == pytest.approx(tried)
    assert value == pytest.approx(sum(cost[sum(p > c for c in cuts), i] for i, p in enumerate(power)))


def test_money_cut_holds_the_true_one_and_follows_the_inputs(demo):
    """The least cost by the chances the demo was drawn with, for the trucks on its record."""
    from studies.simulate import demo_truth

    found = money_cut(demo, "input shaft", "IS-A", "IS-B", level=0.8, draws=60)
    truth = demo_truth()
    mix = _mix(demo, "input shaft", ("IS-A", "IS-B"))
    nodes, weight = np.polynomial.hermite_e.hermegauss(25)
    weight = weight / weight.sum()
    cost = []
    for part in ("IS-A", "IS-B"):
        fails = np.zeros(len(mix.power))
        for use in set(mix.use):
            u, own = truth.use(use), np.array(mix.use) == use
            miles = u.miles_per_day * np.exp(u.miles_log_sd * nodes) * 5 * 365.25
            alive = truth.survival("input shaft", part, miles, mix.power[own, None], mix.weight[own, None], use)
            fails[own] = 1 - alive @ weight
        # failures that are reported
        cost.append(found.costs.prices[part] + found.costs.comeback * truth.comebacks.reporting_share * fails)
    cuts, total = cost_by_cut(mix.power, mix.count, *cost)
    true_cut = cuts[total.argmin()]
    assert found.least.low - 30 <= true_cut <= found.least.high + 30
    curve = found.curve.set_index("cut_hp")["cost"]
    assert curve[found.habit.cut_hp] == 0
    assert curve[found.least.cut_hp] == pytest.approx(-found.habit.saved)
    assert found.habit.saved >= 0
    comeback = found.sensitivity[found.sensitivity["input"] == "comeback"].set_index("value")["cut_hp"]
    assert comeback[2000.0] >= comeback[8000.0]
    told = sensitivity_frame(found)
    assert told.iloc[0].tolist() == ["as stated", "", found.least.cut_hp]
    assert ["a comeback, all in", "2,000", comeback[2000.0]] in told.to_numpy().tolist()
    assert (found.curve["low"] <= found.curve["cost"] + 2e3).all()


def test_where_the_dearer_part_pays_by_where_the_least_cost_lies():
    cuts, ends = np.array([0.0, 400.0, 500.0, 600.0]), (0.25, 0.75)
    lines = np.array([[3, 2, 1, 2], [1, 2, 3, 4], [4, 3, 2, 1], [3, 2, 1, 2]], float)
    found = _least_cost(cuts, lines[0], lines, ends, highest=550.0)
    assert (found.cut_hp, found.pays, found.beyond) == (500.0, Pays.ABOVE_CUT, False)
    assert (found.low, found.high) == (0.0, 500.0)  # of 500, 0, 600 and 500, the lower quartile and the upper
    assert np.isnan(found.agree)
    assert _least_cost(cuts, lines[0], lines, ends, highest=499.0).beyond
    everyone, nobody = (_least_cost(cuts, lines[k], lines, ends, highest=550.0) for k in (1, 2))
    assert (everyone.pays, everyone.agree) == (Pays.ALL, 0.25)
    assert (nobody.pays, nobody.agree, nobody.beyond) == (Pays.NONE, 0.25, True)


def by_money(cuts, uses=(("street", 480.0, 440.0, 620.0),), **least) -> MoneyCut:
    """A boundary at 500 hp (450 to 600), with what other inputs make of it: (input, value) -> cut."""
    costs = Costs(4000.0, {"A": 400.0, "B": 900.0}, 5.0)
    curve = pd.DataFrame({"cut_hp": [0.0, 500.0, 900.0], "cost": 0.0, "low": 0.0, "high": 0.0})
    rows = [("stated", np.nan, 500.0), *((*key, cut) for key, cut in cuts.items())]
    by_use = pd.DataFrame(
        [(use, 7000.0, *powers, 9.0) for use, *powers in uses],
        columns=["use", "weight_lb", "pays_from_hp", "lower", "upper", "trucks_a_year"],
    )
    found = replace(LeastCost(500.0, 450.0, 600.0, Pays.ABOVE_CUT, np.nan, False), **least)
    sensitivity = pd.DataFrame(rows, columns=["input", "value", "cut_hp"])
    return MoneyCut(
        "shaft", "A", "B", 0.8, found, Habit(550.0, 120.0, -10.0, 300.0), costs, 40.0, curve, by_use, sensitivity, 0.5
    )  # fmt: skip


def test_each_answer_by_money_has_its_words():
    found = by_money({("comeback", 2000.0): 600.0, ("price_step", 250.0): 450.0})
    assert found.holds
    assert money_claim(found) == "By money B pays above 500 hp (450 to 600 hp, each end 90% sure)."
    words = money_words(found)
    assert words[0].startswith("B costs $500 more than A, a comeback $4,000: it pays once it spares 12.5%")
    assert words[1] == "Use by use B pays from 480 hp in street (440 to 620 hp)."
    assert words[2] == "It costs least to end A at 500 hp (450 to 600 hp, each end 90% sure)."
    assert "moving it would save $120 a year (-$10 to $300;" in words[3]
    wide = by_money({("comeback", 2000.0): np.inf}, high=900.0)
    assert money_claim(wide).endswith("(from 450 hp, and the records do not rule out that it never pays).")
    nowhere = (("street", np.inf, 440.0, np.inf),)
    never = by_money({("years", 8.0): np.inf}, nowhere, pays=Pays.NONE, agree=0.7, beyond=True)
    never = replace(never, sensitivity=never.sensitivity.assign(cut_hp=np.inf), slopes_p=0.04)
    assert "does not pay for any truck" in money_claim(never)
    assert "70% of the refits agree" in money_words(never)[2]
    assert "lies beyond the records" in money_words(never)[4]
    assert "(p = 0.04)" in money_words(never)[-1]
    always = by_money({("years", 8.0): 0.0}, (("street", 0.0, 0.0, 0.0),), pays=Pays.ALL, agree=1.0)
    always = replace(always, sensitivity=always.sensitivity.assign(cut_hp=0.0))
    assert "pays for every truck" in money_claim(always)
    assert sensitivity_frame(found)["value"].tolist() == ["", "2,000", "250"]


@pytest.mark.parametrize(
    ("cuts", "why"),
    [
        ({("comeback", 3000.0): 610.0, ("comeback", 2000.0): np.inf}, "with a comeback at $3,000 it would be 610 hp"),
        ({("comeback", 2000.0): np.inf, ("years", 3.0): 450.0}, "with a comeback at $2,000 it would never pay"),
        ({("price_step", 250.0): 0.0}, "with a price step of $250 it would always pay"),
        ({("years", 8.0): 449.0}, "with comebacks counted over 8 years it would be 449 hp"),
        ({("reported", 0.85): 440.0, ("years", 8.0): 449.0}, "with 85% of failures reported it would be 440 hp"),
    ],
)
def test_a_boundary_by_money_that_another_input_undoes_is_no_finding(cuts, why):
    """The input that need move least undoes it; what is told first is from where it pays use by use."""
    found = by_money(cuts)
    assert not found.holds
    first = "By money B pays from 480 hp in street (440 to 620 hp)"
    assert money_claim(found) == f"{first}. One boundary for all uses is no finding: {why}."
    assert money_words(found)[2].endswith(f"For all uses alike that is no finding: {why}.")


def test_one_boundary_by_money_is_no_finding_where_the_uses_differ():
    uses = (("towing", 430.0, 400.0, 480.0), ("drag", np.inf, 700.0, np.inf), ("", 0.0, 0.0, 520.0))
    found = by_money({}, uses)
    assert found.undone_by.empty
    assert not found.holds
    told = "from 430 hp in towing (400 to 480 hp), for none on record in drag and for all trucks in a use not on record"
    assert told in money_claim(found)
    assert money_claim(found).endswith("is no finding: the uses differ.")
    table = by_use_table(found).drop(columns=["at weight", "trucks a year"])
    assert table.to_numpy().tolist() == [["towing", "430", "400", "480"], ["drag", "none on record", "700", "never"], ["not recorded", "all", "any", "520"]]  # fmt: skip
    assert by_money({}, (("towing", 500.0, 400.0, 500.0), ("drag", 700.0, 500.0, np.inf))).holds


def test_middle_tier_earns_its_place(demo):
    found = middle_tier(demo, "input shaft", ("IS-A", "IS-B", "IS-C"), level=0.8, draws=40)
    assert found.verdict == MiddleVerdict.EARNS_PLACE
    assert len(found.with_it.cuts) == 2
    assert len(found.without.cuts) == 1
    assert found.saves == pytest.approx(found.without.cost - found.with_it.cost)
    assert found.saves >= 0


def test_missing_and_senseless_costs_are_named(demo):
    shop = demo.shop

    def costs(**new):
        return costs_of(replace(shop, costs={**shop.costs, **new}), ("CP-4", "CP-5"))

    with pytest.raises(RecordsError, match=r"\[costs\] does not say what a comeback costs"):
        costs_of(replace(shop, costs={}), ("CP-4",))
    with pytest.raises(RecordsError, match="no price for CP-9"):
        costs_of(shop, ("CP-4", "CP-9"))
    with pytest.raises(RecordsError, match="years = 0"):
        costs(years=0)
    with pytest.raises(RecordsError, match="comeback = True"):
        costs(comeback=True)
    assert (costs().years, costs(years=3).years) == (5.0, 3.0)


def test_a_truck_counts_once_in_the_overlap_however_often_its_part_was_replaced(tmp_path):
    back = [returned("T-111", f"2022-{month}-01", replaced_with="A") for month in ("03", "06", "09")]
    builds = [build("T-111", power=700), build("T-112", power=500), build("T-113", power=600, input_shaft="B")]
    lifetimes = make_lifetimes(load_records(write_shop(tmp_path, builds=builds, returns=back)))
    spread = comparable(lifetimes, "input shaft", "A", "B").spread.set_index(["quantity", "part"])
    assert spread.loc[("power_hp", "A"), "middle"] == pytest.approx(600)


@pytest.mark.parametrize("order", [[0, 1, 2], [1, 0, 2]])
def test_the_usual_weight_of_a_use_does_not_hang_on_the_order_of_components(order):
    """One truck, tuned from street to drag on its first day, and another whose weight nobody wrote down."""
    day = pd.Timestamp("2022-01-01")
    rows = {"serial": "A", "started_on": day, "weight_lb": 8000.0, "count": 1}
    table = pd.DataFrame(
        [rows | {"use": "street"}, rows | {"use": "drag"}, rows | {"serial": "B", "weight_lb": 7000.0, "use": "street"}]
    )
    table = table.iloc[order].reset_index(drop=True)
    own = pd.DataFrame({"weight_lb": [np.nan, np.nan], "use": ["street", "drag"]})
    assert with_usual_weight(own, table).tolist() == [7000.0, 8000.0]


@pytest.mark.parametrize(("failed_at", "told"), [((500.0, 600.0), False), ((15.0, 600.0), True)])
def test_no_ratio_is_told_where_one_part_failed_after_the_other_was_gone(failed_at, told):
    """The first parts failed on days 10 to 30. Where all of the second failed later the regression has no end: it used to say 0.00000002."""
    late = [*failed_at, 700.0]
    frame = pd.DataFrame(
        {
            "time": [10.0, 20.0, 30.0, *late],
            "failed": [1.0, 1.0, 1.0, 1.0, 1.0, 0.0],
            "entry": 0.0,
            "part": [0.0, 0.0, 0.0, 1.0, 1.0, 1.0],
            "unit": range(6),
            "count": 1.0,
        }
    )
    found = _ratio(frame, 0.9)
    assert (found.refused is None) == told
    assert np.isfinite(found.ratio) == told
