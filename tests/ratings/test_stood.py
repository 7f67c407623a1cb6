"""How parts fared at a margin or less: counted by hand, and what that makes of the margin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.driveline.load import make_loads
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.promise import Promise
from analytics.ratings.stood import Stood, _says, stood_at
from analytics.reasons import Stands
from analytics.records.load import load_records
from analytics.words.load import fared
from tests.driveline.shops import SHAFT
from tests.small_shop import TOML, build, returned, write_shop

PROMISE = Promise(50_000.0)


@pytest.fixture(scope="module")
def loads(tmp_path_factory):
    """Twelve trucks of 400 to 950 hp at 60,000 miles, three of 20,000; those of 900 and 950 hp broke theirs at 30,000 and 55,000 miles."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=400 + 50 * k, torque=600 + 75 * k) for k in range(12)]
    back = [
        returned("T-010XY", "2022-01-15", miles_in_service=30_000, replaced_with="A"),
        returned("T-011XY", "2022-01-15", miles_in_service=55_000, replaced_with="A"),
    ]
    readings = [
        {"serial": b["serial"], "read_on": "2024-03-30", "odometer": 20_000 if k in (1, 4, 7) else 60_000}
        for k, b in enumerate(builds)
    ]
    folder = write_shop(
        tmp_path_factory.mktemp("shop"), TOML, builds=builds, returns=back, readings=readings, parts=[SHAFT]
    )
    records = load_records(folder)
    return make_loads(records, make_lifetimes(records))


def margin_of(loads, unit: int) -> float:
    own = loads.of("input shaft", "A")
    return float(own.loc[own["unit"] == unit, "stress_margin_low"].iloc[0])


def test_counted_by_hand(loads):
    """From 650 hp up: trucks 5 to 11 and the two shafts fitted after the breaks, which have run too little; of trucks 5, 6, 8, 9 and the 11th's first
    shaft it is known that they passed the miles, the 10th's failed before."""
    found = stood_at(loads, "input shaft", "A", margin_of(loads, 5), PROMISE)
    assert (found.lives, found.failed, found.lasted, found.miles) == (9, 1, 5, 50_000)
    assert found.says is Stands.OPEN
    assert stood_at(loads, "input shaft", "A", margin_of(loads, 11) * 0.999, PROMISE) == Stood(
        margin_of(loads, 11) * 0.999, 0, 0, 0, 50_000.0, Stands.NONE
    )


def test_a_life_counts_by_the_most_margin_it_had(loads):
    """A truck turned up lately ran most of its miles with more in hand; one whose margin is not known throughout is not counted."""
    own = loads.table[loads.table["unit"].eq(11) & loads.table["component"].eq("input shaft")].iloc[:1]
    for earlier, counted in ((9.0, (8, 4)), (np.nan, (8, 4)), (0.001, (9, 5))):
        table = loads.table.copy()
        before = own.assign(stress_margin_low=earlier, ended="changed", segment=0)
        table = table[~table.index.isin(own.index)]
        table = type(table)(np.vstack([table, before, own]), columns=table.columns).infer_objects()
        found = stood_at(replace(loads, table=table), "input shaft", "A", margin_of(loads, 5), PROMISE)
        assert (found.lives, found.lasted) == counted


@pytest.mark.parametrize(
    ("lives", "failed", "lasted", "says"),
    [
        (60, 0, 22, Stands.CLEARED),  # 0.9^22 = 0.0985: 22 without a failure show 90% with 90% confidence (textbook)
        (60, 0, 21, Stands.OPEN),  # 0.9^21 = 0.109
        (60, 1, 37, Stands.CLEARED),  # of 38 with one failure: 0.9^38 + 38 (0.1) 0.9^37 = 0.0953
        (60, 1, 36, Stands.OPEN),  # of 37: 0.1038
        (20, 5, 0, Stands.BORNE_OUT),  # five or more of 20 at 0.1: 0.0432
        (20, 4, 0, Stands.OPEN),  # four or more: 0.133
        (0, 0, 0, Stands.NONE),
    ],
)
def test_what_it_makes_of_the_margin(lives, failed, lasted, says):
    """Binomial tails beside, worked out by hand; a demonstration of 22 without a failure is in any textbook of reliability."""
    assert _says(lives, failed, lasted, PROMISE) is says


def test_said():
    told = fared(Stood(0.31, 60, 1, 37, 50_000.0, Stands.CLEARED))
    assert told.startswith(
        "of the 60 on record at that margin or less 1 failed before 50,000 miles, 37 known to have passed them, fewer"
    )
    assert fared(Stood(0.31, 0, 0, 0, 50_000.0, Stands.NONE)) == "no part on record ran at that margin or less"
    assert "take the margin at its word" in fared(Stood(0.31, 9, 7, 0, 50_000.0, Stands.BORNE_OUT))
