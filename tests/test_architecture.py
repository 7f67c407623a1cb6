"""The picture of the architecture in docs/architecture.md is the one the imports draw.

`python -m tests.test_architecture` draws it anew.
"""

from __future__ import annotations

import re
from pathlib import Path

import analytics
from tests.test_layers import EXEMPT, imported

PACKAGE = Path(analytics.__file__).parent
PAGE = Path(__file__).parents[1] / "docs" / "architecture.md"
START, END = "<!-- drawn from the imports -->", "<!-- to here -->"
#: what no arrow is drawn to, because nearly every room uses it
FOUNDATIONS = ("errors", "reasons", "places", "whole")


def rooms() -> dict[str, set[str]]:
    """Room -> the rooms it imports from; the command line and the public names left out."""
    found: dict[str, set[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.relative_to(PACKAGE).as_posix() in EXEMPT or "shipped" in path.parts:
            continue
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        found.setdefault(room, set()).update(imported(path.read_text(encoding="utf-8")) - {room})
    return found


def floors(uses: dict[str, set[str]]) -> list[list[str]]:
    """Rooms by the longest way down to a room that imports nothing, the ground floor first."""
    floor: dict[str, int] = {}

    def of(room: str) -> int:
        if room not in floor:
            floor[room] = 1 + max((of(below) for below in uses[room]), default=-1)
        return floor[room]

    for room in uses:
        of(room)
    return [sorted(r for r in uses if floor[r] == level) for level in range(max(floor.values()) + 1)]


def picture() -> str:
    """The floors, top first, and every arrow, as Markdown."""
    uses = rooms()
    drawn = ["```", *(f"{' · '.join(floor)}" for floor in reversed(floors(uses))), "```", ""]
    drawn += ["| room | imports from |", "|---|---|"]
    for floor in reversed(floors(uses)):
        for room in floor:
            below = sorted(uses[room] - set(FOUNDATIONS))
            if room not in FOUNDATIONS:
                drawn.append(f"| {room} | {', '.join(below) or '–'} |")
    return "\n".join(drawn)


def test_the_picture_is_the_one_the_imports_draw():
    page = PAGE.read_text(encoding="utf-8")
    shown = page.split(START, 1)[1].split(END, 1)[0].strip()
    assert shown == picture(), "draw it anew: python -m tests.test_architecture"


def test_every_room_and_file_that_the_page_names_is_there():
    root = PAGE.parents[1]
    pages = (PAGE, root / "DEVELOPERS.md", root / "docs" / "mathematics.md")
    named = [
        name for page in pages for name in re.findall(r"`([a-z_]+/[a-z_/]+\.py)`", page.read_text(encoding="utf-8"))
    ]
    assert not [name for name in named if not ((PACKAGE / name).is_file() or (root / name).is_file())]
    assert len(named) > 10


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(START, 1)
    PAGE.write_text(f"{head}{START}\n{picture()}\n{END}{rest.split(END, 1)[1]}", encoding="utf-8")
