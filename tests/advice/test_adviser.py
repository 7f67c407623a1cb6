"""One truck asked of a small shop: what is advised, what forbids it, and what comes back as a question."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics import from_frames, read
from analytics.advice.adviser import Adviser, _in_its_place, _verdict
from analytics.advice.answer import Margin, Published
from analytics.advice.batch import lines_of
from analytics.advice.build import apart, by_money, whole_build
from analytics.advice.chance import Chance
from analytics.advice.margins import broken_rules
from analytics.advice.together import always_together
from analytics.advice.truck import Wish
from analytics.errors import AnalyticsError
from analytics.kept import CACHE
from analytics.ratings.demonstration import needed
from analytics.ratings.promise import Promise
from analytics.reasons import Advised, reason
from analytics.report.advice_page import advice_html
from analytics.words.advice import advice_table, more_words, page_rows, spoken, whole_words
from tests.driveline.shops import LOCKUP
from tests.small_door import COSTS, frames_of
from tests.small_shop import TOML, build, returned, write_shop

TARGET = '[targets]\nmiles = 30000\n[words.use]\n"street" = ["daily"]\n"towing" = ["tow"]\n'


def shop_of(folder, limits=(), toml=TARGET, returns=True):
    """240 street and towing trucks with shaft A up to 600 hp, else B; A fails more with power, all odometers read."""
    rng = np.random.default_rng(3)
    builds, back, readings = [], [], []
    for k in range(240):
        power, weight, use = 380 + 2 * k, 6000 + int(rng.uniform(0, 2500)), "towing" if k % 3 == 0 else "street"
        part = "A" if power <= 600 or k % 5 == 0 else "B"
        serial = f"T-{k:04d}XY"
        builds.append(build(serial, "2020-01-01", power=power, weight=weight, use=use, input_shaft=part))
        life = 90_000 * rng.weibull(2.5) * ((power / 600) ** -3 if part == "A" else 3.0)
        seen = 45_000
        if life < seen and returns:
            back.append(returned(serial, "2023-01-15", miles_in_service=int(life)))
        else:
            readings.append({"serial": serial, "read_on": "2024-03-30", "odometer": seen})
    parts = [
        {"component": "input shaft", "part": part, "outside_diameter": size, "hardness": "40 HRC"}
        for part, size in (("A", "1.2 in"), ("B", "1.35 in"))
    ]
    sheets = {"builds": builds, "returns": back, "readings": readings, "parts": parts}
    if limits:
        sheets["limits"] = [
            {
                "component": "input shaft",
                "part": p,
                "power_limit": f"{hp} hp",
                "effective_on": "2020-01-01",
                "reason": why,
            }
            for p, hp, why in limits
        ]
    return read(write_shop(folder, TOML + COSTS + toml, **sheets))


def adviser(shop) -> Adviser:
    return Adviser(shop.records, shop.lifetimes)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return shop_of(tmp_path_factory.mktemp("advise") / "shop")


@pytest.fixture(scope="module")
def asked(shop):
    return adviser(shop)


def component(advice, name="input shaft"):
    return next(c for c in advice.components if c.component == name)


def test_the_cheapest_part_that_is_supported_is_advised(asked):
    weak, strong = (component(asked.ask(Wish(p, 7000, "street"))) for p in (420, 800))
    assert weak.pick.part == "A"
    assert strong.pick.part == "B"
    assert [c.part for c in strong.choices] == ["A", "B"]
    assert strong.choices[0].records is Advised.NOT_SUPPORTED


def test_nothing_is_advised_over_its_published_limit_and_the_owner_is_told(tmp_path):
    advice = adviser(shop_of(tmp_path / "s", [("A", 400, "first guess"), ("B", 900, "supplier's word")])).ask(
        Wish(420, 7000, "street")
    )
    own = component(advice)
    assert own.choices[0].rules[0].code is Advised.OVER_PUBLISHED
    assert own.pick.part == "B"
    assert own.cheaper.part == "A"
    assert own.by_money.part == "B"
    told = "\n".join(spoken(advice))
    assert "first guess" in told
    assert "for the owner to decide" in told


def test_a_limit_that_covers_the_truck_forbids_nothing(tmp_path):
    own = component(adviser(shop_of(tmp_path / "s", [("A", 420, "x")])).ask(Wish(420, 7000, "street")))
    assert own.pick.part == "A"
    assert own.pick.published.why == "x"


def test_a_part_that_cannot_stand_the_torque_is_refused_whatever_the_records_say(tmp_path):
    weak = shop_of(tmp_path / "s")
    weak.records.parts.loc[:, [c for c in weak.records.parts if c.startswith("outside_diameter")]] = 0.45
    advice = adviser(weak).ask(Wish(420, 7000, "street"))
    own = component(advice)
    assert own.choices[0].records is Advised.SUPPORTED
    assert {r.code for c in own.choices for r in c.rules} == {Advised.SHAFT_YIELDS}
    assert own.fitted is None
    assert [name for name, _ in advice.refuse] == ["input shaft"]
    told = spoken(advice)
    assert told[1].startswith("Do not build it so. No input shaft is allowed")
    assert told[3].startswith("Input shaft B stands"), "how far the strongest is off is told too"
    assert not [line for line in told if line.startswith("To settle")], "nobody builds 22 of what is refused"


def test_a_margin_that_may_be_under_one_is_said_before_any_figure(tmp_path):
    thin = shop_of(tmp_path / "s")
    thin.records.parts.loc[:, [c for c in thin.records.parts if c.startswith("outside_diameter")]] = 0.75
    advice = adviser(thin).ask(Wish(420, 7000, "street"))
    own = component(advice).pick
    assert own.margin.body[0] < 1 < own.margin.body[2]
    assert own.margin.high < own.margin.body[2]
    assert [(c.part, bool(by)) for c, by in advice.doubts] == [(own.part, True)]
    assert spoken(advice)[1].endswith("even with what is not known of this truck at its middle:")
    assert spoken(advice)[2].startswith("Input shaft A stands")


def test_a_margin_that_is_under_one_at_the_worst_alone_is_told_apart(tmp_path):
    slim = shop_of(tmp_path / "s")
    slim.records.parts.loc[:, [c for c in slim.records.parts if c.startswith("outside_diameter")]] = 0.9
    advice = adviser(slim).ask(Wish(420, 7000, "street"))
    assert component(advice).pick.margin.body[0] < 1 < component(advice).pick.margin.body[1]
    assert spoken(advice)[1].endswith("too weak at the worst of it:")
    assert spoken(advice)[2].startswith("Input shaft A stands")


def test_the_converters_pressure_over_its_rule_is_refused(asked):
    advice = asked.ask(Wish(420, 7000, "street", own=(("converter_pressure", 190.0),)))
    assert component(advice, "converter").choices[0].rules[0].code is Advised.PRESSURE_TOO_HIGH


@pytest.fixture(scope="module")
def towers(tmp_path_factory):
    """The shop with a lock-up clutch on file, whose sheet states an apply pressure."""
    folder = tmp_path_factory.mktemp("towers") / "shop"
    shop_of(folder)
    made = pd.read_csv(folder / "parts.csv")
    pd.concat([made, pd.DataFrame([LOCKUP | {"apply_pressure": "150-180 psi"}])]).to_csv(
        folder / "parts.csv", index=False
    )
    return adviser(read(folder))


def test_the_pressure_of_the_truck_goes_before_that_of_the_sheet(towers):
    high = component(towers.ask(Wish(420, 7000, "tow")), "converter").choices[0].margin.high
    own = component(towers.ask(Wish(420, 7000, "tow", own=(("converter_pressure", 90.0),))), "converter").choices[0]
    assert own.margin.high == pytest.approx(high * 90 / 180)


def test_a_weight_with_its_trailer_is_split_and_the_grade_is_told(towers):
    alone, both = (
        towers.ask(Wish(420, weight, "tow", own=(("trailer_weight", 14_000.0), ("converter_pressure", 90.0))))
        for weight in ("8,000 lb", "22,000 lb combined")
    )
    assert alone.truck.weight_lb == both.truck.weight_lb == 8000
    told = spoken(both)
    assert told == spoken(alone)
    assert any(line.startswith("By the rules of thumb") and "times the grade, under 1.3" in line for line in told)
    assert "on a 6% grade at 55 mph with a trailer of 14,000 lb the lock-up of C holds" in "\n".join(told)
    assert any("With its trailer it weighs 22,000 lb" in line for line in told)
    unsaid = "\n".join(spoken(towers.ask(Wish(420, 8000, "tow"))))
    assert "What does its trailer weigh? 5,000 to 14,000 lb is taken" in unsaid
    assert "a trailer of 5,000 to 14,000 lb" in unsaid
    light = towers.ask(Wish(420, 8000, "tow", own=(("trailer_weight", 2000.0), ("converter_pressure", 170.0))))
    assert not light.strained
    assert not towers.ask(
        Wish(420, 8000, "street", own=(("converter_pressure", 90.0),))
    ).strained  # no trailer, no grade


def test_a_shop_without_weights_has_its_margins_all_the_same(tmp_path):
    shop_of(tmp_path)
    builds = pd.read_csv(tmp_path / "builds.csv").drop(columns="weight")
    builds.to_csv(tmp_path / "builds.csv", index=False)
    own = component(adviser(read(tmp_path)).ask(Wish(420, "", "tow")))
    assert own.pick.margin.low > 0
    assert own.pick.margin.limited == "not known"


@pytest.mark.parametrize(
    ("said", "uses"),
    [
        ("daily driver", ("street",)),
        ("tow and daily", ("street", "towing")),
        ("street racing", ("street", "street racing")),
        ("daily, sled pulls in summer", ("street", "daily, sled pulls in summer")),
        ("racing", ("racing",)),
    ],
)
def test_what_asks_more_of_a_truck_than_the_uses_named_is_no_such_use(asked, said, uses):
    advice = asked.ask(Wish(420, 7000, said))
    assert advice.truck.uses == uses
    assert (component(advice).pick is None) == (uses[-1] == said)


def test_every_answer_ends_with_the_lowest_line_and_what_comes_first(asked):
    advice = asked.ask(Wish(420, 7000, "street"))
    assert advice_html(advice).count('data-head="price"') == len(
        advice.components
    )  # on a phone each cell says what it is
    for told in (spoken(advice)[-1], advice_html(advice)):
        assert "good only to its lowest line" in told
        assert "no safety certificate" in told


def test_its_own_figures_narrow_what_is_assumed(asked):
    usual, own = (
        asked.ask(Wish(420, 7000, "street", own=o)) for o in ((), (("stall_ratio", 1.9), ("engine_rpm", 2900.0)))
    )
    wide, narrow = (component(a).pick.margin for a in (usual, own))
    assert wide.low < narrow.low <= narrow.high < wide.high


def test_what_the_next_part_buys_is_the_difference_of_both(asked):
    own = component(asked.ask(Wish(560, 7000, "street")))
    (up,) = own.up
    one, other = (c.chance for c in own.choices)
    assert up.price == 400
    assert up.spared == pytest.approx(100 * (one.estimate - other.estimate))
    assert up.each == pytest.approx(400 / (one.estimate - other.estimate))


def test_two_ends_are_put_together_by_the_square_root_of_squares():
    one, other = Chance(0.10, 0.06, 0.15, 9), Chance(0.02, 0.01, 0.05, 3)
    gain, low, high = apart(one, other)
    assert (gain, low, high) == pytest.approx((8.0, 8.0 - 5.0, 8.0 + np.hypot(5.0, 1.0)))


def test_the_whole_lasts_where_each_part_does(asked):
    own = component(asked.ask(Wish(560, 7000, "street")))
    pick = replace(own.pick or own.instead, chance=Chance(0.1, 0.05, 0.2, 5))
    two = [
        replace(own, pick=pick, up=()),
        replace(own, component="other", pick=replace(pick, component="other"), up=()),
    ]
    whole = whole_build(two)
    assert whole.lasts[0] == pytest.approx(0.81)
    assert 0.8 * 0.8 < whole.lasts[1] < 0.81 < whole.lasts[2] < 0.95 * 0.95
    assert whole.price == 2 * pick.price


@pytest.mark.parametrize(
    ("wish", "question"),
    [
        (Wish("", 7000, "street"), "How much power does it make?"),
        (Wish(3, 7000, "street"), "How much power does it make?"),
        (Wish("lots", 7000, "street"), "How much power does it make?"),
        (Wish(500, "", "street"), "What does the truck weigh"),
        (Wish(500, 900, "street"), "What does the truck weigh"),
        (Wish(500, "16,000 lb with trailer", "tow"), "without a trailer?"),
        (Wish(500, 16_000, "tow"), "if that is with the trailer, give the truck alone"),
        (Wish(500, 7000, ""), "What is the truck used for? On record are street, towing."),
        (Wish(500, 7000, "street", measured_at="hub"), "at the crank or at the wheels?"),
        (Wish(500, 7000, "street", life=1000, months=3), "miles, passes or months, one of them"),
        (Wish(500, 7000, "street", life=-5), "How long shall it last?"),
        (Wish(500, 7000, "street", passes=300), "Too few such trucks have both passes and miles"),
        (Wish(500, 7000, "street", own=(("wheelbase", 140.0),)), "is no figure of a truck"),
        (Wish(500, 7000, "street", own=(("driven_wheels", 6.0),)), "give a number from 2 to 4"),
        (Wish(500, "16,000 lb with trailer", "tow", own=(("trailer_weight", 15_000.0),)), "trailer's weight beside it"),
    ],
)
def test_what_cannot_be_or_is_missing_comes_back_as_a_question(asked, wish, question):
    with pytest.raises(AnalyticsError) as caught:
        asked.ask(wish)
    assert question in str(caught.value)


def test_power_as_people_say_it(asked):
    truck = asked.ask(Wish("about 400 whp", "3.2 t", "daily")).truck
    assert truck.said_hp == pytest.approx(400 / 0.82)
    assert truck.power_hp == pytest.approx(1.05 * 400 / 0.82)
    assert truck.weight_lb == pytest.approx(7054.79, abs=0.01)
    assert truck.uses == ("street",)
    assert asked.ask(Wish("373 kW", 7000, "street")).truck.power_hp == pytest.approx(500.2, abs=0.1)
    assert asked.ask(Wish("500 to 540", 7000, "street")).truck.power_hp == 540


def test_of_two_uses_the_harsher_governs(asked):
    both, street, tow = (asked.ask(Wish(500, 7500, use)) for use in ("daily, and tows on Sundays", "street", "towing"))
    assert both.truck.uses == ("street", "towing")
    for one, a, b in zip(component(both).choices, component(street).choices, component(tow).choices, strict=True):
        assert one.chance.high == pytest.approx(max(a.chance.high, b.chance.high))


def test_months_become_miles_by_how_such_trucks_drive(asked):
    days = (np.datetime64("2024-03-30") - np.datetime64("2020-01-01")).astype(int)
    truck = asked.ask(Wish(500, 7000, "street", months=24)).truck
    assert truck.life_miles == pytest.approx(24 * 365.25 / 12 * 45_000 / days, rel=0.15)


def test_a_truck_outside_the_records_is_said_first_with_its_nearest(asked):
    for wish, code in (
        (Wish(1500, 7000, "street"), Advised.POWER_ABOVE),
        (Wish(100, 7000, "street"), Advised.POWER_BELOW),
        (Wish(500, "15,000 lb as driven", "street"), Advised.WEIGHT_ABOVE),
        (Wish(500, 2500, "street"), Advised.WEIGHT_BELOW),
        (Wish(500, 7000, "autocross"), Advised.USE_NOT_ON_RECORD),
    ):
        advice = asked.ask(wish)
        assert code in {r.code for r in advice.outside}
        assert len(advice.nearest) == 3
        assert "lies outside the records" in "".join(spoken(advice)[1:4])
    assert not asked.ask(Wish(500, 7000, "street")).outside


def test_no_customer_is_named(asked):
    advice = asked.ask(Wish(1500, 7000, "street"))
    assert "T-0" not in "\n".join(spoken(advice)) + page_rows(advice).to_string() + advice_table(advice).to_string()


def test_calibrations_are_kept_until_a_figure_changes(tmp_path, monkeypatch):
    monkeypatch.setenv(CACHE, str(tmp_path / "cache"))
    shop = shop_of(tmp_path / "s")
    shop.records.shop.ratings["replicates"] = 20
    said = []
    first = Adviser(shop.records, shop.lifetimes, progress=said.append)
    answer = first.ask(Wish(500, 7000, "street"))
    assert said
    before = sorted(p.name for p in shop.records.shop.folder.iterdir())
    again = Adviser(shop.records, shop.lifetimes, progress=lambda line: pytest.fail(line))
    assert advice_table(again.ask(Wish(500, 7000, "street"))).equals(advice_table(answer))
    assert sorted(p.name for p in shop.records.shop.folder.iterdir()) == before  # the shop's folder is left alone
    table = shop.lifetimes.table.assign(power_hp=lambda t: t["power_hp"] * 1.001)
    said.clear()
    Adviser(shop.records, replace(shop.lifetimes, table=table), progress=said.append).ask(Wish(500, 7000, "street"))
    assert said


def test_frames_are_answered_as_a_folder_is(shop):
    frames, settings = frames_of(shop.records.shop.folder)
    builds, returns = frames.pop("builds"), frames.pop("returns")
    own = from_frames(builds, returns, settings, **frames)
    assert Adviser(own.records, own.lifetimes).ask(Wish(420, 7000, "street")).components


def test_the_answer_in_one_breath_and_what_would_settle_the_rest(asked):
    told = spoken(asked.ask(Wish(420, 7000, "street")))
    assert told[1].startswith("In short: shown to last: input shaft A")
    outside = spoken(asked.ask(Wish(420, 7000, "autocross")))
    assert "In short: no answer: input shaft and converter." in outside
    # .9 of 22 all lasting is under one in ten
    assert (
        "To settle what is open for input shaft and converter, part by part: 22 such trucks with it, each run 30,000 miles, and none fails."
        in outside
    )
    assert not [line for line in outside if line.startswith(("Parts for all", "No dearer part"))]


def test_money_that_does_not_pay_is_called_so(asked):
    advice = asked.ask(Wish(560, 7000, "street"))
    (up,) = component(advice).up
    cheap, dear = (replace(up, price=p, spared=5.0, low=2.0, high=9.0) for p in (100.0, 900.0))
    for one, word, opening in (
        (cheap, "less", "The next best money: the"),
        (dear, "more", "No dearer part pays for itself; next comes the"),
    ):
        own = replace(component(advice), up=(one,))
        told = spoken(replace(advice, components=(own,), whole=replace(advice.whole, best=one)))
        assert "\n".join(told).count(f"for each one spared, {word} than the $4,000 a comeback costs") == 1
        assert f"{opening} {one.component} {one.part}." in told


def test_what_the_records_support_over_a_limit_needs_no_trial(asked):
    """What is open is the owner's to decide: no truck run shows more."""
    advice = asked.ask(Wish(420, 7000, "autocross"))
    own = advice.components[0]
    held = replace(own, pick=None, cheaper=own.choices[0])
    told = whole_words(replace(advice, components=(held, *advice.components[1:])))
    (line,) = [line for line in told if line.startswith("To settle")]
    assert own.component not in line


