"""Parts of a component lend each other shape, effects and driving before each is rated."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics import kept
from analytics.advice.adviser import Adviser
from analytics.advice.truck import Wish
from analytics.lifetimes.table import make_lifetimes, with_rows
from analytics.models.joint import fit_joint
from analytics.models.priors import DrivingPrior, Priors
from analytics.ratings.at_once import AtOnce
from analytics.ratings.backtest import backtest
from analytics.ratings.basis import part_lives
from analytics.ratings.model_checks import check_model
from analytics.ratings.options import for_component, for_use, options_for
from analytics.ratings.pooling import lending, options_of
from analytics.ratings.settings import RatingSettings
from analytics.ratings.sheet import make_ratings
from analytics.ratings.unknowns import ask_first
from analytics.ratings.whatif import Assumed, LimitSpan, change_promise, move_limit
from analytics.records.load import load_records
from analytics.records.shop import UseTarget
from analytics.review.how_sure import how_sure
from analytics.words.ratings.basis import basis
from tests.small_shop import TOML, build, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
QUICK = "[targets]\nmiles = 40000\n[ratings]\nreplicates = 0\nreporting_share = 1.0\nearly = false\nlately = false\n"
LIMITS = [
    {
        "component": "input shaft",
        "part": part,
        "weight_up_to": 7500,
        "power_limit": "475 hp",
        "effective_on": "2021-01-01",
        "reason": "supplier",
    }
    for part in ("A", "B")
]


def _shop(folder, more="", slope=-6.0):
    """80 trucks with part A, of which many fail, steeply in power; 40 with part B, three times as long-lived."""
    rng = np.random.default_rng(8)
    builds, back = [], []
    for k in range(120):
        part = "A" if k < 80 else "B"
        power, weight = int(rng.uniform(400, 800)), int(rng.uniform(6000, 9000))
        life = int((45_000 if part == "A" else 135_000) * (power / 650) ** slope * rng.weibull(1.8))
        builds.append(build(f"T-{k:03d}XY", "2021-01-01", power=power, weight=weight, input_shaft=part))
        if life < 30 * 1185:
            day = pd.Timestamp("2021-01-01") + pd.Timedelta(days=life // 30)
            back.append(returned(builds[k]["serial"], f"{day:%Y-%m-%d}", miles_in_service=life))
    return write_shop(folder, TOML + QUICK + more, builds=builds, returns=back, limits=LIMITS)


@pytest.fixture
def records(tmp_path):
    return load_records(_shop(tmp_path))


def _lent_to(options, component, part):
    return for_component(options, component, part).settings.priors


def _priors(options, part):
    return _lent_to(options, "input shaft", part)


def test_each_part_gets_what_the_others_say(records):
    options = options_of(make_lifetimes(records), None)
    a, b = _priors(options, "A"), _priors(options, "B")
    usual = Priors()
    # B's few failures say less than A's many, which fail steeply: B is held to be steep too, and surer
    assert np.exp(b.power[0]) > 3.0 > np.exp(usual.power[0])
    assert b.power[1] < a.power[1] < usual.power[1]
    assert b.shape[1] < usual.shape[1]
    assert b.weight[1] < usual.weight[1]
    assert (b.share, b.rate) == (usual.share, usual.rate)


def test_a_part_is_not_lent_its_own_word(tmp_path):
    """A's prior hangs on B's lives alone: with A's failures taken away it is the same."""
    records = load_records(_shop(tmp_path))
    lifetimes = make_lifetimes(records)
    options = options_for(records.shop)
    table = lifetimes.table
    spared = table["part"].eq("A") & table["ended"].eq("failed") & (table["serial"] > "T-010XY")
    fewer = replace(lifetimes, table=table[~spared])
    assert _priors(lending(fewer, options), "A") == _priors(lending(lifetimes, options), "A")
    assert _priors(lending(fewer, options), "B") != _priors(lending(lifetimes, options), "B")


def test_a_part_with_none_beside_it_and_other_components_keep_the_usual_prior(records):
    lifetimes = make_lifetimes(records)
    alone = replace(lifetimes, table=lifetimes.table[lifetimes.table["part"] != "B"])
    assert _priors(options_of(alone, None), "A") == replace(Priors(), own=())
    options = options_of(lifetimes, None)
    other = for_component(options, "converter", "C").settings.priors
    assert (other.shape, other.power, other.weight) == (Priors().shape, Priors().power, Priors().weight)


