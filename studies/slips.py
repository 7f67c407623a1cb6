"""Slips of the pen in otherwise clean sheets: which change a published figure with nothing said of it.

Small invented shops of several shapes; one cell of each copy is typed with a plausible slip (a digit, a unit, a date, a spelling). A slip
is told where a row is set aside, a cell is listed to check, or reading is refused with its reason. Published figures: units, returns and
failures by component and part, and the power that the records support by part and weight class, to first order, as printed (in steps).
"""

from __future__ import annotations

import datetime as dt
import os
import random
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path

import pandas as pd

from analytics.cores import JOBS
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import options_for
from analytics.ratings.sheet import make_ratings
from analytics.records.load import Records, load_records
from analytics.whole import whole_file
from studies.resumable import resume, versions_used

BLOCKS, TABLE = "slips_blocks.csv", "slips.csv"
#: limits are printed in steps of so much
STEP_HP = 25
#: slips a block
SIZE = 20
#: the shops before served to choose what is doubtful
FIRST_SEED = 201
KINDS = ("digit", "unit", "date", "spelling", "serial", "another part")
#: of every shape in turn: whether rows are entered as they come or stand by serial, and the names of the parts
_BY_DAY = (True, True, True, False, False)
_SHORT, _LONG = (("IS-A", "IS-B"), ("TC-1", "TC-2")), (("Slim 10", "Stout 20"), ("Swirl 9", "Calm 11"))
_NAMES = (_LONG, _SHORT, _SHORT, _LONG, _SHORT)
#: whether the second converter followed the first, or both are put in by turns
_FOLLOWED = (False, True, False, True, False)
Sheets = dict[str, list[dict[str, str]]]

_KM, _KG, _KW = 1.609344, 0.45359237, 0.74569987
#: shape -> metric, decimal comma, how days are written
SHAPES = {
    "CSV, days as 2022-03-14": (False, False, "%Y-%m-%d"),
    "CSV, days as 03/14/2022": (False, False, "%m/%d/%Y"),
    "CSV with semicolons, decimal commas, kW, kg, km": (True, True, "%d.%m.%Y"),
    "one workbook of three pages": (False, False, "%m/%d/%y"),
    "a database, kW, kg, km": (True, False, "%Y-%m-%d"),
}
_TOML = """[shop]
name = "Slips (invented)"
{as_of}
[components]
"input shaft" = "input_shaft"
converter = "converter"
[units]
power = "{power}"
weight = "{weight}"
distance = "{distance}"
[dates]
order = "{order}"
[targets]
miles = 40000
[ratings]
replicates = 0
reporting_share = 1.0
"""
#: what a slip can stand in: sheet, heading
_FIGURES = (
    ("builds", "power"),
    ("builds", "weight"),
    ("builds", "odometer_at_install"),
    ("returns", "odometer"),
    ("readings", "odometer"),
)
_DAYS = (("builds", "built_on"), ("returns", "failed_on"), ("readings", "read_on"))
_WORDS = (("builds", "input_shaft"), ("builds", "converter"), ("builds", "use"), ("returns", "component"), ("returns", "part"), ("returns", "cause"), ("returns", "finding"))  # fmt: skip
_SERIALS = (("builds", "serial"), ("returns", "serial"), ("readings", "serial"))
_PARTS = (("builds", "input_shaft"), ("builds", "converter"), ("returns", "part"))
_PLACES = {"date": _DAYS, "spelling": _WORDS, "serial": _SERIALS, "another part": _PARTS}


# ---- the shop ------------------------------------------------------------------------------------------------------


