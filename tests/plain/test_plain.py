"""Random small shops: every table against the plain reckoning, to the last figure."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.errors import AnalyticsError
from analytics.lifetimes.failures import counts_as_failure, failed_by_install
from analytics.lifetimes.table import Lifetimes, make_lifetimes
from analytics.models.cells import survival_table
from analytics.ratings.backtest import replay_counts
from analytics.ratings.basis import part_lives
from analytics.ratings.predict import lives_of, rows_to_predict
from analytics.reasons import Rebuilt
from analytics.records.load import load_records
from analytics.review.calls import above_limit, random_calls
from analytics.review.fleet import by_cell, fleet
from analytics.review.months_in_service import months_table
from analytics.review.quarter import quarter_before, quarter_of
from analytics.review.repeats import again, by_build_year, rebuilt
from analytics.review.snapshot import fill_unknown
from analytics.review.teardown import causes_by_year, finding_shares, first_or_followed, which_drags_which
from analytics.review.this_quarter import came_back, change, limits_spoken_to
from analytics.words.lifetimes import COLUMNS
from tests.plain import figures, reckoning, shops
from tests.plain.check_beside import LIVES, compare_beside
from tests.plain.compare import differences, rows_of

WORDS = {Rebuilt.NEW: "new", Rebuilt.ONCE: "once", Rebuilt.TWICE_OR_MORE: "twice or more"}
#: `make long` draws more
SHOPS = int(os.environ.get("PLAIN_SHOPS", "40"))


def check(folder: Path, replay: bool = True) -> list[str]:
    """Differences between the package's tables of a shop and those of the plain reckoning, each with its table's name.

    replay: also what the back-test counts of the last quarter that ended before.
    """
    shop = reckoning.Shop(folder)
    table, units = reckoning.lifetimes(shop), figures.units_of(shop)
    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    span = quarter_of(records.as_of)
    snapshot = snapshot_without_fits(lifetimes)
    found = []

    def compare(name: str, got: pd.DataFrame, should: list[dict], keys: str, but: str = "", only: str = "") -> None:
        columns = only.split() or [c for c in got.columns if c not in but.split()]
        rows = [row | {"serial": row.get("serial", "").split(" (")[0]} for row in rows_of(got)]
        if name in ("lifetimes", "loads.csv"):  # those of a row of several trucks
            rows = [row for row in rows for _ in range(int(row["count"]))]
        found.extend(f"{name}: {line}" for line in differences(rows, should, keys.split(), columns))

    compare("lifetimes", lifetimes.table[[*COLUMNS, "followed"]], table, LIVES, "count flags")
    if found:
        return found  # all that follows is made of them
    survived = survival_table(lifetimes.table, min_at_risk=records.shop.checks.at_risk_to_show)
    without_limits = survived.assign(**{c: survived[c].where(survived["finding"] == "") for c in ("lower", "upper")})
    by_finding = [r | {"lower": "", "upper": ""} if r["finding"] else r for r in figures.survival(shop, table)]
    compare("survival", without_limits, by_finding, "clock component part power_band weight_class finding time")
    compare("findings", finding_shares(lifetimes).table, figures.finding_shares(shop, table), "component finding",
            "share_lower share_upper")  # fmt: skip
    compare("drags_others", which_drags_which(records).table, figures.drags_others(shop), "first finding damaged",
            "lower upper upper_if_all")  # fmt: skip
    compare("first or followed", first_or_followed(records).table, figures.first_or_followed(shop), "component",
            "expected_first")  # fmt: skip
    compare("causes by year", causes_by_year(records, span).table, figures.causes_by_year(shop), "year")
    compare(
        "by_build_year", by_build_year(records, lifetimes).table, figures.by_build_year(units), "built_in age_years"
    )
    compare("months_in_service", months_table(snapshot), figures.months_in_service(units, table), "built month_from")
    compare("limits", limits_spoken_to(records, lifetimes, span).table, figures.limits_spoken_to(shop, table),
            "component part weight_up_to_lb weight_over_lb use effective_on power_limit_hp")  # fmt: skip
    for component in sorted({row["component"] for row in table}):
        compare(
            "by band and class", by_cell(lifetimes, component).table, figures.by_cell(table, component),
            "component power_band weight_class", only="component power_band weight_class parts failures install_errors unit_years",
        )  # fmt: skip
    for name, should, key in (
        ("came back", figures.came_back(shop, shop.components), "serial component returned_on finding"),
        ("fleet", figures.fleet(shop, units), "use"),
        ("again", figures.again(shop, units, table), "component"),
        ("rebuilt", figures.rebuilt(shop, units), "rebuilds"),
        ("change", figures.change(shop, units, table), "component"),
        ("random_calls", figures.random_calls(shop, units), "serial"),
        ("above_limit", figures.above_limit(shop, units, table), "serial over_by odometer_known"),
        ("counts", figures.counts(shop), "sheet"),
        ("set_aside", figures.set_aside(shop), "file row"),
    ):
        got = {
            "came back": lambda: came_back(records, span, 0).table,
            "fleet": lambda: fleet(lifetimes).table,
            "again": lambda: again(lifetimes).table,
            "rebuilt": lambda: rebuilt(records, lifetimes).table.replace(WORDS),
            "change": lambda: change(records, lifetimes, span).table,
            "random_calls": lambda: random_calls(records, lifetimes).table,
            "above_limit": lambda: above_limit(records, snapshot).table,
            "counts": lambda: records.books.counts,
            "set_aside": lambda: with_reasons(records.books.set_aside, figures.set_aside(shop)),
        }[name]
        try:
            frame = got()
        except Exception as error:  # a crash is a difference like any other
            found.append(f"{name}: {type(error).__name__} {error}")
            continue
        compare(name, frame, should, key, only=" ".join(should[0] if should else frame.columns))
    compare_beside(compare, shop, table, units, survived, records, lifetimes, snapshot)
    end = quarter_before(span).end
    before = reckoning.Shop(folder, f"{end:%Y-%m-%d}") if replay else None
    if before and before.builds:
        then = make_lifetimes(load_records(folder, f"{end:%Y-%m-%d}"))
        compare("back-test", replayed(then, lifetimes), figures.replayed(before, shop), "component part",
                only="component part failures units came_back failed_in_quarter left_out left_out_came_back")  # fmt: skip
    return found


def with_reasons(aside: pd.DataFrame, should: list[dict]) -> pd.DataFrame:
    """The rows set aside; for a reason the words of it that ``should`` asks of that row, where it holds them."""
    words = {(row["file"], row["row"]): row["reason"] for row in should}
    said = [
        asked if (asked := words.get((row.file, row.row), "none")) in row.reason else row.reason
        for row in aside.itertuples()
    ]
    return aside.assign(reason=said)


def replayed(before: Lifetimes, after: Lifetimes) -> pd.DataFrame:
    """What the back-test counts of each part, without its fits."""
    failed, rows = after.table[counts_as_failure(after.table)], []
    for component, part in sorted(set(zip(before.table["component"], before.table["part"], strict=True))):
        with contextlib.suppress(AnalyticsError):
            lives = part_lives(before, component, part)
            which = rows_to_predict(lives.data, lives.watched)
            counts = replay_counts(before, lives, which, failed)
            told = {"failures": lives.data.failures, "units": lives.data.weight[which].sum()}
            rows += [{"component": component, "part": part} | told | counts] if told["failures"] else []
    return pd.DataFrame(rows)


def snapshot_without_fits(lifetimes: Lifetimes) -> SimpleNamespace:
    """The shop as months_table and above_limit ask for it, which need no model for what is compared here."""
    table, _ = fill_unknown(lifetimes.table)
    own = lifetimes.table.assign(failure=counts_as_failure(lifetimes.table), install=failed_by_install(lifetimes.table))
    parts = {}
    for component, part in sorted(set(zip(table["component"], table["part"], strict=True))):
        with contextlib.suppress(AnalyticsError):
            lives = lives_of(table, component, part, lifetimes.as_of)
            parts[component, part] = SimpleNamespace(lives=lives, fit=SimpleNamespace(model=None))
    return SimpleNamespace(lifetimes=lifetimes, table=own, parts=parts, as_of=lifetimes.as_of)


def check_drawn(rnd: Random) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        drawn = shops.draw(rnd)
        return check(shops.write(*drawn, Path(folder)), replay=rnd.random() < 0.2)


@given(st.randoms(use_true_random=False))
@settings(max_examples=SHOPS, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_table_equals_the_plain_reckoning(rnd):
    found = check_drawn(rnd)
    assert not found, "\n".join(found)


def test_a_truck_keeps_its_name_when_another_comes_to_be_known_before_it_on_the_sheet(tmp_path):
    """A-1 breaks in the last quarter, in which it was built; B-1 behind it, known long before, does not."""
    build = {"in_service_on": "2021-01-01", "power": 600, "weight": 8000, "input_shaft": "IS-A"}
    broke = {"component": "input shaft", "cause": "part", "order": "first", "finding": "worn", "cost": 1}
    sheets = {name: [] for name in shops.HEADINGS} | {
        "builds": [
            build | {"serial": "A-1", "in_service_on": "2021-10-04"},
            build | {"serial": "B-1"},
            build | {"serial": "C-1"},
        ],
        "returns": [
            broke | {"serial": "A-1", "returned_on": "2021-12-01"},
            broke | {"serial": "C-1", "returned_on": "2021-06-01"},
        ],
    }
    toml = '[shop]\nname = "Invented"\nas_of = "2021-12-31"\n[components]\n"input shaft" = "input_shaft"\n'
    folder = shops.write(sheets, toml, tmp_path)
    (line,) = figures.replayed(reckoning.Shop(folder, "2021-09-30"), reckoning.Shop(folder))
    assert (line["units"], line["came_back"], line["failed_in_quarter"]) == (1, 0, 0)
    assert check(folder) == []


def test_no_life_is_in_sight_where_the_records_start_on_their_last_day(tmp_path):
    """The part put in that day has run no day since, nor has the truck."""
    back = {
        "serial": "A-1",
        "component": "input shaft",
        "returned_on": "2021-12-31",
        "replaced_with": "IS-A",
        "cost": 1,
    }
    sheets = {name: [] for name in shops.HEADINGS} | {
        "builds": [{"serial": "A-1", "in_service_on": "2021-01-01", "input_shaft": "IS-A"}],
        "returns": [back | {"finding": "worn"}],
    }
    toml = '[shop]\nname = "Invented"\nas_of = "2021-12-31"\nrecords_start = "2021-12-31"\n'
    folder = shops.write(sheets, toml + '[components]\n"input shaft" = "input_shaft"\n', tmp_path)
    assert make_lifetimes(load_records(folder)).table.empty
    assert check(folder, replay=False) == []


def test_an_odometer_read_on_the_day_the_truck_left_tells_no_miles_driven(tmp_path):
    build = {
        "in_service_on": "2021-01-01",
        "power": 600,
        "weight": 8000,
        "input_shaft": "IS-A",
        "odometer_at_install": 0,
    }
    sheets = {name: [] for name in shops.HEADINGS} | {
        "builds": [build | {"serial": "A-1"}, build | {"serial": "B-1"}, build | {"serial": "C-1", "power": 500}],
        "readings": [
            {"serial": "A-1", "read_on": "2021-01-01", "odometer": 0},
            {"serial": "B-1", "read_on": "2021-01-02", "odometer": 40},
        ],
        "limits": [{"component": "input shaft", "part": "IS-A", "power_limit": 500, "effective_on": "2021-01-01"}],
    }
    toml = '[shop]\nname = "Invented"\nas_of = "2021-12-31"\n[components]\n"input shaft" = "input_shaft"\n'
    folder = shops.write(sheets, toml, tmp_path)
    records = load_records(folder)
    over = above_limit(records, snapshot_without_fits(make_lifetimes(records))).table
    # a truck at its limit is not above it
    assert over.set_index("serial")["odometer_known"].to_dict() == {"A-1": False, "B-1": True}
    assert check(folder, replay=False) == []


def test_a_tune_on_the_day_damage_is_found_at_a_teardown_is_not_the_load_it_ran_at(tmp_path):
    sheets = {name: [] for name in shops.HEADINGS} | {
        "builds": [{"serial": "A-1", "in_service_on": "2021-01-01", "power": 600, "weight": 8000, "input_shaft": "IS-A"}],
        "changes": [
            {"serial": "A-1", "changed_on": "2021-06-01", "power": 700},
            {"serial": "A-1", "changed_on": "2021-11-01", "power": 800},
        ],
        "returns": [
            {"serial": "A-1", "component": "input shaft", "failed_on": "teardown", "returned_on": "2021-11-01", "cause": "part",
             "finding": "worn", "order": "first", "replaced_with": "IS-A", "cost": 1}
        ],
    }  # fmt: skip
    toml = '[shop]\nname = "Invented"\nas_of = "2021-12-31"\n[components]\n"input shaft" = "input_shaft"\n'
    folder = shops.write(sheets, toml, tmp_path)
    table = make_lifetimes(load_records(folder)).table
    assert table[["ended", "power_hp", "lower_days"]].values.tolist() == [
        ["failed", 700.0, 0.0],
        ["running", 800.0, 60.0],
    ]
    assert check(folder, replay=False) == []


def test_a_truck_is_of_the_year_it_was_built_though_it_went_to_work_in_the_next(tmp_path):
    build = {"serial": "A-1", "built_on": "2020-12-20", "in_service_on": "2021-01-10", "input_shaft": "IS-A"}
    sheets = {name: [] for name in shops.HEADINGS} | {"builds": [build]}
    toml = '[shop]\nname = "Invented"\nas_of = "2021-12-31"\n[components]\n"input shaft" = "input_shaft"\n'
    folder = shops.write(sheets, toml, tmp_path)
    records = load_records(folder)
    assert by_build_year(records, make_lifetimes(records)).table["built_in"].tolist() == ["2020"]
    assert check(folder, replay=False) == []
