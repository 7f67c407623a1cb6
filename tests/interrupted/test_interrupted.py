"""Killed, out of disk, two at once: inputs stay, no half file stands under its own name, no line of the ledger is lost."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from analytics.__main__ import main
from analytics.errors import AnalyticsError
from analytics.report.files import write_book
from analytics.words import terminal
from tests.interrupted.kill import ROOT, contents, run
from tests.small_shop import rateable_shop

ADD = """
import sys
from analytics.errors import AnalyticsError
from analytics.ratings.ledger import Entry, append
from analytics.records.shop import load_shop
shop, refused = load_shop(sys.argv[1]), 0
for k in range(25):
    while True:
        try:
            append(shop, Entry("input shaft", "A", "7500 lb", "", f"{500 + k} hp", "2024-04-01", f"writer {sys.argv[2]} line {k}"))
            break
        except AnalyticsError as err:
            assert "is being written by someone else" in str(err), err
"""


def test_killed_at_a_random_moment_nothing_half_written_stands():
    early = run(["check", "accept", "demo"], times=2, seed=3)
    assert sum(early.values()) >= 3  # the kills did come before the end


def _python(*arguments: str, limit: int = 0) -> subprocess.Popen:
    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return subprocess.Popen(
        [sys.executable, *arguments],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        preexec_fn=small_files if limit else None,
    )


def test_two_writers_lose_no_line_and_old_lines_stay(tmp_path):
    shop = rateable_shop(tmp_path / "shop")
    old = "component,part,weight_up_to,use,power_limit,effective_on,reason\ninput shaft,A,,,700,2019-01-01,old\n"
    (shop / "limits.csv").write_text(old)
    writers = [_python("-c", ADD, str(shop), str(k)) for k in range(2)]
    assert [w.communicate()[1] for w in writers] == ["", ""]
    text = (shop / "limits.csv").read_text()
    assert text.startswith(old)
    reasons = pd.read_csv(shop / "limits.csv")["reason"].tolist()[1:]
    assert sorted(reasons) == sorted(f"writer {w} line {k}" for w in range(2) for k in range(25))
    for w in range(2):
        own = [r for r in reasons if r.startswith(f"writer {w}")]
        assert own == [f"writer {w} line {k}" for k in range(25)]


def test_a_killed_writer_blocks_nobody(tmp_path):
    """While it writes the next one is told so; once it is killed its lock is gone, and nothing need be deleted by hand."""
    from analytics.ratings.ledger import Entry, append
    from analytics.records.shop import load_shop

    shop = load_shop(rateable_shop(tmp_path / "shop"))
    line = Entry("input shaft", "A", "7500 lb", "", "500 hp", "2024-04-01", "first")
    path = append(shop, line)
    hold = (
        "import sys, time; from pathlib import Path; from analytics.ratings.ledger import locked\n"
        "with locked(Path(sys.argv[1])): print('held', file=sys.stderr, flush=True); time.sleep(600)"
    )
    holder = _python("-c", hold, str(path))
    assert holder.stderr.readline() == "held\n"
    with pytest.raises(AnalyticsError, match=r"limits\.csv is being written by someone else"):
        append(shop, line)
    holder.kill()
    holder.communicate()
    append(shop, line)
    assert path.read_text().count("first") == 2


@pytest.mark.parametrize(
    "command",
    [
        ["check", str(ROOT / "data" / "demo"), "--out", "{out}"],
        ["demo", "{out}"],
    ],
    ids=lambda c: c[0],
)
def test_a_file_that_cannot_be_written_whole_is_reported(tmp_path, command):
    """The system itself stops the write in the middle (a limit on the size of files stands in for a full disk)."""
    out = tmp_path / "out"
    process = _python("-m", "analytics", *(a.replace("{out}", str(out)) for a in command), limit=1_200)
    told = process.communicate()[1]
    assert process.returncode == 2
    assert "Traceback" not in told
    assert "could not be written" in told
    assert all(len(content) <= 1_200 for content in contents(out).values())
    assert not [p for p in out.iterdir() if p.name.startswith(".")]


def test_a_workbook_on_a_full_disk_is_reported(tmp_path, monkeypatch):
    import zipfile

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(zipfile.ZipFile, "write", full)
    with pytest.raises(AnalyticsError, match=r"x\.xlsx could not be written \(No space left on device\)"):
        write_book(tmp_path / "x.xlsx", "ratings", "x", {"x": pd.DataFrame({"a": [1]})}, "$")
    assert not list(tmp_path.iterdir())


def test_the_ledger_on_a_full_disk_is_as_it_was(tmp_path, monkeypatch):
    from analytics.ratings.ledger import Entry, append
    from analytics.records.shop import load_shop

    shop = rateable_shop(tmp_path / "shop")
    append(load_shop(shop), Entry("input shaft", "A", "7500 lb", "", "500 hp", "2024-04-01", "first"))
    before = contents(shop)

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(AnalyticsError, match=r"limits\.csv could not be written \(No space left on device\)"):
        append(load_shop(shop), Entry("input shaft", "A", "7500 lb", "", "600 hp", "2024-04-01", "second"))
    assert contents(shop) == before
    assert not [p for p in shop.glob(".limits*") if p.suffix != ".lock"]  # held by nobody


def test_a_folder_that_may_not_be_written_is_reported(tmp_path, capsys):
    (tmp_path / "taken").write_text("x")
    assert main(["check", str(ROOT / "data" / "demo"), "--out", str(tmp_path / "taken" / "out")]) == 2
    assert "could not be written" in capsys.readouterr().err


def test_stopped_by_hand(monkeypatch, capsys):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("analytics.__main__._check", stop)
    assert main(["check", "x"]) == 130
    assert "stopped" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("how", "send", "code", "said"),
    [
        ("sheet", None, 2, "a sheet read late is bad"),
        ("elsewhere", None, 2, "no root on another process"),
        ("key", signal.SIGINT, 130, terminal.STOPPED),
        ("request", signal.SIGTERM, 130, terminal.STOPPED),
    ],
)
def test_a_command_broken_off_with_loops_open_says_its_own_message_alone(how, send, code, said):
    """The key reaches the other processes too, as on a terminal; the request the command alone."""
    command = subprocess.Popen(
        [sys.executable, "-m", "tests.interrupted.open_loops", how],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert command.stdout is not None
    assert command.stdout.readline() == "open\n"
    if send is not None:
        (os.killpg if send == signal.SIGINT else os.kill)(command.pid, send)
    _, told = command.communicate(timeout=120)
    assert (command.returncode, told) == (code, f"error: {said}\n")
