"""The load of every part fitted: torque at the shaft, what the tyres would leave of it, and margins, each as a range.

Every input is known, or a range of what it may be. All formulas rise or fall steadily in each input, so the ends of the
answer come from the ends of the inputs: ``low`` is the least load the truck can put on the part, ``high`` the most, and the
middle goes with the geometric middle of each range. A margin is told for all the engine brings; what the tyres would take off it
hangs on wheels, tyres and ground that are seldom on record, so it stands beside (capped) and never in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from analytics.driveline import clutches, shafts, strength, traction
from analytics.driveline.assumptions import OIL_LASTS, OWN, Assumptions, Span, assumptions_for
from analytics.driveline.bands import ENDS, OPPOSITE, SUFFIX, Band
from analytics.driveline.duties import DUTY_COLUMNS, duties
from analytics.driveline.inputs import quantity
from analytics.driveline.torque import engine_torque
from analytics.driveline.units import HP, INCH, KSI, LB, LBF, LBFT, PSI, RPM, SQUARE_INCH, to_trade
from analytics.lifetimes.table import Lifetimes, with_rows
from analytics.reasons import brief
from analytics.records.load import Records
from analytics.records.part_sheet import kind_of

_RANGES = [
    "torque_at_shaft_lbft", "torque_capped_lbft", "stress_margin", "stress_margin_capped", "body_margin", "clutch_margin",
    "clutch_margin_capped",
]  # fmt: skip
LOAD_COLUMNS = [
    *(f"{name}{e}" for name in _RANGES for e in ("", "_low", "_high")),
    "traction_limited",
    "worst_gear",
    "pressure_margin",
    "load_share",
    *DUTY_COLUMNS,
]
#: what a load may assume, by the assumption's name; part_ratio: that of an intermediate shaft to the input shaft, taken as 1; notch: the
#: factor of the worst notch
ASSUMED = [
    "engine_rpm", "stall_ratio", "application", "notch", "first_gear", "part_ratio", "line_pressure", "converter_pressure",
    "lining_friction", "driven_wheels", "axle_ratio", "tyre_diameter", "overdrive", "shift_time", "oil_warming",
]  # fmt: skip
SHAFTS = ("input shaft", "intermediate shaft", "output shaft")
#: kinds of part that carry the torque of the input shaft, times their own ratio
_AT_INPUT = ("input shaft", "intermediate shaft", "clutch pack")


@dataclass(frozen=True, slots=True, repr=False)
class Loads:
    """``table``: the table of lifetimes with LOAD_COLUMNS beside it, row for row. ``kinds``: kind of part by component.

    torque_at_shaft_lbft: the most the engine brings to the part steadily, over the gears and through the converter; torque_capped_lbft:
    no more of it than the tyres hold. traction_limited: "no", "in some gears", "in every gear", or "not known" where the ends disagree or
    weight is not on record; worst_gear: ratio in which the part carries most where the tyres slip. stress_margin: shear yield over shear at
    the worst notch under a shock by the handbook's application factor; body_margin: over the nominal shear of the plain body, without
    either; clutch_margin: capacity over torque; those ``_capped``: with the tyres' hold; pressure_margin: limit over the converter pressure
    on record; DUTY_COLUMNS: see `duties`. load_share: 1 over the shaft's or clutch's own margin, uncapped.
    assumed: row for row, a column of ASSUMED each, bool: whether the load assumes it (friction: always). engine_lbft: torque of the engine
    alone (n,), middle of its range. from_the_start: (n,) bool: torque is on record, at the row's power, since the row began or FROM_THE_START days
    after it at most; what is measured later is known of those alone that ran so long, or came back.
    """

    records: Records
    lifetimes: Lifetimes
    assumptions: Assumptions
    table: pd.DataFrame
    assumed: pd.DataFrame
    kinds: dict[str, str]
    engine_lbft: np.ndarray
    from_the_start: np.ndarray

    def __repr__(self) -> str:
        return brief(self, known=int(self.table["torque_at_shaft_lbft"].notna().sum()), rows=len(self.table))

    def of(self, component: str, part: str) -> pd.DataFrame:
        """The rows of one part."""
        return self.table[(self.table["component"] == component) & (self.table["part"] == part)]

    def made(self, component: str, part: str) -> pd.Series | None:
        """The row of the parts sheet that describes a part, or None."""
        sheet = self.records.parts
        own = sheet[(sheet["component"] == component) & (sheet["part"] == part)]
        return None if own.empty else own.iloc[0]

    def of_component(self, component: str) -> Loads:
        """The rows of one component, and of the records the sheet of parts alone: all that another process is sent."""
        rows, lives = (t["component"].eq(component).to_numpy() for t in (self.table, self.lifetimes.table))
        records = self.records
        tables = {f.name: getattr(records, f.name) for f in fields(records)}
        empty = {n: t.iloc[:0] for n, t in tables.items() if isinstance(t, pd.DataFrame) and n != "parts"}
        return replace(
            self,
            records=replace(records, **empty),
            lifetimes=with_rows(self.lifetimes, self.lifetimes.table[lives]),
            table=self.table[rows],
            assumed=self.assumed[rows],
            engine_lbft=self.engine_lbft[rows],
            from_the_start=self.from_the_start[rows],
        )


def make_loads(records: Records, lifetimes: Lifetimes, assumptions: Assumptions | None = None) -> Loads:
    """Put a load beside every row of the table of lifetimes. assumptions: default assumptions_for(records.shop)."""
    a = assumptions_for(records.shop) if assumptions is None else assumptions
    table = lifetimes.table
    kinds = _kinds(records)
    kind = table["component"].map(kinds).fillna("").to_numpy()
    facts = _vehicle_facts(records, table, a)
    columns, assumed = _load_of(facts, _part_rows(records, table), kind, a)
    made = pd.concat([table, pd.DataFrame(columns, index=table.index)[LOAD_COLUMNS]], axis=1)
    return Loads(
        records=records,
        lifetimes=lifetimes,
        assumptions=a,
        table=made,
        assumed=pd.DataFrame(assumed, index=table.index)[ASSUMED],
        kinds=kinds,
        engine_lbft=to_trade(facts["engine"].middle, LBFT),
        from_the_start=_from_the_start(records, made, ~np.asarray(assumed["engine_rpm"], bool)),
    )


def _load_of(
    facts: dict[str, Band], parts: pd.DataFrame, kind: np.ndarray, a: Assumptions
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """The load columns (n,) for trucks (facts) with parts (a row of the parts sheet each) of a kind (n,), and per assumption
    of ASSUMED the rows (n,) bool it touches."""
    ratio, ratio_assumed = _filled(parts["torque_ratio"], 1.0)
    is_lock, carries = kind == "converter", np.isin(kind, _AT_INPUT)
    is_shaft, is_clutch = np.isin(kind, SHAFTS), np.isin(kind, ("clutch pack", "converter"))
    own = np.where(carries, ratio, 1.0)
    whole: dict[str, np.ndarray] = {}
    capped: dict[str, np.ndarray] = {}
    limited, gears = {}, {}
    for end in ENDS:
        brought, held, geared = _by_gear(facts, a, end, kind)
        least = _most(brought, held, geared)
        whole[end], capped[end] = brought.max(0) * own, least.torque * own
        limited[end], gears[end] = least.limited, least.gear
    known = np.isfinite(capped[""])
    agree = (limited["low"] == limited["high"]) & (limited[""] == limited["low"])
    columns: dict[str, np.ndarray] = {}
    for name, torque in (("", whole), ("_capped", capped)):
        stress = _stress_margin(torque, parts, facts)
        clutch, pressure_assumed, friction_assumed = _clutch_margin(torque, parts, kind, facts, a)
        for end in ENDS:
            columns[f"torque{name or '_at_shaft'}_lbft{SUFFIX[end]}"] = to_trade(torque[end], LBFT)
            columns[f"stress_margin{name}{SUFFIX[end]}"] = np.where(is_shaft, stress[end], np.nan)
            columns[f"clutch_margin{name}{SUFFIX[end]}"] = np.where(is_clutch, clutch[end], np.nan)
    body = _stress_margin(whole, parts)
    for end in ENDS:
        columns[f"body_margin{SUFFIX[end]}"] = np.where(is_shaft, body[end], np.nan)
    columns["traction_limited"] = np.where(known & agree, limited[""], "not known").astype(object)
    columns["worst_gear"] = np.where(known, gears[""], np.nan)
    recorded = facts["converter_pressure"]
    pressure = clutches.pressure_margin(recorded.middle * PSI, a.rules.converter_pressure_max * PSI)
    columns["pressure_margin"] = np.where(is_lock, pressure, np.nan)
    with np.errstate(divide="ignore"):
        columns["load_share"] = 1 / np.where(is_shaft, columns["stress_margin"], columns["clutch_margin"])
    holds = {end: columns[f"clutch_margin{SUFFIX[end]}"] * whole[OPPOSITE[end]] for end in ENDS}
    columns |= duties(facts, parts, kind, a, whole, holds)
    clutched, stressed = np.isfinite(columns["clutch_margin"]), np.isfinite(columns["stress_margin"])
    return columns, {
        "engine_rpm": facts["engine"].assumed,
        "stall_ratio": facts["stall"].assumed & ~is_lock,
        "application": facts["application"].assumed & stressed,
        "notch": parts["stress_concentration"].isna().to_numpy() & stressed,
        "first_gear": facts["first_gear"].assumed & (kind == "output shaft"),
        "part_ratio": ratio_assumed & (kind == "intermediate shaft"),
        "line_pressure": pressure_assumed & clutched & ~is_lock,
        "converter_pressure": pressure_assumed & clutched & is_lock,
        "lining_friction": friction_assumed & clutched,
        "driven_wheels": facts["driven"].assumed & known,
        "axle_ratio": facts["axle_ratio"].assumed & known,
        "tyre_diameter": facts["tyre"].assumed & known,
        "overdrive": facts["overdrive"].assumed & known,
        "shift_time": facts["shift_time"].assumed & np.isfinite(columns["shift_heat_jmm2"]),
        "oil_warming": facts["warming"].assumed & np.isfinite(columns["release_share"]),
    }


def load_at(
    loads: Loads,
    component: str,
    part: str,
    power_hp: np.ndarray,
    weight_lb: float,
    use: str,
    own: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """LOAD_COLUMNS of a ``part`` of a ``component``, and DUTY_COLUMNS with their ends, in a truck of no special make: one row per power_hp (n,), at
    weight_lb in a ``use``.

    ``loads``: tell what the part is and what is assumed. own: figures of the truck's own (`assumptions.OWN`), which go before the part's sheet
    as what was measured does. weight_lb: inf, not known. All else is as assumed. Raises AnalyticsError on a power or weight that is not above 0.
    """
    a, n = loads.assumptions, len(power_hp)
    weight = np.full(n, weight_lb if np.isfinite(weight_lb) else np.nan)
    facts = _truck_facts(np.asarray(power_hp, float), weight, [use] * n, a, own)
    kind = np.full(n, loads.kinds.get(component, ""), dtype=object)
    made = loads.made(component, part)
    numbers = loads.records.parts.select_dtypes(float).columns
    row = np.full(len(numbers), np.nan) if made is None else made[numbers].to_numpy(float)
    columns, _ = _load_of(facts, pd.DataFrame(np.tile(row, (n, 1)), columns=numbers), kind, a)
    return pd.DataFrame(columns)


def _truck_facts(
    power_hp: np.ndarray, weight_lb: np.ndarray, uses: list[str], a: Assumptions, own: Mapping[str, float] | None = None
) -> dict[str, Band]:
    """_vehicle_facts of trucks of which power, weight, use and figures of their ``own`` (OWN) alone are known."""
    n = len(power_hp)
    mass = quantity("weight", weight_lb, unit="lb") * LB
    told = {name: _told((own or {}).get(name, np.nan), n) for name in OWN}
    gasoline = np.full(n, a.fuel == "gasoline")
    tyre = _or_span(told["tyre_diameter"], a.truck.tyre_diameter)
    speed, torque, share = _speed(told["engine_rpm"], power_hp, gasoline, a), told["torque"], told["driven_share"]
    weighed = Band.of(lambda e: share.at(e) * mass / LB, share.assumed)

    def brought(e: str) -> np.ndarray:
        reckoned = engine_torque(power_hp * HP, speed.at(OPPOSITE[e]) * RPM)
        return np.where(torque.assumed, reckoned, torque.at(e) * LBFT)

    return {
        "engine": Band.of(brought, torque.assumed & speed.assumed),
        "stall": _or_span(told["stall_ratio"], a.stall_ratio),
        "axle_ratio": _or_span(told["axle_ratio"], a.truck.axle_ratio),
        "tyre": Band.of(lambda e: tyre.at(e) * INCH / 2, tyre.assumed),
        "mass": Band(mass, mass, mass, np.zeros(n, bool)),
        "driven": _driven(mass, weighed, _or_use(told["driven_wheels"], "driven_wheels", uses, a), a),
        "first_gear": _or_span(told["first_gear"], a.gear_ratios[0]),
        "overdrive": _or_span(told["overdrive"], a.gear_ratios[-1]),
        "line_pressure": told["line_pressure"],
        "converter_pressure": told["converter_pressure"],
        "stall_rpm": told["stall_rpm"],
        "shift_time": _or_span(told["shift_time"], a.shift.shift_time),
        "warming": _warming(told["oil_temperature"], a),
        "friction": _or_use(_told(np.nan, n), "friction", uses, a),
        "application": _or_use(_told(np.nan, n), "application", uses, a),
        "trailer": _or_use(told["trailer_weight"], "trailer_weight", uses, a),
    }


def _told(value: float, n: int) -> Band:
    """A figure told of n trucks; NaN: not told."""
    figure = np.full(n, float(value))
    return Band(figure, figure, figure, np.isnan(figure))


def _speed(told: Band, power_hp: np.ndarray, gasoline: np.ndarray, a: Assumptions) -> Band:
    """Engine speed at which a power counts as torque, rpm: ``told`` where that is known."""
    slow, fast = a.speed(power_hp, gasoline)
    taken = {"low": slow, "": np.sqrt(slow * fast), "high": fast}
    return Band.of(lambda e: np.where(told.assumed, taken[e], told.at(e)), told.assumed)


def _or_use(told: Band, what: str, uses: list[str], a: Assumptions) -> Band:
    """``told``, and where it is not known what is taken for the use."""
    return Band.of(
        lambda e: np.where(told.assumed, np.array([a.of_use(what, u).at(e) for u in uses]), told.at(e)), told.assumed
    )


def _driven(mass: np.ndarray, weighed: Band, wheels: Band, a: Assumptions) -> Band:
    """Mass on the driven wheels at rest, kg: all of it with four, that of the axle (weighed, lb, or its usual share) with two; from the one
    to the other where it is not known which."""
    share = {
        # an axle cannot weigh more than the truck
        e: np.where(weighed.assumed, a.truck.driven_share.at(e), np.fmin(weighed.at(e) * LB / mass, 1.0))
        for e in ENDS
    }
    low = np.where(wheels.low >= 4, 1.0, share["low"])
    high = np.where(wheels.high > 2, 1.0, share["high"])
    middle = np.where(wheels.high <= 2, share[""], np.sqrt(low * high))
    found = {"low": low, "": middle, "high": high}
    return Band.of(lambda e: mass * found[e], wheels.assumed | (weighed.assumed & (wheels.low < 4)))


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
def _vehicle_facts(records: Records, table: pd.DataFrame, a: Assumptions) -> dict[str, Band]:
    """Per row: engine (torque, N·m), stall, axle_ratio, tyre (radius, m), mass (kg), driven (kg at rest), first_gear, overdrive (ratios),
    friction, application (factor of a shock), trailer (lb), stall_rpm, shift_time (s), warming (K, of the oil in a stall), line_pressure, converter_pressure (psi). A measure holds from its day on, and before it where there is no earlier one;
    pressures count when measured by the end of the life, or at the return that ended it."""
    power, weight = table["power_hp"].to_numpy(float), table["weight_lb"].to_numpy(float)
    own = records.builds.iloc[table["unit"].to_numpy()]
    as_built = (own["power_hp"].to_numpy() == power) & np.isfinite(power)
    low = np.where(as_built, own["power_low"].to_numpy(float), power)
    high = np.where(as_built, own["power_high"].to_numpy(float), power)

    found = {c: _latest(records, table, c) for c in _OF_TRUCK}
    pressures = {c: _latest(records, table, c, ended=True) for c in ("line_pressure_psi", "converter_pressure_psi")}
    told, rpm = (_latest(records, table, c, same_power=True) for c in ("torque_lbft", "rpm"))

    stated = table["torque_lbft"].to_numpy(float) * LBFT  # of the build sheet's own rpm
    fuel = found["gasoline"]
    speed = _speed(rpm, power, np.where(fuel.assumed, a.fuel == "gasoline", fuel.middle > 0.5), a)
    made = Band(low=low, middle=power, high=high, assumed=np.isnan(power))

    def torque(e: str) -> np.ndarray:
        reckoned = engine_torque(made.at(e) * HP, speed.at(OPPOSITE[e]) * RPM)
        return np.where(np.isfinite(told.at(e)), told.at(e) * LBFT, np.where(np.isfinite(stated), stated, reckoned))

    engine = Band.of(torque, told.assumed & rpm.assumed & ~np.isfinite(stated))
    uses = table["use"].astype(str).tolist()
    facts = _truck_facts(power, weight, uses, a)
    wheels = _or_use(found["driven_wheels"], "driven_wheels", uses, a)
    tyre = _or_span(found["tyre_diameter_in"], a.truck.tyre_diameter)
    return facts | {
        "engine": engine,
        "stall": _or_span(found["stall_ratio"], a.stall_ratio),
        "axle_ratio": _or_span(found["axle_ratio"], a.truck.axle_ratio),
        "tyre": Band.of(lambda e: tyre.at(e) * INCH / 2, tyre.assumed),
        "driven": _driven(facts["mass"].middle, found["driven_weight_lb"], wheels, a),
        "first_gear": _or_span(found["first_gear"], a.gear_ratios[0]),
        "overdrive": _or_span(found["overdrive"], a.gear_ratios[-1]),
        "line_pressure": pressures["line_pressure_psi"],
        "converter_pressure": pressures["converter_pressure_psi"],
        "stall_rpm": found["stall_rpm"],
        "shift_time": _or_span(found["shift_time_s"], a.shift.shift_time),
        "warming": _warming(found["oil_temperature_f"], a),
        "application": _or_use(found["application"], "application", uses, a),
        "trailer": _or_use(found["trailer_weight_lb"], "trailer_weight", uses, a),
    }


#: measures that speak of the truck, and hold until another is taken
_OF_TRUCK = [
    "stall_ratio", "axle_ratio", "tyre_diameter_in", "driven_weight_lb", "driven_wheels", "first_gear", "overdrive", "application",
    "gasoline", "stall_rpm", "trailer_weight_lb", "shift_time_s", "oil_temperature_f",
]  # fmt: skip


def _or_span(band: Band, span: Span) -> Band:
    return Band.of(lambda e: np.where(np.isfinite(band.at(e)), band.at(e), span.at(e)), band.assumed)


def _warming(pan: Band, a: Assumptions) -> Band:
    """By how much the oil may warm, K, from the temperature of the ``pan``, °F; as assumed where it is not known."""
    return Band.of(
        lambda e: np.where(
            pan.assumed, a.truck.oil_warming.at(e), np.maximum((OIL_LASTS - pan.at(OPPOSITE[e])) / 1.8, 1.0)
        ),
        pan.assumed,
    )


def _latest(records: Records, table: pd.DataFrame, column: str, ended: bool = False, same_power: bool = False) -> Band:
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
    own["power"] = _power_on(records, own["unit"].to_numpy(), own["day"].to_numpy()) if same_power else 0.0
    rows = pd.DataFrame(
        {
            "unit": table["unit"].to_numpy(),
            "power": np.nan_to_num(table["power_hp"].to_numpy(float)) if same_power else 0.0,
            "day": _came_in(records, table).to_numpy() if ended else table["ended_on"].to_numpy(dtype="datetime64[ns]"),
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


#: torque measured within so many days of the start of a life is on record from its start
FROM_THE_START = 90


def _from_the_start(records: Records, table: pd.DataFrame, told: np.ndarray) -> np.ndarray:
    """`Loads.from_the_start` of the rows of a ``table`` of loads; told: (n,) bool, whether torque is on record at all."""
    measured = records.conditions
    known = told & (table["torque_at_shaft_lbft"] > 0).to_numpy()
    own = measured[measured[["torque_lbft", "rpm"]].notna().any(axis=1)] if len(measured) else measured
    stated = np.isfinite(table["torque_lbft"].to_numpy(float))
    if own.empty:
        return known & stated
    power = _power_on(records, own["unit"].to_numpy(), own["day"].to_numpy())
    first = own.assign(power=power).groupby(["unit", "power"])["day"].min()
    at = first.index.get_indexer(pd.MultiIndex.from_arrays([table["unit"], table["power_hp"]]))
    days = (first.to_numpy()[at] - table["started_on"].to_numpy(first.dtype)) / np.timedelta64(1, "D")
    return known & (stated | ((at >= 0) & (days <= FROM_THE_START)))


def _power_on(records: Records, unit: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Power of units (m,) on days (m,), hp; 0 where it is not known then."""
    base = records.builds["power_hp"].to_numpy(float)[unit]
    changes = records.changes[records.changes["power_hp"].notna() | records.changes["power_lost"].astype(bool)]
    asked = pd.DataFrame({"unit": unit, "day": day, "at": np.arange(len(unit))}).sort_values(["day", "at"])
    told = changes.rename(columns={"changed_on": "day"})[["unit", "day", "power_hp"]].sort_values(["day", "unit"])
    told = told.assign(changed=True)
    found = pd.merge_asof(asked, told.astype({"unit": int}), on="day", by="unit").set_index("at").sort_index()
    changed = found["changed"].notna().to_numpy()
    return np.nan_to_num(np.where(changed, found["power_hp"].to_numpy(float), base))


