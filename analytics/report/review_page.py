"""The page of the quarterly review, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from analytics.places import evidence_folder
from analytics.report import figures, fleet_figures, outlook_figures
from analytics.report.one_sheet import sheet_html
from analytics.report.show import (
    show,
    show_figure,
    show_heading,
    show_html,
    show_list,
    show_question,
    show_table,
    show_words,
)
from analytics.review.fleet_view import FleetView
from analytics.review.one_sheet import Sheet
from analytics.review.outlook import Outlook
from analytics.review.quarterly import Review
from analytics.words.cautions import CAUTIONS
from analytics.words.review import one_sheet as words
from analytics.words.review import questions as asked
from analytics.words.review.settings import settings_of


class Whole(Protocol):
    """The parts of a review."""

    @property
    def review(self) -> Review: ...
    @property
    def outlook(self) -> Outlook: ...
    @property
    def fleet(self) -> FleetView: ...
    @property
    def sheet(self) -> Sheet: ...


def opening(whole: Whole) -> None:
    """The quarter on one sheet."""
    show_heading(words.title(whole.sheet))
    show_html(sheet_html(whole.sheet))


def came_back(whole: Whole) -> None:
    """What came back, and why."""
    show(whole.review.came_back)
    if drawn := figures.quarters_figure(whole.review):
        show_figure(drawn[0], asked.QUARTERS, drawn[1])


def worse(whole: Whole) -> None:
    """Whether anything is getting worse: the watch, what was foreseen, lots, revisions, what the watch can see."""
    outlook = whole.outlook
    show(outlook.alarms)
    show_words(*outlook_figures.alarm_promise(evidence_folder()))
    show_question(outlook.expected)
    show(outlook.expected, rows=45)
    if drawn := outlook_figures.expected_figure(outlook):
        show_figure(drawn[0], asked.expected(whole.review.span.name), drawn[1])
    show_question(outlook.lots)
    show(outlook.lots, rows=30)
    if drawn := outlook_figures.lots_figure(outlook):
        show_figure(drawn[0], asked.LOTS, drawn[1])
    for answer in (outlook.revision, outlook.power):
        show_question(answer)
        show(answer)


def months(whole: Whole) -> None:
    """How long they had been out, by build month."""
    show(whole.outlook.months)
    if drawn := outlook_figures.months_figure(whole.outlook):
        show_figure(drawn[0], asked.MONTHS, drawn[1])


def ahead(whole: Whole) -> None:
    """What comes next, and what it will cost; what to stock; each unit's own chance."""
    show(whole.outlook.forecast)
    show_words(*outlook_figures.promise_words(evidence_folder()))
    for answer in (whole.outlook.stock, whole.outlook.units):
        show_question(answer)
        show(answer)


def kept(whole: Whole) -> None:
    """Whether we kept our word."""
    show(whole.outlook.kept)
    if drawn := outlook_figures.kept_figure(whole.outlook):
        show_figure(drawn[0], asked.KEPT, drawn[1])
    show_table(whole.outlook.alarms_kept, folded=asked.ALARMS_KEPT)


def fleet(whole: Whole) -> None:
    """How many are out there, and for how long."""
    show(whole.review.fleet)


def clocks(whole: Whole) -> None:
    """Days or miles: what each leaves out."""
    show(whole.review.clocks)


def components(whole: Whole) -> None:
    """Which component comes back, at what power and weight."""
    review = whole.review
    if drawn := figures.cells_figure(review):
        show_figure(drawn[0], asked.CELLS, drawn[1])
    for component, answer in review.components.items():
        show_words(component.capitalize(), level=3)
        show(answer)
        for clock in asked.OVER:
            if curves := review.lines.survival.get((component, clock)):
                drawn = figures.curves_figure(curves)
                show_figure(drawn[0], asked.survival(component, clock), drawn[1])
        if shares := review.lines.findings.get(component):
            drawn = figures.findings_figure(shares)
            show_figure(drawn[0], asked.findings(component), drawn[1])


def causes(whole: Whole) -> None:
    """What they come back for, whose fault it is, and whether two people say the same."""
    show(whole.fleet.finding_shares)
    show(whole.fleet.causes)
    if drawn := fleet_figures.causes_figure(whole.review, whole.fleet):
        show_figure(drawn[0], asked.CAUSES, drawn[1])
    show_words(asked.JUDGED_ALIKE, level=3)
    show(whole.fleet.judged_alike)


def drags(whole: Whole) -> None:
    """When several parts are broken, which killed the others."""
    show(whole.fleet.first_or_followed)
    show_words(asked.DRAGS, level=3)
    show(whole.fleet.drags)


def wear(whole: Whole) -> None:
    """Whether failures come early, by chance, or late."""
    show(whole.review.wear)


def again(whole: Whole) -> None:
    """Whether they come back again."""
    show(whole.review.again)
    if drawn := fleet_figures.repeats_figure(whole.review, whole.fleet):
        show_figure(drawn[0], asked.BUILD_YEARS, drawn[1])
    show(whole.fleet.by_build_year)


def rebuilt(whole: Whole) -> None:
    """Whether a rebuilt unit lasts as long as a new one, and what to renew while it is open."""
    show(whole.fleet.rebuilt)
    if drawn := fleet_figures.rebuilt_figure(whole.review, whole.fleet):
        show_figure(drawn[0], asked.REBUILT, drawn[1])
    show_words(asked.RENEW, level=3)
    show(whole.fleet.renew)


def change(whole: Whole) -> None:
    """What changed since last quarter."""
    show(whole.review.change)


def limits(whole: Whole) -> None:
    """Which published limits the returns speak to."""
    show(whole.review.limits)


def call(whole: Whole) -> None:
    """Whom to call."""
    show(whole.fleet.above, rows=25)
    show_words(asked.ODOMETERS, level=3)
    show(whole.fleet.odometers, rows=25)
    show_words(asked.RANDOM_CALLS, level=3)
    show(whole.fleet.random_calls)


def how_sure(whole: Whole) -> None:
    """How sure we are of the records."""
    show(whole.fleet.how_sure, rows=120)
    if drawn := fleet_figures.how_sure_figure(whole.fleet):
        show_figure(drawn[0], asked.HOW_SURE, drawn[1])


def guarantee(whole: Whole) -> None:
    """How long a guarantee each power band could carry."""
    show(whole.fleet.guarantee)
    show_words(*fleet_figures.guarantee_promise(evidence_folder()))
    if drawn := fleet_figures.guarantee_figure(whole.review, whole.fleet):
        show_figure(drawn[0], asked.GUARANTEE, drawn[1])


def to_fix(whole: Whole) -> None:
    """What in the records should be mended first."""
    show(whole.review.to_fix)


def counted(whole: Whole) -> None:
    """Whether every row was used."""
    show(whole.review.counted)


def cautions(whole: Whole) -> None:
    """What these figures cannot do, and what they rest on."""
    show_list(CAUTIONS)
    show_table(settings_of(whole.review), folded=asked.SETTINGS)


SECTIONS: dict[str, Callable[[Whole], None]] = {
    made.__name__: made
    for made in (
        opening, came_back, worse, months, ahead, kept, fleet, clocks, components, causes, drags, wear, again, rebuilt, change,
        limits, call, how_sure, guarantee, to_fix, counted, cautions,
    )
}  # fmt: skip
