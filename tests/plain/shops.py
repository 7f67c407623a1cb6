"""Small invented shops with every event the sheets allow, drawn at random and written as CSV."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path
from random import Random

COMPONENTS = {"input shaft": "input_shaft", "converter": "converter"}
PARTS = {"input shaft": ("IS-A", "IS-B"), "converter": ("TC-1", "TC-2")}
FINDINGS = ("cracked", "twisted", "worn")
USES = ("street", "towing", "drag", "")
FIRST, LAST = dt.date(2019, 6, 1), dt.date(2024, 12, 31)
SPECIAL = [dt.date(2020, 2, 29), dt.date(2024, 2, 29), dt.date(2020, 12, 31), dt.date(2021, 3, 31), dt.date(2022, 1, 1)]
HEADINGS = {
    "builds": "serial built_on in_service_on odometer_at_install power power_measured_at rpm weight use builder count "
    "input_shaft converter",
    "returns": "serial component failed_on returned_on odometer miles_in_service runs part finding order cause "
    "replaced_with cost",
    "readings": "serial read_on odometer odometer_replaced runs still_running",
    "changes": "serial changed_on power weight use odometer",
    "fitted": "serial component part lot fitted_on odometer",
    "limits": "component part power_limit effective_on weight_up_to use",
    "judged_again": "serial component judged_on returned_on finding order cause",
}


def write(sheets: dict[str, list[dict]], toml: str, folder: Path) -> Path:
    """The sheets as CSV beside a shop.toml. Miles of 0 and 1 bear their unit: bare they would be taken for unknown."""
    folder.mkdir(parents=True, exist_ok=True)
    unit = "km" if 'distance = "km"' in toml else "miles"
    (folder / "shop.toml").write_text(toml, encoding="utf-8")
    for name, rows in sheets.items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as out:
            sheet = csv.DictWriter(out, HEADINGS[name].split(), restval="")
            sheet.writeheader()
            sheet.writerows(
                {
                    h: f"{c} {unit}" if h in ("odometer", "miles_in_service") and str(c) in ("0", "1") else c
                    for h, c in row.items()
                }
                for row in rows
            )
    return folder


def draw(rnd: Random) -> tuple[dict[str, list[dict]], str]:
    """Sheets and shop.toml of one shop."""
    return _Shop(rnd).made()


class _Truck:
    """One row of builds: when it went to work, and what its odometer and counter show on any day."""

    def __init__(self, rnd: Random, serial: str, start: dt.date, count: int) -> None:
        self.serial, self.start, self.count = serial, start, count
        self.a_day = rnd.choice((0, 13, 40, 100))
        self.install = rnd.choice((0, 0, 0, 40_000, None))
        self.runs_a_day = rnd.choice((0.0, 0.3, 1.0))
        self.replaced: dt.date | None = None
        self.final_known = False

    def driven(self, day: dt.date) -> int:
        return self.a_day * (day - self.start).days

    def odometer(self, day: dt.date) -> int | str:
        """As it stands that day; blank on the day the odometer is replaced."""
        if self.replaced is None or day < self.replaced:
            return self.driven(day) + (self.install or 0)
        return "" if day == self.replaced else self.driven(day) - self.driven(self.replaced)

    def runs(self, day: dt.date) -> int:
        return int(self.runs_a_day * (day - self.start).days)


class _Shop:
    def __init__(self, rnd: Random) -> None:
        self.rnd = rnd
        self.units = rnd.choice((("hp", "lb", "miles"), ("hp", "lb", "miles"), ("kW", "kg", "km"), ("PS", "t", "km")))
        self.days: list[dt.date] = []
        self.sheets: dict[str, list[dict]] = {name: [] for name in HEADINGS}
        self.cost = 100

    def chance(self, p: float) -> bool:
        return self.rnd.random() < p

    def made(self) -> tuple[dict[str, list[dict]], str]:
        for k in range(self.rnd.randint(3, 9)):
            self.truck(f"T-{k:02d}{'ABCDEFGHJ'[k]}{'QRSTUVWXY'[k]}")
        for _ in range(self.rnd.choice((0, 2, 5))):
            self.limit()
        toml = self.toml()
        self.spoil()
        return self.sheets, toml

    def spoil(self) -> None:
        """Rows that are no records: entered again, of a truck nobody built, or saying nothing."""
        alone = {row["serial"] for row in self.sheets["builds"] if row["count"] in ("", 1)}
        for name, rows in self.sheets.items():
            again = [row for row in rows if name != "returns" or row["serial"] in alone]
            if again and name not in ("readings", "judged_again") and self.chance(0.2):
                rows.append(dict(self.rnd.choice(again)))
            if rows and name not in ("builds", "limits") and self.chance(0.1):
                rows.append(self.rnd.choice(rows) | {"serial": "Z-99ZZ"})
            says = {"readings": "read_on", "changes": "changed_on", "judged_again": "judged_on"}.get(name)
            if rows and says and self.chance(0.1):
                rows.append({key: rows[0].get(key, "") for key in ("serial", "component", says) if key in rows[0]})

    def toml(self) -> str:
        power, weight, distance = self.units
        as_of = self.rnd.choice(self.days) if self.chance(0.6) else dt.date(2024, 3, 31)
        lines = ["[shop]", 'name = "Invented"', f'as_of = "{max(as_of, min(self.days))}"']
        if self.chance(0.25):
            start = self.rnd.choice(self.days) if self.chance(0.5) else dt.date(2021, 1, 1)
            lines.append(f'records_start = "{start}"')
        lines += ["[components]", *(f'"{name}" = "{heading}"' for name, heading in COMPONENTS.items())]
        lines += ["[units]", f'power = "{power}"', f'weight = "{weight}"', f'distance = "{distance}"']
        lines += ["[checks]", f"at_risk_to_show = {self.rnd.choice((1, 2, 5))}", "failures_to_fit = 2"]
        lines += ["[costs]", "comeback = 4000", "[costs.parts]", '"IS-A" = 400', '"TC-1" = 900']
        if self.chance(0.3):
            lines += ["[findings]", 'found_at_teardown = ["worn"]']
        return "\n".join(lines) + "\n"

    # ---- cells -------------------------------------------------------------------------------------------------------
    def day(self, since: dt.date, until: dt.date = LAST) -> dt.date:
        """Any day of a span: its ends, days something else happened and odd days of the calendar more often."""
        inside = [d for d in (*SPECIAL, *self.days, since, since, until) if since <= d <= until]
        if self.chance(0.35):
            day = self.rnd.choice(inside)
        else:
            day = since + dt.timedelta(self.rnd.randint(0, (until - since).days))
        self.days.append(day)
        return day

    def power(self) -> str:
        """A power, on the edge of a band more often than not, typed as the shop types it."""
        hp = self.rnd.choice((400, 600, 1000, 399.9, 600.1, 450, 650, 700, 1200))
        if self.chance(0.1):
            return ""
        if self.chance(0.1):
            return f"{hp:g} hp"
        if self.chance(0.1):
            return f"{hp - 50:g}-{hp + 50:g} hp"
        if self.chance(0.1):
            return f"{hp:g} whp"
        return self.typed(hp, {"hp": 1.0, "kW": 0.745699872, "PS": 1.013869665}[self.units[0]])

    def weight(self) -> str:
        lb = self.rnd.choice((7500, 9000, 7499, 7501, 6000, 8000, 11_000))
        if self.chance(0.1):
            return ""
        if self.chance(0.1):
            return f"{lb} lb"
        return self.typed_weight(lb)

    def typed_weight(self, lb: float) -> str:
        return self.typed(lb, {"lb": 1.0, "kg": 0.45359237, "t": 0.00045359237}[self.units[1]])

    def typed(self, value: float, factor: float) -> str:
        if factor == 1:
            return f"{value:g}"
        return f"{value * factor:.7g}" if self.chance(0.5) or value * factor < 100 else f"{value * factor:.0f}"

    # ---- one truck and what befalls it ---------------------------------------------------------------------------------
    def truck(self, serial: str) -> None:
        built = self.day(FIRST, dt.date(2023, 6, 30))
        start = built if self.chance(0.6) else self.day(built, min(built + dt.timedelta(90), LAST))
        dated = self.rnd.choice(("both", "built", "in service"))
        start = built if dated == "built" else start
        truck = _Truck(self.rnd, serial, start, self.rnd.choice((1, 1, 1, 1, 2, 3, 25)))
        self.sheets["builds"].append(
            {
                "serial": serial,
                "built_on": "" if dated == "in service" else built,
                "in_service_on": "" if dated == "built" else start,
                "odometer_at_install": "" if truck.install is None else truck.install,
                "power": self.power(),
                "power_measured_at": self.rnd.choice(("", "", "crank", "wheels")),
                "rpm": self.rnd.choice(("", 3000)),
                "weight": self.weight(),
                "use": self.rnd.choice(USES),
                "builder": self.rnd.choice(("", "al", "bo")),
                "count": truck.count if truck.count > 1 else self.rnd.choice(("", 1)),
                **{COMPONENTS[c]: self.rnd.choice((*PARTS[c], *PARTS[c], "none", "")) for c in COMPONENTS},
            }
        )
        if truck.count == 1 and self.chance(0.15):
            truck.replaced, truck.final_known = self.day(start + dt.timedelta(1)), self.chance(0.5)
        for _ in range(self.rnd.choice((0, 0, 1, 1, 2, 4))):
            self.came_back(truck)
        for _ in range(self.rnd.choice((0, 1, 2))):
            self.reading(truck)
        if truck.replaced:
            final = truck.driven(truck.replaced) + (truck.install or 0)
            word = final if truck.final_known and final else "yes"
            self.sheets["readings"].append({"serial": serial, "read_on": truck.replaced, "odometer_replaced": word})
        for _ in range(self.rnd.choice((0, 0, 1, 2))):
            self.change(truck)
        for _ in range(self.rnd.choice((0, 0, 0, 1, 2))):
            self.fitting(truck)

    def came_back(self, truck: _Truck) -> None:
        """A return of one component or of both."""
        day = self.day(truck.start)
        own = [r for r in self.sheets["returns"] if r["serial"] == truck.serial]
        known = [(r["returned_on"] or r["failed_on"], r["failed_on"] or r["returned_on"]) for r in own]
        failed = day if self.chance(0.5) else self.day(max(truck.start, day - dt.timedelta(40)), day)
        # closer together they may be one return entered twice; of several alike those of one day may be one truck or two
        days = [d for pair in known for d in pair if not isinstance(d, str)]
        if any(abs((d - e).days) <= 14 for d in days for e in (day, failed)):
            return
        both = truck.count == 1 and self.chance(0.4)  # of several alike they may be two trucks
        which = list(COMPONENTS) if both else [self.rnd.choice(list(COMPONENTS))]
        if both and self.chance(0.2):
            which.append(which[0])  # two pieces of one component
        how = self.rnd.choice(("both", "both", "failed", "returned", "teardown"))
        end = self.rnd.choice(("same", "same", "other", "", "not replaced", "scrapped"))
        orders = self.rnd.choice((("first", "followed"), ("unclear", "unclear"), ("", ""), ("first", "unclear")))
        no_fault = self.chance(0.1)
        miles = self.rnd.choice(("odometer", "odometer", "miles", ""))
        at = day if how in ("returned", "teardown") else failed
        for number, component in enumerate(which):
            self.cost += 1
            row = {
                "serial": truck.serial,
                "component": component,
                "failed_on": {"returned": "", "teardown": "teardown"}.get(how, failed),
                "returned_on": "" if how == "failed" else day,
                "part": self.rnd.choice(("", "", *PARTS[component])),
                "finding": "" if no_fault else self.rnd.choice(FINDINGS),
                "order": "" if no_fault else orders[number % 2] if len(which) > 1 else self.rnd.choice(("first", "")),
                "cause": "no fault"
                if no_fault
                else self.rnd.choice(("part", "part", "install", "over limit", "unclear", "")),
                "replaced_with": {"same": PARTS[component][0], "other": PARTS[component][1]}.get(end, end),
                "cost": self.cost,
                "runs": truck.runs(at) if self.chance(0.3) else "",
            }
            if no_fault and end in ("", "not replaced", "scrapped"):
                row["replaced_with"] = ""
            if number == 2:
                row["finding"], row["order"] = "third", orders[0]
            if miles == "odometer" and not (truck.replaced and truck.replaced == at):
                row["odometer"] = truck.odometer(at)
            elif miles == "miles" and (truck.replaced is None or truck.final_known):
                row["miles_in_service"] = truck.driven(at)
            self.sheets["returns"].append(row)
        if not no_fault and self.chance(0.2):
            self.judge(self.rnd.choice(self.sheets["returns"][-len(which) :]), day)

    def judge(self, row: dict, day: dt.date) -> None:
        self.sheets["judged_again"].append(
            {
                "serial": row["serial"],
                "component": row["component"],
                "judged_on": self.day(day),
                "returned_on": self.rnd.choice(("", day)),
                "finding": self.rnd.choice((row["finding"], *FINDINGS)),
                "order": self.rnd.choice((row["order"], "unclear")),
                "cause": self.rnd.choice((row["cause"], "part", "install")),
            }
        )

    def reading(self, truck: _Truck) -> None:
        day = self.day(truck.start)
        row = {"serial": truck.serial, "read_on": day}
        row["still_running"] = self.rnd.choice(("", "yes", "yes", "no", "sold", "lost", "scrapped"))
        if truck.count == 1 and self.chance(0.7) and day != truck.replaced:
            row["odometer"] = truck.odometer(day)
        if truck.count == 1 and self.chance(0.3):
            row["runs"] = truck.runs(day)
        if len(row) > 3 or row["still_running"]:
            self.sheets["readings"].append(row)

    def change(self, truck: _Truck) -> None:
        day = self.day(truck.start)
        row = {"serial": truck.serial, "changed_on": day, "power": self.power(), "weight": "", "use": ""}
        if self.chance(0.5):
            row["weight"] = self.weight()
        if self.chance(0.3):
            row["use"] = self.rnd.choice(USES)
        if truck.count == 1 and self.chance(0.3) and day != truck.replaced:
            row["odometer"] = truck.odometer(day)
        taken = [r for r in self.sheets["changes"] if (r["serial"], r["changed_on"]) == (truck.serial, day)]
        if (row["power"] or row["weight"] or row["use"]) and not taken:
            self.sheets["changes"].append(row)

    def fitting(self, truck: _Truck) -> None:
        """A part entered with its lot: at the build, undated, or later."""
        component = self.rnd.choice(list(COMPONENTS))
        day: dt.date | str = self.rnd.choice(("", truck.start, truck.start - dt.timedelta(3), self.day(truck.start)))
        back = [r for r in self.sheets["returns"] if r["serial"] == truck.serial and r["component"] == component]
        if back and self.chance(0.5):
            row = self.rnd.choice(back)
            day = (row["returned_on"] or row["failed_on"]) + dt.timedelta(self.rnd.choice((0, 5, 60, 61)))
        later = day != "" and day > truck.start
        taken = [
            r
            for r in self.sheets["fitted"]
            if (r["serial"], r["component"], r["fitted_on"]) == (truck.serial, component, day)
        ]
        if taken or (later and truck.count > 1):
            return
        row = {"serial": truck.serial, "component": component, "part": self.rnd.choice(PARTS[component])}
        row |= {"lot": self.rnd.choice(("", "L1", "L2")), "fitted_on": day}
        if later and self.chance(0.3) and day != truck.replaced:
            row["odometer"] = truck.odometer(day)
        self.sheets["fitted"].append(row)

    def limit(self) -> None:
        component = self.rnd.choice(list(COMPONENTS))
        row = {"component": component, "part": self.rnd.choice(PARTS[component]), "effective_on": self.day(FIRST)}
        row["power_limit"] = self.power() or "600 hp"
        edge = self.typed_weight(self.rnd.choice((6000, 7500, 7502, 9000, 11_000)))
        row["weight_up_to"] = self.rnd.choice(("", edge, edge, f"over {edge}"))
        row["use"] = self.rnd.choice(("", "", "street", "towing"))
        self.sheets["limits"].append(row)
