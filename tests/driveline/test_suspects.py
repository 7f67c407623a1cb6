"""Failures whose recorded condition breaks a rule are marked, and what the shop wrote stays."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.driveline.suspects import find_suspects
from tests.driveline.shops import LOCKUP, loads_of
from tests.small_shop import build, returned

LIMIT = {"component": "input shaft", "part": "A", "power_limit": 650, "effective_on": "2020-01-01"}


def shop(folder, toml=""):
    builds = [build(f"T-{k}11", power=p, converter_pressure=c) for k, p, c in
              ((1, 700, 200), (2, 600, 170), (3, 700, 195), (4, 600, ""), (5, 900, 160))]  # fmt: skip
    returns = [
        returned("T-111", "2023-01-01", "converter", replaced_with="C"),
        returned("T-211", "2023-02-01", "converter", replaced_with="C"),
        returned("T-411", "2023-03-01", "converter", replaced_with="C"),
        returned("T-111", "2023-05-01", "input shaft", cause="over limit"),
        returned("T-511", "2023-06-01", "input shaft", cause="install"),
        returned("T-211", "2023-07-01", "input shaft"),
    ]
    return loads_of(folder, toml, builds=builds, returns=returns, limits=[LIMIT], parts=[LOCKUP])


def test_marked_by_rule_and_never_recoded(tmp_path):
    loads = shop(tmp_path)
    before = loads.table.copy()
    found = find_suspects(loads)
    told = found.table[["serial", "component", "cause"]].to_numpy().tolist()
    assert told == [["T-111", "converter", "part"], ["T-111", "input shaft", "over limit"]]
    broke = found.table[["converter_psi", "power_hp", "published_hp", "clutch_margin"]].to_numpy()
    np.testing.assert_allclose(broke, [[200, np.nan, np.nan, np.nan], [np.nan, 700, 650, np.nan]])
    assert loads.table.equals(before)
    assert (loads.table.loc[found.table["at"], "ended"] == "failed").all()


def test_the_rule_is_counted_among_those_that_did_not_fail(tmp_path):
    counts = find_suspects(shop(tmp_path)).counts.set_index(["component", "rule"]).sort_index()
    pressure = counts.loc["converter", "converter pressure"]
    # T-311 runs on at 195 psi; T-411's was never measured; the second lives of the three converters count too
    assert (pressure["lives_failed"], pressure["told_failed"], pressure["broken_failed"]) == (3, 2, 1)
    assert (pressure["told_others"], pressure["broken_others"]) == (4, 2)
    power = counts.loc["input shaft", "power"]
    assert (power["told_failed"], power["broken_failed"]) == (3, 2)


def test_the_rules_are_the_shops_to_change(tmp_path):
    found = find_suspects(shop(tmp_path, "[driveline]\nconverter_pressure_max = 210\n"))
    assert found.table["component"].tolist() == ["input shaft"]
    strict = find_suspects(shop(tmp_path / "b", "[driveline]\nclutch_margin_min = 5\n"))
    assert (strict.table["clutch_margin"] < 5).sum() == 3


@pytest.mark.parametrize("pressure", ["180", "179.9"])
def test_at_the_limit_is_not_above_it(tmp_path, pressure):
    loads = loads_of(
        tmp_path,
        builds=[build("T-111", converter_pressure=pressure)],
        returns=[returned("T-111", "2023-01-01", "converter")],
        parts=[LOCKUP],
    )
    assert find_suspects(loads).table.empty
