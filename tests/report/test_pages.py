"""The pages of invented shops: short, and never at odds with themselves."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path
from random import Random

import pytest

import analytics
from analytics.ratings.follow_up import FollowUp
from analytics.report import cutoff_page, load_page, ratings_page, review_page
from analytics.report.rating_files import customer_sheet
from analytics.words.ratings.sheet import sheet_table
from analytics.words.review import one_sheet as words_of_sheet
from tests.invented import invented_shop, priced
from tests.pages import page_of, seen, words
from tests.same_outputs.shops import MAKERS
from tests.small_door import two_parts

#: the fits of shops so thin overflow on their way, and are then refused
pytestmark = pytest.mark.filterwarnings("ignore::RuntimeWarning")
SHOPS = int(os.environ.get("PAGE_SHOPS", "3"))
#: words that nobody in the trade uses, or that say what a plainer one does
NOT_SAID = re.compile(
    r"\b(reckon\w*|foretold|foresaw|borne out|AIC|S-N|log-likelihood|beyond chance \d+%)", re.IGNORECASE
)
#: a clause of so many words is a sentence of its own
_CLAUSE = 15
_THINGS = "unit truck component return failure part row cell lot month call limit comeback quarter alarm"
ONE_OF_MANY = re.compile(rf"(?<![\d.,–-])\b1 ({'|'.join(f'{t}s' for t in _THINGS.split())})\b")
MANY_OF_ONE = re.compile(rf"(?<![\d.,Q/-])\b(?!1 )(\d[\d,]*) ({'|'.join(_THINGS.split())})\b(?![-’']| li)")


@pytest.fixture(scope="module", params=range(SHOPS))
def shop(request, tmp_path_factory):
    """The review and the page of one invented shop."""
    folder = invented_shop(tmp_path_factory.mktemp("invented") / "shop", Random(request.param))
    made = analytics.review(analytics.read(folder))
    return made, page_of("quarterly_review", review_page.SECTIONS, made)


def contradictions(page: str) -> list[str]:
    """What a page says and takes back: each as the words it stands in."""
    text = seen(page, closed=False)
    found = [m[0] for m in ONE_OF_MANY.finditer(text)] + [m[0] for m in MANY_OF_ONE.finditer(text)]
    found += [m[0] for m in NOT_SAID.finditer(seen(page))]
    found += re.findall(r"\d\s%", seen(page))  # one form: 90%
    found += re.findall(r"\b(?:nan|NaN|NaT|inf)\b", text)
    found += [m.strip() for m in re.findall(r"\b100% had not come back[^.\n]*", text)]
    for whole, alone in re.findall(r"years ([\d.]+)% had come back[^\n]*?adds up to too many \(([\d.]+)%\)", text):
        found += [f"{alone}% called too many of {whole}%"] if float(alone) <= float(whole) else []
    for section in re.split(r"<h2|<details", page):
        told = seen(section, closed=False)
        pairs = [("more often as trucks get older", "neither closer together nor further apart"), ("more often than the year before", "No component came back more")]  # fmt: skip
        found += [f"{a} / {b}" for a, b in pairs if a in told and b in told]
    for a, b in re.findall(r"leave it in[^\n]*fails ([\d.]+)% of the time where a new one does ([\d.]+)%", text):
        found += [f"leave it in: {a}%, new {b}%"] if float(a) < float(b) else []
    told = re.sub(r"<nav.*?</nav>", "", page, flags=re.DOTALL)  # the contents name the headings again
    lines = [line.strip() for line in seen(told).splitlines() if len(line.split()) > 7 and line.strip()[-1] in ".?!"]
    return found + sorted({line for line in lines if lines.count(line) > 1}) + _again(lines)


def _again(lines: list[str]) -> list[str]:
    """Clauses of so many words or more that stand in two ``lines``, each as it begins."""
    seen_before, found = set(), []
    for line in dict.fromkeys(lines):
        own = line.split()
        runs = {" ".join(own[k : k + _CLAUSE]) for k in range(len(own) - _CLAUSE + 1)}
        found += sorted(runs & seen_before)[:1]
        seen_before |= runs
    return found


@pytest.mark.parametrize(
    ("said", "fault"),
    [
        ("<p>1 rows were left</p>", "1 rows"),
        ("<p>12 truck came back</p>", "12 truck"),
        ("<p>At 2 years, Lowest: S, where 100% had not come back by 5 years</p>", "100% had not come back by 5 years"),
        ("<p>By 5.0 years 6.2% had come back, most. Dotted: adds up to too many (6.2%).</p>", "6.2% called too many of 6.2%"),
        ("<h2>A</h2><p>more often as trucks get older; neither closer together nor further apart</p>", "more often as trucks get older / neither closer together nor further apart"),
        ("<p>as was foretold</p>", "foretold"),
        ("<p>99 % and 90% sure</p>", "9 %"),
        ("<p>1.00 times as much (nan to nan)</p>", "nan"),
        ("<p>The same sentence of eight words and one.</p>" * 2, "The same sentence of eight words and one."),
        ("<p>No: every A lives in a truck of 700 hp or less and every B in one of 800 or more.</p><p>By money: every A lives in a truck of 700 hp or less and every B in one of 800 or more.</p>", "A lives in a truck of 700 hp or less and every B in one"),
        ("<p>leave it in: a used one fails 4.6% of the time where a new one does 11%</p>", "leave it in: 4.6%, new 11%"),
    ],
)  # fmt: skip
def test_the_check_sees_a_contradiction(said, fault):
    assert fault in contradictions(said)


@pytest.mark.parametrize(
    "said", ["<p>1 of 48 lots, 3 trucks, 1.1 units, T-1 limits, up to 7,500 lb; 2024 Q1 component</p>"]
)
def test_the_check_leaves_sense_alone(said):
    assert contradictions(said) == []


def test_a_review_never_contradicts_itself(shop):
    _, page = shop
    assert contradictions(page) == []


def test_ratings_and_the_customers_sheet_never_contradict_themselves(shop):
    made, _ = shop
    ratings = made.sheet.ratings
    for page in (page_of("power_ratings", ratings_page.SECTIONS, FollowUp(ratings)), customer_sheet(ratings)):
        assert contradictions(page) == []


def test_one_name_is_one_figure(shop):
    """Supported, came back, in service and expected are the same wherever they are told."""
    made, page = shop
    text, sheet = seen(page, closed=False), made.sheet
    table = sheet_table(sheet.ratings).set_index(["component", "part", "use", "weight_up_to"])["supported_hp"]
    for row in sheet.limits.itertuples():
        own = table[row.component, row.part, row.use, row.weight_up_to]
        assert own == row.supported_hp or (math.isnan(own) and math.isnan(row.supported_hp))
    shown = {f"{v:,.0f}" for v in [*sheet.limits["supported_hp"], *sheet.limits["before_supported_hp"]] if v == v}
    assert set(re.findall(r"([\d,]+) (?:hp )?supported", text)) <= shown
    numbers = words_of_sheet.numbers_table(sheet).set_index("")
    if back := re.search(rf"(\d+) components? came back in {sheet.span.name}", text):
        assert numbers.loc["Components came back", sheet.span.name] == back[1]
    assert set(re.findall(r"with ([\d,]+) units? in service", text)) <= {
        numbers.loc["Trucks in service at its end", sheet.span.name]
    }
    if ahead := re.search(r"In the next three months expect ([\d.,]+) components? to come back", text):
        assert numbers["next quarter, expected"].iloc[3].split(" ")[0] == ahead[1]
    assert len(sheet.to_do) <= 7


def test_a_shop_of_120_units_reads_its_review_and_ratings_in_half_the_space(tmp_path):
    shop = analytics.read(invented_shop(tmp_path / "shop", Random(7), trucks=120, back=25))
    made = analytics.review(shop)
    assert words(page_of("quarterly_review", review_page.SECTIONS, made)) <= 1250
    ratings = analytics.rate(shop)
    page = page_of("power_ratings", ratings_page.SECTIONS, ratings.follow_up)
    assert words(page) <= 1000
    assert contradictions(page) == []


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tiny") / "shop"
    MAKERS["tiny"](folder)
    return analytics.read(folder)


def test_the_load_and_the_ratings_say_one_thing_of_a_part(tiny):
    """On power the load page gave a verdict of its own: lower to 375 hp where the sheet had 475, and 580 hp supported beside 575."""
    load = analytics.load(tiny)
    page = page_of("driveline_load", load_page.SECTIONS, load.load)
    assert contradictions(page) == []
    told = re.findall(r"on power, up to [\d,]+ lb: (.+)", seen(page))
    assert len(told) == 3
    assert not re.search("[Ll]ower|[Rr]aise|[Kk]eep|published", " ".join(told))


def test_what_the_load_page_calls_supported_is_the_figure_of_the_sheet(tmp_path):
    """Rated anew, without what its siblings lend a part and the other reading of unclear failures, 350 hp stood where the sheet had 450."""
    shop = analytics.read(two_parts(tmp_path / "shop"))
    sheet = analytics.rate(shop).table
    sheet = sheet[(sheet["use"] == "") & (sheet["component"] == "input shaft")].set_index(["part", "weight_up_to"])
    own = analytics.load(shop).load.ratings
    own = own[own["component"] == "input shaft"].set_index(["part", "weight_up_to"])
    assert set(own.index.get_level_values("part")) == {"A", "B"}
    assert own["bound_hp"].notna().any()
    assert own["bound_hp"].equals(sheet.loc[own.index, "supported_hp"].rename("bound_hp"))


def test_an_argument_that_cannot_be_had_says_so_once_and_draws_nothing(tiny):
    edge = analytics.cutoff(tiny, "input shaft", "SH-1", "SH-2", draws=20, refits=2)
    page = page_of("tier_cutoff", cutoff_page.SECTIONS, edge.argument)
    assert contradictions(page) == []
    assert "lasted, in weaker and in stronger trucks?" not in seen(
        page
    )  # the one curve that could be drawn never falls


def test_parts_that_share_no_power_are_said_to_once_on_the_argument(tmp_path):
    shop = analytics.read(priced(invented_shop(tmp_path / "shop", Random(7), trucks=120, back=25)))
    argument = analytics.cutoff(shop, "input shaft", "S-1", "S-2", draws=20, refits=2).argument
    page = page_of("tier_cutoff", cutoff_page.SECTIONS, argument)
    assert "By money no boundary can be named, nor can S-2 be called better or worse than S-1: every S-1 lives" in seen(
        page
    )
    assert "No figure: the parts cannot be compared." in seen(page)
    assert "No trial can be planned yet: 2 of S-1 failed" in seen(page)
    assert "drawings of who failed" not in page  # none were drawn
    assert (
        "<img" not in page.split("Do S-1 and S-2 live in the same trucks?")[0]
    )  # no truck of S-1 stands above the cut
    assert contradictions(page) == []


def test_no_word_of_the_list_is_written_where_sentences_are_made():
    folder = Path(analytics.__file__).parent / "words"
    listed = re.compile(r"foretold|foresaw|borne out|S-N exponent|[Ww]as reckoned|had reckoned|reckoning")
    assert not [p.name for p in folder.rglob("*.py") if listed.search(p.read_text(encoding="utf-8"))]
