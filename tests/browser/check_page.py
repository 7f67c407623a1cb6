"""The pages in a real browser: nothing is asked of the network, nothing runs, everything can be read. Run by `make browser`.

Needs the package playwright and a Chromium or Chrome on the machine (CHROMIUM names it where it is not found).
"""

from __future__ import annotations

import math
import os
import re
import shutil
from pathlib import Path
from random import Random

import axe_playwright_python
import pandas as pd
import pytest
from playwright.sync_api import Error, sync_playwright

from analytics.__main__ import main
from analytics.report.page import filled_page
from analytics.report.tables import html_table
from tests.browser.nasty_shop import SCRIPT, nasty_shop
from tests.invented import invented_shop, priced
from tests.pages import words
from tests.report.test_pages import contradictions
from tests.same_outputs.runs import RUNS
from tests.same_outputs.shops import MAKERS

ROOT = Path(__file__).parents[2]
PAGES = ["sheet.html", "review.html", "ratings.html", "customer_sheet.html"]
#: those with tables to put in order
SORTED = ["review.html", "ratings.html"]
#: what a page lets a keyboard or a thumb miss: places that scroll and cannot be reached, names that stand twice, targets too small
MISSED = """() => {
  const shown = e => e.offsetParent !== null;
  const scrolls = [...document.querySelectorAll('div')].filter(e => shown(e) && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX === 'auto');
  const folds = [...document.querySelectorAll('summary')].map(e => e.textContent);
  const small = [...document.querySelectorAll('summary, nav li, .sheet li a')].filter(e => shown(e) && e.getBoundingClientRect().height < 23.5);
  return [...scrolls.filter(e => e.tabIndex < 0 || !(e.getAttribute('aria-label'))).map(e => 'scrolls: ' + e.className),
          ...folds.filter((t, i) => folds.indexOf(t) !== i).map(t => 'twice: ' + t),
          ...small.map(e => 'small: ' + e.textContent),
          ...[...document.images].filter(e => !e.alt).map(e => 'no words: ' + e.src.slice(0, 40))];
}"""


#: every page of a shop, by the command that makes it and what it is told besides
MADE = {
    "review": (),
    "ratings": (),
    "load": (),
    "cutoff": RUNS["tiny"]["cutoff"],
    "advise": ("--power", "400", "--weight", "7000", "--use", "street", "--page", "advice.html"),
}
EVERY = ["sheet.html", "review.html", "ratings.html", "customer_sheet.html", "load.html", "argument.html", "brief.html", "advice.html"]  # fmt: skip
#: the outside checker's script (axe-core, as its package ships it)
CHECKER = Path(axe_playwright_python.__file__).parent / "axe.min.js"


