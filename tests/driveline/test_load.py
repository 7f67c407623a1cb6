"""The load beside every life: what is known is used, what is not is a range, and the ranges hold what they should."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.driveline import shafts, strength
from analytics.driveline.assumptions import BY_USE, Assumptions, Span, assume, assumptions_for
from analytics.driveline.bands import ENDS
from analytics.driveline.duties import DUTY_COLUMNS
from analytics.driveline.load import LOAD_COLUMNS, _by_gear, _load_of, _truck_facts, load_at
from analytics.driveline.part_facts import Fact, part_facts
from analytics.driveline.units import INCH, LBFT, MPA
from analytics.errors import AnalyticsError, RecordsError
from analytics.words.load import load_assumed, span
from tests.driveline.shops import LOCKUP, SHAFT, loads_of
from tests.small_shop import TOML, build, returned

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
[driveline.driven_wheels]
street = 2
[driveline.application]
street = 2.4
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
    assert shaft["torque_at_shaft_lbft"] == pytest.approx(engine * 1.6, rel=1e-5)
    assert shaft["torque_capped_lbft"] == pytest.approx(carried, rel=1e-5)
    assert shaft["traction_limited"] == "in some gears"
    assert shaft["worst_gear"] == 1.0
    for torque, name in ((engine * 1.6, "stress_margin"), (carried, "stress_margin_capped")):
        tau = 16 * torque * LBFT / (np.pi * (1.16 * INCH) ** 3)
        for end, notch in (("_low", 3.0), ("", 2.5), ("_high", 2.0)):
            assert shaft[f"{name}{end}"] == pytest.approx(690 * MPA / (tau * notch * 2.4), rel=1e-5)
    assert shaft["body_margin"] == pytest.approx(shaft["stress_margin"] * 2.5 * 2.4)
    assert shaft["load_share"] == pytest.approx(1 / shaft["stress_margin"])
    # nothing is left open, so there is no range
    assert shaft["torque_at_shaft_lbft_low"] == pytest.approx(shaft["torque_at_shaft_lbft_high"])
    assert np.isnan(shaft["clutch_margin"])
    lock = row(loads, "converter")
    assert lock["torque_at_shaft_lbft"] == pytest.approx(engine, rel=1e-5)
    assert lock["torque_capped_lbft"] == pytest.approx(min(engine, slip), rel=1e-5)
    assert lock["clutch_margin"] <= lock["clutch_margin_capped"]
    assert np.isnan(lock["stress_margin"])


def test_a_margin_never_rises_with_power_and_the_tyres_never_raise_it(tmp_path):
    """900, 1,300 and 2,000 hp on the street had one and the same margin, by the tyres of an assumed truck."""
    loads = loads_of(tmp_path, parts=[SHAFT, LOCKUP])
    powers = np.array([450.0, 900.0, 1300.0, 2000.0, 2500.0])
    for component, part, name in (("input shaft", "A", "stress_margin"), ("converter", "C", "clutch_margin")):
        for use in ("street", "towing", "drag", "sled", "parade"):
            at = load_at(loads, component, part, powers, 7500.0, use)
            assert (np.diff(at[f"{name}_low"]) < 0).all()
            for end in ("_low", "", "_high"):
                assert (at[f"{name}{end}"] <= at[f"{name}_capped{end}"] * (1 + 1e-9)).all()
            by_engine = at[f"{name}_low"] * at["torque_at_shaft_lbft_high"]
            assert by_engine.to_numpy() == pytest.approx(by_engine.iloc[0])  # nothing but the torque is in it


def test_the_notch_the_shock_and_the_weakest_steel_are_in_the_margin(tmp_path):
    """Each taken as stated narrows it; blank, it is the worst of its range: 2 to 4 at a spline root, 1.2 to 2.0 at a fillet (Peterson, from
    memory), 2.0 to 2.8 for a shock (Machinery's Handbook)."""
    bare = SHAFT | {"stress_concentration": "", "outside_diameter": "1.30 in"}
    soft = row(loads_of(tmp_path / "soft", FIXED, parts=[bare | {"hardness": "30-40 HRC"}]))
    tau = soft["torque_at_shaft_lbft"] * 16 * LBFT / (np.pi * (1.16 * INCH) ** 3)
    assert soft["stress_margin_low"] == pytest.approx(503 * MPA / (tau * 4.0 * 2.4))
    assert soft["stress_margin_high"] == pytest.approx(690 * MPA / (tau * 2.0 * 2.4))
    # a shaft whose spline nobody measured has one all the same
    unknown = row(
        loads_of(tmp_path / "unknown", FIXED, parts=[bare | {"spline_root_diameter": "", "hardness": "40 HRC"}])
    )
    tau = unknown["torque_at_shaft_lbft"] * 16 * LBFT / (np.pi * (1.30 * INCH) ** 3)
    assert unknown["stress_margin_low"] == pytest.approx(690 * MPA / (tau * 4.0 * 2.4))
    # a body thinner than its spline, by the radius of its fillet: chart 3.12 gives 2.0 at the most for r/d of 0.02
    thin = bare | {"outside_diameter": "0.75 in", "fillet_radius": "0.015 in", "hardness": "40 HRC"}
    necked = row(loads_of(tmp_path / "necked", FIXED, parts=[thin]))
    tau = necked["torque_at_shaft_lbft"] * 16 * LBFT / (np.pi * (0.75 * INCH) ** 3)
    factor = float(shafts.fillet_factor(0.015, 0.75, 4.0))
    assert 1.5 < factor < 2.3
    assert necked["stress_margin_low"] == pytest.approx(690 * MPA / (tau * factor * 2.4))
    rounded = row(loads_of(tmp_path / "rounded", FIXED, parts=[thin | {"fillet_radius": "0.1 in"}]))
    assert rounded["stress_margin_low"] > necked["stress_margin_low"]
    # of a radius between two, the smaller is the weakest
    ends = [
        row(loads_of(tmp_path / f"r{r}", FIXED, parts=[thin | {"fillet_radius": f"{r} in"}]))
        for r in ("0.06", "0.06-0.1", "0.1")
    ]
    assert ends[1]["stress_margin_low"] == pytest.approx(ends[0]["stress_margin_low"])
    assert ends[1]["stress_margin_high"] == pytest.approx(ends[2]["stress_margin_high"])
    assert ends[0]["stress_margin_low"] < ends[2]["stress_margin_low"]
    # a launch on the brake is a heavy shock
    by_launch = [
        row(loads_of(tmp_path / word, parts=[SHAFT], builds=[build("T-111", launch=word)]))["stress_margin"]
        for word in ("rolling", "brake")
    ]
    assert by_launch[0] / by_launch[1] == pytest.approx(2.8 / 2.0)
    unsaid = row(loads_of(tmp_path / "unsaid", parts=[SHAFT]))
    braked = row(loads_of(tmp_path / "braked", parts=[SHAFT], builds=[build("T-111", launch="brake")]))
    assert unsaid["stress_margin_low"] == pytest.approx(braked["stress_margin_low"])
    assert unsaid["stress_margin_high"] == pytest.approx(braked["stress_margin_high"] * 1.4)


def test_of_a_range_of_sizes_the_weakest_shaft_is_in_the_margin(tmp_path):
    """The thinnest body and root round the widest bore under the most torque, and the other way round at the best end."""
    range_ = {"outside_diameter": "1.18-1.24 in", "spline_root_diameter": "1.12-1.18 in", "bore": "0.5-0.7 in"}
    whole = row(loads_of(tmp_path / "whole", parts=[SHAFT | range_]))
    for end, body, root, bore in (("low", "1.18 in", "1.12 in", "0.7 in"), ("high", "1.24 in", "1.18 in", "0.5 in")):
        sizes = {"outside_diameter": body, "spline_root_diameter": root, "bore": bore}
        one = row(loads_of(tmp_path / end, parts=[SHAFT | sizes]))
        for name in ("stress_margin", "body_margin"):
            assert whole[f"{name}_{end}"] == pytest.approx(one[f"{name}_{end}"])


@pytest.mark.parametrize("said", ["0.25-0.75 in", "see drawing"])
def test_a_bore_or_spring_that_cannot_be_read_is_not_none(tmp_path, said):
    """A hollow shaft was reckoned solid; left blank there is none. A pack has springs whether or not they are written down, within the usual range."""
    blank, lost = (
        loads_of(tmp_path / name, WITH_PACK, builds=[build("T-111", clutch_pack="P")],
                 parts=[SHAFT | {"bore": bore}, PACK | {"return_spring": spring}])
        for name, bore, spring in (("blank", "", ""), ("lost", said, "see drawing"))
    )  # fmt: skip
    assert np.isfinite([row(blank)["stress_margin"], row(blank, "clutch pack")["clutch_margin"]]).all()
    assert np.isnan(row(lost)["stress_margin"])
    told = [
        loads_of(
            tmp_path / f"told {n}",
            WITH_PACK,
            builds=[build("T-111", clutch_pack="P")],
            parts=[PACK | {"return_spring": n}],
        )
        for n in ("80-250 lbf", "0 lbf")
    ]
    usual, none = (row(one, "clutch pack") for one in told)
    for one in (blank, lost):
        for end in ("_low", "", "_high"):
            assert row(one, "clutch pack")[f"clutch_margin{end}"] == pytest.approx(usual[f"clutch_margin{end}"])
    assert usual["clutch_margin_low"] < 0.93 * none["clutch_margin_low"]
    needs = [
        part_facts(one, "clutch pack", "P", 600, 7000, "")
        .set_index("what")
        .loc[Fact.PRESSURE_NEEDED, ["least", "most"]]
        .to_list()
        for one in (blank, told[0], told[1])
    ]
    assert needs[0] == pytest.approx(needs[1])
    assert needs[0][0] > needs[2][0]
    assert needs[0][1] > needs[2][1]


def test_a_hard_skin_is_no_strength_of_the_shaft(tmp_path):
    """The table of shear yield is for steel hardened to half the radius; a thinner case, or one of unknown depth, gives no margin by it."""

    def margin(folder, **more):
        return row(loads_of(tmp_path / folder, FIXED, parts=[SHAFT | {"hardness": "50 HRC"} | more]))["stress_margin"]

    whole = margin("a")
    assert np.isnan(margin("b", heat_treatment="case-hardened"))
    assert np.isnan(margin("c", heat_treatment="induction", case_depth="0.28 in"))
    assert margin("d", heat_treatment="induction", case_depth="0.30 in") == pytest.approx(whole)
    assert margin("e", heat_treatment="through") == pytest.approx(whole)
    assert np.isfinite(margin("f", heat_treatment="case", tensile_yield="150 ksi"))


def test_the_truck_as_it_is(tmp_path):
    """Each column moves what it should: wheels, first gear, overdrive, fuel, trailer."""

    def one(folder, component="input shaft", **more):
        return row(loads_of(tmp_path / folder, builds=[build("T-111", power=3000, **more)], parts=[SHAFT]), component)

    base, two, four = one("base"), one("two", driven_wheels="2"), one("four", driven_wheels="4")
    assert base["torque_capped_lbft_low"] == pytest.approx(two["torque_capped_lbft_low"])
    assert base["torque_capped_lbft_high"] == pytest.approx(four["torque_capped_lbft_high"])
    assert two["torque_capped_lbft_high"] < four["torque_capped_lbft_high"]
    assert base["stress_margin_low"] == pytest.approx(two["stress_margin_low"])
    # in a taller overdrive the tyres hold more of it
    tall, short = (one(f"od{o}", driven_wheels="2", overdrive=o) for o in ("0.6", "0.8"))
    assert tall["torque_capped_lbft_low"] > short["torque_capped_lbft_low"]
    gasoline = one("gasoline", fuel="petrol")
    assert gasoline["torque_at_shaft_lbft_high"] < 0.6 * base["torque_at_shaft_lbft_high"]
    # at its output, a lower first gear is more torque
    out = TOML.replace('"converter" = "converter"', '"converter" = "converter"\n"output shaft" = "output_shaft"')
    parts = [SHAFT | {"component": "output shaft", "part": "O"}]
    low, high = (
        row(
            loads_of(
                tmp_path / f"out{g}",
                out[len(TOML) - len(out) :],
                builds=[build("T-111", output_shaft="O", first_gear=g)],
                parts=parts,
            ),
            "output shaft",
        )
        for g in ("2.8", "3.5")
    )
    assert high["torque_at_shaft_lbft"] / low["torque_at_shaft_lbft"] == pytest.approx(3.5 / 2.8)


def test_sled_and_drag_trucks_drive_all_four_wheels_where_nobody_says(tmp_path):
    """A sled truck of 1,375 hp, 2,156 lb ft measured, was shown at 923 lb ft and a margin of 3.5."""
    loads = loads_of(tmp_path, builds=[build("T-111", power=1375, use="sled", torque="2156")], parts=[SHAFT])
    shaft = row(loads)
    assert shaft["torque_capped_lbft_high"] >= 2156
    assert shaft["torque_at_shaft_lbft"] >= 2156
    assert shaft["stress_margin_high"] < 1


@pytest.mark.parametrize("use", ["sled", "drag"])
def test_the_least_the_tyres_may_hold_is_that_of_four_wheels_there_and_of_two_on_the_road(tmp_path, use):
    """A cap by two wheels flatters the shaft of a truck that drives all four."""

    def least(folder, **told):
        return row(loads_of(tmp_path / folder, builds=[build("T-111", power=1375, **told)], parts=[SHAFT]))[
            "torque_capped_lbft_low"
        ]

    assert least("blank", use=use) == pytest.approx(least("four", use=use, driven_wheels="4"))
    assert least("two", use=use, driven_wheels="2") < least("four again", use=use, driven_wheels="4")
    assert least("road", use="street") == pytest.approx(least("road, two", use="street", driven_wheels="2"))


def test_engine_speed_goes_by_power_and_fuel(tmp_path):
    """Common practice, no source: 720 hp on diesel is 1,180 to 1,455 lb ft, and ten per cent more for the high end of a size."""
    a = Assumptions()
    slow, fast = a.speed(np.array([720.0]), np.array([False]))
    assert 1455 <= 5252.1 * 720 / slow[0] <= 1455 * 1.12
    assert 5252.1 * 720 / fast[0] <= 1180
    powers = np.linspace(100, 3000, 100)
    for gasoline in (False, True):
        ends = a.speed(powers, np.full(100, gasoline))
        assert (ends[0] < ends[1]).all()
        assert all((np.diff(powers / speed) > 0).all() for speed in ends)  # more power is more torque
    told = assumptions_for(loads_of(tmp_path, "[driveline]\nengine_rpm = 3000\n").records.shop)
    assert [float(v[0]) for v in told.speed(powers, np.zeros(100, bool))] == [3000, 3000]


def test_lifetimes_keep_their_rows_and_gain_the_columns(tmp_path):
    loads = loads_of(tmp_path, builds=[build("T-111"), build("T-222", power="", weight=7000)])
    assert len(loads.table) == len(loads.lifetimes.table)
    assert loads.table[loads.lifetimes.table.columns].equals(loads.lifetimes.table)
    assert set(LOAD_COLUMNS) <= set(loads.table)
    blank = loads.table[loads.table["power_hp"].isna()]
    assert len(blank) == 2
    assert blank["torque_at_shaft_lbft"].isna().all()
    assert (blank["traction_limited"] == "not known").all()
    assert set(load_assumed(loads)[loads.table["power_hp"].isna()]) == {"power not on record"}
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
        "driven_wheels": "2",
        "launch": "rolling",
        "overdrive": "0.7",
    }
    measured = loads_of(tmp_path / "b", builds=[build("T-111", **known)], parts=[SHAFT])
    own = guessed.table["component"] == "input shaft"
    for name in (
        "engine_rpm",
        "axle_ratio",
        "tyre_diameter",
        "stall_ratio",
        "driven_wheels",
        "application",
        "overdrive",
    ):
        assert guessed.assumed.loc[own, name].all()
    assert not measured.assumed[own].to_numpy().any()
    assert list(load_assumed(measured)[own]) == ["friction 0.8 to 0.9"]
    told = "engine speed by power and fuel; stall ratio 1.6 to 2.2; factor of a shock 2 to 2.8; driven wheels 2 to 4; "
    assert load_assumed(guessed)[own][0].startswith(told + "axle ratio 3.4 to 4.1; tyre diameter 31 to 35 in; ")
    wide, tight = row(guessed), row(measured)

    def width(r, name):
        return np.log(r[f"{name}_high"] / r[f"{name}_low"])

    for name in ("torque_at_shaft_lbft", "torque_capped_lbft", "stress_margin"):
        assert width(tight, name) < 0.7 * width(wide, name)


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
    wheels = draw(st.sampled_from([Span(2, 2), Span(2, 4), Span(4, 4)]))
    return assume(**told, by_use=BY_USE | {"friction": {"": Span(*mu)}, "driven_wheels": {"": wheels}})