def _came_in(records: Records, table: pd.DataFrame) -> pd.Series:
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


def _by_gear(
    facts: dict[str, Band], a: Assumptions, end: str, kind: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Torque the engine brings to a part of a ``kind`` (n,), torque the tyres hold there, N·m, and the gear ratios, each (gears, n).

    In the first gear the converter multiplies, at least 1 and at most the stall ratio times the share of torque the engine
    has at stall; in the others it is taken as coupled or locked, and for a lock-up clutch in all.
    """
    other = OPPOSITE[end]
    output, lock = kind == "output shaft", kind == "converter"
    launch = np.maximum(facts["stall"].at(end) * a.torque_at_stall.at(end), 1.0)
    mu, mass = facts["friction"].at(end), facts["mass"].middle
    # a weighed axle is known at rest; the transfer at slip comes on top
    with np.errstate(invalid="ignore"):
        share = facts["driven"].at(end) / mass
    driven = traction.driven_axle_mass(mass, share, mu, a.truck.height.at(end))
    held = traction.slip_torque(mu, driven, facts["tyre"].at(end), facts["axle_ratio"].at(other))
    # the output shaft carries more in a lower gear; the input shaft of a truck that slips less
    gears = np.where(output, _gears(facts, a, end), _gears(facts, a, other))
    first = (np.arange(len(gears)) == 0)[:, None] & ~lock
    brought = facts["engine"].at(end) * np.where(first, launch, 1.0)
    at_output = brought * gears * a.efficiency.at(end)
    return np.where(output, at_output, brought), held / np.where(output, 1.0, gears * a.efficiency.at(other)), gears


def _gears(facts: dict[str, Band], a: Assumptions, end: str) -> np.ndarray:
    """Gear ratios (gears, n): the shop's, but for a first gear or an overdrive on record."""
    ratios = [np.full(len(facts["mass"].middle), g.at(end)) for g in a.gear_ratios]
    ratios[-1] = facts["overdrive"].at(end)
    ratios[0] = facts["first_gear"].at(end)
    return np.array(ratios)


def _most(brought: np.ndarray, held: np.ndarray, gears: np.ndarray) -> GearTorque:
    carried, slips = traction.effective_torque(brought, held)
    unknown = np.isnan(carried).any(0)
    at = np.where(unknown, 0, np.argmax(np.nan_to_num(carried, nan=-1.0), axis=0))
    count, row = slips.sum(0), np.arange(carried.shape[1])
    limited = np.where(count == 0, "no", np.where(count == len(slips), "in every gear", "in some gears"))
    torque = np.where(unknown, np.nan, carried[at, row])
    return GearTorque(torque, np.where(unknown, "not known", limited), gears[at, row])


# ---- margins ------------------------------------------------------------------------------------------------------------
def shear_yield(parts: pd.DataFrame, end: str) -> np.ndarray:
    """Shear yield of ``parts`` (a row each), Pa (n,), at an ``end`` of their ranges: by tensile yield where given, else
    by hardness; NaN outside the table of hardness, and where the hardness is of a skin alone."""
    suffix = SUFFIX[end]
    by_tensile = strength.shear_from_tensile(parts[f"tensile_yield_ksi{suffix}"].to_numpy() * KSI)
    by_hardness = strength.torsional_yield(parts[f"hardness_hrc{suffix}"].to_numpy())
    by_hardness = np.where(parts["skin_only"].to_numpy() == 1, np.nan, by_hardness)
    return np.where(np.isfinite(by_tensile), by_tensile, by_hardness)


#: sections of a shaft that carry its torque
_SECTIONS = ("outside_diameter", "spline_root_diameter")


def _section_stress(torque_nm: np.ndarray, parts: pd.DataFrame, end: str) -> list[np.ndarray]:
    """Nominal shear, Pa, of the body and under the spline's teeth; NaN where not known."""
    suffix, other = SUFFIX[OPPOSITE[end]], SUFFIX[end]
    bore = parts[f"bore_in{other}"].to_numpy() * INCH
    return [shafts.shear_stress(torque_nm, parts[f"{c}_in{suffix}"].to_numpy() * INCH, bore) for c in _SECTIONS]


def nominal_stress(torque_nm: np.ndarray, parts: pd.DataFrame, end: str) -> np.ndarray:
    """Nominal shear of shafts under torque_nm (n,), Pa (n,): the greater of the body's and that under the spline's
    teeth, where each is known. parts: a row each, at an ``end`` of their ranges."""
    return np.fmax(*_section_stress(torque_nm, parts, end))


def _notch_factors(parts: pd.DataFrame, end: str) -> list[np.ndarray]:
    """Factor on the nominal shear of the body and of the section under the spline's teeth, at their worst notch, of parts (a row each) at an
    end of their ranges.

    Under the teeth: as stated, else the range of spline roots. Of the body: by the radius of its fillet, where known, else as stated, else
    the range of fillets; both ranges by Peterson, from memory.
    """
    suffix = SUFFIX[end]
    stated = parts[f"stress_concentration{suffix}"].to_numpy()
    radius = parts[f"fillet_radius_in{SUFFIX[OPPOSITE[end]]}"].to_numpy() * INCH
    body = parts[f"outside_diameter_in{suffix}"].to_numpy() * INCH
    fillet = shafts.fillet_factor(radius, body, {"low": 0.25, "": 1.0, "high": 4.0}[end])
    root, fillets = (Span(*shafts.CONCENTRATION[c]).at(end) for c in ("spline root", "fillet"))
    # a shaft whose spline nobody measured has one all the same
    usual = np.where(np.isnan(parts["spline_root_diameter_in"].to_numpy()), root, fillets)
    filled = np.where(np.isfinite(stated), stated, usual)
    by_radius = np.isfinite(fillet) & np.isfinite(parts["spline_root_diameter_in"].to_numpy())
    return [np.where(by_radius, fillet, filled), np.where(np.isfinite(stated), stated, root)]


def notch_stress(torque_nm: np.ndarray, parts: pd.DataFrame, end: str) -> np.ndarray:
    """Shear at the worst notch, Pa (n,), under a steady torque_nm (n,) in parts (a row each) at an end of their ranges."""
    nominal, factors = _section_stress(torque_nm, parts, end), _notch_factors(parts, end)
    return np.fmax(*(shafts.local_stress(n, k) for n, k in zip(nominal, factors, strict=True)))


def _stress_margin(
    torque: dict[str, np.ndarray], parts: pd.DataFrame, facts: dict[str, Band] | None = None
) -> dict[str, np.ndarray]:
    """Shear yield over shear at each end; ``low`` is the weakest the part may be under the most it may carry. With ``facts`` at the worst
    notch, under a shock by the application factor; without, of the plain body under the steady torque."""
    out = {}
    for end in ENDS:
        other = OPPOSITE[end]
        if facts is None:
            stress = nominal_stress(torque[other], parts, other)
        else:
            stress = notch_stress(torque[other], parts, other) * facts["application"].at(other)
        out[end] = shear_yield(parts, end) / stress
    return out


def _clutch_margin(
    torque: dict[str, np.ndarray], parts: pd.DataFrame, kind: np.ndarray, facts: dict[str, Band], a: Assumptions
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Capacity over torque of packs and lock-up clutches at each end, and where pressure and friction are assumed."""
    margin = {}
    is_lock = kind == "converter"
    clutch = is_lock | (kind == "clutch pack")
    recorded = {e: np.where(is_lock, facts["converter_pressure"].at(e), facts["line_pressure"].at(e)) for e in ENDS}
    for end in ENDS:
        suffix = SUFFIX[end]
        usual = np.where(is_lock, a.converter_pressure.at(end), a.line_pressure.at(end))
        stated = parts[f"apply_pressure_psi{suffix}"].to_numpy()
        pressure = np.where(np.isfinite(recorded[end]), recorded[end], np.where(np.isfinite(stated), stated, usual))
        spring = parts[f"return_spring_lbf{SUFFIX[OPPOSITE[end]]}"].to_numpy()
        spring = np.where(np.isnan(spring) & (kind == "clutch pack"), a.return_spring.at(OPPOSITE[end]), spring) * LBF
        force = clutches.apply_force(
            pressure * PSI, parts[f"piston_area_sqin{suffix}"].to_numpy() * SQUARE_INCH, spring
        )
        lining = parts[f"lining_friction{suffix}"].to_numpy()
        friction = np.where(np.isfinite(lining), lining, a.lining_friction.at(end))
        radius = clutches.mean_radius(
            parts[f"lining_outside_diameter_in{suffix}"].to_numpy() * INCH / 2,
            parts[f"lining_inside_diameter_in{suffix}"].to_numpy() * INCH / 2,
        )
        capacity = clutches.torque_capacity(force, friction, radius, parts[f"faces{suffix}"].to_numpy())
        margin[end] = np.where(clutch, capacity / torque[OPPOSITE[end]], np.nan)
    assumed = np.isnan(recorded[""]) & parts["apply_pressure_psi"].isna().to_numpy()
    return margin, assumed, parts["lining_friction"].isna().to_numpy()
