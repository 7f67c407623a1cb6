"""The demo shop: same bytes, every planted slip where the list says, nothing odd that is not on the list."""

import csv
import io
import json
import re
import tomllib
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook
from scipy import constants

from analytics.errors import AnalyticsError
from studies.simulate import demo_truth, draw_fleet, write_demo
from studies.simulate.demo import DEFAULT_SEED, FILES, demo_files
from studies.simulate.dirt import KM_PER_MILE, KW_PER_HP, PS_PER_HP, near

KEPT = Path(__file__).parents[2] / "data" / "demo"
ENCODING = {"returns.csv": "cp1252", "readings.csv": "utf-16"}
HEADING_ROW = {"builds.xlsx": 3}


def raw(files: dict[str, bytes], name: str) -> list[list]:
    """The file as a grid of cells: grid[r - 1] is the spreadsheet's row r."""
    if name.endswith(".xlsx"):
        book = CalamineWorkbook.from_filelike(io.BytesIO(files[name]))
        return book.get_sheet_by_name("Builds").to_python(skip_empty_area=False)
    return list(csv.reader(io.StringIO(files[name].decode(ENCODING.get(name, "utf-8")), newline="")))


def frame(files, name) -> pd.DataFrame:
    grid, at = raw(files, name), HEADING_ROW.get(name, 1)
    out = pd.DataFrame(grid[at:], columns=grid[at - 1], dtype=object)
    out.index = range(at + 1, at + 1 + len(out))
    return out


def planted_of(files) -> pd.DataFrame:
    return pd.read_csv(io.BytesIO(files["planted.csv"]), keep_default_na=False)


@pytest.fixture(scope="module")
def demo() -> dict[str, bytes]:
    return demo_files(900, DEFAULT_SEED)[0]


def test_same_seed_same_bytes_and_another_seed_others(demo):
    assert demo_files(900, DEFAULT_SEED)[0] == demo
    other = demo_files(900, DEFAULT_SEED + 1)[0]
    assert all(other[n] != demo[n] for n in ("builds.xlsx", "returns.csv", "truth.json", "planted.csv"))


def test_the_demo_kept_in_the_repository_is_the_one_written(demo):
    assert sorted(p.name for p in KEPT.iterdir() if p.name in FILES) == sorted(FILES) == sorted(demo)
    for name, content in demo.items():
        assert (KEPT / name).read_bytes() == content, f"{name}: write the demo anew, or undo the change that altered it"


def cell_as_typed(value) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


@pytest.mark.parametrize("seed", [DEFAULT_SEED, 5, 6])
@pytest.mark.parametrize("units", [400, 900])
def test_every_planted_slip_is_where_the_list_says(units, seed):
    files, counts = demo_files(units, seed)
    grids = {name: raw(files, name) for name in files if name.endswith((".csv", ".xlsx")) and name != "planted.csv"}
    checked = 0
    for p in planted_of(files).to_dict("records"):
        grid, row, heading = (
            grids[p["file"]],
            int(p["row"]),
            grids[p["file"]][HEADING_ROW.get(p["file"], 1) - 1],
        )
        assert 1 <= row <= len(grid), p
        if p["kind"] == "optional column missing":
            assert p["column"] not in heading, p
            checked += 1
            continue
        if not p["column"]:
            continue
        cell = cell_as_typed(grid[row - 1][heading.index(p["column"])])
        if row == HEADING_ROW.get(p["file"], 1):
            assert cell == p["column"], p
        elif " for " in p["planted"] and p["column"].startswith("Serial"):
            assert cell == p["planted"].split(" for ")[0], p
        else:
            assert cell == ("" if p["planted"] == "(blank)" else p["planted"]), p
        checked += 1
    assert checked > 150
    assert counts["builds"] == len(frame(files, "builds.xlsx")) - 1  # a blank row lies before the totals


def test_every_kind_of_mess_is_there(demo):
    kinds = set(planted_of(demo)["kind"])
    for words in (
        "ambiguous date, settled",
        "ambiguous date, not settled",
        "serial with a wrong digit",
        "digits swapped",
        "letter O",
        "two candidates",
        "second candidate built after",
        "return entered twice",
        "a return of no unit",
        "build entered twice",
        "miles going backwards",
        "last figure known",
        "last figure not known",
        "km in a miles column",
        "tenths",
        "at the wheels, in the cell",
        "at the wheels, in its column",
        "rating plate",
        "as raced",
        "another of its names",
        "supersedes",
        "second return",
        "third return",
        "the first",
        "one that followed",
        "order unclear",
        "tune changed",
        "weight changed",
        "no-fault",
        "install error",
        "over the limit",
        "cause unclear",
        "teardown",
        "unit sold",
        "unit lost",
        "unit scrapped",
        "before the records",
        "empty sheet",
        "column missing",
        "cp1252",
        "UTF-16",
        "title over",
        "blank row",
        "totals row",
        "month in words",
        "two digits",
        "spreadsheet number",
        "day-first",
        "month-first",
        "month without a day",
        "before it was built",
        "in kW",
        "in PS",
        "approximate",
        "range",
        "tonnes",
        "thousands of km",
        "formula",
        "runs counted",
        "known mostly for units that came back",
    ):
        assert any(words in k for k in kinds), words


