"""Figures, files and page of the fleet's view, on a shop small enough to check."""

from __future__ import annotations

import io

import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from analytics import kept
from analytics.report import fleet_figures
from analytics.report.files import VIEW_FILES, write_review_files
from analytics.report.show import figure_html
from analytics.review.fleet_view import fleet_view
from analytics.words.answers import worded
from tests.pages import unwrapped
from tests.reviewed import make_review
from tests.small_shop import TOML, build, returned, write_shop


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """200 trucks of four years and two powers; shafts fail, some twice, some with the converter; a name that would be a formula."""
    builds = [
        build(
            f"F-{k:03d}Z",
            f"{2019 + k % 4}-03-01",
            power=520 + 2 * k,
            weight=6500 + 10 * k,
            use="=street" if k == 5 else "street",
        )
        for k in range(200)
    ]
    back = []
    for k in range(40):
        serial, year = builds[199 - 3 * k]["serial"], 2022 + k % 2
        back.append(
            returned(
                serial,
                f"{year}-{1 + k % 12:02d}-15",
                miles_in_service=20_000 + 700 * k,
                finding="twisted" if k % 3 else "broken",
                order="first",
            )
        )
        if k % 4 == 0:
            back.append(returned(serial, f"{year}-{1 + k % 12:02d}-15", "converter", order="followed", finding="worn"))
        if k % 10 == 0:
            back.append(returned(serial, "2024-02-15", finding="twisted", order="first", cause="install"))
    readings = [{"serial": b["serial"], "read_on": "2024-03-30", "odometer": 60_000} for b in builds[::5]]
    limits = [{"component": "input shaft", "part": "A", "power_limit": 700, "effective_on": "2018-01-01"}]
    toml = TOML + '[ratings]\nreplicates = 0\n[costs]\ncomeback = 3000\n[costs.parts]\n"A" = 300\n'
    folder = write_shop(
        tmp_path_factory.mktemp("fleet") / "shop", toml, builds=builds, returns=back, readings=readings, limits=limits
    )
    review = make_review(folder)
    return review, fleet_view(review.records, review.lifetimes, review.span)


def test_every_answer_speaks(seen):
    _, view = seen
    assert len(view.answers()) == 13
    for answer in map(worded, view.answers()):
        assert answer.question
        assert answer.sentences
        assert all(
            ("nan" not in line.split() and line[:1] == line[:1].upper()) or line[:1].isdigit()
            for line in answer.sentences
        ), answer


def test_all_that_is_said_can_be_kept(seen, tmp_path, monkeypatch):
    """What cannot be written down is worked out again at every call: a review looked at twice would take as long as the first time."""
    monkeypatch.setenv(kept.CACHE, str(tmp_path / "cache"))
    for part in seen:
        kept.keep(place := kept.place_of(print, ()), part)
        assert repr(kept.taken(place)[0]) == repr(part)
        place.unlink()


def test_figures_carry_question_and_answer_and_stay_inside_their_frame(seen):
    review, view = seen
    for draw in ("causes_figure", "repeats_figure", "rebuilt_figure", "guarantee_figure"):
        figure, told = getattr(fleet_figures, draw)(review, view)
        figure.savefig(io.BytesIO())  # a layout that collapses warns, and warnings are errors here
        assert len(told) > 40
        markup = unwrapped(figure_html(figure, "What is seen?", told)).replace("&#x27;", "'").replace("&quot;", '"')
        assert all(line in markup for line in told.split("\n"))
    figure, told = fleet_figures.how_sure_figure(view)
    assert "verdicts stay as they are" in told
    figure.savefig(io.BytesIO())


def test_nothing_is_drawn_where_there_is_nothing(tmp_path):
    review = make_review(write_shop(tmp_path, builds=[build("T-1")]))
    view = fleet_view(review.records, review.lifetimes, review.span)
    for draw in ("causes_figure", "repeats_figure", "rebuilt_figure", "guarantee_figure"):
        assert getattr(fleet_figures, draw)(review, view) is None
    assert fleet_figures.how_sure_figure(view) is None


def test_files_and_pages_hold_the_tables_and_no_formula(seen, tmp_path):
    review, view = seen
    paths = {p.name for p in write_review_files(review, tmp_path, view=view)}
    assert {f"{file}.csv" for file in VIEW_FILES.values()} <= paths
    assert len(pd.read_csv(tmp_path / "above_limit.csv")) == len(view.above.table)
    book = CalamineWorkbook.from_path(str(tmp_path / "review.xlsx"))
    assert book.sheet_names[0] == "Start here"
    assert len(book.sheet_names) <= 12
    told = [row[0] for row in book.get_sheet_by_name("Every answer").to_python()]
    assert worded(view.guarantee).question in told
    again = write_review_files(review, tmp_path / "again", view=view)
    assert all(p.read_bytes() == (tmp_path / p.name).read_bytes() for p in again)


def test_the_order_of_rows_does_not_change_an_answer(tmp_path, seen):
    review, view = seen
    folder = tmp_path / "turned"
    folder.mkdir()
    for path in review.records.shop.folder.iterdir():
        if path.suffix == ".csv":
            pd.read_csv(path, dtype=str).iloc[::-1].to_csv(folder / path.name, index=False)
        elif path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    other = make_review(folder)
    turned = fleet_view(other.records, other.lifetimes, other.span)
    for one, two in zip(view.answers(), turned.answers(), strict=True):
        assert worded(one) == worded(two)
