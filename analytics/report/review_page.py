"""The page of the quarterly review: the quarter on one sheet, and behind it section by section what it rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from analytics.cores import each
from analytics.places import evidence_folder
from analytics.report import figures, fleet_figures, outlook_figures
from analytics.report.one_sheet import limits_table, sheet_html
from analytics.report.show import (
    behind,
    drawn,
    fold,
    lead,
    lines_html,
    picture_of,
    show_heading,
    show_html,
    show_list,
    table_html,
)
from analytics.review.advised import advised_answer
from analytics.review.answer import Answer
from analytics.review.fleet_view import FleetView
from analytics.review.one_sheet import Sheet, alarming, standing_alarms
from analytics.review.outlook import Outlook
from analytics.review.quarterly import Review
from analytics.words.cautions import CAUTIONS
from analytics.words.review import one_sheet as words
from analytics.words.review import questions as asked
from analytics.words.review.expected import HARDLY_ONE, left_out
from analytics.words.review.settings import settings_of
from analytics.words.units import spoken


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
    """The quarter on one sheet. whole: the quarter, with all it rests on."""
    show_heading(words.title(whole.sheet))
    show_html(sheet_html(whole.sheet))


def came_back(whole: Whole) -> None:
    """What came back, why, whose fault it is, and what changed. whole: the quarter, with all it rests on."""
    review, fleet = whole.review, whole.fleet
    show_html(
        lead(review.came_back),
        behind(
            review.came_back,
            drawn(figures.quarters_figure, review, question=asked.QUARTERS),
            title=asked.EVERY_RETURN,
            after=1,
        ),
        behind(review.change),
        behind(fleet.finding_shares, title=asked.FOUND),
        behind(
            fleet.causes, drawn(fleet_figures.causes_figure, review, fleet, question=asked.CAUSES), title=asked.FAULT
        ),
        behind(fleet.judged_alike, title=asked.JUDGED_ALIKE),
        behind(fleet.first_or_followed, title=asked.FIRST),
        behind(fleet.drags, title=asked.DRAGS),
    )


def worse(whole: Whole) -> None:
    """Whether anything is getting worse: the watch, what was foreseen, lots, revisions, build months, what the watch can see.
    whole: the quarter, with all it rests on."""
    review, outlook, told = whole.review, whole.outlook, _told(whole.outlook)
    promise = lines_html(outlook_figures.alarm_promise(evidence_folder()))
    now, every = alarming(standing_alarms(outlook)), alarming(outlook.watched[-1].alarms) if outlook.watched else {}
    gone = [look for key, look in every.items() if key not in now]
    show_html(
        lines_html([words.watch_lead([*now.values()], gone)]),
        behind(outlook.alarms, promise, title=asked.ALL_ALARMS),
        behind(
            *_worth_a_row(
                outlook.expected,
                drawn(outlook_figures.expected_figure, told, question=asked.expected(review.span.name)),
            )
        ),
        behind(outlook.lots, drawn(outlook_figures.lots_figure, told, question=asked.LOTS)),
        behind(outlook.revision),
        behind(
            outlook.months,
            drawn(outlook_figures.months_figure, told, question=asked.MONTHS),
            title=asked.BY_MONTH,
            table=False,
        ),
        behind(outlook.power, title=asked.CATCHES),
    )


def _told(outlook: Outlook) -> Outlook:
    """What the pictures of an ``outlook`` are drawn of: its answers and tables, not the fits behind them."""
    return replace(outlook, watched=[], snapshots=())


def _worth_a_row(answer: Answer, seen: str) -> tuple[Answer, str, str]:
    """The ``answer`` to what came and what was expected, and what is ``seen`` of it in a picture, without the rows that say nothing; so many those are."""
    table = answer.table
    if table.empty:
        return answer, seen, ""
    says = (table["came"] > 0) | (table["expected"] >= HARDLY_ONE)
    return replace(answer, table=table[says]), seen, lines_html([left_out(int((~says).sum()))])


def ahead(whole: Whole) -> None:
    """What comes next, what it will cost, what to stock; whether we kept our word; how long a guarantee could run.
    whole: the quarter, with all it rests on."""
    outlook, fleet = whole.outlook, whole.fleet
    promise = lines_html(outlook_figures.promise_words(evidence_folder()))
    guaranteed = drawn(fleet_figures.guarantee_figure, whole.review, fleet, question=asked.GUARANTEE)
    guarantees = lines_html(fleet_figures.guarantee_promise(evidence_folder()))
    show_html(
        lead(outlook.forecast),
        drawn(outlook_figures.kept_figure, _told(outlook), question=asked.KEPT),
        behind(outlook.forecast, promise, title=asked.ALL_AHEAD, after=1),
        behind(outlook.stock, title=asked.STOCK),
        behind(outlook.kept, table_html(outlook.alarms_kept, asked.ALARMS_KEPT)),
        behind(advised_answer(whole.review.lifetimes)),
        behind(fleet.guarantee, guaranteed, guarantees, title=asked.CARRY),
    )


def limits(whole: Whole) -> None:
    """Which limits should move, what the returns say of them, and what the verdicts hang on. whole: the quarter, with all it rests on."""
    sheet, fleet = whole.sheet, whole.fleet
    rows = words.rows_of(sheet.ratings, sheet.limits)
    show_html(
        lines_html([words.limits_lead(sheet)]),
        fold(words.WHOLE_LIMITS, limits_table(sheet.ratings, rows)) if len(rows) > words.PARTS else "",
        behind(whole.review.limits, title=asked.SPOKEN_TO),
        behind(
            fleet.how_sure,
            drawn(fleet_figures.how_sure_figure, fleet, question=asked.HOW_SURE),
            title=asked.HOW_SURE_TITLE,
        ),
    )


def call(whole: Whole) -> None:
    """The whole list of trucks to call, the random calls, and whose particulars are worth asking for."""
    sheet, fleet = whole.sheet, whole.fleet
    show_html(
        fold(
            words.WHOLE_CALLS, table_html(words.calls_table(sheet), words.WHOLE_CALLS), lines_html(words.CALLS_METHOD)
        ),
        behind(fleet.random_calls, title=asked.RANDOM_CALLS),
        behind(fleet.odometers, title=asked.ODOMETERS, table=False),
    )


def components(whole: Whole) -> None:
    """Which component comes back, at what power and weight. whole: the quarter, with all it rests on."""
    review = whole.review
    cells = drawn(figures.cells_figure, review, question=asked.CELLS)
    wanted = {name: _pictures(review, name) for name in review.components}
    made = each(picture_of, [(*item, spoken()) for own in wanted.values() for item in own], keep=True)
    pictures = {name: [next(made) for _ in own] for name, own in wanted.items()}
    show_html(
        fold(asked.CELLS, cells),
        *(behind(review.components[name], *own, title=asked.component(name)) for name, own in pictures.items()),
    )


def _pictures(review: Review, component: str) -> list[tuple[Any, ...]]:
    """What is to be drawn of a component: how, of what, under which question."""
    lines = review.lines
    curves = [(clock, lines.survival.get((component, clock))) for clock in asked.OVER]
    wanted: list[tuple[Any, ...]] = [
        (figures.curves_figure, (found,), asked.survival(component, clock)) for clock, found in curves if found
    ]
    shares = lines.findings.get(component)
    return [*wanted, (figures.findings_figure, (shares,), asked.findings(component))] if shares else wanted


def life(whole: Whole) -> None:
    """Whether failures come early or late, whether units come back again, and whether a rebuilt one lasts.
    whole: the quarter, with all it rests on."""
    review, fleet = whole.review, whole.fleet
    show_html(
        lead(review.wear),
        behind(review.wear, title=asked.WEAR, after=1),
        behind(review.again),
        behind(
            fleet.by_build_year,
            drawn(fleet_figures.repeats_figure, review, fleet, question=asked.BUILD_YEARS),
            title=asked.BY_YEAR,
        ),
        behind(
            fleet.rebuilt,
            drawn(fleet_figures.rebuilt_figure, review, fleet, question=asked.REBUILT),
            title=asked.AS_NEW,
        ),
        behind(fleet.renew, title=asked.RENEW),
        behind(review.fleet, title=asked.FLEET),
        behind(review.clocks, title=asked.CLOCKS_TITLE),
    )


def to_fix(whole: Whole) -> None:
    """What in the records should be mended, whether every row was used, what nothing can be said of, and what all rests on.
    whole: the quarter, with all it rests on."""
    review = whole.review
    every = [*review.answers(), *whole.outlook.answers(), *whole.fleet.answers()]
    show_html(
        lead(review.counted),
        behind(review.to_fix),
        behind(review.counted, after=1),
        fold(asked.UNANSWERED, lines_html(asked.unanswered(every))),
        fold(asked.SETTINGS, table_html(settings_of(review), asked.SETTINGS)),
    )


def cautions(whole: Whole) -> None:
    """What these figures cannot do. whole: the quarter, with all it rests on."""
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[Whole], None]] = {
    made.__name__: made for made in (opening, came_back, worse, ahead, limits, call, components, life, to_fix, cautions)
}
