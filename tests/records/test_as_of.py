"""An old quarter can be replayed exactly: looked at from a day, later rows might as well not be there."""

from __future__ import annotations

import random
from pathlib import Path

import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.records.headings import HEADINGS
from analytics.records.load import Records, as_typed, load_records
from tests.records.sheets import back, build, load, to_csv, write_shop

TABLES = "builds fitted returns readings changes limits odometer runs parts conditions".split()
OF_THE_BOOKS = "set_aside to_check counts returns_left_out changes_left_out".split()


def a_shop(seed: int) -> dict[str, list[dict[str, str]]]:
    """Units over four years with returns, readings, changes, parts and slips; every date in ISO."""
    rng = random.Random(seed)
    pick = rng.choice

    def day(*years: int) -> str:
        return f"{pick(years)}-{rng.randint(1, 12):02d}-{rng.randint(1, 28):02d}"

    serials = [f"T-{100 + 7 * n}" for n in range(24)]
    anyone = [*serials, "T-1O0", "T-10", "X-9"]
    new = {"in_service_on": ""}
    builds = [
        build(serial=s, built_on=day(2020 + n % 3), count=pick(["", "", "4"]), shaft=pick(["IS-A", "is-a", "?"]), **new)
        for n, s in enumerate(serials)
    ]
    builds += [build(serial=s, built_on=day(2023), power="900", **new) for s in serials[:6]]
    returns = [
        back(
            serial=pick(anyone),
            failed_on=pick(["", day(2022), "x"]),
            returned_on=day(2022, 2023, 2024),
            odometer=str(rng.randint(9_000, 90_000)),
            component=pick(["input shaft", "converter", ""]),
            part=pick(["", "IS-A"]),
        )
        for _ in range(40)
    ]
    returns += rng.sample(returns, 6)
    readings = [
        {
            "serial": pick(anyone),
            "read_on": day(2021, 2022, 2023, 2024),
            "odometer": str(rng.randint(9_000, 90_000)),
            "odometer_replaced": pick(["", "", "", "yes", "60000"]),
            "still_running": pick(["", "yes", "no", "sold"]),
        }
        for _ in range(40)
    ]
    changes = [
        {
            "serial": pick(anyone),
            "changed_on": day(2022, 2023),
            "power": pick(["800", "x", ""]),
            "weight": pick(["9000", ""]),
        }
        for _ in range(12)
    ]
    fitted = [
        {"serial": pick(anyone), "component": "converter", "part": pick(["TC-1", "TC-2"]), "lot": "7"}
        | {"fitted_on": pick(["", day(2022)])}
        for _ in range(20)
    ]
    limits = [
        {"component": "converter", "part": "TC-1", "power_limit": "700", "effective_on": day(2021 + n)}
        for n in range(4)
    ]
    conditions = [
        {
            "serial": pick(anyone),
            "measured_on": day(2021, 2022, 2023, 2024),
            "converter_pressure": pick(["190", "x", "12 bar"]),
        }
        for _ in range(15)
    ]
    for row in builds:
        row["line_pressure"] = pick(["", "200 psi"])
    sheets = {"builds": builds, "returns": returns, "readings": readings, "changes": changes}
    return sheets | {"fitted": fitted, "limits": limits, "conditions": conditions}


def known_on(name: str, row: dict[str, str]) -> pd.Timestamp:
    """The day a row was known of, from its ISO dates alone."""
    for heading in HEADINGS[name].known_on:
        day = pd.to_datetime(row.get(heading, ""), errors="coerce")
        if not pd.isna(day):
            return day
    return pd.NaT


def without_later(sheets: dict[str, list[dict[str, str]]], day: pd.Timestamp) -> dict[str, str]:
    """The sheets as they were on a day; a blank line stands where a later row will come, so that row numbers hold."""
    first = {r["serial"]: known_on("builds", r) for r in reversed(sheets["builds"])}
    result = {}
    for name, rows in sheets.items():
        later = [known_on(name, r) > day for r in rows]
        if name == "fitted":  # a part without a date is known of when its build is
            later = [own or first.get(r["serial"], pd.NaT) > day for own, r in zip(later, rows, strict=True)]
        head, *lines = to_csv(rows).splitlines()
        result[name] = "\n".join([head, *("" if hide else line for hide, line in zip(later, lines, strict=True))])
    return result


