"""The comparison itself: nothing differs where nothing changed, and whatever changes is shown."""

from __future__ import annotations

import base64
import io
import json

import pandas as pd
import pytest

from tests.same_outputs.__main__ import main
from tests.same_outputs.base import BaseError, chosen
from tests.same_outputs.differences import difference, in_order
from tests.same_outputs.runs import QUICK, RUNS
from tests.same_outputs.shops import MAKERS, ROOT


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("above") / "base"
    assert main(["record", str(folder), "--shop", "tiny", "--command", "check,accept"]) == 0
    return folder


def test_the_same_code_gives_the_same_bytes(base, capsys):
    assert main(["compare", str(base)]) == 0
    told = capsys.readouterr().out
    assert "2 of the 2 runs recorded" in told
    assert "every file is the same, byte by byte" in told


def test_all_that_a_command_leaves_is_kept_and_no_place(base):
    kept = set(json.loads((base / "manifest.json").read_text())["sha256"])
    for name in ("stdout", "stderr", "exit_code", "out/set_aside.csv", "out/to_check.csv", "out/counts.csv"):
        assert f"tiny/check/{name}" in kept
    assert "tiny/accept/shop/limits.csv" in kept  # the ledger was changed
    assert "made/tiny/builds.csv" in kept
    told = (base / "files" / "tiny" / "check" / "stdout").read_text()
    assert "{place}/out/set_aside.csv" in told
    for name in kept:
        assert str(ROOT).encode() not in (base / "files" / name).read_bytes()


@pytest.mark.parametrize("name", ["tiny/check/out/counts.csv", "tiny/accept/shop/limits.csv", "tiny/check/exit_code"])
def test_a_file_that_differs_is_named_and_shown(base, capsys, name):
    manifest, kept = base / "manifest.json", base / "files" / name
    whole, content = manifest.read_text(), kept.read_bytes()
    told = json.loads(whole)
    told["sha256"][name] = "0" * 64
    try:
        manifest.write_text(json.dumps(told))
        kept.write_bytes(content.replace(content[:1], b"#", 1))
        assert main(["compare", str(base), "--command", name.split("/")[1]]) == 1
        shown = capsys.readouterr().out
        assert f"1 files differ: {name}" in shown
        assert "\n  -#" in shown
    finally:
        manifest.write_text(whole)
        kept.write_bytes(content)


def test_files_that_come_or_go_differ(base, capsys):
    manifest = base / "manifest.json"
    whole = manifest.read_text()
    told = json.loads(whole)
    del told["sha256"]["tiny/check/out/counts.csv"]
    told["sha256"]["tiny/check/out/gone.csv"] = "0" * 64
    (base / "files/tiny/check/out/gone.csv").write_text("x")
    try:
        manifest.write_text(json.dumps(told))
        assert main(["compare", str(base), "--command", "check"]) == 1
        shown = capsys.readouterr().out
        assert "out/counts.csv\n  only after" in shown
        assert "out/gone.csv\n  only before (1 bytes)" in shown
    finally:
        manifest.write_text(whole)


def test_a_base_is_never_written_over_nor_put_in_the_checkout(base, capsys, tmp_path):
    assert main(["record", str(base), "--shop", "tiny"]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert main(["record", str(ROOT / "tests" / "base")]) == 2
    assert "outside the checkout" in capsys.readouterr().err
    assert main(["compare", str(tmp_path)]) == 2
    assert "record one first" in capsys.readouterr().err
    assert main(["compare", str(base), "--shop", "demo"]) == 2
    assert "nothing of what is asked for" in capsys.readouterr().err


def test_shops_and_commands_are_picked_by_name():
    assert chosen(("tiny", "demo"), ("ratings",)) == [("demo", "ratings"), ("tiny", "ratings")]
    assert len(chosen((), ())) == sum(map(len, RUNS.values()))
    every = {"check", "review", "ratings", "load", "cutoff", "accept", "backtest"}
    assert all(set(RUNS[shop]) == every for shop in (*QUICK, "demo"))
    with pytest.raises(BaseError, match="'huge' is not one of demo, large, no_odometer, tiny"):
        chosen(("huge",), ())


def test_the_shops_are_what_they_are_called(tmp_path):
    for shop, units in (("tiny", 10), ("no_odometer", 150)):
        MAKERS[shop](tmp_path / shop)
        assert len(pd.read_csv(tmp_path / shop / "builds.csv")) == units
    columns = pd.read_csv(tmp_path / "no_odometer" / "builds.csv").columns
    assert not columns.str.contains("odometer").any()


def test_pages_are_compared_by_their_words_then_their_pictures():
    def page(word: str, picture: bytes) -> bytes:
        image = base64.b64encode(picture).decode()
        return f"<style>p{{}}</style><p>one</p><p>so <b>{word}</b></p><img alt='a' src='data:{image}'>".encode()

    assert difference("x.html", page("it is", b"1"), page("it is", b"1")) == []
    words = difference("x.html", page("it is", b"1"), page("it was", b"1"))
    assert {"-so it is", "+so it was"} < set(words)
    pictures = difference("x.html", page("it is", b"1"), page("it is", b"2"))
    assert any(line.startswith("-[picture 1") for line in pictures)
    markup = difference("x.html", page("it is", b"1"), page("it is", b"1") + b"<br>")
    assert "the markup differs" in markup[0]


def test_workbooks_are_compared_by_their_cells_and_other_files_by_their_bytes():
    def book(value: int) -> bytes:
        out = io.BytesIO()
        pd.DataFrame({"a": [1, value]}).to_excel(out, sheet_name="page", index=False, engine="xlsxwriter")
        return out.getvalue()

    assert difference("x.xlsx", book(2), book(3))[-2:] == ["-page 3: 2.0", "+page 3: 3.0"]
    assert difference("x.csv", b"a\n1\n", b"a\n2\n")[-2:] == ["-1", "+2"]
    assert "their ends differ" in difference("x.csv", b"a\r\n1\n", b"a\n1\n")[0]
    assert "other bytes" in difference("x.png", b"\xff", b"\xfe")[0]
    long = difference("x.csv", b"", "\n".join(map(str, range(90))).encode(), most=10)
    assert len(long) == 11
    assert long[-1] == "... and 81 lines more"


def test_what_was_printed_comes_first_then_pages_then_tables():
    assert in_order({"out/b.csv", "out/a.xlsx", "out/z.html", "stdout"}) == [
        "stdout",
        "out/z.html",
        "out/b.csv",
        "out/a.xlsx",
    ]
