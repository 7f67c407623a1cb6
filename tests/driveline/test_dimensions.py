"""No dimensional error can pass: change the units of mass, length and time, and every result must change as its dimension does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.driveline import clutches, damage, inertia, shafts, splines, strength, torque, traction

# dimensions as powers of (mass, length, time)
ONE, M, L, T = (0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)
SPEED, ACCELERATION, ANGULAR = (0, 1, -1), (0, 1, -2), (0, 0, -1)
FORCE, TORQUE, POWER, PRESSURE = (1, 1, -2), (1, 2, -2), (1, 2, -3), (1, -1, -2)
AREA, INERTIA, FLOW, DENSITY = (0, 2, 0), (1, 2, 0), (0, 3, -1), (1, -3, 0)

#: formula, its arguments (value, dimension), the dimension of the result
FORMULAS = {
    "engine torque": (torque.engine_torque, [(3e5, POWER), (300.0, ANGULAR)], TORQUE),
    "polar moment": (shafts._polar_moment, [(0.03, L), (0.01, L)], (0, 4, 0)),
    "shear stress": (shafts.shear_stress, [(1000.0, TORQUE), (0.03, L), (0.01, L)], PRESSURE),
    "twist": (shafts.twist, [(1000.0, TORQUE), (0.4, L), (0.03, L), (0.01, L), (79e9, PRESSURE)], ONE),
    "hub tension": (
        splines.hub_tension,
        [(1000.0, TORQUE), (0.03, L), (0.035, L), (0.01, L), (2.0, ONE)],
        PRESSURE,
    ),
    "fillet factor": (shafts.fillet_factor, [(0.003, L), (0.03, L), (2.0, ONE)], ONE),
    "local stress": (shafts.local_stress, [(1e8, PRESSURE), (2.0, ONE)], PRESSURE),
    "root shear": (
        splines.root_shear,
        [(1000.0, TORQUE), (0.03, L), (0.01, L), (2.0, ONE)],
        PRESSURE,
    ),
    "tooth shear": (
        splines.tooth_shear,
        [(1000.0, TORQUE), (0.03, L), (31, ONE), (0.03, L), (0.0017, L), (2.0, ONE)],
        PRESSURE,
    ),
    "bearing stress": (
        splines.bearing_stress,
        [(1000.0, TORQUE), (0.03, L), (31, ONE), (0.03, L), (0.001, L), (2.0, ONE), (0.5, ONE)],
        PRESSURE,
    ),
    "shear from tensile": (strength.shear_from_tensile, [(1e9, PRESSURE)], PRESSURE),
    "apply force": (
        clutches.apply_force,
        [(1.2e6, PRESSURE), (0.01, AREA), (500.0, FORCE)],
        FORCE,
    ),
    "mean radius": (clutches.mean_radius, [(0.08, L), (0.06, L)], L),
    "torque capacity": (clutches.torque_capacity, [(1e4, FORCE), (0.12, ONE), (0.07, L), (12, ONE)], TORQUE),
    "pressure for torque": (
        clutches.pressure_for_torque,
        [(1000.0, TORQUE), (0.01, AREA), (0.12, ONE), (0.07, L), (12, ONE), (500.0, FORCE)],
        PRESSURE,
    ),
    "pressure margin": (clutches.pressure_margin, [(1e6, PRESSURE), (1.2e6, PRESSURE)], ONE),
    "passage flow": (clutches.passage_flow, [(1e-5, AREA), (1e6, PRESSURE), (850.0, DENSITY), (0.6, ONE)], FLOW),
    "inertia torque": (inertia.inertia_torque, [(1.0, INERTIA), (120.0, ANGULAR), (0.3, T)], TORQUE),
    "shift energy": (
        inertia.shift_energy,
        [(900.0, TORQUE), (1.0, INERTIA), (120.0, ANGULAR), (0.3, T)],
        TORQUE,
    ),
    "effective torque": (lambda a, b: traction.effective_torque(a, b)[0], [(900.0, TORQUE), (800.0, TORQUE)], TORQUE),
}
#: these hold g, so length and time must change together: L = T²
WITH_GRAVITY = {
    "axle slip torque": (traction._axle_slip_torque, [(0.9, ONE), (1500.0, M), (0.4, L)], TORQUE),
    "slip torque": (
        traction.slip_torque,
        [(0.9, ONE), (1500.0, M), (0.4, L), (3.73, ONE), (1.8, ONE), (0.9, ONE)],
        TORQUE,
    ),
    "driven axle mass": (traction.driven_axle_mass, [(3000.0, M), (0.45, ONE), (0.9, ONE), (0.2, ONE)], M),
}
FACTOR = st.floats(0.6, 1.6)


def same_in_other_units(formula, arguments, result, scale) -> None:
    def factor(dimension):
        return float(np.prod([s**p for s, p in zip(scale, dimension, strict=True)]))

    here = formula(*(v for v, _ in arguments))
    there = formula(*(v * factor(d) for v, d in arguments))
    assert there == pytest.approx(here * factor(result), rel=1e-9)


@pytest.mark.parametrize("name", FORMULAS)
@settings(max_examples=25, deadline=None)
@given(mass=FACTOR, length=FACTOR, time=FACTOR)
def test_results_change_as_their_dimension(name, mass, length, time):
    same_in_other_units(*FORMULAS[name], (mass, length, time))


@pytest.mark.parametrize("name", WITH_GRAVITY)
@settings(max_examples=25, deadline=None)
@given(mass=FACTOR, time=st.floats(0.8, 1.25))
def test_results_with_gravity_change_as_their_dimension(name, mass, time):
    same_in_other_units(*WITH_GRAVITY[name], (mass, time**2, time))


def test_a_wrong_power_would_be_caught():
    wrong = (lambda t, d: 16 * t / (np.pi * d**2), [(1000.0, TORQUE), (0.03, L)], PRESSURE)
    with pytest.raises(AssertionError):
        same_in_other_units(*wrong, (1.0, 1.3, 1.0))


POSITIVE = st.floats(0.2, 5.0)


@settings(max_examples=50, deadline=None)
@given(a=POSITIVE, d=st.floats(0.02, 0.06), hollow=st.floats(0.0, 0.9))
def test_shaft_scaling_laws(a, d, hollow):
    """Stress goes with T and with D^-3 at one shape, twist with D^-4; boring it out never helps."""
    base = shafts.shear_stress(1000.0, d, hollow * d)
    assert shafts.shear_stress(1000.0 * a, d, hollow * d) == pytest.approx(a * base)
    assert shafts.shear_stress(1000.0, a * d, hollow * a * d) == pytest.approx(base * a**-3)
    assert shafts.twist(1000.0, 0.4, a * d, hollow * a * d) == pytest.approx(
        a**-4 * shafts.twist(1000.0, 0.4, d, hollow * d)
    )
    assert base >= shafts.shear_stress(1000.0, d) * (1 - 1e-12)


@settings(max_examples=50, deadline=None)
@given(a=st.floats(0.5, 2.0), k=st.floats(1.0, 12.0), shape=st.floats(0.8, 3.5))
def test_damage_scaling_laws(a, k, shape):
    """Life goes with T^-k; comebacks with T^(k β)."""
    assert damage.life_ratio(a, k) == pytest.approx(a**-k)
    assert damage.comeback_ratio(a, k, shape) == pytest.approx(damage.life_ratio(a, k) ** -shape)


@settings(max_examples=50, deadline=None)
@given(hardness=st.floats(20.0, 51.9), more=st.floats(0.0, 0.1))
def test_harder_is_stronger(hardness, more):
    assert strength.torsional_yield(hardness + more) >= strength.torsional_yield(hardness)


@settings(max_examples=50, deadline=None)
@given(mu=st.floats(0.3, 3.0), share=st.floats(0.3, 0.7), lever=st.floats(0.1, 0.4), mass=st.floats(1000, 6000))
def test_transfer_never_lightens_the_driven_axle(mu, share, lever, mass):
    rear = traction.driven_axle_mass(mass, share, mu, lever)
    assert share * mass * (1 - 1e-9) <= rear <= mass * (1 + 1e-9)
