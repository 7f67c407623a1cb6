"""The load page's pictures and files, on a small shop."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from analytics.driveline.load import make_loads
from analytics.lifetimes.failures import counts_as_failure
from analytics.lifetimes.table import make_lifetimes
from analytics.models.exact import binomial_limits
from analytics.ratings.by_load import NotRated
from analytics.ratings.load_review import failed_by_margin, make_load_review, reference_power, usual_use
from analytics.ratings.options import options_for
from analytics.reasons import Refused, reason
from analytics.records.load import load_records
from analytics.report import load_page
from analytics.report.load_figures import part_figure
from analytics.report.load_files import write_load_files
from analytics.words.load import assumptions_table, explained_words, rating_lines, ratings_table
from analytics.words.load_captions import by_margin_caption, compared_caption, margin_caption, part_caption
from analytics.words.saying import say
from tests.driveline.shops import SHAFT
from tests.pages import page_of, seen
from tests.small_shop import TOML, build, rateable_shop, write_shop


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    folder = rateable_shop(tmp_path_factory.mktemp("shop"))
    builds = pd.read_csv(folder / "builds.csv")
    builds.assign(torque=(builds["power"] * 5252 / 2700).round()).to_csv(folder / "builds.csv", index=False)
    pd.DataFrame([SHAFT]).to_csv(folder / "parts.csv", index=False)
    records = load_records(folder)
    return make_load_review(records, make_lifetimes(records), options_for(records.shop))


def test_what_explains_the_returns_is_told_of_every_component_once(review):
    """Of a component with one part nothing stood under the question: all was told in the part's own fold."""
    page = page_of("driveline_load", load_page.SECTIONS, review)
    first, then = (
        seen(page)
        .split("What explains the returns: power, torque or margin?")[-1]
        .split("Part by part: load, margin, life, rating")
    )
    assert {len([p for c, p in review.parts if c == own]) for own, _ in review.parts} == {1}
    for component, part in review.parts:
        told = explained_words(review, component, part)
        assert told
        assert told[0] in first
        assert seen(page, closed=False).count(told[0]) == 1
    assert "\nEvery fit" in first
    assert then


def test_a_part_on_one_page(review):
    figure, answer = part_figure(review, "input shaft", "A")
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert len(titles) == 4
    assert all(t.endswith("?") for t in titles)
    for said in (
        "lb truck slip as taken here",
        "its weakest margin is",
        "on record at that margin or less",
        "failed, of those with the most",
        "so go by power",
        "Up to 7,500 lb, before calibration",
    ):
        assert said in answer
    names = [text.get_text() for ax in figure.axes for text in (ax.get_legend().get_texts() if ax.get_legend() else [])]
    (slope,) = (name.split()[1] for name in names if name.endswith("measured"))
    assert f"as torque to the {slope} ±" in " ".join(explained_words(review, "input shaft", "A"))
    plt.close(figure)


@pytest.mark.parametrize(("pieces", "said"), [(2.0, True), (1.0, False), (np.nan, False)])
def test_a_shaft_of_two_pieces_has_a_joint_that_no_margin_knows(review, pieces, said):
    records = replace(review.records, parts=review.records.parts.assign(pieces=pieces))
    told = margin_caption(replace(review, loads=replace(review.loads, records=records)), "input shaft", "A")
    assert ("the joint between them is in no margin" in told) == said


def test_a_part_of_unknown_make_says_so_and_draws_nothing(review):
    assert part_figure(review, "converter", "C") is None
    assert "Its make is not on record, so there is no margin: add it to the sheet of parts." in part_caption(
        review, "converter", "C"
    )


