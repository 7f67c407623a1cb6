"""The same shop kept in kilometres, kilograms and kilowatts gives the same lives."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.constants import hp, kilo, lb, mile

from analytics.lifetimes.table import make_lifetimes
from tests.records.sheets import back, build, load

KM, KG, KW = mile / kilo, lb, hp / kilo


def _shop(folder, rows: list[tuple[int, int, int, int]], factor: dict[str, float], toml: str):
    def told(value: float, kind: str) -> str:
        return f"{value * factor.get(kind, 1.0):.6f}"

    builds, returns, readings = [], [], []
    for k, (power, weight, first, more) in enumerate(rows):
        serial = f"T-{700 + 31 * k}"
        builds.append(
            build(
                serial=serial,
                power=told(power, "power"),
                weight=told(weight, "weight"),
                odometer_at_install=told(first, "miles"),
            )
        )
        readings.append({"serial": serial, "read_on": "2021-12-01", "odometer": told(first + more / 2, "miles")})
        if k % 2:
            returns.append(back(serial=serial, odometer=told(first + more, "miles")))
    return load(folder, toml, builds=builds, returns=returns or [back()], readings=readings)


row = st.tuples(st.integers(200, 1500), st.integers(4000, 12_000), st.integers(0, 80_000), st.integers(100, 50_000))


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.lists(row, min_size=2, max_size=6))
def test_the_same_lives(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("units")
    ours = _shop(folder / "a", rows, {}, "")
    units = '[units]\npower = "kW"\nweight = "kg"\ndistance = "km"\n'
    theirs = _shop(folder / "b", rows, {"power": KW, "weight": KG, "miles": KM}, units)
    one, other = make_lifetimes(ours).table, make_lifetimes(theirs).table
    assert len(one) == len(other)
    for column in ("entry_miles", "lower_miles", "upper_miles", "power_hp", "weight_lb", "lower_days"):
        np.testing.assert_allclose(one[column], other[column], rtol=1e-6, atol=0.01, err_msg=column)
    pd.testing.assert_frame_equal(one[["component", "part", "ended"]], other[["component", "part", "ended"]])
    for column in ("power_band", "weight_class"):  # named in the unit of the shop
        assert one[column].cat.codes.tolist() == other[column].cat.codes.tolist()


def test_odometers_that_run_as_far_in_km_are_as_far_to_the_last_bit(tmp_path):
    """5,000 km each, from odometers that differ: one tie, not several lives a hair apart."""
    firsts = range(10_000, 90_000, 8_000)
    builds = [build(serial=f"T-{k}", odometer_at_install=str(k)) for k in firsts]
    returns = [back(serial=f"T-{k}", odometer=str(k + 5_000)) for k in firsts]
    table = make_lifetimes(load(tmp_path, '[units]\ndistance = "km"\n', builds=builds, returns=returns)).table
    ends = table.loc[table["ended"] == "failed", "upper_miles"]
    assert len(ends) == len(firsts)
    assert ends.unique().tolist() == [round(5_000 / KM, 6)]
