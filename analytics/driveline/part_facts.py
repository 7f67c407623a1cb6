"""One part in one truck: every figure that its make allows, with its range and what it rests on."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.driveline import clutches, inertia, shafts, splines
from analytics.driveline.load import ENDS, SHAFTS, Loads, load_at, nominal_stress, shear_yield
from analytics.driveline.units import INCH, KSI, LBF, LBFT, PSI, RPM, SQUARE_INCH, to_trade
from analytics.errors import AnalyticsError

FACT_COLUMNS = ["what", "least", "middle", "most", "unit", "rests_on"]
_GALLONS_MINUTE = 231 * INCH**3 / 60  # m³/s: a US gallon is 231 cubic inches
_SUFFIX = {"low": "_low", "": "", "high": "_high"}


def part_facts(loads: Loads, component: str, part: str, power_hp: float, weight_lb: float, use: str) -> pd.DataFrame:
    """FACT_COLUMNS of a part in a truck of that power, weight and use, all else as assumed. Nothing is put where nothing
    is known: a part whose make is not on record has its torque alone."""
    a = loads.assumptions
    at = load_at(loads, component, part, np.array([power_hp]), weight_lb, use).iloc[0]
    rows: list[list[object]] = []

    def add(what: str, values: tuple[float, float, float], unit: str, rests_on: str) -> None:
        if np.isfinite(values[1]):
            rows.append([what, *sorted(map(float, values)), unit, rests_on])

    torque = {e: float(at[f"torque_at_shaft_lbft{_SUFFIX[e]}"]) for e in ENDS}
    add("torque it carries", tuple(torque.values()), "lb ft", "the least of engine and tyres, worst gear")
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
        add("added for the moment of a shift", tuple(map(float, extra)), "lb ft", "I Δω/Δt, not in the margins")
    if made is None:
        return pd.DataFrame(rows, columns=FACT_COLUMNS)
    one = made.to_frame().T.select_dtypes(object).infer_objects().select_dtypes("number").reset_index(drop=True)
    si = {e: np.array([torque[e] * LBFT]) for e in ENDS}
    if kind in SHAFTS:
        _shaft_facts(add, at, made, one, si)
    else:
        _clutch_facts(add, at, one, si, kind)
    return pd.DataFrame(rows, columns=FACT_COLUMNS)


def _three(one: pd.DataFrame, column: str, unit: float = 1.0) -> dict[str, np.ndarray]:
    return {e: one[f"{column}{_SUFFIX[e]}"].to_numpy(float) * unit for e in ENDS}


def _shaft_facts(add, at: pd.Series, made: pd.Series, one: pd.DataFrame, torque: dict[str, np.ndarray]) -> None:
    stress = {e: nominal_stress(torque[e], one, e) for e in ENDS}
    strength = {e: shear_yield(one, e) for e in ENDS}
    add("nominal shear", tuple(float(to_trade(stress[e], KSI)[0]) for e in ENDS), "ksi", "16 T D/(π(D⁴ - d⁴))")
    factor = _three(one, "stress_concentration")
    local = tuple(float(to_trade(shafts.local_stress(stress[e], factor[e]), KSI)[0]) for e in ENDS)
    add("shear at the worst notch", local, "ksi", "nominal x stress concentration")
    add(
        "shear yield",
        tuple(float(to_trade(strength[e], KSI)[0]) for e in ENDS),
        "ksi",
        "SAE J413, or tensile yield x 0.577",
    )
    yielding = tuple(float(torque[e][0] * strength[e][0] / stress[e][0] / LBFT) for e in ENDS)
    add("torque at which its body yields", yielding, "lb ft", "nominal shear at shear yield")
    add(
        "stress margin", tuple(float(at[f"stress_margin{_SUFFIX[e]}"]) for e in ENDS), "", "shear yield / nominal shear"
    )
    outside, bore, length = (_three(one, c, INCH) for c in ("outside_diameter_in", "bore_in", "length_in"))
    bend = {e: shafts.twist(torque[e], length[e], outside[e], np.nan_to_num(bore[e])) for e in ENDS}
    add(
        "twist",
        tuple(float(np.degrees(bend[e])[0]) for e in ENDS),
        "degrees",
        "T L/(G J), G 79 GPa, over the plain length",
    )
    pitch, root, long_ = (_three(one, f"spline_{c}_in", INCH) for c in ("pitch_diameter", "root_diameter", "length"))
    thick, deep = (_three(one, f"spline_tooth_{c}_in", INCH) for c in ("thickness", "depth"))
    teeth = _three(one, "spline_teeth")
    say = "handbook form, no application or life factor"
    shear = [splines.tooth_shear(torque[e], pitch[e], teeth[e], long_[e], thick[e])[0] / KSI for e in ENDS]
    add("shear of the spline's teeth", tuple(shear), "ksi", say)
    under = [splines.root_shear(torque[e], root[e], np.nan_to_num(bore[e]))[0] / KSI for e in ENDS]
    add("shear under the spline's teeth", tuple(under), "ksi", say)
    fixed = made["spline_fit"] == "fixed"
    press = [
        splines.bearing_stress(torque[e], pitch[e], teeth[e], long_[e], deep[e], fixed=fixed)[0] / KSI for e in ENDS
    ]
    add("pressure on the spline's teeth", tuple(press), "ksi", say + (", fixed" if fixed else ", flexible"))
    hardness = float(one["hardness_hrc"].iat[0])
    try:
        allowed = splines.allowable_shear(hardness) / KSI if np.isfinite(hardness) else np.nan
    except AnalyticsError:
        allowed = np.nan
    add("shear a careful design allows there", (allowed,) * 3, "ksi", "spline table by hardness; no strength")


def _clutch_facts(add, at: pd.Series, one: pd.DataFrame, torque: dict[str, np.ndarray], kind: str) -> None:
    margin = tuple(float(at[f"clutch_margin{_SUFFIX[e]}"]) for e in ENDS)
    add("clutch margin", margin, "", "capacity / torque")
    capacity = tuple(m * float(torque[o][0]) / LBFT for m, o in zip(margin, ("high", "", "low"), strict=True))
    add("torque it holds", capacity, "lb ft", "friction x force x mean radius x faces")
    area = _three(one, "piston_area_sqin", SQUARE_INCH)[""]
    radius = clutches.mean_radius(
        one["lining_outside_diameter_in"].to_numpy(float) * INCH / 2,
        one["lining_inside_diameter_in"].to_numpy(float) * INCH / 2,
    )
    friction = one["lining_friction"].fillna(np.sqrt(0.10 * 0.15)).to_numpy(float)
    spring = one["return_spring_lbf"].fillna(0.0).to_numpy(float) * LBF
    faces = one["faces"].to_numpy(float)
    needed = [clutches.pressure_for_torque(torque[e], area, friction, radius, faces, spring)[0] / PSI for e in ENDS]
    add("pressure it needs to hold that", tuple(needed), "psi", "the same, turned round")
    passage = one["release_area_sqin"].to_numpy(float) * SQUARE_INCH
    if kind == "converter":
        flow = [clutches.passage_flow(passage, p * PSI)[0] / _GALLONS_MINUTE for p in (50, 100, 150)]
        add(
            "oil through its release passage at 50, 100, 150 psi",
            tuple(flow),
            "US gal/min",
            "sharp-edged orifice, C 0.61",
        )
