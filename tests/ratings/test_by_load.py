"""Ratings on torque and margin; which of them explains the returns, on fleets where that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics.driveline.assumptions import Span
from analytics.driveline.load import FROM_THE_START, make_loads
from analytics.driveline.suspects import find_suspects
from analytics.errors import AnalyticsError, RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import life_data
from analytics.ratings.by_load import (
    ENOUGH_SPEEDS,
    Compared,
    Reading,
    Taken,
    _engine_speeds,
    _fit_covariate,
    _load_data,
    _power_at_load,
    _strengths_of,
    explain,
    known_rows,
    rate_on,
    rate_parts,
    without_suspects,
)
from analytics.ratings.load_review import make_load_review
from analytics.ratings.options import Options, options_for
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import Reason
from analytics.records.load import load_records
from analytics.words import load as words
from tests.driveline.shops import LOCKUP, SHAFT
from tests.small_shop import TOML, build, returned, write_shop

QUICK = RatingSettings(share=1.0, replicates=0, draws=0, explain=False)
OPTIONS = Options(Promise(50_000.0), settings=QUICK)


def fleet(seed: int, by_torque: bool, n: int = 300) -> tuple[np.ndarray, ...]:
    """Power, torque, lower and upper miles of a fleet whose life falls as torque^-6 (or power^-6), Weibull shape 2."""
    rng = np.random.default_rng([seed, by_torque])
    power = np.exp(rng.normal(np.log(650), 0.25, n))
    torque = power * 5252 / rng.uniform(2300, 3500, n)
    driver = torque / 1200 if by_torque else power / 650
    life = 150_000 * driver**-6.0 * rng.weibull(2.0, n)
    run = rng.uniform(10_000, 120_000, n)
    failed = life < run
    return power, torque, np.where(failed, life, run), np.where(failed, life, np.inf)


def picked(seed: int, by_torque: bool) -> str:
    power, torque, lower, upper = fleet(seed, by_torque)
    weight = np.full(len(power), 7000.0)
    fits = [
        _fit_covariate(life_data(lower, upper, x, weight), name, False, OPTIONS)
        for name, x in (("power", power), ("torque", torque))
    ]
    return min(fits, key=lambda f: f.aic).strength


@pytest.mark.parametrize("by_torque", [True, False])
def test_the_true_driver_explains_the_returns(by_torque):
    """12 fleets of 300, seeds 0 to 11: measured 200 of 200 right for each (seeds 0 to 199)."""
    want = "torque" if by_torque else "power"
    assert [picked(seed, by_torque) for seed in range(12)] == [want] * 12


def test_the_exponent_comes_back():
    """20 fleets: the mean measured exponent is the true 6 within three standard errors; misrecorded torque lowers it."""
    right, wrong = [], []
    for seed in range(20):
        power, torque, lower, upper = fleet(seed, True)
        weight = np.full(len(power), 7000.0)
        right.append(_fit_covariate(life_data(lower, upper, torque, weight), "torque", False, OPTIONS))
        wrong.append(_fit_covariate(life_data(lower, upper, power, weight), "power", False, OPTIONS))
    k = np.array([f.exponent for f in right])
    assert abs(k.mean() - 6) < 3 * k.std(ddof=1) / np.sqrt(len(k)) + 0.1
    assert 0.5 < np.mean([f.exponent_se for f in right]) / k.std(ddof=1) < 2
    assert np.mean([f.exponent for f in wrong]) < k.mean()


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """120 trucks, 20 shafts broken, all weights and powers known, parts described, converters measured."""
    rng = np.random.default_rng(4)
    builds, back, readings = [], [], []
    for i in range(120):
        power, weight = round(float(rng.uniform(350, 900))), round(float(rng.uniform(5000, 9500)))
        serial = f"T-{i:03d}AB"
        torque = round(power * 5252 / (2300 + 10 * i))
        builds.append(
            build(serial, "2020-01-01", power=power, weight=weight, torque=torque, converter_pressure=150 + i % 50)
        )
        if i % 6 == 0:
            miles = round(float(90_000 * (power / 600) ** -4 * rng.weibull(2.2)))
            back.append(
                returned(serial, f"2022-{1 + i // 12:02d}-15", miles_in_service=max(miles, 500), replaced_with="A")
            )
        elif i % 20 == 1:
            back.append(returned(serial, "2023-01-15", "converter", miles_in_service=30_000, replaced_with="C"))
        readings.append({"serial": serial, "read_on": "2024-03-30", "odometer": 150_000})
    limits = [{"component": "input shaft", "part": "A", "power_limit": 600, "effective_on": "2019-01-01"}]
    toml = TOML + "[ratings]\nreplicates = 0\nreporting_share = 1.0\n"
    folder = write_shop(
        tmp_path_factory.mktemp("shop"), toml, builds=builds, returns=back, readings=readings, limits=limits,
        parts=[SHAFT, LOCKUP],
    )  # fmt: skip
    records = load_records(folder)
    return make_loads(records, make_lifetimes(records))


def test_a_load_becomes_the_power_whose_slowest_engine_brings_no_more(shop):
    """A customer's engine may make its power anywhere between its slow and its fast end: the slow end brings the most torque. One truck in twenty is slower
    (position p (n + 1) among n in order: Weibull 1939, as Hyndman and Fan, Am. Stat. 50 (1996) 361-365, list it; from memory)."""
    from analytics.driveline.load import load_at

    speeds = np.sort(_engine_speeds(shop, "input shaft", "A"))
    assert len(speeds) == 120
    slow = speeds[5] + 0.05 * (speeds[6] - speeds[5])  # 0.05 * 121 = 6.05
    for hp in (400.0, 620.0, 900.0):
        as_slow = replace(shop, assumptions=replace(shop.assumptions, engine_rpm=Span(slow, slow)))
        at = load_at(as_slow, "input shaft", "A", np.array([hp]), 7500.0, "street").iloc[0]
        for strength, column in (("torque", "torque_at_shaft_lbft"), ("margin", "load_share")):
            assert _power_at_load(shop, "input shaft", "A", strength, at[column], 7500.0, "street") == pytest.approx(hp)
    assert np.isnan(_power_at_load(shop, "input shaft", "A", "torque", 1.0, 7500.0, "street"))


def recorded(shop, many, days=0):
    """The ``shop`` with the torque of the first ``many`` trucks alone on record, measured so many ``days`` after the start."""
    conditions = shop.records.conditions
    kept = conditions[(conditions["unit"] < many) | conditions["torque_lbft"].isna()]
    late = kept.assign(day=kept["day"] + np.timedelta64(days, "D"))
    return make_loads(replace(shop.records, conditions=late), shop.lifetimes)


def test_torque_that_is_assumed_rates_nothing(shop):
    """Taken by power, in a shop of engines from 2,600 to 3,900 rpm, the lb ft that the page told held in .06 of 16 fleets (seed 7002, first order)."""
    few = recorded(shop, ENOUGH_SPEEDS - 1)
    for strength in ("torque", "margin"):
        with pytest.raises(AnalyticsError, match="on record within 90 days of the start in 19 trucks, and it takes 20"):
            rate_on(few, "input shaft", "A", strength, 7500.0, None, OPTIONS)
    assert rate_on(few, "input shaft", "A", "power", 7500.0, None, OPTIONS).units == 120
    half = rate_on(recorded(shop, 60), "input shaft", "A", "torque", 7500.0, None, OPTIONS)
    assert (half.units, half.failures) == (60, 10)
    table, left = rate_parts(few, OPTIONS, "torque")
    assert table.empty
    assert {(x.component, x.part) for x in left} == {("input shaft", "A"), ("converter", "C")}


def test_torque_counts_from_the_start_or_not_at_all(shop):
    """Who is measured later is known to have run so long, or to have come back."""
    first = shop.table["started_on"].eq("2020-01-01").to_numpy()
    assert (first & shop.table["component"].eq("converter")).sum() == 120
    for days, all_told in ((0, True), (FROM_THE_START, True), (FROM_THE_START + 1, False)):
        told = recorded(shop, 120, days).from_the_start
        assert (told[first] == all_told).all()
        assert told[~first].all(), "a part fitted after the measure"


def test_torque_and_margin_of_one_make_give_the_same_rating(shop):
    one, other = (rate_on(shop, "input shaft", "A", s, 7500.0, None, OPTIONS) for s in ("torque", "margin"))
    assert one.bound_hp == pytest.approx(other.bound_hp, rel=1e-4)
    assert one.estimate_hp == pytest.approx(other.estimate_hp, rel=1e-4)
    assert other.bound_hp < other.estimate_hp


def test_a_rating_on_power_is_the_rating(shop):
    from analytics.models.lifedata import from_lifetimes
    from analytics.ratings.bound import rate_part

    data, _ = from_lifetimes(shop.lifetimes.table, "input shaft", "A", shop.lifetimes.as_of)
    plain = rate_part(data, 7500.0, None, Promise(50_000.0, 0.9, 0.9), QUICK, 1)
    ours = rate_on(shop, "input shaft", "A", "power", 7500.0, None, OPTIONS)
    assert (ours.bound_hp, ours.estimate_hp) == (plain.bound_hp, plain.estimate_hp)


def test_the_tyres_raise_no_rating(shop):
    """On ice nothing breaks a shaft: what is assumed of the tyres must not turn into a limit."""
    slick = {u: Span(0.15, 0.16) for u in shop.assumptions.by_use["friction"]}
    icy = replace(shop, assumptions=replace(shop.assumptions, by_use=shop.assumptions.by_use | {"friction": slick}))
    for strength in ("torque", "margin"):
        one, other = (rate_on(s, "input shaft", "A", strength, 7500.0, None, OPTIONS) for s in (shop, icy))
        assert one.bound_hp == other.bound_hp
        assert np.isfinite(one.bound_hp)
        assert one.engine_lbft == pytest.approx(other.engine_lbft)


def test_the_torque_told_is_the_engines(shop):
    """1,412 lb ft at a shaft behind a converter that multiplies by a third is 1,064 lb ft of the engine, and that is what a customer can be asked for."""
    launch = (1.6 * 2.2 * 0.5) ** 0.5
    for component, part, factor in (("input shaft", "A", launch), ("converter", "C", 1.0)):
        rated = rate_on(shop, component, part, "torque", 7500.0, None, OPTIONS)
        assert rated.engine_lbft == pytest.approx(rated.bound / factor, rel=1e-6)
    table, _ = rate_parts(shop, OPTIONS, "torque")
    row = table.iloc[0]
    said = words._supported(row, OPTIONS.step_hp)
    assert f"{row.engine_lbft:,.0f} lb ft of the engine" in said
    assert f"{row.bound:,.0f}" not in said
    assert rate_parts(shop, OPTIONS, "power")[0]["engine_lbft"].isna().all()


def test_the_same_lives_for_all_that_are_compared(shop):
    strengths = _strengths_of(shop, "input shaft", "A")
    assert strengths == ("power", "torque", "margin")
    rows = known_rows(shop, "input shaft", "A", strengths)
    with pd.option_context("mode.copy_on_write", True):
        np.testing.assert_array_equal(known_rows(shop, "input shaft", "A", strengths), rows)
    counted = {(d.failures, d.units) for d in (_load_data(shop, "input shaft", "A", s, rows)[0] for s in strengths)}
    assert counted == {(20.0, 120.0)}
    found = explain(shop, "input shaft", "A", OPTIONS)
    fits = found.fits
    assert set(found.best) == set(Taken)
    assert len({(f.lives, f.failures) for f in fits}) == 1
    assert [f.aic for f in fits] == sorted(f.aic for f in fits)
    alone = {f.strength: f for f in fits if not f.with_weight}
    assert alone["torque"].loglik == pytest.approx(alone["margin"].loglik, abs=1e-6)
    for f in fits:
        assert f.aic == pytest.approx(2 * f.parameters - 2 * f.loglik)
    with pytest.raises(AnalyticsError, match="it takes 5"):
        explain(_few(shop), "input shaft", "A", OPTIONS)


def _few(shop):
    table = shop.table
    keep = ~(table["ended"].eq("failed") & (table["component"] == "input shaft")) | (table["unit"] < 12)
    return replace(
        shop,
        table=table[keep],
        assumed=shop.assumed[keep],
        engine_lbft=shop.engine_lbft[keep],
        from_the_start=shop.from_the_start[keep],
    )


def test_unknown_strengths_are_refused(shop, tmp_path):
    with pytest.raises(AnalyticsError, match="runs on one of power, torque, margin"):
        rate_on(shop, "input shaft", "A", "heat", 7500.0, None, OPTIONS)
    with pytest.raises(RecordsError, match="strength 'colour'"):
        options_for(shop.records.shop, strength="colour")
    folder = write_shop(tmp_path, TOML + '[ratings]\nstrength = "weight"\n', builds=[build("T-111")])
    with pytest.raises(RecordsError, match=r"\[ratings\] strength = 'weight'"):
        options_for(load_records(folder).shop)
    folder = write_shop(tmp_path / "b", TOML + '[ratings]\nstrength = "torque"\n', builds=[build("T-111")])
    assert options_for(load_records(folder).shop).strength == "torque"


def test_ratings_of_all_parts_never_rise_with_weight(shop):
    for strength in ("power", "torque"):
        table, left = rate_parts(shop, OPTIONS, strength)
        own = table[table["component"] == "input shaft"].sort_values("weight_up_to")["bound_hp"].to_numpy()
        assert len(own) == 2
        assert not own[1] > own[0]
        assert table.loc[table["component"] == "input shaft", "published_hp"].eq(600).all()
        assert left == ()


def test_with_and_without_suspects(shop):
    suspects = find_suspects(shop)
    assert len(suspects.table)
    before = shop.table.copy()
    made = without_suspects(shop, suspects, "converter", "C", 7500.0, None, OPTIONS)
    assert list(made) == list(Reading)
    recorded, spared, kept = made.values()
    marked = suspects.table.loc[suspects.table["component"] == "converter", "at"].nunique()
    assert 0 < marked < recorded.failures
    assert spared.failures == recorded.failures - marked == kept.failures
    assert kept.units < recorded.units == spared.units
    assert shop.table.equals(before)


def test_the_page_in_words(shop):
    review = make_load_review(shop.records, shop.lifetimes, replace(OPTIONS, strength="torque"))
    assert review.parts == (("input shaft", "A"), ("converter", "C"))
    assert any("Horsepower breaks no shaft" in line for line in words.opening(review))
    rated = words.rating_lines(review, "input shaft", "A")
    assert "Input shaft A on torque, up to 7,500 lb" in rated[0]
    told = " ".join(words.explained_words(review, "input shaft", "A"))
    assert "power" in told
    assert "torque" in told
    assert "should show 3 to 12" in told
    clutch = (
        words.exponent_words(review, "converter", "C")
        if not isinstance(review.explained["converter", "C"], Reason)
        else [""]
    )
    assert "should show" not in clutch[0]
    suspects = " ".join(words.suspect_words(review))
    assert "180 psi (common practice, no source" in suspects
    assert "Converter C, converter pressure: broken in" in suspects
    assert "hp (" in words.without_words(review)[0]
    for component, said in (("input shaft", "no serial on a stressed body"), ("converter", "balloons a converter")):
        beside = " ".join(words.beside_margin(review, component))
        for caution in (
            said,
            "only to its lowest line",
            "wheels off the ground",
            "chock both axles",
            "driveshaft loop",
        ):
            assert caution in beside
    table = words.explained_table(review)
    assert table["aic_above_best"].min() == 0
    assert not words.facts_table(review, "input shaft", "A").empty


@pytest.mark.parametrize(("exponent", "says"), [(1.0, "It is lower"), (6.0, "The two agree"), (20.0, "It is higher")])
def test_what_a_mismatch_means(shop, exponent, says):
    review = make_load_review(shop.records, shop.lifetimes, OPTIONS)
    found = review.explained["input shaft", "A"]
    fits = replace(found, fits=tuple(replace(f, exponent=exponent, exponent_se=0.5) for f in found.fits))
    changed = replace(review, explained=review.explained | {("input shaft", "A"): fits})
    first, more = words.exponent_words(changed, "input shaft", "A")
    assert says in first
    # a low exponent flatters: 1.05 to the minus upper end as well
    upper = 1.05 ** -(exponent + 1.645 * 0.5)
    assert f"leave {1.05**-exponent:.0%} of the life at the measured exponent, {upper:.0%} at its upper end" in more


def test_no_verdict_on_a_load_that_is_not_shown_to_explain_the_returns(shop):
    """A limit was to be taken back on torque where the page itself said that power explains the returns."""
    on_torque = replace(OPTIONS, strength="torque")
    review = make_load_review(shop.records, shop.lifetimes, on_torque)
    assert review.explained["input shaft", "A"].decided == ""
    own = review.ratings[review.ratings["component"] == "input shaft"]
    assert set(own["verdict"]) == {"not shown either way"}
    assert own["proposed_hp"].isna().all()
    assert "no limit is judged by it" in words.rating_lines(review, "input shaft", "A")[0]
    assert words.ASK in words.rating_lines(review, "input shaft", "A")
    # where load is shown to explain them, it is judged; on power the sheet of ratings has the one verdict
    table, _ = rate_parts(shop, OPTIONS, "torque", {("input shaft", "A"): "load"})
    power, _ = rate_parts(shop, OPTIONS, "power", {("input shaft", "A"): "load"})
    assert table.loc[table["component"] == "input shaft", "proposed_hp"].notna().any()
    assert power["proposed_hp"].isna().all()
    assert set(power["verdict"]) == {""}


@pytest.mark.parametrize(
    ("gaps", "says"),
    [
        ((("torque", 9.0), ("margin", 5.0), ("torque", 6.0)), "load"),
        ((("torque", 9.0), ("power", 5.0), ("torque", 6.0)), ""),
        ((("power", 9.0), ("power", 3.9), ("power", 6.0)), ""),
        ((("power", 9.0), ("power", 4.1), ("power", 6.0)), "power"),
    ],
)
def test_decided_only_where_every_way_of_taking_it_agrees(gaps, says):
    assert Compared((), dict(zip(Taken, gaps, strict=False))).decided == says
