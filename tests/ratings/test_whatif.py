"""Limits moved and promises changed, on the demo and on small shops: counts against the sheets, sums written out, and words."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.options import Options
from analytics.ratings.predict import fit_lives, lives_of
from analytics.ratings.promise import Promise
from analytics.ratings.settings import RatingSettings
from analytics.ratings.whatif import (
    Assumed,
    LimitMove,
    LimitSpan,
    build_mix,
    change_promise,
    failing_by,
    move_limit,
    reported,
    with_loss,
)
from analytics.records.load import load_records
from analytics.words.phrases import money
from analytics.words.ratings.whatif import change_words, move_words
from tests.small_shop import TOML, build, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"
QUICK = RatingSettings(both_laws=False, explain=False, draws=0, replicates=0)
OPTIONS = Options(Promise(50_000.0), settings=QUICK)


@pytest.fixture(scope="module")
def records():
    return load_records(DEMO)


@pytest.fixture(scope="module")
def demo(records):
    return make_lifetimes(records)


@pytest.fixture(scope="module")
def fits():
    return {}


def test_the_mix_is_what_the_sheets_hold(demo, records):
    mix = build_mix(demo, "input shaft", 600.0, 700.0, 0.0, 7500.0, years=2.0)
    b = records.builds
    recent = b[
        (b["built_on"] >= records.as_of - np.timedelta64(round(2 * 365.25 * 24), "h"))
        & (b["in_service_on"] <= records.as_of)
    ]
    inside = recent[(recent["power_hp"] > 600) & (recent["power_hp"] <= 700) & (recent["weight_lb"] <= 7500)]
    assert mix.built == inside["count"].sum() > 0
    known = recent["power_hp"].notna() & recent["weight_lb"].notna()
    assert mix.scale == pytest.approx(recent["count"].sum() / recent.loc[known, "count"].sum())
    assert mix.a_year == pytest.approx(mix.built * mix.scale / 2)
    assert mix.basis == "last years"


def test_the_chance_to_fail_is_the_life_law_written_out(demo):
    data = lives_of(demo.table, "input shaft", "IS-A", demo.as_of).data
    fit = fit_lives(data, 50_000.0, replace(QUICK, early=False), 16, 1)
    model, _ = fit.fitted()
    got = failing_by(fit, np.array([700.0]), np.array([8000.0]), ["towing"], 30_000.0)[:, 0]
    lay = model.layout
    beta = np.exp(fit.theta[:, 0])
    x = model.covariates(np.log(700.0), np.log(8000.0), data.use_names.index("towing"))
    z = beta * np.log(30_000 / 50_000) - fit.theta[:, lay.gamma] @ np.r_[1.0, x]
    assert got == pytest.approx(1 - np.exp(-np.exp(z)) if model.distribution == "weibull" else ndtr(z))
    # a use nobody drove with this part is taken as the commonest
    common = data.use_names[int(np.argmax(np.bincount(data.use, data.weight)))]
    args = (np.array([700.0]), np.array([8000.0]))
    assert failing_by(fit, *args, ["boat"], 3e4) == pytest.approx(failing_by(fit, *args, [common], 3e4))
    assert ((reported(fit) > 0) & (reported(fit) < 1)).all()


def test_raising_a_limit_counts_comebacks_and_cost(demo, fits):
    move = move_limit(demo, LimitSpan("input shaft", "IS-A", 600.0, 700.0), options=OPTIONS, fits=fits, draws=256)
    assert move.units_a_year > 0
    mix = build_mix(demo, "input shaft", 600.0, 700.0)
    # those that have it already do not move
    mix = replace(mix, frame=mix.frame[mix.frame["part"] != "IS-A"])
    fit = fits["IS-A"]
    chance = (
        failing_by(fit, mix.frame["power_hp"], mix.frame["weight_lb"], mix.frame["use"], 50_000.0)
        * reported(fit)[:, None]
    )
    expected = float((fit.weight @ chance) @ mix.frame["count"]) * mix.scale / mix.years
    assert move.comebacks.expected == pytest.approx(expected)
    assert move.comebacks.lower <= expected <= move.comebacks.upper
    assert move.bill.each == 4000
    assert move.bill.comebacks == pytest.approx(4000 * expected)
    assert np.isnan(move.bill.net[0])
    assert "more units a year would get IS-A" in move_words(move)[0]
    assert "name it to see the difference" in move_words(move)[2]
    again = move_limit(demo, LimitSpan("input shaft", "IS-A", 600.0, 700.0), options=OPTIONS, draws=256)
    assert (again.comebacks.lower, again.comebacks.upper, again.comebacks.expected) == (
        move.comebacks.lower,
        move.comebacks.upper,
        move.comebacks.expected,
    )


def test_against_the_part_they_get_now_and_the_other_way_round(demo, fits):
    up = move_limit(
        demo, LimitSpan("input shaft", "IS-A", 600.0, 700.0), instead="IS-B", options=OPTIONS, fits=fits, draws=256
    )
    alone = move_limit(demo, LimitSpan("input shaft", "IS-A", 600.0, 700.0), options=OPTIONS, fits=fits, draws=256)
    assert 0 < up.comebacks.instead < alone.comebacks.expected
    assert up.comebacks.expected == pytest.approx(alone.comebacks.expected - up.comebacks.instead)
    assert up.bill.price_step == 780 - 420
    assert up.bill.parts_saved == pytest.approx(360 * up.units_a_year)
    assert up.bill.net[0] == pytest.approx(up.bill.comebacks - up.bill.parts_saved)
    assert up.bill.net[2] - up.bill.net[1] == pytest.approx(up.bill.upper - up.bill.lower)
    assert up.bill.net[1] < up.bill.net[0] < up.bill.net[2]
    assert any(w.startswith("All in, it ") for w in move_words(up))
    down = move_limit(
        demo, LimitSpan("input shaft", "IS-A", 700.0, 600.0), instead="IS-B", options=OPTIONS, fits=fits, draws=256
    )
    every = build_mix(demo, "input shaft", 600.0, 700.0)
    assert up.units_a_year - down.units_a_year == pytest.approx(every.a_year)
    assert down.comebacks.expected < 0 < up.comebacks.expected
    assert "fewer units a year" in move_words(down)[0]
    assert any("spared comebacks" in w for w in move_words(down))


def test_a_wider_span_holds_more(demo, fits):
    a, b = (
        move_limit(demo, LimitSpan("input shaft", "IS-A", 600.0, hp), options=OPTIONS, fits=fits, draws=128)
        for hp in (650.0, 750.0)
    )
    assert b.units_a_year > a.units_a_year
    assert b.comebacks.expected > a.comebacks.expected


def test_nothing_built_there(demo, fits):
    move = move_limit(demo, LimitSpan("input shaft", "IS-A", 4000.0, 5000.0), options=OPTIONS, fits=fits, draws=128)
    assert np.isnan([move.units_a_year, move.comebacks.expected, move.bill.comebacks, move.bill.net[0]]).all()
    assert move.mix.basis == "none"
    assert move.beyond
    assert "there is no mix to go by" in move_words(move)[0]
    assert any("lies beyond the records" in w for w in move_words(move))


def test_a_part_without_a_failure_gets_an_upper_limit(demo):
    move = move_limit(demo, LimitSpan("output shaft", "OS-B", 600.0, 800.0), options=OPTIONS)
    assert np.isnan(move.comebacks.expected)
    assert move.comebacks.lower == 0
    assert 0 < move.comebacks.upper < move.units_a_year
    assert any("no failure on record of OS-B" in w for w in move_words(move))
    assert any("at 90% confidence at most" in w for w in move_words(move))


def test_cracks_found_at_a_teardown_are_no_comebacks(tmp_path):
    """A shop that looks at the shaft whenever a converter comes back, and one that never found any: as many comebacks, and the cracks are told."""
    toml = TOML + '[findings]\nfound_at_teardown = ["crack"]\n[findings.looked_at]\n"input shaft" = ["converter"]\n'
    rows = [build(f"S{i}", power=500 + 5 * i, weight=7000 + 20 * i) for i in range(80)]
    stops = [returned(f"S{i}", f"2023-0{1 + i % 9}-15", odometer=20_000 + 500 * i) for i in range(60, 68)]
    opened = [returned(f"S{i}", "2023-10-01", "converter", odometer=30_000) for i in range(20, 40)]
    cracks = [
        returned(f"S{i}", "2023-10-01", odometer=30_000) | {"failed_on": "teardown", "finding": "crack"}
        for i in range(30, 40)
    ]

    def moved(name: str, back: list[dict]) -> LimitMove:
        records = load_records(write_shop(tmp_path / name, toml, builds=rows, returns=back))
        span = LimitSpan("input shaft", "A", 900.0, 600.0)
        return move_limit(make_lifetimes(records), span, options=OPTIONS, draws=128)

    found, none, all_stop = (
        moved("some", stops + opened + cracks),
        moved("none", stops + opened),
        moved("no", cracks + opened),
    )
    assert (found.found, none.found) == (10, 0)
    assert found.comebacks.fitted.fitted()[0].data.failures == none.comebacks.fitted.fitted()[0].data.failures == 8
    # the cracked ones were taken out, so that they ran six months less
    assert found.comebacks.expected == pytest.approx(none.comebacks.expected, rel=0.3)
    assert any("Not counted: 10 of A found damaged" in w for w in move_words(found))
    assert not any("Not counted" in w for w in move_words(none))
    # cracks alone: what has stopped no truck has no comeback to foretell, only a limit on it
    assert np.isnan(all_stop.comebacks.expected)
    assert 0 < all_stop.comebacks.most < 1


def test_a_limit_that_changes_no_build(tmp_path):
    """All of them get the part as it is: nothing moves, and the words say so in place of a number."""
    move = move_limit(shop(tmp_path, other=""), LimitSpan("input shaft", "A", 600.0, 700.0), options=OPTIONS, draws=64)
    assert (move.units_a_year, move.comebacks.expected, move.comebacks.lower, move.comebacks.upper) == (0, 0, 0, 0)
    assert np.isnan([move.bill.comebacks, move.bill.net[0]]).all()
    assert any("changes no build: all of them get A" in w for w in move_words(move))


def shop(tmp_path, toml=TOML, powers=range(500, 900, 10), other="B"):
    """Builds of A, and of the other part from 620 to 690 hp, where there is one."""
    powers = list(powers)
    rows = [
        build(
            f"S{i}",
            f"202{i % 3}-0{1 + i % 9}-01",
            power=p,
            weight=7000 + 50 * i,
            **({"input_shaft": other} if other and 620 <= p < 690 else {}),
        )
        for i, p in enumerate(powers)
    ]
    back = [returned(f"S{i}", f"2023-0{1 + i % 9}-15", odometer=20_000 + 1000 * i) for i in range(28, 36)]
    return make_lifetimes(load_records(write_shop(tmp_path, toml, builds=rows, returns=back)))


def test_no_cost_stated_one_use_and_older_builds(tmp_path):
    lifetimes = shop(tmp_path)
    move = move_limit(
        lifetimes, LimitSpan("input shaft", "A", 600.0, 700.0, years=1.0), instead="B", options=OPTIONS, draws=64
    )
    assert move.mix.basis == "all years"
    assert "on record (none in the last 1)" in move_words(move)[0]
    assert np.isnan([move.bill.each, move.bill.comebacks, move.bill.parts_saved]).all()
    assert any("No cost of a comeback is stated" in w for w in move_words(move))
    assert any("No prices of A and B are stated" in w for w in move_words(move))
    assert any("What B would have brought back is not known" in w for w in move_words(move))
    told = move_limit(
        lifetimes,
        LimitSpan("input shaft", "A", 600.0, 700.0),
        options=OPTIONS,
        draws=64,
        cost_per_comeback=1000.0,
        price_step=-50.0,
    )
    assert told.bill.comebacks == pytest.approx(1000 * told.comebacks.expected)
    assert told.bill.parts_saved == pytest.approx(-50 * told.units_a_year)
    assert any("costs more by $50 a unit than what they get now" in w for w in move_words(told))


def test_senseless_moves_are_refused(demo):
    for a, b, low, high in ((600.0, 600.0, 0.0, np.inf), (-1.0, 600.0, 0.0, np.inf), (600.0, 700.0, 8000.0, 7000.0)):
        with pytest.raises(AnalyticsError, match="no span"):
            move_limit(demo, LimitSpan("input shaft", "IS-A", a, b, low, high))
    with pytest.raises(AnalyticsError, match="there are clutch pack"):
        move_limit(demo, LimitSpan("flywheel", "IS-A", 600.0, 700.0))


def test_another_loss_reads_as_if_the_shop_had_stated_it(records, tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder)
    text = (folder / "shop.toml").read_text(encoding="utf-8")
    assert "driveline_loss = 0.18" in text
    (folder / "shop.toml").write_text(text.replace("driveline_loss = 0.18", "driveline_loss = 0.25"), encoding="utf-8")
    truth = load_records(folder)
    ours, moved = with_loss(records, 0.25)
    assert moved > 0
    assert ours.builds["power_hp"].to_numpy() == pytest.approx(truth.builds["power_hp"].to_numpy(), nan_ok=True)
    assert ours.changes["power_hp"].to_numpy() == pytest.approx(truth.changes["power_hp"].to_numpy(), nan_ok=True)
    assert ours.shop.power.driveline_loss == 0.25
    at_wheels = records.builds["power_measured_at"] == "wheels"
    assert (records.builds.loc[at_wheels, "power_hp"] < ours.builds.loc[at_wheels, "power_hp"]).all()
    with pytest.raises(AnalyticsError, match="loss"):
        with_loss(records, 0.7)


def test_a_harder_promise_lowers_the_bound(records, demo):
    out = change_promise(
        records,
        "input shaft",
        "IS-A",
        7500.0,
        "street",
        Assumed((100_000.0,), (0.95,), (0.95, 0.5), (1.0, 0.6), (0.25,)),
        OPTIONS,
        demo,
    )()
    t = out.table.set_index(["what", "value"])["change_hp"]
    assert t["life_miles", 100_000.0] < 0
    assert t["reliability", 0.95] < 0
    assert t["confidence", 0.95] < 0 < t["confidence", 0.5]
    assert t["reporting share", 0.6] < t["reporting share", 1.0]
    assert np.isfinite(t["driveline loss", 0.25])
    assert len(change_words(out)) == len(out.table) + 1
    assert change_words(out)[0].startswith("IS-A at 7,500 lb, street: ")
    assert "measured at the wheels" in change_words(out)[-1]
    assert out.part == "IS-A"
    same = change_promise(
        records,
        "input shaft",
        "IS-A",
        7500.0,
        "street",
        Assumed(share=(None,), driveline_loss=(0.18,)),
        options=OPTIONS,
        lifetimes=demo,
    )()
    assert same.table["change_hp"].tolist() == pytest.approx([0, 0, 0], abs=1e-9)


def test_without_a_rating_the_reason_is_told(records, demo):
    s = OPTIONS.settings
    alone = replace(OPTIONS, settings=replace(s, priors=replace(s.priors, pooled=False)))
    longer = Assumed(life_miles=(60_000.0,))
    out = change_promise(records, "output shaft", "OS-B", 7500.0, None, longer, options=alone, lifetimes=demo)()
    assert "has no rating as it stands" in change_words(out)[0]
    assert "no rating (" in change_words(out)[1]


@pytest.mark.parametrize("price_step", [0.0, 1e6])
def test_all_in_is_what_comebacks_cost_less_what_the_parts_save(demo, fits, price_step):
    up = move_limit(
        demo,
        LimitSpan("input shaft", "IS-A", 600.0, 700.0),
        options=OPTIONS,
        fits=fits,
        draws=256,
        price_step=price_step,
    )
    assert up.units_a_year > 0
    assert up.bill.comebacks > 0
    net = up.bill.comebacks - price_step * up.units_a_year
    assert (net < 0) == (price_step > 0)
    said = next(w for w in move_words(up) if w.startswith("All in"))
    assert said.startswith(f"All in, it {'saves' if net < 0 else 'costs'} {money(abs(net), '$')} a year as expected")
    ends = [end - price_step * up.units_a_year for end in (up.bill.lower, up.bill.upper)]
    low, high = ends if net >= 0 else (-ends[1], -ends[0])  # a saving is told with the ends of a saving
    assert f"({money(low, '$')} to {money(high, '$')}" in said
    assert (up.bill.net[0], up.bill.net[1], up.bill.net[2]) == pytest.approx((net, *ends))
