"""A shop in kW, kg and km reads its own units on every page, in every cell, axis and heading; the same figures as in hp, lb and miles."""

from __future__ import annotations

import html
import re
import zipfile
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from scipy import constants

import analytics
from analytics.api import results
from analytics.records.shop import Units
from analytics.report import show
from analytics.report.load_page import SECTIONS as LOAD
from analytics.report.ratings_page import SECTIONS as RATINGS
from analytics.report.review_page import SECTIONS as REVIEW
from analytics.words import units
from analytics.words.columns import heading, in_own_units, own_name
from tests.own_units import write_pair
from tests.pages import page_of, seen

METRIC = Units(power="kW", weight="kg", distance="km", torque="N m")
#: NIST SP 811 (2008) B.8: what one of the owner's units is of ours
HP, LB, MILE, LBFT = 1000 / 745.69987158227022, 1 / 0.45359237, 1 / 1.609344, 1 / 1.3558179483314004
STRANGE = re.compile(r"(?<![\w-])(?:hp|lbs?|miles?|mileage|mph)(?![\w-])|\d(?:hp|lb)\b")


@pytest.fixture(autouse=True)
def _nothing_said_before(monkeypatch):
    monkeypatch.setattr(units, "_LAST", Units())


def strange(text: str) -> list[str]:
    """Every unit of ours in a text, with what stands about it."""
    return [text[max(0, m.start() - 60) : m.end() + 20] for m in STRANGE.finditer(text)]


# ---- one by one ------------------------------------------------------------------------------------------------------------
def test_what_is_said_in_the_owners_units():
    said = [units.power(650), units.weight(7500), units.distance(40_000), units.torque(800), units.speed(55)]
    assert said == ["650 hp", "7,500 lb", "40,000 miles", "800 lb ft", "55 mph"]
    with units.speaking(METRIC):
        said = [units.power(650), units.weight(7500), units.distance(40_000), units.torque(800), units.speed(55)]
        assert said == ["484 kW", "3,402 kg", "64,374 km", "1,085 N m", "89 km/h"]
        assert units.power(float("nan")) == "nan kW"
        assert units.filled("{hp:power} of {n:,.0f}", hp=650, n=1234) == "484 kW of 1,234"
        assert units.in_units("power, hp; torque, lb ft; weight, lb") == "power, kW; torque, N m; weight, kg"
        assert units.prose("given miles, at any mileage; 80k miles, 40 miles") == (
            "given kilometres, at any distance; 80k miles, 40 miles"
        )
    with units.speaking(Units(power="PS", weight="t", distance="km", pressure="bar")):
        assert [units.power(650), units.weight(7500), units.pressure(185)] == ["659 PS", "3.40 t", "12.8 bar"]


def test_a_power_is_rounded_down_and_a_typed_one_comes_back():
    with units.speaking(METRIC):
        assert [units.power(kw * HP) for kw in (37, 484, 1111)] == ["37 kW", "484 kW", "1,111 kW"]
        assert units.bare_power(484.99 * HP) == "484"


def test_columns_are_named_and_converted():
    frame = pd.DataFrame(
        {
            "weight_up_to": [7500.0, np.inf],
            "bound_hp": [650.0, np.nan],
            "life_miles": [50_000.0, 1.0],
            "torque_capped_lbft_low": [800.0, 1.0],
            "guarantee_miles": [10_000, 20_000],
            "in_miles": [0.1, 0.2],
            "miles_days": [30.0, 60.0],
            "clock": ["miles", "days"],
            "time": [100.0, 100.0],
        }
    )
    assert in_own_units(frame) is frame
    assert [*map(own_name, frame)] == [*frame]
    with units.speaking(METRIC):
        own = in_own_units(frame, said=False)
        assert [*map(own_name, frame)] == (
            "weight_up_to_kg bound_kw life_km torque_capped_nm_low guarantee_km in_km km_days clock time".split()
        )
        assert heading("bound_hp") == "bound, kW"
        assert heading("in_miles") == "chance in 16,093 km"
        assert in_own_units(frame)["bound_hp"].iat[0] == 484
    first = own.iloc[0]
    assert first["bound_hp"] == pytest.approx(650 / HP)
    assert first["weight_up_to"] == pytest.approx(7500 / LB)
    assert first["life_miles"] == pytest.approx(50_000 / MILE)
    assert first["torque_capped_lbft_low"] == pytest.approx(800 / LBFT)
    assert first["guarantee_miles"] == pytest.approx(10_000 / MILE)
    assert (first["in_miles"], first["miles_days"]) == (0.1, 30)
    assert own["clock"].tolist() == ["km", "days"]
    assert own["time"].tolist() == pytest.approx([100 / MILE, 100])
    assert np.isinf(own["weight_up_to"].iat[1])