def _driven(folder):
    """Street trucks that drive 40 miles a day: 80 with part A, all of which are read, 20 with part B, two of which are."""
    rng = np.random.default_rng(11)
    builds, back, readings = [], [], []
    for k in range(100):
        part = "A" if k < 80 else "B"
        power = int(rng.uniform(400, 800))
        rate = 40 * np.exp(0.4 * rng.normal())
        life = (45_000 if part == "A" else 150_000) * (power / 650) ** -4.0 * rng.weibull(1.8)
        serial = f"T-{k:03d}XY"
        builds.append(build(serial, "2021-01-01", power=power, input_shaft=part))
        if life < rate * 1185:
            day = pd.Timestamp("2021-01-01") + pd.Timedelta(days=life / rate)
            back.append(returned(serial, f"{day:%Y-%m-%d}", miles_in_service=int(life)))
        elif part == "A" or k in (85, 95):
            readings.append({"serial": serial, "read_on": "2024-03-01", "miles": int(rate * 1155)})
    return write_shop(folder, TOML + QUICK, builds=builds, returns=back, readings=readings)


def test_a_part_with_few_odometers_drives_as_its_siblings_trucks_do(tmp_path):
    records = load_records(_driven(tmp_path))
    lifetimes = make_lifetimes(records)
    options = options_of(lifetimes, None)
    lent = _priors(options, "B").driving
    mean, spread = lent.of_one("use street")
    # A's trucks, read to within .4/sqrt(80), and B's about theirs
    assert mean == pytest.approx(np.log(40), abs=0.15)
    assert 0.1 < spread < 0.3
    data = part_lives(lifetimes, "input shaft", "B").data
    own = for_component(options, "input shaft", "B").settings
    alone = replace(own, priors=replace(own.priors, driving=None))  # as lent but for driving
    fits = [fit_joint(s.model(data, 40_000, "weibull")) for s in (own, alone)]
    sure = [np.sqrt(np.linalg.inv(-top.hess[0])[m.layout.tau - 1, m.layout.tau - 1]) for m, top in fits]
    assert sure[0] < 0.8 * sure[1]
    assert own.driving(data).mu[0] == pytest.approx(np.log(40), abs=0.2)
    assert abs(own.driving(data).mu[0] - alone.driving(data).mu[0]) > 1e-3
    # A hears little of B
    assert _priors(options, "A").driving.of_one("use street")[1] > 1.3 * spread


def test_driving_in_miles_is_not_lent_to_what_is_counted_in_runs(records):
    options = for_component(options_of(make_lifetimes(records), None), "input shaft", "B")
    lent = DrivingPrior(("use street",), (3.0,), ((0.01,),))
    options = replace(
        options, settings=replace(options.settings, priors=replace(options.settings.priors, driving=lent))
    )
    assert for_use(options, UseTarget(100.0, "passes")).settings.priors.driving is None
    assert for_use(options, UseTarget(60_000.0, "miles")).settings.priors.driving == lent


def test_switched_off_nothing_is_lent(tmp_path):
    records = load_records(_shop(tmp_path, "pooled = false\n"))
    options = options_of(make_lifetimes(records), None)
    assert _priors(options, "B") == Priors(pooled=False)


def test_what_parts_say_is_fitted_once_whatever_else_is_asked_of_them(records, tmp_path, monkeypatch):
    """How many fleets are simulated, and whether each default is costed, moves none of it: the quarter asks with other settings than the ratings."""
    monkeypatch.setenv(kept.CACHE, str(tmp_path / "cache"))
    lifetimes, own = make_lifetimes(records), options_for(records.shop)
    other = replace(own, settings=replace(own.settings, explain=False, replicates=40, draws=64))
    first = lending(lifetimes, own)
    files = sorted((tmp_path / "cache").glob("*.kept"))
    again = lending(lifetimes, other)
    assert len(files) == 2
    assert sorted((tmp_path / "cache").glob("*.kept")) == files
    assert again.settings.priors == first.settings.priors
    assert (again.settings.replicates, again.settings.draws, again.settings.explain) == (40, 64, False)


def test_what_was_lent_is_not_lent_again(records):
    lifetimes = make_lifetimes(records)
    options = options_of(lifetimes, None)
    assert options_of(lifetimes, options) == options
    one = for_component(options, "input shaft", "B")
    assert options_of(lifetimes, one) == one