def test_what_the_part_advised_buys_over_one_that_is_not_enough_is_told(asked):
    own = component(asked.ask(Wish(800, 7000, "street")))
    assert own.pick.part == "B"
    assert [(u.part, u.instead_of, u.price) for u in own.up] == [("B", "A", 400.0)]
    assert whole_build([own]).best is None


def test_what_money_alone_would_fit_is_told_where_it_is_another(asked):
    own = component(asked.ask(Wish(800, 7000, "street")))
    a, b = own.choices
    costs = [c.price + 4000 * c.chance.estimate for c in (a, b)]
    assert own.by_money is own.choices[int(np.argmin(costs))]
    other = next(c for c in own.choices if c is not own.pick)
    advice = asked.ask(Wish(800, 7000, "street"))
    told = "\n".join(spoken(replace(advice, components=(replace(own, by_money=other),))))
    assert f"By money alone, promise aside: {other.part} ${other.price:.0f} and $" in told
    assert "By money alone" not in "\n".join(spoken(replace(advice, components=(replace(own, by_money=own.pick),))))


def test_the_supported_side_decides_and_not_the_estimate():
    promise = Promise(30_000, 0.9, 0.9)
    assert _verdict(Chance(0.03, 0.01, 0.12, 5), promise) is Advised.NOT_SUPPORTED
    assert _verdict(Chance(0.03, 0.01, 0.09, 5), promise) is Advised.SUPPORTED
    assert _verdict(Advised.BEYOND, promise) is Advised.BEYOND


