"""The load beside every life: what is known is used, what is not is a range, and the ranges hold what they should."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.driveline import strength
from analytics.driveline.assumptions import Assumptions, Span, assumptions_for
from analytics.driveline.load import ENDS, LOAD_COLUMNS, by_gear, load_at, load_of, truck_facts
from analytics.driveline.part_facts import Fact, part_facts
from analytics.driveline.units import INCH, LBFT, MPA
from analytics.errors import AnalyticsError, RecordsError
from analytics.words.load import load_assumed, span
from tests.driveline.shops import LOCKUP, SHAFT, loads_of
from tests.small_shop import build, returned

FIXED = """[driveline]
engine_rpm = 2800
stall_ratio = 2.0
torque_at_stall = 0.8
gear_ratios = [3.0, 1.5, 1.0]
axle_ratio = 3.73
tyre_diameter = 33
driven_share = 0.5
height = 0.2
efficiency = 0.9
[driveline.friction]
street = 0.85
"""


def row(loads, component="input shaft"):
    own = loads.table[loads.table["component"] == component]
    assert len(own) == 1
    return own.iloc[0]


def test_a_truck_by_hand(tmp_path):
    """700 hp at 2,800 rpm is 1,313 lb ft; the tyres hold μ W s/(1 - μ h/L) r/(i_gear i_axle η)."""
    loads = loads_of(tmp_path, FIXED, parts=[SHAFT, LOCKUP])
    engine = 5252.113 * 700 / 2800
    slip = 0.85 * (8000 * 0.5 / (1 - 0.85 * 0.2)) * (33 / 24) / (3.73 * 0.9)
    brought, held = [engine * 1.6, engine, engine], [slip / 3.0, slip / 1.5, slip]
    carried = max(map(min, zip(brought, held, strict=True)))
    shaft = row(loads)
    assert shaft["torque_at_shaft_lbft"] == pytest.approx(carried, rel=1e-5)
    assert shaft["traction_limited"] == "in some gears"
    assert shaft["worst_gear"] == 1.0
    tau = 16 * carried * LBFT / (np.pi * (1.16 * INCH) ** 3)
    assert shaft["stress_margin"] == pytest.approx(690 * MPA / tau, rel=1e-5)
    assert shaft["load_share"] == pytest.approx(1 / shaft["stress_margin"])
    # nothing is left open, so there is no range
    assert shaft["torque_at_shaft_lbft_low"] == pytest.approx(shaft["torque_at_shaft_lbft_high"])
    assert np.isnan(shaft["clutch_margin"])
    lock = row(loads, "converter")
    assert lock["torque_at_shaft_lbft"] == pytest.approx(min(engine, slip), rel=1e-5)
    assert np.isnan(lock["stress_margin"])


def test_lifetimes_keep_their_rows_and_gain_the_columns(tmp_path):
    loads = loads_of(tmp_path, builds=[build("T-111"), build("T-222", power="", weight=7000)])
    assert len(loads.table) == len(loads.lifetimes.table)
    assert loads.table[loads.lifetimes.table.columns].equals(loads.lifetimes.table)
    assert set(LOAD_COLUMNS) <= set(loads.table)
    blank = loads.table[loads.table["power_hp"].isna()]
    assert len(blank) == 2
    assert blank["torque_at_shaft_lbft"].isna().all()
    assert (blank["traction_limited"] == "not known").all()
    assert set(load_assumed(loads)[loads.table["power_hp"].isna()]) == {"power or weight not on record"}
    assert loads.table["stress_margin"].isna().all()  # no part is described


def test_what_is_measured_narrows_the_range(tmp_path):
    """Each measure takes its assumption off the list, and the range with it."""
    guessed = loads_of(tmp_path / "a", parts=[SHAFT])
    known = {
        "torque": "1200",
        "axle_ratio": "3.73",
        "tyre_diameter": "33",
        "stall_ratio": "1.9",
        "driven_weight": "3900",
    }
    measured = loads_of(tmp_path / "b", builds=[build("T-111", **known)], parts=[SHAFT])
    own = guessed.table["component"] == "input shaft"
    for name in ("engine_rpm", "axle_ratio", "tyre_diameter", "stall_ratio", "driven_share"):
        assert guessed.assumed.loc[own, name].all()
    assert not measured.assumed[own].to_numpy().any()
    assert list(load_assumed(measured)[own]) == ["friction 0.8 to 0.9"]
    told = "engine speed 2,600 to 3,200 rpm; stall ratio 1.6 to 2.2; axle ratio 3.4 to 4.1; tyre diameter 31 to 35 in; "
    assert load_assumed(guessed)[own][0].startswith(told + "share of weight on the driven axle 0.4 to 0.55; ")
    wide, tight = row(guessed), row(measured)

    def width(r):
        return np.log(r["torque_at_shaft_lbft_high"] / r["torque_at_shaft_lbft_low"])

    assert width(tight) < 0.6 * width(wide)


def test_a_measured_torque_holds_for_the_power_it_was_measured_at(tmp_path):
    sheets = {
        "builds": [build("T-111")],
        "changes": [{"serial": "T-111", "changed_on": "2023-01-01", "power": "900"}],
        "conditions": [{"serial": "T-111", "measured_on": "2022-02-01", "torque": "1100"}],
        "readings": [{"serial": "T-111", "read_on": "2024-01-01", "odometer": 30_000}],
    }
    loads = loads_of(tmp_path, **sheets)
    own = loads.table[loads.table["component"] == "converter"].sort_values("segment")
    assert loads.assumed.loc[own.index, "engine_rpm"].tolist() == [False, True]


def test_pressure_of_a_return_speaks_of_the_life_it_ended(tmp_path):
    sheets = {
        "builds": [build("T-111", converter_pressure="165"), build("T-222")],
        "returns": [
            returned("T-111", "2023-01-01", "converter", returned_on="2023-01-09", converter_pressure="200"),
            returned("T-222", "2023-01-01", "converter"),
        ],
        "conditions": [{"serial": "T-222", "measured_on": "2023-06-01", "converter_pressure": "195"}],
    }
    table = loads_of(tmp_path, parts=[LOCKUP], **sheets).table
    own = table[table["component"] == "converter"].set_index(["serial", "spell"])["pressure_margin"]
    assert own["T-111", 1] == pytest.approx(180 / 200)
    assert np.isnan(own["T-222", 1])  # what is set after the repair says nothing of the life before
    assert own["T-222", 2] == pytest.approx(180 / 195)
    assert table.loc[table["component"] == "input shaft", "pressure_margin"].isna().all()


def test_the_lock_up_clutch_goes_with_its_pressure(tmp_path):
    rows = [build(f"T-{p}", converter_pressure=str(p)) for p in (120, 150, 180)]
    table = loads_of(tmp_path, FIXED, builds=rows, parts=[LOCKUP]).table
    own = table[table["component"] == "converter"].set_index("serial")["clutch_margin"]
    assert own["T-150"] / own["T-120"] == pytest.approx(1.25)
    assert own["T-180"] / own["T-120"] == pytest.approx(1.5)


SPANS = {
    "engine_rpm": (1500, 4000),
    "stall_ratio": (1.2, 2.8),
    "torque_at_stall": (0.3, 1.0),
    "axle_ratio": (2.5, 5.0),
    "tyre_diameter": (25, 40),
    "driven_share": (0.3, 0.7),
    "height": (0.1, 0.3),
    "efficiency": (0.7, 1.0),
}


@st.composite
def anything_assumed(draw):
    told = {}
    for name, (low, high) in SPANS.items():
        pair = sorted((draw(st.floats(low, high)), draw(st.floats(low, high))))
        told[name] = Span(*pair)
    mu = sorted((draw(st.floats(0.4, 3.0)), draw(st.floats(0.4, 3.0))))
    return Assumptions(**told, friction={"": Span(*mu)})


@settings(max_examples=60, deadline=None)
@given(a=anything_assumed(), kind=st.sampled_from(["input shaft", "output shaft", "converter", "clutch pack"]),
       inside=st.lists(st.floats(0, 1), min_size=9, max_size=9))  # fmt: skip
def test_every_truck_inside_the_ranges_carries_a_load_inside_the_range(a, kind, inside):
    """low <= load <= high for any choice inside the ranges: the ends are the ends."""
    from dataclasses import replace

    import pandas as pd

    from analytics.records.part_sheet import COLUMNS

    power, weight = np.array([350.0, 800.0, 1500.0]), np.array([5000.0, 8000.0, 12_000.0])
    parts = pd.DataFrame(np.nan, index=range(3), columns=COLUMNS)
    kinds = np.array([kind] * 3, dtype=object)

    def torque(assumed):
        return load_of(truck_facts(power, weight, [""] * 3, assumed), parts, kinds, assumed)[0]

    whole = torque(a)
    picks = {
        n: getattr(a, n).low + u * (getattr(a, n).high - getattr(a, n).low) for n, u in zip(SPANS, inside, strict=False)
    }
    mu = a.friction[""].low + inside[8] * (a.friction[""].high - a.friction[""].low)
    one = replace(a, **{n: Span(v, v) for n, v in picks.items()}, friction={"": Span(mu, mu)})
    at = torque(one)["torque_at_shaft_lbft"]
    low, high = whole["torque_at_shaft_lbft_low"], whole["torque_at_shaft_lbft_high"]
    assert (low <= at * (1 + 1e-9)).all()
    assert (at <= high * (1 + 1e-9)).all()
    assert (low <= whole["torque_at_shaft_lbft"] * (1 + 1e-9)).all()
    assert (whole["torque_at_shaft_lbft"] <= high * (1 + 1e-9)).all()


def test_load_never_falls_with_power_or_weight(tmp_path):
    loads = loads_of(tmp_path, parts=[SHAFT, LOCKUP])
    grid = np.linspace(200, 2000, 40)
    for component, part in (("input shaft", "A"), ("converter", "C")):
        before = None
        for weight in (5000.0, 7500.0, 9000.0, 14_000.0):
            for use in ("street", "drag"):
                load = load_at(loads, component, part, grid, weight, use)["torque_at_shaft_lbft"].to_numpy()
                assert (np.diff(load) >= -1e-9).all()
            assert before is None or (load >= before - 1e-9).all()
            before = load


def test_a_heavy_truck_loads_its_shaft_fully_where_a_light_one_spins(tmp_path):
    """1,876 lb ft at the worked example's truck: the light one spins in every gear, the heavy one only in first."""
    a = Assumptions(
        Span(2800, 2800), Span(1, 1), Span(1, 1), axle_ratio=Span(3.73, 3.73), tyre_diameter=Span(33.07, 33.07),
        driven_share=Span(1, 1), height=Span(1e-9, 1e-9), efficiency=Span(0.9, 0.9), friction={"": Span(0.9, 0.9)},
    )  # fmt: skip
    facts = truck_facts(np.full(2, 1000.0), np.array([5000.0, 12_000.0]), ["", ""], a)
    brought, held = by_gear(facts, a, "")
    assert (held[:, 0] < brought[:, 0]).all()
    assert (held[:, 1] < brought[:, 1]).tolist() == [True, False, False]


