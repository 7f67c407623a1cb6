"""The ratings as page, workbook, customers' sheet and what-if."""

from __future__ import annotations

import math
import re
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from analytics.api.explorer import explorer
from analytics.api.results import RatingResult
from analytics.errors import AnalyticsError
from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.at_once import AtOnce
from analytics.ratings.curve import reliability_curve
from analytics.ratings.customers import Line, Told, below_weaker, customer_lines, may_be_told
from analytics.ratings.follow_up import FollowUp, boldest_move, proofs_of
from analytics.ratings.model_checks import check_model
from analytics.ratings.sheet import make_ratings
from analytics.ratings.whatif import failing_by, reported
from analytics.records.load import load_records
from analytics.records.shop import Units
from analytics.report import evidence_figures, rating_figures
from analytics.report.rating_files import customer_sheet, write_rating_files
from analytics.report.show import figure_html
from analytics.report.tables import html_table
from analytics.words import evidence as evidence_words
from analytics.words.ratings import page as rating_words
from analytics.words.ratings.basis import details
from analytics.words.ratings.customers import cells, told_words
from analytics.words.units import power as say_power
from analytics.words.units import speaking_as
from analytics.words.units import weight as say_weight
from tests.pages import unwrapped
from tests.small_shop import TOML, build, rateable_shop, returned, write_shop

QUICK = "[ratings]\nreplicates = 0\nreporting_share = 1.0\n"


@pytest.fixture(scope="module")
def ratings(tmp_path_factory):
    """80 trucks, a shaft A that fails above its limit, a shaft B, a converter that never failed; all odometers read."""
    builds = [
        build(
            f"T-{k:03d}XY",
            "2020-01-01",
            power=420 + 8 * k,
            weight=6600 + 40 * (k % 60),
            input_shaft="A" if k < 60 else "B",
        )
        for k in range(80)
    ]
    back = [
        returned(builds[59 - k]["serial"], f"2022-{1 + k % 12:02d}-15", miles_in_service=30_000 + 1500 * k)
        for k in range(12)
    ]
    readings = [
        {"serial": b["serial"], "read_on": "2024-03-30", "odometer": 55_000 + 300 * i} for i, b in enumerate(builds)
    ]
    limits = [
        {
            "component": "input shaft",
            "part": "A",
            "weight_up_to": "",
            "power_limit": 900,
            "effective_on": "2020-01-01",
            "reason": "<b>hunch</b>",
        },
        {
            "component": "converter",
            "part": "C",
            "weight_up_to": 7500,
            "power_limit": 1500,
            "effective_on": "2020-01-01",
        },
    ]
    toml = (
        TOML
        + "[ratings]\nreplicates = 20\nreporting_share = 1.0\n[costs]\ncomeback = 4000\n[costs.parts]\nA = 400\nB = 700\n"
    )
    toml = toml.replace('"Small"', '"Small & <i>Sons</i>"')
    records = load_records(
        write_shop(tmp_path_factory.mktemp("shop"), toml, builds=builds, returns=back, readings=readings, limits=limits)
    )
    return make_ratings(records, make_lifetimes(records))


def test_files_are_whole_and_the_same_each_time(ratings, tmp_path):
    for place in ("a", "b"):
        paths = write_rating_files(ratings, tmp_path / place)
    assert [p.name for p in paths] == ["ratings.csv", "ratings.xlsx", "customer_sheet.html"]
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    table = pd.read_csv(tmp_path / "a" / "ratings.csv")
    assert len(table) == len(ratings.table)
    assert set(table["verdict"]) <= {"raise", "keep", "lower", "not shown either way"}
    book = CalamineWorkbook.from_path(str(tmp_path / "a" / "ratings.xlsx"))
    assert book.sheet_names == ["Start here", "Ratings", "What each rests on", "Published", "Settings and cautions"]


def test_customers_never_read_more_than_is_published_or_proven(ratings):
    page = unwrapped(customer_sheet(ratings))
    assert "<i>Sons" not in page
    assert "Small &amp; &lt;i&gt;Sons" in page
    for absent in ("<script", "http:", "https:", "T-0"):
        assert absent not in page
    rows = re.findall(r"<tr>(<td.*?)</tr>", page)
    assert len(rows) == len({(p.component, p.part) for p in ratings.parts})
    for row in rows:
        cells = re.findall(r"<td[^>]*>(.*?)</td>", row)
        own = ratings.table[
            (ratings.table["component"] == cells[0])
            & (ratings.table["part"] == cells[1])
            & (ratings.table["use"] == "")
        ]
        for edge, cell in zip((7500, 9000), cells[3:5], strict=True):
            told = own[own["weight_up_to"] == edge].iloc[0]
            if found := re.match(r"([\d,]+) hp(\*?)", cell):
                shown = float(found[1].replace(",", ""))
                assert shown <= told["published_hp"]
                assert found[2] == "*" or shown <= told["supported_hp"]
            else:
                assert cell == "ask us"
    assert "Cautions" in page


