"""The empty workbook reads back as it is, with no settings but names."""

from __future__ import annotations

import datetime as dt
import tomllib

import pytest
from python_calamine import CalamineWorkbook

from analytics.__main__ import main
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.report.blank_book import write_book
from analytics.report.start import start
from analytics.words.blank import NAME, blank_pages
from tests.records.sheets import load, to_csv


def filled(page: str, metric: bool, **cells: object) -> list[object]:
    """A row of a page, by our headings."""
    heads = [column.heading.split(" (")[0] for column in blank_pages(metric)[page]]
    assert set(cells) <= set(heads)
    return [cells.get(head, "") for head in heads]


@pytest.mark.parametrize(
    ("metric", "factor"), [(False, (1, 1, 1)), (True, (1 / 0.74569987, 1 / 0.45359237, 1 / 1.609344))]
)
def test_the_filled_workbook_is_read_with_names_alone(tmp_path, capsys, metric, factor):
    folder = tmp_path / 'a "shop"'
    assert main(["start", "--template", *(["--metric"] if metric else []), str(folder)]) == 0
    assert "When some rows are filled in, type:" in capsys.readouterr().out
    assert sorted(p.name for p in folder.iterdir()) == [NAME, "shop.toml"]
    assert set(tomllib.loads((folder / "shop.toml").read_text(encoding="utf-8"))) == {"shop", "components"}
    build = {
        "serial": "T-1",
        "built_on": "2024-01-05",
        "odometer_at_install": 100,
        "power": 500,
        "weight": 3000,
        "input shaft": "A",
    }
    back = {
        "serial": "T-1",
        "returned_on": "2024-08-01",
        "odometer": 9000,
        "component": "input shaft",
        "finding": "broken",
        "cause": "part",
    }
    rows = {
        "builds": [filled("builds", metric, **build), filled("builds", metric, **build | {"serial": "T-2"})],
        "returns": [filled("returns", metric, **back)],
        "readings": [
            filled("readings", metric, serial="T-2", read_on="2024-12-01", odometer=16_000, still_running="yes")
        ],
    }
    write_book(folder / NAME, blank_pages(metric), "", rows)
    found = load_records(folder)
    power, weight, distance = factor
    assert found.builds["power_hp"].tolist() == pytest.approx([500 * power] * 2, rel=1e-6)
    assert found.builds["weight_lb"].tolist() == pytest.approx([3000 * weight] * 2, rel=1e-6)
    assert found.returns["miles"].tolist() == pytest.approx([8900 * distance], rel=1e-6)
    assert found.odometer["miles"].max() == pytest.approx(15_900 * distance, rel=1e-6)
    assert set(found.books.set_aside["reason"]) == {"the example row, not a record"}
    assert not len(found.books.to_check)
    assert (make_lifetimes(found).table["ended"] == "failed").sum() == 1
    before = (folder / "shop.toml").read_bytes()
    said = start(folder)
    assert "builds: 3 rows read, 2 used, 1 set aside" in said
    assert (folder / "shop.toml").read_bytes().startswith(before.rstrip())
    assert load_records(folder).builds["power_hp"].equals(found.builds["power_hp"])


def test_it_explains_itself_and_offers_lists(tmp_path):
    write_book(tmp_path / NAME, blank_pages(), "python -m analytics")
    book = CalamineWorkbook.from_path(str(tmp_path / NAME))
    assert book.sheet_names == ["read me", "builds", "returns", "readings", "changes", "limits"]
    pages = blank_pages()
    assert {c.heading for c in pages["builds"] if c.choices} == {"use", "power_measured_at", "weight_kind"}
    assert {c.heading for c in pages["returns"] if c.choices} == {"component", "order", "cause"}
    first = book.get_sheet_by_name("builds").to_python()
    assert first[0][:2] == ["serial", "built_on"]
    assert "power (hp)" in first[0]


def test_it_is_never_written_over_another(tmp_path, capsys):
    assert main(["start", "--template", str(tmp_path)]) == 0
    before = (tmp_path / NAME).read_bytes()
    assert main(["start", "--template", str(tmp_path)]) == 2
    assert "records.xlsx and shop.toml stand there already" in capsys.readouterr().err
    assert (tmp_path / NAME).read_bytes() == before


def test_an_empty_one_says_that_it_is_not_ready(tmp_path):
    main(["start", "--template", str(tmp_path)])
    assert "Not ready" in start(tmp_path)


def test_a_unit_in_a_heading_is_that_of_its_bare_figures(tmp_path):
    """Cells that name their own keep it; what is not a unit of the column is a word of its heading."""
    row = {
        "serial": "T-1",
        "built_on": str(dt.date(2024, 1, 5)),
        "Power (kW)": "500",
        "Weight kg": "3.9 t",
        "odometer_at_install": "10",
    }
    toml = '[headings.builds]\npower = "Power (kW)"\n[units]\ndistance = "km"\n'
    found = load(tmp_path, toml, builds=to_csv([row | {"shaft": "A", "conv": "B"}]))
    assert found.builds["power_hp"].tolist() == pytest.approx([500 / 0.74569987])
    assert found.builds["weight_lb"].tolist() == pytest.approx([3900 / 0.45359237])
    assert found.builds["odometer_at_install"].tolist() == pytest.approx([10 / 1.609344])
