"""Tables, page, workbook and CSV: rounded, escaped, whole, and the same bytes each time."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook

from analytics.errors import AnalyticsError
from analytics.models.cells import survival_table
from analytics.models.nonparametric import kaplan_meier
from analytics.report import figures
from analytics.report.files import plain_text, to_digits, write_csv, write_review_files, write_workbook
from analytics.report.page import page_html
from analytics.report.show import figure_html
from analytics.report.tables import html_table, unbroken
from analytics.whole import whole_file
from analytics.words.columns import cell_format, shown
from analytics.words.guide import START
from analytics.words.review import workbook as pages_words
from tests.reviewed import make_review
from tests.small_shop import build, returned, write_shop

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def nasty(tmp_path_factory):
    """A shop whose notes, parts and findings try to run as code or as formulas."""
    builds = [
        build(
            f"T-{k:03d}XY", input_shaft="=HYPERLINK(1)" if k % 2 else SCRIPT, power=500 + 20 * k, weight=6000 + 150 * k
        )
        for k in range(40)
    ]
    back = [
        returned(
            builds[k]["serial"], f"2023-{1 + k % 12:02d}-10", finding=SCRIPT if k % 2 else "=1+1", notes="@SUM(A1)"
        )
        for k in range(14)
    ]
    back.append(returned("+999", "2023-05-05"))
    return make_review(write_shop(tmp_path_factory.mktemp("nasty"), builds=builds, returns=back))


def test_rounding_happens_here_and_blanks_stay_blank():
    frame = pd.DataFrame(
        {
            "power_hp": [650.4, math.nan],
            "p_value": [0.01234, math.nan],
            "day": [pd.Timestamp("2024-01-02"), pd.NaT],
            "ok": [True, False],
            "x": [math.inf, 1234.5],
        }
    )
    assert shown(frame).to_numpy().tolist() == [
        ["650", "0.0123", "2024-01-02", "yes", "no limit"],
        ["", "", "", "no", "1,234.50"],
    ]


def test_a_year_is_no_amount_and_a_slight_chance_is_no_power_of_ten():
    frame = pd.DataFrame({"year": [2020, 2021, 2022], "p_value": [3.6e-66, 1.0, 0.0], "value": [616.2, 0.0123, 0.0]})
    assert shown(frame).to_numpy().tolist() == [
        ["2020", "under 0.0001", "616"],
        ["2021", "1", "1.2%"],
        ["2022", "under 0.0001", "0.0%"],
    ]


def test_a_table_of_many_columns_leaves_out_its_sentences_and_what_no_row_says():
    figures = {f"n{k}": [k, k] for k in range(8)}
    wide = html_table(pd.DataFrame(figures | {"reason": ["why", "so"], "empty": ["", None]}))
    assert "why" not in wide
    assert "empty" not in wide
    assert "why" in html_table(pd.DataFrame({"what": ["a"], "in_words": ["why"]}))


def test_parts_with_a_row_each_have_no_heading_of_their_own():
    rows = [("shaft", f"S-{k}", k) for k in range(20)]
    assert "rowgroup" not in html_table(pd.DataFrame(rows, columns=["component", "part", "keep"]))
    assert "rowgroup" in html_table(pd.DataFrame(rows * 2, columns=["component", "part", "keep"]))


def test_every_cell_is_named_for_a_phone_but_the_text_that_names_its_row():
    row = html_table(pd.DataFrame({"what": ["a"], "weight_lb": [1], 'p"': ["x"]})).split("<tbody>")[1]
    assert row.startswith(
        '<tr><td>a</td><td class="number" data-head="weight, lb">1</td><td data-head="p&quot;">x</td></tr>'
    )
    assert '<td class="number" data-head="hp">1</td><td' in html_table(
        pd.DataFrame({"hp": [1], "a": ["x"], "b": ["y"]})
    )
    assert "data-head" not in html_table(pd.DataFrame({"what": ["a"], "hp": [1]}))


def test_html_is_escaped():
    assert SCRIPT not in html_table(pd.DataFrame({SCRIPT: [SCRIPT]}), SCRIPT)


def test_texts_of_a_shop_never_become_markup_or_formulas(nasty, tmp_path):
    write_review_files(nasty, tmp_path)
    book = CalamineWorkbook.from_path(str(tmp_path / "review.xlsx"))
    texts = {
        cell
        for name in book.sheet_names
        for row in book.get_sheet_by_name(name).to_python()
        for cell in row
        if isinstance(cell, str)
    }
    assert "=HYPERLINK(1)" in texts  # kept as text, not as a formula, whose value would be read
    import zipfile

    with zipfile.ZipFile(tmp_path / "review.xlsx") as raw:
        assert not any(
            b"<f>" in raw.read(n) or b"<hyperlink" in raw.read(n) for n in raw.namelist() if "worksheets" in n
        )
    for name in ("lifetimes", "set_aside", "survival"):
        for line in (tmp_path / f"{name}.csv").read_text(encoding="utf-8").splitlines():
            assert not re.search(r'(^|,)"?[=@]', line), line


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        ("=1+1", "'=1+1"),
        ("@x", "'@x"),
        ("-5 km", "'-5 km"),
        ("-5", "-5"),
        ("+1,200", "+1,200"),
        ("plain", "plain"),
        (3, 3),
        (None, None),
    ],
)
def test_plain_text(value, kept):
    assert plain_text(value) == kept


def test_same_input_same_bytes(nasty, tmp_path):
    for place in ("a", "b"):
        write_review_files(nasty, tmp_path / place)
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_survival_keeps_the_steps_that_move_a_curve_and_its_end(nasty):
    cell = ["clock", "component", "part", "power_band", "weight_class", "finding"]
    whole = survival_table(nasty.lifetimes.table, min_at_risk=nasty.records.shop.checks.at_risk_to_show)
    kept = nasty.survival
    assert 0 < len(kept) < len(whole)
    assert kept.groupby(cell)[["failed", "censored"]].sum().equals(whole.groupby(cell)[["failed", "censored"]].sum())
    for every, few in zip(whole.groupby(cell), kept.groupby(cell), strict=True):
        assert every[0] == few[0]
        assert (
            every[1].iloc[-1][["time", "at_risk", "survival"]] == few[1].iloc[-1][["time", "at_risk", "survival"]]
        ).all()
        moved = every[1].loc[every[1]["failed"] > 0, "time"]
        assert set(moved) <= set(few[1]["time"]) <= {*moved, every[1]["time"].iloc[-1]}


def test_survival_csv_has_the_promised_columns(nasty, tmp_path):
    write_review_files(nasty, tmp_path)
    assert (tmp_path / "survival.csv").read_text().splitlines()[
        0
    ] == "component,part,finding,power_band,weight_class,clock,time,at_risk,failed,censored,survival,lower,upper"
    assert (tmp_path / "counts.csv").read_text().splitlines()[0] == "sheet,read,used,set_aside"
    assert (tmp_path / "set_aside.csv").read_text().splitlines()[0] == "file,sheet,row,column,raw,reason,remedy"
    lives = pd.read_csv(tmp_path / "lifetimes.csv")
    assert {
        "serial",
        "component",
        "part",
        "lot",
        "entry_miles",
        "lower_miles",
        "upper_miles",
        "ended",
        "cause",
        "flags",
    } <= set(lives)


def test_nothing_half_written_stays(tmp_path):
    target = tmp_path / "x.csv"
    target.write_text("old")
    with pytest.raises(KeyError), whole_file(target) as part:
        part.write_text("half")
        raise KeyError
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_full_disk_is_said(tmp_path):
    with (
        pytest.raises(AnalyticsError, match=r"x\.csv could not be written \(No space left on device\)"),
        whole_file(tmp_path / "x.csv"),
    ):
        raise OSError(28, "No space left on device")


def test_csv_dates_and_categories(tmp_path):
    frame = pd.DataFrame({"day": [pd.Timestamp("2024-01-02")], "band": pd.Categorical(["=x"]), "n": [0.1]})
    write_csv(frame, tmp_path / "x.csv")
    assert (tmp_path / "x.csv").read_text() == "day,band,n\n2024-01-02,'=x,0.1\n"


def test_limits_are_written_as_what_they_are_limits_of():
    renew = pd.DataFrame({"renew_from_miles": [55000.0], "lower": [15000.0], "upper": [math.inf]})
    assert shown(renew).iloc[0].tolist() == ["55,000", "15,000", "no limit"]
    drags = pd.DataFrame({"share": [0.5], "lower": [0.068], "upper": [0.93], "upper_if_all": [0.93]})
    assert shown(drags).iloc[0].tolist() == ["50%", "7%", "93%", "93%"]
    assert shown(pd.DataFrame({"ratio": [2.0], "lower": [0.5]})).iloc[0].tolist() == ["2.00", "0.50"]


def test_figures_say_their_question_and_answer(nasty):
    for drawn in (
        figures.quarters_figure(nasty),
        figures.cells_figure(nasty),
        figures.curves_figure(nasty.lines.survival["input shaft", "days"]),
        figures.findings_figure(nasty.lines.findings["input shaft"]),
    ):
        assert drawn is not None
        markup = figure_html(drawn[0], "How <often>?", drawn[1])
        alts = re.findall(r'alt="(Chart(?: \([^"]+\))?: “How &lt;often&gt;\?” [^"]*)"', markup)
        assert len(alts) == markup.count("<img ") == len(set(alts))  # of several panels each says which it is
        finding, caption = drawn[1].split("\n")
        assert f'<p class="finding">{unbroken(finding)}</p>' in markup
        assert [markup.count(unbroken(line)) for line in (finding, caption)] == [
            1,
            1,
        ]  # who cannot see it is told once, as all are
        assert SCRIPT not in markup
        assert markup.startswith("<figure>")
    assert ("converter", "miles") not in nasty.lines.survival  # none came back: words, not a flat picture
    assert "converter" not in nasty.lines.findings


def test_figures_are_the_same_each_time(nasty):
    first, second = (figure_html(*(d := figures.cells_figure(nasty))[:1], "q", d[1]) for _ in range(2))
    assert first == second


def test_page_keeps_outputs_and_leaves_code_and_streams(tmp_path):
    import nbformat.v4 as nb

    cell = nb.new_code_cell(
        "secret = 1",
        outputs=[nb.new_output("display_data", {"text/html": "<p>kept</p>"}), nb.new_output("stream", text="noise")],
    )
    hidden = nb.new_markdown_cell("not for the page", metadata={"tags": ["hidden"]})
    page = page_html(nb.new_notebook(cells=[nb.new_markdown_cell("## A question?"), cell, hidden]), "T & T")
    assert "<p>kept</p>" in page
    assert "<title>T &amp; T</title>" in page
    assert '<nav id="contents" aria-label="Contents"><ol><li><a href="#' in page
    for absent in ("secret", "noise", "not for the page", "<script src", "http://", "https://"):
        assert absent not in page


def test_workbook_dates_are_dates(nasty, tmp_path):
    write_review_files(nasty, tmp_path)
    rows = (
        CalamineWorkbook.from_path(str(tmp_path / "review.xlsx")).get_sheet_by_name("Every part followed").to_python()
    )
    assert rows[1][rows[0].index("built on")] == dt.date(2022, 1, 1)


@pytest.mark.parametrize(
    ("value", "kept"),
    [(602.139955923756, 602.14), (1234567.89, 1234568.0), (0.000123456789, 0.000123457), (0.0, 0.0), (-9.87654321, -9.87654)],
)  # fmt: skip
def test_a_csv_keeps_the_digits_that_mean_something(value, kept):
    assert to_digits(np.array([value]))[0] == kept


def test_digits_pass_over_what_is_no_number():
    assert np.isnan(to_digits(np.array([math.nan]))[0])
    assert to_digits(np.array([math.inf]))[0] == math.inf


def test_the_workbook_guides_prints_across_and_writes_units(nasty, tmp_path):
    import zipfile

    write_workbook(nasty, tmp_path / "x.xlsx")
    names = CalamineWorkbook.from_path(str(tmp_path / "x.xlsx")).sheet_names
    assert names[0] == "Start here"
    assert len(names) <= 12
    rows = CalamineWorkbook.from_path(str(tmp_path / "x.xlsx")).get_sheet_by_name("Start here").to_python()
    assert [row[0] for row in rows[2:]] == names[1:]
    with zipfile.ZipFile(tmp_path / "x.xlsx") as raw:
        styles, pages = (
            raw.read("xl/styles.xml").decode(),
            [raw.read(n).decode() for n in raw.namelist() if "worksheets/sheet" in n],
        )
    assert "#,##0 &quot;hp&quot;" in styles
    assert all('orientation="landscape"' in page and 'paperSize="9"' in page for page in pages)


@pytest.mark.parametrize(
    ("column", "form"),
    [("power_hp", '#,##0 "hp"'), ("weight_lb", '#,##0 "lb"'), ("odometer", '#,##0 "mi"'), ("cost", '"$"#,##0'), ("in_a_year", "0.0%"), ("units", "#,##0")],
)  # fmt: skip
def test_a_column_is_written_with_its_unit(column, form):
    assert cell_format(column, "$") == form


@pytest.mark.parametrize(
    ("text", "whole"),
    [("lot TC-1/10 of T-0296-UK", ["TC-1/10", "T-0296-UK"]), ("on 2024-12-31 at 1,500 hp", ["2024-12-31", "1,500 hp"]), ("4.1% and 7,500 lb", ["7,500 lb"]), ("one-sided, build-month", [])],
)  # fmt: skip
def test_names_dates_and_figures_are_not_broken_between_lines(text, whole):
    assert re.findall(r'<span class="w">(.*?)</span>', unbroken(text)) == whole


def test_markup_within_a_name_stays_a_text():
    assert "<b" not in unbroken("A-1<b>B-2</b>&#x27;-3")


def test_under_every_curve_stand_its_numbers_at_risk_in_its_colour_and_on_it_the_ticks_of_those_last_seen_whole(nasty):
    figure, told = figures.curves_figure(nasty.lines.survival["input shaft", "days"])
    panels = [*figure.subfigs] or [figure]
    for panel in panels:
        ax, under = panel.axes
        curves = [line for line in ax.lines if line.get_drawstyle() == "steps-post"]
        inks = [figures._ink(line.get_color()) for line in curves]
        rows = {t.get_color() for t in under.texts if t.get_text().isdigit()}
        assert curves
        assert rows == set(inks)
        assert any(line.get_marker() == "|" and len(line.get_xdata()) for line in ax.lines)
    assert "a tick is a part that was last seen whole" in told
    markup = figure_html(figure, "q", told)
    assert markup.count("<img") == len(panels)
    assert "Drawn are lines that fall in steps" in markup


def test_a_panel_in_which_none_came_back_is_said_not_drawn(nasty):
    found = nasty.lines.survival["input shaft", "days"]
    name, line = next(iter(found.drawn))
    still = {("quiet ones", line): flat_curve()}
    figure, told = figures.curves_figure(
        replace(found, cells=(*found.cells, ("quiet ones", line)), drawn=found.drawn | still)
    )
    titles = [ax.get_title(loc="left") for panel in [*figure.subfigs] or [figure] for ax in panel.axes]
    assert name in titles
    assert "quiet ones" not in titles
    assert re.search(r"None came back of [^.]*quiet ones\.", told)
    plt.close(figure)


def flat_curve():
    """Twenty parts of which none failed."""
    return kaplan_meier(np.linspace(50.0, 900.0, 20), np.zeros(20, dtype=bool))


def test_all_pages_of_the_workbook_together_are_at_most_twelve():
    """With what comes next, the fleet and the sheet; the page that guides among them."""
    named = {value for name, value in vars(pages_words).items() if name.isupper() and isinstance(value, str)}
    assert len(named | {START}) == 12