def test_rules_of_thumb_come_out_of_plausible_geometry(tmp_path):
    """Common practice, no source: a two-piece factory shaft to about 400 hp, less in a heavy truck; a one-piece shaft of the
    same spline in a high-toughness steel to about 1,000 hp under 7,500 lb; a larger spline beyond. Strength here is the
    power at which the worst notch yields, on a strip that grips, so that the engine and not the tyres decide."""
    same = {"component": "input shaft", "spline_root_diameter": "1.16 in", "outside_diameter": "1.22 in"}
    parts = [
        same | {"part": "two-piece", "pieces": 2, "hardness": "30-34 HRC", "stress_concentration": "2-3"},
        same | {"part": "one-piece", "pieces": 1, "tensile_yield": "240-255 ksi", "stress_concentration": "1.8-2.4"},
        same | {"part": "larger", "pieces": 1, "tensile_yield": "240-255 ksi", "stress_concentration": "1.8-2.4"}
        | {"spline_root_diameter": "1.32 in", "outside_diameter": "1.40 in"},
    ]  # fmt: skip
    loads = loads_of(tmp_path, parts=parts)
    powers = np.arange(150.0, 3000.0, 5.0)

    def good_to(part, weight, use):
        at = load_at(loads, "input shaft", part, powers, weight, use)
        factor = loads.made("input shaft", part)["stress_concentration"]
        fails = np.flatnonzero(at["stress_margin"].to_numpy() / factor < 1)
        return powers[fails[0]] if len(fails) else np.inf

    two, one, large = (good_to(p, 7400.0, "drag") for p in ("two-piece", "one-piece", "larger"))
    assert two < one < large
    assert 280 <= two <= 560
    assert 700 <= one <= 1400
    assert 1.7 <= one / two <= 3.6  # the trade says 2.5
    # what a light truck's tyres spare the shaft, a heavy one's do not: on the strip from 9,000 lb on, and on the road
    assert good_to("one-piece", 9000.0, "drag") < one
    assert good_to("one-piece", 9000.0, "street") < np.inf == good_to("one-piece", 7400.0, "street")
    # at 400 hp a truck of any weight holds the torque of direct gear: that the trade says "less when heavy" of the two-piece
    # shaft too is time at torque, which a peak load does not see
    assert good_to("two-piece", 9000.0, "street") == good_to("two-piece", 5500.0, "street")


