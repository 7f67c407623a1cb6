"""The load page's pictures and files, on a small shop."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.pyplot as plt
import pandas as pd
import pytest

from analytics.lifetimes.table import make_lifetimes
from analytics.ratings.load_review import make_load_review, reference_power, usual_use
from analytics.ratings.options import options_for
from analytics.records.load import load_records
from analytics.report.load_figures import part_figure
from analytics.report.load_files import write_load_files
from analytics.words.load import assumptions_table, rating_lines, ratings_table
from analytics.words.saying import say
from tests.driveline.shops import SHAFT
from tests.small_shop import TOML, build, rateable_shop, write_shop


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    folder = rateable_shop(tmp_path_factory.mktemp("shop"))
    pd.DataFrame([SHAFT]).to_csv(folder / "parts.csv", index=False)
    records = load_records(folder)
    return make_load_review(records, make_lifetimes(records), options_for(records.shop))


def test_a_part_on_one_page(review):
    figure, answer = part_figure(review, "input shaft", "A")
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert len(titles) == 4
    assert all(t.endswith("?") for t in titles)
    for said in ("lb truck", "its margin is", "Life falls as torque to the power", "Up to 7,500 lb supported"):
        assert said in answer
    plt.close(figure)


def test_a_part_of_unknown_make_says_so(review):
    figure, answer = part_figure(review, "converter", "C")
    assert "Its make is not on record" in answer
    assert any("add it to the sheet of parts" in t.get_text() for ax in figure.axes for t in ax.texts)
    plt.close(figure)


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
    assert table.set_index("assumed").loc["converter pressure max", "figure"] == "180.0"
    assert "friction, drag" in set(table["assumed"])


def test_lines_speak_of_what_the_rating_runs_on(review):
    on_torque = make_load_review(review.records, review.lifetimes, replace(review.options, strength="torque"))
    [first, *_] = rating_lines(on_torque, "input shaft", "A")
    assert first.startswith("Rated on torque, up to 7,500 lb:")
    assert set(ratings_table(on_torque.ratings)["unit"]) == {"lb ft"}


def test_a_shop_without_weights_gets_words(tmp_path):
    """Torque needs the weight the tyres carry; without it there is no load, and the page still says what there is."""
    builds = [build(f"T-{k:03d}XY", "2020-01-01", power=450 + 10 * k, weight="") for k in range(40)]
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds]
    folder = write_shop(tmp_path, TOML + "[ratings]\nreplicates = 0\n", builds=builds, readings=readings, parts=[SHAFT])
    records = load_records(folder)
    review = make_load_review(records, make_lifetimes(records), options_for(records.shop))
    assert review.loads.table["torque_at_shaft_lbft"].isna().all()
    figure, answer = part_figure(review, "input shaft", "A")
    plt.close(figure)
    assert "there is no margin" in answer
    assert "no life has both power and weight on record" in say(review.explained["input shaft", "A"])
    assert "torque" in {one.strength for one in review.left}
    assert rating_lines(review, "input shaft", "A")
    write_load_files(review, tmp_path / "out")