@settings(max_examples=60, deadline=None)
@given(a=anything_assumed(), kind=st.sampled_from(["input shaft", "output shaft", "converter", "clutch pack"]),
       inside=st.lists(st.floats(0, 1), min_size=9, max_size=9))  # fmt: skip
def test_every_truck_inside_the_ranges_carries_a_load_inside_the_range(a, kind, inside):
    """low <= load <= high for any choice inside the ranges: the ends are the ends."""
    import pandas as pd

    from analytics.records.part_sheet import COLUMNS

    power, weight = np.array([350.0, 800.0, 1500.0]), np.array([5000.0, 8000.0, 12_000.0])
    parts = pd.DataFrame(np.nan, index=range(3), columns=COLUMNS)
    kinds = np.array([kind] * 3, dtype=object)

    def torque(assumed):
        return _load_of(_truck_facts(power, weight, [""] * 3, assumed), parts, kinds, assumed)[0]

    whole = torque(a)
    figures = a.figures()
    picks = {n: figures[n].low + u * (figures[n].high - figures[n].low) for n, u in zip(SPANS, inside, strict=False)}
    grip, wheels = a.by_use["friction"][""], a.by_use["driven_wheels"][""]
    mu = grip.low + inside[8] * (grip.high - grip.low)
    many = wheels.high if inside[8] > 0.5 else wheels.low
    by_use = a.by_use | {"friction": {"": Span(mu, mu)}, "driven_wheels": {"": Span(many, many)}}
    ratios = tuple(Span(v, v) for v in (g.low + inside[0] * (g.high - g.low) for g in a.gear_ratios))
    narrow = {n: Span(v, v) for n, v in picks.items()} | {"gear_ratios": ratios}
    one = assume(**figures | narrow, by_use=by_use)
    inner = torque(one)
    for name in ("torque_at_shaft_lbft", "torque_capped_lbft"):
        at, low, high = inner[name], whole[f"{name}_low"], whole[f"{name}_high"]
        assert (low <= at * (1 + 1e-9)).all()
        assert (at <= high * (1 + 1e-9)).all()
        assert (low <= whole[name] * (1 + 1e-9)).all()
        assert (whole[name] <= high * (1 + 1e-9)).all()
    assert (whole["torque_capped_lbft"] <= whole["torque_at_shaft_lbft"] * (1 + 1e-9)).all()