def test_whole_file_slips(demo):
    book = CalamineWorkbook.from_filelike(io.BytesIO(demo["builds.xlsx"]))
    assert book.sheet_names == ["Builds", "2025"]
    assert book.get_sheet_by_name("2025").to_python() == []
    grid = raw(demo, "builds.xlsx")
    assert "invented" in grid[0][0]
    assert not any(grid[0][1:])
    assert not any(grid[1])
    assert not any(grid[-2])
    assert grid[-1][0] == "Total"
    assert any(isinstance(r[1], date) for r in grid)
    assert any(isinstance(r[1], str) and "20" in r[1] for r in grid[3:])
    with pytest.raises(UnicodeDecodeError):
        demo["returns.csv"].decode("utf-8")
    assert demo["readings.csv"].startswith(b"\xff\xfe")
    assert {"é", "°", "½"} <= set(demo["returns.csv"].decode("cp1252"))
    assert b"<f>" not in demo["builds.xlsx"]


def test_units_of_measure():
    # NIST SP 811 (2008) B.8, in W: horsepower (550 ft lbf/s) 7.456 999 E+02, (metric) 7.354 988 E+02;
    # mile 1.609 344 km.
    assert pytest.approx(0.7456999, abs=5e-8) == KW_PER_HP
    assert pytest.approx(0.7456999 / 0.7354988, rel=1e-6) == PS_PER_HP
    assert constants.hp / 1000 == pytest.approx(KW_PER_HP, rel=1e-8)
    assert constants.mile / 1000 == pytest.approx(KM_PER_MILE, rel=1e-12)


def parse(value) -> date | None:
    """A date as a careful clerk reads it; None where it can be read two ways or not at all."""
    if isinstance(value, date):
        return value
    if isinstance(value, float):
        return date(1899, 12, 30) + timedelta(int(value))
    text = str(value)
    if m := re.fullmatch(r"(\d\d)/(\d\d)/(\d{4})", text):
        a, b, y = map(int, m.groups())
        return None if a <= 12 and b <= 12 and a != b else date(y, *((b, a) if a > 12 else (a, b)))
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        return date.fromisoformat(text)
    got = pd.to_datetime(text, format="%d %b %Y" if " " in text else "%d-%b-%y", errors="coerce")
    return None if pd.isna(got) else got.date()


def miles(value) -> float:
    """An odometer as typed, in miles."""
    text = str(value).replace(",", "")
    m = re.fullmatch(r"([\d.]+)(k?)\s*(mi|km)?", text)
    if not m:
        return np.nan
    return float(m[1]) * (1000 if m[2] else 1) / (KM_PER_MILE if m[3] == "km" else 1)


