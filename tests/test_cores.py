"""Long loops: the same results, byte for byte, on one core, on two, and under the user's own backend."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import joblib
import numpy as np
import pytest

import analytics
from analytics import kept
from analytics.cores import JOBS, each, longest_first
from analytics.review.how_sure import how_sure
from analytics.review.outlook import make_outlook
from analytics.review.quarterly import review_of
from tests.small_door import two_parts


def _square(x: int) -> tuple[int, int]:
    return x * x, os.getpid()


def _squares(upto: int) -> list[int]:
    return [square for square, _ in each(_square, [(i,) for i in range(upto)], 2)]


def test_results_come_in_order_from_other_processes():
    found = list(each(_square, [(i,) for i in range(8)], 2))
    assert [square for square, _ in found] == [i * i for i in range(8)]
    assert os.getpid() not in {pid for _, pid in found}
    assert {pid for _, pid in each(_square, [(1,), (2,)], 1)} == {os.getpid()}


def _wrote(path: Path) -> int:
    path.touch()
    return os.getpid()


@pytest.mark.parametrize("keep", [False, True])
def test_what_is_begun_is_worked_at_before_it_is_asked_for(keep, tmp_path, monkeypatch):
    monkeypatch.setenv(kept.CACHE, str(tmp_path / "cache"))
    monkeypatch.setenv(JOBS, "2")
    files = [tmp_path / name for name in "abcdef"]
    begun = each(_wrote, [(file,) for file in files], keep=keep)
    until = time.monotonic() + 60
    while not all(file.exists() for file in files) and time.monotonic() < until:
        time.sleep(0.02)
    assert all(file.exists() for file in files)
    assert os.getpid() not in set(begun)


def test_two_loops_open_at_once_give_each_its_own():
    """Large arrays too, that joblib would lay in files and take away with the loop that ends first."""
    one, other = (each(np.sum, [(np.full(300_000, k + i),) for i in range(6)], 2) for k in (0, 10))
    assert [x / 300_000 for x in other] == [10, 11, 12, 13, 14, 15]
    assert [x / 300_000 for x in one] == [0, 1, 2, 3, 4, 5]


def _told(path: Path, name: str) -> None:
    with path.open("a") as log:
        log.write(f"{name}\n")
    time.sleep(0.05)


def test_a_loop_that_goes_ahead_is_through_before_what_is_begun_later(tmp_path):
    """Of two cores: at its last item the other one may be free already."""
    log = tmp_path / "log"
    first = each(_told, [(log, "ahead")] * 12, 2, ahead=True)
    later = each(_told, [(log, "later")] * 4, 2)
    assert len([*first, *later]) == 16
    assert log.read_text().split()[:11] == ["ahead"] * 11


def test_the_longest_goes_first_and_results_come_in_their_order(tmp_path, monkeypatch):
    monkeypatch.setenv(JOBS, "1")
    log, items = tmp_path / "log", [3, 1, 9, 4]
    found = list(longest_first(_logged, [(log, n) for n in items], lambda item: item[1]))
    assert found == [30, 10, 90, 40]
    assert log.read_text().split() == ["9", "4", "3", "1"]


def _logged(path: Path, n: int) -> int:
    _told(path, str(n))
    return 10 * n


def test_the_other_processes_come_while_the_sheets_are_read(tmp_path):
    """What long loops need is imported there before the first of them asks."""
    asked = "'analytics.review.outlook' in __import__('sys').modules"
    script = f"""
import time, analytics
from analytics.cores import each
with analytics.Stages("x"):
    time.sleep(15)
    print(all(each(eval, [({asked!r},)] * 2, 2)), {asked})
"""
    environment = os.environ | {JOBS: "2", kept.CACHE: str(tmp_path)}
    made = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=environment, timeout=120, check=True
    )
    assert made.stdout.split() == ["True", "False"], made.stderr


def test_one_loop_inside_another_goes_one_after_another():
    assert list(each(_squares, [(3,), (4,)], 2)) == [[0, 1, 4], [0, 1, 4, 9]]


def test_the_users_backend_is_taken():
    with joblib.parallel_config(backend="threading"):
        assert {pid for _, pid in each(_square, [(1,), (2,), (3,)], 2)} == {os.getpid()}


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return analytics.read(two_parts(tmp_path_factory.mktemp("small") / "shop"))


def test_a_review_is_the_same_to_the_byte_on_one_core_and_on_two(small, monkeypatch):
    """Its long loops: the replay of past quarters, and the readings of the records."""
    told = []
    for jobs in ("1", "2"):
        monkeypatch.setenv(JOBS, jobs)
        outlook = make_outlook(review_of(small.records, small.lifetimes), small.records.shop, quarters=2)
        tables = [outlook.forecasts.units, outlook.kept.table, *(w.tests for w in outlook.watched)]
        tables.append(how_sure(small.records, small.lifetimes).table)
        told.append([table.to_csv() for table in tables])
    assert len(told[0]) == 5
    assert told[0] == told[1]


def test_ratings_are_the_same_to_the_byte_on_one_core_and_on_two(small, monkeypatch):
    told: list[list[str]] = []
    for jobs in ("1", "2"):
        monkeypatch.setenv(JOBS, jobs)
        rated = analytics.rate(small)
        move = rated.follow_up.varied
        tables = [rated.table, *rated.follow_up.curves.values(), *([move.table] if move is not None else [])]
        told.append([table.to_csv() for table in tables])
    assert told[0] == told[1]


def _saved(folder: Path, out: Path) -> dict[str, bytes]:
    analytics.review(analytics.read(folder)).save(out)
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


def test_a_review_is_the_same_to_the_byte_cold_and_warm(tmp_path, monkeypatch):
    """Kept on two cores and taken on one; and with nothing kept at all."""
    folder, cache = two_parts(tmp_path / "shop"), tmp_path / "cache"
    monkeypatch.setenv(kept.CACHE, str(cache))
    monkeypatch.setenv(JOBS, "2")
    cold = _saved(folder, tmp_path / "cold")
    files = {p: p.read_bytes() for p in cache.glob("*.kept")}
    assert len(files) >= 5
    monkeypatch.setenv(JOBS, "1")
    warm = _saved(folder, tmp_path / "warm")
    assert {p: p.read_bytes() for p in cache.glob("*.kept")} == files, "all of it was found"
    monkeypatch.setenv(kept.CACHE, "off")
    assert len(cold) > 5
    assert cold == warm == _saved(folder, tmp_path / "without")