def test_load_never_falls_with_power_or_weight(tmp_path):
    loads = loads_of(tmp_path, parts=[SHAFT, LOCKUP])
    grid = np.linspace(200, 2000, 40)
    for component, part in (("input shaft", "A"), ("converter", "C")):
        before = None
        for weight in (5000.0, 7500.0, 9000.0, 14_000.0):
            for use in ("street", "drag"):
                at = load_at(loads, component, part, grid, weight, use)
                load = at["torque_capped_lbft"].to_numpy()
                assert (np.diff(load) >= -1e-9).all()
                assert (np.diff(at["torque_at_shaft_lbft"]) > 0).all()
            assert before is None or (load >= before - 1e-9).all()
            before = load


def test_a_heavy_truck_loads_its_shaft_fully_where_a_light_one_spins(tmp_path):
    """1,876 lb ft at the worked example's truck: the light one spins in every gear, the heavy one only in first."""
    a = assume(
        engine_rpm=Span(2800, 2800), stall_ratio=Span(1, 1), torque_at_stall=Span(1, 1), axle_ratio=Span(3.73, 3.73), tyre_diameter=Span(33.07, 33.07),
        gear_ratios=tuple(Span(g, g) for g in (3.1, 1.8, 1.0)),
        driven_share=Span(1, 1), height=Span(1e-9, 1e-9), efficiency=Span(0.9, 0.9), by_use=BY_USE | {"friction": {"": Span(0.9, 0.9)}},
    )  # fmt: skip
    facts = _truck_facts(np.full(2, 1000.0), np.array([5000.0, 12_000.0]), ["", ""], a)
    brought, held, _ = _by_gear(facts, a, "", np.array(["input shaft"] * 2))
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
    loads = loads_of(tmp_path, "[driveline]\nengine_rpm = [2600, 3200]\ntorque_at_stall = 0.5\n", parts=parts)
    powers = np.arange(150.0, 3000.0, 5.0)

    def good_to(part, weight, use):
        at = load_at(loads, "input shaft", part, powers, weight, use)
        factor = loads.made("input shaft", part)["stress_concentration"]
        fails = np.flatnonzero(at["body_margin"].to_numpy() / factor < 1)
        return powers[fails[0]] if len(fails) else np.inf

    two, one, large = (good_to(p, 7400.0, "drag") for p in ("two-piece", "one-piece", "larger"))
    assert two < one < large
    assert 280 <= two <= 560
    assert 700 <= one <= 1400
    assert 1.7 <= one / two <= 3.6  # the trade says 2.5


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
    assert facts.at[Fact.YIELD_TORQUE, "middle"] / carried == pytest.approx(facts.at[Fact.BODY_MARGIN, "middle"])
    assert facts.at[Fact.STRESS_MARGIN, "least"] == pytest.approx(facts.at[Fact.BODY_MARGIN, "least"] / 3 / 2.4)
    assert facts.at[Fact.TOOTH_SHEAR, "middle"] / carried == pytest.approx(
        2.4 * 4 * 12 / (1.29 * 31 * 1.4 * 0.065) / 1000, rel=1e-4
    )
    assert facts.at[Fact.ALLOWED_PRESSURE, "middle"] == pytest.approx(3.0)
    assert Fact.GRADE_TORQUE not in facts.index  # a street truck has no trailer
    towing = part_facts(loads, "converter", "C", 700.0, 8000.0, "towing").set_index("what")["middle"]
    assert towing[Fact.GRADE_MARGIN] * towing[Fact.GRADE_TORQUE] == pytest.approx(towing[Fact.CLUTCH_TORQUE])
    assert facts.at[Fact.NOTCH_SHEAR, "most"] == pytest.approx(3 * facts.at[Fact.NOMINAL_SHEAR, "most"])
    lock = part_facts(loads, "converter", "C", 700.0, 8000.0, "street").set_index("what")
    assert Fact.RELEASE_FLOW in lock.index
    bare = loads_of(tmp_path / "bare", FIXED)
    assert part_facts(bare, "input shaft", "A", 700.0, 8000.0, "street")["what"].iat[0] == Fact.TORQUE


