"""The demo: the sheets of two invented shops, which lie in the package or beside it, in a folder of one's own."""

from __future__ import annotations

import json
from pathlib import Path

from analytics.errors import AnalyticsError
from analytics.places import demo_folder
from analytics.whole import whole_file

MARK = "truth.json"  # a folder that holds it, and nothing foreign, is an earlier demo
#: what the mark of each demo says of itself
WHAT, WHAT_LOAD = "the truth of an invented shop's demo", "the truth of an invented shop's load demo"


def copy_demo(folder: Path, load: bool) -> None:
    """Write the demo shop into ``folder``, with ``load`` the one for the load page; refused as `write_files` refuses."""
    beside = demo_folder("demo_load" if load else "demo")
    write_files(folder, {path.name: path.read_bytes() for path in beside.iterdir() if path.is_file()})


def write_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write the ``files`` of a demo into a ``folder`` that is new, empty or an earlier demo. Raises AnalyticsError otherwise."""
    if folder.exists() and not folder.is_dir():
        raise AnalyticsError(f"{folder} is a file; name a folder for the demo.")
    if folder.is_dir() and any(folder.iterdir()) and not _is_demo(folder):
        raise AnalyticsError(
            f"{folder} is not empty and not an earlier demo; name a new folder, nothing there was touched."
        )
    # the mark comes first, so that a demo broken off can be written again
    for name, content in sorted(files.items(), key=lambda item: item[0] != MARK):
        with whole_file(folder / name) as part:
            part.write_bytes(content)


def _is_demo(folder: Path) -> bool:
    try:
        return json.loads((folder / MARK).read_text(encoding="utf-8")).get("what") in (WHAT, WHAT_LOAD)
    except (OSError, ValueError, AttributeError):
        return False