def test_the_share_that_failed_has_its_exact_limits(review):
    """9 of 160, 90%: 0.0297 to 0.0961 (Clopper and Pearson, from quantiles of the beta distribution)."""
    assert binomial_limits(9, 160, 0.9).lower == pytest.approx(0.0297, abs=1e-4)
    assert binomial_limits(9, 160, 0.9).upper == pytest.approx(0.0961, abs=1e-4)
    for row in failed_by_margin(review, "input shaft", "A").bands.itertuples():
        one = binomial_limits(row.failed, row.lives, 0.9)
        assert (row.lower, row.upper) == (one.lower, one.upper)


def test_the_example_is_what_is_published_or_usual(review):
    assert usual_use(review, "input shaft", "A") == "street"
    assert 800 <= reference_power(review, "input shaft", "A") <= 1000  # nothing is published: the upper quartile
    limited = review.ratings.assign(published_hp=600.0)
    assert reference_power(replace(review, ratings=limited), "input shaft", "A") == 600


def test_files(review, tmp_path):
    written = write_load_files(review, tmp_path)
    assert [p.name for p in written] == ["loads.csv", "load_ratings.csv", "suspects.csv", "load.xlsx"]
    loads = pd.read_csv(tmp_path / "loads.csv")
    assert len(loads) == len(review.lifetimes.table)
    first = [p.read_bytes() for p in written]
    assert [p.read_bytes() for p in write_load_files(review, tmp_path / "again")] == first
    table = assumptions_table(review)
    table = table.set_index("assumed")
    assert table.loc["converter pressure max", "figure"] == "180 psi"
    speeds = table.loc["engine rpm", "figure"]
    assert speeds.startswith("by power and fuel: diesel 2,100 to 3,200 rpm at 400 hp, 2,375 to 3,377 rpm at 700 hp")
    assert table.loc["trailer weight, towing", "figure"] == "5,000 to 14,000 lb"
    assert table.loc["driven wheels, sled", "figure"] == "4"
    assert table["decides"].str.len().min() > 10


def test_lines_speak_of_what_the_rating_runs_on(review):
    on_torque = make_load_review(review.records, review.lifetimes, replace(review.options, strength="torque"))
    [first, *_] = rating_lines(on_torque, "input shaft", "A")
    assert first.startswith("Input shaft A on torque, up to 7,500 lb:")
    assert set(ratings_table(on_torque.ratings)["unit"]) == {"lb ft"}


def test_without_torque_on_record_the_page_says_why_it_rates_on_power_alone(review):
    loads = make_loads(replace(review.records, conditions=review.records.conditions.iloc[:0]), review.lifetimes)
    why = reason(Refused.BECAUSE, why="torque is on record")
    left = (NotRated("input shaft", "A", "torque", why), NotRated("input shaft", "A", "margin", why))
    compared = review.compared[review.compared["strength"] == "power"]
    without = replace(review, loads=loads, left=left, compared=compared)
    told = compared_caption(without, "input shaft", "A")
    assert "hp on power. Not on torque: torque is on record." in told
    assert "as slow as these come" not in told
    assert "Not on torque" not in compared_caption(review, "input shaft", "A")


def test_a_shop_that_rates_on_torque_and_has_none_on_record_gets_its_page(review, tmp_path):
    """It ended in a fault: no row was rated, so no column held figures."""
    records = replace(review.records, conditions=review.records.conditions.iloc[:0])
    made = make_load_review(records, review.lifetimes, replace(review.options, strength="torque"))
    assert made.ratings.empty
    [first] = rating_lines(made, "input shaft", "A")
    assert "torque is on record within 90 days of the start in 0 trucks, and it takes 20" in first
    figure, told = part_figure(made, "input shaft", "A")
    assert "hp on power." in told
    plt.close(figure)
    assert len(write_load_files(made, tmp_path)) == 4


def test_what_stands_before_calibration_is_nothing_to_build_on_where_the_rating_supports_nothing(review):
    """A shaft of a towing truck: no power supported, and under it 469 hp on power, before calibration."""
    said = "supports nothing there: build on none of these"
    assert said not in compared_caption(review, "input shaft", "A")
    none = replace(review, ratings=review.ratings.assign(bound_hp=np.nan))
    assert said in compared_caption(none, "input shaft", "A")


