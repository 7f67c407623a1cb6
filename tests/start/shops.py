"""Four invented shops as owners keep them: their names, parts and figures are made up. Each maker writes a folder and tells what is in it."""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path

import xlsxwriter

KG, KW, KM = 0.45359237, 0.74569987, 1.609344


@dataclass
class Truth:
    """What the sheets hold: units, returns (rows used once all is confirmed), damaged components, mean crank power and weight."""

    units: int
    returns: int
    damaged: dict[str, int]
    power_hp: float
    weight_lb: float
    miles: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Unit:
    serial: str
    built: dt.date
    power: int
    weight: int
    odometer: int
    use: str
    shaft: str
    converter: str


@dataclass(frozen=True)
class Return:
    unit: Unit
    day: dt.date
    odometer: int
    component: str
    finding: str
    part: str


def fleet(seed: int, n: int, back: int, first: int = 2021, years: int = 4) -> tuple[list[Unit], list[Return]]:
    """Units and returns of an invented fleet: each return a unit of its own."""
    draw = random.Random(seed)
    units = []
    for k in range(n):
        day = dt.date(first, 1, 4) + dt.timedelta(days=int(k * (365 * years - 200) / n))
        power = draw.randrange(420, 980, 5)
        units.append(
            Unit(
                serial=f"R{1200 + 7 * k}",
                built=day,
                power=power,
                weight=draw.randrange(5600, 9800, 20),
                odometer=draw.randrange(8_000, 90_000),
                use=draw.choice(["tow", "street", "street", "drag"]),
                shaft="KX-20" if power < 650 else "KX-40",
                converter="Stout 9" if power < 750 else "Stout 11",
            )
        )
    found = {"input shaft": ["snapped", "twisted"], "converter": ["burnt", "leaking"]}
    returns = []
    for unit in sorted(draw.sample(units[: int(n * 0.8)], back), key=lambda u: u.serial):
        component = draw.choice(["input shaft", "input shaft", "converter"])
        days = draw.randrange(60, 190)
        part = unit.shaft if component == "input shaft" else unit.converter
        miles = unit.odometer + int(days * draw.uniform(20, 50))
        returns.append(
            Return(unit, unit.built + dt.timedelta(days=days), miles, component, draw.choice(found[component]), part)
        )
    return units, sorted(returns, key=lambda r: (r.day, r.unit.serial))


def truth(units: list[Unit], returns: list[Return]) -> Truth:
    damaged: dict[str, int] = {}
    for r in returns:
        damaged[r.component] = damaged.get(r.component, 0) + 1
    return Truth(
        units=len(units),
        returns=len(returns),
        damaged=damaged,
        power_hp=sum(u.power for u in units) / len(units),
        weight_lb=sum(u.weight for u in units) / len(units),
        miles=[float(r.odometer - r.unit.odometer) for r in returns],
    )


def _us(day: dt.date) -> str:
    return f"{day.month}/{day.day}/{day:%y}"


def workbook_shop(folder: Path) -> Truth:
    """One workbook with several pages: work orders of two spells of years, comebacks told in sentences, phone calls, prices."""
    units, returns = fleet(11, 120, 16)
    folder.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(str(folder / "Shop book.xlsx"))

    def page(name: str, rows: list[list[object]]) -> None:
        sheet = book.add_worksheet(name)
        for r, row in enumerate(rows):
            sheet.write_row(r, 0, row)

    heads = ["Tag #", "Customer", "Ship date", "HP", "Truck wt", "What for", "Odo in", "Input shaft", "Conv"]
    for name, some in (("Work orders 2021-22", units[:60]), ("Work orders 2023-24", units[60:])):
        rows: list[list[object]] = [["Ridge Lane Automatics (invented)"], [], list(heads)]
        for k, u in enumerate(some):
            shaft = {3: "KX 20", 9: "KX20"}.get(k, "KX-20") if u.shaft == "KX-20" else u.shaft
            rows.append(
                [u.serial, f"owner {k}", _us(u.built), u.power, f"{u.weight:,}", u.use, u.odometer, shaft, u.converter]
            )
        page(name, rows)
    told = {
        ("input shaft", "snapped"): "came in on a hook, input shaft snapped at the splines. conv looked ok",
        ("input shaft", "twisted"): "no drive when hot; {part} twisted, put in a KX-40",
        ("converter", "burnt"): "shudder in lockup, converter burnt",
        ("converter", "leaking"): "puddle under truck: converter leaking at the hub",
    }
    page(
        "Comebacks",
        [
            ["Tag #", "Came in", "Odo", "What happened", "Charge"],
            *(
                [r.unit.serial, _us(r.day), r.odometer, told[r.component, r.finding].format(part=r.part), 350]
                for r in returns
            ),
        ],
    )
    calls = [u for u in units if u not in {r.unit for r in returns}][::6]
    page(
        "Phone calls",
        [
            ["Tag #", "Called", "Odo", "Running"],
            *(
                [u.serial, _us(dt.date(2024, 11, 20)), u.odometer + 9 * (dt.date(2024, 11, 20) - u.built).days, "yes"]
                for u in calls
            ),
        ],
    )
    page("Notes", [["Rent due on the first"], ["Call the parts man"]])
    book.close()
    return truth(units, returns)


def _comma(value: float, places: int = 0) -> str:
    text = f"{value:,.{places}f}"
    return text.replace(",", " ").replace(".", ",").replace(" ", ".")


