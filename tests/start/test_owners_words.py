"""Sheets as a trial on invented shops found them to stop or mislead their owner: names spelt many ways, headings cut short, rows of totals."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import pytest

from analytics.records.files import TEXT_FILE
from analytics.records.headings import bare_key
from analytics.records.load import load_records
from analytics.records.names import alike
from analytics.report.start import start
from analytics.start.pages import in_full
from tests.records.sheets import aside, back, build, checks, load, to_csv


def spelt(folder: Path) -> Path:
    """A shop whose converter is spelt three ways: alike but for a space, and with a slip."""
    names = ["Triple 2600"] * 20 + ["Triple2600"] * 2 + ["Tripple 2600"] * 3
    rows = [build(serial=f"T-{n}0X", conv=name) for n, name in enumerate(names, 10)]
    (folder / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (folder / "returns.csv").write_text(to_csv([back(serial="T-100X")]), encoding="utf-8")
    return folder


def converters(folder: Path) -> set[str]:
    return set(load_records(folder).builds["converter"])


def test_a_name_spelt_two_ways_and_with_a_slip_has_one_line(tmp_path):
    """Two lines of one name are no TOML: the owner was told that his file cannot be read."""
    said = start(spelt(tmp_path), lambda question: "yes")
    assert "Next, type:" in said
    assert converters(tmp_path) == {"Triple 2600"}


@pytest.mark.parametrize(
    ("long", "short", "one"),
    [("stage 2", "stg 2", True), ("Billet 300", "bil. 300", True), ("stage 2", "stg 3", False), ("single", "triple", False), ("IS-A", "IS-AB", False)],
)  # fmt: skip
def test_a_word_cut_short_may_be_the_whole_one(long, short, one):
    """However often each is met: half of a shop's sheets may be one clerk's."""
    assert bool(alike({long: 44, short: 42})) is one


def test_names_that_differ_in_capitals_are_counted_as_one(tmp_path):
    built = [build(serial=f"T-{n}0X", conv=name) for n, name in enumerate(["Triple"] * 5 + ["TRIPLE"] * 4, 10)]
    (tmp_path / "builds.csv").write_text(to_csv(built), encoding="utf-8")
    (tmp_path / "returns.csv").write_text(to_csv([back(serial="T-100X")]), encoding="utf-8")
    assert "Triple (9)" in start(tmp_path)


def test_a_slip_that_is_a_part_of_its_own_leaves_the_other_spellings(tmp_path):
    start(spelt(tmp_path), lambda question: "no" if "Tripple" in question else "yes")
    assert converters(tmp_path) == {"Triple 2600", "Tripple 2600"}
    told = tomllib.loads((tmp_path / "shop.toml").read_text(encoding="utf-8"))
    assert told["parts"]["converter"] == {"Triple 2600": ["Triple2600"], "Tripple 2600": []}


def test_spellings_of_a_slip_go_where_it_goes(tmp_path):
    names = ["Triple 2600"] * 20 + ["Tripple 2600"] * 3 + ["Tripple2600"]
    rows = [build(serial=f"T-{n}0X", conv=name) for n, name in enumerate(names, 10)]
    (tmp_path / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    (tmp_path / "returns.csv").write_text(to_csv([back(serial="T-100X")]), encoding="utf-8")
    start(tmp_path, lambda question: "yes")
    assert converters(tmp_path) == {"Triple 2600"}


def test_the_remark_holds_the_whole_line_it_may_stand_for(tmp_path):
    start(spelt(tmp_path))
    path = tmp_path / "shop.toml"
    sure, remark = (line for line in path.read_text(encoding="utf-8").splitlines() if '"Triple 2600" =' in line)
    assert remark.startswith('# "Triple 2600" = ["Triple2600", "Tripple 2600"]  # GUESS')
    assert "delete the line of that name above" in remark
    text = path.read_text(encoding="utf-8").replace(sure + "\n", "").replace(remark, remark.removeprefix("# "))
    path.write_text(text, encoding="utf-8")
    assert converters(tmp_path) == {"Triple 2600"}


def test_a_line_twice_is_said_in_plain_words(tmp_path):
    spelt(tmp_path)
    with pytest.raises(Exception, match="no name twice in a section"):
        load(tmp_path / "twice", '[parts.converter]\n"A" = ["B"]\n"A" = ["C"]\n', builds=[build()])


def test_a_name_cut_short_by_the_components_own_word_is_asked():
    met = {"Billet shaft": 64, "billet shft": 3, "Billet": 2, "Stock shaft": 61, "stok shaft": 4, "shaft": 9}
    found = [(g.name, g.others, g.sure) for g in alike(met, "input shaft")]
    assert found == [("Billet shaft", ("billet shft", "Billet"), False), ("Stock shaft", ("stok shaft",), False)]
    assert [g.others for g in alike(met)] == [("billet shft",), ("stok shaft",)]  # no component, no words of it


def ledger(folder: Path) -> Path:
    """Two pages of an accounting export, their headings cut short."""
    folder.mkdir(exist_ok=True)
    sold = ["Inv.No;Inv.Dt;Pwr kW;Wt kg;Odo km;Appl.;TC;I/P shft;Clu.;Net amt"]
    for n in range(30):
        use, parts = ("TOW", "STR", "DRG")[n % 3], ("TC240;SH-S;CL7", "TC260;SH-B;CL9")[n % 2]
        sold.append(f"R{24000 + n};{1 + n % 28:02d}.09.2022;618,0;4.325,00;123.987;{use};{parts};7.443,24")
    credit = ["CN.No;CN.Dt;Orig.inv;Odo km;Comp.;Rsn;Cr.amt"]
    for n, (what, why) in enumerate([("TC", "shudder"), ("I/P shft", "broken"), ("Clu.", "burnt"), ("TC", "leaking")]):
        credit.append(f"G{500 + n};{14 + n}.02.2023;R{24003 + n};128.820;{what};{why};853,52")
    (folder / "sales ledger.csv").write_text("\r\n".join([*sold, ";;;;;;;;Total;7.000,00", ""]), encoding="cp1252")
    (folder / "credit notes.csv").write_text("\r\n".join([*credit, ""]), encoding="cp1252")
    return folder


def test_headings_cut_short_are_read_without_a_line_by_the_owner(tmp_path):
    said = start(ledger(tmp_path))
    assert "Next, type:" in said
    assert "builds have no column for them" not in said  # 'I/P shft' is one component, not two
    found = load_records(tmp_path)
    assert found.returns["component"].value_counts().to_dict() == {"converter": 2, "input shaft": 1, "clutch pack": 1}
    assert set(found.returns["finding"]) == {"shudder", "broken", "burnt", "leaking"}  # under a heading of reasons
    assert set(found.builds["use"]) == {"towing", "street", "drag"}
    assert found.builds["weight_lb"].mean() == pytest.approx(4325 / 0.45359237)


def test_a_folder_without_builds_says_what_a_page_of_builds_needs(tmp_path):
    (tmp_path / "list.csv").write_text("Colour,Shelf,Left\nred,1,2\nblue,2,3\n", encoding="utf-8")
    said = start(tmp_path)
    assert "list.csv (2 rows) is like no sheet; headings: Colour, Shelf and Left" in said
    assert "no page is taken for the builds. Such a page has one row a unit" in said
    assert "[components]" not in said.split("Not ready:")[1]


def told(folder: Path, sentence: str) -> Path:
    """A shop that tells its returns in sentences, with a row of totals under them, and its uses under a heading of its own words."""
    uses = ("tow", "drag strip", "pulls a camper", "daily", "show")
    rows = [build(serial=str(n)) | {"What he does": uses[n % 5]} for n in range(1001, 1031)]
    for row in rows:
        row["Input shaft"], row["Clutches"], row["Converter"] = row.pop("shaft"), "CP-4", row.pop("conv")
        del row["use"]
    (folder / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    backs = [
        {"Job": "Job 1004", "Came in": "2022-03-05", "Odo": "40000", "What was wrong": sentence},
        {"Job": "#1005", "Came in": "2022-03-06", "Odo": "41000", "What was wrong": "the clutch pack burnt up again"},
        {"Job": "Total", "Came in": "2", "Odo": "", "What was wrong": ""},
    ]
    (folder / "comebacks.csv").write_text(to_csv(backs), encoding="utf-8")
    return folder


def test_a_row_of_totals_waits_for_no_answer(tmp_path):
    said = start(told(tmp_path, "cluthces smoked on the long grade"))
    assert "2 returns told in sentences" in said
    assert "Run start again when new ones were written: before that they do not count." in said
    rows = csv.DictReader((tmp_path / TEXT_FILE).read_text(encoding="utf-8").splitlines())
    assert [(r["serial"], r["component"]) for r in rows] == [("Job 1004", "clutch pack"), ("#1005", "clutch pack")]


def test_a_sentence_misread_waits_and_is_no_denial(tmp_path):
    """A no was written as "nothing damaged": the failure that was told another way was lost without a word."""
    said = start(told(tmp_path, "found the converter burnt when we opened it"), lambda question: "no")
    assert "2 rows of returns_from_text.csv wait for your yes or no" in said


def test_a_use_is_known_by_its_words_and_a_serial_by_its_figures(tmp_path):
    start(told(tmp_path, "cluthces smoked on the long grade"), lambda question: "yes")
    found = load_records(tmp_path)
    assert found.builds["use"].value_counts().to_dict() == {"towing": 12, "drag": 6, "street": 6, "show": 6}
    assert len(found.returns) == 2  # 'Job 1004' is 1004


@pytest.mark.parametrize("serial", ["Job 1077", "job #1077", "Unit No. 1077", "# 1077"])
def test_what_a_serial_is_called_is_no_part_of_it(tmp_path, serial):
    found = load(tmp_path, builds=[build(serial="1077"), build(serial="1078")], returns=[back(serial=serial)])
    assert (len(found.returns), checks(found)) == (1, [])


@pytest.mark.parametrize("one", ["JOB1077", "TR 1077", "Notre 1077", "Job A21077"])
def test_letters_that_may_be_of_the_serial_stay(tmp_path, one):
    found = load(tmp_path, builds=[build(serial="1077")], returns=[back(serial=one)])
    assert len(found.returns) == 0


def test_a_weight_with_trailer_is_not_the_trucks_however_it_is_written(tmp_path):
    """The advice was to take the word out of the cell, and the trailer's weight would have been the truck's."""
    for n, typed in enumerate(["14,300 lbs w/ trailer", "14300 incl. trailer", "14,300# and trailer"]):
        found = load(tmp_path / str(n), builds=[build(weight=typed)])
        assert found.builds["weight_lb"].isna().all()
        assert checks(found)[0][3].startswith("a combined weight with trailer")


def test_an_example_row_is_no_record_of_later(tmp_path):
    """The owner of a new workbook was told of rows after the last day that he had not written."""
    readings = [{"serial": "EXAMPLE", "read_on": "2025-01-20", "odometer": "41200"}]
    readings.append({"serial": "T-100", "read_on": "2024-01-20", "odometer": "41200"})
    found = load(tmp_path, as_of="2024-06-01", builds=[build()], readings=readings)
    assert found.books.later["readings"] == 0


def test_parts_whose_names_begin_with_a_figure_are_parts(tmp_path):
    """The start said of them that the column is not used."""
    rows = [build(serial=f"T-{n}0X", shaft="7 plate") for n in range(30)]
    (tmp_path / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
    backs = [back(serial=f"T-{n}0X", part="7 plate", replaced_with="9 plate") for n in range(10, 13)]
    (tmp_path / "returns.csv").write_text(to_csv(backs), encoding="utf-8")
    said = start(tmp_path)
    assert "part = part" in said
    assert "replaced_with = replaced_with" in said


def test_a_return_without_damage_can_be_said(tmp_path):
    rows = [back(component="No damage"), back(component="n/a", failed_on="2022-05-01", returned_on="2022-05-02")]
    found = load(tmp_path, builds=[build()], returns=rows)
    assert [(row, why) for _, row, _, why in aside(found)] == [
        (2, "said to be no damage of this component"),
        (3, "no component named"),
    ]
    assert found.books.set_aside["remedy"].iloc[1] == "say which component it was, or 'no damage'"
    assert list(found.books.returns_left_out["day"].dt.strftime("%Y-%m-%d")) == [
        "2022-05-01"
    ]  # the other hides no failure


def test_sheets_in_german_with_comma_and_semicolon(tmp_path):
    built = "Auftragsnr.;Auslieferung;Leistung (kW);Gewicht (kg);Einsatz;Kilometerstand;Eingangswelle;Wandler\n"
    built += "".join(f"A-{n};{n}.06.2018;405,5;2.350,0;Anhängerbetrieb;{n}9.139;W2;Wd-280\n" for n in range(13, 25))
    back = "Auftragsnr.;Eingang am;Kilometerstand;Defektes Teil;Befund\nA-13;27.10.19;181823;Eingangswelle;gebrochen\n"
    (tmp_path / "Ausgang.csv").write_text(built, encoding="cp1252")
    (tmp_path / "Reklamationen.csv").write_text(back + "A-14;27.10.19;;Wd-280;rupft\n", encoding="cp1252")
    assert "Next, type:" in start(tmp_path)
    found = load_records(tmp_path)
    assert found.builds["power_hp"].iloc[0] == pytest.approx(405.5 / 0.745699872)
    assert found.builds["odometer_at_install"].iloc[0] == pytest.approx(139139 / 1.609344)
    assert found.builds["weight_lb"].iloc[0] == pytest.approx(2350 / 0.45359237)
    assert set(found.builds["use"]) == {"towing"}
    assert found.returns[["component", "part"]].values.tolist() == [
        ["input shaft", "not recorded"],
        ["converter", "Wd-280"],
    ]


@pytest.mark.parametrize(
    ("typed", "ours"),
    [
        ("N° de série", "serial no"),
        ("Kilometrage", "odometer"),
        ("Kilométrage (km)", "odometer"),
        ("Arbre d'entrée", "input shaft"),
        ("Poids (kg)", "weight"),
    ],
)
def test_a_heading_in_french_with_its_accents_or_without(typed, ours):
    assert in_full(bare_key(typed)) == ours


def test_comebacks_told_in_words_beside_their_build(tmp_path):
    """Two comebacks of a tiny shop: the column of words is filled in their rows alone."""
    told = {3: ("2022-03-05", "converter burnt, 31k"), 7: ("2022-04-05", "input shaft broke")}
    rows = [
        {"Tag": str(n), "Date": "2021-01-10", "hp": "500", "Input shaft": "stock", "Converter": "single", "Came back": told.get(n, ("",))[0], "Why": told.get(n, ("", ""))[1]}
        for n in range(1, 13)
    ]  # fmt: skip
    (tmp_path / "list.csv").write_text(to_csv(rows), encoding="utf-8")
    assert "2 returns told in sentences; a component was recognised in 2" in start(tmp_path)
    kept = list(csv.DictReader((tmp_path / TEXT_FILE).read_text(encoding="utf-8").splitlines()))
    assert [(r["serial"], r["component"], r["finding"], r["odometer"]) for r in kept] == [
        ("3", "converter", "burnt", "31k"), ("7", "input shaft", "broken", ""),
    ]  # fmt: skip


def test_sentences_of_a_component_without_a_column_and_a_page_of_invoice_lines(tmp_path):
    rows = [{"Tag": f"M{n}", "Left shop": "2021-01-10", "hp": "500", "Input": "BI"} for n in range(101, 113)]
    back = [{"Tag": "M101", "Came in": "2022-03-05", "What happened": "came back burnt 3-4, 61k, reman"}]
    lines = [
        {"Inv": str(n // 2), "Tag": f"M{101 + n // 2}", "Billed": "2021-01-10", "Qty": "1", "Item": "RED"}
        for n in range(24)
    ]
    for name, own in (("log", rows), ("warranty", back), ("invoices", lines)):
        (tmp_path / f"{name}.csv").write_text(to_csv(own), encoding="utf-8")
    said = start(tmp_path)
    assert "1 return may speak of the clutch pack, for which your builds have no column" in said
    assert "invoices.csv (24 rows) is like no sheet: it has several rows a unit" in said


def test_cells_that_name_the_usual_unit_confirm_it_and_another_changes_nothing(tmp_path):
    """A unit in some cells is the exception where it is not the usual one: bare figures beside kW are not kW."""
    for unit, told in (("hp", "the cells that name one say so, 2 such as"), ("kW", "GUESS: bare figures name no unit")):
        folder = tmp_path / unit
        folder.mkdir()
        rows = [build(serial=f"T-{n}0X", power=f"{n}0{unit * (n < 52)}") for n in range(50, 60)]
        (folder / "builds.csv").write_text(to_csv(rows), encoding="utf-8")
        (folder / "returns.csv").write_text(to_csv([back(serial="T-500X")]), encoding="utf-8")
        assert f"units power: hp ({told}" in start(folder)