def shop_of(seed: int, shape: str) -> tuple[Sheets, str]:
    """An invented shop's sheets as typed, and its shop.toml."""
    metric, comma, days = SHAPES[shape]
    which = list(SHAPES).index(shape)
    (slim, stout), (first, second) = _NAMES[which]
    draw = random.Random(seed)
    figure = partial(_figure, comma)

    power, weight, miles = (_KW, _KG, _KM) if metric else (1.0, 1.0, 1.0)
    sheets: Sheets = {"builds": [], "returns": [], "readings": []}
    last = dt.date(2024, 12, 31)
    for k in range(130):
        built, hp, lb = (
            dt.date(2020, 1, 6) + dt.timedelta(days=11 * k),
            draw.randrange(420, 900, 5),
            draw.randrange(5600, 10_400, 20),
        )
        start, a_day, serial = draw.randrange(6_000, 90_000), draw.uniform(25, 60), f"K{3100 + 13 * k}"
        parts = {
            "input shaft": slim if k % 3 or hp < 500 else stout,
            "converter": first if (k < 70 if _FOLLOWED[which] else k % 2) else second,
        }
        sheets["builds"].append(
            {
                "serial": serial,
                "built_on": f"{built:{days}}",
                "power": figure(hp * power, int(comma)),
                "weight": figure(lb * weight, int(comma)),
                "odometer_at_install": figure(start * miles),
                "use": draw.choice(["street", "towing"]),
                "input_shaft": parts["input shaft"],
                "converter": parts["converter"],
            }
        )
        reach = {"input shaft": 1.3 if parts["input shaft"] == stout else 1.0, "converter": 1.1}
        lives = {c: 110_000 * reach[c] * (hp / 600) ** -3 * draw.weibullvariate(1.0, 2.0) for c in parts}
        component = min(lives, key=lambda c: lives[c])
        day = built + dt.timedelta(days=int(lives[component] / a_day))
        if day < last:
            told = {
                "serial": serial,
                "failed_on": f"{day:{days}}",
                "odometer": figure((start + lives[component]) * miles),
            }
            told |= {
                "component": component,
                "part": parts[component],
                "finding": draw.choice(["broken", "twisted", "burnt"]),
            }
            sheets["returns"].append(
                told | {"cause": draw.choice(["part", "part", "over limit"]), "replaced_with": parts[component]}
            )
        elif k % 2:
            read = last - dt.timedelta(days=draw.randrange(5, 90))
            driven = a_day * (read - built).days
            sheets["readings"].append(
                {"serial": serial, "read_on": f"{read:{days}}", "odometer": figure((start + driven) * miles)}
            )
    for name, heading in (("returns", "failed_on"), ("readings", "read_on")) if _BY_DAY[which] else ():
        sheets[name].sort(key=lambda row: dt.datetime.strptime(row[heading], days))
    order = {"%Y": "year first", "%d": "day first", "%m": "month first"}[days[:2]]
    units = ("kW", "kg", "km") if metric else ("hp", "lb", "miles")
    as_of = "" if "database" in shape else 'as_of = "2024-12-31"'
    return sheets, _TOML.format(as_of=as_of, power=units[0], weight=units[1], distance=units[2], order=order)


def _figure(comma: bool, value: float, places: int = 0) -> str:
    text = f"{value:,.{places}f}" if comma else f"{value:.{places}f}"
    return text.translate(str.maketrans(",.", ".,")) if comma else text


def write_shop(folder: Path, shape: str, sheets: Sheets, toml: str) -> None:
    """The sheets in a folder, in the files of their shape."""
    (folder / "shop.toml").write_text(toml + (_IN_BOOK if "workbook" in shape else ""), encoding="utf-8")
    frames = {name: pd.DataFrame(rows) for name, rows in sheets.items()}
    if "workbook" in shape:
        with pd.ExcelWriter(folder / "shop.xlsx", engine="xlsxwriter") as book:
            for name, frame in frames.items():
                frame.to_excel(book, sheet_name=name, index=False)
    elif "database" in shape:
        with sqlite3.connect(folder / "shop.sqlite") as base:
            for name, frame in frames.items():
                frame.to_sql(name, base, index=False)
        base.close()
    else:
        for name, frame in frames.items():
            frame.to_csv(folder / f"{name}.csv", index=False, sep=";" if ";" in shape or "semicolons" in shape else ",")


_IN_BOOK = "".join(
    f'[sheets.{name}]\nfile = "shop.xlsx"\nsheet = "{name}"\n' for name in ("builds", "returns", "readings")
)