def test_of_two_uses_one_without_an_answer_governs(asked):
    both = component(asked.ask(Wish(500, 7000, "street and towing")))
    truck = replace(asked.ask(Wish(500, 7000, "street")).truck, uses=("street", "autocross"))
    governs, found, _ = asked._governing("input shaft", "A", truck, asked.options.promise)
    assert (governs, found) == ("autocross", Advised.NO_SUCH_USE)
    assert both.choices[0].chance is not None


def test_a_part_that_another_has_taken_the_place_of_is_not_advised(tmp_path):
    more = '[[supersessions]]\ncomponent = "input shaft"\nold = "A"\nnew = "B"\neffective_on = "2023-01-01"\n'
    own = component(adviser(shop_of(tmp_path / "s", toml=TARGET + more)).ask(Wish(420, 7000, "street")))
    assert [c.part for c in own.choices] == ["B"]


def test_the_narrowest_limit_of_the_harsher_use_holds(tmp_path):
    shop = shop_of(tmp_path / "s", [("A", 600, "any")])
    limits = pd.concat(
        [shop.records.limits, shop.records.limits.assign(use="towing", power_limit_hp=450.0)], ignore_index=True
    )
    own = replace(shop.records, limits=limits)
    both = component(Adviser(own, shop.lifetimes).ask(Wish(500, 7000, "street and towing")))
    street = component(Adviser(own, shop.lifetimes).ask(Wish(500, 7000, "street")))
    assert both.choices[0].published.power_hp == 450
    assert street.choices[0].published.power_hp == 600