OWN_FIGURES = {
    "stall_ratio": 1.9, "stall_rpm": 2400, "axle_ratio": 3.73, "tyre_diameter": 33, "driven_wheels": 2, "first_gear": 3.1, "overdrive": 0.7,
    "trailer_weight": 13_800, "converter_pressure": 110, "line_pressure": 140, "torque": 1250, "shift_time": 0.5, "oil_temperature": 210,
}  # fmt: skip
PACK = {
    "component": "clutch pack",
    "part": "P",
    "faces": "10-12",
    "piston_area": "17-18 sq in",
    "return_spring": "150-200 lbf",
}
PACK |= {"lining_outside_diameter": "6.3-6.4 in", "lining_inside_diameter": "5.1 in", "lining_friction": "0.11-0.13"}
HUB = {"spline_pitch_diameter": "1.29 in", "spline_length": "1.4 in", "spline_tooth_depth": "0.04-0.05 in"}
ALL_KINDS = [SHAFT | HUB | {"hub_diameter": "1.6 in"}, LOCKUP | {"release_area": "0.05 sq in"}, PACK]
WITH_PACK = '"clutch pack" = "clutch_pack"\n'
KINDS = (("input shaft", "A"), ("converter", "C"), ("clutch pack", "P"))


def test_a_truck_asked_about_gets_the_load_it_would_have_on_record(tmp_path):
    """Its own figures go before the part's sheet and what is assumed, as a measure on record does; a pressure of its own was passed over where the
    sheet of parts stated one."""
    parts = [p | ({"apply_pressure": "150-180 psi"} if "piston_area" in p else {}) for p in ALL_KINDS]
    build_ = build("T-111", use="towing", clutch_pack="P", **OWN_FIGURES)
    loads = loads_of(tmp_path, WITH_PACK, builds=[build_], parts=parts)
    for component, part in KINDS:
        at = load_at(loads, component, part, np.array([700.0]), 8000.0, "towing", OWN_FIGURES).iloc[0]
        recorded = row(loads, component)
        for column in (c for c in LOAD_COLUMNS if c != "pressure_margin"):
            assert at[column] == pytest.approx(recorded[column], nan_ok=True), column
    weak, usual = (
        load_at(loads, "converter", "C", np.array([700.0]), 8000.0, "towing", own).iloc[0]["clutch_margin_high"]
        for own in ({"converter_pressure": 110.0}, {})
    )
    assert weak / usual == pytest.approx(110 / 180)
    # on a grade a pack carries its own share of the input shaft's torque
    made, own = [build("T-111", clutch_pack="P")], {"torque": 1200.0}
    grades = []
    for ratio in (0.5, 1):
        packs = loads_of(tmp_path / str(ratio), WITH_PACK, builds=made, parts=[PACK | {"torque_ratio": ratio}])
        at = load_at(packs, "clutch pack", "P", np.array([700.0]), 8000.0, "towing", own)
        grades.append(at["grade_torque_lbft"].iat[0])
    assert grades[0] == pytest.approx(grades[1] / 2)
    # no more than the engine brings comes to it
    slow = load_at(loads, "converter", "C", np.array([700.0]), 8000.0, "towing", {"torque": 500.0}).iloc[0]
    assert slow["grade_torque_lbft_high"] == pytest.approx(500)
    # a speed of its own stands for the torque where that is not told
    told = load_at(loads, "converter", "C", np.array([700.0]), 8000.0, "towing", {"engine_rpm": 2600.0}).iloc[0]
    assert told["torque_at_shaft_lbft_low"] == told["torque_at_shaft_lbft_high"] == pytest.approx(700 * 5252.113 / 2600)


