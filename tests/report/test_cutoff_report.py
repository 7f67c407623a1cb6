"""The demo's pairs of parts, each with the verdict that is true of it, as its brief and pictures say it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.cutoffs.against import RatioVerdict
from analytics.cutoffs.argument import Asked, make_argument
from analytics.lifetimes.table import make_lifetimes
from analytics.records.load import load_records
from analytics.report import cutoff_figures as figures
from analytics.report import cutoff_page
from analytics.report.brief import brief_html, write_cutoff_files
from analytics.words.cutoffs import argument as words
from analytics.words.cutoffs.money import by_use_table, money_words
from tests.pages import page_of, unwrapped
from tests.pages import words as words_on
from tests.report.test_pages import contradictions
from tests.small_shop import TOML, build, returned, write_shop

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="module")
def argue():
    records = load_records(DEMO)
    lifetimes = make_lifetimes(records)

    def made(component: str, below: str, above: str, finding: str | None = None):
        return make_argument(records, lifetimes, Asked(component, below, above, finding=finding, draws=199, refits=10))

    return made


def test_the_real_step_reads_as_a_step(argue):
    argument = argue("clutch pack", "CP-4", "CP-5")
    told = unwrapped(brief_html(argument))
    assert "CP-4 has a step in power: just above 6" in told
    assert "times as often as just below (" in told
    drawn = figures.halves_figure(argument)
    assert "the step found" in drawn[1]


def test_no_sentence_stands_twice_on_a_page_that_compares(argue):
    argument = argue("input shaft", "IS-A", "IS-B")
    page = page_of("tier_cutoff", cutoff_page.SECTIONS, argument)
    assert "lives longer than IS-A" in page
    assert contradictions(page) == []
    assert words_on(page) <= 1200


def test_the_best_cut_of_the_search_and_the_likeliest_place_of_the_step_are_two_figures(argue):
    argument = argue("clutch pack", "CP-4", "CP-5")
    search = argument.step.search
    other = next(float(c) for c in search.cuts if c != search.cuts[search.best])
    argument = replace(argument, steps=argument.steps | {"power": replace(argument.step, cut=other)})
    told = dict(words.numbers_table(argument).itertuples(index=False, name=None))
    assert told["best cut of the search; chance alone would offer one so good"].startswith(
        f"{search.cuts[search.best]:,.0f} hp;"
    )
    assert told["likeliest place of the step"].startswith(f"{other:,.0f} hp (")
    assert figures.search_figure(argument.step, "CP-4")[1].endswith(
        f"Its likeliest place, with the slope allowed for, is {other:,.0f}."
    )


def test_hazards_close_together_have_figures_along_their_axis(argue):
    """Within one power of ten a log axis names its ticks by itself, in a markup that nobody reads here."""
    step = argue("clutch pack", "CP-4", "CP-5").step
    near = {key: 0.2 * h for key, h in step.models.hazards.items()}
    figure = figures.search_figure(replace(step, models=replace(step.models, hazards=near)), "CP-4")[0]
    figure.canvas.draw()
    low = figure.axes[1].yaxis
    told = [t.get_text() for t in (*low.get_majorticklabels(), *low.get_minorticklabels()) if t.get_text()]
    assert {"0.5", "1", "2"} <= set(told)
    assert not [t for t in told if "$" in t]


def test_a_boundary_by_money_that_may_never_pay_says_so_wherever_it_stands(argue):
    argument = argue("clutch pack", "CP-4", "CP-5")
    tried = argument.money.curve["cut_hp"]
    for high, says_so in ((tried.iloc[-1], True), (tried.iloc[-2], False)):
        money = replace(argument.money, least=replace(argument.money.least, high=float(high)))
        told = brief_html(replace(argument, money=money)), " ".join(money_words(money))
        assert [("do not rule out that it never pays" in t) for t in told] == [says_so] * 2


def test_the_boundary_by_money_leads_with_its_table_by_use(argue, monkeypatch):
    shown = []
    monkeypatch.setattr(cutoff_page, "show_html", lambda *told: shown.extend(told))
    monkeypatch.setattr(cutoff_page, "first_then", lambda told, *_: shown.extend(told))
    argument = argue("input shaft", "IS-A", "IS-B")
    cutoff_page.boundary(argument)
    assert "towing" in shown[0]
    assert "From which power it pays, use by use" in shown[0]
    assert not argument.money.holds
    assert "One boundary for all uses is no finding: the uses differ" in words.claim(argument)[2]
    assert dict(words.numbers_table(argument).itertuples(index=False, name=None))["by money"].startswith("no finding")
    verdicts = words.verdicts_table(argument).set_index("question")["verdict"]
    assert verdicts["boundary by money"] == "no finding"


def test_the_smooth_slope_reads_as_a_slope(argue):
    told = unwrapped(brief_html(argue("input shaft", "IS-A", "IS-B")))
    assert "IS-A has no step in power that the records show: it loses life gradually" in told


def test_parts_without_common_trucks_are_not_compared(argue):
    told = unwrapped(brief_html(argue("converter", "TC-1", "TC-2")))
    assert "every TC-1 lives in a truck of 650 hp or less and every TC-2 in one of 655 hp or more" in told


def test_a_side_too_thin_to_draw_is_said_so(argue):
    """VB-1 is fitted at every power, so the cheapest boundary lies where hardly any truck is."""
    argument = argue("valve body", "VB-1", "VB-2")
    assert "too few parts to draw a curve" in figures.halves_figure(argument)[1]
    assert argument.against.verdict == RatioVerdict.BETTER


def test_a_named_finding_is_named_with_what_it_governs(argue):
    argument = argue("input shaft", "IS-A", "IS-B", "twisted")
    told = brief_html(argument)
    for page in (told, " ".join(words.opening(argument))):
        assert "counts “twisted” alone" in page
        assert "the power that may be published count every failure" in page
    for line in (words.claim(argument)[0], *words.axes_words(argument)[:2], words.numbers_table(argument).iloc[0, 0]):
        assert "IS-A (twisted alone)" in line
    assert words.verdicts_table(argument)["question"].head(3).str.endswith(", twisted alone").all()
    every = replace(argument, asked=replace(argument.asked, finding=None))
    assert words.finding_words(every) == ()
    assert "twisted" not in brief_html(every)


def test_a_shop_without_weights_is_judged_by_power_alone(tmp_path):
    """160 trucks, none weighed; B lives twice as long as A. All but the verdicts on weight is there, and why those are not."""
    rng, builds, back, read = np.random.default_rng(4), [], [], []
    for k in range(160):
        part, serial, miles = "AB"[k % 2], f"T-{k:03d}XY", 15_000 + 200 * k
        power = round(450 + 5 * (k // 2) + 10 * rng.random())
        life = 60_000 * (power / 600) ** -4 * (1 + k % 2) * rng.weibull(2)
        builds.append(build(serial, "2020-01-01", power=power, weight="", input_shaft=part))
        if life < miles:
            day = pd.Timestamp("2020-01-02") + pd.Timedelta(days=int(1400 * life / miles))
            back.append(returned(serial, f"{day:%Y-%m-%d}", miles_in_service=round(life)))
        else:
            read.append({"serial": serial, "read_on": "2024-03-30", "odometer": miles})
    toml = TOML + '[ratings]\nreplicates = 0\n[costs]\ncomeback = 4000\n[costs.parts]\n"A" = 400\n"B" = 800\n'
    records = load_records(write_shop(tmp_path / "shop", toml, builds=builds, returns=back, readings=read))
    argument = make_argument(records, make_lifetimes(records), Asked("input shaft", "A", "B", draws=99, refits=10))
    assert tuple(argument.steps) == ("power",)
    assert argument.money is not None, dict(argument.refused["money"].values)
    assert argument.against.verdict == RatioVerdict.BETTER
    assert argument.comparable.regressed.ratio < 1
    assert "weight_lb" not in set(argument.comparable.spread["quantity"])
    assert words.axes_words(argument)[0].startswith("No weight is on record, so all is judged by power alone")
    assert by_use_table(argument.money)["at weight"].tolist() == ["any weight"]
    assert argument.safety.table["weight_up_to"].tolist() == [math.inf]
    assert "any weight" in brief_html(argument) + " ".join(words.verdicts_table(argument)["question"])
    write_cutoff_files(argument, tmp_path / "out")
    for draw in (figures.halves_figure, figures.overlap_figure, figures.cost_figure, figures.ratio_figure):
        draw(argument)
