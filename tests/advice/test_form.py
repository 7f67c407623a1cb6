"""The form of one truck answers when a slider moves."""

from __future__ import annotations

import re

import pytest

from tests.advice.test_adviser import shop_of


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return shop_of(tmp_path_factory.mktemp("form") / "shop")


def test_the_answer_follows_the_sliders(shop, tmp_path):
    power, where, weight, use, life, answer, row, done = shop.advise_form().children
    assert "What to build it with" in answer.value
    use.value, weight.value, life.value = ("street",), 7000, 30_000
    power.value = 420
    assert "What to build it with: 420 hp, 7,000 lb, street" in answer.value
    where.value = "wheels"
    assert "512 hp at the crank, worked out from the wheels" in re.sub("<[^>]+>", "", answer.value)
    use.value = ()
    assert "What is the truck used for?" in answer.value
    use.value = ("street", "towing")
    page, write = row.children
    page.value = str(tmp_path / "page.html")
    write.click()
    assert "page.html" in done.value
    assert "street and towing" in (tmp_path / "page.html").read_text()
