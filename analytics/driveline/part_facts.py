"""One part in one truck: every figure that its make allows, with its range."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import Enum, auto

import numpy as np
import pandas as pd

from analytics.driveline import clutches, inertia, shafts, splines
from analytics.driveline.assumptions import Span
from analytics.driveline.load import ENDS, SHAFTS, Loads, load_at, nominal_stress, notch_stress, shear_yield
from analytics.driveline.units import INCH, KSI, LBF, LBFT, PSI, RPM, SQUARE_INCH, to_trade

FACT_COLUMNS = ["what", "least", "middle", "most", "unit"]
_GALLONS_MINUTE = 231 * INCH**3 / 60  # m³/s: a US gallon is 231 cubic inches
_SUFFIX = {"low": "_low", "": "", "high": "_high"}


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
    RELEASE_FLOW = auto()  # at 50, 100 and 150 psi


def part_facts(loads: Loads, component: str, part: str, power_hp: float, weight_lb: float, use: str) -> pd.DataFrame:
    """FACT_COLUMNS of a part in a truck of that power, weight and use, all else as assumed; what: a `Fact`. Nothing is put where nothing
    is known: a part whose make is not on record has its torque alone."""
    a = loads.assumptions
    at = load_at(loads, component, part, np.array([power_hp]), weight_lb, use).iloc[0]
    rows: list[list[object]] = []

    def add(what: Fact, values: Sequence[float], unit: str) -> None:
        if np.isfinite(values[1]):
            rows.append([what, *sorted(map(float, values)), unit])

    torque = {e: float(at[f"torque_at_shaft_lbft{_SUFFIX[e]}"]) for e in ENDS}
    add(Fact.TORQUE, tuple(torque.values()), "lb ft")
    add(Fact.TORQUE_CAPPED, _of(at, "torque_capped_lbft"), "lb ft")
    made, kind = loads.made(component, part), loads.kinds.get(component, "")
    if kind in ("input shaft", "intermediate shaft", "clutch pack"):
        extra = [
            inertia.inertia_torque(i, drop * RPM, time) / LBFT
            for i, drop, time in (
                (a.rotating_inertia.low, a.shift_drop.low, a.shift_time.high),
                (a.rotating_inertia.middle, a.shift_drop.middle, a.shift_time.middle),
                (a.rotating_inertia.high, a.shift_drop.high, a.shift_time.low),
            )
        ]
        add(Fact.SHIFT_TORQUE, extra, "lb ft")
    if made is None:
        return pd.DataFrame(rows, columns=FACT_COLUMNS)
    one = made.to_frame().T.select_dtypes(object).infer_objects().select_dtypes("number").reset_index(drop=True)
    si = {e: np.array([torque[e] * LBFT]) for e in ENDS}
    if kind in SHAFTS:
        _shaft_facts(add, at, made, one, si, a.of_use("application", use))
    else:
        _clutch_facts(add, at, one, si, kind, a.lining_friction)
    return pd.DataFrame(rows, columns=FACT_COLUMNS)


def _of(at: pd.Series, column: str) -> list[float]:
    return [float(at[f"{column}{_SUFFIX[e]}"]) for e in ENDS]


def _three(one: pd.DataFrame, column: str, unit: float = 1.0) -> dict[str, np.ndarray]:
    return {e: one[f"{column}{_SUFFIX[e]}"].to_numpy(float) * unit for e in ENDS}


def _shaft_facts(
    add: Callable, at: pd.Series, made: pd.Series, one: pd.DataFrame, torque: dict[str, np.ndarray], shock: Span
) -> None:
    factors = {"low": shock.low, "": shock.middle, "high": shock.high}
    stress = {e: nominal_stress(torque[e], one, e) for e in ENDS}
    strength = {e: shear_yield(one, e) for e in ENDS}
    notch = {e: notch_stress(torque[e], one, e) for e in ENDS}
    add(Fact.NOMINAL_SHEAR, [to_trade(stress[e], KSI)[0] for e in ENDS], "ksi")
    add(Fact.NOTCH_SHEAR, [to_trade(notch[e], KSI)[0] for e in ENDS], "ksi")
    add(Fact.SHEAR_YIELD, [to_trade(strength[e], KSI)[0] for e in ENDS], "ksi")
    add(Fact.YIELD_TORQUE, [torque[e][0] * strength[e][0] / stress[e][0] / LBFT for e in ENDS], "lb ft")
    add(Fact.APPLICATION, [factors[e] for e in ENDS] if np.isfinite(at["stress_margin"]) else [np.nan] * 3, "")
    add(Fact.STRESS_MARGIN, _of(at, "stress_margin"), "")
    add(Fact.STRESS_MARGIN_CAPPED, _of(at, "stress_margin_capped"), "")
    add(Fact.BODY_MARGIN, _of(at, "body_margin"), "")
    outside, bore, length = (_three(one, c, INCH) for c in ("outside_diameter_in", "bore_in", "length_in"))
    bend = [shafts.twist(torque[e], length[e], outside[e], np.nan_to_num(bore[e])) for e in ENDS]
    add(Fact.TWIST, [np.degrees(b)[0] for b in bend], "degrees")
    _spline_facts(add, made, one, torque, factors)


def _spline_facts(
    add: Callable, made: pd.Series, one: pd.DataFrame, torque: dict[str, np.ndarray], factors: dict[str, float]
) -> None:
    bore = _three(one, "bore_in", INCH)
    pitch, root, long_ = (_three(one, f"spline_{c}_in", INCH) for c in ("pitch_diameter", "root_diameter", "length"))
    thick, deep = (_three(one, f"spline_tooth_{c}_in", INCH) for c in ("thickness", "depth"))
    teeth = _three(one, "spline_teeth")
    shear = [splines.tooth_shear(torque[e], pitch[e], teeth[e], long_[e], thick[e], factors[e])[0] / KSI for e in ENDS]
    add(Fact.TOOTH_SHEAR, shear, "ksi")
    under = [splines.root_shear(torque[e], root[e], np.nan_to_num(bore[e]), factors[e])[0] / KSI for e in ENDS]
    add(Fact.ROOT_SHEAR, under, "ksi")
    fixed = made["spline_fit"] == "fixed"
    life = splines.FIXED if fixed else 1.0
    press = [
        splines.bearing_stress(torque[e], pitch[e], teeth[e], long_[e], deep[e], factors[e], life=life)[0] / KSI
        for e in ENDS
    ]
    add(Fact.TOOTH_PRESSURE_FIXED if fixed else Fact.TOOTH_PRESSURE_FLEXIBLE, press, "ksi")
    hardness = float(one["hardness_hrc"].iat[0])
    shear_allowed, pressure_allowed = (v / KSI for v in splines.allowed(hardness, made["heat_treatment"]))
    add(Fact.ALLOWED_SHEAR, (shear_allowed,) * 3, "ksi")
    add(Fact.ALLOWED_PRESSURE, (pressure_allowed,) * 3, "ksi")


def _clutch_facts(
    add: Callable, at: pd.Series, one: pd.DataFrame, torque: dict[str, np.ndarray], kind: str, lining: Span
) -> None:
    margin = _of(at, "clutch_margin")
    add(Fact.CLUTCH_MARGIN, margin, "")
    add(Fact.CLUTCH_MARGIN_CAPPED, _of(at, "clutch_margin_capped"), "")
    holds = [m * float(torque[o][0]) / LBFT for m, o in zip(margin, ("high", "", "low"), strict=True)]
    add(Fact.CLUTCH_TORQUE, holds, "lb ft")
    area = _three(one, "piston_area_sqin", SQUARE_INCH)[""]
    radius = clutches.mean_radius(
        one["lining_outside_diameter_in"].to_numpy(float) * INCH / 2,
        one["lining_inside_diameter_in"].to_numpy(float) * INCH / 2,
    )
    friction = one["lining_friction"].fillna(lining.middle).to_numpy(float)
    spring = one["return_spring_lbf"].fillna(0.0).to_numpy(float) * LBF
    faces = one["faces"].to_numpy(float)
    needed = [clutches.pressure_for_torque(torque[e], area, friction, radius, faces, spring)[0] / PSI for e in ENDS]
    add(Fact.PRESSURE_NEEDED, needed, "psi")
    if kind == "converter":
        passage = one["release_area_sqin"].to_numpy(float) * SQUARE_INCH
        flow = [clutches.passage_flow(passage, p * PSI)[0] / _GALLONS_MINUTE for p in (50, 100, 150)]
        add(Fact.RELEASE_FLOW, flow, "US gal/min")
