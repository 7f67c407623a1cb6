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

import analytics
from analytics.report import show
from analytics.report.cutoff_page import SECTIONS as CUTOFF
from analytics.report.load_page import SECTIONS as LOAD
from analytics.report.ratings_page import SECTIONS as RATINGS
from analytics.report.review_page import SECTIONS as REVIEW
from analytics.words import units
from tests.own_units import write_pair
from tests.pages import page_of, seen, unwrapped
from tests.report.test_own_units import HP, LB, LBFT, MILE
from tests.start.shops import export_shop

STRANGE = re.compile(r"(?<![\w-])(?:hp|lbs?|miles?|mileage|mph)(?![\w-])|\d(?:hp|lb)\b")


def strange(text: str) -> list[str]:
    """Every unit of ours in a text, with what stands about it."""
    return [text[max(0, m.start() - 60) : m.end() + 20] for m in STRANGE.finditer(text)]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Per shop: its files, its pages, and the axes of its pictures."""
    folder = tmp_path_factory.mktemp("units")
    # both are read before either is asked: each speaks its own units, whichever was read last
    shops = dict(zip(("metric", "ours"), map(analytics.read, write_pair(folder, 110, 44)), strict=True))
    return {name: whole(shop, folder / f"{name} files") for name, shop in shops.items()}


def whole(shop: analytics.api.shop.ShopRecords, out: Path) -> tuple[Path, dict[str, str], str]:
    axes: list[str] = []

    def looked_at(figure, question, answer):
        figure.canvas.draw()
        axes.extend(text.get_text() for text in figure.findobj(lambda a: hasattr(a, "get_text")))
        return before(figure, question, answer)

    before = show.figure_html
    with mock.patch.object(show, "figure_html", looked_at), mock.patch("analytics.report.brief.figure_html", looked_at):
        review, rating = analytics.review(shop), analytics.rate(shop)
        load = analytics.load(shop)
        cut = analytics.cutoff(shop, "input shaft", "KX-20", "KX-40")
        advice = analytics.advise(shop, "450 kW", "3300 kg", "street")
        for name, result in (("review", review), ("ratings", rating), ("load", load), ("cutoff", cut)):
            result.save(out / name)
        rating.above_supported().save(out / "ratings" / "above_supported.csv")
        advice.save(out / "advice.html")
        with units.speaking_as(shop.records.shop):
            pages = {
                "review": page_of("quarterly_review", REVIEW, review),
                "ratings": page_of("power_ratings", RATINGS, rating.follow_up),
                "load": page_of("driveline_load", LOAD, load.load),
                "cutoff": page_of("tier_cutoff", CUTOFF, cut.argument),
            }
        pages |= {
            "answers": "".join(a._repr_html_() for a in review.answers.values()),
            "advice": f"{advice._repr_html_()}{advice}",
            "results": "".join(r._repr_html_() + repr(r) for r in (shop, rating, load, cut, review)),
        }
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


def test_the_first_review_of_the_export_counts_what_was_written(made, tmp_path):
    """From `start` to the review without a line by the owner but for prices and limits; its counts against the truth of the export."""
    out, pages, _ = made["metric"]
    truth = export_shop(tmp_path, 110, 44)
    lives = pd.read_csv(out / "review" / "lifetimes.csv")
    assert lives["serial"].nunique() == truth.units
    assert lives[lives["ended"] == "failed"]["component"].value_counts().to_dict() == truth.damaged
    counts = pd.read_csv(out / "review" / "counts.csv").set_index("sheet")
    assert counts.loc[["builds", "returns"], "used"].tolist() == [truth.units, truth.returns]
    assert (counts["set_aside"] == 0).all()
    built = lives.drop_duplicates("serial")
    assert built["power_kw"].mean() * HP == pytest.approx(truth.power_hp, abs=0.1)
    assert built["weight_kg"].mean() * LB == pytest.approx(truth.weight_lb, abs=0.2)
    assert f"{truth.units} units in service" in unwrapped(pages["review"])


def test_of_the_shop_in_our_units_nothing_is_renamed(made):
    out, pages, axes = made["ours"]
    assert not re.search(
        r"\d (?:kW|kg(?! m²)|km|N m)\b", " ".join(seen(page, closed=False) for page in pages.values()) + axes
    )
    heads = {p.name: p.read_text(encoding="utf-8").splitlines()[0].split(",") for p in out.rglob("*.csv")}
    assert {"weight_up_to", "life_miles", "bound_hp", "supported_hp"} <= set(heads["ratings.csv"])