def test_at_the_pressure_a_clutch_needs_it_just_holds(tmp_path):
    """The most that is asked holds at the worst of torque, friction, area and springs, the least at the best: told for middle friction alone, a pack set
    to it slipped."""
    loads = loads_of(tmp_path, WITH_PACK, builds=[build("T-111", clutch_pack="P")], parts=ALL_KINDS)
    for component, part, name in (("converter", "C", "converter_pressure"), ("clutch pack", "P", "line_pressure")):
        needed = part_facts(loads, component, part, 700.0, 8000.0, "street").set_index("what").loc[Fact.PRESSURE_NEEDED]
        for end, margin in (
            ("most", "clutch_margin_low"),
            ("middle", "clutch_margin"),
            ("least", "clutch_margin_high"),
        ):
            at = load_at(loads, component, part, np.array([700.0]), 8000.0, "street", {name: needed[end]}).iloc[0]
            assert at[margin] == pytest.approx(1.0, abs=2e-3 if end == "middle" else 1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_what_a_truck_asks_lies_between_its_ends(tmp_path, seed):
    """Hub, heat, release and grade of any truck inside the ranges lie inside theirs, and each range is open."""
    loads = loads_of(tmp_path, WITH_PACK, builds=[build("T-111", clutch_pack="P")], parts=ALL_KINDS)
    rng, a = np.random.default_rng(seed), loads.assumptions
    own = {"engine_rpm": a.speed(np.array([700.0]), np.array([False])), "trailer_weight": (5000.0, 14_000.0)}
    taken = a.figures()
    spans = {k: (taken[k].low, taken[k].high) for k in ("stall_ratio", "axle_ratio", "tyre_diameter")}
    spans |= own | {
        "overdrive": (0.65, 0.8),
        "oil_temperature": (187.5, 228.0),
        "converter_pressure": (130.0, 180.0),
        "line_pressure": (150.0, 210.0),
    }
    figures = {k: float(rng.uniform(*np.ravel(ends))) for k, ends in spans.items()} | {"stall_rpm": 2400.0}
    drawn = assume(
        **taken
        | {
            k: Span(v, v)
            for k in (
                "torque_at_stall",
                "efficiency",
                "rotating_inertia",
                "shift_drop",
                "shift_time",
                "lining_friction",
            )
            for v in (float(rng.uniform(taken[k].low, taken[k].high)),)
        },
        by_use=a.by_use,
    )
    seen = set()
    for component, part in KINDS:
        wide = load_at(loads, component, part, np.array([700.0]), 8000.0, "towing", {"stall_rpm": 2400.0}).iloc[0]
        inner = load_at(
            replace(loads, assumptions=drawn), component, part, np.array([700.0]), 8000.0, "towing", figures
        )
        for column in filter(lambda c: np.isfinite(wide[c]), DUTY_COLUMNS):
            seen.add(column)
            low, high = wide[f"{column}_low"], wide[f"{column}_high"]
            assert low < wide[column] < high
            assert low * (1 - 1e-9) <= inner[column].iloc[0] <= high * (1 + 1e-9)
    assert seen == set(DUTY_COLUMNS)


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
        ('fuel = "coal"', "write one of diesel, gasoline"),
        ("friction = 0.8", "such as street"),
        ("driven_wheels = 4", "such as street"),
    ],
)
def test_slips_in_the_assumptions_are_said(tmp_path, toml, words):
    with pytest.raises(RecordsError, match=words):
        loads_of(tmp_path, f"[driveline]\n{toml}\n")