def test_customers_of_a_metric_shop_read_its_own_units(ratings):
    """No limit grows by being said in kW: 575 hp are 428.8 kW, told as 428."""
    own = metric(ratings)
    ours, theirs = (re.findall(r"<td[^>]*>(.*?)</td>", unwrapped(customer_sheet(found))) for found in (ratings, own))
    page = unwrapped(customer_sheet(own))
    assert 'data-head="truck up to 3,402 kg"' in page
    assert not re.search(r"\d (?:hp|lb|miles)\b", page)
    told = [
        (float(a[1].replace(",", "")), float(b[1].replace(",", "")))
        for a, b in (
            (re.match(r"([\d,]+) hp", a), re.match(r"([\d,]+) kW", b)) for a, b in zip(ours, theirs, strict=True)
        )
        if a
    ]
    assert told
    assert all(kw <= hp * 0.745699872 < kw + 1 for hp, kw in told)
    assert any("80,467 km" in cell for cell in theirs)
    assert "hp" in customer_sheet(ratings)  # what was said of one shop leaves the next alone


def test_a_limit_typed_in_kilowatts_is_said_as_typed(ratings):
    with speaking_as(metric(ratings).records.shop):
        for typed in (37, 300, 429, 480, 555, 1111):
            assert say_power(typed * 1000 / 745.69987158227022) == f"{typed:,} kW"
        assert say_weight(7500) == "3,402 kg"
    assert say_power(600) == "600 hp"


def metric(ratings):
    """The ratings as those of a shop whose sheets are in kW, kg and km."""
    units = Units(power="kW", weight="kg", distance="km")
    return replace(ratings, records=replace(ratings.records, shop=replace(ratings.records.shop, units=units)))


def test_a_stronger_part_below_a_weaker_one_says_why(ratings):
    def line(part: str, hp: float, failures: float, units: float) -> Line:
        return Line("input shaft", part, (), 50_000.0, "miles", (Told(hp), Told(None)), failures, units)

    def sheet(prices: dict, **estimates: float) -> SimpleNamespace:
        table = pd.DataFrame(
            {"component": "input shaft", "part": [*estimates], "use": "", "estimate_hp": [*estimates.values()]}
        )
        return SimpleNamespace(table=table, records=SimpleNamespace(shop=SimpleNamespace(costs={"parts": prices})))

    lines = (line("A", 600, 18, 434), line("B", 425, 7, 226))
    dear = {"A": 400, "B": 700}
    (found,) = below_weaker(sheet(dear, A=700.0, B=900.0), lines)
    assert (found.part, found.weaker, found.thinner) == ("B", "A", True)
    (found,) = below_weaker(sheet(dear, A=700.0, B=650.0), lines)
    assert not found.thinner
    assert below_weaker(sheet({"A": 900, "B": 700}, A=700.0, B=650.0), lines) == ()
    assert [f.part for f in below_weaker(sheet({}, A=700.0, B=900.0), lines)] == ["B"]
    assert below_weaker(sheet(dear, A=700.0, B=900.0), (line("A", 600, 18, 434), line("B", 625, 7, 226))) == ()
    page = unwrapped(customer_sheet(ratings))
    assert 'data-head="truck up to 7,500 lb"' in page


def test_a_lower_limit_for_one_use_stands_on_the_customers_sheet(tmp_path):
    folder = rateable_shop(tmp_path)
    limits = [
        {"component": "input shaft", "part": "A", "use": use, "power_limit": hp, "effective_on": "2020-01-01"}
        for use, hp in (("", 450), ("drag", 400), ("street", 900))
    ]
    pd.DataFrame(limits).to_csv(folder / "limits.csv", index=False)
    records = load_records(folder)
    page = unwrapped(customer_sheet(make_ratings(records, make_lifetimes(records))))
    told = [re.findall(r"<td[^>]*>(.*?)</td>", r) for r in re.findall(r"<tr>(<td.*?)</tr>", page)]
    # a higher one for street adds nothing
    assert [cells[:4] for cells in told[:2]] == [
        ["input shaft", "A", "street, 50,000 miles", "450 hp"],
        ["", "", "drag, 50,000 miles", "400 hp"],
    ]