def test_a_truck_on_record_in_each_way_but_not_in_all_at_once_lies_outside(asked):
    strong_and_heavy = asked.ask(Wish(848, 8300, "towing"))
    assert [r.code for r in strong_and_heavy.outside] == [Advised.FEW_TOGETHER]


def test_what_a_power_may_be_is_held_against_the_limit(tmp_path):
    own = adviser(shop_of(tmp_path / "s", [("A", 430, "any")]))
    assert not component(own.ask(Wish("420", 7000, "street"))).choices[0].rules
    about = component(own.ask(Wish("about 420", 7000, "street"))).choices[0]
    assert [r.code for r in about.rules] == [Advised.OVER_PUBLISHED]


def test_a_use_with_a_target_of_its_own_is_answered_in_what_that_is_counted_in(tmp_path):
    shop = shop_of(tmp_path / "s", toml=TARGET + "[targets.towing]\nmonths = 24\n")
    own = adviser(shop)
    tow = own.ask(Wish(420, 7000, "tow"))
    assert tow.truck.life_said == (24.0, "months")
    assert component(tow).choices[0].chance is not None
    assert component(tow).choices[0].seen.units < component(own.ask(Wish(420, 7000, "street"))).choices[0].seen.units
    longer = component(own.ask(Wish(420, 7000, "tow", months=36))).choices[0].chance
    assert longer.high > component(tow).choices[0].chance.high
    assert "to last 24 months." in spoken(tow)[0]
    with pytest.raises(AnalyticsError, match="This shop counts towing in months"):
        own.ask(Wish(420, 7000, "tow", life=30_000))
    both = own.ask(Wish(420, 7000, "street and tow"))
    assert both.truck.life_miles == 30_000
    assert {c.governs for c in component(both).choices} <= {"street", "towing"}