def test_assumptions_of_the_shop(tmp_path):
    toml = (
        "[driveline]\nconverter_pressure_max = 170\ngear_ratios = [1.0, [3.0, 3.2], 0.7]\n[driveline.friction]\n'mud' = [0.3, 0.5]\n"
        "[driveline.driven_wheels]\nother = 4\n"
    )
    a = assumptions_for(loads_of(tmp_path, toml).records.shop)
    assert (a.rules.converter_pressure_max, a.gear_ratios) == (170, (Span(3.0, 3.2), Span(1, 1), Span(0.7, 0.7)))
    assert a.of_use("friction", "mud") == Span(0.3, 0.5)
    assert a.of_use("friction", "street") == Span(0.8, 0.9)
    assert a.of_use("driven_wheels", "mud") == Span(4, 4)
    assert span(a.shift.shift_drop) == "800 to 1,400"
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
    assert {*block["driveline"]} == {*Assumptions().figures(), *BY_USE}


@pytest.mark.parametrize(
    ("told", "warmed"),
    [("210 F", 50.0), ("210", 50.0), ("99 C", 50.0), ("98.9 °C", 50.0), ("250 F", 27.8), ("310 F", 1.0)],
)
def test_a_hot_pan_leaves_the_oil_less_to_carry(tmp_path, told, warmed):
    """Up to 300 °F (common practice, no source): what the pan already has is lost to the stall."""
    builds = [
        build("T-111", stall_rpm=2400, oil_temperature=told),
        build("T-222", stall_rpm=2400, oil_temperature="95"),
        build("T-333", stall_rpm=2400),
    ]
    loads = loads_of(tmp_path, builds=builds, parts=[LOCKUP | {"release_area": "0.05 sq in"}])
    own = loads.of("converter", "C").set_index("serial")
    usual = own.loc["T-333", "release_share"]  # warmed by 40 to 62.5 K
    assert own.loc["T-111", "release_share"] / usual == pytest.approx(warmed / 50, rel=3e-3)
    assert own.loc["T-222", "release_share"] == usual, "95 is no temperature in F: not known, and listed"
    listed = loads.records.books.to_check
    assert (listed["column"] == "oil_temperature").sum() == 1
    assumed = loads.assumed.loc[loads.table["component"] == "converter", "oil_warming"]
    assert assumed.tolist() == [False, True, True]