def export_shop(folder: Path, built: int = 90, back: int = 14) -> Truth:
    """One export of an accounting program: semicolons, decimal commas, kW, kg and km, sales and claims in one file, days first."""
    units, returns = fleet(23, built, back)
    folder.mkdir(parents=True, exist_ok=True)
    heads = ["Type", "Unit no", "Date", "Power (kW)", "Weight (kg)", "Odometer (km)", "Use", "Input shaft", "Converter"]
    heads += ["Component", "Part", "Finding", "Amount"]
    rows: list[tuple[dt.date, list[str]]] = []
    for u in units:
        cells = [
            "Sale",
            u.serial,
            f"{u.built:%d.%m.%Y}",
            _comma(u.power * KW, 1),
            _comma(u.weight * KG, 1),
            _comma(u.odometer * KM),
        ]
        rows.append((u.built, [*cells, u.use, u.shaft, u.converter, "", "", "", "6.480,00"]))
    for r in returns:
        cells = ["Claim", r.unit.serial, f"{r.day:%d.%m.%Y}", "", "", _comma(r.odometer * KM), "", "", ""]
        rows.append((r.day, [*cells, r.component, r.part, r.finding, _comma(1250)]))
    rows.append(
        (
            dt.date(2024, 6, 1),
            [
                "Quote",
                "R9999",
                "01.06.2024",
                "400,0",
                "3.000,0",
                "10.000",
                "street",
                "KX-20",
                "Stout 9",
                "",
                "",
                "",
                "",
            ],
        )
    )
    made = io.StringIO()
    writer = csv.writer(made, delimiter=";", lineterminator="\r\n")
    writer.writerow(heads)
    writer.writerows(cells for _, cells in sorted(rows, key=lambda row: row[0]))
    (folder / "export 2024.csv").write_bytes(made.getvalue().encode("cp1252"))
    return truth(units, returns)


def database_shop(folder: Path) -> Truth:
    """A SQLite file of three tables with names of its own."""
    units, returns = fleet(37, 100, 18)
    folder.mkdir(parents=True, exist_ok=True)
    base = sqlite3.connect(folder / "shop.sqlite")
    base.execute(
        "CREATE TABLE jobs (job_no TEXT, shipped TEXT, horsepower REAL, truck_weight REAL, miles INTEGER, application TEXT, "
        "input TEXT, torque_converter TEXT, builder TEXT)"
    )
    base.execute(
        "CREATE TABLE warranty (job_no TEXT, broke TEXT, received TEXT, mileage INTEGER, component TEXT, part TEXT, diagnosis TEXT, "
        "root_cause TEXT, cost REAL)"
    )
    base.execute("CREATE TABLE calls (job_no TEXT, called TEXT, mileage INTEGER)")
    base.executemany(
        "INSERT INTO jobs VALUES (?,?,?,?,?,?,?,?,?)",
        [(u.serial, str(u.built), u.power, u.weight, u.odometer, u.use, u.shaft, u.converter, "AB") for u in units],
    )
    word = {"input shaft": "Input", "converter": "Conv"}
    base.executemany(
        "INSERT INTO warranty VALUES (?,?,?,?,?,?,?,?,?)",
        [
            (
                r.unit.serial,
                str(r.day),
                str(r.day + dt.timedelta(days=5)),
                r.odometer,
                word[r.component],
                r.part,
                r.finding,
                "wear",
                900.0,
            )
            for r in returns
        ],
    )
    calls = [u for u in units if u not in {r.unit for r in returns}][::5]
    day = dt.date(2024, 12, 1)
    base.executemany(
        "INSERT INTO calls VALUES (?,?,?)",
        [(u.serial, str(day), u.odometer + 10 * (day - u.built).days) for u in calls],
    )
    base.commit()
    base.close()
    return truth(units, returns)


def yearly_shop(folder: Path) -> Truth:
    """A folder of yearly CSV files, whose headings changed once, with spellings of one part and year-first dates of two digits."""
    units, returns = fleet(53, 110, 17)
    folder.mkdir(parents=True, exist_ok=True)

    def write(name: str, heads: list[str], rows: list[list[object]]) -> None:
        made = io.StringIO()
        writer = csv.writer(made, lineterminator="\n")
        writer.writerow(heads)
        writer.writerows(rows)
        (folder / name).write_text(made.getvalue(), encoding="utf-8")

    spelt = {1: "KX 20", 4: "kx-20", 6: "KX20"}
    for year in sorted({u.built.year for u in units}):
        power = "HP" if year < 2023 else "Horsepower"
        rows: list[list[object]] = []
        for k, u in enumerate(u for u in units if u.built.year == year):
            shaft = spelt.get(k, u.shaft) if u.shaft == "KX-20" else u.shaft
            rows.append([u.serial, f"{u.built:%y-%m-%d}", u.power, u.weight, u.odometer, u.use, shaft, u.converter])
        write(
            f"builds {year}.csv",
            ["Serial", "Built", power, "Weight lb", "Odometer", "Use", "Input shaft", "Converter"],
            rows,
        )
    for year in sorted({r.day.year for r in returns}):
        own = [r for r in returns if r.day.year == year]
        write(
            f"returns {year}.csv",
            ["Serial", "Back in", "Odometer", "Component", "Part", "Found"],
            [[r.unit.serial, f"{r.day:%y-%m-%d}", r.odometer, r.component, r.part, r.finding] for r in own],
        )
    return truth(units, returns)