def assert_same(one: Records, other: Records) -> None:
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_dtype=False, obj=name)
    for name in OF_THE_BOOKS:
        ours, theirs = (getattr(records.books, name) for records in (one, other))
        pd.testing.assert_frame_equal(ours, theirs, check_dtype=False, obj=name)
    lives, others = make_lifetimes(one), make_lifetimes(other)
    pd.testing.assert_frame_equal(lives.table, others.table)
    pd.testing.assert_frame_equal(lives.units, others.units)
    assert lives.notes == others.notes


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("day", ["2020-06-30", "2021-12-31", "2022-09-30", "2023-03-31", "2024-06-30", "2024-12-31"])
def test_looked_at_from_a_day_later_rows_might_as_well_not_be_there(tmp_path, seed, day):
    sheets = a_shop(seed)
    then = load_records(write_shop(tmp_path / "all", **sheets), as_of=day)
    assert_same(then, load(tmp_path / "then", as_of=day, **without_later(sheets, pd.Timestamp(day))))
    assert sum(then.books.later.values()) + int(then.books.counts["read"].sum()) == sum(map(len, sheets.values()))


def test_the_replay_sees_something_at_every_stage(tmp_path):
    folder = write_shop(tmp_path, **a_shop(0))
    seen = [load_records(folder, as_of=day) for day in ("2021-12-31", "2022-12-31", "2024-12-31")]
    for name in ("builds", "returns", "readings", "set_aside", "to_check"):
        sizes = [len(getattr(r.books if name in OF_THE_BOOKS else r, name)) for r in seen]
        assert sizes == sorted(sizes)
        assert sizes[0] < sizes[-1], name


def test_rows_known_later_do_not_speak_of_earlier_ones(tmp_path):
    # the return settles the two-way date of its build, names the part, and confirms the second shipment: but not yet
    sheets = {
        "builds": [build(built_on="05/11/2021", in_service_on="")],
        "returns": [back(failed_on="2021-06-01", returned_on="2023-01-01")],
    }
    folder = write_shop(tmp_path, **sheets)
    assert len(load_records(folder, as_of="2022-12-31").builds) == 0
    assert len(load_records(folder, as_of="2023-01-01").builds) == 1


def test_a_return_is_known_when_it_comes_back_not_when_it_breaks(tmp_path):
    folder = write_shop(tmp_path, builds=[build()], returns=[back(failed_on="2022-03-01", returned_on="2022-04-20")])
    before = make_lifetimes(load_records(folder, as_of="2022-03-31"))
    assert set(before.table["ended"]) == {"running"}
    assert load_records(folder, as_of="2022-03-31").books.later == {"builds": 0, "returns": 1}


def test_the_default_day_is_that_of_shop_toml_or_the_last_in_the_records(tmp_path):
    sheets: dict[str, list[dict[str, str]]] = {"builds": [build()], "returns": [back()]}
    assert load(tmp_path / "a", as_of=None, **sheets).as_of == pd.Timestamp("2022-03-05")
    assert load(tmp_path / "b", "[shop]\nas_of = 2022-01-01\n", as_of=None, **sheets).as_of == pd.Timestamp(
        "2022-01-01"
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_rows_changes_no_life(tmp_path, seed):
    sheets = a_shop(seed)
    rng = random.Random(seed)
    shuffled = {name: rng.sample(rows, len(rows)) for name, rows in sheets.items()}
    assert_alike(load(tmp_path / "a", **sheets), load(tmp_path / "b", **shuffled))


def assert_alike(one: Records, other: Records) -> None:
    tables = []
    for records in (one, other):
        table = make_lifetimes(records).table.drop(columns="unit")
        # row numbers stand in some flags
        table["flags"] = table["flags"].str.replace(r"row=\d+", "", regex=True)
        tables.append(
            table.astype({"power_band": str, "weight_class": str}).sort_values(list(table.columns), ignore_index=True)
        )
    pd.testing.assert_frame_equal(*tables)
    pd.testing.assert_frame_equal(one.books.counts, other.books.counts)


def test_reading_twice_gives_the_same(tmp_path):
    folder: Path = write_shop(tmp_path, **a_shop(1))
    assert_same(load_records(folder, as_of="2024-12-31"), load_records(folder, as_of="2024-12-31"))


def test_sheets_read_once_serve_every_day(tmp_path):
    """Looked at from one day and then another, as if read anew for each; and left as they were."""
    folder = write_shop(tmp_path, **a_shop(3))
    typed = as_typed(folder)
    for day in ("2022-06-30", "2023-12-31", None, "2022-06-30"):
        once, anew = load_records(typed, day), load_records(folder, day)
        assert once.as_of == anew.as_of
        for name in TABLES:
            pd.testing.assert_frame_equal(getattr(once, name), getattr(anew, name), check_exact=True)
        for name in OF_THE_BOOKS:
            pd.testing.assert_frame_equal(getattr(once.books, name), getattr(anew.books, name), check_exact=True)
        assert once.books.unused_files == anew.books.unused_files
