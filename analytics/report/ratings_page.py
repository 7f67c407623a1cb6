"""The page of ratings, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.places import evidence_folder
from analytics.ratings.follow_up import boldest_move, vary_firmest
from analytics.ratings.model_checks import check_model
from analytics.ratings.sheet import Ratings
from analytics.report import rating_figures as figures
from analytics.report.show import show_figure, show_heading, show_list, show_table, show_words
from analytics.words.cautions import CAUTIONS
from analytics.words.evidence import caveat
from analytics.words.ratings import page as words
from analytics.words.ratings.basis import basis
from analytics.words.saying import say_all


def opening(ratings: Ratings) -> None:
    """Whose ratings, for what target, and how often ratings like these are right."""
    name = ratings.records.shop.name
    show_heading(f"{name}: power ratings", *words.opening(ratings), *caveat(evidence_folder()))


def verdicts(ratings: Ratings) -> None:
    """What should change in the published limits."""
    show_words(*words.verdicts(ratings))
    if drawn := figures.sheet_figure(ratings):
        show_figure(drawn[0], "What is proven, and what is published?", drawn[1])
    show_table(words.short_table(ratings), folded="Every part, weight class and use")


def parts(ratings: Ratings) -> None:
    """What each rating rests on."""
    for part in ratings.parts:
        show_words(f"{part.component.capitalize()} {part.part}", level=3)
        show_words(*words.part_words(ratings, part))
        drawn = figures.rating_figure(ratings, part, part.bounds[0])
        show_figure(
            drawn[0],
            f"How likely is {part.part} to last, by power (up to {part.bounds[0].weight_lb:,.0f} lb)?",
            drawn[1],
        )
        if history := figures.history_figure(ratings, part.component, part.part):
            show_figure(history[0], f"What has been published for {part.part}?", history[1])
        show_table(words.part_checks(part), folded="Checks, what each default cost, what was left out")
    if ratings.left_out:
        show_words(*say_all(ratings.left_out))


def model(ratings: Ratings) -> None:
    """Whether the model behind the ratings holds up on these records."""
    for part in ratings.parts:
        checks = check_model(ratings, part)
        show_words(f"{part.component.capitalize()} {part.part}", level=3)
        if drawn := figures.check_figure(checks):
            question = f"Does the fit agree with what {part.part} did, band by band?"
            show_figure(drawn[0], question, drawn[1], folded=drawn[2])
        show_words(*words.model_words(checks))
        show_table(
            checks.influence.head(5), folded="The units that move the estimate most (customers' data: keep in the shop)"
        )
    show_words(*words.shape_words(ratings))


def driving(ratings: Ratings) -> None:
    """How far the customers really drive."""
    table, told = words.driving(ratings)
    show_words(*told)
    show_table(table, folded="Miles a year by use, with the fit that allows for who gets an odometer reading")


def move(ratings: Ratings) -> None:
    """What moving a limit would bring."""
    show_words(*words.boldest_words(boldest_move(ratings)))


def sensitivity(ratings: Ratings) -> None:
    """What if what we assume were wrong."""
    show_words(*words.varied_words(vary_firmest(ratings)))


def proofs(ratings: Ratings) -> None:
    """What would prove the limits nobody can prove yet."""
    show_words(*words.proof_words(ratings))


def ask(ratings: Ratings) -> None:
    """Whom to ask first."""
    table, told = words.whom_to_ask(ratings)
    show_words(*told)
    if len(table):
        show_table(table, folded="The most telling unknowns (customers' data: keep in the shop)")


def cautions(ratings: Ratings) -> None:
    """What these figures cannot do, and what they rest on."""
    show_list(CAUTIONS)
    show_table(basis(ratings), folded="What these ratings rest on: target, settings, data")


SECTIONS: dict[str, Callable[[Ratings], None]] = {
    made.__name__: made for made in (opening, verdicts, parts, model, driving, move, sensitivity, proofs, ask, cautions)
}
