"""Odometer figures and run counts of all sheets, brought together per unit and judged."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.reasons import Issue
from analytics.records.book import Sheet
from analytics.records.headings import OF_NO_UNIT
from analytics.records.odometer import FIGURES, miles_in_service, runs_in_service
from analytics.records.ordering import known_on
from analytics.records.shop import Shop
from analytics.records.unlike import doubt_rates

_DAY_OF = {"readings": "read_on", "returns": "failed_on", "changes": "changed_on", "fitted": "fitted_on"}
_SOURCES = {"readings": "reading", "returns": "return", "changes": "change", "fitted": "fitted", "builds": "build"}


def figures(
    sheets: dict[str, Sheet], units: pd.DataFrame, position: pd.Series, shipments: pd.DataFrame, shop: Shop
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Believed figures: (unit, day, miles, source, short) and (unit, day, runs), one a day, in order.

    Figures not believed are listed, or set aside where they are all their row says. Each return of a row of builds that
    stands for several units is judged alone: it speaks of one of them. What is believed there goes to the returns'
    ``miles`` and ``runs``, as for all returns.
    sheets: by name, read. units: a row each. position: of a unit by the row of builds. shipments: (at, first)
    of later ones. shop: its settings.
    """
    told, counts = _told(sheets, units, position, shipments)
    several = (units["count"] > 1).to_numpy()
    alone = [(f["sheet"] == "returns").to_numpy() & several[f["unit"].to_numpy(int)] for f in (told, counts)]
    of = []
    for frame, own in zip((told, counts), alone, strict=True):
        of.append(frame.loc[own, "unit"].to_numpy(int, copy=True))  # the next line writes over them
        frame.loc[own, "unit"] = len(units) + np.arange(own.sum())
    start, day = units["odometer_at_install"].to_numpy(), units["in_service_on"].to_numpy()
    told = miles_in_service(
        told, np.r_[start, start[of[0]]], np.r_[day, day[of[0]]], shop.checks.miles_per_year_max, shop.units
    )
    counts = runs_in_service(counts)
    counts["remedy"], counts["kind"] = "check the counts", Issue.UNREAD
    for column, frame, value in (("odometer", told, "miles"), ("runs", counts, "runs")):
        for name, sheet in sheets.items():
            if name not in OF_NO_UNIT:
                _report(sheet, column, frame[frame["sheet"] == name])
        back = frame[(frame["sheet"] == "returns") & (frame["problem"] == "")]
        sheets["returns"].values[value] = np.nan
        sheets["returns"].values.loc[back["at"], value] = back[value].to_numpy()
    _ask_for_start(sheets["builds"], units, told)
    doubt_rates(told, units, sheets, shop)
    good = told[(told["problem"] == "") & told["miles"].notna() & (told["unit"] < len(units))]
    good = good.sort_values(["unit", "day", "miles"], kind="stable").drop_duplicates(["unit", "day"], keep="last")
    odometer = good[["unit", "day", "miles", "sheet", "short"]].rename(columns={"sheet": "source"})
    odometer["source"] = odometer["source"].map(_SOURCES).astype(object)
    fine = counts[(counts["problem"] == "") & (counts["unit"] < len(units))]
    runs = fine.drop_duplicates(["unit", "day"], keep="last")[["unit", "day", "runs"]]
    return odometer.astype({"unit": int}).reset_index(drop=True), runs.astype({"unit": int}).reset_index(drop=True)