def test_pressures_of_the_trade_hold_plausible_clutches(tmp_path):
    """Common practice, no source: line pressure 200 to 210 psi on strong builds, the converter held to 180."""
    pack = {"component": "clutch pack", "part": "P", "kind": "clutch pack", "faces": 16, "piston_area": "18 sq in"}
    pack |= {"lining_outside_diameter": "6.4 in", "lining_inside_diameter": "5.1 in", "return_spring": "180 lbf"}
    toml = '"clutch pack" = "clutch_pack"\n'
    lock = LOCKUP | {"faces": 4}
    loads = loads_of(
        tmp_path, toml, builds=[build("T-111", clutch_pack="P")], parts=[lock, pack | {"torque_ratio": 0.7}]
    )
    needs = {
        name: part_facts(loads, name, part, 1000.0, 9000.0, "street").set_index("what").loc[Fact.PRESSURE_NEEDED]
        for name, part in (("clutch pack", "P"), ("converter", "C"))
    }
    assert 100 < needs["clutch pack"]["middle"] < 210
    assert 80 < needs["converter"]["middle"] < 180


def test_facts_of_a_part(tmp_path):
    spline = {"spline_teeth": 31, "spline_pitch_diameter": 1.29, "spline_length": 1.4, "spline_fit": "fixed"}
    spline |= {"spline_tooth_thickness": 0.065, "spline_tooth_depth": 0.042}
    loads = loads_of(
        tmp_path, FIXED, parts=[SHAFT | spline | {"hardness": "35 HRC"}, LOCKUP | {"release_area": "0.06 sq in"}]
    )
    facts = part_facts(loads, "input shaft", "A", 700.0, 8000.0, "street").set_index("what")
    assert (facts["least"] <= facts["middle"] * (1 + 1e-9)).all()
    assert (facts["middle"] <= facts["most"] * (1 + 1e-9)).all()
    assert facts.at[Fact.ALLOWED_SHEAR, "middle"] == pytest.approx(40.0)
    carried = facts.at[Fact.TORQUE, "middle"]
    assert facts.at[Fact.YIELD_TORQUE, "middle"] / carried == pytest.approx(facts.at[Fact.STRESS_MARGIN, "middle"])
    assert facts.at[Fact.NOTCH_SHEAR, "most"] == pytest.approx(3 * facts.at[Fact.NOMINAL_SHEAR, "most"])
    lock = part_facts(loads, "converter", "C", 700.0, 8000.0, "street").set_index("what")
    assert Fact.RELEASE_FLOW in lock.index
    bare = loads_of(tmp_path / "bare", FIXED)
    assert part_facts(bare, "input shaft", "A", 700.0, 8000.0, "street")["what"].iat[0] == Fact.TORQUE


