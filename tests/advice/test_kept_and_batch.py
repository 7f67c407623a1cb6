"""What was advised is written down and held against what came; a sheet of trucks in, a sheet of answers out."""

from __future__ import annotations

import pandas as pd
import pytest

import analytics
from analytics.__main__ import main
from analytics.advice.batch import lines_of, read_trucks
from analytics.errors import AnalyticsError, RecordsError
from analytics.ratings.grown import ADVISED
from analytics.ratings.ledger import fingerprint
from analytics.review.advised import advised_answer
from analytics.words.answers import worded
from tests.advice.test_adviser import TARGET, shop_of
from tests.small_shop import TOML, build, returned, write_shop


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return shop_of(tmp_path_factory.mktemp("kept") / "shop")


def line(serial: str, part: str = "A", life: float = 40_000, lasts: float = 0.95, on: str = "2020-01-01") -> tuple:
    return (on, serial, "input shaft", part, 500, 7000, "street", life, lasts, 0.9)


def test_lines_are_only_added(tmp_path):
    first = pd.DataFrame([line("T-1")], columns=[*ADVISED.columns])
    path = ADVISED.add(tmp_path, first)
    before = path.read_bytes()
    ADVISED.add(tmp_path, first.assign(serial="=SUM(1)"))
    assert path.read_bytes().startswith(before)
    told = ADVISED.read(tmp_path)
    assert told["serial"].tolist() == ["T-1", "'=SUM(1)"]
    assert told["lasts"].tolist() == [0.95, 0.95]


def test_a_file_that_cannot_be_read_is_left_alone(tmp_path):
    (tmp_path / ADVISED.name).write_text("something else\n1\n")
    with pytest.raises(AnalyticsError, match="Lines are only added to it"):
        ADVISED.add(tmp_path, pd.DataFrame([line("T-1")], columns=[*ADVISED.columns]))
    assert (tmp_path / ADVISED.name).read_text() == "something else\n1\n"


def test_what_was_advised_is_no_part_of_the_records(shop):
    before = fingerprint(shop.records.shop)
    advice = analytics.advise(shop, 420, 7000, "street")
    path = advice.keep("T-0001XY")
    assert fingerprint(shop.records.shop) == before
    told = ADVISED.read(shop.records.shop.folder)
    assert path.name == ADVISED.name
    assert told["part"].tolist()[:1] == ["A"]
    assert told["at_least"].iloc[0] >= 0.9
    assert told["at_least"].iloc[0] < told["lasts"].iloc[0] < 1


def test_without_a_serial_or_a_part_nothing_is_kept(shop):
    with pytest.raises(AnalyticsError, match="give the serial"):
        analytics.advise(shop, 420, 7000, "street").keep(" ")
    with pytest.raises(AnalyticsError, match="nothing to keep"):
        lines_of(analytics.advise(shop, 420, 7000, "autocross").advice, "T-1")


def test_the_review_counts_what_lasted_what_failed_and_what_runs(tmp_path):
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=500, weight=7000) for k in range(5)]
    back = [returned("T-001XY", "2022-01-01", miles_in_service=20_000)]
    readings = [
        {"serial": "T-000XY", "read_on": "2023-06-01", "odometer": 45_000},
        {"serial": "T-002XY", "read_on": "2023-06-01", "odometer": 20_000},
    ]
    folder = write_shop(tmp_path / "s", TOML + TARGET, builds=builds, returns=back, readings=readings)
    lines = [line("t 000 xy"), line("T-001XY"), line("T-002XY"), line("T-003XY", part="B"), line("T-777XY"), line("")]
    lines += [line("T-002XY", lasts=0.9), line("T-004XY", on="2030-01-01")]
    ADVISED.add(folder, pd.DataFrame(lines, columns=[*ADVISED.columns]))
    answer = advised_answer(analytics.read(folder).lifetimes)
    fared = dict(zip(answer.table["serial"], answer.table["fared"], strict=True))
    assert fared == {
        "t 000 xy": "lasted",
        "T-001XY": "failed",
        "T-002XY": "under way",
        "T-003XY": "fitted otherwise",
        "T-777XY": "not built yet",
    }
    # 0.05 x 1, 0.05 x 1/2, and the later word on the third: 0.1 x 1/2
    assert answer.said[1].values["expected"] == pytest.approx(0.05 + 0.025 + 0.05, abs=0.005)
    told = worded(answer).sentences
    assert (
        told[0]
        == "Of 3 parts advised and fitted, 1 lasted as long as was asked, 1 failed before that, and 1 is under way."
    )
    assert told[2] == "1 unit was built with another part than was advised."


def test_nothing_kept_is_said(shop, tmp_path):
    own = analytics.read(write_shop(tmp_path / "s", builds=[build("T-111")]))
    assert worded(advised_answer(own.lifetimes)).sentences[0].startswith("Nothing advised is on file")


def test_a_sheet_of_trucks_in_a_sheet_of_answers_out(shop, tmp_path, capsys):
    sheet = tmp_path / "trucks.csv"
    sheet.write_text(
        "Caller,Power,Weight,Use,Stall ratio,Life\n"
        "one,420,7000,daily,1.9,20000\n"
        'two,"about 400 whp","3.2 t",tow,,\n'
        "three,3,7000,street,,\n"
        "four,420,7000,street,low,\n"
    )
    folder = str(shop.records.shop.folder)
    assert main(["advise", folder, "--trucks", str(sheet)]) == 0
    assert "4 trucks answered, 2 with a question back" in capsys.readouterr().out
    told = pd.read_csv(tmp_path / "advice.csv", keep_default_na=False)
    assert told["Caller"].tolist() == ["one", "two", "three", "four"]
    assert told["input shaft"].tolist()[0] == "A"
    assert told["question"].tolist()[0] == ""
    assert told["question"].tolist()[2].startswith("How much power does it make?")
    assert "stall_ratio is 'low'" in told["question"].tolist()[3]


@pytest.mark.parametrize("text", ["", "Caller,Weight\none,7000\n", "Power,Weight\n"])
def test_a_sheet_that_is_none_is_refused(tmp_path, text):
    sheet = tmp_path / "trucks.csv"
    sheet.write_text(text)
    with pytest.raises(RecordsError):
        read_trucks(sheet)


def test_the_command_answers_keeps_and_writes_half_a_page(shop, tmp_path, capsys):
    folder, page = str(shop.records.shop.folder), tmp_path / "page.html"
    asked = ["advise", folder, "--power", "800", "--weight", "7000", "--use", "street", "--given", "stall-ratio=1.9"]
    assert main([*asked, "--page", str(page), "--keep", "T-0002XY"]) == 0
    out = capsys.readouterr().out
    assert "Input shaft: B ($800)" in out
    assert "A ($400) is not enough" in out
    assert "stall ratio 1.9" in out
    text = page.read_text()
    assert "T-0002XY" not in text
    assert "A driveline part can burst at speed" in text
    assert "<details" not in text
    assert "<script" not in text
    assert main(["advise", folder, "--power", "lots"]) == 2
    assert "How much power does it make?" in capsys.readouterr().err
    assert main([*asked, "--given", "stall"]) == 2
    assert "NAME=FIGURE" in capsys.readouterr().err
