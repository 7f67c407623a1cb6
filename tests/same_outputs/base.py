"""Record what the commands give today; compare what they give after a move of code."""

from __future__ import annotations

import hashlib
import json
import platform
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from pathlib import Path

from tests.same_outputs.differences import difference, in_order
from tests.same_outputs.runs import RUNS, contents, run
from tests.same_outputs.shops import MAKERS, ROOT

MANIFEST = "manifest.json"
_LIBRARIES = ("numpy", "pandas", "scipy", "matplotlib", "XlsxWriter")


class BaseError(Exception):
    """The base cannot be made or used; the message says why."""


def chosen(shops: Sequence[str], commands: Sequence[str]) -> list[tuple[str, str]]:
    """(shop, command) of every run wanted, the heavy shops first. Raises BaseError on a name that is none."""
    known = {command for own in RUNS.values() for command in own}
    for name, allowed in [(s, RUNS) for s in shops] + [(c, known) for c in commands]:
        if name not in allowed:
            raise BaseError(f"{name!r} is not one of {', '.join(sorted(allowed))}")
    return [
        (shop, command)
        for shop in reversed(RUNS)
        for command in RUNS[shop]
        if (not shops or shop in shops) and (not commands or command in commands)
    ]


def record(base: Path, pairs: Sequence[tuple[str, str]], jobs: int, say: Callable[[str], None]) -> None:
    """Keep the shops, every output and a manifest in ``base``: a new or empty folder outside the checkout."""
    base = base.resolve()
    if base.is_relative_to(ROOT):
        raise BaseError("keep the base outside the checkout, so that it cannot be committed")
    if base.exists() and any(base.iterdir()):
        raise BaseError(f"{base} is not empty: name a new folder, so that no base is written over")
    kept: dict[str, str] = {}

    def keep(name: str, content: bytes) -> None:
        path = base / "files" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        kept[name] = _digest(content)

    shops = list(dict.fromkeys(shop for shop, _ in pairs))
    for shop in shops:
        MAKERS[shop](base / "files" / "made" / shop)
        kept |= {f"made/{shop}/{n}": _digest(c) for n, c in contents(base / "files" / "made" / shop).items()}
    for (shop, command), files in _all(base, pairs, jobs, say):
        for name, content in files.items():
            keep(f"{shop}/{command}/{name}", content)
    manifest = {
        "commit": _commit(),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "runs": [list(pair) for pair in pairs],
        "sha256": dict(sorted(kept.items())),
    }
    (base / MANIFEST).write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
    say(f"{len(kept)} files of {len(pairs)} runs kept in {base}")


def compare(
    base: Path, pairs: Sequence[tuple[str, str]], jobs: int, say: Callable[[str], None], most: int = 40
) -> list[str]:
    """Run again on the shops kept in ``base``, and say how each output differs. Returns the names of those that do."""
    try:
        manifest = json.loads((base / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BaseError(f"{base} holds no whole base: record one first, with the code as it was before") from None
    there = {tuple(pair) for pair in manifest["runs"]}
    pairs = [pair for pair in pairs if pair in there]
    if not pairs:
        raise BaseError("nothing of what is asked for was recorded")
    say(f"before: commit {manifest['commit']}; {len(pairs)} of the {len(there)} runs recorded")
    for name in _LIBRARIES:
        if version(name) != manifest["libraries"][name]:
            say(f"{name} was {manifest['libraries'][name]} and is {version(name)}: differences may come from there")
    differing: list[str] = []

    def hold(prefix: str, after: dict[str, bytes]) -> None:
        before = {n[len(prefix) :]: digest for n, digest in manifest["sha256"].items() if n.startswith(prefix)}
        changed = {n for n in before.keys() | after.keys() if n not in after or before.get(n) != _digest(after[n])}
        for name in in_order(changed):
            differing.append(prefix + name)
            old = (base / "files" / (prefix + name)).read_bytes() if name in before else None
            say(
                "\n".join(
                    [f"\n{prefix}{name}", *(f"  {line}" for line in difference(name, old, after.get(name), most))]
                )
            )

    with tempfile.TemporaryDirectory() as scratch:
        for shop in dict.fromkeys(shop for shop, _ in pairs):
            MAKERS[shop](Path(scratch) / shop)
            hold(f"made/{shop}/", contents(Path(scratch) / shop))
    for (shop, command), files in _all(base, pairs, jobs, say):
        hold(f"{shop}/{command}/", files)
    say(
        f"\n{len(differing)} files differ: {', '.join(differing)}"
        if differing
        else "\nevery file is the same, byte by byte"
    )
    return differing


def _all(
    base: Path, pairs: Sequence[tuple[str, str]], jobs: int, say: Callable[[str], None]
) -> Iterator[tuple[tuple[str, str], dict[str, bytes]]]:
    """Each run's files, in the order of ``pairs``."""

    def one(pair: tuple[str, str]) -> tuple[dict[str, bytes], float]:
        begun = time.perf_counter()
        shop, command = pair
        return run(base / "files" / "made" / shop, command, RUNS[shop][command]), time.perf_counter() - begun

    with ThreadPoolExecutor(max_workers=jobs) as pool:
        for pair, (files, took) in zip(pairs, pool.map(one, pairs), strict=True):
            say(f"{pair[0]} {pair[1]}: {len(files)} files, {took:.0f} s, exit {files['exit_code'].decode().strip()}")
            yield pair, files


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _commit() -> str:
    git = shutil.which("git")
    told = subprocess.run([git, "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True) if git else None
    return told.stdout.decode().strip() if told and told.returncode == 0 else "not known"
