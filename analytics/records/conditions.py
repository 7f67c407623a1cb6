"""What was measured on a unit: torque, ratios, tyres, pressures, shifts; in a sheet of their own, or beside a build or a return."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.records import cells
from analytics.records.book import Sheet
from analytics.records.measures import LENGTH, PRESSURE, TEMPERATURE, TIME, TORQUE, Measure, measure
from analytics.records.ordering import in_service, known_on
from analytics.records.part_sheet import unit_of
from analytics.records.shop import Shop
from analytics.records.words import FUELS, LAUNCHES

MEASURES = (
    Measure("torque", "torque_lbft", TORQUE),
    Measure("rpm", "rpm", None, 500, 15_000),
    Measure("stall_ratio", "stall_ratio", None, 1, 5),
    Measure("axle_ratio", "axle_ratio", None, 1, 20),
    Measure("tyre_diameter", "tyre_diameter_in", LENGTH),
    Measure("driven_weight", "driven_weight_lb", cells.WEIGHT),
    Measure("trailer_weight", "trailer_weight_lb", cells.WEIGHT),
    Measure("driven_wheels", "driven_wheels", None, 2, 4),
    Measure("first_gear", "first_gear", None, 1, 20),
    Measure("overdrive", "overdrive", None, 0.2, 1),
    Measure("stall_rpm", "stall_rpm", None, 500, 8000),
    Measure("shift_time", "shift_time_s", TIME),
    Measure("oil_temperature", "oil_temperature_f", TEMPERATURE),
    Measure("launch", "application", words=LAUNCHES),
    Measure("fuel", "gasoline", words=FUELS),
    Measure("line_pressure", "line_pressure_psi", PRESSURE),
    Measure("converter_pressure", "converter_pressure_psi", PRESSURE),
)
#: what each sheet may hold of it
OF_SHEET = {
    "conditions": tuple(m.heading for m in MEASURES),
    "builds": tuple(m.heading for m in MEASURES if m.heading != "rpm"),
    "returns": ("line_pressure", "converter_pressure"),
}
COLUMNS = [f"{m.column}{end}" for m in MEASURES for end in ("", "_low", "_high")]


def read_conditions(sheet: Sheet, shop: Shop) -> None:
    """Type the measured columns of builds, returns or conditions; a row of conditions that says nothing is set aside.

    sheet: one of the three. shop: its settings.
    """
    for what in MEASURES:
        # of a hundred thousand builds the columns that nobody keeps would be most of the table
        if what.heading in OF_SHEET[sheet.name] and what.heading in sheet.raw.table:
            measure(sheet, what, unit_of(what, shop), shop.names.words.get(what.heading, {}))
    if sheet.name == "conditions":
        nothing = sheet.values.reindex(columns=[m.column for m in MEASURES]).isna().all(axis=1)
        sheet.set_aside(nothing, "converter_pressure", "nothing measured that could be read", "say what was measured")


def conditions_table(
    sheets: dict[str, Sheet], units: pd.DataFrame, position: pd.Series, shipments: pd.DataFrame
) -> pd.DataFrame:
    """Everything measured, one row each: unit, day, sheet, row, and per measure value, ``_low`` and ``_high``.

    A build counts as measured on the day it went into service, also where a unit is shipped again (shipments: at, first);
    a return on the day it came in. Of several rows of one
    unit and day the order of the file decides nothing: they are sorted by what they say.
    sheets: by name, read. units: a row each. position: of a unit by the row of builds.
    """
    frames = []
    for name in ("builds", "conditions", "returns"):
        sheet = sheets.get(name)
        if sheet is None:
            continue
        if name == "builds":
            later = shipments[shipments["first"].isin(position.index) & sheet.in_use[shipments["at"].to_numpy(int)]]
            at = np.concatenate([units["at"].to_numpy(int), later["at"].to_numpy(int)])
            unit = np.concatenate([np.arange(len(units)), position.reindex(later["first"]).to_numpy(int)])
            day = in_service(sheet)
        else:
            at = np.flatnonzero(sheet.in_use)
            unit = position.reindex(sheet.values["build"].to_numpy()[at]).to_numpy(int)
            day = known_on(sheet)
        said = sheet.values[sheet.values.columns.intersection(COLUMNS)].notna().any(axis=1).to_numpy()[at]
        at, unit, row = at[said], unit[said], sheet.raw.row[at[said]]
        picked = sheet.values.iloc[at].reindex(columns=COLUMNS).astype(float).reset_index(drop=True)
        frame = pd.DataFrame({"unit": unit, "day": day.to_numpy()[at], "sheet": name, "row": row})
        frames.append(pd.concat([frame, picked], axis=1))
    kinds = {"unit": int, "day": "datetime64[ns]", "sheet": object, "row": int} | dict.fromkeys(COLUMNS, float)
    filled = [f for f in frames if len(f)] or frames[:1]
    table = pd.concat(filled, ignore_index=True).astype(kinds)
    return table.sort_values(["unit", "day", "sheet", *COLUMNS], kind="stable", ignore_index=True)