def test_ticks_are_round_in_the_owners_unit():
    from analytics.report.figures import _figure, in_own_units

    with units.speaking(METRIC):
        ax = _figure(3, "band").subplots()
        ax.plot([400 * HP, 700 * HP], [0, 1])
        in_own_units(ax.xaxis, "power")
        ax.figure.canvas.draw()
        told = [t.get_text() for t in ax.get_xticklabels()]
        places = ax.get_xticks()
    assert {"400", "500", "600", "700"} <= set(told)
    assert [float(t) for t in told] == pytest.approx(places / HP)
    assert constants.hp == pytest.approx(1000 / HP)


# ---- a whole shop ------------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Per shop: its files, its pages, and the axes of its pictures."""
    folder = tmp_path_factory.mktemp("units")
    return {
        name: whole(shop, folder / f"{name} files")
        for name, shop in zip(("metric", "ours"), write_pair(folder), strict=True)
    }


def whole(folder: Path, out: Path) -> tuple[Path, dict[str, str], str]:
    axes: list[str] = []

    def looked_at(figure, question, answer):
        figure.canvas.draw()
        axes.extend(text.get_text() for text in figure.findobj(lambda a: hasattr(a, "get_text")))
        return before(figure, question, answer)

    before = show.figure_html
    with mock.patch.object(show, "figure_html", looked_at), mock.patch("analytics.report.brief.figure_html", looked_at):
        shop = analytics.read(folder)
        review, rating = analytics.review(shop), analytics.rate(shop)
        load = analytics.load(shop)
        cut = analytics.cutoff(shop, "input shaft", "KX-20", "KX-40")
        advice = analytics.advise(shop, "450 kW", "3300 kg", "street")
        for name, result in (("review", review), ("ratings", rating), ("load", load), ("cutoff", cut)):
            result.save(out / name)
        rating.above_proven().save(out / "ratings" / "above_proven.csv")
        advice.save(out / "advice.html")
        pages = {
            "review": page_of("quarterly_review", REVIEW, review),
            "ratings": page_of("power_ratings", RATINGS, rating.follow_up),
            "load": page_of("driveline_load", LOAD, load.load),
            "answers": "".join(a._repr_html_() for a in review.answers.values()),
            "advice": f"{advice._repr_html_()}{advice}",
            "results": "".join(r._repr_html_() + repr(r) for r in (shop, rating, load, cut, review)),
        }
        from analytics.report.cutoff_page import SECTIONS as CUTOFF

        pages["cutoff"] = page_of("tier_cutoff", CUTOFF, cut.argument)
    assert isinstance(advice, results.AdviceResult)
    return out, pages, " | ".join(axes)


def workbook(path: Path) -> str:
    """Every text and every format of a workbook."""
    with zipfile.ZipFile(path) as book:
        texts, looks = (book.read(f"xl/{name}.xml").decode() for name in ("sharedStrings", "styles"))
    return html.unescape(re.sub(r"<[^>]+>", " | ", texts) + " ".join(re.findall(r'formatCode="([^"]*)"', looks)))