def test_the_next_best_money_is_of_what_the_records_can_tell(asked):
    own = component(asked.ask(Wish(560, 7000, "street")))
    (up,) = own.up
    told = replace(own, up=(replace(up, spared=5.0, low=1.0, price=400.0),))
    dearer = replace(own, component="other", up=(replace(up, spared=5.0, low=1.0, price=900.0),))
    open_ = replace(own, component="third", up=(replace(up, spared=9.0, low=-1.0, price=100.0),))
    assert whole_build([dearer, told, open_]).best is told.up[0]
    assert whole_build([open_]).best is None


def test_parts_that_always_go_together_are_told_when_they_are_parted(tmp_path):
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=400 + k, weight=7000) for k in range(40)]
    builds = [b | ({"input_shaft": "B", "converter": "D"} if k >= 28 else {}) for k, b in enumerate(builds)]
    shop = read(write_shop(tmp_path / "s", TOML, builds=builds))
    advice = Adviser(shop.records, shop.lifetimes).ask(Wish(420, 7000, "street"))
    picked = [replace(c, instead=c.choices[i], pick=None, cheaper=None) for i, c in enumerate(advice.components)]
    found = always_together(shop.lifetimes, picked)
    assert [(r.values["part"], r.values["usual"], r.values["chosen"], r.values["so"]) for r in found] == [
        ("A", "C", "D", 28),
        ("D", "B", "A", 12),
    ]
    told = more_words(replace(advice, together=found))
    assert "28 of 28 built with A have converter C beside it, not D: ask why before they are parted." in told
    same = [replace(c, instead=c.choices[0], pick=None, cheaper=None) for c in advice.components]
    assert not always_together(shop.lifetimes, same)


