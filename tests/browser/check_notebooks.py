"""Every notebook, whole, in JupyterLab in a real browser, on small shops: no error, no warning; the forms as a hand uses them. Run by `make browser`.

Needs what check_page.py needs.
"""

from __future__ import annotations

import os
import socket
import statistics
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from random import Random

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook

from analytics.words import door
from tests.browser.check_page import browser  # noqa: F401 - the fixture
from tests.invented import invented_shop
from tests.same_outputs.shops import MAKERS

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted(p.stem for p in (ROOT / "notebooks").glob("*.ipynb"))
#: fewer draws than an owner needs: what is looked at is that all of it runs and shows
QUICK = "\n[ratings]\nreplicates = 0\n"
TOLD = {
    "tier_cutoff": {"component": "input shaft", "below": "SH-1", "above": "SH-2", "draws": 20, "refits": 2},
    "evidence": {"folder": str(ROOT / "data" / "evidence")},
}
#: a notebook for each form, of a shop of 120 units
FORMS = {
    "what_if": "analytics.rate(analytics.read(fleet)).explore()",
    "truck": "analytics.read(fleet).advise_form()",
    "pick": "analytics.open_shop(fleet)",
}
#: without it JupyterLab asks which, and waits
KERNEL = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
#: how long after a key the picture was another, in milliseconds
TIMED = """() => {
  const picture = document.querySelector('.widget-image');
  document.addEventListener('keydown', () => { window.began = performance.now(); window.took = null; }, true);
  new MutationObserver(() => { window.took ??= performance.now() - window.began; }).observe(picture, {attributes: true, attributeFilter: ['src']});
}"""
#: the last text of the page is no longer this one
SAYS_ELSE = """before => { const told = document.querySelectorAll('.jupyter-widgets.widget-html'); return told[told.length - 1].innerText !== before; }"""
#: runs every cell of the notebook that is open, and gives back its cells
RUN = """async () => {
  const app = window.jupyterapp;
  const panel = app.shell.currentWidget;
  await panel.context.ready;
  await panel.sessionContext.ready;
  await app.commands.execute('notebook:run-all-cells');
  return panel.context.model.toJSON().cells;
}"""
OPENED = "name => { const app = window.jupyterapp; const w = app && app.shell.currentWidget; return !!(w && w.context && w.context.path === name); }"


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """The address of a JupyterLab on copies of the notebooks, each told of a small shop; nothing of the user's own is read."""
    place = tmp_path_factory.mktemp("lab")
    MAKERS["tiny"](place / "shop")
    with (place / "shop" / "shop.toml").open("a", encoding="utf-8") as settings:
        settings.write(QUICK)
    (place / "notebooks").mkdir()
    for name in NOTEBOOKS:
        notebook = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
        at = next(i for i, cell in enumerate(notebook.cells) if "parameters" in cell.metadata.get("tags", []))
        told = {"folder": str(place / "shop")} | TOLD.get(name, {})
        notebook.cells.insert(at + 1, new_code_cell("\n".join(f"{key} = {value!r}" for key, value in told.items())))
        nbformat.write(notebook, place / "notebooks" / f"{name}.ipynb")
    fleet = invented_shop(place / "fleet", Random(7), trucks=120, back=25)
    for name, form in FORMS.items():
        cell = new_code_cell(f"import analytics\nfleet = {str(fleet)!r}\n{form}")
        nbformat.write(new_notebook(cells=[cell], metadata=KERNEL), place / "notebooks" / f"{name}.ipynb")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    own = {f"JUPYTER_{k}_DIR": str(place / k.lower()) for k in ("CONFIG", "DATA", "RUNTIME")}
    own |= {"IPYTHONDIR": str(place / "ipython"), "ANALYTICS_CACHE": str(place / "cache"), "PYTHONPATH": str(ROOT)}
    line = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--port-retries=0"]
    line += ["--IdentityProvider.token=shop", "--LabApp.expose_app_in_browser=True", f"--notebook-dir={place / 'notebooks'}"]  # fmt: skip
    with (place / "log.txt").open("wb") as log:
        server = subprocess.Popen(line, env=os.environ | own, stdout=log, stderr=log, cwd=place)
        address = f"http://127.0.0.1:{port}"
        try:
            _await(f"{address}/api?token=shop", server, place / "log.txt")
            yield address
        finally:
            server.terminate()
            server.wait(30)


