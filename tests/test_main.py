"""The command line, on the demo."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from analytics.__main__ import main
from analytics.report.files import VIEW_FILES
from analytics.whole import whole_file
from tests.browser.rules import SORTS
from tests.pages import unwrapped
from tests.pages import words as words_on
from tests.small_shop import build, rateable_shop, returned, write_shop

DEMO = Path(__file__).parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    out = tmp_path_factory.mktemp("review")
    assert main(["review", str(DEMO), "--out", str(out)]) == 0
    return out


def test_review_leaves_all_its_files(reviewed):
    assert {p.name for p in reviewed.iterdir()} == {
        "review.html",
        "sheet.html",
        "review.xlsx",
        "calls.csv",
        "limits.csv",
        "lifetimes.csv",
        "set_aside.csv",
        "to_check.csv",
        "counts.csv",
        "survival.csv",
        "watch.csv",
        "months_in_service.csv",
        "forecast.csv",
        "unit_chances.csv",
        "kept_word.csv",
        "said.csv",
        *(f"{file}.csv" for file in VIEW_FILES.values()),
    }


def _unscripted(page: Path) -> str:
    """A page without the one script that it may hold, which puts tables in order, and without what keeps names whole."""
    return unwrapped(page.read_text(encoding="utf-8").replace(f"<script>{SORTS}</script>", ""))


def test_the_page_needs_nothing_else_and_tells_no_paths(reviewed):
    page = _unscripted(reviewed / "review.html")
    for absent in (
        "<script",
        "http://",
        "https://",
        "<link",
        "@import",
        str(DEMO),
        str(reviewed),
        "Traceback",
        "Warning",
    ):
        assert absent not in page
    pictures = re.findall(r"<img [^>]*>", page)
    assert len(pictures) > 10
    assert all(re.search(r'alt="[^"]{30,}"', p) and 'src="data:image/png;base64,' in p for p in pictures)
    for question in (
        "What came back, and why?",
        "What changed since last quarter?",
        "What these figures cannot do",
        "Is anything getting worse?",
        "Did we keep our word?",
    ):
        assert f">{question}<" in page


def test_the_fleet_is_in_the_review(reviewed):
    """What was planted is found: cracked drums take the valve body along, and who runs above a limit heads the call list."""
    page = (reviewed / "review.html").read_text(encoding="utf-8")
    for question in (
        "Whose fault, year by year",
        "Which part killed the others",
        "Rebuilt units beside new ones",
        "Whom to call?",
        "What the verdicts hang on",
        "How long a guarantee could run",
    ):
        assert f">{question}<" in page
    drags = pd.read_csv(reviewed / "drags_others.csv").iloc[0]
    assert (drags["first"], drags["finding"], drags["damaged"]) == ("clutch pack", "drum cracked", "valve body")
    assert drags["lower"] < 0.6 < drags["upper"]  # as planted
    above = pd.read_csv(reviewed / "above_limit.csv")
    assert above["in_a_year"].dropna().is_monotonic_decreasing
    assert above["serial"].is_unique
    sure = pd.read_csv(reviewed / "how_sure.csv")
    assert {"100% of failures reported", "50% of failures reported"} <= set(sure["reading"])
    rebuilt = pd.read_csv(reviewed / "rebuilt.csv").set_index("rebuilds")
    assert rebuilt.loc["once", "lower"] < 1 < rebuilt.loc["once", "upper"]  # the invented parts do not care
    years = pd.read_csv(reviewed / "guarantee.csv").groupby("power_band")["back_in_12_months"].first()
    assert years["600 to 1,000"] > years["400 to 600"] > years["under 400"]


def test_the_review_is_short_and_names_its_folds(reviewed):
    page = (reviewed / "review.html").read_text(encoding="utf-8")
    assert words_on(page) <= 2500
    titles = re.findall(r"<summary>(.*?)</summary>", page)
    assert len(titles) == len(set(titles))
    assert page.index(">To do, most urgent first<") < page.index("<nav")


def test_the_sheet_leads_into_the_review_and_calls_each_truck_once(reviewed):
    sheet, page = ((reviewed / f"{name}.html").read_text(encoding="utf-8") for name in ("sheet", "review"))
    links = re.findall(r'href="review\.html#(\w+)"', sheet)
    assert 1 <= len(links) <= 7
    assert all(f'id="{link}"' in page for link in links)
    assert "TC-1/10" in sheet  # the planted lot
    calls = pd.read_csv(reviewed / "calls.csv")
    assert calls["serial"].is_unique
    assert calls["loss"].dropna().is_monotonic_decreasing
    limits = pd.read_csv(reviewed / "limits.csv")
    assert (limits["before_verdict"].notna()).any()


def test_counts_add_up(reviewed):
    counts = pd.read_csv(reviewed / "counts.csv")
    assert (counts["read"] == counts["used"] + counts["set_aside"]).all()
    assert counts["set_aside"].sum() == len(pd.read_csv(reviewed / "set_aside.csv"))


def test_check_prints_counts_and_remedies(capsys, tmp_path):
    assert main(["check", str(DEMO), "--out", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert re.search(r"^returns +152 +144 +8$", told, re.MULTILINE)
    assert "returns.csv, row 7" in told
    assert "Add the build, or correct the serial." in told
    assert len(pd.read_csv(tmp_path / "set_aside.csv")) == 16


def test_replay_from_the_command_line(tmp_path, capsys):
    assert main(["check", str(DEMO), "--as-of", "2022-06-30"]) == 0
    assert "as of 2022-06-30" in capsys.readouterr().out


def test_errors_are_sentences_not_tracebacks(tmp_path, capsys):
    assert main(["check", str(tmp_path / "nowhere")]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    folder = write_shop(tmp_path / "shop", builds=[build("T-111")])
    (folder / "returns.csv").write_text("serial,what\nT-111,x\n")
    for command in ("check", "review"):
        assert main([command, str(folder)]) == 2
        told = capsys.readouterr().err
        assert "error: returns: returns.csv lacks the headings 'component', 'failed_on'" in told
        assert "Traceback" not in told
    assert not (folder / "review").exists() or not any((folder / "review").iterdir())


def test_inputs_are_left_alone(tmp_path):
    folder = write_shop(tmp_path / "shop", builds=[build("T-111")], returns=[returned("T-111", "2023-01-01")])
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert main(["check", str(folder), "--out", str(tmp_path / "out")]) == 0
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_demo_is_made_anew_and_refuses_foreign_folders(tmp_path, capsys):
    for name, told in (("demo", []), ("demo_load", ["--load"])):
        new = tmp_path / name
        for _ in range(2):  # the second time over the first
            assert main(["demo", str(new), *told]) == 0
        assert {p.name: p.read_bytes() for p in new.iterdir()} == {
            p.name: p.read_bytes() for p in (DEMO.parent / name).iterdir()
        }
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "taxes.txt").write_text("x")
    assert main(["demo", str(tmp_path / "mine")]) == 2
    assert (tmp_path / "mine" / "taxes.txt").read_text() == "x"


@pytest.fixture
def rated_shop(tmp_path):
    return rateable_shop(tmp_path / "shop")


def test_ratings_from_the_command_line(rated_shop, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["ratings", str(rated_shop), "--out", str(out), "--life", "40000"]) == 0
    assert {p.name for p in out.iterdir()} == {
        "ratings.html",
        "ratings.csv",
        "ratings.xlsx",
        "customer_sheet.html",
        "above_supported.csv",
    }
    assert "s a row" in capsys.readouterr().out
    table = pd.read_csv(out / "ratings.csv")
    assert (table["life_miles"] == 40_000).all()
    listed = pd.read_csv(out / "above_supported.csv")["serial"]
    assert len(listed)
    assert not [serial for serial in listed if serial in (out / "customer_sheet.html").read_text(encoding="utf-8")]
    page = _unscripted(out / "ratings.html")
    for absent in ("<script", "http://", "https://", str(rated_shop), "Traceback"):
        assert absent not in page
    assert main(["ratings", str(rated_shop), "--confidence", "90"]) == 2
    assert "give a share" in capsys.readouterr().err


def test_load_from_the_command_line(rated_shop, tmp_path, capsys):
    out = tmp_path / "out"
    (rated_shop / "parts.csv").write_text(
        "component,part,outside_diameter,hardness\ninput shaft,A,1.22 in,40 HRC\n", encoding="utf-8"
    )
    builds = pd.read_csv(rated_shop / "builds.csv")
    builds.assign(torque=(builds["power"] * 2).round()).to_csv(rated_shop / "builds.csv", index=False)
    assert main(["load", str(rated_shop), "--out", str(out), "--strength", "torque"]) == 0
    assert {p.name for p in out.iterdir()} == {
        "load.html",
        "loads.csv",
        "load_ratings.csv",
        "suspects.csv",
        "load.xlsx",
    }
    assert "The loads:" in capsys.readouterr().out
    loads = pd.read_csv(out / "loads.csv")
    shafts = loads[(loads["component"] == "input shaft") & (loads["part"] == "A")]
    assert (shafts["stress_margin_low"] <= shafts["stress_margin"]).all()
    assert (shafts["stress_margin"] <= shafts["stress_margin_high"]).all()
    assert set(pd.read_csv(out / "load_ratings.csv")["strength"]) == {"power", "torque", "margin"}
    page = _unscripted(out / "load.html")
    for absent in ("<script", "http://", "https://", str(rated_shop), "Traceback"):
        assert absent not in page
    for said in (
        "on torque, up to 7,500 lb",
        "What load does A carry, and what does it bear?",
        "no safety certificate",
    ):
        assert said in page
    assert main(["load", str(rated_shop), "--strength", "colour"]) == 2
    assert "must be one of 'power', 'torque', 'margin'" in capsys.readouterr().err


def test_accept_and_backtest_from_the_command_line(rated_shop, tmp_path, capsys):
    line = [
        "accept",
        str(rated_shop),
        "--component",
        "input shaft",
        "--part",
        "A",
        "--weight-up-to",
        "7500",
        "--by",
        "the owner",
    ]
    assert main([*line, "--power", "100", "--effective-on", "2024-04-01"]) == 0
    assert "Added to limits: input shaft A, up to 7500 lb, 100 hp from 2024-04-01." in capsys.readouterr().out
    assert main([*line, "--power", "5000"]) == 2
    assert "more than the records prove" in capsys.readouterr().err
    assert main([*line, "--power", "100", "--effective-on", "soon"]) == 2
    assert "is not a date" in capsys.readouterr().err
    assert len((rated_shop / "limits.csv").read_text().splitlines()) == 2
    assert main(["backtest", str(rated_shop), "--quarters", "2", "--out", str(tmp_path / "bt")]) == 0
    assert (tmp_path / "bt" / "backtest.csv").is_file()


def test_coverage_from_the_command_line(rated_shop, capsys):
    assert main(["coverage", str(rated_shop), "--replicates", "3"]) == 0
    told = capsys.readouterr().out
    assert re.search(
        r"input shaft A, up to 7,500 lb, any use, \d+ hp on the sheet: drawn 3 times from its own fit", told
    )
    assert "converter C: 0 failures" in told


def test_cutoff_writes_the_brief_and_the_argument(tmp_path, capsys):
    out = tmp_path / "cutoff"
    arguments = ["cutoff", str(DEMO), "--component", "converter", "--from", "TC-1", "--to", "TC-2", "--out", str(out)]
    assert main(arguments) == 0
    assert "brief.html" in capsys.readouterr().out
    brief = (out / "brief.html").read_text(encoding="utf-8")
    for words in ("The claim", "What would change our mind", "Cautions", "no power has had both", "data:image/png"):
        assert words in brief
    page = (out / "argument.html").read_text(encoding="utf-8")
    assert "Are the parts comparable?" in page
    assert "Traceback" not in page
    assert "no figure" in (out / "cutoff.csv").read_text(encoding="utf-8")


def test_cutoff_says_what_is_missing(tmp_path, capsys):
    shop = rateable_shop(tmp_path / "shop")
    assert main(["cutoff", str(shop), "--component", "input shaft", "--from", "A", "--to", "B"]) == 2
    assert "[costs] does not say what a comeback costs" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_words_come_out_whatever_letters_the_place_has(tmp_path, encoding):
    """Into a file on a machine of few letters: those it lacks come as their numbers, never a traceback."""
    folder = write_shop(
        tmp_path / "shop", builds=[build("T-111", power="−650 л.с.")], returns=[returned("Т-999", "2023-01-01")]
    )
    with (tmp_path / "told").open("wb") as told:
        done = subprocess.run(
            [sys.executable, "-m", "analytics", "check", str(folder)],
            cwd=DEMO.parents[1],
            stdout=told,
            stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(DEMO.parents[1]), "PYTHONIOENCODING": encoding},
        )
    assert (done.returncode, done.stderr) == (0, b"")
    words = (tmp_path / "told").read_bytes().decode(encoding)
    assert "\\u043b.\\u0441." in words
    assert "Every row read is used or set aside" in words


def test_a_request_to_end_leaves_nothing_half_written(tmp_path, monkeypatch, capsys):
    def writing(*_):
        with whole_file(tmp_path / "limits.csv") as part:
            part.write_text("half")
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(5)

    monkeypatch.setattr("analytics.records.load.load_records", writing)
    before = signal.getsignal(signal.SIGTERM)
    try:
        assert main(["check", str(tmp_path)]) == 130
    finally:
        signal.signal(signal.SIGTERM, before)
    assert not list(tmp_path.iterdir())
    assert "stopped" in capsys.readouterr().err
