"""The door: a shop read from files or frames, and the questions put to it."""

from __future__ import annotations

import ast
import datetime as dt
import doctest
import html.parser
import importlib
import inspect
import re
import subprocess
import sys
from dataclasses import FrozenInstanceError, fields, is_dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analytics
from analytics.errors import AnalyticsError, NotEnoughData, RecordsError
from analytics.models.cells import survival_table
from analytics.ratings.ledger import Entry, append, fingerprint
from analytics.ratings.sheet import COLUMNS
from analytics.review.snapshot import snapshot_at
from tests.small_door import frames_of, two_parts
from tests.small_shop import build, rateable_shop, returned, write_shop

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data" / "demo"
SETTINGS = {"components": {"input shaft": "input_shaft", "converter": "converter"}}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return two_parts(tmp_path_factory.mktemp("door") / "small")


@pytest.fixture(scope="module")
def small(folder):
    return analytics.read(folder)


@pytest.fixture(scope="module")
def quarter(small):
    return analytics.review(small)


@pytest.fixture(scope="module")
def shop():
    return analytics.read(DEMO, as_of="2024-09-30")


# ---- reading ---------------------------------------------------------------------------------------------------------


def test_a_day_may_be_a_date_or_text(small, folder):
    earlier = analytics.read(folder, dt.date(2023, 6, 30))
    assert earlier.records.as_of == analytics.read(folder, "2023-06-30").records.as_of == pd.Timestamp("2023-06-30")
    assert earlier.shown()["failed"].sum() < small.shown()["failed"].sum()


def test_the_books_are_those_of_the_command(shop, capsys):
    from analytics.__main__ import main

    books = shop.check()
    assert main(["check", str(DEMO), "--as-of", "2024-09-30"]) == 0
    assert capsys.readouterr().out == f"{books}\n"
    assert (books.table["read"] == books.table["used"] + books.table["set_aside"]).all()
    assert len(books.set_aside) == books.table["set_aside"].sum()


def test_frames_are_read_as_files_are(small, folder):
    frames, settings = frames_of(folder)
    other = analytics.from_frames(**frames, settings=settings)
    pd.testing.assert_frame_equal(other.table, small.table)
    pd.testing.assert_frame_equal(other.lifetimes.units.drop(columns="row"), small.lifetimes.units.drop(columns="row"))
    pd.testing.assert_frame_equal(other.check().table, small.check().table)
    pd.testing.assert_frame_equal(
        analytics.rate(other, "input shaft").table, analytics.rate(small, "input shaft").table
    )


def test_the_mess_of_the_demo_is_the_same_in_frames(shop):
    """Wheel power, units in cells, words for dates, two-way dates, a title above the headings, totals: all as in the files."""
    import tomllib

    frames = {
        "builds": pd.read_excel(DEMO / "builds.xlsx", sheet_name="Builds", header=None, dtype=object, engine="calamine")
    }
    for path in DEMO.glob("*.csv"):
        if path.stem != "planted":
            encoding = {"returns": "cp1252", "readings": "utf-16"}.get(path.stem, "utf-8-sig")
            frames[path.stem] = pd.read_csv(
                path, dtype=str, keep_default_na=False, encoding=encoding, sep=None, engine="python"
            )
    settings = tomllib.loads((DEMO / "shop.toml").read_text(encoding="utf-8"))
    other = analytics.from_frames(**frames, settings=settings, as_of="2024-09-30")
    pd.testing.assert_frame_equal(*(_without_rows(read.table) for read in (other, shop)))
    pd.testing.assert_frame_equal(other.check().table, shop.check().table)
    told = ["column", "raw"]
    for mine, theirs in (
        (other.check().set_aside, shop.check().set_aside),
        (other.check().to_check, shop.check().to_check),
    ):
        # remedies and reasons may name a row, which is counted in another way
        assert mine[told].equals(theirs[told])
        assert len(mine) == len(theirs) > 0


