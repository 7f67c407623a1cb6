"""docs/api.md says what the docstrings of the door say, and they name every parameter.

`python -m tests.test_api_page` writes it anew.
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

import analytics

PAGE = Path(__file__).parents[1] / "docs" / "api.md"
FUNCTIONS = [name for name in analytics.__all__ if inspect.isfunction(getattr(analytics, name))]
RESULTS = [
    name
    for name in analytics.__all__
    if inspect.isclass(getattr(analytics, name)) and not issubclass(getattr(analytics, name), Exception)
]
ERRORS = [name for name in analytics.__all__ if name not in (*FUNCTIONS, *RESULTS)]


def _signature(call) -> str:
    text = str(inspect.signature(call)).replace("analytics.api.", "")
    return re.sub(r"'([^']*)'", r"\1", text)


def _own(kind: type) -> list[tuple[str, str, object]]:
    """Public methods and properties of a result, with how they are written and who documents them."""
    found = []
    for name in sorted(n for n in dir(kind) if not n.startswith("_")):
        member = inspect.getattr_static(kind, name)
        if isinstance(member, property):
            found.append((name, name, member.fget))
        elif inspect.isfunction(member):
            found.append((name, f"{name}{_signature(member).replace('(self, ', '(').replace('(self)', '()')}", member))
    return found


def page() -> str:
    """The reference, as Markdown."""
    lines = ["# The door for Python", "", "Made from the docstrings: `python -m tests.test_api_page`.", ""]
    lines += [inspect.getdoc(analytics) or "", "", "## Questions", ""]
    for name in FUNCTIONS:
        call = getattr(analytics, name)
        lines += [f"### {name}", "", "```python", f"analytics.{name}{_signature(call)}", "```", ""]
        lines += ["```text", inspect.getdoc(call) or "", "```", ""]
    lines += ["## Results", ""]
    for name in RESULTS:
        kind = getattr(analytics, name)
        lines += [f"### {name}", "", " ".join((inspect.getdoc(kind) or "").split()), ""]
        said = [(written, (inspect.getdoc(doc) or "").split("\n\n")[0]) for _, written, doc in _own(kind)]
        lines += [f"- `{written}`: {' '.join(text.split())}" for written, text in said if text]
        lines.append("")
    lines += ["## Errors", ""]
    lines += [f"- `{name}`: {' '.join((getattr(analytics, name).__doc__ or '').split())}" for name in ERRORS]
    return "\n".join(lines) + "\n"


def test_the_page_says_what_the_docstrings_say():
    assert PAGE.read_text(encoding="utf-8") == page(), "write it anew: python -m tests.test_api_page"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_question_names_every_parameter_and_what_is_raised(name):
    call = getattr(analytics, name)
    told = inspect.getdoc(call)
    missing = [p for p in inspect.signature(call).parameters if not re.search(rf"\b{p}\b", told)]
    assert not missing
    assert "Raises" in told


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_says_what_it_holds(name):
    kind = getattr(analytics, name)
    told = " ".join([inspect.getdoc(kind) or "", *(inspect.getdoc(b) or "" for b in kind.__mro__[1:-1])])
    missing = [f for f in getattr(kind, "__dataclass_fields__", {}) if not re.search(rf"\b{f}\b", told)]
    assert not missing


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
