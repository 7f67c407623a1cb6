"""Ratings on torque and margin; which of them explains the returns, on fleets where that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.driveline.load import make_loads
from analytics.driveline.suspects import find_suspects
from analytics.errors import AnalyticsError, RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import life_data
from analytics.ratings.by_load import (
    Reading,
    explain,
    fit_covariate,
    known_rows,
    load_data,
    power_at_load,
    rate_on,
    rate_parts,
    strengths_of,
    without_suspects,
)
from analytics.ratings.load_review import make_load_review
from analytics.ratings.options import Options, options_for
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.reasons import ByLoad, Reason
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
        fit_covariate(life_data(lower, upper, x, weight), name, False, OPTIONS)
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
        right.append(fit_covariate(life_data(lower, upper, torque, weight), "torque", False, OPTIONS))
        wrong.append(fit_covariate(life_data(lower, upper, power, weight), "power", False, OPTIONS))
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
        builds.append(build(serial, "2020-01-01", power=power, weight=weight, converter_pressure=150 + i % 50))
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


def test_a_load_and_its_power_lead_back_to_each_other(shop):
    from analytics.driveline.load import load_at

    for strength, column in (("torque", "torque_at_shaft_lbft"), ("margin", "load_share")):
        for hp in (400.0, 520.0):
            load = load_at(shop, "input shaft", "A", np.array([hp]), 7500.0, "street")[column].iat[0]
            assert power_at_load(shop, "input shaft", "A", strength, load, 7500.0, "street") == pytest.approx(
                hp, rel=1e-3
            )
    # from about 240 to 260 hp the tyres hold the first gear level until the second overtakes it: the lowest power counts
    load = load_at(shop, "input shaft", "A", np.array([245.0, 255.0]), 7500.0, "street")["torque_at_shaft_lbft"]
    assert load.iat[0] == pytest.approx(load.iat[1])
    assert power_at_load(shop, "input shaft", "A", "torque", load.iat[1], 7500.0, "street") < 245
    assert power_at_load(shop, "input shaft", "A", "torque", 1e6, 7500.0, "street") == np.inf
    assert np.isnan(power_at_load(shop, "input shaft", "A", "torque", 1.0, 7500.0, "street"))


def test_torque_and_margin_of_one_make_give_the_same_rating(shop):
    one, other = (rate_on(shop, "input shaft", "A", s, 7500.0, None, OPTIONS) for s in ("torque", "margin"))
    assert one.bound_hp == pytest.approx(other.bound_hp, rel=1e-4)
    assert one.estimate_hp == pytest.approx(other.estimate_hp, rel=1e-4)
    assert other.bound < 1
    assert other.bound_hp < other.estimate_hp


def test_a_rating_on_power_is_the_rating(shop):
    from analytics.models.lifedata import from_lifetimes
    from analytics.ratings.bound import rate_part

    data, _ = from_lifetimes(shop.lifetimes.table, "input shaft", "A", shop.lifetimes.as_of)
    plain = rate_part(data, 7500.0, None, Promise(50_000.0, 0.9, 0.9), QUICK, 1)
    ours = rate_on(shop, "input shaft", "A", "power", 7500.0, None, OPTIONS)
    assert (ours.bound_hp, ours.estimate_hp) == (plain.bound_hp, plain.estimate_hp)


def test_where_the_tyres_slip_first_no_power_is_named(shop):
    """On ice nothing breaks a shaft: a rating on torque must not turn that into a limit."""
    from analytics.driveline.assumptions import Span

    slick = replace(shop.assumptions, friction={"street": Span(0.15, 0.16), "": Span(0.15, 0.16)})
    icy = replace(shop, assumptions=slick)
    rated = rate_on(icy, "input shaft", "A", "torque", 7500.0, None, OPTIONS)
    assert rated.tyres
    assert np.isnan(rated.bound_hp)
    assert rated.reason.code == ByLoad.TYRES_SLIP


def test_the_same_lives_for_all_that_are_compared(shop):
    strengths = strengths_of(shop, "input shaft", "A")
    assert strengths == ("power", "torque", "margin")
    rows = known_rows(shop, "input shaft", "A", strengths)
    counted = {(d.failures, d.units) for d in (load_data(shop, "input shaft", "A", s, rows)[0] for s in strengths)}
    assert counted == {(20.0, 120.0)}
    fits = explain(shop, "input shaft", "A", OPTIONS)
    assert len({(f.lives, f.failures) for f in fits}) == 1
    assert [f.aic for f in fits] == sorted(f.aic for f in fits)
    alone = {f.strength: f for f in fits if not f.with_weight}
    assert alone["torque"].loglik == pytest.approx(alone["margin"].loglik, abs=1e-6)
    for f in fits:
        assert f.aic == pytest.approx(2 * f.parameters - 2 * f.loglik)
    with pytest.raises(AnalyticsError, match="takes at least 5"):
        explain(_few(shop), "input shaft", "A", OPTIONS)


def _few(shop):
    table = shop.table
    keep = ~(table["ended"].eq("failed") & (table["component"] == "input shaft")) | (table["unit"] < 12)
    return replace(shop, table=table[keep])


def test_unknown_strengths_are_refused(shop, tmp_path):
    with pytest.raises(AnalyticsError, match="runs on one of power, torque, margin"):
        load_data(shop, "input shaft", "A", "colour")
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
    made = without_suspects(shop, suspects, "input shaft", "A", 7500.0, None, OPTIONS)
    assert list(made) == list(Reading)
    recorded, spared, kept = made.values()
    marked = (suspects.table["component"] == "input shaft").sum()
    assert spared.failures == recorded.failures - marked == kept.failures
    assert kept.units < recorded.units == spared.units
    assert shop.table.equals(before)


def test_the_page_in_words(shop):
    review = make_load_review(shop.records, shop.lifetimes, replace(OPTIONS, strength="torque"))
    assert review.parts == (("input shaft", "A"), ("converter", "C"))
    assert any("Horsepower breaks no shaft" in line for line in words.opening(review))
    rated = words.rating_lines(review, "input shaft", "A")
    assert "Rated on torque, up to 7,500 lb" in rated[0]
    told = " ".join(words.explained_words(review, "input shaft", "A"))
    assert "of AIC" in told
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
    table = words.explained_table(review)
    assert table["aic_above_best"].min() == 0
    assert not words.facts_table(review, "input shaft", "A").empty


@pytest.mark.parametrize(("exponent", "says"), [(1.0, "It is lower"), (6.0, "The two agree"), (20.0, "It is higher")])
def test_what_a_mismatch_means(shop, exponent, says):
    review = make_load_review(shop.records, shop.lifetimes, OPTIONS)
    fits = tuple(replace(f, exponent=exponent, exponent_se=0.5) for f in review.explained["input shaft", "A"])
    changed = replace(review, explained=review.explained | {("input shaft", "A"): fits})
    assert says in words.exponent_words(changed, "input shaft", "A")[0]
