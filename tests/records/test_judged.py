"""Second judgements: to which return each belongs, and what becomes of those that fit none."""

from __future__ import annotations

import pandas as pd

from tests.records.sheets import aside, back, build, checks, load


def again(**cells: str) -> dict[str, str]:
    return {
        "serial": "T-100",
        "component": "input shaft",
        "judged_on": "2022-03-20",
        "finding": "broken",
        "cause": "part",
    } | cells


def test_a_second_judgement_stands_beside_the_first(tmp_path):
    found = load(
        tmp_path,
        builds=[build()],
        returns=[back(order="first")],
        judged_again=[again(cause="abuse", order="1st", judged_by="JT")],
    )
    row = found.judged_again.iloc[0]
    assert (row["unit"], row["first_cause"], row["cause"]) == (0, "part", "over limit")
    assert (row["first_order"], row["order"], row["finding"], row["judged_by"]) == ("first", "first", "broken", "jt")
    assert found.books.counts.set_index("sheet").loc["judged_again"].tolist() == [1, 1, 0]
    assert not aside(found)


def test_no_sheet_no_rows(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back()])
    assert found.judged_again.empty
    assert "judged_again" not in set(found.books.counts["sheet"])


def test_the_last_return_before_it_or_the_one_it_names(tmp_path):
    returns = [
        back(),
        back(failed_on="2023-05-01", returned_on="2023-05-09", odometer="60000", finding="twisted", part="IS-B"),
    ]
    found = load(
        tmp_path,
        builds=[build()],
        returns=returns,
        judged_again=[
            again(judged_on="2023-06-01", finding="twisted"),
            again(judged_on="2023-06-02", returned_on="2022-03-05"),
        ],
    )
    assert found.judged_again["first_finding"].tolist() == ["twisted", "broken"]


def test_rows_that_fit_no_return_are_set_aside_with_the_reason(tmp_path):
    rows = [
        again(judged_on="2022-03-01"),  # before it came in
        again(component="converter"),
        again(returned_on="2022-03-06"),
        again(),
        again(judged_on="2022-04-01"),  # judged a third time
        again(serial="X-999"),
        again(finding="", cause=""),
        again(component="radio"),
        again(judged_on=""),
        again(returned_on="2022-04-05", judged_on="2022-03-20"),
    ]
    found = load(tmp_path, builds=[build()], returns=[back()], judged_again=rows)
    told = {row: reason for _, row, _, reason in aside(found)}
    assert told[2] == "no return of this unit and component up to 1 Mar 2022"
    assert told[3] == "no return of this unit and component up to 20 Mar 2022"
    assert told[4] == "no return of this unit and component on 6 Mar 2022"
    assert told[6] == "the return is already judged again in row 5"
    assert told[7] == "no build with this serial"
    assert told[8] == "no finding, order or cause that could be read"
    assert told[9].startswith("not one of the components")
    assert told[10] == "no date"
    assert told[11] == "judged again 20 Mar 2022, before it came back (5 Apr 2022)"
    assert found.books.counts.set_index("sheet").loc["judged_again"].tolist() == [10, 1, 9]
    assert found.judged_again["row"].tolist() == [5]


def test_two_returns_of_one_day_are_not_guessed_between(tmp_path):
    found = load(tmp_path, builds=[build()], returns=[back(), back(finding="twisted")], judged_again=[again()])
    assert aside(found) == [
        ("judged_again", 2, "serial", "2 returns of this component came in on 5 Mar 2022: which one is not known")
    ]


def test_mistyped_serials_two_way_dates_and_unknown_words(tmp_path):
    found = load(
        tmp_path,
        builds=[build(serial="T-1004")],
        returns=[back(serial="T-1004", failed_on="2022-03-01", returned_on="2022-03-05")],
        judged_again=[again(serial="T-1005", judged_on="03/20/2022", cause="gremlins")],
    )
    assert found.judged_again["judged_on"][0] == pd.Timestamp("2022-03-20")
    assert found.judged_again["cause"][0] == ""  # not understood: not judged
    told = {column: reason for _, _, column, reason in checks(found)}
    assert told["serial"].startswith("no such serial; linked to T-1004")
    assert told["cause"].endswith("taken as not judged")


def test_later_judgements_are_not_known_yet(tmp_path):
    sheets = {"builds": [build()], "returns": [back()], "judged_again": [again(judged_on="2022-06-01")]}
    assert load(tmp_path / "a", as_of="2022-05-31", **sheets).judged_again.empty
    assert load(tmp_path / "a", as_of="2022-05-31", **sheets).books.later["judged_again"] == 1
    assert len(load(tmp_path / "b", as_of="2022-06-01", **sheets).judged_again) == 1


def test_its_words_can_be_the_shops_own(tmp_path):
    toml = (
        '[headings.judged_again]\njudged_on = "Looked at"\nfinding = "Saw"\n[words.finding]\n"broken" = ["snapped"]\n'
    )
    row = {"serial": "T-100", "component": "input shaft", "Looked at": "2022-03-20", "Saw": "Snapped"}
    assert (
        load(tmp_path, toml, builds=[build()], returns=[back()], judged_again=[row]).judged_again["finding"][0]
        == "broken"
    )


def test_the_order_of_rows_does_not_matter(tmp_path):
    rows = [again(), again(judged_on="2022-04-01", cause="install"), again(finding="twisted")]
    one = load(tmp_path / "a", builds=[build()], returns=[back()], judged_again=rows)
    two = load(tmp_path / "b", builds=[build()], returns=[back()], judged_again=rows[::-1])
    assert one.judged_again["cause"].tolist() == two.judged_again["cause"].tolist() == ["part"]