def test_strength_beyond_the_table_of_hardness_is_not_made_up(tmp_path):
    loads = loads_of(tmp_path, FIXED, parts=[SHAFT | {"hardness": "56 HRC"}])
    assert np.isnan(row(loads)["stress_margin"])
    given = loads_of(tmp_path / "b", FIXED, parts=[SHAFT | {"hardness": "56 HRC", "tensile_yield": "1,700 MPa"}])
    want = strength.shear_from_tensile(1700 * MPA) / strength.torsional_yield(40)
    base = loads_of(tmp_path / "c", FIXED, parts=[SHAFT])
    assert row(given)["stress_margin"] / row(base)["stress_margin"] == pytest.approx(float(want), rel=1e-3)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ("engine_rmp = 2800", "'engine_rmp' is not a key of .driveline.. Did you mean 'engine_rpm'"),
        ("engine_rpm = [3200, 2600]", "the lower first"),
        ("efficiency = 1.4", r"efficiency = 1.4: give a number"),
        ("gear_ratios = []", "give the ratios of the gears"),
        ('all_wheel_drive = "yes"', "write true or false"),
        ("friction = 0.8", "such as street"),
    ],
)
def test_slips_in_the_assumptions_are_said(tmp_path, toml, words):
    with pytest.raises(RecordsError, match=words):
        loads_of(tmp_path, f"[driveline]\n{toml}\n")