def _bears_all(part) -> bool:
    return True


@pytest.mark.parametrize(
    ("estimate", "comeback", "stands"),
    [
        (0.05, 4000, "cheap"),  # 500 + 200 against 900 + 40
        (0.05, 20_000, "dear"),  # 500 + 1000 against 900 + 200
        (0.11, 4000, "dear"),  # by money the cheap one still, but its best estimate breaks the promise of 90 in 100
        (0.05, float("nan"), "dear"),  # no cost stated: the record alone
    ],
)
def test_what_stands_where_nothing_is_shown_to_last(asked, estimate, comeback, stands):
    own = asked.ask(Wish(560, 7000, "street"))
    like = component(own).choices[0]
    cheap, dear = (
        replace(like, part=part, price=price, records=Advised.NOT_SUPPORTED, rules=(), chance=Chance(e, 0.0, high, 3))
        for part, price, e, high in (("cheap", 500, estimate, 0.3), ("dear", 900, 0.01, 0.12))
    )
    money = by_money((cheap, dear), comeback)
    assert _in_its_place((cheap, dear), None, money, own.promise, _bears_all).part == stands
    # where the dear one is shown to last, it is what stands otherwise
    shown = replace(dear, records=Advised.SUPPORTED, chance=Chance(0.01, 0.0, 0.08, 3))
    beside = _in_its_place((cheap, shown), shown, by_money((cheap, shown), comeback), own.promise, _bears_all)
    assert (beside.part if beside else "dear") == stands
    # nor is one the driveline's formulas speak against likely to last
    assert (
        _in_its_place((cheap, shown), shown, by_money((cheap, shown), comeback), own.promise, lambda part: False)
        is None
    )


