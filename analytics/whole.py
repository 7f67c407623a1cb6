"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from analytics.errors import AnalyticsError

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def plain_text(value: object) -> object:
    """``value``, where a text that a spreadsheet would run as a formula with a leading apostrophe; numbers as text stay as they are."""
    if not isinstance(value, str) or not value.startswith(_FORMULA):
        return value
    try:
        float(value.replace(",", ""))
    except ValueError:
        return "'" + value
    return value


def sweep(path: Path) -> None:
    """Take away what writers of ``path`` left behind when they were killed. Only for one who knows that no other is writing it."""
    for left in path.parent.iterdir():
        if left.name.startswith(f".{path.name}.") and left.suffix == ".part":
            left.unlink(missing_ok=True)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Write a file under another name and move it into place when it is whole; nothing half-written stays under ``path``.

    Yields the name to write to. Raises AnalyticsError, with the file as it was, where the folder cannot be written or the
    disk is full.
    """
    path = Path(path)
    part = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        part = Path(name)
        os.close(handle)
        yield part
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o644)
        part.replace(path)
    except OSError as err:
        raise AnalyticsError(
            f"{path.name} could not be written ({err.strerror or err}). Check that the folder is writable and the disk not full."
        ) from err
    finally:
        if part is not None:
            part.unlink(missing_ok=True)
