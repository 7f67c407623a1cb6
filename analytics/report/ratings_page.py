"""The page of ratings, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.places import evidence_folder
from analytics.ratings.follow_up import FollowUp
from analytics.report import rating_figures as figures
from analytics.report.show import show_figure, show_heading, show_list, show_table, show_words
from analytics.words.cautions import CAUTIONS
from analytics.words.evidence import caveat
from analytics.words.ratings import page as words
from analytics.words.ratings import pictures
from analytics.words.ratings.basis import basis
from analytics.words.saying import say_all


def opening(found: FollowUp) -> None:
    """Whose ratings, for what target, and how often ratings like these are right."""
    name = found.ratings.records.shop.name
    show_heading(f"{name}: power ratings", *words.opening(found.ratings), *caveat(evidence_folder()))


def verdicts(found: FollowUp) -> None:
    """What should change in the published limits."""
    show_words(*words.verdicts(found.ratings))
    if drawn := figures.sheet_figure(found.ratings):
        show_figure(drawn[0], pictures.SHEET_QUESTION, drawn[1])
    show_table(words.short_table(found.ratings), folded=words.FOLDED["sheet"])


def parts(found: FollowUp) -> None:
    """What each rating rests on."""
    ratings = found.ratings
    for part in ratings.parts:
        show_words(f"{part.component.capitalize()} {part.part}", level=3)
        show_words(*words.part_words(ratings, part))
        bound = part.bounds[0]
        drawn = figures.rating_figure(ratings, part, bound, found.curves[part.component, part.part])
        show_figure(drawn[0], pictures.last_question(part.part, bound.weight_lb), drawn[1])
        if history := figures.history_figure(ratings, part.component, part.part):
            show_figure(history[0], pictures.history_question(part.part), history[1])
        show_table(words.part_checks(part), folded=words.FOLDED["checks"])
    if ratings.left_out:
        show_words(*say_all(ratings.left_out))


def model(found: FollowUp) -> None:
    """Whether the model behind the ratings holds up on these records."""
    for checks in found.checks:
        show_words(f"{checks.component.capitalize()} {checks.part}", level=3)
        if drawn := figures.check_figure(checks):
            show_figure(drawn[0], pictures.check_question(checks.part), drawn[1], folded=drawn[2])
        show_words(*words.model_words(checks))
        show_table(checks.influence.head(5), folded=words.FOLDED["influence"])
    show_words(*words.shape_words(found.shapes))


def driving(found: FollowUp) -> None:
    """How far the customers really drive."""
    table, told = words.driving(found.driving, found.power_and_driving)
    show_words(*told)
    show_table(table, folded=words.FOLDED["driving"])


def move(found: FollowUp) -> None:
    """What moving a limit would bring."""
    show_words(*words.boldest_words(found.move))


def sensitivity(found: FollowUp) -> None:
    """What if what we assume were wrong."""
    show_words(*words.varied_words(found.varied))


def proofs(found: FollowUp) -> None:
    """What would prove the limits nobody can prove yet."""
    show_words(*words.proof_words(found.proofs, found.ratings.options.promise))


def ask(found: FollowUp) -> None:
    """Whom to ask first."""
    table, told = words.whom_to_ask(found.ask)
    show_words(*told)
    if len(table):
        show_table(table, folded=words.FOLDED["ask"])


def cautions(found: FollowUp) -> None:
    """What these figures cannot do, and what they rest on."""
    show_list(CAUTIONS)
    show_table(basis(found.ratings), folded=words.FOLDED["basis"])


SECTIONS: dict[str, Callable[[FollowUp], None]] = {
    made.__name__: made for made in (opening, verdicts, parts, model, driving, move, sensitivity, proofs, ask, cautions)
}
