"""The start with boxes to tick, and from Python."""

from __future__ import annotations

import pytest

import analytics
from analytics.records.files import TEXT_FILE
from analytics.report.pickers import pickers
from tests.start.shops import workbook_shop, yearly_shop
from tests.start.test_start import sheet


def test_boxes_are_the_questions_and_their_ticks_the_answers(tmp_path):
    workbook_shop(tmp_path)
    look = analytics.first_look(tmp_path)
    *boxes, go, said = pickers(look.proposal).children
    assert len(boxes) == len(look.proposal.groups) + len(look.proposal.sentences)
    boxes[1].value = False
    go.click()
    assert "Next, type:" in said.value
    assert [row["confirmed"] for row in sheet(tmp_path)[:3]] == ["", "yes", "yes"]


def test_a_fault_is_said_in_the_box(tmp_path):
    yearly_shop(tmp_path)
    *_, go, said = pickers(analytics.first_look(tmp_path).proposal).children
    (tmp_path / "shop.toml").write_text("[", encoding="utf-8")
    go.click()
    assert "shop.toml cannot be read" in said.value


def test_the_first_look_writes_nothing_until_told(tmp_path):
    yearly_shop(tmp_path)
    before = sorted(p.name for p in tmp_path.iterdir())
    look = analytics.first_look(tmp_path)
    assert "Looked through" in look.found()
    assert look.table["guess"].any()
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    assert "Next, type:" in look.write()
    assert {p.name for p in tmp_path.iterdir()} - set(before) == {"shop.toml"}
    assert not (tmp_path / TEXT_FILE).exists()
    with pytest.raises(analytics.RecordsError, match="no such folder"):
        analytics.first_look(tmp_path / "nowhere")