def _without_rows(table: pd.DataFrame) -> pd.DataFrame:
    """Flags name rows, which are counted in another way in a frame."""
    return table.assign(flags=table["flags"].str.replace(r"row \d+", "row", regex=True))


def test_typed_cells_read_as_their_text():
    builds = pd.DataFrame(
        {
            "serial": pd.array([101, 102, 103], dtype="Int64"),
            "built_on": pd.to_datetime(["2022-01-05", "2022-01-06", "2022-01-07"]),
            "odometer_at_install": [0.0, 0.0, np.nan],
            "power": pd.array([700, pd.NA, 650], dtype="Int64"),
            "weight": pd.Categorical(["3.9 t", "8,600 lb", ""]),
            "input_shaft": ["A", "A", None],
            "converter": "C",
        }
    )
    returns = pd.DataFrame({"serial": [101], "component": ["Input Shaft"], "failed_on": [dt.date(2023, 3, 1)]})
    read = analytics.from_frames(builds, returns, SETTINGS, as_of="2024-03-31").records
    assert read.books.to_check.empty  # what is missing is blank, not a word nobody can read
    assert read.builds["serial"].tolist() == ["101", "102", "103"]
    assert read.builds["power_hp"].tolist()[::2] == [700, 650]
    assert np.isnan(read.builds["power_hp"].iat[1])
    assert read.builds["weight_lb"].iat[0] == pytest.approx(8598, abs=1)
    assert read.builds["built_on"].iat[2] == pd.Timestamp("2022-01-07")
    assert len(read.returns) == 1


def test_a_row_set_aside_is_named_as_iloc_counts():
    builds = pd.DataFrame([build("T-111"), build("T-112"), build("")], index=[7, 7, 9])
    returns = pd.DataFrame([returned("T-999", "2023-01-01"), returned("T-111", "2023-01-01")])
    aside = analytics.from_frames(builds, returns, SETTINGS, as_of="2024-03-31").check().set_aside
    rows = {(r.sheet, r.row): r.file for r in aside.itertuples()}
    assert rows == {("builds", 2): "builds (data frame)", ("returns", 0): "returns (data frame)"}
    assert builds.iloc[2]["serial"] == ""
    assert returns.iloc[0]["serial"] == "T-999"


def test_frames_leave_what_was_given_alone(folder):
    frames, settings = frames_of(folder)
    before = {name: frame.copy() for name, frame in frames.items()}
    as_given = repr(settings)
    read = analytics.from_frames(**frames, settings=settings)
    assert repr(settings) == as_given
    settings["costs"]["comeback"] = 1
    assert read.records.shop.cost_of("comeback") == 4000
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(frame, before[name])


@pytest.mark.parametrize(
    ("frames", "settings", "told"),
    [
        ({"builds": [1]}, SETTINGS, "builds is a list: give a pandas DataFrame"),
        ({"builds": pd.DataFrame([build("T-1")]).set_index("serial")}, SETTINGS, "'serial' stands in the index"),
        ({"builds": pd.DataFrame({("a", "b"): [1]})}, SETTINGS, "headings on 2 levels"),
        ({"builds": pd.DataFrame([build("T-1")]).drop(columns="built_on")}, SETTINGS, "Its columns are 'serial'"),
        ({"reading": pd.DataFrame([build("T-1")])}, SETTINGS, "no sheet 'reading': give frames for builds"),
        ({}, {"components": {}}, "names no components"),
        ({}, None, "settings is a NoneType"),
    ],
)
def test_what_cannot_be_read_is_said(frames, settings, told):
    given = {"builds": pd.DataFrame([build("T-1")]), "returns": pd.DataFrame([returned("T-1", "2023-01-01")])} | frames
    with pytest.raises(RecordsError, match=told):
        analytics.from_frames(**given, settings=settings)


