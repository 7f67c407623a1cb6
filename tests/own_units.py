"""A shop whose sheets are in kW, kg and km, and the same shop in hp, lb and miles: every cell of the second names its unit."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from analytics.report.start import start
from tests.start.shops import export_shop

LIMITS = """component,part,weight_up_to,power_limit,effective_on,reason
input shaft,KX-20,3400 kg,480 kW,2021-01-01,guess
input shaft,KX-40,3400 kg,700 kW,2021-01-01,guess
converter,Stout 9,,560 kW,2021-01-01,guess
converter,Stout 9,,520 kW,2023-01-01,lowered
"""
MORE = """
[costs]
comeback = 3900
currency = "EUR"
[costs.parts]
KX-20 = 410
KX-40 = 780
"Stout 9" = 900
"Stout 11" = 1500
[ratings]
replicates = 0
reporting_share = 1.0
"""
PARTS = """component,part,material,outside_diameter,length,hardness,price
input shaft,KX-20,medium-carbon alloy,31 mm,390 mm,40 HRC,410
input shaft,KX-40,high-toughness alloy,31 mm,390 mm,48 HRC,780
"""
_UNITS = {"power": "hp", "weight": "lb", "distance": "miles"}
_COLUMNS = {"Power (kW)": "kW", "Weight (kg)": "kg", "Odometer (km)": "km"}


def write_pair(folder: Path, built: int = 160, back: int = 60) -> tuple[Path, Path]:
    """Both shops in folders of the same name inside ``folder``: in kW, kg and km, and in hp, lb and miles. built, back: units."""
    pair = folder / "metric" / "shop", folder / "ours" / "shop"
    for shop in pair:
        export_shop(shop, built, back)
        (shop / "limits.csv").write_text(LIMITS, encoding="utf-8")
        (shop / "parts.csv").write_text(PARTS, encoding="utf-8")
        start(shop)
        toml = (shop / "shop.toml").read_text(encoding="utf-8") + MORE
        if shop is pair[1]:
            for what, unit in _UNITS.items():
                toml = re.sub(rf'^{what} = "(kW|kg|km)".*$', f'{what} = "{unit}"', toml, flags=re.MULTILINE)
            _name_units(shop / "export 2024.csv")
        (shop / "shop.toml").write_text(toml, encoding="utf-8")
    return pair


def _name_units(path: Path) -> None:
    heads, *rows = csv.reader(io.StringIO(path.read_bytes().decode("cp1252")), delimiter=";")
    for column, unit in _COLUMNS.items():
        at = heads.index(column)
        for row in rows:
            row[at] += f" {unit}" if row[at] else ""
    made = io.StringIO()
    csv.writer(made, delimiter=";", lineterminator="\r\n").writerows([heads, *rows])
    path.write_bytes(made.getvalue().encode("cp1252"))
