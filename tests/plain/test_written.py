"""The files as they are written: each is named with what holds it, and holds what the plain reckoning gives, to the digits a file keeps."""

from __future__ import annotations

import csv
import datetime as dt
import importlib
import re
from pathlib import Path

import pytest

import analytics
from analytics.ratings.backtest import backtest
from analytics.report.files import VIEW_FILES, write_csv
from analytics.words.ratings.backtest import backtest_table
from tests.plain import ahead, beside, compare, figures, reckoning, shops
from tests.plain.csv_files import FILES

ROOT = Path(analytics.__file__).parent
#: where commands name the files they write
WRITERS = (
    "__main__.py",
    "report/files.py",
    "report/brief.py",
    "report/rating_files.py",
    "report/load_files.py",
    "ratings/grown.py",
)
#: read there, not written by a command
STUDIES = {"power_ratio"}
TOML = """[shop]
name = "Invented"
as_of = "2024-03-31"
[components]
"input shaft" = "input_shaft"
"converter" = "converter"
[ratings]
replicates = 0
reporting_share = 1.0
[costs]
comeback = 4000
[costs.parts]
"IS-A" = 400
"IS-B" = 700
"""


def test_every_file_that_a_command_writes_is_named_with_what_holds_it():
    named = {name for w in WRITERS for name in re.findall(r"(\w+)\.csv", (ROOT / w).read_text(encoding="utf-8"))}
    assert (named | set(VIEW_FILES.values())) - STUDIES - set(FILES) == set()
    for held in FILES.values():
        assert held.plain or held.but
        for module, function in [held.plain.split(".")] if held.plain else []:
            assert callable(getattr(importlib.import_module(f"tests.plain.{module}"), function))
        for place in re.findall(r"tests/[\w/.]+\w", held.but):
            assert (ROOT.parent / place).exists(), place


def driven(k: int, day: str) -> int:
    """Miles of truck ``k`` by a day."""
    return (15 + k % 11) * (dt.date.fromisoformat(day) - dt.date(2020, 1 + k % 6, 10)).days


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """60 trucks, two shafts: nine failed, some tuned, one row of three alike; reviewed, rated, loaded, cut and replayed."""
    out = tmp_path_factory.mktemp("written")
    sheets = {name: [] for name in shops.HEADINGS}
    for k in range(60):
        truck = {
            "serial": f"T-{k:03d}XY",
            "in_service_on": f"2020-0{1 + k % 6}-10",
            "power": 450 + 7 * k,
            "weight": 6500 + 50 * k,
        }
        truck |= {"use": ("street", "towing")[k % 2], "input_shaft": "IS-A" if k < 38 else "IS-B", "converter": "TC-1"}
        truck |= {"odometer_at_install": 0, "count": 3 if k == 0 else "", "builder": ("al", "bo")[k % 3 == 0]}
        sheets["builds"].append(truck)
        if 4 <= k < 50:
            read = {"serial": truck["serial"], "read_on": "2024-03-20", "odometer": driven(k, "2024-03-20")}
            sheets["readings"].append(read)
    for n, k in enumerate((3, 9, 14, 22, 27, 41, 47, 52, 55)):
        row = {
            "serial": f"T-{k:03d}XY",
            "component": "input shaft",
            "returned_on": (day := f"202{1 + n % 3}-0{1 + n}-15"),
            "cause": "part",
        }
        row |= {
            "finding": ("twisted", "cracked")[n % 2],
            "order": "first",
            "odometer": driven(k, day),
            "cost": 3000 + n,
        }
        sheets["returns"].append(row | {"replaced_with": "IS-A" if k < 38 else "IS-B"})
    sheets["changes"] = [{"serial": f"T-{k:03d}XY", "changed_on": "2022-05-05", "power": 800} for k in (6, 7, 44)]
    sheets["limits"] = [{"component": "input shaft", "part": "IS-A", "power_limit": 600, "effective_on": "2020-01-01"}]
    folder = shops.write(sheets, TOML, out / "shop")
    shop = analytics.read(folder)
    analytics.review(shop).save(out)
    rated = analytics.rate(shop)
    rated.save(out)
    rated.above_supported().save(out / "above_supported.csv")
    analytics.load(shop).save(out)
    analytics.cutoff(shop, "input shaft", "IS-A", "IS-B").save(out)
    write_csv(backtest_table(backtest(folder, 1)), out / "backtest.csv")
    return folder, out


def test_the_files_hold_what_the_plain_reckoning_gives(written, monkeypatch):
    folder, out = written
    monkeypatch.setattr(compare, "RELATIVE", 6e-6)  # a file keeps six digits
    shop = reckoning.Shop(folder)
    table, units = reckoning.lifetimes(shop), figures.units_of(shop)
    lives = "serial component spell segment part started_on lower_miles"
    points = "clock component part power_band weight_class finding time"
    survival = sorted(figures.survival(shop, table), key=lambda row: tuple(row[key] for key in points.split()))
    before = reckoning.Shop(folder, "2023-12-31")
    expected = {
        "lifetimes": (table, lives, "ended_on ended cause finding power_hp weight_lb use lower_days upper_days"),
        "loads": (table, lives, "ended_on ended cause finding power_hp weight_lb use lower_days upper_days"),
        "counts": (figures.counts(shop), "sheet", ""),
        "survival": (beside.steps(survival), points, "at_risk failed censored survival"),
        "findings": (figures.finding_shares(shop, table), "component finding", ""),
        "by_build_year": (figures.by_build_year(units), "built_in age_years", ""),
        "rebuilt": (figures.rebuilt(shop, units), "rebuilds", ""),
        "months_in_service": (figures.months_in_service(units, table), "built month_from", ""),
        "above_limit": (figures.above_limit(shop, units, table), "serial over_by odometer_known", ""),
        "random_calls": (figures.random_calls(shop, units), "serial", ""),
        "ask_for": (beside.ask_for(shop, units, table), "serial ask parts", ""),
        "forecast": (
            [row | {"component": row["component"] or "all"} for row in ahead.forecast(table)],
            "span component",
            "",
        ),
        "unit_chances": (
            ahead.unit_chances(shop, units, table),
            "serial years odometer_known",
            "serial power_hp weight_lb use years",
        ),
        "overlap": (beside.overlap(table, "input shaft", ("IS-A", "IS-B")), "quantity part", ""),
        "backtest": (
            [row for row in figures.replayed(before, shop) if row["part"] == "IS-A"],
            "component part",
            "failures came_back",
        ),
    }
    found = []
    for name, (should, keys, columns) in expected.items():
        with (out / f"{name}.csv").open(newline="", encoding="utf-8") as sheet:
            got = [row | {"serial": row.get("serial", "").split(" (")[0]} for row in csv.DictReader(sheet)]
        if name in ("lifetimes", "loads"):
            got = [row for row in got for _ in range(int(row["count"]))]
        assert should, name
        found += [f"{name}: {line}" for line in compare.differences(got, should, keys.split(), columns.split() or None)]
    assert not found, "\n".join(found)
    assert {path.stem for path in out.glob("*.csv")} <= set(FILES)
