"""A use with a life of its own: rated in passes, pulls or months, from its own trucks alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import analytics
from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.models.lifedata import life_data
from analytics.ratings import sheet
from analytics.ratings.basis import part_lives
from analytics.ratings.bound import rate_part
from analytics.ratings.customers import NOTHING, customer_lines
from analytics.ratings.options import for_use, options_for
from analytics.ratings.promise import Promise
from analytics.ratings.sheet import make_ratings
from analytics.records.load import load_records
from analytics.records.measures import DAYS_A_MONTH
from analytics.report.rating_files import customer_sheet
from analytics.words.ratings.page import verdicts
from analytics.words.ratings.sheet import sheet_table
from tests.small_shop import TOML, build, returned, write_shop

QUICK = "[ratings]\nreplicates = 0\nreporting_share = 1.0\nboth_laws = false\nearly = false\nselection = false\ndecline = false\n"
PASSES = "[targets.drag]\npasses = 200\n"


def _drawn():
    """90 drag trucks whose passes are known, 8 of which failed; 120 street trucks with miles, 6 of which failed, and 2 sled trucks."""
    builds, returns, readings = [], [], []
    for k in range(212):
        use = "drag" if k < 90 else "street" if k < 210 else "sled"
        serial, power = f"T-{k:03d}XY", int(600 + 3 * (k % 90))
        builds.append(build(serial, "2020-01-01", power=power, weight=5500 + 2 * k, use=use))
        runs, day = 60 + 4 * (k % 90), pd.Timestamp("2023-01-15") + pd.Timedelta(days=k)
        figures = {"runs": runs} if use != "street" else {}
        if k % 12 == 5 and (use == "drag" or (use == "street" and k % 24 == 5)):
            miles = {} if use != "street" else {"miles_in_service": 25_000 + 50 * k}
            returns.append(returned(serial, f"{day:%Y-%m-%d}", **figures, **miles))
        else:
            odometer = {} if use != "street" else {"odometer": 40_000 + 100 * k}
            readings.append({"serial": serial, "read_on": "2024-03-30", **figures, **odometer})
    return builds, returns, readings


def _shop(tmp_path, toml: str, limits=()):
    builds, returns, readings = _drawn()
    sheets = {"returns": returns, "readings": readings} | ({"limits": list(limits)} if limits else {})
    folder = write_shop(tmp_path / "shop", TOML + toml, builds=builds, **sheets)
    records = load_records(folder)
    return records, make_lifetimes(records)


def test_drag_is_rated_in_passes_from_its_own_trucks_alone(tmp_path):
    records, lifetimes = _shop(tmp_path, QUICK + PASSES)
    rated = next(r for r in make_ratings(records, lifetimes).apart if r.component == "input shaft")
    builds, returns, readings = _drawn()
    lower, upper, power, weight = [], [], [], []
    end = {r["serial"]: (r["runs"], r["runs"]) for r in returns if "runs" in r}
    end |= {r["serial"]: (r["runs"], np.inf) for r in readings if "runs" in r}
    for b in builds:
        if b["use"] == "drag":
            lower.append(end[b["serial"]][0]), upper.append(end[b["serial"]][1])
            power.append(b["power"]), weight.append(b["weight"])
    by_hand = life_data(*map(np.array, (lower, upper, power, weight)))
    options = for_use(options_for(records.shop), records.shop.targets.uses["drag"])
    settings = replace(options.settings, explain=False)
    found = rate_part(by_hand, rated.bounds[0].weight_lb, None, Promise(200, counted="passes"), settings)
    bound = rated.bounds[0]
    assert (bound.units, bound.failures, rated.use, bound.use) == (
        90,
        len([1 for r in returns if "runs" in r]),
        "drag",
        "drag",
    )
    assert bound.promise == Promise(200.0, 0.9, 0.9, "passes")
    assert bound.estimate_hp == pytest.approx(found.estimate_hp, rel=1e-3)
    assert bound.bound_hp == pytest.approx(found.bound_hp, rel=1e-3)
    assert np.isfinite(bound.bound_hp)


def test_the_other_uses_are_rated_without_it(tmp_path):
    records, lifetimes = _shop(tmp_path, QUICK + PASSES)
    data = part_lives(lifetimes, "input shaft", "A").data
    assert set(data.use_names) == {"street", "sled"}
    assert data.units == 122
    table = make_ratings(records, lifetimes).table
    assert list(dict.fromkeys(zip(table["use"], table["clock"], strict=True)))[-1] == ("drag", "passes")
    own = table[table["use"] == "drag"]
    assert own["life_miles"].isna().all()
    assert (own["life"] == 200).all()
    assert (table.loc[table["use"] != "drag", "life_miles"] == table.loc[table["use"] != "drag", "life"]).all()


def test_months_are_days_in_service(tmp_path):
    _, lifetimes = _shop(tmp_path, QUICK + "[targets.street]\nmonths = 36\n")
    data = part_lives(lifetimes, "input shaft", "A", use="street").data
    own = lifetimes.table[(lifetimes.table["use"] == "street") & (lifetimes.table["part"] == "A")]
    assert data.lower == pytest.approx(own["lower_days"].to_numpy() / DAYS_A_MONTH)
    assert not data.unknown.any()
    assert not data.has_rate.any()


def test_every_line_for_customers_names_use_and_life(tmp_path):
    limits = [{"component": "input shaft", "part": "A", "power_limit": 2000, "effective_on": "2019-01-01"}]
    records, lifetimes = _shop(tmp_path, QUICK + PASSES + "[targets.sled]\npulls = 100\n", limits)
    ratings = make_ratings(records, lifetimes)
    lines = [line for line in customer_lines(ratings) if line.component == "input shaft"]
    # two sled trucks support nothing, so no line names that use
    assert [(line.uses, line.life, line.counted) for line in lines] == [
        (("street",), 50_000, "miles"),
        (("drag",), 200, "passes"),
    ]
    drag = ratings.table[ratings.table["use"] == "drag"]
    told = [t.hp for t in lines[1].told if t != NOTHING]
    # what was published for every use is not told of one that its own records do not bear out
    assert told
    assert max(told) <= drag["supported_hp"].max() < 2000
    page = customer_sheet(ratings)
    assert "drag, 200 passes" in page
    assert "A use that no line names: ask us." in page
    said = "\n".join(verdicts(ratings))
    assert "input shaft A, drag, to 200 passes" in said
    assert "customers are to ask: sled, to 100 pulls (A and C)" in said
    assert "pulls" in sheet_table(ratings)["reason"].iloc[-1]


def test_a_limit_published_for_the_use_is_the_owners_word(tmp_path):
    limits = [
        {"component": "input shaft", "part": "A", "use": use, "power_limit": 2000, "effective_on": "2019-01-01"}
        for use in ("", "drag")
    ]
    records, lifetimes = _shop(tmp_path, QUICK + PASSES, limits)
    ratings = make_ratings(records, lifetimes)
    first = next(line for line in customer_lines(ratings) if line.uses == ("drag",)).told[0]
    row = ratings.table[ratings.table["use"] == "drag"].iloc[0]
    assert first.hp == (min(2000, row["proposed_hp"]) if row["verdict"] == "lower" else 2000)


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("[targets.drag]\npases = 200\n", "Did you mean 'passes'"),
        ("[targets.drag]\npasses = 200\nmonths = 3\n", "give one life"),
        ("[targets.drag]\n", "give one life"),
        ('[targets.drag]\npasses = "200"\n', "give a number"),
        ("[targets.drag]\npasses = 0\n", "must lie between"),
        ("[targets]\nmils = 3\n", "Did you mean 'miles'"),
    ],
)
def test_a_target_that_cannot_be_meant_is_told(tmp_path, toml, said):
    with pytest.raises(RecordsError, match=said):
        _shop(tmp_path, toml)


def test_no_miles_no_count():
    with pytest.raises(Exception, match="laps"):
        Promise(200, counted="laps")
    assert np.isnan(Promise(200, counted="passes").life_miles)


def test_parts_asked_for_by_name_keep_their_uses_and_their_reasons(tmp_path):
    """Every row of the table of some parts reads as in the table of all."""
    _shop(tmp_path, QUICK + PASSES)
    shop = analytics.read(tmp_path / "shop")
    every, own = analytics.rate(shop).table, analytics.rate(shop, component="input shaft").table
    expected = every[every["component"] == "input shaft"].reset_index(drop=True)
    assert "drag" in set(own["use"])
    pd.testing.assert_frame_equal(own, expected)


def test_passes_that_nobody_counted_are_taken_at_a_hundred_a_year(tmp_path, monkeypatch):
    """The verdict of a use in passes goes by the driving of passes, never by miles a day."""
    seen = []
    plain = sheet.evidence_of
    monkeypatch.setattr(
        sheet,
        "evidence_of",
        lambda b, rest, data, settings: seen.append((b, settings)) or plain(b, rest, data, settings),
    )
    records, lifetimes = _shop(tmp_path, QUICK + PASSES)
    make_ratings(records, lifetimes)
    rates = {b.promise.counted: np.exp(settings.priors.rate[0]) for b, settings in seen}
    assert rates["passes"] == pytest.approx(100 / 365.25)
    assert rates["miles"] == pytest.approx(30)
