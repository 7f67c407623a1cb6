"""The answer in the README is the one the command gives."""

from __future__ import annotations

from pathlib import Path

import analytics
from analytics.advice.adviser import Adviser
from analytics.advice.truck import Wish
from analytics.words.advice import spoken

ROOT = Path(__file__).parents[2]


def test_the_readme_shows_what_the_command_says():
    shop = analytics.read(ROOT / "data" / "demo")
    told = spoken(Adviser(shop.records, shop.lifetimes).ask(Wish(560, 7000, "street")))
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = readme.split("```text\n", 1)[1].split("\n```", 1)[0].splitlines()
    assert len(shown) > 8
    assert not set(shown) - set(told)
    places = [told.index(line) for line in shown]
    assert places == sorted(places)