@pytest.mark.parametrize(
    ("use", "trailer_lb", "psi", "bears"),
    [("tow", 14_000.0, 108.0, False), ("tow", 2000.0, 170.0, True), ("street", 0.0, 170.0, True), ("street", 0.0, 20.0, False)],
)  # fmt: skip
def test_a_part_that_a_rule_or_its_margin_speaks_against_is_not_likely(towers, use, trailer_lb, psi, bears):
    own = (("converter_pressure", psi), *([("trailer_weight", trailer_lb)] if trailer_lb else []))
    advice = towers.ask(Wish(420, 8000, use, own=own))
    part = component(advice, "converter").choices[0]
    assert towers._bears(part, advice.truck) is bears
    assert (part.margin.body[1] < 1) is (psi < 50)  # what the last slips by; the first by its grade alone


def test_over_a_part_shown_to_last_no_dearer_one_that_is_not_and_none_against_a_rule(asked):
    own = asked.ask(Wish(560, 7000, "street"))
    like = component(own).choices[0]
    shown = replace(like, price=500, records=Advised.SUPPORTED, rules=(), chance=Chance(0.08, 0.0, 0.1, 3))
    dear = replace(shown, part="dear", price=600, records=Advised.NOT_SUPPORTED, chance=Chance(0.01, 0.0, 0.12, 3))
    assert by_money((shown, dear), 4000) is dear
    assert _in_its_place((shown, dear), shown, dear, own.promise, _bears_all) is None
    barred = replace(shown, rules=(reason(Advised.OVER_PUBLISHED, published_hp=500.0),))
    assert _in_its_place((barred, dear), barred, dear, own.promise, _bears_all) is None


def test_that_none_has_failed_is_not_set_against_what_is_shown_to_last(asked):
    """A part that ran too little to be shown, without a failure and within its published limit, is fitted only where nothing is shown."""
    advice = asked.ask(Wish(560, 7000, "street"))
    like = component(advice).choices[0]
    quiet = replace(
        like,
        part="quiet",
        price=500,
        records=Advised.NOTHING_SHOWN,
        rules=(),
        chance=None,
        published=Published(600, "", "2020-01-01"),
    )
    quiet = replace(quiet, seen=replace(like.seen, failures=0))
    dear = replace(like, part="dear", price=900, records=Advised.SUPPORTED, rules=(), chance=Chance(0.01, 0.0, 0.08, 3))
    assert _in_its_place((quiet, dear), dear, dear, advice.promise, _bears_all) is None
    assert _in_its_place((quiet, dear), None, None, advice.promise, _bears_all) is quiet


def test_a_part_advised_for_its_money_says_that_it_is_likely_and_which_is_shown(asked):
    advice = asked.ask(Wish(560, 7000, "street"))
    like = component(advice).choices[0]
    cheap, dear = (
        replace(like, part=part, price=price, records=records, rules=(), chance=Chance(e, 0.0, high, 3))
        for part, price, records, e, high in (
            ("cheap", 500, Advised.NOT_SUPPORTED, 0.05, 0.3),
            ("dear", 900, Advised.SUPPORTED, 0.01, 0.08),
        )
    )
    own = replace(component(advice), choices=(cheap, dear), pick=dear, cheaper=None, by_money=cheap, instead=cheap)
    assert own.fitted is own.advised is cheap
    advice = replace(advice, components=(own,))
    told = "\n".join(spoken(advice))
    assert "and cheaper: input shaft cheap (dear is shown)" in told
    assert "comes to $700 for cheap, $940 for dear: fit dear ($900) where 90 of 100 is promised" in told
    assert "shown to last:" not in told
    assert page_rows(advice)["fit"].tolist() == ["cheap: likely to last; dear is shown"]
    assert advice_table(advice)["advised"].tolist() == [True, False]
    assert lines_of(advice, "T-1")[["part", "lasts", "at_least"]].values.tolist() == [["cheap", 0.95, 0.7]]


def test_nothing_stands_where_a_rule_forbids_all(asked):
    own = asked.ask(Wish(560, 7000, "street"))
    barred = replace(component(own).choices[0], rules=(reason(Advised.OVER_PUBLISHED, published_hp=500.0),))
    assert _in_its_place((barred,), None, by_money((barred,), 4000), own.promise, _bears_all) is None


