"""Every notebook, whole, in JupyterLab in a real browser, on small shops: no error, no warning. Run by `make browser`.

Needs what check_page.py needs.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell

from tests.browser.check_page import browser  # noqa: F401 - the fixture
from tests.same_outputs.shops import MAKERS

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted(p.stem for p in (ROOT / "notebooks").glob("*.ipynb"))
#: fewer draws than an owner needs: what is looked at is that all of it runs and shows
QUICK = "\n[ratings]\nreplicates = 0\n"
TOLD = {
    "tier_cutoff": {"component": "input shaft", "below": "SH-1", "above": "SH-2", "draws": 20, "refits": 2},
    "evidence": {"folder": str(ROOT / "data" / "evidence")},
}
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


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_notebook_runs_in_jupyterlab(browser, lab, name):  # noqa: F811
    context = browser.new_context(viewport={"width": 1200, "height": 1600})
    page, broken = context.new_page(), []
    page.set_default_timeout(180_000)
    page.on("pageerror", lambda err: broken.append(str(err)))
    page.goto(f"{lab}/lab/tree/{name}.ipynb?token=shop&reset")
    page.wait_for_function(OPENED, arg=f"{name}.ipynb")
    cells = page.evaluate(RUN)
    text = page.inner_text(".jp-NotebookPanel:not(.lm-mod-hidden)")
    context.close()
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
