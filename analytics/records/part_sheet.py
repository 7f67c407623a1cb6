"""The sheet of parts: what each part is made like. All of it optional but its name."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.loads import plain
from analytics.records.measures import AREA, FORCE, HARDNESS, LENGTH, PRESSURE, STRESS, Measure, measure
from analytics.records.parts import NOT_RECORDED, name_components, name_parts
from analytics.records.shop import Shop
from analytics.records.words import LININGS, PART_KINDS, TREATMENTS, choose

MEASURES = (
    Measure("pieces", "pieces", None, 1, 20),
    Measure("outside_diameter", "outside_diameter_in", LENGTH),
    Measure("bore", "bore_in", LENGTH),
    Measure("length", "length_in", LENGTH),
    Measure("hardness", "hardness_hrc", HARDNESS),
    Measure("case_depth", "case_depth_in", LENGTH),
    Measure("tensile_yield", "tensile_yield_ksi", STRESS),
    Measure("stress_concentration", "stress_concentration", None, 1, 20),
    Measure("fillet_radius", "fillet_radius_in", LENGTH),
    Measure("hub_diameter", "hub_diameter_in", LENGTH),
    Measure("hub_wall", "hub_wall_in", LENGTH),
    Measure("spline_teeth", "spline_teeth", None, 3, 200),
    Measure("spline_pitch_diameter", "spline_pitch_diameter_in", LENGTH),
    Measure("spline_root_diameter", "spline_root_diameter_in", LENGTH),
    Measure("spline_length", "spline_length_in", LENGTH),
    Measure("spline_tooth_thickness", "spline_tooth_thickness_in", LENGTH),
    Measure("spline_tooth_depth", "spline_tooth_depth_in", LENGTH),
    Measure("faces", "faces", None, 1, 100),
    Measure("piston_area", "piston_area_sqin", AREA),
    Measure("piston_sides", "piston_sides", None, 1, 2),
    Measure("lining_outside_diameter", "lining_outside_diameter_in", LENGTH),
    Measure("lining_inside_diameter", "lining_inside_diameter_in", LENGTH),
    Measure("lining_friction", "lining_friction", None, 0.01, 1),
    Measure("return_spring", "return_spring_lbf", FORCE),
    Measure("apply_pressure", "apply_pressure_psi", PRESSURE),
    Measure("release_area", "release_area_sqin", AREA),
    Measure("torque_ratio", "torque_ratio", None, 0.01, 20),
)
COLUMNS = [*(f"{m.column}{end}" for m in MEASURES for end in ("", "_low", "_high")), "skin_only", "price"]
#: (smaller, larger) that must be in this order
_ORDER = (
    ("bore_in", "outside_diameter_in"),
    ("bore_in", "spline_root_diameter_in"),
    ("lining_inside_diameter_in", "lining_outside_diameter_in"),
    ("spline_pitch_diameter_in", "hub_diameter_in"),
)


def read_parts(parts: Sheet, shop: Shop) -> None:
    """Type the cells; a part entered twice is set aside, one entered in two ways altogether.

    parts: the sheet. shop: its settings.
    """
    values = parts.values
    name_components(parts, shop)
    name_parts(parts, "part", shop)
    no_part = values["part"].isin(["", NOT_RECORDED])
    parts.set_aside(no_part, "part", "no part named", "say which part the row describes")
    kind = choose(parts.text("kind"), PART_KINDS, shop.names.words.get("kind", {}))
    guessed = pd.Series([kind_of(c) for c in values["component"]], index=values.index, dtype=object)
    remedy = f"write one of {', '.join(PART_KINDS)}"
    parts.doubt(kind["problem"] != "", "kind", kind["problem"] + ": taken by the component's name", remedy)
    values["kind"] = kind["value"].where(kind["value"] != "", guessed)
    for text in ("material", "spline_fit"):
        values[text] = cells.tidy(parts.text(text))
    for heading, words in (("heat_treatment", TREATMENTS), ("lining", {k: v[2] for k, v in LININGS.items()})):
        said = choose(parts.text(heading), words, shop.names.words.get(heading, {}))
        remedy = f"write one of {', '.join(words)}"
        parts.doubt(said["problem"] != "", heading, said["problem"] + ": taken as unknown", remedy)
        values[heading] = said["value"]
    for what in MEASURES:
        measure(parts, what, unit_of(what, shop))
    for end in ("", "_low", "_high"):  # one side where nobody says: the weaker clutch
        values[f"piston_area_sqin{end}"] *= values["piston_sides"].fillna(1.0)
    # a blank one is none; one that could not be read is not known, and nothing that hangs on it either. A pack has springs whether or not they are written down
    pack = values["kind"] == "clutch pack"
    for heading, column, some in (("bore", "bore_in", False), ("return_spring", "return_spring_lbf", pack)):
        blank = parts.text(heading).map(cells.is_blank) & ~pd.Series(some, index=values.index)
        for end in ("", "_low", "_high"):
            values[f"{column}{end}"] = values[f"{column}{end}"].mask(blank, 0.0)
    _lining_friction(values)
    values["skin_only"] = _skin_only(values).astype(float)
    price = plain(parts, "price", 0, 1_000_000)
    parts.doubt(price["problem"] != "", "price", price["problem"] + ": taken as unknown", price["remedy"])
    for small, large in _ORDER:
        wrong = values[f"{small}_high"] >= values[f"{large}_low"]
        heading = small.removesuffix("_in")
        reason = f"the {heading.replace('_', ' ')} is not below the {large.removesuffix('_in').replace('_', ' ')}"
        parts.set_aside(wrong, heading, reason, "correct the one that is wrong")
    live = parts.raw.table[parts.in_use].apply(lambda column: column.str.strip().str.casefold())
    live["component"], live["part"] = values["component"], values["part"].str.casefold()
    again = _mask(parts, live.index[live.duplicated()])
    parts.set_aside(again, "part", "the same part is entered twice", "nothing to do", Issue.REPEATED)
    live = live.drop_duplicates()
    clash = _mask(parts, live.index[live.duplicated(["component", "part"], keep=False)])
    parts.set_aside(clash, "part", "another row describes this part otherwise", "delete the row that is wrong")


def _lining_friction(values: pd.DataFrame) -> None:
    """Friction by what the lining is made of, where none is stated."""
    blank = values["lining_friction"].isna()
    ends = values["lining"].map({k: v[:2] for k, v in LININGS.items()})
    for column, pick in (("_low", min), ("_high", max), ("", lambda pair: float(np.sqrt(pair[0] * pair[1])))):
        own = ends.map(lambda pair, pick=pick: pick(pair) if isinstance(pair, tuple) else np.nan).astype(float)
        values[f"lining_friction{column}"] = values[f"lining_friction{column}"].where(~blank, own)


def _skin_only(values: pd.DataFrame) -> pd.Series:
    """Whether the hardness on record is that of a skin thinner than half the radius, or of one whose depth nobody wrote down: the table of
    shear yield by hardness is for steel hardened at least so deep."""
    skin = values["heat_treatment"].isin(["surface-hardened", "case-hardened"])
    radius = np.fmin(values["outside_diameter_in"], values["spline_root_diameter_in"]) / 2
    return skin & ~(values["case_depth_in_low"] >= radius / 2)


def unit_of(what: Measure, shop: Shop) -> str:
    """What a bare number in this column means. what: is measured. shop: its units."""
    if what.kind is None:
        return ""
    own = {
        "length": shop.units.length,
        "area": f"sq {shop.units.length}",
        "pressure": shop.units.pressure,
        "torque": shop.units.torque,
        "weight": shop.units.weight,
    }
    return own.get(what.kind.name, what.kind.unit)


def kind_of(component: str) -> str:
    """What kind of part a component is, by its name; "" where the name does not say."""
    return next((k for k in PART_KINDS if k in component), "clutch pack" if "clutch" in component else "")


def _mask(sheet: Sheet, labels: pd.Index) -> np.ndarray:
    mask = np.zeros(len(sheet.alive), bool)
    mask[labels.to_numpy(int)] = True
    return mask
