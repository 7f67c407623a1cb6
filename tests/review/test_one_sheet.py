"""The quarter on one sheet: each truck once with every reason, danger before money, what was judged over gone, figures by hand."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.sheet import make_ratings
from analytics.reasons import AlarmIs, Call, CameSince, Do, Family, InNumbers, RandomCalls, Since, Verdict, Who, reason
from analytics.records.load import load_records
from analytics.records.shop import Units
from analytics.report.one_sheet import _cell, sheet_html, write_sheet
from analytics.review import one_sheet
from analytics.review.call_list import LOUD, Calls, call_list, targets
from analytics.review.fleet import units_in_use
from analytics.review.fleet_view import fleet_view
from analytics.review.one_sheet import Line, _ahead, in_service, limits_table, make_sheet, standing_alarms
from analytics.review.outlook import make_outlook
from analytics.review.quarterly import review_of
from analytics.review.snapshot import snapshot_of
from analytics.words.phrases import money
from analytics.words.review import one_sheet as words
from analytics.words.saying import say
from tests.small_door import two_parts
from tests.small_shop import rateable_shop


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    records = load_records(rateable_shop(tmp_path_factory.mktemp("calls") / "shop"))
    return snapshot_of(records, make_lifetimes(records))


def rated(**rows: list) -> pd.DataFrame:
    """A sheet of ratings of shaft A, any use."""
    return pd.DataFrame({"component": "input shaft", "part": "A", "use": "", "why": reason(Verdict.KEEP), **rows})


#: up to 7,000 lb lowered to 600 hp, up to 9,000 lb kept at 700
PROPOSED = rated(
    weight_up_to=[7000.0, 9000.0],
    published_hp=[800.0, 700.0],
    proposed_hp=[600.0, 650.0],
    supported_hp=[550.0, 650.0],
    verdict=["lower", "keep"],
)


def test_a_limit_to_move_counts_as_proposed_one_that_stays_as_published(shop):
    table = rated(
        weight_up_to=[7000.0, 8000.0, 9000.0, 9500.0],
        published_hp=[800.0, 450.0, 700.0, math.nan],
        supported_hp=[500.0, 700.0, 725.0, math.nan],
        proposed_hp=[600.0, 650.0, 640.0, math.nan],
        verdict=["lower", "raise", "keep", "not shown either way"],
    )
    found = targets(table, (7000.0, 8000.0, 9000.0), shop.as_of)
    assert found["power_limit_hp"].tolist() == [
        600.0,
        650.0,
        725.0,
    ]  # kept at 700, and 725 supported: no reason to call


def test_every_truck_stands_once_with_every_reason(shop):
    lives = shop.lifetimes.table
    shop.lifetimes.table.loc[
        lives["serial"].isin(["T-040XY", "T-005XY"]) & (lives["component"] == "input shaft"), "lot"
    ] = "L-1"
    calls = call_list(shop, PROPOSED, [("input shaft", "L-1")], ["T-007XY", "T-040XY"], 4000.0)
    table = calls.table.set_index("serial")
    assert table.index.is_unique
    codes = {serial: {r.code for r in why.values["reasons"]} for serial, why in table["why"].items()}
    # 850 hp on the lot, above 700, and worth asking: three reasons, one row
    assert codes["T-040XY"] == {Call.LOT, Call.ABOVE, Call.TELLS_MUCH}
    assert Call.LOT in codes["T-005XY"]
    assert Call.ABOVE not in codes["T-005XY"]  # 500 hp at 6,575 lb: under the 600 proposed there
    units = shop.lifetimes.units
    light = units[(units["weight_lb"] <= 7000) & (units["power_hp"] > 600)]
    heavy = units[(units["weight_lb"] > 7000) & (units["power_hp"] > 700)]
    back = {f"T-{k:03d}XY" for k in range(52, 60)}  # these lost the shaft: what went in has no name
    above = {serial for serial, own in codes.items() if Call.ABOVE in own}
    assert above == (set(light["serial"]) | set(heavy["serial"])) - back
    part = calls.by_part.iloc[0]
    assert (part["component"], part["part"], part["trucks"]) == ("input shaft", "A", len(above))


def test_the_dearest_comes_first_and_the_loss_is_the_failures_expected_at_what_one_costs(shop):
    calls = call_list(shop, PROPOSED, [], [], 4000.0)
    loss = calls.table["loss"].dropna()
    assert (np.diff(loss) <= 1e-9).all()
    # one part of each truck has a fit: the chance is that part's, and the loss that many comebacks
    assert np.allclose(loss, 4000.0 * calls.table.loc[loss.index, "in_a_year"])
    assert calls.loud == int((calls.table["in_a_year"] >= LOUD).sum()) > 0
    unpriced = call_list(shop, PROPOSED, [], [], math.nan).table
    assert unpriced["loss"].isna().all()
    assert unpriced["serial"].tolist() == calls.table["serial"].tolist()


def test_a_likely_truck_is_on_the_list_without_another_reason(shop):
    high = PROPOSED.assign(published_hp=9000.0, verdict="keep")
    table = call_list(shop, high, [], [], math.nan).table
    assert len(table) > 0
    assert (table["in_a_year"] >= LOUD).all()
    assert {r.code for why in table["why"] for r in why.values["reasons"]} == {Call.LIKELY}


def alarm(family: Family, group: str, came: int = 4) -> dict:
    return {"family": family, "component": "converter", "group": group, "units": 20, "expected": 0.4, "came": came}


@pytest.mark.parametrize(
    ("verdict", "stands"),
    [
        (CameSince.BORNE_OUT, True), (CameSince.RAISED_NOW, True), (CameSince.TOO_EARLY, True),
        (CameSince.NOT_BORNE_OUT, False), (CameSince.RUN_ITS_COURSE, False), (CameSince.NO_LONGER_LOOKED_AT, False),
    ],
)  # fmt: skip
def test_an_alarm_judged_over_leaves_the_sheet(verdict, stands):
    raised = pd.DataFrame([alarm(Family.MONTH_INSTALL, "2022-09"), alarm(Family.LOT_LIFE, "L-9")])
    kept = pd.DataFrame(
        [
            {
                "family": Family.MONTH_INSTALL,
                "component": "converter",
                "group": "2022-09",
                "verdict": verdict,
                "state": AlarmIs.RUNNING,
            }
        ]
    )
    outlook = SimpleNamespace(watched=[SimpleNamespace(alarms=raised)], alarms_kept=kept)
    assert standing_alarms(outlook)["group"].tolist() == (["2022-09"] if stands else []) + ["L-9"]
    for state in (AlarmIs.CLOSED, AlarmIs.QUIET):  # by a person, or by four quiet quarters
        outlook = SimpleNamespace(watched=outlook.watched, alarms_kept=kept.assign(state=state))
        assert standing_alarms(outlook)["group"].tolist() == ["L-9"]


def test_no_power_is_named_now_or_then_where_none_is_shown_to_matter():
    rows = [("lower", 700.0, 600.0, "keep"), (words.NOT_SHOWN, 475.0, 475.0, words.NOT_SHOWN)]
    names = ["verdict", "supported_hp", "before_supported_hp", "before_verdict"]
    table = pd.DataFrame(rows, columns=names).assign(proposed_hp=500.0)
    shown = words.offered(table, pd.Series([reason(Verdict.LOWER), reason(Verdict.ANY_POWER)]))
    assert shown[names].iloc[0].tolist() == list(rows[0])
    assert shown["verdict"].iloc[1] == words.NO_POWER
    assert shown[["supported_hp", "before_supported_hp", "before_verdict", "proposed_hp"]].iloc[1].isna().all()


def test_danger_comes_before_money_and_there_are_seven_lines_at_most():
    cheap, dear = (Line(Who.OWNER, reason(Do.NOTHING), "call", loss=v) for v in (10.0, 900.0))
    free, lot = Line(Who.PARTS, reason(Do.NOTHING), "ahead"), Line(Who.PARTS, reason(Do.NOTHING), "worse", danger=True)
    assert one_sheet._ordered(iter([free, cheap, dear, lot])) == (lot, dear, cheap, free)
    assert len(one_sheet._ordered(iter([cheap] * 9))) == 7


def test_limits_to_lower_stand_dearest_first_and_past_three_in_one_line():
    parts = ["A", "B", "C", "D"]
    limits = pd.DataFrame({"component": "shaft", "part": parts, "use": "", "weight_up_to": 7500.0, "published_hp": 900.0,
                           "proposed_hp": 700.0, "verdict": "lower"})  # fmt: skip
    by_part = pd.DataFrame(
        {"component": "shaft", "part": parts, "trucks": [1, 2, 3, 4], "expected": [0.1, 0.4, 0.2, 0.3]}
    )
    lines = [*one_sheet._to_lower(limits, Calls(pd.DataFrame(), np.zeros(0, int), by_part), 1000.0)]
    assert [line.what.values.get("part") for line in lines] == ["B", "D", None]
    assert lines[0].loss == pytest.approx(400)
    assert lines[2].what.values == {"parts": [("shaft", "C", 3), ("shaft", "A", 1)]}
    # not their sum: a truck may run above two
    assert say(lines[2].what) == "Lower also C (3 trucks above) and A (1 truck above), as the table says."
    assert say(lines[0].what) == "Lower B (shaft): up to 7,500 lb from 900 to 700 hp. 2 trucks run above that."


def test_a_lighter_class_that_stays_is_not_told_to_go_down():
    """Lowered over 7,500 lb alone: "up to 9,800 lb" would have named trucks whose limit stays."""
    limits = pd.DataFrame({"component": "shaft", "part": "A", "use": "", "weight_up_to": [7500.0, 9000.0, 9800.0], "published_hp": 800.0,
                           "proposed_hp": 625.0, "verdict": ["keep", "lower", "lower"]})  # fmt: skip
    by_part = pd.DataFrame({"component": ["shaft"], "part": ["A"], "trucks": [3], "expected": [0.4]})
    [line] = one_sheet._to_lower(limits, Calls(pd.DataFrame(), np.zeros(0, int), by_part), 1000.0)
    assert say(line.what).startswith("Lower A (shaft): 7,500 to 9,800 lb from 800 to 625 hp.")


def test_without_a_price_of_a_comeback_no_loss_is_told(made):
    _, _, sheet = made
    assert "expected loss" in words.calls_table(sheet)
    assert "expected loss" not in words.calls_table(replace(sheet, comeback=math.nan))


def test_the_open_class_is_one_class_whatever_it_was_rated_at():
    def sheet(weight: float, supported: float, verdict: str) -> SimpleNamespace:
        table = rated(
            weight_up_to=[7500.0, weight],
            published_hp=900.0,
            supported_hp=[700.0, supported],
            proposed_hp=700.0,
            trial_hp=math.nan,
            verdict=verdict,
        )
        shop = SimpleNamespace(weight=SimpleNamespace(classes=(7500.0, 9000.0)))
        return SimpleNamespace(table=table, records=SimpleNamespace(shop=shop))

    both = limits_table(sheet(11_500.0, 500.0, "lower"), sheet(10_900.0, 550.0, "keep"))
    assert both["before_supported_hp"].tolist() == [700.0, 550.0]
    assert both["before_verdict"].tolist() == ["keep", "keep"]
    (turned,) = (r for r in one_sheet._limits_changed(both) if r.code is Since.VERDICT)
    assert turned.values["weights"] == [7500.0, 11_500.0]
    first = limits_table(sheet(11_500.0, 500.0, "lower"), None)
    assert (first["before_verdict"] == "").all()
    assert turned.values["published"]
    for published, was in ((900.0, "raise"), (math.nan, "publish")):  # what nobody published is not raised
        sheets = both.assign(published_hp=published, before_verdict="raise", verdict="not shown either way")
        (turned,) = (r for r in one_sheet._limits_changed(sheets) if r.code is Since.VERDICT)
        assert say(turned).endswith(f"now “not shown either way”, was “{was}”.")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The sheet of 80 trucks with two shafts."""
    folder = two_parts(tmp_path_factory.mktemp("sheet") / "shop")
    records = load_records(folder)
    lifetimes = make_lifetimes(records)
    review = review_of(records, lifetimes)
    outlook = make_outlook(review, records.shop)
    fleet = fleet_view(records, lifetimes, review.span, outlook.snapshot)
    ratings = make_ratings(records, lifetimes)
    before = outlook.before
    earlier = make_ratings(before.records, before.lifetimes, own_uses=False)
    return review, outlook, make_sheet(review, outlook, fleet, ratings, earlier)