# ---- slips ---------------------------------------------------------------------------------------------------------


def slip(sheets: Sheets, shape: str, kind: str, draw: random.Random) -> tuple[str, str, str]:
    """Type one cell of the ``sheets`` with a slip of that ``kind``: the place, what stood there, what stands there now."""
    while True:
        sheet, heading = draw.choice(_PLACES.get(kind, _FIGURES))
        row = draw.choice(sheets[sheet])
        old = row[heading]
        new = _SLIPS[kind](old, heading, shape, draw)
        if new != old:
            row[heading] = new
            return f"{sheet}.{heading}", old, new


def _digit(text: str, heading: str, shape: str, draw: random.Random) -> str:
    """A digit wrong, missing, doubled, or two swapped."""
    places = [k for k, c in enumerate(text) if c.isdigit()]
    at = draw.choice(places)
    ways = [
        text[:at] + draw.choice("0123456789") + text[at + 1 :],
        text[:at] + text[at + 1 :],
        text[:at] + text[at] + text[at:],
    ]
    ways.append(_swapped(text, at))
    return draw.choice(ways)


def _swapped(text: str, at: int) -> str:
    return text[:at] + text[at : at + 2][::-1] + text[at + 2 :]


def _unit(text: str, heading: str, shape: str, draw: random.Random) -> str:
    """The figure of another unit without saying so, or a decimal slipped."""
    metric, comma, _ = SHAPES[shape]
    value = float(text.replace(".", "").replace(",", ".") if comma else text)
    one = {"power": _KW, "weight": _KG}.get(heading, _KM)
    told = draw.choice([value / one if metric else value * one, value * 10, value / 10])
    return _figure(comma, told, int(comma and heading in ("power", "weight")))


def _date(text: str, heading: str, shape: str, draw: random.Random) -> str:
    """Day and month swapped, another year, or a digit wrong."""
    form = SHAPES[shape][2]
    day = dt.datetime.strptime(text, form).date()
    ways = [lambda: f"{day.replace(month=day.day, day=day.month):{form}}" if day.day <= 12 else text]
    ways += [
        lambda: f"{day.replace(year=day.year + draw.choice([-1, 1]), day=min(day.day, 28)):{form}}",
        lambda: _digit(text, heading, shape, draw),
    ]
    return draw.choice(ways)()


def _spelling(text: str, heading: str, shape: str, draw: random.Random) -> str:
    """A letter wrong, missing, doubled, or two swapped; a space more or less; capitals."""
    at = draw.randrange(len(text))
    ways = [
        text[:at] + draw.choice("abcdefghijklmnopqrstuvwxyz") + text[at + 1 :],
        text[:at] + text[at + 1 :],
        text[:at] + text[at] + text[at:],
    ]
    ways += [_swapped(text, at), text.upper(), text.replace(" ", ""), text.replace(" ", "-")]
    return draw.choice(ways)


def _another(text: str, heading: str, shape: str, draw: random.Random) -> str:
    """The name of the other part of the component."""
    return next((b if text == a else a for a, b in _NAMES[list(SHAPES).index(shape)] if text in (a, b)), text)


_SLIPS: dict[str, Callable[[str, str, str, random.Random], str]] = {
    "digit": _digit, "unit": _unit, "date": _date, "spelling": _spelling, "serial": _digit,
    "another part": _another,
}  # fmt: skip


# ---- what becomes of them ------------------------------------------------------------------------------------------


