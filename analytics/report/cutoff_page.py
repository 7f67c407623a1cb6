"""The page of one boundary of the range, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.cutoffs.argument import Argument
from analytics.report import cutoff_figures as figures
from analytics.report.show import show_figure, show_folded, show_heading, show_list, show_table, show_words
from analytics.words.cautions import CAUTIONS
from analytics.words.cutoffs import argument as words
from analytics.words.cutoffs import money, parts
from analytics.words.cutoffs import step as step_words
from analytics.words.cutoffs.argument import HEADINGS


def opening(argument: Argument) -> None:
    """Which boundary, from which records."""
    show_heading(words.title(argument), *words.opening(argument))


def claim(argument: Argument) -> None:
    """What we claim."""
    show_list(words.claim(argument))
    if drawn := figures.halves_figure(argument):
        show_figure(drawn[0], words.halves_question(argument), drawn[1])
    show_table(words.numbers_table(argument), folded=HEADINGS["numbers"])


def step(argument: Argument) -> None:
    """Whether there is a step at all."""
    show_words(*step_words.why_words(argument.step))
    if drawn := figures.search_figure(argument.step, argument.below):
        show_figure(drawn[0], step_words.search_question(argument.below), drawn[1])
    show_table(step_words.shapes_table(argument.step), folded=HEADINGS["shapes"])
    show_folded(HEADINGS["method"], step_words.step_method(argument.step))
    show_words(HEADINGS["axes"], level=3)
    show_words(*words.axes_words(argument))


def comparable(argument: Argument) -> None:
    """Whether the parts are comparable."""
    figure, answer = figures.overlap_figure(argument)
    show_figure(figure, parts.overlap_question(argument.comparable), answer)
    show_words(*parts.comparable_words(argument.comparable))
    show_table(parts.spread_table(argument.comparable), folded=HEADINGS["spread"])


def against(argument: Argument) -> None:
    """Part against part."""
    drawn = figures.ratio_figure(argument)
    if drawn:
        show_figure(drawn[0], parts.ratio_question(argument.against), drawn[1])
    show_words(*words.not_in(parts.against_words(argument.against), drawn))


def boundary(argument: Argument) -> None:
    """Where the tier should end: by money, by safety, with a tier between."""
    drawn = figures.cost_figure(argument)
    if argument.money is None or drawn is None:
        show_words(words.money_refused(argument))
    else:
        show_figure(drawn[0], HEADINGS["cost"], drawn[1])
        show_words(*words.not_in(money.money_words(argument.money), drawn))
        show_table(money.by_use_table(argument.money), folded=HEADINGS["by_use"])
        show_table(money.sensitivity_table(argument.money), folded=HEADINGS["sensitivity"])
    show_words(HEADINGS["safety"], level=3)
    show_table(words.safety_table(argument))
    if argument.safety.hangs_on:
        show_folded(HEADINGS["hangs_on"], words.hangs_on(argument))
    show_words(HEADINGS["middle"], level=3)
    show_words(*words.middle_or_why(argument))


def settle(argument: Argument) -> None:
    """What would settle it."""
    show_words(*words.trial_or_why(argument))
    if argument.trial is not None:
        show_table(argument.trial.table, folded=HEADINGS["trial"])
    show_words(HEADINGS["changes"], level=3)
    show_list(words.changes(argument))


def cautions(argument: Argument) -> None:
    """What these figures cannot do."""
    show_list(CAUTIONS)


SECTIONS: dict[str, Callable[[Argument], None]] = {
    made.__name__: made for made in (opening, claim, step, comparable, against, boundary, settle, cautions)
}