def test_the_quarter_in_numbers_by_hand(made):
    review, outlook, sheet = made
    found = sheet.numbers.set_index(["what", "quarter"])["value"]
    assert sheet.spans == ("2024 Q1", "2023 Q4", "2023 Q1")
    # 14 shafts, months 1 to 5 (A) and 1 to 9 (B) of 2023: three and three in the first quarter, none since October
    assert [found[InNumbers.CAME_BACK, q] for q in sheet.spans] == [0, 0, 6]
    assert [found[InNumbers.IN_SERVICE, q] for q in sheet.spans] == [80, 80, 80]
    assert found[InNumbers.PER_HUNDRED, "2023 Q1"] == pytest.approx(7.5)
    assert in_service(review.lifetimes, review.records.as_of) == units_in_use(review.lifetimes)
    assert in_service(review.lifetimes, pd.Timestamp("2019-12-31")) == 0
    missing = sheet.numbers.set_index(["what", "quarter"])["missing"]
    assert missing[InNumbers.COST, "2023 Q1"] == 6
    ahead = outlook.forecasts.counts
    whole = ahead[(ahead["span"] == "quarter") & (ahead["component"] == "")].iloc[0]
    assert found[InNumbers.EXPECTED, ""] == whole["expected"]
    table = words.numbers_table(sheet).set_index("")
    assert table.loc["Cost on record; ahead as stated in shop.toml", "2023 Q1"] == "none written down"