def test_frames_have_a_fingerprint_and_no_ledger(folder):
    frames, settings = frames_of(folder)
    one = analytics.from_frames(**frames, settings=settings).records.shop
    assert fingerprint(one) == fingerprint(analytics.from_frames(**frames, settings=settings).records.shop)
    frames["returns"].iloc[0, 0] = "T-000XY"
    assert fingerprint(one) != fingerprint(analytics.from_frames(**frames, settings=settings).records.shop)
    with pytest.raises(AnalyticsError, match=r"no limits\.csv to add a line to"):
        append(one, Entry("input shaft", "A", "", "", "600 hp", "2024-04-01", ""))


# ---- the questions ---------------------------------------------------------------------------------------------------


def test_survival_is_the_curves_of_the_review(shop):
    made = analytics.survival(shop, "input shaft", by=["part", "power_band", "weight_class"]).table
    page = survival_table(shop.table, ["days"], shop.records.shop.checks.at_risk_to_show)
    page = page[(page["component"] == "input shaft") & (page["power_band"] != "") & (page["finding"] == "")]
    keys = ["part", "power_band", "weight_class", "time"]
    columns = [*keys, "at_risk", "failed", "censored", "survival", "lower", "upper"]
    pd.testing.assert_frame_equal(
        made.sort_values(keys).reset_index(drop=True)[columns], page.sort_values(keys).reset_index(drop=True)[columns]
    )
    every = analytics.survival(shop, "Input  Shaft")
    assert every.groups["parts"].iat[0] == shop.shown().query("component == 'input shaft'")["parts"].sum()
    assert every.table["survival"].iat[-1] == every.groups["survival"].iat[0] < 1


def test_survival_says_what_it_leaves_out(shop):
    days, miles = (analytics.survival(shop, "input shaft", clock=clock).groups.iloc[0] for clock in ("days", "miles"))
    assert days["left_out"] == 0 < miles["left_out"]
    assert days["parts"] == miles["parts"]


def test_a_rating_is_the_rows_of_the_sheet(small):
    whole = analytics.rate(small).table
    assert list(whole) == [*COLUMNS[:-1], "reason"]
    for names in ({"component": "input shaft"}, {"part": "B"}, {"component": "INPUT SHAFT", "part": "A"}):
        one = analytics.rate(small, **names).table
        own = whole[
            (whole["component"] == "input shaft")
            & (whole["part"].isin([names.get("part", "A"), names.get("part", "B")]))
        ]
        pd.testing.assert_frame_equal(one, own.reset_index(drop=True))


def test_targets_reach_the_rating(small):
    options = analytics.rate(small, part="A", life_miles=30_000, reliability=0.8, confidence=0.7).ratings.options
    assert (options.promise.life_miles, options.promise.reliability, options.promise.confidence) == (30_000, 0.8, 0.7)


def test_review_and_forecast_say_the_same(small, quarter):
    ahead = analytics.forecast(small)
    pd.testing.assert_frame_equal(quarter.outlook.forecasts.counts, ahead.table)
    assert {"came_back", "alarms", "guarantee", "component input shaft"} <= set(quarter.answers)
    assert len(quarter.table) == sum(len(a.words.sentences) for a in quarter.answers.values())


def test_the_replay_needs_no_files(folder, small):
    """Each earlier quarter is read again from the frames themselves."""
    frames, settings = frames_of(folder)
    other = analytics.from_frames(**frames, settings=settings)
    day = pd.Timestamp("2023-03-31")
    one, two = (snapshot_at(source, day).lifetimes.table for source in (other.records.shop, small.records.shop))
    pd.testing.assert_frame_equal(one, two)
    assert len(one) < len(other.table)


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (lambda s: analytics.survival(s, "gearbox"), "'gearbox' is no component of this shop. There are: input shaft"),
        (lambda s: analytics.survival(s, "input shaft", by=["colour"]), "survival by 'colour'"),
        (lambda s: analytics.survival(s, "input shaft", clock="hours"), "must be one of days, miles, runs"),
        (lambda s: analytics.rate(s, "input shaft", "Z"), "no input shaft Z is on record. There are: input shaft A"),
        (lambda s: analytics.rate(s, part="A", confidence=90), "give a share"),
        (lambda s: analytics.cutoff(s, "input shaft", "A", "Z"), "Z"),
        (lambda s: analytics.load(s, "colour"), "must be one of 'power', 'torque', 'margin'"),
    ],
)
def test_a_wrong_question_is_answered_with_the_right_ones(small, ask, told):
    with pytest.raises(AnalyticsError, match=told):
        ask(small)


