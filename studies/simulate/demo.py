"""The demo: an invented shop with invented parts, its sheets as a shop would keep them, and the truth
beside them."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import Any

from analytics.demo import WHAT, write_files
from analytics.errors import AnalyticsError
from studies.simulate import load_demo
from studies.simulate.dirt import ALIASES, BUILDS, DRIVELINE_LOSS, RETURNS, WORDS, Sheet, Soiled, as_date, soil
from studies.simulate.fleet import (
    ChangesTruth,
    ComebacksTruth,
    ComponentTruth,
    FindingTruth,
    Fleet,
    FleetTruth,
    LimitTruth,
    PartTruth,
    ReadingsTruth,
    UseTruth,
    draw_fleet,
)
from studies.simulate.load_sheets import load_sheets
from studies.simulate.second_look import second_look

DEFAULT_SEED = 2142  # chosen: with it every planted trouble shows (DEVELOPERS.md says how rare that is)
FEWEST_UNITS = 400  # below it some kind of planted dirt would find no row to sit in
FILES = tuple(
    (
        "README.md builds.xlsx changes.csv conditions.csv fitted.csv judged_again.csv limits.csv parts.csv "
        "planted.csv readings.csv returns.csv shop.toml truth.json"
    ).split()
)
SHOP = "Example Transmission Works (invented)"
PRICES = {
    "IS-A": 420,
    "IS-B": 780,
    "IS-C": 1450,
    "TC-1": 950,
    "TC-2": 1600,
    "CP-4": 510,
    "CP-5": 890,
    "VB-1": 640,
    "VB-2": 700,
    "OS-A": 480,
    "OS-B": 1200,
}
FOUND = {
    "smooth slope": {"component": "input shaft", "parts": ["IS-A", "IS-B"]},
    "real step": {"component": "clutch pack", "part": "CP-4", "above_hp": 650},
    "no overlap in power": {"component": "converter", "parts": ["TC-1", "TC-2"]},
    "bad lot": {"component": "converter", "lot": "TC-1/10"},
    "improved revision": {"component": "valve body", "old": "VB-1", "new": "VB-2"},
    "month of install errors": {"component": "clutch pack", "month": "2022-09"},
    "limit too high": [{"component": "input shaft", "part": "IS-A"}, {"component": "clutch pack", "part": "CP-4"}],
    "limit too timid": {"component": "output shaft", "part": "OS-A"},
    "no failure at all": {"component": "output shaft", "part": "OS-B"},
    "known mostly for units that came back": "weight",
}
TARGET_MILES, TARGET_RELIABILITY, TARGET_CONFIDENCE = 50_000.0, 0.9, 0.9


def demo_truth() -> FleetTruth:
    """What is true of the demo shop.

    Findable on purpose: the input shafts' risk rises smoothly with power; the clutch pack CP-4 has a real
    step at 650 hp; the converters never overlap in power; lot TC-1/10 is bad; valve body VB-2 really is
    better than VB-1, which it supersedes; clutch packs fitted in September 2022 often had a seal cut;
    OS-B never failed.
    """
    shaft = ComponentTruth(
        "input shaft",
        (
            PartTruth(
                "IS-A",
                (
                    FindingTruth("broken at spline", 190_000, 2.2, -4.0, -1.5),
                    FindingTruth("twisted", 2_500_000, 1.2, -6.0, -1.0),
                ),
                (
                    LimitTruth(600, "2019-01-01", "first guess"),
                    LimitTruth(600, "2021-06-01", "as before, for heavier trucks"),
                    LimitTruth(700, "2021-06-01", "none seen below it", 7_500),
                ),
            ),
            PartTruth(
                "IS-B",
                (
                    FindingTruth("broken at spline", 440_000, 2.2, -4.0, -1.5),
                    FindingTruth("twisted", 12_000_000, 1.2, -6.0, -1.0),
                ),
                (LimitTruth(1000, "2019-01-01", "supplier's word"),),
            ),
            PartTruth(
                "IS-C",
                (FindingTruth("broken at spline", 1_400_000, 2.2, -4.0, -1.5),),
                (LimitTruth(1600, "2020-03-01", "supplier's word"),),
            ),
        ),
        cuts_hp=(720, 1120),
        cut_spread=0.16,
        install_share=0.003,
        install_finding="circlip left out",
        upgrade_share=0.35,
    )
    converter = ComponentTruth(
        "converter",
        (
            PartTruth(
                "TC-1",
                (
                    FindingTruth("lockup clutch burnt", 540_000, 1.8, -2.0, -1.0, use_log_life={"towing": -0.2}),
                    FindingTruth("bearing worn", 360_000, 2.5, -0.5),
                ),
                (LimitTruth(650, "2019-01-01", "supplier's word"),),
            ),
            PartTruth(
                "TC-2",
                (
                    FindingTruth("lockup clutch burnt", 800_000, 1.8, -2.0, -1.0, use_log_life={"towing": -0.2}),
                    FindingTruth("bearing worn", 420_000, 2.5, -0.5),
                ),
                (LimitTruth(1400, "2019-01-01", "supplier's word"),),
            ),
        ),
        cuts_hp=(655,),
        install_share=0.004,
        install_finding="not seated in the pump",
        lot_days=91,
        bad_lots={"TC-1/10": -1.7},
    )
    clutch = ComponentTruth(
        "clutch pack",
        (
            PartTruth(
                "CP-4",
                (
                    FindingTruth("burnt", 400_000, 1.7, -1.0, -0.8, step_above_hp=650, step_log_life=-1.3),
                    FindingTruth("drum cracked", 330_000, 2.2, -2.0, drags={"valve body": 0.6}),
                ),
                (LimitTruth(750, "2019-01-01", "supplier's word"), LimitTruth(700, "2023-01-01", "two burnt at 720")),
            ),
            PartTruth(
                "CP-5",
                (
                    FindingTruth("burnt", 600_000, 1.7, -1.0, -0.8),
                    FindingTruth("drum cracked", 330_000, 2.2, -2.0, drags={"valve body": 0.6}),
                ),
                (LimitTruth(1500, "2019-01-01", "supplier's word"),),
            ),
        ),
        cuts_hp=(690,),
        cut_spread=0.22,
        install_share=0.004,
        install_finding="seal cut at assembly",
        install_months={"2022-09": 0.45},
        upgrade_share=0.3,
    )
    valve = ComponentTruth(
        "valve body",
        (
            PartTruth(
                "VB-1",
                (
                    FindingTruth("bore worn", 330_000, 2.0, -0.5, use_log_life={"towing": -0.2}),
                    FindingTruth("solenoid dead", 4_000_000, 1.0, 0.0),
                ),
                superseded_by="VB-2",
                superseded_on="2022-03-01",
            ),
            PartTruth(
                "VB-2",
                (
                    FindingTruth("bore worn", 900_000, 2.0, -0.5, use_log_life={"towing": -0.2}),
                    FindingTruth("solenoid dead", 4_000_000, 1.0, 0.0),
                ),
            ),
        ),
        cuts_hp=(math.inf,),
        install_share=0.003,
        install_finding="bolts loose",
    )
    output = ComponentTruth(
        "output shaft",
        (
            PartTruth(
                "OS-A",
                (
                    FindingTruth("broken", 460_000, 2.2, -3.0, -2.0, drags={"valve body": 0.1}),
                    FindingTruth("spline worn", 420_000, 2.8, -1.0, -1.0),
                    FindingTruth("hairline crack", 270_000, 2.0, -3.0, -1.5, at_teardown=True),
                ),
                (LimitTruth(450, "2019-01-01", "to be safe"),),
            ),
            PartTruth(
                "OS-B",
                (FindingTruth("broken", 5_000_000, 2.2, -3.0, -2.0),),
                (LimitTruth(1500, "2021-01-01", "supplier's word"),),
            ),
        ),
        cuts_hp=(880,),
        cut_spread=0.12,
        install_share=0.002,
        install_finding="nut not staked",
    )
    return FleetTruth(
        components=(shaft, converter, clutch, valve, output),
        uses=(
            UseTruth("street", 0.50, 22, 0.50, 560, 0.26, 6700, 0.10),
            UseTruth("towing", 0.30, 33, 0.45, 520, 0.20, 8300, 0.13, log_life=-0.15),
            UseTruth("drag", 0.13, 2.6, 0.55, 960, 0.28, 5400, 0.09, log_life=-0.9, runs_per_mile=0.12),
            UseTruth("sled", 0.07, 2.4, 0.50, 1050, 0.24, 7700, 0.10, log_life=-0.9, runs_per_mile=0.08),
        ),
        first_built="2019-01-07",
        last_built="2024-12-13",
        as_of="2024-12-31",
        records_start="2020-01-01",
        power_range_hp=(300, 1900),
        weight_range_lb=(4000, 14000),
        builders=("RK", "DM", "JT"),
        to_service_days=18,
        leave_per_year=0.03,
        changes=ChangesTruth(share=0.07, log_power=(0.14, 0.06), weight_share=0.25),
        comebacks=ComebacksTruth(
            lag_days=11,
            scrap_share=0.02,
            reporting_share=0.95,
            no_fault_per_year=0.004,
            odometer_share=0.88,
            unclear_order_share=0.2,
            unclear_cause_share=0.04,
            over_limit_named_share=0.75,
        ),
        readings=ReadingsTruth(share=0.17, more=0.6),
    )


def write_demo(folder: str | Path, units: int = 900, seed: int = DEFAULT_SEED) -> dict[str, int]:
    """Write the demo shop into `folder` and return the number of rows of each sheet.

    The same units and seed give the same bytes. An existing folder must be empty or an earlier demo,
    whose files are replaced (files that are not the demo's are left alone). Raises AnalyticsError
    otherwise, and for fewer than 400 units.
    """
    if units < FEWEST_UNITS:
        raise AnalyticsError(f"the demo was asked for {units} units; every kind of dirt needs at least {FEWEST_UNITS}.")
    files, counts = demo_files(units, seed)
    write_files(Path(folder), files)
    return counts


def write_load_demo(folder: str | Path, units: int = load_demo.TRUCKS, seed: int = load_demo.SEED) -> None:
    """Write the shop for the load page into ``folder``, of so many ``units`` drawn from ``seed``; all else as `write_demo`."""
    write_files(Path(folder), load_demo.load_demo_files(seed, units))


def demo_files(units: int, seed: int, truth: FleetTruth | None = None) -> tuple[dict[str, bytes], dict[str, int]]:
    """The demo's files by name, and rows per sheet, of so many ``units`` drawn from ``seed``; of another truth with the same parts, if one is given."""
    fleet = draw_fleet(demo_truth() if truth is None else truth, units, seed)
    dirty = soil(fleet, seed)
    planted = dirty.planted_table()
    s = dirty.sheets
    known = {c.component: sorted({f.finding for p in c.parts for f in p.findings}) for c in fleet.truth.components}
    again = second_look(dirty, known, seed, date.fromisoformat(fleet.truth.as_of))
    files = {
        "README.md": _readme(units, seed).encode(),
        "builds.xlsx": _builds_workbook(s["builds"]),
        "planted.csv": _table(list(planted.columns), planted.to_numpy().tolist()).encode("utf-8"),
        "shop.toml": _shop_toml(fleet.truth).encode(),
        "truth.json": _truth_json(fleet, dirty, units, seed).encode(),
    }
    for name, encoding in (("fitted", "utf-8"), ("changes", "utf-8"), ("limits", "utf-8"), ("returns", "cp1252")):
        files[s[name].file] = _csv(s[name]).encode(encoding)
    files |= load_sheets(fleet, dirty.renamed, PRICES, seed)
    files[s["readings"].file] = b"\xff\xfe" + _csv(s["readings"]).encode("utf-16-le")
    files[again.file] = _csv(again).encode("utf-8")
    counts = {name: sum(bool(r.cells) for r in sheet.rows) for name, sheet in (*s.items(), (again.name, again))}
    return dict(sorted(files.items())), counts


def _table(heading: list[str], rows: list[list[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows(rows)
    return out.getvalue()


def _csv(sheet: Sheet) -> str:
    return _table(list(sheet.headings.values()), [[r.cells.get(c, "") for c in sheet.headings] for r in sheet.rows])


def _builds_workbook(sheet: Sheet) -> bytes:
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    # The clock stays out of the file, so that the same demo has the same bytes.
    book.set_properties({"title": "Builds", "author": SHOP, "created": datetime(2024, 12, 31)})
    bold, day = book.add_format({"bold": True}), book.add_format({"num_format": "yyyy-mm-dd"})
    page = book.add_worksheet("Builds")
    page.merge_range(0, 0, 0, len(sheet.headings) - 1, f"{SHOP} - units shipped", bold)
    for c, heading in enumerate(sheet.headings.values()):
        page.write_string(sheet.first_row - 2, c, heading, bold)
    for i, row in enumerate(sheet.rows, sheet.first_row - 1):
        for c, name in enumerate(sheet.headings):
            value = row.cells.get(name, "")
            if isinstance(value, date):
                page.write_datetime(i, c, datetime(value.year, value.month, value.day), day)
            elif isinstance(value, int | float):
                page.write_number(i, c, value)
            elif value != "":
                page.write_string(i, c, value)
    page.set_column(0, len(sheet.headings) - 1, 13)
    book.add_worksheet("2025")
    book.close()
    return out.getvalue()


def _quoted(items: list[str]) -> str:
    return "[" + ", ".join(f'"{i}"' for i in items) + "]"


def _words(words: Mapping[str, list[str]]) -> list[str]:
    return [f'"{k}" = {_quoted(v)}' for k, v in words.items()]


def _shop_toml(truth: FleetTruth) -> str:
    t = truth
    heading = {c.component: BUILDS[c.component.replace(" ", "_")] for c in t.components}
    lines = [
        "# How to read this shop's sheets. All of it can be changed with a text editor; # begins a remark.",
        "# The shop, its parts and every figure in these files are invented.",
        "",
        "[shop]",
        f'name = "{SHOP}"',
        f'as_of = "{t.as_of}"  # the day the records were copied; later entries are not looked at',
        f'records_start = "{t.records_start}"  # returns were written down from this day on',
        "",
        "# The name we use for each component, and the heading of its column in builds.",
        "[components]",
        *[f'"{c}" = "{h}"' for c, h in heading.items()],
        "",
        "[sheets.builds]",
        'file = "builds.xlsx"',
        'sheet = "Builds"  # the page in the workbook; the row of headings is found by itself',
        "",
        "# The name the analysis uses = what the shop's column is called.",
        "[headings.builds]",
        *[f'{k} = "{v}"' for k, v in BUILDS.items() if k not in {c.replace(" ", "_") for c in heading} and k != v],
        "",
        "[headings.returns]",
        *[f'{k} = "{v}"' for k, v in RETURNS.items()],
        "",
        "# Dates such as 03/04/2021 can be read two ways. A shop with one way says so here.",
        "# [dates]",
        '# order = "month first"',
        "",
        "# What a bare number in a cell means.",
        "[units]",
        'power = "hp"',
        'weight = "lb"',
        'distance = "miles"',
        "",
        "[power]",
        'measured_at = "crank"  # unless the row says wheels',
        f"driveline_loss = {DRIVELINE_LOSS}  # wheel power is this share below crank power",
        "bands = [400, 600, 1000]",
        "",
        "[weight]",
        'kind = "as driven"  # unless the row says otherwise',
        "classes = [7500, 9000]",
        "",
        "# Other names a part goes by.",
    ]
    for component, parts in ALIASES.items():
        lines += [f'[parts."{component}"]', *_words(parts), ""]
    fitted = [(c, p) for c in t.components for p in c.parts]
    for c, p in ((c, p) for c, p in fitted if p.superseded_by):
        lines += [
            "[[supersessions]]  # the new part is fitted instead of the old one from this day on",
            f'component = "{c.component}"',
            f'old = "{p.part}"',
            f'new = "{p.superseded_by}"',
            f'effective_on = "{p.superseded_on}"',
            "",
        ]
    hides = [c for c in t.components if any(f.at_teardown for p in c.parts for f in p.findings)]
    hidden = sorted({f.finding for _, p in fitted for f in p.findings if f.at_teardown})
    lines += [
        "[findings]",
        f"found_at_teardown = {_quoted(hidden)}  # seen when the unit is apart; the truck still drove",
        "",
        "# Component = the components at whose return it is looked at for such damage, each time.",
        "[findings.looked_at]",
        *[f'"{c.component}" = {_quoted([o.component for o in t.components if o is not c])}' for c in hides],
        "",
    ]
    for column, words in WORDS.items():
        lines += [f"[words.{column}]  # our word = the shop's other words for it", *_words(words), ""]
    lines += [
        "[targets]",
        f"miles = {TARGET_MILES:.0f}",
        f"reliability = {TARGET_RELIABILITY}  # this share shall reach those miles",
        f"confidence = {TARGET_CONFIDENCE}",
        "",
        "[costs]  # dollars",
        "comeback = 4000  # one return, all in",
        "call_in = 900  # calling in one truck that still runs and opening it, beside the part",
        "",
        "[costs.parts]",
        *[f'"{p}" = {v}' for p, v in PRICES.items()],
        "",
    ]
    return "\n".join(lines)


def _plain(value: Any) -> Any:
    """For JSON: no infinities, no NumPy types, figures short enough to read."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return None if not math.isfinite(value) else round(value, 6)
    return value


def _iso(day: float) -> str:
    return as_date(day).isoformat()


def _truth_json(fleet: Fleet, dirty: Soiled, units: int, seed: int) -> str:
    t = fleet.truth
    serial = [dirty.renamed.get(s, s) for s in fleet.units["serial"]]
    events = fleet.events
    listed = ~fleet.units["before_records"].to_numpy()[events["unit"].to_numpy(int)]
    unseen = events[~events["reported"].astype(bool) & listed]
    ratings = [
        {
            "component": c.component,
            "part": p.part,
            "weight_lb": w,
            "use": u.use,
            "true_rating_hp": t.rating(c.component, p.part, TARGET_MILES, TARGET_RELIABILITY, w, u.use),
        }
        for c in t.components
        for p in c.parts
        for w in (6500.0, 7500.0, 9000.0)
        for u in t.uses
    ]
    built = [
        {"component": c.component, "part": part, "units": int(n)}
        for c in t.components
        for part, n in fleet.units.loc[~fleet.units["before_records"], f"part:{c.component}"]
        .value_counts()
        .sort_index()
        .items()
    ]
    own = events[events["reported"].astype(bool) & (events["kind"] == "failure") & (events["cause"] != "install")]
    failures = [
        {"component": c, "part": p, "failures": int(n)}
        for (c, p), n in own.groupby(["component", "part"]).size().items()
    ]
    out = {
        "what": WHAT,
        "units": units,
        "seed": seed,
        "life": "log T = log(life_miles) + power_slope log(p/600 hp) + weight_slope log(w/7000 lb) "
        "+ use + lot + e/shape; "
        "null stands for no bound",
        "to_be_found": FOUND,
        "target": {"miles": TARGET_MILES, "reliability": TARGET_RELIABILITY},
        "true_ratings": ratings,
        "parts_built": built,
        "failures_by_part": failures,
        "units_that_failed_before_the_records": int(fleet.units["before_records"].sum()),
        "failures_never_reported": [
            {
                "serial": serial[int(e.unit)],
                "component": e.component,
                "part": e.part,
                "finding": e.finding,
                "failed_on": _iso(e.failed_day),
                "part_miles": round(e.end_miles - e.start_miles),
            }
            for e in unseen.itertuples()
        ],
        "events_made_up_for_their_kind": [
            {k: v for k, v in a.items() if k not in ("unit", "failed_day")}
            | {"serial": serial[int(a["unit"])], "failed_on": _iso(a["failed_day"])}
            for a in dirty.added
        ],
        "truth": asdict(t),
    }
    return json.dumps(_plain(out), indent=1, allow_nan=False) + "\n"


def _readme(units: int, seed: int) -> str:
    return f"""# The demo shop

Everything in this folder is invented: the shop, its trucks, its parts and their names, every figure. It was drawn by a
simulator ({units} units, seed {seed}), so what is true is known: it stands in `truth.json`. Any likeness to a real shop
or part is chance.

| file | what it is |
|---|---|
| `shop.toml` | how to read the sheets |
| `builds.xlsx` | one row per unit shipped; a title, a blank row, the headings, and a totals row at the end |
| `returns.csv` | what came back (cp1252) |
| `readings.csv` | odometers and news of units (UTF-16) |
| `changes.csv`, `limits.csv`, `fitted.csv` | tunes changed, limits published, converters and their lots |
| `judged_again.csv` | a second person's judgement of some returns, drawn at random |
| `parts.csv`, `conditions.csv` | what the parts are made like, and what was measured on trucks: geometry and pressures are invented like the rest; of converters whose lock-up clutch burnt, 70% were run above 180 psi, of the others 6% |
| `planted.csv` | every slip on purpose: kind, sheet, file, row as counted in the file, column, what is expected |
| `truth.json` | parameters, true ratings, failures never reported, what is there to be found |

In `planted.csv`, *expected* is `used`, `set aside`, `to check` (used, but its doubtful figure is not) or `linked`
(joined to the one serial it can be, for confirmation). All rows to be set aside, checked or linked are listed; of kinds
that are merely the shop's habit (a unit in a cell, a date in words) the first few are.

To write it again, byte for byte: `python -m studies demo DIR --units {units} --seed {seed}` in a checkout.
"""
