"""The load of every part fitted: torque at the shaft, whether the tyres limit it, and margins, each as a range.

Every input is known, or a range of what it may be. All formulas rise or fall steadily in each input, so the ends of the
answer come from the ends of the inputs: ``low`` is the least load the truck can put on the part, ``high`` the most, and the
middle goes with the geometric middle of each range.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.driveline import clutches, shafts, strength, traction
from analytics.driveline.assumptions import Assumptions, Span, assumptions_for
from analytics.driveline.inputs import quantity
from analytics.driveline.torque import engine_torque
from analytics.driveline.units import HP, INCH, KSI, LB, LBF, LBFT, PSI, RPM, SQUARE_INCH, to_trade
from analytics.lifetimes.table import Lifetimes
from analytics.records.load import Records
from analytics.records.part_sheet import kind_of

ENDS = ("low", "", "high")
LOAD_COLUMNS = [
    *(f"torque_at_shaft_lbft{e}" for e in ("", "_low", "_high")),
    "traction_limited",
    "worst_gear",
    *(f"{m}{e}" for m in ("stress_margin", "clutch_margin") for e in ("", "_low", "_high")),
    "pressure_margin",
    "load_share",
]
#: what a load may assume, by the assumption's name; part_ratio: that of an intermediate shaft to the input shaft, taken as 1
ASSUMED = "engine_rpm stall_ratio axle_ratio tyre_diameter driven_share part_ratio line_pressure converter_pressure lining_friction".split()
SHAFTS = ("input shaft", "intermediate shaft", "output shaft")
#: kinds of part that carry the torque of the input shaft, times their own ratio
_AT_INPUT = ("input shaft", "intermediate shaft", "clutch pack")
_SUFFIX = {"low": "_low", "": "", "high": "_high"}
_OPPOSITE = {"low": "high", "": "", "high": "low"}


@dataclass(frozen=True, slots=True)
class Band:
    """A quantity for every row: ``low``, ``middle`` and ``high``, each (n,); NaN where not known. ``assumed``: (n,) bool."""

    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    assumed: np.ndarray

    def at(self, end: str) -> np.ndarray:
        """The figure at one end ("low", "", "high")."""
        return {"low": self.low, "": self.middle, "high": self.high}[end]

    @classmethod
    def of(cls, figure: Callable[[str], np.ndarray], assumed: np.ndarray) -> Band:
        """From its figure (n,) at each end and ``assumed`` (n,)."""
        low, middle, high = map(figure, ENDS)
        return cls(low=low, middle=middle, high=high, assumed=assumed)


@dataclass(frozen=True, slots=True, repr=False)
class Loads:
    """``table``: the table of lifetimes with LOAD_COLUMNS beside it, row for row. ``kinds``: kind of part by component.

    torque_at_shaft_lbft: the most the part carries steadily, over the gears, no more than the tyres hold. traction_limited:
    "no", "in some gears", "in every gear", or "not known" where the ends disagree or weight is not on record. worst_gear:
    ratio in which it carries most. stress_margin: shear yield over nominal shear; clutch_margin: capacity over torque;
    pressure_margin: limit over the converter pressure on record. load_share: 1 over the shaft's or clutch's own margin.
    assumed: row for row, a column of ASSUMED each, bool: whether the load assumes it (friction: always).
    """

    records: Records
    lifetimes: Lifetimes
    assumptions: Assumptions
    table: pd.DataFrame
    assumed: pd.DataFrame
    kinds: dict[str, str]

    def __repr__(self) -> str:
        known = int(self.table["torque_at_shaft_lbft"].notna().sum())
        return f"Loads({self.records.shop.name!r}: torque for {known} of {len(self.table)} rows)"

    def of(self, component: str, part: str) -> pd.DataFrame:
        """The rows of one part."""
        return self.table[(self.table["component"] == component) & (self.table["part"] == part)]

    def made(self, component: str, part: str) -> pd.Series | None:
        """The row of the parts sheet that describes a part, or None."""
        sheet = self.records.parts
        own = sheet[(sheet["component"] == component) & (sheet["part"] == part)]
        return None if own.empty else own.iloc[0]


def make_loads(records: Records, lifetimes: Lifetimes, assumptions: Assumptions | None = None) -> Loads:
    """Put a load beside every row of the table of lifetimes. assumptions: default assumptions_for(records.shop)."""
    a = assumptions_for(records.shop) if assumptions is None else assumptions
    table = lifetimes.table
    kinds = _kinds(records)
    kind = table["component"].map(kinds).fillna("").to_numpy()
    facts = vehicle_facts(records, table, a)
    columns, assumed = load_of(facts, _part_rows(records, table), kind, a)
    return Loads(
        records=records,
        lifetimes=lifetimes,
        assumptions=a,
        table=pd.concat([table, pd.DataFrame(columns, index=table.index)[LOAD_COLUMNS]], axis=1),
        assumed=pd.DataFrame(assumed, index=table.index)[ASSUMED],
        kinds=kinds,
    )


def load_of(
    facts: dict[str, Band], parts: pd.DataFrame, kind: np.ndarray, a: Assumptions
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """The load columns (n,) for trucks (facts) with parts (a row of the parts sheet each) of a kind (n,), and per assumption
    of ASSUMED the rows (n,) bool it touches."""
    ratio, ratio_assumed = _filled(parts["torque_ratio"], 1.0)
    is_output, is_lock, carries = kind == "output shaft", kind == "converter", np.isin(kind, _AT_INPUT)
    torque: dict[str, np.ndarray] = {}
    limited, gears = {}, {}
    for end in ENDS:
        into, outof = (part_torque(facts, a, end, output=own) for own in (False, True))
        lock = lockup_torque(facts, a, end)

        def pick(name: str, into=into, outof=outof, lock=lock) -> np.ndarray:
            own = getattr(into, name), getattr(outof, name), getattr(lock, name)
            return np.where(is_output, own[1], np.where(is_lock, own[2], own[0]))

        torque[end] = pick("torque") * np.where(carries, ratio, 1.0)
        limited[end], gears[end] = pick("limited"), pick("gear")
    known = np.isfinite(torque[""])
    agree = (limited["low"] == limited["high"]) & (limited[""] == limited["low"])
    stress = stress_margin(torque, parts)
    clutch, pressure_assumed, friction_assumed = clutch_margin(torque, parts, kind, facts, a)
    is_shaft, is_pack = np.isin(kind, SHAFTS), kind == "clutch pack"
    columns: dict[str, np.ndarray] = {}
    for end in ENDS:
        columns[f"torque_at_shaft_lbft{_SUFFIX[end]}"] = to_trade(torque[end], LBFT)
        columns[f"stress_margin{_SUFFIX[end]}"] = np.where(is_shaft, stress[end], np.nan)
        columns[f"clutch_margin{_SUFFIX[end]}"] = np.where(is_pack | is_lock, clutch[end], np.nan)
    columns["traction_limited"] = np.where(known & agree, limited[""], "not known").astype(object)
    columns["worst_gear"] = np.where(known, gears[""], np.nan)
    recorded = facts["converter_pressure"]
    pressure = clutches.pressure_margin(recorded.middle * PSI, a.converter_pressure_max * PSI)
    columns["pressure_margin"] = np.where(is_lock, pressure, np.nan)
    with np.errstate(divide="ignore"):
        columns["load_share"] = 1 / np.where(is_shaft, columns["stress_margin"], columns["clutch_margin"])
    clutched = np.isfinite(clutch[""])
    return columns, {
        "engine_rpm": facts["engine"].assumed,
        "stall_ratio": facts["stall"].assumed & ~is_lock,
        "axle_ratio": facts["axle_ratio"].assumed,
        "tyre_diameter": facts["tyre"].assumed,
        "driven_share": facts["driven"].assumed,
        "part_ratio": ratio_assumed & (kind == "intermediate shaft"),
        "line_pressure": pressure_assumed & clutched & is_pack,
        "converter_pressure": pressure_assumed & clutched & is_lock,
        "lining_friction": friction_assumed & clutched,
    }


def load_at(loads: Loads, component: str, part: str, power_hp: np.ndarray, weight_lb: float, use: str) -> pd.DataFrame:
    """The load columns of a part in a truck of no special make: one row per power (n,), at a weight and a use.

    All but the part's own make is as assumed. Raises AnalyticsError on a power or weight that is not above 0.
    """
    a, n = loads.assumptions, len(power_hp)
    facts = truck_facts(np.asarray(power_hp, float), np.full(n, float(weight_lb)), [use] * n, a)
    kind = np.full(n, loads.kinds.get(component, ""), dtype=object)
    made = loads.made(component, part)
    numbers = loads.records.parts.select_dtypes(float).columns
    row = np.full(len(numbers), np.nan) if made is None else made[numbers].to_numpy(float)
    columns, _ = load_of(facts, pd.DataFrame(np.tile(row, (n, 1)), columns=numbers), kind, a)
    return pd.DataFrame(columns)


def truck_facts(power_hp: np.ndarray, weight_lb: np.ndarray, uses: list[str], a: Assumptions) -> dict[str, Band]:
    """vehicle_facts of trucks of which power, weight and use alone are known."""
    n = len(power_hp)
    nothing = np.full(n, np.nan)
    unknown = Band(nothing, nothing, nothing, np.ones(n, bool))
    mass = quantity("weight", weight_lb, unit="lb") * LB
    share = Span(1, 1) if a.all_wheel_drive else a.driven_share
    tyre, speed = _or_span(unknown, a.tyre_diameter), _or_span(unknown, a.engine_rpm)
    return {
        "engine": Band.of(lambda e: engine_torque(power_hp * HP, speed.at(_OPPOSITE[e]) * RPM), unknown.assumed),
        "stall": _or_span(unknown, a.stall_ratio),
        "axle_ratio": _or_span(unknown, a.axle_ratio),
        "tyre": Band.of(lambda e: tyre.at(e) * INCH / 2, tyre.assumed),
        "mass": Band(mass, mass, mass, np.zeros(n, bool)),
        "driven": Band.of(lambda e: mass * _end(share, e), unknown.assumed),
        "friction": Band.of(lambda e: np.array([_end(a.friction_of(u), e) for u in uses]), unknown.assumed),
        "line_pressure": unknown,
        "converter_pressure": unknown,
    }


def _kinds(records: Records) -> dict[str, str]:
    """What kind of part each component is: as the parts sheet says, else by its name."""
    said = records.parts.groupby("component")["kind"].agg(lambda k: k.iloc[0] if k.nunique() == 1 else "")
    return {c: (said.get(c) or kind_of(c)) for c in records.shop.components}


def _part_rows(records: Records, table: pd.DataFrame) -> pd.DataFrame:
    """The parts sheet, a row per row of the table; NaN where a part is not described."""
    sheet = records.parts.set_index(["component", "part"])
    at = sheet.index.get_indexer(pd.MultiIndex.from_frame(table[["component", "part"]])) if len(sheet) else None
    numbers = sheet.select_dtypes(float)
    if at is None:
        return pd.DataFrame(np.nan, index=range(len(table)), columns=numbers.columns)
    picked = numbers.to_numpy()[np.maximum(at, 0)]
    picked[at < 0] = np.nan
    return pd.DataFrame(picked, columns=numbers.columns)


def _filled(values: pd.Series, default: float) -> tuple[np.ndarray, np.ndarray]:
    blank = values.isna().to_numpy()
    return values.fillna(default).to_numpy(), blank


# ---- what is known of the truck ---------------------------------------------------------------------------------------
def vehicle_facts(records: Records, table: pd.DataFrame, a: Assumptions) -> dict[str, Band]:
    """Per row: engine (torque, N·m), stall, axle_ratio, tyre (radius, m), mass (kg), driven (kg at rest), friction,
    line_pressure, converter_pressure (psi). A measure holds from its day on, and before it where there is no earlier one;
    pressures count when measured by the end of the life, or at the return that ended it."""
    power, weight = table["power_hp"].to_numpy(float), table["weight_lb"].to_numpy(float)
    own = records.builds.iloc[table["unit"].to_numpy()]
    as_built = (own["power_hp"].to_numpy() == power) & np.isfinite(power)
    low = np.where(as_built, own["power_low"].to_numpy(float), power)
    high = np.where(as_built, own["power_high"].to_numpy(float), power)

    found = {
        c: latest(records, table, c) for c in ("stall_ratio", "axle_ratio", "tyre_diameter_in", "driven_weight_lb")
    }
    pressures = {c: latest(records, table, c, ended=True) for c in ("line_pressure_psi", "converter_pressure_psi")}
    told, rpm = (latest(records, table, c, same_power=True) for c in ("torque_lbft", "rpm"))

    stated = table["torque_lbft"].to_numpy(float) * LBFT  # of the build sheet's own rpm
    speed = _or_span(rpm, a.engine_rpm)
    made = Band(low=low, middle=power, high=high, assumed=np.isnan(power))

    def torque(e: str) -> np.ndarray:
        reckoned = engine_torque(made.at(e) * HP, speed.at(_OPPOSITE[e]) * RPM)
        return np.where(np.isfinite(told.at(e)), told.at(e) * LBFT, np.where(np.isfinite(stated), stated, reckoned))

    engine = Band.of(torque, told.assumed & rpm.assumed & ~np.isfinite(stated))
    facts = truck_facts(power, weight, table["use"].astype(str).tolist(), a)
    weighed, usual, mass = found["driven_weight_lb"], facts["driven"], facts["mass"].middle
    # an axle cannot weigh more than the truck
    driven = Band.of(
        lambda e: np.fmin(np.where(weighed.assumed, usual.at(e), weighed.at(e) * LB), mass), weighed.assumed
    )
    tyre = _or_span(found["tyre_diameter_in"], a.tyre_diameter)
    return facts | {
        "engine": engine,
        "stall": _or_span(found["stall_ratio"], a.stall_ratio),
        "axle_ratio": _or_span(found["axle_ratio"], a.axle_ratio),
        "tyre": Band.of(lambda e: tyre.at(e) * INCH / 2, tyre.assumed),
        "driven": driven,
        "line_pressure": pressures["line_pressure_psi"],
        "converter_pressure": pressures["converter_pressure_psi"],
    }


def _end(span: Span, end: str) -> float:
    return {"low": span.low, "": span.middle, "high": span.high}[end]


def _or_span(band: Band, span: Span) -> Band:
    return Band.of(lambda e: np.where(np.isfinite(band.at(e)), band.at(e), _end(span, e)), band.assumed)


def latest(records: Records, table: pd.DataFrame, column: str, ended: bool = False, same_power: bool = False) -> Band:
    """A measure of each row's unit: the last by the day the row ends, else the first after it. ``assumed``: none on record.

    ended: a measure of the day the unit came in counts for a life that ended in failure before it, and none later than that
    counts for any row. same_power: only measures taken at the power of the row.
    """
    n = len(table)
    own = records.conditions[records.conditions[column].notna()] if len(records.conditions) else records.conditions
    nothing = np.full(n, np.nan)
    if own.empty:
        return Band(nothing, nothing, nothing, np.ones(n, bool))
    own = own[["unit", "day", "sheet", column, f"{column}_low", f"{column}_high"]].copy()
    own["power"] = power_on(records, own["unit"].to_numpy(), own["day"].to_numpy()) if same_power else 0.0
    rows = pd.DataFrame(
        {
            "unit": table["unit"].to_numpy(),
            "power": np.nan_to_num(table["power_hp"].to_numpy(float)) if same_power else 0.0,
            "day": came_in(records, table).to_numpy() if ended else table["ended_on"].to_numpy(dtype="datetime64[ns]"),
            "at": np.arange(n),
        }
    ).sort_values(["day", "at"], kind="stable")
    own = own.sort_values(["day", "unit", column], kind="stable")
    by = ["unit", "power"]
    found = pd.merge_asof(rows, own, on="day", by=by, direction="backward")
    if not ended:
        later = pd.merge_asof(rows, own, on="day", by=by, direction="forward")
        found = found.where(found[column].notna(), later)
    found = found.set_index("at").sort_index()
    low, middle, high = (found[f"{column}{e}"].to_numpy(float) for e in ("_low", "", "_high"))
    return Band(low, middle, high, np.isnan(middle))


def power_on(records: Records, unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Power of units (m,) on days (m,), hp; 0 where it is not known then."""
    base = records.builds["power_hp"].to_numpy(float)[unit]
    changes = records.changes[records.changes["power_hp"].notna() | records.changes["power_lost"].astype(bool)]
    asked = pd.DataFrame({"unit": unit, "day": day, "at": np.arange(len(unit))}).sort_values(["day", "at"])
    told = changes.rename(columns={"changed_on": "day"})[["unit", "day", "power_hp"]].sort_values(["day", "unit"])
    told = told.assign(changed=True)
    found = pd.merge_asof(asked, told.astype({"unit": int}), on="day", by="unit").set_index("at").sort_index()
    changed = found["changed"].notna().to_numpy()
    return np.nan_to_num(np.where(changed, found["power_hp"].to_numpy(float), base))


