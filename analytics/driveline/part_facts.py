"""One part in one truck: every figure that its make allows, with its range."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import Enum, auto

import numpy as np
import pandas as pd

from analytics.driveline import clutches, shafts, splines
from analytics.driveline.assumptions import Assumptions, Span
from analytics.driveline.bands import ENDS, SUFFIX
from analytics.driveline.load import SHAFTS, Loads, load_at, nominal_stress, notch_stress, shear_yield
from analytics.driveline.units import INCH, KSI, LBF, LBFT, PSI, SQUARE_INCH, to_trade

FACT_COLUMNS = ["what", "least", "middle", "most", "unit"]
_GALLONS_MINUTE = 231 * INCH**3 / 60  # m³/s: a US gallon is 231 cubic inches


class Fact(Enum):
    """A figure of a part in a truck."""

    TORQUE = auto()
    TORQUE_CAPPED = auto()
    SHIFT_TORQUE = auto()
    NOMINAL_SHEAR = auto()
    NOTCH_SHEAR = auto()
    SHEAR_YIELD = auto()
    YIELD_TORQUE = auto()
    BODY_MARGIN = auto()
    STRESS_MARGIN = auto()
    STRESS_MARGIN_CAPPED = auto()
    APPLICATION = auto()
    TWIST = auto()
    TOOTH_SHEAR = auto()
    ROOT_SHEAR = auto()
    TOOTH_PRESSURE_FIXED = auto()
    TOOTH_PRESSURE_FLEXIBLE = auto()
    ALLOWED_SHEAR = auto()
    ALLOWED_PRESSURE = auto()
    CLUTCH_MARGIN = auto()
    CLUTCH_MARGIN_CAPPED = auto()
    CLUTCH_TORQUE = auto()
    PRESSURE_NEEDED = auto()
    GRADE_TORQUE = auto()
    GRADE_MARGIN = auto()
    HUB_STRESS = auto()
    SHIFT_HEAT = auto()
    RELEASE_FLOW = auto()  # at 50, 100 and 150 psi


def part_facts(
    loads: Loads,
    component: str,
    part: str,
    power_hp: float,
    weight_lb: float,
    use: str,
    own: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """FACT_COLUMNS of a ``part`` of a ``component`` in a truck of power_hp, weight_lb, ``use`` and figures of its ``own`` (see `load_at`), all else as
    ``loads`` assume; what: a `Fact`. Nothing is put where nothing is known: a part whose make is not on record has its
    torque alone."""
    a = loads.assumptions
    at = load_at(loads, component, part, np.array([power_hp]), weight_lb, use, own).iloc[0]
    rows: list[list[object]] = []

    def add(what: Fact, values: Sequence[float], unit: str) -> None:
        if np.isfinite(values[1]):
            rows.append([what, *sorted(map(float, values)), unit])

    torque = {e: float(at[f"torque_at_shaft_lbft{SUFFIX[e]}"]) for e in ENDS}
    add(Fact.TORQUE, tuple(torque.values()), "lb ft")
    add(Fact.TORQUE_CAPPED, _of(at, "torque_capped_lbft"), "lb ft")
    made, kind = loads.made(component, part), loads.kinds.get(component, "")
    add(Fact.SHIFT_TORQUE, _of(at, "shift_torque_lbft"), "lb ft")
    if made is None:
        return pd.DataFrame(rows, columns=FACT_COLUMNS)
    one = made.to_frame().T.select_dtypes(object).infer_objects().select_dtypes("number").reset_index(drop=True)
    for fact, column, unit in (
        (Fact.GRADE_TORQUE, "grade_torque_lbft", "lb ft"),
        (Fact.GRADE_MARGIN, "grade_margin", ""),
        (Fact.HUB_STRESS, "hub_stress_ksi", "ksi"),
        (Fact.SHIFT_HEAT, "shift_heat_jmm2", "J/mm²"),
    ):
        add(fact, _of(at, column), unit)
    si = np.array(list(torque.values())) * LBFT
    if kind in SHAFTS:
        _shaft_facts(add, at, one, si)
        _spline_facts(add, made, one, si, a.of_use("application", use))
    else:
        _clutch_facts(add, at, one, si, kind, a)
    return pd.DataFrame(rows, columns=FACT_COLUMNS)


def _of(at: pd.Series, column: str) -> list[float]:
    return [float(at[f"{column}{SUFFIX[e]}"]) for e in ENDS]


def _three(one: pd.DataFrame, column: str, unit: float = 1.0) -> np.ndarray:
    """Low, middle and high end (3,) of a figure of the part, in SI by ``unit``."""
    return np.array(_of(one.iloc[0], column)) * unit


def _shaft_facts(add: Callable, at: pd.Series, one: pd.DataFrame, torque: np.ndarray) -> None:
    stress, notch, strength = (
        np.array([of(t, e)[0] for t, e in zip(torque, ENDS, strict=True)])
        for of in (
            lambda t, e: nominal_stress(np.array([t]), one, e),
            lambda t, e: notch_stress(np.array([t]), one, e),
            lambda _, e: shear_yield(one, e),
        )
    )
    add(Fact.NOMINAL_SHEAR, to_trade(stress, KSI), "ksi")
    add(Fact.NOTCH_SHEAR, to_trade(notch, KSI), "ksi")
    add(Fact.SHEAR_YIELD, to_trade(strength, KSI), "ksi")
    add(Fact.YIELD_TORQUE, to_trade(torque * strength / stress, LBFT), "lb ft")
    add(Fact.STRESS_MARGIN, _of(at, "stress_margin"), "")
    add(Fact.STRESS_MARGIN_CAPPED, _of(at, "stress_margin_capped"), "")
    add(Fact.BODY_MARGIN, _of(at, "body_margin"), "")
    outside, bore, length = (_three(one, c, INCH) for c in ("outside_diameter_in", "bore_in", "length_in"))
    add(Fact.TWIST, np.degrees(shafts.twist(torque, length, outside, bore)), "degrees")


def _spline_facts(add: Callable, made: pd.Series, one: pd.DataFrame, torque: np.ndarray, shock: Span) -> None:
    factor = np.array([shock.low, shock.middle, shock.high])
    bore, teeth = _three(one, "bore_in", INCH), _three(one, "spline_teeth")
    pitch, root, long_ = (_three(one, f"spline_{c}_in", INCH) for c in ("pitch_diameter", "root_diameter", "length"))
    thick, deep = (_three(one, f"spline_tooth_{c}_in", INCH) for c in ("thickness", "depth"))
    fixed = made["spline_fit"] == "fixed"
    life = splines.FIXED if fixed else 1.0
    add(Fact.APPLICATION, factor, "")
    add(Fact.TOOTH_SHEAR, splines.tooth_shear(torque, pitch, teeth, long_, thick, factor) / KSI, "ksi")
    add(Fact.ROOT_SHEAR, splines.root_shear(torque, root, bore, factor) / KSI, "ksi")
    press = splines.bearing_stress(torque, pitch, teeth, long_, deep, factor, life=life) / KSI
    add(Fact.TOOTH_PRESSURE_FIXED if fixed else Fact.TOOTH_PRESSURE_FLEXIBLE, press, "ksi")
    allowed = splines.allowed(float(one["hardness_hrc"].iat[0]), made["heat_treatment"])
    for fact, stress in zip((Fact.ALLOWED_SHEAR, Fact.ALLOWED_PRESSURE), allowed, strict=True):
        add(fact, (stress / KSI,) * 3, "ksi")


def _clutch_facts(
    add: Callable, at: pd.Series, one: pd.DataFrame, torque: np.ndarray, kind: str, a: Assumptions
) -> None:
    margin = _of(at, "clutch_margin")
    add(Fact.CLUTCH_MARGIN, margin, "")
    add(Fact.CLUTCH_MARGIN_CAPPED, _of(at, "clutch_margin_capped"), "")
    add(Fact.CLUTCH_TORQUE, to_trade(margin * torque[::-1], LBFT), "lb ft")
    # the most torque on the least area, friction and faces against the stiffest spring needs the most
    area, outer, inner, faces, friction = (
        _three(one, c, unit)[::-1]
        for c, unit in (
            ("piston_area_sqin", SQUARE_INCH),
            ("lining_outside_diameter_in", INCH / 2),
            ("lining_inside_diameter_in", INCH / 2),
            ("faces", 1.0),
            ("lining_friction", 1.0),
        )
    )
    friction = np.where(np.isfinite(friction), friction, [a.lining_friction.at(end) for end in ("high", "", "low")])
    spring = _three(one, "return_spring_lbf", 1.0)
    if kind == "clutch pack":
        spring = np.where(np.isnan(spring), [a.return_spring.at(end) for end in ("low", "", "high")], spring)
    radius = clutches.mean_radius(outer, inner)
    needed = clutches.pressure_for_torque(torque, area, friction, radius, faces, spring * LBF)
    add(Fact.PRESSURE_NEEDED, needed / PSI, "psi")
    if kind == "converter":
        passage = _three(one, "release_area_sqin", SQUARE_INCH)[1]
        flow = clutches.passage_flow(passage, np.array([50, 100, 150]) * PSI) / _GALLONS_MINUTE
        add(Fact.RELEASE_FLOW, flow, "US gal/min")