@pytest.mark.parametrize(
    ("uses", "holds"), [(("", "towing"), "towing, 50,000"), ((), "any use, 50,000"), (("",), "ask us for which use, 50,000")]
)  # fmt: skip
def test_a_use_that_nobody_wrote_down_is_none_to_tell_a_customer(ratings, uses, holds):
    line = replace(customer_lines(ratings)[0], uses=uses)
    assert cells(line)[2].startswith(holds)


def test_what_is_set_by_judgement_shows_what_is_proven(ratings):
    own = ratings.table[(ratings.table["part"] == "A") & (ratings.table["use"] == "")].iloc[[0]]
    row = own.assign(verdict="not shown either way", published_hp=900.0, supported_hp=650.0, proposed_hp=650.0)
    assert told_words(may_be_told(row)) == "900 hp*, sure to 650 hp"
    assert told_words(may_be_told(row.assign(supported_hp=math.nan))) == "900 hp*"
    assert told_words(may_be_told(row, published=500.0)) == "500 hp"  # the records support as much


def test_sentences_hold_the_tables_numbers(ratings):
    told = " ".join(rating_words.verdicts(ratings))
    row = ratings.table.iloc[0]
    move = f", {row['proposed_hp']:,.0f} hp proposed" if row["verdict"] in ("lower", "raise") else ""
    assert f"{row['published_hp']:,.0f} published{move}, {row['supported_hp']:,.0f} hp supported up to 7,500 lb" in told
    assert "a person accepts a proposal" in told
    opening = " ".join(rating_words.opening(ratings))
    assert "assuming every failure was reported" in opening
    part = ratings.part("input shaft", "A")
    assert any(line.startswith("Up to 7,500 lb: ") for line in rating_words.part_words(ratings, part))
    assert {"check", "cost of a default", "left out or assumed"} >= set(rating_words.part_checks(part)["what"])
    assert len(details(ratings))


def test_moves_proofs_unknowns_and_sensitivity_are_put_in_words(ratings):
    move = rating_words.boldest_words(boldest_move(ratings))
    assert move[0].startswith("Input shaft A up to")
    assert any(" units a year would get A" in line for line in move)
    assert any("of failures reported" in line for line in rating_words.varied_words(FollowUp(ratings).varied))
    proven = rating_words.proof_words(proofs_of(ratings))
    assert len(set(proven)) == len(proven)  # what holds for every limit is said once
    proofs = " ".join(proven)
    assert "To prove converter C at its published 1,500 hp:" in proofs
    assert "22 trucks of the published power" in proofs  # n = ln(1 - C)/ln R: 22 for R 0.9, C 0.9
    table, words = rating_words.whom_to_ask(FollowUp(ratings).ask)
    assert words
    assert len(table) <= 15


def test_figures_of_ratings(ratings):
    part = ratings.part("input shaft", "A")
    curve = reliability_curve(part, part.bounds[0], ratings.options)
    both = curve.dropna()
    assert (both["bound_hp"] <= both["estimate_hp"] * 1.0001).all()
    assert curve["estimate_hp"].is_monotonic_decreasing
    at = curve.loc[curve["reliability"] == 0.9, "estimate_hp"].iat[0]
    assert at == pytest.approx(part.bounds[0].estimate_hp, rel=1e-6)
    never = ratings.part("converter", "C")
    nothing = reliability_curve(never, never.bounds[0], ratings.options)
    assert nothing.empty
    assert rating_figures.rating_figure(ratings, never, never.bounds[0], nothing) is None
    for drawn in (
        rating_figures.rating_figure(ratings, part, part.bounds[0], curve),
        rating_figures.sheet_figure(ratings),
    ):
        markup = figure_html(drawn[0], "Question?", drawn[1])
        assert "<b>hunch" not in markup
        assert "nan" not in drawn[1].replace("finance", "")
    assert rating_figures.history_figure(ratings, "input shaft", "B") is None


