"""One data set, one set of settings and one promise behind the sheet, what-ifs, loads, back-test, unknowns and how sure."""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analytics
from analytics.driveline.load import make_loads
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings import backtest as back
from analytics.ratings import unknowns
from analytics.ratings.basis import fill_from_alike, part_lives
from analytics.ratings.by_load import _load_data, rate_on
from analytics.ratings.follow_up import FollowUp, boldest_move
from analytics.ratings.options import options_for
from analytics.ratings.pooling import options_of
from analytics.ratings.sheet import make_ratings
from analytics.ratings.whatif import Assumed, LimitSpan, change_promise, move_limit
from analytics.records.load import load_records
from analytics.review.how_sure import how_sure
from analytics.words.answers import worded
from analytics.words.ratings import page as rating_words
from analytics.words.ratings.whatif import change_words
from tests.small_shop import TOML, build, rateable_shop, returned, write_shop

OWN = (
    TOML
    + '[extra_columns]\ntyre_in = "Tyre height, in"\n'
    + "[ratings]\nreplicates = 0\nreporting_share = 1.0\nboth_laws = false\nearly = false\n"
)
SHAFT = ("input shaft", "A")
DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """200 trucks, all miles known; life falls as power^4 and by half per standard deviation of tyre height, which goes with power."""
    rng, builds, sheets = np.random.default_rng(3), [], {"returns": [], "readings": []}
    for k in range(200):
        z = rng.standard_normal()
        power, tyre = 500 * np.exp(0.2 * rng.standard_normal() + 0.1 * z), 33 + 2 * z
        life = 90_000 * (power / 500) ** -4 * np.exp(-0.7 * z) * rng.weibull(2.0)
        serial, miles = f"T-{k:03d}XY", 20_000 + 150 * k
        builds.append(
            build(serial, "2020-01-01", power=round(power), weight=7000 + 3 * k, **{"Tyre height, in": f"{tyre:.1f}"})
        )
        if life < miles:
            day = pd.Timestamp("2021-01-15") + pd.Timedelta(days=int(rng.integers(1000)))
            sheets["returns"].append(returned(serial, f"{day:%Y-%m-%d}", miles_in_service=round(life)))
        else:
            sheets["readings"].append({"serial": serial, "read_on": "2024-03-30", "odometer": miles})
    limits = [{"component": SHAFT[0], "part": SHAFT[1], "power_limit": 500, "effective_on": "2019-01-01"}]
    records = load_records(
        write_shop(tmp_path_factory.mktemp("basis") / "shop", OWN, builds=builds, limits=limits, **sheets)
    )
    return records, make_lifetimes(records)


def test_every_page_rates_the_lives_that_the_sheet_rates(shop):
    records, lifetimes = shop
    ratings = make_ratings(records, lifetimes, only=[SHAFT])
    bound = ratings.part(*SHAFT).bounds[0]
    assert bound.bound_hp != pytest.approx(_without_own(records), abs=1)  # the column matters
    weight = bound.weight_lb
    assert change_promise(records, *SHAFT, weight, None, Assumed())().table["bound_hp"].iloc[0] == pytest.approx(
        bound.bound_hp
    )
    loads = make_loads(records, lifetimes)
    assert rate_on(loads, *SHAFT, "power", weight, None, ratings.options).bound == pytest.approx(bound.bound_hp)
    assert _load_data(loads, *SHAFT, "torque")[0].extra_names == ("tyre_in",)
    lives = part_lives(lifetimes, *SHAFT)
    assert back._bounds(lives, records.shop, back.quick_options(records.shop))["up to 7,500"] == pytest.approx(
        bound.bound_hp
    )
    sure = worded(how_sure(records, lifetimes)).table.query(
        "figure == 'power it can take' and reading == 'as it stands'"
    )
    assert sure["value"].iloc[0] == pytest.approx(bound.estimate_hp)
    fits = {}
    move_limit(lifetimes, LimitSpan(*SHAFT, 500.0, 600.0), fits=fits, draws=16)
    assert "tyre_in" in fits["A"].model.columns


def test_unknowns_rank_by_the_fit_with_the_shops_own_columns_settings_and_promise(shop, monkeypatch):
    seen = []
    monkeypatch.setattr(
        unknowns, "fit_lives", lambda data, life, s, *rest: seen.append((data.extra_names, life, s)) or _stop()
    )
    records, lifetimes = shop
    with pytest.raises(_Stop):
        unknowns.unknowns_of_part(lifetimes, *SHAFT, 7500.0)
    assert seen == [(("tyre_in",), 50_000.0, options_for(records.shop).settings)]


class _Stop(Exception):
    pass


def _stop():
    raise _Stop


def _without_own(records) -> float:
    plain = replace(records, shop=replace(records.shop, extra_columns={}))
    return make_ratings(plain, make_lifetimes(plain), only=[SHAFT]).part(*SHAFT).bounds[0].bound_hp


def test_the_settings_of_the_shop_reach_the_back_test(tmp_path):
    folder = rateable_shop(tmp_path)
    records = load_records(folder)
    own = back.quick_options(records.shop)
    assert (own.settings.share, own.settings.replicates) == (1.0, 0)
    assert own.settings.weight_edges == records.shop.weight.classes
    assert back.backtest(folder, 1, back.Replay(rate=False, draws=16)).table["reporting_share"].tolist() == [1.0]


