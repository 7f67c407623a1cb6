"""The page of ratings, section by section, in the order it is read."""

from __future__ import annotations

from collections.abc import Callable

from analytics.places import evidence_folder
from analytics.ratings.follow_up import FollowUp
from analytics.report import rating_figures as figures
from analytics.report.one_sheet import limits_table
from analytics.report.show import first_then, fold, lines_html, picture, show_heading, show_html, show_list, table_html
from analytics.review.one_sheet import limits_table as limits_of
from analytics.words.cautions import CAUTIONS
from analytics.words.evidence import caveat
from analytics.words.ratings import page as words
from analytics.words.ratings import pictures
from analytics.words.ratings.basis import basis
from analytics.words.review.one_sheet import rows_of
from analytics.words.saying import say_all


def opening(found: FollowUp) -> None:
    """Whose ratings, for what target, and how often ratings like these are right. found: the ratings, and what follows from them."""
    found.begin()
    name, told = found.ratings.records.shop.name, words.opening(found.ratings)
    show_heading(f"{name}: power ratings", *told[:1])
    show_html(fold(words.FOLDED["trust"], lines_html((*told[1:], *caveat(evidence_folder())))))


def verdicts(found: FollowUp) -> None:
    """What should change in the published limits. found: the ratings, and what follows from them."""
    ratings = found.ratings
    rows = rows_of(ratings, limits_of(ratings, None))
    told = words.verdicts(ratings)
    show_html(
        lines_html(told[-1:]),
        limits_table(ratings, rows) if rows else "",
        picture(figures.sheet_figure(ratings), pictures.SHEET_QUESTION),
        fold(words.FOLDED["verdicts"], lines_html(told[:-1])),
        fold(words.FOLDED["sheet"], table_html(words.short_table(ratings), words.FOLDED["sheet"])),
    )


def parts(found: FollowUp) -> None:
    """What each rating rests on, a part behind each fold. found: the ratings, and what follows from them."""
    ratings = found.ratings
    for part in ratings.parts:
        bound = part.bounds[0]
        curve = found.curves[part.component, part.part]
        question = pictures.last_question(part.part, bound.weight_lb)
        past, told = figures.history_figure(ratings, part.component, part.part), words.published(ratings, part)
        checks = table_html(words.part_checks(part), f"{part.component} {part.part}: {words.FOLDED['checks']}")
        show_html(
            fold(
                words.part_title(part),
                lines_html(words.part_words(ratings, part)),
                picture(figures.rating_figure(ratings, part, bound, curve), question),
                picture(past, pictures.history_question(part.part)) or lines_html(told),
                checks,
            )
        )
    show_html(lines_html(say_all(ratings.left_out)))


def model(found: FollowUp) -> None:
    """Whether the model behind the ratings holds up on these records. found: the ratings, and what follows from them."""
    show_html(lines_html(words.model_lead(found.checks)))
    for checks in found.checks:
        drawn = figures.check_figure(checks)
        show_html(
            fold(
                words.model_title(checks),
                lines_html(words.model_words(checks)),
                picture(drawn[:2] if drawn else None, pictures.check_question(checks.part)),
                table_html(checks.influence.head(5), f"{checks.component} {checks.part}: {words.FOLDED['influence']}"),
            )
        )
    show_html(fold(words.FOLDED["shapes"], lines_html(words.shape_words(found.shapes))))


def driving(found: FollowUp) -> None:
    """How far the customers really drive. found: the ratings, and what follows from them."""
    table, told = words.driving(found.driving, found.power_and_driving)
    first_then(told, words.FOLDED["driving"], table_html(table, words.FOLDED["driving"]))


def move(found: FollowUp) -> None:
    """What moving a limit would bring. found: the ratings, and what follows from them."""
    first_then(words.boldest_words(found.move), words.FOLDED["move"], first=2)


def sensitivity(found: FollowUp) -> None:
    """What if what we assume were wrong. found: the ratings, and what follows from them."""
    first_then(words.varied_words(found.varied), words.FOLDED["varied"])


def proofs(found: FollowUp) -> None:
    """What would prove the limits nobody can prove yet. found: the ratings, and what follows from them."""
    told = words.proof_words(found.proofs)
    show_html(fold(words.FOLDED["proofs"], lines_html(told)) if found.proofs else lines_html(told))


def ask(found: FollowUp) -> None:
    """Whom to ask first. found: the ratings, and what follows from them."""
    table, told = words.whom_to_ask(found.ask)
    first_then(told, words.FOLDED["ask"], table_html(table, words.FOLDED["ask"]))


def cautions(found: FollowUp) -> None:
    """What these figures cannot do, and what they rest on. found: the ratings, and what follows from them."""
    show_list(CAUTIONS)
    show_html(fold(words.FOLDED["basis"], table_html(basis(found.ratings), words.FOLDED["basis"])))


SECTIONS: dict[str, Callable[[FollowUp], None]] = {
    made.__name__: made for made in (opening, verdicts, parts, model, driving, move, sensitivity, proofs, ask, cautions)
}
