"""From a folder of sheets as owners keep them to a review: what start proposes, keeps, asks and leaves alone."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.__main__ import main
from analytics.errors import RecordsError
from analytics.lifetimes.table import make_lifetimes
from analytics.records.files import TEXT_FILE
from analytics.records.load import Records, load_records
from analytics.report.start import start
from analytics.review.quarter import Span
from analytics.review.this_quarter import came_back
from tests.records.sheets import aside, back, build, load, to_csv, write_shop
from tests.start import shops

ROOT = Path(__file__).parents[2]
ALL = Span("all", pd.Timestamp("2000-01-01"), pd.Timestamp("2100-01-01"), True)


def folder_bytes(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def sheet(folder: Path) -> list[dict[str, str]]:
    """The rows of the sheet of sentences."""
    return list(csv.DictReader(io.StringIO((folder / TEXT_FILE).read_text(encoding="utf-8"))))


def owner_confirms(folder: Path) -> int:
    """The owner writes yes beside every row; how many cells that took, each no more than a yes."""
    path = folder / TEXT_FILE
    rows = sheet(folder)
    path.write_text(to_csv([row | {"confirmed": "yes"} for row in rows]), encoding="utf-8")
    return len(rows)


def held(records: Records, truth: shops.Truth) -> None:
    """The counts of the review, and the figures behind them, are those that were written."""
    lifetimes = make_lifetimes(records)
    answer = came_back(records, ALL, int(lifetimes.units["count"].sum()))
    counts = answer.said[0].values
    assert len(records.builds) == truth.units
    assert (counts["units"], counts["damaged"]) == (truth.returns, truth.returns)
    told = {r.values["component"]: r.values["n"] for r in answer.said if "component" in r.values}
    assert told == truth.damaged
    assert records.builds["power_hp"].mean() == pytest.approx(truth.power_hp, abs=0.1)
    assert records.builds["weight_lb"].mean() == pytest.approx(truth.weight_lb, abs=0.2)
    assert sorted(records.returns["miles"]) == pytest.approx(sorted(truth.miles), abs=1)
    assert (records.books.counts["read"] == records.books.counts["used"] + records.books.counts["set_aside"]).all()
    failed = lifetimes.table[lifetimes.table["ended"] == "failed"]
    assert set(failed["part"]) <= {"KX-20", "KX-40", "Stout 9", "Stout 11"}
    assert set(records.builds["input shaft"]) == {"KX-20", "KX-40"}


@pytest.mark.parametrize("make", [shops.export_shop, shops.database_shop, shops.yearly_shop])
def test_a_shop_is_read_after_one_round_without_a_line_by_its_owner(make, tmp_path):
    truth = make(tmp_path)
    before = folder_bytes(tmp_path)
    said = start(tmp_path)
    assert said.endswith(f"Next, type:\n  python -m analytics review {tmp_path}")
    assert {name: data for name, data in folder_bytes(tmp_path).items() if name in before} == before
    assert set(folder_bytes(tmp_path)) - set(before) == {"shop.toml"}
    held(load_records(tmp_path), truth)


def test_a_shop_that_tells_its_returns_in_sentences_is_read_after_two_rounds_and_a_yes_a_row(tmp_path):
    truth = shops.workbook_shop(tmp_path)
    before = folder_bytes(tmp_path)
    said = start(tmp_path)
    assert "16 rows of returns_from_text.csv wait for your yes or no" in said
    waiting = load_records(tmp_path)
    assert len(waiting.returns) == 0  # never into the figures unasked
    assert set(waiting.books.set_aside["reason"]) == {"recognised in a sentence, not confirmed"}
    assert len(waiting.books.returns_left_out) == truth.returns  # nor is a part taken as whole beyond that day
    assert owner_confirms(tmp_path) == truth.returns
    said = start(tmp_path)
    assert "wait for your yes" not in said
    held(load_records(tmp_path), truth)
    assert folder_bytes(tmp_path)["Shop book.xlsx"] == before["Shop book.xlsx"]


def test_what_the_export_says_of_its_quotes_and_units(tmp_path):
    shops.export_shop(tmp_path)
    said = start(tmp_path)
    assert "1 row of export 2024.csv has 'Quote' under 'Type' and belongs to no sheet" in said
    told = tomllib.loads((tmp_path / "shop.toml").read_text(encoding="utf-8"))
    assert told["units"] == {"power": "kW", "weight": "kg", "distance": "km"}
    assert told["dates"] == {"order": "day first"}
    assert told["sheets"]["returns"]["rows"] == {"Type": ["Claim"]}


def test_guesses_are_marked_and_explained(tmp_path):
    shops.yearly_shop(tmp_path)
    start(tmp_path)
    text = (tmp_path / "shop.toml").read_text(encoding="utf-8")
    assert 'power = ["HP", "Horsepower"]  # called 2 ways on different pages' in text
    assert 'order = "year first"' in text
    assert re.search(r'KX-20 = \["KX 20", .*\]  # GUESS: the same but for spaces', text)
    assert 'distance = "miles"  # GUESS: bare figures name no unit; the usual one is taken' in text


def test_run_again_it_changes_nothing(tmp_path):
    shops.workbook_shop(tmp_path)
    start(tmp_path)
    owner_confirms(tmp_path)
    before = folder_bytes(tmp_path)
    start(tmp_path)
    assert folder_bytes(tmp_path) == before


def test_run_again_it_keeps_what_the_owner_wrote(tmp_path):
    shops.export_shop(tmp_path)
    start(tmp_path)
    path = tmp_path / "shop.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('"input shaft" = "Input shaft"', '"first shaft" = "Input shaft"  # ours').replace(
        '"day first"', '"month first"'
    )
    text = re.sub(r"^power = .*\n", "", text, flags=re.MULTILINE) + "\n[costs]\ncomeback = 3000\n"
    path.write_text(text, encoding="utf-8")
    start(tmp_path)
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    assert told["components"] == {"first shaft": "Input shaft", "converter": "Converter"}
    assert told["dates"]["order"] == "month first"
    assert told["costs"]["comeback"] == 3000
    assert told["units"]["power"] == "kW"  # what was taken away is proposed anew, in its section
    assert "# ours" in path.read_text(encoding="utf-8")


def test_a_component_the_owner_renamed_keeps_his_name_everywhere(tmp_path):
    shops.workbook_shop(tmp_path)
    (tmp_path / "shop.toml").write_text('[components]\n"first shaft" = "Input shaft"\n', encoding="utf-8")
    start(tmp_path)
    told = tomllib.loads((tmp_path / "shop.toml").read_text(encoding="utf-8"))
    assert told["components"] == {"first shaft": "Input shaft"}
    assert told["parts"] == {"first shaft": {"KX-20": ["KX 20"]}}
    assert {row["component"] for row in sheet(tmp_path)} == {"first shaft", ""}
    load_records(tmp_path)


def test_names_a_slip_apart_stay_apart_until_somebody_says_so(tmp_path):
    rows = [build(serial=f"T-{n}0X", shaft="Billet") for n in range(30)] + [build(serial="T-99X", shaft="Bilet")]
    (tmp_path / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (tmp_path / "returns.csv").write_text(to_csv([back(serial="T-10X", part="")]), encoding="utf-8")
    start(tmp_path)
    assert '# Billet = ["Bilet"]  # GUESS: one letter apart' in (tmp_path / "shop.toml").read_text(encoding="utf-8")
    assert set(load_records(tmp_path).builds["input shaft"]) == {"Billet", "Bilet"}
    (tmp_path / "shop.toml").unlink()
    start(tmp_path, lambda question: "yes")
    assert set(load_records(tmp_path).builds["input shaft"]) == {"Billet"}


def test_light_trucks_are_no_kilograms_without_more_reason(tmp_path):
    """Pounds of a truck for the strip look like kilograms of a heavy one."""
    rows = [build(serial=f"T-{n}0X", weight=str(3400 + n)) for n in range(20)]
    (tmp_path / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (tmp_path / "returns.csv").write_text(to_csv([back(serial="T-10X")]), encoding="utf-8")
    assert "units weight: lb (GUESS: the figure in the middle is 3,410)" in start(tmp_path)


def test_corrected_sentences_are_kept_and_new_ones_added(tmp_path):
    shops.workbook_shop(tmp_path)
    start(tmp_path)
    path = tmp_path / TEXT_FILE
    rows = sheet(tmp_path)
    kept = [row | {"finding": "mine", "confirmed": "no"} for row in rows[:5]]
    path.write_text(to_csv(kept), encoding="utf-8")
    start(tmp_path)
    again = sheet(tmp_path)
    assert again[:5] == kept
    assert [r["from_row"] for r in again] == [r["from_row"] for r in rows]
    assert {r["confirmed"] for r in again[5:]} == {""}


def test_comebacks_written_after_the_sentences_were_listed_are_told_until_start_lists_them(tmp_path):
    (tmp_path / "builds.csv").write_text(to_csv([build(serial=f"T-{n}0X") for n in range(20)]), encoding="utf-8")
    page = tmp_path / "Comebacks.csv"
    told = "".join(f"2023-0{n}-10,T-{n}0X,Input shaft broke on the highway\n" for n in range(1, 5))
    page.write_text("Date in,Serial,What happened\n" + told, encoding="utf-8")
    start(tmp_path)
    before = sheet(tmp_path)
    assert {r["from_row"] for r in before} == {f"Comebacks.csv, row {n}" for n in range(2, 6)}
    assert load_records(tmp_path).books.files_passed_over() == []
    with page.open("a", encoding="utf-8") as file:
        file.write("2023-09-10,T-90X,Input shaft broke at the strip\nTotal: 5,,\n")  # a line of totals is no comeback
    assert load_records(tmp_path).books.files_passed_over() == [
        "1 row of Comebacks.csv came after its sentences were listed in returns_from_text.csv, and what they tell does not count yet: "
        "type start again, which adds them to the list."
    ]
    start(tmp_path)
    assert len(sheet(tmp_path)) > len(before)
    assert load_records(tmp_path).books.files_passed_over() == []


def test_a_person_is_asked_and_the_answers_hold(tmp_path):
    shops.yearly_shop(tmp_path / "a")
    asked: list[str] = []
    start(tmp_path / "a", lambda question: asked.append(question) or "no")
    assert [q.split(":")[0] for q in asked] == ["input shaft"]
    assert re.search(r"are KX-20 \(\d+\), KX 20 \(\d\).* the same part\?$", asked[0])
    found = load_records(tmp_path / "a")
    assert {"KX-20", "KX 20", "KX20"} <= set(found.builds["input shaft"])
    shops.workbook_shop(tmp_path / "b")
    answers = iter(["yes", "no", "yes", "all"])
    start(tmp_path / "b", lambda question: next(answers))
    rows = sheet(tmp_path / "b")
    assert [r["confirmed"] for r in rows[:4]] == ["", "yes", "yes", "yes"]  # what was misread is to be corrected


def test_a_complete_folder_gives_the_next_command_at_once(tmp_path, capsys):
    write_shop(tmp_path, builds=[build()], returns=[back()])
    before = (tmp_path / "shop.toml").read_text(encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 0
    assert capsys.readouterr().out.rstrip().endswith(f"review {tmp_path}")
    assert (tmp_path / "shop.toml").read_text(encoding="utf-8").startswith(before.rstrip())


def test_the_demo_without_its_settings_is_read_as_with_them(tmp_path):
    """Its odd spellings and its dates of both orders included; what nobody can guess, other names of parts, stays apart."""
    for path in (ROOT / "data" / "demo").iterdir():
        if path.suffix in (".csv", ".xlsx"):
            (tmp_path / path.name).write_bytes(path.read_bytes())
    start(tmp_path)
    ours, theirs = load_records(tmp_path, "2024-12-31"), load_records(ROOT / "data" / "demo", "2024-12-31")
    pd.testing.assert_frame_equal(ours.books.counts, theirs.books.counts)
    assert ours.builds["power_hp"].equals(theirs.builds["power_hp"])
    assert ours.builds["weight_lb"].equals(theirs.builds["weight_lb"])
    assert list(ours.shop.components) == list(theirs.shop.components)
    assert np.mean(ours.builds["input shaft"] == theirs.builds["input shaft"]) > 0.99
    assert ours.builds["use"].equals(theirs.builds["use"])


@pytest.mark.parametrize("content", [b"", b"\x00\xff\x13garbage", b"PK\x03\x04broken"])
def test_files_that_cannot_be_read_are_named_and_the_rest_goes_on(tmp_path, content):
    shops.database_shop(tmp_path)
    (tmp_path / "old.xlsx").write_bytes(content)
    assert "old.xlsx" in start(tmp_path)
    assert len(load_records(tmp_path).builds) == 100


def test_an_empty_folder_and_a_broken_shop_toml_are_said(tmp_path):
    assert "Not ready" in start(tmp_path)
    (tmp_path / "shop.toml").write_text("[components\n", encoding="utf-8")
    with pytest.raises(RecordsError, match="cannot be read"):
        start(tmp_path)
    assert (tmp_path / "shop.toml").read_text(encoding="utf-8") == "[components\n"
    (tmp_path / "shop.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordsError, match="cannot be read"):
        start(tmp_path)
    with pytest.raises(RecordsError, match="no such folder"):
        start(tmp_path / "nowhere")


@pytest.mark.parametrize(
    "heading",
    ['Sh"aft', "Input\\shaft", "Input # shaft", "Input\tshaft", "[Input] 'shaft'", "Wellе input", "=1+1 input"],
)
def test_headings_and_parts_of_any_letters_make_good_toml(tmp_path, heading):
    heading = heading if "nput" in heading else f"{heading} input"
    rows = [
        {h: v for h, v in build(serial=f"T-{n}0X").items() if h != "shaft"} | {heading: 'A "one" \\ #\x07'}
        for n in range(30)
    ]
    rows[0][heading] = 'a-"ONE" \\ #\x07'
    (tmp_path / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (tmp_path / "returns.csv").write_text(to_csv([back(serial="T-10X")]), encoding="utf-8")
    start(tmp_path)
    told = tomllib.loads((tmp_path / "shop.toml").read_text(encoding="utf-8"))
    assert " ".join(heading.split()) in {" ".join(h.split()) for h in told["components"].values()}
    assert len(load_records(tmp_path).builds) == 30


def test_rows_not_confirmed_or_denied_of_a_sheet_of_sentences(tmp_path):
    rows = [back(confirmed="yes"), back(serial="T-200", confirmed=""), back(serial="T-300", confirmed="no")]
    found = load(tmp_path, builds=[build(), build(serial="T-200"), build(serial="T-300")], returns=rows)
    assert list(found.returns["row"]) == [2]
    assert aside(found) == [
        ("returns", 3, "confirmed", "recognised in a sentence, not confirmed"),
        ("returns", 4, "confirmed", "said to be no damage of this component"),
    ]
    assert found.books.returns_left_out["row"].tolist() == [3]


def listing_shop(folder: Path, named: bool) -> None:
    """One column holds a part of each of three components; returns call them by words of their own, with their part or without."""
    cells = [["KX-20", "KX-40"][n % 3 == 0] + " / Grip 4 / " + ["Stout 9", "Stout 11"][n % 2] for n in range(40)]
    rows = [
        {"Tag": f"R{700 + 7 * n}", "Built": f"2021-{1 + n % 12:02d}-05", "HP": str(500 + n), "Parts": cells[n]}
        for n in range(40)
    ]
    what = ["shaft", "shaft, clutches", "converter"]
    told = [
        {"Tag": rows[n]["Tag"], "Came back": "2023-02-11", "What": what[n % 3], "Part": "", "Found": "broke"}
        for n in range(12)
    ]
    for n in range(12) if named else ():
        told[n]["Part"] = cells[n].split(" / ")[n % 3] if n % 3 != 1 else ""
    (folder / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (folder / "returns.csv").write_text(to_csv(told), encoding="utf-8")


def test_one_column_of_parts_and_cells_of_several_components(tmp_path):
    listing_shop(tmp_path, named=True)
    said = start(tmp_path)
    assert said.endswith(f"review {tmp_path}")
    found = load_records(tmp_path)
    assert list(found.shop.components) == ["shaft", "clutches", "converter"]
    assert found.returns["component"].value_counts().to_dict() == {"shaft": 8, "converter": 4, "clutches": 4}
    assert set(found.builds["shaft"]) == {"KX-20", "KX-40"}
    assert set(found.builds["clutches"]) == {"Grip 4"}
    before = folder_bytes(tmp_path)
    assert start(tmp_path).endswith(f"review {tmp_path}")
    assert folder_bytes(tmp_path) == before


def test_whose_parts_they_are_is_asked_where_nothing_tells(tmp_path):
    listing_shop(tmp_path, named=False)
    said = start(tmp_path)
    assert "which part stands for which is not known yet: say so under [words.component]" in said
    assert "Not usable yet: 12 of 12 rows of returns are set aside" in said
    path = tmp_path / "shop.toml"
    text = path.read_text(encoding="utf-8")
    for at, word in enumerate(("shaft", "clutches", "converter"), 1):  # three lines: the # away, and one word left
        text = re.sub(rf'# ("parts {at}" = ).*', rf'\1["{word}"]', text)
    path.write_text(text, encoding="utf-8")
    said = start(tmp_path)
    assert "is not known yet" not in said
    assert said.endswith(f"review {tmp_path}")
    found = load_records(tmp_path)
    assert len(found.returns) == 16
    assert set(found.builds["parts 2"]) == {"Grip 4"}