def test_a_longer_shift_is_more_heat_and_less_torque(tmp_path):
    """(T + I Δω/t) Δω t/2 over the lining: the torque's share goes with the time, that of the slowing not."""
    builds = [
        build("T-111", clutch_pack="P", torque=1200, shift_time="300 ms"),
        build("T-222", clutch_pack="P", torque=1200, shift_time=0.6),
        build("T-333", clutch_pack="P", torque=1200),
    ]
    loads = loads_of(tmp_path, WITH_PACK, builds=builds, parts=[PACK])
    short, long, usual = (r for _, r in loads.of("clutch pack", "P").sort_values("serial").iterrows())
    drop = np.sqrt(800 * 1400) * 2 * np.pi / 60
    slowing = np.sqrt(0.5 * 1.5) * drop / LBFT
    assert short["shift_torque_lbft"] == pytest.approx(slowing / 0.3)
    assert long["shift_torque_lbft"] == pytest.approx(slowing / 0.6)
    torque = short["torque_at_shaft_lbft"]
    more = (torque * 0.6 + slowing) / (torque * 0.3 + slowing)
    assert long["shift_heat_jmm2"] / short["shift_heat_jmm2"] == pytest.approx(more)
    assert short["shift_heat_jmm2"] < usual["shift_heat_jmm2"] * 1.1 < long["shift_heat_jmm2"]
