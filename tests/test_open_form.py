"""The form that opens a shop: any folder, a day, and a question; the line that says what a long question is at."""

from __future__ import annotations

import datetime as dt
import json
import math

import pytest

import analytics
from analytics.words import door
from tests.small_shop import build, returned, write_shop


@pytest.fixture
def form(tmp_path):
    builds = [build(f"T-{k:03d}XY", f"202{k % 4}-03-01") for k in range(20)]
    write_shop(tmp_path / "work" / "my shop", builds=builds, returns=[returned("T-000XY", "2023-05-01")])
    return analytics.open_shop(tmp_path)


def test_a_folder_is_found_by_clicks_or_typed(form, tmp_path):
    place, inside, told, *_ = form.children
    assert door.NO_SHOP_HERE in told.value
    inside.value = "work"
    assert inside.options == (door.OPEN["up"], "my shop")
    inside.value = "my shop"
    assert place.value == str(tmp_path / "work" / "my shop")
    assert door.SHOP_HERE in told.value
    inside.value = door.OPEN["up"]
    assert place.value == str(tmp_path / "work")
    place.value = str(tmp_path / "<none>")
    assert "&lt;none&gt;: there is no such folder" in told.value
    assert inside.options == (door.OPEN["up"],)


def test_what_is_asked_is_answered_as_of_the_day_or_refused_in_words(form, tmp_path, capsys):
    place, _, _, day, row, _ = form.children
    check = row.children[0]
    check.click()
    assert "shop.toml" in capsys.readouterr().out
    place.value, day.value = str(tmp_path / "work" / "my shop"), dt.date(2022, 12, 31)
    check.click()
    assert "as of 2022-12-31" in capsys.readouterr().out


def test_the_time_left_is_what_the_last_time_took(tmp_path, monkeypatch):
    monkeypatch.setenv("ANALYTICS_CACHE", str(tmp_path))
    with analytics.Stages("x") as first:
        first("reading")
    assert math.isnan(first.left_s("reading", 0.0))
    (tmp_path / "x.stages").write_text(json.dumps({"reading": 0.0, "fitting": 10.0, "": 40.0}))
    again = analytics.Stages("x")
    assert again.left_s("reading", 0.0) == 40
    assert again.left_s("fitting", 20.0) == 60  # twice as slow as then
    assert math.isnan(again.left_s("other", 20.0))
    (tmp_path / "x.stages").write_text("not json")
    assert math.isnan(analytics.Stages("x").left_s("reading", 0.0))


@pytest.mark.parametrize(
    ("left", "said"), [(math.nan, "a …"), (3.0, "a … about 10 s left"), (84.0, "a … about 80 s left"), (200.0, "a … about 3 min left")]
)  # fmt: skip
def test_the_time_left_as_a_person_says_it(left, said):
    assert door.stage("a", left) == said