def test_a_promise_reaches_all_that_is_computed_from_it(tmp_path):
    """Twice the life, another reliability and confidence: what-ifs and the page's sentences go by them, not by shop.toml."""
    folder = rateable_shop(tmp_path)
    limit = {
        "component": "input shaft",
        "part": "A",
        "weight_up_to": 7500,
        "power_limit": 1000,
        "effective_on": "2019-01-01",
    }
    pd.DataFrame([limit]).to_csv(folder / "limits.csv", index=False)
    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    asked = options_for(records.shop, 80_000.0, 0.8, 0.7)
    assert options_of(lifetimes, None).promise.life_miles == 50_000
    ratings = make_ratings(records, lifetimes, asked)
    bound = ratings.part(*SHAFT).bounds[0]
    changed = change_promise(records, *SHAFT, bound.weight_lb, None, Assumed(), options=asked, lifetimes=lifetimes)()
    assert changed.table["bound_hp"].iloc[0] == pytest.approx(bound.bound_hp)
    assert "to 80,000 miles, 80% surviving, 70% sure" in change_words(changed)[0]
    assert move_limit(lifetimes, LimitSpan(*SHAFT, 700.0, 800.0), options=asked, draws=16).miles == 80_000
    assert "to 80,000 miles, 80% surviving, 70% sure" in rating_words.varied_words(FollowUp(ratings).varied)[0]
    assert any("by 80,000 miles each" in line for line in rating_words.boldest_words(boldest_move(ratings)))


def test_some_of_the_rows_start_as_old_as_they_do_among_all(tmp_path):
    """A part that failed early in a truck that drove on: the truck's first day doesn't hang on which of its rows are read."""
    lifetimes = make_lifetimes(load_records(DEMO))
    for component, part in (("clutch pack", "CP-4"), ("input shaft", "IS-A"), ("valve body", "VB-1")):
        own = lifetimes.table[(lifetimes.table["component"] == component) & (lifetimes.table["part"] == part)]
        whole, alone = (part_lives(lifetimes, component, part, table).data for table in (None, own))
        assert (whole.days.start > 0).any()
        np.testing.assert_array_equal(alone.days.start, whole.days.start)


def test_lives_for_a_rating_come_from_one_place():
    """No module of ratings or of the review but the basis picks its own lives; the forecasts of the review fit without own columns."""
    package = Path(analytics.__file__).parent
    free = {"ratings/basis.py", "ratings/predict.py", "review/snapshot.py"}
    for path in [
        *(package / "ratings").glob("*.py"),
        *(package / "review").glob("*.py"),
        *(package / "report").glob("*.py"),
    ]:
        name = path.relative_to(package).as_posix()
        called = {
            n.func.id
            for n in ast.walk(ast.parse(path.read_text()))
            if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
        }
        assert name in free or not called & {"lives_of", "from_lifetimes"}, name


def _lives(n: int, failed: int, unknown: Callable[[int], bool]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "component": "input shaft",
            "part": "A",
            "serial": [f"T-{k:03d}" for k in range(n)],
            "use": ["street" if k % 2 else "towing" for k in range(n)],
            "count": 1,
            "ended": ["failed" if k >= n - failed else "running" for k in range(n)],
            "power_hp": [np.nan if unknown(k) else 400.0 + 5 * k for k in range(n)],
        }
    )


def test_an_unknown_power_is_taken_from_those_that_fared_alike():
    table = _lives(80, 20, lambda k: k % 7 == 0)
    filled, units, _ = fill_from_alike(table, "input shaft", "A", "power_hp")
    assert units == table["power_hp"].isna().sum() == 12
    assert filled["power_hp"].notna().all()
    known = table["power_hp"].notna()
    assert filled.loc[known, "power_hp"].equals(table.loc[known, "power_hp"])
    for k in np.flatnonzero(~known):
        alike = table[known & table["use"].eq(table["use"][k]) & table["ended"].eq(table["ended"][k])]
        assert filled["power_hp"][k] in alike["power_hp"].to_list()
    # even in its spread: the middle of what is given is near that of the known
    running = ~known & (table["ended"] == "running")
    assert (
        abs(
            filled.loc[running, "power_hp"].mean() - table.loc[known & (table["ended"] == "running"), "power_hp"].mean()
        )
        < 40
    )
    again, *_ = fill_from_alike(table, "input shaft", "A", "power_hp")
    assert again["power_hp"].equals(filled["power_hp"])


def test_a_power_known_of_few_alike_stays_unknown():
    table = _lives(80, 8, lambda k: k >= 72 and k % 4 < 2)
    filled, units, _ = fill_from_alike(table, "input shaft", "A", "power_hp")
    # two failed known per use: too few to take one from
    assert units == 0
    assert filled["power_hp"].equals(table["power_hp"])
    mostly = _lives(80, 8, lambda k: k < 60)
    assert fill_from_alike(mostly, "input shaft", "A", "power_hp")[1] == 0


@pytest.mark.parametrize(("known", "filled"), [(39, 0), (40, 320)])
def test_forty_alike_are_enough_for_most_and_it_is_said(known, filled):
    """Left out, the trucks that run without a power on record made the part half as strong as it is (basis.FEW_ALIKE)."""
    running = 2 * (160 + known)
    table = _lives(running + 20, 20, lambda k: k < 320)
    found, taken, guessed = fill_from_alike(table, "input shaft", "A", "power_hp")
    assert (taken, guessed) == (filled, filled)
    if filled:
        known_middle = table.loc[: running - 1, "power_hp"].median()
        assert found.loc[:319, "power_hp"].median() == pytest.approx(known_middle, abs=10)
    else:
        assert found["power_hp"].equals(table["power_hp"])
    # with as many on record as not it is no guess
    assert fill_from_alike(_lives(100, 0, lambda k: k < 50), "input shaft", "A", "power_hp")[1:] == (50, 0)


def test_of_a_part_not_on_record_nothing_is_filled_in():
    table = _lives(80, 8, lambda k: k % 7 == 0)
    assert fill_from_alike(table, "input shaft", "B", "power_hp")[1] == 0
