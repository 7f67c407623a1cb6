"""shop.toml: what is not understood is named, with what would be."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest

from analytics.errors import RecordsError
from analytics.records.ordering import as_day
from analytics.records.shop import load_shop
from tests.records.sheets import COMPONENTS, build, load, write_shop


def settings(folder: Path, toml: str = "", components: str = COMPONENTS):
    (folder / "shop.toml").write_text(components + toml, encoding="utf-8")
    return load_shop(folder)


def test_defaults(tmp_path):
    shop = settings(tmp_path)
    assert shop.components == {"input shaft": "shaft", "converter": "conv"}
    assert (shop.power.bands, shop.weight.classes) == ((400, 600, 1000), (7500, 9000))  # common practice, no source
    assert shop.band_labels() == ["under 400", "400 to 600", "600 to 1,000", "1,000 and over"]
    assert shop.class_labels() == ["up to 7,500", "7,500 to 9,000", "over 9,000"]
    assert (shop.power.driveline_loss, shop.checks.miles_per_year_max) == (0.18, 60_000)  # common practice, no source
    assert (shop.dates.as_of, shop.dates.records_start, shop.dates.order, shop.dates.epoch) == (None, None, None, 1900)


def test_dates_as_text_or_as_dates(tmp_path):
    shop = settings(tmp_path, '[shop]\nas_of = 2024-12-31\nrecords_start = "2020-01-01"\n')
    assert (shop.dates.as_of, shop.dates.records_start) == (dt.date(2024, 12, 31), dt.date(2020, 1, 1))


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("[dates]\nordr = 'day first'\n", "'ordr' is not a key of [dates]. Did you mean 'order'?"),
        ("[date]\n", "'date' is not a section. Did you mean 'dates'?"),
        ("[dates]\norder = 'dmy'\n", "[dates] order = 'dmy': must be one of 'day first', 'month first', 'year first'."),
        ("[dates]\nepoch = 1900.0\n", "[dates] epoch = 1900.0: not the kind of value expected here."),
        ("[units]\npower = 'cv'\n", "[units] power = 'cv': must be one of 'hp', 'kW', 'PS'."),
        ("[power]\ndriveline_loss = 18\n", "[power] driveline_loss = 18: must lie between 0 and 0.5."),
        ("[power]\ndriveline_loss = nan\n", "must lie between 0 and 0.5."),
        ("[power]\nbands = [600, 400]\n", "[power] bands = [600, 400]: give one or more positive edges, rising."),
        ("[power]\nbands = [400, inf]\n", "give one or more positive edges, rising."),
        ("[shop]\nas_of = '31.12.2024'\n", "[shop] as_of = '31.12.2024': write the date as 2024-12-31."),
        ("[sheets.build]\nfile = 'x'\n", "'build' is not a sheet (in [sheets]). Did you mean 'builds'?"),
        ("[sheets.builds]\nfile = '../x.csv'\n", "the file must lie inside the folder."),
        ("[headings.builds]\nsrial = 'No'\n", "'srial' is not a heading of builds"),
        ("[parts.shift]\n", "'shift' is not one of the components (input shaft, converter)."),
        ("[parts.converter]\nA = ['x']\nB = ['X']\n", "'X' stands for both 'A' and 'B'."),
        ("[words.cause]\nabuse = ['x']\n", "'abuse' is not one of our words in [words.cause]"),
        ("[words.use]\ntow = ['x']\ndrag = ['x']\n", "'x' stands for both 'tow' and 'drag'."),
        ("[[supersessions]]\nold = 'A'\n", "each needs component, old and new"),
        (
            "[[supersessions]]\ncomponent='converter'\nold='A'\nnew='B'\n[[supersessions]]\ncomponent='converter'\nold='B'\nnew='A'\n",
            "A -> B -> A runs in a circle",
        ),
    ],
)
def test_what_is_not_understood_is_named(tmp_path, toml, said):
    with pytest.raises(RecordsError) as err:
        settings(tmp_path, toml)
    assert said in str(err.value)


@pytest.mark.parametrize(
    ("components", "said"),
    [
        ("", "shop.toml names no components."),
        ("[components]\na = 'X'\nA = 'Y'\n", "one component is named twice"),
        ("[components]\nuse = 'X'\n", "a component cannot be called 'use'"),  # a column of builds of that name exists
        ("[components]\na = 1\n", "give the heading in quotes"),
        ("[components\n", "shop.toml cannot be read"),
    ],
)
def test_components(tmp_path, components, said):
    with pytest.raises(RecordsError) as err:
        settings(tmp_path, components=components)
    assert said in str(err.value)


def test_no_folder_and_no_settings(tmp_path):
    with pytest.raises(RecordsError, match="there is no such folder"):
        load_shop(tmp_path / "nowhere")
    with pytest.raises(RecordsError, match=r"no shop.toml. Add one with at least a table of the components"):
        load_shop(tmp_path)


def test_every_word_can_be_the_shops_own(tmp_path):
    toml = "[words.use]\ntowing = ['tow']\n[words.builder]\n'rk' = ['Rick']\n[words.weight_kind]\n'rating plate' = ['door']\n"
    found = load(tmp_path, toml, builds=[build(use="Tow", builder="RICK", weight_kind="Door")])
    assert found.builds[["use", "builder", "weight_kind"]].to_numpy().tolist() == [["towing", "rk", "rating plate"]]


@pytest.mark.parametrize("day", ["today", "20", "2024-13-01", "32/12/2024", "", "NaT"])
def test_the_as_of_date_never_comes_from_a_clock(tmp_path, day):
    write_shop(tmp_path, builds=[build()])
    with pytest.raises(RecordsError, match=r"is not a date\. Write it as 2024-12-31\."):
        load(tmp_path, builds=[build()], as_of=day)


@pytest.mark.parametrize("stated", ["2024-12-31", "31 Dec 2024", "12/31/2024", "31.12.2024", dt.date(2024, 12, 31)])
def test_a_day_to_look_from_in_any_form_that_is_one_day(stated):
    assert as_day(stated) == pd.Timestamp(2024, 12, 31)


@pytest.mark.parametrize(
    ("stated", "told"),
    [("03/04/2024", "could be 4 Mar 2024 or 3 Apr 2024"), ("45000", "is not a date"), ("soon", "is not")],
)
def test_a_day_to_look_from_that_is_none_or_two(stated, told):
    with pytest.raises(RecordsError, match=told):
        as_day(stated)
