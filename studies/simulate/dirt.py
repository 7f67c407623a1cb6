"""How a shop keeps its sheets: its own headings and words, mixed units and dates, slips of the pen.

`soil` takes the clean sheets of a fleet and gives the sheets as typed, and the list of what was planted
where. Habits (a unit in a cell, a date in words) are spread over many rows and at most `SHOWN` of each are
listed; slips that make a row fall out, wait for a look or be joined to another serial are listed without
exception.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError
from studies.simulate.fleet import CHECK_LETTERS, Fleet, day_number

USED, ASIDE, CHECK, LINKED = "used", "set aside", "to check", "linked"
SHOWN = 4
DRIVELINE_LOSS = 0.18
KM_PER_MILE = 1.609344
KW_PER_HP = 0.745699872  # mechanical horsepower; NIST SP 811 gives 7.456999 E+02 W
PLATE = "rating plate"
PS_PER_HP = 0.745699872 / 0.73549875  # metric horsepower is 75 kgf m/s
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

BUILDS = {
    "serial": "Serial No",
    "built_on": "Ship date",
    "in_service_on": "On the road",
    "odometer_at_install": "Odo at install",
    "power": "Power",
    "power_measured_at": "Dyno",
    "rpm": "rpm",
    "weight": "Truck wt",
    "weight_kind": "Wt from",
    "use": "Use",
    "builder": "Built by",
    "input_shaft": "Input",
    "converter": "Converter",
    "clutch_pack": "Clutches",
    "valve_body": "Valve body",
    "output_shaft": "Output",
}
RETURNS = {
    "serial": "Serial",
    "failed_on": "Broke",
    "returned_on": "Back in",
    "odometer": "Odo",
    "miles_in_service": "Miles since build",
    "runs": "Runs",
    "component": "Component",
    "part": "Part",
    "finding": "What we found",
    "order": "Order",
    "cause": "Cause",
    "replaced_with": "Fitted instead",
    "cost": "Cost",
    "paid_by": "Paid by",
    "notes": "Notes",
}
WORDS = {
    "use": {
        "towing": ["tow", "hauling"],
        "street": ["daily", "road"],
        "drag": ["strip"],
        "sled": ["pulling", "sled pull"],
    },
    "cause": {"part": ["wear"], "install": ["our fault"], "over limit": ["abuse"], "no fault": ["nothing wrong"]},
    "finding": {"burnt": ["burned"], "broken": ["snapped"]},
}
ALIASES = {
    "input shaft": {"IS-A": ["ISA", "A shaft"], "IS-B": ["ISB"]},
    "converter": {"TC-1": ["TC1"]},
    "valve body": {"VB-1": ["old valve body"], "VB-2": ["VB1 rev 2"]},
}
#: of a comeback, about
COSTS = {"input shaft": 2400, "converter": 1900, "clutch pack": 2100, "valve body": 1200, "output shaft": 2600}
NOTES = (
    "towed in, customer café van",
    "oil 120 °C on the gauge",
    "½ the clutches blue",
    "customer says it slipped 2nd to 3rd",
    "debris in pan; cooler flushed",
    "José did the teardown",
    "photo on the shop phone",
    'said "it just let go"',
)


@dataclass(slots=True, eq=False)
class Row:
    """One typed row; `true` keeps what it says when read rightly."""

    cells: dict[str, Any]
    true: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True, eq=False)
class Sheet:
    name: str
    file: str
    headings: dict[str, str]  # ours -> the shop's, in the order of the columns
    rows: list[Row]
    first_row: int = 2  # spreadsheet row of the first data row


@dataclass(slots=True, eq=False)
class Planted:
    kind: str
    sheet: Sheet
    row: Row | int  # a number for rows that are no data rows
    column: str  # our heading; "" for the whole row
    what: str
    expected: str


@dataclass(slots=True, eq=False)
class Soiled:
    sheets: dict[str, Sheet]
    planted: list[Planted]
    added: list[dict[str, Any]]  # events that are not in the fleet, made up so that their kind is there
    renamed: dict[str, str]  # the fleet's serial -> the one in the sheets

    def planted_table(self) -> pd.DataFrame:
        """The list: row as a person counts it in the file, column as it is headed there."""
        at = {id(r): s.first_row + i for s in self.sheets.values() for i, r in enumerate(s.rows)}
        rows = [
            (
                p.kind,
                p.sheet.name,
                p.sheet.file,
                p.row if isinstance(p.row, int) else at[id(p.row)],
                p.sheet.headings.get(p.column, p.column),
                p.what,
                p.expected,
            )
            for p in self.planted
        ]
        columns = ["kind", "sheet", "file", "row", "column", "planted", "expected"]
        return pd.DataFrame(rows, columns=columns).sort_values(
            ["kind", "sheet", "row", "column"], kind="stable", ignore_index=True
        )


def soil(fleet: Fleet, seed: int) -> Soiled:
    """The fleet's sheets as typed by its shop. Same fleet and seed: same sheets."""
    return _Dirt(fleet, np.random.default_rng([seed, 77])).make()


def near(serial: str) -> set[str]:
    """Every serial one slip away (wrong, missing or extra character, neighbours swapped), without hyphens."""
    s = serial.replace("-", "")
    letters = "0123456789" + CHECK_LETTERS + "IOQ"
    out = {s[:i] + a + s[i + 1 :] for i in range(len(s)) for a in letters}
    out |= {s[:i] + s[i + 1 :] for i in range(len(s))}
    out |= {s[:i] + a + s[i:] for i in range(len(s) + 1) for a in letters}
    out |= {s[:i] + s[i + 1] + s[i] + s[i + 2 :] for i in range(len(s) - 1)}
    return out - {s}


def as_date(days: float) -> date:
    """The date of whole days since 1970-01-01."""
    return date(1970, 1, 1) + timedelta(int(days))