@pytest.mark.parametrize("seed", [DEFAULT_SEED, 7])
def test_nothing_odd_is_off_the_list(seed):
    """Rows without a slip: one reading of each date, in order, known serials, odometers that rise."""
    files, _ = demo_files(900, seed)
    planted = planted_of(files)
    odd = planted[planted["expected"] != "used"]
    settled = planted[
        planted["kind"].str.contains("settled by|without hyphens|replaced, the old|unknown|said in words")
    ]
    skip = {name: set(g["row"]) for name, g in pd.concat([odd, settled]).groupby("file")}
    b = frame(files, "builds.xlsx")
    b = b[[i not in skip["builds.xlsx"] and bool(s) for i, s in zip(b.index, b["Serial No"], strict=True)]]
    assert b["Serial No"].is_unique
    listed = set(frame(files, "builds.xlsx")["Serial No"])
    built = dict(zip(b["Serial No"], b["Ship date"].map(parse), strict=True))
    service = dict(zip(b["Serial No"], b["On the road"].map(lambda v: parse(v) if v else None), strict=True))
    odo0 = {s: miles(v) for s, v in zip(b["Serial No"], b["Odo at install"], strict=True)}
    assert all(built.values())
    assert all(service[s] is None or built[s] <= service[s] <= date(2024, 12, 31) for s in built)

    seen = []
    r = frame(files, "returns.csv")
    for i, row in r.iterrows():
        if i in skip["returns.csv"]:
            continue
        assert row["Serial"] in listed, i
        back = parse(row["Back in"])
        failed = back if row["Broke"] == "teardown" else parse(row["Broke"])
        assert None not in (failed, back), i
        assert failed <= back <= date(2024, 12, 31), (i, row["Broke"], row["Back in"])
        if row["Serial"] in built:
            assert service[row["Serial"]] <= failed, i
        seen.append((row["Serial"], failed, miles(row["Odo"])))
    for name, column in (
        ("readings.csv", "read_on"),
        ("changes.csv", "changed_on"),
        ("fitted.csv", "fitted_on"),
    ):
        f = frame(files, name)
        for i, row in f.iterrows():
            if i in skip.get(name, ()):
                continue
            day = parse(row[column])
            assert row["serial"] in listed, (name, i)
            assert (day or date.max) <= date(2024, 12, 31), (name, i)
            if name == "readings.csv" and row["odometer"]:
                seen.append((row["serial"], day, miles(row["odometer"])))
    path = pd.DataFrame(seen, columns=["serial", "day", "miles"]).dropna().sort_values(["serial", "day"])
    path["since"] = path["miles"] - path["serial"].map(odo0)
    replaced = {row["serial"] for _, row in frame(files, "readings.csv").iterrows() if row["odometer_replaced"]}
    path = path[~path["serial"].isin(replaced)]
    assert (path["since"].dropna() > -700).all()  # "59k km" is rounded to the thousand
    back = path.groupby("serial")["miles"].diff()
    assert (back.dropna() >= -1).all(), path.loc[back < -1]
    days = np.array(
        [(d - service[s]).days if service.get(s) else np.nan for s, d in zip(path["serial"], path["day"], strict=True)]
    )
    yearly = path["since"] / np.maximum(days, 60) * 365.25
    assert yearly.max() < 75_000


@pytest.mark.parametrize("seed", [DEFAULT_SEED, 8])
def test_typed_serials_point_where_the_list_says(seed):
    files, _ = demo_files(900, seed)
    serials = {s.replace("-", ""): s for s in frame(files, "builds.xlsx")["Serial No"] if str(s).startswith("T-")}
    p = planted_of(files)
    for row in p[p["kind"].str.startswith("serial ")].to_dict("records"):
        typed, meant = row["planted"].split(" for ")
        near_by = {serials[s] for s in near(typed) if s in serials}
        if "two candidates" in row["kind"] or "second candidate" in row["kind"]:
            assert near_by == set(meant.split(" or "))
            assert len(near_by) == 2
        elif "small letters" in row["kind"]:
            assert serials[typed.upper()] == meant
        else:
            assert near_by == {meant}
    foreign = p[p["kind"] == "a return of no unit in builds"]["planted"]
    assert len(foreign) == 2
    assert all(not (set(near(t)) & set(serials)) for t in foreign)


def test_returns_and_failures_are_in_range_for_many_seeds():
    shaft, returns = [], []
    for seed in range(12):
        e = draw_fleet(demo_truth(), 900, seed).events
        e = e[e["reported"]]
        own = e[(e["kind"] == "failure") & (e["cause"] != "install")]
        shaft.append(int((own["part"] == "IS-A").sum()))
        returns.append(len(e))
        assert (own["part"] == "OS-B").sum() <= 1
    assert 20 <= np.mean(shaft) <= 32
    assert min(shaft) >= 12
    assert 115 <= np.mean(returns) <= 165


