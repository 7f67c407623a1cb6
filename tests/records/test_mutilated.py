"""Whatever is done to a shop's sheets: a result in which every row is accounted for, or an error that says what to do."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.driveline.load import make_loads
from analytics.driveline.suspects import find_suspects
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from tests.records.sheets import back, build, to_csv, write_shop

_SHARED = {"T-100": "IS-A", "T-101": "is-a", "T-102": "IS-B"}
BUILDS = [
    build(serial=s, shaft=p, rpm="3000", count=c, weight_kind="")
    for (s, p), c in zip(_SHARED.items(), ["", "", "3"], strict=True)
]
RETURNS = [
    back(notes="x", cost="1500", runs="", miles_in_service="", order=""),
    back(
        serial="T-101",
        component="converter",
        part="TC-1",
        failed_on="teardown",
        returned_on="2023-01-01",
        order="first",
    ),
    back(serial="T-102", failed_on="03/04/2022", returned_on="2022-03-20", replaced_with=""),
    back(serial="T-102", failed_on="", returned_on="2023-05-01", cause="no fault"),
]
READINGS = [
    {
        "serial": "T-100",
        "read_on": "2021-08-01",
        "odometer": "15,000",
        "odometer_replaced": "",
        "runs": "5",
        "still_running": "yes",
    },
    {
        "serial": "T-100",
        "read_on": "2023-08-01",
        "odometer": "500",
        "odometer_replaced": "52000",
        "runs": "9",
        "still_running": "",
    },
    {
        "serial": "T-101",
        "read_on": "2024-01-01",
        "odometer": "20 k",
        "odometer_replaced": "yes",
        "still_running": "sold",
    },
]
CHANGES = [{"serial": "T-100", "changed_on": "2022-09-09", "power": "800", "weight": "", "use": "drag", "odometer": ""}]
CHANGES += [{"serial": "T-102", "changed_on": "2022-09-09", "power": "", "weight": "9000", "use": "", "odometer": ""}]
FITTED = [
    {"serial": "T-101", "component": "converter", "part": "TC-2", "lot": "7", "fitted_on": "2023-02-01", "odometer": ""}
]
LIMITS = [
    {
        "component": "converter",
        "part": "TC-1",
        "weight_up_to": "7500",
        "power_limit": "650",
        "effective_on": "2021-01-01",
    }
]
PARTS = [
    {
        "component": "input shaft",
        "part": "IS-A",
        "outside_diameter": "1.22 in",
        "bore": "6 mm",
        "hardness": "38-42 HRC",
    },
    {"component": "converter", "part": "TC-1", "faces": "2", "piston_area": "78 sq in"}
    | {"lining_outside_diameter": "11", "lining_inside_diameter": "9.4", "apply_pressure": "12 bar", "price": "$950"},
]
CONDITIONS = [
    {
        "serial": "T-100",
        "measured_on": "2021-08-01",
        "torque": "1,100 lb ft",
        "axle_ratio": "3.73",
        "stall_ratio": "1.9",
    },
    {"serial": "T-101", "measured_on": "2022-08-01", "converter_pressure": "185 psi", "driven_weight": "3.9 t"},
]
SHEETS = {
    "builds": BUILDS,
    "returns": RETURNS,
    "readings": READINGS,
    "changes": CHANGES,
    "fitted": FITTED,
    "limits": LIMITS,
    "parts": PARTS,
    "conditions": CONDITIONS,
}

TYPED = [
    "",
    "?",
    "none",
    "no",
    "yes",
    "teardown",
    "scrapped",
    "not replaced",
    "sold",
    "lost",
    "total",
    "Total 7",
    "T-100",
    "T-102",
    "T-1O0",
]
TYPED += [
    "2021-05-05",
    "05/06/2021",
    "13/13/2021",
    "44256",
    "2099-01-01",
    "1949-01-01",
    "2020-01-01",
    "2024-12-31",
    "Mar-21",
    "3 Mar 2021",
]
TYPED += [
    "1e308",
    "-1e308",
    "1e-308",
    "nan",
    "inf",
    "-5",
    "0",
    "1",
    "3",
    "9" * 400,
    "12.345",
    "88k km",
    "600-650",
    "650 hp",
    "700 whp",
    "3.9 t",
]
TYPED += [
    "IS-A",
    "is-b",
    "TC-1",
    "input shaft",
    "converter",
    "first",
    "followed",
    "part",
    "install",
    "no fault",
    "=1+1",
    "a\0b",
    '"',
    'a"b',
    "x,y",
]
TYPED += ["x;y", "a\nb", "\t", "é", "\ufeff", "\u202f", "💥", "x" * 40_000]
CELL = st.one_of(st.sampled_from(TYPED), st.text(max_size=12))
PLACE = st.integers(0, 30)
SHEET = st.sampled_from(list(SHEETS))
SLIP = st.one_of(
    st.tuples(st.just("cell"), SHEET, PLACE, PLACE, CELL),
    st.tuples(st.just("cell"), SHEET, PLACE, PLACE, CELL),
    st.tuples(st.just("row twice"), SHEET, PLACE),
    st.tuples(st.just("row gone"), SHEET, PLACE),
    st.tuples(st.just("row swapped"), SHEET, PLACE, PLACE),
    st.tuples(st.just("column gone"), SHEET, PLACE),
    st.tuples(st.just("heading"), SHEET, PLACE, CELL),
    st.tuples(st.just("line"), SHEET, PLACE, st.text(max_size=30)),
    st.tuples(st.just("cut short"), SHEET, st.integers(0, 400)),
    st.tuples(st.just("sheet gone"), SHEET),
)
TOML = [
    "",
    "[shop]\nrecords_start = 2021-06-01\n",
    '[findings]\nfound_at_teardown = ["broken"]\n',
    '[dates]\norder = "day first"\n',
]


def mutilate(slips: list[tuple]) -> dict[str, str]:
    """The sheets as text after the slips, those on rows and cells first."""
    rows = {name: [dict(row) for row in sheet] for name, sheet in SHEETS.items()}
    text_slips = []
    for kind, name, *how in slips:
        sheet = rows[name]
        if kind in ("heading", "line", "cut short", "sheet gone"):
            text_slips.append((kind, name, *how))
        elif not sheet:
            continue
        elif kind == "cell":
            row = sheet[how[0] % len(sheet)]
            row[list(row)[how[1] % len(row)]] = how[2]
        elif kind == "row twice":
            sheet.append(dict(sheet[how[0] % len(sheet)]))
        elif kind == "row gone" and len(sheet) > 1:
            sheet.pop(how[0] % len(sheet))
        elif kind == "row swapped":
            a, b = how[0] % len(sheet), how[1] % len(sheet)
            sheet[a], sheet[b] = sheet[b], sheet[a]
        elif kind == "column gone" and len(sheet[0]) > 1:
            gone = list(sheet[0])[how[0] % len(sheet[0])]
            for row in sheet:
                row.pop(gone, None)
    text = {name: to_csv(sheet) for name, sheet in rows.items()}
    for kind, name, *how in text_slips:
        if name not in text:
            continue
        lines = text[name].split("\n")
        if kind == "heading":
            heads = lines[0].split(",")
            heads[how[0] % len(heads)] = how[1]
            lines[0] = ",".join(heads)
        elif kind == "line":
            lines.insert(how[0] % (len(lines) + 1), how[1])
        elif kind == "cut short":
            lines = text[name][: how[0]].split("\n")
        text[name] = "\n".join(lines)
        if kind == "sheet gone":
            del text[name]
    return text


@settings(max_examples=120, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(SLIP, max_size=8), st.sampled_from(TOML), st.sampled_from(["2024-12-31", "2022-06-30", None]))
def test_a_result_that_balances_or_an_error_that_says_what_to_do(slips, toml, as_of):
    folder = Path(tempfile.mkdtemp())
    try:
        sheets = {name: text.encode("utf-8", "replace").decode("utf-8") for name, text in mutilate(slips).items()}
        write_shop(folder, toml, **sheets)
        said = ""
        try:
            records = load_records(folder, as_of=as_of)
            lifetimes = make_lifetimes(records)
            loads = make_loads(records, lifetimes)
            find_suspects(loads)
        except AnalyticsError as err:
            said = str(err)
        if said:
            assert "fault of the program" not in said
            assert len(said) > 20
            return
        counts = records.books.counts.set_index("sheet")
        assert (counts["read"] == counts["used"] + counts["set_aside"]).all()
        assert len(records.books.set_aside) == counts["set_aside"].sum()
        assert (records.books.set_aside[["reason", "remedy"]] != "").all().all()
        assert (records.books.to_check[["reason", "remedy"]] != "").all().all()
        assert not records.books.set_aside.duplicated(["sheet", "row"]).any()
        for name in ("returns", "readings", "limits", "parts"):  # units shipped again add to the other two
            if name in counts.index:
                assert len(getattr(records, name)) == counts.at[name, "used"]
        low, middle, high = (loads.table[f"torque_at_shaft_lbft{e}"].dropna() for e in ("_low", "", "_high"))
        assert (low <= middle * (1 + 1e-9)).all()
        assert (middle <= high * (1 + 1e-9)).all()
        # no part lives longer than its unit was known of
        table = lifetimes.table
        assert (
            table["upper_days"].where(table["ended"] == "failed", 0) <= table["unit_days"].clip(lower=0) + 1e-9
        ).all()
        assert set(table["unit"]) <= set(lifetimes.units.index)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def test_untouched_the_shop_is_read_whole(tmp_path):
    records = load_records(write_shop(tmp_path, **mutilate([])), as_of="2024-12-31")
    assert records.books.counts["set_aside"].sum() == 0
    assert records.books.counts["used"].sum() == sum(map(len, SHEETS.values()))
    assert (make_lifetimes(records).table["ended"] == "failed").sum() == 3


@pytest.mark.parametrize("name", ["builds", "returns"])
def test_the_two_sheets_that_must_be_there(tmp_path, name):
    folder = write_shop(tmp_path, **mutilate([]))
    (folder / f"{name}.csv").unlink()
    with pytest.raises(AnalyticsError, match=f"no sheet '{name}'"):
        load_records(folder)