def test_the_cost_ahead_is_on_the_footing_of_the_quarters_before():
    """A shop that states 4,000 a comeback and has bills of 2,000: the row of costs on record goes on at what returns have cost; without bills, as stated."""
    money = pd.DataFrame(
        [["stated", "", 40_000.0], ["recorded", "", 20_000.0], ["recorded", "customer", 9_000.0]],
        columns=["basis", "payer", "expected"],
    ).assign(span="quarter", lower=0.0, upper=1.0)
    counts = pd.DataFrame({"span": ["quarter"], "component": [""], "expected": [10.0], "lower": [5], "upper": [15]})
    for own, told in ((money, (20_000.0, "recorded")), (money.head(1), (40_000.0, "stated"))):
        rows = _ahead(SimpleNamespace(forecasts=SimpleNamespace(counts=counts, money=own)))
        assert [(r[2], r[6]) for r in rows if r[0] is InNumbers.COST] == [told]


def test_the_sheet_is_whole_links_to_its_evidence_and_is_one_page(made, tmp_path):
    _, _, sheet = made
    page = write_sheet(sheet, tmp_path / "sheet.html", "review.html").read_text(encoding="utf-8")
    for title in (words.TO_DO, words.LIMITS, words.CALLS, words.NUMBERS, words.CHANGED, words.MEND):
        assert f"<h2>{title}</h2>" in page
    assert 'class="one"' in page
    links = re.findall(r'href="([^"]+)"', page)
    assert len(links) == len(sheet.to_do) <= 7
    assert {link.split("#")[0] for link in links} == {"review.html"}
    inside = sheet_html(sheet)
    assert "<a " not in inside  # in a notebook it would lead nowhere
    assert (
        set(re.findall(r'<span hidden data-section="(\w+)">', inside))
        == {link.split("#")[1] for link in links}
        <= set(words.EVIDENCE)
    )
    assert page.count("safety certificate") == 1
    assert sheet_html(sheet).count("safety certificate") == 0


