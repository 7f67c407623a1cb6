"""One rule of weights, bands and uses: edges in other units, the open class, what a limit covers, and which of several holds."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.records.cells import POWER, WEIGHT, parse_quantity, written
from analytics.records.cover import band_of, class_of, over, same_edge, up_to, weights_of
from analytics.records.limits import limit_for
from analytics.records.load import load_records
from tests.small_shop import TOML, build, write_shop

NAN = math.nan


def lb(text: str) -> float:
    return parse_quantity(text, WEIGHT, "lb")[0]


@pytest.mark.parametrize("edge", [6000, 7500, 8500, 9000, 10_001, 14_000])
def test_an_edge_in_whole_kilograms_or_kilowatts_is_the_edge(edge):
    """1 lb = 0.45359237 kg exactly, 1 hp = 745.69987 W (NIST SP 811, appendix B)."""
    kilograms = lb(f"{round(edge * 0.45359237)} kg")
    assert up_to(kilograms, edge)
    assert not over(kilograms, edge)
    assert class_of(kilograms, (edge,)) == 0
    power = edge / 10
    assert band_of(parse_quantity(f"{round(power * 0.74569987)} kW", POWER, "hp")[0], (power,)) == 1


def test_two_pounds_or_a_horsepower_off_are_on_the_other_side():
    assert over(7502, 7500)
    assert not over(7501, 7500)
    assert class_of([7501, 7502, NAN], (7500, 9000)).tolist() == [0, 1, 2]
    assert band_of([598.9, 599.5, NAN], (400, 600)).tolist() == [1, 2, 2]
    assert same_edge(7500, 7501)
    assert not same_edge(7500, 7502)
    assert same_edge(math.inf, math.inf)
    assert not same_edge(math.inf, 7500)
    assert not up_to(NAN, math.inf)
    assert not over(NAN, 0)


def test_the_class_above_the_last_edge_is_open_and_others_are_not():
    assert weights_of(7500, (7500, 9000)).up_to_lb == 7500
    assert weights_of(11_300, (7500, 9000)).over_lb == 9000
    assert math.isnan(weights_of(11_300, (7500, 9000)).up_to_lb)
    assert [weights_of(w, (7500, 9000)).up_to_lb for w in (9000, 9001)] == [9000, 9001]
    anything = weights_of(math.inf, (7500, 9000))
    assert math.isnan(anything.up_to_lb)
    assert math.isnan(anything.over_lb)


def test_lives_fall_into_classes_and_bands_by_it(tmp_path):
    builds = [build("T-111", weight="3402 kg", power="447 kW"), build("T-112", weight="3403 kg", power="446 kW")]
    table = make_lifetimes(load_records(write_shop(tmp_path, builds=builds))).table
    own = table[table["component"] == "input shaft"]
    assert own["weight_class"].astype(str).tolist() == ["up to 7,500", "7,500 to 9,000"]
    assert own["power_band"].astype(str).tolist() == ["600 to 1,000", "400 to 600"]


def limits(*rows: tuple) -> pd.DataFrame:
    """(up to, over, use, hp, day) of one part."""
    frame = pd.DataFrame(
        rows, columns=["weight_up_to_lb", "weight_over_lb", "use", "power_limit_hp", "effective_on"]
    ).assign(component="c", part="A")
    frame["effective_on"] = pd.to_datetime(frame["effective_on"])
    return frame


def holds(frame: pd.DataFrame, weight: float, use: str = "", day: str = "2024-12-31") -> float:
    truck = pd.DataFrame(
        {"component": ["c"], "part": ["A"], "use": [use], "weight_lb": [weight], "day": [pd.Timestamp(day)]}
    )
    at = int(limit_for(frame, truck)[0])
    return float(frame["power_limit_hp"].iat[at]) if at >= 0 else NAN


def test_a_limit_over_an_edge_holds_for_any_weight_above_it_and_for_no_other():
    frame = limits((NAN, NAN, "", 700, "2019-01-01"), (NAN, 9000.0, "", 500, "2020-01-01"))
    assert holds(frame, 9001) == 700
    assert [holds(frame, w) for w in (9002, 12_000, 60_000)] == [500] * 3
    assert holds(frame, NAN) == 700
    assert [holds(frame, 12_000, day=day) for day in ("2019-12-31", "2020-01-01")] == [700, 500]
    # it is narrower than a later one for any weight
    assert holds(frame.assign(effective_on=frame["effective_on"].to_numpy()[::-1]), 12_000) == 500


def test_it_takes_the_place_of_earlier_edges_above_it_and_a_later_edge_takes_its_own():
    frame = limits(
        (11_300.0, NAN, "", 650, "2019-01-01"),
        (NAN, 9000.0, "", 500, "2020-01-01"),
        (10_000.0, NAN, "", 450, "2021-01-01"),
        (9000.0, NAN, "", 600, "2019-01-01"),
    )
    assert holds(frame, 11_000, day="2019-06-01") == 650
    assert [holds(frame, 11_000, day=day) for day in ("2019-12-31", "2020-01-01", "2024-12-31")] == [650, 500, 500]
    assert holds(frame, 9500) == 450
    assert holds(frame, 9500, day="2020-06-01") == 500
    assert holds(frame, 9000) == 600
    # the classes were drawn anew
    wider = limits((NAN, 9000.0, "", 500, "2020-01-01"), (NAN, 8000.0, "", 400, "2021-01-01"))
    assert holds(wider, 12_000) == 400
    assert holds(wider, 12_000, day="2020-06-01") == 500
    higher = limits((NAN, 8000.0, "", 500, "2020-01-01"), (NAN, 9000.0, "", 400, "2021-01-01"))
    assert [holds(higher, w) for w in (8500, 12_000)] == [500, 400]
    # of one day: two classes above one another, but no class up to a weight above an open one
    at_once = "2020-01-01"
    two = limits((NAN, 8000.0, "", 500, at_once), (NAN, 9000.0, "", 400, at_once))
    assert [holds(two, w) for w in (8500, 12_000)] == [500, 400]
    assert holds(limits((11_300.0, NAN, "", 650, at_once), (NAN, 9000.0, "", 500, at_once)), 11_000) == 500


def test_uses_and_edges_that_are_one():
    frame = limits(
        (7500.0, NAN, "", 600, "2019-01-01"),
        (lb("3402 kg"), NAN, "", 550, "2020-01-01"),
        (7500.0, NAN, "drag", 400, "2018-01-01"),
    )
    # the same edge in another unit: the later one holds
    assert holds(frame, 7000) == 550
    assert holds(frame, 7000, "drag") == 400
    assert holds(frame, 7000, "towing") == 550
    assert np.isnan(holds(frame.iloc[2:], 7000))


def test_an_edge_of_another_part_makes_no_two_edges_one(tmp_path):
    """7,500 and 7,502 lb are two edges; 7,501 lb lies half a kilogram from either, but is that of part B."""
    told = [
        limit(weight_up_to="7500 lb", power_limit=600, effective_on="2020-01-01"),
        limit(weight_up_to="7502 lb", power_limit=700, effective_on="2021-01-01"),
        limit(weight_up_to="7502 lb", power_limit=550, effective_on="2020-01-01"),
        limit(part="B", weight_up_to="7501 lb", power_limit=500, effective_on="2020-01-01"),
    ]
    records = load_records(write_shop(tmp_path, builds=[build("T-111")], limits=told))
    assert records.books.set_aside.empty
    assert holds(records.limits.assign(component="c"), 7000) == 600


@pytest.mark.parametrize("unit", ["lb", "kg", "t"])
@pytest.mark.parametrize("edge", [7500.0, 9000.0, lb("3500 kg"), 7716.18, 11_023.113109243879, 7054.79239, 4899.5])
def test_a_weight_is_written_as_it_is_read(edge, unit):
    assert parse_quantity(written(edge, WEIGHT, unit), WEIGHT, unit)[0] == edge
    assert written(lb("3500 kg"), WEIGHT, "kg") == "3500 kg"
    assert written(7500.0, WEIGHT, "kg") == "7500 lb"  # as it stands in shop.toml
    assert written(lb("3.402 t"), WEIGHT, "t") == "3.4020 t"  # three places could be thousands


def limit(**more: object) -> dict:
    return {"component": "input shaft", "part": "A", "power_limit": 650, "effective_on": "2020-01-01", **more}


def test_over_an_edge_is_read_and_nonsense_is_not(tmp_path):
    words = ["over 9,000 lb", "> 4082 kg", "above 9000", "over", "over light", "over ?"]
    rows = [limit(weight_up_to=w, effective_on=f"202{i}-01-01") for i, w in enumerate(words[:3])]
    rows += [limit(weight_up_to=w) for w in words[3:]]
    records = load_records(write_shop(tmp_path, builds=[build("T-111")], limits=rows))
    assert records.limits["weight_over_lb"].tolist() == pytest.approx([9000, lb("4082 kg"), 9000])
    assert records.limits["weight_up_to_lb"].isna().all()
    assert records.books.set_aside["row"].tolist() == [5, 6, 7]


def test_two_limits_of_one_day_that_contradict_are_set_aside_and_a_double_entry_once(tmp_path):
    rows = [
        limit(weight_up_to="7500 lb"),
        limit(weight_up_to="3402 kg", power_limit=600, part="a"),
        limit(weight_up_to="9000 lb"),
        limit(weight_up_to="9000 lb"),
        limit(weight_up_to="over 7500 lb"),
        limit(use="drag"),
        limit(power_limit=500),
        limit(weight_up_to="7500 lb", power_limit=500, effective_on="2021-01-01"),
    ]
    records = load_records(write_shop(tmp_path, TOML, builds=[build("T-111")], limits=rows))
    assert records.limits["row"].tolist() == [4, 6, 7, 8, 9]
    aside = records.books.set_aside.set_index("row")
    assert aside.index.tolist() == [2, 3, 5]
    assert aside.loc[2, "reason"] == "another limit of the same day, part, weight and use says otherwise"
    assert aside.loc[3, "remedy"] == "delete the row that is wrong, or date the later one"
    assert aside.loc[5, "reason"] == "the same limit is entered twice"
