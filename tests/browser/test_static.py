"""No text of a shop becomes markup, formula or code, in any file of any command. `make browser` looks with a real browser."""

from __future__ import annotations

import ast
import re
import zipfile
from pathlib import Path

import pytest

import analytics
import analytics.report
from analytics.__main__ import main
from tests.browser.nasty_shop import FILE, SCRIPT, TEXTS, nasty_shop
from tests.browser.rules import SORTS, offences, texts


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = nasty_shop(tmp_path_factory.mktemp("nasty") / "shop")
    out = tmp_path_factory.mktemp("out")
    assert main(["review", str(folder), "--out", str(out)]) == 0
    assert main(["ratings", str(folder), "--out", str(out)]) == 0
    return out


def test_the_rules_see_what_they_should():
    good = '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'"><p>x</p>'
    assert offences(good) == []
    for bad in (
        *TEXTS[:4],
        "<IMG SRC=http://x>",
        "<a href=javascript:alert(1)>x</a>",
        "<p onclick=x>",
        "<meta http-equiv=refresh content=0>",
        "<form>",
        "<a href=review.html:x>x</a>",
        "<a href=http://x#limits>x</a>",
        "<p style='x'>",
    ):
        assert offences(good + bad), bad
    assert offences(good + f"<script>{SORTS}</script>") == []
    assert offences(good + f"<script>{SORTS} </script>")
    assert offences(good + "script-src 'unsafe-inline'")
    assert offences("<p>x</p>") == ["no policy that forbids to fetch"]


@pytest.mark.parametrize("name", ["sheet.html", "review.html", "ratings.html", "customer_sheet.html"])
def test_pages_hold_nothing_that_runs_or_fetches(written, name):
    page = (written / name).read_text(encoding="utf-8")
    assert offences(page) == []
    assert SCRIPT in texts(page)  # it is there, as words


@pytest.mark.parametrize(
    "path", sorted(Path(analytics.report.__file__).parent.glob("template/*.j2")), ids=lambda p: p.name
)
def test_nothing_written_on_a_page_is_told_by_its_colour(path):
    """Texts and what lies under them are greys: a page printed without colour says the same."""
    named = re.findall(r"(?:color|background|--\w+):\s*#([0-9a-f]+)", path.read_text(encoding="utf-8"))
    assert named
    for colour in named:
        size = len(colour) // 3
        tones = [int(colour[k * size : (k + 1) * size] * (3 - size), 16) for k in range(3)]
        assert max(tones) - min(tones) <= 10, colour


def test_what_was_read_is_named_as_typed(written):
    assert FILE in (written / "to_check.csv").read_text() + (written / "set_aside.csv").read_text()


def test_workbooks_hold_no_formula_link_or_macro(written):
    for path in written.glob("*.xlsx"):
        with zipfile.ZipFile(path) as book:
            for name in book.namelist():
                assert not re.search(r"vba|externalLink|connections|activeX", name), name
                if "worksheets/sheet" in name or name.endswith(".rels"):
                    content = book.read(name)
                    assert not re.search(rb"<f[ >]|<hyperlink|TargetMode=\"External\"|<ddeLink|<oleObject", content)


def test_tables_hold_no_formula(written):
    for path in written.glob("*.csv"):
        for line in path.read_text(encoding="utf-8").splitlines():
            assert not re.search(r'(^|,)"?[=@\t]', line), (path.name, line)


def test_the_package_evaluates_nothing():
    """No eval, exec, pickle, shell or loader of code anywhere in the package."""
    forbidden = {"eval", "exec", "compile", "__import__"}
    modules = {
        "pickle",
        "marshal",
        "shelve",
        "subprocess",
        "ctypes",
        "importlib",
        "runpy",
        "code",
        "dill",
        "cloudpickle",
    }
    for path in Path(analytics.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = getattr(node.func, "id", "") or getattr(node.func, "attr", "")
                owner = getattr(getattr(node.func, "value", None), "id", "")
                bad = called in forbidden and owner not in ("re",)
                assert not bad, f"{path.name}: {called}"
                assert (owner, called) not in {("os", "system"), ("os", "popen"), ("pd", "read_pickle"), ("pd", "eval")}
                assert not any(k.arg == "allow_pickle" for k in node.keywords), path.name
                if called == "query":
                    assert all(isinstance(a, ast.Constant) for a in node.args), f"{path.name}: a query made of texts"
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
                roots = {n.split(".")[0] for n in names}
                allowed = (
                    {"importlib"} if all(n in ("importlib.metadata", "importlib.resources") for n in names) else set()
                )
                if (
                    path.name == "kept.py"
                ):  # in the user's own cache folder alone, which nobody else may write in: see tests/test_kept.py
                    allowed |= {"pickle"}
                assert not (roots & modules - allowed), f"{path.name}: {roots & modules}"