def test_limits_over_the_years_are_drawn_where_one_changed():
    limits = pd.DataFrame({"component": "input shaft", "part": ["A", "A", "B"], "weight_up_to_lb": math.nan, "weight_over_lb": math.nan, "use": "",
                           "power_limit_hp": [700.0, 650.0, 900.0], "reason": "", "effective_on": pd.to_datetime(["2020-01-01", "2022-01-01", "2020-01-01"])})  # fmt: skip
    shop = SimpleNamespace(records=SimpleNamespace(limits=limits, as_of=pd.Timestamp("2024-12-31")))
    drawn = rating_figures.history_figure(shop, "input shaft", "A")
    assert drawn is not None
    assert drawn[1].startswith("2 limits on file; the last, 650 hp")
    assert rating_figures.history_figure(shop, "input shaft", "B") is None  # a flat line
    two = limits.assign(weight_up_to_lb=[7500.0, 9000.0, math.nan])
    shop = SimpleNamespace(records=SimpleNamespace(limits=two, as_of=pd.Timestamp("2024-12-31")))
    assert rating_figures.history_figure(shop, "input shaft", "A") is None  # two flat lines


def test_failures_in_the_strongest_trucks_alone_can_be_drawn(tmp_path):
    """Beside such a failure no other life is as worn: the residuals have no point, and the axes once had no end."""
    builds = [
        build(f"T-{k:03d}XY", "2021-01-01", power=300 + 10 * k, weight=6500 + 15 * k, input_shaft="AB"[k % 2])
        for k in range(60)
    ]
    back = [
        returned(builds[58 - 2 * k]["serial"], f"2023-0{1 + k}-15", miles_in_service=30_000 + 1500 * k)
        for k in range(3)
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 45_000} for b in builds[:50]]
    toml = TOML + "[ratings]\nreplicates = 0\n"
    records = load_records(write_shop(tmp_path, toml, builds=builds, returns=back, readings=readings))
    found = make_ratings(records, make_lifetimes(records), only=[("input shaft", "A")])
    checks = check_model(found, found.part("input shaft", "A"))
    assert len(checks.residuals) == 0
    assert len(checks.curves)
    figure, told, _ = rating_figures.check_figure(checks)
    assert len(figure.axes) == 1
    assert "too few lives were as worn" in told
    assert "On the right" not in told


def test_what_if_answers_every_move_at_once(ratings):
    box = RatingResult(FollowUp(ratings), ratings.table, ()).explore()  # a notebook shows what its last line gives
    named = {w.description: w for w in box.children if getattr(w, "description", "")}
    picture, told = box.children[-2:]
    named["limit, hp"].value = 800
    before = bytes(picture.value)
    assert before.startswith(b"\x89PNG")
    begun = time.process_time()
    named["limit, hp"].value = 850
    assert time.process_time() - begun < 0.2
    assert bytes(picture.value) != before
    assert "At 850 hp, up to 7,500 lb, " in told.value
    assert "at the 900 published" in told.value
    assert "fewer a year would come back, $" in told.value
    assert told.value.count(". ") <= 1  # one sentence


def test_what_if_reads_the_fits_it_has(ratings):
    """Every answer is of the fits made as it opened; the share is that of the fit, and the builds between are counted by hand."""
    asked = AtOnce(ratings)
    part = ratings.part("input shaft", "A")
    first = asked.risk(part, 7500.0, "street", 50_000.0)
    kept = asked.fit(part)
    again = asked.risk(part, 7500.0, "street", 30_000.0)
    assert asked.fit(part) is kept
    assert (again.share <= first.share).all()
    assert again.share.sum() < first.share.sum()
    assert (np.diff(first.share) >= -1e-12).all()
    assert (first.lower <= first.share).all()
    assert (first.share <= first.upper).all()
    own = failing_by(kept, np.array([first.power_hp[20]]), np.array([7500.0]), ["street"], 50_000.0)[:, 0] * reported(
        kept
    )
    assert first.share[20] == pytest.approx(np.median(own))
    assert first.at(first.power_hp[20])[0] == pytest.approx(np.median(own))
    mix = asked.between(part, 900.0, 800.0, 7500.0)
    back = asked.more_back(part, mix, "street", 50_000.0)
    frame = mix.frame
    failing = failing_by(kept, frame["power_hp"], frame["weight_lb"], frame["use"], 50_000.0)
    by_hand = failing @ frame["count"].to_numpy(float)
    assert back[0] == pytest.approx(np.median(by_hand * reported(kept)) * mix.scale / mix.years, rel=1e-6)
    assert AtOnce(ratings).risk(ratings.part("converter", "C"), 7500.0, "street", 50_000.0) is None