def test_an_owners_own_prior_is_what_the_lent_one_starts_from(tmp_path):
    records = load_records(_shop(tmp_path, '[ratings.priors]\n"input shaft" = {shape = [1.7, 1.9], power = false}\n'))
    b = _priors(options_of(make_lifetimes(records), None), "B")
    assert b.power is None
    assert 1.7 < np.exp(b.shape[0]) < 1.9
    assert b.shape[1] < 0.04


def test_a_replay_lends_what_was_known_that_day(records, monkeypatch):
    """No quarter of a back-test sees what came later: what is lent is worked out from its own day's lives."""
    seen = []
    import analytics.ratings.backtest as module

    plain = module.options_of
    monkeypatch.setattr(module, "options_of", lambda before, o: (seen.append(before.as_of), plain(before, o))[1])
    found = backtest(records.shop.folder, 2)
    assert sorted(seen) == sorted(found.table["quarter_end"].unique())


def test_everything_that_rates_a_part_goes_by_what_was_lent(records, monkeypatch):
    lifetimes = make_lifetimes(records)
    ratings = make_ratings(records, lifetimes)
    rated, options = ratings.part("input shaft", "B"), ratings.options
    lent = {_priors(options, part).power for part in ("A", "B")}
    asked = []
    plain = RatingSettings.model
    monkeypatch.setattr(RatingSettings, "model", lambda s, *a: (asked.append(s.priors.power), plain(s, *a))[1])
    span = LimitSpan("input shaft", "B", 600, 700)
    for what, call in {
        "ratings": lambda: make_ratings(records, lifetimes, options, only=[("input shaft", "B")]),
        "checks": lambda: check_model(ratings, rated),
        "at once": lambda: AtOnce(ratings).fit(rated),
        "a limit moved": lambda: move_limit(lifetimes, span, options=options),
        "another promise": lambda: change_promise(records, "input shaft", "B", 7500.0, None, Assumed(life_miles=(30_000,)), options, lifetimes)(),
        "whom to ask": lambda: ask_first(lifetimes, options=options),
        "readings": lambda: how_sure(records, lifetimes),
        "advice": lambda: Adviser(records, lifetimes).ask(Wish(power=600, weight=7000, use="street")),
    }.items():  # fmt: skip
        asked.clear()
        call()
        assert lent & set(asked), what


def test_the_page_prints_what_was_lent_and_by_whom(records):
    table = basis(make_ratings(records, make_lifetimes(records))).set_index("setting")["value"]
    assert table["parts of a component lend each other shape, effects and driving"] == "yes"
    before = table["held before the records, nine in ten between"]
    after = table["the same, input shaft B, after what A lent"]
    assert before.startswith("shape 0.88 to 4.6, power 0.57 to 11")
    assert after != before


def test_the_page_prints_how_the_trucks_of_siblings_drive(tmp_path):
    records = load_records(_driven(tmp_path))
    table = basis(make_ratings(records, make_lifetimes(records))).set_index("setting")["value"]
    told = table["the same, input shaft B, after what A lent"]
    low, high = re.search(r"; miles a year of the middle driver: street ([\d,]+) to ([\d,]+)$", told).groups()
    # 40 miles a day are 14,600 a year
    assert 9_000 < int(low.replace(",", "")) < 13_500
    assert 15_500 < int(high.replace(",", "")) < 23_000
    assert "middle driver" not in table["held before the records, nine in ten between"]


def test_what_is_lent_is_of_what_stops_a_truck_where_openings_tell_the_rest_apart(monkeypatch):
    """On the demo, whose output shafts are looked at: OS-A's cracks found at a teardown are no failures of what it lends, as they are none of what it is rated on."""
    import analytics.ratings.pooling as module

    lifetimes = make_lifetimes(load_records(DEMO))
    lifetimes = with_rows(lifetimes, lifetimes.table[lifetimes.table["component"] == "output shaft"])
    rated, all_damage = (
        part_lives(lifetimes, "output shaft", "OS-A", hidden_apart=apart).data for apart in (True, False)
    )
    assert rated.failures < all_damage.failures
    asked, plain = [], module.said_of
    monkeypatch.setattr(module, "said_of", lambda data, *of: (asked.append(data), plain(data, *of))[1])
    lent = _lent_to(lending(lifetimes, options_for(lifetimes.shop)), "output shaft", "OS-B")
    assert [data.failures for data in asked] == [rated.failures]
    assert lent.lenders == ("OS-A",)
