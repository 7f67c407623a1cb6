"""One way through the package: a layer imports only what comes before it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import analytics

PACKAGE = Path(analytics.__file__).parent
BEFORE = {
    "errors": set(),
    "reasons": set(),
    "whole": {"errors"},
    "places": {"errors"},
    "kept": set(),
    "cores": {"kept"},
    "records": {"errors", "reasons"},
    "start": {"errors", "reasons", "records"},
    "lifetimes": {"errors", "records"},
    "driveline": {"errors", "records", "lifetimes"},
    "models": {"errors", "records", "lifetimes", "driveline"},
    "demo": {"errors", "places", "whole"},
}
NUMBERS = ("lifetimes", "driveline", "models", "ratings", "cutoffs", "review", "advice")
for _layer in NUMBERS[1:]:
    BEFORE[_layer] = BEFORE.get(_layer, set()) | {"reasons"}
BEFORE["lifetimes"] |= {"reasons"}
BEFORE["models"] |= {"cores", "kept"}
BEFORE["ratings"] = BEFORE["models"] | {"whole", "models"}
BEFORE["cutoffs"] = BEFORE["ratings"] | {"ratings"}
BEFORE["review"] = BEFORE["cutoffs"] | {"cutoffs"}
BEFORE["advice"] = BEFORE["review"] | {"review"}
BEFORE["words"] = BEFORE["advice"] | {"advice", "start"}
BEFORE["report"] = BEFORE["words"] | {"words", "places"}
BEFORE["api"] = BEFORE["report"] | {"report"}
#: the public names and the command line stand above all layers
EXEMPT = {"__init__.py", "__main__.py"}
#: the studies stand beside the package, on its command line; nothing in it knows them
STUDIES = sorted((PACKAGE.parent / "studies").rglob("*.py"))


def imported(source: str) -> set[str]:
    """Layers of the package that a module imports, anywhere in it, for typing only or not."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            names = [
                f"{node.module}.{alias.name}" if node.module == "analytics" else node.module for alias in node.names
            ]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("analytics.")}
        assert "analytics" not in names, "a layer does not import the package above it"
    return found


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path.relative_to(PACKAGE).as_posix() not in EXEMPT]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_a_layer_imports_only_what_comes_before(path):
    layer = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    assert layer in BEFORE, f"{layer} has no place in the order of layers"
    wrong = imported(path.read_text(encoding="utf-8")) - BEFORE[layer] - {layer}
    assert not wrong, f"{layer} imports {', '.join(sorted(wrong))}"


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.name)
def test_the_studies_import_anything_but_what_draws_and_writes(path):
    may = set(BEFORE) - {"report", "api"} | ({"__main__"} if path.name == "__main__.py" else set())
    wrong = imported(path.read_text(encoding="utf-8")) - may
    assert not wrong, f"studies/{path.name} imports {', '.join(sorted(wrong))}"


def test_the_package_knows_no_studies():
    """They are not installed."""
    assert len(STUDIES) > 8
    for path in PACKAGE.rglob("*.py"):
        tree = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        names = [n.module or "" for n in tree if isinstance(n, ast.ImportFrom)]
        assert not [name for name in names if name.split(".")[0] in ("studies", "tests")], path.name


#: what fits, estimates or reckons: words says, and report draws and writes, what they are given
FITS = re.compile(
    r"(fit|rate|make|check|change|move)_\w+|\w*kaplan_meier|mean_comebacks|nelson_aalen|life_table|stretches|curve|reliability_curve"
    r"|cumulative_incidence|boldest_move|varying_begun|proofs_of|ask_first|driving_by_\w+"
)


def fits(source: str) -> set[str]:
    """Names of functions that fit, imported anywhere in a module."""
    nodes = [
        n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.ImportFrom) and n.module.startswith("analytics.")
    ]
    return {
        a.name
        for n in nodes
        for a in n.names
        if n.module.split(".")[1] not in ("report", "words") and FITS.fullmatch(a.name)
    }


@pytest.mark.parametrize(
    "path",
    sorted(path for layer in ("words", "report") for path in (PACKAGE / layer).rglob("*.py")),
    ids=lambda path: path.relative_to(PACKAGE).as_posix(),
)
def test_words_and_report_fit_nothing(path):
    found = fits(path.read_text(encoding="utf-8"))
    assert not found, f"{path.name} fits: {', '.join(sorted(found))}"


def test_the_check_sees_a_fit():
    assert fits("from analytics.models.nonparametric import SurvivalCurve, kaplan_meier\n") == {"kaplan_meier"}


def test_the_check_sees_every_form_of_import():
    source = (
        "import analytics.report.page\nfrom analytics.models import cells\ndef f():\n    from analytics import review\n"
    )
    assert imported(source) == {"report", "models", "review"}


def test_all_layers_are_seen():
    assert {"errors", "records", "lifetimes", "models"} <= {
        p.relative_to(PACKAGE).parts[0].removesuffix(".py") for p in MODULES
    }