def test_the_sheet_of_a_metric_shop_speaks_its_own_units(made):
    _, _, sheet = made
    shop = replace(sheet.ratings.records.shop, units=Units(power="kW", weight="kg", distance="km"))
    own = replace(sheet, ratings=replace(sheet.ratings, records=replace(sheet.ratings.records, shop=shop)))
    page, before = (re.sub(r"<[^>]+>", "", sheet_html(s)) for s in (own, sheet))
    assert "In kW at the crank" in page
    for unit, was in (("kW", "hp"), ("kg", "lb"), ("km", "miles")):
        assert len(re.findall(rf"\d {unit}\b", page)) == len(re.findall(rf"\d {was}\b", before)) > 0
        assert not re.findall(rf"\d {was}\b", page)
        assert not re.findall(rf"\d {unit}\b", before)


def test_the_sheet_tells_the_random_calls_apart_and_in_order(made):
    _, _, sheet = made
    told = words.random_note(sheet)
    assert told.index(sheet.random[0]) < told.index(sheet.random[1]) < told.index(sheet.random[2])
    assert "no others" in told
    assert f"({len(sheet.random)} in all" in told
    assert sheet.silent == 12
    assert RandomCalls.SILENT


@pytest.mark.parametrize(
    ("value", "sign", "said"),
    [(4000, "$", "$4,000"), (24_137, "$", "$24,100"), (640, "€", "€640"), (-50, "$", "-$50"), (1_234_567, "EUR", "EUR 1,230,000")],
)  # fmt: skip
def test_money_as_a_person_says_it(value, sign, said):
    assert money(value, sign) == said