def test_a_clutch_that_holds_less_than_all_at_its_best_is_refused_and_one_that_may_is_told(asked):
    of = {
        "of": Advised.CLUTCH_SLIPS,
        "torque_lbft": (1.0, 1.0, 1.0),
        "low": 0.7,
        "middle": 0.8,
        "limited": "no",
        "use": "",
    }
    truck = asked.ask(Wish(420, 7000, "street")).truck
    weak, thin = (Margin(**of, high=high, body=(0.7, 1.2, high)) for high in (0.9, 1.3))
    assert [r.code for r in broken_rules(asked.loads, "converter", weak, truck)] == [Advised.CLUTCH_SLIPS]
    assert not broken_rules(asked.loads, "converter", thin, truck)
    assert thin.doubtful


@pytest.mark.parametrize("weak", ["street", "towing"])
def test_of_two_uses_the_weaker_margin_is_shown(shop, monkeypatch, weak):
    def margin(loads, name, part, truck, use):
        low = 0.8 if use == weak else 2.5
        torque = (300.0, 400.0, 500.0)
        return Margin(Advised.SHAFT_YIELDS, torque, low, low + 0.5, low + 1.0, (1.5, 2.0, 3.0), "no", use)

    monkeypatch.setattr("analytics.advice.adviser.margin_of", margin)
    shown = component(adviser(shop).ask(Wish(500, 7500, "daily, and tows on Sundays"))).choices[0].margin
    assert (shown.use, shown.low) == (weak, 0.8)


def test_a_valve_body_is_answered_in_miles_and_not_by_power(tmp_path):
    """A part that wears by miles: the same answer at any power on record, and how long it is shown to last where that is less than asked for."""
    shop = adviser(read(valves(tmp_path / "s")))
    weak, strong = (component(shop.ask(Wish(hp, 6100, "street")), "valve body").choices[0] for hp in (420, 1200))
    assert weak.any_power
    assert weak.records is Advised.NOTHING_SHOWN
    assert 30_000 < weak.shown_miles < 60_000
    assert strong.shown_miles == weak.shown_miles
    shown = basis_of(shop)
    assert shown(weak.shown_miles * 0.999) >= 0 > shown(weak.shown_miles * 1.001)
    told = " ".join(spoken(shop.ask(Wish(420, 6100, "street"))))
    assert f"so long, only to {weak.shown_miles // 1000:.0f},000 miles" in told
    assert "whatever their power" in told
    assert told.count("the ratings count weaker and lighter ones too") == 1
    shorter = component(shop.ask(Wish(420, 6100, "street", life=0.99 * weak.shown_miles)), "valve body").choices[0]
    longer = component(shop.ask(Wish(420, 6100, "street", life=1.01 * weak.shown_miles)), "valve body").choices[0]
    assert (shorter.records, longer.records) == (Advised.SUPPORTED, Advised.NOTHING_SHOWN)


def valves(folder):
    """60 trucks with a valve body that none has lost, looked at after 45,000 miles."""
    builds = [
        build(f"V-{k:03d}XY", "2020-01-01", power=400 + 5 * k, weight=6200 + 10 * k, use="street", valve_body="VB")
        for k in range(60)
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 45_000} for b in builds]
    toml = TOML.replace('"converter" = "converter"', '"valve body" = "valve_body"') + COSTS
    return write_shop(folder, toml + TARGET.replace("30000", "60000"), builds=builds, readings=readings)


def basis_of(shop):
    """How much more than enough of a life its valve bodies show, by the least of the shapes."""
    basis = shop.basis("valve body", "VB", 60_000.0)
    share = basis.settings.usual_share
    return lambda life: share * basis.exposed(life, 0.9).sum(1).min() - needed(0, 0.9)


def test_a_price_that_is_not_on_file_is_in_no_sum(asked):
    advice = asked.ask(Wish(420, 7000, "street"))
    converter = next(c for c in advice.fitted if c.component == "converter")
    assert math.isnan(converter.price)
    assert any(line.startswith("Parts for all of it but converter: ") for line in spoken(advice))


def test_damage_that_only_a_teardown_showed_is_said_to_count_as_sound_where_nobody_opened(shop):
    table = shop.lifetimes.table
    found = table[(table["part"] == "A") & (table["ended"] == "failed")].iloc[:3].assign(lower_days=0.0)
    looked = Adviser(shop.records, replace(shop.lifetimes, opened=found))
    told, plain = ("\n".join(spoken(a.ask(Wish(420, 7000, "street")))) for a in (looked, adviser(shop)))
    assert "3 had damage that only a teardown showed, and trucks never opened count as sound here" in told
    assert "teardown" not in plain
