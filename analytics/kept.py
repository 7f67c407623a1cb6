"""What took long, kept in the user's own cache folder and taken from there when it is asked again of the same: inputs, program and libraries.

The name of a kept file is a digest of all three, so that it is made anew when a byte of any differs. It holds no less than the records
do and is a pickle, which runs what it says when it is opened: it lies where other programs of the user keep such files, closed to
others, and never in the shop's folder, which may be mailed.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import pickle
import stat
import sys
import tempfile
import time
from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

Result = TypeVar("Result")
#: the folder to keep in; "off": nothing is kept
CACHE = "ANALYTICS_CACHE"
_LIBRARIES = ("numpy", "pandas", "scipy", "pyarrow", "matplotlib", "xlsxwriter")
#: a file not asked for in so many days is taken away, and the oldest where all together hold more
_DAYS, _MOST_BYTES = 100.0, 2_000_000_000
_DIGEST = hashlib.sha256().digest_size


def once(function: Callable[..., Result], asked: tuple[Any, ...], *besides: Any) -> Result:
    """``function(*asked, *besides)``: from the cache, or worked out and kept. function: of a module, whose result hangs on ``asked`` alone.
    besides: what moves no figure."""
    place = place_of(function, asked)
    found = taken(place)
    return keep(place, function(*asked, *besides)) if found is None else found[0]


def begun(function: Callable[..., Callable[[], Result]], asked: tuple[Any, ...], *besides: Any) -> Callable[[], Result]:
    """As `once`, of a ``function`` that begins something and gives what waits for it: so does this. asked, besides: as there."""
    place = place_of(function, asked)
    found = taken(place)
    if found is not None:
        return lambda: found[0]
    waits = function(*asked, *besides)
    return lambda: keep(place, waits())


def place_of(function: Callable[..., Any], asked: tuple[Any, ...]) -> Path | None:
    """The file that ``function(*asked)`` is kept in; None where nothing is kept."""
    folder = cache_folder()
    if folder is None:
        return None
    content = io.BytesIO()
    try:
        writer = _Content(content, protocol=5)
        writer.fast = True  # equal things are written alike, whether they are one in memory or two
        writer.dump(asked)
    except (pickle.PicklingError, TypeError, AttributeError, RecursionError):
        return None
    name = hashlib.sha256(f"{program()} {function.__module__}.{function.__qualname__} ".encode())
    name.update(content.getbuffer())
    return folder / f"{name.hexdigest()}.kept"


class _Content(pickle.Pickler):
    """Writes what things hold. A frame is written column by column: how it lies in memory changes as it is looked at."""

    def reducer_override(self, thing: Any) -> Any:
        import pandas as pd

        if not isinstance(thing, pd.DataFrame):
            return NotImplemented
        columns = [column for _, column in thing.items()]
        held = [np.ascontiguousarray(c) if isinstance(c.dtype, np.dtype) else c.array for c in columns]
        return tuple, ((thing.columns, thing.index, *held),)


def taken(place: Path | None) -> tuple[Any] | None:
    """What is kept in the file ``place``, alone in a tuple; None where there is none, or not whole."""
    if place is None:
        return None
    try:
        whole = place.read_bytes()
        digest, content = whole[:_DIGEST], whole[_DIGEST:]
        if hashlib.sha256(content).digest() != digest:
            return None
        found = (pickle.loads(content),)
        os.utime(place)
    except Exception:  # whatever ails it, it is made anew
        return None
    return found


def keep(place: Path | None, result: Result) -> Result:
    """Keep the ``result`` in the file ``place``, whole or not at all; a disk that takes nothing is no fault. Returns it as it will be taken from there, so that
    whatever is asked of it further finds the same place."""
    if place is None:
        return result
    try:
        content = pickle.dumps(result, protocol=5)
    except (pickle.PicklingError, TypeError, AttributeError):
        return result
    with contextlib.suppress(OSError):
        handle, name = tempfile.mkstemp(dir=place.parent, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as part:
                part.write(hashlib.sha256(content).digest() + content)
            os.replace(name, place)
        finally:
            with contextlib.suppress(OSError):
                os.unlink(name)
        _swept(place.parent)
    return pickle.loads(content)  # type: ignore[no-any-return]


@lru_cache(maxsize=1)
def program() -> str:
    """Digest of every source of the package, with the versions of Python and of the libraries that figures hang on."""
    told = hashlib.sha256(sys.version.encode())
    for name in _LIBRARIES:
        told.update(f"{name} {version(name)} ".encode())
    package = Path(__file__).parent
    for source in sorted(package.rglob("*.py")):
        told.update(source.relative_to(package).as_posix().encode() + b"\0" + source.read_bytes() + b"\0")
    return told.hexdigest()


def cache_folder() -> Path | None:
    """The folder things are kept in, made where it is not there; None where it is switched off, cannot be made, or is open to others."""
    told = os.environ.get(CACHE, "")
    if told == "off":
        return None
    try:
        folder = Path(told) if told else _users() / "field-returns"
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return folder if _own(folder) else None
    except (OSError, RuntimeError):
        return None


def _users() -> Path:
    """Where programs of this user keep such files. Raises RuntimeError where there is no such place."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _own(folder: Path) -> bool:
    """Whether nobody but this user can write there."""
    if sys.platform == "win32":
        return True  # the profile's folder is closed to others
    seen = folder.stat()
    return seen.st_uid == os.getuid() and not seen.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


@lru_cache(maxsize=1)
def _swept(folder: Path) -> None:
    """Take away what has long not been asked for, once a run."""
    files = sorted((f.stat().st_mtime, f.stat().st_size, f) for f in folder.iterdir() if f.suffix in (".kept", ".part"))
    room, oldest = sum(size for _, size, _ in files) - _MOST_BYTES, time.time() - _DAYS * 86400
    for used, size, file in files:
        if used < oldest or room > 0:
            file.unlink(missing_ok=True)
            room -= size