def test_the_kept_demo_holds_what_is_to_be_found():
    fleet = draw_fleet(demo_truth(), 900, DEFAULT_SEED)
    truth = fleet.truth
    e = fleet.events[fleet.events["reported"]]
    own = e[(e["kind"] == "failure") & (e["cause"] != "install")]
    by_part = own.groupby("part").size()
    assert by_part["IS-A"] >= 25
    assert by_part["CP-4"] >= 20
    assert "OS-B" not in by_part
    assert 110 <= len(e) <= 160
    # the step: failures per mile of CP-4 above and below 650 hp
    cp4 = fleet.lives[fleet.lives["part"] == "CP-4"]
    power = fleet.units["power_hp"].to_numpy()[cp4["unit"].to_numpy(int)]
    exposure = (cp4["end_miles"] - cp4["start_miles"]).groupby(power > 650).sum()
    failures = own[own["part"] == "CP-4"].groupby(own["power_hp"] > 650).size()
    assert failures[True] / exposure[True] > 4 * failures[False] / exposure[False]
    # no overlap, also after a change of tune
    u = fleet.units
    highest = u[["power_hp", "power_after_hp"]].max(axis=1)
    converter = u["part:converter"]
    assert (
        highest[converter == "TC-1"].max()
        < u.loc[converter == "TC-2", ["power_hp", "power_after_hp"]].min(axis=1).min()
    )
    shaft = u["part:input shaft"]
    assert u.loc[shaft == "IS-A", "power_hp"].max() > 1.3 * u.loc[shaft == "IS-B", "power_hp"].min()
    # the bad lot, the revision, the month
    lot = own[own["component"] == "converter"].groupby("lot").size()
    assert lot.idxmax() == "TC-1/10"
    assert lot["TC-1/10"] >= 7
    assert lot.drop("TC-1/10").max() <= 3
    assert by_part["VB-1"] >= 8 * by_part.get("VB-2", 0)
    assert (u["part:valve body"] == "VB-2").sum() > 300
    seal = e[e["finding"] == "seal cut at assembly"]
    month = np.datetime_as_string(
        u["built_day"].to_numpy()[seal["unit"].to_numpy(int)].astype("datetime64[D]"), unit="M"
    )
    assert pd.Series(month).value_counts().idxmax() == "2022-09"
    assert (month == "2022-09").sum() >= 5
    # limits against the truth
    assert truth.rating("input shaft", "IS-A", 50_000, 0.9, 7500, "street") < 700
    assert truth.rating("clutch pack", "CP-4", 50_000, 0.9, 7500, "street") == pytest.approx(650)
    assert truth.rating("output shaft", "OS-A", 50_000, 0.9, 7500, "street") > 1.3 * 450


def test_weight_is_known_mostly_for_units_that_came_back(demo):
    b = frame(demo, "builds.xlsx")
    b = b[b["Serial No"].astype(str).str.startswith("T-")]
    back = b["Serial No"].isin(frame(demo, "returns.csv")["Serial"])
    blank = b["Truck wt"].isin(["", "?"])
    assert 0.25 < blank[~back].mean() < 0.36
    assert blank[back].mean() < 0.1


def test_shop_file_and_truth_can_be_read(demo):
    shop = tomllib.loads(demo["shop.toml"].decode())
    heading = raw(demo, "builds.xlsx")[2]
    assert set(shop["components"].values()) | set(shop["headings"]["builds"].values()) | {"rpm"} == set(heading)
    assert list(shop["headings"]["returns"].values()) == raw(demo, "returns.csv")[0]
    assert set(shop["costs"]["parts"]) == {p.part for c in demo_truth().components for p in c.parts}
    truth = json.loads(demo["truth.json"])
    assert truth["seed"] == DEFAULT_SEED
    assert "Infinity" not in demo["truth.json"].decode()
    got = {(r["component"], r["part"], r["weight_lb"], r["use"]): r["true_rating_hp"] for r in truth["true_ratings"]}
    assert got["input shaft", "IS-A", 7500, "street"] == pytest.approx(
        demo_truth().rating("input shaft", "IS-A", 50_000, 0.9, 7500, "street"), abs=1e-5
    )
    serials = set(frame(demo, "builds.xlsx")["Serial No"])
    assert truth["failures_never_reported"]
    assert all(f["serial"] in serials for f in truth["failures_never_reported"])
    assert demo["README.md"].decode().count("invented") >= 1


def test_a_folder_with_other_things_is_left_alone(tmp_path):
    (tmp_path / "mine").mkdir()
    note = tmp_path / "mine" / "returns.csv"
    note.write_text("serial\n")
    with pytest.raises(AnalyticsError, match="not empty and not an earlier demo"):
        write_demo(tmp_path / "mine", 400)
    assert note.read_text() == "serial\n"
    assert len(list((tmp_path / "mine").iterdir())) == 1
    with pytest.raises(AnalyticsError, match="is a file"):
        write_demo(note, 400)
    with pytest.raises(AnalyticsError, match="at least 400"):
        write_demo(tmp_path / "new", 399)
    assert not (tmp_path / "new").exists()


def test_an_earlier_demo_is_replaced_and_what_lies_beside_it_kept(tmp_path):
    counts = write_demo(tmp_path / "d", 400, 1)
    (tmp_path / "d" / "out").mkdir()
    write_demo(tmp_path / "d", 400, 2)
    assert json.loads((tmp_path / "d" / "truth.json").read_text())["seed"] == 2
    assert (tmp_path / "d" / "out").is_dir()
    assert set(counts) == {"builds", "fitted", "returns", "readings", "changes", "limits", "judged_again"}