# ---- results show themselves -----------------------------------------------------------------------------------------


class _Tables(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.open, self.scopes = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag != "img":
            self.open.append(tag)
        if tag == "th":
            self.scopes.append(dict(attrs).get("scope"))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def results(small, quarter):
    return {
        "shop": small,
        "check": small.check(),
        "survival": analytics.survival(small, "input shaft", by=["part"]),
        "rate": analytics.rate(small, "input shaft"),
        "review": quarter,
        "forecast": analytics.forecast(small),
        "cutoff": analytics.cutoff(small, "input shaft", "A", "B", draws=99, refits=20),
        "load": analytics.load(small),
        "advise": analytics.advise(small, 700, 8000, "street"),
        "measured": analytics.measured(),
        "first_look": analytics.first_look(DEMO),
    }


NAMES = [
    "shop",
    "check",
    "survival",
    "rate",
    "review",
    "forecast",
    "cutoff",
    "load",
    "advise",
    "measured",
    "first_look",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_result_is_frozen_and_shows_itself(results, name):
    result = results[name]
    assert is_dataclass(result)
    with pytest.raises(FrozenInstanceError):
        setattr(result, fields(result)[0].name, None)
    assert isinstance(result.table, pd.DataFrame)
    assert len(result.table)
    line = repr(result)
    assert "\n" not in line
    assert " at 0x" not in line
    assert f"{dt.date.today():%Y-%m-%d}" not in line
    seen = _Tables()
    seen.feed(result._repr_html_())
    assert not seen.open
    assert {"table", "caption", "th"} <= set(seen.tags)
    assert "col" in seen.scopes
    assert set(seen.scopes) <= {"col", "row"}  # the answer for a truck heads its rows too


@pytest.mark.parametrize("name", ["survival", "rate", "review", "cutoff", "measured"])
def test_a_picture_has_its_question_and_its_answer(results, name, tmp_path):
    picture = results[name].plot()
    assert picture.question.endswith("?")
    assert len(picture.answer) > 20
    markup = picture._repr_html_()
    assert re.search(rf'alt="Chart( \([^)]*\))?: “?{re.escape(html.escape(picture.question))}', markup)
    assert "<figcaption>" in markup
    assert picture.save(tmp_path / "picture.png").stat().st_size > 5000


def test_the_picture_of_one_load(results):
    assert results["load"].plot("input shaft", "A").question == "What load does A carry, and what does it bear?"
    with pytest.raises(AnalyticsError, match="Known: input shaft A"):
        results["load"].plot("input shaft", "Z")


def test_nothing_followed_is_no_picture(tmp_path):
    few = analytics.read(write_shop(tmp_path / "few", builds=[build("T-111")]))
    curves = analytics.survival(few, "input shaft")
    assert curves.table.empty
    assert np.isnan(curves.groups["followed_to"].iat[0])
    with pytest.raises(NotEnoughData, match="no group of input shaft has 5 parts"):
        curves.plot()


def test_markup_in_the_sheets_is_shown_not_run(tmp_path):
    nasty = "<script>alert(1)</script>"
    builds = [build(f"T-1{k}1", input_shaft=nasty) for k in range(9)]
    named = analytics.read(write_shop(tmp_path / "nasty", builds=builds))
    for result in (named, analytics.survival(named, "input shaft", by=["part"])):
        assert "<script" not in result._repr_html_()
        assert "&lt;script" in result._repr_html_()


def test_save_leaves_the_files_of_the_command(results, tmp_path):
    assert {p.name for p in results["rate"].save(tmp_path)} == {"ratings.csv", "ratings.xlsx", "customer_sheet.html"}
    back = pd.read_csv(tmp_path / "ratings.csv")
    assert list(back) == [*COLUMNS[:-1], "reason"]
    assert back["bound_hp"].to_numpy() == pytest.approx(
        results["rate"].table["bound_hp"].to_numpy(), rel=1e-5, nan_ok=True
    )  # six digits
    assert "brief.html" in {p.name for p in results["cutoff"].save(tmp_path)}
    assert "loads.csv" in {p.name for p in results["load"].save(tmp_path)}
    assert "review.xlsx" in {p.name for p in results["review"].save(tmp_path)}


def test_a_section_that_is_not_there_is_said(results):
    with pytest.raises(AnalyticsError, match=r"there is no section 'weather'\. There are: opening, verdicts"):
        results["rate"].show("weather")


# ---- the door itself -------------------------------------------------------------------------------------------------


def test_the_door_loads_nothing_heavy():
    code = "import sys, analytics; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT).stdout
    heavy = {
        "pandas",
        "numpy",
        "scipy",
        "lifelines",
        "matplotlib",
        "seaborn",
        "pyarrow",
        "IPython",
        "jinja2",
    }
    assert not heavy & set(loaded.split())


def test_a_question_keeps_its_name_whatever_is_imported():
    """The folder ``review`` has the name of a question: the first import of a folder binds its name."""
    code = (
        "import analytics.review.quarterly, analytics\nfrom analytics import review\n"
        "assert callable(review) and review is analytics.review, review\n"
        "from analytics.review.answer import Answer"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_what_is_public_is_there_and_documented():
    from importlib.metadata import version

    assert analytics.__version__ == version("analytics")
    assert "__version__" in dir(analytics)
    assert set(analytics.__all__) <= set(dir(analytics))
    for name in analytics.__all__:
        assert inspect.getdoc(getattr(analytics, name)), name
    for name in (
        "first_look",
        "read",
        "from_frames",
        "survival",
        "rate",
        "review",
        "forecast",
        "cutoff",
        "load",
        "advise",
        "measured",
    ):
        question = getattr(analytics, name)
        told = inspect.getdoc(question)
        for parameter in inspect.signature(question).parameters:
            assert parameter == "shop" or parameter in told, f"{name}: {parameter}"
        assert "Raises" in told, name
        assert ">>> " in told, name


@pytest.mark.parametrize("module", ["analytics.api.shop", "analytics.api.questions", "analytics.api.first_look"])
def test_examples_run(module, shop, small, quarter, monkeypatch):
    """Every example of the door: ``shop`` is the demo, ``small`` a shop of 80 trucks, ``quarter`` its review."""
    monkeypatch.chdir(ROOT)
    made = importlib.import_module(module)
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    told: list[str] = []
    names = {"analytics": analytics, "pd": pd, "shop": shop, "small": small, "quarter": quarter}
    with pd.option_context("display.width", 120, "display.max_columns", 20):
        for test in doctest.DocTestFinder().find(made, globs=names):
            runner.run(test, out=told.append)
    assert not runner.failures, "".join(told)
    assert runner.tries > 1


def test_a_rated_shop_shows_what_is_proven(tmp_path):
    rated = analytics.rate(analytics.read(rateable_shop(tmp_path / "shop")), part="A")
    assert repr(rated).startswith(
        "RatingResult(Small, as of 2024-03-31, 50,000 miles, reliability 0.9, confidence 0.9: "
    )
    assert rated.table["verdict"].iat[0] in ("raise", "not shown either way")


def test_the_readme_asks_what_can_be_asked():
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    calls = [node for block in blocks for node in ast.walk(ast.parse(block)) if isinstance(node, ast.Call)]
    asked = [call for call in calls if re.fullmatch(r"analytics\.\w+", ast.unparse(call.func))]
    assert len(asked) >= 3
    for call in asked:
        question = getattr(analytics, call.func.attr)
        inspect.signature(question).bind(*call.args, **{k.arg: k.value for k in call.keywords})
