"""From a bound to a verdict, and the sheet as a whole."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from analytics.errors import AnalyticsError, RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.bound import RatingBound, Seen
from analytics.ratings.options import Options, options_for
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import COLUMNS, make_ratings
from analytics.reasons import Rests, reason
from analytics.records.load import load_records
from analytics.records.shop import shop_from
from analytics.words.ratings.sheet import sheet_table
from analytics.words.saying import say, say_all
from tests.small_shop import TOML, build, returned, write_shop

NAN = math.nan
OPTIONS = Options(Promise(50_000))


def test_options_come_from_the_shop_and_are_checked():
    shop = shop_from(
        {"components": {"a": "a"}, "ratings": {"step_hp": 10, "reporting_share": 0.7, "selection": False}}, Path()
    )
    options = options_for(shop, life_miles=30_000, confidence=0.95)
    assert (options.promise.life_miles, options.promise.reliability, options.promise.confidence, options.step_hp) == (
        30_000,
        0.9,
        0.95,
        10,
    )
    assert (options.settings.share, options.settings.selection, options.settings.decline) == (0.7, False, True)
    for ratings, message in (
        ({"stepp_hp": 5}, "Did you mean 'step_hp'"),
        ({"selection": 3}, "expected true or false"),
        ({"step_hp": 0}, "must lie between"),
        ({"seed": True}, "expected a number"),
    ):
        with pytest.raises(RecordsError, match=message):
            options_for(shop_from({"components": {"a": "a"}, "ratings": ratings}, Path()))
    with pytest.raises(RecordsError, match="give a share"):
        options_for(shop, reliability=90)


def bound(hp: float = NAN, estimate: float = NAN, **more: object) -> RatingBound:
    plain = RatingBound(
        weight_lb=7500.0,
        use="",
        rated_use="",
        promise=Promise(50_000.0),
        estimate_hp=estimate,
        bound_hp=hp,
        posterior_hp=NAN,
        demonstrated_hp=NAN,
        capped=False,
        seen=Seen(100.0, 5.0, 1e6, 300.0, 900.0, NAN),
        early_share=0.0,
        reasons=(),
    )
    return replace(plain, **more)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """60 trucks read at their age, 12 shafts failed, no converter failed."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight=6500 + 40 * k) for k in range(60)]
    back = [
        returned(
            builds[59 - k]["serial"],
            f"2022-{1 + k:02d}-15",
            miles_in_service=30_000 + 1500 * k,
            cause="unclear" if k == 3 else "part",
        )
        for k in range(12)
    ]
    readings = [
        {"serial": b["serial"], "read_on": "2024-03-30", "odometer": 40_000 + 500 * i}
        for i, b in enumerate(builds[:45])
    ]
    limits = [
        {"component": "input shaft", "part": "A", "weight_up_to": "", "power_limit": 900, "effective_on": "2020-01-01"}
    ]
    toml = TOML + "[ratings]\nreplicates = 40\nreporting_share = 1.0\n"
    folder = write_shop(
        tmp_path_factory.mktemp("small"), toml, builds=builds, returns=back, readings=readings, limits=limits
    )
    records = load_records(folder)
    return make_ratings(records, make_lifetimes(records))


def test_sheet_has_a_row_per_class_with_the_promised_columns(small):
    assert small.table.columns.tolist() == COLUMNS
    shaft = small.table[(small.table["component"] == "input shaft") & (small.table["use"] == "")]
    assert shaft["weight_up_to"].tolist() == [7500, 9000]  # nobody is heavier
    assert (shaft["failures"] == 12).all()
    assert shaft["published_hp"].tolist() == [900, 900]
    assert shaft["bound_hp"].is_monotonic_decreasing
    assert (shaft["supported_hp"] <= shaft["bound_hp"]).all()
    assert sheet_table(small)["reason"][shaft.index].str.startswith("12 of 60 came back").all()


def test_no_failure_is_demonstrated_not_modelled(small):
    converter = small.table[small.table["component"] == "converter"].iloc[0]
    assert converter["failures"] == 0
    assert math.isnan(converter["estimate_hp"])
    assert sheet_table(small)["reason"][converter.name].startswith("none of 60 came back")
    if math.isfinite(converter["bound_hp"]):
        assert converter["bound_hp"] == pytest.approx(min(converter["demonstrated_hp"], converter["bound_hp"]))


def test_unclear_causes_are_read_both_ways_and_the_lower_counts(small):
    shaft = small.part("input shaft", "A")
    assert shaft.unclear == 1
    assert set(shaft.otherwise) == {(7500.0, ""), (9000.0, "")}
    for row in small.table[(small.table["part"] == "A") & (small.table["use"] == "")].itertuples():
        assert row.supported_hp <= min(row.bound_hp, shaft.otherwise[row.weight_up_to, ""])


def test_unknown_part_is_named(small):
    with pytest.raises(AnalyticsError, match="rated are input shaft A, converter C"):
        small.part("input shaft", "Z")


def test_part_without_power_or_weight_is_left_out_in_words(tmp_path):
    folder = write_shop(tmp_path, builds=[build("T-111", power=""), build("T-222", weight="")])
    records = load_records(folder)
    ratings = make_ratings(records, make_lifetimes(records))
    assert ratings.table.empty
    assert len(ratings.left_out) == 2
    assert "power" in say(ratings.left_out[0])


@pytest.mark.parametrize(
    ("every", "said"),
    [(2, "is taken from units of the same use that fared alike"), (5, "comes out lower than the truth")],
)
def test_missing_weight_among_survivors_is_filled_in_or_said_to_lower_the_rating(tmp_path, every, said):
    """Of one in two it is taken from those alike; where four in five have none, they are left out, and that is said."""
    builds = [
        build(f"T-{k:03d}XY", "2020-01-01", power=500 + 10 * k, weight=7000 + k if k > 51 or k % every == 1 else "")
        for k in range(60)
    ]
    back = [returned(b["serial"], "2022-06-01", miles_in_service=30_000) for b in builds[-8:]]
    folder = write_shop(tmp_path, TOML + "[ratings]\nreplicates = 0\n", builds=builds, returns=back)
    records = load_records(folder)
    notes = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")]).parts[0].notes
    notes = say_all(notes)
    assert any(said in note for note in notes)
    assert not any("too high" in note for note in notes)
    assert any("left out" in note for note in notes) == (every == 5)


def test_same_seed_same_sheet(small):
    again = make_ratings(small.records, small.lifetimes, small.options, only=[("input shaft", "A")])
    first = small.table[small.table["part"] == "A"].reset_index(drop=True)
    assert again.table.equals(first)


def test_settings_can_be_switched_off():
    assert RatingSettings().share is None  # a prior, unless the owner insists


def test_no_rating_in_a_light_class_means_none_in_a_heavy_one(monkeypatch, small):
    from analytics.ratings import bound as engine

    made = {7500.0: bound(NAN, 600, reasons=(reason(Rests.NOTHING_RULED_OUT),)), 9000.0: bound(550, 620)}
    monkeypatch.setattr(engine, "rate_part", lambda data, weight, *rest: replace(made[weight], weight_lb=weight))
    light, heavy = engine.rate_weights(small.parts[0].data, (9000.0, 7500.0), None, Promise(50_000.0))
    assert math.isnan(light.bound_hp)
    assert math.isnan(heavy.bound_hp)
    assert heavy.has(Rests.LIGHTER_UNRATED)
