"""The page of one boundary of the range, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.cutoffs.argument import Argument
from analytics.report import cutoff_figures as figures
from analytics.report.show import first_then, fold, lines_html, picture, show_heading, show_html, show_list, table_html
from analytics.words.cautions import CAUTIONS
from analytics.words.cutoffs import argument as words
from analytics.words.cutoffs import money, parts
from analytics.words.cutoffs import step as step_words
from analytics.words.cutoffs.argument import HEADINGS
from analytics.words.phrases import capital


def opening(argument: Argument) -> None:
    """Which boundary, from which records. argument: what one boundary rests on."""
    show_heading(words.title(argument), *words.opening(argument))


def claim(argument: Argument) -> None:
    """What we claim. argument: what one boundary rests on."""
    show_list(words.claim(argument))
    show_html(
        picture(figures.halves_figure(argument), words.halves_question(argument)),
        fold(HEADINGS["numbers"], table_html(words.numbers_table(argument), HEADINGS["numbers"])),
    )


def step(argument: Argument) -> None:
    """Whether there is a step at all. argument: what one boundary rests on."""
    first_then(
        step_words.why_words(argument.step),
        HEADINGS["search"],
        picture(figures.search_figure(argument.step, argument.below), step_words.search_question(argument.below)),
        lines_html(words.axes_words(argument)),
        table_html(step_words.shapes_table(argument.step), HEADINGS["shapes"]),
        lines_html(step_words.step_method(argument.step), "small"),
    )


def comparable(argument: Argument) -> None:
    """Whether the parts are comparable. argument: what one boundary rests on."""
    told = parts.comparable_words(argument.comparable)
    first_then(
        (words.NOT_ALIKE, *told[1:]) if words.not_comparable(argument) else told,
        HEADINGS["spread"],
        picture(figures.overlap_figure(argument), parts.overlap_question(argument.comparable)),
        table_html(parts.spread_table(argument.comparable), HEADINGS["spread"]),
    )


def against(argument: Argument) -> None:
    """Part against part. argument: what one boundary rests on."""
    drawn = figures.ratio_figure(argument)
    told = parts.against_words(argument.against)
    told = told if argument.against.refused is not None else told[1:]  # the first is claimed above
    told = (words.NOT_COMPARED,) if words.not_comparable(argument) else told
    first_then(told, HEADINGS["ratio"], picture(drawn, parts.ratio_question(argument.against)))


def boundary(argument: Argument) -> None:
    """Where the tier should end: by money, by safety, with a tier between. argument: what one boundary rests on."""
    drawn = figures.cost_figure(argument)
    if argument.money is None or drawn is None:
        refused = words.NO_MONEY if words.not_comparable(argument) else capital(words.money_refused(argument))
        show_html(lines_html([refused]))
    else:
        show_html(table_html(money.by_use_table(argument.money), HEADINGS["by_use"]))
        first_then(
            words.not_in(money.money_words(argument.money), drawn),
            HEADINGS["cost"],
            picture(drawn, HEADINGS["cost"]),
            fold(HEADINGS["sensitivity"], table_html(money.sensitivity_table(argument.money), HEADINGS["sensitivity"])),
        )
    hangs_on = lines_html(words.hangs_on(argument)) if argument.safety.hangs_on else ""
    show_html(
        fold(HEADINGS["safety"], table_html(words.safety_table(argument), HEADINGS["safety"]), hangs_on),
        fold(HEADINGS["middle"], lines_html(words.middle_or_why(argument))),
    )


def settle(argument: Argument) -> None:
    """What would settle it. argument: what one boundary rests on."""
    trial = "" if argument.trial is None else table_html(argument.trial.table, HEADINGS["trial"])
    first_then(words.trial_or_why(argument), HEADINGS["trial"], trial)
    show_html(fold(HEADINGS["changes"], lines_html(words.changes(argument))))


def cautions(argument: Argument) -> None:
    """What these figures cannot do. argument: what one boundary rests on."""
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[Argument], None]] = {
    made.__name__: made for made in (opening, claim, step, comparable, against, boundary, settle, cautions)
}