def test_assumptions_of_the_shop(tmp_path):
    toml = (
        "[driveline]\nconverter_pressure_max = 170\nall_wheel_drive = true\n[driveline.friction]\n'mud' = [0.3, 0.5]\n"
    )
    a = assumptions_for(loads_of(tmp_path, toml).records.shop)
    assert (a.converter_pressure_max, a.all_wheel_drive) == (170, True)
    assert a.friction_of("mud") == Span(0.3, 0.5)
    assert a.friction_of("street") == Span(0.8, 0.9)
    assert span(a.engine_rpm) == "2,600 to 3,200"
    assert a.stall_ratio.middle == pytest.approx(np.sqrt(1.6 * 2.2))
    assert ENDS == ("low", "", "high")


def test_impossible_trucks_are_refused(tmp_path):
    loads = loads_of(tmp_path)
    with pytest.raises(AnalyticsError, match="engine power"):
        load_at(loads, "input shaft", "A", np.array([0.0]), 8000.0, "street")
    with pytest.raises(AnalyticsError, match="weight"):
        load_at(loads, "input shaft", "A", np.array([500.0]), -1.0, "street")


def test_the_order_of_rows_decides_nothing(tmp_path):
    rng = np.random.default_rng(3)
    builds = [
        build(f"T-{k:03d}", power=500 + 20 * k, axle_ratio=pick) for k, pick in enumerate(("3.4", "", "4.1", "3.7"))
    ]
    conditions = [
        {
            "serial": f"T-{k % 4:03d}",
            "measured_on": f"2022-0{1 + k % 3}-01",
            "torque": 1000 + 10 * k,
            "line_pressure": 180 + k,
        }
        for k in range(12)
    ]
    sheets = {"builds": builds, "conditions": conditions, "parts": [SHAFT, LOCKUP]}
    one = loads_of(tmp_path / "one", **sheets).table
    mixed = {name: [rows[i] for i in rng.permutation(len(rows))] for name, rows in sheets.items()}
    other = loads_of(tmp_path / "other", **mixed).table
    keys, shown = ["serial", "component", "spell", "segment"], [*LOAD_COLUMNS]
    one, other = (t.sort_values(keys).set_index(keys)[shown] for t in (one, other))
    assert one.equals(other)


def test_the_reference_states_the_defaults(tmp_path):
    import tomllib
    from pathlib import Path

    from analytics.driveline.assumptions import assumptions_for
    from analytics.records.shop import Shop

    text = (Path(__file__).parents[2] / "docs" / "reference.md").read_text(encoding="utf-8")
    block = tomllib.loads("[driveline]" + text.split("[driveline]", 1)[1].split("```", 1)[0])
    stated = assumptions_for(Shop(tmp_path, "x", {"input shaft": "x"}, driveline=block["driveline"]))
    assert stated == Assumptions()
    assert {*block["driveline"]} == {*Assumptions.__dataclass_fields__}