def _day(value: Any) -> date | None:
    return None if pd.isna(value) else pd.Timestamp(value).date()


def _words(d: date, short_year: bool = False) -> str:
    month = MONTHS[d.month - 1]
    return f"{d.day}-{month}-{d.year % 100:02d}" if short_year else f"{d.day} {month} {d.year}"


def _swapped(d: date) -> date | None:
    """The other reading of a date typed with slashes; None where there is none."""
    return date(d.year, d.day, d.month) if d.day <= 12 and d.day != d.month else None


def _month_first(column: str, of: str, more: dict[str, Any]) -> Callable[[Row], dict[str, Any]]:
    """Types the day in slashes into a column, and `more` beside it. of: which day of the row."""
    return lambda r: {column: f"{r.true[of]:%m/%d/%Y}"} | more


def _blank(value: Any) -> Any:
    return "" if value is None or (isinstance(value, float) and np.isnan(value)) else value


def _whole(value: float) -> int | str:
    return "" if pd.isna(value) else round(float(value))


class _Dirt:
    def __init__(self, fleet: Fleet, rng: np.random.Generator) -> None:
        self.fleet, self.rng = fleet, rng
        self.units = fleet.units.set_index("serial")
        self.as_of = pd.Timestamp(fleet.truth.as_of).date()
        self.planted: list[Planted] = []
        self.added: list[dict[str, Any]] = []
        self.touched: set[str] = set()
        self.renamed: dict[str, str] = {}  # serials of the fleet that the sheets know by another
        self.shown: dict[str, int] = {}

    # -- helpers ----------------------------------------------------------------------------------

    def plant(self, kind: str, sheet: Sheet, row: Row | int, column: str, what: Any, expected: str = USED) -> None:
        self.planted.append(Planted(kind, sheet, row, column, str(what), expected))

    def habit(self, kind: str, sheet: Sheet, row: Row, column: str) -> None:
        if self.shown.get(kind, 0) < SHOWN:
            self.shown[kind] = self.shown.get(kind, 0) + 1
            self.plant(kind, sheet, row, column, row.cells[column] or "(blank)")

    def pick(
        self, kind: str, rows: Iterable[Row], count: int, suits: Callable[[Row], bool] = lambda r: True
    ) -> list[Row]:
        """Up to `count` rows at random, of serials with no other slip."""
        pool = [r for r in rows if r.true["serial"] not in self.touched and suits(r)]
        out: list[Row] = []
        for i in self.rng.permutation(len(pool)):
            if len(out) == count:
                break
            if pool[i].true["serial"] not in self.touched:
                self.touched.add(pool[i].true["serial"])
                out.append(pool[i])
        if not out:
            raise AnalyticsError(f"no row to plant {kind!r} in; use more units or another seed.")
        return out

    def slip(
        self,
        kind: str,
        of: tuple[Sheet, str],
        rows: Iterable[Row],
        typed: Callable[[Row], dict[str, Any]],
        count: int = 1,
        expected: str = USED,
    ) -> None:
        """In so many rows the cells `typed` instead, which is seen in a column: `of` says of which sheet."""
        sheet, column = of
        for r in self.pick(kind, rows, count):
            r.cells |= typed(r)
            self.plant(kind, sheet, r, column, r.cells[column], expected)

    def often(self, sheet: Sheet, r: Row, column: str, *ways: tuple[float, str, Any]) -> None:
        """One of the ways to type a cell, or none: how often, the habit it is ("" for none), and the cell, or several by heading."""
        at = self.chance(*(share for share, _, _ in ways))
        for _, kind, typed in ways[at : at + 1]:
            r.cells |= typed if isinstance(typed, dict) else {column: typed}
            if kind:
                self.habit(kind, sheet, r, column)

    @staticmethod
    def overwritten(p: Planted) -> bool:
        """A habit whose cell a slip has since replaced."""
        if not isinstance(p.row, Row) or not p.column or p.expected != USED or " for " in p.what:
            return False
        return p.what != (str(p.row.cells[p.column]) or "(blank)")

    def chance(self, *shares: float) -> int:
        """Index of the share drawn, or len(shares) for the rest."""
        return int(np.searchsorted(np.cumsum(shares), self.rng.random(), side="right"))

    # -- the sheets as the shop would type them without a slip -------------------------------------------

    def make(self) -> Soiled:
        events = self.with_every_kind(self.fleet.events[self.fleet.events["reported"].astype(bool)])
        clean = self.fleet.sheets()
        self.visits = events.drop_duplicates(["unit", "event"]).groupby("unit").size()
        self.serials = self.fleet.units["serial"].to_numpy()
        self.came_back = set(self.serials[self.visits.index.to_numpy(int)])
        self.no_odometer = {s for s, x in zip(self.serials, self.rng.random(len(self.serials)), strict=True) if x < 0.2}
        self.builds = self.type_builds(clean["builds"])
        self.returns = self.type_returns(events)
        self.readings = self.type_readings(clean["readings"])
        self.changes = self.type_simple("changes", clean["changes"], "changed_on")
        self.limits = self.type_simple("limits", clean["limits"], "effective_on")
        self.fitted = self.type_simple("fitted", clean["fitted"], "fitted_on")
        self.build_of = {r.true["serial"]: r for r in self.builds.rows}
        self.sheets = {
            s.name: s for s in (self.builds, self.fitted, self.returns, self.readings, self.changes, self.limits)
        }
        self.slips()
        self.planted = [p for p in self.planted if not self.overwritten(p)]
        self.list_events()
        self.list_whole_files()
        return Soiled(self.sheets, self.planted, self.added, self.renamed)

    def with_every_kind(self, events: pd.DataFrame) -> pd.DataFrame:
        """Reported events, and one made up for each kind that the draw did not give."""
        e, count = events.copy(), events[events["event"] >= 0].drop_duplicates(["unit", "event"]).groupby("unit").size()
        own = e[(e["kind"] == "failure") & (e["cause"] == "part")]
        alone = own[~own["unit"].isin(count[count > 1].index)]
        if not (count >= 3).any():
            e = self._three_visits(e, count)

        def without(component: str) -> pd.DataFrame:
            return alone[(alone["component"] != component) & ~alone["event"].isin(e[e["kind"] == "followed"]["event"])]

        for order in ("followed", "unclear"):
            if not ((e["kind"] == "followed") & (e["order"] == order)).any():
                base = without("valve body").iloc[0]
                e = self._other_part(e, base, "valve body", kind="followed", order=order, finding="bore worn")
                if order == "unclear":
                    e.loc[e["event"] == base["event"], "order"] = "unclear"
        if not (e["kind"] == "teardown").any():
            base = without("output shaft").iloc[-1]
            e = self._other_part(e, base, "output shaft", kind="teardown", order="first", finding="hairline crack")
        if not (e["kind"] == "no fault").any():
            base = alone.iloc[len(alone) // 2]
            told = {
                "kind": "no fault",
                "finding": "nothing found",
                "cause": "no fault",
                "order": "",
                "replaced_with": "",
            }
            day = base["failed_day"]
            e = self._made_up(e, base, told | {"event": -1, "failed_day": day - 1, "returned_day": day})
        for cause in ("install", "over limit", "unclear"):
            if not (e["cause"] == cause).any():
                e.loc[e["event"] == alone.iloc[len(alone) // 3]["event"], "cause"] = cause
        return e.sort_values(["returned_day", "unit", "event", "kind"], kind="stable", ignore_index=True)

    def _made_up(self, e: pd.DataFrame, base: pd.Series, changes: dict[str, Any]) -> pd.DataFrame:
        """The events with one more: `base`, changed."""
        row = dict(base) | changes
        self.added.append({k: row[k] for k in ("unit", "component", "part", "finding", "kind", "failed_day")})
        return pd.concat([e, pd.DataFrame([row])], ignore_index=True)

    def _other_part(self, e: pd.DataFrame, base: pd.Series, component: str, **changes: Any) -> pd.DataFrame:
        """The events with one more: that of `base`, of the part that its unit was built with."""
        part = self.fleet.units.at[int(base["unit"]), f"part:{component}"]
        first = {"component": component, "part": part, "lot": "", "spell": 1, "replaced_with": part}
        return self._made_up(e, base, first | changes)

    def _three_visits(self, e: pd.DataFrame, count: pd.Series) -> pd.DataFrame:
        """The events, with as many of one unit as make three. count: of its visits, by unit."""
        as_of = day_number(self.fleet.truth.as_of)

        def last_visit(u: int) -> float:
            return float(e.loc[e["unit"] == u, "returned_day"].max())

        gone = set(e.loc[e["replaced_with"] == "scrapped", "unit"])
        heard = self.fleet.units["seen_to_day"].to_numpy()[count.index.to_numpy(int)] >= as_of
        able = count[heard & ~count.index.isin(gone)]
        u = min(able.index, key=lambda u: (-able[u], last_visit(u), u))
        while int(e[(e["unit"] == u) & (e["event"] >= 0)]["event"].nunique()) < 3:
            before = e[e["unit"] == u].sort_values("failed_day").iloc[-1]
            valve = e[(e["unit"] == u) & (e["component"] == "valve body")]
            part = self.fleet.units.at[u, "part:valve body"] if valve.empty else valve.iloc[-1]["replaced_with"]
            failed = np.floor(last_visit(u) + 0.4 * (as_of - last_visit(u)))
            driven = (failed - before["returned_day"]) * self.fleet.units.at[u, "miles_per_day"]
            e = self._made_up(e, before, {
                "event": int(e["event"].max()) + 1, "component": "valve body", "part": part, "lot": "", "spell": len(valve) + 1,
                "failed_day": failed, "returned_day": failed + 3, "kind": "failure", "finding": "solenoid dead", "order": "first",
                "cause": "part", "replaced_with": part, "end_miles": before["end_miles"] + driven,
            })  # fmt: skip
        return e

    def type_builds(self, clean: pd.DataFrame) -> Sheet:
        sheet = Sheet("builds", "builds.xlsx", BUILDS, [], first_row=4)
        for rec in clean.to_dict("records"):
            serial = rec["serial"]
            back = serial in self.came_back
            odometer, service = rec["odometer_at_install"], as_date(self.units.at[serial, "service_day"])
            built = _day(rec["built_on"])
            parts = [k for k in BUILDS if k in rec and k not in RETURNS and k.endswith(("shaft", "converter", "pack", "body"))]  # fmt: skip
            r = Row(
                {
                    "serial": serial, "built_on": built, "in_service_on": _day(rec["in_service_on"]) or "",
                    "odometer_at_install": "" if serial in self.no_odometer else _whole(odometer), "power": _whole(rec["power"]),
                    "power_measured_at": "crank" if self.rng.random() < 0.4 else "",
                    "rpm": "" if self.rng.random() < 0.25 else _whole(rec["rpm"]),
                    "weight": _whole(rec["weight"]), "weight_kind": "", "use": rec["use"], "builder": rec["builder"],
                } | {k: rec[k] for k in parts},
                {k: rec[k] for k in ("serial", "power", "weight", "use")} | {"built": built, "service": service, "odometer0": odometer},
            )  # fmt: skip
            sheet.rows.append(r)
            self.build_power(sheet, r, back)
            self.build_weight(sheet, r, back)
            self.build_dates(sheet, r, back)
            words = [rec["use"]] * 3 + WORDS["use"][rec["use"]]
            r.cells["use"] = words[self.rng.integers(len(words))]
            if r.cells["use"] != rec["use"]:
                self.habit("a use in the shop's own word", sheet, r, "use")
        return sheet

    def build_power(self, sheet: Sheet, r: Row, back: bool) -> None:
        p = float(r.cells["power"])
        wheels = p * (1 - DRIVELINE_LOSS)
        at_wheels = {"power": f"{wheels:,.0f} whp", "power_measured_at": ""}
        self.often(
            sheet, r, "power",
            (0.03, "power in kW", f"{p * KW_PER_HP:.0f} kW"),
            (0.02, "power in PS", f"{p * PS_PER_HP:.0f} PS"),
            (0.03, "power with its unit", f"{p:,.0f} hp"),
            (0.02, "power at the wheels, in the cell", at_wheels),
            (0.04, "power at the wheels, in its column", {"power": _whole(wheels), "power_measured_at": "wheels"}),
            (0.015, "power approximate", f"approx {p:.0f}"),
            (0.01, "power as a range", f"{p - 25:.0f}-{p + 25:.0f}"),
            (0.0 if back else 0.03, "", {"power": "", "power_measured_at": ""}),
        )  # fmt: skip

    def build_weight(self, sheet: Sheet, r: Row, back: bool) -> None:
        w = float(r.cells["weight"])
        if self.rng.random() < (0.03 if back else 0.30):
            r.cells["weight"] = ""
            return
        use, tonnes = r.true["use"], f"{w * 0.45359237 / 1000:.2f} t"
        raced, towing = use == "drag", use == "towing"
        trailer = {"weight": _whole(round(1.9 * w, -2)), "weight_kind": "combined"}
        self.often(
            sheet, r, "weight_kind",
            (0.45, "weight as raced" if raced else "", "as raced" if raced else "as driven"),
            (0.16, "weight from a scale ticket", "scale ticket"),
            (0.05, "", PLATE),
            (0.02, "weight at the curb", {"weight": _whole(round(0.93 * w, -1)), "weight_kind": "curb"}),
            (0.02, "weight combined with the trailer" if towing else "", trailer if towing else {}),
            (0.03, "", {"weight": tonnes}),
        )  # fmt: skip
        if r.cells["weight_kind"] == PLATE:
            self._type_plate(sheet, r, _whole(round(1.22 * w, -2)))
        elif r.cells["weight"] == tonnes:
            self.habit("weight in tonnes", sheet, r, "weight")

    def _type_plate(self, sheet: Sheet, r: Row, plate: int | str) -> None:
        r.cells["weight_kind"] = ""
        if self.shown.get("weight from the rating plate", 0) < 2 or self.rng.random() < 0.7:
            r.cells |= {"weight": plate, "weight_kind": PLATE}
            self.habit("weight from the rating plate", sheet, r, "weight_kind")
        else:
            r.cells["weight"] = f"{plate:,} GVWR"
            self.habit("weight from the rating plate, in the cell", sheet, r, "weight")

    def build_dates(self, sheet: Sheet, r: Row, back: bool) -> None:
        d = r.true["built"]
        self.often(
            sheet, r, "built_on",
            (0.05, "date as text", d.isoformat()),
            (0.05, "month in words", _words(d)),
            (0.03, "year of two digits", _words(d, short_year=True)),
            (0.03, "date as a spreadsheet number", (d - date(1899, 12, 30)).days),
        )  # fmt: skip
        if not back and self.rng.random() < 0.04:
            r.cells["in_service_on"] = ""

    def text_date(self, sheet: Sheet, r: Row, column: str, d: date) -> None:
        r.cells[column] = d.isoformat()
        slashes = d.day > 12  # else it could be read two ways
        self.often(
            sheet, r, column,
            (0.25, "", _words(d)),
            (0.05, "", _words(d, short_year=True)),
            (0.08, f"month-first date in {sheet.name}" if slashes else "", f"{d:%m/%d/%Y}" if slashes else d.isoformat()),
            (0.05, f"day-first date in {sheet.name}" if slashes else "", f"{d:%d/%m/%Y}" if slashes else d.isoformat()),
        )  # fmt: skip

    def type_returns(self, events: pd.DataFrame) -> Sheet:
        sheet = Sheet("returns", "returns.csv", RETURNS, [])
        known = {
            int(u): self.rng.random() < self.fleet.truth.comebacks.odometer_share for u in sorted(set(events["unit"]))
        }
        for e in events.to_dict("records"):
            unit = self.fleet.units.loc[int(e["unit"])]
            serial = unit["serial"]
            failed = as_date(e["failed_day"])
            returned = as_date(e["returned_day"])
            miles = float(e["end_miles"])
            told = {name: e[name] for name in ("component", "part", "finding", "order", "cause")}
            r = Row(
                dict.fromkeys(RETURNS, "") | told | {"serial": serial, "replaced_with": e["replaced_with"]},
                {"serial": serial, "failed": failed, "returned": returned, "miles": miles, "kind": e["kind"], "event": int(e["event"])} | told,
            )  # fmt: skip
            sheet.rows.append(r)
            if known[int(e["unit"])]:
                self._type_odometer(sheet, r, unit, miles)
            self.text_date(sheet, r, "failed_on", failed)
            self.text_date(sheet, r, "returned_on", returned)
            if e["kind"] == "teardown":
                r.cells["failed_on"] = "teardown"
            alone = int((events["event"] == e["event"]).sum()) == 1
            if r.cells["order"] == "first" and alone and self.rng.random() < 0.6:
                r.cells["order"] = ""
            self._type_own_words(sheet, r, e)
            self._type_bill(sheet, r, e)
        return sheet

    def _type_bill(self, sheet: Sheet, r: Row, e: dict) -> None:
        money = 0
        if e["kind"] != "no fault":
            money = int(round(COSTS.get(e["component"], 1500) * (0.8 + 0.4 * self.rng.random()), -1))
        r.cells["cost"] = f"{money:,}" if self.rng.random() < 0.1 else money
        r.cells["paid_by"] = ["shop", "customer", "goodwill"][self.chance(0.45, 0.35)]
        if self.rng.random() < 0.45:
            r.cells["notes"] = NOTES[self.rng.integers(len(NOTES))]
            if not r.cells["notes"].isascii():
                self.habit("letter outside ASCII (cp1252)", sheet, r, "notes")

    def _type_odometer(self, sheet: Sheet, r: Row, unit: pd.Series, miles: float) -> None:
        if unit["serial"] in self.no_odometer:
            r.cells["miles_in_service"] = _whole(miles)
        elif self.rng.random() < 0.1:
            r.cells["odometer"] = f"{unit['odometer_at_install'] + miles:,.0f} mi"
            self.habit("odometer with its unit", sheet, r, "odometer")
        else:
            r.cells["odometer"] = _whole(unit["odometer_at_install"] + miles)
        if unit["runs_per_mile"] > 0:
            r.cells["runs"] = int(miles * unit["runs_per_mile"])
            self.habit("runs counted at a return", sheet, r, "runs")

    def _type_own_words(self, sheet: Sheet, r: Row, e: dict) -> None:
        others = ALIASES.get(e["component"], {}).get(e["part"], [])
        if others and self.rng.random() < 0.12:
            r.cells["part"] = others[self.rng.integers(len(others))]
            self.habit("part by another of its names", sheet, r, "part")
        for column in ("cause", "finding"):
            words = WORDS[column].get(e[column], [])
            if words and self.rng.random() < 0.25:
                r.cells[column] = words[self.rng.integers(len(words))]
                self.habit(f"a {column} in the shop's own word", sheet, r, column)
        if r.cells["replaced_with"] not in ("", "scrapped") and self.rng.random() < 0.06:
            r.cells["replaced_with"] = ""
            self.habit("new part not written down", sheet, r, "replaced_with")

    def type_readings(self, clean: pd.DataFrame) -> Sheet:
        names = ["serial", "read_on", "odometer", "odometer_replaced", "runs", "still_running", "source"]
        sheet = Sheet("readings", "readings.csv", {n: n for n in names}, [])
        for rec in clean.to_dict("records"):
            d = pd.Timestamp(rec["read_on"]).date()
            odometer = np.nan if rec["serial"] in self.no_odometer else rec["odometer"]
            r = Row(
                {
                    "serial": rec["serial"],
                    "odometer": _whole(odometer),
                    "odometer_replaced": "",
                    "runs": _whole(rec["runs"]),
                    "still_running": rec["still_running"],
                    "source": ["phone", "service visit", "photo", "dealer"][self.chance(0.4, 0.3, 0.2)],
                },
                {"serial": rec["serial"], "day": d, "odometer": odometer, "state": rec["still_running"]},
            )
            sheet.rows.append(r)
            self.text_date(sheet, r, "read_on", d)
            if not pd.isna(odometer):
                km = (0.08, "odometer in km, said so", f"{odometer * KM_PER_MILE:,.0f} km")
                self.often(sheet, r, "odometer", km, (0.08, "", f"{odometer:,.0f} mi"))
            if rec["still_running"] != "yes":
                self.habit(f"unit {rec['still_running']}", sheet, r, "still_running")
            elif not pd.isna(rec["runs"]):
                self.habit("runs counted at a reading", sheet, r, "runs")
        return sheet

    def type_simple(self, name: str, clean: pd.DataFrame, day: str) -> Sheet:
        columns = [c for c in clean.columns if not (name == "limits" and c == "use")]
        sheet = Sheet(name, f"{name}.csv", {c: c for c in columns}, [])
        for rec in clean.to_dict("records"):
            cells = {c: _whole(v) if isinstance(v := rec[c], float) else _blank(v) for c in columns}
            d = pd.Timestamp(rec[day]).date()
            if cells.get("odometer", "") != "" and rec["serial"] in self.no_odometer:
                cells["odometer"] = ""
            r = Row(cells | {day: d.isoformat()}, {"serial": rec.get("serial", ""), "day": d})
            sheet.rows.append(r)
            if name == "changes":
                self.text_date(sheet, r, day, d)
                self.habit("tune changed after the build", sheet, r, "power")
                if rec["weight"] != self.units.at[rec["serial"], "weight_lb"]:
                    self.habit("weight changed after the build", sheet, r, "weight")
        return sheet

    # -- the slips ----------------------------------------------------------------------------------

    def slips(self) -> None:
        visits: dict[str, list[Row]] = {}
        for r in self.returns.rows:
            visits.setdefault(r.true["serial"], []).append(r)
        # Slips that lose a row stay away from the part whose rating the demo is about, and from units
        # that came back twice.
        single = [v[0] for v in visits.values() if len(v) == 1]
        loose = [r for r in single if r.true["kind"] == "failure" and r.true["component"] != "input shaft"]
        self.slips_in_dates(single, loose)
        self.slips_in_serials(single, loose)
        self.slips_in_returns(single, loose)
        self.slips_in_builds()
        self.slips_in_readings()

    def slips_in_dates(self, single: Sequence[Row], loose: Sequence[Row]) -> None:
        def service(r: Row) -> date:
            return self.build_of[r.true["serial"]].true["service"]

        def settled(r: Row) -> bool:
            o = _swapped(r.true["failed"])
            return o is not None and not service(r) <= o <= r.true["returned"]

        def open_(r: Row, of: str) -> bool:
            o = _swapped(r.true[of])
            return o is not None and service(r) <= o <= self.as_of

        kind = "ambiguous date, settled by the order of events"
        for i, r in enumerate(self.pick(kind, single, 3, settled)):
            r.cells["failed_on"] = f"{r.true['failed']:%m/%d/%Y}" if i % 2 else f"{r.true['failed']:%d/%m/%Y}"
            r.cells["returned_on"] = r.true["returned"].isoformat()
            self.plant(kind, self.returns, r, "failed_on", r.cells["failed_on"])
        quiet = [r for r in self.builds.rows if r.true["serial"] not in self.came_back]

        def build_settled(r: Row) -> bool:
            o = _swapped(r.true["built"])
            return o is not None and r.true["service"] <= self.as_of and o > r.true["service"]

        for i, r in enumerate(self.pick(kind, quiet, 2, build_settled)):
            r.cells["built_on"] = f"{r.true['built']:%d/%m/%Y}" if i % 2 else f"{r.true['built']:%m/%d/%Y}"
            r.cells["in_service_on"] = r.true["service"]
            self.plant(kind, self.builds, r, "built_on", r.cells["built_on"])

        failed = (self.returns, "failed_on")
        kind, open_rows = "ambiguous date, not settled", [r for r in loose if open_(r, "failed")]
        self.slip(kind, failed, open_rows, _month_first("failed_on", "failed", {"returned_on": ""}), expected=ASIDE)
        for sheet, column, more in ((self.readings, "read_on", {}), (self.changes, "changed_on", {"odometer": ""})):
            alone = [r for r in _only_row(sheet.rows) if open_(r, "day") and not self.news(r)]
            self.slip(kind, (sheet, column), alone, _month_first(column, "day", more), expected=ASIDE)

        def month(r: Row) -> dict[str, str]:
            return {"failed_on": f"{_words(r.true['failed'])[-8:-5]}-{r.true['failed'].year % 100:02d}"}

        def before_built(r: Row) -> dict[str, str]:
            years = r.true["failed"].year - self.build_of[r.true["serial"]].true["built"].year + 1
            wrong = r.true["failed"] - timedelta(round(365.25 * years))
            return {"failed_on": wrong.isoformat(), "returned_on": r.true["returned"].isoformat()}

        self.slip("month without a day", failed, loose, month, expected=ASIDE)
        self.slip("failed before it was built", failed, loose, before_built, expected=ASIDE)

    def news(self, r: Row) -> bool:
        """Whether the row says more than a day and an odometer."""
        return r.true.get("state", "yes") != "yes" or r.true["serial"] in self.came_back

    def slips_in_serials(self, single: Sequence[Row], loose: Sequence[Row]) -> None:
        compact = {s.replace("-", ""): s for s in self.serials}

        def candidates(typed: str) -> set[str]:
            return {compact[s] for s in near(typed) if s in compact}

        def one_slip(r: Row, typed: Iterable[str]) -> str:
            """The first of the typed forms that points back to this unit alone."""
            return next(
                (t for t in typed if t.replace("-", "") not in compact and candidates(t) == {r.true["serial"]}), ""
            )

        def digit_wrong(s: str) -> list[str]:
            return [s[:i] + str((int(s[i]) + 3) % 10) + s[i + 1 :] for i in (4, 3, 5) if s[i].isdigit()]

        def swapped(s: str) -> list[str]:
            return [
                s[:i] + s[i + 1] + s[i] + s[i + 2 :] for i in range(2, 5) if s[i] != s[i + 1] and s[i + 1].isdigit()
            ]

        def letter(s: str) -> list[str]:
            return [s[:i] + "O" + s[i + 1 :] for i in range(2, len(s)) if s[i] == "0"]

        for kind, forms, count in (
            ("serial with a wrong digit", digit_wrong, 2),
            ("serial with two digits swapped", swapped, 1),
            ("serial with a letter O for a nought", letter, 1),
        ):
            able = [r for r in single if one_slip(r, forms(r.true["serial"]))]
            for r in self.pick(kind, able, count):
                r.cells["serial"] = one_slip(r, forms(r.true["serial"]))
                self.plant(kind, self.returns, r, "serial", f"{r.cells['serial']} for {r.true['serial']}", LINKED)
        kind = "serial in small letters without hyphens"
        for r in self.pick(kind, single, 1):
            r.cells["serial"] = r.true["serial"].replace("-", "").lower()
            self.plant(kind, self.returns, r, "serial", f"{r.cells['serial']} for {r.true['serial']}")
        self._two_candidates("serial typo with two candidates", True, ASIDE, loose, compact, candidates)
        built_after = "serial typo, the second candidate built after the failure"
        self._two_candidates(built_after, False, LINKED, loose, compact, candidates)

    def _two_candidates(
        self,
        kind: str,
        fits: bool,
        expected: str,
        loose: Sequence[Row],
        compact: dict[str, str],
        candidates: Callable[[str], set[str]],
    ) -> None:
        """A serial half way between two units, of which the second was running at the failure (`fits`) or not yet built."""
        for r in [loose[i] for i in self.rng.permutation(len(loose))]:
            serial = r.true["serial"]
            pool = [] if serial in self.touched else [b for b in self.builds.rows if self._twin(r, b, fits)]
            if not pool:
                continue
            other = pool[self.rng.integers(len(pool))]
            new, typed = self.twin_serial(serial, compact, candidates)
            if new:
                self.rename(other.true["serial"], new)
                compact[new.replace("-", "")] = new
                r.cells["serial"] = typed
                self.touched |= {serial, new}
                self.plant(kind, self.returns, r, "serial", f"{typed} for {serial} or {new}", expected)
                return
        raise AnalyticsError(f"no row to plant {kind!r} in; use more units or another seed.")

    def _twin(self, r: Row, b: Row, fits: bool) -> bool:
        """Whether the unit built may be taken for that of the return."""
        if b.true["serial"] in self.came_back | self.touched:
            return False
        if not fits:
            return b.true["built"] > r.true["returned"] + timedelta(60)
        part = r.true["component"].replace(" ", "_")
        same = b.cells[part] == self.build_of[r.true["serial"]].cells[part]
        return same and b.true["service"] < r.true["failed"] - timedelta(30)

    def twin_serial(
        self, serial: str, compact: dict[str, str], candidates: Callable[[str], set[str]]
    ) -> tuple[str, str]:
        """A serial two characters from this one, and the slip half way that points to both and no third."""
        for a, b in product(CHECK_LETTERS, CHECK_LETTERS):
            new, typed = serial[:-2] + a + b, serial[:-2] + a + serial[-1]
            differs = a != serial[-2] and b != serial[-1]
            if differs and candidates(typed) == {serial} and typed.replace("-", "") not in compact:
                return new, typed
        return "", ""

    def rename(self, old: str, new: str) -> None:
        for sheet in self.sheets.values():
            for r in sheet.rows:
                if r.true.get("serial") == old:
                    r.cells["serial"] = r.true["serial"] = new
        self.build_of[new] = self.build_of.pop(old)
        self.renamed[old] = new
        if old in self.no_odometer:
            self.no_odometer.add(new)

    def slips_in_returns(self, single: Sequence[Row], loose: Sequence[Row]) -> None:
        rows = self.returns.rows
        kind = "the same return entered twice"
        for i, r in enumerate(self.pick(kind, single, 2, lambda r: r.true["kind"] == "failure")):
            twice = Row(dict(r.cells), dict(r.true))
            if i:  # typed anew, by another hand
                twice.cells |= {
                    "failed_on": _words(r.true["failed"]),
                    "returned_on": r.true["returned"].isoformat(),
                    "notes": "",
                }
            rows.insert(min(rows.index(r) + 3 + 2 * i, len(rows)), twice)
            self.plant(kind, self.returns, twice, "", f"{r.true['serial']} again", ASIDE)

        kind = "a return of no unit in builds"
        like = [r for r in loose if r.true["serial"] not in self.touched][:2]
        for i, r in enumerate(like):
            foreign = f"X-{7731 + 202 * i}-QQ"
            back = r.true["returned"].isoformat()
            cells = {"serial": foreign, "odometer": 61_250 + 9_180 * i, "miles_in_service": "", "runs": ""}
            cells |= {"order": "", "failed_on": back, "returned_on": back, "notes": "not one of ours?"}
            stray = Row(r.cells | cells, r.true | {"serial": foreign})
            rows.insert(rows.index(r) + 1, stray)
            self.plant(kind, self.returns, stray, "serial", foreign, ASIDE)

        odometer = (self.returns, "odometer")
        far = [r for r in single if isinstance(r.cells["odometer"], int) and r.true["miles"] > 3000]
        self.slip(
            "odometer at the return below the one at the installation", odometer, far,
            lambda r: {"odometer": _whole(self.build_of[r.true["serial"]].true["odometer0"] * 0.4)}, expected=CHECK,
        )  # fmt: skip
        others = [r for r in single if r.true["component"] != "input shaft"]
        blank = {"odometer": "unknown", "miles_in_service": "", "runs": ""}
        self.slip("odometer not known, said in words", odometer, others, lambda r: blank)
        kind = "note that looks like a formula"
        plain = [r for r in rows if not any(p.row is r for p in self.planted)]
        for r in plain[len(plain) // 2 :][:1]:  # it loses nothing, so any row will do
            r.cells["notes"] = "=2+2 bolts missing, see photo"
            self.plant(kind, self.returns, r, "notes", r.cells["notes"])

    def slips_in_builds(self) -> None:
        rows = self.builds.rows
        quiet = [r for r in rows if r.true["serial"] not in self.came_back]
        kind = "a build entered twice"
        for i, r in enumerate(self.pick(kind, quiet, 2)):
            twice = Row(r.cells | ({"rpm": "", "builder": ""} if i else {}), dict(r.true))
            rows.insert(min(rows.index(r) + 2 + 3 * i, len(rows)), twice)
            self.plant(kind, self.builds, twice, "serial", r.true["serial"], ASIDE)
        bare = [r for r in quiet if r.cells["weight"] == ""]
        self.slip(
            "weight not known, said with a question mark", (self.builds, "weight"), bare, lambda r: {"weight": "?"}
        )
        start = pd.Timestamp(self.fleet.truth.records_start).date()
        for r in [r for r in rows if r.true["built"] < start][:3]:
            self.plant("built before the records of returns began", self.builds, r, "built_on", r.cells["built_on"])
        new = next(p for p in self.fleet.truth.component("valve body").parts if p.superseded_by)
        for r in [r for r in rows if r.cells["valve_body"] == new.superseded_by][:2]:
            self.plant("part that supersedes another", self.builds, r, "valve_body", new.superseded_by)

    def slips_in_readings(self) -> None:
        rows = self.readings.rows
        per: dict[str, list[Row]] = {}
        for r in rows:
            if not pd.isna(r.true["odometer"]) and r.true["serial"] not in self.came_back:
                per.setdefault(r.true["serial"], []).append(r)
        # Rows with no other news than the odometer: what the slip spoils is then the row.
        per = {s: v for s, v in per.items() if all(r.true["state"] == "yes" and r.cells["runs"] == "" for r in v)}
        last = [v[-1] for v in per.values() if len(v) >= 2]
        alone = [r for v in per.values() if len(v) == 1 for r in v]

        def odometer0(r: Row) -> float:
            return self.build_of[r.true["serial"]].true["odometer0"]

        self._km_as_miles([r for r in alone if r.true["serial"] not in self.touched])
        odometer = (self.readings, "odometer")
        back, tenth = "miles going backwards", "odometer with its tenths as a digit"
        self.slip(back, odometer, last, lambda r: {"odometer": _whole(0.6 * odometer0(r))}, expected=ASIDE)
        ends = [v[-1] for v in per.values()]
        self.slip(tenth, odometer, ends, lambda r: {"odometer": _whole(r.true["odometer"] * 10)}, expected=ASIDE)
        self._replaced_odometers(last, {r.true["serial"]: per[r.true["serial"]][-2] for r in last})
        far = [r for r in alone if r.true["odometer"] - odometer0(r) > 2000]
        self.slip(
            "odometer in thousands of km", odometer, far,
            lambda r: {"odometer": f"{r.true['odometer'] * KM_PER_MILE / 1000:.0f}k km"}, count=2,
        )  # fmt: skip

    def _km_as_miles(self, alone: list[Row]) -> None:
        """A reading in km, early in a life, where nothing but the unit of length explains so many miles a year."""

        def implied(r: Row) -> float:
            """Miles a year since the installation, were the km miles."""
            build = self.build_of[r.true["serial"]].true
            days = (r.true["day"] - build["service"]).days
            return (r.true["odometer"] * KM_PER_MILE - build["odometer0"]) / max(days, 1) * 365.25

        fast = sorted((r for r in alone if implied(r) > 150_000), key=implied)
        for r in (fast or sorted(alone, key=implied)[-1:])[:1]:
            self.touched.add(r.true["serial"])
            r.cells["odometer"] = _whole(r.true["odometer"] * KM_PER_MILE)
            self.plant("km in a miles column", self.readings, r, "odometer", r.cells["odometer"], ASIDE)

    def _replaced_odometers(self, last: list[Row], before: dict[str, Row]) -> None:
        """before: the reading before the last, by serial."""

        def miles(r: Row) -> tuple[float, float]:
            then = before[r.true["serial"]].true["odometer"]
            return then, r.true["odometer"] - then

        def known(r: Row) -> dict[str, Any]:
            old = miles(r)[0] + 0.5 * miles(r)[1]
            return {"odometer": _whole(r.true["odometer"] - round(old)), "odometer_replaced": _whole(old)}

        def unknown(r: Row) -> dict[str, Any]:
            return {"odometer": _whole(0.4 * miles(r)[1]), "odometer_replaced": "yes"}

        of = (self.readings, "odometer_replaced")
        self.slip("odometer replaced, the old one's last figure known", of, last, known)
        self.slip("odometer replaced, the old one's last figure not known", of, last, unknown)

    def list_events(self) -> None:
        """What is in the returns by the draw itself, a few of each kind."""
        rows = self.returns.rows
        aside = {id(p.row) for p in self.planted if p.expected == ASIDE}
        events = Counter(r.true["event"] for r in rows)
        seen: dict[str, set[int]] = {}
        for r in rows:
            if r.true["serial"] not in self.units.index or id(r) in aside:
                continue
            t = r.true
            own = seen.setdefault(t["serial"], set())
            if t["event"] >= 0 and t["event"] not in own:
                own.add(t["event"])
                nth = {2: "second", 3: "third"}.get(len(own))
                if nth:
                    self.habit(f"{nth} return of one unit", self.returns, r, "serial")
            if t["kind"] == "failure" and t["order"] == "first" and events[t["event"]] > 1:
                self.habit("several parts damaged: the first", self.returns, r, "component")
            self._list_kind(r)

    def _list_kind(self, r: Row) -> None:
        t = r.true
        told = {
            "several parts damaged: one that followed": ("order", t["kind"] == t["order"] == "followed"),
            "several parts damaged: order unclear": ("order", t["order"] == "unclear"),
            "damage found at a teardown": ("failed_on", t["kind"] == "teardown"),
            "no-fault return": ("cause", t["cause"] == "no fault"),
            "install error": ("cause", t["cause"] == "install"),
            "use over the limit": ("cause", t["cause"] == "over limit"),
            "cause unclear": ("cause", t["cause"] == "unclear"),
            "unit scrapped at its return": ("replaced_with", r.cells["replaced_with"] == "scrapped"),
        }
        for kind, (column, so) in told.items():
            if so:
                self.habit(kind, self.returns, r, column)

    def list_whole_files(self) -> None:
        b = self.builds
        self.plant("title over the headings, cells merged", b, 1, "", "the shop's name across the sheet")
        self.plant("blank row above the headings", b, 2, "", "(blank)")
        self.plant("optional column missing", b, 3, "count", "no such column")
        self.plant("shop's own headings", b, 3, "serial", BUILDS["serial"])
        self.plant(
            "weight known mostly for units that came back", b, 3, "weight", "blank for 30% of the others, 3% of these"
        )
        self.plant("empty sheet in the workbook", b, 1, "", "worksheet 2025 holds nothing")
        total = {"serial": "Total", "built_on": f"{len(b.rows)} units"}
        b.rows.append(Row({}, {"serial": ""}))
        b.rows.append(Row(total, {"serial": ""}))
        self.plant("totals row", b, b.rows[-1], "serial", "Total", ASIDE)
        self.plant("file in cp1252", self.returns, 1, "", "accents, degree and half signs in the notes")
        self.plant("file in UTF-16", self.readings, 1, "", "with a byte order mark")
        self.plant("optional column missing", self.changes, 1, "use", "no such column")
        self.plant("optional column missing", self.limits, 1, "use", "no such column")


def _only_row(rows: Sequence[Row]) -> list[Row]:
    count: dict[str, int] = {}
    for r in rows:
        count[r.true["serial"]] = count.get(r.true["serial"], 0) + 1
    return [r for r in rows if count[r.true["serial"]] == 1]