def test_before_a_limit_is_raised_the_margin_there_is_said(review):
    own = review.ratings[(review.ratings["component"] == "input shaft") & review.ratings["bound_hp"].notna()]
    hp = own["bound_hp"].iloc[0]
    for published, said in ((hp - 60, "the limit is raised"), (hp + 60, ""), (np.nan, "one is")):
        [first, *_] = rating_lines(
            replace(review, ratings=own.assign(published_hp=published)), "input shaft", own["part"].iloc[0]
        )
        assert ("have an engineer look" in first) == bool(said)
        assert not said or f"look before {said}. Of the " in first


def test_a_shop_without_weights_gets_words(tmp_path):
    """What the tyres hold needs the weight on them; what the engine brings does not, and without either the page says what there is."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight="") for k in range(40)]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds]
    folder = write_shop(tmp_path, TOML + "[ratings]\nreplicates = 0\n", builds=builds, readings=readings, parts=[SHAFT])
    records = load_records(folder)
    review = make_load_review(records, make_lifetimes(records), options_for(records.shop))
    assert review.loads.table["torque_capped_lbft"].isna().all()
    assert review.loads.table["torque_at_shaft_lbft"].notna().all()
    assert part_figure(review, "converter", "C") is None
    assert "there is no margin" in part_caption(review, "converter", "C")
    assert "no life has both power and weight on record" in say(review.explained["input shaft", "A"])
    assert rating_lines(review, "input shaft", "A")
    write_load_files(review, tmp_path / "out")


@pytest.mark.parametrize(
    ("margin", "fails_late", "reliability", "says", "says_not"),
    [
        (3.0, False, 0.9, "far above a margin of 1, so the margin does not explain them", "with 1 or less"),
        (0.3, False, 0.9, "it is not shown that the margin tells who fails; but all of them lie under 1", "far above"),
        (0.3, True, 0.9, "8 of 15 failed", "a careful design starts"),  # 8 of 58 is more than a tenth: no comfort
        (
            0.3,
            True,
            0.7,
            "Of all 60 with 1 or less 8 failed before 50,000 miles and 50 are known to have passed them: 1 is where",
            "not shown",
        ),
    ],
)
def test_where_the_margin_explains_nothing_the_page_says_so(review, margin, fails_late, reliability, says, says_not):
    """Failures at margins of 1.75 to 3.05 stood beside 'margin 2.0 in hand' without a word."""
    table = review.loads.table
    shaft = (table["component"] == "input shaft").to_numpy()
    failed = counts_as_failure(table)
    rng = np.random.default_rng(2)
    low = np.where(shaft, margin * rng.uniform(0.8, 1.2, len(table)), np.nan)
    if fails_late:
        low = np.where(failed, low * 0.5, low)
    options = replace(review.options, promise=replace(review.options.promise, reliability=reliability))
    changed = replace(review, loads=replace(review.loads, table=table.assign(stress_margin_low=low)), options=options)
    told = by_margin_caption(changed, "input shaft", "A")
    assert says in told
    assert says_not not in told
    found = failed_by_margin(changed, "input shaft", "A")
    assert found.bands["lives"].sum() == len(review.loads.of("input shaft", "A")) == 60
    assert found.bands["failed"].sum() == found.failures == 8


def test_damage_that_only_a_teardown_showed_is_said_to_count_otherwise_than_in_the_ratings(review):
    table = review.lifetimes.table
    found = table[(table["part"] == "A") & (table["ended"] == "failed")].iloc[:2].assign(lower_days=0.0)
    looked = replace(review, lifetimes=replace(review.lifetimes, opened=found))
    assert (
        "damage that only a teardown showed (2) counts among the failures"
        in rating_lines(looked, "input shaft", "A")[-1]
    )
    assert "teardown" not in " ".join(rating_lines(review, "input shaft", "A"))
