"""What took long is taken from the cache: the very same, only for the very same, and never from a file that is not whole."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics import kept
from analytics.cores import each
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import as_typed, load_records
from analytics.review.outlook import _past
from tests.small_door import two_parts

_ASKED: list[tuple] = []


def _sum(x: int, y: np.ndarray) -> float:
    _ASKED.append((x, tuple(y)))
    return x + float(y.sum())


@pytest.fixture
def cache(tmp_path, monkeypatch) -> Path:
    """A cache of its own, open to no one else."""
    monkeypatch.setenv(kept.CACHE, str(tmp_path / "cache"))
    _ASKED.clear()
    return tmp_path / "cache"


def _once(x: int = 1, y: tuple[float, ...] = (0.1, 0.2)) -> float:
    return kept.once(_sum, (x, np.array(y)))


def test_what_was_worked_out_is_not_worked_out_again(cache):
    first = _once()
    assert _once() == first == 1 + (0.1 + 0.2)
    assert len(_ASKED) == 1
    assert len([*cache.glob("*.kept")]) == 1
    assert not [*cache.glob("*.part")]


@pytest.mark.parametrize("other", [{"x": 2}, {"y": (0.1, np.nextafter(0.2, 1))}, {"y": (0.2, 0.1)}])
def test_another_byte_is_another_question(cache, other):
    _once()
    _once(**other)
    assert len(_ASKED) == 2


def test_another_program_or_library_is_another_question(cache, monkeypatch):
    _once()
    monkeypatch.setattr(kept, "program", lambda: "changed")
    _once()
    assert len(_ASKED) == 2


def test_the_digest_of_the_program_is_of_every_source_and_library(monkeypatch, tmp_path):
    def digest() -> str:
        kept.program.cache_clear()
        return kept.program()

    package = tmp_path / "analytics"
    (package / "models").mkdir(parents=True)
    (package / "models" / "one.py").write_text("x = 1\n")
    monkeypatch.setattr(kept, "__file__", str(package / "kept.py"))
    first = digest()
    assert digest() == first
    (package / "models" / "one.py").write_text("x = 2\n")
    assert (second := digest()) != first
    monkeypatch.setattr(kept, "version", lambda name: "0.0")
    assert digest() not in (first, second)
    kept.program.cache_clear()


@pytest.mark.parametrize(
    "damage",
    [
        lambda whole: whole[: len(whole) // 2],
        lambda whole: b"",
        lambda whole: whole[:-9] + bytes([whole[-9] ^ 1]) + whole[-8:],
        lambda whole: os.urandom(len(whole)),
    ],
)
def test_a_file_that_is_not_whole_is_made_anew_without_a_word(cache, damage, recwarn, capsys):
    first = _once()
    (file,) = cache.glob("*.kept")
    file.write_bytes(damage(file.read_bytes()))
    assert _once() == first
    assert len(_ASKED) == 2
    assert _once() == first
    assert len(_ASKED) == 2
    assert not recwarn.list
    assert capsys.readouterr() == ("", "")


def test_nothing_is_kept_where_it_is_switched_off_or_open_to_others(cache, monkeypatch):
    cache.mkdir()
    cache.chmod(0o777)
    _once(), _once()
    assert len(_ASKED) == 2
    assert not [*cache.iterdir()]
    monkeypatch.setenv(kept.CACHE, "off")
    assert kept.cache_folder() is None
    _once()
    assert len(_ASKED) == 3


def test_a_place_that_cannot_be_made_is_no_fault(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv(kept.CACHE, str(tmp_path / "file" / "cache"))
    assert kept.cache_folder() is None
    assert _once() == 1 + (0.1 + 0.2)


@pytest.mark.parametrize(
    ("platform", "inside"),
    [("linux", "cache"), ("darwin", "home/Library/Caches"), ("win32", "local")],
)
def test_the_folder_is_the_users_own_and_closed(monkeypatch, tmp_path, platform, inside):
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setenv(kept.CACHE, "")
    for name, place in (
        ("XDG_CACHE_HOME", "cache"),
        ("HOME", "home"),
        ("USERPROFILE", "home"),
        ("LOCALAPPDATA", "local"),
    ):
        monkeypatch.setenv(name, str(tmp_path / place))
    folder = kept.cache_folder()
    assert folder == tmp_path / inside / "field-returns"
    assert os.name == "nt" or stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_what_was_not_asked_for_in_long_is_taken_away(cache):
    _once()
    (old,) = cache.glob("*.kept")
    os.utime(old, (0, 0))
    kept._swept.cache_clear()
    _once(x=2)
    (new,) = cache.glob("*.kept")
    assert new != old


def test_how_a_frame_lies_in_memory_is_no_part_of_the_question(cache):
    one = pd.DataFrame({"a": [1.0, 2.0], "b": ["x", "y"]})
    two = one[["a"]].copy()
    two["b"] = ["".join("x"), "".join(["", "y"])]
    other = two.assign(b=["x", "z"])
    places = [kept.place_of(_sum, (frame,)) for frame in (one, two, one.iloc[::-1].iloc[::-1], other)]
    assert places[0] == places[1] == places[2] != places[3]
    assert kept.place_of(_sum, (one.rename(columns={"a": "c"}),)) != places[0]
    assert kept.place_of(_sum, (one.set_axis([1, 2]),)) != places[0]


def test_a_loop_takes_what_is_kept_and_keeps_the_rest(cache):
    asked = [(i, np.arange(3.0)) for i in range(4)]
    assert list(each(_sum, asked[:2], 1, keep=True)) == [3.0, 4.0]
    assert list(each(_sum, asked, 1, keep=True)) == [3.0, 4.0, 5.0, 6.0]
    assert [x for x, _ in _ASKED] == [0, 1, 2, 3]


def test_another_process_finds_it(cache):
    """Whatever its hashes start from."""
    program = (
        "from analytics import kept; print(kept.place_of(print, ({'a', 'b'}.pop() and ('a', 1.5, {'k': 'v'}),)).name)"
    )
    names = {
        subprocess.run(
            [sys.executable, "-c", program], env=os.environ | {"PYTHONHASHSEED": seed}, capture_output=True, check=True
        ).stdout
        for seed in ("1", "2")
    }
    assert len(names) == 1


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return two_parts(tmp_path_factory.mktemp("small") / "shop")


@pytest.mark.parametrize(
    ("name", "old", "new", "same"),
    [
        ("builds.csv", ",450,", ",451,", False),
        ("shop.toml", "comeback = 4000", "comeback = 4001", False),
        ("shop.toml", "[costs]", "# a remark, which is not read\n[costs]", True),
    ],
)
def test_a_replay_is_asked_anew_when_a_record_or_a_setting_differs(cache, folder, name, old, new, same):
    def place() -> Path | None:
        typed = as_typed(folder)
        return kept.place_of(_past, (typed, make_lifetimes(load_records(typed)).table))

    first, text = place(), (folder / name).read_text()
    assert text.count(old)
    try:
        (folder / name).write_text(text.replace(old, new, 1))
        assert (place() == first) == same
    finally:
        (folder / name).write_text(text)
    assert place() == first
