"""The review's sentences and tables, on shops small enough to count by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from analytics.reasons import ToFix
from analytics.review.outlook import make_outlook
from analytics.review.quarter import quarter_before, quarter_of, unit_years
from analytics.words.answers import worded
from analytics.words.phrases import article, listed, numbered, percent, plural
from tests.reviewed import make_review
from tests.small_shop import TOML, build, returned, write_shop


def ten(**more: object) -> list[dict]:
    return [build(f"T-{k}{k}{k}", **more) for k in range(10)]


def test_quarters_end_where_they_end():
    whole, part = quarter_of(pd.Timestamp("2024-03-31")), quarter_of(pd.Timestamp("2024-03-30"))
    assert (whole.name, whole.whole, part.whole) == ("2024 Q1", True, False)
    assert quarter_before(whole).name == "2023 Q4"
    assert quarter_before(whole, 4).start == pd.Timestamp("2023-01-01")


def test_unit_years_are_cut_at_the_span():
    row = pd.DataFrame(
        {"started_on": [pd.Timestamp("2023-07-01")], "ended_on": [pd.Timestamp("2024-03-31")], "count": [3]}
    )
    first = quarter_of(pd.Timestamp("2024-03-31"))
    # 1 January to 31 March is 90 days to the end of the record; three units
    assert unit_years(row, first).iat[0] == pytest.approx(3 * 90 / 365.25)


def test_came_back_counts_by_component_and_reason(tmp_path):
    review = make_review(
        write_shop(
            tmp_path,
            builds=ten(),
            returns=[
                returned("T-111", "2024-02-01"),
                returned("T-222", "2024-02-05", cause="install"),
                returned("T-333", "2024-03-01", component="converter", cause="no fault"),
                returned("T-444", "2024-03-02", order="first"),
                returned("T-444", "2024-03-02", component="converter", order="followed"),
                returned("T-555", "2023-12-31"),
            ],
        )
    )
    told = " ".join(worded(review.came_back).sentences)
    assert (
        "4 units came back in 4 returns, with 10 units in service. 4 components were damaged; 1 return showed no fault."
        in told
    )
    assert "Input shaft: 3. Why: the part itself in 2 and our install in 1." in told
    assert "1 more component broke because another part went first" in told
    assert len(review.came_back.table) == 5
    assert review.change.table.set_index("component").loc["input shaft", ["comebacks", "last_quarter"]].tolist() == [
        3,
        1,
    ]


def test_nothing_came_back(tmp_path):
    review = make_review(write_shop(tmp_path, builds=ten()))
    assert worded(review.came_back).sentences == ("Nothing came back in 2024 Q1, with 10 units in service.",)
    years = 10 * 820 / 365.25  # 2022-01-01 to 2024-03-31
    most = chi2.ppf(0.90, 2) / 2 / years * 100  # the exact one-sided limit, none failed (Garwood 1936)
    assert (
        f"None of 10 came back in {years:.1f} unit-years; that proves at most {most:.0f} a year per hundred (90% sure)"
        in worded(review.components["input shaft"]).sentences[0]
    )
    assert "can't be tested" not in " ".join(worded(review.components["input shaft"]).sentences)
    assert worded(review.wear).sentences[0].startswith("For 2 parts too few")


def test_no_rate_without_failures_and_no_fit_below_the_least(tmp_path):
    review = make_review(
        write_shop(tmp_path, builds=ten(), returns=[returned(f"T-{k}{k}{k}", f"2023-0{k}-01") for k in range(1, 5)])
    )
    cells = worded(review.components["converter"]).table
    assert cells["per_100_unit_years"].isna().all()
    assert cells["in_words"].str.startswith("none of 10 came back").all()
    wear = worded(review.wear).table.set_index("component")
    assert np.isnan(wear.loc["input shaft", "shape"])
    assert wear.loc["input shaft", "in_words"] == "4 failures: fewer than the 5 needed to read a pattern"


def test_limits_in_force_at_the_build(tmp_path):
    limits = [
        {
            "component": "input shaft",
            "part": "A",
            "weight_up_to": 9000,
            "power_limit": 650,
            "effective_on": "2020-01-01",
        },
        {
            "component": "input shaft",
            "part": "A",
            "weight_up_to": 9000,
            "power_limit": 750,
            "effective_on": "2023-01-01",
        },
        {
            "component": "input shaft",
            "part": "A",
            "weight_up_to": 7500,
            "power_limit": 800,
            "effective_on": "2020-01-01",
        },
        {
            "component": "input shaft",
            "part": "A",
            "weight_up_to": 9000,
            "use": "towing",
            "power_limit": 600,
            "effective_on": "2020-01-01",
        },
    ]
    builds = [
        build("T-111"),
        build("T-222", "2023-02-01"),
        build("T-333", weight=7000),
        build("T-444", use="towing"),
        build("T-555", weight=12000),
        build("T-666", weight=""),
    ]
    review = make_review(
        write_shop(
            tmp_path, builds=builds, limits=limits, returns=[returned(b["serial"], "2024-02-01") for b in builds]
        )
    )
    table = review.limits.table
    assert table["failed_above"].tolist() == [1, 0, 0, 1]
    assert table["failed_within"].tolist() == [0, 1, 1, 0]
    told = " ".join(worded(review.limits).sentences)
    assert "2 failures of the quarter had no limit that applied" in told
    assert "750 hp at up to 9,000 lb (from 2023-01-01): 1 failed within it this quarter (1 of 1 ever)" in told


def test_a_truck_tuned_past_its_limit_stands_on_both_sides_of_it(tmp_path):
    """Built at 500 hp under a limit of 700, tuned to 800, broken there: one of the one that ran above, none of the two within."""
    limits = [{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2020-01-01"}]
    builds = [build("T-111", power=500), build("T-222", power=500)]
    changes = [
        {"serial": "T-111", "changed_on": day, "power": hp}
        for day, hp in (("2022-06-01", 550), ("2023-01-01", 780), ("2023-06-01", 800))
    ]
    folder = write_shop(
        tmp_path, builds=builds, limits=limits, changes=changes, returns=[returned("T-111", "2024-02-01")]
    )
    told = make_review(folder).limits
    sides = ["parts_within", "failed_within", "parts_above", "failed_above"]
    assert told.table[sides].to_numpy().tolist() == [[2, 0, 1, 1]]
    assert "1 failed above it (1 of 1 ever)" in worded(told).sentences[0]


def test_the_loudest_fault_is_weight_known_mostly_for_returns(tmp_path):
    builds = [build(f"T-{k:03d}XY", weight=8000 if k < 30 else "") for k in range(100)]
    back = [returned(b["serial"], "2024-02-01") for b in builds[:15]]
    review = make_review(write_shop(tmp_path, builds=builds, returns=back))
    first = worded(review.to_fix).table.iloc[0]
    assert first["what"].startswith(
        "weight is known for 100% of the units that came back but 18% of those that never did"
    )
    assert first["how_many"] == 70
    assert "biased" in first["why_it_matters"]


def test_returns_set_aside_are_named_before_readings(tmp_path):
    builds = ten()
    review = make_review(
        write_shop(
            tmp_path,
            builds=builds,
            returns=[returned("QQ-98765", "2024-02-01"), returned("T-111", "2024-02-01")],
            readings=[
                {"serial": "T-222", "read_on": "2023-01-01", "odometer": 9000},
                {"serial": "T-222", "read_on": "2023-06-01", "odometer": 100},
            ],
        )
    )
    whats = worded(review.to_fix).table["what"].tolist()
    of_returns = next(i for i, w in enumerate(whats) if "of returns set aside" in w)
    of_readings = next(i for i, w in enumerate(whats) if "of readings set aside" in w)
    assert of_returns < of_readings


def test_rows_that_say_a_thing_twice_are_no_loss_and_rows_that_contradict_are(tmp_path):
    twice = [{"serial": "T-111", "changed_on": "2023-05-01", "power": 800}] * 2
    clash = [{"serial": "T-222", "changed_on": "2023-05-01", "power": hp} for hp in (700, 900)]

    def set_aside(changes):
        review = make_review(write_shop(tmp_path / str(len(changes)), builds=ten(), changes=changes))
        return [w for w in review.to_fix.table["what"] if w.code is ToFix.ROWS_SET_ASIDE]

    assert set_aside(twice) == []
    (fault,) = set_aside([*twice, *clash])
    assert (fault.values["rows"], fault.values["sheet"]) == (2, "changes")


def test_a_burst_is_called_and_a_quiet_year_is_not(tmp_path):
    builds = [build(f"T-{k:03d}XY") for k in range(100)]
    burst = [returned(b["serial"], "2024-02-01") for b in builds[:12]]
    loud = make_review(
        write_shop(tmp_path / "a", builds=builds, returns=[*burst, returned(builds[50]["serial"], "2023-05-01")])
    )
    assert worded(loud.change).sentences[0] == "12 components came back in 2024 Q1, 0 in 2023 Q4."
    alarms = worded(make_outlook(loud, tmp_path / "a").alarms).sentences
    assert any("The input shaft this quarter" in line and "Chance alone would do that" in line for line in alarms)
    even = [returned(builds[k]["serial"], f"2023-{month:02d}-15") for k, month in enumerate(range(1, 13))] + [
        returned(builds[40 + k]["serial"], f"2024-0{k + 1}-15") for k in range(3)
    ]
    quiet = make_review(write_shop(tmp_path / "b", builds=builds, returns=even))
    assert worded(make_outlook(quiet, tmp_path / "b").alarms).sentences[0] == "Nothing stands out by more than chance."


def test_unit_not_in_service_and_empty_fleet(tmp_path):
    review = make_review(write_shop(tmp_path, builds=[build("T-111", "2024-03-01") | {"in_service_on": "2024-05-01"}]))
    assert worded(review.fleet).sentences == ("No unit is in service yet.",)
    assert review.survival.empty


def test_every_sentence_of_an_old_quarter_can_be_made_again(tmp_path):
    builds, back = ten(), [returned("T-111", "2023-05-01"), returned("T-222", "2024-02-01")]
    whole = write_shop(tmp_path / "whole", builds=builds, returns=back)
    then = write_shop(tmp_path / "then", builds=builds, returns=back[:1])
    a, b = make_review(whole, as_of="2023-06-30"), make_review(then, as_of="2023-06-30")
    assert [worded(x) for x in a.answers() if x is not a.counted] == [
        worded(x) for x in b.answers() if x is not b.counted
    ]
    pd.testing.assert_frame_equal(a.survival, b.survival)
    assert "1 row dated after 2023-06-30 was not looked at." in worded(a.counted).sentences


def test_bands_of_the_shops_own(tmp_path):
    toml = TOML + "[power]\nbands = [500]\n[weight]\nclasses = [8000]\n"
    review = make_review(write_shop(tmp_path, toml, builds=ten()))
    assert review.components["input shaft"].table[["power_band", "weight_class"]].to_numpy().tolist() == [
        ["500 and over", "up to 8,000"]
    ]


@pytest.mark.parametrize(
    ("value", "words"), [(0.0004, "under 0.1%"), (0.006, "0.6%"), (0.04, "4%"), (0.12345, "12%"), (0, "0%")]
)
def test_percent(value, words):
    assert percent(value) == words


def test_words():
    assert [plural(1, "shaft"), plural(1200, "shaft"), plural(2, "life", "lives")] == [
        "1 shaft",
        "1,200 shafts",
        "2 lives",
    ]
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(list("abcdefgh"), 4) == "a, b, c and 5 more"
    assert [numbered(0.8412), numbered(1240.2, 3), numbered(0)] == ["0.84", "1,240", "0"]
    assert numbered(float("inf")) == "no limit"
    assert [article("input shaft"), article("converter")] == ["an input shaft", "a converter"]


def test_bands_are_compared_over_all_classes_and_in_each(tmp_path):
    builds = [
        build(f"T-{k:03d}XY", power=500 + 300 * (k % 2), weight=7000 if k < 20 else 8500 if k < 38 else 9500)
        for k in range(40)
    ]
    back = [returned(builds[k]["serial"], f"2023-{1 + k % 12:02d}-05") for k in range(1, 30, 2)]
    notes = worded(make_review(write_shop(tmp_path, builds=builds, returns=back)).components["input shaft"]).notes
    assert [n.split(":")[0] for n in notes] == [
        "Log-rank test across the power bands on days (Mantel 1966), stratified by weight class",
        "up to 7,500 lb alone",
        "7,500 to 9,000 lb alone",
        "over 9,000 lb alone",
    ]
    assert "p under 0.0001" in notes[1]
    assert "no unit failed" in notes[3]


def test_a_row_of_several_units_is_counted_as_several(tmp_path):
    builds = [build("T-111", count=5, power="", weight=""), build("T-222", power="", weight="")]
    back = [returned("T-111", f"2024-01-0{k}") for k in (2, 3, 4)]
    review = make_review(write_shop(tmp_path, builds=builds, returns=back))
    assert worded(review.came_back).sentences[0].startswith("3 units came back in 3 returns, with 6 units in service")
    assert worded(review.again).sentences[0] == "3 units came back damaged at least once; none of them more than once."
    assert review.fleet.table["came_back"].sum() == 3
    assert any(w.startswith("power is not known for 6 units (100%)") for w in worded(review.to_fix).table["what"])


def test_unknowns_are_named_even_where_nothing_came_back(tmp_path):
    review = make_review(write_shop(tmp_path, builds=[build("T-111", power="")]))
    assert any(w.startswith("power is not known for 1 unit") for w in worded(review.to_fix).table["what"])


def test_a_lone_early_failure_among_late_entries_does_not_pull_the_curve_to_nothing(tmp_path):
    toml = TOML.replace("as_of", 'records_start = "2022-01-01"\nas_of')
    builds = [build(f"T-{k:03d}XY", "2019-01-01") for k in range(50)] + [build("N-999ZZ", "2022-01-05")]
    back = [
        returned("N-999ZZ", "2022-02-01", replaced_with="not replaced"),
        *(returned(builds[k]["serial"], f"2023-0{k + 1}-01", replaced_with="not replaced") for k in range(3)),
    ]
    review = make_review(write_shop(tmp_path, toml, builds=builds, returns=back))
    own = review.survival[(review.survival["component"] == "input shaft") & (review.survival["clock"] == "days")]
    assert not (own["survival"] == 0).any()
    assert review.components["input shaft"].table["back_within_2_years"].isna().all()


def test_records_that_start_late_are_compared_like_with_like(tmp_path):
    toml = TOML.replace("as_of", 'records_start = "2023-10-01"\nas_of')
    builds = [build(f"T-{k:03d}XY", "2021-01-01") for k in range(100)]
    back = [returned(builds[k]["serial"], f"2023-{4 + k % 6:02d}-10") for k in range(36)]
    back += [returned(builds[50 + k]["serial"], f"2024-0{1 + k % 3}-10") for k in range(3)]
    row = make_review(write_shop(tmp_path, toml, builds=builds, returns=back)).change.table.iloc[0]
    assert row["year_before"] == 0  # the 36 came before the records start, and so did their unit-years


def test_teardown_failures_have_their_years_in_service(tmp_path):
    builds = [build(f"T-{k}{k}{k}", "2020-01-01") for k in range(4)]
    back = [returned(b["serial"], "2024-01-01") | {"failed_on": "teardown"} for b in builds[:3]]
    cells = make_review(write_shop(tmp_path, builds=builds, returns=back)).components["input shaft"].table
    assert cells["unit_years"].sum() == pytest.approx(
        (3 * 1461 + 1551 + 3 * 90) / 365.25
    )  # three to the teardown, one on, three replacements


def test_dollars_in_names_are_no_formulas(tmp_path):
    from analytics.report import figures
    from analytics.report.show import figure_html

    builds = [build(f"T-{k:03d}XY", "2020-01-01", power="", input_shaft="A$^$") for k in range(12)]
    review = make_review(
        write_shop(tmp_path, builds=builds, returns=[returned(b["serial"], "2023-05-01") for b in builds[:6]])
    )
    drawn = figures.curves_figure(review.lines.survival["input shaft", "days"])
    assert figure_html(drawn[0], "q", drawn[1]).startswith("<figure>")


def test_failures_that_come_faster_with_age_are_said(tmp_path):
    builds = [build(f"T-{k:03d}XY", "2020-01-01") for k in range(40)]
    back = [returned(builds[k]["serial"], f"{2022 + k % 2}-{1 + k % 12:02d}-05") for k in range(14)]
    review = make_review(write_shop(tmp_path, builds=builds, returns=back))
    row = review.again.table.set_index("component").loc["input shaft"]
    assert row["second_year_from"] > 1
    told = [
        line
        for line in worded(review.again).sentences
        if line.startswith("Input shaft: more often as trucks get older.")
    ]
    assert len(told) == 1
    assert f"{row['second_year_to_first']:.1f} times as often" in told[0]
    early = [returned(builds[k]["serial"], f"2020-{1 + k % 3:02d}-20") for k in range(14)]
    early = make_review(write_shop(tmp_path / "early", builds=builds, returns=early))
    assert any("less often as trucks get older" in line for line in worded(early.again).sentences)
    four = make_review(write_shop(tmp_path / "four", builds=builds, returns=back[:4])).again
    assert np.isnan(four.table["second_year_to_first"].iat[0])


def test_a_life_that_goes_back_to_a_band_counts_there_once(tmp_path):
    builds = [build("T-1", "2020-01-01", power=700)]
    changes = [
        {"serial": "T-1", "changed_on": "2021-01-01", "power": 500},
        {"serial": "T-1", "changed_on": "2022-01-01", "power": 700},
    ]
    review = make_review(write_shop(tmp_path, builds=builds, changes=changes))
    table = review.components["input shaft"].table.set_index("power_band")
    assert table["parts"].to_dict() == {"400 to 600": 1, "600 to 1,000": 1}