def figures_of(records: Records, before: tuple[str, dict[str, object]] = ("", {})) -> tuple[str, dict[str, object]]:
    """The lives as text, and the published figures; the power supported is that of ``before`` where the lives are the same."""
    lifetimes = make_lifetimes(records)
    table = lifetimes.table
    lives = table.drop(columns=[c for c in table if "row" in c or c == "serial"]).to_csv()
    failed = table[table["ended"] == "failed"].groupby(["component", "part"])["count"].sum().to_dict()
    of_parts = {c: records.builds[c].value_counts().to_dict() for c in records.shop.components}
    figures = {"units": of_parts, "returns": len(records.returns), "failed": failed}
    if lives == before[0]:
        return lives, figures | {"supported": before[1]["supported"]}
    options = options_for(records.shop)
    options = replace(options, settings=replace(options.settings, explain=False))
    rated = make_ratings(records, lifetimes, options, own_uses=False).table
    steps = (rated["supported_hp"].fillna(-STEP_HP) // STEP_HP * STEP_HP).astype(int)
    held = steps.groupby([rated["component"], rated["part"]]).agg(list).to_dict()
    return lives, figures | {"supported": held}


def told_of(records: Records) -> Counter:
    """What is set aside or to check, by place and kind: how it is said may move with every figure."""
    books = records.books
    rows = pd.concat([books.set_aside, books.to_check])
    return Counter(map(tuple, rows[["of", "row", "column", "kind"]].values.tolist()))


@lru_cache(4)
def _clean(seed: int, shape: str) -> tuple[tuple[str, dict[str, object]], Counter]:
    with tempfile.TemporaryDirectory() as folder:
        write_shop(Path(folder), shape, *shop_of(seed, shape))
        records = load_records(folder)
    return figures_of(records), told_of(records)


def one_slip(seed: int, shape: str, kind: str, draw: random.Random) -> dict[str, object]:
    """What became of one slip: told, the published figure changed (looked at where nothing is told), and where it was."""
    published, known = _clean(seed, shape)
    sheets, toml = shop_of(seed, shape)
    place, old, new = slip(sheets, shape, kind, draw)
    row: dict[str, object] = {"place": place, "typed": f"{old} -> {new}", "told": True, "changed": ""}
    with tempfile.TemporaryDirectory() as folder:
        write_shop(Path(folder), shape, sheets, toml)
        try:
            records = load_records(folder)
        except AnalyticsError:
            return row
    if told_of(records) - known:
        return row
    was, now = published[1], figures_of(records, published)[1]
    return row | {"told": False, "changed": " ".join(name for name in was if was[name] != now[name])}


def one_block(shape: str, kind: str, seed: int) -> pd.DataFrame:
    """SIZE slips of a kind in a shop of a shape, a row each."""
    draw = random.Random(f"{shape} {kind} {seed}")
    rows = [one_slip(seed, shape, kind, draw) for _ in range(SIZE)]
    return pd.DataFrame(rows).assign(shape=shape, kind=kind, seed=seed, versions=versions_used())


def run(out: str | Path, shops: int = 1, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """Slips of every kind in ``shops`` shops of every shape; blocks already in ``out`` are not repeated. Returns the summary, kept beside them."""
    os.environ.setdefault(JOBS, "1")  # a shop is rated faster than processes are begun
    path = Path(out) / BLOCKS
    pieces = [
        (shape, kind, seed) for seed in range(FIRST_SEED, FIRST_SEED + shops) for shape in SHAPES for kind in KINDS
    ]
    resume(path, ["shape", "kind", "seed"], pieces, one_block, 1, progress)
    table = summarise(pd.read_csv(path, keep_default_na=False))
    with whole_file(path.with_name(TABLE)) as part:
        table.to_csv(part, index=False)
    return table


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """By kind, by shape and over all: slips, the share told, the share that changes a published figure with nothing told.

    Another part's name is no slip of the pen: it stands by itself, and is left out of the shapes and of all.
    """
    told = rows["told"].astype(str) == "True"
    rows = rows.assign(heard=told, silent=~told & (rows["changed"] != ""))
    of_the_pen = rows[rows["kind"] != "another part"]
    groups = [
        *(("kind", *g) for g in rows.groupby("kind", sort=False)),
        *(("shape", *g) for g in of_the_pen.groupby("shape", sort=False)),
        ("all", "all", of_the_pen),
    ]
    return pd.DataFrame(
        [
            {"by": by, "name": name, "slips": len(own), "told": own["heard"].mean(), "silent": own["silent"].sum(), "silent_share": own["silent"].mean()}
            for by, name, own in groups
        ]
    )  # fmt: skip