def _await(address: str, server: subprocess.Popen, log: Path) -> None:
    end = time.monotonic() + 90
    while server.poll() is None and time.monotonic() < end:
        try:
            urllib.request.urlopen(address, timeout=5).close()
            return
        except (urllib.error.URLError, OSError):
            time.sleep(0.3)
    raise AssertionError(f"JupyterLab did not start: {log.read_text(errors='replace')[-2000:]}")


@contextmanager
def opened(browser, lab, name):  # noqa: F811
    """A page of JupyterLab on the notebook ``name``, run whole; its cells, and what broke in the browser."""
    context = browser.new_context(viewport={"width": 1200, "height": 1600})
    page, broken = context.new_page(), []
    page.set_default_timeout(180_000)
    page.on("pageerror", lambda err: broken.append(str(err)))
    page.goto(f"{lab}/lab/tree/{name}.ipynb?token=shop&reset")
    page.wait_for_function(OPENED, arg=f"{name}.ipynb")
    yield page, page.evaluate(RUN), broken
    context.close()


def test_the_what_if_follows_a_move_at_once(browser, lab):  # noqa: F811
    with opened(browser, lab, "what_if") as (page, _, broken):
        handle = page.locator(".widget-hslider", has_text="limit, hp").locator(".noUi-handle")
        handle.focus()
        page.evaluate(TIMED)
        took, told = [], page.locator(".jupyter-widgets.widget-html").last
        for _ in range(5):
            before = told.inner_text()
            page.keyboard.press("ArrowRight")
            page.wait_for_function("() => window.took !== null")
            took.append(page.evaluate("window.took"))
            page.wait_for_function(SAYS_ELSE, arg=before)  # the sentence comes a message after the picture
            assert "hp" in told.inner_text()
    assert broken == []
    assert statistics.median(took) < 1000, "200 ms are promised on a machine of its own"


def test_the_form_of_a_truck_answers_a_move_and_writes_its_page(browser, lab):  # noqa: F811
    with opened(browser, lab, "truck") as (page, _, broken):
        told = page.locator(".jupyter-widgets.widget-html").first
        before = told.inner_text()
        assert "What to build it with" in before
        page.locator(".widget-hslider", has_text="power").first.locator(".noUi-handle").focus()
        page.keyboard.press("PageUp")
        page.wait_for_function(
            "before => document.querySelector('.jupyter-widgets.widget-html').innerText !== before", arg=before
        )
        page.get_by_role("button", name="Write").click()
        page.get_by_text("advice.html").last.wait_for()
    assert broken == []


def test_the_page_that_opens_a_shop_answers_a_press(browser, lab):  # noqa: F811
    with opened(browser, lab, "pick") as (page, _, broken):
        page.get_by_role("button", name=door.OPEN["check"]).click()
        page.get_by_text("214 rows read").first.wait_for()
        page.get_by_role("button", name=door.OPEN["review"]).click()
        page.get_by_role("heading", name="To do").wait_for()
        page.get_by_text(door.whole_page("review", "")[:20]).first.wait_for()
        assert page.locator(".jp-OutputArea progress, .progress-bar").count() == 0  # gone when done
        page.locator(".jp-OutputArea select").first.select_option(door.OPEN["up"])
        page.get_by_text(door.NO_SHOP_HERE[:30]).wait_for()
    assert broken == []


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_notebook_runs_in_jupyterlab(browser, lab, name):  # noqa: F811
    with opened(browser, lab, name) as (page, cells, broken):
        text = page.inner_text(".jp-NotebookPanel:not(.lm-mod-hidden)")
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    outputs = [output for cell in code for output in cell["outputs"]]
    # what a cell prints is no answer of ours but in the first look: it would be a warning, or the stages of what takes long
    unasked = ("stderr",) if name == "start" else ("stderr", "stdout")
    told = [o.get("evalue") or o["text"] for o in outputs if o["output_type"] == "error" or o.get("name") in unasked]
    assert told == []
    assert all(cell["execution_count"] for cell in code)
    assert not any(words in text for words in ("Error displaying widget", "Traceback", "Warning"))
    assert broken == []
    shown = {kind for output in outputs for kind in output.get("data", {})}
    assert shown & {"text/html", "application/vnd.jupyter.widget-view+json"}