@pytest.fixture(scope="module")
def browser():
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    program = os.environ.get("CHROMIUM") or next((p for p in map(shutil.which, names) if p), None)
    with sync_playwright() as play:
        try:
            running = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        except Error as err:
            # where CI runs, a page that nobody looked at is no pass
            unseen = pytest.fail if os.environ.get("CI") else pytest.skip
            unseen(f"the pages are not looked at: no Chromium or Chrome starts here. Install one, or name it with CHROMIUM=/path/to/it ({err})")  # fmt: skip
        yield running
        running.close()


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    folder = nasty_shop(tmp_path_factory.mktemp("nasty") / "shop")
    for command in ("review", "ratings"):
        assert main([command, str(folder), "--out", str(out)]) == 0
    return out


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Every page of a small shop without ill will."""
    folder, out = tmp_path_factory.mktemp("tiny") / "shop", tmp_path_factory.mktemp("pages")
    MAKERS["tiny"](folder)
    for command, told in MADE.items():
        told = [str(out / word) if word.endswith(".html") else word for word in told]
        assert main([command, str(folder), *told, *([] if command == "advise" else ["--out", str(out)])]) == 0
    return out


def faults(browser, path: Path, width: int, opened: bool) -> list:
    """What the outside checker calls serious or moderate, each with the first places it stands in."""
    context = browser.new_context(bypass_csp=True, viewport={"width": width, "height": 800})
    page = context.new_page()
    page.goto(path.as_uri())
    if opened:
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate(CHECKER.read_text(encoding="utf-8"))
    found = page.evaluate(
        "async () => (await axe.run()).violations.map(v => [v.impact, v.id, ...v.nodes.slice(0, 3).map(n => n.html.slice(0, 200))])"
    )
    context.close()
    return [fault for fault in found if fault[0] != "minor"]


def test_the_checker_finds_what_is_wrong(browser, tmp_path):
    page = tmp_path / "x.html"
    page.write_text("<!doctype html><html><title>x</title><img src='data:,'><p>no words for who cannot see it")
    assert {"image-alt", "html-has-lang"} <= {fault[1] for fault in faults(browser, page, 390, opened=False)}


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("name", EVERY)
def test_an_outside_checker_finds_no_fault(browser, plain, name, opened, width):
    assert faults(browser, plain / name, width, opened) == []


def looked_at(browser, path: Path) -> dict:
    """Open a page, open every fold, and say what it asked for, did and shows."""
    asked, told = [], []
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.on("request", lambda r: asked.append(r.url))
    page.on("dialog", lambda d: (told.append(d.message), d.dismiss()))
    page.on("console", lambda m: told.append(m.text))
    page.on("pageerror", lambda e: told.append(str(e)))
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.wait_for_timeout(300)
    found = {
        "asked": [url for url in asked if not url.startswith("data:")],
        "told": told,
        "title": page.title(),
        "text": page.inner_text("body"),
        "pictures": page.evaluate("[...document.images].map(i => i.complete && i.naturalWidth > 0)"),
        "wider": page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"),
        "scripts": page.evaluate("document.scripts.length"),
    }
    page.close()
    return found


@pytest.mark.parametrize("name", PAGES)
def test_a_shop_of_ill_will(browser, written, name):
    found = looked_at(browser, written / name)
    assert found["asked"] == [(written / name).as_uri()]
    assert found["told"] == []
    assert found["scripts"] == (name in SORTED)
    assert found["title"] != "ran"
    assert SCRIPT in found["text"]
    assert all(found["pictures"])


@pytest.mark.parametrize("width", [1200, 800, 390])
@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_missed_by_keyboard_or_thumb(browser, written, name, opened, width):
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto((written / name).as_uri())
    if opened:
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    missed = page.evaluate(MISSED)
    sideways = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    page.close()
    assert missed == []
    assert sideways <= 0


@pytest.mark.parametrize("name", EVERY)
def test_on_a_phone_no_table_is_read_by_moving_it_sideways(browser, plain, name):
    """Each row is a block there, its cells named."""
    assert cut_off(browser, plain / name, 390) == []


def test_on_a_phone_every_cell_but_the_first_has_its_name(browser, tmp_path):
    frame = pd.DataFrame({"what": list("abcde"), "hp": range(5), "weight_lb": range(5)})
    (tmp_path / "x.html").write_text(filled_page("x", [html_table(frame, "x")]), encoding="utf-8")
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto((tmp_path / "x.html").as_uri())
    named = (
        "[...document.querySelectorAll('tbody tr:first-child td')].map(e => getComputedStyle(e, '::before').content)"
    )
    assert page.evaluate(named) == ["none", '"hp: "', '"weight, lb: "']
    page.get_by_role("button", name="hp").click()  # put in order there too
    page.get_by_role("button", name="hp").click()
    assert page.evaluate("document.querySelector('tbody td').textContent") == "e"
    page.set_viewport_size({"width": 1200, "height": 800})
    assert page.evaluate(named) == ["none"] * 3
    page.close()


@pytest.mark.parametrize(("width", "shown"), [(1200, False), (390, True)])
def test_a_dot_stands_between_verdict_and_figure_where_they_share_a_line(browser, plain, width, shown):
    """Where the figure stands on a line of its own, a dot on a third between them says nothing."""
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto((plain / "sheet.html").as_uri())
    dots = page.evaluate("[...document.querySelectorAll('.limits .dot')].map(e => e.offsetParent !== null)")
    page.close()
    assert dots
    assert all(dot is shown for dot in dots)


def cut_off(browser, path: Path, width: int = 1200) -> list[str]:
    """The tables of a page, all opened, that do not fit so many px."""
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide = "[...document.querySelectorAll('.table')].filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))"
    found = page.evaluate(wide)
    page.close()
    return found


def screens(browser, path: Path) -> float:
    """So many screens of 800 px a page takes before anything is opened, at 1,200 px."""
    page = browser.new_page(viewport={"width": 1200, "height": 800})
    page.goto(path.as_uri())
    height = page.evaluate("document.documentElement.scrollHeight")
    page.close()
    return height / 800


def printed(browser, path: Path) -> int:
    """So many sheets of A4 a page prints on."""
    page = browser.new_page()
    page.goto(path.as_uri())
    sheets = page.pdf(format="A4", prefer_css_page_size=True)
    page.close()
    return len(re.findall(rb"/Type\s*/Page\b", sheets))


@pytest.mark.parametrize("name", ["sheet.html", "customer_sheet.html"])
def test_a_sheet_prints_on_one_a4(browser, written, name):
    assert printed(browser, written / name) == 1


def test_the_sheet_is_printed_in_the_size_it_is_set_in(browser, written):
    page = browser.new_page(viewport={"width": 703, "height": 1054})  # A4 within its margins
    page.emulate_media(media="print")
    page.goto((written / "sheet.html").as_uri())
    wider = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert wider <= 703, "what is wider is printed smaller than can be read"


def test_the_demo_page_is_readable(browser, tmp_path):
    assert main(["review", str(ROOT / "data" / "demo"), "--out", str(tmp_path)]) == 0
    found = looked_at(browser, tmp_path / "review.html")
    assert found["asked"] == [(tmp_path / "review.html").as_uri()]
    assert found["told"] == []
    assert len(found["pictures"]) > 10
    assert all(found["pictures"])
    assert found["wider"] <= 0, "the page scrolls sideways"
    assert "What came back, and why?" in found["text"]
    assert screens(browser, tmp_path / "review.html") <= 10
    assert printed(browser, tmp_path / "sheet.html") == 1
    assert [cut_off(browser, tmp_path / "review.html", width) for width in (1200, 390)] == [[], []]
    for width in (1200, 390):
        for opened in (False, True):
            assert faults(browser, tmp_path / "review.html", width, opened) == []


#: the demo's pages behind the review: how each is made, its most screens of 800 px, and its most words (0: none are promised)
BEHIND = {
    "ratings": ((), "ratings.html", 8, 2000),
    "load": ((), "load.html", 6, 0),
    "cutoff": (("--component", "clutch pack", "--from", "CP-4", "--to", "CP-5"), "argument.html", 5, 0),
}


@pytest.mark.parametrize("command", BEHIND)
def test_the_demo_pages_behind_are_short_fit_and_agree_with_themselves(browser, tmp_path, command):
    told, name, high, most = BEHIND[command]
    assert main([command, str(ROOT / "data" / "demo"), *told, "--out", str(tmp_path)]) == 0
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert contradictions(text) == []
    assert not most or words(text) <= most
    assert screens(browser, tmp_path / name) <= high
    assert [cut_off(browser, tmp_path / name, width) for width in (1200, 390)] == [[], []]
    for width in (1200, 390):
        for opened in (False, True):
            assert faults(browser, tmp_path / name, width, opened) == []


@pytest.mark.parametrize("name", ["review.html", "ratings.html", "load.html", "argument.html"])
def test_on_paper_stand_the_contents_page_numbers_and_opened_tables_alone(browser, plain, name):
    page = browser.new_page(viewport={"width": 703, "height": 1054})
    page.emulate_media(media="print")
    page.goto((plain / name).as_uri())
    shown = "q => [...document.querySelectorAll(q)].filter(e => e.checkVisibility()).length"
    closed = page.evaluate(shown, ".table")
    assert page.evaluate(shown, "#contents ol") == 1
    assert page.evaluate(shown, "a.top[href='#contents']") == 0  # the way back is for the screen
    assert page.evaluate(shown, "details .table") == 0
    page.evaluate("[...document.querySelectorAll('details')].filter(d => d.querySelector('.table')).slice(0, 1).forEach(d => { for (let e = d; e; e = e.parentElement) e.open = true; })")  # fmt: skip
    assert page.evaluate(shown, ".table") > closed
    page.emulate_media(media="screen")
    assert page.evaluate(shown, "a.top[href='#contents']") == 1
    page.close()
    assert "content: counter(page)" in (plain / name).read_text(encoding="utf-8")


def test_a_shop_of_120_units_reads_its_pages_in_half_the_screens(browser, tmp_path):
    folder, out = priced(invented_shop(tmp_path / "shop", Random(7), trucks=120, back=25)), tmp_path / "out"
    for command, told in (MADE | {"cutoff": ("--component", "input shaft", "--from", "S-1", "--to", "S-2")}).items():
        if command != "advise":
            assert main([command, str(folder), *told, "--out", str(out)]) == 0
    most = {"review.html": 5, "ratings.html": 4, "load.html": 3, "argument.html": 2.5}
    found = {name: screens(browser, out / name) for name in most}
    assert {name: high for name, high in found.items() if high > most[name]} == {}


def test_a_table_is_put_in_order_by_a_press_on_its_heading(browser, tmp_path):
    frame = pd.DataFrame({"what": list("abcde"), "hp": [900.0, 1200.0, math.nan, 80.0, 7.5]})
    (tmp_path / "x.html").write_text(filled_page("x", [html_table(frame, "x")]), encoding="utf-8")
    page = browser.new_page()
    page.goto((tmp_path / "x.html").as_uri())
    order = "[...document.querySelectorAll('tbody tr')].map(r => r.cells[0].textContent).join('')"
    assert page.evaluate(order) == "abcde"
    page.get_by_role("button", name="hp").click()
    assert page.evaluate(order) == "edabc"  # what is not known comes last, both ways
    page.get_by_role("button", name="hp").click()
    assert page.evaluate(order) == "badec"
    assert page.get_attribute("th:nth-child(2)", "aria-sort") == "descending"
    page.close()