def came_in(records: Records, table: pd.DataFrame) -> pd.Series:
    """The day each row's life ended; for a failure the day the unit came in with it, when its pressures were measured."""
    ended = pd.Series(table["ended_on"].to_numpy(dtype="datetime64[ns]"), index=table.index)
    back = records.returns[["unit", "component", "failed_on", "day"]].copy()
    back["ended_on"] = back["failed_on"].fillna(back["day"])
    back = back.sort_values("day").drop_duplicates(["unit", "component", "ended_on"], keep="last")
    failed = table["ended"].eq("failed").to_numpy()
    asked = table[["unit", "component", "ended_on"]].reset_index()
    day = asked.merge(back, on=["unit", "component", "ended_on"], how="left")["day"].to_numpy(dtype="datetime64[ns]")
    return ended.where(~failed | np.isnat(day), pd.Series(day, index=table.index))


# ---- torque -------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class GearTorque:
    """torque: the most over the gears, N·m; limited: "no", "in some gears", "in every gear"; gear: ratio of the most."""

    torque: np.ndarray
    limited: np.ndarray
    gear: np.ndarray


def by_gear(facts: dict[str, Band], a: Assumptions, end: str, output: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Torque the engine brings and torque the tyres hold, N·m, each (gears, n), at the input shaft or at the output shaft.

    In the first gear the converter multiplies, at least 1 and at most the stall ratio times the share of torque the engine
    has at stall; in the others it is taken as coupled or locked.
    """
    other = _OPPOSITE[end]
    engine = facts["engine"].at(end)
    launch = np.maximum(facts["stall"].at(end) * _end(a.torque_at_stall, end), 1.0)
    mu, height = facts["friction"].at(end), 0.0 if a.all_wheel_drive else _end(a.height, end)
    mass = facts["mass"].middle
    # a weighed axle is known at rest; the transfer at slip comes on top
    with np.errstate(invalid="ignore"):
        share = facts["driven"].at(end) / mass
    driven = traction.driven_axle_mass(mass, share, mu, height)
    axle_ratio = facts["axle_ratio"].at(other)
    held_at_output = traction.slip_torque(mu, driven, facts["tyre"].at(end), axle_ratio)
    gears = np.array(a.gear_ratios)[:, None]
    brought = engine * np.where(np.arange(len(gears))[:, None] == 0, launch, 1.0)
    if output:
        return brought * gears * _end(a.efficiency, end), np.broadcast_to(held_at_output, brought.shape)
    return brought, held_at_output / (gears * _end(a.efficiency, other))


def part_torque(facts: dict[str, Band], a: Assumptions, end: str, output: bool = False) -> GearTorque:
    """The most the input (or output) shaft carries over the gears, at one end of the ranges."""
    return _most(*by_gear(facts, a, end, output), a)


def lockup_torque(facts: dict[str, Band], a: Assumptions, end: str) -> GearTorque:
    """What a lock-up clutch carries: engine torque, unmultiplied, or what the tyres hold where that is less."""
    brought, held = by_gear(facts, a, end)
    return _most(np.broadcast_to(facts["engine"].at(end), brought.shape), held, a)


def _most(brought: np.ndarray, held: np.ndarray, a: Assumptions) -> GearTorque:
    carried, slips = traction.effective_torque(brought, held)
    unknown = np.isnan(carried).any(0)
    at = np.where(unknown, 0, np.argmax(np.nan_to_num(carried, nan=-1.0), axis=0))
    count = slips.sum(0)
    limited = np.where(count == 0, "no", np.where(count == len(slips), "in every gear", "in some gears"))
    torque = np.where(unknown, np.nan, carried[at, np.arange(carried.shape[1])])
    return GearTorque(torque, np.where(unknown, "not known", limited), np.array(a.gear_ratios)[at])


# ---- margins ------------------------------------------------------------------------------------------------------------
def shear_yield(parts: pd.DataFrame, end: str) -> np.ndarray:
    """Shear yield, Pa, by tensile yield where given, else by hardness; NaN outside the table of hardness."""
    suffix = _SUFFIX[end]
    by_tensile = strength.shear_from_tensile(parts[f"tensile_yield_ksi{suffix}"].to_numpy() * KSI)
    by_hardness = strength.torsional_yield(parts[f"hardness_hrc{suffix}"].to_numpy())
    return np.where(np.isfinite(by_tensile), by_tensile, by_hardness)


def nominal_stress(torque_nm: np.ndarray, parts: pd.DataFrame, end: str) -> np.ndarray:
    """Nominal shear of the shaft, Pa: the greater of its body's and that under the spline's teeth, where each is known."""
    suffix, other = _SUFFIX[_OPPOSITE[end]], _SUFFIX[end]
    bore = np.nan_to_num(parts[f"bore_in{other}"].to_numpy()) * INCH
    stress = [
        shafts.shear_stress(torque_nm, parts[f"{c}_in{suffix}"].to_numpy() * INCH, bore)
        for c in ("outside_diameter", "spline_root_diameter")
    ]
    return np.fmax(*stress)


def stress_margin(torque: dict[str, np.ndarray], parts: pd.DataFrame) -> dict[str, np.ndarray]:
    """Shear yield over nominal shear at each end; ``low`` is the weakest the part may be under the most it may carry."""
    return {
        end: shear_yield(parts, end) / nominal_stress(torque[_OPPOSITE[end]], parts, _OPPOSITE[end]) for end in ENDS
    }


def clutch_margin(
    torque: dict[str, np.ndarray], parts: pd.DataFrame, kind: np.ndarray, facts: dict[str, Band], a: Assumptions
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Capacity over torque of packs and lock-up clutches at each end, and where pressure and friction are assumed."""
    margin = {}
    is_lock = kind == "converter"
    clutch = is_lock | (kind == "clutch pack")
    recorded = {e: np.where(is_lock, facts["converter_pressure"].at(e), facts["line_pressure"].at(e)) for e in ENDS}
    for end in ENDS:
        suffix = _SUFFIX[end]
        usual = np.where(is_lock, _end(a.converter_pressure, end), _end(a.line_pressure, end))
        stated = parts[f"apply_pressure_psi{suffix}"].to_numpy()
        pressure = np.where(np.isfinite(recorded[end]), recorded[end], np.where(np.isfinite(stated), stated, usual))
        spring = np.nan_to_num(parts[f"return_spring_lbf{_SUFFIX[_OPPOSITE[end]]}"].to_numpy()) * LBF
        force = clutches.apply_force(
            pressure * PSI, parts[f"piston_area_sqin{suffix}"].to_numpy() * SQUARE_INCH, spring
        )
        lining = parts[f"lining_friction{suffix}"].to_numpy()
        friction = np.where(np.isfinite(lining), lining, _end(a.lining_friction, end))
        radius = clutches.mean_radius(
            parts[f"lining_outside_diameter_in{suffix}"].to_numpy() * INCH / 2,
            parts[f"lining_inside_diameter_in{suffix}"].to_numpy() * INCH / 2,
        )
        capacity = clutches.torque_capacity(force, friction, radius, parts[f"faces{suffix}"].to_numpy())
        margin[end] = np.where(clutch, capacity / torque[_OPPOSITE[end]], np.nan)
    assumed = np.isnan(recorded[""]) & parts["apply_pressure_psi"].isna().to_numpy()
    return margin, assumed, parts["lining_friction"].isna().to_numpy()