def test_without_a_style_verdict_and_supported_figure_do_not_run_together():
    """In a notebook "lower 700 to 600" and "575 supported" read as 600575."""
    cell = _cell(words.Cell(verdict="lower 700 to 600", supported="575 supported"), "up to 7,500 lb")
    assert re.sub("<[^>]+>", "", cell) == "lower 700 to 600 · 575 supported"


@pytest.mark.parametrize(
    ("code", "why"), [(Verdict.HIDDEN_DAMAGE, "; hidden damage"), (Verdict.HELD_BY_MARGIN, "; may give"), (Verdict.KEEP, "")]
)  # fmt: skip
def test_why_a_limit_stays_where_more_is_supported_stands_beside_it(made, code, why):
    _, _, sheet = made
    limits = sheet.limits.assign(
        verdict="keep", published_hp=450.0, supported_hp=675.0, before_verdict="", why=reason(code)
    )
    [first, *_] = words.rows_of(sheet.ratings, limits)
    assert first.cells[0] == words.Cell("keep 450", f"675 supported{why}", "keep")
    note = words.limits_note(replace(sheet, limits=limits))
    assert ("so not raised" in note) == bool(why)


def test_how_far_a_part_may_be_tried_stands_beside_its_limit(made):
    _, _, sheet = made
    limits = sheet.limits.assign(
        verdict="keep", published_hp=450.0, supported_hp=475.0, before_verdict="", why=reason(Verdict.KEEP)
    )
    [first, *_] = words.rows_of(sheet.ratings, limits.assign(trial_hp=525.0))
    assert first.cells[0] == words.Cell("keep 450", "475 supported; may be tried to 525", "keep")
    assert "more likely good for that than not" in words.limits_note(
        replace(sheet, limits=limits.assign(trial_hp=525.0))
    )
    assert "tried" not in words.limits_note(replace(sheet, limits=limits))


def test_a_weight_class_of_which_nothing_is_said_has_no_column(made):
    _, _, sheet = made
    [whole, *_] = rows = words.rows_of(sheet.ratings, sheet.limits)
    heads = words.class_heads(sheet.ratings)
    bare = [replace(r, cells=(*r.cells[:-1], words.Cell())) for r in rows]
    shown, kept = words.filled_classes(sheet.ratings, bare)
    assert shown == ["part", *heads[:-1]]
    assert kept[0].cells == whole.cells[:-1]
    assert words.filled_classes(sheet.ratings, bare[:0]) == (["part"], [])