def test_a_part_of_which_nothing_is_known_has_no_line_in_the_picture(ratings):
    table = ratings.table
    one = (table["component"] == table["component"].iat[0]) & (table["part"] == table["part"].iat[0])
    bare = table.assign(**{c: table[c].mask(one) for c in ("supported_hp", "estimate_hp", "published_hp")})
    figure, _ = rating_figures.sheet_figure(replace(ratings, table=bare))
    names = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert f"{table['component'].iat[0]} {table['part'].iat[0]}" not in names
    assert len(names) > 0


def test_a_shop_that_cannot_be_rated_gets_words(tmp_path):
    records = load_records(write_shop(tmp_path, builds=[build("T-111", power="")]))
    empty = make_ratings(records, make_lifetimes(records))
    assert rating_words.verdicts(empty)[0] == "No part could be rated; the reasons are below."
    assert rating_words.boldest_words(boldest_move(empty)) == (
        "No proposal differs from a published limit, so there is no move to weigh.",
    )
    assert rating_figures.sheet_figure(empty) is None
    assert "nothing to move" in explorer(empty).value
    write_rating_files(empty, tmp_path / "out")


def test_evidence_is_read_from_its_tables(tmp_path):
    with pytest.raises(AnalyticsError, match="make it with python -m studies coverage"):
        evidence_words.read_study(tmp_path)
    study = evidence_words.read_study("data/evidence")
    assert evidence_words.opening(study)[0].startswith(f"{study['fleets'].sum():,} fleets")
    short = study[(study["settings"] == "defaults") & (study["covered"] < evidence_words.GOAL)]
    told = " ".join(evidence_words.findings(study))
    assert all(name in told for name in short["cell"])
    assert len(evidence_words.coverage_table(study)) == len(study)
    figure, words = evidence_figures.coverage_figure(study)
    refused = study[(study["settings"] == "defaults") & (study["rated"] < study["fleets"] / 2)]
    assert len(refused)  # a bound of few of the fleets stands beside how many they are
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert {f"{r.cell} ({r.rated})" for r in refused.itertuples()} <= set(labels)
    assert "Lowest: " in figure_html(figure, "q", words)
    assert len(evidence_words.habits(study)) == 3
    assert all(name in evidence_words.caveat("data/evidence")[0] for name in short["cell"])
    assert "has not been measured" in evidence_words.caveat(tmp_path)[0]
    assert evidence_words.forecast(tmp_path) == ("The forecast interval has not been studied in this folder.",)
    owners = html_table(evidence_words.worth("data/evidence")[0])
    assert ">never<" in owners
    assert ".00<" not in owners  # looks, raises and trials are counted
    held = evidence_words.forecast_table("data/evidence")
    assert evidence_words.forecast_table(tmp_path).empty
    told = evidence_words.forecast("data/evidence")
    assert f"held what came in {held['covered'].min():.3f} (" in told[0]
    low = held.assign(level=0.9, covered=held["covered"].where(held.index > 0, 0.5))
    low.to_csv(tmp_path / "prediction.csv")
    assert evidence_words.forecast(tmp_path)[1].startswith("Short of what was promised: 0.500 (")


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    """Three shafts, A weaker than B weaker than C, 40 trucks each in the same powers; only A's and B's come back."""
    builds = [
        build(f"{p}-{k:03d}XY", "2020-01-01", power=500 + 10 * k, weight=7000, input_shaft=p)
        for p in "ABC"
        for k in range(40)
    ]
    back = [
        returned(f"{p}-{39 - k:03d}XY", f"2022-{1 + k:02d}-15", miles_in_service=25_000 + 2000 * k)
        for p, n in (("A", 9), ("B", 6))
        for k in range(n)
    ]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds]
    records = load_records(
        write_shop(
            tmp_path_factory.mktemp("three") / "shop", TOML + QUICK, builds=builds, returns=back, readings=readings
        )
    )
    return make_ratings(records, make_lifetimes(records))


def with_limits(ratings, **hp):
    """The ratings with (published, proposed) set for some shafts in every class, and nothing published elsewhere."""
    table = ratings.table.assign(published_hp=math.nan)
    for part, (published, proposed) in hp.items():
        verdict = "lower" if proposed < published else "raise" if proposed > published else "keep"
        own = ["published_hp", "proposed_hp", "supported_hp", "verdict"]
        table.loc[table["part"] == part, own] = published, proposed, proposed, verdict
    return replace(ratings, table=table)