def test_no_page_cell_axis_or_heading_of_a_metric_shop_holds_a_unit_of_ours(made):
    out, pages, axes = made["metric"]
    told = {name: seen(page, closed=False) for name, page in pages.items()}
    told |= {
        name: " ".join(re.findall(r'(?:alt|aria-label|data-head)="([^"]*)"', page))
        for name, page in pages.items()
        if name not in told
    }
    told |= {p.name: seen(p.read_text(encoding="utf-8"), closed=False) for p in out.rglob("*.html")}
    told |= {p.name: workbook(p) for p in out.rglob("*.xlsx")}
    told |= {p.name: p.read_text(encoding="utf-8") for p in out.rglob("*.csv")}
    told["axes"] = axes
    assert {"review", "sheet.html", "review.xlsx", "load.xlsx", "ratings.csv", "brief.html", "advice.html"} <= set(told)
    assert {name: found for name, text in told.items() if (found := strange(text))} == {}
    assert "km" in axes
    assert "kW" in axes
    heads = {p.name: p.read_text(encoding="utf-8").splitlines()[0].split(",") for p in out.rglob("*.csv")}
    assert {"weight_up_to_kg", "life_km", "bound_kw", "supported_kw", "published_kw"} <= set(heads["ratings.csv"])
    assert {"power_kw", "weight_kg", "upper_km", "torque_nm"} <= set(heads["lifetimes.csv"])


FACTOR = {"kw": HP, "kg": LB, "km": MILE, "nm": LBFT}


def test_the_figures_converted_back_are_those_of_the_shop_in_our_units(made):
    """To the six digits a file has; a row told on a clock or in a unit of its own likewise."""
    (own, *_), (ours, *_) = made["metric"], made["ours"]
    looked_at = set()
    for path in sorted(ours.rglob("*.csv")):
        theirs, mine = (pd.read_csv(p) for p in (path, own / path.relative_to(ours)))
        assert len(theirs) == len(mine)
        for name, column in zip(theirs, mine, strict=True):
            if not pd.api.types.is_numeric_dtype(theirs[name].dtype) or theirs[name].dtype == bool:
                continue
            unit = next((u for u in FACTOR if u in column.split("_") or f"{u} " in column), "")
            factor = np.full(len(mine), FACTOR[unit] if unit and name not in ("in_miles", "miles_days") else 1.0)
            for tells, columns in (("clock", ("time", "life")), ("unit", ("bound",))):
                if tells in mine and name in columns:
                    factor = mine[tells].map({"km": MILE, "kW": HP, "N m": LBFT}).fillna(1.0).to_numpy()
            if path.stem in ("cutoff", "overlap"):
                what = theirs[theirs.columns[0]].astype(str)
                factor = np.where(
                    what.str.contains("weight,|step in weight$"),
                    LB,
                    np.where(what.str.contains("power|boundary"), HP, 1.0),
                )
                factor = factor if name in ("estimate", "low", "high", "middle") else np.ones(len(mine))
            if path.stem == "how_sure" and name == "value":
                factor = np.where(mine["figure"] == "power it can take", HP, 1.0)
            if path.stem == "renew_at_rebuild" and name in ("lower", "upper"):
                factor = np.full(len(mine), MILE)
            np.testing.assert_allclose(
                mine[column] * factor, theirs[name], rtol=2e-5, atol=1e-9, err_msg=f"{path.stem} {name}"
            )
            looked_at |= {unit} if unit else set()
    assert looked_at == set(FACTOR)


def test_of_the_shop_in_our_units_nothing_is_renamed(made):
    out, pages, axes = made["ours"]
    assert not re.search(r"\d (?:kW|kg|km|N m)\b", " ".join(pages.values()) + axes)
    heads = {p.name: p.read_text(encoding="utf-8").splitlines()[0].split(",") for p in out.rglob("*.csv")}
    assert {"weight_up_to", "life_miles", "bound_hp", "supported_hp"} <= set(heads["ratings.csv"])
