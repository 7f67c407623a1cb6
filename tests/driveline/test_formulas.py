"""Every formula against a value from outside: standards, handbooks, worked examples; sources in tests/reference."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import constants

import analytics
from analytics.driveline import clutches, damage, inertia, shafts, splines, strength, torque, traction, units
from analytics.errors import AnalyticsError
from analytics.words.ratings.customers import CONDITIONS

REFERENCE = Path(__file__).parents[1] / "reference"
TABLE = pd.read_csv(REFERENCE / "driveline.csv").set_index("quantity")


def check(quantity: str, value: float) -> None:
    expected = TABLE.loc[quantity]
    assert float(value) == pytest.approx(expected["value"], rel=expected["tolerance"]), expected["source"]


def test_trade_units():
    check("hp_in_w", units.HP)
    check("metric_hp_in_w", 75 * constants.kilogram_force)
    check("lbft_in_nm", units.LBFT)
    check("psi_in_pa", units.PSI)
    check("lb_in_kg", units.LB)
    check("inch_in_m", units.INCH)
    check("lbf_in_n", units.LBF)
    assert units.to_trade(7.0 * units.KSI, units.PSI) == pytest.approx(7000)
    assert pytest.approx(6.4516e-4) == units.SQUARE_INCH
    assert pytest.approx(2 * np.pi) == units.RPM * 60


def test_engine_torque():
    per_rpm = torque.engine_torque(units.HP, units.RPM)
    check("hp_torque_constant_lbft", per_rpm / units.LBFT)
    check("hp_torque_constant_inlb", per_rpm / (units.LBF * units.INCH))
    big = torque.engine_torque(1000 * units.HP, 2800 * units.RPM)
    check("thousand_hp_lbft", big / units.LBFT)
    check("thousand_hp_nm", big)


def test_traction_against_the_manual_and_a_worked_table():
    weight, radius, axle = 8000.0, 16.0, 3.73
    ours = traction.slip_torque(
        0.71, weight * units.LB, radius * units.INCH, axle, 1.0, 0.95
    )  # the manual's 0.71 W r/(11.4 i) takes 0.71 of friction and 0.95 of axle efficiency
    manual = TABLE.at["manual_slip_lbft", "value"] * weight * radius / (TABLE.at["manual_slip_divisor", "value"] * axle)
    assert ours / units.LBFT == pytest.approx(manual, rel=1e-9)
    worked = pd.read_csv(REFERENCE / "driveline_traction.csv")
    at_input = traction.slip_torque(0.9, worked["driven_lb"] * units.LB, 0.42, 3.73, worked["gear"], 0.9)
    assert at_input == pytest.approx(worked["input_nm"], rel=1e-3)


def test_weight_transfer():
    # at slip, put back into (m/L)(b + h a/g) (Gillespie 1992, from memory), it is consistent
    mu, share, lever = 0.85, 1.6 / 3.6, 0.75 / 3.6
    rear = traction.driven_axle_mass(3000.0, share, mu, lever)
    assert rear == pytest.approx(3000.0 / 3.6 * (1.6 + 0.75 * mu * rear / 3000.0))
    assert traction.driven_axle_mass(3000.0, 0.55, 3.0, 0.24) == pytest.approx(3000.0)  # the front wheels lift


def test_the_smaller_of_engine_and_tyres():
    carried, slips = traction.effective_torque([100.0, 300.0, np.nan], 200.0)
    assert carried[:2] == pytest.approx([100.0, 200.0])
    assert np.isnan(carried[2])
    assert slips.tolist() == [False, True, False]
    assert not traction.effective_torque(200.0, 200.0)[1], "what the tyres just hold does not slip"


def test_shafts_against_handbook_and_textbook():
    check("solid_shaft_mpa", shafts.shear_stress(2543.0, 0.03175) / units.MPA)
    check("solid_shaft_degrees", np.degrees(shafts.twist(2543.0, 0.4, 0.03175)))
    # handbook: D³ = constant x hp / (rpm x psi)
    diameter = (TABLE.at["shaft_diameter_constant", "value"] * 50 / (1000 * 4000)) ** (1 / 3) * units.INCH
    bending = shafts.shear_stress(torque.engine_torque(50 * units.HP, 1000 * units.RPM), diameter)
    assert bending == pytest.approx(4000 * units.PSI, rel=1e-3)
    hollow = 120 * units.MPA / shafts.shear_stress(1.0, 0.060, 0.040)
    check("hollow_shaft_torque_knm", hollow / 1e3)
    check("hollow_shaft_polar_m4", shafts._polar_moment(0.060, 0.040))
    inner = hollow * 0.020 / shafts._polar_moment(0.060, 0.040)
    check("hollow_shaft_inner_mpa", inner / units.MPA)
    turned = np.radians(2.0) / shafts.twist(1.0, 1.5, 0.060, 0.040, 77e9)
    check("hollow_shaft_two_degrees_knm", turned / 1e3)
    assert shafts.local_stress(100.0, 1.4) == pytest.approx(140.0)


def test_splines_against_statics():
    t, d, n, length, thick, deep = 2000.0, 0.033, 31, 0.035, 0.0017, 0.0011
    force = t / (d / 2)  # at the pitch line
    assert splines.tooth_shear(t, d, n, length, thick) == pytest.approx(force / (n / 2 * length * thick))
    assert splines.bearing_stress(t, d, n, length, deep) == pytest.approx(force / (n * length * deep))
    assert splines.bearing_stress(t, d, n, length, deep, life=splines.FIXED) == pytest.approx(
        force / (n * length * deep) / 9
    )
    assert splines.root_shear(t, 0.03, 0.005) == pytest.approx(shafts.shear_stress(t, 0.03, 0.005))
    assert splines.root_shear(t, 0.03, 0.0, 2.8) == pytest.approx(2.8 * splines.root_shear(t, 0.03))
    assert splines.tooth_shear(t, d, n, length, thick, 2.8) == pytest.approx(2.8 * force / (n / 2 * length * thick))


def test_spline_life_factors_and_what_they_imply():
    for kind, factors in (("life", splines.LIFE_ONE_WAY), ("reversed", splines.LIFE_REVERSED)):
        for n, factor in zip(splines.LIFE_CYCLES, factors, strict=True):
            check(f"spline_{kind}_{n:.0f}", factor)
    local, overall = splines.life_exponents()
    assert local == pytest.approx([3.9, 3.3, 10.3, 8.0], abs=0.05)
    assert 4.6 <= overall <= 5.2
    local, overall = splines.life_exponents(True)
    assert local == pytest.approx([3.9, 2.5, 8.0, 5.7], abs=0.05)
    assert 3.9 <= overall <= 4.25


def test_spline_allowables():
    for quantity, hardness, treatment, scale in (
        ("hb180", 180, "", "HB"),
        ("hb245", 245, "", "HB"),
        ("hrc35", 35, "through-hardened", "HRC"),
        ("hrc44", 44, "", "HRC"),
        ("case60", 60, "case-hardened", "HRC"),
    ):
        check(f"spline_allowable_psi_{quantity}", splines.allowed(hardness, treatment, scale)[0] / units.PSI)
    # between two ranges the softer one's, below all and far above none
    assert splines.allowed(40)[0] == splines.allowed(38)[0]
    assert np.isnan(splines.allowed(25)).all()
    assert np.isnan(splines.allowed(52)).all()
    assert splines.allowed(60, "case-hardened")[1] == pytest.approx(5000 * units.PSI)
    assert np.isnan(splines.allowed(44)[1])


def test_a_fillet_against_the_published_curves():
    """Pilkey and Pilkey, Peterson's Stress Concentration Factors (2008), chart 3.12, held against another handbook's fit of that chart."""
    check("fillet_factor_d2_r125", shafts.fillet_factor(0.125, 1.0, 4.0))
    check("fillet_factor_d12_r05", shafts.fillet_factor(0.05, 1.0, 2.0))
    assert shafts.fillet_factor(0.015, 1.0, 4.0) == pytest.approx(shafts.CONCENTRATION["fillet"][1], rel=0.03)
    by_radius = shafts.fillet_factor(np.geomspace(0.005, 0.2, 20), 1.0, 4.0)
    assert (np.diff(by_radius) < 0).all()
    everywhere = shafts.fillet_factor(np.geomspace(1e-4, 100, 60)[:, None], 1.0, np.linspace(0.25, 4, 60))
    assert everywhere.min() == 1, "no fillet, however large, lowers the stress below the nominal one"
    # the charts end there; a fillet of 1.2 to 2.0 and a spline's root of 2 to 4 are Peterson's, from memory
    for outside in (0.2, 4.1):
        with pytest.raises(AnalyticsError, match="shoulder height over fillet radius"):
            shafts.fillet_factor(0.05, 1.0, outside)
    assert shafts.CONCENTRATION == {"fillet": (1.2, 2.0), "spline root": (2.0, 4.0)}
    assert np.isnan(shafts.fillet_factor(np.nan, 1.0, 1.0))


def test_strength_by_hardness():
    for hardness in (20, 30, 40, 50, 52):
        check(f"j413_hrc{hardness}", strength.torsional_yield(hardness) / units.MPA)
    assert np.isnan(strength.torsional_yield([15.0, 60.0])).all()
    assert strength.shear_from_tensile(1000.0) == pytest.approx(577.35, abs=0.01)


def test_clutches_against_the_textbook_integrals():
    # textbook: even wear, T = π μ p_a d (D² - d²)/8
    mu, p, outer, inner = 0.12, 1.2e6, 0.16, 0.13
    worn = clutches.torque_capacity(
        p * np.pi * inner * (outer - inner) / 2, mu, clutches.mean_radius(outer / 2, inner / 2), 1
    )
    assert worn == pytest.approx(np.pi * mu * p * inner * (outer**2 - inner**2) / 8)
    pressure = clutches.pressure_for_torque(1500.0, 0.0116, 0.12, 0.073, 12, 800.0)
    force = clutches.apply_force(pressure, 0.0116, 800.0)
    assert clutches.torque_capacity(force, 0.12, 0.073, 12) == pytest.approx(1500.0)
    assert clutches.apply_force(1e4, 0.01, 500.0) == 0.0  # the springs hold it back
    assert clutches.pressure_margin(200 * units.PSI, 180 * units.PSI) == pytest.approx(0.9)


def test_release_passage_against_the_hydrant_formula():
    area = np.pi * units.INCH**2 / 4
    flow = clutches.passage_flow(area, units.PSI, 998.2, 1.0)
    check("water_jet_constant", flow / (231 * units.INCH**3 / 60))
    # a sharp-edged orifice lets 0.61 of that through (textbook)
    assert clutches.passage_flow(area, units.PSI, 998.2) / flow == pytest.approx(0.61)


def test_inertia():
    check("inertia_nm", inertia.inertia_torque(1.0, 1200 * units.RPM, 0.3))


def test_damage():
    check("life_five_per_cent_more", damage.life_ratio(1.05, 6))
    check("comebacks_five_per_cent_more", damage.comeback_ratio(1.05, 6, 1.5))
    check("comebacks_least", damage.comeback_ratio(1.05, 3, 1))
    check("comebacks_most", damage.comeback_ratio(1.05, 10, 2))
    assert damage.life_ratio(2.0, 5) == pytest.approx(1 / 32)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: torque.engine_torque(-1.0, 300.0), "engine power is -1 W"),
        (lambda: torque.engine_torque(1.0, [300.0, 0.0]), r"engine speed \(item 1\) is 0 rad/s"),
        (lambda: traction.slip_torque(0.0, 1000.0, 0.4, 3.7), "friction is 0"),
        (lambda: shafts.shear_stress(1000.0, 0.03, 0.03), "bore is 0.03, not below the outside diameter, 0.03"),
        (lambda: shafts.local_stress(1e6, 0.8), "stress concentration is 0.8"),
        (lambda: splines.tooth_shear(1.0, 0.03, 2, 0.03, 0.001), "number of teeth is 2"),
        (lambda: strength.torsional_yield(80.0), "hardness is 80 HRC"),
        (lambda: clutches.mean_radius(0.05, 0.06), "inner radius is 0.06, not below the outer radius, 0.05"),
        (lambda: clutches.torque_capacity(1e3, 1.5, 0.07, 4), "lining friction is 1.5"),
        (lambda: clutches.torque_capacity(1e3, 0.12, 0.07, 0.5), "friction faces is 0.5"),
        (lambda: clutches.passage_flow(1e-5, 1e5, 850.0, 1.5), "discharge coefficient is 1.5"),
        (lambda: traction.slip_torque(6.0, 1000.0, 0.4, 3.7), "friction is 6"),
        (lambda: inertia.inertia_torque(1.0, 100.0, 0.0), "shift time is 0 s"),
        (lambda: damage.life_ratio(0.0, 5), "load ratio is 0"),
        (lambda: damage.life_ratio("much", 5), "load ratio is 'much'"),
        (lambda: inertia.inertia_torque(1.0, 100.0, np.inf), "shift time is inf"),
    ],
)
def test_impossible_input_is_refused_by_name_and_value(call, words):
    with pytest.raises(AnalyticsError, match=words):
        call()


def test_not_known_stays_not_known():
    assert np.isnan(torque.engine_torque(np.nan, 300.0))
    assert np.isnan(shafts.shear_stress(np.nan, 0.03))
    assert np.isnan(shafts.shear_stress(1000.0, np.nan))
    assert np.isnan(clutches.apply_force(np.nan, 0.01))
    assert np.isnan(traction.driven_axle_mass(3000.0, 0.5, np.nan, 0.2))


def test_the_hub_of_a_spline():
    """The handbook's form worked through by hand for 1,275 lb ft, a factor of 2.4 and teeth of 1.29 x 1.4 in: about 51 ksi in a hub of 2.2 in,
    71 in one of 1.6 in."""
    torque, pitch, length = 1275 * units.LBFT, 1.29 * units.INCH, 1.4 * units.INCH
    for outside, expected in ((2.2, 51.0), (1.6, 71.0)):
        wall = (outside - 1.29 - 0.06) / 2 * units.INCH
        assert splines.hub_tension(torque, pitch, length, wall, 2.4) / units.KSI == pytest.approx(expected, rel=0.02)


def test_a_long_grade():
    """22,200 lb up 6% at 55 mph: about 373 hp at the crank (worked elsewhere by hand); the hill alone is m g v sin θ."""
    mass, speed = 22_200 * units.LB, 55 * units.MPH
    crank = traction.grade_power(mass, speed, 0.06) / 0.85 / units.HP
    assert crank == pytest.approx(373, rel=0.12)
    hill = traction.grade_power(mass, speed, 0.06) - traction.grade_power(mass, speed, 0.0)
    assert hill == pytest.approx(mass * units.GRAVITY * speed * np.sin(np.arctan(0.06)), rel=1e-3)
    # up a slope of 1 in 1 the hill takes m g v sin 45°; on the flat the air takes ρ A v³/2, with 1.2 kg/m³ and 4.5 m² (from memory)
    steep = traction.grade_power(mass, speed, 1.0) - traction.grade_power(mass, speed, 0.0)
    assert steep == pytest.approx(mass * units.GRAVITY * speed * (np.sqrt(0.5) - 0.012 * (1 - np.sqrt(0.5))))
    air = traction.grade_power(mass, 2 * speed, 0.0) - 2 * traction.grade_power(mass, speed, 0.0)
    assert air == pytest.approx(1.2 * 4.5 / 2 * 6 * speed**3)


def test_heat_of_a_shift_against_two_flywheels():
    """Without torque, the clutch that stops an inertia turns all its energy into heat: I Δω²/2 (textbook); with it, the torque's work comes on top."""
    energy = inertia.shift_energy(0.0, 0.9, 120.0, 0.3)
    assert energy == pytest.approx(0.9 * 120.0**2 / 2)
    assert inertia.shift_energy(500.0, 0.9, 120.0, 0.3) == pytest.approx(energy + 500.0 * 120.0 * 0.3 / 2)


def test_heat_that_oil_carries():
    area, drop = 3e-5, 7e5
    flow = clutches.passage_flow(area, drop)
    assert clutches.oil_cooling(area, drop, 40.0) == pytest.approx(850 * flow * 2000 * 40)


def test_every_formula_is_used():
    """One that no page shows is nobody's, and nobody would notice it go wrong."""
    package = Path(analytics.__file__).parent
    named = Counter(
        node.id if isinstance(node, ast.Name) else node.attr
        for path in package.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Name | ast.Attribute)
    )
    formulas = [
        node.name
        for path in (package / "driveline").glob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
    ]
    assert len(formulas) > 50
    assert [f for f in formulas if not named[f]] == []


def test_the_customers_sheet_says_what_a_strong_part_is_worth():
    assert "good only to the lowest line" in CONDITIONS