def _told(
    sheets: dict[str, Sheet], units: pd.DataFrame, position: pd.Series, shipments: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All figures as stated: FIGURES, and (unit, day, runs, sheet, at)."""
    figures, runs = [], []
    for name, heading in _DAY_OF.items():
        sheet = sheets.get(name)
        if sheet is None:
            continue
        values = sheet.values
        day = values[heading].fillna(values["returned_on"]) if name == "returns" else values[heading]
        unit = position.reindex(values["build"])
        base = pd.DataFrame({"unit": unit.to_numpy(), "day": day, "sheet": name, "at": np.arange(len(values))})
        live = sheet.in_use & day.notna().to_numpy() & unit.notna().to_numpy()
        direct = values["miles_in_service"] if name == "returns" else pd.Series(np.nan, index=values.index)
        figure = base.assign(
            odometer=values["odometer"].where(direct.isna()),
            miles_in_service=direct,
            replaced=values.get("replaced", pd.Series(False, index=values.index)),
            old_final=values.get("old_final", pd.Series(np.nan, index=values.index)),
        )
        says = figure[["odometer", "miles_in_service"]].notna().any(axis=1) | figure["replaced"]
        if name == "fitted":  # what was fitted before the truck left tells nothing of miles in service
            at = unit.fillna(0).to_numpy(int)
            start = units["in_service_on"].to_numpy()[at] if len(units) else np.zeros(len(at), "datetime64[ns]")
            says &= day.to_numpy() > start
        figures.append(figure[live & says.to_numpy()])
        if name in ("readings", "returns"):
            runs.append(base.assign(runs=values["runs"])[live & values["runs"].notna().to_numpy()])
    figures.append(_shipped_again(sheets["builds"], position, shipments))
    kinds = {"unit": int, "odometer": float, "miles_in_service": float, "replaced": bool, "old_final": float, "at": int}
    return _joined(figures, FIGURES, kinds), _joined(
        runs, ["unit", "day", "sheet", "at", "runs"], {"unit": int, "runs": float}
    )


def _joined(frames: list[pd.DataFrame], columns: list[str], kinds: dict[str, type]) -> pd.DataFrame:
    return pd.concat([f[columns].astype(kinds) for f in frames], ignore_index=True)


def _shipped_again(builds: Sheet, position: pd.Series, shipments: pd.DataFrame) -> pd.DataFrame:
    at = shipments["at"].to_numpy(int)
    at, first = at[builds.in_use[at]], shipments["first"].to_numpy(int)[builds.in_use[at]]
    values = builds.values.iloc[at]
    frame = pd.DataFrame({"unit": position.reindex(first).to_numpy(), "day": known_on(builds).iloc[at].to_numpy()})
    frame = frame.assign(
        sheet="builds", at=at, odometer=values["odometer_at_install"].to_numpy(), miles_in_service=np.nan,
        replaced=False, old_final=np.nan,
    )  # fmt: skip
    return frame[frame["odometer"].notna() & frame["unit"].notna()]


def _report(sheet: Sheet, column: str, frame: pd.DataFrame) -> None:
    """List figures not believed and odometers replaced; set aside rows of readings that say nothing else."""
    n, values = len(sheet.alive), sheet.values
    reason, remedy = (np.full(n, "", dtype=object) for _ in range(2))
    at = frame["at"].to_numpy(int)
    reason[at], remedy[at] = frame["problem"], frame["remedy"]
    kind = np.full(n, Issue.UNREAD)
    kind[at] = frame["kind"]
    bad = reason != ""
    only = np.zeros(n, bool)
    if sheet.name == "readings":
        other = "runs" if column == "odometer" else "odometer"
        only = bad & values[other].isna().to_numpy() & values["still_running"].isin(["", "yes"]).to_numpy()
        only &= ~values["replaced"].to_numpy()
    shown = column
    if sheet.name == "returns" and column == "odometer":
        direct = values["miles_in_service"].notna().to_numpy()
        sheet.doubt(bad & direct, "miles_in_service", reason + _NOT_USED, remedy, kind)
        values.loc[bad & direct, "miles_in_service"] = np.nan
        bad &= ~direct
    elif sheet.name == "builds":
        shown = "odometer_at_install"
    sheet.set_aside(only, shown, reason, remedy, kind)
    sheet.doubt(bad & ~only, shown, reason + _NOT_USED, remedy, kind)
    if column in values:
        values.loc[bad, column] = np.nan
    if column == "odometer":
        _say_replaced(sheet, frame[frame["noted"] == Issue.ODOMETER_REPLACED])


def _say_replaced(sheet: Sheet, frame: pd.DataFrame) -> None:
    note, remedy = (np.full(len(sheet.alive), "", dtype=object) for _ in range(2))
    at = frame["at"].to_numpy(int)
    note[at], remedy[at] = frame["note"], frame["note_remedy"]
    sheet.doubt(note != "", "odometer_replaced", note, remedy, Issue.ODOMETER_REPLACED)


_NOT_USED = np.array(": the figure is not used", dtype=object)


def _ask_for_start(builds: Sheet, units: pd.DataFrame, told: pd.DataFrame) -> None:
    """List builds whose later odometer figures say nothing because the one at install is missing."""
    blind = told[(told["noted"] == Issue.NO_START) & (told["unit"] < len(units))]
    times = blind["unit"].value_counts()
    reason = np.full(len(builds.alive), "", dtype=object)
    for unit, n in times.items():
        figures = "1 later figure" if n == 1 else f"{n} later figures"
        reason[units["at"].iat[int(unit)]] = (
            f"odometer at install not recorded: {figures} cannot be turned into miles on the part"
        )
    remedy = "ask for it, or write the miles since the install at the return"
    builds.doubt(reason != "", "odometer_at_install", reason, remedy, Issue.NO_START)
