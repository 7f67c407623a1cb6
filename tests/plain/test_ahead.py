"""Random small shops: the counts behind the watch, forecasts, guarantees and readings against the plain reckoning.

The models are left out (no part has a fit), so that what is compared is who is counted where, not what is expected of them.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from random import Random
from unittest.mock import patch

import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.basis import part_lives
from analytics.ratings.predict import fit_lives
from analytics.reasons import Figure
from analytics.records.load import load_records
from analytics.review.alarms import lot_counts, lots_answer
from analytics.review.expected import expected_table
from analytics.review.forecast import forecast, forecasts_kept
from analytics.review.guarantee import band_cost
from analytics.review.how_sure import how_sure
from analytics.review.outlook import replay
from analytics.review.snapshot import snapshot_of
from analytics.review.watch import life_tests, watched_lives
from tests.plain import ahead, figures, reckoning, shops
from tests.plain.compare import differences, rows_of

SHOPS = int(os.environ.get("PLAIN_SHOPS", "12"))
#: quarters replayed: enough for one forecast of a year to be held against what came
QUARTERS = 4


@contextlib.contextmanager
def without_fits() -> Iterator[None]:
    def unfitted(data, *settings):
        return fit_lives(data.take(data.weight < 0), *settings)

    with (
        patch("analytics.review.snapshot.fit_lives", unfitted),
        patch("analytics.review.how_sure._parts", lambda *_: []),
        patch("analytics.review.how_sure.LOSSES", ()),
    ):
        yield


def check(folder: Path, quarters: int) -> list[str]:
    """Differences between the package's counts of a shop and those of the plain reckoning, each with its table's name."""
    shop = reckoning.Shop(folder)
    table, units = reckoning.lifetimes(shop), figures.units_of(shop)
    if not table:
        return []
    found: list[str] = []

    def compare(name: str, got: pd.DataFrame, should: list[dict], keys: str) -> None:
        rows = [row | {"serial": row.get("serial", "").split(" (")[0]} for row in rows_of(got)]
        found.extend(
            f"{name}: {line}" for line in differences(rows, should, keys.split(), list(should[0]) if should else [])
        )

    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    with without_fits():
        now = snapshot_of(records, lifetimes)
        done = replay(folder, now, quarters)
        sure = how_sure(records, lifetimes).table
    costs = [c for c in (band_cost(now, band) for band in records.shop.band_labels()) if c is not None]
    told = forecast(now)
    compare("forecast", told.counts, ahead.forecast(table), "span component")
    compare("unit_chances", told.units, ahead.unit_chances(shop, units, table), "serial years odometer_known")
    compare("guarantee", pd.DataFrame([cost_counts(c) for c in costs]), ahead.guarantee(shop, units, table), "band")
    shares = sure[sure["figure"] == Figure.SHARE_BACK]
    shares = shares.assign(
        how=[how.code.name for how in shares["reading"]],
        share=[how.values.get("share", 1.0) for how in shares["reading"]],
    )
    compare("how_sure", shares, ahead.how_sure(shop, table), "what how share")
    compare("ratings", rated(lifetimes), ahead.rated(table), "component part")
    past = {s.as_of: s for s in done.snapshots}
    plain = {day: reckoning.Shop(folder, f"{day:%Y-%m-%d}") for day in past}
    days = sorted(past)
    kept = [ahead.kept_word(plain[a], plain[b], span)
            for span, back in (("quarter", 1), ("year", 4)) for a, b in zip(days, days[back:])]  # fmt: skip
    compare("kept_word", forecasts_kept(done.snapshots, done.running), [*chain(*kept)], "made_on span component")
    for quarter in done.watched:
        day = f"{quarter.end:%Y-%m-%d}"
        before, after = past[quarter.before], past[quarter.end]
        rows, others = ahead.at_stake(plain[quarter.before], plain[quarter.end])
        then = reckoning.lifetimes(plain[quarter.end])
        compare(f"expected {day}", expected_table(quarter.stakes), ahead.expected(rows), "side component group")
        if quarter.stakes.unforeseen != others:
            found.append(f"unforeseen {day}: came {quarter.stakes.unforeseen}, should be {others}")
        looks = life_tests(watched_lives(before, after))
        looks = looks.assign(family=[family.name for family in looks["family"]])
        compare(f"watch {day}", looks, ahead.life_tests(plain[quarter.end], then), "family component group units came")
        compare(
            f"lots {day}",
            lots_answer(lot_counts(before, after)).table,
            ahead.lots(plain[quarter.end], then),
            "component part lot",
        )
    return found


def cost_counts(cost) -> dict:
    mean, lower, upper = cost.year
    told = {name: getattr(cost, name) for name in ("band", "built", "a_year", "seen_months", "seen_miles", "failures")}
    return told | {"year_on_record": mean, "year_lower": lower, "year_upper": upper}


def rated(lifetimes) -> pd.DataFrame:
    rows = []
    for component, part in sorted(set(zip(lifetimes.table["component"], lifetimes.table["part"], strict=True))):
        with contextlib.suppress(AnalyticsError):
            data = part_lives(lifetimes, component, part).data
            rows.append({"component": component, "part": part, "units": data.units, "failures": data.failures})
    return pd.DataFrame(rows)


def check_drawn(rnd: Random) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        return check(shops.write(*shops.draw(rnd), Path(folder)), QUARTERS if rnd.random() < 0.25 else 1)


@given(st.randoms(use_true_random=False))
@settings(max_examples=SHOPS, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_count_equals_the_plain_reckoning(rnd):
    found = check_drawn(rnd)
    assert not found, "\n".join(found)


# ---- faults it found ---------------------------------------------------------------------------------------------------
TOML = '[shop]\nname = "Invented"\nas_of = "2024-03-31"\n[components]\n"input shaft" = "input_shaft"\nconverter = "converter"\n'
BUILD = {
    "built_on": "2022-01-10",
    "power": 500,
    "weight": 8000,
    "builder": "al",
    "input_shaft": "IS-A",
    "converter": "none",
}
BROKE = {"component": "input shaft", "cause": "part", "order": "first", "finding": "worn", "cost": 1}


def shop_of(folder: Path, toml: str = TOML, **rows: list[dict]) -> Path:
    return shops.write({name: [] for name in shops.HEADINGS} | rows, toml, folder)


def stand(folder: Path):
    records = load_records(folder)
    with without_fits():
        return snapshot_of(records, make_lifetimes(records))


def test_a_life_cut_where_its_truck_was_tuned_is_one_of_its_lot_and_month(tmp_path):
    folder = shop_of(
        tmp_path,
        builds=[BUILD | {"serial": f"A-{k}", "built_on": f"2022-0{1 + k // 3}-10"} for k in range(6)],
        fitted=[
            {"serial": f"A-{k}", "component": "input shaft", "part": "IS-A", "lot": f"L{k // 3}"} for k in range(6)
        ],
        changes=[{"serial": "A-0", "changed_on": day, "power": 600} for day in ("2022-06-01", "2023-06-01")],
        returns=[BROKE | {"serial": "A-1", "returned_on": "2023-05-01"}],
    )
    now = stand(folder)
    looks = life_tests(watched_lives(now, now))
    assert looks[["group", "units", "came"]].values.tolist() == [
        ["L0", 3, 1], ["L1", 3, 0], ["2022-01", 3, 1], ["2022-02", 3, 0],
    ]  # fmt: skip
    assert sorted(lots_answer(lot_counts(now, now)).table["units"]) == [3, 3]
    assert check(folder, 1) == []


def test_a_first_part_put_in_after_the_truck_left_is_of_that_month_and_no_builder(tmp_path):
    folder = shop_of(
        tmp_path,
        builds=[BUILD | {"serial": "A-1"}],
        fitted=[{"serial": "A-1", "component": "converter", "part": "TC-1", "fitted_on": "2023-07-05"}],
    )
    told = stand(folder).table.set_index("part")
    assert told.loc["TC-1", ["month", "builder"]].tolist() == ["2023-07", ""]
    assert told.loc["IS-A", ["month", "builder"]].tolist() == ["2022-01", "al"]


def test_a_band_is_that_of_the_trucks_as_they_went_out_though_the_records_begin_after_a_tune(tmp_path):
    folder = shop_of(
        tmp_path,
        TOML.replace("[components]", 'records_start = "2023-01-01"\n[components]'),
        builds=[BUILD | {"serial": "A-1"}, BUILD | {"serial": "B-1", "power": 700}],
        changes=[{"serial": "A-1", "changed_on": "2022-06-01", "power": 700}],
    )
    now = stand(folder)
    assert [band_cost(now, band).built for band in ("400 to 600", "600 to 1,000")] == [1, 1]


def test_a_truck_whose_first_part_broke_before_the_records_start_is_of_those_built(tmp_path):
    folder = shop_of(
        tmp_path,
        TOML.replace("[components]", 'records_start = "2023-01-01"\n[components]'),
        builds=[BUILD | {"serial": "A-1"}, BUILD | {"serial": "B-1"}],
        returns=[BROKE | {"serial": "A-1", "returned_on": "2022-06-01"}],
    )
    assert band_cost(stand(folder), "400 to 600").built == 2


def test_a_band_is_followed_as_far_as_its_trucks_are_whatever_is_fitted_to_them(tmp_path):
    """Ten trucks followed 811 days; one alone has a converter."""
    bare = [BUILD | {"serial": f"A-{k}"} for k in range(10)]
    bare[0]["converter"] = "TC-1"
    cost = band_cost(stand(shop_of(tmp_path, builds=bare)), "400 to 600")
    assert cost.seen_months * 365.25 / 12 == 811


def test_a_quarter_that_began_with_no_truck_running_is_held_against_what_was_put_in_since(tmp_path):
    sold = {"serial": "A-1", "read_on": "2023-10-01", "still_running": "sold"}
    folder = shop_of(
        tmp_path,
        builds=[BUILD | {"serial": "A-1"}, BUILD | {"serial": "B-1", "built_on": "2024-02-01"}],
        readings=[sold],
    )
    assert check(folder, 1) == []


def test_trucks_that_were_never_driven_tell_no_miles_a_day(tmp_path):
    still = [{"serial": "A-1", "read_on": "2023-01-10", "odometer": 0}]
    folder = shop_of(tmp_path, builds=[BUILD | {"serial": "A-1", "odometer_at_install": 0}], readings=still)
    cost = band_cost(stand(folder), "400 to 600")
    assert (cost.miles[:, 0] < cost.miles[:, -1]).all()