def test_the_boldest_move_is_the_one_furthest_from_its_limit(three):
    """A has most failures; B's proposal lies further from its limit, so B it is."""
    told = rating_words.boldest_words(boldest_move(with_limits(three, A=(600, 575), B=(850, 600), C=(900, 900))))
    assert told[0].startswith("Input shaft B up to 7,500 lb, from 850 to 600 hp")


def test_a_lowered_limit_charges_the_part_that_can_take_those_trucks(three):
    """IS-B lowered: what its trucks get is C, whose limit reaches them, and not A, the weaker one that comes first."""
    told = " ".join(
        rating_words.boldest_words(boldest_move(with_limits(three, A=(600, 575), B=(850, 600), C=(900, 900))))
    )
    assert "of C)" in told or "What C would have brought back" in told
    assert " of A)" not in told
    assert "What A would" not in told
    none = " ".join(
        rating_words.boldest_words(boldest_move(with_limits(three, A=(600, 575), B=(850, 600), C=(800, 800))))
    )
    assert "name it to see the difference" in none  # nothing reaches them


def test_a_raised_limit_charges_the_part_those_trucks_have_been_built_with(three):
    told = " ".join(
        rating_words.boldest_words(boldest_move(with_limits(three, A=(500, 500), B=(600, 800), C=(900, 900))))
    )
    assert "of A)" in told  # as many with A as with C: the first


def test_the_head_says_how_many_figures_may_stand_too_high(ratings):
    row = ratings.table[ratings.table["use"] == ""].iloc[[0]]
    doubts = [0.05, 0.6, 0.95, math.nan]
    rows = [
        row.assign(
            part=f"P{i}",
            published_hp=700.0,
            supported_hp=math.nan if i == 3 else 650.0,
            why=[replace(row["why"].iat[0], values=row["why"].iat[0].values | {"too_high": doubt})],
        )
        for i, doubt in enumerate(doubts)
    ]
    said = rating_words.opening(replace(ratings, table=pd.concat(rows)))[-1]
    assert "Of the 3 limits published for the lightest class about 2 may stand above" in said
    assert "of the 3 figures supported about 0.3" in said
    assert "all of them hold is about 73%" in said
    # of one figure there is nothing to add up
    assert len(rating_words.opening(replace(ratings, table=rows[0]))) == 2


def test_no_power_is_proposed_where_a_limit_stays(three):
    """The records' own figure stood under "proposed" of limits that nobody is to move, as if they were to go down to it."""
    made = with_limits(three, A=(600, 575), B=(850, 600), C=(900, 900))
    made.table.loc[made.table["part"] == "B", "verdict"] = "not shown either way"
    shown = rating_words.short_table(made).groupby("part")["proposed_hp"].first()
    assert shown["A"] == 575
    assert shown[["B", "C"]].isna().all()


def test_the_what_if_draws_no_proposal_of_a_limit_that_stays(three):
    made = with_limits(three, A=(600, 575), B=(850, 600), C=(900, 900))
    made.table.loc[made.table["part"] == "B", "verdict"] = "not shown either way"
    drawn = {p: AtOnce(made).published(made.part("input shaft", p), 7500.0)[1] for p in "ABC"}
    assert drawn["A"] == 575
    assert math.isnan(drawn["B"])
    assert math.isnan(drawn["C"])


def test_how_far_customers_drive_is_said_as_a_person_says_it():
    row = {"use": "street", "units": 54.0, "odometer_known": 37, "median_a_year": 10957.4, "from_a_year": 10213.0, "to_a_year": 11788.0, "slow_a_year": 4871.0, "fast_a_year": 23456.0, "ratio": math.nan, "ratio_from": math.nan, "ratio_to": math.nan, "reason": None}  # fmt: skip
    power = SimpleNamespace(times=math.nan)
    told = rating_words.driving(pd.DataFrame([row]), power)[1]
    assert told == (
        "Street: half of the customers drive more than 11,000 miles a year (95% sure: 10,000 to 12,000), nine in ten between 4,900 and 23,000; known of 37 of 54 units.",
    )
    alike = pd.DataFrame([row | {"slow_a_year": 10957.0, "fast_a_year": 10958.0}])
    assert rating_words.driving(alike, power)[1] == (
        "Street: all customers drive about 11,000 miles a year; known of 37 of 54 units.",
    )
